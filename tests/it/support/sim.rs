//! Owns the simulated disk: cards and drives in memory, behind the same seam as the real ones.
//!
//! Every volume is held twice. What is *visible* is what any call sees now. What is *durable* is
//! what a power cut leaves: a file's content as of its last flush, a folder's entries as of the
//! last flush of that folder. Two kinds of volumes have habits of their own, as seen with the
//! kernel's drivers: on `vfat` the entry of a renamed file has size 0 until the file itself is
//! flushed, or everything; on `ntfs3` only a flush of everything makes entries durable. Every call
//! is counted by volume and kind of operation, so that a test can ask for a fault at "the 7th write
//! on /a". All chance comes from a seed.
//!
//! One lock guards the whole world: a call is one instant. Threads of the engine interleave all the
//! same, so the N-th call may concern different files in two runs.

use super::bag;
use camino::{Utf8Path, Utf8PathBuf};
use jiff::Timestamp;
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsString;
use std::io;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use unlade::clock::{Clock, SystemClock};
use unlade::disk::backing::Backing;
use unlade::disk::buffer::Chunk;
use unlade::disk::hardware::DeviceInfo;
use unlade::disk::{
    Anchor, Claim, Count, Counting, Disk, EntryKind, FolderFacts, Journal, PartFile, ReadBackWay,
    Settling, Source, Stamp, Stat, TreeKind, WalkEntry,
};
use unlade::name::{is_part_name, part_name};
use unlade::record::journal::JOURNAL;
use unlade::record::layout::{Layout, RECORDS};
use unlade::record::manifest::MANIFEST;
use unlade::units::{len_usize, len64};

/// `EIO`: the device could not do it.
pub(crate) const EIO: i32 = 5;
/// `ENODEV`: the device is gone.
const ENODEV: i32 = 19;
/// A volume and what lies on it are numbered apart, as on Windows: who takes one number for the
/// other is found out.
const APART: u64 = 1 << 32;
/// What is lost or kept on its own when the power goes, in bytes.
const SECTOR: usize = 512;
/// How long a slow call takes.
const SLOW: Duration = Duration::from_millis(3);

// ---- chance and time --------------------------------------------------------------------------

/// Chance from a seed (`SplitMix64`): the same seed gives the same numbers on every machine.
#[derive(Clone, Debug)]
pub(crate) struct Chance(u64);

impl Chance {
    /// Begins a row of numbers.
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Returns the next number.
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Returns a number from 0 up to but not including `end`; 0 when `end` is 0.
    pub(crate) fn below(&mut self, end: usize) -> usize {
        len_usize(self.next().checked_rem(len64(end)).unwrap_or(0))
    }

    /// Returns one of two answers.
    pub(crate) fn coin(&mut self) -> bool {
        self.next() & 1 == 1
    }

    /// Returns so many bytes, none of them zero: a hole in a file always shows.
    pub(crate) fn bytes(&mut self, count: usize) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(count + 8);
        while bytes.len() < count {
            bytes.extend(self.next().to_le_bytes().map(|b| b.max(1)));
        }
        bytes.truncate(count);
        bytes
    }
}

/// A clock whose time of day is made up and advances with what was slept; waits return at once.
/// `elapsed` is real, because the engine bounds its patience with real waits beside it.
#[derive(Debug)]
pub(crate) struct SimClock {
    real: SystemClock,
    day: Timestamp,
    slept_ns: AtomicU64,
}

impl SimClock {
    /// Starts a clock at noon of 2026-11-25, so many days later.
    pub(crate) fn on_day(days: i64) -> Self {
        Self {
            real: SystemClock::start(),
            day: Timestamp::from_second(1_795_608_000 + days * 86_400).unwrap(),
            slept_ns: AtomicU64::new(0),
        }
    }
}

impl Clock for SimClock {
    fn elapsed(&self) -> Duration {
        self.real.elapsed() + Duration::from_nanos(self.slept_ns.load(Ordering::Relaxed))
    }

    fn now(&self) -> Timestamp {
        let slept = Duration::from_nanos(self.slept_ns.load(Ordering::Relaxed));
        self.day.saturating_add(slept).unwrap_or(self.day)
    }

    fn today(&self) -> String {
        self.now().strftime("%Y%m%d").to_string()
    }

    fn sleep(&self, time: Duration) {
        let ns = u64::try_from(time.as_nanos()).unwrap_or(u64::MAX);
        self.slept_ns.fetch_add(ns, Ordering::Relaxed);
    }
}

// ---- operations and faults --------------------------------------------------------------------

/// The kinds of calls that are counted.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum Op {
    Walk,
    Facts,
    Look,
    OpenCard,
    CardRead,
    OpenReadBack,
    ReadBackRead,
    ReadRecord,
    CreateFolder,
    CreatePart,
    WriteChunk,
    FlushData,
    Finish,
    FlushAll,
    RenameNew,
    Flush,
    FlushEverything,
    RemoveOwn,
    RemoveEmptyFolder,
    OpenJournal,
    JournalAppend,
}

/// How often each kind of call was made, by volume.
type Calls = BTreeMap<(String, Op), u64>;

impl Op {
    /// Every kind of call.
    pub(crate) const ALL: [Self; 21] = [
        Self::Walk,
        Self::Facts,
        Self::Look,
        Self::OpenCard,
        Self::CardRead,
        Self::OpenReadBack,
        Self::ReadBackRead,
        Self::ReadRecord,
        Self::CreateFolder,
        Self::CreatePart,
        Self::WriteChunk,
        Self::FlushData,
        Self::Finish,
        Self::FlushAll,
        Self::RenameNew,
        Self::Flush,
        Self::FlushEverything,
        Self::RemoveOwn,
        Self::RemoveEmptyFolder,
        Self::OpenJournal,
        Self::JournalAppend,
    ];

    /// Returns whether the call may need room on the volume.
    pub(crate) fn takes_room(self) -> bool {
        matches!(
            self,
            Self::CreateFolder
                | Self::CreatePart
                | Self::WriteChunk
                | Self::FlushData
                | Self::Finish
                | Self::FlushAll
                | Self::RenameNew
                | Self::Flush
                | Self::FlushEverything
                | Self::OpenJournal
                | Self::JournalAppend
        )
    }
}

/// What goes wrong.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum FaultKind {
    /// This one call fails with a system error number; nothing is done.
    Errno(i32),
    /// Half of the bytes are stored and the call says so.
    ShortWrite,
    /// Half of the bytes are stored and the call claims success.
    ShortWriteUntold,
    /// One bit of what is stored is wrong; the call claims success.
    FlipBitOnWrite,
    /// Nothing is stored (the place reads as zeros); the call claims success.
    LostWrite,
    /// One bit of what is returned is wrong; what is stored is right.
    FlipBitOnRead,
    /// Half of what was asked for is returned, as a system may at any time.
    ShortRead,
    /// From this call on the volume has no room left.
    Full,
    /// From this call on every call on the volume fails.
    Vanished,
    /// This call meets an error in the file system; from then on nothing can be written to the
    /// volume.
    SetReadOnly,
    /// The call takes a moment longer.
    Slow,
    /// Before this call somebody swaps a folder of the volume for a link to somewhere else.
    SwappedForLink,
    /// Before this call something else is mounted over a folder of the volume.
    MountedOver,
}

/// What somebody put in a folder's place while a run was at work. The folder itself stays what it
/// is below it, and is there again after [`Sim::reboot`].
#[derive(Clone, Debug)]
struct Elsewhere {
    volume: String,
    at: String,
    is_link: bool,
    /// Whether the volume was walked since.
    was_walked: bool,
}

impl Elsewhere {
    fn covers(&self, path: &str) -> bool {
        let below = path.strip_prefix(&self.at);
        below.is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
    }

    fn error(&self) -> io::Error {
        if self.is_link {
            return io::Error::other("is a link");
        }
        io::ErrorKind::CrossesDevices.into()
    }

    /// What is said of the folder whose place it took.
    fn stat(&self, folder: Stat) -> io::Result<Stat> {
        if self.is_link {
            let kind = EntryKind::Link;
            return Ok(Stat { kind, ..folder });
        }
        Err(self.error())
    }
}

/// A fault at one call.
#[derive(Clone, Debug)]
pub(crate) struct Fault {
    /// The volume, as its mount point.
    pub(crate) volume: &'static str,
    /// Which kind of call.
    pub(crate) op: Op,
    /// Which of these calls on this volume, counted from 1.
    pub(crate) call: u64,
    /// What goes wrong.
    pub(crate) kind: FaultKind,
}

/// What another program does to a file while a run is at work.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Deed {
    /// Other bytes of the same number, dated now.
    Write,
    /// The same, and the date is put back.
    WriteUnseen,
    Truncate,
    Append,
    /// Another file of the same size takes its place.
    Replace,
    /// The same, in the old one's date.
    ReplaceUnseen,
    /// Another date, and nothing else.
    Redate,
    /// Another owner, another link to it: of its entry only the date that no program can set.
    Touch,
    Delete,
}

