//! Owns `copy` and `plan`: from the command line to jobs, one card after the other or several at
//! the same time.

use crate::cli::args::speed;
use crate::cli::args::{Common, CopyArgs, LayoutArg, ProofArg};
use crate::cli::exit::Exit;
use crate::cli::home::keys;
use crate::cli::home::known;
use crate::cli::home::{Book, ShootNews, enter, shoot_part, slower};
use crate::cli::system::awake::Awake;
use crate::cli::system::power::{ON_BATTERY, on_battery};
use crate::cli::system::signals::AtWork;
use crate::cli::view::deadline::{Due, Schedule};
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::screen::Screen;
use crate::cli::view::text::wrap;
use crate::cli::view::words::{self, NOTHING_WRITTEN};
use camino::Utf8PathBuf;
use serde_json::json;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use unlade::clock::rfc3339;
use unlade::error::Problem;
use unlade::event::{Event, Observer};
use unlade::existing::original::is_offload;
use unlade::hash_algorithm::Also;
use unlade::ledger::shoot::Shoot;
use unlade::ledger::{Deed, Entry, ShootPart};
use unlade::name::shown;
use unlade::plan::beside::Beside;
use unlade::plan::concurrent::{AT_ONCE_MAX, Order};
use unlade::plan::terms::Terms;
use unlade::plan::{Form, Refusal};
use unlade::proof::Proof;
use unlade::record::layout::{Layout, Level};
use unlade::run::{Job, KnownBefore, Tools, look_ahead, look_together, offload, prepare};

/// Whoever looks on: a screen, a program, or nobody.
pub(crate) enum Eyes {
    Screen(Box<Screen>),
    Json(Json),
}

impl Eyes {
    pub(crate) fn new(out: Out, tools: &Tools, destinations: &[Utf8PathBuf]) -> Self {
        if out.json {
            Self::Json(Json::new(out, Arc::clone(&tools.clock)))
        } else {
            let names = destinations.iter().map(ToString::to_string).collect();
            Self::Screen(Box::new(Screen::new(out, Arc::clone(&tools.clock), names)))
        }
    }
}

impl Observer for Eyes {
    fn event(&mut self, event: &Event<'_>) {
        match self {
            Self::Screen(screen) => screen.event(event),
            Self::Json(json) => json.event(event),
        }
    }
}

fn terms(args: &CopyArgs) -> Terms {
    Terms {
        level: match args.proof {
            ProofArg::Written => Level::Written,
            ProofArg::Readback => Level::ReadBack,
            ProofArg::Reread => Level::Reread,
        },
        copies_needed: unlade::units::len_usize(args.copies),
        separate: args.separate,
    }
}

/// In which form the offloads are to be left.
fn form(args: &CopyArgs, out: Out) -> Result<Form, Exit> {
    let mut form = Form {
        layout: args.layout.map(|layout| match layout {
            LayoutArg::Plain => Layout::Plain,
            LayoutArg::Bag => Layout::Bag,
        }),
        ..Form::default()
    };
    for also in &args.also {
        if !form.also.insert(*also) {
            let text = format!(
                "unlade: --also names {also} twice; there are {}.",
                Also::names()
            );
            for line in wrap(&text, out.width, "", "  ") {
                out.error(&line);
            }
            return Err(Exit::Usage);
        }
    }
    Ok(form)
}

fn jobs(args: &CopyArgs, out: Out) -> Result<Vec<Job>, Exit> {
    if args.cards.len() > 1 && args.name.is_some() {
        out.error("unlade: --name names one offload; give one card with it, or leave it out.");
        return Err(Exit::Usage);
    }
    for (index, card) in args.cards.iter().enumerate() {
        if args.cards.iter().take(index).any(|c| c == card) {
            out.error(&format!("unlade: card `{card}` is given twice."));
            return Err(Exit::Usage);
        }
    }
    let chain = speed::chain(&args.speed, args.to.len()).map_err(|wrong| {
        wrong.tell(out);
        Exit::Usage
    })?;
    let form = form(args, out)?;
    Ok(args
        .cards
        .iter()
        .map(|card| Job {
            card: card.clone(),
            to: args.to.clone(),
            name: args.name.clone(),
            terms: terms(args),
            taken: Vec::new(),
            only_new: args.only_new,
            chain: chain.clone(),
            known: KnownBefore::default(),
            form,
            signer: None,
            beside: Beside::default(),
        })
        .collect())
}

