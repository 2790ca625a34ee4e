//! Owns what Windows does its own way: paths in their verbatim form, reading and writing past the
//! cache, which disk is behind a folder. Run under Wine only so far.
//!
//! * The card is opened for reading, and shared with everybody. Reading a file there can change its
//!   date of last access; the system is asked not to, by a call that needs the right to write
//!   attributes. Where that right is refused (a card with its lock set, say) nothing can be written
//!   either.
//! * Reads of the card and read-backs are unbuffered (`FILE_FLAG_NO_BUFFERING`): they come from the
//!   device. Under Wine that flag means nothing, so there a read-back counts as cached. So does one
//!   of a file that Windows keeps compressed, whose unbuffered reads go through the cache (from
//!   memory).
//! * Part files are written unbuffered at any size. NTFS keeps the content of very small files in
//!   its own table, which it reads through the cache; a file once written in a whole block lies
//!   outside it (from memory), so that its read-back says something about the device.
//! * Durable means `FlushFileBuffers`. Not every file system of Windows has that for a folder: a
//!   refusal is no failure, because names are given with `MOVEFILE_WRITE_THROUGH`, and a file's own
//!   flush writes NTFS's journal (from memory).

mod files;
mod held;
mod look;
mod volume;

use super::common::{
    Entries, OsJournal, check_chain, check_own, is_camera_volume, read_limited, walk,
};
use super::windows_forms::{self as forms, plain};
use crate::disk::{
    Anchor, Claim, Disk, EntryKind, FolderFacts, Journal, MountedFolder, PartFile, ReadBackWay,
    Settling, Source, Stat, TreeKind, WalkEntry,
};
use crate::name::part_name;
use crate::sys::windows as sys;
use camino::Utf8Path;
use files::{OsPart, OsSource};
use held::{Hold, LockedFolder, hold_folder};
use look::{
    check_file, full, is_compressed, is_error, list_folder, open_quietly, open_to_look, stat_of,
};
use std::collections::HashMap;
use std::ffi::OsStr;
use std::fs::{File, OpenOptions};
use std::io;
use std::os::windows::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use volume::{ancestors_of, backing_of, volume_of, wide_serial};
use windows_sys::Win32::Foundation::{
    ERROR_ACCESS_DENIED, ERROR_CALL_NOT_IMPLEMENTED, ERROR_INVALID_FUNCTION, ERROR_INVALID_HANDLE,
    ERROR_INVALID_PARAMETER, ERROR_NOT_SUPPORTED, ERROR_SHARING_VIOLATION, GENERIC_WRITE,
};
use windows_sys::Win32::Storage::FileSystem::{
    DELETE, FILE_FLAG_BACKUP_SEMANTICS, FILE_FLAG_DELETE_ON_CLOSE, FILE_FLAG_NO_BUFFERING,
    FILE_FLAG_OPEN_REPARSE_POINT, FILE_FLAG_SEQUENTIAL_SCAN,
};
use windows_sys::Win32::System::SystemServices::FILE_READ_ONLY_VOLUME;

/// The computer's own file systems.
#[derive(Debug)]
pub struct OsDisk {
    is_wine: bool,
    /// Whether a volume, by the root of its files, lies in memory. Used for the way of reading back
    /// only; identity is always asked afresh.
    in_memory: Mutex<HashMap<u64, bool>>,
    /// The folders that jobs work in now.
    held: Arc<Mutex<Vec<Arc<LockedFolder>>>>,
}

impl OsDisk {
    /// The file systems of this computer.
    pub fn new() -> Self {
        Self {
            is_wine: sys::is_wine(),
            in_memory: Mutex::default(),
            held: Arc::default(),
        }
    }
}

impl Default for OsDisk {
    fn default() -> Self {
        Self::new()
    }
}

