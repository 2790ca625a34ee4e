//! Owns the comparison of files with what the records of others say of them, each read once from
//! its device with every hash that a record has of it.

use crate::disk::hash_file::sums_of_whole;
use crate::disk::progress::Progress;
use crate::disk::{Disk, ReadBackWay};
use crate::error::Step;
use crate::hash_algorithm::checksum::Checksum;
use crate::name::CardName;
use crate::record::others::{FileClaim, Sum};
use crate::units::count;
use crate::verify::finding::Finding;
use camino::Utf8Path;
use smallvec::SmallVec;
use std::io;
use std::sync::atomic::Ordering;

/// What a file came to.
#[derive(Debug)]
pub(super) enum Compared {
    /// It holds what every record says: so many bytes, read in this way.
    Equal(u64, ReadBackWay),
    /// It does not, or that could not be told.
    Not(Finding),
    /// The check was stopped.
    Stopped,
}

/// Every hash that is needed to hold a file against its records.
pub(super) fn kinds_of<'a>(sums: impl Iterator<Item = &'a Sum>) -> SmallVec<[Checksum; 4]> {
    let mut kinds: SmallVec<[Checksum; 4]> = SmallVec::new();
    for kind in sums.flat_map(|sum| &sum.kinds) {
        if !kinds.contains(kind) {
            kinds.push(*kind);
        }
    }
    kinds
}

/// Whether a record's hash is one of those that were computed.
pub(super) fn is_met(sum: &Sum, computed: &[(Checksum, String)]) -> bool {
    let is_it = |(kind, hex): &(Checksum, String)| sum.kinds.contains(kind) && **hex == *sum.hex;
    computed.iter().any(is_it)
}

/// What was read of a file: its hashes, its bytes, and in which way.
pub(in crate::verify) type FileRead = (Vec<(Checksum, String)>, u64, ReadBackWay);

/// Reads a file, and returns these hashes of it; `None` when the check was stopped.
pub(in crate::verify) fn sums_of(
    disk: &dyn Disk,
    path: &Utf8Path,
    kinds: &[Checksum],
    progress: &Progress,
) -> io::Result<Option<FileRead>> {
    let mut source = disk.open_read_back(path)?;
    let bytes = source.stat()?.bytes;
    let mut go_on = |n| {
        progress.bytes.fetch_add(n, Ordering::Relaxed);
        !progress.cancel.load(Ordering::Relaxed)
    };
    let read = sums_of_whole(source.as_mut(), bytes, kinds, &mut go_on)?;
    Ok(read.map(|(sums, n)| {
        let named = kinds.iter().copied().zip(sums).collect();
        (named, n, source.way())
    }))
}

/// Holds one file against what records say of it.
pub(super) fn compare(
    disk: &dyn Disk,
    path: &Utf8Path,
    name: &CardName,
    claim: &FileClaim,
    progress: &Progress,
) -> Compared {
    let shown = || name.as_str().to_owned();
    let changed = |why: String| Compared::Not(Finding::Changed(shown(), why));
    if progress.cancel.load(Ordering::Relaxed) {
        return Compared::Stopped;
    }
    if claim.sums.is_empty() {
        let why = match claim.unknown() {
            None | Some("") => "its hash is none that is known here".to_owned(),
            Some(failed @ "marked as failed") => format!("each of its hashes is {failed}"),
            Some(function) => format!("its hash is {function}, which is not known here"),
        };
        return Compared::Not(Finding::Unchecked(shown(), why));
    }
    let kinds = kinds_of(claim.sums.iter());
    let (computed, bytes, way) = match sums_of(disk, path, &kinds, progress) {
        Ok(Some(read)) => read,
        Ok(None) => return Compared::Stopped,
        Err(e) => return Compared::Not(Finding::of_failure(shown(), Step::Read, &e)),
    };
    if let Some(said) = claim.bytes.filter(|said| *said != bytes) {
        return changed(format!(
            "is {} bytes, should be {}",
            count(bytes),
            count(said)
        ));
    }
    let (met, unmet): (Vec<&Sum>, Vec<&Sum>) =
        claim.sums.iter().partition(|sum| is_met(sum, &computed));
    match (met.first(), unmet.first()) {
        (_, None) => Compared::Equal(bytes, way),
        (None, Some(sum)) if sum.kinds.len() > 1 => changed(format!(
            "it is neither in {} what the list says, which doesn't say the kind of its hashes",
            words(sum)
        )),
        (None, Some(sum)) => changed(format!("its {} is not the one in the list", words(sum))),
        (Some(met), Some(unmet)) => changed(format!(
            "its {} is the one in the list, its {} is not: a list is damaged",
            words(met),
            words(unmet)
        )),
    }
}

/// `md5`, or `sha256 or BLAKE3` where the record does not say which.
fn words(sum: &Sum) -> String {
    let names: Vec<String> = sum.kinds.iter().map(ToString::to_string).collect();
    names.join(" or ")
}
