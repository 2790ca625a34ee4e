//! Owns what only macOS does: which disk is behind a folder (`statfs` and `diskutil`), reading and
//! writing past the cache, and flushing. Type-checked only; it has not been run.
//!
//! Part files are written with `F_NOCACHE` and made durable with `F_FULLFSYNC`. For a read-back the
//! pages are dropped from memory before each read, and the read itself is made with `F_NOCACHE`;
//! this counts as `dropped`, and as `cached` as soon as one of these calls is refused. There is no
//! way to read a file and leave its date of last access alone; macOS keeps that date lazily on its
//! own file systems.

use super::beneath::At;
use super::diskutil::{self, DiskutilInfo};
use super::stat::stat_of;
use crate::disk::backing::Backing;
use crate::disk::buffer::Chunk;
use crate::disk::{MountedFolder, PartFile, ReadBackWay, Settling, Source, Stamp, Stat};
use crate::name::word;
use crate::sys::macos::drop_pages;
use crate::units::len64;
use camino::Utf8PathBuf;
use rustix::fs::{OFlags, fcntl_fullfsync, fcntl_nocache, fcntl_rdadvise};
use std::ffi::OsStr;
use std::fs::File;
use std::io;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;

/// Where the volumes that the system runs from are mounted.
pub(super) const SYSTEM_ROOTS: [&str; 2] = ["", "System/Volumes/Data"];
/// `MNT_RDONLY` of `sys/mount.h`.
const MNT_RDONLY: u32 = 1;

/// What stands behind a mounted folder.
#[derive(Clone, Debug)]
pub(super) struct Volume {
    pub(super) mount_point: PathBuf,
    /// Type of the file system as Linux calls it, so that a record means the same everywhere.
    pub(super) filesystem: String,
    pub(super) volume_id: Option<String>,
    pub(super) label: Option<String>,
    pub(super) read_only: bool,
    pub(super) backing: Backing,
    /// The whole disk, where it is one.
    pub(super) own_disk: Option<String>,
    pub(super) rotational: Option<bool>,
}

impl Volume {
    /// Returns whether the mount shows a folder of the volume: this system has no such mounts (from
    /// memory).
    #[expect(clippy::unused_self, reason = "the form that all systems share")]
    pub(super) fn shows_folder(&self) -> bool {
        false
    }

    /// Returns the path of a folder from the root of the volume.
    pub(super) fn within(&self, folder: &Path) -> Option<String> {
        let below = folder.strip_prefix(&self.mount_point).ok()?;
        Some(below.to_string_lossy().into_owned())
    }
}

/// Looks up what stands behind a folder.
pub(super) fn volume_of(_root: &Path, path: &Path, _device: u64) -> io::Result<Volume> {
    let told = rustix::fs::statfs(path)?;
    let bytes = |chars: &[std::ffi::c_char]| -> Vec<u8> {
        let bytes = chars.iter().map(|c| c.to_ne_bytes()[0]);
        bytes.take_while(|b| *b != 0).collect()
    };
    let source = String::from_utf8_lossy(&bytes(&told.f_mntfromname)).into_owned();
    let filesystem = match String::from_utf8_lossy(&bytes(&told.f_fstypename)).as_ref() {
        "msdos" => "vfat".to_owned(),
        "hfs" => "hfsplus".to_owned(),
        other => other.to_owned(),
    };
    let known = if source.starts_with("/dev/") {
        ask_diskutil(&source)
    } else {
        let why = match filesystem.as_str() {
            "smbfs" | "nfs" | "afpfs" | "webdav" | "ftp" => {
                format!(
                    "{} is a network folder, its disk is in another machine",
                    word(&source)
                )
            }
            _ => format!(
                "{} ({}) is on no disk that macOS names",
                word(&source),
                word(&filesystem)
            ),
        };
        nothing_but(Backing::unknown(why).with_known([source.clone()]))
    };
    Ok(Volume {
        mount_point: PathBuf::from(OsStr::from_bytes(&bytes(&told.f_mntonname))),
        filesystem,
        volume_id: known.volume_id,
        label: known.label,
        read_only: told.f_flags & MNT_RDONLY != 0,
        own_disk: known.backing.only_disk().map(str::to_owned),
        backing: known.backing,
        rotational: known.rotational,
    })
}

/// Returns where volumes are mounted: all but the system's own are below `/Volumes` (from memory).
/// Which of them can be unplugged is not asked.
pub(super) fn mounted(root: &Path) -> io::Result<Vec<MountedFolder>> {
    let entries = std::fs::read_dir(root.join("Volumes"))?;
    let folder = |entry: io::Result<std::fs::DirEntry>| {
        Some(MountedFolder {
            path: Utf8PathBuf::from_path_buf(entry.ok()?.path()).ok()?,
            is_removable: None,
        })
    };
    let mut found: Vec<_> = entries.filter_map(folder).collect();
    found.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(found)
}

/// What a read reaches is found out file by file.
pub(super) fn only_from_memory(_root: &Path, _volume: &Volume) -> Option<String> {
    None
}

/// Not asked here.
pub(super) fn hardware(_root: &Path, _backing: &Backing) -> Option<String> {
    None
}

fn nothing_but(backing: Backing) -> DiskutilInfo {
    DiskutilInfo {
        volume_id: None,
        label: None,
        backing,
        rotational: None,
    }
}

fn ask_diskutil(source: &str) -> DiskutilInfo {
    let answer = Command::new("/usr/sbin/diskutil")
        .args(["info", "-plist", source])
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .output();
    answer
        .ok()
        .and_then(|answer| diskutil::read(&answer.stdout))
        .unwrap_or_else(|| {
            nothing_but(Backing::unknown(format!(
                "diskutil does not say on which disk {source} is"
            )))
        })
}

