//! Owns the two calls into Linux that no crate makes safe: how much of a file is in memory, and which file a
//! loop device shows.
#![expect(unsafe_code, reason = "these calls have no safe form")]

use std::fs::File;
use std::io;
use std::mem::size_of_val;
use std::os::fd::AsRawFd as _;

/// Number of `cachestat` in the kernel's common table of calls; Alpha and MIPS have tables of their own.
const CACHESTAT: libc::c_long = 451;
/// `LOOP_GET_STATUS64` of the kernel's `linux/loop.h`.
const LOOP_GET_STATUS64: libc::Ioctl = 0x4C05;

/// `struct cachestat_range` of the kernel's `linux/mman.h`, in bytes.
#[repr(C)]
struct Range {
    offset: u64,
    bytes: u64,
}

/// `struct loop_info64` of the kernel's `linux/loop.h`.
#[repr(C)]
struct LoopInfo {
    device: u64,
    inode: u64,
    /// Device of a device node that is shown, offset, limit of size.
    rest: [u64; 3],
    /// Number, encryption, flags.
    numbers: [u32; 4],
    names: [u8; 64 + 64 + 32],
    init: [u64; 2],
}

/// Returns how many pages of `bytes` bytes from `offset` on are in memory.
///
/// # Errors
/// [`io::ErrorKind::Unsupported`] before Linux 6.5, and what else the system says: it may tell only the owner of
/// a file and who may write to it.
pub fn pages_in_memory(file: &File, offset: u64, bytes: u64) -> io::Result<u64> {
    if cfg!(any(target_arch = "mips", target_arch = "mips64")) {
        return Err(io::ErrorKind::Unsupported.into());
    }
    let range = Range { offset, bytes };
    // In memory, dirty, being written, evicted, recently evicted.
    let mut counts = [0_u64; 5];
    let no_flags: libc::c_uint = 0;
    // SAFETY: the kernel reads one `Range` and writes five numbers of 64 bits; both live until the call
    // is over, and the file is open.
    let answer = unsafe {
        libc::syscall(
            CACHESTAT,
            file.as_raw_fd(),
            &raw const range,
            counts.as_mut_ptr(),
            no_flags,
        )
    };
    match answer {
        0 => Ok(counts[0]),
        _ => Err(io::Error::last_os_error()),
    }
}

/// Returns device and inode (as `stat` tells them) of the file that a loop device shows.
///
/// # Errors
/// What the system says: of something that is no loop device, or that shows nothing.
pub fn loop_file(device: &File) -> io::Result<(u64, u64)> {
    let mut info = LoopInfo {
        device: 0,
        inode: 0,
        rest: [0; 3],
        numbers: [0; 4],
        names: [0; 160],
        init: [0; 2],
    };
    debug_assert_eq!(size_of_val(&info), 232);
    // SAFETY: the kernel writes one `struct loop_info64`, 232 bytes, which `LoopInfo` is, to a place that
    // lives until the call is over; the file is open.
    let answer = unsafe { libc::ioctl(device.as_raw_fd(), LOOP_GET_STATUS64, &raw mut info) };
    match answer {
        0 => Ok((info.device, info.inode)),
        _ => Err(io::Error::last_os_error()),
    }
}
