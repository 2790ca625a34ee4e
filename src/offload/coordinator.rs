//! Owns the collecting of what was proven, and all that is told meanwhile. Only the coordinator talks to the observer;
//! the record comes from what the stages return, never from events.

use super::bottleneck;
use super::card_rate::{self, CardRate, Live};
use super::context::Context;
use super::message::{Kept, Proven, Report};
use super::meter;
use super::outcome::{CopyState, DestinationOutcome, DriveFell, FileOutcome, Offloaded, Rates};
use super::watch::Watch;
use crate::disk::ReadBackWay;
use crate::error::{Problem, ProblemKind};
use crate::event::{DestinationSnapshot, Event, Observer, Snapshot};
use crate::name::shown;
use crate::plan::PlannedDestination;
use crate::record::layout::Level;
use crate::speed::forecast::{Amount, Change, Forecast, Stage};
use crate::units::{float, len64};
use crossbeam_channel::{Receiver, RecvTimeoutError};
use std::collections::HashSet;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

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

/// The counters at the last look, for rates per interval.
#[derive(Default)]
struct Seen {
    read: u64,
    given_up: u64,
    write: Vec<u64>,
    readback: Vec<u64>,
}

/// Owns the answer so far.
pub(super) struct Coordinator {
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
    watch: Watch,
}

impl Coordinator {
    pub(super) fn new(context: &Arc<Context>, watch: Watch) -> Self {
        let plan = &context.plan;
        let lanes = plan.destinations.len();
        let start = context.clock.elapsed();
        Self {
            files: plan.jobs.iter().map(FileOutcome::at_start).collect(),
            destinations: (0..lanes)
                .map(|d| DestinationOutcome::at_start(plan, d))
                .collect(),
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
            watch,
            context: Arc::clone(context),
        }
    }

    /// Collects reports until every stage has ended. `false`: a stage did not answer in time after
    /// a stop, and is left behind.
    pub(super) fn collect(
        &mut self,
        reports: &Receiver<Report>,
        observer: &mut dyn Observer,
    ) -> bool {
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
        while let Some(lost) = self.watch.lost() {
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

    pub(super) fn problem(&mut self, problem: Problem, observer: &mut dyn Observer) {
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

    pub(super) fn into_outcome(mut self) -> Offloaded {
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
