//! Owns which files below a folder are none that it has to stay: the card's own, seen a second time
//! through another mount, and what lies in a Trash or where a system keeps what is its own.

use crate::card::left_out::is_trash;
use crate::disk::backing::independent;
use crate::disk::{Disk, EntryKind, FolderFacts, Stamp, Stat, TreeKind};
use crate::record::layout::RECORDS;
use camino::Utf8Path;
use std::collections::HashSet;
use std::io;

/// Whether nothing in a folder of this name is there to stay: in a Trash, or what a system or this
/// program keeps for itself.
pub(super) fn is_passed_over(name: &str) -> bool {
    is_trash(name) || name.eq_ignore_ascii_case(RECORDS)
}

/// What the card's own files look like from wherever they are seen: their sizes, their dates, and
/// the moments at which their entries changed, which no program can set.
#[derive(Debug, Default)]
pub(super) struct CardEntries(HashSet<(u64, Stamp, Stamp)>);

impl CardEntries {
    /// Looks at them, where the folder may show the card's own drive: through FUSE, say. Where the
    /// system knows two drives there are none.
    pub(super) fn seen_from(
        folder: &FolderFacts,
        card: &FolderFacts,
        disk: &dyn Disk,
    ) -> io::Result<Self> {
        let both = [(&card.backing, 1), (&folder.backing, 2)];
        // By one number of the file system the files' own numbers say it, where it keeps them.
        let is_other = independent(&both, false).count == both.len();
        let is_known = folder.backing.is_known() && card.backing.is_known();
        if is_other || (is_known && folder.entry_device == card.entry_device) {
            return Ok(Self::default());
        }
        let found = disk.walk(Utf8Path::new(&card.canonical), TreeKind::Card)?;
        let stats = found.into_iter().filter_map(|entry| entry.stat.ok());
        let files = stats.filter(|stat| stat.kind == EntryKind::File);
        Ok(Self(files.map(|stat| look(&stat)).collect()))
    }

    pub(super) fn are(&self, stat: &Stat) -> bool {
        stat.kind == EntryKind::File && self.0.contains(&look(stat))
    }
}

fn look(stat: &Stat) -> (u64, Stamp, Stamp) {
    (stat.bytes, stat.modified, stat.changed)
}
