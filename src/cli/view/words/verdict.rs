//! Owns what is said at the end of a copy: the verdict, why, and what to do next.

use crate::cli::system::notice::Notice;
use crate::cli::view::next_steps;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words::answer::{AnswerWords, CardAnswer, SAID_NOW, card_name, copies_line};
use crate::cli::view::words::contents::contents_lines;
use crate::cli::view::words::copies::counts_in_and_out;
use crate::cli::view::words::drives::{drive_names, some_drives};
use crate::cli::view::words::hints::hint_lines;
use crate::cli::view::words::notice::of_answer;
use crate::cli::view::words::plan::has_sample;
use crate::cli::view::words::summary::{exceptions, summary};
use std::time::Duration;
use unlade::error::{Problem, ProblemKind};
use unlade::existing::source::CardNow;
use unlade::name::shown;
use unlade::plan::Work;
use unlade::plan::notes::count_independent;
use unlade::proof::Proof;
use unlade::record::layout::Level;
use unlade::units::{size, speed, time};

/// Returns the verdict block, the answer last. `shoot` are the lines on the shoot that the card
/// belongs to.
pub(crate) fn verdict_lines(proof: &Proof, shoot: &[String], out: Out) -> Vec<String> {
    let mut lines = vec![String::new()];
    let answer = answer(proof);
    if out.verbose {
        lines.extend(details(proof, shoot, out));
        lines.extend(contents_lines(&proof.recordings().contents, out));
    } else {
        lines.extend(summary(proof, out));
        lines.extend(exceptions(proof, out));
        for warning in answer.warnings() {
            lines.extend(wrap(&warning, out.width, "  ", "  "));
        }
        lines.extend(shoot.iter().cloned());
    }
    lines.extend(hint_lines(&proof.recordings().hints, out));
    match proof.plan().original() {
        None => lines.extend(answer.lines(out)),
        Some(_) => lines.extend(further_answer(proof, out)),
    }
    lines
}

/// Returns the answer in its parts, and what is to be known before it is followed.
pub(crate) fn answer_words(proof: &Proof) -> (AnswerWords, Vec<String>) {
    if proof.plan().original().is_some() {
        return (further_words(proof), Vec::new());
    }
    let answer = answer(proof);
    let caution = answer.caution().map(str::to_owned);
    (
        answer.words(),
        answer.warnings().into_iter().chain(caution).collect(),
    )
}

fn answer(proof: &Proof) -> CardAnswer<'_> {
    CardAnswer {
        proven: proof.verdict().is_proven(),
        card: &proof.plan().card.label,
        is_later: false,
        is_a_copy: false,
        is_part: proof.part().is_some(),
        copies: proof.verdict().copies(),
        spread: 1,
        short: short(proof),
        now: proof.card_now(),
        has_zeros: proof.offloaded().files.iter().any(|f| f.only_zeros),
        has_media_left: !proof.plan().listing.media_left().is_empty(),
    }
}

/// Which of the drives that were given have not got all of it: whoever gave two means two.
fn short(proof: &Proof) -> Option<String> {
    let (all, short) = (proof.tallies().len(), proof.short().count());
    let names = some_drives(proof.plan(), proof.short());
    let have = if short == 1 { "hasn't" } else { "haven't" };
    let on = format!(
        " on {} of {all} drives ({names} {have} got all of it)",
        all - short
    );
    (short > 0).then_some(on)
}

/// Returns all that is known of it.
fn details(proof: &Proof, shoot: &[String], out: Out) -> Vec<String> {
    let proven = proof.verdict().is_proven();
    let mut lines = counts_in_and_out(proof, out.width);
    lines.push(copies_line(
        proof.verdict().copies(),
        proof.terms().copies_needed,
        is_stated(proof).then_some(SAID_NOW),
    ));
    if let Some(by) = proof.signed_by() {
        lines.push(format!("Signed   by the key {by}"));
    }
    lines.extend(wrap(
        &time_words(proof),
        out.width,
        "Time     ",
        "         ",
    ));
    if proof.terms().level == Level::Reread && proof.reread_equal() {
        lines.push("Reread   The card was read a second time and is equal.".to_owned());
    }
    let names = drive_names(proof.plan());
    for p in proof.problems().iter().filter(|p| !p.blocking) {
        lines.extend(wrap(
            &format!("{}.", p.words(&names).trim_end_matches('.')),
            out.width,
            "Note     ",
            "         ",
        ));
    }
    for note in proof.notes() {
        lines.extend(wrap(note, out.width, "Note     ", "         "));
    }
    lines.extend(reasons(proof, out));
    lines.extend(shoot.iter().cloned());
    if proven {
        lines.extend(wrap(&basis(proof), out.width, "Basis    ", "         "));
    }
    if !proven || proof.spared().next().is_some() {
        for step in next_steps::steps(proof) {
            lines.extend(wrap(&step, out.width, "Next     ", "         "));
        }
    }
    lines
}

