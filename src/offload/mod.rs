//! Owns the run of an offload: one reader, one thread per hash and one lane per destination, bounded
//! queues between them, and the coordinator that collects what was proven. Only the coordinator talks to
//! the observer; the record comes from what the stages return, never from events.

mod bottleneck;
mod card_rate;
pub mod in_flight;
mod lane;
pub mod limits;
pub mod meter;
mod reader;
mod recheck;
pub mod reread;
mod watch;

use crate::card::listing::Listing;
use crate::card::survey::{survey, survey_parts};
use crate::clock::Clock;
use crate::digest::Digest;
use crate::disk::buffer::Chunk;
use crate::disk::{Disk, ReadBackWay, Sight, Source};
use crate::error::{Problem, ProblemKind};
use crate::event::{DestinationSnapshot, Event, Observer, Snapshot};
use crate::hash_algorithm::{Also, AlsoHashes, Hasher};
use crate::name::shown;
use crate::plan::{FileJob, Plan, PlannedDestination, Work};
use crate::record::layout::{Level, PerDestination};
use crate::speed::ceiling::Link;
use crate::speed::forecast::{Amount, Change, Forecast, Learned, Stage};
use crate::units::{float, len64};
use card_rate::{CardRate, Live};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use in_flight::{GivenUp, InFlight};
use lane::Lane;
pub use lane::SAME_NAME;
use limits::Limits;
use meter::Meter;
use reader::Reader;
use std::collections::HashSet;
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use watch::Watch;

/// What every thread of an offload shares.
#[derive(Debug)]
pub struct Context {
    /// The seam to all file systems.
    pub disk: Arc<dyn Disk>,
    /// The seam to time.
    pub clock: Arc<dyn Clock>,
    /// What is to be done.
    pub plan: Arc<Plan>,
    /// How far it is to be proven.
    pub level: Level,
    /// The bounds.
    pub limits: Limits,
    /// Set from outside to stop.
    pub cancel: Arc<AtomicBool>,
    /// The counters.
    pub meter: Meter,
    /// The card's second listing, taken as soon as nothing more has to be read from it.
    pub closing: Mutex<Option<Result<Listing, Problem>>>,
}

/// Looks whether the drive of a destination is still the one that was planned with.
pub fn same_drive(disk: &dyn Disk, destination: &PlannedDestination) -> Result<(), Problem> {
    let then = &destination.facts;
    let gone = |why: String| Err(Problem::new(ProblemKind::Vanished, why));
    match disk.facts(&destination.given) {
        Err(e) => gone(format!("the drive is gone: {e}")),
        Ok(now)
            if (now.device, now.inode) != (then.device, then.inode)
                || now.volume_id != then.volume_id =>
        {
            gone("another drive is in its place".to_owned())
        }
        Ok(_) => Ok(()),
    }
}

impl Context {
    fn must_stop(&self) -> bool {
        self.cancel.load(Ordering::Relaxed)
            || self.meter.card_gone.load(Ordering::Relaxed)
            || self
                .meter
                .destinations
                .iter()
                .all(|d| d.failed.load(Ordering::Relaxed))
    }

    /// Notes that the card is gone; whether that is new, and so is to be told.
    fn note_card_gone(&self) -> bool {
        !self.meter.card_gone.swap(true, Ordering::SeqCst)
    }

    /// Looks whether the drive of a destination is still the one that was planned with.
    pub fn same_drive(&self, destination: &PlannedDestination) -> Result<(), Problem> {
        same_drive(self.disk.as_ref(), destination)
    }

    /// Looks whether the folder of the card is the one that was listed: cheap enough for every file,
    /// so that a card which is swapped in the middle stops the job there.
    fn card_is_in_place(&self) -> Result<(), String> {
        let then = &self.plan.card.facts;
        let place = (then.device, then.inode);
        match self.disk.look(&self.plan.card.given) {
            Ok(Some(now)) if (now.device, now.inode) == place => Ok(()),
            // Only the full look tells what that means.
            _ => self.card_is_there(),
        }
    }

    /// Looks whether the card, or the offload in its place, is still the one that was listed.
    pub fn card_is_there(&self) -> Result<(), String> {
        let then = &self.plan.card.facts;
        let what = self.plan.source_word();
        match self.disk.facts(&self.plan.card.given) {
            Err(e) => Err(format!("the {what} is gone: {e}")),
            Ok(now)
                if (now.device, now.inode) != (then.device, then.inode)
                    || now.volume_id != then.volume_id =>
            {
                Err(format!(
                    "the {what} is no longer mounted there, or another one is"
                ))
            }
            Ok(_) => Ok(()),
        }
    }
}

impl Context {
    /// Opens a file of the plan where it is read: an original past the cache, since it is to count as a copy.
    fn open(&self, job: &FileJob) -> io::Result<Box<dyn Source>> {
        let path = self.plan.path_of(job);
        match self.plan.original() {
            None => self.disk.open_card(&path),
            Some(_) => self.disk.open_read_back(&path),
        }
    }

    /// Lists the card again and keeps the result; from then on the card is not needed. Returns
    /// whether it holds what it held at the start.
    pub fn close_card(&self) -> bool {
        let listing = self.list_again();
        let stood = self.plan.stood();
        let is_good = listing.as_ref().is_ok_and(|l| stood.is_unchanged(l));
        *self.closing.lock().unwrap_or_else(PoisonError::into_inner) = Some(listing);
        is_good
    }

    /// Returns the kept listing, if one was taken.
    pub fn closing_listing(&self) -> Option<Result<Listing, Problem>> {
        let mut kept = self.closing.lock().unwrap_or_else(PoisonError::into_inner);
        kept.take()
    }

