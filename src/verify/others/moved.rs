//! Owns telling a file that was moved or renamed from one that is missing and another that is
//! extra: by what it holds.

use super::files::{is_met, kinds_of, sums_of};
use crate::disk::Disk;
use crate::disk::progress::Progress;
use crate::record::others::{FileClaim, Sum};
use crate::units::len64;
use camino::Utf8Path;
use std::sync::atomic::Ordering;

/// Digits of a hash below which two files may have the same one by accident.
const DIGITS_MIN: usize = 16;

/// What is missing, with what records say of it.
pub(super) struct Absent<'a> {
    pub(super) path: &'a str,
    pub(super) claim: &'a FileClaim,
}

/// An extra file and its size.
pub(super) struct ExtraFile<'a> {
    pub(super) path: &'a str,
    pub(super) bytes: u64,
}

/// Reads extra files as far as one of them could be a missing one. Returns pairs of indices: which
/// missing file lies where.
pub(super) fn moved(
    disk: &dyn Disk,
    root: &Utf8Path,
    absent: &[Absent<'_>],
    extra: &[ExtraFile<'_>],
    progress: &Progress,
) -> Vec<(usize, usize)> {
    let is_sure = |sum: &&Sum| sum.hex.len() >= DIGITS_MIN;
    let sums: Vec<Sum> = absent
        .iter()
        .flat_map(|a| a.claim.sums.iter().filter(is_sure).cloned())
        .collect();
    let kinds = kinds_of(&sums);
    if kinds.is_empty() {
        return Vec::new();
    }
    let could_be = |e: &ExtraFile<'_>| {
        let mut all = absent.iter();
        // Nothing is not recognised by what it holds.
        e.bytes > 0 && all.any(|a| a.claim.bytes.is_none_or(|bytes| bytes == e.bytes))
    };
    let to_read: Vec<usize> = (0..extra.len())
        .filter(|at| extra.get(*at).is_some_and(could_be))
        .collect();
    let bytes = to_read.iter().filter_map(|at| Some(extra.get(*at)?.bytes));
    progress
        .bytes_total
        .fetch_add(bytes.sum(), Ordering::Relaxed);
    let mut pairs: Vec<(usize, usize)> = Vec::new();
    let mut is_found = vec![false; absent.len()];
    for at in to_read {
        let Some(file) = extra.get(at) else { continue };
        // What cannot be read stays what it is: extra.
        let Ok(Some((computed, ..))) = sums_of(disk, &root.join(file.path), &kinds, progress)
        else {
            continue;
        };
        let holds = |a: &Absent<'_>| {
            let mut sums = a.claim.sums.iter();
            a.claim.sums.iter().any(|sum| is_sure(&sum)) && sums.all(|sum| is_met(sum, &computed))
        };
        let of_name = |path: &str| path.rsplit('/').next().map(str::to_owned);
        let open = || (0..absent.len()).filter(|i| is_found.get(*i) == Some(&false));
        let fits = |i: &usize| absent.get(*i).is_some_and(holds);
        let is_same_name = |i: &usize| {
            absent
                .get(*i)
                .is_some_and(|a| of_name(a.path) == of_name(file.path))
        };
        let best = open().filter(fits).find(is_same_name);
        let best = best.or_else(|| open().find(fits));
        if let Some(found) = best {
            if let Some(slot) = is_found.get_mut(found) {
                *slot = true;
            }
            pairs.push((found, at));
        }
    }
    debug_assert!(len64(pairs.len()) <= len64(absent.len()), "each once");
    pairs
}
