//! Owns the seam between the engine and every file system. All that touches a card or a drive goes
//! through [`Disk`]; `os` is the real one, tests bring simulated ones with faults.
//!
//! Invariant: no method can overwrite, truncate or remove anything but a part file or a journal
//! that this tool made, and none can write below a card's root.

pub mod backing;
pub mod buffer;
pub mod hardware;
pub mod hash_file;
pub mod home;
#[cfg(any(target_os = "linux", test))]
mod kernel_log;
pub mod os;
#[cfg(all(test, target_os = "linux"))]
mod recorded;
#[cfg(target_os = "linux")]
pub mod topology;

use crate::digest::Digest;
use crate::error::{Cause, Problem};
use backing::Backing;
use buffer::Chunk;
use camino::{Utf8Path, Utf8PathBuf};
use hardware::Gear;
use std::collections::{BTreeSet, HashMap};
use std::ffi::OsString;
use std::fmt::Debug;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::io;

/// The journal's file name inside the records folder.
pub const JOURNAL: &str = "journal.jsonl";

/// A date as a file system keeps it: seconds since 1970 and nanoseconds.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct Stamp {
    /// Seconds since 1970-01-01T00:00:00Z; negative before.
    pub seconds: i64,
    /// 0 to 999,999,999.
    pub nanos: u32,
}

impl Stamp {
    /// Takes it from a moment of the calendar.
    pub fn of(time: jiff::Timestamp) -> Self {
        let (seconds, nanos) = (time.as_second(), i64::from(time.subsec_nanosecond()));
        // Before 1970 both are negative.
        Self {
            seconds: seconds + nanos.div_euclid(1_000_000_000),
            nanos: u32::try_from(nanos.rem_euclid(1_000_000_000)).unwrap_or(0),
        }
    }

    /// Returns the date as RFC 3339, UTC, with nine decimals; dates beyond year 9999 are clamped.
    pub fn rfc3339(self) -> String {
        let nanos = i32::try_from(self.nanos.min(999_999_999)).unwrap_or(0);
        let time = jiff::Timestamp::new(self.seconds, nanos).unwrap_or(if self.seconds < 0 {
            jiff::Timestamp::MIN
        } else {
            jiff::Timestamp::MAX
        });
        format!("{time:.9}")
    }
}

/// What an entry is, as `lstat` tells it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum EntryKind {
    /// A regular file.
    File,
    /// A folder.
    Folder,
    /// A symbolic link; never followed.
    Link,
    /// A socket, pipe or device.
    Special,
}

/// What the file system says of one entry.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Stat {
    /// File, folder, link or special.
    pub kind: EntryKind,
    /// Size in bytes.
    pub bytes: u64,
    /// Date of the last change of content.
    pub modified: Stamp,
    /// Number that the system gives the file system that holds it (`st_dev`); see [`FolderFacts::entry_device`].
    pub device: u64,
    /// Number of the entry in its file system (`st_ino`).
    pub inode: u64,
    /// Date of the last change of the entry itself (`st_ctime`), which no program can set; `modified` where the
    /// system does not tell it.
    pub changed: Stamp,
}

/// What exFAT keeps of a date, in nanoseconds (its specification, `LastModified10msIncrement`).
const EXFAT_STEP_NS: u32 = 10_000_000;

/// A short form of all that becomes another when a file is written to or replaced. Equal ones say that nothing was;
/// others that the file has to be read again. The default is that of a file that was not looked at.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Sight(u64);

impl Sight {
    /// Takes it from a look at a file, by the Linux name of its file system. Where numbers and dates of entries are made up
    /// anew whenever memory has forgotten them (FAT, exFAT, many FUSE ones), only the size and the date of the content
    /// count: in steps of the 2 s that FAT keeps, and the part of it that is finer than the 10 ms that exFAT keeps, which
    /// is there only where the file system keeps all of it.
    pub fn of(stat: &Stat, filesystem: &str) -> Self {
        let mut hasher = DefaultHasher::new();
        stat.bytes.hash(&mut hasher);
        if keeps_numbers(filesystem) {
            (stat.device, stat.inode, stat.modified, stat.changed).hash(&mut hasher);
        } else {
            let Stamp { seconds, nanos } = stat.modified;
            (seconds.div_euclid(2), nanos % EXFAT_STEP_NS).hash(&mut hasher);
        }
        Self(hasher.finish())
    }
}