    /// Lists the card again.
    pub fn list_again(&self) -> Result<Listing, Problem> {
        let gone = |why: String| Problem::new(ProblemKind::Vanished, why);
        self.card_is_there().map_err(gone)?;
        let (disk, facts) = (self.disk.as_ref(), &self.plan.card.facts);
        let after = match self.plan.original() {
            None => survey(disk, &self.plan.card.given, facts),
            Some(o) => survey_parts(disk, &o.trees, &facts.filesystem, &|tree, path| {
                o.is_of(tree, path)
            }),
        };
        let what = self.plan.source_word();
        let after = after.map_err(|e| {
            gone(format!(
                "the {what} could not be listed again at the end: {e}"
            ))
        })?;
        // A card that was pulled can look empty, so its device is looked for once more.
        self.card_is_there().map_err(gone)?;
        Ok(after)
    }
}

/// From the reader to the hashers and all lanes.
#[derive(Clone)]
enum FromCard {
    Begin(Arc<InFlight>),
    Chunk(Arc<InFlight>, Chunk, u64),
    End(Arc<InFlight>),
    Abort(Arc<InFlight>),
    /// Whole small files: handing over each by itself costs more than writing it.
    Small(Arc<[(Arc<InFlight>, Chunk)]>),
}

/// A file proven on one destination.
struct Proven {
    destination: usize,
    job: usize,
    digest: Digest,
    also: AlsoHashes,
    level: Level,
    way: ReadBackWay,
    sight: Option<Sight>,
    readback_s: f64,
    read_s: f64,
    only_zeros: bool,
}

/// A file of an earlier run that was read back again and is as it was.
struct Kept {
    destination: usize,
    job: usize,
    way: ReadBackWay,
    sight: Sight,
    readback_s: f64,
}

/// From every stage to the coordinator.
enum Report {
    Proven(Proven),
    Kept(Kept),
    /// A file of an original was read whole; whether it is what its manifest says.
    Original(usize, bool, ReadBackWay),
    KeptLost(usize, usize, Problem),
    Problem(Problem),
    DestinationFailed(usize, Problem),
    DateRefused(usize),
    CardRead,
}

/// A copy of one file.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum CopyState {
    /// Not there, or not known to be.
    None,
    /// Flushed, not read back.
    Written,
    /// Read back equal; seconds inside reads of the drive.
    ReadBack(f64),
    /// Proven by an earlier run; seconds of that read-back.
    Earlier(f64),
    /// Proven by an earlier run, and read back again in this one; seconds of that.
    Again(f64),
}

impl CopyState {
    /// Returns whether an earlier run made the copy and read it back.
    pub fn is_of_earlier_run(self) -> bool {
        matches!(self, Self::Earlier(_) | Self::Again(_))
    }

    /// Returns whether the copy was read back from the device, now or earlier.
    pub fn is_proven(self) -> bool {
        matches!(self, Self::ReadBack(_)) || self.is_of_earlier_run()
    }
}

/// What became of one file.
#[derive(Clone, PartialEq, Debug)]
pub struct FileOutcome {
    /// Hash of what the card delivered, when it was read whole now or earlier.
    pub blake3: Option<Digest>,
    /// Further hashes of the same bytes.
    pub also: AlsoHashes,
    /// Seconds inside reads of the card.
    pub read_s: f64,
    /// Nothing but zeros, and not empty.
    pub only_zeros: bool,
    /// One per destination.
    pub copies: PerDestination<CopyState>,
    /// What each copy looked like when it had been read back and had its name; `None` where that has to be read again.
    pub sights: PerDestination<Option<Sight>>,
}

/// What became of one destination.
#[derive(Clone, PartialEq, Debug)]
pub struct DestinationOutcome {
    /// The least reliable way in which a file was read back.
    pub way: Option<ReadBackWay>,
    /// It was dropped.
    pub failed: bool,
    /// The last file published on it.
    pub last_file: Option<String>,
    /// Files whose date the drive refused.
    pub dates_refused: u64,
}

/// Bytes per interval, for the record.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Rates {
    /// Length of an interval in seconds.
    pub every_s: u64,
    /// Read from the card.
    pub read: Vec<u64>,
    /// Written, per destination.
    pub write: Vec<Vec<u64>>,
    /// Read back, per destination.
    pub readback: Vec<Vec<u64>>,
}

/// A lasting fall of the rate while a destination held the others back.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DriveFell {
    /// Which, counted from 0.
    pub destination: usize,
    /// Bytes that were written to it by then.
    pub bytes: u64,
    /// Bytes per second since.
    pub to_bytes_per_s: f64,
}

/// What an offload did. The proof is made from this.
#[derive(Clone, Debug)]
pub struct Offloaded {
    /// One per job of the plan.
    pub files: Vec<FileOutcome>,
    /// One per destination.
    pub destinations: Vec<DestinationOutcome>,
    /// What went wrong, in the order it was met.
    pub problems: Vec<Problem>,
    /// Stopped by the person.
    pub interrupted: bool,
    /// Bytes per interval.
    pub rates: Rates,
    /// What held the others back, by name.
    pub limiting: String,
    /// The links that were known, and the measured one where a drive held the others back.
    pub links: Vec<Link>,
    /// What the job taught about rate and cost per file.
    pub learned: Option<Learned>,
    /// Where the rate fell for good while a destination held the others back.
    pub steps: Vec<DriveFell>,
    /// The first forecast that was made, in seconds.
    pub forecast_s: Option<f64>,
    /// How long it ran, without a second read of the card.
    pub took: Duration,
    /// How long the second read of the card took.
    pub read_again: Duration,
    /// The card's own rate over the whole job, in bytes per second of reading time; `None` where too
    /// little of it could be measured.
    pub read_rate: Option<f64>,
    /// The card reads at this rate or faster, in bytes per second.
    pub read_at_least: Option<f64>,
    /// Bytes read from the card.
    pub bytes_read: u64,
    /// Files of an original that were read whole and are what its manifest says.
    pub original_equal: u64,
    /// The least reliable way in which one of them was read.
    pub original_way: Option<ReadBackWay>,
}

