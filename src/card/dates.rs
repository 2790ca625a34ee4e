//! Owns the comparison of dates across file systems that keep local time, or two seconds, or both:
//! a whole shift that all files share is a change of zone; anything else is another date. Pure.

use crate::disk::Stamp;
use std::collections::HashMap;

/// FAT keeps dates in steps of two seconds (Microsoft, "File Times").
const STEP_S: u64 = 2;
/// Zones differ by whole quarters of an hour (exFAT specification, section 7.4.10).
const QUARTER_S: i64 = 900;
/// The largest shift between two zones: from -12:00 to +14:00, in seconds.
const SHIFT_S_MAX: i64 = 26 * 3_600;
/// A whole day is no change of zone: a series that a timer begins at the same hour of the next day,
/// on a counter that was set back, has such dates.
const DAY_S: i64 = 24 * 3_600;
/// Files that have to share a shift before it is one.
const SHARED_MIN: u64 = 2;

/// A shift that the dates of one tree have against those of another.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Shift {
    /// Whole quarters of an hour, in seconds.
    pub seconds: i64,
}

impl Shift {
    /// Returns the shift that more than half of the pairs, and at least two, share; else zero. One
    /// file alone, or the few of many whose dates happen to differ by whole quarters of an hour,
    /// are other files.
    pub fn of(pairs: impl Iterator<Item = (Stamp, Stamp)>) -> Self {
        let mut votes: HashMap<i64, u64> = HashMap::new();
        let mut all = 0;
        for (before, after) in pairs {
            all += 1;
            // Dates that lie further apart than a number can say are no two zones.
            let difference = after.seconds.checked_sub(before.seconds);
            if let Some(seconds) = difference.and_then(quarter) {
                *votes.entry(seconds).or_insert(0) += 1;
            }
        }
        let shared = votes
            .into_iter()
            .find(|(seconds, n)| *n >= SHARED_MIN && *n * 2 > all && seconds % DAY_S != 0);
        Self {
            seconds: shared.map_or(0, |(seconds, _)| seconds),
        }
    }

    /// Returns whether two dates are one under this shift: the same, or one is what a file system
    /// with coarser steps made of the other. Two dates of equal steps that differ are two dates,
    /// however near.
    pub fn joins(self, before: Stamp, after: Stamp) -> bool {
        let (a, b) = (
            nanos(before) + i128::from(self.seconds) * NANOS,
            nanos(after),
        );
        let (step_a, step_b) = (step(a), step(b));
        a == b || (step_a != step_b && (a - b).abs() <= step_a.max(step_b))
    }

    /// Returns whether two dates are the same under this shift, with nothing rounded.
    pub fn is_exact(self, before: Stamp, after: Stamp) -> bool {
        nanos(before) + i128::from(self.seconds) * NANOS == nanos(after)
    }

    /// Returns whether two dates are within the coarsest step of each other under this shift. That
    /// is no ground to take two files for one, only to compare them.
    pub fn is_near(self, before: Stamp, after: Stamp) -> bool {
        let shift = i128::from(self.seconds) * NANOS;
        (nanos(before) + shift).abs_diff(nanos(after)) <= u128::from(STEP_S) * NANOS.unsigned_abs()
    }
}

const NANOS: i128 = 1_000_000_000;

fn nanos(date: Stamp) -> i128 {
    i128::from(date.seconds) * NANOS + i128::from(date.nanos)
}

/// Returns the steps, in nanoseconds, of the coarsest file system that could hold this date: FAT,
/// HFS+, exFAT, milliseconds and microseconds as archives keep them, NTFS, ext4.
fn step(date: i128) -> i128 {
    let steps = [2 * NANOS, NANOS, 10_000_000, 1_000_000, 1_000, 100];
    let coarsest = steps.into_iter().find(|step| date.rem_euclid(*step) == 0);
    coarsest.unwrap_or(1)
}

/// Returns the whole quarters of an hour nearest to a difference, if it is within two seconds.
fn quarter(difference: i64) -> Option<i64> {
    if difference.unsigned_abs() > SHIFT_S_MAX.unsigned_abs() + STEP_S {
        return None;
    }
    let nearest = (difference + QUARTER_S / 2).div_euclid(QUARTER_S) * QUARTER_S;
    let is_near = nearest.abs_diff(difference) <= STEP_S;
    (is_near && nearest.abs() <= SHIFT_S_MAX).then_some(nearest)
}