/// What every file below a folder looked like, by its path, to be held against a later look.
#[derive(Clone, Debug, Default)]
pub struct Sights(HashMap<OsString, Sight>);

impl Sights {
    /// Takes them from a walk, by the Linux name of the file system.
    pub fn of(found: &[Found], filesystem: &str) -> Self {
        let files = found.iter().filter_map(|entry| {
            let stat = entry.stat.as_ref().ok()?;
            let sight = Sight::of(stat, filesystem);
            (stat.kind == EntryKind::File).then(|| (entry.path.clone(), sight))
        });
        Self(files.collect())
    }

    /// Returns the files that are gone or not what they were by a later look. What came is not among them.
    pub fn not_in(&self, later: &Self) -> BTreeSet<String> {
        let all = self.0.iter();
        all.filter(|(path, sight)| later.0.get(*path) != Some(sight))
            .map(|(path, _)| path.to_string_lossy().into_owned())
            .collect()
    }
}

/// Whether a file system stores the numbers and dates of its entries.
fn keeps_numbers(filesystem: &str) -> bool {
    matches!(
        filesystem,
        "ext2"
            | "ext3"
            | "ext4"
            | "xfs"
            | "btrfs"
            | "f2fs"
            | "tmpfs"
            | "ntfs3"
            | "apfs"
            | "hfsplus"
    )
}

/// One entry met while walking a tree.
#[derive(Debug)]
pub struct Found {
    /// Path relative to the root of the walk, as raw as the system gave it.
    pub path: OsString,
    /// What it is, or why that could not be told. A folder that cannot be listed is met once as a
    /// folder and once more with the error.
    pub stat: io::Result<Stat>,
}

/// Which kind of tree is walked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Tree {
    /// A card.
    Card,
    /// A folder on a drive.
    Drive,
}

/// What is known of a mounted folder: its identity, its file system and its room.
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FolderFacts {
    /// The path with every link resolved.
    pub canonical: String,
    /// Number of the file system (`st_dev`); on Windows, whose own numbers can be alike, one of its name.
    pub device: u64,
    /// What [`Stat::device`] is of all that lies on it.
    pub entry_device: u64,
    /// Number of the folder in it (`st_ino`).
    pub inode: u64,
    /// (device, inode) of every folder from this one up to `/`.
    pub ancestors: Vec<(u64, u64)>,
    /// Whether the folder is the root of its mount.
    pub is_mount_root: bool,
    /// The mount shows a folder of the volume and not its root, as a bind mount does.
    pub shows_folder: bool,
    /// Path of the folder from the root of its volume, with `/`, wherever that is mounted and whatever part of it a
    /// mount shows: empty at the root. None where the system does not tell.
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
    /// The volume is the computer's own, and no camera will format it: the system or the person's home is on it,
    /// or it is in memory. Folders on it may stand for cards and drives.
    pub is_own_volume: bool,
    /// What the one disk below says that tells it from all others, such as its serial number.
    pub hardware: Option<String>,
    /// Why what is written here can be read back from memory only, where that is so.
    pub only_from_memory: Option<String>,
    /// (device, inode) of every image file that the volume is shown from, the nearest first.
    pub images: Vec<(u64, u64)>,
}

impl FolderFacts {
    /// Returns whether the folder is a part of a volume that may be a card or a drive: formatting takes more than
    /// this folder. A folder of the computer's own disk, or in its memory, is taken for the card that the person calls
    /// it: nobody formats that disk for a card.
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

    /// Returns whether two folders are on different file systems whose volumes have the same identity: a clone, or
    /// one drive seen twice.
    pub fn is_twin_of(&self, other: &Self) -> bool {
        let is_subvolume = self.filesystem == "btrfs" && self.backing == other.backing;
        let is_equal = self.volume_id.is_some() && self.volume_id == other.volume_id;
        is_equal && self.device != other.device && !is_subvolume
    }

    /// Returns whether the drives below two folders themselves say that they are two.
    pub fn is_other_hardware(&self, other: &Self) -> bool {
        matches!((&self.hardware, &other.hardware), (Some(a), Some(b)) if a != b)
    }

