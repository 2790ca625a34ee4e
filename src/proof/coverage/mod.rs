//! Owns the question "may this card be formatted?" when nothing is copied: the card's listing
//! against the manifests of offloads on drives. Pure: it weighs what others looked up, and tells
//! them what has to be read for it ([`to_read()`]): a sample of what only looks the same, whatever
//! carries another date, what a manifest doubts, and what two of them say differently. With
//! [`crate::proof::Proof::judge`] it is the only place that makes PROVEN.

mod answer;
mod count;
mod folder;
mod gap;
mod holders;
mod question;
mod reasons;
mod to_read;
mod usable;

pub use answer::{Answer, Holding, Lack, UnprovenReason};
pub use folder::{ComparedFolder, InFolder};
pub use question::{FoundOffload, Question, ReadFiles, Reread, SizeAndDate, Unusable};
pub use to_read::{ToRead, to_read};

use crate::card::part::part_note;
use crate::plan::notes::left_out_notes;
use crate::proof::Verdict;
use crate::proof::notes::sameness_notes;
use crate::units::{counted, len64};
use count::{Counted, count};
use holders::Holders;
use reasons::{absent, away, few, gone, of_problem, reasons_of_files, trouble_reasons, words};
use to_read::sampled;

/// Weighs the question.
pub fn answer(
    question: &Question<'_>,
    offloads: &[FoundOffload],
    folders: &[ComparedFolder],
) -> Answer {
    let mut notes: Vec<String> = question.part.iter().map(|why| part_note(why)).collect();
    let mut of_card = trouble_reasons(question.listing);
    of_card.extend(question.changed.iter().map(of_problem));
    let mut troubles = Vec::new();
    notes.extend(left_out_notes(question.listing));
    let holders = Holders::of(question, offloads, folders, &mut troubles, &mut notes);
    let Counted {
        held,
        lacks,
        copies,
        recorded,
        gaps,
        short,
        is_explained,
        contents,
        drives,
    } = count(question, &holders);
    notes.extend(sameness_notes(contents.iter().copied()));
    // What is wrong with the card always counts; what is wrong with one offload is a reason only if
    // the others are not enough.
    let (mut reasons, of_offloads) = (of_card, troubles);
    reasons.extend(reasons_of_files(
        question,
        &holders,
        gaps,
        short,
        of_offloads.is_empty(),
    ));
    let gone = gone(question.listing, &holders.usable);
    if question.by_content {
        // The other slot's card is compared both ways.
        reasons.extend(absent(&gone));
    } else if !gone.is_empty() {
        let n = counted(len64(gone.len()), "file");
        notes.push(format!("{n} of the manifests no longer on the card."));
    }
    // What was told of single files is not told a second time as too few copies.
    if copies < question.copies_needed && (reasons.is_empty() || !is_explained) {
        reasons.push(few(question, &holders, copies));
    }
    let of_offloads = of_offloads.into_iter().chain(away(question.away));
    weigh_offloads(of_offloads, &mut reasons, &mut notes);
    let enough = copies >= question.copies_needed;
    let proven = enough && reasons.is_empty() && question.listing.totals().0 > 0;
    let holdings = holders.holdings(held, lacks, question.listing.totals().0);
    Answer {
        is_by_hand: !folders.is_empty() && are_good(offloads, &holdings),
        verdict: Verdict {
            proven,
            copies,
            reasons: reasons.iter().map(words).collect(),
        },
        holdings,
        sampled: sampled(question, &holders.usable),
        reasons,
        notes,
        is_stated: holders.distinct_devices() < copies,
        recorded,
        spread: drives.spread(),
        has_zeros: contents.iter().any(|c| c.only_zeros),
        has_media_left: !question.listing.media_left().is_empty(),
    }
}

/// What is wrong with single offloads is a reason only where there are others.
fn weigh_offloads(
    of_offloads: impl Iterator<Item = UnprovenReason>,
    reasons: &mut Vec<UnprovenReason>,
    notes: &mut Vec<String>,
) {
    if reasons.is_empty() {
        notes.extend(of_offloads.map(|r| format!("{}.", r.plain())));
    } else {
        reasons.extend(of_offloads);
    }
}

/// Whether nothing was found wrong with an offload.
fn are_good(offloads: &[FoundOffload], holdings: &[Holding]) -> bool {
    let mut of_manifests = holdings.iter().filter(|h| !h.is_compared);
    offloads.iter().all(|o| o.manifest.is_ok()) && of_manifests.all(|h| h.lacks.is_empty())
}

// ---- what has to be read ------------------------------------------------------------------------
