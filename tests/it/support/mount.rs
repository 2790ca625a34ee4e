//! Owns the device that misbehaves on request: a FUSE mount served by this very process that
//! passes everything through to a backing folder, except where a [`Fault`] says otherwise, and
//! that counts what really happened, so that a test can prove that its fault was met.
//!
//! Linux only. A request is answered by one of [`THREADS`] threads; more stalled reads than that
//! stall the mount. Under [`Cache::Through`] the kernel reads ahead and retries page by page what
//! failed while reading ahead, so `times(1)` on a read error can pass unseen by the reader there.
#![expect(
    clippy::disallowed_methods,
    reason = "it is a device: it has files and time of its own"
)]

use fuser::{
    BackgroundSession, BsdFileFlags, Errno, FileAttr, FileHandle, FileType, Filesystem, FopenFlags,
    Generation, INodeNo, InitFlags, KernelConfig, LockOwner, MountOption, Notifier, OpenFlags,
    RenameFlags, ReplyAttr, ReplyCreate, ReplyData, ReplyDirectory, ReplyEmpty, ReplyEntry,
    ReplyOpen, ReplyStatfs, ReplyWrite, Request, TimeOrNow, WriteFlags,
};
use rustix::fs::{AtFlags, CWD, Timespec, Timestamps, UTIME_NOW, UTIME_OMIT};
use std::collections::{HashMap, HashSet};
use std::ffi::{OsStr, OsString};
use std::fs::{self, File, OpenOptions, Permissions};
use std::io;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::Ordering::SeqCst;
use std::sync::atomic::{AtomicBool, AtomicI32, AtomicU64};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError, RwLock, RwLockReadGuard};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

const THREADS: usize = 8;
/// The unit of `statfs` when a capacity is set: what a drive calls a sector.
const SECTOR: u32 = 512;
const OPS: [&str; 15] = [
    "open", "create", "mkdir", "rename", "unlink", "rmdir", "setattr", "getattr", "lookup",
    "readdir", "readlink", "flush", "fsync", "fsyncdir", "statfs",
];
const KINDS: [&str; 14] = [
    "ReadError",
    "EarlyEof",
    "BitflipRead",
    "Mutate",
    "WriteError",
    "BitflipWrite",
    "DropWrite",
    "OpError",
    "NoSpaceAfter",
    "StallRead",
    "Stall",
    "VanishAfter",
    "Capacity",
    "PowerCut",
];

// ------------------------------------------------------------------------------ what can be asked

/// How the kernel may cache file contents.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Cache {
    /// Every `read()` and `write()` reaches the device.
    #[default]
    None,
    /// Like a drive: writes go through at once, but stay in the page cache, also after a reopen.
    Through,
}

/// What a mount is like. Rates are in 10^6 bytes a second; 0 means no limit.
#[derive(Debug, Default)]
#[expect(clippy::struct_excessive_bools, reason = "each is a habit of its own")]
pub(crate) struct Options {
    pub(crate) cache: Cache,
    pub(crate) read_mbps: f64,
    pub(crate) write_mbps: f64,
    /// In bytes, files counted by length; 0 means the backing folder's own.
    pub(crate) capacity: u64,
    pub(crate) readonly: bool,
    /// Names that differ only in ASCII case are the same, and keep the case they were made with.
    pub(crate) nocase: bool,
    /// So long the system remembers names and attributes. By default not at all: what the device
    /// does shows at once.
    pub(crate) remembered: Duration,
    /// What the system's mount table says is mounted.
    pub(crate) source: Option<String>,
    /// And by which program.
    pub(crate) subtype: Option<String>,
    pub(crate) faults: Vec<Fault>,
    /// A power cut also reverts renames whose target folder was not fsynced since.
    pub(crate) cut_undoes_renames: bool,
    /// As FAT does: a power cut leaves a renamed file empty that was not fsynced since.
    pub(crate) cut_empties_renamed: bool,
    /// There is no rename that refuses to replace, and no hard link.
    pub(crate) only_plain_rename: bool,
}

/// What a [`Kind::Mutate`] does to the backing file.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Action {
    /// 4096 bytes are added.
    Append,
    /// Half the length is left.
    Truncate,
    /// Two seconds are added to the modification time.
    Touch,
    Delete,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Direction {
    Read,
    Write,
}

/// What goes wrong. Ranges are `off..off + len` of the file.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Kind {
    ReadError {
        off: u64,
        len: u64,
        errno: i32,
    },
    /// The file reads as if it ended here; its size stays what it was.
    EarlyEof {
        off: u64,
    },
    BitflipRead {
        off: u64,
        bit: u8,
    },
    /// The backing file changes once this many of its bytes were read; once for each file.
    Mutate {
        after: u64,
        action: Action,
    },
    WriteError {
        off: u64,
        len: u64,
        errno: i32,
    },
    /// Success is reported, the stored byte is wrong.
    BitflipWrite {
        off: u64,
        bit: u8,
    },
    /// Success is reported, this range keeps what it held before, or zeros.
    DropWrite {
        off: u64,
        len: u64,
    },
    /// `op` is one of [`OPS`].
    OpError {
        op: &'static str,
        errno: i32,
    },
    /// `ENOSPC` once this many bytes were written to the matching files.
    NoSpaceAfter {
        bytes: u64,
    },
    /// A read that touches this byte takes so much longer.
    StallRead {
        off: u64,
        ms: u64,
    },
    /// An operation (see [`OPS`]) takes so much longer.
    Stall {
        op: &'static str,
        ms: u64,
    },
    /// The request that would take the whole device past this many bytes fails, and so does
    /// everything after it, until [`Mount::back`]. Happens once.
    VanishAfter {
        direction: Direction,
        bytes: u64,
        errno: i32,
    },
}

impl Kind {
    fn name(self) -> &'static str {
        match self {
            Kind::ReadError { .. } => "ReadError",
            Kind::EarlyEof { .. } => "EarlyEof",
            Kind::BitflipRead { .. } => "BitflipRead",
            Kind::Mutate { .. } => "Mutate",
            Kind::WriteError { .. } => "WriteError",
            Kind::BitflipWrite { .. } => "BitflipWrite",
            Kind::DropWrite { .. } => "DropWrite",
            Kind::OpError { .. } => "OpError",
            Kind::NoSpaceAfter { .. } => "NoSpaceAfter",
            Kind::StallRead { .. } => "StallRead",
            Kind::Stall { .. } => "Stall",
            Kind::VanishAfter { .. } => "VanishAfter",
        }
    }
}

/// One fault: what, to which files, how often.
#[derive(Clone, Debug)]
pub(crate) struct Fault {
    kind: Kind,
    path: String,
    times: u64,
    skip: u64,
}

impl Fault {
    /// Happens to every file, every time.
    pub(crate) fn new(kind: Kind) -> Fault {
        Fault {
            kind,
            path: String::new(),
            times: 0,
            skip: 0,
        }
    }
    /// Only to paths like this one, seen from the mount's root without a leading `/`. `*` stands
    /// for any run of characters, `/` included, `?` for one. A rename counts by either path.
    pub(crate) fn path(mut self, glob: &str) -> Fault {
        self.path = glob.into();
        self
    }
    /// At most so often.
    pub(crate) fn times(mut self, times: u64) -> Fault {
        self.times = times;
        self
    }
    pub(crate) fn concerns(&self, path: &Path) -> bool {
        let pattern = self.path.as_bytes();
        pattern.is_empty() || glob(pattern, path.as_os_str().as_bytes())
    }
    /// Not to the first `skip` requests it would have met.
    pub(crate) fn skip(mut self, skip: u64) -> Fault {
        self.skip = skip;
        self
    }
}

fn glob(pattern: &[u8], text: &[u8]) -> bool {
    match pattern.split_first() {
        None => text.is_empty(),
        Some((b'*', rest)) => (0..=text.len()).any(|at| glob(rest, &text[at..])),
        Some((b'?', rest)) => !text.is_empty() && glob(rest, &text[1..]),
        Some((byte, rest)) => text.first() == Some(byte) && glob(rest, &text[1..]),
    }
}

// ------------------------------------------------------------------------------------- the device

/// A panic in one test thread must not turn into another failure in the threads of the mount.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn errno(error: rustix::io::Errno) -> Errno {
    Errno::from_i32(error.raw_os_error())
}

type Res<T> = Result<T, Errno>;

/// A fault and what has become of it.
struct Armed {
    fault: Fault,
    state: Mutex<Met>,
}

#[derive(Default)]
struct Met {
    hits: u64,
    fired: u64,
    /// For `NoSpaceAfter`: written to matching files so far.
    written: u64,
    /// For `Mutate`: files that had theirs.
    mutated: HashSet<u64>,
}

impl Armed {
    fn concerns(&self, path: &Path) -> bool {
        self.fault.concerns(path)
    }
    /// To be asked only when everything but path and count fits.
    fn fires(&self, path: &Path) -> bool {
        self.concerns(path) && self.count(None)
    }
    fn count(&self, only_once_for: Option<u64>) -> bool {
        let mut met = lock(&self.state);
        if only_once_for.is_some_and(|ino| met.mutated.contains(&ino)) {
            return false;
        }
        met.hits += 1;
        let once = matches!(self.fault.kind, Kind::VanishAfter { .. });
        let times = if once { 1 } else { self.fault.times };
        if met.hits <= self.fault.skip || (times > 0 && met.fired >= times) {
            return false;
        }
        met.fired += 1;
        met.mutated.extend(only_once_for);
        true
    }
}

/// One direction's speed: a schedule that requests are lined up on.
struct Pace {
    line: Mutex<(f64, Instant)>,
    changes: AtomicU64,
}

