//! Owns what is said at the end of a copy of what the card holds and what each drive does.

use crate::cli::view::text::wrap;
use crate::cli::view::words::answer::card_name;
use crate::cli::view::words::plan::{copy_folder, source};
use unlade::disk::ReadBackWay;
use unlade::name::shown;
use unlade::offload::CopyState;
use unlade::plan::Work;
use unlade::proof::Proof;
use unlade::proof::tally::Tally;
use unlade::units::{count, counted, size};

/// What the card holds, and what every copy of it does.
pub(super) fn counts_in_and_out(proof: &Proof, width: usize) -> Vec<String> {
    let plan = proof.plan();
    let (files, bytes) = proof.listed();
    let label = card_name(&plan.card.label, plan.card.volume_id());
    let mut lines = wrap(
        &format!(
            "{}: {}, {} listed{}",
            source(plan, &label),
            counted(files, "file"),
            size(bytes),
            original_words(proof)
        ),
        width.max(WHOLE_PATHS),
        "",
        "         ",
    );
    for (index, (d, tally)) in plan.destinations.iter().zip(proof.tallies()).enumerate() {
        let folder = copy_folder(plan, d);
        lines.push(format!("Copy {}   {}", index + 1, shown(folder.as_str())));
        let words = copy_words(proof, index, tally);
        lines.extend(wrap(&words, width, "         ", "         "));
    }
    lines
}

/// A line with paths in it is not broken before this width.
const WHOLE_PATHS: usize = 200;

/// How much of an offload that was copied is what its manifest says.
fn original_words(proof: &Proof) -> String {
    let equal = proof.offloaded().original_equal;
    let way = proof.offloaded().original_way.map_or("none", |w| w.id());
    match proof.plan().original() {
        None => String::new(),
        Some(_) => format!("; {} read and equal to its manifest ({way})", count(equal)),
    }
}

/// How many of the kept files were read back again: the others rest on the earlier run.
fn again_words(tally: &Tally) -> String {
    match tally.again {
        0 => String::new(),
        n if n == tally.earlier => " and again now".to_owned(),
        n => format!(" and {} again now", count(n)),
    }
}

/// Files that stood on a destination already and were found equal to the card's: nobody copied them
/// now.
fn compared(proof: &Proof, index: usize) -> u64 {
    let jobs = proof.plan().jobs.iter().zip(&proof.offloaded().files);
    let equal = jobs.filter(|(job, file)| {
        let state = file.copies.get(index).copied().unwrap_or(CopyState::None);
        job.work.get(index) == Some(&Work::Check) && state != CopyState::None
    });
    unlade::units::len64(equal.count())
}

/// How a destination was read back, and what that is worth there.
fn way_words(proof: &Proof, index: usize, way: Option<ReadBackWay>) -> String {
    let destination = proof.plan().destinations.get(index);
    let filesystem = destination.map_or("", |d| &*d.facts.filesystem);
    way.unwrap_or(ReadBackWay::None).words(filesystem)
}

fn copy_words(proof: &Proof, index: usize, tally: &Tally) -> String {
    let Some(outcome) = proof.offloaded().destinations.get(index) else {
        return String::new();
    };
    let way = way_words(proof, index, outcome.way);
    let files = counted(tally.copied, "file");
    let bytes = size(tally.copied_bytes);
    let (compared, source) = (compared(proof, index), proof.plan().source_word());
    let mut words = if tally.copied == 0 {
        "no files".to_owned()
    } else if tally.earlier == tally.copied {
        let again = again_words(tally);
        format!("{files}, {bytes}, all checked by an earlier copy{again} ({way})")
    } else if tally.left > 0 {
        let (here, left) = (tally.copied - tally.left, count(tally.left));
        let here_how = if compared > 0 {
            "copied or compared"
        } else {
            "copied"
        };
        let back = (tally.read_back - tally.left).min(here);
        let back = if back == here {
            format!("all checked ({way})")
        } else {
            format!("{} checked ({way})", count(back))
        };
        format!(
            "{files}, {bytes}: {} {here_how} here, {back}; {left} in earlier offloads, checked \
            there then",
            count(here)
        )
    } else {
        let back = match tally.read_back {
            0 => "none checked".to_owned(),
            n if n == tally.copied => format!("all checked ({way})"),
            n => format!("{} checked ({way})", count(n)),
        };
        let earlier = if tally.earlier > 0 {
            let again = again_words(tally);
            format!(
                ", {} of them by an earlier copy{again}",
                count(tally.earlier)
            )
        } else {
            String::new()
        };
        match tally.copied.saturating_sub(compared + tally.earlier) {
            _ if compared == 0 => format!("{files}, {bytes} copied, {back}{earlier}"),
            0 if tally.earlier == 0 => {
                format!(
                    "{files}, {bytes} were there already, {back} and compared with the {source}"
                )
            }
            new => format!(
                "{files}, {bytes}: {} copied, {} were there already and compared with the \
                {source}; {back}{earlier}",
                count(new),
                count(compared)
            ),
        }
    };
    if outcome.failed {
        words.push_str("; failed, incomplete");
    } else if tally.is_complete && !proof.plan().has_nothing_new() {
        words.push_str(", all in the manifest");
    }
    words
}