/// Problems that are listed again under a verdict.
const REASONS_SHOWN: usize = 12;

/// Returns the answer as a notice.
pub(crate) fn answer_notice(proof: &Proof) -> Notice {
    if proof.plan().original().is_none() {
        return answer(proof).notice();
    }
    let words = further_words(proof);
    let (name, proven) = (&proof.plan().name, proof.verdict().is_proven());
    of_answer(name, words.word, proven, &words.sentence())
}

/// The answer on a further copy: it is about the copies and never about the card.
fn further_words(proof: &Proof) -> AnswerWords {
    let name = shown(&proof.plan().name);
    if !proof.verdict().is_proven() {
        return AnswerWords {
            word: "NOT PROVEN",
            of: String::new(),
            rest: format!("Keep every copy of {name} as it is."),
        };
    }
    let copies = match proof.verdict().copies() {
        1 => "1 proven copy".to_owned(),
        n => format!("{n} proven copies"),
    };
    AnswerWords {
        word: "PROVEN",
        of: short(proof).unwrap_or_default(),
        rest: format!(
            "{copies} of {name} now. The card was not read: ask `unlade prove CARD` before you \
            format it."
        ),
    }
}

fn further_answer(proof: &Proof, out: Out) -> Vec<String> {
    let words = further_words(proof);
    let heading = out.heading(words.word, proof.verdict().is_proven());
    let mut lines = vec![String::new()];
    lines.extend(wrap(
        &format!("{heading}. {}", words.rest),
        out.width,
        "",
        "",
    ));
    lines
}

/// What the copies of an offload are after a further one was made.
fn further_copies(proof: &Proof) -> String {
    let copies = proof.verdict().copies();
    let now = match copies {
        1 => "1 proven copy".to_owned(),
        n => format!("{n} proven copies"),
    };
    let apart = match (copies, proof.devices().len()) {
        (n, all) if n < all => " (what is on one drive counts once)",
        (1, _) => "",
        _ => ", each on a drive of its own",
    };
    let given = shown(proof.plan().card.given.as_str());
    let own = if proof.original_counts() {
        "is counted, since it was read whole from its drive just now and is equal to its manifest"
    } else {
        "is not counted"
    };
    let name = shown(&proof.plan().name);
    format!("{now} of {name} now{apart}. {given} {own}.")
}

/// What PROVEN rests on.
fn basis(proof: &Proof) -> String {
    if proof.plan().original().is_some() {
        return further_copies(proof);
    }
    let drives = match proof.verdict().copies() {
        1 => "1 drive only".to_owned(),
        n => format!("{n} separate drives"),
    };
    let (how, when) = how_and_when(proof);
    let card = &proof.plan().card;
    let what = if proof.part().is_some() {
        "in this folder".to_owned()
    } else {
        let is_all = proof.plan().listing.media_left().is_empty();
        let but = if is_all { "" } else { " but those skipped" };
        format!("on card {}{but}", card_name(&card.label, card.volume_id()))
    };
    let warnings = answer(proof).warnings().join(" ");
    let now = match proof.card_now() {
        CardNow::Unchanged if proof.part().is_none() => " It is in the reader, unchanged.",
        _ => "",
    };
    format!("Every file {what} was {how} from {drives}{when}.{now} {warnings}")
        .trim_end()
        .to_owned()
}