impl OsDisk {
    /// Returns the held folder that a path is in, the nearest one, and the way from there.
    fn held<'a>(&self, path: &'a Utf8Path) -> Option<(Arc<LockedFolder>, &'a Utf8Path)> {
        let all = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        let below = all
            .iter()
            .filter_map(|held| Some((held, path.strip_prefix(&held.path).ok()?)));
        let (held, below) = below.min_by_key(|(_, below)| below.components().count())?;
        Some((Arc::clone(held), below))
    }

    /// Returns a path in its verbatim form, once the way to it is known to go through no link.
    fn place(&self, path: &Utf8Path) -> io::Result<PathBuf> {
        if let Some((held, below)) = self.held(path) {
            held.check_way(below)?;
        }
        full(path)
    }

    /// Returns how an unbuffered read of a file reaches the device.
    fn unbuffered_way(&self, path: &Path, file: &File, device: u64) -> ReadBackWay {
        if self.is_wine || is_compressed(file) || self.is_in_memory(path, device) {
            ReadBackWay::Cached
        } else {
            ReadBackWay::Direct
        }
    }

    fn is_in_memory(&self, path: &Path, device: u64) -> bool {
        let mut known = self
            .in_memory
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        *known
            .entry(device)
            .or_insert_with(|| volume::is_in_memory(path))
    }

    fn open_source(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        let path = self.place(path)?;
        check_file(&path)?;
        let (file, is_unbuffered) = match open_quietly(&path, FILE_FLAG_NO_BUFFERING) {
            Err(e) if is_error(&e, &[ERROR_INVALID_PARAMETER, ERROR_NOT_SUPPORTED]) => {
                (open_quietly(&path, FILE_FLAG_SEQUENTIAL_SCAN)?, false)
            }
            other => (other?, true),
        };
        let device = stat_of(&file)?.device;
        let way = if is_unbuffered {
            self.unbuffered_way(&path, &file, device)
        } else {
            ReadBackWay::Cached
        };
        Ok(Box::new(OsSource {
            file,
            way,
            is_unbuffered,
            scratch: None,
        }))
    }
}

impl Disk for OsDisk {
    /// Empty slots of readers have letters as well.
    fn mounted(&self) -> io::Result<Option<Vec<MountedFolder>>> {
        let folder = |letter: char| {
            let path = format!("{letter}:\\");
            let kind = crate::sys::windows::drive_type(OsStr::new(&path)).ok()?;
            matches!(kind, 2 | 3).then(|| MountedFolder {
                path: path.into(),
                is_removable: (kind == 2).then_some(true),
            })
        };
        // A and B are for floppy disks, which take seconds to say that they are empty.
        Ok(Some(('C'..='Z').filter_map(folder).collect()))
    }

    fn anchor(&self, folder: &Utf8Path, facts: &FolderFacts) -> io::Result<Anchor> {
        let path = full(folder)?;
        let root = hold_folder(&path, 0)?;
        let place = (volume_of(&path)?.number, stat_of(&root)?.inode);
        if place != (facts.device, facts.inode) {
            return Err(io::Error::new(
                io::ErrorKind::NotFound,
                "another folder or drive is in its place by now",
            ));
        }
        let held = Arc::new(LockedFolder {
            path: folder.to_path_buf(),
            root,
            near: Mutex::default(),
        });
        let mut all = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        all.push(Arc::clone(&held));
        let all = Arc::clone(&self.held);
        Ok(Box::new(Hold { all, held }))
    }

    fn check_in_place(&self, folder: &Utf8Path) -> io::Result<()> {
        let Some((held, _)) = self.held(folder) else {
            return Ok(());
        };
        let now = std::fs::canonicalize(full(&held.path)?).and_then(|at| open_to_look(&at))?;
        let (then, now) = (stat_of(&held.root)?, stat_of(&now)?);
        if (then.device, then.inode) == (now.device, now.inode) {
            return Ok(());
        }
        Err(io::Error::new(
            io::ErrorKind::NotFound,
            "it was unplugged, or something else is in its place",
        ))
    }

    /// A file that nobody else may open stands for the folder; the system removes it when it is
    /// closed, also for a run that was killed.
    fn claim(&self, folder: &Utf8Path) -> io::Result<Claim> {
        let path = self.place(&folder.join(part_name("run")))?;
        let opened = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(false)
            .access_mode(GENERIC_WRITE | DELETE)
            .share_mode(0)
            .custom_flags(FILE_FLAG_DELETE_ON_CLOSE | FILE_FLAG_OPEN_REPARSE_POINT)
            .open(path);
        match opened {
            Ok(file) => Ok(Some(Box::new(file))),
            Err(e) if is_error(&e, &[ERROR_SHARING_VIOLATION]) => {
                Err(io::ErrorKind::WouldBlock.into())
            }
            Err(e) => Err(e),
        }
    }

    fn walk(&self, root: &Utf8Path, tree: TreeKind) -> io::Result<Vec<WalkEntry>> {
        self.walk_while(root, tree, &|| true)
    }

