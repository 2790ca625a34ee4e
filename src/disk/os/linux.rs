//! Owns what only Linux does: which disk is behind a folder (through `topology`), reading and writing
//! past the page cache, and telling the page cache what it need not keep.

use super::unix::{flags, open_quietly, stat_of};
use crate::disk::backing::Backing;
use crate::disk::buffer::Chunk;
use crate::disk::topology;
use crate::disk::{Part, ReadBackWay, Source, Stamp, Stat};
use crate::units::len64;
use rustix::fs::{Advice, OFlags};
use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::{FileExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

pub(super) use topology::Volume;

/// Leaves the access time alone.
pub(super) const QUIETLY: OFlags = OFlags::NOATIME;
/// Where the volume that the system runs from is mounted.
pub(super) const SYSTEM_ROOTS: [&str; 1] = [""];

/// Looks up what stands behind a folder.
pub(super) fn volume_of(root: &Path, path: &Path, device: u64) -> io::Result<Volume> {
    let dev = (rustix::fs::major(device), rustix::fs::minor(device));
    topology::volume_of(root, path, dev).map_err(|e| io::Error::other(e.to_string()))
}

/// Room on a volume, in bytes, and an identity where `/dev/disk` has none.
pub(super) struct Room {
    pub(super) total_bytes: u64,
    pub(super) free_bytes: u64,
    pub(super) cluster_bytes: u64,
    pub(super) identity: Option<String>,
}

/// Asks how much room there is.
pub(super) fn room(path: &Path, volume: &Volume) -> io::Result<Room> {
    let room = rustix::fs::statvfs(path)?;
    Ok(Room {
        total_bytes: room.f_blocks.saturating_mul(room.f_frsize),
        free_bytes: room.f_bavail.saturating_mul(room.f_frsize),
        cluster_bytes: room.f_frsize,
        identity: fsid_identity(&volume.filesystem, room.f_fsid),
    })
}

/// Fails when the kernel no longer knows the block device behind `device`: a card that was
/// pulled can still be listed from memory, or look like an empty folder.
pub(super) fn check_present(root: &Path, device: u64, backing: &Backing) -> io::Result<()> {
    let (major, minor) = (rustix::fs::major(device), rustix::fs::minor(device));
    let is_block = major != 0 && matches!(backing, Backing::Disks(_));
    let node = root.join(format!("sys/dev/block/{major}:{minor}"));
    if is_block && std::fs::symlink_metadata(&node).is_err() {
        return Err(io::Error::new(
            io::ErrorKind::NotFound,
            "its device is no longer there",
        ));
    }
    Ok(())
}

/// Returns an identity for a volume that has no entry below `/dev/disk`: ext4 and btrfs derive
/// `f_fsid` from the volume's UUID, others from the device's number, which says nothing.
fn fsid_identity(filesystem: &str, fsid: u64) -> Option<String> {
    (matches!(filesystem, "ext4" | "ext3" | "ext2" | "btrfs") && fsid != 0)
        .then(|| format!("fsid-{fsid:016x}"))
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

/// Returns the file behind a loop device that reads it through the page cache.
fn cached_image(root: &Path, volume: &Volume) -> Option<PathBuf> {
    let node = volume.device_node.as_ref()?.file_name()?.to_str()?;
    let digits = node.strip_prefix("loop")?.split('p').next()?;
    let folder = root.join(format!("sys/block/loop{digits}/loop"));
    let past_cache = std::fs::read_to_string(folder.join("dio")).is_ok_and(|d| d.trim() == "1");
    if past_cache {
        return None;
    }
    // An image that cannot be named cannot be dropped from memory: the empty path cannot be
    // opened, and the read-back then counts as cached.
    let image = std::fs::read_to_string(folder.join("backing_file")).unwrap_or_default();
    Some(PathBuf::from(image.trim_end_matches('\n')))
}

/// Prepares a file of a card for reading.
pub(super) fn card_source(file: File, volume: &Volume) -> Box<dyn Source> {
    // What the computer may have read earlier (thumbnails, say) must come from the card again.
    hint(&file, 0, 0, Advice::DontNeed);
    hint(&file, 0, 0, Advice::Sequential);
    // A FUSE file that is opened for direct reads would be read ahead into a cache that nobody
    // looks at: measured, 12 % of the card's time.
    let filesystem = &volume.filesystem;
    let hints = filesystem == "fuseblk" || !filesystem.starts_with("fuse");
    Box::new(OsSource {
        file,
        way: ReadBackWay::Cached,
        drop_node: None,
        hints,
    })
}

/// Opens a file for reads past the page cache, where the file system takes that.
pub(super) fn open_past_cache(path: &Path) -> io::Result<File> {
    match open_quietly(path, OFlags::DIRECT | OFlags::NONBLOCK) {
        Err(e) if e.kind() == io::ErrorKind::InvalidInput => open_quietly(path, OFlags::NONBLOCK),
        other => other,
    }
}

/// Prepares a file that was opened past the cache for reading it back from the device.
pub(super) fn read_back_source(
    root: &Path,
    file: File,
    volume: &Volume,
) -> io::Result<Box<dyn Source>> {
    let (drop_node, way) = match honesty(&volume.filesystem) {
        Honesty::Direct => direct_way(&file, cached_image(root, volume).as_deref())?,
        Honesty::Memory => {
            through_cache(&file)?;
            (None, ReadBackWay::Cached)
        }
        Honesty::ThroughBlockDevice => {
            through_cache(&file)?;
            let node = volume.device_node.as_deref();
            let node = node.and_then(|n| File::open(n).ok());
            let is_dropped = node.as_ref().is_some_and(|n| {
                dropped(&file) && rustix::fs::fadvise(n, 0, None, Advice::DontNeed).is_ok()
            });
            let way = if is_dropped {
                ReadBackWay::Dropped
            } else {
                ReadBackWay::Cached
            };
            (node, way)
        }
    };
    Ok(Box::new(OsSource {
        file,
        way,
        drop_node,
        hints: false,
    }))
}

/// Returns what has to be dropped before each read, and how reads reach the device, for a file
/// system that means what it says of direct reads.
fn direct_way(file: &File, image: Option<&Path>) -> io::Result<(Option<File>, ReadBackWay)> {
    // A loop device answers direct reads from the page cache of its image file; that has to
    // be dropped before each read.
    let (node, best) = match image.map(File::open) {
        None => (None, ReadBackWay::Direct),
        Some(Ok(image)) => (Some(image), ReadBackWay::Dropped),
        Some(Err(_)) => (None, ReadBackWay::Cached),
    };
    if is_direct(file)? {
        // Dropped as well: some file systems quietly answer direct reads of certain extents
        // through the page cache.
        hint(file, 0, 0, Advice::DontNeed);
        return Ok((node, best));
    }
    let way = if dropped(file) {
        best.min(ReadBackWay::Dropped)
    } else {
        ReadBackWay::Cached
    };
    Ok((node, way))
}

fn is_direct(file: &File) -> io::Result<bool> {
    Ok(rustix::fs::fcntl_getfl(file)?.contains(OFlags::DIRECT))
}

/// Lets the reads of a file go through the page cache from here on.
fn through_cache(file: &File) -> io::Result<()> {
    let on = rustix::fs::fcntl_getfl(file)?;
    Ok(rustix::fs::fcntl_setfl(file, on & !OFlags::DIRECT)?)
}

/// Creates a part file; it must not exist.
pub(super) fn create_part(path: &Path, large: bool) -> io::Result<Box<dyn Part>> {
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
        path: path.to_owned(),
        file,
        direct,
        buffered: OnceLock::new(),
    }))
}

/// Makes everything about a file or folder durable.
pub(super) fn flush_all(file: &File) -> io::Result<()> {
    file.sync_all()
}

/// After EINVAL for a direct open, some file systems have already made the (empty) file.
fn create_or_reuse(path: &Path, create: &dyn Fn(OFlags) -> io::Result<File>) -> io::Result<File> {
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
                if !is_direct(&self.file)? {
                    return Err(e);
                }
                through_cache(&self.file)?;
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
        let is_dated = rustix::fs::futimens(&self.file, &times).is_ok();
        if !self.direct {
            // Begins to write its pages out, so that the flush that follows finds most of it done.
            hint(&self.file, 0, 0, Advice::DontNeed);
        }
        Ok(is_dated)
    }

    fn flush_all(&self) -> io::Result<()> {
        self.file.sync_all()
    }
}
