//! Owns what stands in the way of PROVEN, each thing a problem of its own, and the reasons that are
//! made of them.

use crate::card::listing::{Difference, Listing, RowKind};
use crate::disk::ReadBackWay;
use crate::error::{Cause, Problem, ProblemKind};
use crate::existing::original::Original;
use crate::offload::Offloaded;
use crate::plan::Plan;
use crate::plan::terms::Terms;
use crate::proof::tally::{InPlace, Tally, counted_copies};
use crate::record::bag;
use crate::record::checksums::List;
use crate::record::layout::{DATA, Layout};
use crate::units::{counted, len64};

/// At most this many differences of the card's listing are told.
pub(super) const DIFFERENCES_MAX: usize = 200;

/// Entries of the card that no copy can hold as they are.
pub fn card_problems(listing: &Listing) -> Vec<Problem> {
    let unexplained = listing.unexplained();
    let unexplained = unexplained.map(unexplained_problem);
    let rows = listing.rows().iter().filter_map(|row| match &row.kind {
        RowKind::Trouble { why } => {
            let problem = Problem::new(ProblemKind::Unreadable, why.to_string());
            Some(problem.because(why.cause()).at(row.path()))
        }
        RowKind::NotText => Some(
            Problem::new(
                ProblemKind::NameNotStorable,
                format!(
                    "the name, `{}` as far as it can be read, is not UTF-8; its bytes are \
                         given in hex",
                    crate::name::readable(&row.raw)
                ),
            )
            .at(row.path()),
        ),
        _ => None,
    });
    rows.chain(unexplained).collect()
}

fn unexplained_problem(why: &str) -> Problem {
    Problem::new(ProblemKind::Unreadable, why).because(Cause::Unexplained)
}

/// What an original's manifest says against itself, and names that the form of a checksum list
/// cannot hold; the manifest holds them.
pub fn list_problems(plan: &Plan) -> Vec<Problem> {
    let of_original = plan.original().into_iter().flat_map(|o| o.problems.clone());
    List::all()
        .filter(|list| list.is_of(plan.also))
        .filter_map(|list| {
            let unheld: Vec<&str> = plan
                .jobs
                .iter()
                .map(|j| j.name.as_str())
                .filter(|name| !list.holds(&plan.layout.outside(name)))
                .collect();
            unheld_problem(list, &unheld)
        })
        .chain(bag_problems(plan))
        .chain(of_original)
        .collect()
}

/// What a bag holds rightly and others may find fault with.
pub(super) fn bag_problems(plan: &Plan) -> Vec<Problem> {
    if plan.layout != Layout::Bag {
        return Vec::new();
    }
    let mut names = plan.jobs.iter().map(|j| j.name.as_str());
    let misread: Vec<&str> = names
        .by_ref()
        .filter(|n| bag::is_often_misread(n))
        .collect();
    let mut problems = Vec::new();
    if let Some(first) = misread.first() {
        let why = format!(
            "the bag holds {} with a `%`, a blank at the end or odd line breaks, `{}` first, \
             written as RFC 8493 asks; some programs misread them and will reject the bag",
            counted(len64(misread.len()), "name"),
            crate::name::shown(first)
        );
        problems.push(Problem::new(ProblemKind::NameNotStorable, why).harmless());
    }
    for (index, destination) in plan.destinations.iter().enumerate() {
        if let Some(first) = destination.strangers.first() {
            let why = format!(
                "{} in `{DATA}` that no manifest names, `{}` first: the bag does not list them, \
                 and programs that check bags will reject it until they are moved out",
                counted(len64(destination.strangers.len()), "entry").replace("entrys", "entries"),
                crate::name::shown(first)
            );
            problems.push(Problem::new(ProblemKind::Extra, why).on(index).harmless());
        }
    }
    problems
}

pub(super) fn unheld_problem(list: List, unheld: &[&str]) -> Option<Problem> {
    let first = unheld.first()?;
    let others = match unheld.len() - 1 {
        0 => String::new(),
        n => format!(" and {}", counted(len64(n), "other name")),
    };
    let why = format!(
        "{} cannot hold `{}`{others}, since its form has no way to write {}; the manifest does",
        list.file_name(),
        crate::name::shown(first),
        if unheld.len() == 1 { "it" } else { "them" }
    );
    Some(Problem::new(ProblemKind::NameNotStorable, why).harmless())
}

/// Returns what is not the same on a card that was listed again at the end.
pub fn listing_problems(before: &Listing, after: Result<Listing, Problem>) -> Vec<Problem> {
    let after = match after {
        Ok(after) => after,
        Err(problem) => return vec![problem],
    };
    let differences = before.differences(&after, DIFFERENCES_MAX);
    if differences.is_empty() {
        // The driver may have lost sight of some of it since.
        let unexplained = after
            .unexplained()
            .filter(|_| before.unexplained().is_none());
        let problem = unexplained.map(unexplained_problem);
        return problem.into_iter().collect();
    }
    differences
        .into_iter()
        .map(|difference| match difference {
            Difference::Vanished(path) => Problem::new(
                ProblemKind::Vanished,
                "was on the card at the start and is gone at the end",
            )
            .at(path),
            Difference::Changed(path) => Problem::new(
                ProblemKind::ChangedOnCard,
                "is not what it was when the copy began",
            )
            .at(path),
            Difference::Unlisted(path, why) => {
                let words = format!("{why}; that was at the end of the copy");
                let problem = Problem::new(ProblemKind::Unreadable, words).at(path);
                match why.cause() {
                    Some(cause) => problem.because(cause),
                    None => problem,
                }
            }
            Difference::New(path) => Problem::new(
                ProblemKind::ChangedOnCard,
                "came onto the card during the copy and was not copied",
            )
            .at(path),
        })
        .collect()
}