/// How the files were read back, and what they were equal to.
fn how_and_when(proof: &Proof) -> (&'static str, &'static str) {
    let read_now = proof.offloaded().bytes_read > 0;
    let earlier = proof.tallies().iter().any(|t| t.earlier > 0);
    let again = proof.tallies().iter().all(|t| t.again == t.earlier);
    match (read_now, earlier) {
        (true, true) if again => (
            "checked",
            " and matches what was read from the card, now or by an earlier copy",
        ),
        (false, _) if again && proof.reread_equal() => (
            "checked again",
            " and matches what the card holds, which was read a second time as well",
        ),
        (false, _) if again => (
            "checked again",
            if dates_moved(proof) {
                " and matches what an earlier copy read from the card; on the card sizes are as \
                they were then, and all dates have moved alike"
            } else {
                " and matches what an earlier copy read from the card; on the card sizes and dates \
                are as they were then"
            },
        ),
        (true, false) => ("checked", " and matches"),
        (true, true) => ("checked", ", now or by an earlier copy, and matched"),
        (false, _) => (
            "checked",
            if dates_moved(proof) {
                " by an earlier copy and matched; sizes are as they were then, and all dates have \
                moved alike"
            } else {
                " by an earlier copy and matched; sizes and dates are as they were then"
            },
        ),
    }
}

/// Whether files count as those of an earlier run although the card's dates are others: a clock or
/// a zone was set since.
fn dates_moved(proof: &Proof) -> bool {
    proof.plan().jobs.iter().any(|job| {
        let mut earlier = job.work.iter().filter_map(Work::earlier);
        earlier.any(|entry| *entry.modified != *job.modified.rfc3339())
    })
}

fn time_words(proof: &Proof) -> String {
    let o = proof.offloaded();
    let source = proof.plan().source_word();
    let mut words = time(o.took);
    if o.bytes_read >= 1_000_000 {
        // The printed figures divide: this is the whole job's rate, not the card's.
        let overall = unlade::units::rate(o.bytes_read, o.took);
        words.push_str(&format!(
            ", {} read from the {source}: {} overall",
            size(o.bytes_read),
            speed(overall)
        ));
    } else if o.bytes_read > 0 {
        words.push_str(&format!(", {} read from the {source}", size(o.bytes_read)));
    } else if o.read_again > Duration::ZERO {
        // The time of the copy is none then: all that took time was the reading.
        words = format!(
            "{} to read the card and compare it, nothing had to be copied",
            time(o.read_again)
        );
    } else {
        let plan = proof.plan();
        words.push_str(if plan.destinations.iter().any(|d| has_sample(plan, d)) {
            ", nothing had to be copied from the card; a sample of it was read"
        } else {
            ", nothing had to be read from the card"
        });
    }
    if o.read_again > Duration::ZERO && o.bytes_read > 0 {
        words.push_str(&format!("; second read of the card {}", time(o.read_again)));
    }
    if let Some(forecast) = o.forecast_s {
        words.push_str(&format!(
            "; first forecast {}",
            time(unlade::units::seconds(forecast))
        ));
    }
    words
}

/// Whether it is the person's word, and not what the system tells, that so many copies are on
/// independent devices.
fn is_stated(proof: &Proof) -> bool {
    count_independent(&proof.devices(), false) < proof.verdict().copies()
}

/// Returns why it is not proven: the first troubles in full, the rest counted.
fn reasons(proof: &Proof, out: Out) -> Vec<String> {
    if proof.verdict().is_proven() {
        return Vec::new();
    }
    let names = drive_names(proof.plan());
    let mut texts = Vec::new();
    if proof.offloaded().interrupted {
        texts.push("it was interrupted".to_owned());
    }
    let mut blocking: Vec<&Problem> = proof.problems().iter().filter(|p| p.blocking).collect();
    blocking.sort_by_key(|p| (p.kind == ProblemKind::TooFewCopies, p.kind));
    texts.extend(blocking.iter().map(|p| {
        let text = p.words(&names);
        format!("{} ({})", text.trim_end_matches('.'), p.kind)
    }));
    if texts.is_empty() {
        texts.extend(proof.verdict().reasons().iter().map(|r| shown(r)));
    }
    let mut lines = Vec::new();
    for text in texts.iter().take(REASONS_SHOWN) {
        let text = format!("{}.", text.trim_end_matches('.'));
        lines.extend(wrap(&text, out.width, "Reason   ", "         "));
    }
    if texts.len() > REASONS_SHOWN {
        let more = texts.len() - REASONS_SHOWN;
        lines.push(format!("         and {more} more; all are in the manifest"));
    }
    lines
}