    fn walk_while(
        &self,
        root: &Utf8Path,
        _tree: TreeKind,
        go_on: &dyn Fn() -> bool,
    ) -> io::Result<Vec<WalkEntry>> {
        let root = self.place(root)?;
        walk(&root, go_on, &|at, entries| {
            // A link that was given as a root is followed once.
            list_folder(
                at,
                if at == root {
                    0
                } else {
                    FILE_FLAG_OPEN_REPARSE_POINT
                },
                go_on,
                entries,
            )
        })
    }

    fn children(&self, folder: &Utf8Path) -> io::Result<Vec<WalkEntry>> {
        self.children_while(folder, &|| true)
    }

    fn children_while(
        &self,
        folder: &Utf8Path,
        go_on: &dyn Fn() -> bool,
    ) -> io::Result<Vec<WalkEntry>> {
        let mut entries = Entries::new();
        list_folder(&self.place(folder)?, 0, go_on, &mut entries)?;
        if !go_on() {
            return Err(io::Error::other(crate::error::Interruption));
        }
        Ok(entries
            .into_iter()
            .map(|(path, stat)| WalkEntry { path, stat })
            .collect())
    }

    fn facts(&self, folder: &Utf8Path) -> io::Result<FolderFacts> {
        let given = full(folder)?;
        let canonical = match std::fs::canonicalize(&given) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Err(e),
            // Some memory disks and network folders have no final name; then nothing is known of
            // what is behind them either.
            Err(_) => given,
            Ok(canonical) => canonical,
        };
        let handle = open_to_look(&canonical)?;
        let stat = stat_of(&handle)?;
        if stat.kind != EntryKind::Folder {
            return Err(io::Error::new(
                io::ErrorKind::NotADirectory,
                "is not a folder",
            ));
        }
        let volume = volume_of(&canonical)?;
        let told = sys::volume_information(OsStr::new(&volume.root))?;
        let room = sys::room(OsStr::new(&volume.root))?;
        let (backing, rotational) = backing_of(&volume, self.is_wine);
        let filesystem = forms::filesystem(&told.filesystem);
        let ancestors = ancestors_of(&canonical)?;
        let is_on = |path: &Path| volume_of(path).is_ok_and(|own| own.number == volume.number);
        let system = std::env::var("SystemRoot").unwrap_or_default();
        let is_system_volume = is_on(Path::new(&system));
        let is_camera_volume = is_camera_volume(Path::new(&volume.root));
        // No camera writes NTFS: a folder there that is given as a card is a computer's.
        let is_own_volume = is_system_volume
            || std::env::home_dir().is_some_and(|h| is_on(&h))
            || (filesystem == "ntfs" && !is_camera_volume);
        Ok(FolderFacts {
            canonical: plain(&canonical.to_string_lossy()),
            device: volume.number,
            entry_device: stat.device,
            inode: stat.inode,
            is_mount_root: ancestors
                .get(1)
                .is_none_or(|above| above.0 != volume.number),
            within: forms::within(&volume.root, &plain(&canonical.to_string_lossy())),
            ancestors,
            // Wine makes one up from the drive's letter.
            volume_id: forms::volume_id(&filesystem, told.serial, wide_serial(&handle))
                .filter(|_| !self.is_wine),
            label: Some(told.label).filter(|label| !label.is_empty()),
            filesystem,
            total_bytes: room.total_bytes,
            free_bytes: room.free_bytes,
            cluster_bytes: room.cluster_bytes,
            read_only: told.flags & FILE_READ_ONLY_VOLUME != 0,
            own_disk: backing.only_disk().map(str::to_owned),
            backing,
            rotational,
            shows_folder: false,
            is_camera_volume,
            is_system_volume,
            is_own_volume,
            hardware: None,
            only_from_memory: None,
            images: Vec::new(),
        })
    }

    fn look(&self, path: &Utf8Path) -> io::Result<Option<Stat>> {
        match self.place(path).and_then(|path| open_to_look(&path)) {
            Ok(file) => Ok(Some(stat_of(&file)?)),
            Err(e)
                if matches!(
                    e.kind(),
                    io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
                ) =>
            {
                Ok(None)
            }
            Err(e) => Err(e),
        }
    }

    fn open_card(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        self.open_source(path)
    }

    fn open_read_back(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        self.open_source(path)
    }

    fn read_record(&self, path: &Utf8Path, limit: u64) -> io::Result<Vec<u8>> {
        let path = self.place(path)?;
        check_file(&path)?;
        read_limited(open_quietly(&path, FILE_FLAG_SEQUENTIAL_SCAN)?, limit)
    }

    fn create_folder(&self, path: &Utf8Path) -> io::Result<()> {
        std::fs::create_dir(self.place(path)?)
    }

    fn create_part(&self, path: &Utf8Path, _large: bool) -> io::Result<Box<dyn PartFile>> {
        let path = self.place(path)?;
        let create = |flags: u32| {
            OpenOptions::new()
                .write(true)
                .create_new(true)
                .custom_flags(flags | FILE_FLAG_OPEN_REPARSE_POINT)
                .open(&path)
        };
        let (file, is_unbuffered) = match create(FILE_FLAG_NO_BUFFERING) {
            Err(e) if is_error(&e, &[ERROR_INVALID_PARAMETER, ERROR_NOT_SUPPORTED]) => {
                (create(0)?, false)
            }
            other => (other?, true),
        };
        Ok(Box::new(OsPart {
            file,
            path,
            is_unbuffered,
            buffered: OnceLock::new(),
        }))
    }

    fn rename_new(&self, from: &Utf8Path, to: &Utf8Path) -> io::Result<()> {
        let (from, to) = (self.place(from)?, self.place(to)?);
        sys::rename(from.as_os_str(), to.as_os_str(), false)
    }

    fn replace_chain(&self, part: &Utf8Path, to: &Utf8Path) -> io::Result<()> {
        check_chain(
            part.file_name().unwrap_or_default(),
            to.file_name().unwrap_or_default(),
        )?;
        let (part, to) = (self.place(part)?, self.place(to)?);
        sys::rename(part.as_os_str(), to.as_os_str(), true)
    }

    fn flush(&self, path: &Utf8Path) -> io::Result<()> {
        let path = self.place(path)?;
        let opened = OpenOptions::new()
            .write(true)
            .custom_flags(FILE_FLAG_BACKUP_SEMANTICS)
            .open(&path);
        let is_folder = |file: &File| stat_of(file).is_ok_and(|s| s.kind == EntryKind::Folder);
        let refusals = [
            ERROR_ACCESS_DENIED,
            ERROR_INVALID_FUNCTION,
            ERROR_INVALID_HANDLE,
            ERROR_INVALID_PARAMETER,
            ERROR_NOT_SUPPORTED,
            ERROR_CALL_NOT_IMPLEMENTED,
        ];
        match opened {
            Ok(file) => match file.sync_all() {
                // See the head of this module for what is done instead.
                Err(e) if is_folder(&file) && is_error(&e, &refusals) => Ok(()),
                other => other,
            },
            Err(e) if is_error(&e, &refusals) && is_folder(&open_to_look(&path)?) => Ok(()),
            Err(e) => Err(e),
        }
    }

    fn settling(&self, folder: &Utf8Path) -> io::Result<Settling> {
        let mut at = self.place(folder)?;
        // Where a link leads to is asked of the held folder only: Wine 8 has no final name for long
        // paths (error 234).
        if let Some((held, _)) = self.held(folder) {
            at = full(&held.path)?;
        }
        let volume = volume_of(&std::fs::canonicalize(at)?)?;
        let told = sys::volume_information(OsStr::new(&volume.root))?;
        Ok(match Settling::of(&forms::filesystem(&told.filesystem)) {
            // Its journal, as Windows keeps it (from memory).
            _ if told.filesystem.eq_ignore_ascii_case("NTFS") => Settling::Folders,
            // A whole volume can be flushed by an administrator only.
            Settling::Whole => Settling::Each,
            other => other,
        })
    }

    fn remove_own(&self, path: &Utf8Path) -> io::Result<()> {
        check_own(path.file_name().unwrap_or_default())?;
        std::fs::remove_file(self.place(path)?)
    }

    fn remove_empty_folder(&self, path: &Utf8Path) -> io::Result<()> {
        let at = self.place(path)?;
        if let Some((held, _)) = self.held(path) {
            let mut near = held.near.lock().unwrap_or_else(PoisonError::into_inner);
            near.retain(|(open, _)| !open.starts_with(path));
        }
        std::fs::remove_dir(at)
    }

    fn open_journal(&self, path: &Utf8Path) -> io::Result<Box<dyn Journal>> {
        let file = OpenOptions::new()
            .append(true)
            .create(true)
            .custom_flags(FILE_FLAG_OPEN_REPARSE_POINT)
            .open(self.place(path)?)?;
        Ok(Box::new(OsJournal { file }))
    }
}

/// Returns the name of this computer, for the record.
pub fn host_name() -> String {
    std::env::var("COMPUTERNAME").unwrap_or_default()
}
