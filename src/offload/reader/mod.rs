//! Owns the one read of the card. It feeds the hashers and every destination with shared buffers,
//! notices files that are unreadable or no longer what was listed, and goes over those once more,
//! slowly, at the end. It never writes anywhere.

mod batch;
mod failure;
mod feed;

use super::context::Context;
use super::in_flight::{GivenUp, InFlight};
use super::message::{FromCard, Report, Takers};
use crate::disk::Source;
use crate::disk::buffer::ALIGN;
use crate::error::Step;
use crate::plan::FileJob;
use crate::record::layout::Level;
use crate::units::{counted, len_usize, len64, nanos};
use batch::SmallFileBatch;
use crossbeam_channel::Sender;
use failure::{ReadFailure, Reports, ended_early};
use feed::{Feed, Stopped};
use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use tracing::debug;

/// The thread that reads the card.
pub(super) struct CardReader {
    context: Arc<Context>,
    feed: Feed,
    reports: Reports,
    /// Small files that were read and not handed over yet.
    batch: Option<SmallFileBatch>,
    /// A file opened early, so that its first bytes are on their way.
    next: Option<(usize, Box<dyn Source>)>,
    /// Retries left for the whole job.
    retries_left: u32,
}

/// A file that is being read.
struct OpenFile<'a> {
    job: &'a FileJob,
    file: Arc<InFlight>,
    source: Box<dyn Source>,
    /// The job after this one.
    following: Option<usize>,
    /// In small reads that are tried again.
    careful: bool,
}

