//! Owns the folders that jobs work in: nobody renames or replaces them, or what is in work below
//! them, as long as they are held.

use super::look::{full, stat_of};
use crate::disk::EntryKind;
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::VecDeque;
use std::fs::{File, OpenOptions};
use std::io;
use std::os::windows::fs::OpenOptionsExt as _;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use windows_sys::Win32::Foundation::GENERIC_READ;
use windows_sys::Win32::Storage::FileSystem::{
    FILE_FLAG_BACKUP_SEMANTICS, FILE_FLAG_OPEN_REPARSE_POINT, FILE_SHARE_READ, FILE_SHARE_WRITE,
};

/// Folders below a held one that are kept open, those used last.
pub(super) const NEAR_MAX: usize = 32;

/// A folder that a job works in. As long as it and what is in work below it are open without leave
/// to delete, Windows lets nobody rename or replace them (from memory).
#[derive(Debug)]
pub(super) struct LockedFolder {
    pub(super) path: Utf8PathBuf,
    pub(super) root: File,
    pub(super) near: Mutex<VecDeque<(Utf8PathBuf, File)>>,
}

impl LockedFolder {
    /// Looks at every folder on the way to an entry, and keeps it from being changed for a link.
    pub(super) fn check_way(&self, below: &Utf8Path) -> io::Result<()> {
        let mut near = self.near.lock().unwrap_or_else(PoisonError::into_inner);
        let mut at = self.path.clone();
        for part in below.parent().into_iter().flat_map(Utf8Path::components) {
            at.push(part);
            if near.iter().any(|(path, _)| *path == at) {
                continue;
            }
            let folder = hold_folder(&full(&at)?, FILE_FLAG_OPEN_REPARSE_POINT)?;
            match stat_of(&folder)?.kind {
                EntryKind::Folder => near.push_front((at.clone(), folder)),
                EntryKind::Link => {
                    return Err(io::Error::other(
                        "it is behind a link, which is not followed",
                    ));
                }
                _ => return Err(io::ErrorKind::NotADirectory.into()),
            }
        }
        near.truncate(NEAR_MAX);
        Ok(())
    }
}

/// Lets go of a held folder.
#[derive(Debug)]
pub(super) struct Hold {
    pub(super) all: Arc<Mutex<Vec<Arc<LockedFolder>>>>,
    pub(super) held: Arc<LockedFolder>,
}

impl Drop for Hold {
    fn drop(&mut self) {
        let mut all = self.all.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(at) = all.iter().position(|held| Arc::ptr_eq(held, &self.held)) {
            all.swap_remove(at);
        }
    }
}

/// Opens a folder so that nobody renames or deletes it meanwhile.
pub(super) fn hold_folder(path: &Path, flags: u32) -> io::Result<File> {
    OpenOptions::new()
        .access_mode(GENERIC_READ)
        .share_mode(FILE_SHARE_READ | FILE_SHARE_WRITE)
        .custom_flags(FILE_FLAG_BACKUP_SEMANTICS | flags)
        .open(path)
}