/// A device that is gone shows in the calls themselves.
#[expect(
    clippy::unnecessary_wraps,
    reason = "the same question has another answer on Linux"
)]
pub(super) fn check_present(_root: &Path, _device: u64, _backing: &Backing) -> io::Result<()> {
    Ok(())
}

/// Room on a volume, in bytes.
pub(super) struct VolumeRoom {
    pub(super) total_bytes: u64,
    pub(super) free_bytes: u64,
    pub(super) cluster_bytes: u64,
    pub(super) identity: Option<String>,
}

/// Asks how much room there is. `statvfs` counts blocks in 32 bits here, `statfs` in 64.
pub(super) fn room(path: &Path, _volume: &Volume) -> io::Result<VolumeRoom> {
    let room = rustix::fs::statfs(path)?;
    let cluster_bytes = u64::from(room.f_bsize);
    Ok(VolumeRoom {
        total_bytes: room.f_blocks.saturating_mul(cluster_bytes),
        free_bytes: room.f_bavail.saturating_mul(cluster_bytes),
        cluster_bytes,
        identity: None,
    })
}

/// Prepares a file of a card for reading.
pub(super) fn card_source(file: File, _volume: &Volume) -> Box<dyn Source> {
    // What the computer may have read earlier (thumbnails, say) must come from the card again. A
    // refusal changes the measured speed only.
    if let Ok(meta) = file.metadata()
        && drop_pages(&file, 0, meta.len()).is_err()
    {}
    Box::new(OsSource {
        file,
        way: ReadBackWay::Cached,
    })
}

/// Opens a file that is to be read past the page cache.
pub(super) fn open_past_cache(at: &At) -> io::Result<File> {
    at.open_quietly(OFlags::NONBLOCK)
}

/// Opens a file for reading it back from the device.
#[expect(
    clippy::unnecessary_wraps,
    reason = "the same question has another answer on Linux"
)]
pub(super) fn read_back_source(
    _root: &Path,
    file: File,
    _volume: &Volume,
) -> io::Result<Box<dyn Source>> {
    let way = if fcntl_nocache(&file, true).is_ok() {
        ReadBackWay::Dropped
    } else {
        ReadBackWay::Cached
    };
    Ok(Box::new(OsSource { file, way }))
}

/// Which file a disk image is shown from is not asked.
pub(super) fn images(_root: &Path, _volume: &Volume) -> Vec<(u64, u64)> {
    Vec::new()
}

/// Creates a part file; it must not exist.
#[expect(
    clippy::needless_pass_by_value,
    reason = "a part keeps its place on Linux"
)]
pub(super) fn create_part(
    at: At,
    large: bool,
    _on: &dyn Fn(u64) -> io::Result<Arc<Volume>>,
) -> io::Result<Box<dyn PartFile>> {
    let file = at.create(OFlags::empty())?;
    // A refusal fills the cache and changes nothing that is written.
    if large && fcntl_nocache(&file, true).is_err() {}
    Ok(Box::new(OsPart { file }))
}

/// Makes everything about a file or folder durable, also in the drive's own cache; where a
/// (network) file system has no such call, as far as `fsync` goes.
pub(super) fn flush_all(file: &File) -> io::Result<()> {
    use rustix::io::Errno;
    match fcntl_fullfsync(file) {
        Err(Errno::NOTSUP | Errno::OPNOTSUPP | Errno::NOTTY | Errno::INVAL) => {
            Ok(rustix::fs::fsync(file)?)
        }
        other => Ok(other?),
    }
}

/// macOS has no safe call for a whole file system.
#[expect(clippy::unnecessary_wraps, reason = "on Linux it can fail")]
pub(super) fn flush_everything(_folder: &File) -> io::Result<()> {
    Ok(())
}

/// Returns what a file system needs until names that were given are on the device. Not run on a
/// Mac.
pub(super) fn settling(filesystem: &str) -> Settling {
    match Settling::of(filesystem) {
        // Its journal, as the system keeps it (from memory).
        _ if filesystem == "hfsplus" => Settling::Folders,
        Settling::Whole => Settling::Each,
        other => other,
    }
}

/// A file open for reading.
#[derive(Debug)]
struct OsSource {
    file: File,
    way: ReadBackWay,
}

impl Source for OsSource {
    fn read_at(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        if self.way == ReadBackWay::Dropped {
            let left = self.file.metadata()?.len().saturating_sub(offset);
            if drop_pages(&self.file, offset, left.min(len64(into.len()))).is_err() {
                self.way = ReadBackWay::Cached;
            }
        }
        loop {
            match self.file.read_at(into, offset) {
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                other => return other,
            }
        }
    }

    fn expect(&self, offset: u64, bytes: u64) {
        // A refused hint changes speed only, never what is read.
        if fcntl_rdadvise(&self.file, offset, bytes).is_err() {}
    }

    fn forget(&self, _offset: u64) {}

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
    file: File,
}

impl PartFile for OsPart {
    fn write_chunk(&self, chunk: &Chunk, offset: u64) -> io::Result<()> {
        self.file.write_all_at(chunk.bytes(), offset)
    }

    fn flush_data(&self) -> io::Result<()> {
        flush_all(&self.file)
    }

    fn finish(&self, _bytes: u64, modified: Stamp) -> io::Result<bool> {
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
        flush_all(&self.file)
    }

    fn had_other_writer(&self) -> bool {
        false
    }
}