    /// Returns a mark of the drive for the record, where its maker gave it a number that no other drive has and that
    /// does not change with the enclosure that it is in: 16 hexadecimal digits that do not tell the number.
    pub fn drive_mark(&self) -> Option<String> {
        let own = ["naa.", "eui.", "nvme.", "cid "];
        let number = self.hardware.as_ref()?;
        let is_own = own.iter().any(|kind| number.starts_with(kind));
        is_own.then(|| mark(number))
    }

    /// Returns a mark of the folder's place in its volume for the record: 16 hexadecimal digits, the same wherever
    /// the volume is mounted.
    pub fn place_mark(&self) -> Option<String> {
        self.within.as_deref().map(mark)
    }

    /// Returns in words why what lies in this folder goes when `card` is formatted, if it does. The card's device
    /// decides, also when only a folder of it was given and whatever its folders are called. Of a card
    /// that is a folder on the computer's own volume only that folder counts.
    pub fn goes_with(&self, card: &Self) -> Option<&'static str> {
        let whole_volume = card.is_mount_root || card.is_camera_volume;
        let is_formatted = whole_volume || !card.is_own_volume;
        if self.ancestors.contains(&(card.device, card.inode))
            || (is_formatted && card.device == self.device)
        {
            return Some("lies on the card itself");
        }
        if is_formatted && self.images.iter().any(|(device, _)| *device == card.device) {
            return Some("is an image file on the card");
        }
        // A camera formats the whole device, whatever partitions a computer made on it.
        let is_shared = whole_volume || (is_formatted && !self.is_own_volume);
        let image = card.images.first().filter(|_| is_shared);
        if image.is_some_and(|image| self.images.contains(image)) {
            return Some("lies in the card's own image file, on another part of it");
        }
        let disk = card.own_disk.as_ref().filter(|_| is_shared)?;
        let below = self.backing.names()?;
        below
            .contains(disk)
            .then_some("lies on the card's own device, on another part of it")
    }
}

/// The first 16 hexadecimal digits of a text's BLAKE3.
fn mark(text: &str) -> String {
    let digest = Digest::of(text.as_bytes()).to_string();
    digest.chars().take(16).collect()
}

/// Returns what is at the other end of a file system that no disk of this computer is behind: reads past this
/// computer's memory reach that at best.
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

/// How a read-back reached the device. The names are part of the manifest's format.
#[derive(
    Clone, Copy, PartialEq, Eq, Debug, serde::Serialize, serde::Deserialize, PartialOrd, Ord,
)]
#[serde(rename_all = "lowercase")]
pub enum ReadBackWay {
    /// Not read back at all.
    None,
    /// The system may have answered from memory; proves nothing.
    Cached,
    /// The file's pages were dropped from memory before it was read.
    Dropped,
    /// Read past the page cache (`O_DIRECT`).
    Direct,
}

impl ReadBackWay {
    /// Returns the manifest's word.
    pub fn id(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Cached => "cached",
            Self::Dropped => "dropped",
            Self::Direct => "direct",
        }
    }

    /// Returns the word with what it is worth on a kind of file system: `direct`, `direct, to the server at best`.
    pub fn words(self, filesystem: &str) -> String {
        match far_end(filesystem).filter(|_| self.reaches_device()) {
            Some(end) => format!("{}, to {end} at best", self.id()),
            None => self.id().to_owned(),
        }
    }

    /// Returns whether a read this way says something about the device.
    pub fn reaches_device(self) -> bool {
        matches!(self, Self::Dropped | Self::Direct)
    }
}

