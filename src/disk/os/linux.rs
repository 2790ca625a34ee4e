//! Owns what only Linux does: which disk is behind a folder (through `topology`), reading and writing
//! past the page cache, and telling the page cache what it need not keep.

use super::beneath::{At, Place};
use super::unix::{kind_of, raw_stat, stat_of};
use crate::disk::backing::Backing;
use crate::disk::buffer::Chunk;
use crate::disk::topology;
use crate::disk::{Part, ReadBackWay, Settling, Source, Stamp, Stat};
use crate::units::len64;
use rustix::fs::{Advice, AtFlags, CWD, Mode, OFlags, ResolveFlags, StatxFlags, openat2};
use rustix::io::{Errno, retry_on_intr};
use std::fs::File;
use std::io;
use std::os::fd::{BorrowedFd, OwnedFd};
use std::os::unix::fs::{FileExt as _, MetadataExt as _};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

pub(super) use topology::Volume;

/// Leaves the access time alone.
pub(super) const QUIETLY: OFlags = OFlags::NOATIME;
/// Opens a folder only to start from it.
pub(super) const START: OFlags = OFlags::PATH;
/// Where the volume that the system runs from is mounted.
pub(super) const SYSTEM_ROOTS: [&str; 1] = [""];

/// Opens what lies below a folder, through no link and on its own mount, in one call; `None` where the
/// kernel (before 5.6) or a sandbox has no such call.
pub(super) fn open_beneath(
    from: BorrowedFd<'_>,
    path: &Path,
    flags: OFlags,
    mode: Mode,
) -> Option<Result<OwnedFd, Errno>> {
    static IS_KNOWN: OnceLock<bool> = OnceLock::new();
    let how = ResolveFlags::BENEATH | ResolveFlags::NO_SYMLINKS | ResolveFlags::NO_XDEV;
    let plain = OFlags::PATH | OFlags::CLOEXEC;
    // A sandbox may answer with an error that files give as well.
    IS_KNOWN
        .get_or_init(|| openat2(CWD, ".", plain, Mode::empty(), how).is_ok())
        .then(|| retry_on_intr(|| openat2(from, path, flags, mode, how)))
}

/// Returns what an entry of a folder is and where; a link is not followed.
pub(super) fn stat_at(folder: BorrowedFd<'_>, name: &Path) -> Result<(Stat, Place), Errno> {
    statx(folder, name, AtFlags::SYMLINK_NOFOLLOW)
}

/// Returns what an open file or folder is and where.
pub(super) fn stat_open(open: BorrowedFd<'_>) -> Result<(Stat, Place), Errno> {
    statx(open, Path::new(""), AtFlags::EMPTY_PATH)
}

/// Asks for the number of the mount as well.
fn statx(folder: BorrowedFd<'_>, name: &Path, flags: AtFlags) -> Result<(Stat, Place), Errno> {
    let wanted = StatxFlags::BASIC_STATS | StatxFlags::MNT_ID;
    let told = match rustix::fs::statx(folder, name, flags, wanted) {
        // Some sandboxes have no such call.
        Err(Errno::NOSYS | Errno::PERM) => {
            let stat = raw_stat(&rustix::fs::statat(folder, name, flags)?);
            return Ok((stat, Place::of(&stat, None)));
        }
        other => other?,
    };
    let stat = Stat {
        kind: kind_of(told.stx_mode.into()),
        bytes: told.stx_size,
        modified: Stamp {
            seconds: told.stx_mtime.tv_sec,
            nanos: told.stx_mtime.tv_nsec,
        },
        device: rustix::fs::makedev(told.stx_dev_major, told.stx_dev_minor),
        inode: told.stx_ino,
        changed: Stamp {
            seconds: told.stx_ctime.tv_sec,
            nanos: told.stx_ctime.tv_nsec,
        },
    };
    let has_mount = told.stx_mask & StatxFlags::MNT_ID.bits() != 0;
    Ok((stat, Place::of(&stat, has_mount.then_some(told.stx_mnt_id))))
}

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
#[derive(Clone, PartialEq, Eq, Debug)]
enum Honesty {
    /// Direct reads reach the device (or the server, or the FUSE daemon).
    Direct,
    /// A daemon reads through the cache of this block device or image; that must be dropped as well.
    ThroughBlockDevice(Option<PathBuf>),
    /// Direct reads are accepted and served from memory.
    Memory,
}