/// Reads a date as the records have it.
pub fn parse(rfc3339: &str) -> Option<Stamp> {
    rfc3339.parse().ok().map(Stamp::of)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Stamp {
        Stamp { seconds, nanos: 0 }
    }

    #[test]
    fn a_shared_whole_shift_is_a_zone() {
        let pairs = [(100, 3_700), (200, 3_801), (300, 3_899), (400, 460)];
        let shift = Shift::of(pairs.iter().map(|(a, b)| (at(*a), at(*b))));
        assert_eq!(shift.seconds, 3_600);
        assert!(shift.joins(at(200), at(3_801)));
        assert!(!shift.joins(at(400), at(460)), "a minute is another date");
        assert!(
            !shift.joins(at(400), at(400)),
            "the shift holds for all or none"
        );
    }

    #[test]
    fn two_near_dates_are_two_unless_one_was_rounded() {
        let fine = |seconds| Stamp {
            seconds,
            nanos: 120_000_000,
        };
        let same = |a, b| Shift::default().joins(a, b);
        assert!(same(fine(7), fine(7)) && same(at(8), at(8)));
        assert!(same(fine(7), at(6)) && same(fine(7), at(8)) && same(at(9), at(8)));
        let exact = Stamp {
            seconds: 7,
            nanos: 123_456_789,
        };
        assert!(same(exact, fine(7)) && same(exact, at(7)) && same(exact, at(6)));
        assert!(!same(fine(7), fine(8)) && !same(fine(7), fine(9)));
        assert!(!same(at(6), at(8)), "two dates of one coarse file system");
        assert!(!same(fine(7), at(4)) && !same(fine(7), at(10)));
    }

    #[test]
    fn the_farthest_dates_are_dates() {
        let far = [i64::MIN, i64::MIN + 1, -1, 0, 1, i64::MAX - 1, i64::MAX];
        for a in far {
            for b in far {
                let (a, b) = (at(a), at(b));
                assert_eq!(Shift::of([(a, b), (a, b)].into_iter()), Shift::default());
                let are_one = Shift::default().joins(a, b);
                assert!(a != b || are_one, "{a:?}");
                assert!(!are_one || a.seconds.abs_diff(b.seconds) <= STEP_S);
                assert!(!Shift { seconds: 900 }.is_near(a, b));
                assert!(parse(&a.rfc3339()).is_some() && parse(&b.rfc3339()).is_some());
            }
        }
    }

    #[test]
    fn odd_differences_are_no_zone() {
        for difference in [60, 1_000, 27 * 3_600, -5_000] {
            assert_eq!(quarter(difference), None, "{difference}");
        }
        for (difference, shift) in [
            (1, 0),
            (-2, 0),
            (3_602, 3_600),
            (-3_601, -3_600),
            (20_700, 20_700),
        ] {
            assert_eq!(quarter(difference), Some(shift));
        }
        assert_eq!(Shift::of([(at(0), at(77))].into_iter()), Shift::default());
    }

    #[test]
    fn a_shift_needs_company() {
        let of = |pairs: &[(i64, i64)]| Shift::of(pairs.iter().map(|(a, b)| (at(*a), at(*b))));
        assert_eq!(of(&[(0, 3_600)]).seconds, 0, "one file alone is rewritten");
        assert_eq!(of(&[(0, 3_600), (50, 3_650)]).seconds, 3_600);
        assert_eq!(of(&[(0, 3_600), (50, 90)]).seconds, 0, "no more than half");
        // A counter that was set back: of 100 new files some differ by whole quarters by chance.
        let reshot: Vec<(i64, i64)> = (0..100).map(|i| (i * 7, 40_000 + i * 61)).collect();
        assert_eq!(of(&reshot).seconds, 0);
        let timer: Vec<(i64, i64)> = (0..100).map(|i| (i * 5, 86_400 + i * 5)).collect();
        assert_eq!(of(&timer).seconds, 0, "a series of the next day");
    }

    #[test]
    fn dates_round_trip() {
        for stamp in [
            at(0),
            Stamp {
                seconds: 1_791_019_800,
                nanos: 123_456_789,
            },
            Stamp {
                seconds: -5,
                nanos: 500_000_000,
            },
        ] {
            assert_eq!(parse(&stamp.rfc3339()), Some(stamp));
        }
        assert_eq!(parse("yesterday"), None);
    }
}
