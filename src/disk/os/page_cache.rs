//! Owns what is asked and told of the page cache: dropping what is about to be read, and whether it
//! stays there all the same.

use crate::sys::linux::{PAGE_MAX, mapped_pages_in_memory};
use rustix::fs::{Advice, AtFlags, OFlags, StatxFlags};
use rustix::io::{Errno, ReadWriteFlags};
use std::fs::File;
use std::io;
use std::time::Duration;

/// Returns whether direct reads of this file are what they are called; `None` where the kernel
/// (before 6.1) or the file system does not say. Some file systems take the flag and answer through
/// the page cache: ext4 for files that it encrypts or journals.
pub(super) fn takes_direct(file: &File) -> Option<bool> {
    let flags = AtFlags::EMPTY_PATH;
    let mask = StatxFlags::DIOALIGN;
    let found = rustix::fs::statx(file, "", flags, mask).ok()?;
    (found.stx_mask & mask.bits() != 0).then_some(found.stx_dio_offset_align != 0)
}

pub(super) fn is_direct(file: &File) -> io::Result<bool> {
    Ok(rustix::fs::fcntl_getfl(file)?.contains(OFlags::DIRECT))
}

pub(super) fn hint(file: &File, offset: u64, bytes: u64, advice: Advice) {
    // A refused hint changes speed only, never what is read.
    if rustix::fs::fadvise(file, offset, std::num::NonZeroU64::new(bytes), advice).is_err() {}
}

/// Makes a file's pages clean and drops them from memory; whether that was granted.
pub(super) fn dropped(file: &File) -> bool {
    file.sync_data().is_ok() && rustix::fs::fadvise(file, 0, None, Advice::DontNeed).is_ok()
}

/// Waits between the tries to drop a page that is just being written or read.
pub(super) const TRIES: [Duration; 4] = [
    Duration::ZERO,
    Duration::from_millis(5),
    Duration::from_millis(20),
    Duration::from_millis(80),
];

/// Drops a part of a file from memory.
pub(super) fn drop_pages(file: &File, offset: u64, bytes: u64) {
    let start = offset / PAGE_MAX * PAGE_MAX;
    let end = offset.saturating_add(bytes).div_ceil(PAGE_MAX);
    let end = end.saturating_mul(PAGE_MAX);
    hint(file, start, end.saturating_sub(start), Advice::DontNeed);
}

/// How many pages of so many bytes of a file, from an offset on, are in memory.
pub(super) type CountPages = fn(&File, u64, u64) -> io::Result<u64>;

/// Whether some of a part of a file stays in memory however often it is dropped; so it is taken to
/// be where nobody can tell.
#[expect(
    clippy::disallowed_methods,
    reason = "a tenth of a second at most, for a page that is just being written"
)]
pub(super) fn stays_in_memory(file: &File, offset: u64, bytes: u64, count: CountPages) -> bool {
    TRIES.iter().all(|wait| {
        if !wait.is_zero() {
            std::thread::sleep(*wait);
            drop_pages(file, offset, bytes);
        }
        match count(file, offset, bytes) {
            Ok(pages) => pages > 0,
            // Before Linux 6.5, and of what others own.
            Err(_) => is_in_memory(mapped_pages_in_memory(file, offset, bytes).ok(), || {
                first_is_in_memory(file, offset)
            }),
        }
    })
}

/// Whether any of the pages that were asked for is in memory: how many of how many are said to be,
/// or else whether the first byte is. Those who may not ask are told that all are.
pub(super) fn is_in_memory(
    pages: Option<(usize, usize)>,
    first: impl FnOnce() -> Option<bool>,
) -> bool {
    match pages {
        Some((there, all)) if there < all => there > 0,
        Some((_, 0)) => false,
        _ => first() != Some(false),
    }
}

/// Whether the first byte can be had without a wait for the device; `None` where that can't be
/// told: most file systems do not know such reads.
pub(super) fn first_is_in_memory(file: &File, offset: u64) -> Option<bool> {
    // A direct read says nothing of what is in memory.
    let on = rustix::fs::fcntl_getfl(file).ok()?;
    rustix::fs::fcntl_setfl(file, on & !OFlags::DIRECT).ok()?;
    let mut byte = [0];
    let mut into = [io::IoSliceMut::new(&mut byte)];
    let read = rustix::io::preadv2(file, &mut into, offset, ReadWriteFlags::NOWAIT);
    rustix::fs::fcntl_setfl(file, on).ok()?;
    match read {
        Ok(bytes) => Some(bytes > 0),
        Err(Errno::AGAIN) => Some(false),
        Err(_) => None,
    }
}