fn honesty(volume: &Volume) -> Honesty {
    let source = Path::new(&volume.source);
    match volume.filesystem.as_str() {
        // Measured: exFAT and NTFS through FUSE answer O_DIRECT from the block device's page cache.
        "fuseblk" => Honesty::ThroughBlockDevice(volume.device_node.clone()),
        // The same programs, told to mount an image file.
        fs if (fs == "fuse" || fs.starts_with("fuse."))
            && source.is_absolute()
            && source.is_file() =>
        {
            Honesty::ThroughBlockDevice(Some(source.to_path_buf()))
        }
        // tmpfs takes O_DIRECT and means nothing by it; ZFS keeps its own cache (from memory).
        "tmpfs" | "ramfs" | "devtmpfs" | "zfs" => Honesty::Memory,
        // What is written to an overlay goes to its upper folder.
        "overlay" if volume.backing == Backing::Memory => Honesty::Memory,
        _ => Honesty::Direct,
    }
}

/// Layers of devices and images below a file system that are looked at.
const LAYERS_MAX: usize = 16;

/// Image files that lie below a file system and are read through the page cache.
#[derive(Debug, Default)]
struct Images {
    paths: Vec<PathBuf>,
    /// There is one that cannot be named, so it cannot be dropped from memory.
    is_blind: bool,
}

/// Returns the image files below a volume that are read through the page cache: those of loop devices that
/// were not told to read past it, however deep they lie.
fn cached_images(root: &Path, volume: &Volume) -> Images {
    let mut images = Images::default();
    // Asked for every file: on a plain part of a disk there is nothing to look for.
    if volume.own_disk.is_some() {
        return images;
    }
    let name = |p: &Path| Some(p.file_name()?.to_str()?.to_owned());
    let mut todo: Vec<String> = volume
        .device_node
        .as_deref()
        .and_then(name)
        .into_iter()
        .collect();
    for _ in 0..LAYERS_MAX {
        let Some(node) = todo.pop() else {
            return images;
        };
        let Some(number) = loop_number(&node) else {
            let below = root.join("sys/class/block").join(&node).join("slaves");
            let below = std::fs::read_dir(below).into_iter().flatten().flatten();
            todo.extend(below.filter_map(|entry| entry.file_name().into_string().ok()));
            continue;
        };
        let folder = root.join(format!("sys/block/loop{number}/loop"));
        let image = std::fs::read_to_string(folder.join("backing_file")).unwrap_or_default();
        let image = PathBuf::from(image.trim_end_matches('\n'));
        // The disk of the image, which may be in an image itself.
        match std::fs::metadata(&image) {
            Ok(found) => todo.extend(block_name(root, found.dev())),
            Err(_) => images.is_blind = true,
        }
        let dio = std::fs::read_to_string(folder.join("dio"));
        if !dio.is_ok_and(|d| d.trim() == "1") {
            images.paths.push(image);
        }
    }
    images.is_blind |= !todo.is_empty();
    images
}

/// The number of a loop device, also of one of its partitions: `loop3p1`.
fn loop_number(node: &str) -> Option<u32> {
    node.strip_prefix("loop")?.split('p').next()?.parse().ok()
}

/// The kernel's name of a block device; `None` where a file system is on no such device.
fn block_name(root: &Path, device: u64) -> Option<String> {
    let (major, minor) = (rustix::fs::major(device), rustix::fs::minor(device));
    let link = std::fs::read_link(root.join(format!("sys/dev/block/{major}:{minor}"))).ok()?;
    Some(link.file_name()?.to_str()?.to_owned())
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
        drop_first: Vec::new(),
        drops: false,
        hints,
    })
}

/// Opens a file for reads past the page cache, where the file system takes that.
pub(super) fn open_past_cache(at: &At) -> io::Result<File> {
    match at.open_quietly(OFlags::DIRECT | OFlags::NONBLOCK) {
        Err(e) if e.kind() == io::ErrorKind::InvalidInput => at.open_quietly(OFlags::NONBLOCK),
        other => other,
    }
}

/// Prepares a file that was opened past the cache for reading it back from the device.
pub(super) fn read_back_source(
    root: &Path,
    file: File,
    volume: &Volume,
) -> io::Result<Box<dyn Source>> {
    let claim = takes_direct(&file);
    let (drop_first, way) = match honesty(volume) {
        Honesty::Direct => direct_way(&file, claim, &cached_images(root, volume))?,
        Honesty::Memory => {
            through_cache(&file)?;
            (Vec::new(), ReadBackWay::Cached)
        }
        Honesty::ThroughBlockDevice(node) => {
            through_cache(&file)?;
            let node = node.and_then(|n| open_at_once(&n).ok());
            let is_dropped = node.as_ref().is_some_and(|n| {
                dropped(&file) && rustix::fs::fadvise(n, 0, None, Advice::DontNeed).is_ok()
            });
            let (mut files, mut way) = opened(&cached_images(root, volume));
            if !is_dropped {
                way = ReadBackWay::Cached;
            }
            files.extend(node);
            (files, way.min(ReadBackWay::Dropped))
        }
    };
    let is_pure = way == ReadBackWay::Direct && claim == Some(true);
    Ok(Box::new(OsSource {
        file,
        way,
        drop_first,
        drops: !is_pure,
        hints: false,
    }))
}

