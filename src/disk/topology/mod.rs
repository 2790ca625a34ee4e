//! Which physical disks stand behind a mounted folder on Linux.
//!
//! Owns: reading the mount table and the kernel's description of block devices, and following
//! partitions, device-mapper, RAID, loop files and multi-device file systems down to whole disks.
//!
//! Must not: write anything, or guess. What the system does not state is
//! [`super::backing::Backing::Unknown`] and stays so. Which file a loop device shows is asked
//! through [`AskLoop`]; nothing else is opened but text.
//!
//! Everything is read below a `root` path, as text, folder listings and symbolic links, so that
//! recorded trees can stand in for a machine. Absolute links are followed inside that root.
//!
//! Limits: two logical units of one USB bridge (a two-bay dock) are two disks here, and so are two
//! volumes of a RAID controller or virtual disks of a virtual machine; an f2fs file system made
//! over several devices shows only its first one.

mod error;
mod kind;
mod mounted;
mod mounts;
mod text;
mod tree;
mod volume;
mod walk;

pub use error::TopologyError;
pub use mounted::mounted;
pub use volume::{AskLoop, Layer, MountedVolume};

pub(super) use text::text;
pub(super) use tree::SystemRoot;
use volume::node_path;
pub(super) use walk::name_of;

use mounts::{mount_of, read_mounts};
use std::cell::RefCell;
use std::path::Path;
use walk::Walk;

/// Looks up what stands behind a folder.
///
/// `root` is `/` on a real machine, or the top of a recorded tree. `canonical_path` is the folder
/// as an absolute path without links, seen from that root. `dev` is the major and minor number of
/// the folder's `st_dev`.
///
/// An error means that the mount table gives no answer; anything missing below it is a
/// [`super::backing::Backing::Unknown`] instead.
pub fn volume_of(
    root: &Path,
    canonical_path: &Path,
    dev: (u32, u32),
    ask_loop: AskLoop<'_>,
) -> Result<MountedVolume, TopologyError> {
    if !canonical_path.is_absolute() {
        return Err(TopologyError::NotAbsolute {
            path: canonical_path.to_path_buf(),
        });
    }
    let tree = SystemRoot { root };
    let mounts = read_mounts(&tree)?;
    let Some((mount, exact)) = mount_of(&mounts, canonical_path, Some(dev)) else {
        return Err(TopologyError::NoMount {
            path: canonical_path.to_path_buf(),
        });
    };
    let walk = Walk {
        tree: &tree,
        mounts: &mounts,
        ask_loop,
        layers: RefCell::default(),
    };
    // Files of an overlay have the number of what they really lie on.
    let is_odd = !exact && mount.filesystem != "overlay";
    let found = if is_odd && (dev.0 != 0 || mount.number.0 != 0) {
        walk.note(Layer::of(mount, None));
        walk.disagreement(dev)
    } else {
        walk.mounted(mount, 0)
    };
    let node = found.node.as_deref();
    Ok(MountedVolume {
        mount_point: mount.point.clone(),
        mount_root: mount.root.clone(),
        filesystem: mount.filesystem.clone(),
        source: mount.source.clone(),
        device_node: node.map(node_path),
        volume_id: found
            .id
            .or_else(|| tree.link_name("/dev/disk/by-uuid", node?)),
        label: found
            .label
            .or_else(|| tree.link_name("/dev/disk/by-label", node?)),
        read_only: mount.read_only,
        rotational: tree.rotational(&found.backing),
        own_disk: node.and_then(|name| walk.own_disk(name, &found.backing)),
        backing: found.backing,
        layers: walk.layers.take(),
    })
}

#[cfg(test)]
mod tests;
