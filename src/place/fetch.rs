//! Owns bringing an offload back: every file comes as a part file, is compared with the manifest
//! while it comes, made durable, read back from the drive, and only then named; the manifest last.
//! What is there already is read back and compared, and nothing that is there is changed.

use super::error::PlaceFault;
use super::incoming::{FetchPlan, Incoming};
use super::journal::{SendJournal, SendLine};
use super::outcome::{FetchResult, SendFault, SendProblem};
use super::pace::RateLimit;
use super::placed::PlacedOffload;
use super::reading::unread;
use super::store::{Store, cut_short};
use super::tries::{persist, several};
use crate::clock::Clock;
use crate::digest::Digest;
use crate::disk::buffer::{Aligned, Pool};
use crate::disk::hash_file::hash_whole;
use crate::disk::progress::Progress;
use crate::disk::{Claim, Disk, PartFile, Stamp, explained, write_problem};
use crate::error::{Problem, ProblemKind, Step};
use crate::record::layout::{MANIFEST, RECORDS};
use crate::record::manifest::MANIFEST_BYTES_MAX;
use crate::record::store::add_record;
use crate::units::len64;
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::BTreeSet;
use std::io;
use std::sync::atomic::Ordering;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// One write to the drive, in bytes.
const CHUNK_BYTES: usize = 1 << 20;

/// What is fetched.
#[derive(Debug)]
pub struct FetchJob<'a> {
    /// The drive's side.
    pub disk: &'a dyn Disk,
    /// Time.
    pub clock: &'a dyn Clock,
    /// The place.
    pub store: &'a Store,
    /// The offload there.
    pub placed: &'a PlacedOffload,
    /// What of it, and where to.
    pub plan: &'a FetchPlan,
    /// How fast.
    pub pace: RateLimit,
    /// The place's address.
    pub place: &'a str,
}

/// Fetches it; what is found damaged at the place is remembered.
pub fn fetch(job: &FetchJob<'_>, journal: SendJournal, progress: &Progress) -> FetchResult {
    let total = job.plan.bytes();
    progress.bytes_total.store(total, Ordering::Relaxed);
    let fetching = Fetching {
        job,
        progress,
        state: Mutex::new(FetchState {
            done: FetchResult::default(),
            is_over: false,
            journal,
        }),
    };
    match fetching.begin() {
        Ok(_claims) => {
            let (stops, one) = (|| fetching.stops(), |file: &Incoming| fetching.one(file));
            several("fetch", &job.plan.files, &stops, &one);
            fetching.end();
        }
        Err(problem) => fetching.fail(&problem.0, problem.1),
    }
    let state = fetching.state.into_inner();
    let mut done = state.unwrap_or_else(PoisonError::into_inner).done;
    done.retries = job.store.retries();
    done.interrupted = job.store.is_cancelled();
    done.problems.sort_by(|a, b| a.path.cmp(&b.path));
    done
}

struct FetchState {
    done: FetchResult,
    /// The place is away or lets nobody in, or the drive takes nothing: all else would fail too.
    is_over: bool,
    journal: SendJournal,
}

struct Fetching<'a> {
    job: &'a FetchJob<'a>,
    progress: &'a Progress,
    state: Mutex<FetchState>,
}

/// Puts a failed step on the drive in words.
fn drive(disk: &dyn Disk, root: &Utf8Path, step: Step, cause: &io::Error) -> SendFault {
    let problem = explained(disk, root, write_problem(step, cause));
    of_problem(&problem)
}

fn of_problem(problem: &Problem) -> SendFault {
    SendFault::Drive(format!("{}. {}", problem.detail, problem.next_step()))
}