impl Pace {
    fn new(mbps: f64) -> Pace {
        Pace {
            line: Mutex::new((mbps, Instant::now())),
            changes: AtomicU64::new(0),
        }
    }
    fn set(&self, mbps: f64) {
        *lock(&self.line) = (mbps, Instant::now());
        self.changes.fetch_add(1, SeqCst);
    }
    /// Says when so many bytes, asked for at `arrived`, will be through. A gap of up to 10 ms is
    /// made good, because it is the scheduler's; a longer one was the client's and earns it
    /// nothing.
    fn book(&self, arrived: Instant, bytes: u64) -> Option<Instant> {
        let mut line = lock(&self.line);
        if line.0 <= 0.0 {
            return None;
        }
        let gap = arrived.saturating_duration_since(line.1);
        let start = if gap > Duration::from_millis(10) {
            arrived
        } else {
            line.1
        };
        let bytes = f64::from(u32::try_from(bytes).unwrap_or(u32::MAX));
        line.1 = start + Duration::from_secs_f64(bytes / (line.0 * 1e6));
        Some(line.1)
    }
}

/// Which path a number stands for. A number outlives its path while the file is open.
#[derive(Default)]
struct Names {
    paths: HashMap<u64, PathBuf>,
    numbers: HashMap<PathBuf, u64>,
    last: u64,
}

impl Names {
    fn number(&mut self, path: &Path) -> u64 {
        if let Some(ino) = self.numbers.get(path) {
            return *ino;
        }
        self.last += 1;
        self.numbers.insert(path.into(), self.last);
        self.paths.insert(self.last, path.into());
        self.last
    }
    /// The path under which the file can still be found.
    fn linked(&self, ino: u64) -> Option<&PathBuf> {
        self.paths
            .get(&ino)
            .filter(|path| self.numbers.get(*path) == Some(&ino))
    }
    fn moved(&mut self, from: &Path, to: &Path) -> Option<u64> {
        let replaced = self.numbers.remove(to);
        let below: Vec<_> = self
            .numbers
            .extract_if(|path, _| path.starts_with(from))
            .collect();
        for (path, ino) in below {
            let path = match path.strip_prefix(from) {
                Ok(rest) if !rest.as_os_str().is_empty() => to.join(rest),
                _ => to.to_path_buf(),
            };
            self.numbers.insert(path.clone(), ino);
            self.paths.insert(ino, path);
        }
        replaced
    }
}

struct Open {
    file: Arc<File>,
    ino: u64,
}

struct Renamed {
    from: PathBuf,
    to: PathBuf,
    /// What the rename replaced, so that it can come back.
    replaced: Option<Vec<u8>>,
}

type Listing = Arc<Vec<(OsString, FileType)>>;

struct Device {
    backing: PathBuf,
    options: Options,
    faults: Vec<Armed>,
    read_pace: Pace,
    write_pace: Pace,
    names: Mutex<Names>,
    open: Mutex<HashMap<u64, Open>>,
    listings: Mutex<HashMap<u64, Listing>>,
    next_handle: AtomicU64,
    /// Not zero: the error that everything gets.
    gone: AtomicI32,
    cut: AtomicBool,
    closing: AtomicBool,
    /// Held shared while something is stored, so that a power cut falls between two writes.
    power: RwLock<()>,
    read: AtomicU64,
    written: AtomicU64,
    full: AtomicU64,
    /// Bytes in files by their length. The lock also makes writes take turns, as a drive does.
    held: Mutex<u64>,
    since_write: Mutex<HashMap<u64, u64>>,
    /// What was written to a file since its last fsync.
    dirty: Mutex<HashMap<u64, Vec<(u64, u64)>>>,
    renames: Mutex<Vec<Renamed>>,
    /// Renamed and not fsynced since.
    unsized_files: Mutex<HashSet<u64>>,
    notifier: OnceLock<Notifier>,
}

fn tree_size(dir: &Path) -> u64 {
    let size = |entry: fs::DirEntry| match entry.metadata() {
        Ok(meta) if meta.is_dir() => tree_size(&entry.path()),
        Ok(meta) if meta.is_file() => meta.len(),
        _ => 0,
    };
    fs::read_dir(dir).map_or(0, |entries| entries.flatten().map(size).sum())
}

/// Never write-only, because a dropped write needs what was there before; and reading must leave
/// no trace in the backing folder, where that is permitted.
fn open_backing(path: &Path, flags: i32, mode: u32) -> io::Result<File> {
    let open = |extra| {
        OpenOptions::new()
            .read(true)
            .write(flags & libc::O_ACCMODE != libc::O_RDONLY)
            .mode(mode)
            .custom_flags(flags & (libc::O_CREAT | libc::O_EXCL | libc::O_TRUNC) | extra)
            .open(path)
    };
    match open(libc::O_NOFOLLOW | libc::O_NOATIME) {
        Err(e) if e.raw_os_error() == Some(libc::EPERM) => open(libc::O_NOFOLLOW),
        other => other,
    }
}

fn timespec(time: Option<TimeOrNow>) -> Timespec {
    let (secs, nanos) = match time {
        None => (0, UTIME_OMIT),
        Some(TimeOrNow::Now) => (0, UTIME_NOW),
        Some(TimeOrNow::SpecificTime(time)) => match time.duration_since(UNIX_EPOCH) {
            Ok(after) => (after.as_secs().cast_signed(), after.subsec_nanos().into()),
            // Nanoseconds count forwards from the second before.
            Err(e) => match (
                e.duration().as_secs().cast_signed(),
                e.duration().subsec_nanos(),
            ) {
                (secs, 0) => (-secs, 0),
                (secs, nanos) => (-secs - 1, (1_000_000_000 - nanos).into()),
            },
        },
    };
    Timespec {
        tv_sec: secs,
        tv_nsec: nanos,
    }
}

impl Device {
    fn full(&self, path: &Path) -> PathBuf {
        self.backing.join(path)
    }
    fn path(&self, ino: INodeNo) -> Res<PathBuf> {
        lock(&self.names)
            .paths
            .get(&ino.0)
            .cloned()
            .ok_or(Errno::ENOENT)
    }
    fn child(&self, parent: INodeNo, name: &OsStr) -> Res<PathBuf> {
        let dir = self.path(parent)?;
        let path = dir.join(name);
        if self.options.nocase && fs::symlink_metadata(self.full(&path)).is_err() {
            for entry in fs::read_dir(self.full(&dir))?.flatten() {
                if entry.file_name().eq_ignore_ascii_case(name) {
                    return Ok(dir.join(entry.file_name()));
                }
            }
        }
        Ok(path)
    }
    fn handle(&self, handle: FileHandle) -> Res<Arc<File>> {
        lock(&self.open)
            .get(&handle.0)
            .map(|open| open.file.clone())
            .ok_or(Errno::EBADF)
    }

