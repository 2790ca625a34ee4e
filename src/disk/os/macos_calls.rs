//! Owns the calls of macOS that open, and look at, what lies below an open folder. Type-checked
//! only; it has not been run.

use super::stat::{InodeId, raw_stat};
use crate::disk::Stat;
use rustix::fs::{AtFlags, Mode, OFlags};
use rustix::io::Errno;
use std::os::fd::{BorrowedFd, OwnedFd};
use std::path::Path;

/// There is no flag for leaving the access time alone.
pub(super) const QUIETLY: OFlags = OFlags::empty();
/// Opens a folder only to start from it.
pub(super) const START: OFlags = OFlags::RDONLY;

/// There is no such call.
pub(super) fn open_beneath(
    _from: BorrowedFd<'_>,
    _path: &Path,
    _flags: OFlags,
    _mode: Mode,
) -> Option<Result<OwnedFd, Errno>> {
    None
}

/// Returns what an entry of a folder is and where; a link is not followed.
pub(super) fn stat_at(folder: BorrowedFd<'_>, name: &Path) -> Result<(Stat, InodeId), Errno> {
    let stat = raw_stat(&rustix::fs::statat(
        folder,
        name,
        AtFlags::SYMLINK_NOFOLLOW,
    )?);
    Ok((stat, InodeId::of(&stat, None)))
}

/// Returns what an open file or folder is and where.
pub(super) fn stat_open(open: BorrowedFd<'_>) -> Result<(Stat, InodeId), Errno> {
    let stat = raw_stat(&rustix::fs::fstat(open)?);
    Ok((stat, InodeId::of(&stat, None)))
}
