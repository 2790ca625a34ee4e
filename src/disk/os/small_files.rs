//! Owns what is done about small files that a file system keeps within its own records: reads of
//! such a file are answered from the memory of those records, whatever is dropped of the file
//! itself. So a new file gets room of its own, and one that has none is not said to be read from
//! its device.
//!
//! Seen on Linux 6.18: btrfs keeps files up to 2 kB so, and up to 4 kB where it compresses; NTFS
//! does up to about 700 bytes.

use crate::disk::topology::MountedVolume;
use crate::sys::linux::{PAGE_MAX, has_inline_data};
use rustix::fs::{FallocateFlags, fallocate};
use std::fs::File;
use std::os::unix::fs::{FileExt as _, MetadataExt as _};

/// Longer than any record of NTFS, in bytes.
const WIDE: u64 = 8_192;
/// No inode of ext4 is larger, in bytes, and files are kept within inodes only.
const EXT4_INODE_MAX: u64 = 4_096;
/// A file of NTFS that has room of its own has so many blocks of 512 bytes at least, unless its
/// clusters are very small.
const BLOCKS_OF_OWN: u64 = 8;

/// How a new file on a volume gets room of its own.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum OwnRoom {
    /// It has it anyhow.
    Given,
    /// By reserving it before the first byte; not for more than so many bytes.
    Reserved(u64),
    /// By making the file long before the first byte, and short again when all is written.
    Widened,
}

impl OwnRoom {
    /// Returns what a new file needs on a file system.
    pub(super) fn of(filesystem: &str) -> Self {
        match filesystem {
            "btrfs" | "f2fs" | "bcachefs" => Self::Reserved(PAGE_MAX),
            "ext4" => Self::Reserved(EXT4_INODE_MAX),
            "ntfs3" | "ntfs" | "udf" | "fuseblk" => Self::Widened,
            fs if fs.starts_with("fuse.ntfs") => Self::Widened,
            _ => Self::Given,
        }
    }

    /// Gets it for a new file before its first so many bytes. Returns whether the file is longer
    /// now. Where there is none to be had, the file will not be said to be read from its device.
    pub(super) fn get(self, file: &File, bytes: u64) -> bool {
        match self {
            // Neither makes it longer; where it failed, that is seen when the file is read back.
            Self::Reserved(most) if bytes <= most => {
                fallocate(file, FallocateFlags::KEEP_SIZE, 0, bytes).is_err_and(|_| false)
            }
            Self::Widened if bytes < WIDE => file.set_len(WIDE).is_ok(),
            _ => false,
        }
    }
}

/// Whether a file that is to be read back lies within the records of its file system; `below` is
/// what the program that shows the file system reads it from.
pub(super) fn is_stored_inline(file: &File, volume: &MountedVolume, below: &[File]) -> bool {
    let Ok(meta) = file.metadata() else {
        return false;
    };
    if meta.len() == 0 || meta.len() > PAGE_MAX {
        return false;
    }
    // A program that shows NTFS does not answer the question where a file lies.
    let is_short = meta.blocks() < BLOCKS_OF_OWN && volume.filesystem.starts_with("fuse");
    (is_short && below.iter().any(is_ntfs)) || has_inline_data(file)
}

/// Whether a device holds NTFS, by its first sector.
fn is_ntfs(device: &File) -> bool {
    let mut sector = [0; 512];
    device.read_exact_at(&mut sector, 0).is_ok() && sector.get(3..11) == Some(b"NTFS    ")
}