/// How often the coordinator looks at the counters. Three in a second, so that with the last one of a job there
/// are no more than the four that the events allow.
const TICK: Duration = Duration::from_millis(340);
/// So much counts as not done while anything is read and not yet through.
const TAIL_BYTES: u64 = 16 << 20;
/// From this time without progress on it is said what is waited for.
const STALL_TOLD: Duration = Duration::from_secs(3);
/// Seconds that the picture of the last rates shows.
const STRIP_S: u64 = 60;
/// Intervals kept for the record before two are merged into one.
const INTERVALS_MAX: usize = 4_096;

/// What every thread waits at until the offload is begun, so that one that cannot be started costs nothing.
#[derive(Clone, Debug)]
struct Gate {
    is_open: Arc<AtomicBool>,
    /// Ends when the other end is dropped, whether the gate was opened or not.
    closed: Receiver<()>,
}

impl Gate {
    /// Waits; whether there is anything to do.
    fn pass(&self) -> bool {
        // Nothing is ever sent: this ends when the other end is dropped.
        let _closed = self.closed.recv();
        self.is_open.load(Ordering::SeqCst)
    }
}

/// The threads of an offload, all of them, before the first has done anything. Dropped, they end.
#[derive(Debug)]
pub struct Started {
    context: Arc<Context>,
    threads: Vec<JoinHandle<()>>,
    watch: Watch,
    reports: Receiver<Report>,
    is_open: Arc<AtomicBool>,
    gate: Sender<()>,
}

/// Starts every thread of an offload. They wait, and nothing is read or written before [`Started::run`].
///
/// # Errors
/// When the system refuses to start a thread.
pub fn start(context: &Arc<Context>) -> io::Result<Started> {
    let lanes = context.plan.destinations.len();
    let limits = &context.limits;
    let (report, reports) = bounded(1_024);
    let (open, closed) = bounded(0);
    let is_open = Arc::new(AtomicBool::new(false));
    let gate = Gate {
        is_open: Arc::clone(&is_open),
        closed,
    };
    let mut hashers = Vec::new();
    let mut senders = Vec::new();
    let mut threads = Vec::new();
    for index in 0..lanes {
        let (tx, rx) = bounded(limits.queue);
        senders.push(tx);
        threads.extend(Lane::start(index, context, &report, rx, &gate)?);
    }
    let mut spawn = |name: &str, run: Box<dyn FnOnce() + Send>| {
        let gate = gate.clone();
        let run = move || {
            if gate.pass() {
                run();
            }
        };
        let thread = std::thread::Builder::new().name(name.into()).spawn(run);
        thread.map(|thread| threads.push(thread))
    };
    // One thread for each hash: what is slow on one core does not add up.
    for also in std::iter::once(None).chain(context.plan.also.iter().map(Some)) {
        let (tx, rx) = bounded(limits.queue);
        hashers.push(tx);
        let (hashing, report) = (Arc::clone(context), report.clone());
        spawn(
            also.map_or("hash", Also::id),
            Box::new(move || match also {
                None => hash_all(&hashing, &rx, &report),
                Some(also) => hash_also(&hashing, also, &rx),
            }),
        )?;
    }
    let reading = Arc::clone(context);
    spawn(
        "read",
        Box::new(move || Reader::new(reading, hashers, senders, report).run()),
    )?;
    Ok(Started {
        context: Arc::clone(context),
        threads,
        watch: Watch::start(context)?,
        reports,
        is_open,
        gate: open,
    })
}

impl Started {
    /// Runs the offload to its end.
    pub fn run(self, observer: &mut dyn Observer) -> Offloaded {
        self.is_open.store(true, Ordering::SeqCst);
        drop(self.gate);
        let mut coordinator = Coordinator::new(&self.context);
        coordinator.watch = Some(self.watch);
        let finished = coordinator.collect(&self.reports, observer);
        if finished {
            for thread in self.threads {
                let name = thread.thread().name().unwrap_or("a stage").to_owned();
                if thread.join().is_err() {
                    let detail = format!(
                        "the stage `{name}` broke down; this is a fault of unlade, please report it"
                    );
                    coordinator.problem(Problem::new(ProblemKind::NotReadBack, detail), observer);
                }
            }
        }
        coordinator.into_outcome()
    }
}

/// Every lane waits for the hasher; if it breaks down, the job has to stop instead of waiting on.
struct StopOnPanic<'a>(&'a Context);

impl Drop for StopOnPanic<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            self.0.cancel.store(true, Ordering::SeqCst);
        }
    }
}

