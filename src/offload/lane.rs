//! Owns one destination's part of an offload: writing, making durable, reading back from the
//! device behind the writer, and publishing. A lane that fails is dropped once, with its reason,
//! and takes nobody with it.
//!
//! Order for every file: part file, write, durable, read back equal, where names are not kept by themselves a
//! journal line of what gets one, rename without replacing, name durable in the way of the file system, journal
//! line. Nothing carries a final name earlier.

use super::context::Context;
use super::gate::Gate;
use super::in_flight::{GivenUp, InFlight};
use super::message::{FromCard, Proven, Report};
use crate::digest::Digest;
use crate::disk::buffer::{ALIGN, Aligned, Chunk};
use crate::disk::{
    EntryKind, Journal, Part, ReadBackWay, Settling, Sight, Source, Stat, explained,
    is_name_refused, write_problem,
};
use crate::error::{Problem, ProblemKind, Step, failed};
use crate::hash_algorithm::AlsoHashes;
use crate::name::CardName;
use crate::plan::{FileJob, PlannedDestination, Work};
use crate::record::journal::{JournalLine, JournalNaming};
use crate::record::layout::{Level, RECORDS};
use crate::units::{float, len_usize, len64};
use camino::{Utf8Path, Utf8PathBuf};
use crossbeam_channel::{Receiver, Sender, bounded};
use std::collections::BTreeSet;
use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::Duration;

/// Files that the publisher takes in one batch.
const BATCH_MAX: usize = 512;
/// Files of earlier runs that are read back again at a time.
const KEPT_READERS: usize = 4;
/// So long the publisher waits for more files, so that they share a flush of folder and journal.
const GATHERS: Duration = Duration::from_millis(50);
/// Why a name that was free a moment ago is taken now.
pub const SAME_NAME: &str = "the drive takes this name and another one of the card for the same";

/// What every thread of a lane shares.
#[derive(Debug)]
pub(super) struct Lane {
    pub(super) index: usize,
    pub(super) context: Arc<Context>,
    pub(super) report: Sender<Report>,
}

/// To the committer and the rolling verifier of large files.
enum Roll {
    /// Everything up to this offset was written.
    Upto(Open, u64),
    /// The file was written whole and cut to length.
    Last(Open),
    /// The file was given up; the sender waits until its part is gone, since the same name may
    /// come again in the second pass.
    Forget(Open, Sender<()>),
}

/// To the workers that finish files of at most one stripe.
enum Finish {
    Copy(Open),
    Check(Arc<InFlight>),
}

/// A part file being written.
#[derive(Clone)]
struct Open {
    file: Arc<InFlight>,
    part: Arc<dyn Part>,
    path: Utf8PathBuf,
}

/// A file that was read back equal and may carry its final name.
struct Equal {
    file: Arc<InFlight>,
    digest: Digest,
    also: AlsoHashes,
    way: ReadBackWay,
    level: Level,
    time: Duration,
    /// What the file was before its end was read back.
    seen: Option<Stat>,
    /// The part file; `None` when it stood there already.
    part: Option<Utf8PathBuf>,
}

