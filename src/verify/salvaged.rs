//! Owns the check of salvaged files (`copy --salvage`): no manifest lists them, since they are no
//! copies; the list beside each says what it should be.

use super::finding::{Finding, path_of};
use crate::disk::Disk;
use crate::disk::hash_file::hash_whole;
use crate::disk::progress::Progress;
use crate::error::Step;
use crate::record::salvage::{LIST_BYTES_MAX, SalvageList, salvaged_of};
use camino::Utf8Path;
use std::collections::HashSet;
use std::io;
use std::sync::atomic::Ordering;

/// What is said of one that is not what its list says.
const OTHER: &str = "is not what the list beside it says; it is a salvaged file, no copy";

/// Takes salvaged files and their lists out of what is extra, and tells those that are not what
/// their list says. Returns how many are.
pub(super) fn check(
    disk: &dyn Disk,
    root: &Utf8Path,
    findings: &mut Vec<Finding>,
    progress: &Progress,
) -> u64 {
    let extra = findings.iter().filter_map(|finding| match finding {
        Finding::Extra(path) => Some(path.as_str()),
        _ => None,
    });
    let extra: HashSet<&str> = extra.collect();
    let (mut known, mut told, mut good) = (HashSet::new(), Vec::new(), 0);
    for &path in &extra {
        let salvaged = salvaged_of(path).filter(|salvaged| extra.contains(salvaged));
        let Some(salvaged) = salvaged else {
            continue;
        };
        let text = disk.read_record(&root.join(path), LIST_BYTES_MAX);
        let Some(list) = text.ok().and_then(|text| SalvageList::read(path, &text)) else {
            continue;
        };
        known.extend([path.to_owned(), salvaged.to_owned()]);
        match is_as_listed(disk, &root.join(salvaged), &list, progress) {
            Ok(Some(true)) => good += 1,
            Ok(Some(false)) => told.push(Finding::Changed(salvaged.to_owned(), OTHER.to_owned())),
            Ok(None) => {}
            Err(e) => told.push(Finding::of_failure(salvaged.to_owned(), Step::ReadBack, &e)),
        }
    }
    findings.retain(|finding| !known.contains(path_of(finding)));
    findings.extend(told);
    good
}

/// `None`: the person stopped it.
fn is_as_listed(
    disk: &dyn Disk,
    path: &Utf8Path,
    list: &SalvageList,
    progress: &Progress,
) -> io::Result<Option<bool>> {
    let mut source = disk.open_read_back(path)?;
    if source.stat()?.bytes != list.bytes {
        return Ok(Some(false));
    }
    progress
        .bytes_total
        .fetch_add(list.bytes, Ordering::Relaxed);
    let mut go_on = |n| {
        progress.bytes.fetch_add(n, Ordering::Relaxed);
        !progress.cancel.load(Ordering::Relaxed)
    };
    let read = hash_whole(source.as_mut(), list.bytes, &mut go_on)?;
    Ok(read.map(|(digest, bytes)| digest == list.blake3 && bytes == list.bytes))
}
