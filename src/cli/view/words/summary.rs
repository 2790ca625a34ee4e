//! Owns what is said at the end of a copy to somebody who only wants to know: one line on the card,
//! one on each drive, what is out of the ordinary, and the answer, which comes last.

use crate::cli::view::next_steps::troubles;
use crate::cli::view::out::Out;
use crate::cli::view::text::{pad, wrap};
use crate::cli::view::words::answer::card_name;
use crate::cli::view::words::drives::drive_names;
use crate::cli::view::words::troubles::{
    NumberedTrouble, TroubleReason, alike, numbered, sentence,
};
use std::time::Duration;
use unicode_width::UnicodeWidthStr as _;
use unlade::error::{Cause, Problem, ProblemKind};
use unlade::name::shown;
use unlade::offload::DestinationOutcome;
use unlade::proof::Proof;
use unlade::proof::tally::Tally;
use unlade::record::layout::Level;
use unlade::units::{count, counted, rate, seconds, size, speed, time};

/// Returns what became of the card's files: of all of them, and on each drive by its name.
pub(crate) fn outcome(proof: &Proof) -> (String, Vec<(String, String)>) {
    let names = drive_names(proof.plan()).into_iter();
    let drives = names.zip(proof.tallies()).enumerate();
    let state = |(index, (name, tally))| (name, state(proof, index, tally));
    (head(proof), drives.map(state).collect())
}

/// Returns the lines above the answer.
pub(super) fn summary(proof: &Proof, out: Out) -> Vec<String> {
    let (head, drives) = outcome(proof);
    let mut lines = wrap(&head, out.width, "", "  ");
    let longest = drives.iter().map(|(name, _)| name.width()).max();
    for (name, state) in &drives {
        let first = format!("  {}  ", pad(name, longest.unwrap_or(0)));
        lines.extend(wrap(state, out.width, &first, "      "));
    }
    if let Some(by) = proof.signed_by() {
        lines.extend(wrap(by, out.width, "  Signed by the key ", "      "));
    }
    if proof.terms().level == Level::Reread && proof.reread_equal() {
        let equal = "The card was read a second time and is equal.";
        lines.extend(wrap(equal, out.width, "  ", "  "));
    }
    lines
}

/// Returns what is out of the ordinary, and where it is not proven why, and what to do.
pub(super) fn exceptions(proof: &Proof, out: Out) -> Vec<String> {
    let (notes, troubles) = out_of_the_ordinary(proof);
    let notes = notes.iter();
    let mut lines: Vec<String> = notes
        .flat_map(|note| wrap(note, out.width, "  ", "  "))
        .collect();
    lines.extend(numbered(&troubles, out.width));
    lines
}

/// Returns what is good to know, and where it is not proven why, and what to do.
pub(crate) fn out_of_the_ordinary(proof: &Proof) -> (Vec<String>, Vec<NumberedTrouble>) {
    let names = drive_names(proof.plan());
    let spared: Vec<&Problem> = proof.spared().collect();
    let is_harmless = |p: &&Problem| !p.blocking && !spared.contains(p);
    let harmless = proof.problems().iter().filter(is_harmless);
    let harmless = harmless.map(|p| sentence(&p.words(&names)));
    let notes = harmless.chain(proof.notes().iter().cloned()).collect();
    if proof.verdict().is_proven() && spared.is_empty() {
        return (notes, Vec::new());
    }
    let troubles = troubles(proof).into_iter().map(|trouble| NumberedTrouble {
        reasons: alike(trouble.problems.iter().map(|p| TroubleReason {
            like: (p.kind, p.destination),
            words: sentence(&p.words(&names)),
            count: 1,
        })),
        step: trouble.step,
    });
    (notes, troubles.collect())
}

