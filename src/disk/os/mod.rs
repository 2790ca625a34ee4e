//! Owns the real file systems: the only modules that open, read, write, rename or remove files of
//! cards and drives. What is the same everywhere is in `common`; each system has modules of its
//! own, and `OsDisk` is that of the system at hand.
//!
//! Linux is what it was run on most. Windows was run under Wine only, macOS was type-checked only.

#[cfg(unix)]
mod beneath;
#[cfg(target_os = "linux")]
mod between;
mod common;
#[cfg(target_os = "linux")]
mod count;
#[cfg(any(target_os = "macos", test))]
mod diskutil;
#[cfg(target_os = "linux")]
mod linux;
#[cfg(target_os = "linux")]
mod linux_calls;
#[cfg(target_os = "macos")]
mod macos;
#[cfg(target_os = "macos")]
mod macos_calls;
#[cfg(target_os = "linux")]
mod other_writer;
#[cfg(target_os = "linux")]
mod page_cache;
#[cfg(target_os = "linux")]
mod small_files;
#[cfg(unix)]
mod stat;
#[cfg(unix)]
mod unix;
#[cfg(windows)]
mod windows;
#[cfg(any(windows, test))]
mod windows_forms;

#[cfg(unix)]
pub use unix::{OsDisk, host_name};
#[cfg(windows)]
pub use windows::{OsDisk, host_name};

use super::ReadBackWay;

/// The ways in which this build can read back from a device, the surest first. Which of them a
/// drive allows is found out file by file.
#[cfg(target_os = "linux")]
pub const READ_BACK_WAYS: &[ReadBackWay] = &[
    ReadBackWay::Direct,
    ReadBackWay::Dropped,
    ReadBackWay::Cached,
];
/// The ways in which this build can read back from a device, the surest first.
#[cfg(target_os = "macos")]
pub const READ_BACK_WAYS: &[ReadBackWay] = &[ReadBackWay::Dropped, ReadBackWay::Cached];
/// The ways in which this build can read back from a device, the surest first.
#[cfg(windows)]
pub const READ_BACK_WAYS: &[ReadBackWay] = &[ReadBackWay::Direct, ReadBackWay::Cached];
