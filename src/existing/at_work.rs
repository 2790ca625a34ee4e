//! Owns what other runs that are at work on a drive still have to write there. The room that they
//! will need is free now, and must not be given away twice.

use crate::disk::{Disk, EntryKind, FolderFacts, TreeKind};
use crate::name::fold;
use crate::record::journal::{JOURNAL, JOURNAL_BYTES_MAX, last_head};
use crate::record::layout::RECORDS;
use crate::units::round_up;
use camino::Utf8Path;
use std::io;

/// Folders that are looked at for another run, beside a destination. A drive with more offloads in
/// one folder is not looked through further.
const LOOKED_AT_MAX: usize = 200;

/// Returns how many bytes other runs have yet to write in this folder, or in one beside it on the
/// same volume. `own` is the name of this run's offload. Where a system has no locks nobody is at
/// work.
pub fn bytes_to_come(disk: &dyn Disk, facts: &FolderFacts, own: &str) -> u64 {
    let here = Utf8Path::new(&facts.canonical);
    let mut looked = 0;
    let mut sum = in_folder(disk, here, facts, Some(own), &mut looked);
    let above = here
        .parent()
        .and_then(|above| Some((above, disk.facts(above).ok()?)));
    if let Some((above, beside)) = above.filter(|(_, f)| f.device == facts.device) {
        let folders = folders(disk, above);
        for folder in folders.into_iter().filter(|f| above.join(f) != here) {
            let more = in_folder(disk, &above.join(folder), &beside, None, &mut looked);
            sum = sum.saturating_add(more);
        }
    }
    sum
}

fn folders(disk: &dyn Disk, folder: &Utf8Path) -> Vec<String> {
    // A folder that cannot be listed holds nothing that is known.
    let children = disk.children(folder).unwrap_or_default();
    let is_folder = |kind| kind == EntryKind::Folder;
    let folders = children
        .into_iter()
        .filter(|c| matches!(&c.stat, Ok(s) if is_folder(s.kind)));
    folders
        .filter_map(|c| Some(c.path.to_str()?.to_owned()))
        .collect()
}

fn in_folder(
    disk: &dyn Disk,
    folder: &Utf8Path,
    facts: &FolderFacts,
    own: Option<&str>,
    looked: &mut usize,
) -> u64 {
    let mut sum: u64 = 0;
    for name in folders(disk, folder) {
        *looked += 1;
        if *looked > LOOKED_AT_MAX {
            break;
        }
        if own.is_none_or(|own| fold(own) != fold(&name)) {
            let root = folder.join(name);
            let left = left_of(disk, &root, facts.cluster_bytes);
            sum = sum.saturating_add(left.unwrap_or(0));
        }
    }
    sum
}

/// What a run that is at work on this offload has yet to write; `None` where none is.
fn left_of(disk: &dyn Disk, root: &Utf8Path, cluster: u64) -> Option<u64> {
    let records = root.join(RECORDS);
    let path = records.join(JOURNAL);
    disk.look(&path).ok()??;
    match disk.claim(&records) {
        Err(e) if e.kind() == io::ErrorKind::WouldBlock => {}
        // It is free: nobody is at work, and the claim ends here.
        _ => return None,
    }
    let journal = disk.read_record(&path, JOURNAL_BYTES_MAX).ok()?;
    let fills_to = last_head(&journal)?.fills_to?;
    Some(fills_to.saturating_sub(stands(disk, root, cluster)))
}

/// Bytes that the files of an offload take up, its records aside.
fn stands(disk: &dyn Disk, root: &Utf8Path, cluster: u64) -> u64 {
    let found = disk.walk(root, TreeKind::Drive).unwrap_or_default();
    let is_record = |path: &str| path.split('/').next() == Some(RECORDS);
    let files = found
        .iter()
        .filter(|f| !is_record(&f.path.to_string_lossy()));
    let sizes = files.filter_map(|f| f.stat.as_ref().ok().filter(|s| s.kind == EntryKind::File));
    sizes
        .map(|s| round_up(s.bytes, cluster))
        .fold(0, u64::saturating_add)
}