impl Lane {
    /// Starts every thread of the lane; they wait at the gate.
    pub(super) fn start(
        index: usize,
        context: &Arc<Context>,
        report: &Sender<Report>,
        from_card: Receiver<FromCard>,
        gate: &Gate,
    ) -> io::Result<Vec<JoinHandle<()>>> {
        let lane = Arc::new(Self {
            index,
            context: Arc::clone(context),
            report: report.clone(),
        });
        let limits = &context.limits;
        let (to_commit, commits) = bounded(4);
        let (to_verify, verifies) = bounded(4);
        let (to_finish, finishes) = bounded(limits.queue_finish);
        let (to_publish, publishes) = bounded(BATCH_MAX);
        let mut threads = Vec::new();
        let mut spawn = |role: &str, run: Box<dyn FnOnce() + Send>| {
            let thread = std::thread::Builder::new()
                .name(format!("{role} {}", index + 1))
                .stack_size(512 << 10);
            gate.spawn(thread, run).map(|thread| threads.push(thread))
        };
        let spinning = lane.destination().facts.rotational == Some(true);
        // On a spinning disk as well: flushes that wait together become one commit of its journal.
        for _ in 0..limits.workers {
            let (l, rx, tx) = (Arc::clone(&lane), finishes.clone(), to_publish.clone());
            spawn("finish", Box::new(move || l.finish_all(&rx, &tx)))?;
        }
        let (l, tx) = (Arc::clone(&lane), to_publish);
        spawn("verify", Box::new(move || l.verify_all(&verifies, &tx)))?;
        let l = Arc::clone(&lane);
        spawn(
            "commit",
            Box::new(move || l.commit_all(&commits, &to_verify)),
        )?;
        // A spinning disk would only go to and fro.
        let readers = if spinning { 1 } else { KEPT_READERS };
        // Beside a card that is read for others, where nothing is written here; else afterwards.
        let (l, keeps, has_work) = (Arc::clone(&lane), lane.keeps_any(), lane.has_work());
        if keeps && !has_work {
            let l = Arc::clone(&lane);
            spawn("kept", Box::new(move || l.look_again(readers)))?;
        }
        spawn(
            "publish",
            Box::new(move || {
                l.publish_all(&publishes);
                if keeps && has_work {
                    l.look_again(readers);
                }
            }),
        )?;
        let l = lane;
        spawn(
            "write",
            Box::new(move || l.write_all(&from_card, &to_commit, &to_finish, spinning)),
        )?;
        Ok(threads)
    }

    pub(super) fn destination(&self) -> &PlannedDestination {
        // The plan and the lanes are made together, one lane per destination.
        &self.context.plan.destinations[self.index]
    }

    /// The folder of the card's tree.
    pub(super) fn tree(&self) -> &Utf8Path {
        &self.destination().payload
    }

    pub(super) fn meter(&self) -> &super::meter::DestinationMeter {
        &self.context.meter.destinations[self.index]
    }

    fn job(&self, file: &InFlight) -> &FileJob {
        &self.context.plan.jobs[file.job]
    }

    fn is_out(&self) -> bool {
        self.meter().failed.load(Ordering::Relaxed)
    }

    pub(super) fn stops(&self) -> bool {
        self.is_out() || self.context.cancel.load(Ordering::Relaxed)
    }

    /// Drops the destination: told once, by whichever thread met it first.
    fn drop_out(&self, problem: Problem) {
        if !self.meter().failed.swap(true, Ordering::SeqCst) {
            let disk = self.context.disk.as_ref();
            let problem = explained(disk, &self.destination().given, problem);
            drop(self.report.send(Report::DestinationFailed(
                self.index,
                problem.on(self.index),
            )));
        }
    }

    /// Whether the destination is still where it is said to be; told if not. What is written meanwhile goes
    /// to the drive that is held, wherever its name leads.
    fn is_in_place(&self) -> bool {
        let looked = self.context.disk.check_in_place(&self.destination().given);
        looked
            .map_err(|e| {
                let detail = format!("the drive is gone: {e}");
                self.drop_out(Problem::new(ProblemKind::Vanished, detail));
            })
            .is_ok()
    }

    /// Drops the destination over one file of the plan.
    pub(super) fn drop_out_on(&self, step: Step, job: &FileJob, cause: &io::Error) {
        self.drop_out(write_problem(step, cause).at(job.name.as_str()));
    }

    fn drop_out_at(&self, step: Step, file: Option<&InFlight>, cause: &io::Error) {
        let mut problem = write_problem(step, cause);
        problem.path = file.map(|f| self.job(f).name.as_str().to_owned());
        self.drop_out(problem);
    }

    fn file_problem(&self, file: &InFlight, kind: ProblemKind, detail: String) {
        let problem = Problem::new(kind, detail)
            .at(self.job(file).name.as_str())
            .on(self.index);
        drop(self.report.send(Report::Problem(problem)));
    }

    fn remove_part(&self, path: &Utf8Path) {
        match self.context.disk.remove_own(path) {
            Ok(()) => {}
            Err(e) if e.kind() == io::ErrorKind::NotFound || self.is_out() => {}
            Err(e) => {
                let detail = format!("an unfinished part file is left behind as `{path}`: {e}");
                let problem = Problem::new(ProblemKind::WriteFailed, detail)
                    .on(self.index)
                    .harmless();
                drop(self.report.send(Report::Problem(problem)));
            }
        }
    }