/// `KITES: 1,204 files, 128 GB in 12 min 58 s (168 MB/s; 13 min were expected)`.
fn head(proof: &Proof) -> String {
    let (files, bytes) = proof.listed();
    let plan = proof.plan();
    let mut text = match plan.original() {
        None => card_name(&plan.card.label, plan.card.volume_id()),
        Some(_) => format!("The offload {}", shown(plan.card.given.as_str())),
    };
    text.push_str(&format!(": {}, {}", counted(files, "file"), size(bytes)));
    let o = proof.offloaded();
    // What had to be read and was not is told by its reasons.
    if plan.to_read().0 == 0 {
        text.push_str(", nothing to copy");
        if o.read_again > Duration::ZERO {
            text.push_str(&format!(", compared in {}", time(o.read_again)));
        }
        return text;
    }
    text.push_str(&format!(" in {}", time(o.took)));
    let speed = (o.bytes_read >= 1_000_000).then(|| speed(rate(o.bytes_read, o.took)));
    let expected = o.forecast_s.map(|s| time(seconds(s)));
    let expected = expected.map(|time| format!("{time} were expected"));
    let facts: Vec<String> = speed.into_iter().chain(expected).collect();
    if !facts.is_empty() {
        text.push_str(&format!(" ({})", facts.join("; ")));
    }
    text
}

/// What became of the card's files on one drive.
fn state(proof: &Proof, index: usize, tally: &Tally) -> String {
    let outcome = proof.offloaded().destinations.get(index);
    if outcome.is_some_and(|o| o.failed) || is_gone(proof, index) {
        let of_drive = |p: &&Problem| p.destination == Some(index);
        let is_gone = is_gone(proof, index);
        let first = proof.problems().iter().find(of_drive);
        let why = match first {
            _ if is_gone => "the drive is gone",
            Some(p) if p.kind == ProblemKind::NoRoom => "the drive is full",
            _ => "see below",
        };
        let (files, _) = proof.listed();
        let checked = count(tally.read_back);
        return format!(
            "failed: {why}; {checked} of {} checked",
            counted(files, "file")
        );
    }
    let mut text = counts(proof, tally);
    let filesystem = proof
        .plan()
        .destinations
        .get(index)
        .map(|d| &*d.facts.filesystem);
    if let Some(worth) = outcome.and_then(|o| worth(o, filesystem.unwrap_or_default())) {
        text.push_str(&format!(" ({worth})"));
    }
    text
}

fn is_gone(proof: &Proof, index: usize) -> bool {
    let mut problems = proof.problems().iter();
    problems.any(|p| {
        // Where this computer can look at nothing, nothing is known to be gone.
        let is_seen = p.cause != Some(Cause::NoFiles);
        p.destination == Some(index) && p.kind == ProblemKind::Vanished && is_seen
    })
}

fn counts(proof: &Proof, tally: &Tally) -> String {
    let (listed, _) = proof.listed();
    let files = counted(tally.copied, "file");
    let mut text = if tally.copied < listed {
        format!("{} of {}", count(tally.copied), counted(listed, "file"))
    } else {
        files
    };
    // What is in earlier offloads is of earlier copies as well.
    let of_earlier = tally.earlier.max(tally.left);
    let already = of_earlier - tally.left;
    let new = tally.copied.saturating_sub(of_earlier);
    let checked = tally.read_back.saturating_sub(of_earlier);
    if new > 0 {
        text.push_str(&match checked {
            n if n == new && of_earlier == 0 => " checked".to_owned(),
            n if n == new => format!(": {} checked", count(n)),
            0 => ", not checked".to_owned(),
            n => format!(": {} copied, {} of them checked", count(new), count(n)),
        });
    }
    let all = |n: u64| {
        if n == tally.copied {
            "all".to_owned()
        } else {
            count(n)
        }
    };
    if already > 0 {
        let how = match tally.again {
            0 => "checked by an earlier copy",
            n if n == already => "checked again",
            _ => "some of them checked again",
        };
        text.push_str(&format!(", {} already copied, {how}", all(already)));
    }
    if tally.left > 0 {
        let left = all(tally.left);
        text.push_str(&format!(", {left} in earlier offloads, checked then"));
    }
    text
}

/// What a check is worth there, where it is not worth what it says: of a server, or of memory.
fn worth(outcome: &DestinationOutcome, filesystem: &str) -> Option<String> {
    let way = outcome.way?;
    let words = way.words(filesystem);
    (!way.reaches_device() || words != way.id()).then_some(words)
}