/// Which files of a volume it goes for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Prey {
    /// Files with their final names, or those of a card.
    Copies,
    /// Parts of copies.
    Parts,
    /// Journals and manifests, with their parts.
    Records,
}

/// How far a run has to be on the volume whose calls another program waits for.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum Stage {
    /// Anywhere.
    Any,
    /// Its manifest is there as a part.
    Staged,
    /// Its manifest has its name.
    Named,
    /// Its journal goes, which is the last that a run does.
    Ended,
}

/// Another program, which does one deed at the first of these calls from the N-th on that finds its
/// prey there.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Meddler {
    pub(crate) stage: Stage,
    /// The volume and the kind of call that it waits for, and which of them, counted from 1.
    pub(crate) volume: &'static str,
    pub(crate) op: Op,
    pub(crate) call: u64,
    /// Where it does what to which files.
    pub(crate) on: &'static str,
    pub(crate) prey: Prey,
    pub(crate) deed: Deed,
    pub(crate) seed: u64,
}

/// What another program did.
#[derive(Clone, Debug)]
pub(crate) struct Meddled {
    pub(crate) by: Meddler,
    /// Relative to the volume, as it was called then.
    pub(crate) path: String,
    /// What the file held.
    pub(crate) was: Vec<u8>,
    /// What it was done to was still being written.
    is_unfinished: bool,
    node: u64,
    /// Walks of the volume before.
    walks: u64,
    /// A run had ended on some volume by then.
    is_late: bool,
}

/// What a power cut leaves of what was not flushed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Crash {
    /// Nothing.
    Strict,
    /// By chance: single sectors of files, single entries of folders, files cut short anywhere.
    Torn(u64),
}

/// Which of the two images is looked at.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Image {
    /// What every call sees now.
    Visible,
    /// What a power cut would leave at least.
    Durable,
}

// ---- the world --------------------------------------------------------------------------------

#[derive(Clone, PartialEq, Eq, Debug)]
struct Content {
    bytes: Vec<u8>,
    modified: Stamp,
}

#[derive(Clone, Debug)]
struct FileNode {
    now: Content,
    safe: Content,
    /// What was handed over for writing, whatever became of it: the computer's page cache.
    handed: Vec<u8>,
    /// Folder and name that it was given since its last flush, on a volume where that entry says 0
    /// bytes till then.
    unsized_as: Option<(u64, String)>,
    /// The moment of the last change of its entry, which no program can set; see [`World::moment`].
    changed: u64,
}

#[derive(Clone, Debug, Default)]
struct FolderNode {
    now: BTreeMap<String, u64>,
    safe: BTreeMap<String, u64>,
}

#[derive(Clone, Debug)]
enum Node {
    File(FileNode),
    Folder(FolderNode),
}

/// Whether a volume can be used.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum State {
    Well,
    Full,
    ReadOnly,
    Gone,
}

/// A card or drive. Outside this module it is a thing to be carried from one place to another.
#[derive(Clone, Debug)]
pub(crate) struct Volume {
    device: u64,
    /// The physical disk it lies on.
    disk: u64,
    /// Whether the system tells its identity.
    is_known: bool,
    filesystem: &'static str,
    free_bytes: u64,
    /// By number; 1 is the root. Nodes without an entry live on for those who hold them open.
    nodes: BTreeMap<u64, Node>,
    next_node: u64,
    state: State,
    /// Entries that a walk leaves out without an error, with all that lies in them; they are
    /// counted all the same.
    hidden: BTreeSet<String>,
    /// What the system says of the thing that it is on.
    info: DeviceInfo,
}

#[derive(Clone, Debug)]
struct PowerCut {
    ops: BTreeSet<Op>,
    call: u64,
    seen: u64,
}

#[derive(Clone, Debug)]
struct Signal {
    op: Op,
    call: u64,
    flag: Arc<AtomicBool>,
}

#[derive(Clone, Debug, Default)]
struct World {
    volumes: BTreeMap<String, Volume>,
    /// Volumes made so far, those that were taken away included: no number is used twice.
    made: u64,
    calls: Calls,
    fault: Option<Fault>,
    fired: bool,
    cut: Option<PowerCut>,
    power_is_off: bool,
    signal: Option<Signal>,
    unreadable: BTreeSet<String>,
    /// What a card delivered, by its number and path.
    delivered: BTreeMap<(u64, String), Vec<u8>>,
    /// What was delivered in earlier runs.
    once_delivered: BTreeMap<(u64, String), BTreeSet<Vec<u8>>>,
    /// Contents that came to files of a drive with size and date kept, by its number and path.
    unseen: BTreeSet<(u64, String, Vec<u8>)>,
    /// Counts the changes of entries.
    moment: u64,
    meddlers: Vec<Meddler>,
    meddled: Option<Meddled>,
    /// The volumes on which a run has come so far.
    stages: BTreeSet<(String, Stage)>,
    /// How often each kind of call had been made when the fault took effect, and in which thread.
    fired_at: Option<(Calls, String)>,
    read_back_from_memory: bool,
    /// How read-backs are said to be made; past the cache where nothing is set.
    way: Option<ReadBackWay>,
    misuse: Vec<String>,
    /// Folders of records that a run has for its own.
    claimed: BTreeSet<Utf8PathBuf>,
    elsewhere: Option<Elsewhere>,
    /// The folders that jobs hold.
    anchors: Vec<String>,
    /// How offloads in this world are meant to lie.
    layout: Layout,
}

/// Several cards and drives in memory. Clones share one world.
#[derive(Clone, Debug, Default)]
pub(crate) struct Sim {
    world: Arc<Mutex<World>>,
}

/// A folder of records that is a run's own until this is dropped.
#[derive(Debug)]
struct Claimed {
    sim: Sim,
    folder: Utf8PathBuf,
}

impl Drop for Claimed {
    fn drop(&mut self) {
        self.sim.lock().claimed.remove(&self.folder);
    }
}

/// How a call is to go wrong, where it goes on at all.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Harm {
    None,
    /// The power goes during the call: what it did is visible, not durable, and it fails.
    PowerCut,
    Fault(FaultKind),
}

fn errno(number: i32) -> io::Error {
    io::Error::from_raw_os_error(number)
}

fn not_found() -> io::Error {
    io::ErrorKind::NotFound.into()
}

/// Splits `/a/x/y` into `/a` and `["x", "y"]`.
fn split(path: &Utf8Path) -> (String, Vec<&str>) {
    let separators = std::path::is_separator;
    let mut parts = path.as_str().split(separators).filter(|p| !p.is_empty());
    let volume = format!("/{}", parts.next().unwrap_or(""));
    (volume, parts.collect())
}

impl FileNode {
    fn empty() -> Self {
        let nothing = Content {
            bytes: Vec::new(),
            modified: NEVER,
        };
        Self {
            now: nothing.clone(),
            safe: nothing,
            handed: Vec::new(),
            unsized_as: None,
            changed: 0,
        }
    }

    fn is_unsized_at(&self, folder: u64, name: &str) -> bool {
        let place = self.unsized_as.as_ref();
        place.is_some_and(|(at, called)| *at == folder && called == name)
    }

    fn flush(&mut self) {
        self.safe = self.now.clone();
        self.unsized_as = None;
    }
}

impl Volume {
    fn folder(&self, id: u64) -> Option<&FolderNode> {
        match self.nodes.get(&id) {
            Some(Node::Folder(folder)) => Some(folder),
            _ => None,
        }
    }

    fn folder_mut(&mut self, id: u64) -> io::Result<&mut FolderNode> {
        match self.nodes.get_mut(&id) {
            Some(Node::Folder(folder)) => Ok(folder),
            _ => Err(io::ErrorKind::NotADirectory.into()),
        }
    }

    fn file_mut(&mut self, id: u64) -> io::Result<&mut FileNode> {
        match self.nodes.get_mut(&id) {
            Some(Node::File(file)) => Ok(file),
            _ => Err(io::Error::other("is not a file")),
        }
    }

    fn find(&self, parts: &[&str]) -> Option<u64> {
        let mut id = 1;
        for part in parts {
            id = *self.folder(id)?.now.get(*part)?;
        }
        Some(id)
    }