/// A file open for reading.
pub trait Source: Send + Debug {
    /// Reads into `into` from `offset`; returns 0 only at the end of the file.
    fn read_at(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize>;
    /// Asks the system to begin reading ahead; a hint.
    fn expect(&self, offset: u64, bytes: u64);
    /// Says that the pages up to `offset` will not be needed again; a hint.
    fn forget(&self, offset: u64);
    /// Returns what the file system says of the open file now.
    fn stat(&self) -> io::Result<Stat>;
    /// Returns how reads reach the device.
    fn way(&self) -> ReadBackWay;
}

/// A part file open for writing, not yet under its final name.
pub trait Part: Send + Sync + Debug {
    /// Writes a chunk at `offset`. Chunks come in order; all but the last are full.
    fn write_chunk(&self, chunk: &Chunk, offset: u64) -> io::Result<()>;
    /// Makes what was written so far durable; the date and length need not be.
    fn flush_data(&self) -> io::Result<()>;
    /// Cuts the file to its true length and gives it its date. `Ok(false)`: the date was refused.
    fn finish(&self, bytes: u64, modified: Stamp) -> io::Result<bool>;
    /// Makes everything about the file durable.
    fn flush_all(&self) -> io::Result<()>;
}

/// A journal open for appending.
pub trait Journal: Send + Debug {
    /// Appends bytes and makes them durable.
    fn append(&mut self, lines: &[u8]) -> io::Result<()>;
}

/// What a file system needs until names that were given, and folders that were made, are on the device. What a
/// file holds was flushed before it got its name.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Settling {
    /// A flush of each folder: its journal, or its way of writing folders, keeps the rest.
    Folders,
    /// A flush of each folder, of everything, then of a folder, which empties the drive's own cache. Measured with the
    /// kernel's drivers (6.1, 6.12): on FAT the entry of a renamed file says 0 bytes until the file itself is
    /// written back, and on NTFS (ntfs3) no flush of a file or folder is enough after a rename or a new folder.
    Whole,
    /// A flush of each file under its name, of each folder, and of everything: what a server or a daemon makes of
    /// each of them is not known.
    Each,
}

impl Settling {
    /// Returns what a file system needs, by its Linux name. exFAT and ext4 were pulled in tests; the others of the first
    /// kind write names in order in a journal or tree of their own (their documentation).
    pub fn of(filesystem: &str) -> Self {
        match filesystem {
            "ext2" | "ext3" | "ext4" | "xfs" | "btrfs" | "f2fs" | "exfat" | "apfs" | "tmpfs"
            | "ramfs" => Self::Folders,
            "vfat" | "msdos" | "ntfs3" | "ntfs" => Self::Whole,
            _ => Self::Each,
        }
    }
}

/// A folder of records that is one run's own as long as this is kept; nothing where there is no such thing.
pub type Claim = Option<std::fs::File>;

/// A folder that is held as long as this is kept; see [`Disk::anchor`].
pub type Anchor = Box<dyn Debug + Send + Sync>;

/// How a file system counts its clusters.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Counting {
    /// FAT12, FAT16 and FAT32: files and folders alone take clusters.
    Fat,
    /// exFAT: its bitmap and its up-case table do as well.
    ExFat,
}

/// What a file system that counts exactly has in use.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Count {
    /// How it counts.
    pub by: Counting,
    /// Size of a cluster in bytes.
    pub cluster_bytes: u64,
    /// Clusters of the volume.
    pub clusters: u64,
    /// Clusters that are not free.
    pub used: u64,
    /// Size of the root folder in bytes.
    pub root_bytes: u64,
}

