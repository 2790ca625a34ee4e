//! Owns telling a file of an offload that was moved or renamed from one that is missing and another
//! that is extra: by what it holds.

use super::finding::Finding;
use super::names::UnknownFile;
use crate::digest::Digest;
use crate::disk::Disk;
use crate::disk::hash_file::hash_whole;
use crate::disk::progress::Progress;
use crate::record::manifest::FilePart;
use camino::Utf8Path;
use std::collections::{HashMap, HashSet};
use std::io;
use std::sync::atomic::Ordering;

/// Missing files of one content, the first one last.
type MissingByContent<'a> = HashMap<Digest, Vec<&'a str>>;

/// Reads extra files as far as one of them could be a missing one, and says of each missing file
/// that is whole elsewhere where it is.
pub(super) fn find_renamed(
    disk: &dyn Disk,
    tree: &Utf8Path,
    (missing, extra): (&[&FilePart], &[UnknownFile]),
    progress: &Progress,
) -> Vec<(String, String)> {
    let (mut by_content, mut sizes) = (MissingByContent::new(), HashSet::new());
    // Nothing is not recognised by what it holds.
    for file in missing.iter().rev().filter(|file| file.bytes > 0) {
        sizes.insert(file.bytes);
        by_content.entry(file.blake3).or_default().push(&file.path);
    }
    let could_be = extra.iter().filter(|extra| sizes.contains(&extra.bytes));
    let could_be: Vec<&UnknownFile> = could_be.collect();
    let bytes = could_be.iter().map(|extra| extra.bytes).sum();
    progress.bytes_total.fetch_add(bytes, Ordering::Relaxed);
    let mut renamed = Vec::new();
    for extra in could_be {
        // What cannot be read stays what it is: extra.
        let Ok(Some(digest)) = hash(disk, &tree.join(&extra.path), extra.bytes, progress) else {
            continue;
        };
        if let Some(all) = by_content.get_mut(&digest)
            && let Some(from) = take_like(all, &extra.path)
        {
            renamed.push((from.to_owned(), extra.path.clone()));
        }
    }
    renamed
}

/// Of files with one content the one that is called like this, else the first.
fn take_like<'a>(all: &mut Vec<&'a str>, path: &str) -> Option<&'a str> {
    let name = |path: &str| path.rsplit('/').next().map(str::to_owned);
    let like = all.iter().rposition(|from| name(from) == name(path));
    match like {
        Some(at) => Some(all.remove(at)),
        None => all.pop(),
    }
}

/// Puts one finding in the place of two.
pub(super) fn put_together(findings: &mut Vec<Finding>, renamed: Vec<(String, String)>) {
    let (from, to): (HashSet<&str>, HashSet<&str>) =
        renamed.iter().map(|(from, to)| (&**from, &**to)).unzip();
    findings.retain(|finding| match finding {
        Finding::Missing(path) => !from.contains(path.as_str()),
        Finding::Extra(path) => !to.contains(path.as_str()),
        _ => true,
    });
    let moved = renamed.into_iter();
    findings.extend(moved.map(|(from, to)| Finding::Moved(from, to)));
}

fn hash(
    disk: &dyn Disk,
    path: &Utf8Path,
    bytes: u64,
    progress: &Progress,
) -> io::Result<Option<Digest>> {
    let mut source = disk.open_read_back(path)?;
    let mut go_on = |n| {
        progress.bytes.fetch_add(n, Ordering::Relaxed);
        !progress.cancel.load(Ordering::Relaxed)
    };
    let read = hash_whole(source.as_mut(), bytes, &mut go_on)?;
    let is_whole = source.way().reaches_device();
    Ok(read.and_then(|(digest, n)| (n == bytes && is_whole).then_some(digest)))
}
