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

use super::windows_forms::{self as forms, Bus, plain, verbatim};
use super::{Entries, OsJournal, check_own, is_camera_volume, read_limited, walk};
use crate::disk::backing::Backing;
use crate::disk::buffer::{ALIGN, Aligned, Chunk};
use crate::disk::{
    Anchor, Claim, Disk, EntryKind, FolderFacts, Found, Journal, Part, ReadBackWay, Settling,
    Source, Stamp, Stat, Tree,
};
use crate::name::part_name;
use crate::sys::windows as sys;
use crate::units::{len_usize, len64};
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::{BTreeSet, HashMap, VecDeque};
use std::ffi::{OsStr, OsString};
use std::fs::{File, FileTimes, OpenOptions};
use std::io;
use std::os::windows::ffi::OsStringExt as _;
use std::os::windows::fs::{FileExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::{Duration, SystemTime};
use windows_sys::Win32::Foundation::{
    ERROR_ACCESS_DENIED, ERROR_CALL_NOT_IMPLEMENTED, ERROR_INVALID_FUNCTION, ERROR_INVALID_HANDLE,
    ERROR_INVALID_PARAMETER, ERROR_NO_MORE_FILES, ERROR_NOT_SUPPORTED, ERROR_SHARING_VIOLATION,
    GENERIC_READ, GENERIC_WRITE,
};
use windows_sys::Win32::Storage::FileSystem::{
    DELETE, FILE_ATTRIBUTE_COMPRESSED, FILE_ATTRIBUTE_DIRECTORY, FILE_ATTRIBUTE_REPARSE_POINT,
    FILE_FLAG_BACKUP_SEMANTICS, FILE_FLAG_DELETE_ON_CLOSE, FILE_FLAG_NO_BUFFERING,
    FILE_FLAG_OPEN_REPARSE_POINT, FILE_FLAG_SEQUENTIAL_SCAN, FILE_READ_ATTRIBUTES, FILE_SHARE_READ,
    FILE_SHARE_WRITE, FILE_WRITE_ATTRIBUTES, FileAttributeTagInfo, FileIdBothDirectoryInfo,
    FileIdBothDirectoryRestartInfo, FileIdInfo, IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS,
};
use windows_sys::Win32::System::Ioctl::{
    IOCTL_STORAGE_GET_DEVICE_NUMBER, IOCTL_STORAGE_QUERY_PROPERTY,
};
use windows_sys::Win32::System::SystemServices::FILE_READ_ONLY_VOLUME;

/// One block of a folder's listing, in bytes.
const LISTING_BYTES: usize = 64 << 10;
/// Kinds of drives, as `GetDriveTypeW` numbers them.
const DRIVE_UNKNOWN: u32 = 0;
const DRIVE_NO_ROOT_DIR: u32 = 1;
const DRIVE_REMOTE: u32 = 4;
const DRIVE_RAMDISK: u32 = 6;
/// Properties that a disk can be asked for (`STORAGE_PROPERTY_ID`).
const DEVICE_PROPERTY: u32 = 0;
const SEEK_PENALTY_PROPERTY: u32 = 7;

/// The computer's own file systems.
#[derive(Debug)]
pub struct OsDisk {
    is_wine: bool,
    /// Whether a volume, by the root of its files, lies in memory. Used for the way of reading back
    /// only; identity is always asked afresh.
    in_memory: Mutex<HashMap<u64, bool>>,
    /// The folders that jobs work in now.
    held: Arc<Mutex<Vec<Arc<Held>>>>,
}

/// Folders below a held one that are kept open, those used last.
const NEAR_MAX: usize = 32;

/// A folder that a job works in. As long as it and what is in work below it are open without leave
/// to delete, Windows lets nobody rename or replace them (from memory).
#[derive(Debug)]
struct Held {
    path: Utf8PathBuf,
    root: File,
    near: Mutex<VecDeque<(Utf8PathBuf, File)>>,
}

impl Held {
    /// Looks at every folder on the way to an entry, and keeps it from being changed for a link.
    fn check_way(&self, below: &Utf8Path) -> io::Result<()> {
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
                        "it lies behind a link, which is not followed",
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
struct Hold {
    all: Arc<Mutex<Vec<Arc<Held>>>>,
    held: Arc<Held>,
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
fn hold_folder(path: &Path, flags: u32) -> io::Result<File> {
    OpenOptions::new()
        .access_mode(GENERIC_READ)
        .share_mode(FILE_SHARE_READ | FILE_SHARE_WRITE)
        .custom_flags(FILE_FLAG_BACKUP_SEMANTICS | flags)
        .open(path)
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

/// Returns a path in its verbatim form.
fn full(path: &Utf8Path) -> io::Result<PathBuf> {
    let here = std::env::current_dir()?;
    let here = here
        .to_str()
        .ok_or_else(|| io::Error::other("the current folder's name is not text"))?;
    Ok(PathBuf::from(verbatim(path.as_str(), here)))
}

fn is_error(cause: &io::Error, codes: &[u32]) -> bool {
    cause
        .raw_os_error()
        .and_then(|code| u32::try_from(code).ok())
        .is_some_and(|code| codes.contains(&code))
}

/// Opens a file or folder for a look at what the system says of it; a link itself, not what it
/// points to. Touches nothing.
fn open_to_look(path: &Path) -> io::Result<File> {
    OpenOptions::new()
        .access_mode(FILE_READ_ATTRIBUTES)
        .custom_flags(FILE_FLAG_BACKUP_SEMANTICS | FILE_FLAG_OPEN_REPARSE_POINT)
        .open(path)
}

/// Opens a file or folder for reading so that its date of last access stays, where that is granted.
fn open_quietly(path: &Path, flags: u32) -> io::Result<File> {
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

fn stat_of(file: &File) -> io::Result<Stat> {
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

fn is_compressed(file: &File) -> bool {
    winapi_util::file::information(file)
        .is_ok_and(|told| told.file_attributes() & u64::from(FILE_ATTRIBUTE_COMPRESSED) != 0)
}

/// Refuses what is no plain file; a link is not followed.
fn check_file(path: &Path) -> io::Result<()> {
    match stat_of(&open_to_look(path)?)?.kind {
        EntryKind::File => Ok(()),
        EntryKind::Link => Err(io::Error::other("is a link, which is not followed")),
        EntryKind::Folder | EntryKind::Special => Err(io::Error::other("is no longer a file")),
    }
}

/// Lists one folder. Each entry is looked at by itself: what NTFS keeps beside the names may be
/// old. The rest is left out where `go_on` says no.
fn list_folder(
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

/// The volume that a folder is on.
struct Volume {
    /// Its root, with a backslash at the end.
    root: String,
    /// A number that no other volume of this computer has at the moment.
    number: u64,
}

/// Returns the volume of a folder in verbatim form.
fn volume_of(folder: &Path) -> io::Result<Volume> {
    // Questions about volumes are described for plain roots, `C:\`.
    let root = plain(&sys::volume_root(folder.as_os_str())?);
    // Serial numbers are no help: some cameras give all cards the same. Network folders have no
    // name of this kind; their root is one.
    let name = sys::volume_name(OsStr::new(&root)).unwrap_or_else(|_| root.to_lowercase());
    let hash = blake3::hash(name.as_bytes());
    let number = hash
        .as_bytes()
        .first_chunk()
        .map_or(0, |bytes| u64::from_le_bytes(*bytes));
    Ok(Volume { root, number })
}

/// Opens the device below a volume or a disk by name, for questions only.
fn open_device(name: &str) -> io::Result<File> {
    OpenOptions::new().access_mode(0).open(name)
}

/// Asks a disk for one of its properties.
fn property(disk: &File, id: u32) -> io::Result<Vec<u8>> {
    let mut query = [0_u8; 12];
    query[..4].copy_from_slice(&id.to_le_bytes());
    let mut answer = vec![0; 1_024];
    let filled = sys::ask_device(disk, IOCTL_STORAGE_QUERY_PROPERTY, &query, &mut answer)?;
    answer.truncate(filled);
    Ok(answer)
}

/// What stands behind a volume, and whether it rotates.
fn backing_of(volume: &Volume, is_wine: bool) -> (Backing, Option<bool>) {
    match sys::drive_type(OsStr::new(&volume.root)) {
        Ok(DRIVE_REMOTE) => {
            let why = format!(
                "{} is a network folder, its disk is in another machine",
                plain(&volume.root)
            );
            let known = plain(&volume.root).to_lowercase();
            return (Backing::unknown(why).with_known([known]), None);
        }
        Ok(DRIVE_RAMDISK) => return (Backing::Memory, None),
        _ => {}
    }
    if is_wine {
        let why = "this is Wine, which does not say on which disk a folder is";
        return (Backing::unknown(why), None);
    }
    match disks_of(volume) {
        Ok(found) => found,
        Err(cause) => {
            let why = format!("Windows does not say on which disk it is ({cause})");
            (Backing::unknown(why), None)
        }
    }
}

fn disks_of(volume: &Volume) -> io::Result<(Backing, Option<bool>)> {
    let odd = || io::Error::other("an answer in no known form");
    let name = sys::volume_name(OsStr::new(&volume.root))?;
    let device = open_device(name.trim_end_matches('\\'))?;
    let ask = |code| {
        let mut block = vec![0; 8 + 24 * 64];
        let filled = sys::ask_device(&device, code, &[], &mut block)?;
        block.truncate(filled);
        io::Result::Ok(block)
    };
    let numbers = match ask(IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS) {
        Ok(block) => forms::disks(&block).ok_or_else(odd)?,
        // A card without partitions is a disk and no volume on one.
        Err(cause) => match ask(IOCTL_STORAGE_GET_DEVICE_NUMBER) {
            Ok(block) => vec![forms::disk_number(&block).ok_or_else(odd)?],
            Err(_) => return Err(cause),
        },
    };
    let mut names = BTreeSet::new();
    let mut rotates = None;
    for number in numbers {
        let name = format!("PhysicalDrive{number}");
        let disk = open_device(&format!(r"\\.\{name}"))?;
        if let Bus::Elsewhere(why) =
            forms::bus(&property(&disk, DEVICE_PROPERTY)?).ok_or_else(odd)?
        {
            return Ok((Backing::unknown(why), None));
        }
        let seeks = property(&disk, SEEK_PENALTY_PROPERTY)
            .ok()
            .and_then(|answer| forms::has_seek_penalty(&answer));
        if let Some(seeks) = seeks {
            rotates = Some(seeks || rotates.unwrap_or(false));
        }
        names.insert(name);
    }
    if names.is_empty() {
        return Err(odd());
    }
    Ok((Backing::Disks(names), rotates))
}

/// Returns the serial number in 64 bits, where the file system has one.
fn wide_serial(folder: &File) -> Option<u64> {
    let mut block = Aligned::new(24);
    sys::file_information(folder, FileIdInfo, &mut block.all_mut()[..24]).ok()?;
    forms::wide_serial(block.first(24))
}

/// (volume, number in it) of a folder and all above it.
fn ancestors_of(canonical: &Path) -> io::Result<Vec<(u64, u64)>> {
    let mut found = Vec::new();
    for above in canonical.ancestors() {
        let number = stat_of(&open_to_look(above)?)?.inode;
        found.push((volume_of(above)?.number, number));
    }
    Ok(found)
}

impl OsDisk {
    /// Returns the held folder that a path is in, the nearest one, and the way from there.
    fn held<'a>(&self, path: &'a Utf8Path) -> Option<(Arc<Held>, &'a Utf8Path)> {
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
        *known.entry(device).or_insert_with(|| {
            // A volume that cannot be asked must not count as a device.
            sys::volume_root(path.as_os_str())
                .and_then(|root| sys::drive_type(OsStr::new(&plain(&root))))
                .map_or(true, |kind| {
                    matches!(kind, DRIVE_UNKNOWN | DRIVE_NO_ROOT_DIR | DRIVE_RAMDISK)
                })
        })
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
        let held = Arc::new(Held {
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

    fn walk(&self, root: &Utf8Path, tree: Tree) -> io::Result<Vec<Found>> {
        self.walk_while(root, tree, &|| true)
    }

    fn walk_while(
        &self,
        root: &Utf8Path,
        _tree: Tree,
        go_on: &dyn Fn() -> bool,
    ) -> io::Result<Vec<Found>> {
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

    fn children(&self, folder: &Utf8Path) -> io::Result<Vec<Found>> {
        self.children_while(folder, &|| true)
    }

    fn children_while(
        &self,
        folder: &Utf8Path,
        go_on: &dyn Fn() -> bool,
    ) -> io::Result<Vec<Found>> {
        let mut entries = Entries::new();
        list_folder(&self.place(folder)?, 0, go_on, &mut entries)?;
        if !go_on() {
            return Err(io::Error::other(crate::error::Interruption));
        }
        Ok(entries
            .into_iter()
            .map(|(path, stat)| Found { path, stat })
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

    fn create_part(&self, path: &Utf8Path, _large: bool) -> io::Result<Box<dyn Part>> {
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
        sys::rename_without_replacing(from.as_os_str(), to.as_os_str())
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

/// A file open for reading.
#[derive(Debug)]
struct OsSource {
    file: File,
    way: ReadBackWay,
    is_unbuffered: bool,
    /// For reads that do not begin and end where unbuffered ones must.
    scratch: Option<Aligned>,
}

impl OsSource {
    /// Reads the blocks around a place and takes what was asked for.
    fn read_around(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        let scratch = self.scratch.get_or_insert_with(|| Aligned::new(ALIGN));
        let start = offset / len64(ALIGN) * len64(ALIGN);
        let skip = len_usize(offset - start);
        let filled = self.file.seek_read(scratch.all_mut(), start)?;
        let found = scratch.first(filled).get(skip..).unwrap_or(&[]);
        let n = found.len().min(into.len());
        into[..n].copy_from_slice(&found[..n]);
        Ok(n)
    }
}

impl Source for OsSource {
    fn read_at(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        if !self.is_unbuffered {
            return self.file.seek_read(into, offset);
        }
        let fits = into.as_ptr().align_offset(ALIGN) == 0 && offset.is_multiple_of(len64(ALIGN));
        let whole = into.len() / ALIGN * ALIGN;
        if fits && whole > 0 {
            return self.file.seek_read(&mut into[..whole], offset);
        }
        self.read_around(into, offset)
    }

    fn expect(&self, _offset: u64, _bytes: u64) {}

    fn forget(&self, _offset: u64) {}

    fn stat(&self) -> io::Result<Stat> {
        stat_of(&self.file)
    }

    fn way(&self) -> ReadBackWay {
        self.way
    }
}

/// A part file being written.
#[derive(Debug)]
struct OsPart {
    file: File,
    path: PathBuf,
    is_unbuffered: bool,
    /// Opened when the file system took an unbuffered open and refused an unbuffered write.
    buffered: OnceLock<File>,
}

impl OsPart {
    fn open_buffered(&self) -> io::Result<&File> {
        if self.buffered.get().is_none() {
            let file = OpenOptions::new().write(true).open(&self.path)?;
            drop(self.buffered.set(file));
        }
        self.buffered
            .get()
            .ok_or_else(|| io::Error::other("could not be opened again"))
    }
}

fn write_all_at(file: &File, mut bytes: &[u8], mut offset: u64) -> io::Result<()> {
    while !bytes.is_empty() {
        let n = file.seek_write(bytes, offset)?;
        if n == 0 {
            return Err(io::ErrorKind::WriteZero.into());
        }
        bytes = bytes.get(n..).unwrap_or(&[]);
        offset += len64(n);
    }
    Ok(())
}

impl Part for OsPart {
    fn write_chunk(&self, chunk: &Chunk, offset: u64) -> io::Result<()> {
        if !self.is_unbuffered {
            return write_all_at(&self.file, chunk.bytes(), offset);
        }
        if let Some(file) = self.buffered.get() {
            return write_all_at(file, chunk.bytes(), offset);
        }
        match write_all_at(&self.file, chunk.padded(), offset) {
            Err(e) if is_error(&e, &[ERROR_INVALID_PARAMETER]) => {
                write_all_at(self.open_buffered()?, chunk.bytes(), offset)
            }
            other => other,
        }
    }

    fn flush_data(&self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn finish(&self, bytes: u64, modified: Stamp) -> io::Result<bool> {
        if self.is_unbuffered {
            match self.file.set_len(bytes) {
                Err(e) if is_error(&e, &[ERROR_INVALID_PARAMETER]) => {
                    self.open_buffered()?.set_len(bytes)?;
                }
                other => other?,
            }
        }
        let nanos = Duration::from_nanos(u64::from(modified.nanos));
        let seconds = Duration::from_secs(modified.seconds.unsigned_abs());
        let whole = if modified.seconds < 0 {
            SystemTime::UNIX_EPOCH.checked_sub(seconds)
        } else {
            SystemTime::UNIX_EPOCH.checked_add(seconds)
        };
        let Some(time) = whole.and_then(|t| t.checked_add(nanos)) else {
            return Ok(false);
        };
        let times = FileTimes::new().set_modified(time).set_accessed(time);
        Ok(self.file.set_times(times).is_ok())
    }

    fn flush_all(&self) -> io::Result<()> {
        self.file.sync_all()
    }

    fn had_other_writer(&self) -> bool {
        false
    }
}

/// Returns the name of this computer, for the record.
pub fn host_name() -> String {
    std::env::var("COMPUTERNAME").unwrap_or_default()
}
