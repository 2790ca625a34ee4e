//! Owns the copy of one card of a watch: it is the copy of the command line, told in lines.

use super::cards::{Orders, StationCard};
use super::hooks::{Hook, Hooks};
use super::log::WatchLog;
use super::owed::{Owed, OwedCopy};
use super::seen::SeenFiles;
use super::sending::{ToPlaces, tell_not_sent};
use super::status::Underway;
use super::told::Told;
use crate::cli::args::{Cli, Command, Common, CopyArgs};
use crate::cli::command::copy::{copy_shown, look};
use crate::cli::command::shared::after::AfterCopy;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::on_card::refuse_on_card;
use crate::cli::home::usual::apply;
use crate::cli::system::awake::{Awake, NOT_HELD};
use crate::cli::view::json::Json;
use crate::cli::view::observer::{JobEnd, JobPage, Viewer};
use crate::cli::view::out::{Out, heard};
use crate::cli::view::text::all_of;
use crate::cli::view::words::drives::drive_names;
use crate::cli::view::words::problem::{problem_lines, refusal_steps};
use crate::cli::view::words::summary::out_of_the_ordinary;
use crate::cli::view::words::verdict::answer_words;
use camino::Utf8PathBuf;
use clap::Parser as _;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, PoisonError};
use unlade::card::mirror::CardFiles;
use unlade::clock::Clock;
use unlade::error::{Problem, ProblemKind};
use unlade::event::{Event, Observer};
use unlade::kit::usual::UsualDrive;
use unlade::ledger::Ledger;
use unlade::name::shown;
use unlade::plan::Plan;
use unlade::proof::Proof;
use unlade::run::{Job, Tools};
use unlade::speed::forecast::words as forecast_words;
use unlade::station::{CopyEnd, PluggedCard};
use unlade::units::{counted, size};

/// Troubles of one card that are told one by one.
const TROUBLES_MAX: usize = 20;

/// What every copy of a watch shares.
pub(super) struct Shared<'a> {
    pub(super) common: &'a Common,
    pub(super) out: Out,
    pub(super) tools: &'a Tools,
    pub(super) book: &'a Book,
    pub(super) log: &'a WatchLog,
    pub(super) hooks: &'a Hooks,
    pub(super) told: &'a Told,
    pub(super) progress: &'a Underway,
    pub(super) seen: &'a SeenFiles,
    pub(super) sending: &'a Arc<ToPlaces>,
}

/// How the copy of a card ended.
pub(super) struct Copied {
    pub(super) end: CopyEnd,
    pub(super) exit: Exit,
    /// The drives that had no room for it, by name.
    pub(super) full: Vec<String>,
}

impl Copied {
    pub(super) fn of(end: CopyEnd, exit: Exit) -> Self {
        Self {
            end,
            exit,
            full: Vec::new(),
        }
    }
}

/// Returns the command line that copies a card as it is ordered.
///
/// # Errors
/// Why there is none, in a sentence.
pub(super) fn copy_args(
    card: &StationCard,
    orders: &Orders,
    common: &Common,
) -> Result<CopyArgs, String> {
    let mut words = vec!["unlade".to_owned(), "copy".to_owned()];
    words.extend(orders.to.iter().map(|to| format!("--to={to}")));
    words.extend(orders.proof.map(|level| format!("--proof={}", level.id())));
    words.extend(orders.only_new.then(|| "--only-new".to_owned()));
    words.extend(orders.reader.iter().map(|reader| format!("--in={reader}")));
    words.extend(["--".to_owned(), card.card.path.to_string()]);
    let parsed = Cli::try_parse_from(words).map_err(|e| e.to_string())?;
    let Some(Command::Copy(mut args)) = parsed.command else {
        return Err("the command line of the copy could not be made".to_owned());
    };
    apply(&mut args, &orders.set, common).map_err(|why| format!("{why}."))?;
    // Its own lines say so.
    args.unsaid.said.clear();
    // A drive that is pulled in this moment leaves a bare folder, which is no drive.
    args.unsaid.volumes.clone_from(&orders.volumes);
    Ok(args)
}

