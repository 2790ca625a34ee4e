//! Owns why no media hash list can be made: what it cannot hold, and what stands in its place.
//! Pure.

use super::shape::{DestinationDraft, Shape};
use crate::card::listing::Listing;
use crate::error::{Cause, Problem, ProblemKind};
use crate::existing::standing::HistoryThere;
use crate::name::CardName;
use crate::record::layout::{Layout, Level};
use crate::record::media_hash_list::{can_hold, is_in_history};

/// Tells what of a card, or of what was asked for, no media hash list can be made of.
pub(super) fn check_mhl(
    shape: &Shape<'_>,
    level: Level,
    listing: &Listing,
    reasons: &mut Vec<Problem>,
) {
    if !shape.has_mhl {
        return;
    }
    let cause = if shape.goes_on_with_mhl {
        Cause::NoFurtherList
    } else {
        Cause::NoMediaHashList
    };
    let refused = |why: &str| {
        let problem = Problem::new(ProblemKind::NameClash, why);
        problem.because(cause)
    };
    if shape.layout == Layout::Bag {
        reasons.push(refused(
            "a bag gets no media hash list: its own lists say what is in it",
        ));
    }
    if level == Level::Written {
        reasons.push(refused(
            "a media hash list says that card and copy were compared, and with --proof written \
             they are not",
        ));
    }
    let files = listing.files().map(|f| f.name);
    let names: Vec<&str> = listing
        .folders()
        .chain(files)
        .map(CardName::as_str)
        .collect();
    if let Some(path) = names.iter().find(|path| is_in_history(path)) {
        let why = "the card holds a media hash list of its own, which is copied as it is; a copy \
            that went on with it would no longer be what is on the card";
        return reasons.push(refused(why).at(*path));
    }
    if let Some(path) = names.iter().find(|path| !can_hold(path)) {
        let why = "a media hash list cannot hold this name";
        reasons.push(refused(why).at(*path));
    }
}

/// Tells why the history that stands on a destination is not gone on with.
pub(super) fn check_history(draft: &DestinationDraft<'_>, reasons: &mut Vec<Problem>) {
    if let HistoryThere::Unusable(why) = &draft.candidate.standing.history
        && draft.shape.has_mhl
    {
        let why = format!("the media hash list there can't be gone on with: {why}");
        let problem = Problem::new(ProblemKind::ManifestDamaged, why);
        reasons.push(problem.because(Cause::BrokenList).on(draft.index));
    }
}