impl Fetching<'_> {
    fn lock(&self) -> std::sync::MutexGuard<'_, FetchState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn stops(&self) -> bool {
        self.job.store.is_cancelled() || self.lock().is_over
    }

    fn drive(&self, step: Step) -> impl Fn(io::Error) -> SendFault {
        move |e| drive(self.job.disk, &self.job.plan.to, step, &e)
    }

    fn fail(&self, path: &str, why: SendFault) {
        let ends_all = match &why {
            SendFault::Place(e) if e.kind == PlaceFault::Interrupted => return,
            SendFault::Place(e) => e.kind.ends_all(),
            SendFault::Drive(_) => true,
            _ => false,
        };
        let mut state = self.lock();
        // One word on it is enough.
        if ends_all && std::mem::replace(&mut state.is_over, true) {
            return;
        }
        let path = path.to_owned();
        state.done.problems.push(SendProblem { path, why });
    }

    /// Makes the folders and makes sure that nobody else is at work in them.
    fn begin(&self) -> Result<Vec<Claim>, (String, SendFault)> {
        let (disk, plan) = (self.job.disk, self.job.plan);
        let named = |path: &Utf8Path, step| {
            let fault = self.drive(step);
            let path = path.to_string();
            move |e| (path, fault(e))
        };
        let mut parents = BTreeSet::from([plan.to.clone()]);
        self.make_folder(&plan.root)
            .map_err(named(&plan.root, Step::CreateFolder))?;
        let mut claims = vec![self.claim(&plan.root)?];
        for name in &plan.folders {
            let path = name.under(&plan.root);
            self.make_folder(&path)
                .map_err(named(&path, Step::CreateFolder))?;
            parents.extend(path.parent().map(Utf8Path::to_path_buf));
        }
        if plan.is_whole {
            claims.push(self.claim(&plan.root.join(RECORDS))?);
        }
        disk.settle(&parents, &[])
            .map_err(named(&plan.root, Step::FlushFolder))?;
        Ok(claims)
    }

    fn make_folder(&self, path: &Utf8Path) -> io::Result<()> {
        match self.job.disk.create_folder(path) {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Ok(()),
            other => other,
        }
    }

    fn claim(&self, folder: &Utf8Path) -> Result<Claim, (String, SendFault)> {
        self.job.disk.claim(folder).map_err(|e| {
            let fault = if e.kind() == io::ErrorKind::WouldBlock {
                let why = "another command is at work there. Let it end, then run this one again";
                SendFault::Drive(why.to_owned())
            } else {
                self.drive(Step::Look)(e)
            };
            (folder.to_string(), fault)
        })
    }

    /// Makes the lists anew that the place has lost: the manifest says every word of them.
    fn make_lists(&self) -> Result<(), (String, SendFault)> {
        let (job, root) = (self.job, &self.job.plan.root);
        for (name, bytes) in job.placed.lost_lists() {
            let path = root.join(&name);
            let there = job.disk.look(&path).map_err(self.drive(Step::Look));
            let is_there = there.map_err(|why| (name.clone(), why))?.is_some();
            if is_there {
                let read = job.disk.read_record(&path, MANIFEST_BYTES_MAX);
                if read.ok().as_ref() != Some(&bytes) {
                    return Err((name, SendFault::Standing));
                }
                continue;
            }
            let record = (name.clone(), bytes.into());
            let made = add_record(job.disk, root, record, Stamp::of(job.clock.now()));
            made.map_err(|problem| (name.clone(), of_problem(&problem)))?;
            self.lock().done.made.push(name);
        }
        Ok(())
    }

    /// Puts the manifest there, which says that all of it is.
    fn end(&self) {
        let (job, plan) = (self.job, self.job.plan);
        if self.stops() || !self.lock().done.problems.is_empty() {
            return;
        }
        if plan.is_whole
            && let Err((name, why)) = self.make_lists()
        {
            return self.fail(&name, why);
        }
        if plan.is_whole && !plan.has_manifest {
            let name = format!("{RECORDS}/{MANIFEST}");
            let record = (name.clone(), job.placed.manifest_bytes.as_slice().into());
            let date = Stamp::of(job.clock.now());
            if let Err(problem) = add_record(job.disk, &plan.root, record, date) {
                return self.fail(&name, of_problem(&problem));
            }
        }
        let files = plan.files.iter().filter(|file| file.any_of.is_empty());
        let mut state = self.lock();
        state.done.not_compared = files.map(|file| file.name.to_string()).collect();
        state.done.is_done = true;
    }

    fn one(&self, file: &Incoming) {
        let stops = || self.stops();
        let brought = match self.before(file) {
            Ok(false) => {
                let job = self.job;
                persist(job.clock, &stops, file.name.as_str(), || {
                    self.try_once(file)
                })
            }
            Ok(true) => return,
            Err(why) => Err(why),
        };
        if let Err(why) = brought {
            self.note_bad(file.name.as_str(), &why);
            self.fail(file.name.as_str(), why);
        }
    }

    /// Remembers that a file at the place is not what was sent, or can't be read. It is said all
    /// the same: what can't be remembered is found again.
    fn note_bad(&self, path: &str, why: &SendFault) {
        let job = self.job;
        let at = job.placed.at(path);
        let is_damaged = *why == SendFault::Damaged;
        let found = if is_damaged {
            job.store.look(&at).ok().flatten()
        } else {
            unread(job.store, &at, why)
        };
        if let Some(object) = found {
            let path = path.to_owned();
            let mut state = self.lock();
            let pause = || job.clock.sleep(Duration::from_millis(100));
            let journal = &mut state.journal;
            let begins = journal.is_new();
            let first = begins
                .then(|| journal.beginning(job.place, (&job.placed.name, &job.placed.manifest)));
            let bad = if is_damaged {
                SendLine::Bad { path, object }
            } else {
                SendLine::Unread { path, object }
            };
            for line in first.iter().chain([&bad]) {
                drop(journal.add(line, pause));
            }
        }
    }

    /// Whether the file is there already, and equal.
    fn before(&self, file: &Incoming) -> Result<bool, SendFault> {
        let disk = self.job.disk;
        let path = file.name.under(&self.job.plan.root);
        if disk.look(&path).map_err(self.drive(Step::Look))?.is_none() {
            return Ok(false);
        }
        let (digest, is_read) = self.read_back(&path, file.bytes)?;
        let is_same = if file.any_of.is_empty() {
            // Nobody else says what a record holds.
            digest == Some(self.hash_there(file)?)
        } else {
            digest.is_some_and(|digest| file.any_of.contains(&digest))
        };
        if !is_same {
            return Err(SendFault::Standing);
        }
        self.progress.bytes.fetch_add(file.bytes, Ordering::Relaxed);
        let mut state = self.lock();
        state.done.before += 1;
        state.done.from_memory += u64::from(!is_read);
        Ok(true)
    }

    fn try_once(&self, file: &Incoming) -> Result<(), SendFault> {
        let disk = self.job.disk;
        let part = file.name.part_under(&self.job.plan.root);
        if disk.look(&part).map_err(self.drive(Step::Look))?.is_some() {
            disk.remove_own(&part).map_err(self.drive(Step::Create))?;
        }
        let is_read = self.receive(file, &part).inspect_err(|_| {
            // What stays is cleared by the next command.
            drop(disk.remove_own(&part));
        })?;
        let mut state = self.lock();
        state.done.came += 1;
        state.done.came_bytes += file.bytes;
        state.done.from_memory += u64::from(!is_read);
        Ok(())
    }

    /// Brings a file and gives it its name. Returns whether it was read back from the drive.
    fn receive(&self, file: &Incoming, part: &Utf8PathBuf) -> Result<bool, SendFault> {
        let disk = self.job.disk;
        let path = file.name.under(&self.job.plan.root);
        let out = disk.create_part(part, false);
        let mut out = Receiving::new(out.map_err(self.drive(Step::Create))?);
        let mut came = 0_u64;
        let read = self.read_there(file, &mut |piece| {
            came += len64(piece.len());
            self.progress
                .bytes
                .fetch_add(len64(piece.len()), Ordering::Relaxed);
            out.take(piece)
        });
        let written = match out.failed.take() {
            Some(e) => Err(self.drive(Step::Write)(e)),
            None => read.and_then(|()| {
                let date = file.date.unwrap_or(Stamp::of(self.job.clock.now()));
                out.end(date, &self.drive(Step::Write))
            }),
        };
        let named = written.and_then(|digest| {
            if !file.any_of.is_empty() && !file.any_of.contains(&digest) {
                return Err(SendFault::Damaged);
            }
            out.part.flush_all().map_err(self.drive(Step::Flush))?;
            let (back, is_read) = self.read_back(part, file.bytes)?;
            if back != Some(digest) {
                return Err(SendFault::Differs(ProblemKind::Mismatch.next_step()));
            }
            match disk.rename_new(part, &path) {
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                    return Err(SendFault::Standing);
                }
                other => other.map_err(self.drive(Step::Publish))?,
            }
            let folder = path.parent().unwrap_or(&self.job.plan.root);
            disk.settle_in(folder, std::slice::from_ref(&path))
                .map_err(self.drive(Step::FlushFolder))?;
            Ok(is_read)
        });
        if named.is_err() {
            self.progress.bytes.fetch_sub(came, Ordering::Relaxed);
        }
        named
    }

    /// Reads the file's bytes at the place.
    fn read_there(
        &self,
        file: &Incoming,
        take: &mut dyn FnMut(&[u8]) -> bool,
    ) -> Result<(), SendFault> {
        let job = self.job;
        let at = job.placed.at(file.name.as_str());
        let mut take = |piece: &[u8]| {
            job.pace
                .wait(len64(piece.len()), job.clock, job.store.cancel());
            take(piece)
        };
        let read = job.store.read(&at, file.bytes, &mut take);
        let (done, _) = read.map_err(|e| match e.kind {
            PlaceFault::NotFound => SendFault::Gone,
            _ => SendFault::Place(e),
        })?;
        if done == file.bytes {
            Ok(())
        } else {
            Err(SendFault::Place(cut_short(done, file.bytes)))
        }
    }

    fn hash_there(&self, file: &Incoming) -> Result<Digest, SendFault> {
        let mut hasher = blake3::Hasher::new();
        self.read_there(file, &mut |piece| {
            hasher.update(piece);
            true
        })?;
        Ok(hasher.finalize().into())
    }

    /// Returns the hash of a file on the drive, none where it has another size, and whether it
    /// came from the device.
    fn read_back(&self, path: &Utf8Path, bytes: u64) -> Result<(Option<Digest>, bool), SendFault> {
        let failed = self.drive(Step::ReadBack);
        let mut source = self.job.disk.open_read_back(path).map_err(&failed)?;
        let is_read = source.way().reaches_device();
        if source.stat().map_err(&failed)?.bytes != bytes {
            return Ok((None, is_read));
        }
        let mut go_on = |_| !self.stops();
        let read = hash_whole(source.as_mut(), bytes, &mut go_on).map_err(&failed)?;
        let Some((digest, _)) = read else {
            let stop = super::error::StoreError::interrupted("read it back");
            return Err(SendFault::Place(stop));
        };
        Ok((Some(digest), is_read))
    }
}

