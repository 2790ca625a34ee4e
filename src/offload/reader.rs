//! Owns the one read of the card. It feeds the hashers and every destination with shared buffers,
//! notices files that are unreadable or no longer what was listed, and goes over those once more,
//! slowly, at the end. It never writes anywhere.

use super::card_rate::{self, Pace};
use super::context::Context;
use super::in_flight::{GivenUp, InFlight};
use super::message::{FromCard, Report};
use crate::disk::Source;
use crate::disk::buffer::{ALIGN, Aligned, Pool};
use crate::error::{Problem, ProblemKind, Step, failed};
use crate::plan::FileJob;
use crate::record::layout::Level;
use crate::units::{count, counted, len_usize, len64, nanos};
use crossbeam_channel::{SendTimeoutError, Sender, TrySendError};
use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// How often a waiting reader looks whether it should stop.
const PATIENCE: Duration = Duration::from_millis(50);
/// Buffers that are left with the others when a probe begins, so that no drive runs dry.
const LEFT_TO_OTHERS: usize = 2;
/// A probe that can't begin after so long is not made.
const PROBE_PATIENCE: Duration = Duration::from_secs(10);

/// The reader's ends of the queues.
pub(super) struct Reader {
    context: Arc<Context>,
    hashers: Vec<Sender<FromCard>>,
    destinations: Vec<Sender<FromCard>>,
    report: Sender<Report>,
    pool: Pool,
    /// What the reads say of the card's own rate.
    pace: Pace,
    /// Buffers are taken without a pause until none is left, so that the card's own rate shows.
    probing: bool,
    /// Small files that were read and not handed over yet.
    shared: Option<Shared>,
    /// A file opened early, so that its first bytes are on their way.
    next: Option<(usize, Box<dyn Source>)>,
    /// Retries left for the whole job.
    retries_left: u32,
}

/// Whole small files in one buffer.
struct Shared {
    buffer: Aligned,
    /// Bytes in use; a multiple of the alignment.
    used: usize,
    /// Each file with the place of its bytes.
    files: Vec<(Arc<InFlight>, usize, usize)>,
}

/// Why a file was not read whole.
enum Trouble {
    /// The job stops, or no destination is left.
    Stopped,
    /// The system could not open or read it.
    Io(Step, io::Error, u64),
    /// It is not what was listed.
    Changed(String),
}

impl Reader {
    pub(super) fn new(
        context: Arc<Context>,
        hashers: Vec<Sender<FromCard>>,
        destinations: Vec<Sender<FromCard>>,
        report: Sender<Report>,
    ) -> Self {
        let limits = context.limits;
        Self {
            hashers,
            destinations,
            report,
            pool: Pool::new(limits.chunks, limits.chunks_reserve, limits.chunk_bytes),
            // The system reads ahead while the reader waits: about the two chunks asked for.
            pace: Pace::new(2 * len64(limits.chunk_bytes), context.clock.elapsed()),
            probing: false,
            shared: None,
            next: None,
            retries_left: limits.retries_total,
            context,
        }
    }

    /// Reads every file of the plan that has to be read, then the unreadable ones once more.
    pub(super) fn run(mut self) {
        let jobs: Vec<usize> = (0..self.context.plan.jobs.len())
            .filter(|&i| {
                let job = self.context.plan.jobs.get(i);
                job.is_some_and(|job| self.context.plan.reads(job))
            })
            .collect();
        let mut again = Vec::new();
        let mut any_changed = false;
        let mut in_a_row = 0;
        for (at, &job) in jobs.iter().enumerate() {
            if let Err(why) = self.context.card_is_in_place() {
                self.card_gone(&why);
                return;
            }
            match self.file(job, jobs.get(at + 1).copied(), false) {
                Ok(()) => in_a_row = 0,
                Err(Trouble::Stopped) => return,
                Err(Trouble::Changed(why)) => {
                    any_changed = true;
                    self.changed(job, why);
                }
                Err(Trouble::Io(..)) => {
                    again.push(job);
                    in_a_row += 1;
                    if in_a_row >= self.context.limits.failures_in_a_row {
                        in_a_row = 0;
                        if let Err(why) = self.context.card_is_there() {
                            self.card_gone(&why);
                            return;
                        }
                    }
                }
            }
        }
        if self.hand_over().is_err() {
            return;
        }
        let all_read = self.second_pass(&again) && !any_changed;
        self.context.meter.card_done.store(true, Ordering::Relaxed);
        // The closing look comes before the announcement: from then on the card may be gone.
        let is_card = self.context.plan.original().is_none();
        let reads_again = self.context.level == Level::Reread;
        if all_read && is_card && !reads_again && self.context.close_card() {
            self.send_report(Report::CardRead);
        }
    }