/// Hashes what the reader delivers and notes the hash at every mark.
fn hash_all(context: &Context, messages: &Receiver<FromCard>, report: &Sender<Report>) {
    let _guard = StopOnPanic(context);
    let mut hasher = blake3::Hasher::new();
    for message in messages {
        match message {
            FromCard::Begin(_) => hasher = blake3::Hasher::new(),
            FromCard::Small(files) => {
                let start = context.clock.elapsed();
                for (file, chunk) in files.iter() {
                    note_content(file, chunk);
                    settle(context, file, Digest::of(chunk.bytes()), report);
                }
                let took = context.clock.elapsed().saturating_sub(start);
                context.meter.hash_ns.add_time(took);
            }
            FromCard::Chunk(file, chunk, offset) => {
                let start = context.clock.elapsed();
                hasher.update(chunk.bytes());
                note_content(&file, &chunk);
                let end = offset + len64(chunk.bytes().len());
                if end.is_multiple_of(context.limits.mark_bytes) {
                    file.mark(end, hasher.finalize().into());
                }
                context
                    .meter
                    .hash_ns
                    .add_time(context.clock.elapsed().saturating_sub(start));
            }
            FromCard::End(file) => settle(context, &file, hasher.finalize().into(), report),
            FromCard::Abort(file) => file.settle(Err(GivenUp)),
        }
    }
}

/// Settles a file that was read whole. What an original's manifest does not vouch for is given up, so that no
/// drive gives it its final name.
fn settle(context: &Context, file: &InFlight, digest: Digest, report: &Sender<Report>) {
    let Some(expected) = context.plan.expected(file.job) else {
        return file.settle(Ok(digest));
    };
    let (is_equal, way) = (expected == digest, file.way());
    file.settle(if is_equal { Ok(digest) } else { Err(GivenUp) });
    // The coordinator is gone only when it has given this thread up.
    drop(report.send(Report::Original(file.job, is_equal, way)));
}

/// Notes whether anything but zeros was met.
fn note_content(file: &InFlight, chunk: &Chunk) {
    // One non-zero byte near the start ends this search; only a file of zeros pays.
    if file.only_zeros.load(Ordering::Relaxed) && chunk.bytes().iter().any(|&b| b != 0) {
        file.only_zeros.store(false, Ordering::Relaxed);
    }
}

/// Makes one further hash of what the reader delivers.
fn hash_also(context: &Context, also: Also, messages: &Receiver<FromCard>) {
    let _guard = StopOnPanic(context);
    let mut hasher = Hasher::new(also);
    for message in messages {
        match message {
            FromCard::Begin(_) => hasher = Hasher::new(also),
            FromCard::Chunk(_, chunk, _) => hasher.update(chunk.bytes()),
            FromCard::Small(files) => {
                for (file, chunk) in files.iter() {
                    let mut hasher = Hasher::new(also);
                    hasher.update(chunk.bytes());
                    file.settle_also(also, &hasher.finish());
                }
            }
            FromCard::End(file) => {
                let whole = std::mem::replace(&mut hasher, Hasher::new(also));
                file.settle_also(also, &whole.finish());
            }
            // The reader has given the file up already.
            FromCard::Abort(_) => {}
        }
    }
}

/// The counters at the last look, for rates per interval.
#[derive(Default)]
struct Seen {
    read: u64,
    given_up: u64,
    write: Vec<u64>,
    readback: Vec<u64>,
}

struct Coordinator {
    context: Arc<Context>,
    files: Vec<FileOutcome>,
    destinations: Vec<DestinationOutcome>,
    problems: Vec<Problem>,
    untold: u64,
    rates: Rates,
    seen: Seen,
    /// Bytes read that the card beside this one knows of.
    told_read: u64,
    interval_end: Duration,
    start: Duration,
    forecast: Forecast,
    /// Bytes that were read and not through when all was read.
    lag_at_end: Option<u64>,
    /// Kept bytes of the slowest destination that were not read again when all was copied.
    kept_at_end: Option<u64>,
    forecast_s: Option<f64>,
    steps: Vec<DriveFell>,
    live: Live,
    holding: bottleneck::Holding,
    to_read: (u64, u64),
    /// Files of which it was told that a record says something else.
    doubted: HashSet<usize>,
    original_equal: u64,
    original_way: Option<ReadBackWay>,
    stopped_at: Option<Duration>,
    watch: Option<Watch>,
}

impl Coordinator {
    fn new(context: &Arc<Context>) -> Self {
        let plan = &context.plan;
        let lanes = plan.destinations.len();
        let start = context.clock.elapsed();
        Self {
            files: plan.jobs.iter().map(outcome_at_start).collect(),
            destinations: (0..lanes).map(|d| destination_at_start(plan, d)).collect(),
            problems: Vec::new(),
            untold: 0,
            rates: Rates {
                every_s: 1,
                read: Vec::new(),
                write: vec![Vec::new(); lanes],
                readback: vec![Vec::new(); lanes],
            },
            seen: Seen {
                write: vec![0; lanes],
                readback: vec![0; lanes],
                ..Seen::default()
            },
            told_read: 0,
            interval_end: start + Duration::from_secs(1),
            start,
            forecast: plan.forecast(),
            lag_at_end: None,
            kept_at_end: None,
            forecast_s: plan
                .forecast()
                .remaining()
                .map(|r| r.likely_s)
                .filter(|s| *s > 0.0),
            steps: Vec::new(),
            live: Live::default(),
            holding: bottleneck::Holding::new(start),
            to_read: plan.to_read(),
            doubted: HashSet::new(),
            original_equal: 0,
            original_way: None,
            stopped_at: None,
            watch: None,
            context: Arc::clone(context),
        }
    }