    fn alive(&self) -> Res<()> {
        match self.gone.load(SeqCst) {
            _ if self.cut.load(SeqCst) => Err(Errno::EIO),
            0 => Ok(()),
            code => Err(Errno::from_i32(code)),
        }
    }
    fn vanish(&self, errno: i32) -> Errno {
        self.gone.store(errno, SeqCst);
        Errno::from_i32(errno)
    }
    /// Every request starts here, and keeps the power on until it lets go of the guard.
    fn enter(&self, op: &str, paths: &[&Path]) -> Res<RwLockReadGuard<'_, ()>> {
        let power = self.power.read().unwrap_or_else(PoisonError::into_inner);
        self.alive()?;
        for armed in &self.faults {
            if let Kind::OpError { op: failing, errno } = armed.fault.kind
                && failing == op
                && paths.iter().any(|path| armed.concerns(path))
                && armed.count(None)
            {
                return Err(Errno::from_i32(errno));
            }
            if let Kind::Stall { op: stalling, ms } = armed.fault.kind
                && stalling == op
                && paths.iter().any(|path| armed.concerns(path))
                && armed.count(None)
            {
                self.pause(Instant::now() + Duration::from_millis(ms), None)?;
            }
        }
        Ok(power)
    }
    /// Waits in slices, because the card may be pulled, or the rate changed, in the meantime.
    fn pause(&self, until: Instant, pace: Option<&Pace>) -> Res<()> {
        let changes = || pace.map(|pace| pace.changes.load(SeqCst));
        let before = changes();
        loop {
            self.alive()?;
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() || self.closing.load(SeqCst) || changes() != before {
                return Ok(());
            }
            thread::sleep(left.min(Duration::from_millis(20)));
        }
    }

    fn attr(ino: u64, meta: &fs::Metadata) -> FileAttr {
        let nanos = u32::try_from(meta.ctime_nsec()).unwrap_or(0);
        FileAttr {
            ino: INodeNo(ino),
            size: meta.len(),
            blocks: meta.blocks(),
            atime: meta.accessed().unwrap_or(UNIX_EPOCH),
            mtime: meta.modified().unwrap_or(UNIX_EPOCH),
            ctime: UNIX_EPOCH + Duration::new(u64::try_from(meta.ctime()).unwrap_or(0), nanos),
            crtime: UNIX_EPOCH,
            kind: FileType::from_std(meta.file_type()).unwrap_or(FileType::RegularFile),
            perm: u16::try_from(meta.mode() & 0o7777).unwrap_or(0),
            nlink: u32::try_from(meta.nlink()).unwrap_or(1),
            uid: meta.uid(),
            gid: meta.gid(),
            rdev: 0,
            blksize: 1 << 17,
            flags: 0,
        }
    }
    fn entry(&self, path: &Path) -> Res<FileAttr> {
        let meta = fs::symlink_metadata(self.full(path))?;
        Ok(Device::attr(lock(&self.names).number(path), &meta))
    }
    fn stat(&self, ino: INodeNo, path: &Path) -> Res<FileAttr> {
        let linked = lock(&self.names).linked(ino.0).is_some();
        let meta = match fs::symlink_metadata(self.full(path)) {
            Ok(meta) if linked => meta,
            // Deleted, but perhaps still open.
            _ => {
                let open = lock(&self.open);
                let found = open
                    .values()
                    .find(|open| open.ino == ino.0)
                    .ok_or(Errno::ENOENT)?;
                found.file.metadata()?
            }
        };
        Ok(Device::attr(ino.0, &meta))
    }

    fn opened(&self, path: &Path, flags: i32, mode: u32) -> Res<(FileHandle, FopenFlags)> {
        let file = Arc::new(open_backing(&self.full(path), flags, mode)?);
        let ino = lock(&self.names).number(path);
        let handle = self.next_handle.fetch_add(1, SeqCst);
        lock(&self.open).insert(handle, Open { file, ino });
        let flags = match self.options.cache {
            Cache::None => FopenFlags::FOPEN_DIRECT_IO | FopenFlags::FOPEN_PARALLEL_DIRECT_WRITES,
            Cache::Through => FopenFlags::FOPEN_KEEP_CACHE,
        };
        Ok((FileHandle(handle), flags))
    }

    fn read(&self, ino: INodeNo, handle: FileHandle, offset: u64, size: u32) -> Res<Vec<u8>> {
        let mut arrived = Instant::now();
        let path = self.path(ino)?;
        drop(self.enter("read", &[&path])?);
        let file = self.handle(handle)?;
        let mut end = file
            .metadata()?
            .len()
            .min(offset.saturating_add(size.into()));
        for armed in &self.faults {
            let touches = |off: u64, len: u64| off < end && off.saturating_add(len) > offset;
            match armed.fault.kind {
                Kind::ReadError { off, len, errno } if touches(off, len) && armed.fires(&path) => {
                    return Err(Errno::from_i32(errno));
                }
                Kind::StallRead { off, ms } if touches(off, 1) && armed.fires(&path) => {
                    self.pause(Instant::now() + Duration::from_millis(ms), None)?;
                    arrived = Instant::now();
                }
                Kind::EarlyEof { off } if end > off.max(offset) && armed.fires(&path) => {
                    end = off.max(offset);
                }
                Kind::VanishAfter {
                    direction: Direction::Read,
                    bytes,
                    errno,
                } if self.read.load(SeqCst) + end.saturating_sub(offset) > bytes
                    && armed.fires(&path) =>
                {
                    return Err(self.vanish(errno));
                }
                _ => {}
            }
        }
        let mut data = vec![0; usize::try_from(end.saturating_sub(offset)).unwrap_or(0)];
        let mut got = 0;
        while got < data.len() {
            match file.read_at(&mut data[got..], offset + u64::try_from(got).unwrap_or(0))? {
                0 => break,
                n => got += n,
            }
        }
        data.truncate(got);
        let got = u64::try_from(got).unwrap_or(0);
        for armed in &self.faults {
            if let Kind::BitflipRead { off, bit } = armed.fault.kind
                && (offset..offset + got).contains(&off)
                && armed.fires(&path)
            {
                data[usize::try_from(off - offset).unwrap_or(0)] ^= 1 << (bit & 7);
            }
        }
        self.read.fetch_add(got, SeqCst);
        let served = {
            let mut since_write = lock(&self.since_write);
            let served = since_write.entry(ino.0).or_default();
            *served += got;
            *served
        };
        for armed in &self.faults {
            if let Kind::Mutate { after, action } = armed.fault.kind
                && served >= after
                && armed.concerns(&path)
                && armed.count(Some(ino.0))
            {
                self.mutate(ino, &path, action)?;
            }
        }
        if let Some(due) = self.read_pace.book(arrived, got) {
            self.pause(due, Some(&self.read_pace))?;
        }
        Ok(data)
    }

    fn mutate(&self, ino: INodeNo, path: &Path, action: Action) -> Res<()> {
        let full = self.full(path);
        if let Action::Delete = action {
            fs::remove_file(&full)?;
            self.unlinked(path);
        } else {
            let file = OpenOptions::new().write(true).open(&full)?;
            let meta = file.metadata()?;
            match action {
                Action::Append => file.write_all_at(&[0xA5; 4096], meta.len())?,
                Action::Truncate => file.set_len(meta.len() / 2)?,
                _ => file.set_modified(meta.modified()? + Duration::from_secs(2))?,
            }
        }
        *lock(&self.held) = tree_size(&self.backing);
        // Whoever changed the card had the same cache as the reader, so it must not hide the
        // change. The kernel answers only after the read in hand, hence the thread.
        if let Some(notifier) = self.notifier.get().cloned() {
            thread::spawn(move || drop(notifier.inval_inode(ino, 0, 0)));
        }
        Ok(())
    }

    fn write(&self, ino: INodeNo, handle: FileHandle, offset: u64, data: &[u8]) -> Res<u32> {
        let arrived = Instant::now();
        let path = self.path(ino)?;
        let power = self.enter("write", &[&path])?;
        let file = self.handle(handle)?;
        let mut held = lock(&self.held);
        let old = file.metadata()?.len();
        let mut data = data.to_vec();
        let mut end = offset + u64::try_from(data.len()).unwrap_or(0);
        let room = self.options.capacity.saturating_sub(*held);
        if self.options.capacity > 0 && end.saturating_sub(old) > room {
            self.full.fetch_add(1, SeqCst);
            end = old + room;
            if end <= offset {
                return Err(Errno::ENOSPC);
            }
        }
        for armed in &self.faults {
            let touches = |off: u64, len: u64| off < end && off.saturating_add(len) > offset;
            match armed.fault.kind {
                Kind::WriteError { off, len, errno } if touches(off, len) && armed.fires(&path) => {
                    return Err(Errno::from_i32(errno));
                }
                Kind::NoSpaceAfter { bytes } if armed.concerns(&path) => {
                    let left = bytes.saturating_sub(lock(&armed.state).written);
                    if end.saturating_sub(offset) > left && armed.count(None) {
                        end = offset + left;
                    }
                }
                Kind::BitflipWrite { off, bit } if touches(off, 1) && armed.fires(&path) => {
                    data[usize::try_from(off - offset).unwrap_or(0)] ^= 1 << (bit & 7);
                }
                Kind::DropWrite { off, len } if touches(off, len) && armed.fires(&path) => {
                    let at = |place: u64| usize::try_from(place - offset).unwrap_or(0);
                    let (from, to) = (off.max(offset), off.saturating_add(len).min(end));
                    let lost = &mut data[at(from)..at(to)];
                    lost.fill(0);
                    file.read_at(lost, from)?;
                }
                Kind::VanishAfter {
                    direction: Direction::Write,
                    bytes,
                    errno,
                } if self.written.load(SeqCst) + end.saturating_sub(offset) > bytes
                    && armed.fires(&path) =>
                {
                    return Err(self.vanish(errno));
                }
                _ => {}
            }
        }
        let count = end.saturating_sub(offset);
        data.truncate(usize::try_from(count).unwrap_or(0));
        if data.is_empty() {
            return Err(Errno::ENOSPC);
        }
        file.write_all_at(&data, offset)?;
        *held += end.saturating_sub(old);
        self.written.fetch_add(count, SeqCst);
        for armed in self.faults.iter().filter(|armed| armed.concerns(&path)) {
            lock(&armed.state).written += count;
        }
        lock(&self.since_write).insert(ino.0, 0);
        let mut dirty = lock(&self.dirty);
        let runs = dirty.entry(ino.0).or_default();
        match runs.last_mut() {
            Some(last) if last.1 == offset => last.1 = end,
            _ => runs.push((offset, end)),
        }
        drop((dirty, held, power));
        if let Some(due) = self.write_pace.book(arrived, count) {
            self.pause(due, Some(&self.write_pace))?;
        }
        Ok(u32::try_from(count).unwrap_or(u32::MAX))
    }

    fn resize(&self, ino: INodeNo, path: &Path, handle: Option<FileHandle>, to: u64) -> Res<()> {
        let file = match handle {
            Some(handle) => self.handle(handle)?,
            None => Arc::new(OpenOptions::new().write(true).open(self.full(path))?),
        };
        let mut held = lock(&self.held);
        let old = file.metadata()?.len();
        let grown = held.saturating_sub(old) + to;
        if self.options.capacity > 0 && to > old && grown > self.options.capacity {
            self.full.fetch_add(1, SeqCst);
            return Err(Errno::ENOSPC);
        }
        file.set_len(to)?;
        *held = grown;
        lock(&self.since_write).insert(ino.0, 0);
        Ok(())
    }

    /// Its number is not used again, so nothing can be mistaken for it.
    fn unlinked(&self, path: &Path) {
        let ino = lock(&self.names).numbers.remove(path);
        if let Some(ino) = ino {
            lock(&self.dirty).remove(&ino);
        }
    }
    fn remove(&self, op: &str, parent: INodeNo, name: &OsStr) -> Res<()> {
        let path = self.child(parent, name)?;
        let _power = self.enter(op, &[&path])?;
        let full = self.full(&path);
        let meta = fs::symlink_metadata(&full)?;
        if op == "rmdir" {
            fs::remove_dir(&full)?;
        } else {
            fs::remove_file(&full)?;
        }
        if meta.is_file() {
            let mut held = lock(&self.held);
            *held = held.saturating_sub(meta.len());
        }
        self.unlinked(&path);
        Ok(())
    }

    fn rename(&self, from: PathBuf, to: PathBuf, flags: RenameFlags) -> Res<()> {
        let _power = self.enter("rename", &[&from, &to])?;
        let old = fs::symlink_metadata(self.full(&to))
            .ok()
            .filter(fs::Metadata::is_file);
        let keep = self.options.cut_undoes_renames && old.is_some();
        let replaced = if keep {
            Some(fs::read(self.full(&to))?)
        } else {
            None
        };
        let flags = match flags.bits() {
            libc::RENAME_NOREPLACE if self.options.only_plain_rename => return Err(Errno::EINVAL),
            0 => rustix::fs::RenameFlags::empty(),
            libc::RENAME_NOREPLACE => rustix::fs::RenameFlags::NOREPLACE,
            _ => return Err(Errno::EINVAL),
        };
        rustix::fs::renameat_with(CWD, self.full(&from), CWD, self.full(&to), flags)
            .map_err(errno)?;
        if let Some(old) = old {
            let mut held = lock(&self.held);
            *held = held.saturating_sub(old.len());
        }
        let gone = lock(&self.names).moved(&from, &to);
        if let Some(ino) = gone {
            lock(&self.dirty).remove(&ino);
        }
        if self.options.cut_empties_renamed {
            let ino = lock(&self.names).number(&to);
            lock(&self.unsized_files).insert(ino);
        }
        lock(&self.renames).push(Renamed { from, to, replaced });
        Ok(())
    }

    fn listing(&self, ino: INodeNo, handle: FileHandle, fresh: bool) -> Res<Listing> {
        let path = self.path(ino)?;
        let _power = self.enter("readdir", &[&path])?;
        // A reader that deletes while it lists must not have the rest shift under it.
        if !fresh && let Some(listing) = lock(&self.listings).get(&handle.0) {
            return Ok(listing.clone());
        }
        let mut entries = Vec::new();
        for entry in fs::read_dir(self.full(&path))? {
            let entry = entry?;
            let kind = FileType::from_std(entry.file_type()?).unwrap_or(FileType::RegularFile);
            entries.push((entry.file_name(), kind));
        }
        entries.sort_by(|a, b| a.0.cmp(&b.0));
        for dots in ["..", "."] {
            entries.insert(0, (dots.into(), FileType::Directory));
        }
        let listing = Arc::new(entries);
        lock(&self.listings).insert(handle.0, listing.clone());
        Ok(listing)
    }

    fn power_cut(&self) -> io::Result<()> {
        let _off = self.power.write().unwrap_or_else(PoisonError::into_inner);
        self.cut.store(true, SeqCst);
        for (ino, runs) in lock(&self.dirty).drain() {
            let Some(path) = lock(&self.names).linked(ino).cloned() else {
                continue;
            };
            let file = OpenOptions::new().write(true).open(self.full(&path))?;
            let meta = file.metadata()?;
            for (from, to) in runs {
                let len = to.min(meta.len()).saturating_sub(from);
                file.write_all_at(&vec![0; usize::try_from(len).unwrap_or(0)], from)?;
            }
            // Sizes and times are in the journal; only the contents never arrived.
            file.set_modified(meta.modified()?)?;
        }
        let renames = std::mem::take(&mut *lock(&self.renames));
        for renamed in renames
            .iter()
            .rev()
            .filter(|_| self.options.cut_undoes_renames)
        {
            fs::rename(self.full(&renamed.to), self.full(&renamed.from))?;
            if let Some(replaced) = &renamed.replaced {
                fs::write(self.full(&renamed.to), replaced)?;
            }
        }
        for ino in lock(&self.unsized_files).drain() {
            let path = lock(&self.names).linked(ino).map(|path| self.full(path));
            // Not there: its rename was undone.
            if let Some(path) = path.filter(|path| path.is_file()) {
                OpenOptions::new().write(true).open(path)?.set_len(0)?;
            }
        }
        Ok(())
    }
}

