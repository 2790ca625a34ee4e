//! Owns copying one card and telling its result.

use crate::cli::command::shared::after::AfterCopy;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::shoot::{ShootNews, enter, slower};
use crate::cli::system::notice;
use crate::cli::system::signals::AtWork;
use crate::cli::view::json::Json;
use crate::cli::view::observer::{JobEnd, JobObserver};
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words::notice::TroubleWatch;
use crate::cli::view::words::problem::{NOTHING_WRITTEN, refusal_lines};
use crate::cli::view::words::verdict::{answer_notice, verdict_lines};
use serde_json::{Value, json};
use std::sync::{Mutex, PoisonError};
use unlade::event::{Event, Observer};
use unlade::ledger::{LedgerEntry, ShootPart};
use unlade::name::shown;
use unlade::plan::Refusal;
use unlade::proof::Proof;
use unlade::run::{Job, Tools, checks_of_copy, offload, prepare};

/// The command that a card is copied by.
pub(crate) struct CommandContext<'a> {
    pub(crate) book: &'a Book,
    pub(crate) shoot: Option<&'a ShootPart>,
    /// The command, where it has several cards: they are all plugged in now.
    pub(crate) command: Option<&'a str>,
    /// Held while a card's lines are printed, so that no other card's come between.
    pub(crate) printing: &'a Mutex<()>,
    /// What is done with the copies afterwards.
    pub(crate) after: &'a AfterCopy,
}

/// An observer, and notices at trouble beside it.
struct Watched<'a> {
    observer: &'a mut JobObserver,
    watch: TroubleWatch,
}

impl Observer for Watched<'_> {
    fn event(&mut self, event: &Event<'_>) {
        self.observer.event(event);
        self.watch.event(event);
    }
}

/// Copies one card and tells the result.
pub(crate) fn copy_one(
    job: &Job,
    out: Out,
    tools: &Tools,
    observer: &mut JobObserver,
    context: &CommandContext<'_>,
) -> Exit {
    let mut watched = Watched {
        observer,
        watch: TroubleWatch::default(),
    };
    let prepared = prepare(job, tools, &mut watched);
    // Until the answer is told and in the ledger.
    let _at_work = AtWork::begin();
    let result = prepared.and_then(|plan| offload(plan, tools, &mut watched));
    // A thread that broke down while it told something leaves nothing behind that matters here.
    let _whole = context
        .printing
        .lock()
        .unwrap_or_else(PoisonError::into_inner);
    match result {
        Ok(proof) => {
            let checks = checks_of_copy(&proof, tools.disk.as_ref());
            let unnoted = context.book.note(checks);
            tell_proof(&proof, unnoted, out, observer, context)
        }
        Err(refusal) if refusal.is_interruption() => {
            if let JobObserver::Screen(screen) = observer {
                screen.finish(&[]);
            }
            not_begun(job, out, observer)
        }
        Err(refusal) => {
            let head = refused(job, context.command.is_some());
            tell_refusal(job, &refusal, &head, out, observer)
        }
    }
}

/// Tells of a card that was stopped before it was begun: whatever became of the others, nothing is
/// known of this one.
pub(crate) fn not_begun(job: &Job, out: Out, observer: &mut JobObserver) -> Exit {
    let exit = Exit::Interrupted;
    let card = shown(job.card.as_str());
    let why = format!("card `{card}` was not begun: it was interrupted before");
    let verdict = Json::unproven(&job.card, &[&why], exit);
    match observer {
        JobObserver::Screen(_) => {}
        JobObserver::Json(json) => {
            json.send("verdict", verdict);
            return exit;
        }
        JobObserver::Page(page) => {
            page.end(&JobEnd::NotBegun(why), verdict);
            return exit;
        }
    }
    let heading = out.heading("NOT PROVEN", false);
    let text = format!("{why}. Run the same command again.");
    out.line("");
    for line in wrap(&text, out.width, "  ", "  ") {
        out.line(&line);
    }
    out.line(&format!("{heading}. Keep the card as it is."));
    exit
}

/// Returns how a refusal begins: others of several cards may have been copied.
pub(crate) fn refused(job: &Job, has_others: bool) -> String {
    if has_others {
        format!(
            "Refused; nothing of `{}` was copied.",
            shown(job.card.as_str())
        )
    } else {
        NOTHING_WRITTEN.to_owned()
    }
}