    /// Goes over the unreadable files once more; whether all of them could be read now.
    fn second_pass(&mut self, again: &[usize]) -> bool {
        let mut all_read = true;
        for &job in again {
            match self.file(job, None, true) {
                Ok(()) => {}
                Err(Trouble::Stopped) => return false,
                Err(Trouble::Changed(why)) => {
                    all_read = false;
                    self.changed(job, why);
                }
                Err(Trouble::Io(step, cause, offset)) => {
                    if let Err(why) = self.context.card_is_there() {
                        self.card_gone(&why);
                        return false;
                    }
                    all_read = false;
                    self.unreadable(job, step, &cause, offset);
                }
            }
        }
        all_read
    }

    fn unreadable(&self, job: usize, step: Step, cause: &io::Error, offset: u64) {
        let is_card = self.context.plan.original().is_none();
        let kind = match cause.kind() {
            io::ErrorKind::NotFound if is_card => ProblemKind::Vanished,
            io::ErrorKind::NotFound => ProblemKind::Missing,
            _ => ProblemKind::Unreadable,
        };
        let place = if step == Step::Read {
            format!(" at byte {offset}")
        } else {
            String::new()
        };
        let detail = format!("{}{place}, also on a second try", failed(step, cause));
        self.problem(job, kind, self.with_others(detail));
    }

    fn changed(&self, job: usize, why: String) {
        let kind = match self.context.plan.original() {
            None => ProblemKind::ChangedOnCard,
            Some(_) => ProblemKind::Mismatch,
        };
        self.problem(job, kind, self.with_others(why));
    }

    /// Says where else a file of an original may be.
    fn with_others(&self, why: String) -> String {
        match self.context.plan.original() {
            None => why,
            Some(original) => format!(
                "{why}, so it was not copied; {}",
                original.elsewhere_words()
            ),
        }
    }

    fn problem(&self, job: usize, kind: ProblemKind, detail: String) {
        let path = self
            .context
            .plan
            .jobs
            .get(job)
            .map(|j| j.name.as_str().to_owned());
        let mut problem = Problem::new(kind, detail);
        problem.path = path;
        self.send_report(Report::Problem(problem));
    }

    fn card_gone(&self, why: &str) {
        if self.context.note_card_gone() {
            self.send_report(Report::Problem(Problem::new(ProblemKind::Vanished, why)));
        }
    }

    fn send_report(&self, report: Report) {
        // The coordinator is gone only when it has given this thread up.
        drop(self.report.send(report));
    }

    /// Reads one file into all queues. The file is settled by the hasher on `End`, or here.
    fn file(&mut self, job: usize, following: Option<usize>, careful: bool) -> Result<(), Trouble> {
        let context = Arc::clone(&self.context);
        let Some(plan) = context.plan.jobs.get(job) else {
            return Err(Trouble::Stopped);
        };
        let mut source = self
            .open(job, plan)
            .map_err(|e| Trouble::Io(Step::Open, e, 0))?;
        if !careful && plan.bytes <= context.limits.shared_bytes {
            return self.small(job, plan, source.as_mut(), following);
        }
        self.hand_over()?;
        let file = Arc::new(InFlight::new(job, self.hashers.len().saturating_sub(1)));
        self.send(&FromCard::Begin(Arc::clone(&file)))?;
        let before = context.meter.read.all.get();
        let outcome = self.content(plan, &file, source.as_mut(), following, careful);
        match outcome {
            Ok(()) => {
                context.meter.files.add(1);
                self.send(&FromCard::End(file))
            }
            Err(trouble) => {
                self.gave_up(before);
                file.settle(Err(GivenUp));
                self.send(&FromCard::Abort(file))?;
                Err(trouble)
            }
        }
    }

