//! Owns which volumes of disks are mounted, and whether each can be unplugged.

use super::error::TopologyError;
use super::mounts::read_mounts;
use super::text::text;
use super::tree::SystemRoot;
use crate::disk::facts::MountedFolder;
use camino::Utf8PathBuf;
use std::path::Path;

/// File systems of packages and discs, which no camera makes and nothing is copied to.
const PACKED: [&str; 3] = ["squashfs", "erofs", "iso9660"];

/// Returns where volumes that a disk of this computer is behind are mounted, in the order of the
/// mount table. Names that are not UTF-8 can't be given to a command and are passed over.
///
/// # Errors
/// When the mount table can't be read.
pub fn mounted(root: &Path) -> Result<Vec<MountedFolder>, TopologyError> {
    let tree = SystemRoot { root };
    let mounts = read_mounts(&tree)?;
    let on_disk = mounts.iter().filter(|mount| {
        mount.source.starts_with("/dev/") && !PACKED.contains(&mount.filesystem.as_str())
    });
    let folder = |mount: &super::mounts::Mount| {
        let block = tree.block_of_node(Path::new(&mount.source));
        let block = block.and_then(|name| tree.block_named(&name));
        Some(MountedFolder {
            path: Utf8PathBuf::from_path_buf(mount.point.clone()).ok()?,
            is_removable: block.and_then(|block| is_removable(&tree, &block)),
        })
    };
    Ok(on_disk.filter_map(folder).collect())
}

/// Returns whether a block device can be unplugged: the nearest word of the kernel on it counts,
/// and whatever is on USB or an SD card can.
fn is_removable(tree: &SystemRoot<'_>, block: &Path) -> Option<bool> {
    if block.starts_with("/sys/devices/virtual") {
        return None;
    }
    let words = |path: &Path| tree.read(path).map(|bytes| text(&bytes).trim().to_owned());
    let mut fixed = None;
    let devices = Path::new("/sys/devices");
    for folder in block.ancestors() {
        if folder == devices || !folder.starts_with(devices) {
            break;
        }
        let said = words(&folder.join("removable"));
        let is_card = words(&folder.join("type")).is_some_and(|kind| kind == "SD");
        match said.as_deref() {
            _ if is_card || tree.exists(&folder.join("idVendor")) => return Some(true),
            Some("1" | "removable") => return Some(true),
            Some("0" | "fixed") => fixed = Some(false),
            _ => {}
        }
    }
    fixed
}
