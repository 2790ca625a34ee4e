//! Owns the search for offloads in and below a folder, and which destination of its manifest the
//! place of an offload is.

use super::which_destination;
use crate::disk::{Disk, EntryKind};
use crate::name::shown;
use crate::record::journal::JOURNAL;
use crate::record::layout::RECORDS;
use crate::record::manifest::{MANIFEST, Manifest};
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::VecDeque;
use std::io;

/// Folders below a given one in which offloads are looked for.
const DEPTH: usize = 3;
/// Folders that are looked into, all together.
const FOLDERS_MAX: usize = 20_000;

/// Returns every offload at or below a folder, unfinished ones included.
pub fn find_offloads(disk: &dyn Disk, folder: &Utf8Path) -> io::Result<Vec<Utf8PathBuf>> {
    disk.facts(folder)?;
    let mut found = Vec::new();
    let mut todo = vec![(folder.to_path_buf(), 0)];
    let mut looked = 0;
    while let Some((at, depth)) = todo.pop() {
        looked += 1;
        if looked > FOLDERS_MAX {
            return Err(io::Error::other(
                "it holds more than 20,000 folders; give the offload's own folder",
            ));
        }
        // A folder that nobody may look into, such as `lost+found`, holds no offload of ours; one
        // that is gone by now holds nothing.
        let is_passed = |e: &io::Error| {
            let passed = [io::ErrorKind::PermissionDenied, io::ErrorKind::NotFound];
            depth > 0 && passed.contains(&e.kind())
        };
        match is_offload(disk, &at) {
            Ok(true) => {
                found.push(at);
                continue;
            }
            Ok(false) => {}
            Err(e) if is_passed(&e) => continue,
            Err(e) => return Err(named(&at, &e)),
        }
        if depth >= DEPTH {
            continue;
        }
        let children = match disk.children(&at) {
            Ok(children) => children,
            Err(e) if is_passed(&e) => continue,
            Err(e) => return Err(named(&at, &e)),
        };
        for child in children {
            if matches!(&child.stat, Ok(s) if s.kind == EntryKind::Folder)
                && let Some(name) = child.path.to_str()
            {
                todo.push((at.join(name), depth + 1));
            }
        }
    }
    found.sort();
    Ok(found)
}

/// Returns an offload at or below a folder, one of the highest, that a look into at most so many
/// folders finds. What cannot be looked into holds none.
pub fn any_offload(disk: &dyn Disk, folder: &Utf8Path, folders_max: usize) -> Option<Utf8PathBuf> {
    let mut todo = VecDeque::from([(folder.to_path_buf(), 0)]);
    for _ in 0..folders_max {
        let (at, depth) = todo.pop_front()?;
        if is_offload(disk, &at).is_ok_and(|is_one| is_one) {
            return Some(at);
        }
        let children = disk.children(&at).ok().filter(|_| depth < DEPTH);
        for child in children.into_iter().flatten() {
            let is_folder = matches!(&child.stat, Ok(s) if s.kind == EntryKind::Folder);
            if let Some(name) = child.path.to_str().filter(|_| is_folder) {
                todo.push_back((at.join(name), depth + 1));
            }
        }
    }
    None
}

/// The cause with its folder, and the way around it.
fn named(at: &Utf8Path, cause: &io::Error) -> io::Error {
    let at = shown(at.as_str());
    io::Error::new(
        cause.kind(),
        format!("`{at}`: {cause}; to pass it over, give the offload's own folder"),
    )
}

fn is_offload(disk: &dyn Disk, folder: &Utf8Path) -> io::Result<bool> {
    let records = folder.join(RECORDS);
    // Something else in the place of its records is to be told, not passed over.
    if disk
        .look(&records)?
        .is_some_and(|stat| stat.kind != EntryKind::Folder)
    {
        return Ok(true);
    }
    Ok(disk.look(&records.join(MANIFEST))?.is_some()
        || disk.look(&records.join(JOURNAL))?.is_some())
}

/// The manifest names the folders that were given with `--to`, one level above the offload: above
/// where it lies, not above what was typed, which may be `.` or a link.
pub fn destination_of(disk: &dyn Disk, manifest: &Manifest, root: &Utf8Path) -> Option<usize> {
    let canonical = Utf8PathBuf::from(disk.facts(root).ok()?.canonical);
    let above = disk.facts(canonical.parent()?).ok()?;
    which_destination(disk, manifest, &above, canonical.file_name()?)
}
