//! Owns the calls of Linux that open, and look at, what lies below an open folder.

use super::stat::{InodeId, kind_of, raw_stat};
use crate::disk::{Stamp, Stat};
use rustix::fs::{AtFlags, CWD, Mode, OFlags, ResolveFlags, StatxFlags, openat2};
use rustix::io::{Errno, retry_on_intr};
use std::os::fd::{BorrowedFd, OwnedFd};
use std::path::Path;
use std::sync::OnceLock;

/// Leaves the access time alone.
pub(super) const QUIETLY: OFlags = OFlags::NOATIME;
/// Opens a folder only to start from it.
pub(super) const START: OFlags = OFlags::PATH;

/// Opens what lies below a folder, through no link and on its own mount, in one call; `None` where
/// the kernel (before 5.6) or a sandbox has no such call.
pub(super) fn open_beneath(
    from: BorrowedFd<'_>,
    path: &Path,
    flags: OFlags,
    mode: Mode,
) -> Option<Result<OwnedFd, Errno>> {
    static IS_KNOWN: OnceLock<bool> = OnceLock::new();
    let how = ResolveFlags::BENEATH | ResolveFlags::NO_SYMLINKS | ResolveFlags::NO_XDEV;
    let plain = OFlags::PATH | OFlags::CLOEXEC;
    // A sandbox may answer with an error that files give as well.
    IS_KNOWN
        .get_or_init(|| openat2(CWD, ".", plain, Mode::empty(), how).is_ok())
        .then(|| retry_on_intr(|| openat2(from, path, flags, mode, how)))
}

/// Returns what an entry of a folder is and where; a link is not followed.
pub(super) fn stat_at(folder: BorrowedFd<'_>, name: &Path) -> Result<(Stat, InodeId), Errno> {
    statx(folder, name, AtFlags::SYMLINK_NOFOLLOW)
}

/// Returns what an open file or folder is and where.
pub(super) fn stat_open(open: BorrowedFd<'_>) -> Result<(Stat, InodeId), Errno> {
    statx(open, Path::new(""), AtFlags::EMPTY_PATH)
}

/// Asks for the number of the mount as well.
fn statx(folder: BorrowedFd<'_>, name: &Path, flags: AtFlags) -> Result<(Stat, InodeId), Errno> {
    let wanted = StatxFlags::BASIC_STATS | StatxFlags::MNT_ID;
    let told = match rustix::fs::statx(folder, name, flags, wanted) {
        // Some sandboxes have no such call.
        Err(Errno::NOSYS | Errno::PERM) => {
            let stat = raw_stat(&rustix::fs::statat(folder, name, flags)?);
            return Ok((stat, InodeId::of(&stat, None)));
        }
        other => other?,
    };
    let stat = Stat {
        kind: kind_of(told.stx_mode.into()),
        bytes: told.stx_size,
        modified: Stamp {
            seconds: told.stx_mtime.tv_sec,
            nanos: told.stx_mtime.tv_nsec,
        },
        device: rustix::fs::makedev(told.stx_dev_major, told.stx_dev_minor),
        inode: told.stx_ino,
        changed: Stamp {
            seconds: told.stx_ctime.tv_sec,
            nanos: told.stx_ctime.tv_nsec,
        },
    };
    let has_mount = told.stx_mask & StatxFlags::MNT_ID.bits() != 0;
    Ok((
        stat,
        InodeId::of(&stat, has_mount.then_some(told.stx_mnt_id)),
    ))
}
