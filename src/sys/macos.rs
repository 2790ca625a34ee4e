//! Owns the one call into macOS that no crate makes safe: dropping a file's pages from memory.
//! Type-checked only; it has not been run.
#![expect(unsafe_code, reason = "mapping a file has no safe form")]

use rustix::mm::{MapFlags, MsyncFlags, ProtFlags, mmap, msync, munmap};
use std::fs::File;
use std::io;

/// Largest page of a Mac, in bytes (16 KiB on Apple silicon, 4 KiB before).
const PAGE_BYTES: u64 = 16_384;

/// Writes out what is changed of `bytes` bytes from `offset` on and drops these pages from memory,
/// so that the next read comes from the device: `msync` with `MS_SYNC | MS_INVALIDATE` on a mapping
/// of them ("invalidate all cached data", msync(2)). Pages that another program has locked in
/// memory stay.
///
/// # Errors
/// What the system says.
pub fn drop_pages(file: &File, offset: u64, bytes: u64) -> io::Result<()> {
    let start = offset / PAGE_BYTES * PAGE_BYTES;
    let length = usize::try_from(bytes.saturating_add(offset - start))
        .map_err(|_| io::Error::from(io::ErrorKind::InvalidInput))?;
    if length == 0 {
        return Ok(());
    }
    // SAFETY: the system chooses the place, so that no memory of this program is replaced; the
    // mapping is never read or written through, so that a file that is cut short meanwhile cannot
    // fault; it is unmapped below with the same length, and no reference to it exists.
    unsafe {
        let at = mmap(
            std::ptr::null_mut(),
            length,
            ProtFlags::READ,
            MapFlags::SHARED,
            file,
            start,
        )?;
        let dropped = msync(at, length, MsyncFlags::SYNC | MsyncFlags::INVALIDATE);
        munmap(at, length)?;
        dropped?;
    }
    Ok(())
}
