//! Owns `prove`: the question without a copy, and its answer in words.

use crate::cli::args::ProveArgs;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::shoot::{ShootNews, enter, shoot_part};
use crate::cli::view::interrupt::stopped;
use crate::cli::view::json::Json;
use crate::cli::view::next_steps::STEPS_MAX;
use crate::cli::view::out::Out;
use crate::cli::view::read_progress::{ReadProgress, watched};
use crate::cli::view::text::wrap;
use crate::cli::view::words::answer::{CardAnswer, SAID_NOW, SAID_THEN, card_name, copies_line};
use crate::cli::view::words::findings::UNREAD_STEP;
use crate::cli::view::words::problem::{NOTHING_WRITTEN, refusal_lines};
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use unlade::error::{
    Cause, DENIED_STEP, NO_FILES_STEP, ODD_STEP, Problem, ProblemKind, UNEXPLAINED_STEP,
};
use unlade::existing::source::CardNow;
use unlade::ledger::{Deed, LedgerEntry, ShootPart};
use unlade::name::shown;
use unlade::proof::coverage::{Holding, UnprovenReason};

use unlade::disk::progress::Progress;
use unlade::run::Tools;
use unlade::run::prove::{Ask, ProveOutcome, prove as ask_drives};
use unlade::units::{count, counted, len64, size};

/// Reasons that are printed one by one.
const REASONS_SHOWN: usize = 12;

/// Puts the question and tells the answer.
pub(crate) fn prove(args: &ProveArgs, out: Out, tools: &Tools, book: &Book) -> Exit {
    let part = match shoot_part(&args.set, book, out) {
        Ok(part) => part,
        Err(exit) => return exit,
    };
    let ask = Ask {
        ledger: book.is_kept().then(|| book.read()),
        card: args.card.clone(),
        on: args.on.clone(),
        copies_needed: unlade::units::len_usize(args.copies),
        separate: args.separate,
        reread: args.reread,
        by_content: args.by_content,
    };
    let json = Json::new(out, Arc::clone(&tools.clock));
    match wait(&ask, out, tools) {
        Err(_) if tools.cancel.load(Ordering::SeqCst) => stopped(true, out, &tools.clock),
        Err(reasons) => tell_refusal(&ask, &reasons, out, &json),
        Ok(outcome) => {
            let news = remember(&outcome, book, tools, part.as_ref());
            tell(&ask, &outcome, news, out, &json)
        }
    }
}

/// Enters the answer in the ledger; a question that was stopped gave none.
fn remember(
    outcome: &ProveOutcome,
    book: &Book,
    tools: &Tools,
    part: Option<&ShootPart>,
) -> Option<ShootNews> {
    if outcome.interrupted {
        return None;
    }
    let verdict = &outcome.answer.verdict;
    let entry = LedgerEntry {
        proven: verdict.is_proven() && outcome.part.is_none(),
        copies: len64(verdict.copies()),
        ..LedgerEntry::new(Deed::Prove, tools.clock.now(), outcome.card.clone())
    };
    enter(book, entry.because(verdict.reasons()), part)
}

/// Lets a thread do the reading and shows how far it is.
fn wait(ask: &Ask, out: Out, tools: &Tools) -> Result<ProveOutcome, Vec<Problem>> {
    let progress = Progress {
        cancel: Arc::clone(&tools.cancel),
        ..Progress::default()
    };
    let work = || ask_drives(ask, tools.disk.as_ref(), tools.clock.as_ref(), &progress);
    let mut view = ReadProgress::new(out, tools);
    let outcome = watched(work, || view.show(&progress));
    view.clear();
    outcome.unwrap_or_else(|| {
        let why = "the question broke down; this is a fault of unlade, please report it";
        Err(vec![Problem::new(ProblemKind::NotReadBack, why)])
    })
}

