//! Owns what only Linux does: which disk is behind a folder (through `topology`), reading and
//! writing past the page cache, and telling the page cache what it need not keep.

use super::beneath::At;
use super::between::between;
use super::other_writer::OtherWriter;
use super::page_cache::{drop_pages, dropped, hint, is_direct, stays_in_memory, takes_direct};
use super::small_files::{OwnRoom, is_stored_inline};
use super::stat::stat_of;
use crate::disk::backing::Backing;
use crate::disk::buffer::Chunk;
use crate::disk::topology::{self, Layer};
use crate::disk::{MountedFolder, PartFile, ReadBackWay, Settling, Source, Stamp, Stat};
use crate::sys::linux::pages_in_memory;
use crate::units::len64;
use rustix::fs::{Advice, Mode, OFlags};
use std::fs::File;
use std::io;
use std::os::unix::fs::{FileExt as _, MetadataExt as _};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};

pub(super) use topology::MountedVolume as Volume;

/// Where the volume that the system runs from is mounted.
pub(super) const SYSTEM_ROOTS: [&str; 1] = [""];

/// Looks up what stands behind a folder.
pub(super) fn volume_of(root: &Path, path: &Path, device: u64) -> io::Result<Volume> {
    let dev = (rustix::fs::major(device), rustix::fs::minor(device));
    topology::volume_of(root, path, dev, &|name| ask_loop(root, name)).map_err(io::Error::other)
}

/// Returns where the volumes of disks are mounted.
pub(super) fn mounted(root: &Path) -> io::Result<Vec<MountedFolder>> {
    topology::mounted(root).map_err(io::Error::other)
}

/// Room on a volume, in bytes, and an identity where `/dev/disk` has none.
pub(super) struct VolumeRoom {
    pub(super) total_bytes: u64,
    pub(super) free_bytes: u64,
    pub(super) cluster_bytes: u64,
    pub(super) identity: Option<String>,
}