/// A part file that is being written.
struct Receiving {
    part: Box<dyn PartFile>,
    pool: Pool,
    buffer: Option<Aligned>,
    filled: usize,
    offset: u64,
    hasher: blake3::Hasher,
    failed: Option<io::Error>,
}

impl Receiving {
    fn new(part: Box<dyn PartFile>) -> Self {
        Self {
            part,
            pool: Pool::new(1, 0, CHUNK_BYTES),
            buffer: None,
            filled: 0,
            offset: 0,
            hasher: blake3::Hasher::new(),
            failed: None,
        }
    }

    /// Takes the next bytes; false where the drive takes no more.
    fn take(&mut self, piece: &[u8]) -> bool {
        self.hasher.update(piece);
        let mut rest = piece;
        while !rest.is_empty() {
            let written = self.fill(&mut rest);
            if let Err(e) = written {
                self.failed = Some(e);
                return false;
            }
        }
        true
    }

    fn fill(&mut self, rest: &mut &[u8]) -> io::Result<()> {
        let mut buffer = match self.buffer.take() {
            Some(buffer) => buffer,
            None => self
                .pool
                .take(Duration::from_secs(1))
                .ok_or_else(|| io::Error::other("no buffer was given back"))?,
        };
        let n = rest.len().min(CHUNK_BYTES - self.filled);
        let (now, later) = rest.split_at(n);
        buffer.all_mut()[self.filled..self.filled + n].copy_from_slice(now);
        self.filled += n;
        *rest = later;
        self.buffer = Some(buffer);
        if self.filled == CHUNK_BYTES {
            self.write()?;
        }
        Ok(())
    }

    fn write(&mut self) -> io::Result<()> {
        if let Some(buffer) = self.buffer.take() {
            let chunk = self.pool.seal(buffer, self.filled);
            self.part.write_chunk(&chunk, self.offset)?;
            self.offset += len64(self.filled);
            self.filled = 0;
        }
        Ok(())
    }

    /// Writes the rest, and returns the hash of all that came.
    fn end(
        &mut self,
        date: Stamp,
        failed: &dyn Fn(io::Error) -> SendFault,
    ) -> Result<Digest, SendFault> {
        self.write().map_err(failed)?;
        // A date that the drive refuses is no fault of the file.
        self.part.finish(self.offset, date).map_err(failed)?;
        Ok(self.hasher.finalize().into())
    }
}
