//! Owns what kinds of file systems mean for the question which disk is behind one.

use super::mounts::Mount;
use crate::disk::backing::{Backing, device_key};
use crate::name::word;

/// What the name of a block device says about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum BlockDeviceKind {
    /// A whole disk.
    Disk,
    /// A file shown as a disk.
    Loop,
    /// Working memory shown as a disk.
    Memory,
    /// Made of other block devices.
    Layer,
    /// Something whose place is not known here, in plain words.
    Elsewhere(&'static str),
    /// None of these.
    Other,
}

/// Tells the kind of a whole block device from its kernel name. Only names that are known to be
/// disks are taken for disks.
pub(super) fn kind_of(name: &str) -> BlockDeviceKind {
    let digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    let letters = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_lowercase());
    let numbered = |prefix: &str| name.strip_prefix(prefix).is_some_and(digits);
    let lettered = |prefix: &str| name.strip_prefix(prefix).is_some_and(letters);
    if numbered("loop") {
        return BlockDeviceKind::Loop;
    }
    if ["zram", "ram", "nullb"].into_iter().any(numbered) {
        return BlockDeviceKind::Memory;
    }
    let elsewhere = [
        ("nbd", "reached over a network"),
        ("rbd", "reached over a network"),
        ("drbd", "shared with another machine over a network"),
        ("ublkb", "made by a program"),
        ("zd", "a volume of a ZFS pool"),
        ("pmem", "memory that may or may not last"),
    ];
    if let Some((_, what)) = elsewhere.into_iter().find(|(prefix, _)| numbered(prefix)) {
        return BlockDeviceKind::Elsewhere(what);
    }
    if name.starts_with("dm-") || name.starts_with("md") || numbered("bcache") {
        return BlockDeviceKind::Layer;
    }
    let controller_disk = name
        .strip_prefix("nvme")
        .and_then(|rest| rest.split_once('n'))
        .is_some_and(|(controller, space)| digits(controller) && digits(space));
    let flash = device_key(name) != name && name.starts_with("mmcblk");
    let named = ["sd", "hd", "vd", "xvd", "dasd"].into_iter().any(lettered);
    if controller_disk || flash || named || ["mmcblk", "mspblk", "sr"].into_iter().any(numbered) {
        return BlockDeviceKind::Disk;
    }
    BlockDeviceKind::Other
}

/// Whether a type of file system keeps its files in working memory.
pub(super) fn is_memory_type(filesystem: &str) -> bool {
    matches!(filesystem, "tmpfs" | "ramfs" | "devtmpfs" | "rootfs")
}

/// The backing of a file system whose type alone says that its disks cannot be found.
pub(super) fn unknown_type(mount: &Mount) -> Option<Backing> {
    let Mount {
        filesystem, source, ..
    } = mount;
    let shown_source = word(source);
    let why = match filesystem.as_str() {
        "nfs" | "nfs4" | "cifs" | "smb3" | "smbfs" | "ncpfs" | "afs" | "ceph" | "coda" => {
            let why = format!("{shown_source} is a network folder, its disk is in another machine");
            return Some(Backing::unknown(why).with_known([source.clone()]));
        }
        "zfs" => {
            let pool = source.split(['/', '@']).next().unwrap_or(source);
            let why = format!("the disks of the ZFS pool {} are not looked up", word(pool));
            return Some(Backing::unknown(why).with_known([format!("ZFS pool {pool}")]));
        }
        "9p" | "virtiofs" | "vboxsf" | "vmhgfs" | "prl_fs" => {
            format!("{shown_source} is a folder shared by the machine that runs this one")
        }
        "overlay" | "aufs" | "ecryptfs" | "wrapfs" => {
            format!("{filesystem} is laid over other folders and does not say where they are")
        }
        "bcachefs" => "bcachefs may span several disks and does not list them".to_owned(),
        "fuse" => format!("{shown_source} is shown by a program, which may keep it anywhere"),
        other => {
            let program = word(other.strip_prefix("fuse.")?);
            format!("{shown_source} is shown by a program ({program}), which may keep it anywhere")
        }
    };
    Some(Backing::unknown(why))
}