/// What is not the same any more of an offload that was copied. What came to it meanwhile is no
/// part of it.
pub(super) fn original_changes(
    original: &Original,
    after: Result<Listing, Problem>,
) -> Vec<Problem> {
    let after = match after {
        Ok(after) => after,
        Err(problem) => return vec![problem],
    };
    // What came is dropped before the rest is counted: it may be more than is told.
    let differences = original.stood.differences(&after, usize::MAX).into_iter();
    differences
        .filter_map(|difference| match difference {
            Difference::Vanished(path) => {
                let why = "was there at the start and is gone at the end";
                Some((path, why.to_owned()))
            }
            Difference::Changed(path) => {
                Some((path, "is not what it was when the copy began".to_owned()))
            }
            Difference::Unlisted(path, why) => {
                Some((path, format!("{why}; that was at the end of the copy")))
            }
            Difference::New(_) => None,
        })
        .take(DIFFERENCES_MAX)
        .map(|(path, why)| Problem::new(ProblemKind::Changed, why).at(path))
        .collect()
}

pub(super) fn incomplete_problems(
    plan: &Plan,
    offloaded: &Offloaded,
    tallies: &[Tally],
    in_place: &[Option<InPlace>],
) -> Vec<Problem> {
    let mut problems = Vec::new();
    if offloaded.interrupted {
        return problems;
    }
    for (d, tally) in tallies.iter().enumerate() {
        let outcome = offloaded.destinations.get(d);
        if outcome.is_some_and(|o| o.failed) {
            continue;
        }
        let cached = outcome.is_some_and(|o| o.way == Some(ReadBackWay::Cached));
        if cached {
            let why = format!(
                "what was checked on `{}` may have come from the computer's memory",
                crate::name::shown(plan.destinations.get(d).map_or("", |p| p.given.as_str()))
            );
            problems.push(Problem::new(ProblemKind::NotReadBack, why).on(d));
        }
        // Where the last walk failed, that was told, and nothing is known of what stands there.
        let in_place = in_place.get(d).copied().flatten();
        let lost = in_place.map_or(0, |in_place| in_place.lost);
        if lost > 0 {
            let why = format!(
                "{} of {} are there at the end",
                crate::units::count(tally.copied.saturating_sub(lost)),
                counted(tally.copied, "file")
            );
            problems.push(Problem::new(ProblemKind::Missing, why).on(d));
        }
    }
    problems
}

pub(super) fn copy_problems(copies: usize, same: Vec<String>, terms: Terms) -> Vec<Problem> {
    let short = copies < terms.copies_needed;
    let mut problems: Vec<Problem> = same
        .into_iter()
        .map(|why| Problem {
            blocking: short,
            ..Problem::new(ProblemKind::SameDevice, why)
        })
        .collect();
    if short {
        let why = format!(
            "{}, {} needed on separate drives",
            counted_copies(copies),
            terms.copies_needed
        );
        problems.push(Problem::new(ProblemKind::TooFewCopies, why));
    }
    problems
}

/// One reason per kind of blocking trouble, most serious first; single ones in full.
pub(super) fn reasons(problems: &[Problem], interrupted: bool) -> Vec<String> {
    let mut out = Vec::new();
    if interrupted {
        out.push("it was interrupted".to_owned());
    }
    let mut kinds: Vec<ProblemKind> = problems
        .iter()
        .filter(|p| p.blocking)
        .map(|p| p.kind)
        .collect();
    // What follows from the other troubles comes last.
    kinds.sort_unstable_by_key(|k| (*k == ProblemKind::TooFewCopies, *k));
    kinds.dedup();
    for kind in kinds {
        let of_kind: Vec<&Problem> = problems
            .iter()
            .filter(|p| p.blocking && p.kind == kind)
            .collect();
        match of_kind.as_slice() {
            many if many.len() > 3 && many.iter().all(|p| p.path.is_some()) => {
                out.push(format!(
                    "{kind}: {}",
                    counted(len64(many.len()), "entry").replace("entrys", "entries")
                ));
            }
            few => out.extend(few.iter().map(|p| reason(p))),
        }
    }
    out
}

pub(super) fn reason(problem: &Problem) -> String {
    let place = problem
        .destination
        .map_or(String::new(), |d| format!("drive {}: ", d + 1));
    match &problem.path {
        Some(path) => format!(
            "{}: {place}`{}`: {}",
            problem.kind,
            crate::name::shown(path),
            problem.detail
        ),
        None => format!("{}: {place}{}", problem.kind, problem.detail),
    }
}
