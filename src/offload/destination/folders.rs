//! Owns what is done on a destination before its first file: the folders of the offload are made,
//! and what a pull left of an earlier run is cleared.

use super::context::DestinationContext;
use crate::disk::{EntryKind, Stat, write_problem};
use crate::error::{Cause, Error, Problem, ProblemKind, Step};
use crate::name::CardName;
use camino::Utf8Path;
use std::collections::BTreeSet;
use std::io;

/// Why a name that was free a moment ago is taken now.
pub(super) const SAME_NAME: &str =
    "the drive takes this name and another one of the card for the same";

/// Makes the offload's folders, parents first, and makes them durable; clears stale parts. A drive
/// on which that fails is dropped.
pub(super) fn prepare(destination: &DestinationContext) {
    if destination.context.plan.has_nothing_new() {
        return;
    }
    if let Err(Error { step, path, cause }) = make(destination) {
        let problem = match (step, cause.kind()) {
            // Nothing stood there when it was looked at.
            (Step::CreateFolder, io::ErrorKind::AlreadyExists) => {
                Problem::new(ProblemKind::NameClash, SAME_NAME).because(Cause::SameName)
            }
            _ => write_problem(step, &cause),
        };
        destination.drop_out(problem.at(path));
    }
}

fn make(destination: &DestinationContext) -> Result<(), Error> {
    let disk = &destination.context.disk;
    let root = destination.tree();
    let planned = destination.planned();
    let holder = |name: &CardName| {
        let parent = name.parent();
        parent.map_or_else(|| root.to_path_buf(), |p| root.join(p))
    };
    let mut parents = BTreeSet::new();
    for stale in &planned.stale_parts {
        match disk.remove_own(&stale.under(root)) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => {
                return Err(Error::new(Step::Create, Utf8Path::new(stale.as_str()), e));
            }
            _ => {}
        }
        // A power cut must not bring it back: in a bag it would be one file too many.
        parents.insert(holder(stale));
    }
    for empty in &planned.left_empty {
        take_back(destination, empty)
            .map_err(|e| Error::new(Step::Create, Utf8Path::new(empty.as_str()), e))?;
        parents.insert(holder(empty));
    }
    let present: BTreeSet<&CardName> = planned.folders_present.iter().collect();
    for folder in destination.context.plan.listing.folders() {
        if planned.unheld.contains_key(folder) {
            continue;
        }
        if !present.contains(folder) {
            disk.create_folder(&folder.under(root))
                .map_err(|e| Error::new(Step::CreateFolder, Utf8Path::new(folder.as_str()), e))?;
        }
        // Also where it stands: an earlier run may have ended before it flushed.
        parents.insert(holder(folder));
    }
    disk.settle(&parents, &[])
        .map_err(|e| Error::new(Step::FlushFolder, root, e))
}

/// Gives an empty file that a pull left its part's name again and removes it as such: what has a
/// final name is never removed.
fn take_back(destination: &DestinationContext, name: &CardName) -> io::Result<()> {
    let (disk, root) = (&destination.context.disk, destination.tree());
    let (path, part) = (name.under(root), name.part_under(root));
    let is_empty = |stat: Stat| stat.kind == EntryKind::File && stat.bytes == 0;
    if !disk.look(&path)?.is_some_and(is_empty) {
        return Err(io::Error::other("is no longer an empty file"));
    }
    disk.rename_new(&path, &part)?;
    disk.remove_own(&part)
}