impl Shared<'_> {
    /// Copies a card and tells how it ended.
    pub(super) fn copy(&self, card: &StationCard, orders: &Orders) -> Copied {
        let name = shown(&card.name);
        let args = match copy_args(card, orders, self.common) {
            Ok(args) => args,
            Err(why) => return self.refused(card, &why),
        };
        let command = Command::Copy(args);
        let to_people = Out {
            json: false,
            ..self.out
        };
        // A kit's card need not look like a camera's.
        let check = || refuse_on_card(&command, self.common, to_people, self.tools);
        let (refused, lines) = heard(check);
        let (None, Command::Copy(args)) = (refused, command) else {
            return self.refused(card, &lines.join(" "));
        };
        if let Some(when) = self.proven_before(&args) {
            let text = format!(
                "it was proven on {when}, and nothing on it has changed since, by names, sizes \
                and dates. It is not copied again; to ask: unlade prove"
            );
            self.log.tell(
                "proven-before",
                Some(&name),
                &text,
                json!({"path": card.card.path}),
            );
            return Copied::of(CopyEnd::ProvenBefore, Exit::Done);
        }
        let full = Arc::default();
        let viewer = LoggedCopy {
            shared: self,
            card,
            orders,
            full: Arc::clone(&full),
        };
        let copy = || copy_shown(&args, self.common, self.out, self.tools, self.book, &viewer);
        let (exit, lines) = heard(copy);
        for line in lines.iter().filter(|line| !line.is_empty()) {
            self.log.line(Some(&name), line);
        }
        let full = std::mem::take(&mut *full.lock().unwrap_or_else(PoisonError::into_inner));
        let end = match exit {
            Exit::Done | Exit::Folder => CopyEnd::Proven,
            _ if full.is_empty() => CopyEnd::Open,
            _ => CopyEnd::Full,
        };
        Copied { end, exit, full }
    }

    fn refused(&self, card: &StationCard, why: &str) -> Copied {
        let name = shown(&card.name);
        let about = json!({"path": card.card.path});
        self.log.tell("refused", Some(&name), why, about);
        let about = json!({"card": card.card.path, "label": card.name, "reasons": [why]});
        self.hooks.begin(Hook::NotProven, Some(&name), about);
        Copied::of(CopyEnd::Open, Exit::Refused)
    }

    /// Returns the day on which this card was proven, if nothing has come to it since and every
    /// drive still has it.
    fn proven_before(&self, args: &CopyArgs) -> Option<String> {
        if !self.book.is_kept() {
            return None;
        }
        let looked = || {
            look(
                args,
                self.common,
                Out::for_programs(),
                self.tools,
                self.book,
            )
        };
        let silent = heard(looked).0.ok()?;
        let (_, plan) = silent.into_iter().next()?;
        proven_on(&plan.ok()?, &self.book.read())
    }
}

/// Returns the day of the last verdict on a card by the ledger, if that was PROVEN and the plan has
/// nothing to do.
pub(super) fn proven_on(plan: &Plan, ledger: &Ledger) -> Option<String> {
    let (files, _) = plan.listing.totals();
    let is_done = plan
        .destinations
        .iter()
        .all(|d| d.copy_files == 0 && d.check_files == 0 && d.kept_files + d.left_files == files);
    let last = ledger.last_verdict_on(&plan.card_identity())?;
    (is_done && files > 0 && last.proven).then(|| last.at.chars().take(10).collect())
}

/// Returns where these copies are, as they can be found again.
fn copies_at(roots: &[Utf8PathBuf], orders: &Orders) -> Vec<OwedCopy> {
    let of = |root: &Utf8PathBuf| {
        let found = orders.to.iter().zip(&orders.set.to);
        let mut found =
            found.filter_map(|(to, drive)| Some((to, drive, root.strip_prefix(to).ok()?)));
        let (to, drive, below) = found.next()?;
        Some(OwedCopy {
            drive: match drive {
                UsualDrive::Kit(name) => Some(name.clone()),
                UsualDrive::Folder(_) => None,
            },
            to: to.clone(),
            below: below.to_owned(),
        })
    };
    roots.iter().filter_map(of).collect()
}

/// Whether all cards that were announced were seen and are proven.
fn is_all_proven(shoot: &Value) -> bool {
    let count = |key| shoot.get(key).and_then(Value::as_u64);
    let is_announced = shoot
        .get("expected")
        .is_some_and(|expected| !expected.is_null());
    is_announced && count("not_seen") == Some(0) && count("seen") == count("proven")
}

/// Tells a copy in lines.
struct LoggedCopy<'a> {
    shared: &'a Shared<'a>,
    card: &'a StationCard,
    orders: &'a Orders,
    /// Takes the drives that have no room.
    full: Arc<Mutex<Vec<String>>>,
}