impl CardReader {
    pub(super) fn new(context: Arc<Context>, takers: Takers, report: Sender<Report>) -> Self {
        Self {
            feed: Feed::new(&context, takers),
            reports: Reports {
                context: Arc::clone(&context),
                report,
            },
            batch: None,
            next: None,
            retries_left: context.limits.retries_total,
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
            if let Err(problem) = self.context.card_is_in_place() {
                self.reports.card_gone(problem);
                return;
            }
            match self.file(job, jobs.get(at + 1).copied(), false) {
                Ok(()) => in_a_row = 0,
                Err(ReadFailure::Stopped) => return,
                Err(ReadFailure::Changed(why)) => {
                    any_changed = true;
                    self.reports.changed(job, why);
                }
                Err(ReadFailure::Io(..)) => {
                    again.push(job);
                    in_a_row += 1;
                    if in_a_row >= self.context.limits.failures_in_a_row {
                        in_a_row = 0;
                        if let Err(problem) = self.context.card_is_there() {
                            self.reports.card_gone(problem);
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
        let reads_again = self.context.plan.terms.level == Level::Reread;
        if all_read && is_card && !reads_again && self.context.close_card() {
            self.reports.send(Report::CardRead);
        }
    }

    /// Goes over the unreadable files once more; whether all of them could be read now.
    fn second_pass(&mut self, again: &[usize]) -> bool {
        let mut all_read = true;
        for &job in again {
            match self.file(job, None, true) {
                Ok(()) => {}
                Err(ReadFailure::Stopped) => return false,
                Err(ReadFailure::Changed(why)) => {
                    all_read = false;
                    self.reports.changed(job, why);
                }
                Err(ReadFailure::Io(step, cause, offset)) => {
                    if let Err(problem) = self.context.card_is_there() {
                        self.reports.card_gone(problem);
                        return false;
                    }
                    all_read = false;
                    self.reports.unreadable(job, step, &cause, offset);
                }
            }
        }
        all_read
    }

    /// Reads one file into all queues. The file is settled by the hasher on `End`, or here.
    fn file(
        &mut self,
        at: usize,
        following: Option<usize>,
        careful: bool,
    ) -> Result<(), ReadFailure> {
        let context = Arc::clone(&self.context);
        let Some(job) = context.plan.jobs.get(at) else {
            return Err(ReadFailure::Stopped);
        };
        let source = self.open(at, job);
        let mut open = OpenFile {
            job,
            file: Arc::new(InFlight::new(at, self.feed.further_hashes())),
            source: source.map_err(|e| ReadFailure::Io(Step::Open, e, 0))?,
            following,
            careful,
        };
        if !careful && job.bytes <= context.limits.shared_bytes {
            return self.small(&mut open);
        }
        self.hand_over()?;
        self.feed.send(&FromCard::Begin(Arc::clone(&open.file)))?;
        let before = context.meter.read.all.get();
        match self.content(&mut open) {
            Ok(()) => {
                context.meter.files.add(1);
                Ok(self.feed.send(&FromCard::End(open.file))?)
            }
            Err(failure) => {
                self.gave_up(before);
                open.file.settle(Err(GivenUp));
                self.feed.send(&FromCard::Abort(open.file))?;
                Err(failure)
            }
        }
    }

    /// Reads a small file whole into the buffer that it shares with its neighbours.
    fn small(&mut self, open: &mut OpenFile<'_>) -> Result<(), ReadFailure> {
        let bytes = open.job.bytes;
        let limits = &self.context.limits;
        if self
            .batch
            .as_ref()
            .is_some_and(|b| b.is_full(limits, bytes))
        {
            self.hand_over()?;
        }
        let mut batch = match self.batch.take() {
            Some(batch) => batch,
            None => SmallFileBatch::new(self.feed.take(false)?),
        };
        let before = self.context.meter.read.all.get();
        let read = self.small_content(open, &mut batch);
        if read.is_ok() {
            batch.add(Arc::clone(&open.file), bytes);
            self.context.meter.files.add(1);
        } else {
            self.gave_up(before);
        }
        self.batch = Some(batch);
        read
    }

    /// Takes note that what was read since `before` is of a file that was given up: it may be read
    /// once more.
    fn gave_up(&self, before: u64) {
        let read = &self.context.meter.read;
        // Only this thread adds to it.
        read.given_up.add(read.all.get() - before);
    }

    fn small_content(
        &mut self,
        open: &mut OpenFile<'_>,
        batch: &mut SmallFileBatch,
    ) -> Result<(), ReadFailure> {
        let bytes = open.job.bytes;
        self.check_unchanged(open)?;
        self.open_early(open.following);
        let n = self.fill(open, batch.place(self.room(bytes)), 0, bytes)?;
        if n < bytes {
            return Err(ended_early(n, open.job));
        }
        open.source.forget(bytes);
        open.file.note_way(open.source.way());
        self.check_unchanged(open)
    }

    /// Hands the small files over that were read so far.
    fn hand_over(&mut self) -> Result<(), Stopped> {
        let Some(batch) = self.batch.take() else {
            return Ok(());
        };
        let files = batch.split(|buffer, bytes| self.feed.seal(buffer, bytes));
        self.feed.send(&FromCard::Small(files))
    }

    fn open(&mut self, at: usize, job: &FileJob) -> io::Result<Box<dyn Source>> {
        match self.next.take() {
            Some((early, source)) if early == at => Ok(source),
            _ => self.context.open(job),
        }
    }

    fn content(&mut self, open: &mut OpenFile<'_>) -> Result<(), ReadFailure> {
        self.check_unchanged(open)?;
        let total = open.job.bytes;
        let chunk = len64(self.context.limits.chunk_bytes);
        let mut offset = 0;
        while offset < total {
            let want = chunk.min(total - offset);
            let mut buffer = self.feed.take(want == chunk)?;
            let next = offset + want;
            if next < total {
                open.source.expect(next, chunk.min(total - next));
            } else if !open.careful {
                self.open_early(open.following);
            }
            let into = &mut buffer.all_mut()[..self.room(want)];
            match self.fill(open, into, offset, want) {
                Ok(n) if n == want => {
                    let sealed = self.feed.seal(buffer, len_usize(n));
                    let file = Arc::clone(&open.file);
                    self.feed.send(&FromCard::Chunk(file, sealed, offset))?;
                }
                Ok(n) => {
                    self.feed.give_back(buffer);
                    return Err(ended_early(offset + n, open.job));
                }
                Err(failure) => {
                    self.feed.give_back(buffer);
                    return Err(failure);
                }
            }
            offset = next;
            open.source.forget(offset);
        }
        open.file.note_way(open.source.way());
        self.check_unchanged(open)
    }

    /// The bytes of a buffer that `want` bytes are read into: whole blocks where the read goes past
    /// the cache.
    fn room(&self, want: u64) -> usize {
        match self.context.plan.original() {
            None => len_usize(want),
            Some(_) => len_usize(want).next_multiple_of(ALIGN),
        }
    }

    fn check_unchanged(&self, open: &OpenFile<'_>) -> Result<(), ReadFailure> {
        let plan = &self.context.plan;
        let stat = open.source.stat();
        let stat = stat.map_err(|e| ReadFailure::Io(Step::Look, e, 0))?;
        let (was, is) = (open.job.bytes, stat.bytes);
        let (was_words, is_words) = (counted(was, "byte"), counted(is, "byte"));
        let why = match plan.stood_date(open.file.job) {
            _ if is != was && plan.original().is_some() => {
                format!("has {is_words} where its manifest says {was_words}")
            }
            _ if is != was => format!("was {was_words} when it was listed and is {is_words} now"),
            Some(date) if stat.modified == date => return Ok(()),
            _ => "was written to after it was listed".to_owned(),
        };
        Err(ReadFailure::Changed(why))
    }

    /// Opens the file after this one, so that the card never waits for an open.
    fn open_early(&mut self, following: Option<usize>) {
        let Some((at, job)) = following.and_then(|j| Some((j, self.context.plan.jobs.get(j)?)))
        else {
            return;
        };
        // A failure shows again, and is told, when the file's turn comes.
        if let Ok(source) = self.context.open(job) {
            source.expect(0, job.bytes.min(len64(self.context.limits.chunk_bytes)));
            self.next = Some((at, source));
        }
    }

    /// Fills `into` up to `want` bytes; less of it only at the end of the file.
    fn fill(
        &mut self,
        open: &mut OpenFile<'_>,
        into: &mut [u8],
        offset: u64,
        want: u64,
    ) -> Result<u64, ReadFailure> {
        let step = if open.careful {
            self.context.limits.careful_bytes
        } else {
            into.len()
        };
        let (mut done, want) = (0, len_usize(want));
        while done < want {
            if self.context.must_stop() {
                return Err(ReadFailure::Stopped);
            }
            let end = into.len().min(done + step);
            let at = offset + len64(done);
            let start = self.context.clock.elapsed();
            let read = self.read(open, &mut into[done..end], at);
            let now = self.context.clock.elapsed();
            let n = read.map_err(|e| ReadFailure::Io(Step::Read, e, at))?;
            if n == 0 {
                break;
            }
            done += n;
            let (meter, time) = (&self.context.meter, now.saturating_sub(start));
            meter.read.add(len64(n));
            meter.read_ns.add_time(time);
            open.file.read_ns.fetch_add(nanos(time), Ordering::Relaxed);
            self.feed.note_read(now, len64(n));
        }
        // More than that only where the file grew, which its size tells.
        Ok(len64(done.min(want)))
    }

    fn read(&mut self, open: &mut OpenFile<'_>, into: &mut [u8], at: u64) -> io::Result<usize> {
        let limits = &self.context.limits;
        let mut tries = if open.careful { limits.retries } else { 0 };
        loop {
            match open.source.read_at(into, at) {
                Err(e) if tries > 0 && self.retries_left > 0 && !self.context.must_stop() => {
                    tries -= 1;
                    self.retries_left -= 1;
                    debug!(file = %open.job.name, at, error = %e, tries, "reads again");
                    self.context.clock.sleep(limits.retry_pause);
                }
                other => return other,
            }
        }
    }
}