/// What every card of one command shares.
struct Errand<'a> {
    jobs: Vec<Job>,
    order: Order,
    out: Out,
    tools: &'a Tools,
    book: &'a Book,
    shoot: Option<ShootPart>,
    /// What tells this command from others in the ledger, where it has several cards.
    command: Option<String>,
    on_battery: bool,
    awake: Arc<Mutex<Awake>>,
    /// One card's block of lines is told whole before another's.
    telling: Mutex<()>,
}

/// Copies every card; the exit code is that of the card that went worst, and that of a refusal only where all were
/// refused.
pub(crate) fn copy(args: &CopyArgs, common: &Common, out: Out, tools: &Tools, book: &Book) -> Exit {
    let (jobs, shoot) = match begin(args, common, out, tools, book) {
        Ok(begun) => begun,
        Err(exit) => return exit,
    };
    let (jobs, order) = match together(jobs, out, tools) {
        Ok(found) => found,
        Err(exit) => return exit,
    };
    let on_battery = on_battery(Path::new("/"));
    if on_battery && !out.json && !out.quiet {
        out.line(ON_BATTERY);
    }
    if args.deadline.is_some() {
        let dues = jobs.iter().map(|job| {
            let plan = look_ahead(job, tools).ok()?;
            Some(Due::of(&plan))
        });
        tell_schedule(
            &Schedule::new(dues.collect(), &order, args.deadline),
            out,
            tools,
        );
    }
    let (now, id) = (rfc3339(tools.clock.now()), std::process::id());
    let errand = Errand {
        command: (jobs.len() > 1).then(|| format!("{now} {id}")),
        jobs,
        order,
        on_battery,
        out,
        tools,
        book,
        shoot,
        awake: Arc::new(Mutex::new(Awake::ask())),
        telling: Mutex::new(()),
    };
    errand.run()
}

fn begin(
    args: &CopyArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
) -> Result<(Vec<Job>, Option<ShootPart>), Exit> {
    let mut jobs = jobs(args, out)?;
    refuse_flags_of_cards(args, &jobs, out, tools)?;
    keys::apply(args.sign.as_ref(), &mut jobs, out, tools)?;
    known::apply(&args.names, common, &mut jobs, out, tools)?;
    let ledger = Arc::new(book.read());
    for job in &mut jobs {
        job.known.ledger = Arc::clone(&ledger);
    }
    Ok((jobs, shoot_part(&args.set, book, out)?))
}

/// Refuses flags that only a card can have, where an offload is to be copied.
fn refuse_flags_of_cards(
    args: &CopyArgs,
    jobs: &[Job],
    out: Out,
    tools: &Tools,
) -> Result<(), Exit> {
    let is_offload = |job: &&Job| is_offload(tools.disk.as_ref(), &job.card);
    let Some(job) = jobs.iter().find(is_offload) else {
        return Ok(());
    };
    let given = [
        ("--only-new", args.only_new),
        ("--proof reread", args.proof == ProofArg::Reread),
        ("--as", args.names.as_card.is_some()),
        ("--in", args.names.in_reader.is_some()),
        ("--bus", args.speed.bus.is_some()),
        ("--reads", args.speed.reads.is_some()),
        ("--link", args.speed.link.is_some()),
        ("--shoot", args.set.shoot.is_some()),
    ];
    let flags: Vec<&str> = given.iter().filter(|f| f.1).map(|f| f.0).collect();
    if flags.is_empty() {
        return Ok(());
    }
    let text = format!(
        "unlade: `{}` is an offload, not a card: {} cannot be used for a further copy of it.",
        shown(job.card.as_str()),
        flags.join(" and ")
    );
    for line in wrap(&text, out.width, "", "  ") {
        out.error(&line);
    }
    Err(Exit::Usage)
}