    /// Returns the number of the folder that holds, or would hold, the last part.
    fn parent<'a>(&self, parts: &[&'a str]) -> io::Result<(u64, &'a str)> {
        let (name, above) = parts.split_last().ok_or_else(not_found)?;
        Ok((self.find(above).ok_or_else(not_found)?, name))
    }

    fn add(&mut self, parts: &[&str], node: Node) -> io::Result<u64> {
        let (parent, name) = self.parent(parts)?;
        if self.folder_mut(parent)?.now.contains_key(name) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let id = self.next_node;
        self.next_node += 1;
        self.nodes.insert(id, node);
        self.folder_mut(parent)?.now.insert(name.to_owned(), id);
        Ok(id)
    }

    fn stat(&self, id: u64) -> Stat {
        let (kind, bytes, modified, changed) = match self.nodes.get(&id) {
            Some(Node::File(f)) => {
                let bytes = len64(f.now.bytes.len());
                (EntryKind::File, bytes, f.now.modified, f.changed)
            }
            _ => (EntryKind::Folder, 0, NEVER, 0),
        };
        Stat {
            kind,
            bytes,
            modified,
            device: self.device + APART,
            inode: id,
            changed: Stamp {
                seconds: i64::try_from(changed).unwrap_or(i64::MAX),
                nanos: 0,
            },
        }
    }

    /// Calls `met` for every entry below a folder, with its path relative to it.
    fn each(&self, id: u64, image: Image, above: &str, met: &mut dyn FnMut(&str, &Node, u64)) {
        let Some(folder) = self.folder(id) else {
            return;
        };
        let above_id = id;
        let entries = match image {
            Image::Visible => &folder.now,
            Image::Durable => &folder.safe,
        };
        for (name, id) in entries {
            let path = if above.is_empty() {
                name.clone()
            } else {
                format!("{above}/{name}")
            };
            match self.nodes.get(id) {
                Some(Node::File(file))
                    if image == Image::Durable && file.is_unsized_at(above_id, name) =>
                {
                    met(&path, &Node::File(FileNode::empty()), *id);
                }
                Some(node) => {
                    met(&path, node, *id);
                    self.each(*id, image, &path, met);
                }
                None => {}
            }
        }
    }

    fn crash(&mut self, crash: Crash) {
        let mut chance = Chance::new(match crash {
            Crash::Strict => 0,
            Crash::Torn(seed) => seed ^ self.device,
        });
        // By chance a file of which the entry had no size was written back; but not before its old
        // name is gone.
        let is_old = |id: &u64| {
            let mut folders = self.nodes.values();
            folders.any(|node| match node {
                Node::Folder(f) => f
                    .safe
                    .iter()
                    .any(|(name, at)| at == id && f.now.get(name) != Some(id)),
                Node::File(_) => false,
            })
        };
        let is_lost = |folder: u64, name: &String, id: &u64| match self.nodes.get(id) {
            Some(Node::File(file)) => file.is_unsized_at(folder, name),
            _ => false,
        };
        let mut emptied = BTreeSet::new();
        for (folder, node) in &self.nodes {
            let Node::Folder(entries) = node else {
                continue;
            };
            for (name, id) in entries.now.iter().chain(&entries.safe) {
                if is_lost(*folder, name, id)
                    && (crash == Crash::Strict || is_old(id) || chance.coin())
                {
                    emptied.insert((*folder, name.clone()));
                }
            }
        }
        for node in self.nodes.values_mut() {
            match node {
                Node::File(file) => {
                    file.unsized_as = None;
                    if crash != Crash::Strict {
                        file.safe = torn(&file.now, &file.safe, &mut chance);
                    }
                    file.now = file.safe.clone();
                    file.handed.clear();
                }
                Node::Folder(folder) => {
                    if crash != Crash::Strict {
                        let names: BTreeSet<String> = folder
                            .now
                            .keys()
                            .chain(folder.safe.keys())
                            .cloned()
                            .collect();
                        for name in names {
                            if chance.coin() {
                                match folder.now.get(&name) {
                                    Some(id) => folder.safe.insert(name, *id),
                                    None => folder.safe.remove(&name),
                                };
                            }
                        }
                    }
                    folder.now = folder.safe.clone();
                }
            }
        }
        for (folder, name) in emptied {
            let id = self.next_node;
            self.next_node += 1;
            if let Some(Node::Folder(folder)) = self.nodes.get_mut(&folder)
                && let Some(entry) = folder.now.get_mut(&name)
            {
                *entry = id;
                folder.safe.insert(name, id);
                self.nodes.insert(id, Node::File(FileNode::empty()));
            }
        }
        self.state = State::Well;
    }
}

/// A date for what nobody dated.
const NEVER: Stamp = Stamp {
    seconds: 0,
    nanos: 0,
};

/// Mixes what was flushed with what was not, sector by sector.
fn torn(now: &Content, safe: &Content, chance: &mut Chance) -> Content {
    if now == safe {
        return safe.clone();
    }
    let (short, long) = (
        now.bytes.len().min(safe.bytes.len()),
        now.bytes.len().max(safe.bytes.len()),
    );
    let mut bytes = vec![0; short + chance.below(long - short + 1)];
    for at in (0..bytes.len()).step_by(SECTOR) {
        let from = if chance.coin() {
            &now.bytes
        } else {
            &safe.bytes
        };
        let end = bytes.len().min(at + SECTOR).min(from.len());
        if at < end {
            bytes[at..end].copy_from_slice(&from[at..end]);
        }
    }
    // What was flushed and not written again since stays as it is, whatever the rest becomes.
    let kept = now
        .bytes
        .iter()
        .zip(&safe.bytes)
        .take_while(|(a, b)| a == b);
    let kept = kept.count().min(bytes.len());
    bytes[..kept].copy_from_slice(&safe.bytes[..kept]);
    let modified = if chance.coin() {
        now.modified
    } else {
        safe.modified
    };
    Content { bytes, modified }
}

impl Prey {
    fn is(self, path: &str) -> bool {
        let name = path.rsplit('/').next().unwrap_or(path);
        let is_record = path.split('/').any(|folder| folder == RECORDS);
        match self {
            Self::Records => is_record && (name == JOURNAL || name.contains(MANIFEST)),
            Self::Parts => {
                !is_record && is_part_name(name) && !bag::TAGS.iter().any(|t| name.contains(t))
            }
            Self::Copies => !is_record && !is_part_name(name) && !bag::TAGS.contains(&name),
        }
    }
}

impl World {
    fn volume(&mut self, name: &str) -> io::Result<&mut Volume> {
        self.volumes.get_mut(name).ok_or_else(not_found)
    }

    /// Counts a call and decides how it goes.
    fn enter(&mut self, volume: &str, op: Op) -> io::Result<Harm> {
        if self.power_is_off {
            return Err(errno(EIO));
        }
        let count = self.calls.entry((volume.to_owned(), op)).or_insert(0);
        *count += 1;
        let count = *count;
        self.meddle(volume, op, count);
        if let Some(signal) = &self.signal
            && signal.op == op
            && signal.call == count
        {
            signal.flag.store(true, Ordering::SeqCst);
        }
        if let Some(cut) = &mut self.cut
            && cut.ops.contains(&op)
        {
            cut.seen += 1;
            if cut.seen == cut.call {
                self.power_is_off = true;
                return Ok(Harm::PowerCut);
            }
        }
        let due = self
            .fault
            .as_ref()
            .filter(|f| f.volume == volume && f.op == op && f.call == count)
            .map(|f| f.kind);
        if due.is_some() {
            let thread = std::thread::current().name().unwrap_or("").to_owned();
            self.fired_at = Some((self.calls.clone(), thread));
        }
        let place = self.volume(volume)?;
        if place.state == State::Gone {
            return Err(errno(ENODEV));
        }
        match due {
            Some(FaultKind::Errno(number)) => {
                self.fired = true;
                Err(errno(number))
            }
            Some(FaultKind::Vanished) => {
                place.state = State::Gone;
                self.fired = true;
                Err(errno(ENODEV))
            }
            Some(FaultKind::Full) => {
                place.state = State::Full;
                self.fired = true;
                Err(io::ErrorKind::StorageFull.into())
            }
            Some(FaultKind::SetReadOnly) => {
                place.state = State::ReadOnly;
                self.fired = true;
                Err(errno(EIO))
            }
            Some(kind @ (FaultKind::SwappedForLink | FaultKind::MountedOver)) => {
                let mut folders = Vec::new();
                place.each(1, Image::Visible, "", &mut |path, node, _| {
                    if matches!(node, Node::Folder(_)) {
                        folders.push(path.to_owned());
                    }
                });
                let at = len_usize(count).checked_rem(folders.len());
                self.elsewhere = at.map(|at| Elsewhere {
                    volume: volume.to_owned(),
                    at: folders.swap_remove(at),
                    is_link: kind == FaultKind::SwappedForLink,
                    was_walked: false,
                });
                self.fired = at.is_some();
                Ok(Harm::None)
            }
            // Whether these took effect depends on the bytes of the call.
            Some(kind) => Ok(Harm::Fault(kind)),
            None if place.state == State::ReadOnly && op.takes_room() => {
                Err(io::ErrorKind::ReadOnlyFilesystem.into())
            }
            None if place.state == State::Full && op.takes_room() => {
                Err(io::ErrorKind::StorageFull.into())
            }
            None => Ok(Harm::None),
        }
    }

