//! Owns what is seen of one entry: its kind, size, dates and numbers, and whether it is what it
//! was.

use std::collections::{BTreeSet, HashMap};
use std::ffi::OsString;
use std::fmt::Debug;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::io;

/// A date as a file system keeps it: seconds since 1970 and nanoseconds.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct Stamp {
    /// Seconds since 1970-01-01T00:00:00Z; negative before.
    pub seconds: i64,
    /// 0 to 999,999,999.
    pub nanos: u32,
}

impl Stamp {
    /// Takes it from a moment of the calendar.
    pub fn of(time: jiff::Timestamp) -> Self {
        let (seconds, nanos) = (time.as_second(), i64::from(time.subsec_nanosecond()));
        // Before 1970 both are negative.
        Self {
            seconds: seconds + nanos.div_euclid(1_000_000_000),
            nanos: u32::try_from(nanos.rem_euclid(1_000_000_000)).unwrap_or(0),
        }
    }

    /// Returns whether it is finer than the steps in which a file system may keep dates.
    pub fn is_fine(self) -> bool {
        !self.nanos.is_multiple_of(EXFAT_STEP_NS)
    }

    /// Returns the date as RFC 3339, UTC, with nine decimals; dates beyond year 9999 are clamped.
    pub fn rfc3339(self) -> String {
        let nanos = i32::try_from(self.nanos.min(999_999_999)).unwrap_or(0);
        let time = jiff::Timestamp::new(self.seconds, nanos).unwrap_or(if self.seconds < 0 {
            jiff::Timestamp::MIN
        } else {
            jiff::Timestamp::MAX
        });
        format!("{time:.9}")
    }
}

/// What an entry is, as `lstat` tells it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum EntryKind {
    /// A regular file.
    File,
    /// A folder.
    Folder,
    /// A symbolic link; never followed.
    Link,
    /// A socket, pipe or device.
    Special,
}

/// What the file system says of one entry.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Stat {
    /// File, folder, link or special.
    pub kind: EntryKind,
    /// Size in bytes.
    pub bytes: u64,
    /// Date of the last change of content.
    pub modified: Stamp,
    /// Number that the system gives the file system that holds it (`st_dev`); see
    /// [`super::FolderFacts::entry_device`].
    pub device: u64,
    /// Number of the entry in its file system (`st_ino`).
    pub inode: u64,
    /// Date of the last change of the entry itself (`st_ctime`), which no program can set;
    /// `modified` where the system does not tell it.
    pub changed: Stamp,
}

/// What exFAT keeps of a date, in nanoseconds (its specification, `LastModified10msIncrement`).
pub(super) const EXFAT_STEP_NS: u32 = 10_000_000;

/// A short form of all that becomes another when a file is written to or replaced. Equal ones say
/// that nothing was; others that the file has to be read again. The default is that of a file that
/// was not looked at.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
pub struct Sight(u64);

impl Sight {
    /// Takes it from a look at a file, by the Linux name of its file system. Where numbers and
    /// dates of entries are made up anew whenever memory has forgotten them (FAT, exFAT, many FUSE
    /// ones), only the size and the date of the content count: in steps of the 2 s that FAT keeps,
    /// and the part of it that is finer than the 10 ms that exFAT keeps, which is there only where
    /// the file system keeps all of it.
    pub fn of(stat: &Stat, filesystem: &str) -> Self {
        let mut hasher = DefaultHasher::new();
        stat.bytes.hash(&mut hasher);
        if keeps_numbers(filesystem) {
            (stat.device, stat.inode, stat.modified, stat.changed).hash(&mut hasher);
        } else {
            let Stamp { seconds, nanos } = stat.modified;
            (seconds.div_euclid(2), nanos % EXFAT_STEP_NS).hash(&mut hasher);
        }
        Self(hasher.finish())
    }

    /// Returns whether two files of one file system, by its Linux name, never have the same one.
    pub fn is_of_one_file(filesystem: &str) -> bool {
        keeps_numbers(filesystem)
    }
}

/// What every file below a folder looked like, by its path, to be held against a later look.
#[derive(Clone, Debug, Default)]
pub struct Sights(HashMap<OsString, Sight>);

impl Sights {
    /// Takes them from a walk, by the Linux name of the file system.
    pub fn of(found: &[WalkEntry], filesystem: &str) -> Self {
        let files = found.iter().filter_map(|entry| {
            let stat = entry.stat.as_ref().ok()?;
            let sight = Sight::of(stat, filesystem);
            (stat.kind == EntryKind::File).then(|| (entry.path.clone(), sight))
        });
        Self(files.collect())
    }

    /// Returns the files that are gone or not what they were by a later look. What came is not
    /// among them.
    pub fn not_in(&self, later: &Self) -> BTreeSet<String> {
        let all = self.0.iter();
        all.filter(|(path, sight)| later.0.get(*path) != Some(sight))
            .map(|(path, _)| path.to_string_lossy().into_owned())
            .collect()
    }
}

/// Whether a file system stores the numbers and dates of its entries.
pub(super) fn keeps_numbers(filesystem: &str) -> bool {
    matches!(
        filesystem,
        "ext2"
            | "ext3"
            | "ext4"
            | "xfs"
            | "btrfs"
            | "f2fs"
            | "tmpfs"
            | "ntfs3"
            | "apfs"
            | "hfsplus"
    )
}

/// One entry met while walking a tree.
#[derive(Debug)]
pub struct WalkEntry {
    /// Path relative to the root of the walk, as raw as the system gave it.
    pub path: OsString,
    /// What it is, or why that could not be told. A folder that cannot be listed is met once as a
    /// folder and once more with the error.
    pub stat: io::Result<Stat>,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2 s is what FAT keeps, 10 ms what exFAT keeps; a FUSE mount may keep all.
    #[test]
    fn a_date_counts_as_far_as_a_file_system_keeps_it() {
        let seen = |seconds, nanos, filesystem| {
            let modified = Stamp { seconds, nanos };
            let stat = Stat {
                kind: EntryKind::File,
                bytes: 9,
                modified,
                device: 1,
                inode: 2,
                changed: modified,
            };
            Sight::of(&stat, filesystem)
        };
        for filesystem in ["vfat", "exfat", "fuseblk"] {
            let first = seen(1_000, 0, filesystem);
            for rounded in [(1_001, 0), (1_001, 990_000_000)] {
                assert_eq!(first, seen(rounded.0, rounded.1, filesystem));
            }
            assert_ne!(first, seen(1_002, 0, filesystem));
            assert_ne!(first, seen(1_001, 123_456_789, filesystem), "written to");
        }
        assert_ne!(seen(1_000, 0, "ext4"), seen(1_001, 0, "ext4"));
    }
}
