//! Owns what Linux and macOS do alike: opening without following links, listing, names, flushing.
//! What they do differently is in `system`, the module of the one at hand.

#[cfg(target_os = "linux")]
use super::linux as system;
#[cfg(target_os = "macos")]
use super::macos as system;

use super::{
    DEPTH_MAX, ENTRIES_MAX, Entries, OsJournal, check_own, is_camera_volume, read_limited, walk,
};
use crate::disk::{
    Claim, Disk, EntryKind, FolderFacts, Found, Journal, Part, Source, Stamp, Stat, Tree,
};
use camino::Utf8Path;
use rustix::fs::{AtFlags, OFlags, RenameFlags};
use std::collections::HashMap;
use std::ffi::OsStr;
use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::{MetadataExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use system::Volume;

/// The computer's own file systems, seen from `root` (`/` outside tests).
#[derive(Debug)]
pub struct OsDisk {
    root: PathBuf,
    /// What stands behind each `st_dev`, so that thousands of small files are not each looked up.
    /// Used for the way of reading back only; identity is always asked afresh.
    volumes: Mutex<HashMap<u64, Arc<Volume>>>,
}

impl OsDisk {
    /// The file systems of this computer.
    pub fn new() -> Self {
        Self {
            root: PathBuf::from("/"),
            volumes: Mutex::default(),
        }
    }
}

impl Default for OsDisk {
    fn default() -> Self {
        Self::new()
    }
}

pub(super) fn flags(flags: OFlags) -> i32 {
    i32::try_from(flags.bits()).unwrap_or(0)
}

/// Opens for reading without touching the access time where the system grants that (on Linux the
/// owner or root; macOS has no such call); never follows a link.
pub(super) fn open_quietly(path: &Path, extra: OFlags) -> io::Result<File> {
    let open = |more: OFlags| {
        OpenOptions::new()
            .read(true)
            .custom_flags(flags(OFlags::NOFOLLOW | extra | more))
            .open(path)
    };
    match open(system::QUIETLY) {
        Err(e) if e.kind() == io::ErrorKind::PermissionDenied => open(OFlags::empty()),
        other => other,
    }
}

fn stamp(seconds: i64, nanos: i64) -> Stamp {
    Stamp {
        seconds,
        nanos: u32::try_from(nanos).unwrap_or(0),
    }
}

pub(super) fn stat_of(meta: &std::fs::Metadata) -> Stat {
    let kind = meta.file_type();
    Stat {
        kind: if kind.is_file() {
            EntryKind::File
        } else if kind.is_dir() {
            EntryKind::Folder
        } else if kind.is_symlink() {
            EntryKind::Link
        } else {
            EntryKind::Special
        },
        bytes: meta.len(),
        modified: stamp(meta.mtime(), meta.mtime_nsec()),
        device: meta.dev(),
        inode: meta.ino(),
    }
}

/// Follows a link that was given as a root; below it nothing is followed.
fn followed_once(root: &Path) -> io::Result<PathBuf> {
    if std::fs::symlink_metadata(root)?.is_symlink() {
        return std::fs::canonicalize(root);
    }
    Ok(root.to_path_buf())
}

/// Lists one folder of a card so that its access time stays; `walkdir` cannot ask for that.
fn list_folder(at: &Path, entries: &mut Entries) -> io::Result<()> {
    let handle = open_quietly(at, OFlags::DIRECTORY)?;
    for entry in rustix::fs::Dir::read_from(&handle)? {
        let entry = entry?;
        let name = entry.file_name().to_bytes();
        if matches!(name, b"." | b"..") {
            continue;
        }
        let stat = rustix::fs::statat(&handle, entry.file_name(), AtFlags::SYMLINK_NOFOLLOW)
            .map_err(io::Error::from)
            .map(|s| raw_stat(&s));
        entries.push((OsStr::from_bytes(name).to_owned(), stat));
    }
    Ok(())
}

/// The widths of these fields differ between systems.
fn wide<T, N: TryInto<T>>(field: N) -> Option<T> {
    field.try_into().ok()
}

fn raw_stat(s: &rustix::fs::Stat) -> Stat {
    use rustix::fs::FileType;
    Stat {
        kind: match FileType::from_raw_mode(s.st_mode) {
            FileType::RegularFile => EntryKind::File,
            FileType::Directory => EntryKind::Folder,
            FileType::Symlink => EntryKind::Link,
            _ => EntryKind::Special,
        },
        bytes: wide(s.st_size).unwrap_or(0),
        modified: Stamp {
            seconds: wide(s.st_mtime).unwrap_or(0),
            nanos: wide(s.st_mtime_nsec).unwrap_or(0),
        },
        device: wide(s.st_dev).unwrap_or(0),
        inode: wide(s.st_ino).unwrap_or(0),
    }
}

fn walk_drive(root: &Path, depth_max: usize) -> io::Result<Vec<Found>> {
    let mut found = Vec::new();
    let walk = walkdir::WalkDir::new(root)
        .min_depth(1)
        .max_depth(depth_max)
        .follow_links(false);
    for entry in walk {
        match entry {
            Ok(entry) => {
                let path = entry.path().strip_prefix(root).unwrap_or(entry.path());
                found.push(Found {
                    path: path.as_os_str().to_owned(),
                    stat: entry
                        .metadata()
                        .map(|m| stat_of(&m))
                        .map_err(io::Error::from),
                });
            }
            Err(error) => {
                let path = error
                    .path()
                    .and_then(|p| p.strip_prefix(root).ok())
                    .map(Path::to_path_buf);
                let depth = error.depth();
                let cause = io::Error::from(error);
                match path {
                    Some(path) if depth > 0 && !path.as_os_str().is_empty() => {
                        found.push(Found {
                            path: path.into_os_string(),
                            stat: Err(cause),
                        });
                    }
                    _ => return Err(cause),
                }
            }
        }
        if found.len() > ENTRIES_MAX {
            return Err(io::Error::other("holds more than 5,000,000 entries"));
        }
    }
    Ok(found)
}

impl OsDisk {
    fn known_volume(&self, path: &Utf8Path, device: u64) -> io::Result<Arc<Volume>> {
        let mut known = self.volumes.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(volume) = known.get(&device) {
            return Ok(Arc::clone(volume));
        }
        let parent = std::fs::canonicalize(path.parent().unwrap_or(path))?;
        let volume = Arc::new(system::volume_of(&self.root, &parent, device)?);
        known.insert(device, Arc::clone(&volume));
        Ok(volume)
    }
}

impl Disk for OsDisk {
    fn walk(&self, root: &Utf8Path, tree: Tree) -> io::Result<Vec<Found>> {
        match tree {
            Tree::Card => walk(&followed_once(root.as_std_path())?, &list_folder),
            Tree::Drive => walk_drive(root.as_std_path(), DEPTH_MAX),
        }
    }

    fn children(&self, folder: &Utf8Path) -> io::Result<Vec<Found>> {
        let mut entries = Entries::new();
        list_folder(&followed_once(folder.as_std_path())?, &mut entries)?;
        let found = |(path, stat)| Found { path, stat };
        Ok(entries.into_iter().map(found).collect())
    }

    #[cfg(target_os = "linux")]
    fn gear(&self, facts: &FolderFacts) -> crate::disk::gear::Gear {
        crate::disk::gear::behind(&self.root, &facts.backing, facts.rotational)
    }

    fn facts(&self, folder: &Utf8Path) -> io::Result<FolderFacts> {
        let canonical = std::fs::canonicalize(folder)?;
        let meta = std::fs::metadata(&canonical)?;
        if !meta.is_dir() {
            return Err(io::Error::new(
                io::ErrorKind::NotADirectory,
                "is not a folder",
            ));
        }
        let mut ancestors = Vec::new();
        for above in canonical.ancestors() {
            let m = std::fs::metadata(above)?;
            ancestors.push((m.dev(), m.ino()));
        }
        let volume = system::volume_of(&self.root, &canonical, meta.dev())?;
        system::check_present(&self.root, meta.dev(), &volume.backing)?;
        let room = system::room(&canonical, &volume)?;
        let above_device = ancestors.get(1).map(|a| a.0);
        Ok(FolderFacts {
            is_mount_root: canonical == volume.mount_point || above_device != Some(meta.dev()),
            canonical: canonical.to_string_lossy().into_owned(),
            device: meta.dev(),
            inode: meta.ino(),
            ancestors,
            volume_id: volume.volume_id.or(room.identity),
            label: volume.label,
            filesystem: volume.filesystem,
            total_bytes: room.total_bytes,
            free_bytes: room.free_bytes,
            cluster_bytes: room.cluster_bytes,
            read_only: volume.read_only,
            backing: volume.backing,
            own_disk: volume.own_disk,
            rotational: volume.rotational,
            is_camera_volume: is_camera_volume(&volume.mount_point),
            is_system_volume: system::SYSTEM_ROOTS.iter().any(|place| {
                std::fs::metadata(self.root.join(place)).is_ok_and(|m| m.dev() == meta.dev())
            }),
        })
    }

    fn look(&self, path: &Utf8Path) -> io::Result<Option<Stat>> {
        match std::fs::symlink_metadata(path) {
            Ok(meta) => Ok(Some(stat_of(&meta))),
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
        // O_NONBLOCK: a pipe that took the place of a file must not hang the reader.
        let file = open_quietly(path.as_std_path(), OFlags::NONBLOCK)?;
        let meta = file.metadata()?;
        if !meta.is_file() {
            return Err(io::Error::other("is no longer a file"));
        }
        let volume = self.known_volume(path, meta.dev())?;
        Ok(system::card_source(file, &volume))
    }

    fn open_read_back(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        let std_path = path.as_std_path();
        let file = system::open_past_cache(std_path)?;
        let meta = file.metadata()?;
        if !meta.is_file() {
            return Err(io::Error::other("is not a file"));
        }
        let volume = self.known_volume(path, meta.dev())?;
        system::read_back_source(&self.root, file, &volume)
    }

    fn read_record(&self, path: &Utf8Path, limit: u64) -> io::Result<Vec<u8>> {
        let file = open_quietly(path.as_std_path(), OFlags::NONBLOCK)?;
        read_limited(file, limit)
    }

    fn claim(&self, folder: &Utf8Path) -> io::Result<Claim> {
        use rustix::fs::{FlockOperation, flock};
        let folder = open_quietly(folder.as_std_path(), OFlags::DIRECTORY)?;
        match flock(&folder, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => Ok(Some(folder)),
            Err(rustix::io::Errno::WOULDBLOCK) => Err(io::ErrorKind::WouldBlock.into()),
            // Some network file systems have no locks.
            Err(_) => Ok(None),
        }
    }

    fn create_folder(&self, path: &Utf8Path) -> io::Result<()> {
        std::fs::create_dir(path)
    }

    fn create_part(&self, path: &Utf8Path, large: bool) -> io::Result<Box<dyn Part>> {
        system::create_part(path.as_std_path(), large)
    }

    fn rename_new(&self, from: &Utf8Path, to: &Utf8Path) -> io::Result<()> {
        use rustix::fs::{CWD, renameat_with};
        match renameat_with(
            CWD,
            from.as_std_path(),
            CWD,
            to.as_std_path(),
            RenameFlags::NOREPLACE,
        ) {
            Ok(()) => Ok(()),
            // Some FUSE and network file systems lack RENAME_NOREPLACE. A hard link never replaces
            // either; where even that is missing, nothing is published.
            Err(
                rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS | rustix::io::Errno::NOTSUP,
            ) => rename_by_link(from.as_std_path(), to.as_std_path()),
            Err(e) => Err(e.into()),
        }
    }

    fn flush(&self, path: &Utf8Path) -> io::Result<()> {
        match system::flush_all(&File::open(path)?) {
            // Some network and FUSE file systems have no such call for folders; their own protocol
            // decides when an entry is durable.
            Err(e)
                if matches!(
                    e.kind(),
                    io::ErrorKind::InvalidInput | io::ErrorKind::Unsupported
                ) =>
            {
                Ok(())
            }
            other => other,
        }
    }

    fn remove_own(&self, path: &Utf8Path) -> io::Result<()> {
        check_own(path.file_name().unwrap_or_default())?;
        std::fs::remove_file(path)
    }

    fn remove_empty_folder(&self, path: &Utf8Path) -> io::Result<()> {
        std::fs::remove_dir(path)
    }

    fn open_journal(&self, path: &Utf8Path) -> io::Result<Box<dyn Journal>> {
        let file = OpenOptions::new()
            .append(true)
            .create(true)
            .custom_flags(flags(OFlags::NOFOLLOW))
            .open(path)?;
        Ok(Box::new(OsJournal { file }))
    }
}

/// For file systems without `RENAME_NOREPLACE`: a hard link never replaces either. Where links are
/// missing too (exFAT through FUSE), the place is looked at and then taken; only another program
/// that writes this very name into the offload at the same instant could come between.
#[expect(
    clippy::disallowed_methods,
    reason = "the one place where a rename could replace; it looks first"
)]
fn rename_by_link(from: &Path, to: &Path) -> io::Result<()> {
    match std::fs::hard_link(from, to) {
        Ok(()) => std::fs::remove_file(from),
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Err(e),
        Err(_) if std::fs::symlink_metadata(to).is_ok() => {
            Err(io::Error::from(io::ErrorKind::AlreadyExists))
        }
        Err(_) => std::fs::rename(from, to),
    }
}

/// Returns the name of this computer, for the record.
pub fn host_name() -> String {
    rustix::system::uname()
        .nodename()
        .to_string_lossy()
        .into_owned()
}
