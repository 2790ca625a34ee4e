//! Owns the real file system: the only module that opens, reads, writes, renames or removes files.
//! Linux is what it was run on; other Unix systems compile without the Linux-only hints.

use super::buffer::Chunk;
use super::gear::{self, Gear};
use super::topology::{self, Volume};
use super::{
    Disk, EntryKind, FolderFacts, Found, Journal, Part, ReadBackWay, Source, Stamp, Stat, Tree,
};
use crate::units::len64;
use camino::Utf8Path;
use rustix::fs::{Advice, AtFlags, OFlags, RenameFlags};
use std::collections::HashMap;
use std::ffi::{OsStr, OsString};
use std::fs::{File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::os::unix::ffi::{OsStrExt as _, OsStringExt as _};
use std::os::unix::fs::{FileExt as _, MetadataExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

/// Folders below folders that a walk follows; deeper trees are told as unreadable.
const DEPTH_MAX: usize = 128;
/// Folders in the root of a volume that tell a camera's card: DCF (JEITA CP-3461), AVCHD and P2 as in
/// public manuals, others from memory.
const CAMERA_FOLDERS: [&str; 6] = ["DCIM", "PRIVATE", "AVCHD", "CONTENTS", "XDROOT", "BPAV"];
/// Entries that one walk accepts.
const ENTRIES_MAX: usize = 5_000_000;

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

/// How reads and writes past the cache behave on a file system, by its kernel name.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Honesty {
    /// Direct reads reach the device (or the server, or the FUSE daemon).
    Direct,
    /// A daemon reads through the block device's own cache; that must be dropped as well.
    ThroughBlockDevice,
    /// Direct reads are accepted and served from memory.
    Memory,
}

fn honesty(filesystem: &str) -> Honesty {
    match filesystem {
        // Measured: exFAT and NTFS through FUSE answer O_DIRECT from the block device's page cache.
        "fuseblk" => Honesty::ThroughBlockDevice,
        // tmpfs takes O_DIRECT and means nothing by it; ZFS keeps its own cache (from memory).
        "tmpfs" | "ramfs" | "devtmpfs" | "zfs" => Honesty::Memory,
        _ => Honesty::Direct,
    }
}

fn flags(flags: OFlags) -> i32 {
    i32::try_from(flags.bits()).unwrap_or(0)
}

/// Opens for reading without touching the access time where the system grants that (the owner
/// or root); never follows a link.
fn open_quietly(path: &Path, extra: OFlags) -> io::Result<File> {
    let open = |more: OFlags| {
        OpenOptions::new()
            .read(true)
            .custom_flags(flags(OFlags::NOFOLLOW | extra | more))
            .open(path)
    };
    match open(OFlags::NOATIME) {
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

fn stat_of(meta: &std::fs::Metadata) -> Stat {
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

fn join(parent: &OsStr, name: &[u8]) -> OsString {
    let mut path = Vec::with_capacity(parent.len() + name.len() + 1);
    if !parent.is_empty() {
        path.extend_from_slice(parent.as_bytes());
        path.push(b'/');
    }
    path.extend_from_slice(name);
    OsString::from_vec(path)
}

/// Walks a tree with folders opened so that their access times stay, on cards and on drives alike: an
/// offload may be checked that lies on a card. (`walkdir` cannot ask for that.)
fn walk(root: &Path) -> io::Result<Vec<Found>> {
    let root = &followed_once(root)?;
    let mut found = Vec::new();
    let mut folders = vec![(OsString::new(), 0_usize)];
    while let Some((folder, depth)) = folders.pop() {
        let at = if folder.is_empty() {
            root.clone()
        } else {
            root.join(&folder)
        };
        match list_folder(&at, &folder, &mut found) {
            Ok(below) if depth < DEPTH_MAX => {
                folders.extend(below.into_iter().map(|f| (f, depth + 1)));
            }
            Ok(below) => found.extend(below.into_iter().map(|path| Found {
                path,
                stat: Err(io::Error::other("lies more than 128 folders deep")),
            })),
            Err(cause) if folder.is_empty() => return Err(cause),
            Err(cause) => found.push(Found {
                path: folder,
                stat: Err(cause),
            }),
        }
        if found.len() > ENTRIES_MAX {
            return Err(io::Error::other("holds more than 5,000,000 entries"));
        }
    }
    Ok(found)
}

/// Follows a link that was given as a root; below it nothing is followed.
fn followed_once(root: &Path) -> io::Result<PathBuf> {
    if std::fs::symlink_metadata(root)?.is_symlink() {
        return std::fs::canonicalize(root);
    }
    Ok(root.to_path_buf())
}

/// Lists one folder into `found`; returns the folders below it.
fn list_folder(at: &Path, folder: &OsStr, found: &mut Vec<Found>) -> io::Result<Vec<OsString>> {
    let handle = open_quietly(at, OFlags::DIRECTORY)?;
    let mut below = Vec::new();
    for entry in rustix::fs::Dir::read_from(&handle)? {
        let entry = entry?;
        let name = entry.file_name().to_bytes();
        if matches!(name, b"." | b"..") {
            continue;
        }
        let path = join(folder, name);
        let stat = rustix::fs::statat(&handle, entry.file_name(), AtFlags::SYMLINK_NOFOLLOW)
            .map_err(io::Error::from)
            .map(|s| raw_stat(&s));
        if matches!(&stat, Ok(s) if s.kind == EntryKind::Folder) {
            below.push(path.clone());
        }
        found.push(Found { path, stat });
    }
    Ok(below)
}

#[cfg_attr(
    target_os = "linux",
    expect(
        clippy::useless_conversion,
        reason = "the widths of these fields differ between systems"
    )
)]
fn raw_stat(s: &rustix::fs::Stat) -> Stat {
    use rustix::fs::FileType;
    Stat {
        kind: match FileType::from_raw_mode(s.st_mode) {
            FileType::RegularFile => EntryKind::File,
            FileType::Directory => EntryKind::Folder,
            FileType::Symlink => EntryKind::Link,
            _ => EntryKind::Special,
        },
        bytes: u64::try_from(s.st_size).unwrap_or(0),
        modified: Stamp {
            seconds: s.st_mtime.into(),
            nanos: u32::try_from(s.st_mtime_nsec).unwrap_or(0),
        },
        device: s.st_dev.into(),
        inode: s.st_ino.into(),
    }
}

impl OsDisk {
    fn volume(&self, path: &Path, device: u64) -> io::Result<Volume> {
        let dev = (rustix::fs::major(device), rustix::fs::minor(device));
        topology::volume_of(&self.root, path, dev).map_err(|e| io::Error::other(e.to_string()))
    }

    /// Returns the file behind a loop device that reads it through the page cache.
    fn cached_image(&self, volume: &Volume) -> Option<PathBuf> {
        let node = volume.device_node.as_ref()?.file_name()?.to_str()?;
        let digits = node.strip_prefix("loop")?.split('p').next()?;
        let folder = self.root.join(format!("sys/block/loop{digits}/loop"));
        let past_cache = std::fs::read_to_string(folder.join("dio")).is_ok_and(|d| d.trim() == "1");
        if past_cache {
            return None;
        }
        // An image that cannot be named cannot be dropped from memory: the empty path cannot be
        // opened, and the read-back then counts as cached.
        let image = std::fs::read_to_string(folder.join("backing_file")).unwrap_or_default();
        Some(PathBuf::from(image.trim_end_matches('\n')))
    }

    fn known_volume(&self, path: &Utf8Path, device: u64) -> io::Result<Arc<Volume>> {
        let mut known = self.volumes.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(volume) = known.get(&device) {
            return Ok(Arc::clone(volume));
        }
        let parent = std::fs::canonicalize(path.parent().unwrap_or(path))?;
        let volume = Arc::new(self.volume(&parent, device)?);
        known.insert(device, Arc::clone(&volume));
        Ok(volume)
    }

    /// Fails when the kernel no longer knows the block device behind `device`: a card that was
    /// pulled can still be listed from memory, or look like an empty folder.
    fn check_present(&self, device: u64, backing: &topology::Backing) -> io::Result<()> {
        let (major, minor) = (rustix::fs::major(device), rustix::fs::minor(device));
        let is_block = major != 0 && matches!(backing, topology::Backing::Disks(_));
        let node = self.root.join(format!("sys/dev/block/{major}:{minor}"));
        if is_block && std::fs::symlink_metadata(&node).is_err() {
            return Err(io::Error::new(
                io::ErrorKind::NotFound,
                "its device is no longer there",
            ));
        }
        Ok(())
    }
}

/// Returns an identity for a volume that has no entry below `/dev/disk`: ext4 and btrfs derive
/// `f_fsid` from the volume's UUID, others from the device's number, which says nothing.
fn fsid_identity(filesystem: &str, fsid: u64) -> Option<String> {
    (matches!(filesystem, "ext4" | "ext3" | "ext2" | "btrfs") && fsid != 0)
        .then(|| format!("fsid-{fsid:016x}"))
}

impl Disk for OsDisk {
    fn walk(&self, root: &Utf8Path, _: Tree) -> io::Result<Vec<Found>> {
        walk(root.as_std_path())
    }

    fn children(&self, folder: &Utf8Path) -> io::Result<Vec<Found>> {
        let mut found = Vec::new();
        let root = followed_once(folder.as_std_path())?;
        list_folder(&root, OsStr::new(""), &mut found)?;
        Ok(found)
    }

    fn gear(&self, facts: &FolderFacts) -> Gear {
        gear::behind(&self.root, &facts.backing, facts.rotational)
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
        let volume = self.volume(&canonical, meta.dev())?;
        self.check_present(meta.dev(), &volume.backing)?;
        let room = rustix::fs::statvfs(&canonical)?;
        let above_device = ancestors.get(1).map(|a| a.0);
        Ok(FolderFacts {
            is_mount_root: canonical == volume.mount_point || above_device != Some(meta.dev()),
            canonical: canonical.to_string_lossy().into_owned(),
            device: meta.dev(),
            inode: meta.ino(),
            ancestors,
            volume_id: volume
                .volume_id
                .or_else(|| fsid_identity(&volume.filesystem, room.f_fsid)),
            label: volume.label,
            filesystem: volume.filesystem,
            total_bytes: room.f_blocks.saturating_mul(room.f_frsize),
            free_bytes: room.f_bavail.saturating_mul(room.f_frsize),
            cluster_bytes: room.f_frsize,
            read_only: volume.read_only,
            backing: volume.backing,
            rotational: volume.rotational,
            is_camera_volume: CAMERA_FOLDERS
                .iter()
                .any(|folder| volume.mount_point.join(folder).is_dir()),
            is_system_volume: std::fs::metadata(&self.root).is_ok_and(|m| m.dev() == meta.dev()),
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
        // What the computer may have read earlier (thumbnails, say) must come from the card again.
        hint(&file, 0, 0, Advice::DontNeed);
        hint(&file, 0, 0, Advice::Sequential);
        // A FUSE file that is opened for direct reads would be read ahead into a cache that nobody
        // looks at: measured, 12 % of the card's time.
        let filesystem = &self.known_volume(path, meta.dev())?.filesystem;
        let hints = filesystem == "fuseblk" || !filesystem.starts_with("fuse");
        Ok(Box::new(OsSource {
            file,
            way: ReadBackWay::Cached,
            drop_node: None,
            hints,
        }))
    }

    fn open_read_back(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        let std_path = path.as_std_path();
        let buffered = open_quietly(std_path, OFlags::NONBLOCK)?;
        let meta = buffered.metadata()?;
        if !meta.is_file() {
            return Err(io::Error::other("is not a file"));
        }
        let volume = self.known_volume(path, meta.dev())?;
        let image = self.cached_image(&volume);
        Ok(Box::new(open_past_cache(
            std_path,
            buffered,
            &volume,
            image.as_deref(),
        )?))
    }

    fn read_record(&self, path: &Utf8Path, limit: u64) -> io::Result<Vec<u8>> {
        let file = open_quietly(path.as_std_path(), OFlags::NONBLOCK)?;
        let meta = file.metadata()?;
        if !meta.is_file() {
            return Err(io::Error::other("is not a file"));
        }
        if meta.len() > limit {
            return Err(io::Error::other(format!(
                "is {}, more than the {} that a record may have",
                crate::units::size(meta.len()),
                crate::units::size(limit)
            )));
        }
        let mut bytes = Vec::new();
        // Asked for, not taken: too little memory is an error here, not the end of the program.
        bytes
            .try_reserve_exact(crate::units::len_usize(meta.len().saturating_add(1)))
            .map_err(io::Error::other)?;
        file.take(limit + 1).read_to_end(&mut bytes)?;
        if len64(bytes.len()) > limit {
            return Err(io::Error::other("grew while it was read"));
        }
        Ok(bytes)
    }

    fn create_folder(&self, path: &Utf8Path) -> io::Result<()> {
        std::fs::create_dir(path)
    }

    fn create_part(&self, path: &Utf8Path, large: bool) -> io::Result<Box<dyn Part>> {
        let create = |extra: OFlags| {
            OpenOptions::new()
                .write(true)
                .create_new(true)
                .custom_flags(flags(OFlags::NOFOLLOW | extra))
                .open(path)
        };
        let (file, direct) = if large {
            match create(OFlags::DIRECT) {
                Err(e) if e.kind() == io::ErrorKind::InvalidInput => {
                    (create_or_reuse(path, &create)?, false)
                }
                other => (other?, true),
            }
        } else {
            (create(OFlags::empty())?, false)
        };
        Ok(Box::new(OsPart {
            path: path.as_std_path().to_owned(),
            file,
            direct,
            buffered: OnceLock::new(),
        }))
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
        match File::open(path)?.sync_all() {
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
        let name = path.file_name().unwrap_or_default();
        if !crate::name::is_part_name(name) && name != super::JOURNAL {
            return Err(io::Error::other(
                "is neither a part file nor a journal of unlade",
            ));
        }
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

/// After EINVAL for a direct open, some file systems have already made the (empty) file.
fn create_or_reuse(
    path: &Utf8Path,
    create: &dyn Fn(OFlags) -> io::Result<File>,
) -> io::Result<File> {
    match create(OFlags::empty()) {
        Err(e)
            if e.kind() == io::ErrorKind::AlreadyExists
                && std::fs::symlink_metadata(path)?.len() == 0 =>
        {
            OpenOptions::new()
                .write(true)
                .custom_flags(flags(OFlags::NOFOLLOW))
                .open(path)
        }
        other => other,
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

fn hint(file: &File, offset: u64, bytes: u64, advice: Advice) {
    // A refused hint changes speed only, never what is read.
    if rustix::fs::fadvise(file, offset, std::num::NonZeroU64::new(bytes), advice).is_err() {}
}

/// A file open for reading.
#[derive(Debug)]
struct OsSource {
    file: File,
    way: ReadBackWay,
    /// The block device whose own cache has to be dropped before each read.
    drop_node: Option<File>,
    /// Whether asking the system to read ahead helps.
    hints: bool,
}

/// Makes a file's pages clean and drops them from memory; whether that was granted.
fn dropped(file: &File) -> bool {
    file.sync_data().is_ok() && rustix::fs::fadvise(file, 0, None, Advice::DontNeed).is_ok()
}

fn open_past_cache(
    path: &Path,
    buffered: File,
    volume: &Volume,
    image: Option<&Path>,
) -> io::Result<OsSource> {
    match honesty(&volume.filesystem) {
        Honesty::Memory => Ok(OsSource {
            file: buffered,
            way: ReadBackWay::Cached,
            drop_node: None,
            hints: false,
        }),
        Honesty::ThroughBlockDevice => {
            let node = volume
                .device_node
                .as_deref()
                .and_then(|n| File::open(n).ok());
            let way = match &node {
                Some(node)
                    if dropped(&buffered)
                        && rustix::fs::fadvise(node, 0, None, Advice::DontNeed).is_ok() =>
                {
                    ReadBackWay::Dropped
                }
                _ => ReadBackWay::Cached,
            };
            Ok(OsSource {
                file: buffered,
                way,
                drop_node: node,
                hints: false,
            })
        }
        Honesty::Direct => open_direct(path, buffered, image),
    }
}

/// Opens for direct reads, which reach the device unless a loop device answers them from the page
/// cache of its image.
fn open_direct(path: &Path, buffered: File, image: Option<&Path>) -> io::Result<OsSource> {
    // Dropped first as well: some file systems quietly answer direct reads of certain
    // extents through the page cache.
    hint(&buffered, 0, 0, Advice::DontNeed);
    // A loop device answers direct reads from the page cache of its image file; that has to
    // be dropped before each read.
    let (node, best) = match image.map(File::open) {
        None => (None, ReadBackWay::Direct),
        Some(Ok(image)) => (Some(image), ReadBackWay::Dropped),
        Some(Err(_)) => (None, ReadBackWay::Cached),
    };
    match open_quietly(path, OFlags::DIRECT | OFlags::NONBLOCK) {
        Ok(file) => Ok(OsSource {
            file,
            way: best,
            drop_node: node,
            hints: false,
        }),
        Err(e) if e.kind() == io::ErrorKind::InvalidInput => {
            let way = if dropped(&buffered) {
                best.min(ReadBackWay::Dropped)
            } else {
                ReadBackWay::Cached
            };
            Ok(OsSource {
                file: buffered,
                way,
                drop_node: node,
                hints: false,
            })
        }
        Err(e) => Err(e),
    }
}

impl OsSource {
    fn read_retrying(&self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        loop {
            match self.file.read_at(into, offset) {
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                other => return other,
            }
        }
    }
}

impl Source for OsSource {
    fn read_at(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        if let Some(node) = &self.drop_node {
            hint(node, 0, 0, Advice::DontNeed);
        }
        if self.way == ReadBackWay::Dropped {
            hint(&self.file, offset, len64(into.len()), Advice::DontNeed);
        }
        match self.read_retrying(into, offset) {
            // Accepted at open, refused at read: fall back to dropping the pages first.
            Err(e) if e.kind() == io::ErrorKind::InvalidInput => {
                let on = rustix::fs::fcntl_getfl(&self.file)?;
                if !on.contains(OFlags::DIRECT) {
                    return Err(e);
                }
                rustix::fs::fcntl_setfl(&self.file, on & !OFlags::DIRECT)?;
                let is_dropped = rustix::fs::fadvise(&self.file, 0, None, Advice::DontNeed).is_ok();
                self.way = if is_dropped {
                    self.way.min(ReadBackWay::Dropped)
                } else {
                    ReadBackWay::Cached
                };
                self.read_retrying(into, offset)
            }
            other => other,
        }
    }

    fn expect(&self, offset: u64, bytes: u64) {
        if !self.hints {
            return;
        }
        hint(&self.file, offset, bytes, Advice::WillNeed);
    }

    fn forget(&self, offset: u64) {
        hint(&self.file, 0, offset, Advice::DontNeed);
    }

    fn stat(&self) -> io::Result<Stat> {
        Ok(stat_of(&self.file.metadata()?))
    }

    fn way(&self) -> ReadBackWay {
        self.way
    }
}

/// A part file being written.
#[derive(Debug)]
struct OsPart {
    path: PathBuf,
    file: File,
    direct: bool,
    /// Opened when the file system took a direct open and refused a direct write.
    buffered: OnceLock<File>,
}

impl OsPart {
    fn open_buffered(&self) -> io::Result<&File> {
        if self.buffered.get().is_none() {
            let file = OpenOptions::new()
                .write(true)
                .custom_flags(flags(OFlags::NOFOLLOW))
                .open(&self.path)?;
            drop(self.buffered.set(file));
        }
        self.buffered
            .get()
            .ok_or_else(|| io::Error::other("could not be opened again"))
    }
}

impl Part for OsPart {
    fn write_chunk(&self, chunk: &Chunk, offset: u64) -> io::Result<()> {
        if !self.direct {
            return self.file.write_all_at(chunk.bytes(), offset);
        }
        if let Some(file) = self.buffered.get() {
            return file.write_all_at(chunk.bytes(), offset);
        }
        match self.file.write_all_at(chunk.padded(), offset) {
            Err(e) if e.kind() == io::ErrorKind::InvalidInput => {
                self.open_buffered()?.write_all_at(chunk.bytes(), offset)
            }
            other => other,
        }
    }

    fn flush_data(&self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn finish(&self, bytes: u64, modified: Stamp) -> io::Result<bool> {
        if self.direct {
            self.file.set_len(bytes)?;
        }
        let time = rustix::fs::Timespec {
            tv_sec: modified.seconds,
            tv_nsec: i64::from(modified.nanos),
        };
        let times = rustix::fs::Timestamps {
            last_access: time,
            last_modification: time,
        };
        Ok(rustix::fs::futimens(&self.file, &times).is_ok())
    }

    fn flush_all(&self) -> io::Result<()> {
        self.file.sync_all()
    }
}

/// A journal open for appending.
#[derive(Debug)]
struct OsJournal {
    file: File,
}

impl Journal for OsJournal {
    fn append(&mut self, lines: &[u8]) -> io::Result<()> {
        self.file.write_all(lines)?;
        self.file.sync_data()
    }
}

/// Returns the name of this computer, for the record.
pub fn host_name() -> String {
    rustix::system::uname()
        .nodename()
        .to_string_lossy()
        .into_owned()
}