/// Every operation on cards and drives.
pub trait Disk: Send + Sync + Debug {
    /// Holds the folder that `facts` are of, for a job: until the anchor is dropped, all that is done
    /// below it starts from the folder itself and not from its name. It follows no link and enters
    /// nothing that is mounted inside, which is told as [`io::ErrorKind::CrossesDevices`]. Fails when the name leads
    /// elsewhere by now. Systems without such handles look at names.
    fn anchor(&self, folder: &Utf8Path, facts: &FolderFacts) -> io::Result<Anchor> {
        let _ = (folder, facts);
        Ok(Box::new(()))
    }
    /// Fails when the name of a held folder leads elsewhere by now: its drive was unmounted, or something
    /// else was mounted over it.
    fn check_in_place(&self, folder: &Utf8Path) -> io::Result<()> {
        let _ = folder;
        Ok(())
    }
    /// Walks a tree below `root` (the root itself is not reported); order is free, access times stay.
    fn walk(&self, root: &Utf8Path, tree: Tree) -> io::Result<Vec<Found>>;
    /// Lists one folder of a drive.
    fn children(&self, folder: &Utf8Path) -> io::Result<Vec<Found>> {
        let mut found = self.walk(folder, Tree::Drive)?;
        found.retain(|f| !f.path.to_string_lossy().contains('/'));
        Ok(found)
    }
    /// Returns what is known of a folder; fails when the device behind it is gone.
    fn facts(&self, folder: &Utf8Path) -> io::Result<FolderFacts>;
    /// Returns what the volume whose root is `root` has in use, where its file system counts exactly and the size
    /// of a folder is told as the clusters that it takes. `None` elsewhere.
    fn count(&self, root: &Utf8Path, facts: &FolderFacts) -> Option<Count> {
        let _ = (root, facts);
        None
    }
    /// Returns the last lines of the system's log that tell of trouble with the device behind a folder since it
    /// was plugged in, a few at most; none where the log may not be read.
    fn log_of(&self, facts: &FolderFacts) -> Vec<String> {
        let _ = facts;
        Vec::new()
    }
    /// Returns what the system says of the thing behind a folder: slot, reader, hubs and links. What it
    /// does not say, and all of it on systems that are not asked here, is unknown.
    fn gear(&self, facts: &FolderFacts) -> Gear {
        Gear {
            rotational: facts.rotational,
            ..Gear::default()
        }
    }
    /// Returns what stands at `path` without following a link; `None` when nothing does.
    fn look(&self, path: &Utf8Path) -> io::Result<Option<Stat>>;
    /// Opens a file of the card for reading, leaving its access time alone.
    fn open_card(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>>;
    /// Opens a file of a drive for reading it back from the device.
    fn open_read_back(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>>;
    /// Reads a whole record of at most `limit` bytes.
    fn read_record(&self, path: &Utf8Path, limit: u64) -> io::Result<Vec<u8>>;
    /// Creates one folder; it must not exist.
    fn create_folder(&self, path: &Utf8Path) -> io::Result<()>;
    /// Creates a part file; it must not exist. `large` asks for writes past the page cache.
    fn create_part(&self, path: &Utf8Path, large: bool) -> io::Result<Box<dyn Part>>;
    /// Tries whether a folder takes a file of so many bytes, with an empty part file that is removed again: fails as a
    /// write there would ([`io::ErrorKind::FileTooLarge`]). Systems that name every file system need not try.
    fn try_size(&self, folder: &Utf8Path, bytes: u64) -> io::Result<()> {
        let _ = (folder, bytes);
        Ok(())
    }
    /// Gives a part file (or a record) another name; never replaces what stands there.
    fn rename_new(&self, from: &Utf8Path, to: &Utf8Path) -> io::Result<()>;
    /// Makes a folder's entries, or a finished file, durable, as far as the file system goes: see [`Disk::settle`].
    fn flush(&self, path: &Utf8Path) -> io::Result<()>;
    /// Makes everything on the file system of a folder durable, also what others wrote there. Does nothing where the
    /// system has no such call; [`Disk::settling`] does not ask for it there.
    fn flush_everything(&self, folder: &Utf8Path) -> io::Result<()> {
        let _ = folder;
        Ok(())
    }
    /// Returns what the file system of a folder needs.
    fn settling(&self, folder: &Utf8Path) -> io::Result<Settling> {
        let _ = folder;
        Ok(Settling::Each)
    }
    /// Makes durable, in the way of their file system, what was made, renamed or removed in these folders of one drive, and
    /// these files, flushed before, under the names that they have now.
    fn settle(&self, folders: &BTreeSet<Utf8PathBuf>, files: &[Utf8PathBuf]) -> io::Result<()> {
        let Some(first) = folders.first() else {
            return Ok(());
        };
        let way = self.settling(first)?;
        if way == Settling::Each {
            files.iter().try_for_each(|file| self.flush(file))?;
        }
        // The deepest first. On FAT the old name of a file has to be gone from the drive before the new one gets its
        // clusters: else a pull leaves two files in one place, and removing one takes the other's clusters away.
        folders
            .iter()
            .rev()
            .try_for_each(|folder| self.flush(folder))?;
        if way != Settling::Folders {
            self.flush_everything(first)?;
        }
        if way == Settling::Whole {
            self.flush(first)?;
        }
        Ok(())
    }
    /// The same for what was made, renamed or removed in one folder.
    fn settle_in(&self, folder: &Utf8Path, files: &[Utf8PathBuf]) -> io::Result<()> {
        self.settle(&BTreeSet::from([folder.to_path_buf()]), files)
    }
    /// Removes a part file or journal of this tool's.
    fn remove_own(&self, path: &Utf8Path) -> io::Result<()>;
    /// Removes an empty folder that this tool made.
    fn remove_empty_folder(&self, path: &Utf8Path) -> io::Result<()>;
    /// Claims a folder of records for this run. Fails with [`io::ErrorKind::WouldBlock`] when another run has it.
    fn claim(&self, folder: &Utf8Path) -> io::Result<Claim> {
        let _ = folder;
        Ok(None)
    }
    /// Opens a journal for appending, creating it if needed.
    fn open_journal(&self, path: &Utf8Path) -> io::Result<Box<dyn Journal>>;
}

/// Makes everything on a drive durable, also what others wrote there, before it is believed to be on the device: names
/// and sizes are answered from memory, and so is what was written a moment ago. Nothing is to be done where it is
/// mounted read-only.
pub fn settle_all(disk: &dyn Disk, folder: &Utf8Path, facts: &FolderFacts) -> io::Result<()> {
    if facts.read_only {
        return Ok(());
    }
    match disk.settling(folder)? {
        Settling::Whole => disk.settle_in(folder, &[]),
        _ => disk.flush_everything(folder),
    }
}

/// Returns whether an error says that a device is full.
pub fn is_full(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded
    )
}

/// Returns whether an error is about the name alone, not about the drive.
pub fn is_name_refused(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::InvalidFilename | io::ErrorKind::InvalidInput
    ) || {
        // A character that the file system cannot store. The number differs between systems.
        #[cfg(unix)]
        let illegal = Some(rustix::io::Errno::ILSEQ.raw_os_error());
        #[cfg(not(unix))]
        let illegal = None;
        illegal.is_some() && error.raw_os_error() == illegal
    }
}