impl Viewer for LoggedCopy<'_> {
    fn page(&self, _: usize, job: &Job) -> Box<dyn JobPage> {
        let shared = self.shared;
        let json = shared.out.json.then(|| {
            let mut json = Json::new(shared.out, Arc::clone(&shared.tools.clock));
            json.about(&job.card);
            json
        });
        Box::new(CardLog {
            name: shown(&self.card.name),
            path: job.card.to_string(),
            orders: self.orders.clone(),
            owed: Vec::new(),
            out: shared.out,
            clock: Arc::clone(&shared.tools.clock),
            sending: Arc::clone(shared.sending),
            full: Arc::clone(&self.full),
            drives: job.to.iter().map(ToString::to_string).collect(),
            offload: None,
            troubles: 0,
            json,
            log: shared.log.clone(),
            hooks: shared.hooks.clone(),
            progress: shared.progress.clone(),
            told: shared.told.clone(),
            card: self.card.card.clone(),
            seen: shared.seen.clone(),
            awake: None,
        })
    }

    fn all(&self, _: String, _: Value) {}
}

/// One card's part of the log.
struct CardLog {
    name: String,
    path: String,
    orders: Orders,
    /// What is to be sent once it is proven.
    owed: Vec<Owed>,
    out: Out,
    clock: Arc<dyn Clock>,
    sending: Arc<ToPlaces>,
    drives: Vec<String>,
    full: Arc<Mutex<Vec<String>>>,
    offload: Option<String>,
    troubles: usize,
    json: Option<Json>,
    log: WatchLog,
    hooks: Hooks,
    progress: Underway,
    told: Told,
    card: PluggedCard,
    seen: SeenFiles,
    /// Asked when the copy begins, looked at once.
    awake: Option<Arc<Mutex<Awake>>>,
}

impl CardLog {
    fn line(&self, text: &str) {
        if self.json.is_none() {
            self.log.line(Some(&self.name), text);
        }
    }

    fn hook(&self, hook: Hook, more: Value) {
        let mut about = json!({
            "card": self.path, "label": self.name, "offload": self.offload,
            "drives": self.drives,
        });
        if let (Value::Object(about), Value::Object(more)) = (&mut about, more) {
            about.extend(more);
        }
        self.hooks.begin(hook, Some(&self.name), about);
    }

    /// Takes in which drives had no room.
    fn note_full(&self, problems: &[Problem]) {
        let full = problems.iter().filter(|p| p.kind == ProblemKind::NoRoom);
        let full: BTreeSet<usize> = full.filter_map(|p| p.destination).collect();
        let name = |at: &usize| self.orders.set.to.get(*at).map(ToString::to_string);
        let full = full.iter().filter_map(name);
        let mut all = self.full.lock().unwrap_or_else(PoisonError::into_inner);
        all.extend(full);
    }

    fn planned(&mut self, plan: &Plan) {
        self.seen
            .note(&self.card, &self.name, CardFiles::of(&plan.listing));
        self.drives = drive_names(plan);
        self.offload = (!plan.has_nothing_new()).then(|| plan.name.clone());
        if let (Some(json), Some(offload)) = (&mut self.json, &self.offload) {
            json.of_offload(offload);
        }
        let (files, bytes) = plan.to_read();
        let time = plan.expects().filter(|r| r.likely_s > 0.0);
        let time = time.map_or_else(String::new, |r| format!(", {}", forecast_words(r)));
        let named = self.offload.as_ref();
        let named = named.map_or_else(String::new, |name| format!(", as {}", shown(name)));
        self.line(&format!(
            "copying {}, {} to {}{named}{time} ({})",
            counted(files, "file"),
            size(bytes),
            all_of(&self.drives),
            self.orders.by()
        ));
        self.begin_owed(plan);
        for doubt in plan.doubts() {
            self.line(&doubt);
        }
    }

    /// Keeps what is to be sent once it is proven.
    fn begin_owed(&mut self, plan: &Plan) {
        let Some(offload) = self.offload.clone() else {
            return;
        };
        let roots = plan.destinations.iter().map(|d| d.root.clone());
        let copies = copies_at(&roots.collect::<Vec<_>>(), &self.orders);
        for place in self.orders.set.then.clone() {
            let owed = Owed {
                card: self.name.clone(),
                offload: offload.clone(),
                place,
                copies: copies.clone(),
            };
            if let Err(e) = self.sending.begin_copy(owed.clone()) {
                self.tell_unkept(&owed, &e);
            }
            self.owed.push(owed);
        }
    }

    /// Has it sent if it is proven.
    fn end_owed(&mut self, proof: Option<&Proof>) {
        let after = AfterCopy::default();
        if let Some(proof) = proof {
            after.note(proof);
        }
        let card = after.cards().pop();
        if card.as_ref().is_some_and(|card| card.has_nothing_new) {
            for place in &self.orders.set.then {
                let why = "there is nothing new on it.";
                let about = (self.name.as_str(), place.as_str());
                tell_not_sent(&self.log, self.out, &self.clock, about, why);
            }
        }
        let copies = card.map_or_else(Vec::new, |card| copies_at(&card.copies, &self.orders));
        for mut owed in std::mem::take(&mut self.owed) {
            let is_proven = !copies.is_empty();
            if is_proven {
                // Those of the drives that have it, the fastest first.
                owed.copies.sort_by_key(|copy| {
                    let at = copies.iter().position(|other| other == copy);
                    at.unwrap_or(usize::MAX)
                });
            }
            if let Err(e) = self.sending.end_copy(owed.clone(), is_proven) {
                self.tell_unkept(&owed, &e);
            }
        }
    }

