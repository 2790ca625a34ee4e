//! Owns telling a file that was moved or renamed from one that is missing and another that is
//! extra: by what it holds.

use super::files::{is_met, kinds_of, sums_of};
use crate::disk::Disk;
use crate::disk::progress::Progress;
use crate::hash_algorithm::checksum::Checksum;
use crate::record::others::{FileClaim, Sum};
use camino::Utf8Path;
use smallvec::SmallVec;
use std::collections::{HashMap, HashSet};
use std::sync::atomic::Ordering;

/// Digits of a hash below which two files may have the same one by accident.
const DIGITS_MIN: usize = 16;
/// Of so many missing files with one content one of the same name is looked for.
const ALIKE_MAX: usize = 100;

/// What is missing, with what lists say of it.
pub(super) struct Absent<'a> {
    pub(super) path: &'a str,
    pub(super) claim: &'a FileClaim,
}

/// An extra file and its size.
pub(super) struct ExtraFile<'a> {
    pub(super) path: &'a str,
    pub(super) bytes: u64,
}

fn is_sure(sum: &Sum) -> bool {
    sum.hex.len() >= DIGITS_MIN
}

/// Missing files by their hashes; each is found once.
struct ByContent<'a> {
    absent: &'a [Absent<'a>],
    by_sum: HashMap<&'a str, SmallVec<[usize; 1]>>,
    is_found: Vec<bool>,
}

impl<'a> ByContent<'a> {
    fn of(absent: &'a [Absent<'a>]) -> Self {
        let mut by_sum: HashMap<_, SmallVec<[usize; 1]>> = HashMap::new();
        // The last one is taken first.
        for (at, one) in absent.iter().enumerate().rev() {
            for sum in one.claim.sums.iter().filter(|sum| is_sure(sum)) {
                by_sum.entry(&*sum.hex).or_default().push(at);
            }
        }
        Self {
            absent,
            by_sum,
            is_found: vec![false; absent.len()],
        }
    }

    /// Finds the missing file that holds this, best one of the same name.
    fn take(&mut self, path: &str, computed: &[(Checksum, String)]) -> Option<usize> {
        let name = |path: &str| path.rsplit('/').next().map(str::to_owned);
        for (_, hex) in computed {
            let Some(all) = self.by_sum.get_mut(hex.as_str()) else {
                continue;
            };
            // What was found by another hash goes for good.
            while all
                .last()
                .is_some_and(|at| self.is_found.get(*at) == Some(&true))
            {
                all.pop();
            }
            let fits = |at: &usize| {
                let one = self.absent.get(*at);
                self.is_found.get(*at) == Some(&false)
                    && one.is_some_and(|a| a.claim.sums.iter().all(|sum| is_met(sum, computed)))
            };
            let few: Vec<usize> = all
                .iter()
                .rev()
                .take(ALIKE_MAX)
                .copied()
                .filter(fits)
                .collect();
            let is_same = |at: &&usize| {
                let one = self.absent.get(**at);
                one.is_some_and(|a| name(a.path) == name(path))
            };
            let found = few.iter().find(is_same).or(few.first()).copied();
            if let Some(at) = found {
                if let Some(slot) = self.is_found.get_mut(at) {
                    *slot = true;
                }
                return Some(at);
            }
        }
        None
    }
}

/// Reads extra files as far as one of them could be a missing one. Returns pairs of indices: which
/// missing file is where.
pub(super) fn moved(
    disk: &dyn Disk,
    root: &Utf8Path,
    absent: &[Absent<'_>],
    extra: &[ExtraFile<'_>],
    progress: &Progress,
) -> Vec<(usize, usize)> {
    let sums = absent.iter().flat_map(|one| &one.claim.sums);
    let kinds = kinds_of(sums.filter(|sum| is_sure(sum)));
    if kinds.is_empty() {
        return Vec::new();
    }
    // Sizes of missing files; `None` where one has none.
    let sizes: Option<HashSet<u64>> = absent.iter().map(|one| one.claim.bytes).collect();
    let fits = |bytes: u64| sizes.as_ref().is_none_or(|sizes| sizes.contains(&bytes));
    // Nothing is not recognised by what it holds.
    let could_be = |file: &ExtraFile<'_>| file.bytes > 0 && fits(file.bytes);
    let all = extra.iter().enumerate();
    let to_read: Vec<_> = all.filter(|(_, file)| could_be(file)).collect();
    if to_read.is_empty() {
        return Vec::new();
    }
    let mut missing = ByContent::of(absent);
    let bytes = to_read.iter().map(|(_, file)| file.bytes).sum();
    progress.bytes_total.fetch_add(bytes, Ordering::Relaxed);
    let mut pairs = Vec::new();
    for (at, file) in to_read {
        // What cannot be read stays what it is: extra.
        let read = sums_of(disk, &root.join(file.path), &kinds, progress);
        if let Ok(Some((computed, ..))) = read
            && let Some(found) = missing.take(file.path, &computed)
        {
            pairs.push((found, at));
        }
    }
    pairs
}