/// Turns a failed write step of a destination into its problem.
pub fn write_problem(step: crate::error::Step, cause: &io::Error) -> Problem {
    let told = crate::error::failed(step, cause);
    if cause.kind() == io::ErrorKind::FileTooLarge {
        let detail = format!(
            "{told}; the drive's file system holds no larger file, or this session has a limit on their size (`ulimit -f`)"
        );
        return Problem::new(crate::error::ProblemKind::TooLargeForFilesystem, detail);
    }
    if cause.kind() == io::ErrorKind::ReadOnlyFilesystem {
        let detail = format!("{told}; {}", crate::error::NOW_READ_ONLY);
        let problem = Problem::new(crate::error::ProblemKind::WriteFailed, detail);
        return problem.because(Cause::NowReadOnly);
    }
    let kind = if is_full(cause) {
        crate::error::ProblemKind::NoRoom
    } else {
        crate::error::ProblemKind::WriteFailed
    };
    Problem::new(kind, told)
}

/// Adds to a failed write below `folder` that the drive was set read-only over it. The call that meets an error in
/// the drive's file system fails with an error of its own, and only the next says why (Linux's vfat with
/// `errors=remount-ro`, seen). A drive that is not there any more was pulled, and nothing is added.
pub fn explained(disk: &dyn Disk, folder: &Utf8Path, mut problem: Problem) -> Problem {
    let known = Some(Cause::NowReadOnly);
    if problem.kind == crate::error::ProblemKind::WriteFailed && problem.cause != known {
        let facts = disk.facts(folder);
        if facts.is_ok_and(|facts| facts.read_only && facts.own_disk.is_some()) {
            problem.cause = known;
            problem.detail = format!("{}; {}", problem.detail, crate::error::NOW_READ_ONLY);
        }
    }
    problem
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2 s is what FAT keeps, 10 ms what exFAT keeps; a FUSE mount may keep all.
    #[test]
    fn a_date_counts_as_far_as_a_file_system_keeps_it() {
        let seen = |seconds, nanos, filesystem| {
            let modified = Stamp { seconds, nanos };
            let stat = Stat {
                kind: EntryKind::File,
                bytes: 9,
                modified,
                device: 1,
                inode: 2,
                changed: modified,
            };
            Sight::of(&stat, filesystem)
        };
        for filesystem in ["vfat", "exfat", "fuseblk"] {
            let first = seen(1_000, 0, filesystem);
            for rounded in [(1_001, 0), (1_001, 990_000_000)] {
                assert_eq!(first, seen(rounded.0, rounded.1, filesystem));
            }
            assert_ne!(first, seen(1_002, 0, filesystem));
            assert_ne!(first, seen(1_001, 123_456_789, filesystem), "written to");
        }
        assert_ne!(seen(1_000, 0, "ext4"), seen(1_001, 0, "ext4"));
    }
}