fn tell_refusal(ask: &Ask, reasons: &[Problem], out: Out, json: &Json) -> Exit {
    // Nothing to look at was named, and none is remembered.
    let is_usage = ask.on.is_empty() && reasons.iter().all(|r| r.kind == ProblemKind::Missing);
    let exit = if is_usage { Exit::Usage } else { Exit::Refused };
    if out.json {
        json.send("refused", json!({"reasons": reasons}));
        let details: Vec<&str> = reasons.iter().map(|r| r.detail.as_str()).collect();
        json.send_unproven(&ask.card, &details, exit);
    } else {
        let names: Vec<String> = ask.on.iter().map(ToString::to_string).collect();
        for line in refusal_lines(NOTHING_WRITTEN, reasons, &names, out.width) {
            out.error(&line);
        }
    }
    exit
}

fn tell(ask: &Ask, outcome: &ProveOutcome, news: Option<ShootNews>, out: Out, json: &Json) -> Exit {
    let exit = if outcome.interrupted {
        Exit::Interrupted
    } else if outcome.answer.verdict.is_proven() {
        Exit::Done
    } else {
        Exit::NotProven
    };
    if out.json {
        tell_json(ask, outcome, news.as_ref(), exit, json);
    } else {
        let shoot = news.map_or_else(Vec::new, |n| n.lines(out.width));
        for line in block(ask, outcome, &shoot, exit, out) {
            out.line(&line);
        }
    }
    exit
}

fn tell_json(ask: &Ask, outcome: &ProveOutcome, news: Option<&ShootNews>, exit: Exit, json: &Json) {
    let answer = &outcome.answer;
    for r in &answer.reasons {
        json.send(
            "problem",
            json!({
                "kind": r.kind, "path": r.path, "destination": null, "detail": r.detail,
                "blocking": true,
            }),
        );
    }
    let holdings: Vec<_> = answer
        .holdings
        .iter()
        .map(|h| {
            let lacks: Vec<_> = h
                .lacks
                .iter()
                .map(|l| json!({"kind": l.kind, "files": l.files, "paths": l.paths}))
                .collect();
            json!({
                "offload": h.root, "files": h.files, "bytes": h.bytes, "basis": h.basis,
                "not_read_back": h.unread, "lacks": lacks,
            })
        })
        .collect();
    json.send(
        "verdict",
        json!({
            "card": ask.card, "label": outcome.card.label, "volume_id": outcome.card.volume_id,
            "read_whole": outcome.part.is_none(),
            "proven": exit == Exit::Done, "copies": answer.verdict.copies(),
            "copies_needed": ask.copies_needed,
            "files": outcome.listed.0, "bytes": outcome.listed.1,
            "sampled_files": answer.sampled.0, "holdings": holdings,
            "reasons": answer.verdict.reasons(), "notes": answer.notes,
            "elsewhere": outcome.elsewhere, "shoot": news.map(|n| &n.shoot),
            "exit_code": exit.code(),
        }),
    );
}

fn block(ask: &Ask, outcome: &ProveOutcome, shoot: &[String], exit: Exit, out: Out) -> Vec<String> {
    let proven = exit == Exit::Done;
    let answer = CardAnswer {
        proven,
        card: &outcome.card.label,
        is_part: outcome.part.is_some(),
        copies: outcome.answer.verdict.copies(),
        // It was looked at just now.
        now: CardNow::Unchanged,
        has_zeros: outcome.answer.has_zeros,
        has_media_left: outcome.answer.has_media_left,
    };
    let mut lines = if out.verbose {
        details(ask, outcome, proven, out)
    } else {
        summary(ask, outcome, proven, out)
    };
    let (first, then) = if out.verbose {
        ("Note     ", "         ")
    } else {
        ("  ", "  ")
    };
    for warning in answer.warnings() {
        lines.extend(wrap(&warning, out.width, first, then));
    }
    lines.extend(shoot.iter().cloned());
    lines.extend(answer.lines(out));
    lines
}

