//! Owns what lies between a folder and its disks and would answer a read from memory.

use crate::disk::backing::Backing;
use crate::disk::topology::{Layer, MountedVolume};
use crate::name::{excerpt, word};
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use std::fs::File;
use std::os::unix::fs::FileTypeExt as _;
use std::path::{Path, PathBuf};

/// What lies between a folder and its disks and would answer a read from memory.
#[derive(Debug, Default)]
pub(super) struct Between {
    /// Block devices and images to be dropped from memory before each read.
    pub(super) to_drop: Vec<PathBuf>,
    /// Why there is one that can't be dropped.
    pub(super) blind: Option<Blind>,
    /// Direct reads of the file itself end in the memory of one of these.
    pub(super) is_served: bool,
}

/// Why what is read may come from memory, whatever is dropped.
#[derive(Clone, Debug, thiserror::Error)]
pub(super) enum Blind {
    /// All of it is in memory.
    #[error("it is in memory")]
    Memory,
    /// A file system, by its Linux name, that answers from a memory of its own.
    #[error("{0} answers from memory")]
    Filesystem(String),
    /// What lies in between, which has no path that could be opened.
    #[error("{0} can't be emptied from memory")]
    NoPath(String),
    /// A device or image that cannot be opened.
    #[error("what the computer keeps of {path} can't be emptied from memory: {cause}")]
    Closed {
        /// Its path in short.
        path: String,
        /// What the system said.
        #[source]
        cause: Errno,
    },
}

pub(super) fn between(root: &Path, volume: &MountedVolume) -> Between {
    let mut found = Between::default();
    let mut blind = |why| found.blind = Some(why);
    if volume.backing == Backing::Memory {
        blind(Blind::Memory);
    }
    for layer in &volume.layers {
        let (what, to_drop) = match layer {
            Layer::Files {
                filesystem,
                source,
                node,
            } => match filesystem.as_str() {
                // Measured: exFAT and NTFS through FUSE answer O_DIRECT from the block device's
                // page cache.
                "fuseblk" => (format!("the disk of {}", word(source)), node.clone()),
                // The same programs, told to mount an image file, or without the right to call
                // themselves so.
                fs if is_shown_from(fs, source) => (
                    format!("the image {}", excerpt(source)),
                    Some(source.into()),
                ),
                fs if is_of_a_device(fs) => (format!("the image {}", excerpt(source)), None),
                // tmpfs takes O_DIRECT and means nothing by it; ZFS keeps its own cache (from
                // memory).
                fs @ ("tmpfs" | "ramfs" | "devtmpfs" | "zfs") => {
                    blind(Blind::Filesystem(fs.to_owned()));
                    continue;
                }
                _ => continue,
            },
            Layer::Image { device, file } => {
                let direct = root.join("sys/class/block").join(device).join("loop/dio");
                if std::fs::read_to_string(direct).is_ok_and(|d| d.trim() == "1") {
                    continue;
                }
                (format!("the file behind {device}"), file.clone())
            }
            Layer::Hidden => ("what is below the overlay".to_owned(), None),
        };
        match to_drop {
            Some(path) => found.to_drop.push(path),
            None => blind(Blind::NoPath(what)),
        }
    }
    found.is_served = is_served(volume);
    found
}

/// Whether a program reads the file system from a block device or an image, through the cache of
/// that.
pub(super) fn is_served(volume: &MountedVolume) -> bool {
    let fs = volume.filesystem.as_str();
    fs == "fuseblk" || is_shown_from(fs, &volume.source) || is_of_a_device(fs)
}

/// Whether a program shows a file system, and its source is the path of an image or a block device.
pub(super) fn is_shown_from(filesystem: &str, source: &str) -> bool {
    let source = Path::new(source);
    let has_bytes = |meta: std::fs::Metadata| meta.is_file() || meta.file_type().is_block_device();
    (filesystem == "fuse" || filesystem.starts_with("fuse."))
        && source.is_absolute()
        && std::fs::metadata(source).is_ok_and(has_bytes)
}

/// Whether a program shows a file system as they lie on devices and in images, whatever it says of
/// its source, which may be a path from the folder that it was started in.
pub(super) fn is_of_a_device(filesystem: &str) -> bool {
    const KINDS: [&str; 8] = ["ext", "ntfs", "exfat", "fat", "vfat", "hfs", "apfs", "udf"];
    let kind = filesystem.strip_prefix("fuse.");
    kind.is_some_and(|kind| KINDS.iter().any(|known| kind.starts_with(known)))
}

impl Between {
    /// Opens what has to be dropped before each read; or why that can't be done.
    pub(super) fn open(&self) -> Result<Vec<File>, Blind> {
        if let Some(why) = &self.blind {
            return Err(why.clone());
        }
        let open = |path: &PathBuf| {
            // A device or file that waits for somebody must not be waited for.
            let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::CLOEXEC;
            let file = rustix::fs::open(path, flags, Mode::empty());
            file.map(File::from).map_err(|cause| Blind::Closed {
                path: excerpt(&path.to_string_lossy()),
                cause,
            })
        };
        self.to_drop.iter().map(open).collect()
    }
}
