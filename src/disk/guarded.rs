//! Owns the guard before a disk: it knows which calls run now, so that whoever is asked to stop can
//! say what does not answer; and it lets no look begin once the person wants to stop. It does no
//! I/O of its own.

use super::buffer::Chunk;
use super::hardware::DeviceInfo;
use super::{
    Anchor, Claim, Count, Disk, FolderFacts, Journal, MountedFolder, PartFile, ReadBackWay,
    Settling, Source, Stamp, Stat, TreeKind, WalkEntry,
};
use crate::error::Interruption;
use camino::{Utf8Path, Utf8PathBuf};
use std::cell::Cell;
use std::collections::BTreeSet;
use std::fmt::Debug;
use std::io;
use std::ops::Deref;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// A call that has not returned.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Call {
    /// Counts up from the program's start; no two calls have the same. A listing gets another one
    /// at every entry.
    pub number: u64,
    /// What it is about.
    pub path: Arc<Utf8Path>,
    /// It changes a drive, or makes a change durable.
    pub writes: bool,
}

/// The calls that run now.
#[derive(Debug, Default)]
pub struct Calls {
    state: Mutex<CallTable>,
}

#[derive(Debug, Default)]
struct CallTable {
    begun: u64,
    running: Vec<Call>,
}

impl Calls {
    fn lock(&self) -> MutexGuard<'_, CallTable> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Returns how many calls were begun until now, and those that run, the oldest first.
    pub fn now(&self) -> (u64, Vec<Call>) {
        let state = self.lock();
        let mut running = state.running.clone();
        running.sort_unstable_by_key(|call| call.number);
        (state.begun, running)
    }

    fn begin(self: &Arc<Self>, path: &Arc<Utf8Path>, writes: bool) -> Running {
        let mut state = self.lock();
        state.begun += 1;
        let number = state.begun;
        state.running.push(Call {
            number,
            path: Arc::clone(path),
            writes,
        });
        Running {
            calls: Arc::clone(self),
            number: Cell::new(number),
        }
    }
}

/// A call runs as long as this lives.
#[derive(Debug)]
struct Running {
    calls: Arc<Calls>,
    number: Cell<u64>,
}

impl Running {
    /// Gives the call a new number: it is not the one that was seen before.
    fn renew(&self) {
        let mut state = self.calls.lock();
        state.begun += 1;
        let (old, new) = (self.number.get(), state.begun);
        if let Some(call) = state.running.iter_mut().find(|c| c.number == old) {
            call.number = new;
        }
        self.number.set(new);
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let mut state = self.calls.lock();
        let number = self.number.get();
        if let Some(at) = state.running.iter().position(|c| c.number == number) {
            state.running.swap_remove(at);
        }
    }
}

/// A disk behind a guard.
#[derive(Debug)]
pub struct Guarded<D> {
    disk: D,
    calls: Option<Arc<Calls>>,
    stop: Option<Arc<AtomicBool>>,
}

impl<D> Guarded<D> {
    /// A disk whose running calls are known.
    pub fn watched(disk: D, calls: Arc<Calls>) -> Self {
        let calls = Some(calls);
        let stop = None;
        Self { disk, calls, stop }
    }

    /// A disk to look at until `stop` is set: then every call fails with [`Interruption`], and a
    /// walk at its next entry. Not for what is to be finished.
    pub fn until(disk: D, stop: &Arc<AtomicBool>) -> Self {
        let calls = None;
        let stop = Some(Arc::clone(stop));
        Self { disk, calls, stop }
    }

    fn goes_on(&self) -> bool {
        !self
            .stop
            .as_ref()
            .is_some_and(|s| s.load(Ordering::Relaxed))
    }

    /// The same after an answer to one of many questions that are one call.
    fn goes_on_after(&self, call: Option<&Running>) -> bool {
        call.inspect(|call| call.renew());
        self.goes_on()
    }

    fn check(&self) -> io::Result<()> {
        if self.goes_on() {
            return Ok(());
        }
        Err(io::Error::other(Interruption))
    }

    fn reads(&self, path: &Utf8Path) -> io::Result<Option<Running>> {
        self.check()?;
        Ok(self.running(path, false))
    }

