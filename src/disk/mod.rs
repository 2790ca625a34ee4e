//! Owns the seam between the engine and every file system. All that touches a card or a drive goes
//! through [`Disk`]; `os` is the real one, tests bring simulated ones with faults.
//!
//! Invariant: no method can overwrite, truncate or remove anything but a part file or a journal
//! that this tool made, but for the chain of a media hash list, which a longer one takes the place
//! of; and none can write below a card's root.

pub mod backing;
pub mod buffer;
mod entry;
mod facts;
pub mod guarded;
pub mod hardware;
pub mod hash_file;
pub mod home;
#[cfg(any(target_os = "linux", test))]
mod kernel_log;
pub mod os;
pub mod progress;
#[cfg(all(test, target_os = "linux"))]
mod recorded;
#[cfg(target_os = "linux")]
pub mod topology;

pub use entry::{EntryKind, Sight, Sights, Stamp, Stat, WalkEntry};
pub use facts::{CAMERA_FOLDERS, FolderFacts, MountedFolder, far_end, may_be_in_records};

use crate::error::{Cause, Problem};
use buffer::Chunk;
use camino::{Utf8Path, Utf8PathBuf};
use hardware::DeviceInfo;
use std::collections::BTreeSet;
use std::fmt::Debug;
use std::io;

/// The journal's file name inside the records folder.
pub const JOURNAL: &str = "journal.jsonl";

/// The file name of the chain of a media hash list, the one file that is ever replaced.
pub const CHAIN: &str = "ascmhl_chain.xml";

/// Which kind of tree is walked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum TreeKind {
    /// A card.
    Card,
    /// A folder on a drive.
    Drive,
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

    /// Returns the word with what it is worth on a kind of file system: `direct`, `direct, to the
    /// server at best`.
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
pub trait PartFile: Send + Sync + Debug {
    /// Writes a chunk at `offset`. Chunks come in order; all but the last are full.
    fn write_chunk(&self, chunk: &Chunk, offset: u64) -> io::Result<()>;
    /// Makes what was written so far durable; the date and length need not be.
    fn flush_data(&self) -> io::Result<()>;
    /// Cuts the file to its true length and gives it its date. `Ok(false)`: the date was refused.
    fn finish(&self, bytes: u64, modified: Stamp) -> io::Result<bool>;
    /// Makes everything about the file durable.
    fn flush_all(&self) -> io::Result<()>;
    /// Returns whether another program is seen to have written into a long part since it was
    /// created.
    fn had_other_writer(&self) -> bool;
}

/// A journal open for appending.
pub trait Journal: Send + Debug {
    /// Appends bytes and makes them durable.
    fn append(&mut self, lines: &[u8]) -> io::Result<()>;
}

/// What a file system needs until names that were given, and folders that were made, are on the
/// device. What a file holds was flushed before it got its name.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Settling {
    /// A flush of each folder: its journal, or its way of writing folders, keeps the rest.
    Folders,
    /// A flush of each folder, of everything, then of a folder, which empties the drive's own
    /// cache. Measured with the kernel's drivers (6.1, 6.12): on FAT the entry of a renamed file
    /// says 0 bytes until the file itself is written back, and on NTFS (ntfs3) no flush of a file
    /// or folder is enough after a rename or a new folder.
    Whole,
    /// A flush of each file under its name, of each folder, and of everything: what a server or a
    /// daemon makes of each of them is not known.
    Each,
}

impl Settling {
    /// Returns what a file system needs, by its Linux name. exFAT and ext4 were pulled in tests;
    /// the others of the first kind write names in order in a journal or tree of their own (their
    /// documentation).
    pub fn of(filesystem: &str) -> Self {
        match filesystem {
            "ext2" | "ext3" | "ext4" | "xfs" | "btrfs" | "f2fs" | "exfat" | "apfs" | "tmpfs"
            | "ramfs" => Self::Folders,
            "vfat" | "msdos" | "ntfs3" | "ntfs" => Self::Whole,
            _ => Self::Each,
        }
    }
}