/// Looks at all cards before the first is begun, and says in which order they are read.
fn together(mut jobs: Vec<Job>, out: Out, tools: &Tools) -> Result<(Vec<Job>, Order), Exit> {
    if jobs.len() < 2 {
        let alone = Order {
            chains: vec![vec![0]],
            why: String::new(),
        };
        return Ok((jobs, alone));
    }
    let found = look_together(&jobs, tools);
    if !found.reasons.is_empty() {
        let refusal = Refusal {
            reasons: found.reasons,
        };
        for job in &jobs {
            let mut eyes = Eyes::new(out, tools, &job.to);
            if let Eyes::Json(json) = &mut eyes {
                json.event(&Event::Refused(&refusal.reasons));
                tell_refusal(job, &refusal, NOTHING_WRITTEN, out, &mut eyes);
            }
        }
        let ends: Vec<(&str, Exit)> = jobs
            .iter()
            .map(|job| (job.card.as_str(), Exit::Refused))
            .collect();
        if out.json {
            send_for_all(&ends, out, tools);
        } else if let Some(job) = jobs.first() {
            let mut eyes = Eyes::new(out, tools, &job.to);
            tell_refusal(job, &refusal, NOTHING_WRITTEN, out, &mut eyes);
        }
        return Err(Exit::Refused);
    }
    let others = found.at_once.into_iter().zip(found.beside);
    let others = others.zip(found.in_reader);
    for ((job, name), ((links, beside), sharing)) in jobs.iter_mut().zip(found.names).zip(others) {
        job.name = name;
        job.chain.reader.cards_at_once = sharing;
        job.chain.other_cards = links;
        job.beside = beside;
    }
    if out.json {
        let why = json!({
            "chains": found.order.chains, "why": found.order.why, "notes": found.notes,
        });
        Json::new(out, Arc::clone(&tools.clock)).send("order", why);
    } else if !out.quiet {
        for text in std::iter::once(&found.order.why).chain(&found.notes) {
            for line in wrap(text, out.width, "", "  ") {
                out.line(&line);
            }
        }
    }
    Ok((jobs, found.order))
}

impl Errand<'_> {
    fn run(&self) -> Exit {
        let done: Vec<Mutex<Option<Exit>>> = self.jobs.iter().map(|_| Mutex::default()).collect();
        let next = AtomicUsize::new(0);
        let work = || {
            while let Some(chain) = self.order.chains.get(next.fetch_add(1, Ordering::SeqCst)) {
                for index in chain {
                    if self.tools.cancel.load(Ordering::SeqCst) {
                        return;
                    }
                    let exit = self.card(*index);
                    if let Some(Ok(mut done)) = done.get(*index).map(Mutex::lock) {
                        *done = Some(exit);
                    }
                }
            }
        };
        if self.order.is_parallel() {
            let at_once = self.order.chains.len().min(AT_ONCE_MAX);
            std::thread::scope(|scope| {
                for _ in 1..at_once {
                    let further = std::thread::Builder::new().name("card".into());
                    // One that cannot be started leaves its cards to the others.
                    if further.spawn_scoped(scope, work).is_err() {}
                }
                work();
            });
        } else {
            work();
        }
        let mut ends = Vec::new();
        for (job, done) in self.jobs.iter().zip(done) {
            let done = done.into_inner().ok().flatten();
            let exit = done.unwrap_or_else(|| self.not_begun(job));
            ends.push((job.card.as_str(), exit));
        }
        if ends.len() > 1 && self.out.json {
            send_for_all(&ends, self.out, self.tools);
        } else if ends.len() > 1 {
            let is_card = |job: &Job| !is_offload(self.tools.disk.as_ref(), &job.card);
            let are_cards = self.jobs.iter().all(is_card);
            for line in words::answer_for_all(&ends, are_cards, self.out) {
                self.out.line(&line);
            }
        }
        Exit::of_all(ends.iter().map(|(_, exit)| *exit))
    }

    /// Stopped before its turn: whatever became of the others, this card was not looked at.
    fn not_begun(&self, job: &Job) -> Exit {
        let exit = Exit::Interrupted;
        let card = shown(job.card.as_str());
        let why = format!("card `{card}` was not begun: it was interrupted before");
        if self.out.json {
            let verdict = json!({"card": job.card, "proven": false, "copies": 0, "reasons": [why], "exit_code": exit.code()});
            Json::new(self.out, Arc::clone(&self.tools.clock)).send("verdict", verdict);
            return exit;
        }
        let heading = self.out.heading("NOT PROVEN", false);
        self.out.line("");
        self.out.line(&format!("{heading} - keep this card."));
        for (label, text) in [
            ("Reason   ", format!("{why}.")),
            ("Next     ", "Run the same command again.".to_owned()),
        ] {
            for line in wrap(&text, self.out.width, label, "         ") {
                self.out.line(&line);
            }
        }
        exit
    }

    fn card(&self, index: usize) -> Exit {
        let Some(job) = self.jobs.get(index) else {
            return Exit::Refused;
        };
        let cards = self.jobs.len();
        let mut eyes = Eyes::new(self.out, self.tools, &job.to);
        match &mut eyes {
            Eyes::Screen(screen) => {
                if cards > 1 && !self.order.is_parallel() && !self.out.quiet {
                    let card = shown(job.card.as_str());
                    let head = format!("Card {} of {cards}: {card}", index + 1);
                    screen.finish(&[String::new(), head]);
                }
                screen.share(&self.awake);
                if self.order.is_parallel() {
                    screen.name_card();
                }
            }
            Eyes::Json(json) => {
                if self.jobs.len() > 1 {
                    json.about(&job.card);
                }
                if self.on_battery {
                    json.note(ON_BATTERY);
                }
            }
        }
        let telling = Telling {
            book: self.book,
            shoot: self.shoot.as_ref(),
            command: self.command.as_deref(),
            lock: &self.telling,
        };
        let exit = one(job, self.out, self.tools, &mut eyes, &telling);
        job.beside.end();
        exit
    }
}

