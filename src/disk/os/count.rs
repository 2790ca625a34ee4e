//! Owns what Linux counts on a card's file system, and its log.

use crate::disk::kernel_log::troubles;
use crate::disk::{Count, Counting, FolderFacts};
use rustix::fs::{Mode, OFlags};
use std::path::Path;

/// Records of the log that are read: the kernel keeps far fewer.
const RECORDS_MAX: usize = 100_000;
/// The longest record that the kernel gives, in bytes (`CONSOLE_EXT_LOG_MAX` is 8,192).
const RECORD_BYTES: usize = 8_192;

/// Asks the drivers that count every cluster and give a folder's clusters as its size: read in the
/// source of Linux 6.1 and 6.12 (`fs/fat/inode.c`, `fs/exfat/super.c`), and compared with images of
/// each kind.
pub(super) fn count(root: &Path, facts: &FolderFacts) -> Option<Count> {
    let by = match facts.filesystem.as_str() {
        "vfat" | "msdos" => Counting::Fat,
        "exfat" => Counting::ExFat,
        _ => return None,
    };
    let told = rustix::fs::statvfs(root).ok()?;
    Some(Count {
        by,
        cluster_bytes: told.f_frsize,
        clusters: told.f_blocks,
        used: told.f_blocks.checked_sub(told.f_bfree)?,
        root_bytes: std::fs::metadata(root).ok()?.len(),
    })
}

/// Reads the kernel's log, where that is allowed; it never waits for more.
pub(super) fn log_of(root: &Path, facts: &FolderFacts) -> Vec<String> {
    let Some(disk) = &facts.own_disk else {
        return Vec::new();
    };
    let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let Ok(log) = rustix::fs::open(root.join("dev/kmsg"), flags, Mode::empty()) else {
        return Vec::new();
    };
    let mut records = Vec::new();
    let mut buffer = vec![0; RECORD_BYTES];
    for _ in 0..RECORDS_MAX {
        match rustix::io::read(&log, &mut buffer) {
            Ok(0) => break,
            Ok(n) => {
                let text = String::from_utf8_lossy(buffer.get(..n).unwrap_or_default());
                // Only these can be of use, and a log can be long.
                if text.contains(disk.as_str()) {
                    records.push(text.into_owned());
                }
            }
            // What was written over meanwhile is left out.
            Err(rustix::io::Errno::PIPE | rustix::io::Errno::INTR) => {}
            Err(_) => break,
        }
    }
    troubles(records.iter().map(String::as_str), disk)
}