// --------------------------------------------------------------------------- what the kernel asks

struct Passthrough(Arc<Device>);

macro_rules! tri {
    ($reply:ident, $result:expr) => {
        match $result {
            Ok(value) => value,
            Err(error) => return $reply.error(error.into()),
        }
    };
}

impl Filesystem for Passthrough {
    fn init(&mut self, _: &Request, config: &mut KernelConfig) -> io::Result<()> {
        let refused = |_| io::Error::from(io::ErrorKind::Unsupported);
        config
            .add_capabilities(InitFlags::FUSE_PARALLEL_DIROPS)
            .map_err(refused)?;
        // What the kernel does not grant is only slower.
        let _granted = (config.set_max_write(1 << 20), config.set_max_background(64));
        Ok(())
    }
    fn lookup(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEntry) {
        let path = tri!(reply, self.0.child(parent, name));
        let _power = tri!(reply, self.0.enter("lookup", &[&path]));
        let attr = tri!(reply, self.0.entry(&path));
        reply.entry(&self.0.options.remembered, &attr, Generation(0));
    }
    fn getattr(&self, _: &Request, ino: INodeNo, _: Option<FileHandle>, reply: ReplyAttr) {
        let path = tri!(reply, self.0.path(ino));
        let _power = tri!(reply, self.0.enter("getattr", &[&path]));
        let attr = tri!(reply, self.0.stat(ino, &path));
        reply.attr(&self.0.options.remembered, &attr);
    }
    fn setattr(
        &self,
        _: &Request,
        ino: INodeNo,
        mode: Option<u32>,
        uid: Option<u32>,
        gid: Option<u32>,
        size: Option<u64>,
        atime: Option<TimeOrNow>,
        mtime: Option<TimeOrNow>,
        _: Option<SystemTime>,
        handle: Option<FileHandle>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<BsdFileFlags>,
        reply: ReplyAttr,
    ) {
        let path = tri!(reply, self.0.path(ino));
        let _power = tri!(reply, self.0.enter("setattr", &[&path]));
        let full = self.0.full(&path);
        if let Some(size) = size {
            tri!(reply, self.0.resize(ino, &path, handle, size));
        }
        if let Some(mode) = mode {
            let mode = Permissions::from_mode(mode & 0o7777);
            tri!(reply, fs::set_permissions(&full, mode));
        }
        if uid.is_some() || gid.is_some() {
            tri!(reply, std::os::unix::fs::lchown(&full, uid, gid));
        }
        if atime.is_some() || mtime.is_some() {
            let times = Timestamps {
                last_access: timespec(atime),
                last_modification: timespec(mtime),
            };
            let set = rustix::fs::utimensat(CWD, &full, &times, AtFlags::SYMLINK_NOFOLLOW);
            tri!(reply, set.map_err(errno));
        }
        let attr = tri!(reply, self.0.stat(ino, &path));
        reply.attr(&self.0.options.remembered, &attr);
    }
    fn readlink(&self, _: &Request, ino: INodeNo, reply: ReplyData) {
        let path = tri!(reply, self.0.path(ino));
        let _power = tri!(reply, self.0.enter("readlink", &[&path]));
        let target = tri!(reply, fs::read_link(self.0.full(&path)));
        reply.data(target.as_os_str().as_bytes());
    }
    fn mkdir(
        &self,
        _: &Request,
        parent: INodeNo,
        name: &OsStr,
        mode: u32,
        umask: u32,
        reply: ReplyEntry,
    ) {
        let path = tri!(reply, self.0.child(parent, name));
        let _power = tri!(reply, self.0.enter("mkdir", &[&path]));
        let full = self.0.full(&path);
        tri!(reply, fs::create_dir(&full));
        tri!(
            reply,
            fs::set_permissions(full, Permissions::from_mode(mode & !umask & 0o7777))
        );
        let attr = tri!(reply, self.0.entry(&path));
        reply.entry(&self.0.options.remembered, &attr, Generation(0));
    }
    fn unlink(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        tri!(reply, self.0.remove("unlink", parent, name));
        reply.ok();
    }
    fn rmdir(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        tri!(reply, self.0.remove("rmdir", parent, name));
        reply.ok();
    }
    fn rename(
        &self,
        _: &Request,
        parent: INodeNo,
        name: &OsStr,
        to_parent: INodeNo,
        to_name: &OsStr,
        flags: RenameFlags,
        reply: ReplyEmpty,
    ) {
        let from = tri!(reply, self.0.child(parent, name));
        let to = tri!(reply, self.0.child(to_parent, to_name));
        tri!(reply, self.0.rename(from, to, flags));
        reply.ok();
    }
    fn open(&self, _: &Request, ino: INodeNo, flags: OpenFlags, reply: ReplyOpen) {
        let path = tri!(reply, self.0.path(ino));
        let _power = tri!(reply, self.0.enter("open", &[&path]));
        let (handle, flags) = tri!(reply, self.0.opened(&path, flags.0 & libc::O_ACCMODE, 0));
        reply.opened(handle, flags);
    }
    fn create(
        &self,
        _: &Request,
        parent: INodeNo,
        name: &OsStr,
        mode: u32,
        umask: u32,
        flags: i32,
        reply: ReplyCreate,
    ) {
        let path = tri!(reply, self.0.child(parent, name));
        let _power = tri!(reply, self.0.enter("create", &[&path]));
        let flags = flags | libc::O_CREAT;
        let (handle, flags) = tri!(reply, self.0.opened(&path, flags, mode & !umask));
        let attr = tri!(reply, self.0.entry(&path));
        reply.created(
            &self.0.options.remembered,
            &attr,
            Generation(0),
            handle,
            flags,
        );
    }
    fn read(
        &self,
        _: &Request,
        ino: INodeNo,
        handle: FileHandle,
        offset: u64,
        size: u32,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyData,
    ) {
        let data = tri!(reply, self.0.read(ino, handle, offset, size));
        reply.data(&data);
    }
    fn write(
        &self,
        _: &Request,
        ino: INodeNo,
        handle: FileHandle,
        offset: u64,
        data: &[u8],
        _: WriteFlags,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyWrite,
    ) {
        let written = tri!(reply, self.0.write(ino, handle, offset, data));
        reply.written(written);
    }
    fn flush(&self, _: &Request, ino: INodeNo, _: FileHandle, _: LockOwner, reply: ReplyEmpty) {
        let path = tri!(reply, self.0.path(ino));
        drop(tri!(reply, self.0.enter("flush", &[&path])));
        reply.ok();
    }
    fn release(
        &self,
        _: &Request,
        _: INodeNo,
        handle: FileHandle,
        _: OpenFlags,
        _: Option<LockOwner>,
        _: bool,
        reply: ReplyEmpty,
    ) {
        lock(&self.0.open).remove(&handle.0);
        reply.ok();
    }
    fn fsync(&self, _: &Request, ino: INodeNo, _: FileHandle, _: bool, reply: ReplyEmpty) {
        let path = tri!(reply, self.0.path(ino));
        let _power = tri!(reply, self.0.enter("fsync", &[&path]));
        lock(&self.0.dirty).remove(&ino.0);
        lock(&self.0.unsized_files).remove(&ino.0);
        reply.ok();
    }
    fn opendir(&self, _: &Request, _: INodeNo, _: OpenFlags, reply: ReplyOpen) {
        tri!(reply, self.0.alive());
        let handle = self.0.next_handle.fetch_add(1, SeqCst);
        reply.opened(FileHandle(handle), FopenFlags::empty());
    }
    fn readdir(
        &self,
        _: &Request,
        ino: INodeNo,
        handle: FileHandle,
        offset: u64,
        mut reply: ReplyDirectory,
    ) {
        let listing = tri!(reply, self.0.listing(ino, handle, offset == 0));
        let path = tri!(reply, self.0.path(ino));
        for (next, (name, kind)) in (1..).zip(listing.iter()) {
            if next <= offset {
                continue;
            }
            let dots = name == "." || name == "..";
            let number = if dots {
                ino.0
            } else {
                lock(&self.0.names).number(&path.join(name))
            };
            if reply.add(INodeNo(number), next, *kind, name) {
                break;
            }
        }
        reply.ok();
    }
    fn releasedir(
        &self,
        _: &Request,
        _: INodeNo,
        handle: FileHandle,
        _: OpenFlags,
        reply: ReplyEmpty,
    ) {
        lock(&self.0.listings).remove(&handle.0);
        reply.ok();
    }
    fn fsyncdir(&self, _: &Request, ino: INodeNo, _: FileHandle, _: bool, reply: ReplyEmpty) {
        let path = tri!(reply, self.0.path(ino));
        let _power = tri!(reply, self.0.enter("fsyncdir", &[&path]));
        lock(&self.0.renames).retain(|renamed| renamed.to.parent() != Some(&path));
        reply.ok();
    }
    fn statfs(&self, _: &Request, ino: INodeNo, reply: ReplyStatfs) {
        let path = tri!(reply, self.0.path(ino));
        let _power = tri!(reply, self.0.enter("statfs", &[&path]));
        let stat = tri!(reply, rustix::fs::statvfs(&self.0.backing).map_err(errno));
        let cap = self.0.options.capacity;
        let (unit, all, free, avail) = if cap == 0 {
            let unit = u32::try_from(stat.f_frsize).unwrap_or(SECTOR);
            (unit, stat.f_blocks, stat.f_bfree, stat.f_bavail)
        } else {
            let sectors = |bytes| bytes / u64::from(SECTOR);
            let left = sectors(cap.saturating_sub(*lock(&self.0.held)));
            (SECTOR, sectors(cap), left, left)
        };
        reply.statfs(
            all,
            free,
            avail,
            stat.f_files,
            stat.f_ffree,
            unit,
            255,
            unit,
        );
    }
}

