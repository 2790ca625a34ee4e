//! Owns what is said at the end of a copy: the verdict, why, and what to do next.

use crate::cli::view::next_steps;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words::answer::{
    ONE_COPY, SAID_NOW, card_name, cautions, copies_line, heading, look_first,
};
use crate::cli::view::words::copies::counts_in_and_out;
use crate::cli::view::words::plan::has_sample;
use crate::cli::view::words::problem::problem_words;
use std::time::Duration;
use unlade::error::{Problem, ProblemKind};
use unlade::existing::source::CardNow;
use unlade::name::shown;
use unlade::plan::Work;
use unlade::plan::notes::count_independent;
use unlade::proof::Proof;
use unlade::record::layout::Level;
use unlade::units::{size, speed, time};

/// Returns the verdict block, cautions included; it is the last thing printed. `shoot` are the
/// lines on the job that the card belongs to.
pub(crate) fn verdict_lines(proof: &Proof, shoot: &[String], out: Out) -> Vec<String> {
    let proven = proof.verdict().is_proven();
    let mut lines = vec![String::new()];
    lines.push(match proof.plan().original() {
        Some(_) if !proven => format!(
            "{} - keep {} as it is.",
            out.heading("NOT PROVEN", false),
            shown(proof.plan().card.given.as_str())
        ),
        _ => heading(proven, proof.part().is_some(), out),
    });
    lines.extend(counts_in_and_out(proof, out.width));
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
        lines.push("Reread   The card was read again and is equal.".to_owned());
    }
    let given = given(proof);
    for p in proof.problems().iter().filter(|p| !p.blocking) {
        lines.extend(wrap(
            &format!("{}.", problem_words(p, &given).trim_end_matches('.')),
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
    let mut steps = Vec::new();
    if proven {
        steps.push(next_when_proven(proof));
    }
    if !proven || proof.spared().next().is_some() {
        steps.extend(next_steps::steps(proof));
    }
    for step in steps {
        lines.extend(wrap(&step, out.width, "Next     ", "         "));
    }
    lines.extend(match proof.plan().original() {
        None => cautions(proven, proof.part().is_some()),
        Some(_) => further_cautions(proof, out.width),
    });
    lines
}

/// Problems that are listed again under a verdict.
const REASONS_SHOWN: usize = 12;

/// What is to be thought of before an old copy of an offload is given up, or a card is formatted on
/// the ground of a new one.
fn further_cautions(proof: &Proof, width: usize) -> Vec<String> {
    let text = if proof.verdict().is_proven() {
        "The card was not read, so this says nothing about formatting it: ask with `unlade prove \
        CARD`."
    } else {
        "Do not remove or change any copy of this offload."
    };
    wrap(text, width, "", "")
}

/// The answer on a further copy: it is about the copies and never about the card.
fn further_copies(proof: &Proof) -> String {
    let copies = proof.verdict().copies();
    let now = match copies {
        1 => "1 proven copy".to_owned(),
        n => format!("{n} proven copies"),
    };
    let apart = match (copies, proof.devices().len()) {
        (n, all) if n < all => " (what is on one device counts once)",
        (1, _) => "",
        _ => ", each on a device of its own",
    };
    let given = shown(proof.plan().card.given.as_str());
    let own = if proof.original_counts() {
        "is counted, since it was read whole from its device just now and is equal to its manifest"
    } else {
        "is not counted"
    };
    let name = shown(&proof.plan().name);
    format!("{now} of {name} now{apart}. {given} {own}.")
}

fn next_when_proven(proof: &Proof) -> String {
    if proof.plan().original().is_some() {
        return further_copies(proof);
    }
    let drives = match proof.verdict().copies() {
        1 => "1 device only".to_owned(),
        n => format!("{n} separate devices"),
    };
    let (how, when) = how_and_when(proof);
    let one = if proof.verdict().copies() == 1 {
        ONE_COPY
    } else {
        ""
    };
    let zeros = proof.offloaded().files.iter().any(|f| f.only_zeros);
    let card = &proof.plan().card;
    if proof.part().is_some() {
        return format!("Every file in this folder was {how} from {drives}{when}. {one}")
            .trim_end()
            .to_owned();
    }
    let now = match proof.card_now() {
        CardNow::Unchanged => "It is in the reader, unchanged. ",
        CardNow::Gone => "It has left the reader: if it was used since, keep it. ",
        CardNow::Other | CardNow::Changed => {
            "Something else is in the reader now; this is not about that. "
        }
    };
    let look = look_first(zeros, !proof.plan().listing.media_left().is_empty());
    let may = look.unwrap_or(match proof.card_now() {
        CardNow::Unchanged | CardNow::Gone => "You may format this card.",
        _ => "You may format the card named here.",
    });
    let name = card_name(&card.label, card.volume_id());
    let but = if proof.plan().listing.media_left().is_empty() {
        ""
    } else {
        " but those left out"
    };
    format!("Every file on card {name}{but} was {how} from {drives}{when}. {now}{one}{may}")
}

/// How the files were read back, and what they were equal to.
fn how_and_when(proof: &Proof) -> (&'static str, &'static str) {
    let read_now = proof.offloaded().bytes_read > 0;
    let earlier = proof.tallies().iter().any(|t| t.earlier > 0);
    let again = proof.tallies().iter().all(|t| t.again == t.earlier);
    match (read_now, earlier) {
        (true, true) if again => (
            "read back",
            " and matches what was read from the card, now or in an earlier run",
        ),
        (false, _) if again && proof.reread_equal() => (
            "read back again",
            " and matches what the card holds, which was read again as well",
        ),
        (false, _) if again => (
            "read back again",
            if dates_moved(proof) {
                " and matches what an earlier run read from the card; on the card sizes are as \
                they were then, and all dates have moved alike"
            } else {
                " and matches what an earlier run read from the card; on the card sizes and dates \
                are as they were then"
            },
        ),
        (true, false) => ("read back", " and matches"),
        (true, true) => ("read back", ", now or in an earlier run, and matched"),
        (false, _) => (
            "read back",
            if dates_moved(proof) {
                " in an earlier run and matched; sizes are as they were then, and all dates have \
                moved alike"
            } else {
                " in an earlier run and matched; sizes and dates are as they were then"
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
            ", nothing had to be copied from the card, of which a sample was read"
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
/// separate devices.
fn is_stated(proof: &Proof) -> bool {
    count_independent(&proof.devices(), false).0 < proof.verdict().copies()
}

/// Returns the destinations as they were given.
fn given(proof: &Proof) -> Vec<String> {
    let destinations = proof.plan().destinations.iter();
    destinations.map(|d| d.given.to_string()).collect()
}

/// Returns why it is not proven: the first troubles in full, the rest counted.
fn reasons(proof: &Proof, out: Out) -> Vec<String> {
    if proof.verdict().is_proven() {
        return Vec::new();
    }
    let given = given(proof);
    let mut texts = Vec::new();
    if proof.offloaded().interrupted {
        texts.push("the job was interrupted".to_owned());
    }
    let mut blocking: Vec<&Problem> = proof.problems().iter().filter(|p| p.blocking).collect();
    blocking.sort_by_key(|p| (p.kind == ProblemKind::TooFewCopies, p.kind));
    texts.extend(blocking.iter().map(|p| {
        let text = problem_words(p, &given);
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
