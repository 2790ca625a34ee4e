//! Owns the times of a card's files that no camera with a set clock makes. Nothing is sorted or
//! trusted by them.

use super::clue::{CardClue, CardHint};
use super::place::CardPlace;
use crate::disk::Stamp;
use crate::units::len64;

/// No camera wrote cards like these before 1995; clocks that were never set begin at 1970 or 1980
/// (the epochs of POSIX and of FAT).
const EARLIEST_S: i64 = 788_918_400;
/// The farthest that a camera's clock may be ahead of this computer's: two zones that are farthest
/// apart.
const AHEAD_S: i64 = 26 * 3_600;
const DAY_S: i64 = 86_400;
/// What is so far from the rest is from another shoot, or from another clock.
const FAR_S: i64 = 30 * DAY_S;
/// Fewer files than this say nothing of a rest.
const FILES_MIN: usize = 20;
/// One of so many files at most stands out.
const FILES_FOR_ONE: usize = 20;

/// Returns what the times say.
pub(super) fn hints(places: &[CardPlace<'_>], now: Stamp) -> Vec<CardHint> {
    let mut media: Vec<&CardPlace<'_>> = places.iter().filter(|p| p.media.is_some()).collect();
    media.sort_by_key(|p| (p.file.recorded, p.file.path));
    let seconds = |p: &&CardPlace<'_>| p.file.recorded.seconds;
    let early = media.partition_point(|p| seconds(p) < EARLIEST_S);
    let ahead = now.seconds.saturating_add(AHEAD_S);
    let until = media.partition_point(|p| seconds(p) <= ahead);
    let clue = |files: &[&CardPlace<'_>], clue: &dyn Fn(String, u64) -> CardClue| {
        files.first().map(|first| CardHint {
            path: first.file.path.to_owned(),
            clue: clue(day(first.file.recorded), len64(files.len())),
        })
    };
    let (not_set, rest) = media.split_at(early);
    let (usual, future) = rest.split_at(until.saturating_sub(early));
    let mut hints = Vec::new();
    hints.extend(clue(not_set, &|day, count| CardClue::ClockNotSet {
        day,
        count,
    }));
    hints.extend(clue(future, &|day, count| CardClue::Future { day, count }));
    for (far, days) in far(usual) {
        hints.extend(clue(far, &|day, count| CardClue::FarFromRest {
            day,
            count,
            days,
        }));
    }
    hints
}

/// The files far from the rest, and how many days.
type Far<'p, 'a> = (&'p [&'a CardPlace<'a>], u64);

/// Returns the few at the beginning and at the end that lie far from the rest.
fn far<'p, 'a>(sorted: &'p [&'a CardPlace<'a>]) -> Vec<Far<'p, 'a>> {
    if sorted.len() < FILES_MIN {
        return Vec::new();
    }
    let few = sorted.len() / FILES_FOR_ONE;
    let hole = |at: usize| {
        let (before, after) = (sorted.get(at.checked_sub(1)?)?, sorted.get(at)?);
        let (before, after) = (before.file.recorded.seconds, after.file.recorded.seconds);
        let seconds = after.saturating_sub(before);
        (seconds >= FAR_S).then(|| (seconds / DAY_S).unsigned_abs())
    };
    let first = (1..=few).rev().find_map(|at| Some((at, hole(at)?)));
    let from = sorted.len().saturating_sub(few);
    let last = (from..sorted.len()).find_map(|at| Some((at, hole(at)?)));
    let first = first.map(|(at, days)| (sorted.split_at(at).0, days));
    let last = last.map(|(at, days)| (sorted.split_at(at).1, days));
    first.into_iter().chain(last).collect()
}

/// `2026-11-25`.
fn day(time: Stamp) -> String {
    time.rfc3339().chars().take(10).collect()
}