// -------------------------------------------------------------------------------------- the mount

/// Every device that is mounted, by its mount point.
static MOUNTED: Mutex<Vec<(PathBuf, std::sync::Weak<Device>)>> = Mutex::new(Vec::new());

/// The device that a path is on, and the path below its root.
fn device_of(path: &Path) -> Option<(Arc<Device>, PathBuf)> {
    lock(&MOUNTED).iter().rev().find_map(|(at, device)| {
        let below = path.strip_prefix(at).ok()?;
        Some((device.upgrade()?, below.to_path_buf()))
    })
}

/// Returns where what is at a path really lies: behind the mount that it is on, if it is on one.
pub(crate) fn backing_of(path: &Path) -> PathBuf {
    device_of(path).map_or_else(|| path.to_path_buf(), |(device, below)| device.full(&below))
}

/// Returns how often a bit was flipped on the way from the device that a path is on.
pub(crate) fn lies_told(path: &Path) -> usize {
    let Some((device, _)) = device_of(path) else {
        return 0;
    };
    let flips = |armed: &&Armed| matches!(armed.fault.kind, Kind::BitflipRead { .. });
    let told = device
        .faults
        .iter()
        .filter(flips)
        .map(|armed| lock(&armed.state).fired);
    usize::try_from(told.sum::<u64>()).unwrap_or(usize::MAX)
}

/// Returns what a power cut would do to a file now, if anything.
pub(crate) fn would_lose(path: &Path) -> Option<String> {
    let (device, below) = device_of(path)?;
    let ino = lock(&device.names).numbers.get(&below).copied();
    let is_in = |all: bool, what: &str| all.then(|| what.to_owned());
    let is_dirty = ino.is_some_and(|ino| lock(&device.dirty).contains_key(&ino));
    let is_unsized = ino.is_some_and(|ino| lock(&device.unsized_files).contains(&ino));
    let is_renamed = lock(&device.renames).iter().any(|r| r.to == below);
    is_in(is_dirty, "not flushed")
        .or_else(|| is_in(is_unsized, "empty"))
        .or_else(|| is_in(is_renamed, "not under this name"))
}

/// A mounted device. Dropping it unmounts.
pub(crate) struct Mount {
    device: Arc<Device>,
    session: Option<BackgroundSession>,
    mountpoint: PathBuf,
}

/// Why nothing can be mounted here, or `None` if it can. Found out by mounting something once.
pub(crate) fn unavailable() -> Option<String> {
    static REASON: OnceLock<Option<String>> = OnceLock::new();
    let probe = || -> io::Result<()> {
        OpenOptions::new()
            .read(true)
            .write(true)
            .open("/dev/fuse")?;
        let (backing, at) = (tempfile::tempdir()?, tempfile::tempdir()?);
        Mount::new(backing.path(), at.path(), Options::default()).map(drop)
    };
    REASON
        .get_or_init(|| probe().err().map(|e| format!("FUSE cannot be used: {e}")))
        .clone()
}

/// Whether the calling test should return at once. Says so; and under CI, where nobody would
/// read that, fails instead.
#[allow(
    clippy::panic,
    clippy::print_stderr,
    reason = "a skipped test must be seen"
)]
pub(crate) fn skip() -> bool {
    let Some(reason) = unavailable() else {
        return false;
    };
    assert!(
        std::env::var_os("CI").is_none(),
        "must not be skipped under CI: {reason}"
    );
    // Past the capture of the test harness, which would hide it.
    io::Write::write_fmt(&mut io::stderr(), format_args!("SKIPPED: {reason}\n")).unwrap();
    true
}