    fn timed<T>(&self, sum: &super::meter::Sum, work: impl FnOnce() -> T) -> T {
        let start = self.context.clock.elapsed();
        let result = work();
        sum.add_time(self.context.clock.elapsed().saturating_sub(start));
        result
    }

    // ---- writer ---------------------------------------------------------------------------

    fn write_all(
        &self,
        from_card: &Receiver<FromCard>,
        commit: &Sender<Roll>,
        finish: &Sender<Finish>,
        spinning: bool,
    ) {
        if let Err((step, path, cause)) = self.prepare() {
            let problem = match (step, cause.kind()) {
                // Nothing stood there when it was looked at.
                (Step::CreateFolder, io::ErrorKind::AlreadyExists) => {
                    Problem::new(ProblemKind::NameClash, SAME_NAME)
                }
                _ => write_problem(step, &cause),
            };
            self.drop_out(problem.at(path));
        }
        let mut open: Option<Open> = None;
        // Bytes of it that were written.
        let mut upto = 0;
        for message in from_card {
            if self.stops() {
                self.give_up(open.take(), commit);
                continue;
            }
            match message {
                FromCard::Begin(file) => (open, upto) = (self.begin(&file), 0),
                FromCard::Chunk(file, chunk, offset) => {
                    let wanted = open.as_ref().filter(|o| Arc::ptr_eq(&o.file, &file));
                    upto = offset + len64(chunk.bytes().len());
                    if wanted.is_some_and(|o| !self.write(o, &chunk, offset, commit, spinning)) {
                        self.give_up(open.take(), commit);
                    }
                }
                FromCard::End(file) => self.end(open.take(), &file, commit, finish),
                FromCard::Small(files) => {
                    for (file, chunk) in files.iter() {
                        self.write_small(file, chunk, commit, finish, spinning);
                    }
                }
                FromCard::Abort(_) => {
                    if open.is_some() {
                        self.meter().written.given_up.add(upto);
                    }
                    self.give_up(open.take(), commit);
                }
            }
        }
        self.give_up(open.take(), commit);
    }

    fn write_small(
        &self,
        file: &Arc<InFlight>,
        chunk: &Chunk,
        commit: &Sender<Roll>,
        finish: &Sender<Finish>,
        spinning: bool,
    ) {
        if self.stops() {
            return;
        }
        let mut open = self.begin(file);
        let is_written = open
            .as_ref()
            .is_none_or(|o| chunk.bytes().is_empty() || self.write(o, chunk, 0, commit, spinning));
        if is_written {
            self.end(open, file, commit, finish);
        } else {
            self.give_up(open.take(), commit);
        }
    }

    /// Makes the offload's folders, parents first, and makes them durable; clears stale parts.
    fn prepare(&self) -> Result<(), (Step, String, io::Error)> {
        if self.context.plan.has_nothing_new() {
            return Ok(());
        }
        let disk = &self.context.disk;
        let root = self.tree();
        let planned = self.destination();
        let holder = |name: &CardName| {
            let parent = name.parent();
            parent.map_or_else(|| root.to_path_buf(), |p| root.join(p))
        };
        let mut parents = BTreeSet::new();
        for stale in &planned.stale_parts {
            let path = stale.under(root);
            match disk.remove_own(&path) {
                Err(e) if e.kind() != io::ErrorKind::NotFound => {
                    return Err((Step::Create, stale.as_str().to_owned(), e));
                }
                _ => {}
            }
            // A power cut must not bring it back: in a bag it would be one file too many.
            parents.insert(holder(stale));
        }
        for empty in &planned.left_empty {
            self.take_back(empty)
                .map_err(|e| (Step::Create, empty.as_str().to_owned(), e))?;
            parents.insert(holder(empty));
        }
        let present: BTreeSet<&CardName> = planned.folders_present.iter().collect();
        for folder in self.context.plan.listing.folders() {
            if planned.unheld.contains_key(folder) {
                continue;
            }
            if !present.contains(folder) {
                disk.create_folder(&folder.under(root))
                    .map_err(|e| (Step::CreateFolder, folder.as_str().to_owned(), e))?;
            }
            // Also where it stands: an earlier run may have ended before it flushed.
            parents.insert(holder(folder));
        }
        disk.settle(&parents, &[])
            .map_err(|e| (Step::FlushFolder, root.to_string(), e))
    }