    fn has_ended(&self) -> bool {
        self.stages.iter().any(|(_, stage)| *stage == Stage::Ended)
    }

    /// Lets the other program do its deed when it is time.
    fn meddle(&mut self, volume: &str, op: Op, count: u64) {
        let is_there = |m: &Meddler| {
            m.stage == Stage::Any || self.stages.contains(&(volume.to_owned(), m.stage))
        };
        let is_due =
            |m: &Meddler| m.volume == volume && m.op == op && m.call <= count && is_there(m);
        let Some(due) = self.meddlers.iter().position(is_due) else {
            return;
        };
        let by = self.meddlers[due];
        let walks = self.calls.get(&(by.on.to_owned(), Op::Walk));
        let walks = walks.copied().unwrap_or(0);
        let mut chance = Chance::new(by.seed);
        self.moment += 1;
        let moment = self.moment;
        let Some(place) = self.volumes.get_mut(by.on) else {
            return;
        };
        let mut preys = Vec::new();
        place.each(1, Image::Visible, "", &mut |path, node, id| {
            if matches!(node, Node::File(_)) && by.prey.is(path) {
                preys.push((path.to_owned(), id));
            }
        });
        if preys.is_empty() {
            return;
        }
        let (path, id) = preys.swap_remove(chance.below(preys.len()));
        let parts: Vec<&str> = path.split('/').collect();
        let Ok(file) = place.file_mut(id) else { return };
        let (was, date) = (file.now.bytes.clone(), file.now.modified);
        let is_new = matches!(by.deed, Deed::Replace | Deed::ReplaceUnseen);
        let is_unfinished = date == NEVER && !is_new;
        let (mut bytes, mut modified) = (
            was.clone(),
            Stamp {
                seconds: 1_900_000_000,
                nanos: 0,
            },
        );
        match by.deed {
            Deed::Write | Deed::WriteUnseen | Deed::Replace | Deed::ReplaceUnseen => {
                bytes = chance.bytes(was.len());
            }
            Deed::Truncate => bytes.truncate(was.len() / 2),
            Deed::Append => bytes.extend(chance.bytes(700)),
            Deed::Redate | Deed::Touch | Deed::Delete => {}
        }
        let keeps_date = [Deed::WriteUnseen, Deed::ReplaceUnseen, Deed::Touch];
        if keeps_date.contains(&by.deed) {
            modified = date;
        }
        let content = Content { bytes, modified };
        let mut node = id;
        if is_new || by.deed == Deed::Delete {
            let Ok((parent, name)) = place.parent(&parts) else {
                return;
            };
            node = place.next_node;
            place.next_node += 1;
            let mut new = FileNode::empty();
            new.handed.clone_from(&content.bytes);
            (new.now, new.safe, new.changed) = (content.clone(), content, moment);
            let Ok(folder) = place.folder_mut(parent) else {
                return;
            };
            for image in [&mut folder.now, &mut folder.safe] {
                match by.deed {
                    Deed::Delete => image.remove(name),
                    _ => image.insert(name.to_owned(), node),
                };
            }
            place.nodes.insert(node, Node::File(new));
        } else {
            file.handed.clone_from(&content.bytes);
            (file.now, file.safe, file.changed) = (content.clone(), content, moment);
        }
        self.meddlers.swap_remove(due);
        self.meddled = Some(Meddled {
            is_late: self.has_ended(),
            by,
            path,
            was,
            is_unfinished,
            node,
            walks,
        });
    }

    /// For calls that a fault can only stop or delay.
    fn enter_plainly(&mut self, volume: &str, op: Op) -> io::Result<bool> {
        match self.enter(volume, op)? {
            Harm::Fault(FaultKind::Slow) => {
                self.fired = true;
                Ok(true)
            }
            Harm::Fault(_) | Harm::None => Ok(false),
            Harm::PowerCut => Err(errno(EIO)),
        }
    }

    /// The same for a call about a path.
    fn enter_at(&mut self, path: &Utf8Path, op: Op) -> io::Result<bool> {
        let slow = self.enter_plainly(&split(path).0, op)?;
        self.check_way(path, op)?;
        Ok(slow)
    }

    /// Through what was put in a folder's place nobody may go, and who does not hold the folder
    /// above would.
    fn check_way(&mut self, path: &Utf8Path, op: Op) -> io::Result<()> {
        let (volume, parts) = split(path);
        let other = self.elsewhere.as_ref();
        let other = other.filter(|o| o.volume == volume && o.covers(&parts.join("/")));
        if let Some(error) = other.map(Elsewhere::error) {
            if !self.anchors.iter().any(|held| path.starts_with(held)) {
                self.misuse
                    .push(format!("{op:?} by name through another's folder: {path}"));
            }
            return Err(error);
        }
        Ok(())
    }

    fn check_writable(&mut self, volume: &str, what: &str, path: &Utf8Path) {
        if volume.starts_with("/card") {
            self.misuse.push(format!("{what} on a card: {path}"));
        }
    }
}

impl Sim {
    fn lock(&self) -> MutexGuard<'_, World> {
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Returns another world in the same state.
    pub(crate) fn fork(&self) -> Self {
        let mut world = self.lock().clone();
        world.claimed.clear();
        Self {
            world: Arc::new(Mutex::new(world)),
        }
    }

    // ---- building -----------------------------------------------------------------------------

    /// From here on offloads are meant to be bags; nothing of the disk changes by it.
    pub(crate) fn keep_bags(&self) {
        self.lock().layout = Layout::Bag;
    }

    /// Returns the layout that offloads are meant to have.
    pub(crate) fn layout(&self) -> Layout {
        self.lock().layout
    }

    /// Adds an empty volume, mounted at `/NAME`, on a physical disk of its own. Names that begin
    /// with `/card` are cards: nothing may be written there.
    pub(crate) fn add_volume(&self, mount: &str, filesystem: &'static str, free_bytes: u64) {
        let mut world = self.lock();
        let device = 100 + world.made;
        world.made += 1;
        let volume = Volume {
            device,
            disk: device,
            is_known: true,
            filesystem,
            free_bytes,
            nodes: BTreeMap::from([(1, Node::Folder(FolderNode::default()))]),
            next_node: 2,
            state: State::Well,
            hidden: BTreeSet::new(),
            info: DeviceInfo::default(),
        };
        world.volumes.insert(mount.to_owned(), volume);
    }

    /// Unplugs a volume; nothing is at its place until another one is plugged in.
    pub(crate) fn unplug(&self, mount: &str) -> Volume {
        self.lock().volumes.remove(mount).unwrap()
    }

    /// Plugs a volume in at a place that is free.
    pub(crate) fn plug(&self, mount: &str, volume: Volume) {
        let before = self.lock().volumes.insert(mount.to_owned(), volume);
        assert!(before.is_none(), "{mount} is taken");
    }

    /// Returns the number by which a volume is known wherever it is plugged in.
    pub(crate) fn device(&self, mount: &str) -> u64 {
        self.lock().volume(mount).unwrap().device
    }

    /// The same for the volume that a path is on.
    pub(crate) fn device_of(&self, path: &str) -> u64 {
        self.device(&split(Utf8Path::new(path)).0)
    }

    /// Makes walks leave out an entry, and all in it, without an error.
    pub(crate) fn hide(&self, path: &str) {
        let (volume, parts) = split(Utf8Path::new(path));
        let hidden = parts.join("/");
        self.lock().volume(&volume).unwrap().hidden.insert(hidden);
    }