/// What telling a result needs.
pub(crate) struct Telling<'a> {
    pub(crate) book: &'a Book,
    pub(crate) shoot: Option<&'a ShootPart>,
    /// The command, where it has several cards: they are all plugged in now.
    pub(crate) command: Option<&'a str>,
    pub(crate) lock: &'a Mutex<()>,
}

/// Copies one card and tells the result.
pub(crate) fn one(
    job: &Job,
    out: Out,
    tools: &Tools,
    eyes: &mut Eyes,
    telling: &Telling<'_>,
) -> Exit {
    let prepared = prepare(job, tools, eyes);
    // Until the answer is told and in the ledger.
    let _at_work = AtWork::begin();
    let result = prepared.and_then(|plan| offload(plan, job.terms, tools, eyes));
    // A thread that broke down while it told something leaves nothing behind that matters here.
    let _whole = telling.lock.lock().unwrap_or_else(PoisonError::into_inner);
    match result {
        Ok(proof) => tell_proof(&proof, out, eyes, telling),
        Err(refusal) => {
            let head = refused(job, telling.command.is_some());
            tell_refusal(job, &refusal, &head, out, eyes)
        }
    }
}

/// Sends the verdict on all cards.
pub(crate) fn send_for_all(ends: &[(&str, Exit)], out: Out, tools: &Tools) {
    let exit = Exit::of_all(ends.iter().map(|(_, exit)| *exit));
    let ends: Vec<_> = ends
        .iter()
        .map(|(card, exit)| (*card, matches!(exit, Exit::Done | Exit::Folder), *exit))
        .collect();
    Json::new(out, Arc::clone(&tools.clock)).send_for_all("cards", &ends, exit);
}

/// How a refusal begins: others of several cards may have been copied.
fn refused(job: &Job, has_others: bool) -> String {
    if has_others {
        format!(
            "Refused; nothing of `{}` was copied.",
            shown(job.card.as_str())
        )
    } else {
        NOTHING_WRITTEN.to_owned()
    }
}

fn tell_proof(proof: &Proof, out: Out, eyes: &mut Eyes, telling: &Telling<'_>) -> Exit {
    let mut entry = Entry::of_copy(proof);
    entry.command = telling.command.map(str::to_owned);
    let slower = slower(telling.book, &entry);
    let news = enter(telling.book, entry, telling.shoot);
    let exit = if proof.verdict().is_proven() && proof.part().is_some() {
        Exit::Folder
    } else if proof.verdict().is_proven() {
        Exit::Done
    } else if proof.offloaded().interrupted {
        Exit::Interrupted
    } else {
        Exit::NotProven
    };
    match eyes {
        Eyes::Json(json) => {
            let (files, bytes) = proof.listed();
            let offload = (!proof.plan().has_nothing_new()).then_some(&proof.plan().name);
            json.send(
                "verdict",
                json!({
                    "card": proof.plan().card.given, "offload": offload,
                    "label": proof.plan().card.label, "volume_id": proof.plan().card.volume_id(),
                    "read_whole": proof.part().is_none(), "card_now": proof.card_now().id(),
                    "proven": proof.verdict().is_proven(), "copies": proof.verdict().copies(),
                    "copies_needed": proof.terms().copies_needed,
                    "reasons": proof.verdict().reasons(), "notes": proof.notes(),
                    "files": files, "bytes": bytes, "shoot": news.as_ref().map(|n| &n.shoot),
                    "slower_than_its_past": slower, "only_new": left(proof), "signed_by": proof.signed_by(),
                    "source": source(proof),
                    "exit_code": exit.code(),
                }),
            );
        }
        Eyes::Screen(screen) => {
            let mut shoot = slower.map_or_else(Vec::new, |note| {
                wrap(&note, out.width, "Note     ", "         ")
            });
            shoot.extend(news.into_iter().flat_map(|n| n.lines(out.width)));
            screen.finish(&words::verdict(proof, &shoot, out));
        }
    }
    exit
}