fn tell_proof(
    proof: &Proof,
    unnoted: Option<&str>,
    out: Out,
    observer: &mut JobObserver,
    context: &CommandContext<'_>,
) -> Exit {
    let mut entry = LedgerEntry::of_copy(proof);
    entry.command = context.command.map(str::to_owned);
    let slower = slower(context.book, &entry);
    let news = enter(context.book, entry, context.shoot);
    let exit = if proof.verdict().is_proven() && proof.part().is_some() {
        Exit::Folder
    } else if proof.verdict().is_proven() && proof.short().next().is_some() {
        Exit::Short
    } else if proof.verdict().is_proven() {
        Exit::Done
    } else if proof.offloaded().interrupted {
        Exit::Interrupted
    } else {
        Exit::NotProven
    };
    // Of several cards there is one for all; who stopped it is at the keyboard.
    if context.command.is_none() && exit != Exit::Interrupted {
        notice::send(answer_notice(proof));
    }
    context.after.note(proof);
    let for_programs = || verdict(proof, news.as_ref(), slower.as_deref(), exit);
    match observer {
        JobObserver::Json(json) => json.send("verdict", for_programs()),
        JobObserver::Page(page) => {
            let verdict = for_programs();
            let news = news.into_iter().flat_map(|n| n.words);
            page.end(
                &JobEnd::Proof(proof, slower.into_iter().chain(news).collect()),
                verdict,
            );
        }
        JobObserver::Screen(screen) => {
            let notes = slower.as_deref().into_iter().chain(unnoted);
            let notes = notes.flat_map(|note| wrap(note, out.width, "Note     ", "         "));
            let mut shoot: Vec<String> = notes.collect();
            shoot.extend(news.into_iter().flat_map(|n| n.lines(out.width)));
            screen.finish(&verdict_lines(proof, &shoot, out));
        }
    }
    exit
}

/// The drives that were given and have not got all of it.
fn incomplete_on(proof: &Proof) -> Vec<&str> {
    let destinations = &proof.plan().destinations;
    let short = proof.short().filter_map(|index| destinations.get(index));
    short.map(|d| d.given.as_str()).collect()
}

/// The verdict as programs get it.
fn verdict(proof: &Proof, news: Option<&ShootNews>, slower: Option<&str>, exit: Exit) -> Value {
    let (files, bytes) = proof.listed();
    let offload = (!proof.plan().has_nothing_new()).then_some(&proof.plan().name);
    json!({
        "card": proof.plan().card.given, "offload": offload,
        "label": proof.plan().card.label, "volume_id": proof.plan().card.volume_id(),
        "read_whole": proof.part().is_none(), "card_now": proof.card_now().id(),
        "proven": proof.verdict().is_proven(), "copies": proof.verdict().copies(),
        "copies_needed": proof.terms().copies_needed,
        "incomplete_on": incomplete_on(proof),
        "reasons": proof.verdict().reasons(), "notes": proof.notes(),
        "files": files, "bytes": bytes, "shoot": news.map(|n| &n.shoot),
        "slower_than_its_past": slower, "only_new": left(proof),
        "signed_by": proof.signed_by(),
        "source": source(proof),
        "exit_code": exit.code(),
    })
}

/// The offload that this is a further copy of; null where a card was read.
fn source(proof: &Proof) -> Value {
    proof.plan().original().map_or(Value::Null, |original| {
        json!({
            "offload": original.name, "path": original.root, "manifest_b3": original.manifest_b3,
            "files_equal": proof.offloaded().original_equal, "counted": proof.original_counts(),
        })
    })
}

/// What was left in earlier offloads; null where everything was to be copied.
fn left(proof: &Proof) -> Value {
    let Some(only_new) = &proof.plan().only_new else {
        return Value::Null;
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
        "sampled_files": only_new.sampled_files, "left_in": offloads,
        "gone_files": only_new.gone_files,
    })
}

/// Tells why a card was refused.
pub(crate) fn tell_refusal(
    job: &Job,
    refusal: &Refusal,
    head: &str,
    out: Out,
    observer: &mut JobObserver,
) -> Exit {
    let verdict = Json::refused(&job.card, &refusal.reasons);
    match observer {
        JobObserver::Json(json) => json.send("verdict", verdict),
        JobObserver::Page(page) => page.end(&JobEnd::Refused(head, &refusal.reasons), verdict),
        JobObserver::Screen(screen) => {
            screen.finish(&[]);
            let names: Vec<String> = job.to.iter().map(ToString::to_string).collect();
            for line in refusal_lines(head, &refusal.reasons, &names, out.width) {
                out.error(&line);
            }
        }
    }
    Exit::Refused
}