impl Mount {
    pub(crate) fn new(backing: &Path, mountpoint: &Path, options: Options) -> io::Result<Mount> {
        let backing = backing.canonicalize()?;
        let mountpoint = mountpoint.canonicalize()?;
        let faults = options.faults.iter();
        for fault in faults.clone() {
            if let Kind::OpError { op, .. } | Kind::Stall { op, .. } = fault.kind
                && !OPS.contains(&op)
            {
                return Err(io::Error::new(
                    io::ErrorKind::InvalidInput,
                    format!("no op {op}"),
                ));
            }
        }
        let arm = |fault: &Fault| Armed {
            fault: fault.clone(),
            state: Mutex::default(),
        };
        let device = Arc::new(Device {
            faults: faults.map(arm).collect(),
            read_pace: Pace::new(options.read_mbps),
            write_pace: Pace::new(options.write_mbps),
            names: Mutex::default(),
            open: Mutex::default(),
            listings: Mutex::default(),
            next_handle: AtomicU64::new(1),
            gone: AtomicI32::new(0),
            cut: AtomicBool::new(false),
            closing: AtomicBool::new(false),
            power: RwLock::default(),
            read: AtomicU64::new(0),
            written: AtomicU64::new(0),
            full: AtomicU64::new(0),
            held: Mutex::new(tree_size(&backing)),
            since_write: Mutex::default(),
            dirty: Mutex::default(),
            renames: Mutex::default(),
            unsized_files: Mutex::default(),
            notifier: OnceLock::new(),
            backing,
            options,
        });
        // The root has number 1 by definition.
        lock(&device.names).number(Path::new(""));
        let mut config = fuser::Config::default();
        config.mount_options = vec![
            MountOption::FSName(device.options.source.clone().unwrap_or("faulty".into())),
            MountOption::DefaultPermissions,
            if device.options.readonly {
                MountOption::RO
            } else {
                MountOption::RW
            },
        ];
        let subtype = device.options.subtype.clone();
        config
            .mount_options
            .extend(subtype.map(MountOption::Subtype));
        config.n_threads = Some(THREADS);
        config.clone_fd = true;
        let session = fuser::spawn_mount(Passthrough(device.clone()), &mountpoint, &config)?;
        device.notifier.get_or_init(|| session.notifier());
        let mut mounted = lock(&MOUNTED);
        mounted.retain(|(_, device)| device.strong_count() > 0);
        mounted.push((mountpoint.clone(), Arc::downgrade(&device)));
        drop(mounted);
        Ok(Mount {
            device,
            session: Some(session),
            mountpoint,
        })
    }
    pub(crate) fn path(&self) -> &Path {
        &self.mountpoint
    }
    /// How often faults of a kind really happened: a variant of [`Kind`] by its name,
    /// `OpError:fsync` for one operation, or `Capacity` for writes the capacity cut short.
    pub(crate) fn fired(&self, kind_name: &str) -> u64 {
        let (kind_name, wanted) = match kind_name.split_once(':') {
            Some((name, op)) => (name, Some(op)),
            None => (kind_name, None),
        };
        assert!(
            KINDS.contains(&kind_name),
            "no such kind of fault: {kind_name}"
        );
        match kind_name {
            "Capacity" => return self.device.full.load(SeqCst),
            "PowerCut" => return self.device.cut.load(SeqCst).into(),
            _ => {}
        }
        let meant = |armed: &&Armed| match (armed.fault.kind, wanted) {
            (Kind::OpError { op, .. }, Some(wanted)) if op != wanted => false,
            (kind, _) => kind.name() == kind_name,
        };
        self.device
            .faults
            .iter()
            .filter(meant)
            .map(|armed| lock(&armed.state).fired)
            .sum()
    }
    /// Everything fails with `errno` from now on, as when a card is pulled.
    pub(crate) fn vanish(&self, errno: i32) {
        self.device.vanish(errno);
    }
    /// The card is back. Not after a power cut.
    pub(crate) fn back(&self) {
        self.device.gone.store(0, SeqCst);
    }
    /// What was written and not fsynced since becomes zeros in the backing files, which keep
    /// their sizes and times; from then on everything fails with `EIO`.
    #[allow(
        clippy::expect_used,
        reason = "a cut that did not happen must fail the test"
    )]
    pub(crate) fn power_cut(&self) {
        self.device
            .power_cut()
            .expect("the backing folder must be writable");
    }
    /// Bytes the device gave to `read()`; what came from the page cache is not in it.
    pub(crate) fn bytes_read(&self) -> u64 {
        self.device.read.load(SeqCst)
    }
    /// The same for one file since it was last written to, under whatever name: a complete
    /// read-back has at least its size here.
    pub(crate) fn read_since_write(&self, rel: &str) -> u64 {
        let ino = lock(&self.device.names)
            .numbers
            .get(Path::new(rel))
            .copied();
        ino.and_then(|ino| lock(&self.device.since_write).get(&ino).copied())
            .unwrap_or(0)
    }
    pub(crate) fn set_write_mbps(&self, mbps: f64) {
        self.device.write_pace.set(mbps);
    }
    pub(crate) fn set_read_mbps(&self, mbps: f64) {
        self.device.read_pace.set(mbps);
    }

    /// From the kernel's table, because asking the mount itself could hang or fail.
    fn still_there(&self) -> bool {
        let escape = |byte: &u8| match byte {
            b' ' | b'\t' | b'\n' | b'\\' => format!("\\{byte:03o}").into_bytes(),
            _ => vec![*byte],
        };
        let name: Vec<u8> = self
            .mountpoint
            .as_os_str()
            .as_bytes()
            .iter()
            .flat_map(escape)
            .collect();
        let table = fs::read("/proc/self/mountinfo").unwrap_or_default();
        table
            .split(|byte| *byte == b'\n')
            .any(|line| line.split(|b| *b == b' ').nth(4) == Some(&name))
    }
}

/// Unmounts as far as the kernel lets it, and leaves the threads to be waited for.
fn let_go(session: BackgroundSession) -> JoinHandle<io::Result<()>> {
    session.guard
}

impl Drop for Mount {
    fn drop(&mut self) {
        let Some(session) = self.session.take() else {
            return;
        };
        self.device.closing.store(true, SeqCst);
        let guard = let_go(session);
        if self.still_there() {
            // Busy: some file is open, perhaps only in a child between fork and exec.
            for (tool, flags) in [("umount", "-l"), ("fusermount3", "-uz")] {
                let mut command = Command::new(tool);
                command
                    .arg(flags)
                    .arg(&self.mountpoint)
                    .stdout(Stdio::null());
                if command
                    .stderr(Stdio::null())
                    .status()
                    .is_ok_and(|status| status.success())
                {
                    break;
                }
            }
            return;
        }
        let deadline = Instant::now() + Duration::from_secs(2);
        while !guard.is_finished() && Instant::now() < deadline {
            thread::sleep(Duration::from_millis(1));
        }
    }
}

// ------------------------------------------------------------------------------------- self tests

const BOTH: [Cache; 2] = [Cache::None, Cache::Through];
const DATA: usize = 300_000;

struct Rig {
    mount: Mount,
    backing: tempfile::TempDir,
    at: tempfile::TempDir,
}

impl Rig {
    fn new(options: Options) -> Rig {
        let (backing, at) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        fs::write(backing.path().join("a.MOV"), data()).unwrap();
        fs::write(backing.path().join("b.JPG"), data()).unwrap();
        let mount = Mount::new(backing.path(), at.path(), options).unwrap();
        Rig { mount, backing, at }
    }
    fn faulty(cache: Cache, faults: &[Fault]) -> Rig {
        Rig::new(Options {
            cache,
            faults: faults.to_vec(),
            ..Options::default()
        })
    }
    fn there(&self, name: &str) -> PathBuf {
        self.at.path().join(name)
    }
    fn behind(&self, name: &str) -> PathBuf {
        self.backing.path().join(name)
    }
}

/// Anything that does not repeat at a block size.
fn data() -> Vec<u8> {
    (0..DATA).map(|n| u8::try_from(n % 251).unwrap()).collect()
}

fn code<T>(result: io::Result<T>) -> Option<i32> {
    result.err().and_then(|e| e.raw_os_error())
}

fn no_replace(from: &Path, to: &Path) -> Option<i32> {
    let flags = rustix::fs::RenameFlags::NOREPLACE;
    code(rustix::fs::renameat_with(CWD, from, CWD, to, flags).map_err(io::Error::from))
}

/// Reads past the page cache, if the mount has one.
fn read_direct(path: &Path) -> Vec<u8> {
    let file = OpenOptions::new()
        .read(true)
        .custom_flags(libc::O_DIRECT)
        .open(path)
        .unwrap();
    let mut room = vec![0; DATA + 2 * 4096];
    let start = room.as_ptr().align_offset(4096);
    let len = DATA.next_multiple_of(4096);
    let got = file.read_at(&mut room[start..start + len], 0).unwrap();
    room[start..start + got].to_vec()
}

#[test]
fn a_tree_passes_through() {
    if skip() {
        return;
    }
    for cache in BOTH {
        let rig = Rig::faulty(cache, &[]);
        std::os::unix::fs::symlink("a.MOV", rig.behind("link")).unwrap();
        fs::create_dir_all(rig.behind("empty/.hidden")).unwrap();
        assert_eq!(
            fs::read_link(rig.there("link")).unwrap(),
            Path::new("a.MOV")
        );
        assert!(fs::read(rig.there("link")).unwrap() == data());
        assert_eq!(fs::read_dir(rig.there("empty/.hidden")).unwrap().count(), 0);
        fs::create_dir(rig.there("d")).unwrap();
        for n in 0..100 {
            fs::write(rig.there(&format!("d/.{n}-{}", "x".repeat(200))), "x").unwrap();
        }
        assert_eq!(fs::read_dir(rig.there("d")).unwrap().count(), 100);
        let mut open = OpenOptions::new();
        open.write(true).create_new(true);
        let file = open.open(rig.there("d/new")).unwrap();
        assert_eq!(code(open.open(rig.there("d/new"))), Some(libc::EEXIST));
        file.write_all_at(&data(), 0).unwrap();
        file.set_len(70_000).unwrap();
        let time = UNIX_EPOCH + Duration::new(1_000_000_001, 123_456_789);
        file.set_modified(time).unwrap();
        file.sync_all().unwrap();
        File::open(rig.there("d")).unwrap().sync_all().unwrap();
        for path in [rig.there("d/new"), rig.behind("d/new")] {
            assert!(fs::read(&path).unwrap() == data()[..70_000]);
            assert_eq!(fs::metadata(&path).unwrap().modified().unwrap(), time);
        }
        assert_eq!(
            no_replace(&rig.there("d/new"), &rig.there("b.JPG")),
            Some(libc::EEXIST)
        );
        assert_eq!(no_replace(&rig.there("d/new"), &rig.there("c")), None);
        assert_eq!(fs::read(rig.there("c")).unwrap().len(), 70_000);
        fs::rename(rig.there("d"), rig.there("e")).unwrap();
        assert_eq!(fs::read_dir(rig.there("e")).unwrap().count(), 100);
        fs::rename(rig.there("c"), rig.there("b.JPG")).unwrap();
        assert_eq!(fs::read(rig.behind("b.JPG")).unwrap().len(), 70_000);
        fs::remove_file(rig.there("b.JPG")).unwrap();
        assert_eq!(file.metadata().unwrap().len(), 70_000, "deleted, but open");
        drop(file);
        assert_eq!(code(fs::remove_dir(rig.there("e"))), Some(libc::ENOTEMPTY));
        fs::remove_dir_all(rig.there("e")).unwrap();
        assert!(!rig.behind("e").exists());
    }
}

