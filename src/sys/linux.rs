//! Owns the calls into Linux that no crate makes safe: how much of a file is in memory (asked in
//! two ways), which file a loop device shows, and whether a file lies within the records of its
//! file system.
#![expect(unsafe_code, reason = "these calls have no safe form")]

use rustix::mm::{MapFlags, ProtFlags, mmap, munmap};
use std::fs::File;
use std::io;
use std::mem::size_of_val;
use std::os::fd::AsRawFd as _;

/// Number of `cachestat` in the kernel's common table of calls; Alpha and MIPS have tables of their
/// own.
const CACHESTAT: libc::c_long = 451;
/// No page of Linux is larger, in bytes.
pub const PAGE_MAX: u64 = 65_536;
/// No page of Linux is smaller, in bytes.
const PAGE_MIN: usize = 4_096;
/// What `mincore` never says of a page.
const UNTOLD: u8 = 0x80;
/// `LOOP_GET_STATUS64` of the kernel's `linux/loop.h`.
const LOOP_GET_STATUS64: libc::Ioctl = 0x4C05;

/// `FIEMAP_FLAG_SYNC` of the kernel's `linux/fiemap.h`.
const FIEMAP_SYNC: u32 = 1;
/// `FIEMAP_EXTENT_DATA_INLINE` and `FIEMAP_EXTENT_DATA_TAIL`: within the records of the file
/// system, or beside other files.
const IN_RECORDS: u32 = 0x200 | 0x400;

/// `struct fiemap` of the kernel's `linux/fiemap.h`, in bytes.
#[repr(C)]
struct ExtentMap {
    start: u64,
    bytes: u64,
    flags: u32,
    mapped: u32,
    room: u32,
    reserved: u32,
}

/// [`ExtentMap`] with room for one `struct fiemap_extent`.
#[repr(C)]
struct FirstExtent {
    map: ExtentMap,
    /// Place in the file, place on the device, length, reserved.
    places: [u64; 5],
    flags: u32,
    reserved: [u32; 3],
}

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
/// [`io::ErrorKind::Unsupported`] before Linux 6.5, and what else the system says: it may tell only
/// the owner of a file and who may write to it.
pub fn pages_in_memory(file: &File, offset: u64, bytes: u64) -> io::Result<u64> {
    if cfg!(any(target_arch = "mips", target_arch = "mips64")) {
        return Err(io::ErrorKind::Unsupported.into());
    }
    let range = Range { offset, bytes };
    // In memory, dirty, being written, evicted, recently evicted.
    let mut counts = [0_u64; 5];
    let no_flags: libc::c_uint = 0;
    // SAFETY: the kernel reads one `Range` and writes five numbers of 64 bits; both live until the
    // call is over, and the file is open.
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

/// Returns how many pages of `bytes` bytes from `offset` on are in memory, and how many were asked
/// for (from and up to a bound of [`PAGE_MAX`] bytes): `mincore` on a mapping of them that is never
/// touched. It is older than [`pages_in_memory`], and every file system that can be mapped answers.
/// Since Linux 5.2 all pages are said to be there to whoever neither owns the file nor may write to
/// it.
///
/// # Errors
/// What the system says.
pub fn mapped_pages_in_memory(file: &File, offset: u64, bytes: u64) -> io::Result<(usize, usize)> {
    let start = offset / PAGE_MAX * PAGE_MAX;
    let end = offset.saturating_add(bytes).div_ceil(PAGE_MAX);
    let length = end.saturating_mul(PAGE_MAX).saturating_sub(start);
    let Ok(length) = usize::try_from(length) else {
        return Err(io::ErrorKind::InvalidInput.into());
    };
    // One byte for each page; larger pages than these fill the beginning only.
    let mut pages = vec![UNTOLD; length / PAGE_MIN];
    if pages.is_empty() {
        return Ok((0, 0));
    }
    // SAFETY: the system chooses the place, so that no memory of this program is replaced; the
    // mapping is never read or written through, so that a file that is cut short meanwhile cannot
    // fault; `mincore` writes at most one byte for each page of it into `pages`, which is long
    // enough and lives until the call is over; it is unmapped with the same length, and no
    // reference to it exists.
    let answer = unsafe {
        let protection = ProtFlags::READ;
        let at = mmap(
            std::ptr::null_mut(),
            length,
            protection,
            MapFlags::PRIVATE,
            file,
            start,
        )?;
        let answer = libc::mincore(at, length, pages.as_mut_ptr());
        let answer = if answer == 0 {
            Ok(())
        } else {
            Err(io::Error::last_os_error())
        };
        munmap(at, length)?;
        answer
    };
    answer?;
    pages.retain(|page| *page != UNTOLD);
    let there = pages.iter().filter(|page| **page & 1 == 1).count();
    Ok((there, pages.len()))
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
    // SAFETY: the kernel writes one `struct loop_info64`, 232 bytes, which `LoopInfo` is, to a
    // place that lives until the call is over; the file is open.
    let answer = unsafe { libc::ioctl(device.as_raw_fd(), LOOP_GET_STATUS64, &raw mut info) };
    match answer {
        0 => Ok((info.device, info.inode)),
        _ => Err(io::Error::last_os_error()),
    }
}

#[cfg(not(target_env = "musl"))]
fn as_libc_has(call: u32) -> libc::Ioctl {
    call.into()
}

/// There a call's number is signed, and its highest bit says that the kernel writes.
#[cfg(target_env = "musl")]
fn as_libc_has(call: u32) -> libc::Ioctl {
    call.cast_signed()
}

/// Returns whether the beginning of a file lies within the records of its file system, which are
/// read from memory as a rule. `false` where the file system does not say.
pub fn has_inline_data(file: &File) -> bool {
    let mut first = FirstExtent {
        map: ExtentMap {
            start: 0,
            bytes: u64::MAX,
            flags: FIEMAP_SYNC,
            mapped: 0,
            room: 1,
            reserved: 0,
        },
        places: [0; 5],
        flags: 0,
        reserved: [0; 3],
    };
    debug_assert_eq!((size_of_val(&first.map), size_of_val(&first)), (32, 88));
    let call = rustix::ioctl::opcode::read_write::<ExtentMap>(b'f', 11);
    // SAFETY: the kernel reads one `struct fiemap` and writes it and at most one
    // `struct fiemap_extent` behind it, which `FirstExtent` is, to a place that lives until the
    // call is over; the file is open.
    let answer = unsafe { libc::ioctl(file.as_raw_fd(), as_libc_has(call), &raw mut first) };
    answer == 0 && first.map.mapped > 0 && first.flags & IN_RECORDS != 0
}