    /// Reads a small file whole into the buffer that it shares with its neighbours.
    fn small(
        &mut self,
        job: usize,
        plan: &FileJob,
        source: &mut dyn Source,
        following: Option<usize>,
    ) -> Result<(), Trouble> {
        let limits = &self.context.limits;
        let is_full = |shared: &Shared| {
            shared.files.len() >= limits.shared_files
                || shared.used + len_usize(plan.bytes) > shared.buffer.capacity()
        };
        if self.shared.as_ref().is_some_and(is_full) {
            self.hand_over()?;
        }
        let mut shared = match self.shared.take() {
            Some(shared) => shared,
            None => Shared {
                buffer: self.buffer(false)?,
                used: 0,
                files: Vec::new(),
            },
        };
        let file = Arc::new(InFlight::new(job, self.hashers.len().saturating_sub(1)));
        let from = shared.used;
        let before = self.context.meter.read.all.get();
        let read = self.small_content(plan, &file, source, following, &mut shared);
        if read.is_ok() {
            let to = from + len_usize(plan.bytes);
            shared.buffer.pad(to);
            shared.used = to.next_multiple_of(ALIGN);
            shared.files.push((file, from, to));
            self.context.meter.files.add(1);
        } else {
            self.gave_up(before);
        }
        self.shared = Some(shared);
        read
    }

    /// Takes note that what was read since `before` is of a file that was given up: it may be read once more.
    fn gave_up(&self, before: u64) {
        let read = &self.context.meter.read;
        // Only this thread adds to it.
        read.given_up.add(read.all.get() - before);
    }

    fn small_content(
        &mut self,
        plan: &FileJob,
        file: &InFlight,
        source: &mut dyn Source,
        following: Option<usize>,
        shared: &mut Shared,
    ) -> Result<(), Trouble> {
        self.check_unchanged(file.job, plan, source)?;
        self.open_early(following);
        let from = shared.used;
        let to = from + self.room(plan.bytes);
        let into = &mut shared.buffer.all_mut()[from..to];
        let n = self.fill(file, source, into, 0, plan.bytes, false)?;
        if n < plan.bytes {
            return Err(ended_early(n, plan));
        }
        source.forget(plan.bytes);
        file.note_way(source.way());
        self.check_unchanged(file.job, plan, source)
    }

    /// Hands the small files over that were read so far.
    fn hand_over(&mut self) -> Result<(), Trouble> {
        let Some(shared) = self.shared.take() else {
            return Ok(());
        };
        let chunk = self.pool.seal(shared.buffer, shared.used);
        let files = shared.files.into_iter();
        let files: Arc<[_]> = files
            .map(|(file, from, to)| (file, chunk.part(from, to)))
            .collect();
        drop(chunk);
        self.send(&FromCard::Small(files))
    }

    fn open(&mut self, job: usize, plan: &FileJob) -> io::Result<Box<dyn Source>> {
        match self.next.take() {
            Some((early, source)) if early == job => Ok(source),
            _ => self.context.open(plan),
        }
    }

    fn content(
        &mut self,
        plan: &FileJob,
        file: &Arc<InFlight>,
        source: &mut dyn Source,
        following: Option<usize>,
        careful: bool,
    ) -> Result<(), Trouble> {
        self.check_unchanged(file.job, plan, source)?;
        let chunk = len64(self.context.limits.chunk_bytes);
        let mut offset = 0;
        while offset < plan.bytes {
            let want = chunk.min(plan.bytes - offset);
            let mut buffer = self.buffer(want == chunk)?;
            let next = offset + want;
            if next < plan.bytes {
                source.expect(next, chunk.min(plan.bytes - next));
            } else if !careful {
                self.open_early(following);
            }
            let into = &mut buffer.all_mut()[..self.room(want)];
            let filled = self.fill(file, source, into, offset, want, careful);
            match filled {
                Ok(n) if n == want => {
                    let sealed = self.pool.seal(buffer, len_usize(n));
                    self.send(&FromCard::Chunk(Arc::clone(file), sealed, offset))?;
                }
                Ok(n) => {
                    self.pool.give_back(buffer);
                    return Err(ended_early(offset + n, plan));
                }
                Err(trouble) => {
                    self.pool.give_back(buffer);
                    return Err(trouble);
                }
            }
            offset = next;
            source.forget(offset);
        }
        file.note_way(source.way());
        self.check_unchanged(file.job, plan, source)
    }

    /// The bytes of a buffer that `want` bytes are read into: whole blocks where the read goes past the cache.
    fn room(&self, want: u64) -> usize {
        match self.context.plan.original() {
            None => len_usize(want),
            Some(_) => len_usize(want).next_multiple_of(ALIGN),
        }
    }