    /// Gives an empty file that a pull left its part's name again and removes it as such: what has a final name is
    /// never removed.
    fn take_back(&self, name: &CardName) -> io::Result<()> {
        let disk = &self.context.disk;
        let (path, part) = (name.under(self.tree()), name.part_under(self.tree()));
        let is_empty = |stat: Stat| stat.kind == EntryKind::File && stat.bytes == 0;
        if !disk.look(&path)?.is_some_and(is_empty) {
            return Err(io::Error::other("is no longer an empty file"));
        }
        disk.rename_new(&path, &part)?;
        disk.remove_own(&part)
    }

    fn begin(&self, file: &Arc<InFlight>) -> Option<Open> {
        let job = self.job(file);
        if job.work.get(self.index) != Some(&Work::Copy) {
            return None;
        }
        let path = job.name.part_under(self.tree());
        let large = job.bytes > self.context.limits.small_bytes;
        match self.context.disk.create_part(&path, large) {
            Ok(part) => Some(Open {
                file: Arc::clone(file),
                part: Arc::from(part),
                path,
            }),
            // Stale parts were cleared, so this is a name that the drive takes for another's.
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                self.file_problem(file, ProblemKind::NameClash, SAME_NAME.to_owned());
                None
            }
            Err(e) if is_name_refused(&e) => {
                self.file_problem(file, ProblemKind::NameNotStorable, failed(Step::Create, &e));
                None
            }
            Err(e) => {
                self.drop_out_at(Step::Create, Some(file), &e);
                None
            }
        }
    }

    /// Writes one chunk. `false`: the file cannot go on; told already.
    fn write(
        &self,
        open: &Open,
        chunk: &Chunk,
        offset: u64,
        commit: &Sender<Roll>,
        spinning: bool,
    ) -> bool {
        let result = self.timed(&self.meter().write_ns, || {
            open.part.write_chunk(chunk, offset)
        });
        if let Err(e) = result {
            if e.kind() == io::ErrorKind::FileTooLarge {
                // A limit of the file system, not a fault of the drive: it costs this file only.
                let problem = write_problem(Step::Write, &e);
                self.file_problem(&open.file, problem.kind, problem.detail);
            } else {
                self.drop_out_at(Step::Write, Some(&open.file), &e);
            }
            return false;
        }
        let bytes = len64(chunk.bytes().len());
        self.meter().written.add(bytes);
        let end = offset + bytes;
        let total = self.job(&open.file).bytes;
        if self.rolls(total)
            && end < total
            && end.is_multiple_of(self.stripe(open.file.job, total, end, spinning))
        {
            drop(commit.send(Roll::Upto(open.clone(), end)));
        }
        true
    }

    /// Whether a file is read back behind the writer instead of when it is complete.
    fn rolls(&self, bytes: u64) -> bool {
        bytes > self.context.limits.stripe_bytes
    }

    /// Returns the stripe that ends are counted in. The end of the job's last file goes in small
    /// stripes, so that little is left to read back when the card is done.
    fn stripe(&self, job: usize, total: u64, end: u64, spinning: bool) -> u64 {
        let limits = &self.context.limits;
        let is_last = job + 1 == self.context.plan.jobs.len();
        if is_last && total - end < limits.stripe_bytes {
            limits.mark_bytes
        } else if spinning {
            limits.stripe_bytes_spinning
        } else {
            limits.stripe_bytes
        }
    }

    fn end(
        &self,
        open: Option<Open>,
        file: &Arc<InFlight>,
        commit: &Sender<Roll>,
        finish: &Sender<Finish>,
    ) {
        let job = self.job(file);
        match (open, job.work.get(self.index)) {
            (Some(open), _) => {
                match open.part.finish(job.bytes, job.modified) {
                    Ok(true) => {}
                    Ok(false) => drop(self.report.send(Report::DateRefused(self.index))),
                    Err(e) => {
                        self.drop_out_at(Step::SetDate, Some(file), &e);
                        return self.give_up(Some(open), commit);
                    }
                }
                if self.rolls(job.bytes) {
                    drop(commit.send(Roll::Last(open)));
                } else {
                    drop(finish.send(Finish::Copy(open)));
                }
            }
            (None, Some(Work::Check)) => drop(finish.send(Finish::Check(Arc::clone(file)))),
            (None, _) => {}
        }
    }

    fn give_up(&self, open: Option<Open>, commit: &Sender<Roll>) {
        let Some(open) = open else { return };
        if self.rolls(self.job(&open.file).bytes) {
            let (gone, is_gone) = bounded(1);
            if commit.send(Roll::Forget(open, gone)).is_ok() {
                // Ends at the latest when the verifier does, which then drops its end.
                if is_gone.recv().is_err() {}
            }
        } else {
            self.remove_part(&open.path);
        }
    }

    // ---- committer and rolling verifier -----------------------------------------------------

    fn commit_all(&self, rolls: &Receiver<Roll>, verify: &Sender<Roll>) {
        for roll in rolls {
            let flushed = match &roll {
                _ if self.stops() => Ok(()),
                Roll::Upto(..) if !self.is_in_place() => Ok(()),
                Roll::Upto(open, _) => {
                    self.timed(&self.meter().flush_ns, || open.part.flush_data())
                }
                Roll::Last(open) => self.timed(&self.meter().flush_ns, || open.part.flush_all()),
                Roll::Forget(..) => Ok(()),
            };
            if let Err(e) = flushed {
                let (Roll::Upto(open, _) | Roll::Last(open) | Roll::Forget(open, _)) = &roll;
                self.drop_out_at(Step::Flush, Some(&open.file), &e);
            }
            drop(verify.send(roll));
        }
    }

    fn verify_all(&self, rolls: &Receiver<Roll>, publish: &Sender<Equal>) {
        let mut reading: Option<ReadingBack> = None;
        let mut buffer = Aligned::new(0);
        for roll in rolls {
            match roll {
                Roll::Forget(open, gone) => {
                    let in_vain = reading.take().map_or(0, |r| r.at);
                    self.meter().read_back.given_up.add(in_vain);
                    self.remove_part(&open.path);
                    // The writer may have stopped waiting only by having ended.
                    if gone.send(()).is_err() {}
                }
                Roll::Upto(..) | Roll::Last(_) if self.stops() => reading = None,
                Roll::Upto(open, end) => {
                    if self.context.level != Level::Written {
                        self.roll_on(&mut reading, &open, end, &mut buffer);
                    }
                }
                Roll::Last(open) => {
                    let equal = if self.context.level == Level::Written {
                        self.take_as_written(&open)
                    } else {
                        let bytes = self.job(&open.file).bytes;
                        self.roll_on(&mut reading, &open, bytes, &mut buffer);
                        reading.take().and_then(|r| self.compare_whole(&r, &open))
                    };
                    match equal {
                        Some(equal) => drop(publish.send(equal)),
                        None => self.remove_part(&open.path),
                    }
                }
            }
        }
    }

    /// Reads a rolling file back up to `end` and compares the hash so far with the source's.
    fn roll_on(
        &self,
        reading: &mut Option<ReadingBack>,
        open: &Open,
        end: u64,
        buffer: &mut Aligned,
    ) {
        buffer.fit(self.context.limits.chunk_bytes);
        let job = self.job(&open.file);
        let is_same = reading
            .as_ref()
            .is_some_and(|r| Arc::ptr_eq(&r.file, &open.file));
        if !is_same {
            *reading = ReadingBack::open(self, &open.file, &open.path);
        }
        let Some(r) = reading else { return };
        if r.is_bad {
            return;
        }
        if let Err(e) = r.read_to(self, end, buffer) {
            r.is_bad = true;
            if self.stops() {
                return;
            }
            self.drop_out_at(Step::ReadBack, Some(&open.file), &e);
            return;
        }
        if end < job.bytes
            && let Ok(source) = open.file.wait_mark(end, &self.context.cancel)
            && source != r.hash_so_far()
        {
            r.is_bad = true;
            self.mismatch(&open.file, r.way(), Some(end));
        }
    }

    fn mismatch(&self, file: &InFlight, way: ReadBackWay, before: Option<u64>) {
        let place = before.map_or(String::new(), |end| format!(" before byte {end}"));
        let detail = format!(
            "what was read back from the drive ({}) differs from what the card delivered{place}; the copy was not kept",
            way.id()
        );
        self.file_problem(file, ProblemKind::Mismatch, detail);
    }

    fn compare_whole(&self, read: &ReadingBack, open: &Open) -> Option<Equal> {
        if read.is_bad || self.stops() {
            return None;
        }
        self.compare(read, &open.file, Some(open.path.clone()))
    }

    fn compare(
        &self,
        read: &ReadingBack,
        file: &Arc<InFlight>,
        part: Option<Utf8PathBuf>,
    ) -> Option<Equal> {
        let source = match file.wait_whole(&self.context.cancel) {
            Ok(source) => source,
            // Given up by the reader, who tells why, or stopped.
            Err(GivenUp) => return None,
        };
        let job = self.job(file);
        let back = read.hash_so_far();
        if read.at != job.bytes || back != source {
            if part.is_some() {
                self.mismatch(file, read.way(), None);
            } else {
                let detail = "a file of this name stood there already and differs from the card's; it was left as it is";
                self.file_problem(file, ProblemKind::NameClash, detail.to_owned());
            }
            return None;
        }
        Some(Equal {
            file: Arc::clone(file),
            digest: source,
            also: file.also(),
            way: read.way(),
            level: Level::ReadBack,
            time: read.time,
            seen: read.seen,
            part,
        })
    }

    fn take_as_written(&self, open: &Open) -> Option<Equal> {
        let digest = open.file.wait_whole(&self.context.cancel).ok()?;
        Some(Equal {
            file: Arc::clone(&open.file),
            digest,
            also: open.file.also(),
            way: ReadBackWay::None,
            level: Level::Written,
            time: Duration::ZERO,
            seen: None,
            part: Some(open.path.clone()),
        })
    }

    // ---- workers for files of at most one stripe --------------------------------------------

    fn finish_all(&self, files: &Receiver<Finish>, publish: &Sender<Equal>) {
        let mut buffer = Aligned::new(0);
        for finish in files {
            let (equal, part) = match finish {
                Finish::Copy(open) => (self.finish_copy(&open, &mut buffer), Some(open.path)),
                Finish::Check(file) => (self.finish_check(&file, &mut buffer), None),
            };
            match (equal, part) {
                (Some(equal), _) => drop(publish.send(equal)),
                (None, Some(path)) => self.remove_part(&path),
                (None, None) => {}
            }
        }
    }

    fn finish_copy(&self, open: &Open, buffer: &mut Aligned) -> Option<Equal> {
        if self.stops() {
            return None;
        }
        if let Err(e) = self.timed(&self.meter().flush_ns, || open.part.flush_all()) {
            self.drop_out_at(Step::Flush, Some(&open.file), &e);
            return None;
        }
        if self.context.level == Level::Written {
            return self.take_as_written(open);
        }
        let read = self.read_back_whole(&open.file, &open.path, buffer)?;
        self.compare(&read, &open.file, Some(open.path.clone()))
    }

    fn finish_check(&self, file: &Arc<InFlight>, buffer: &mut Aligned) -> Option<Equal> {
        if self.stops() {
            return None;
        }
        let path = self.job(file).name.under(self.tree());
        if let Err(e) = self.context.disk.flush(&path) {
            self.drop_out_at(Step::Flush, Some(file), &e);
            return None;
        }
        let read = self.read_back_whole(file, &path, buffer)?;
        self.compare(&read, file, None)
    }

    fn read_back_whole(
        &self,
        file: &Arc<InFlight>,
        path: &Utf8Path,
        buffer: &mut Aligned,
    ) -> Option<ReadingBack> {
        let mut read = ReadingBack::open(self, file, path)?;
        let bytes = self.job(file).bytes;
        let most = self.context.limits.check_bytes;
        buffer.fit(most.min(len_usize(bytes.saturating_add(1))));
        match read.read_to(self, bytes, buffer) {
            Ok(()) => Some(read),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => None,
            Err(e) => {
                self.drop_out_at(Step::ReadBack, Some(file), &e);
                None
            }
        }
    }

    // ---- publisher ---------------------------------------------------------------------------

    fn publish_all(&self, equals: &Receiver<Equal>) {
        let mut journal: Option<Box<dyn Journal>> = None;
        while let Ok(first) = equals.recv() {
            let batch = self.gather(first, equals);
            if self.is_out() || !self.is_in_place() {
                batch
                    .into_iter()
                    .filter_map(|e| e.part)
                    .for_each(|p| self.remove_part(&p));
                continue;
            }
            self.publish(batch, &mut journal);
        }
    }

    /// Collects what is ready within a moment; at the end of the job, when nothing more can come, at once.
    fn gather(&self, first: Equal, equals: &Receiver<Equal>) -> Vec<Equal> {
        let mut batch = vec![first];
        let start = self.context.clock.elapsed();
        while batch.len() < BATCH_MAX && !self.stops() {
            let gone = self.context.clock.elapsed().saturating_sub(start);
            match equals.recv_timeout(GATHERS.saturating_sub(gone)) {
                Ok(equal) => batch.push(equal),
                Err(_) => break,
            }
        }
        batch
    }

    fn publish(&self, batch: Vec<Equal>, journal: &mut Option<Box<dyn Journal>>) {
        if let Err(e) = self.journal_names(&batch, journal) {
            return self.drop_out(write_problem(Step::Journal, &e));
        }
        let (mut renamed, mut sights) = (Vec::new(), Vec::new());
        let (mut folders, mut files) = (BTreeSet::new(), Vec::new());
        for equal in batch {
            let job = self.job(&equal.file);
            let path = job.name.under(self.tree());
            let mut sight =
                match self.sight_at(equal.part.as_deref().unwrap_or(&path), &equal, None) {
                    Ok(sight) => sight,
                    Err(e) => return self.drop_out_at(Step::Look, Some(&equal.file), &e),
                };
            if let Some(part) = &equal.part {
                match self.context.disk.rename_new(part, &path) {
                    // At once: what is written to it from here on shows later.
                    Ok(()) => match self.sight_at(&path, &equal, sight) {
                        Ok(named) => sight = sight.and(named),
                        Err(e) => return self.drop_out_at(Step::Look, Some(&equal.file), &e),
                    },
                    Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                        let detail = "its place was taken by another file meanwhile; that file was left as it is";
                        self.file_problem(&equal.file, ProblemKind::NameClash, detail.to_owned());
                        self.remove_part(part);
                        continue;
                    }
                    Err(e) => return self.drop_out_at(Step::Publish, Some(&equal.file), &e),
                }
            }
            folders.insert(
                job.name
                    .parent()
                    .map_or_else(|| self.tree().to_path_buf(), |p| self.tree().join(p)),
            );
            files.push(path);
            sights.push(sight);
            renamed.push(equal);
        }
        let settled = self.timed(&self.meter().flush_ns, || {
            self.context.disk.settle(&folders, &files)
        });
        if let Err(e) = settled {
            return self.drop_out_at(Step::FlushFolder, renamed.first().map(|r| &*r.file), &e);
        }
        if let Err(e) = self.journal(&renamed, journal) {
            return self.drop_out(write_problem(Step::Journal, &e));
        }
        for (equal, sight) in renamed.into_iter().zip(sights) {
            self.meter().files.add(1);
            drop(self.report.send(Report::Proven(Proven {
                destination: self.index,
                job: equal.file.job,
                digest: equal.digest,
                also: equal.also,
                level: equal.level,
                way: equal.way,
                sight,
                readback_s: equal.time.as_secs_f64(),
                read_s: float(equal.file.read_ns.load(Ordering::Relaxed)) / 1e9,
                only_zeros: equal.file.only_zeros.load(Ordering::Relaxed),
            })));
        }
    }

    /// Looks at a file that was read back, just before it gets its name and just after (`before` is the first look then).
    /// `None`: it is no longer what it was when it was read back; then the last walk has to read it again.
    fn sight_at(
        &self,
        path: &Utf8Path,
        equal: &Equal,
        before: Option<Sight>,
    ) -> io::Result<Option<Sight>> {
        let filesystem = &self.destination().facts.filesystem;
        let stands = self.context.disk.look(path)?;
        let (Some(stands), Some(mut seen)) = (stands, equal.seen) else {
            return Ok(None);
        };
        if before.is_some() {
            // Giving it its name has changed the entry, so the date of that can't be compared.
            seen.changed = stands.changed;
        }
        let sight = Sight::of(&stands, filesystem);
        Ok((Sight::of(&seen, filesystem) == sight).then_some(sight))
    }

    fn journal(&self, equals: &[Equal], journal: &mut Option<Box<dyn Journal>>) -> io::Result<()> {
        let mut lines = Vec::new();
        for equal in equals.iter().filter(|e| e.way.reaches_device()) {
            let job = self.job(&equal.file);
            JournalLine {
                path: job.name.as_str().to_owned(),
                bytes: job.bytes,
                modified: job.modified.rfc3339(),
                blake3: equal.digest,
                also: equal.also.clone(),
                way: equal.way,
                read_s: float(equal.file.read_ns.load(Ordering::Relaxed)) / 1e9,
                readback_s: equal.time.as_secs_f64(),
                only_zeros: equal.file.only_zeros.load(Ordering::Relaxed) && job.bytes > 0,
            }
            .write_to(&mut lines)?;
        }
        self.append(&lines, journal)
    }

    /// Says which files are about to get their names, where a pull before they are durable can leave them empty.
    fn journal_names(
        &self,
        batch: &[Equal],
        journal: &mut Option<Box<dyn Journal>>,
    ) -> io::Result<()> {
        let new = batch.iter().filter(|e| e.part.is_some());
        let jobs = new.map(|e| self.job(&e.file)).filter(|job| job.bytes > 0);
        let naming: Vec<String> = jobs.map(|job| job.name.as_str().to_owned()).collect();
        let disk = &self.context.disk;
        if naming.is_empty() || disk.settling(self.tree())? == Settling::Folders {
            return Ok(());
        }
        let mut line = Vec::new();
        JournalNaming { naming }.write_to(&mut line)?;
        self.append(&line, journal)
    }

    fn append(&self, lines: &[u8], journal: &mut Option<Box<dyn Journal>>) -> io::Result<()> {
        if lines.is_empty() {
            return Ok(());
        }
        if journal.is_none() {
            let records = self.destination().root.join(RECORDS);
            let path = records.join(crate::record::journal::JOURNAL);
            *journal = Some(self.context.disk.open_journal(&path)?);
        }
        match journal {
            Some(journal) => journal.append(lines),
            None => Ok(()),
        }
    }
}