/// Asks how much room there is.
pub(super) fn room(path: &Path, volume: &Volume) -> io::Result<VolumeRoom> {
    let room = rustix::fs::statvfs(path)?;
    Ok(VolumeRoom {
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
            "its disk is no longer there",
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

/// Asks the kernel which file a loop device shows; it tells whoever may open the device.
fn ask_loop(root: &Path, name: &str) -> Option<(u64, u64)> {
    let number = std::fs::read_to_string(root.join("sys/class/block").join(name).join("dev"));
    let number = number.ok()?;
    let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let node = rustix::fs::open(root.join("dev").join(name), flags, Mode::empty()).ok()?;
    let node = File::from(node);
    let is = node.metadata().ok()?.rdev();
    let is = format!("{}:{}", rustix::fs::major(is), rustix::fs::minor(is));
    (is == number.trim())
        .then(|| crate::sys::linux::loop_file(&node).ok())
        .flatten()
}

/// Returns why what is written to a volume can be read back from memory only, where that is so.
pub(super) fn only_from_memory(root: &Path, volume: &Volume) -> Option<String> {
    between(root, volume).open().err().map(|e| e.to_string())
}

/// Returns device and inode of every image file that a volume is shown from, the nearest first.
pub(super) fn images(root: &Path, volume: &Volume) -> Vec<(u64, u64)> {
    let place = |file: &Path| {
        let below = file.strip_prefix("/").unwrap_or(file);
        let meta = std::fs::metadata(root.join(below)).ok()?;
        meta.is_file().then(|| (meta.dev(), meta.ino()))
    };
    let images = volume.layers.iter().filter_map(|layer| match layer {
        Layer::Image { file, .. } => place(file.as_deref()?),
        Layer::Files { source, .. } => place(Path::new(source)),
        Layer::Hidden => None,
    });
    images.collect()
}

/// Returns what the one disk below says of itself that tells it from all others.
pub(super) fn hardware(root: &Path, backing: &Backing) -> Option<String> {
    crate::disk::hardware::hardware(root, backing)
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
        asks: false,
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
    let between = between(root, volume);
    let claim = takes_direct(&file);
    let mut source = OsSource {
        file,
        way: ReadBackWay::Cached,
        drop_first: Vec::new(),
        drops: true,
        asks: true,
        hints: false,
    };
    let Ok(to_drop) = between.open() else {
        source.go_through_cache()?;
        return Ok(Box::new(source));
    };
    if is_stored_inline(&source.file, volume, &to_drop) {
        source.go_through_cache()?;
        return Ok(Box::new(source));
    }
    source.drop_first = to_drop;
    // A loop device answers direct reads from the page cache of its image file; that has to be
    // dropped before each read.
    let best = if source.drop_first.is_empty() {
        ReadBackWay::Direct
    } else {
        ReadBackWay::Dropped
    };
    if is_direct(&source.file)? && claim != Some(false) && !between.is_served {
        source.way = best;
        source.drops = best != ReadBackWay::Direct || claim != Some(true);
        source.asks = claim != Some(true);
        // Dropped as well: some file systems quietly answer direct reads of certain extents
        // through the page cache.
        hint(&source.file, 0, 0, Advice::DontNeed);
        return Ok(Box::new(source));
    }
    source.go_through_cache()?;
    if dropped(&source.file) {
        source.way = ReadBackWay::Dropped;
    }
    Ok(Box::new(source))
}

/// Creates a part file; it must not exist.
pub(super) fn create_part(
    at: At,
    large: bool,
    on: &dyn Fn(u64) -> io::Result<Arc<Volume>>,
) -> io::Result<Box<dyn PartFile>> {
    let (file, direct) = if large {
        match at.create(OFlags::DIRECT) {
            Err(e) if e.kind() == io::ErrorKind::InvalidInput => (create_or_reuse(&at)?, false),
            other => (other?, true),
        }
    } else {
        (at.create(OFlags::empty())?, false)
    };
    let room = if direct {
        OwnRoom::Given
    } else {
        OwnRoom::of(&on(file.metadata()?.dev())?.filesystem)
    };
    // What is short is read back when it is whole and dated.
    let others = if large {
        OtherWriter::watch(&file)
    } else {
        None
    };
    Ok(Box::new(OsPart {
        at,
        file,
        others,
        direct,
        buffered: OnceLock::new(),
        room,
        is_widened: AtomicBool::new(false),
    }))
}

/// Makes everything about a file or folder durable.
pub(super) fn flush_all(file: &File) -> io::Result<()> {
    file.sync_all()
}

/// Makes everything on the file system of an open folder durable. Whether each write succeeded is
/// told since Linux 5.8.
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

/// A file open for reading.
#[derive(Debug)]
struct OsSource {
    file: File,
    way: ReadBackWay,
    /// The block device or images whose own cache has to be dropped before each read.
    drop_first: Vec<File>,
    /// Pages of what is read are dropped first: a part may have been written since it was opened.
    drops: bool,
    /// Asks whether they are gone then: pages that another program has mapped stay.
    asks: bool,
    /// Whether asking the system to read ahead helps.
    hints: bool,
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

    /// Lets the reads go through the page cache from here on. Nothing is read ahead: it would lie
    /// in memory when its turn comes.
    fn go_through_cache(&mut self) -> io::Result<()> {
        let on = rustix::fs::fcntl_getfl(&self.file)?;
        rustix::fs::fcntl_setfl(&self.file, on & !OFlags::DIRECT)?;
        hint(&self.file, 0, 0, Advice::Random);
        (self.drops, self.asks) = (true, true);
        Ok(())
    }

    /// Drops what is about to be read, and says so where it stays in memory all the same.
    fn drop_before(&mut self, offset: u64, bytes: u64) {
        for file in &self.drop_first {
            hint(file, 0, 0, Advice::DontNeed);
        }
        if self.drops {
            drop_pages(&self.file, offset, bytes);
        }
        let counts = self.asks && self.way.reaches_device();
        if counts && stays_in_memory(&self.file, offset, bytes, pages_in_memory) {
            self.way = ReadBackWay::Cached;
        }
    }
}

impl Source for OsSource {
    fn read_at(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        let bytes = len64(into.len());
        self.drop_before(offset, bytes);
        match self.read_retrying(into, offset) {
            // Accepted at open, refused at read: fall back to dropping the pages first.
            Err(e) if e.kind() == io::ErrorKind::InvalidInput => {
                if !is_direct(&self.file)? {
                    return Err(e);
                }
                self.go_through_cache()?;
                self.way = self.way.min(ReadBackWay::Dropped);
                self.drop_before(offset, bytes);
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
    others: Option<OtherWriter>,
    direct: bool,
    /// Opened when the file system took a direct open and refused a direct write.
    buffered: OnceLock<File>,
    /// How it gets room of its own if it is small.
    room: OwnRoom,
    /// It is longer than what is written until it is finished.
    is_widened: AtomicBool,
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

impl PartFile for OsPart {
    fn write_chunk(&self, chunk: &Chunk, offset: u64) -> io::Result<()> {
        if !self.direct {
            let bytes = len64(chunk.bytes().len());
            if offset == 0 && self.room.get(&self.file, bytes) {
                self.is_widened.store(true, Ordering::Relaxed);
            }
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
        if self.direct || self.is_widened.load(Ordering::Relaxed) {
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

    fn had_other_writer(&self) -> bool {
        self.others.as_ref().is_some_and(OtherWriter::has_been)
    }
}

#[cfg(test)]
#[path = "linux_tests.rs"]
mod tests;