    /// Collects reports until every stage has ended. `false`: a stage did not answer in time after
    /// a stop, and is left behind.
    fn collect(&mut self, reports: &Receiver<Report>, observer: &mut dyn Observer) -> bool {
        let mut next_tick = self.start + TICK;
        loop {
            let now = self.context.clock.elapsed();
            let next = next_tick.min(self.interval_end);
            match reports.recv_timeout(next.saturating_sub(now)) {
                Ok(report) => self.take(report, observer),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            let now = self.context.clock.elapsed();
            self.note_intervals(now);
            self.hear_of_lost(observer);
            if now >= next_tick {
                self.tick(now, observer);
                next_tick = now + TICK;
            }
            if self.context.cancel.load(Ordering::Relaxed) {
                let since = *self.stopped_at.get_or_insert(now);
                if now.saturating_sub(since) > self.context.limits.stop_patience {
                    return false;
                }
            }
        }
        let now = self.context.clock.elapsed();
        self.tick(now, observer);
        self.note_intervals(now);
        // The rest of the last interval, so that the intervals add up to the whole.
        self.note_interval(1);
        true
    }

    fn take(&mut self, report: Report, observer: &mut dyn Observer) {
        match report {
            Report::Proven(proven) => self.proven(&proven, observer),
            Report::Kept(kept) => self.kept(&kept),
            Report::Original(job, is_equal, way) => self.original(job, is_equal, way, observer),
            Report::KeptLost(destination, job, problem) => {
                self.files[job].copies[destination] = CopyState::None;
                self.problem(problem, observer);
            }
            Report::Problem(problem) => self.problem(problem, observer),
            Report::DestinationFailed(index, mut problem) => {
                self.destinations[index].failed = true;
                let last = self.destinations[index].last_file.as_deref();
                let good = last.map_or("no file was finished on it in this run".to_owned(), |f| {
                    format!("the last good file on it is `{f}`")
                });
                problem.detail = format!("{}; this drive was dropped, {good}", problem.detail);
                self.tell(problem, observer);
            }
            Report::DateRefused(index) => self.destinations[index].dates_refused += 1,
            // An original is no card that could leave a reader.
            Report::CardRead if self.to_read.0 == 0 || self.context.plan.original().is_some() => {}
            Report::CardRead => observer.event(&Event::CardRead),
        }
    }

    /// Takes what the watch found while everything may be waiting.
    fn hear_of_lost(&mut self, observer: &mut dyn Observer) {
        while let Some(lost) = self.watch.as_ref().and_then(Watch::lost) {
            self.take(lost, observer);
        }
    }

    fn since_start(&self) -> Duration {
        self.context.clock.elapsed().saturating_sub(self.start)
    }

    fn proven(&mut self, proven: &Proven, observer: &mut dyn Observer) {
        let Some(job) = self.context.plan.jobs.get(proven.job) else {
            return;
        };
        let path = job.name.as_str().to_owned();
        let bytes = job.bytes;
        let file = &mut self.files[proven.job];
        if file.blake3.is_some_and(|known| known != proven.digest) {
            // An earlier run kept other bytes under the same name, size and date.
            let detail = "its bytes are no longer those that an earlier run read, though name, size and date are the same";
            return self.problem(
                Problem::new(ProblemKind::ChangedOnCard, detail).at(path),
                observer,
            );
        }
        file.blake3 = Some(proven.digest);
        file.also = proven.also.clone();
        file.read_s = proven.read_s;
        file.only_zeros = proven.only_zeros && bytes > 0;
        let is_read_back = proven.level != Level::Written && proven.way.reaches_device();
        file.sights[proven.destination] = proven.sight;
        file.copies[proven.destination] = if is_read_back {
            CopyState::ReadBack(proven.readback_s)
        } else {
            CopyState::Written
        };
        let destination = &mut self.destinations[proven.destination];
        destination.way = Some(destination.way.map_or(proven.way, |w| w.min(proven.way)));
        destination.last_file = Some(path.clone());
        let event = Event::File {
            path,
            bytes,
            blake3: proven.digest,
            destination: proven.destination,
            proof: proven.level,
            way: proven.way,
        };
        observer.event(&event);
        self.hold_against_records(proven, observer);
    }

    /// Tells a further hash that is not the one on record although BLAKE3 is: once for each file.
    fn hold_against_records(&mut self, proven: &Proven, observer: &mut dyn Observer) {
        let Some(said) = self.context.plan.said.get(&proven.job) else {
            return;
        };
        let mut same = said.iter().filter(|(blake3, _)| *blake3 == proven.digest);
        let wrong = same.find_map(|(_, also)| proven.also.conflict(also));
        let Some(also) = wrong.filter(|_| self.doubted.insert(proven.job)) else {
            return;
        };
        let detail = format!(
            "its BLAKE3 is the one that an earlier manifest has, its {also} is not: that manifest is damaged, or this computer reckons wrongly"
        );
        let problem = Problem::new(ProblemKind::ManifestDamaged, detail);
        let path = self
            .context
            .plan
            .jobs
            .get(proven.job)
            .map(|job| job.name.as_str());
        let problem = path.into_iter().fold(problem, Problem::at);
        self.problem(problem, observer);
    }

    /// One that may have come from memory says no more than the record of the earlier run does.
    fn kept(&mut self, kept: &Kept) {
        if !kept.way.reaches_device() {
            return;
        }
        let file = &mut self.files[kept.job];
        file.sights[kept.destination] = Some(kept.sight);
        file.copies[kept.destination] = CopyState::Again(kept.readback_s);
        let destination = &mut self.destinations[kept.destination];
        destination.way = Some(destination.way.map_or(kept.way, |w| w.min(kept.way)));
    }

    fn original(
        &mut self,
        job: usize,
        is_equal: bool,
        way: ReadBackWay,
        observer: &mut dyn Observer,
    ) {
        if is_equal {
            self.original_equal += 1;
            self.original_way = Some(self.original_way.map_or(way, |w| w.min(way)));
            return;
        }
        let plan = Arc::clone(&self.context.plan);
        let (Some(job), Some(original)) = (plan.jobs.get(job), plan.original()) else {
            return;
        };
        let detail = format!(
            "its bytes in `{}` are not those that its manifest has, so it was not copied; {}",
            shown(original.root.as_str()),
            original.elsewhere_words()
        );
        let problem = Problem::new(ProblemKind::Mismatch, detail).at(job.name.as_str());
        self.problem(problem, observer);
    }

    fn problem(&mut self, problem: Problem, observer: &mut dyn Observer) {
        if self.problems.len() >= self.context.limits.problems_max && problem.path.is_some() {
            self.untold += 1;
            return;
        }
        self.tell(problem, observer);
    }

    fn tell(&mut self, problem: Problem, observer: &mut dyn Observer) {
        observer.event(&Event::Problem(problem.clone()));
        self.problems.push(problem);
    }

    fn tick(&mut self, now: Duration, observer: &mut dyn Observer) {
        self.live.note(&self.context.meter, now);
        if let Some(rate) = self.card_rate().filter(|r| !r.is_least) {
            self.forecast.observe_card(rate.bytes_per_s / 1e6);
        }
        self.look_beside();
        let (snapshot, change) = self.snapshot(now);
        let remaining = snapshot.remaining;
        observer.event(&Event::Tick(Box::new(snapshot)));
        if let Some(change) = change {
            self.note_fall(change);
            observer.event(&Event::RateChange(change, remaining));
        }
    }

    /// Tells the card that is read at the same time how far this one is, and hears of it.
    fn look_beside(&mut self) {
        let beside = &self.context.plan.beside;
        let read = self.context.meter.read.get();
        beside.note_read(read.saturating_sub(self.told_read));
        self.told_read = self.told_read.max(read);
        if let Some(left) = beside.other_left() {
            self.forecast.observe_companion(left);
        }
    }

    /// A drive that slowed down for good will do so the next time; the bytes up to the change are
    /// those at its own time, not at the time when it was certain.
    fn note_fall(&mut self, change: Change) {
        let elapsed = self.since_start();
        let name = self.held(elapsed, false).name;
        let number = name.strip_prefix("destination ").map(str::parse::<usize>);
        let (Some(Ok(number)), true) = (number, change.to_bytes_per_s < change.from_bytes_per_s)
        else {
            return;
        };
        let destination = number.saturating_sub(1);
        let written = self.context.meter.destinations.get(destination);
        let since = (elapsed.as_secs_f64() - change.at_s).max(0.0);
        let after = crate::units::whole(since * change.to_bytes_per_s);
        self.steps.push(DriveFell {
            destination,
            bytes: written.map_or(0, |d| d.written.get()).saturating_sub(after),
            to_bytes_per_s: change.to_bytes_per_s,
        });
    }

    /// The card's own rate as of late.
    fn card_rate(&self) -> Option<CardRate> {
        self.live
            .rate(&self.context.meter, self.context.clock.elapsed())
    }

    /// Notes the intervals that are over. Each is as long as the record says: where this thread was held up,
    /// what was done meanwhile is spread evenly over those that passed.
    fn note_intervals(&mut self, now: Duration) {
        let every = Duration::from_secs(self.rates.every_s);
        if now >= self.interval_end {
            let behind = self.furthest_behind();
            self.holding.note(&self.context.meter, now, behind);
        }
        let late = now.checked_sub(self.interval_end);
        let Some(passed) = late.map(|late| late.as_secs() / self.rates.every_s + 1) else {
            return;
        };
        for left in (1..=passed).rev() {
            self.note_interval(left);
        }
        self.interval_end += every * u32::try_from(passed).unwrap_or(u32::MAX);
        let has_pairs =
            |values: &[u64]| values.len() >= INTERVALS_MAX && values.len().is_multiple_of(2);
        while has_pairs(&self.rates.read) {
            self.rates.every_s *= 2;
            merge_pairs(&mut self.rates.read);
            self.rates.write.iter_mut().for_each(merge_pairs);
            self.rates.readback.iter_mut().for_each(merge_pairs);
        }
    }

    /// Notes one interval: an equal share of what was done since the last one, where `left` of them are to be
    /// noted.
    fn note_interval(&mut self, left: u64) {
        let share = |now: u64, seen: &mut u64| {
            let bytes = (now - *seen) / left;
            *seen += bytes;
            bytes
        };
        let meter = &self.context.meter;
        let bytes = share(meter.read.all.get(), &mut self.seen.read);
        self.rates.read.push(bytes);
        for (i, d) in meter.destinations.iter().enumerate() {
            let back = d.read_back.all.get() + d.kept_read.get();
            self.rates.write[i].push(share(d.written.all.get(), &mut self.seen.write[i]));
            self.rates.readback[i].push(share(back, &mut self.seen.readback[i]));
        }
    }

    /// Bytes per second of the last minute, one value for each interval.
    fn strip(&self) -> Vec<f64> {
        let every = self.rates.every_s;
        let last = crate::units::len_usize(STRIP_S / every).max(1);
        let from = self.rates.read.len().saturating_sub(last);
        let rates = self.rates.read.iter().skip(from);
        rates.map(|bytes| float(*bytes) / float(every)).collect()
    }

    fn snapshot(&mut self, now: Duration) -> (Snapshot, Option<Change>) {
        let context = Arc::clone(&self.context);
        let meter = &context.meter;
        let elapsed = now.saturating_sub(self.start);
        let busy = |ns: u64| share_of(ns, elapsed);
        let destinations: Vec<DestinationSnapshot> = meter
            .destinations
            .iter()
            .zip(&context.plan.destinations)
            .zip(&self.destinations)
            .map(|((m, planned), outcome)| DestinationSnapshot {
                bytes_total: planned.copy_bytes,
                bytes_written: m.written.get(),
                bytes_read_back: m.read_back.get(),
                kept_total: if context.plan.reads_kept() {
                    planned.kept_bytes
                } else {
                    0
                },
                kept_read: m.kept_read.get(),
                files: m.files.get(),
                failed: outcome.failed,
                busy_write: busy(m.write_ns.get()),
                busy_flush: busy(m.flush_ns.get()),
                busy_read_back: busy(m.read_back_ns.get()),
            })
            .collect();
        let (files_total, bytes_total) = self.to_read;
        let bytes_read = meter.read.get();
        let change = self.look_ahead(elapsed, &destinations);
        let remaining = self.forecast.remaining();
        let stalled = self.forecast.stalled();
        let held = self.held(elapsed, false);
        let live = self.card_rate();
        let snapshot = Snapshot {
            files_total,
            bytes_total,
            files_read: meter.files.get(),
            bytes_read,
            card_done: meter.card_done.load(Ordering::Relaxed)
                && context.plan.read_again().is_none(),
            live_rate: live.map(|l| l.bytes_per_s),
            live_rate_at_least: live.is_some_and(|l| l.is_least),
            delivered_rate: crate::units::rate(bytes_read, elapsed),
            busy_read: busy(meter.read_ns.get()),
            busy_hash: busy(meter.hash_ns.get()),
            limiting: held.name,
            held_beyond_card: held.by != bottleneck::Stage::Card,
            links: held.links,
            again_total: context.plan.read_again().map_or(0, |again| again.bytes),
            again_read: 0,
            ceiling_mbps: context.plan.ceiling.mbps(),
            card_link: context.plan.ceiling.on_cards_side().cloned(),
            destinations,
            remaining,
            basis: self.forecast.basis(),
            stalled_s: stalled.as_secs_f64(),
            waiting_for: (stalled >= STALL_TOLD).then(|| self.waiting_for()),
            problems: len64(self.problems.len()) + self.untold,
            strip: self.strip(),
            strip_every_s: self.rates.every_s,
            stopping: context.cancel.load(Ordering::Relaxed),
        };
        (snapshot, change)
    }

    /// Lets the forecast see how far the job is.
    fn look_ahead(
        &mut self,
        elapsed: Duration,
        destinations: &[DestinationSnapshot],
    ) -> Option<Change> {
        let context = Arc::clone(&self.context);
        let meter = &context.meter;
        let given_up = meter.read.given_up.get();
        self.forecast.gave_up(given_up - self.seen.given_up);
        self.seen.given_up = given_up;
        let bytes_read = meter.read.get();
        let behind = destinations
            .iter()
            .filter(|d| !d.failed)
            .map(|d| self.settled_bytes(d))
            .min();
        let lag = bytes_read - behind.unwrap_or(bytes_read).min(bytes_read);
        let done = Amount {
            files: meter.files.get(),
            bytes: bytes_read - self.held_open(lag),
        };
        // A read-back runs behind its writer, so the slowest stage sets the rate of the copy. Kept
        // files are read again when it is done.
        let is_copied = meter.card_done.load(Ordering::Relaxed) && lag == 0;
        let change = match self.kept_done(destinations).filter(|_| is_copied) {
            Some(done) => self.forecast.observe(elapsed, Stage::ReadBack, done),
            None => self.forecast.observe(elapsed, Stage::Copy, done),
        };
        if self.forecast_s.is_none() {
            self.forecast_s = self
                .forecast
                .remaining()
                .filter(|r| r.likely_s > 0.0)
                .map(|r| r.likely_s + elapsed.as_secs_f64());
        }
        change
    }

    /// How far the reading of kept files is, of the amount that the forecast counts with: what is
    /// done beside the copy is not in that. `None`: there are none.
    fn kept_done(&mut self, destinations: &[DestinationSnapshot]) -> Option<Amount> {
        let all = self.context.plan.kept_after()?;
        let left = |d: &DestinationSnapshot| d.kept_total.saturating_sub(d.kept_read);
        let live = destinations.iter().filter(|d| !d.failed);
        let left = live.map(left).max().unwrap_or(0);
        let at_end = (*self.kept_at_end.get_or_insert(left)).max(left);
        let share = if at_end == 0 {
            1.0
        } else {
            1.0 - float(left) / float(at_end)
        };
        Some(Amount {
            files: crate::units::whole(float(all.files) * share),
            bytes: crate::units::whole(float(all.bytes) * share),
        })
    }

    /// Bytes that count as not done because `lag` bytes are read and not through. What was read tells
    /// the rate: buffers are few, so a slow drive slows the reader too, while read-backs come in lumps
    /// of a stripe. So it is a few bytes only, which go on to the end when all is read.
    fn held_open(&mut self, lag: u64) -> u64 {
        let held = lag.min(TAIL_BYTES);
        if !self.context.meter.card_done.load(Ordering::Relaxed) {
            return held;
        }
        let at_end = (*self.lag_at_end.get_or_insert(lag)).max(lag);
        if at_end == 0 {
            return 0;
        }
        let share = float(lag) / float(at_end);
        crate::units::whole(share * float(at_end.min(TAIL_BYTES)))
    }

    /// Returns who keeps the others waiting: the card, unless the reader itself waits or is done.
    fn waiting_for(&self) -> String {
        let meter = &self.context.meter;
        if !meter.waiting.load(Ordering::Relaxed) && !meter.card_done.load(Ordering::Relaxed) {
            return "card".to_owned();
        }
        let live = |d: &meter::DestinationMeter| !d.failed.load(Ordering::Relaxed);
        let any = || meter.destinations.iter().position(live);
        let behind = self.furthest_behind().or_else(any);
        behind.map_or("card".to_owned(), |d| format!("destination {}", d + 1))
    }

    /// Returns the drive, of those that are not dropped, that has most left to do, if any has anything left.
    fn furthest_behind(&self) -> Option<usize> {
        let plan = &self.context.plan;
        let left = |(m, d): (&meter::DestinationMeter, &PlannedDestination)| {
            let written = d.copy_bytes.saturating_sub(m.written.get());
            // What stands there is read back as well, and its bytes are not known here.
            let back = d.copy_bytes.saturating_sub(m.read_back.get());
            let kept = d.kept_bytes.saturating_sub(m.kept_read.get());
            match self.context.level {
                Level::Written => written,
                Level::ReadBack | Level::Reread => written + back + kept,
            }
        };
        let all = self
            .context
            .meter
            .destinations
            .iter()
            .zip(&plan.destinations);
        let live = all.enumerate();
        let live = live.filter(|(_, (m, _))| !m.failed.load(Ordering::Relaxed));
        let left = live.map(|(index, both)| (left(both), index));
        let most = left.max_by_key(|(left, index)| (*left, std::cmp::Reverse(*index)));
        most.filter(|(left, _)| *left > 0).map(|(_, index)| index)
    }

    fn held(&self, elapsed: Duration, is_over: bool) -> bottleneck::Held {
        let (meter, ceiling) = (&self.context.meter, &self.context.plan.ceiling);
        let measured = self.card_rate().filter(|l| !l.is_least);
        let live = measured.map(|l| l.bytes_per_s);
        let (now, behind) = (self.start + elapsed, self.furthest_behind());
        let by = if is_over {
            self.holding.most(meter, now, behind)
        } else {
            self.holding.now(meter, now, behind)
        };
        bottleneck::held(by, meter, ceiling, live, &self.rates, elapsed, is_over)
    }

    /// Bytes of the card that are through with one destination.
    fn settled_bytes(&self, d: &DestinationSnapshot) -> u64 {
        let skipped = self.to_read.1.saturating_sub(d.bytes_total);
        let done = if self.context.level == Level::Written {
            d.bytes_written
        } else {
            d.bytes_read_back
        };
        done + skipped
    }

    fn into_outcome(mut self) -> Offloaded {
        if self.untold > 0 {
            let detail = format!(
                "and {} more problems that are not listed one by one",
                self.untold
            );
            self.problems
                .push(Problem::new(ProblemKind::Unreadable, detail));
        }
        let held = self.held(self.since_start(), true);
        let meter = &self.context.meter;
        Offloaded {
            limiting: held.name,
            links: held.links,
            interrupted: self.context.cancel.load(Ordering::Relaxed),
            took: self.since_start(),
            read_again: Duration::ZERO,
            read_rate: card_rate::of_job(meter),
            read_at_least: card_rate::at_least(meter, self.since_start()),
            bytes_read: meter.read.get(),
            original_equal: self.original_equal,
            original_way: self.original_way,
            files: self.files,
            destinations: self.destinations,
            problems: self.problems,
            rates: self.rates,
            forecast_s: self.forecast_s,
            learned: self.forecast.learned(),
            steps: self.steps,
        }
    }
}

fn outcome_at_start(job: &FileJob) -> FileOutcome {
    let kept = job.work.iter().find_map(Work::earlier);
    FileOutcome {
        blake3: kept.map(|k| k.blake3),
        also: kept.map(|k| k.also.clone()).unwrap_or_default(),
        read_s: kept.map_or(0.0, |k| k.read_s),
        only_zeros: kept.is_some_and(|k| k.only_zeros),
        copies: job
            .work
            .iter()
            .map(|w| match w.earlier() {
                Some(entry) => CopyState::Earlier(entry.readback_s),
                None => CopyState::None,
            })
            .collect(),
        sights: job.work.iter().map(|_| None).collect(),
    }
}

/// The way in which kept files were read back by earlier runs counts as well.
fn destination_at_start(plan: &Plan, destination: usize) -> DestinationOutcome {
    let kept = plan
        .jobs
        .iter()
        .filter_map(|job| job.work.get(destination)?.earlier().map(|e| e.way));
    DestinationOutcome {
        way: kept.min(),
        failed: false,
        last_file: None,
        dates_refused: 0,
    }
}

/// The share that so many nanoseconds are of a time, 1 at most.
fn share_of(ns: u64, time: Duration) -> f64 {
    let all = time.as_secs_f64() * 1e9;
    if all > 0.0 {
        (float(ns) / all).min(1.0)
    } else {
        0.0
    }
}

fn merge_pairs(values: &mut Vec<u64>) {
    *values = values.chunks(2).map(|pair| pair.iter().sum()).collect();
}

/// Names the report only: what it carries can be long.
impl std::fmt::Debug for Report {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Proven(_) => "Proven",
            Self::Kept(_) => "Kept",
            Self::Original(..) => "Original",
            Self::KeptLost(..) => "KeptLost",
            Self::Problem(_) => "Problem",
            Self::DestinationFailed(..) => "DestinationFailed",
            Self::DateRefused(_) => "DateRefused",
            Self::CardRead => "CardRead",
        })
    }
}