    /// Returns the name of a volume's file system.
    pub(crate) fn filesystem(&self, mount: &str) -> &'static str {
        self.lock().volume(mount).unwrap().filesystem
    }

    /// Makes the system tell no identity of a volume.
    pub(crate) fn hide_identity(&self, mount: &str) {
        self.lock().volume(mount).unwrap().is_known = false;
    }

    /// Makes the system say this of the thing that a volume is on.
    pub(crate) fn set_device_info(&self, mount: &str, info: DeviceInfo) {
        self.lock().volume(mount).unwrap().info = info;
    }

    /// Makes two volumes lie on one physical disk.
    pub(crate) fn share_disk(&self, mount: &str, other: &str) {
        let mut world = self.lock();
        let disk = world.volume(other).unwrap().disk;
        world.volume(mount).unwrap().disk = disk;
    }

    /// Removes a file as a person does, durably and without counting a call.
    pub(crate) fn take_file(&self, path: &str) {
        let (volume, parts) = split(Utf8Path::new(path));
        let mut world = self.lock();
        let volume = world.volume(&volume).unwrap();
        let (parent, name) = volume.parent(&parts).unwrap();
        let folder = volume.folder_mut(parent).unwrap();
        folder.now.remove(name).unwrap();
        folder.safe.remove(name);
    }

    /// Puts a folder there, with all above it, durably and without counting a call.
    pub(crate) fn put_folder(&self, path: &str) {
        let (volume, parts) = split(Utf8Path::new(path));
        let mut world = self.lock();
        let volume = world.volume(&volume).unwrap();
        for upto in 1..=parts.len() {
            if volume.find(&parts[..upto]).is_none() {
                volume
                    .add(&parts[..upto], Node::Folder(FolderNode::default()))
                    .unwrap();
                make_entry_durable(volume, &parts[..upto]);
            }
        }
    }

    /// Puts a file there, replacing what stood there, durably and without counting a call.
    pub(crate) fn put_file(&self, path: &str, bytes: &[u8], modified: Stamp) {
        let path = Utf8Path::new(path);
        self.put_folder(path.parent().unwrap().as_str());
        let (volume, parts) = split(path);
        let mut world = self.lock();
        world.moment += 1;
        let moment = world.moment;
        let volume = world.volume(&volume).unwrap();
        let content = Content {
            bytes: bytes.to_vec(),
            modified,
        };
        let node = Node::File(FileNode {
            now: content.clone(),
            safe: content,
            handed: bytes.to_vec(),
            unsized_as: None,
            changed: moment,
        });
        match volume.find(&parts) {
            Some(id) => drop(volume.nodes.insert(id, node)),
            None => drop(volume.add(&parts, node).unwrap()),
        }
        make_entry_durable(volume, &parts);
    }

    /// Adds a volume and puts files on it.
    pub(crate) fn add_card(&self, mount: &str, files: &[(&str, Vec<u8>, Stamp)], folders: &[&str]) {
        self.add_card_with(mount, "exfat", files, folders);
    }

    /// The same, with another file system.
    pub(crate) fn add_card_with(
        &self,
        mount: &str,
        filesystem: &'static str,
        files: &[(&str, Vec<u8>, Stamp)],
        folders: &[&str],
    ) {
        self.add_volume(mount, filesystem, 0);
        for folder in folders {
            self.put_folder(&format!("{mount}/{folder}"));
        }
        for (path, bytes, modified) in files {
            self.put_file(&format!("{mount}/{path}"), bytes, *modified);
        }
    }

    // ---- trouble ------------------------------------------------------------------------------

    /// Arms one fault in place of any earlier one.
    pub(crate) fn arm(&self, fault: Fault) {
        let mut world = self.lock();
        world.fault = Some(fault);
        world.fired = false;
        world.fired_at = None;
    }

    /// Lets another program do something while the next run is at work. Of several deeds the last
    /// is remembered.
    pub(crate) fn let_meddle(&self, by: Meddler) {
        self.lock().meddlers.push(by);
    }

    /// Returns what another program did in this run.
    pub(crate) fn meddled(&self) -> Option<Meddled> {
        self.lock().meddled.clone()
    }

    /// Whether a path, as it is called now, is that of the file that another program had its hands
    /// on. What was deleted is known by its old path.
    pub(crate) fn was_meddled_with(&self, path: &str) -> bool {
        let (volume, parts) = split(Utf8Path::new(path));
        let mut world = self.lock();
        let Some(by) = world.meddled.clone().filter(|m| m.by.on == volume) else {
            return false;
        };
        let now = world.volume(&volume).ok().and_then(|v| v.find(&parts));
        now == Some(by.node) || (by.by.deed == Deed::Delete && by.path == parts.join("/"))
    }

    /// Whether no run can see what another program did: to a part with the date put back, or while
    /// it was being written, when every write dates it anew; with the date put back to anything
    /// where a file system keeps no numbers of its entries; and to anything after the last walk of
    /// its volume, which may be no earlier than the end of the records.
    pub(crate) fn meddled_unseen(&self) -> bool {
        let mut world = self.lock();
        let Some(did) = world.meddled.clone() else {
            return false;
        };
        let walks = world.calls.get(&(did.by.on.to_owned(), Op::Walk));
        let is_last =
            walks.copied().unwrap_or(0) == did.walks && (did.is_late || !world.has_ended());
        let keeps_date = matches!(did.by.deed, Deed::WriteUnseen | Deed::ReplaceUnseen);
        let is_unseen = did.is_unfinished || keeps_date;
        let filesystem = world.volume(did.by.on).map_or("", |v| v.filesystem);
        let keeps_numbers = !matches!(filesystem, "vfat" | "exfat");
        is_last || (is_unseen && (!keeps_numbers || did.by.prey == Prey::Parts))
    }

    /// Notes that a file of a drive holds what it does although size and date are as they were.
    pub(crate) fn note_unseen(&self, path: &str) {
        let (name, parts) = split(Utf8Path::new(path));
        let mut world = self.lock();
        let volume = world.volume(&name).unwrap();
        let id = volume.find(&parts).unwrap();
        let noted = (
            volume.device,
            parts.join("/"),
            volume.file_mut(id).unwrap().now.bytes.clone(),
        );
        world.unseen.insert(noted);
    }

    /// Whether that was noted of what a file holds.
    pub(crate) fn is_unseen(&self, path: &str, bytes: &[u8]) -> bool {
        let (name, parts) = split(Utf8Path::new(path));
        let mut world = self.lock();
        let device = world.volume(&name).unwrap().device;
        world
            .unseen
            .contains(&(device, parts.join("/"), bytes.to_vec()))
    }

    /// Returns how often a kind of call had been made on a volume when the fault took effect.
    pub(crate) fn calls_before_fault(&self, volume: &str, op: Op) -> u64 {
        let world = self.lock();
        let then = world.fired_at.as_ref();
        let count = then.and_then(|(calls, _)| calls.get(&(volume.to_owned(), op)));
        count.copied().unwrap_or(0)
    }

    /// Returns the name of the thread that met the fault.
    pub(crate) fn fault_met_by(&self) -> String {
        let world = self.lock();
        world
            .fired_at
            .as_ref()
            .map_or_else(String::new, |(_, thread)| thread.clone())
    }

    /// Returns whether the armed fault took effect.
    pub(crate) fn fired(&self) -> bool {
        self.lock().fired
    }

    /// Makes every read of a card's file fail.
    pub(crate) fn make_unreadable(&self, path: &str) {
        self.lock().unreadable.insert(path.to_owned());
    }

    /// Cuts the power at the N-th of these calls, counted over all volumes: that call and every
    /// later one fail. [`Sim::crash`] or [`Sim::reboot`] turns the power on again.
    pub(crate) fn cut_power_at(&self, ops: &[Op], call: u64) {
        self.lock().cut = Some(PowerCut {
            ops: ops.iter().copied().collect(),
            call,
            seen: 0,
        });
    }

    /// Replaces what is visible by what is durable on all volumes, and turns the power on.
    pub(crate) fn crash(&self, crash: Crash) {
        for volume in self.lock().volumes.values_mut() {
            volume.crash(crash);
        }
        self.reboot();
    }

    /// Turns the power on and forgets faults and counts; what is visible stays, as after a program
    /// was killed on a computer that ran on.
    pub(crate) fn reboot(&self) {
        let mut world = self.lock();
        world.cut = None;
        world.fault = None;
        world.fired = false;
        world.fired_at = None;
        world.meddlers.clear();
        world.meddled = None;
        world.stages.clear();
        world.signal = None;
        world.power_is_off = false;
        world.calls.clear();
        for (path, bytes) in std::mem::take(&mut world.delivered) {
            world.once_delivered.entry(path).or_default().insert(bytes);
        }
        world.elsewhere = None;
        for volume in world.volumes.values_mut() {
            volume.state = State::Well;
        }
    }

    /// Sets a flag at the N-th call of a kind on any one volume.
    pub(crate) fn set_at(&self, flag: &Arc<AtomicBool>, op: Op, call: u64) {
        self.lock().signal = Some(Signal {
            op,
            call,
            flag: Arc::clone(flag),
        });
    }

    /// From now on drives cannot be read past the cache, and say so.
    pub(crate) fn cache_all_reads(&self) {
        self.lock().way = Some(ReadBackWay::Cached);
    }

    /// Answers read-backs from what was handed over for writing, as a page cache would, while
    /// claiming that they reached the device.
    pub(crate) fn read_back_from_memory(&self) {
        self.lock().read_back_from_memory = true;
    }

    /// Flips one bit of a stored file, in both images, as years in a drawer do.
    pub(crate) fn rot(&self, path: &str, byte: usize) {
        self.rot_bit(path, byte, 0);
    }

    /// The same for any of the eight bits.
    pub(crate) fn rot_bit(&self, path: &str, byte: usize, bit: u32) {
        let (volume, parts) = split(Utf8Path::new(path));
        let mut world = self.lock();
        let volume = world.volume(&volume).unwrap();
        let id = volume.find(&parts).unwrap();
        let file = volume.file_mut(id).unwrap();
        file.now.bytes[byte] ^= 1 << bit;
        file.safe = file.now.clone();
    }

    // ---- looking ------------------------------------------------------------------------------

    /// Returns whether a path led elsewhere when its volume was walked last.
    pub(crate) fn leads_elsewhere(&self, path: &str) -> bool {
        let (volume, parts) = split(Utf8Path::new(path));
        let world = self.lock();
        let other = world.elsewhere.as_ref();
        other.is_some_and(|o| o.was_walked && o.volume == volume && o.covers(&parts.join("/")))
    }

    /// Returns how often each kind of call was made on a volume.
    pub(crate) fn calls(&self, volume: &str) -> BTreeMap<Op, u64> {
        let world = self.lock();
        let here = world.calls.iter().filter(|((v, _), _)| v == volume);
        here.map(|((_, op), n)| (*op, *n)).collect()
    }

    /// Returns every file below a folder by relative path.
    pub(crate) fn files(&self, folder: &str, image: Image) -> BTreeMap<String, Vec<u8>> {
        let mut files = BTreeMap::new();
        self.each(folder, image, &mut |path, node| {
            if let Node::File(file) = node {
                let content = match image {
                    Image::Visible => &file.now,
                    Image::Durable => &file.safe,
                };
                files.insert(path.to_owned(), content.bytes.clone());
            }
        });
        files
    }

    /// Returns every folder below a folder by relative path.
    pub(crate) fn folders(&self, folder: &str, image: Image) -> BTreeSet<String> {
        let mut folders = BTreeSet::new();
        self.each(folder, image, &mut |path, node| {
            if matches!(node, Node::Folder(_)) {
                folders.insert(path.to_owned());
            }
        });
        folders
    }

    fn each(&self, folder: &str, image: Image, met: &mut dyn FnMut(&str, &Node)) {
        let (volume, parts) = split(Utf8Path::new(folder));
        let mut world = self.lock();
        let volume = world
            .volume(&volume)
            .unwrap_or_else(|e| panic!("{volume} of {folder}: {e}"));
        let mut at = Some(1);
        for part in parts {
            let folder = at.and_then(|id| volume.folder(id));
            at = folder.and_then(|f| match image {
                Image::Visible => f.now.get(part).copied(),
                Image::Durable => f.safe.get(part).copied(),
            });
        }
        if let Some(id) = at {
            volume.each(id, image, "", &mut |path, node, _| met(path, node));
        }
    }

    /// Returns what a card's file holds in the eyes of its reader: what the last reads delivered,
    /// bits that flipped on the way included. `None` when it was not read.
    pub(crate) fn delivered(&self, path: &str) -> Option<Vec<u8>> {
        let (name, _) = split(Utf8Path::new(path));
        let mut world = self.lock();
        let device = world.volume(&name).ok()?.device;
        world.delivered.get(&(device, path.to_owned())).cloned()
    }

    /// Returns all that a file of this very card held in the eyes of its readers, in this run and
    /// earlier ones.
    pub(crate) fn ever_delivered(&self, device: u64, path: &str) -> BTreeSet<Vec<u8>> {
        let key = (device, path.to_owned());
        let world = self.lock();
        let mut all = world.once_delivered.get(&key).cloned().unwrap_or_default();
        all.extend(world.delivered.get(&key).cloned());
        all
    }

    /// Whether read-backs are answered from memory here.
    pub(crate) fn lies(&self) -> bool {
        self.lock().read_back_from_memory
    }

    /// Returns what was asked of the disk that nobody may ask: writing to a card, removing or
    /// renaming what is not the tool's own.
    pub(crate) fn misuse(&self) -> Vec<String> {
        self.lock().misuse.clone()
    }

    fn rest(slow: bool) {
        if slow {
            SystemClock::start().sleep(SLOW);
        }
    }

    fn open(&self, path: &Utf8Path, op: Op, read: Op) -> io::Result<Box<dyn Source>> {
        let (name, parts) = split(path);
        let mut world = self.lock();
        let slow = world.enter_at(path, op)?;
        let volume = world.volume(&name)?;
        let id = volume.find(&parts).ok_or_else(not_found)?;
        volume.file_mut(id)?;
        drop(world);
        Self::rest(slow);
        Ok(Box::new(SimSource {
            sim: self.clone(),
            // As tests write it, whatever separator the system joins with.
            path: format!("{name}/{}", parts.join("/")),
            volume: name,
            id,
            op: read,
        }))
    }
}