/// A folder of records that is one run's own as long as this is kept; nothing where there is no
/// such thing.
pub type Claim = Option<Box<dyn Debug + Send + Sync>>;

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
    /// Holds the folder that `facts` are of, for a job: until the anchor is dropped, all that is
    /// done below it starts from the folder itself and not from its name. It follows no link and
    /// enters nothing that is mounted inside, which is told as [`io::ErrorKind::CrossesDevices`].
    /// Fails when the name leads elsewhere by now. Systems without such handles look at names.
    fn anchor(&self, folder: &Utf8Path, facts: &FolderFacts) -> io::Result<Anchor> {
        let _ = (folder, facts);
        Ok(Box::new(()))
    }
    /// Fails when the name of a held folder leads elsewhere by now: its drive was unmounted, or
    /// something else was mounted over it.
    fn check_in_place(&self, folder: &Utf8Path) -> io::Result<()> {
        let _ = folder;
        Ok(())
    }
    /// Walks a tree below `root` (the root itself is not reported); order is free, access times
    /// stay.
    fn walk(&self, root: &Utf8Path, tree: TreeKind) -> io::Result<Vec<WalkEntry>>;
    /// Walks a tree as long as `go_on` says so, which is asked at every entry; then fails with
    /// [`crate::error::Interruption`].
    fn walk_while(
        &self,
        root: &Utf8Path,
        tree: TreeKind,
        go_on: &dyn Fn() -> bool,
    ) -> io::Result<Vec<WalkEntry>> {
        let found = self.walk(root, tree)?;
        if go_on() {
            Ok(found)
        } else {
            Err(io::Error::other(crate::error::Interruption))
        }
    }
    /// Lists one folder of a drive.
    fn children(&self, folder: &Utf8Path) -> io::Result<Vec<WalkEntry>> {
        let mut found = self.walk(folder, TreeKind::Drive)?;
        found.retain(|f| !f.path.to_string_lossy().contains('/'));
        Ok(found)
    }
    /// Lists one folder of a drive as [`Disk::walk_while`] walks a tree.
    fn children_while(
        &self,
        folder: &Utf8Path,
        go_on: &dyn Fn() -> bool,
    ) -> io::Result<Vec<WalkEntry>> {
        let found = self.children(folder)?;
        if go_on() {
            Ok(found)
        } else {
            Err(io::Error::other(crate::error::Interruption))
        }
    }
    /// Returns where the volumes of this computer's disks are mounted now, the system's own among
    /// them; `None` on systems that are not asked.
    fn mounted(&self) -> io::Result<Option<Vec<MountedFolder>>> {
        Ok(None)
    }
    /// Returns what is known of a folder; fails when the device behind it is gone.
    fn facts(&self, folder: &Utf8Path) -> io::Result<FolderFacts>;
    /// Returns what the volume whose root is `root` has in use, where its file system counts
    /// exactly and the size of a folder is told as the clusters that it takes. `None` elsewhere.
    fn count(&self, root: &Utf8Path, facts: &FolderFacts) -> Option<Count> {
        let _ = (root, facts);
        None
    }
    /// Returns the last lines of the system's log that tell of trouble with the device behind a
    /// folder since it was plugged in, a few at most; none where the log may not be read.
    fn log_of(&self, facts: &FolderFacts) -> Vec<String> {
        let _ = facts;
        Vec::new()
    }
    /// Returns what the system says of the device behind a folder: slot, reader, hubs and links.
    /// What it does not say, and all of it on systems that are not asked here, is unknown.
    fn device_info(&self, facts: &FolderFacts) -> DeviceInfo {
        DeviceInfo {
            rotational: facts.rotational,
            ..DeviceInfo::default()
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
    fn create_part(&self, path: &Utf8Path, large: bool) -> io::Result<Box<dyn PartFile>>;
    /// Tries whether a folder takes a file of so many bytes, with an empty part file that is
    /// removed again: fails as a write there would ([`io::ErrorKind::FileTooLarge`]). Systems that
    /// name every file system need not try.
    fn try_size(&self, folder: &Utf8Path, bytes: u64) -> io::Result<()> {
        let _ = (folder, bytes);
        Ok(())
    }
    /// Gives a part file (or a record) another name; never replaces what stands there.
    fn rename_new(&self, from: &Utf8Path, to: &Utf8Path) -> io::Result<()>;
    /// Gives a part file the name of the chain of a media hash list, in one step and in the place
    /// of the one that has it: that standard has one file that grows with each generation. Fails
    /// for any other name.
    fn replace_chain(&self, part: &Utf8Path, to: &Utf8Path) -> io::Result<()>;
    /// Makes a folder's entries, or a finished file, durable, as far as the file system goes: see
    /// [`Disk::settle`].
    fn flush(&self, path: &Utf8Path) -> io::Result<()>;
    /// Makes everything on the file system of a folder durable, also what others wrote there. Does
    /// nothing where the system has no such call; [`Disk::settling`] does not ask for it there.
    fn flush_everything(&self, folder: &Utf8Path) -> io::Result<()> {
        let _ = folder;
        Ok(())
    }
    /// Returns what the file system of a folder needs.
    fn settling(&self, folder: &Utf8Path) -> io::Result<Settling> {
        let _ = folder;
        Ok(Settling::Each)
    }
    /// Makes durable, in the way of their file system, what was made, renamed or removed in these
    /// folders of one drive, and these files, flushed before, under the names that they have now.
    fn settle(&self, folders: &BTreeSet<Utf8PathBuf>, files: &[Utf8PathBuf]) -> io::Result<()> {
        let Some(first) = folders.first() else {
            return Ok(());
        };
        let way = self.settling(first)?;
        if way == Settling::Each {
            files.iter().try_for_each(|file| self.flush(file))?;
        }
        // The deepest first. On FAT the old name of a file has to be gone from the drive before the
        // new one gets its clusters: else a pull leaves two files in one place, and removing one
        // takes the other's clusters away.
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
    /// Claims a folder of records for this run. Fails with [`io::ErrorKind::WouldBlock`] when
    /// another run has it.
    fn claim(&self, folder: &Utf8Path) -> io::Result<Claim> {
        let _ = folder;
        Ok(None)
    }
    /// Opens a journal for appending, creating it if needed.
    fn open_journal(&self, path: &Utf8Path) -> io::Result<Box<dyn Journal>>;
}

/// Makes everything on a drive durable, also what others wrote there, before it is believed to be
/// on the device: names and sizes are answered from memory, and so is what was written a moment
/// ago. Nothing is to be done where it is mounted read-only.
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
    let failed = crate::error::failed(step, cause);
    if cause.kind() == io::ErrorKind::FileTooLarge {
        let detail = format!(
            "{failed}; the drive's file system holds no larger file, or this session has a limit \
             on their size (`ulimit -f`)"
        );
        return Problem::new(crate::error::ProblemKind::TooLargeForFilesystem, detail);
    }
    if cause.kind() == io::ErrorKind::ReadOnlyFilesystem {
        let detail = format!("{failed}; {}", crate::error::NOW_READ_ONLY);
        let problem = Problem::new(crate::error::ProblemKind::WriteFailed, detail);
        return problem.because(Cause::NowReadOnly);
    }
    let kind = if is_full(cause) {
        crate::error::ProblemKind::NoRoom
    } else {
        crate::error::ProblemKind::WriteFailed
    };
    let cause = Cause::of(cause).filter(|cause| *cause == Cause::NoFiles);
    Problem::new(kind, failed).because(cause)
}

/// Adds to a failed write below `folder` that the drive was set read-only over it. The call that
/// meets an error in the drive's file system fails with an error of its own, and only the next says
/// why (Linux's vfat with `errors=remount-ro`, seen). A drive that is not there any more was
/// pulled, and nothing is added.
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