/// Returns what is needed to know: what each copy holds, what is out of the ordinary, why it is not
/// proven and what to do.
fn summary(ask: &Ask, outcome: &ProveOutcome, proven: bool, out: Out) -> Vec<String> {
    let head = format!(
        "{}: {}, {}",
        card_name(&outcome.card.label, outcome.card.volume_id.as_deref()),
        counted(outcome.listed.0, "file"),
        size(outcome.listed.1)
    );
    let mut lines = wrap(&head, out.width, "", "  ");
    for holding in &outcome.answer.holdings {
        let text = format!(
            "{}  {}",
            shown(&holding.root),
            holding_words(holding, outcome)
        );
        lines.extend(wrap(&text, out.width, "  ", "      "));
        for lack in holding.lacks.iter().filter(|_| !outcome.interrupted) {
            lines.extend(wrap(&lack.text(), out.width, "      ", "        "));
        }
    }
    for note in notes(ask, outcome) {
        lines.extend(wrap(&note, out.width, "  ", "  "));
    }
    if proven {
        return lines;
    }
    for (at, (reasons, step)) in troubles(ask, outcome).iter().enumerate() {
        let mut text = String::new();
        if let Some(first) = reasons.first() {
            text = format!("{} ", sentence(first));
            if reasons.len() > 1 {
                let more = count(len64(reasons.len() - 1));
                text.push_str(&format!("And {more} alike. "));
            }
        }
        let text = format!("{text}{step}");
        lines.extend(wrap(&text, out.width, &format!("  {}. ", at + 1), "     "));
    }
    lines
}

