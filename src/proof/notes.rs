//! Owns what is pointed out beside a verdict and stands in nobody's way.

use crate::card::part::part_note;
use crate::digest::Digest;
use crate::existing::source::{CardFacts, CardNow};
use crate::name::some_of;
use crate::offload::Offloaded;
use crate::plan::Plan;
use crate::plan::notes::{gone_note, left_out_notes, sample_note, unmounted_note};
use crate::proof::only_new;
use crate::units::{counted, len64};
use std::cmp::Reverse;

/// Files that a note names; more are counted.
pub(super) const NAMED: usize = 3;

/// A content that occurs this often under different names is pointed out.
pub(super) const IDENTICAL_NOTED: usize = 10;

/// Files of at most so many bytes are often alike: a camera's own index and settings files.
pub(super) const IDENTICAL_BYTES: u64 = 4_096;

/// Bytes that must have been read before a rate is worth a word.
pub(super) const RATE_BYTES: u64 = 100 * crate::units::MB;

/// What the measured rate says against what is known of card and reader.
pub(super) fn speed_note(plan: &Plan, offloaded: &Offloaded) -> Option<String> {
    let is_enough = offloaded.bytes_read >= RATE_BYTES && plan.original().is_none();
    let (read, is_least) = match (offloaded.read_rate, offloaded.read_at_least) {
        (Some(measured), _) => (measured, false),
        (None, at_least) => (at_least?, true),
    };
    let read = crate::units::MegabytesPerS(read / 1e6);
    is_enough.then(|| plan.estimate.ceiling.compare(read, is_least))?
}

pub(super) fn notes(
    plan: &Plan,
    offloaded: &Offloaded,
    reread_equal: bool,
    part: Option<&str>,
    now: CardNow,
) -> Vec<String> {
    let mut notes: Vec<String> = part.map(part_note).into_iter().collect();
    notes.extend(now_note(&plan.card, now));
    notes.extend(left_out_notes(&plan.listing));
    notes.extend(gone_note(plan.destinations.iter()));
    notes.extend(sample_note(plan.destinations.iter()));
    notes.extend(plan.destinations.iter().filter_map(unmounted_note));
    notes.extend(only_new::notes(plan, offloaded, reread_equal));
    let files = offloaded.files.iter().zip(&plan.jobs);
    notes.extend(sameness_notes(files.filter_map(|(file, job)| {
        let blake3 = file.blake3?;
        Some(Content {
            path: job.name.as_str(),
            bytes: job.bytes,
            blake3,
            only_zeros: file.only_zeros,
        })
    })));
    notes.extend(speed_note(plan, offloaded));
    for (d, outcome) in plan.destinations.iter().zip(&offloaded.destinations) {
        if outcome.dates_refused > 0 {
            notes.push(format!(
                "`{}` refused the dates of {}; the content is not touched by that.",
                crate::name::shown(d.given.as_str()),
                counted(outcome.dates_refused, "file")
            ));
        }
    }
    notes
}

/// Says that the card was no longer there at the verdict; nothing is said of what is there instead.
pub(super) fn now_note(card: &CardFacts, now: CardNow) -> Option<String> {
    let place = crate::name::shown(card.given.as_str());
    match now {
        // An offload that is copied further: that it went is a problem of its own.
        _ if card.original.is_some() => None,
        CardNow::Unchanged | CardNow::Changed => None,
        CardNow::Gone => Some(format!(
            "The card was no longer at `{place}` at the end; what was shot on it since is in no \
             copy."
        )),
        CardNow::Other => Some(format!(
            "Something else is at `{place}` since the card was read; this is not about that."
        )),
    }
}

/// What is known of a file's content.
#[derive(Clone, Copy, Debug)]
pub(super) struct Content<'a> {
    pub(super) path: &'a str,
    /// Size in bytes.
    pub(super) bytes: u64,
    pub(super) blake3: Digest,
    /// It holds nothing but zeros.
    pub(super) only_zeros: bool,
}

/// Files of nothing but zeros, and many that are identical: what a card that fails, or is smaller
/// than its label, delivers.
pub(super) fn sameness_notes<'a>(files: impl Iterator<Item = Content<'a>>) -> Vec<String> {
    let mut notes = Vec::new();
    let mut zeros = Vec::new();
    let mut seen = std::collections::HashMap::new();
    for file in files {
        if file.only_zeros {
            zeros.push(file.path);
        } else if file.bytes > IDENTICAL_BYTES {
            // 100,000 files at a time: a count and the first name are all that is kept.
            seen.entry(file.blake3).or_insert((0_usize, file.path)).0 += 1;
        }
    }
    if !zeros.is_empty() {
        notes.push(format!(
            "{} of nothing but zeros ({}): a sign of a failing card, or of one that is smaller \
             than its label. Do not shoot on it again before you have looked at the pictures.",
            counted(len64(zeros.len()), "file"),
            some_of(zeros.iter().copied(), NAMED, len64(zeros.len()), "")
        ));
    }
    let most = seen.values().max_by_key(|(n, first)| (*n, Reverse(*first)));
    if let Some((n, first)) = most.filter(|(n, _)| *n >= IDENTICAL_NOTED) {
        notes.push(format!(
            "{} on the card are identical, byte for byte, `{}` among them. Look at some of them.",
            counted(len64(*n), "file"),
            crate::name::shown(first)
        ));
    }
    notes
}