/// The offload that this is a further copy of; null where a card was read.
fn source(proof: &Proof) -> serde_json::Value {
    proof.plan().original().map_or(serde_json::Value::Null, |original| {
        json!({
            "offload": original.name, "path": original.root, "manifest_b3": original.manifest_b3,
            "files_equal": proof.offloaded().original_equal, "counted": proof.original_counts(),
        })
    })
}

/// What was left in earlier offloads; null where everything was to be copied.
fn left(proof: &Proof) -> serde_json::Value {
    let Some(only_new) = &proof.plan().only_new else {
        return serde_json::Value::Null;
    };
    let offloads: Vec<Vec<&str>> = proof
        .plan()
        .destinations
        .iter()
        .map(|d| d.left_in.iter().map(|l| l.within.as_str()).collect())
        .collect();
    json!({
        "left_files": only_new.left_files, "left_bytes": only_new.left_bytes,
        "matched_by": if proof.reread_equal() { "content" } else { "path-size-date" },
        "sampled_files": only_new.sampled_files, "left_in": offloads, "gone_files": only_new.gone_files,
    })
}

fn tell_refusal(job: &Job, refusal: &Refusal, head: &str, out: Out, eyes: &mut Eyes) -> Exit {
    match eyes {
        Eyes::Json(json) => tell_reasons(json, job, &refusal.reasons),
        Eyes::Screen(screen) => {
            screen.finish(&[]);
            let names: Vec<String> = job.to.iter().map(ToString::to_string).collect();
            for line in words::refusal(head, &refusal.reasons, &names, out.width) {
                out.error(&line);
            }
        }
    }
    Exit::Refused
}

/// Sends the verdict on a card that was refused.
pub(crate) fn tell_reasons(json: &Json, job: &Job, reasons: &[Problem]) {
    let reasons: Vec<&str> = reasons.iter().map(|r| r.detail.as_str()).collect();
    json.send(
        "verdict",
        json!({"card": job.card, "proven": false, "copies": 0, "reasons": reasons, "exit_code": Exit::Refused.code()}),
    );
}

/// Says when which card is done.
fn tell_schedule(schedule: &Schedule, out: Out, tools: &Tools) {
    if out.json && schedule.is_asked_for() {
        Json::new(out, Arc::clone(&tools.clock)).send("schedule", schedule.json());
    } else if !out.json && !out.quiet {
        for line in schedule.lines(out) {
            out.line(&line);
        }
    }
}

/// Shows what would be done.
pub(crate) fn plan(args: &CopyArgs, common: &Common, out: Out, tools: &Tools, book: &Book) -> Exit {
    // The plan is the result here, so it is shown in spite of --quiet.
    let out = Out {
        quiet: false,
        ..out
    };
    let begun = begin(args, common, out, tools, book)
        .and_then(|(jobs, shoot)| Ok((together(jobs, out, tools)?, shoot)));
    let ((jobs, order), shoot) = match begun {
        Ok(begun) => begun,
        Err(exit) => return exit,
    };
    let mut worst = Exit::Done;
    let is_one = jobs.len() == 1;
    let mut dues = Vec::new();
    let mut cards = Vec::new();
    for job in jobs {
        let mut eyes = Eyes::new(out, tools, &job.to);
        if let (Eyes::Json(json), false) = (&mut eyes, is_one) {
            json.about(&job.card);
        }
        dues.push(match prepare(&job, tools, &mut eyes) {
            Ok(plan) => {
                let now = tools.clock.now();
                cards.push(Entry {
                    command: (!is_one).then(String::new),
                    ..Entry::new(Deed::Copy, now, plan.card_identity())
                });
                Some(Due::of(&plan))
            }
            Err(refusal) => {
                let head = refused(&job, !is_one);
                worst = worst.max(tell_refusal(&job, &refusal, &head, out, &mut eyes));
                None
            }
        });
    }
    let is_any_planned = dues.iter().any(Option::is_some);
    if is_any_planned {
        tell_schedule(&Schedule::new(dues, &order, args.deadline), out, tools);
    }
    if is_any_planned && !out.json {
        out.line("Nothing was written.");
    }
    if let (Some(part), false) = (shoot, out.json) {
        let shoot = Shoot::of(&book.read(), &part.name, part.expected.as_ref());
        let words = shoot.words_of_plan(&cards);
        for line in (ShootNews { shoot, words }).lines(out.width) {
            out.line(&line);
        }
    }
    worst
}