    fn check_unchanged(
        &self,
        job: usize,
        plan: &FileJob,
        source: &dyn Source,
    ) -> Result<(), Trouble> {
        let stat = source.stat().map_err(|e| Trouble::Io(Step::Look, e, 0))?;
        let (was, is) = (counted(plan.bytes, "byte"), counted(stat.bytes, "byte"));
        match self.context.plan.stood_date(job) {
            _ if stat.bytes != plan.bytes && self.context.plan.original().is_some() => {
                let why = format!("has {is} where its manifest says {was}");
                Err(Trouble::Changed(why))
            }
            _ if stat.bytes != plan.bytes => Err(Trouble::Changed(format!(
                "was {was} when it was listed and is {is} now"
            ))),
            Some(date) if stat.modified == date => Ok(()),
            _ => Err(Trouble::Changed(
                "was written to after it was listed".to_owned(),
            )),
        }
    }

    /// Opens the file after this one, so that the card never waits for an open.
    fn open_early(&mut self, following: Option<usize>) {
        let Some((job, plan)) = following.and_then(|j| Some((j, self.context.plan.jobs.get(j)?)))
        else {
            return;
        };
        // A failure shows again, and is told, when the file's turn comes.
        if let Ok(source) = self.context.open(plan) {
            source.expect(0, plan.bytes.min(len64(self.context.limits.chunk_bytes)));
            self.next = Some((job, source));
        }
    }

    /// Takes a free buffer, waiting for a slow destination if need be.
    fn buffer(&mut self, is_whole: bool) -> Result<Aligned, Trouble> {
        let free = if self.probing {
            self.pool.take_gathered()
        } else {
            self.pool.try_take()
        };
        if let Some(buffer) = free {
            return Ok(buffer);
        }
        self.probing = false;
        let slowest = self.slowest();
        let start = self.context.clock.elapsed();
        self.context.meter.waiting.store(true, Ordering::Relaxed);
        // A row of small files says nothing of the rate.
        let probes = is_whole && self.pace.wants_probe(start);
        if probes {
            self.probing = self.gather(start)?;
        }
        let mut noted = start;
        loop {
            if self.context.must_stop() {
                return Err(Trouble::Stopped);
            }
            let free = if self.probing {
                self.pool.take_gathered()
            } else {
                self.pool.take(PATIENCE)
            };
            // Bit by bit: a wait can be long, and somebody looks on.
            noted = self.blame(slowest, noted);
            if let Some(buffer) = free {
                self.context.meter.waiting.store(false, Ordering::Relaxed);
                self.waited(start);
                return Ok(buffer);
            }
        }
    }

    /// Returns the stage that has most before it, which is the one that keeps the buffers: hashers first, then
    /// destinations. How busy a stage is would not tell: many workers that wait for one flush look busier than one
    /// drive that takes its time over each file.
    fn slowest(&self) -> Option<usize> {
        let queues = self
            .hashers
            .iter()
            .chain(&self.destinations)
            .map(Sender::len);
        let most = queues.enumerate().max_by_key(|(_, waiting)| *waiting);
        most.filter(|(_, waiting)| *waiting > 0).map(|(at, _)| at)
    }

    /// Adds the time since `since` to what was waited for a stage, and returns the time.
    fn blame(&self, stage: Option<usize>, since: Duration) -> Duration {
        let now = self.context.clock.elapsed();
        let meter = &self.context.meter;
        let Some(stage) = stage else { return now };
        // The first hasher is that of BLAKE3, which nobody can leave out.
        let also = meter.also_waited_ns.iter().map(|(_, sum)| Some(sum));
        let destinations = meter.destinations.iter().map(|d| Some(&d.waited_ns));
        let sum = std::iter::once(None)
            .chain(also)
            .chain(destinations)
            .nth(stage);
        if let Some(sum) = sum.flatten() {
            sum.add_time(now.saturating_sub(since));
        }
        now
    }

    /// Waits for the buffers of a probe; whether it can begin.
    fn gather(&mut self, start: Duration) -> Result<bool, Trouble> {
        loop {
            let is_enough = self.pool.gather(PATIENCE, LEFT_TO_OTHERS);
            let now = self.context.clock.elapsed();
            if self.context.must_stop() {
                return Err(Trouble::Stopped);
            }
            if is_enough || now.saturating_sub(start) >= PROBE_PATIENCE {
                self.pace.probes(now);
                return Ok(is_enough);
            }
        }
    }

