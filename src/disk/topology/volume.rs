//! Owns what is told of a volume: where it is mounted, what it is called, and everything between it
//! and its disks.

use super::mounts::Mount;
use crate::disk::backing::Backing;
use std::path::{Path, PathBuf};

/// What stands behind a mounted folder.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(
    clippy::struct_field_names,
    reason = "`id` alone would not say that it is the file system's"
)]
pub struct MountedVolume {
    /// Folder on which the file system is mounted.
    pub mount_point: PathBuf,
    /// Folder inside the file system that is visible at the mount point; `/` unless it is a bind
    /// mount or a subvolume.
    pub mount_root: String,
    /// Type of the file system as the kernel names it, such as `ext4` or `fuseblk`.
    pub filesystem: String,
    /// What was mounted, as the mount table has it: a device node, a server and folder, or a mere
    /// word.
    pub source: String,
    /// Device node of the file system (a partition, mapping or array), where there is one.
    pub device_node: Option<PathBuf>,
    /// Identity of the file system, as in `/dev/disk/by-uuid`.
    pub volume_id: Option<String>,
    /// Name the person gave the file system.
    pub label: Option<String>,
    /// Whether the mount or the file system refuses writing.
    pub read_only: bool,
    /// Physical devices below it.
    pub backing: Backing,
    /// The whole disk of which the file system is a plain partition, or which it fills, by kernel
    /// name.
    pub own_disk: Option<String>,
    /// Whether a disk below it claims to rotate: `true` if any does, `None` if none says. USB
    /// bridges and virtual disks often claim it wrongly.
    pub rotational: Option<bool>,
    /// Everything from the file system down to the disks that may keep in memory what is read.
    pub layers: Vec<Layer>,
}

impl MountedVolume {
    /// Returns the path of a folder from the root of the volume.
    pub fn within(&self, folder: &Path) -> Option<String> {
        let below = folder.strip_prefix(&self.mount_point).ok()?;
        let shown = Path::new(self.mount_root.trim_start_matches('/'));
        let whole: PathBuf = shown.join(below).components().collect();
        Some(whole.to_string_lossy().into_owned())
    }

    /// Returns whether the mount shows a folder of the volume and not its root.
    pub fn shows_folder(&self) -> bool {
        self.mount_root != "/"
    }
}

/// Something between a folder and its disks that may keep in memory what is read through it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Layer {
    /// A file system.
    Files {
        /// Type of the file system as the kernel names it.
        filesystem: String,
        /// What was mounted, as the mount table has it.
        source: String,
        /// Its device node, where there is one.
        node: Option<PathBuf>,
    },
    /// A loop device.
    Image {
        /// Its kernel name.
        device: String,
        /// The file that it shows; `None` where that is not certain or cannot be reached by its
        /// name.
        file: Option<PathBuf>,
    },
    /// Something that is not where it was when it was mounted.
    Hidden,
}

/// Asks the system for device and inode of the file that a loop device shows, by the device's
/// kernel name; `None` where it does not tell (it tells only root).
pub type AskLoop<'a> = &'a dyn Fn(&str) -> Option<(u64, u64)>;

impl Layer {
    pub(super) fn of(mount: &Mount, node: Option<&str>) -> Self {
        Self::Files {
            filesystem: mount.filesystem.clone(),
            source: mount.source.clone(),
            node: node.map(node_path),
        }
    }
}

/// The device node of a block device, by its kernel name.
pub(super) fn node_path(name: &str) -> PathBuf {
    Path::new("/dev").join(name.replace('!', "/"))
}