#[test]
fn only_reads_that_reach_the_device_count() {
    if skip() {
        return;
    }
    let all = u64::try_from(DATA).unwrap();
    for cache in BOTH {
        let rig = Rig::faulty(cache, &[]);
        fs::write(rig.there("new"), data()).unwrap();
        assert_eq!(rig.mount.read_since_write("new"), 0);
        assert!(fs::read(rig.there("new")).unwrap() == data());
        let cached = rig.mount.read_since_write("new");
        // The last page was not written to in full, so the kernel does not have it.
        assert!(
            if cache == Cache::None {
                cached == all
            } else {
                cached < 4096
            },
            "{cache:?}"
        );
        assert!(read_direct(&rig.there("new")) == data());
        assert_eq!(rig.mount.read_since_write("new"), cached + all);
        let file = File::open(rig.there("new")).unwrap();
        rustix::fs::fadvise(&file, 0, None, rustix::fs::Advice::DontNeed).unwrap();
        assert!(fs::read(rig.there("new")).unwrap() == data());
        assert!(
            rig.mount.read_since_write("new") >= cached + 2 * all,
            "{cache:?}"
        );
        assert_eq!(rig.mount.bytes_read(), rig.mount.read_since_write("new"));
        fs::rename(rig.there("new"), rig.there("newer")).unwrap();
        assert!(rig.mount.read_since_write("newer") >= cached + 2 * all);
        let mut direct = OpenOptions::new();
        let direct = direct
            .write(true)
            .custom_flags(libc::O_DIRECT)
            .open(rig.there("newer"));
        let room = vec![7; 3 * 4096];
        let start = room.as_ptr().align_offset(4096);
        direct
            .unwrap()
            .write_all_at(&room[start..start + 4096], 4096)
            .unwrap();
        assert_eq!(rig.mount.read_since_write("newer"), 0);
        assert_eq!(fs::read(rig.there("newer")).unwrap()[4096..8192], [7; 4096]);
    }
}

#[test]
fn reading_goes_wrong() {
    if skip() {
        return;
    }
    for cache in BOTH {
        let rig = Rig::faulty(
            cache,
            &[
                Fault::new(Kind::ReadError {
                    off: 150_000,
                    len: 1,
                    errno: libc::EIO,
                })
                .path("*a.MOV"),
                Fault::new(Kind::EarlyEof { off: 200_001 }).path("c"),
                Fault::new(Kind::BitflipRead {
                    off: 100_000,
                    bit: 3,
                })
                .path("b.*")
                .times(1),
            ],
        );
        fs::write(rig.behind("c"), data()).unwrap();
        assert_eq!(code(fs::read(rig.there("a.MOV"))), Some(libc::EIO));
        assert!(rig.mount.fired("ReadError") >= 1);
        let mut wrong = data();
        wrong[100_000] ^= 8;
        assert!(fs::read(rig.there("b.JPG")).unwrap() == wrong);
        assert_eq!(rig.mount.fired("BitflipRead"), 1);
        assert!(read_direct(&rig.there("b.JPG")) == data());
        let short = fs::read(rig.there("c")).unwrap();
        // Through the cache the kernel decides whether it believes the size or the short answer.
        assert!(cache == Cache::Through || short == data()[..200_001]);
        assert!(rig.mount.fired("EarlyEof") >= 1);
    }
}

#[test]
fn a_file_changes_while_it_is_read() {
    if skip() {
        return;
    }
    let actions = [
        Action::Append,
        Action::Truncate,
        Action::Touch,
        Action::Delete,
    ];
    for cache in BOTH {
        let fault = |action: Action| {
            Fault::new(Kind::Mutate {
                after: 200_000,
                action,
            })
            .path(&format!("{action:?}*"))
        };
        let rig = Rig::faulty(cache, &actions.map(fault));
        for (fired, action) in (0..).zip(actions) {
            let path = rig.there(&format!("{action:?}.MOV"));
            fs::write(rig.behind(&format!("{action:?}.MOV")), data()).unwrap();
            let before = fs::metadata(&path).unwrap();
            let file = File::open(&path).unwrap();
            file.read_exact_at(&mut [0; 1000], 0).unwrap();
            assert_eq!(rig.mount.fired("Mutate"), fired);
            // May come short: what is read ahead is cut off as well.
            drop(file.read_at(&mut vec![0; 250_000], 0));
            let after = fs::metadata(&path);
            match action {
                Action::Append => assert_eq!(after.unwrap().len(), before.len() + 4096),
                Action::Truncate => assert_eq!(after.unwrap().len(), before.len() / 2),
                Action::Touch => assert_eq!(after.unwrap().mtime(), before.mtime() + 2),
                Action::Delete => assert_eq!(code(after), Some(libc::ENOENT)),
            }
            drop(fs::read(&path));
            assert_eq!(rig.mount.fired("Mutate"), fired + 1, "{cache:?} {action:?}");
        }
    }
}

#[test]
fn writing_goes_wrong() {
    if skip() {
        return;
    }
    for cache in BOTH {
        let rig = Rig::faulty(
            cache,
            &[
                Fault::new(Kind::WriteError {
                    off: 200_000,
                    len: 10,
                    errno: libc::EIO,
                })
                .path("bad"),
                Fault::new(Kind::BitflipWrite { off: 5, bit: 0 }).path("flip"),
                Fault::new(Kind::DropWrite {
                    off: 1000,
                    len: 100_000,
                })
                .path("drop"),
                Fault::new(Kind::DropWrite { off: 1000, len: 10 })
                    .path("a.MOV")
                    .skip(1),
            ],
        );
        assert_eq!(code(fs::write(rig.there("bad"), data())), Some(libc::EIO));
        assert_eq!(rig.mount.fired("WriteError"), 1);
        for name in ["flip", "drop"] {
            fs::write(rig.there(name), data()).unwrap();
        }
        assert_eq!(rig.mount.fired("BitflipWrite"), 1);
        let mut wrong = data();
        wrong[5] ^= 1;
        assert!(read_direct(&rig.there("flip")) == wrong);
        wrong = data();
        wrong[1000..101_000].fill(0);
        assert!(fs::read(rig.behind("drop")).unwrap() == wrong);
        // A cache hides it, which is why a read-back must not use one.
        let told = fs::read(rig.there("drop")).unwrap();
        assert_eq!(told == data(), cache == Cache::Through);
        let dropped = rig.mount.fired("DropWrite");
        let file = OpenOptions::new()
            .write(true)
            .open(rig.there("a.MOV"))
            .unwrap();
        file.write_all_at(&[1; 10], 1000).unwrap();
        file.write_all_at(&[2; 10], 1000).unwrap();
        assert_eq!(fs::read(rig.behind("a.MOV")).unwrap()[1000..1010], [1; 10]);
        assert_eq!(rig.mount.fired("DropWrite"), dropped + 1);
    }
}

#[test]
fn every_operation_can_fail() {
    if skip() {
        return;
    }
    // Each has a file, folder or link of its own name to fail on.
    let fault = |op: &&'static str| {
        let errno = libc::EREMOTEIO;
        Fault::new(Kind::OpError { op, errno }).path(op).times(1)
    };
    let rig = Rig::faulty(Cache::None, &OPS.iter().map(fault).collect::<Vec<_>>());
    for op in OPS {
        match op {
            "create" | "mkdir" => {}
            "rmdir" | "readdir" | "fsyncdir" => fs::create_dir(rig.behind(op)).unwrap(),
            "readlink" => std::os::unix::fs::symlink("a.MOV", rig.behind(op)).unwrap(),
            _ => fs::write(rig.behind(op), op).unwrap(),
        }
        let at = rig.there(op);
        let closed = std::cell::Cell::new(false);
        let attempt = || match op {
            "open" => code(File::open(&at)),
            "create" => code(File::create(&at)),
            "mkdir" => code(fs::create_dir(&at)),
            "rename" => code(fs::rename(&at, rig.there("renamed"))),
            "unlink" => code(fs::remove_file(&at)),
            "rmdir" => code(fs::remove_dir(&at)),
            "setattr" => code(fs::set_permissions(&at, Permissions::from_mode(0o600))),
            "getattr" | "lookup" => code(fs::metadata(&at)),
            "readdir" => code(fs::read_dir(&at).and_then(Iterator::collect::<io::Result<Vec<_>>>)),
            "readlink" => code(fs::read_link(&at)),
            "fsync" | "fsyncdir" => code(File::open(&at).unwrap().sync_all()),
            "statfs" => code(rustix::fs::statvfs(&at).map_err(io::Error::from)),
            // Nobody hears what close() says.
            _ => {
                drop(File::open(&at));
                (rig.mount.fired("OpError:flush") == 1 && !closed.replace(true))
                    .then_some(libc::EREMOTEIO)
            }
        };
        assert_eq!(attempt(), Some(libc::EREMOTEIO), "{op}");
        assert_eq!(attempt(), None, "{op}");
        assert_eq!(rig.mount.fired(&format!("OpError:{op}")), 1, "{op}");
    }
    assert_eq!(rig.mount.fired("OpError"), 15);
    let faults = vec![Fault::new(Kind::OpError {
        op: "opne",
        errno: libc::EIO,
    })];
    let (backing, at) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let options = Options {
        faults,
        ..Options::default()
    };
    assert!(Mount::new(backing.path(), at.path(), options).is_err());
}

#[test]
fn space_runs_out() {
    if skip() {
        return;
    }
    for cache in BOTH {
        let full = Fault::new(Kind::NoSpaceAfter { bytes: 100_000 }).path("*.MP4");
        let options = Options {
            cache,
            capacity: 1 << 20,
            faults: vec![full],
            ..Options::default()
        };
        let rig = Rig::new(options);
        let free = || {
            let stat = rustix::fs::statvfs(rig.at.path()).unwrap();
            assert_eq!(stat.f_blocks * stat.f_frsize, 1 << 20);
            stat.f_bavail * stat.f_frsize
        };
        let start = free();
        assert_eq!(start, ((1 << 20) - 2 * 300_000) / 512 * 512);
        assert_eq!(
            code(fs::write(rig.there("a.MP4"), data())),
            Some(libc::ENOSPC)
        );
        assert_eq!(fs::metadata(rig.behind("a.MP4")).unwrap().len(), 100_000);
        assert!(rig.mount.fired("NoSpaceAfter") >= 1);
        fs::remove_file(rig.there("a.MP4")).unwrap();
        assert_eq!(free(), start);
        fs::write(rig.there("c"), data()).unwrap();
        fs::rename(rig.there("c"), rig.there("b.JPG")).unwrap();
        assert_eq!(free(), start);
        assert_eq!(rig.mount.fired("Capacity"), 0);
        assert_eq!(
            code(fs::write(rig.there("c"), vec![1; 1 << 20])),
            Some(libc::ENOSPC)
        );
        assert_eq!(free(), 0);
        let file = OpenOptions::new().write(true).open(rig.there("c")).unwrap();
        assert_eq!(code(file.set_len(1 << 20)), Some(libc::ENOSPC));
        assert!(rig.mount.fired("Capacity") >= 2);
        file.set_len(0).unwrap();
        assert_eq!(free(), start);
    }
}