    fn writes(&self, path: &Utf8Path) -> io::Result<Option<Running>> {
        self.check()?;
        Ok(self.running(path, true))
    }

    fn running(&self, path: &Utf8Path, writes: bool) -> Option<Running> {
        let calls = self.calls.as_ref()?;
        Some(calls.begin(&Arc::from(path), writes))
    }

    fn opened<T>(&self, path: &Utf8Path, open: T, boxed: impl FnOnce(Open<T>) -> T) -> T {
        let Some(calls) = &self.calls else {
            return open;
        };
        boxed(Open {
            file: open,
            path: Arc::from(path),
            calls: Arc::clone(calls),
        })
    }
}

#[warn(clippy::missing_trait_methods)]
impl<D> Disk for Guarded<D>
where
    D: Deref + Debug + Send + Sync,
    D::Target: Disk,
{
    fn mounted(&self) -> io::Result<Option<Vec<MountedFolder>>> {
        self.check()?;
        self.disk.mounted()
    }

    fn anchor(&self, folder: &Utf8Path, facts: &FolderFacts) -> io::Result<Anchor> {
        let _call = self.reads(folder)?;
        self.disk.anchor(folder, facts)
    }

    fn check_in_place(&self, folder: &Utf8Path) -> io::Result<()> {
        let _call = self.reads(folder)?;
        self.disk.check_in_place(folder)
    }

    fn walk(&self, root: &Utf8Path, tree: TreeKind) -> io::Result<Vec<WalkEntry>> {
        self.walk_while(root, tree, &|| true)
    }

    fn walk_while(
        &self,
        root: &Utf8Path,
        tree: TreeKind,
        go_on: &dyn Fn() -> bool,
    ) -> io::Result<Vec<WalkEntry>> {
        let call = self.reads(root)?;
        let go_on = || self.goes_on_after(call.as_ref()) && go_on();
        self.disk.walk_while(root, tree, &go_on)
    }

    fn children(&self, folder: &Utf8Path) -> io::Result<Vec<WalkEntry>> {
        self.children_while(folder, &|| true)
    }

    fn children_while(
        &self,
        folder: &Utf8Path,
        go_on: &dyn Fn() -> bool,
    ) -> io::Result<Vec<WalkEntry>> {
        let call = self.reads(folder)?;
        let go_on = || self.goes_on_after(call.as_ref()) && go_on();
        self.disk.children_while(folder, &go_on)
    }

    fn facts(&self, folder: &Utf8Path) -> io::Result<FolderFacts> {
        let _call = self.reads(folder)?;
        self.disk.facts(folder)
    }

    fn count(&self, root: &Utf8Path, facts: &FolderFacts) -> Option<Count> {
        let _call = self.reads(root).ok()?;
        self.disk.count(root, facts)
    }

    fn log_of(&self, facts: &FolderFacts) -> Vec<String> {
        self.disk.log_of(facts)
    }

    fn device_info(&self, facts: &FolderFacts) -> DeviceInfo {
        self.disk.device_info(facts)
    }

    fn look(&self, path: &Utf8Path) -> io::Result<Option<Stat>> {
        let _call = self.reads(path)?;
        self.disk.look(path)
    }

    fn open_card(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        let _call = self.reads(path)?;
        let open = self.disk.open_card(path)?;
        Ok(self.opened(path, open, |open| Box::new(open)))
    }

    fn open_read_back(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        let _call = self.reads(path)?;
        let open = self.disk.open_read_back(path)?;
        Ok(self.opened(path, open, |open| Box::new(open)))
    }

    fn read_record(&self, path: &Utf8Path, limit: u64) -> io::Result<Vec<u8>> {
        let _call = self.reads(path)?;
        self.disk.read_record(path, limit)
    }

    fn create_folder(&self, path: &Utf8Path) -> io::Result<()> {
        let _call = self.writes(path)?;
        self.disk.create_folder(path)
    }

    fn create_part(&self, path: &Utf8Path, large: bool) -> io::Result<Box<dyn PartFile>> {
        let _call = self.writes(path)?;
        let open = self.disk.create_part(path, large)?;
        Ok(self.opened(path, open, |open| Box::new(open)))
    }

    fn try_size(&self, folder: &Utf8Path, bytes: u64) -> io::Result<()> {
        let _call = self.writes(folder)?;
        self.disk.try_size(folder, bytes)
    }

    fn rename_new(&self, from: &Utf8Path, to: &Utf8Path) -> io::Result<()> {
        let _call = self.writes(to)?;
        self.disk.rename_new(from, to)
    }

    fn replace_chain(&self, part: &Utf8Path, to: &Utf8Path) -> io::Result<()> {
        let _call = self.writes(to)?;
        self.disk.replace_chain(part, to)
    }

    fn flush(&self, path: &Utf8Path) -> io::Result<()> {
        let _call = self.writes(path)?;
        self.disk.flush(path)
    }

    fn flush_everything(&self, folder: &Utf8Path) -> io::Result<()> {
        let _call = self.writes(folder)?;
        self.disk.flush_everything(folder)
    }

    fn settling(&self, folder: &Utf8Path) -> io::Result<Settling> {
        let _call = self.reads(folder)?;
        self.disk.settling(folder)
    }

    fn settle(&self, folders: &BTreeSet<Utf8PathBuf>, files: &[Utf8PathBuf]) -> io::Result<()> {
        let first = folders.first().map_or(Utf8Path::new(""), |f| f.as_path());
        let _call = self.writes(first)?;
        self.disk.settle(folders, files)
    }

    fn settle_in(&self, folder: &Utf8Path, files: &[Utf8PathBuf]) -> io::Result<()> {
        let _call = self.writes(folder)?;
        self.disk.settle_in(folder, files)
    }

    fn remove_own(&self, path: &Utf8Path) -> io::Result<()> {
        let _call = self.writes(path)?;
        self.disk.remove_own(path)
    }

    fn remove_empty_folder(&self, path: &Utf8Path) -> io::Result<()> {
        let _call = self.writes(path)?;
        self.disk.remove_empty_folder(path)
    }

    fn claim(&self, folder: &Utf8Path) -> io::Result<Claim> {
        let _call = self.writes(folder)?;
        self.disk.claim(folder)
    }

    fn open_journal(&self, path: &Utf8Path) -> io::Result<Box<dyn Journal>> {
        let _call = self.writes(path)?;
        let open = self.disk.open_journal(path)?;
        Ok(self.opened(path, open, |open| Box::new(open)))
    }
}

