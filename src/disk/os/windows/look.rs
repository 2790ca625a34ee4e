//! Owns looks: opening without touching, what an entry is, the entries of a folder.

use crate::disk::buffer::Aligned;
use crate::disk::os::common::Entries;
use crate::disk::os::windows_forms::{self as forms, verbatim};
use crate::disk::{EntryKind, Stat};
use crate::sys::windows as sys;
use camino::Utf8Path;
use std::ffi::OsString;
use std::fs::{File, OpenOptions};
use std::io;
use std::os::windows::ffi::OsStringExt as _;
use std::os::windows::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use windows_sys::Win32::Foundation::{ERROR_NO_MORE_FILES, GENERIC_READ};
use windows_sys::Win32::Storage::FileSystem::{
    FILE_ATTRIBUTE_COMPRESSED, FILE_ATTRIBUTE_DIRECTORY, FILE_ATTRIBUTE_REPARSE_POINT,
    FILE_FLAG_BACKUP_SEMANTICS, FILE_FLAG_OPEN_REPARSE_POINT, FILE_READ_ATTRIBUTES,
    FILE_WRITE_ATTRIBUTES, FileAttributeTagInfo, FileIdBothDirectoryInfo,
    FileIdBothDirectoryRestartInfo,
};

/// One block of a folder's listing, in bytes.
const LISTING_BYTES: usize = 64 << 10;

/// Returns a path in its verbatim form.
pub(super) fn full(path: &Utf8Path) -> io::Result<PathBuf> {
    let here = std::env::current_dir()?;
    let here = here
        .to_str()
        .ok_or_else(|| io::Error::other("the current folder's name is not text"))?;
    Ok(PathBuf::from(verbatim(path.as_str(), here)))
}

pub(super) fn is_error(cause: &io::Error, codes: &[u32]) -> bool {
    cause
        .raw_os_error()
        .and_then(|code| u32::try_from(code).ok())
        .is_some_and(|code| codes.contains(&code))
}

/// Opens a file or folder for a look at what the system says of it; a link itself, not what it
/// points to. Touches nothing.
pub(super) fn open_to_look(path: &Path) -> io::Result<File> {
    OpenOptions::new()
        .access_mode(FILE_READ_ATTRIBUTES)
        .custom_flags(FILE_FLAG_BACKUP_SEMANTICS | FILE_FLAG_OPEN_REPARSE_POINT)
        .open(path)
}

/// Opens a file or folder for reading so that its date of last access stays, where that is granted.
pub(super) fn open_quietly(path: &Path, flags: u32) -> io::Result<File> {
    let open = |access| {
        OpenOptions::new()
            .access_mode(access)
            .custom_flags(flags)
            .open(path)
    };
    // Wine would take the date that means "leave it alone" for a date.
    if !sys::is_wine()
        && let Ok(file) = open(GENERIC_READ | FILE_WRITE_ATTRIBUTES)
        && sys::keep_access_time(&file).is_ok()
    {
        return Ok(file);
    }
    open(GENERIC_READ)
}

pub(super) fn stat_of(file: &File) -> io::Result<Stat> {
    let told = winapi_util::file::information(file)?;
    let has = |flag: u32| told.file_attributes() & u64::from(flag) != 0;
    let kind = if has(FILE_ATTRIBUTE_REPARSE_POINT) && is_link(file)? {
        EntryKind::Link
    } else if has(FILE_ATTRIBUTE_DIRECTORY) {
        EntryKind::Folder
    } else {
        EntryKind::File
    };
    let modified = forms::stamp(told.last_write_time().unwrap_or(0));
    Ok(Stat {
        kind,
        bytes: told.file_size(),
        modified,
        changed: modified,
        device: told.volume_serial_number(),
        inode: told.file_index(),
    })
}

fn is_link(file: &File) -> io::Result<bool> {
    let mut block = Aligned::new(8);
    sys::file_information(file, FileAttributeTagInfo, &mut block.all_mut()[..8])?;
    Ok(forms::is_link(block.first(8)))
}

pub(super) fn is_compressed(file: &File) -> bool {
    winapi_util::file::information(file)
        .is_ok_and(|told| told.file_attributes() & u64::from(FILE_ATTRIBUTE_COMPRESSED) != 0)
}

/// Refuses what is no plain file; a link is not followed.
pub(super) fn check_file(path: &Path) -> io::Result<()> {
    match stat_of(&open_to_look(path)?)?.kind {
        EntryKind::File => Ok(()),
        EntryKind::Link => Err(io::Error::other("is a link, which is not followed")),
        EntryKind::Folder | EntryKind::Special => Err(io::Error::other("is no longer a file")),
    }
}

/// Lists one folder. Each entry is looked at by itself: what NTFS keeps beside the names may be
/// old. The rest is left out where `go_on` says no.
pub(super) fn list_folder(
    at: &Path,
    flags: u32,
    go_on: &dyn Fn() -> bool,
    entries: &mut Entries,
) -> io::Result<()> {
    let folder = open_quietly(at, FILE_FLAG_BACKUP_SEMANTICS | flags)?;
    let mut block = Aligned::new(LISTING_BYTES);
    let mut class = FileIdBothDirectoryRestartInfo;
    loop {
        match sys::file_information(&folder, class, block.all_mut()) {
            Err(e) if is_error(&e, &[ERROR_NO_MORE_FILES]) => return Ok(()),
            other => other?,
        }
        class = FileIdBothDirectoryInfo;
        let names = forms::listed_names(block.first(LISTING_BYTES))
            .ok_or_else(|| io::Error::other("the system listed it in no form that is known"))?;
        for name in names {
            if !go_on() {
                return Ok(());
            }
            let name = OsString::from_wide(&name);
            let stat = open_to_look(&at.join(&name)).and_then(|file| stat_of(&file));
            entries.push((name, stat));
        }
    }
}
