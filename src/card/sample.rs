//! Owns the choice of the files that are read before the rest of a tree is believed unread. Pure.
//!
//! Path, size and date tell one file from another where a camera never gives all three twice. It
//! does where another card is in the card's place and nothing tells them apart, where a timer shot
//! frames of one size again an hour later under the same names, and where its clock stands still. A
//! few files read show that as a rule; where one of these is possible more are read, or all. The
//! choice follows no order of the tree: of pairs of a RAW and a JPG every other file is of one
//! kind.
//!
//! What a sample cannot show is a single file among many that differs. If a tenth does, 8 files
//! miss it once in 2.3 times and 64 once in 850 (0.9^8 = 0.43, 0.9^64 = 0.0012); if all do, one
//! file is enough.

use crate::card::dates::Shift;
use crate::card::listing::FileRow;
use crate::digest::Digest;
use crate::disk::Stamp;
use crate::name::CardName;
use std::collections::HashMap;

/// Files that are read where the card is known and dates are as they were, and their bytes at most.
const FEW: (usize, u64) = (8, 256_000_000);
/// The same where names, sizes and dates could be those of other files.
const MANY: (usize, u64) = (64, 2_000_000_000);
/// Files that are read then, however large they are.
const LEAST: usize = 3;

/// A file of a tree that looks like the one that a record has.
#[derive(Clone, Copy, Debug)]
pub struct Alike<'a> {
    /// Its path.
    pub name: &'a str,
    /// Its size in bytes.
    pub bytes: u64,
    /// Its date.
    pub modified: Stamp,
    /// What it holds if it is that file.
    pub blake3: Digest,
    /// Its date is not the one on record, only what a file system with coarser steps could make of
    /// it.
    pub is_rounded: bool,
}

/// How sure it is, without reading, that files which look alike are the same.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Ground {
    /// The volume has an identity, and it is the one on record.
    pub is_known: bool,
    /// By how much all dates differ from those on record.
    pub shift: Shift,
}

/// Returns the files to be read: all of them are to be equal, or none is believed. Where a few
/// dates are rounded and the others are not, it was no other driver that rounded them: those files
/// are read, however many they are.
pub fn choose<'a>(alike: impl Iterator<Item = Alike<'a>>, ground: Ground) -> Vec<Alike<'a>> {
    let mut all: Vec<Alike<'a>> = alike.filter(|f| f.bytes > 0).collect();
    let rounded = all.iter().filter(|f| f.is_rounded).count();
    let are_most_rounded = rounded * 2 > all.len();
    let is_weak = !ground.is_known
        || ground.shift != Shift::default()
        || are_most_rounded
        || has_one_date(&all);
    let (files, bytes) = if is_weak { MANY } else { FEW };
    all.sort_by_cached_key(|f| Digest::of(f.name.as_bytes()).to_string());
    let (mut taken, mut room) = (0, bytes);
    let (mut chosen, mut rest) = (Vec::new(), Vec::new());
    for file in all {
        if file.is_rounded && !are_most_rounded {
            chosen.push(file);
            continue;
        }
        if taken < files && file.bytes <= room {
            taken += 1;
            room -= file.bytes;
            chosen.push(file);
        } else {
            rest.push(file);
        }
    }
    if is_weak {
        rest.sort_by_key(|f| f.bytes);
        let lacks = LEAST.saturating_sub(chosen.len());
        chosen.extend(rest.into_iter().take(lacks));
    }
    chosen
}

/// Whether more than half of the files have one date: it says nothing of any of them.
fn has_one_date(files: &[Alike<'_>]) -> bool {
    let mut counts: HashMap<Stamp, usize> = HashMap::new();
    for file in files {
        *counts.entry(file.modified).or_insert(0) += 1;
    }
    let most = counts.into_values().max().unwrap_or(0);
    most > 1 && most * 2 > files.len()
}

impl<'a> Alike<'a> {
    /// A file of the card that looks like one on record, which had the date `then`.
    pub fn of(file: FileRow<'a>, blake3: Digest, then: Stamp, shift: Shift) -> Self {
        let name: &'a CardName = file.name;
        Self {
            is_rounded: !shift.is_exact(then, file.modified),
            name: name.as_str(),
            bytes: file.bytes,
            modified: file.modified,
            blake3,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KNOWN: Ground = Ground {
        is_known: true,
        shift: Shift { seconds: 0 },
    };

    fn chosen(files: u64, bytes: u64, ground: Ground, step: i64) -> Vec<String> {
        chosen_of(files, bytes, ground, step, 0)
    }

    fn chosen_of(files: u64, bytes: u64, ground: Ground, step: i64, rounded: i64) -> Vec<String> {
        let names: Vec<String> = (0..files).map(|n| format!("DCIM/KITE{n:04}.RAW")).collect();
        let alike = names.iter().zip(0..).map(|(name, n)| Alike {
            name,
            bytes,
            modified: Stamp {
                seconds: n * step,
                nanos: 0,
            },
            blake3: Digest::of(b""),
            is_rounded: n < rounded,
        });
        let chosen = choose(alike, ground);
        chosen.iter().map(|f| f.name.to_owned()).collect()
    }

    #[test]
    fn more_is_read_where_looks_say_less() {
        let unknown = Ground {
            is_known: false,
            ..KNOWN
        };
        let shifted = Ground {
            shift: Shift { seconds: 3_600 },
            ..KNOWN
        };
        assert_eq!(chosen(1_000, 5, KNOWN, 1).len(), 8);
        for weak in [unknown, shifted] {
            assert_eq!(chosen(1_000, 5, weak, 1).len(), 64);
            assert_eq!(chosen(60, 5, weak, 1).len(), 60, "all of few");
            assert_eq!(chosen(1_000, 1 << 40, weak, 1).len(), 3, "however large");
        }
        assert_eq!(chosen(1_000, 5, KNOWN, 0).len(), 64, "a clock that stands");
        assert_eq!(chosen(1_000, 1 << 40, KNOWN, 1).len(), 0);
        assert_eq!(
            chosen(1_000, 0, unknown, 1).len(),
            0,
            "nothing says nothing"
        );
    }

    #[test]
    fn a_few_rounded_dates_are_looked_into() {
        let read = |rounded| chosen_of(1_000, 5, KNOWN, 1, rounded);
        let all_of_them = |names: &[String], rounded: usize| {
            let is_one = |n: &usize| names.contains(&format!("DCIM/KITE{n:04}.RAW"));
            (0..rounded).filter(is_one).count() == rounded
        };
        for rounded in [1_usize, 20, 500] {
            let names = read(i64::try_from(rounded).unwrap());
            assert!(all_of_them(&names, rounded) && names.len() == rounded + 8);
        }
        assert_eq!(read(501).len(), 64, "another driver rounded them");
        assert_eq!(read(1_000).len(), 64);
    }

    #[test]
    fn the_choice_follows_no_order() {
        let every_other = |names: &[String]| {
            let is_even = |n: &&String| n.as_bytes()[n.len() - 5].is_multiple_of(2);
            names.iter().filter(is_even).count()
        };
        let names = chosen(1_000, 5, KNOWN, 1);
        assert!((1..8).contains(&every_other(&names)), "{names:?}");
        assert_eq!(
            names,
            chosen(1_000, 5, KNOWN, 1),
            "and is the same each time"
        );
    }
}