/// What was opened, with its path.
#[derive(Debug)]
struct Open<T> {
    file: T,
    path: Arc<Utf8Path>,
    calls: Arc<Calls>,
}

impl<T> Open<T> {
    fn reads(&self) -> Running {
        self.calls.begin(&self.path, false)
    }

    fn writes(&self) -> Running {
        self.calls.begin(&self.path, true)
    }
}

impl Source for Open<Box<dyn Source>> {
    fn read_at(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        let _call = self.reads();
        self.file.read_at(into, offset)
    }

    fn expect(&self, offset: u64, bytes: u64) {
        let _call = self.reads();
        self.file.expect(offset, bytes);
    }

    fn forget(&self, offset: u64) {
        let _call = self.reads();
        self.file.forget(offset);
    }

    fn stat(&self) -> io::Result<Stat> {
        let _call = self.reads();
        self.file.stat()
    }

    fn way(&self) -> ReadBackWay {
        self.file.way()
    }
}

impl PartFile for Open<Box<dyn PartFile>> {
    fn write_chunk(&self, chunk: &Chunk, offset: u64) -> io::Result<()> {
        let _call = self.writes();
        self.file.write_chunk(chunk, offset)
    }

    fn flush_data(&self) -> io::Result<()> {
        let _call = self.writes();
        self.file.flush_data()
    }

    fn finish(&self, bytes: u64, modified: Stamp) -> io::Result<bool> {
        let _call = self.writes();
        self.file.finish(bytes, modified)
    }

    fn flush_all(&self) -> io::Result<()> {
        let _call = self.writes();
        self.file.flush_all()
    }

    fn had_other_writer(&self) -> bool {
        self.file.had_other_writer()
    }
}

impl Journal for Open<Box<dyn Journal>> {
    fn append(&mut self, lines: &[u8]) -> io::Result<()> {
        let _call = self.writes();
        self.file.append(lines)
    }
}