/// Opens what lies below a file system for reading; a pipe in its place is not waited for.
fn open_at_once(path: &Path) -> io::Result<File> {
    let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NONBLOCK;
    Ok(rustix::fs::open(path, flags, Mode::empty())?.into())
}

/// Opens images to drop their pages before each read; and the best way that is possible then.
fn opened(images: &Images) -> (Vec<File>, ReadBackWay) {
    let files: io::Result<Vec<File>> = images.paths.iter().map(|p| open_at_once(p)).collect();
    match files {
        Ok(files) if !images.is_blind && files.is_empty() => (files, ReadBackWay::Direct),
        Ok(files) if !images.is_blind => (files, ReadBackWay::Dropped),
        _ => (Vec::new(), ReadBackWay::Cached),
    }
}

/// Returns whether direct reads of this file are what they are called; `None` where the kernel (before 6.1)
/// or the file system does not say. Some file systems take the flag and answer through the page cache: ext4
/// for files that it encrypts or journals.
fn takes_direct(file: &File) -> Option<bool> {
    let flags = AtFlags::EMPTY_PATH;
    let mask = StatxFlags::DIOALIGN;
    let found = rustix::fs::statx(file, "", flags, mask).ok()?;
    (found.stx_mask & mask.bits() != 0).then_some(found.stx_dio_offset_align != 0)
}

/// Returns what has to be dropped before each read, and how reads reach the device, for a file
/// system that means what it says of direct reads.
fn direct_way(
    file: &File,
    claim: Option<bool>,
    images: &Images,
) -> io::Result<(Vec<File>, ReadBackWay)> {
    // A loop device answers direct reads from the page cache of its image file; that has to
    // be dropped before each read.
    let (files, best) = opened(images);
    if is_direct(file)? && claim != Some(false) {
        // Dropped as well: some file systems quietly answer direct reads of certain extents
        // through the page cache.
        hint(file, 0, 0, Advice::DontNeed);
        return Ok((files, best));
    }
    through_cache(file)?;
    let way = if dropped(file) {
        best.min(ReadBackWay::Dropped)
    } else {
        ReadBackWay::Cached
    };
    Ok((files, way))
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
pub(super) fn create_part(at: At, large: bool) -> io::Result<Box<dyn Part>> {
    let (file, direct) = if large {
        match at.create(OFlags::DIRECT) {
            Err(e) if e.kind() == io::ErrorKind::InvalidInput => (create_or_reuse(&at)?, false),
            other => (other?, true),
        }
    } else {
        (at.create(OFlags::empty())?, false)
    };
    Ok(Box::new(OsPart {
        at,
        file,
        direct,
        buffered: OnceLock::new(),
    }))
}

/// Makes everything about a file or folder durable.
pub(super) fn flush_all(file: &File) -> io::Result<()> {
    file.sync_all()
}

/// Makes everything on the file system of an open folder durable. Whether each write succeeded is told since Linux 5.8.
pub(super) fn flush_everything(folder: &File) -> io::Result<()> {
    Ok(rustix::fs::syncfs(folder)?)
}

/// Returns what a file system needs until names that were given are on the device.
pub(super) fn settling(filesystem: &str) -> Settling {
    Settling::of(filesystem)
}

/// How a part is opened once more; a pipe in its place is not waited for.
const REOPEN: OFlags = OFlags::WRONLY
    .union(OFlags::NOFOLLOW)
    .union(OFlags::NONBLOCK);

/// After EINVAL for a direct open, some file systems have already made the (empty) file.
fn create_or_reuse(at: &At) -> io::Result<File> {
    match at.create(OFlags::empty()) {
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists && at.stat()?.bytes == 0 => {
            at.open(REOPEN, Mode::empty())
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
    /// The block device or images whose own cache has to be dropped before each read.
    drop_first: Vec<File>,
    /// Pages of what is read are dropped first: a part may have been written since it was opened.
    drops: bool,
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
        for file in &self.drop_first {
            hint(file, 0, 0, Advice::DontNeed);
        }
        if self.drops {
            hint(&self.file, offset, len64(into.len()), Advice::DontNeed);
        }
        match self.read_retrying(into, offset) {
            // Accepted at open, refused at read: fall back to dropping the pages first.
            Err(e) if e.kind() == io::ErrorKind::InvalidInput => {
                if !is_direct(&self.file)? {
                    return Err(e);
                }
                through_cache(&self.file)?;
                self.drops = true;
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
    at: At,
    file: File,
    direct: bool,
    /// Opened when the file system took a direct open and refused a direct write.
    buffered: OnceLock<File>,
}

impl OsPart {
    fn open_buffered(&self) -> io::Result<&File> {
        if self.buffered.get().is_none() {
            let file = self.at.open(REOPEN, Mode::empty())?;
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
