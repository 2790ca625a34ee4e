//! Owns what an entry is and where, from the answers of the system's calls.

use crate::disk::{EntryKind, Stamp, Stat};
use rustix::fs::FileType;
use rustix::io::Errno;
use std::os::unix::fs::MetadataExt as _;

/// Which entry of which file system an open or named one is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct InodeId {
    pub(super) device: u64,
    pub(super) inode: u64,
    /// Number of the mount, where the system tells (Linux 5.8): two folders of one device may be
    /// mounted apart, and one mount may show several devices (btrfs, overlay).
    pub(super) mount: Option<u64>,
}

impl InodeId {
    pub(super) fn of(stat: &Stat, mount: Option<u64>) -> Self {
        Self {
            device: stat.device,
            inode: stat.inode,
            mount,
        }
    }

    /// Refuses what is mounted elsewhere than `root`.
    pub(super) fn check_on(self, root: Self) -> Result<(), Errno> {
        let is_one = match (self.mount, root.mount) {
            (Some(mount), Some(of_root)) => mount == of_root,
            _ => self.device == root.device,
        };
        if is_one { Ok(()) } else { Err(Errno::XDEV) }
    }
}

fn stamp(seconds: i64, nanos: i64) -> Stamp {
    Stamp {
        seconds,
        nanos: u32::try_from(nanos).unwrap_or(0),
    }
}

pub(super) fn stat_of(meta: &std::fs::Metadata) -> Stat {
    let kind = meta.file_type();
    Stat {
        kind: if kind.is_file() {
            EntryKind::File
        } else if kind.is_dir() {
            EntryKind::Folder
        } else if kind.is_symlink() {
            EntryKind::Link
        } else {
            EntryKind::Special
        },
        bytes: meta.len(),
        modified: stamp(meta.mtime(), meta.mtime_nsec()),
        device: meta.dev(),
        inode: meta.ino(),
        changed: stamp(meta.ctime(), meta.ctime_nsec()),
    }
}

/// The widths of these fields differ between systems.
fn wide<T, N: TryInto<T>>(field: N) -> Option<T> {
    field.try_into().ok()
}

pub(super) fn kind_of(mode: rustix::fs::RawMode) -> EntryKind {
    match FileType::from_raw_mode(mode) {
        FileType::RegularFile => EntryKind::File,
        FileType::Directory => EntryKind::Folder,
        FileType::Symlink => EntryKind::Link,
        _ => EntryKind::Special,
    }
}

pub(super) fn raw_stat(s: &rustix::fs::Stat) -> Stat {
    Stat {
        kind: kind_of(s.st_mode),
        bytes: wide(s.st_size).unwrap_or(0),
        modified: Stamp {
            seconds: wide(s.st_mtime).unwrap_or(0),
            nanos: wide(s.st_mtime_nsec).unwrap_or(0),
        },
        device: wide(s.st_dev).unwrap_or(0),
        inode: wide(s.st_ino).unwrap_or(0),
        changed: Stamp {
            seconds: wide(s.st_ctime).unwrap_or(0),
            nanos: wide(s.st_ctime_nsec).unwrap_or(0),
        },
    }
}