fn make_entry_durable(volume: &mut Volume, parts: &[&str]) {
    let (parent, name) = volume.parent(parts).unwrap();
    let folder = volume.folder_mut(parent).unwrap();
    let id = folder.now[name];
    folder.safe.insert(name.to_owned(), id);
}

// ---- the seam ---------------------------------------------------------------------------------

impl Sim {
    fn rename(&self, from: &Utf8Path, to: &Utf8Path, replaces: bool) -> io::Result<()> {
        let (name, from_parts) = split(from);
        let (other, to_parts) = split(to);
        let mut world = self.lock();
        world.check_writable(&name, "rename_new", from);
        if name != other {
            return Err(io::ErrorKind::CrossesDevices.into());
        }
        let entered = world.enter(&name, Op::RenameNew)?;
        world.check_way(from, Op::RenameNew)?;
        world.check_way(to, Op::RenameNew)?;
        let (slow, cut) = match entered {
            Harm::PowerCut => (false, true),
            harm => (harm == Harm::Fault(FaultKind::Slow), false),
        };
        world.fired |= slow;
        world.moment += 1;
        let moment = world.moment;
        let volume = world.volume(&name)?;
        let (from_folder, from_name) = volume.parent(&from_parts)?;
        let (to_folder, to_name) = volume.parent(&to_parts)?;
        if !replaces && volume.folder_mut(to_folder)?.now.contains_key(to_name) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let id = volume.folder_mut(from_folder)?.now.remove(from_name);
        let id = id.ok_or_else(not_found)?;
        if let Some(Node::File(file)) = volume.nodes.get_mut(&id) {
            file.changed = moment;
            if volume.filesystem == "vfat" {
                file.unsized_as = Some((to_folder, to_name.to_owned()));
            }
        }
        volume
            .folder_mut(to_folder)?
            .now
            .insert(to_name.to_owned(), id);
        if to.file_name() == Some(MANIFEST) && is_part_name(from_name) {
            world.stages.insert((name, Stage::Named));
        }
        drop(world);
        Self::rest(slow);
        if cut { Err(errno(EIO)) } else { Ok(()) }
    }
}

impl Disk for Sim {
    fn anchor(&self, folder: &Utf8Path, facts: &FolderFacts) -> io::Result<Anchor> {
        let (name, parts) = split(folder);
        let mut world = self.lock();
        let volume = world.volume(&name)?;
        let place = (volume.device, volume.find(&parts).ok_or_else(not_found)?);
        if place != (facts.device, facts.inode) {
            return Err(not_found());
        }
        world.anchors.push(folder.to_string());
        drop(world);
        Ok(Box::new(SimAnchor {
            sim: self.clone(),
            folder: folder.to_string(),
        }))
    }

    fn walk(&self, root: &Utf8Path, _tree: TreeKind) -> io::Result<Vec<WalkEntry>> {
        let (name, parts) = split(root);
        let mut world = self.lock();
        let slow = world.enter_at(root, Op::Walk)?;
        if let Some(other) = world.elsewhere.as_mut().filter(|o| o.volume == name) {
            other.was_walked = true;
        }
        let other = world.elsewhere.clone().filter(|o| o.volume == name);
        let volume = world.volume(&name)?;
        let id = volume.find(&parts).ok_or_else(not_found)?;
        let mut found = Vec::new();
        let hidden = volume.hidden.clone();
        volume.each(id, Image::Visible, "", &mut |path, _, id| {
            if Utf8Path::new(path)
                .ancestors()
                .any(|p| hidden.contains(p.as_str()))
            {
                return;
            }
            let mut stat = Ok(volume.stat(id));
            let whole = parts.iter().copied().chain([path]).collect::<Vec<_>>();
            let whole = whole.join("/");
            if let Some(other) = other.as_ref().filter(|o| o.covers(&whole)) {
                if other.at != whole {
                    return;
                }
                stat = other.stat(volume.stat(id));
            }
            let path = OsString::from(path);
            found.push(WalkEntry { path, stat });
        });
        drop(world);
        Self::rest(slow);
        Ok(found)
    }

