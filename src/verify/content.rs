//! Owns the reading of an offload's files, each from its device and with every hash that its record
//! holds.

use super::finding::Finding;
use super::names::{KnownEntries, absent};
use crate::digest::Digest;
use crate::disk::hash_file::hash_whole_with;
use crate::disk::progress::Progress;
use crate::disk::{Disk, EntryKind, ReadBackWay};
use crate::error::Step;
use crate::hash_algorithm::AlsoHashes;
use crate::record::manifest::FilePart;
use camino::Utf8Path;
use rayon::prelude::*;
use std::io;
use std::sync::atomic::Ordering;

/// The result for one file; no way when it was not read.
pub(super) struct CheckedFile {
    pub(super) bytes: u64,
    pub(super) way: Option<ReadBackWay>,
    pub(super) finding: Option<Finding>,
}

/// The least reliable way in which a file was read.
pub(super) fn least_reliable(checked: &[CheckedFile]) -> ReadBackWay {
    let ways = checked.iter().filter_map(|c| c.way);
    ways.min().unwrap_or(ReadBackWay::None)
}

pub(super) fn check_files(
    disk: &dyn Disk,
    root: &Utf8Path,
    files: &[&FilePart],
    standing: &KnownEntries,
    threads: usize,
    progress: &Progress,
) -> Vec<CheckedFile> {
    let check = |file: &&FilePart| {
        let changed = |why: String| Some(Finding::Changed(file.path.to_string(), why));
        let (way, finding) = match standing.get(&*file.path) {
            _ if progress.cancel.load(Ordering::Relaxed) => (None, None),
            None => (None, Some(absent(&file.path, standing))),
            Some(Err(finding)) => (None, Some(finding.clone())),
            Some(Ok(EntryKind::Link)) => (
                None,
                changed("is a symbolic link now, which is not followed".to_owned()),
            ),
            Some(Ok(kind)) if *kind != EntryKind::File => {
                (None, changed("is no longer a file".to_owned()))
            }
            Some(Ok(_)) => match hash_file(disk, &root.join(&*file.path), file, progress) {
                Ok(Some(read)) => (Some(read.way), read.differs(file).and_then(changed)),
                Ok(None) => (None, None),
                Err(e) => {
                    let path = file.path.to_string();
                    (None, Some(Finding::of_failure(path, Step::Read, &e)))
                }
            },
        };
        CheckedFile {
            bytes: file.bytes,
            way,
            finding,
        }
    };
    match rayon::ThreadPoolBuilder::new().num_threads(threads).build() {
        // One file after the other in order per thread keeps a drive's reads near each other.
        Ok(pool) => pool.install(|| files.par_iter().with_max_len(1).map(check).collect()),
        Err(_) => files.iter().map(check).collect(),
    }
}

/// What was read of one file.
struct ReadAgain {
    blake3: Digest,
    also: AlsoHashes,
    bytes: u64,
    way: ReadBackWay,
}

impl ReadAgain {
    /// Returns how it differs from its record.
    fn differs(&self, file: &FilePart) -> Option<String> {
        if self.bytes != file.bytes {
            let is = if self.bytes == 1 { "byte" } else { "bytes" };
            return Some(format!("is {} {is}, should be {}", self.bytes, file.bytes));
        }
        if self.blake3 != file.blake3 {
            return Some("its content differs".to_owned());
        }
        let also = self.also.conflict(&file.also)?;
        Some(format!(
            "its BLAKE3 is the one in the manifest, its {also} is not: the manifest is damaged"
        ))
    }
}

/// Reads a file with every hash that its record holds; `None` when the check was stopped.
fn hash_file(
    disk: &dyn Disk,
    path: &Utf8Path,
    file: &FilePart,
    progress: &Progress,
) -> io::Result<Option<ReadAgain>> {
    let mut source = disk.open_read_back(path)?;
    let mut read = ReadAgain {
        blake3: Digest::of(b""),
        also: AlsoHashes::default(),
        bytes: source.stat()?.bytes,
        way: source.way(),
    };
    if read.bytes != file.bytes {
        return Ok(Some(read));
    }
    let mut go_on = |n| {
        progress.bytes.fetch_add(n, Ordering::Relaxed);
        !progress.cancel.load(Ordering::Relaxed)
    };
    let kinds = file.also.kinds();
    let Some(whole) = hash_whole_with(source.as_mut(), read.bytes, kinds, &mut go_on)? else {
        return Ok(None);
    };
    read.blake3 = whole.blake3;
    read.also = whole.also;
    read.bytes = whole.bytes;
    read.way = source.way();
    Ok(Some(read))
}