/// One file being read back.
struct ReadingBack {
    file: Arc<InFlight>,
    source: Box<dyn Source>,
    hasher: blake3::Hasher,
    at: u64,
    time: Duration,
    /// What the open file was, all written, before its end was read: what is written to it from then on shows later.
    seen: Option<Stat>,
    is_bad: bool,
}

impl ReadingBack {
    fn open(lane: &Lane, file: &Arc<InFlight>, path: &Utf8Path) -> Option<Self> {
        match lane.context.disk.open_read_back(path) {
            Ok(source) => Some(Self {
                file: Arc::clone(file),
                source,
                hasher: blake3::Hasher::new(),
                at: 0,
                time: Duration::ZERO,
                seen: None,
                is_bad: false,
            }),
            Err(e) => {
                lane.drop_out_at(Step::ReadBack, Some(file), &e);
                None
            }
        }
    }

    fn way(&self) -> ReadBackWay {
        self.source.way()
    }

    fn hash_so_far(&self) -> Digest {
        self.hasher.finalize().into()
    }

    /// Reads on to `end`. At the end of the file one more read makes sure that nothing follows.
    /// `Interrupted`: the job stops.
    fn read_to(&mut self, lane: &Lane, end: u64, buffer: &mut Aligned) -> io::Result<()> {
        let clock = &lane.context.clock;
        let total = lane.job(&self.file).bytes;
        if end == total {
            self.seen = Some(self.source.stat()?);
        }
        while self.at < end {
            if lane.stops() {
                return Err(io::ErrorKind::Interrupted.into());
            }
            // Whole blocks keep direct reads aligned; the count is what matters. Beyond the end of the
            // file nothing may follow.
            let left = len_usize(end - self.at);
            let want = if end < total {
                left
            } else {
                left.saturating_add(1).next_multiple_of(ALIGN)
            };
            let want = want.min(buffer.capacity());
            let start = clock.elapsed();
            let n = self
                .source
                .read_at(&mut buffer.all_mut()[..want], self.at)?;
            let took = clock.elapsed().saturating_sub(start);
            self.time += took;
            lane.meter().read_back_ns.add_time(took);
            if n == 0 {
                // Shorter than it should be: the hash will differ.
                return Ok(());
            }
            self.hasher.update(buffer.first(n));
            self.at += len64(n);
            lane.meter().read_back.add(len64(n));
        }
        if end == total {
            let bytes = self.source.stat()?.bytes;
            if bytes != total {
                self.at = bytes;
            }
        }
        Ok(())
    }
}
