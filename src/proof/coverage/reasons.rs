//! Owns the reasons that are no single file's: of the card, of copies that are away, of too few of
//! them.

use super::answer::UnprovenReason;
use super::gap::{GapList, NAMES_COMPARED, named};
use super::holders::Holders;
use super::question::Question;
use super::usable::Usable;
use crate::card::listing::Listing;
use crate::error::{Cause, Problem, ProblemKind};
use crate::name::shown;
use crate::plan::notes::why_fewer;
use crate::units::len64;
use std::collections::HashSet;

/// Copies that could not be looked at are one reason, however many there are.
pub(super) fn away(away: &[String]) -> Option<UnprovenReason> {
    let first = away.first()?;
    let others = match away.len() - 1 {
        0 => String::new(),
        1 => "; the same goes for one more copy that it knows".to_owned(),
        n => format!("; the same goes for {n} more copies that it knows"),
    };
    let detail = format!("{first}{others}");
    Some(UnprovenReason::new(ProblemKind::Missing, detail))
}

/// Tells which files no offload proves, and which ones not enough of them do.
pub(super) fn reasons_of_files(
    question: &Question<'_>,
    holders: &Holders<'_>,
    gaps: GapList,
    short: Vec<GapList>,
    is_none_found: bool,
) -> Vec<UnprovenReason> {
    if holders.is_empty() {
        let why = "no offload of this card was found under the given folders".to_owned();
        // Why one that was found cannot be used is told beside it.
        let reason = is_none_found.then(|| UnprovenReason::new(ProblemKind::Missing, why));
        return reason.into_iter().collect();
    }
    let mut reasons = gaps.reasons(question.by_content);
    let files = question.listing.totals().0;
    let mut short = short.into_iter();
    for (offload, short) in holders.usable.iter().zip(short.by_ref()) {
        reasons.extend(offload.reasons(short, files));
    }
    for (folder, short) in holders.folders.iter().zip(short) {
        reasons.extend(folder.reasons(short, files));
    }
    reasons
}

pub(super) fn words(reason: &UnprovenReason) -> String {
    match &reason.path {
        Some(path) => format!("{}: `{}`: {}", reason.kind, shown(path), reason.plain()),
        None => format!("{}: {}", reason.kind, reason.plain()),
    }
}

pub(super) fn trouble_reasons(listing: &Listing) -> Vec<UnprovenReason> {
    let problems = crate::proof::problems::card_problems(listing);
    problems.iter().map(of_problem).collect()
}

pub(super) fn of_problem(p: &Problem) -> UnprovenReason {
    UnprovenReason {
        kind: p.kind,
        path: p.path.clone(),
        files: u64::from(p.path.is_some()),
        detail: p.detail.clone(),
        offload: None,
        is_of_drive: false,
        cause: p.cause,
        like: Some(p.kind.id()),
    }
}

pub(super) fn few(question: &Question<'_>, holders: &Holders<'_>, copies: usize) -> UnprovenReason {
    let is_separate = holders.is_separate(question);
    let why = why_fewer(&holders.devices(), &holders.names(), is_separate);
    let twice = holders.seen_twice().filter(|_| question.separate);
    let why = match twice {
        Some((a, b)) => format!(
            " (what is in `{}` and `{}` was written at one moment: one drive that is seen \
             twice, or a copy by hand, so that --separate is not believed)",
            shown(a),
            shown(b)
        ),
        None if why.is_empty() => String::new(),
        None => format!(" ({})", why.join(" ").trim_end_matches('.')),
    };
    let detail = format!(
        "{}, {} needed on separate drives{why}",
        crate::proof::tally::counted_copies(copies),
        question.copies_needed
    );
    UnprovenReason::new(ProblemKind::TooFewCopies, detail)
}

/// Files that a manifest lists and the card does not hold.
pub(super) fn gone<'a>(listing: &Listing, usable: &[Usable<'a>]) -> Vec<&'a str> {
    let now: HashSet<&str> = listing.files().map(|f| f.name.as_str()).collect();
    let mut gone: Vec<&str> = usable
        .iter()
        .flat_map(|u| &u.manifest.files)
        .map(|f| &*f.path)
        .filter(|path| !now.contains(path))
        .collect();
    gone.sort_unstable();
    gone.dedup();
    gone
}

pub(super) fn absent(gone: &[&str]) -> Vec<UnprovenReason> {
    let first = gone.iter().take(NAMES_COMPARED);
    let first = first.map(|path| ((*path).to_owned(), None)).collect();
    let more = gone.len().saturating_sub(NAMES_COMPARED);
    let detail = "is in the offload and not on this card";
    named(first, len64(more), ProblemKind::Missing, detail)
        .map(|reason| UnprovenReason {
            cause: Some(Cause::InOffloadOnly),
            ..reason
        })
        .collect()
}
