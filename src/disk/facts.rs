//! Owns what is known of a mounted folder: its identity, its file system and its room.

use super::backing::Backing;
use crate::digest::Digest;
use camino::{Utf8Path, Utf8PathBuf};
use std::fmt::Debug;

/// What is known of a mounted folder: its identity, its file system and its room.
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FolderFacts {
    /// The path with every link resolved.
    pub canonical: String,
    /// Number of the file system (`st_dev`); on Windows, whose own numbers can be alike, one of its
    /// name.
    pub device: u64,
    /// What [`super::Stat::device`] is of all that lies on it.
    pub entry_device: u64,
    /// Number of the folder in it (`st_ino`).
    pub inode: u64,
    /// (device, inode) of every folder from this one up to `/`.
    pub ancestors: Vec<(u64, u64)>,
    /// Whether the folder is the root of its mount.
    pub is_mount_root: bool,
    /// The mount shows a folder of the volume and not its root, as a bind mount does.
    pub shows_folder: bool,
    /// Path of the folder from the root of its volume, with `/`, wherever that is mounted and
    /// whatever part of it a mount shows: empty at the root. None where the system does not tell.
    pub within: Option<String>,
    /// File system type as the kernel calls it (`exfat`, `ext4`, `fuseblk`).
    pub filesystem: String,
    /// Identity of the volume, where the system tells it.
    pub volume_id: Option<String>,
    /// Name of the volume, where the system tells it.
    pub label: Option<String>,
    /// Size of the volume in bytes.
    pub total_bytes: u64,
    /// Room for this user in bytes.
    pub free_bytes: u64,
    /// Smallest unit of allocation in bytes.
    pub cluster_bytes: u64,
    /// Mounted read-only.
    pub read_only: bool,
    /// Which physical device stands behind it.
    pub backing: Backing,
    /// A spinning disk, where the system tells.
    pub rotational: Option<bool>,
    /// The root of the volume holds folders that only cameras make.
    pub is_camera_volume: bool,
    /// The volume is the one that the system itself runs from.
    pub is_system_volume: bool,
    /// The whole disk, by the system's name, of which the volume is a plain part or which it fills.
    /// None where it is made of something else, such as an image file or an encrypted layer.
    pub own_disk: Option<String>,
    /// The volume is the computer's own, and no camera will format it: the system or the person's
    /// home is on it, or it is in memory. Folders on it may stand for cards and drives.
    pub is_own_volume: bool,
    /// What the one disk below says that tells it from all others, such as its serial number.
    pub hardware: Option<String>,
    /// Why what is written here can be read back from memory only, where that is so.
    pub only_from_memory: Option<String>,
    /// (device, inode) of every image file that the volume is shown from, the nearest first.
    pub images: Vec<(u64, u64)>,
}

/// Folders in the root of a volume that tell a camera's card: DCF (JEITA CP-3461), AVCHD and P2 as
/// in public manuals, others from memory.
pub const CAMERA_FOLDERS: [&str; 6] = ["DCIM", "PRIVATE", "AVCHD", "CONTENTS", "XDROOT", "BPAV"];

/// Where a volume is mounted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MountedFolder {
    /// The root of its mount.
    pub path: Utf8PathBuf,
    /// Its disk can be unplugged, where the system tells.
    pub is_removable: Option<bool>,
}

impl FolderFacts {
    /// Returns whether the folder is a part of a volume that may be a card or a drive: formatting
    /// takes more than this folder. A folder of the computer's own disk, or in its memory, is taken
    /// for the card that the person calls it: nobody formats that disk for a card.
    pub fn is_part_of_volume(&self) -> bool {
        let is_whole = self.is_mount_root && !self.shows_folder;
        !is_whole && !self.is_own_volume
    }

    /// Returns the highest folder above this one, or itself, that is on the same volume.
    pub fn volume_root(&self) -> &Utf8Path {
        let same = self
            .ancestors
            .iter()
            .take_while(|(device, _)| *device == self.device);
        let path = Utf8Path::new(&self.canonical);
        let above = same.count().saturating_sub(1);
        path.ancestors().nth(above).unwrap_or(path)
    }