    fn tell_unkept(&self, owed: &Owed, why: &std::io::Error) {
        let place = shown(&owed.place);
        let text = format!(
            "that it is to be sent to {place} can't be written down ({why}): a watch that is \
             begun again will not know."
        );
        let about = json!({"offload": owed.offload, "place": owed.place});
        self.log.tell("send-failed", Some(&self.name), &text, about);
    }

    /// Begins the hook of a shoot whose announced cards are all proven now.
    fn note_shoot(&self, verdict: &Value) {
        let Some(shoot) = verdict.get("shoot").filter(|shoot| is_all_proven(shoot)) else {
            return;
        };
        let name = shoot
            .get("name")
            .and_then(Value::as_str)
            .unwrap_or_default();
        let cause = format!("{name}: {}", shoot.get("expected").unwrap_or(&Value::Null));
        match self.told.is_first(Hook::AllSeen.name(), &cause) {
            Ok(false) => {}
            Ok(true) => {
                self.line(&format!(
                    "all cards of {} were seen and are proven.",
                    shown(name)
                ));
                self.hook(Hook::AllSeen, json!({"shoot": shoot}));
            }
            Err(e) => self.line(&format!(
                "that the hook all-seen is begun can't be written down ({e}), so it was not."
            )),
        }
    }
}

impl Observer for CardLog {
    fn event(&mut self, event: &Event<'_>) {
        if let Event::Planned(plan) = event {
            self.planned(plan);
        }
        if let Some(json) = &mut self.json {
            json.event(event);
        }
        match event {
            Event::Tick(now) => {
                let awake = self.awake.take();
                let awake = awake.as_ref().and_then(|awake| awake.lock().ok());
                if awake.is_some_and(|mut awake| awake.fails_first()) {
                    self.line(NOT_HELD);
                }
                let bytes = (now.bytes_read, now.bytes_total);
                self.progress
                    .note(&self.path, self.offload.as_deref(), bytes);
            }
            Event::Problem(problem) => {
                self.troubles += 1;
                if self.troubles <= TROUBLES_MAX {
                    let lines = problem_lines(problem, &self.drives, usize::MAX);
                    self.line(&lines.join(" "));
                }
            }
            Event::CardRead => {
                self.line("card read: you can take it out. Don't format it yet.");
                self.hook(Hook::CardRead, Value::Null);
            }
            _ => {}
        }
    }
}

impl JobPage for CardLog {
    fn share(&mut self, awake: &Arc<Mutex<Awake>>) {
        self.awake = Some(Arc::clone(awake));
    }

    fn end(&mut self, end: &JobEnd<'_>, verdict: Value) {
        self.progress.end(&self.path);
        match end {
            JobEnd::Proof(proof, news) => {
                self.note_full(proof.problems());
                let (notes, troubles) = out_of_the_ordinary(proof);
                for note in notes.iter().chain(news) {
                    self.line(note);
                }
                for trouble in troubles {
                    self.line(&format!("{} {}", trouble.reasons.join(" "), trouble.step));
                }
                let (answer, before) = answer_words(proof);
                for line in &before {
                    self.line(line);
                }
                self.line(&format!("{}{}. {}", answer.word, answer.of, answer.rest));
            }
            JobEnd::Refused(head, reasons) => {
                self.note_full(reasons);
                self.line(head);
                for (reasons, step) in refusal_steps(reasons, &self.drives) {
                    self.line(&format!("{} {step}", reasons.join(" ")));
                }
            }
            JobEnd::NotBegun(why) => self.line(why),
        }
        if let Some(json) = &self.json {
            json.send("verdict", verdict.clone());
        }
        let is_proven = verdict.get("proven") == Some(&Value::Bool(true));
        let hook = if is_proven {
            Hook::Proven
        } else {
            Hook::NotProven
        };
        self.end_owed(match end {
            JobEnd::Proof(proof, _) => Some(proof),
            _ => None,
        });
        self.hook(hook, json!({"verdict": verdict}));
        self.note_shoot(&verdict);
    }

    fn said(&mut self, lines: Vec<String>) {
        for line in lines.iter().filter(|line| !line.is_empty()) {
            self.line(line);
        }
    }
}