    /// Takes note of a wait that began at `start` and is over.
    fn waited(&mut self, start: Duration) {
        let now = self.context.clock.elapsed();
        let time = now.saturating_sub(start);
        let meter = &self.context.meter;
        let (clean, least) = self.pace.waited(now, time);
        for (sums, span) in [(&meter.clean, clean), (&meter.least, least)] {
            if let Some(s) = span {
                sums.add(s.bytes, s.time);
            }
        }
    }

    /// Fills `into` up to `want` bytes; less of it only at the end of the file.
    fn fill(
        &mut self,
        file: &InFlight,
        source: &mut dyn Source,
        into: &mut [u8],
        offset: u64,
        want: u64,
        careful: bool,
    ) -> Result<u64, Trouble> {
        let step = if careful {
            self.context.limits.careful_bytes
        } else {
            into.len()
        };
        let (mut done, want) = (0, len_usize(want));
        while done < want {
            if self.context.must_stop() {
                return Err(Trouble::Stopped);
            }
            let end = into.len().min(done + step);
            let at = offset + len64(done);
            let start = self.context.clock.elapsed();
            let read = self.read(source, &mut into[done..end], at, careful);
            let now = self.context.clock.elapsed();
            let n = read.map_err(|e| Trouble::Io(Step::Read, e, at))?;
            if n == 0 {
                break;
            }
            done += n;
            self.count(file, len64(n), start, now);
        }
        // More than that only where the file grew, which its size tells.
        Ok(len64(done.min(want)))
    }

    fn read(
        &mut self,
        source: &mut dyn Source,
        into: &mut [u8],
        at: u64,
        careful: bool,
    ) -> io::Result<usize> {
        let mut tries = if careful {
            self.context.limits.retries
        } else {
            0
        };
        loop {
            match source.read_at(into, at) {
                Err(_) if tries > 0 && self.retries_left > 0 && !self.context.must_stop() => {
                    tries -= 1;
                    self.retries_left -= 1;
                    self.context.clock.sleep(self.context.limits.retry_pause);
                }
                other => return other,
            }
        }
    }

    fn count(&mut self, file: &InFlight, bytes: u64, start: Duration, now: Duration) {
        let meter = &self.context.meter;
        let time = now.saturating_sub(start);
        meter.read.add(bytes);
        meter.read_ns.add_time(time);
        file.read_ns.fetch_add(nanos(time), Ordering::Relaxed);
        if let Some(clean) = self.pace.read(now, bytes) {
            meter.clean.add(clean.bytes, clean.time);
        }
    }

    /// Hands a message to the hashers first, so that no verifier ever waits for what is behind it,
    /// then to every destination.
    fn send(&mut self, message: &FromCard) -> Result<(), Trouble> {
        let start = self.context.clock.elapsed();
        for (stage, to) in self.hashers.iter().chain(&self.destinations).enumerate() {
            self.send_to(stage, to, message.clone())?;
        }
        let time = self.context.clock.elapsed().saturating_sub(start);
        if time >= card_rate::WAIT_NOTICED {
            self.waited(start);
        }
        Ok(())
    }

    fn send_to(
        &self,
        stage: usize,
        to: &Sender<FromCard>,
        message: FromCard,
    ) -> Result<(), Trouble> {
        let mut message = match to.try_send(message) {
            Err(TrySendError::Full(back)) => back,
            // A stage that ended early has told why, or its panic is told at the end.
            Ok(()) | Err(TrySendError::Disconnected(_)) => return Ok(()),
        };
        let waiting = &self.context.meter.waiting;
        let mut noted = self.context.clock.elapsed();
        waiting.store(true, Ordering::Relaxed);
        loop {
            let sent = to.send_timeout(message, PATIENCE);
            noted = self.blame(Some(stage), noted);
            match sent {
                Ok(()) | Err(SendTimeoutError::Disconnected(_)) => {
                    waiting.store(false, Ordering::Relaxed);
                    return Ok(());
                }
                Err(SendTimeoutError::Timeout(back)) => {
                    if self.context.must_stop() {
                        return Err(Trouble::Stopped);
                    }
                    message = back;
                }
            }
        }
    }
}

fn ended_early(at: u64, plan: &FileJob) -> Trouble {
    let (at, of) = (count(at), counted(plan.bytes, "byte"));
    Trouble::Changed(format!("ended after {at} of {of}"))
}