    fn facts(&self, folder: &Utf8Path) -> io::Result<FolderFacts> {
        let (name, parts) = split(folder);
        let mut world = self.lock();
        let slow = world.enter_plainly(&name, Op::Facts)?;
        let volume = world.volume(&name)?;
        let id = volume.find(&parts).ok_or_else(not_found)?;
        let mut ancestors = vec![(1, 1)];
        for upto in 0..=parts.len() {
            ancestors.extend(volume.find(&parts[..upto]).map(|id| (volume.device, id)));
        }
        ancestors.reverse();
        let facts = FolderFacts {
            canonical: folder.as_str().to_owned(),
            device: volume.device,
            entry_device: volume.device + APART,
            inode: id,
            ancestors,
            is_mount_root: parts.is_empty(),
            filesystem: volume.filesystem.to_owned(),
            volume_id: volume.is_known.then(|| format!("SIM-{}", volume.device)),
            label: None,
            total_bytes: 1 << 40,
            free_bytes: volume.free_bytes,
            cluster_bytes: 4_096,
            read_only: volume.state == State::ReadOnly,
            backing: Backing::Disks(BTreeSet::from([format!("sim{}", volume.disk)])),
            rotational: Some(false),
            shows_folder: false,
            within: Some(parts.join("/")),
            is_camera_volume: false,
            is_system_volume: false,
            own_disk: Some(format!("sim{}", volume.disk)),
            is_own_volume: false,
            hardware: None,
            only_from_memory: None,
            images: Vec::new(),
        };
        drop(world);
        Self::rest(slow);
        Ok(facts)
    }

    /// As the drivers of FAT and exFAT count: hidden entries too, and what the volume itself needs.
    fn count(&self, root: &Utf8Path, facts: &FolderFacts) -> Option<Count> {
        const CLUSTER: u64 = 4_096;
        let by = match facts.filesystem.as_str() {
            "vfat" => Counting::Fat,
            "exfat" => Counting::ExFat,
            _ => return None,
        };
        let (name, _) = split(root);
        let mut world = self.lock();
        let volume = world.volume(&name).ok()?;
        let clusters = 1 << 20;
        // A bitmap, and the usual table of 5,836 bytes.
        let mut used = match by {
            Counting::Fat => 0,
            Counting::ExFat => clusters / 8 / CLUSTER + 2,
        };
        volume.each(1, Image::Visible, "", &mut |_, _, id| {
            used += volume.stat(id).bytes.div_ceil(CLUSTER);
        });
        Some(Count {
            by,
            cluster_bytes: CLUSTER,
            clusters,
            used,
            root_bytes: 0,
        })
    }

    fn device_info(&self, facts: &FolderFacts) -> DeviceInfo {
        let (name, _) = split(Utf8Path::new(&facts.canonical));
        self.lock()
            .volume(&name)
            .map_or_else(|_| DeviceInfo::default(), |volume| volume.info.clone())
    }

    fn look(&self, path: &Utf8Path) -> io::Result<Option<Stat>> {
        let (name, parts) = split(path);
        let mut world = self.lock();
        let at = parts.join("/");
        let here = |o: &&Elsewhere| o.volume == name && o.at == at;
        let slow = world.enter_plainly(&name, Op::Look)?;
        let other = world.elsewhere.as_ref().filter(here).cloned();
        if other.is_none() {
            world.check_way(path, Op::Look)?;
        }
        let volume = world.volume(&name)?;
        let stat = volume.find(&parts).map(|id| volume.stat(id));
        drop(world);
        Self::rest(slow);
        match (stat, other) {
            (Some(stat), Some(other)) => other.stat(stat).map(Some),
            (stat, _) => Ok(stat),
        }
    }

    fn open_card(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        self.open(path, Op::OpenCard, Op::CardRead)
    }

    fn open_read_back(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        self.open(path, Op::OpenReadBack, Op::ReadBackRead)
    }

    fn read_record(&self, path: &Utf8Path, limit: u64) -> io::Result<Vec<u8>> {
        let (name, parts) = split(path);
        let mut world = self.lock();
        let slow = world.enter_at(path, Op::ReadRecord)?;
        let volume = world.volume(&name)?;
        let id = volume.find(&parts).ok_or_else(not_found)?;
        let bytes = volume.file_mut(id)?.now.bytes.clone();
        drop(world);
        Self::rest(slow);
        if len64(bytes.len()) > limit {
            return Err(io::Error::other("is too large for a record"));
        }
        Ok(bytes)
    }

    fn create_folder(&self, path: &Utf8Path) -> io::Result<()> {
        let (name, parts) = split(path);
        let mut world = self.lock();
        world.check_writable(&name, "create_folder", path);
        let slow = world.enter_at(path, Op::CreateFolder)?;
        world
            .volume(&name)?
            .add(&parts, Node::Folder(FolderNode::default()))?;
        drop(world);
        Self::rest(slow);
        Ok(())
    }

    fn create_part(&self, path: &Utf8Path, large: bool) -> io::Result<Box<dyn PartFile>> {
        let (name, parts) = split(path);
        let mut world = self.lock();
        world.check_writable(&name, "create_part", path);
        if !path.file_name().is_some_and(is_part_name) {
            world.misuse.push(format!("create_part of no part: {path}"));
        }
        let slow = world.enter_at(path, Op::CreatePart)?;
        if path.file_name() == Some(&part_name(MANIFEST)) {
            world.stages.insert((name.clone(), Stage::Staged));
        }
        let node = Node::File(FileNode::empty());
        let id = world.volume(&name)?.add(&parts, node)?;
        drop(world);
        Self::rest(slow);
        Ok(Box::new(SimPart {
            sim: self.clone(),
            volume: name,
            id,
            large,
        }))
    }

    fn rename_new(&self, from: &Utf8Path, to: &Utf8Path) -> io::Result<()> {
        self.rename(from, to, false)
    }

    fn replace_chain(&self, from: &Utf8Path, to: &Utf8Path) -> io::Result<()> {
        let is_chain = to.ends_with("ascmhl/ascmhl_chain.xml");
        if !is_chain || !from.file_name().is_some_and(is_part_name) {
            let mut world = self.lock();
            world.misuse.push(format!("replaced no chain: {to}"));
        }
        self.rename(from, to, true)
    }

    fn flush(&self, path: &Utf8Path) -> io::Result<()> {
        let (name, parts) = split(path);
        let mut world = self.lock();
        let slow = world.enter_at(path, Op::Flush)?;
        let volume = world.volume(&name)?;
        let id = volume.find(&parts).ok_or_else(not_found)?;
        let keeps_entries = volume.filesystem != "ntfs3";
        match volume.nodes.get_mut(&id) {
            Some(Node::Folder(folder)) if keeps_entries => folder.safe = folder.now.clone(),
            Some(Node::File(file)) => file.flush(),
            Some(Node::Folder(_)) | None => {}
        }
        drop(world);
        Self::rest(slow);
        Ok(())
    }

    fn flush_everything(&self, folder: &Utf8Path) -> io::Result<()> {
        let (name, _) = split(folder);
        let mut world = self.lock();
        let slow = world.enter_at(folder, Op::FlushEverything)?;
        for node in world.volume(&name)?.nodes.values_mut() {
            match node {
                Node::Folder(folder) => folder.safe = folder.now.clone(),
                Node::File(file) => file.flush(),
            }
        }
        drop(world);
        Self::rest(slow);
        Ok(())
    }

    fn settling(&self, folder: &Utf8Path) -> io::Result<Settling> {
        let (name, _) = split(folder);
        let filesystem = self.lock().volume(&name)?.filesystem;
        Ok(Settling::of(filesystem))
    }

    fn claim(&self, folder: &Utf8Path) -> io::Result<Claim> {
        if !self.lock().claimed.insert(folder.to_path_buf()) {
            return Err(io::ErrorKind::WouldBlock.into());
        }
        let (sim, folder) = (self.clone(), folder.to_path_buf());
        Ok(Some(Box::new(Claimed { sim, folder })))
    }

    fn remove_own(&self, path: &Utf8Path) -> io::Result<()> {
        let (name, parts) = split(path);
        let mut world = self.lock();
        world.check_writable(&name, "remove_own", path);
        if !path
            .file_name()
            .is_some_and(|f| is_part_name(f) || f == JOURNAL)
        {
            world
                .misuse
                .push(format!("remove_own of another's: {path}"));
        }
        if path.file_name() == Some(JOURNAL) {
            world.stages.insert((name.clone(), Stage::Ended));
            // Another run that claims the folder meanwhile would lose its own.
            let is_held = path.parent().is_some_and(|at| world.claimed.contains(at));
            if !is_held {
                world
                    .misuse
                    .push(format!("a journal that nobody holds is removed: {path}"));
            }
        }
        let slow = world.enter_at(path, Op::RemoveOwn)?;
        let volume = world.volume(&name)?;
        let (parent, file) = volume.parent(&parts)?;
        let removed = volume.folder_mut(parent)?.now.remove(file);
        drop(world);
        Self::rest(slow);
        removed.map(drop).ok_or_else(not_found)
    }