#[test]
fn it_can_be_read_only_and_blind_to_case() {
    if skip() {
        return;
    }
    let rig = Rig::new(Options {
        readonly: true,
        ..Options::default()
    });
    assert_eq!(code(fs::write(rig.there("c"), "")), Some(libc::EROFS));
    assert_eq!(code(fs::remove_file(rig.there("a.MOV"))), Some(libc::EROFS));
    assert!(fs::read(rig.there("a.MOV")).unwrap() == data());
    let rig = Rig::new(Options {
        nocase: true,
        ..Options::default()
    });
    assert!(fs::read(rig.there("A.mov")).unwrap() == data());
    let taken = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(rig.there("A.mOV"));
    assert_eq!(code(taken), Some(libc::EEXIST));
    assert_eq!(
        no_replace(&rig.there("b.JPG"), &rig.there("A.Mov")),
        Some(libc::EEXIST)
    );
    fs::write(rig.there("A.mov"), "short").unwrap();
    assert_eq!(fs::read(rig.behind("a.MOV")).unwrap(), b"short");
}

#[test]
fn a_stalled_read_stops_nobody_else() {
    if skip() {
        return;
    }
    for cache in BOTH {
        let stall = |off, ms| Fault::new(Kind::StallRead { off, ms }).times(1);
        let faults = [stall(0, 60_000).path("a.MOV"), stall(250_000, 30).path("c")];
        let rig = Rig::faulty(cache, &faults);
        thread::scope(|scope| {
            let stalled = scope.spawn(|| code(fs::read(rig.there("a.MOV"))));
            while rig.mount.fired("StallRead") == 0 {
                thread::yield_now();
            }
            assert!(fs::read(rig.there("b.JPG")).unwrap() == data());
            fs::write(rig.there("c"), data()).unwrap();
            let start = Instant::now();
            assert!(read_direct(&rig.there("c")) == data());
            assert!(start.elapsed() >= Duration::from_millis(30));
            assert!(!stalled.is_finished());
            // Who pulls the card need not wait for the stall to end.
            rig.mount.vanish(libc::ENODEV);
            assert!(stalled.join().unwrap().is_some(), "{cache:?}");
        });
        assert_eq!(rig.mount.fired("StallRead"), 2);
    }
}

#[test]
fn it_vanishes_and_comes_back() {
    if skip() {
        return;
    }
    for cache in BOTH {
        let after = |direction, bytes| {
            Fault::new(Kind::VanishAfter {
                direction,
                bytes,
                errno: libc::ENODEV,
            })
        };
        let rig = Rig::faulty(
            cache,
            &[
                after(Direction::Read, 400_000),
                after(Direction::Write, 400_000),
            ],
        );
        assert!(fs::read(rig.there("a.MOV")).unwrap() == data());
        assert_eq!(code(fs::read(rig.there("b.JPG"))), Some(libc::ENODEV));
        assert!(rig.mount.bytes_read() <= 400_000);
        assert_eq!(rig.mount.fired("VanishAfter"), 1);
        for result in [
            code(fs::metadata(rig.there("a.MOV"))),
            code(fs::write(rig.there("c"), "c")),
        ] {
            assert_eq!(result, Some(libc::ENODEV));
        }
        rig.mount.back();
        assert!(fs::read(rig.there("b.JPG")).unwrap() == data());
        fs::write(rig.there("c"), data()).unwrap();
        assert_eq!(code(fs::write(rig.there("d"), data())), Some(libc::ENODEV));
        assert_eq!(rig.mount.fired("VanishAfter"), 2);
        rig.mount.back();
        let file = File::open(rig.there("c")).unwrap();
        rig.mount.vanish(libc::EIO);
        assert_eq!(code(file.sync_all()), Some(libc::EIO));
        assert_eq!(code(fs::read_dir(rig.at.path())), Some(libc::EIO));
    }
}

#[test]
fn a_power_cut_loses_what_was_not_synced() {
    if skip() {
        return;
    }
    for (cache, undo) in [
        (Cache::None, true),
        (Cache::Through, true),
        (Cache::Through, false),
    ] {
        let rig = Rig::new(Options {
            cache,
            cut_undoes_renames: undo,
            ..Options::default()
        });
        let file = File::create(rig.there("c")).unwrap();
        file.write_all_at(&[1; 1000], 0).unwrap();
        file.sync_data().unwrap();
        file.write_all_at(&[2; 1000], 500).unwrap();
        fs::create_dir(rig.there("d")).unwrap();
        fs::rename(rig.there("a.MOV"), rig.there("d/a.MOV")).unwrap();
        File::open(rig.there("d")).unwrap().sync_all().unwrap();
        fs::write(rig.there("b.new"), "new").unwrap();
        File::open(rig.there("b.new")).unwrap().sync_all().unwrap();
        fs::rename(rig.there("b.new"), rig.there("b.JPG")).unwrap();
        let time = fs::metadata(rig.behind("c")).unwrap().modified().unwrap();
        rig.mount.power_cut();
        assert_eq!(rig.mount.fired("PowerCut"), 1);
        assert_eq!(code(file.sync_all()), Some(libc::EIO));
        rig.mount.back();
        assert_eq!(code(fs::metadata(rig.there("c"))), Some(libc::EIO));
        let left = fs::read(rig.behind("c")).unwrap();
        assert_eq!(left, [vec![1; 500], vec![0; 1000]].concat());
        assert_eq!(
            fs::metadata(rig.behind("c")).unwrap().modified().unwrap(),
            time
        );
        assert!(fs::read(rig.behind("d/a.MOV")).unwrap() == data());
        assert_eq!(rig.behind("b.new").exists(), undo);
        let old = fs::read(rig.behind("b.JPG")).unwrap();
        assert_eq!(old, if undo { data() } else { b"new".to_vec() });
    }
}

#[test]
fn rates_are_kept_and_can_change() {
    if skip() {
        return;
    }
    for cache in BOTH {
        let options = Options {
            cache,
            write_mbps: 6.0,
            ..Options::default()
        };
        let rig = Rig::new(Options {
            read_mbps: 6.0,
            ..options
        });
        let took = |what: &dyn Fn()| {
            let start = Instant::now();
            what();
            start.elapsed()
        };
        let write = || fs::write(rig.there("c"), data()).unwrap();
        let read = || assert!(read_direct(&rig.there("a.MOV")) == data());
        // Only the lower bound is the device's; the machine may be busy.
        for time in [took(&write), took(&read)] {
            assert!(time >= Duration::from_millis(39), "{cache:?} {time:?}");
        }
        rig.mount.set_write_mbps(0.01);
        rig.mount.set_read_mbps(0.01);
        let time = took(&|| {
            thread::scope(|scope| {
                let both = (scope.spawn(write), scope.spawn(read));
                thread::sleep(Duration::from_millis(20));
                rig.mount.set_write_mbps(0.0);
                rig.mount.set_read_mbps(0.0);
                both.0.join().unwrap();
                both.1.join().unwrap();
            });
        });
        assert!(
            time < Duration::from_secs(15),
            "each would have taken 30: {time:?}"
        );
        assert!(fs::read(rig.behind("c")).unwrap() == data());
    }
}

#[test]
fn dropping_it_unmounts_even_when_busy() {
    if skip() {
        return;
    }
    for busy in [false, true] {
        let Rig { mount, backing, at } = Rig::new(Options::default());
        assert!(mount.still_there() && mount.path() == at.path().canonicalize().unwrap());
        let file = busy.then(|| File::open(at.path().join("a.MOV")).unwrap());
        let mountpoint = mount.mountpoint.clone();
        drop(mount);
        assert_eq!(
            fs::read_dir(&mountpoint).unwrap().count(),
            0,
            "busy: {busy}"
        );
        if let Some(file) = file {
            assert_eq!(file.metadata().unwrap().len(), u64::try_from(DATA).unwrap());
        }
        at.close().unwrap();
        backing.close().unwrap();
    }
}

#[test]
fn many_threads_may_use_it() {
    if skip() {
        return;
    }
    for cache in BOTH {
        let rig = Rig::new(Options {
            cache,
            capacity: 100_000_000,
            ..Options::default()
        });
        thread::scope(|scope| {
            for worker in 0..10 {
                let rig = &rig;
                scope.spawn(move || {
                    for round in 0..2 {
                        let part = rig.there(&format!("{worker}-{round}.part"));
                        fs::write(&part, data()).unwrap();
                        File::open(&part).unwrap().sync_all().unwrap();
                        assert!(read_direct(&part) == data());
                        assert_eq!(
                            no_replace(&part, &rig.there(&format!("{worker}-{round}"))),
                            None
                        );
                    }
                });
            }
        });
        let stat = rustix::fs::statvfs(rig.at.path()).unwrap();
        assert_eq!(stat.f_bavail, (100_000_000 - 22 * 300_000) / 512);
        assert_eq!(fs::read_dir(rig.backing.path()).unwrap().count(), 22);
    }
}