    /// Returns whether two folders are on different file systems whose volumes have the same
    /// identity: a clone, or one drive seen twice.
    pub fn is_twin_of(&self, other: &Self) -> bool {
        let is_subvolume = self.filesystem == "btrfs" && self.backing == other.backing;
        let is_equal = self.volume_id.is_some() && self.volume_id == other.volume_id;
        is_equal && self.device != other.device && !is_subvolume
    }

    /// Returns whether the drives below two folders themselves say that they are two.
    pub fn is_other_hardware(&self, other: &Self) -> bool {
        matches!((&self.hardware, &other.hardware), (Some(a), Some(b)) if a != b)
    }

    /// Returns a mark of the drive for the record, where its maker gave it a number that no other
    /// drive has and that does not change with the enclosure that it is in: 16 hexadecimal digits
    /// that do not tell the number.
    pub fn drive_mark(&self) -> Option<String> {
        let own = ["naa.", "eui.", "nvme.", "cid "];
        let number = self.hardware.as_ref()?;
        let is_own = own.iter().any(|kind| number.starts_with(kind));
        is_own.then(|| mark(number))
    }

    /// Returns a mark of the folder's place in its volume for the record: 16 hexadecimal digits,
    /// the same wherever the volume is mounted.
    pub fn place_mark(&self) -> Option<String> {
        self.within.as_deref().map(mark)
    }

    /// Returns in words why what lies in this folder goes when `card` is formatted, if it does. The
    /// card's device decides, also when only a folder of it was given and whatever its folders are
    /// called. Of a card that is a folder on the computer's own volume only that folder counts.
    pub fn goes_with(&self, card: &Self) -> Option<&'static str> {
        let whole_volume = card.is_mount_root || card.is_camera_volume;
        let is_formatted = whole_volume || !card.is_own_volume;
        if self.ancestors.contains(&(card.device, card.inode))
            || (is_formatted && card.device == self.device)
        {
            return Some("is on the card itself");
        }
        if is_formatted && self.images.iter().any(|(device, _)| *device == card.device) {
            return Some("is an image file on the card");
        }
        // A camera formats the whole device, whatever partitions a computer made on it.
        let is_shared = whole_volume || (is_formatted && !self.is_own_volume);
        let image = card.images.first().filter(|_| is_shared);
        if image.is_some_and(|image| self.images.contains(image)) {
            return Some("is in the card's own image file, on another part of it");
        }
        let disk = card.own_disk.as_ref().filter(|_| is_shared)?;
        let below = self.backing.names()?;
        below
            .contains(disk)
            .then_some("is on the same disk as the card, in another part of it")
    }
}

/// The first 16 hexadecimal digits of a text's BLAKE3.
pub(super) fn mark(text: &str) -> String {
    let digest = Digest::of(text.as_bytes()).to_string();
    digest.chars().take(16).collect()
}

/// The largest file that a file system keeps within its own records, in bytes: a page of Linux.
const IN_RECORDS_MAX: u64 = 64 << 10;

/// Whether a file of so many bytes may be kept within the file system's own records, which nobody
/// can read past the computer's memory. Kinds of file systems as the kernel calls them, from their
/// documentation (btrfs `max_inline`, NTFS resident files, ext4 and f2fs `inline_data`).
pub fn may_be_in_records(filesystem: &str, bytes: u64) -> bool {
    let kinds = [
        "btrfs", "f2fs", "bcachefs", "ext4", "ntfs", "ntfs3", "fuseblk",
    ];
    bytes <= IN_RECORDS_MAX && kinds.contains(&filesystem)
}

/// Returns what is at the other end of a file system that no disk of this computer is behind: reads
/// past this computer's memory reach that at best.
pub fn far_end(filesystem: &str) -> Option<&'static str> {
    match filesystem {
        "nfs" | "nfs4" | "cifs" | "smb3" | "smbfs" | "ncpfs" | "afs" | "ceph" | "coda"
        | "afpfs" | "webdav" => Some("the server"),
        "9p" | "virtiofs" | "vboxsf" | "vmhgfs" | "prl_fs" => {
            Some("the machine that runs this one")
        }
        fs if fs == "fuse" || fs.starts_with("fuse.") => Some("the program that shows it"),
        _ => None,
    }
}