    fn remove_empty_folder(&self, path: &Utf8Path) -> io::Result<()> {
        let (name, parts) = split(path);
        let mut world = self.lock();
        world.check_writable(&name, "remove_empty_folder", path);
        let slow = world.enter_at(path, Op::RemoveEmptyFolder)?;
        let volume = world.volume(&name)?;
        let id = volume.find(&parts).ok_or_else(not_found)?;
        if !volume.folder_mut(id)?.now.is_empty() {
            return Err(io::ErrorKind::DirectoryNotEmpty.into());
        }
        let (parent, folder) = volume.parent(&parts)?;
        volume.folder_mut(parent)?.now.remove(folder);
        drop(world);
        Self::rest(slow);
        Ok(())
    }

    fn open_journal(&self, path: &Utf8Path) -> io::Result<Box<dyn Journal>> {
        let (name, parts) = split(path);
        let mut world = self.lock();
        world.check_writable(&name, "open_journal", path);
        let slow = world.enter_at(path, Op::OpenJournal)?;
        let volume = world.volume(&name)?;
        let id = if let Some(id) = volume.find(&parts) {
            id
        } else {
            volume.add(&parts, Node::File(FileNode::empty()))?
        };
        drop(world);
        Self::rest(slow);
        Ok(Box::new(SimJournal {
            sim: self.clone(),
            volume: name,
            id,
        }))
    }
}

/// A folder that a job holds.
#[derive(Debug)]
struct SimAnchor {
    sim: Sim,
    folder: String,
}

impl Drop for SimAnchor {
    fn drop(&mut self) {
        let mut world = self.sim.lock();
        let at = world.anchors.iter().position(|held| *held == self.folder);
        at.map(|at| world.anchors.swap_remove(at));
    }
}

#[derive(Debug)]
struct SimSource {
    sim: Sim,
    volume: String,
    path: String,
    id: u64,
    op: Op,
}

impl Source for SimSource {
    fn read_at(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        let mut world = self.sim.lock();
        let harm = world.enter(&self.volume, self.op)?;
        if world.unreadable.contains(&self.path) {
            return Err(errno(EIO));
        }
        let mut is_short = false;
        let from_memory = world.read_back_from_memory && self.op == Op::ReadBackRead;
        let file = world.volume(&self.volume)?.file_mut(self.id)?;
        let bytes = if from_memory {
            &file.handed
        } else {
            &file.now.bytes
        };
        let start = len_usize(offset).min(bytes.len());
        let mut n = into.len().min(bytes.len() - start);
        if harm == Harm::Fault(FaultKind::ShortRead) && n > 1 {
            n /= 2;
            is_short = true;
        }
        into[..n].copy_from_slice(&bytes[start..start + n]);
        match harm {
            Harm::PowerCut => return Err(errno(EIO)),
            Harm::Fault(FaultKind::FlipBitOnRead) if n > 0 => {
                into[n / 2] ^= 0x10;
                world.fired = true;
            }
            Harm::Fault(FaultKind::Slow) => world.fired = true,
            Harm::Fault(_) | Harm::None => world.fired |= is_short,
        }
        if self.op == Op::CardRead {
            let device = world.volume(&self.volume)?.device;
            let delivered = world
                .delivered
                .entry((device, self.path.clone()))
                .or_default();
            delivered.truncate(start);
            delivered.extend_from_slice(&into[..n]);
        }
        drop(world);
        Sim::rest(harm == Harm::Fault(FaultKind::Slow));
        Ok(n)
    }

    fn expect(&self, _offset: u64, _bytes: u64) {}

    fn forget(&self, _offset: u64) {}

    fn stat(&self) -> io::Result<Stat> {
        let mut world = self.sim.lock();
        if world.power_is_off {
            return Err(errno(EIO));
        }
        let volume = world.volume(&self.volume)?;
        if volume.state == State::Gone {
            return Err(errno(ENODEV));
        }
        Ok(volume.stat(self.id))
    }

    fn way(&self) -> ReadBackWay {
        if self.op == Op::CardRead {
            return ReadBackWay::Cached;
        }
        self.sim.lock().way.unwrap_or(ReadBackWay::Direct)
    }
}

#[derive(Debug)]
struct SimPart {
    sim: Sim,
    volume: String,
    id: u64,
    large: bool,
}

impl SimPart {
    fn plainly(&self, op: Op, work: impl FnOnce(&mut FileNode)) -> io::Result<()> {
        let mut world = self.sim.lock();
        let slow = world.enter_plainly(&self.volume, op)?;
        work(world.volume(&self.volume)?.file_mut(self.id)?);
        drop(world);
        Sim::rest(slow);
        Ok(())
    }
}

/// Writes into a file that grows as needed.
fn store(file: &mut Vec<u8>, bytes: &[u8], at: usize) {
    if file.len() < at + bytes.len() {
        file.resize(at + bytes.len(), 0);
    }
    file[at..at + bytes.len()].copy_from_slice(bytes);
}

impl PartFile for SimPart {
    fn write_chunk(&self, chunk: &Chunk, offset: u64) -> io::Result<()> {
        let mut world = self.sim.lock();
        let harm = world.enter(&self.volume, Op::WriteChunk)?;
        // As the real one does for writes past the page cache; `finish` cuts the padding off.
        let bytes = if self.large {
            chunk.padded()
        } else {
            chunk.bytes()
        };
        let at = len_usize(offset);
        let half = chunk.bytes().len() / 2;
        let file = world.volume(&self.volume)?.file_mut(self.id)?;
        store(&mut file.handed, bytes, at);
        let stored = &mut file.now.bytes;
        let result = match harm {
            Harm::None | Harm::Fault(FaultKind::Slow) => {
                store(stored, bytes, at);
                Ok(())
            }
            Harm::PowerCut => {
                store(stored, bytes, at);
                Err(errno(EIO))
            }
            Harm::Fault(FaultKind::ShortWrite) => {
                store(stored, &bytes[..half], at);
                Err(io::ErrorKind::WriteZero.into())
            }
            Harm::Fault(FaultKind::ShortWriteUntold) => {
                store(stored, &bytes[..half], at);
                Ok(())
            }
            Harm::Fault(FaultKind::LostWrite) => {
                store(stored, &vec![0; bytes.len()], at);
                Ok(())
            }
            Harm::Fault(_) => {
                store(stored, bytes, at);
                stored[at + half] ^= 0x10;
                Ok(())
            }
        };
        world.fired |= matches!(harm, Harm::Fault(_));
        drop(world);
        Sim::rest(harm == Harm::Fault(FaultKind::Slow));
        result
    }

    fn flush_data(&self) -> io::Result<()> {
        self.plainly(Op::FlushData, |f| f.safe.bytes.clone_from(&f.now.bytes))
    }

    fn finish(&self, bytes: u64, modified: Stamp) -> io::Result<bool> {
        self.plainly(Op::Finish, |f| {
            if self.large {
                f.now.bytes.resize(len_usize(bytes), 0);
                f.handed.resize(len_usize(bytes), 0);
            }
            f.now.modified = modified;
        })?;
        Ok(true)
    }

    fn flush_all(&self) -> io::Result<()> {
        self.plainly(Op::FlushAll, FileNode::flush)
    }

    fn had_other_writer(&self) -> bool {
        let in_place = [Deed::Write, Deed::WriteUnseen, Deed::Truncate, Deed::Append];
        let world = self.sim.lock();
        let did = world.meddled.as_ref();
        let is_it = |m: &Meddled| m.node == self.id && in_place.contains(&m.by.deed);
        self.large && did.is_some_and(is_it)
    }
}

#[derive(Debug)]
struct SimJournal {
    sim: Sim,
    volume: String,
    id: u64,
}

impl Journal for SimJournal {
    fn append(&mut self, lines: &[u8]) -> io::Result<()> {
        let mut world = self.sim.lock();
        let harm = world.enter(&self.volume, Op::JournalAppend)?;
        world.fired |= matches!(harm, Harm::Fault(FaultKind::Slow | FaultKind::ShortWrite));
        let file = world.volume(&self.volume)?.file_mut(self.id)?;
        match harm {
            Harm::PowerCut => {
                file.now.bytes.extend_from_slice(lines);
                return Err(errno(EIO));
            }
            Harm::Fault(FaultKind::ShortWrite) => {
                file.now.bytes.extend_from_slice(&lines[..lines.len() / 2]);
                return Err(io::ErrorKind::WriteZero.into());
            }
            Harm::Fault(_) | Harm::None => {
                file.now.bytes.extend_from_slice(lines);
                file.flush();
            }
        }
        drop(world);
        Sim::rest(harm == Harm::Fault(FaultKind::Slow));
        Ok(())
    }
}