/// Returns the reasons by what is to be done about them.
fn troubles<'a>(
    ask: &Ask,
    outcome: &'a ProveOutcome,
) -> Vec<(Vec<&'a UnprovenReason>, &'static str)> {
    let all: Vec<&UnprovenReason> = outcome.answer.reasons.iter().collect();
    if outcome.interrupted || outcome.answer.holdings.is_empty() || ask.by_content {
        let mut steps = next_when_not(ask, outcome).into_iter();
        let first = steps.next().map(|step| (all, step));
        return first
            .into_iter()
            .chain(steps.map(|step| (Vec::new(), step)))
            .collect();
    }
    let mut by_step: BTreeMap<(u8, &'static str), Vec<&UnprovenReason>> = BTreeMap::new();
    for reason in all {
        by_step.entry(step(ask, reason)).or_default().push(reason);
    }
    let by_step = by_step.into_iter().map(|((_, step), all)| (all, step));
    by_step.take(STEPS_MAX).collect()
}

/// Returns all that is known of it.
fn details(ask: &Ask, outcome: &ProveOutcome, proven: bool, out: Out) -> Vec<String> {
    let mut lines = vec![format!(
        "Card     {} at {}: {}, {}",
        card_name(&outcome.card.label, outcome.card.volume_id.as_deref()),
        shown(ask.card.as_str()),
        counted(outcome.listed.0, "file"),
        size(outcome.listed.1)
    )];
    for (index, holding) in outcome.answer.holdings.iter().enumerate() {
        lines.push(format!("Copy {}   {}", index + 1, shown(&holding.root)));
        lines.extend(holding_lines(holding, outcome, out));
    }
    if outcome.answer.holdings.is_empty() {
        lines.push("Copy     no offload of this card that can be used".to_owned());
    }
    lines.push(copies_line(
        outcome.answer.verdict.copies(),
        ask.copies_needed,
        outcome
            .answer
            .is_stated
            .then_some(if ask.separate { SAID_NOW } else { SAID_THEN }),
    ));
    for note in notes(ask, outcome) {
        lines.extend(wrap(&note, out.width, "Note     ", "         "));
    }
    if proven {
        lines.extend(wrap(&basis(outcome), out.width, "Basis    ", "         "));
        return lines;
    }
    lines.extend(reasons(outcome, out));
    for step in next_when_not(ask, outcome) {
        lines.extend(wrap(step, out.width, "Next     ", "         "));
    }
    lines
}

/// Returns what a copy holds, and on what that rests.
fn holding_words(holding: &Holding, outcome: &ProveOutcome) -> String {
    if holding.files == 0 && holding.unread > 0 {
        return holding.basis.clone();
    }
    format!(
        "{} of {} on the card, {}; {}",
        count(holding.files),
        counted(outcome.listed.0, "file"),
        size(holding.bytes),
        holding.basis
    )
}

/// Tells what a copy holds and what it lacks, also where other copies are enough.
fn holding_lines(holding: &Holding, outcome: &ProveOutcome, out: Out) -> Vec<String> {
    let text = holding_words(holding, outcome);
    let mut lines = wrap(&text, out.width, "         ", "         ");
    if !outcome.interrupted {
        for lack in &holding.lacks {
            lines.extend(wrap(&lack.text(), out.width, "         ", "           "));
        }
    }
    lines
}

fn notes(ask: &Ask, outcome: &ProveOutcome) -> Vec<String> {
    let mut notes = outcome.answer.notes.clone();
    let found = !outcome.answer.holdings.is_empty();
    for path in outcome.elsewhere.iter().take(4) {
        notes.push(format!(
            "By the ledger this card was copied to `{path}` as well; name the folder above it with \
            --on to have that counted."
        ));
    }
    if found && !outcome.is_card_read {
        notes.push(sampled(outcome));
    }
    if outcome.card_way.is_some_and(|way| !way.reaches_device()) {
        notes.push("The card's content may have come from the computer's memory.".to_owned());
    }
    if ask.by_content
        && found
        && outcome
            .answer
            .reasons
            .iter()
            .all(|r| r.kind == ProblemKind::TooFewCopies)
    {
        let text = "This card holds all that the offload holds: one more copy exists on it.";
        notes.push(text.to_owned());
    }
    notes
}

/// Says what of the card was read, and on what the answer rests for the rest.
fn sampled(outcome: &ProveOutcome) -> String {
    let (files, bytes) = outcome.answer.sampled;
    let (listed, listed_bytes) = outcome.listed;
    let read = format!(
        "{} of {} on the card ({})",
        count(files),
        counted(listed, "file"),
        size(bytes)
    );
    let was = if files == 1 { "was" } else { "were" };
    if files == 0 {
        "The card was listed, not read: the answer rests on its names, sizes and dates being as \
        they were. --reread reads everything again."
            .to_owned()
    } else if bytes == listed_bytes {
        format!(
            "All that this card holds ({}) was read from it, and is equal.",
            size(bytes)
        )
    } else {
        format!(
            "As a sample, {read} {was} read from it, and equal. For the others the answer rests on \
            their names, sizes and dates being as they were. --reread reads everything again."
        )
    }
}

fn reasons(outcome: &ProveOutcome, out: Out) -> Vec<String> {
    let mut lines = Vec::new();
    if outcome.interrupted {
        // What was not read again says nothing about any file.
        lines.push("Reason   it was interrupted.".to_owned());
        return lines;
    }
    for reason in outcome.answer.reasons.iter().take(REASONS_SHOWN) {
        lines.extend(wrap(&words(reason), out.width, "Reason   ", "         "));
    }
    let rest = || outcome.answer.reasons.iter().skip(REASONS_SHOWN);
    let files: u64 = rest().map(|r| r.files).sum();
    let others = len64(rest().filter(|r| r.files == 0).count());
    let mut more = Vec::new();
    if files > 0 {
        more.push(counted(files, "more file"));
    }
    if others > 0 {
        more.push(counted(others, "more reason"));
    }
    if !more.is_empty() {
        lines.push(format!("         and {}", more.join(" and ")));
    }
    lines
}

fn words(reason: &UnprovenReason) -> String {
    let text = sentence(reason);
    format!("{} ({}).", text.trim_end_matches('.'), reason.kind)
}

fn sentence(reason: &UnprovenReason) -> String {
    let detail = shown(&reason.detail);
    let detail = detail.trim_end_matches('.');
    match &reason.path {
        Some(path) => format!("`{}` {detail}.", shown(path)),
        None => format!("{detail}."),
    }
}

fn basis(outcome: &ProveOutcome) -> String {
    let name = card_name(&outcome.card.label, outcome.card.volume_id.as_deref());
    let what = if outcome.part.is_some() {
        "in this folder".to_owned()
    } else {
        format!("on card {name}")
    };
    format!("Every file {what} is on as many drives as you asked for.")
}

/// Returns what to do next: one step for each kind of trouble.
fn next_when_not(ask: &Ask, outcome: &ProveOutcome) -> Vec<&'static str> {
    if outcome.interrupted {
        return vec!["Run the same command again; the question begins anew."];
    }
    if outcome.answer.holdings.is_empty() {
        let reasons = &outcome.answer.reasons;
        let unread = |r: &UnprovenReason| r.is_of_drive && r.kind == ProblemKind::Unreadable;
        let damaged = |r: &UnprovenReason| r.kind == ProblemKind::ManifestDamaged;
        let unread = reasons.iter().any(unread).then_some(UNREAD_STEP);
        let damaged = reasons.iter().any(damaged);
        let damaged = damaged.then(|| ProblemKind::ManifestDamaged.next_step());
        return unread
            .into_iter()
            .chain(damaged)
            .chain([COPY_STEP])
            .collect();
    }
    if ask.by_content {
        return vec![
            "Copy this card as well, under a --name of its own, if you need what differs.",
        ];
    }
    let kinds = outcome.answer.reasons.iter().map(|r| step(ask, r));
    let mut steps: Vec<(u8, &'static str)> = kinds.collect();
    steps.sort_unstable();
    steps.dedup();
    steps
        .into_iter()
        .map(|(_, step)| step)
        .take(STEPS_MAX)
        .collect()
}

/// What to do where there is no copy that counts.
const COPY_STEP: &str =
    "Copy this card with `unlade copy`, or name the folders that hold its offloads with --on.";

/// Returns what one kind of reason asks for, and its place among the steps.
fn step(ask: &Ask, reason: &UnprovenReason) -> (u8, &'static str) {
    match reason.kind {
        _ if reason.cause == Some(Cause::NoFiles) => (0, NO_FILES_STEP),
        ProblemKind::Unreadable if reason.is_of_drive => (1, UNREAD_STEP),
        ProblemKind::ManifestDamaged => (3, ProblemKind::ManifestDamaged.next_step()),
        ProblemKind::SameDevice => (4, COPY_STEP),
        ProblemKind::Missing if reason.cause == Some(Cause::LeftElsewhere) => (
            1,
            "Name with --on also the folder that holds the earlier offloads, or plug in their \
            drive, and ask again.",
        ),
        // About no file: a drive.
        ProblemKind::Missing if reason.files == 0 => (
            1,
            "Plug in the drives whose copies could not be looked at, and ask again.",
        ),
        ProblemKind::TooFewCopies => (
            5,
            "If one more drive holds a copy, name it with --on as well. If none does, copy this \
            card to one more drive. Then ask again.",
        ),
        ProblemKind::Unreadable => match reason.cause {
            Some(Cause::Odd) => (3, ODD_STEP),
            Some(Cause::Unexplained) => (0, UNEXPLAINED_STEP),
            Some(Cause::Denied) => (0, DENIED_STEP),
            _ => (
                0,
                "What could not be read from the card: try another reader, cable or port, straight \
                into the computer, and ask again.",
            ),
        },
        ProblemKind::NotReadBack if ask.reread => (
            1,
            "Unplug the drive whose files were read from the computer's memory, plug it in again, \
            and ask again.",
        ),
        ProblemKind::NotReadBack => (
            1,
            "Ask again with --reread: it reads the card and every copy where it is now, and what \
            is equal counts. No second copy is needed for that.",
        ),
        ProblemKind::Changed => (
            2,
            "Move the files named as changed out of that copy (keep them until all is proven) and \
            run the same `unlade copy` again: they are copied anew. Then ask again.",
        ),
        ProblemKind::ChangedOnCard => (
            3,
            "Copy this card under another --name, with --only-new if you like: what changed on it \
            is copied, and the earlier copies are kept. Then ask again.",
        ),
        ProblemKind::Missing => (
            4,
            "Run the same `unlade copy` again: what is proven is kept, the rest is copied. Then \
            ask again.",
        ),
        kind => (4, kind.next_step()),
    }
}
