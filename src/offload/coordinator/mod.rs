//! Owns the collecting of what was proven, and all that is told meanwhile. Only the coordinator
//! talks to the observer; the record comes from what the stages return, never from events.

mod intervals;
mod limiting;
mod progress;
mod results;
mod snapshot;

use super::card_rate;
use super::context::Context;
use super::message::Report;
use super::outcome::Offloaded;
use super::watch::DeviceWatch;
use crate::error::Problem;
use crate::event::{Event, Observer};
use crate::inspect::look::CardLook;
use crossbeam_channel::{Receiver, RecvTimeoutError};
use intervals::Intervals;
use limiting::Limiting;
use progress::JobProgress;
use results::Results;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// How often the coordinator looks at the counters. Three in a second, so that with the last one of
/// a job there are no more than the four that the events allow.
const TICK: Duration = Duration::from_millis(340);

/// The calling thread's part of an offload.
pub(super) struct Coordinator {
    context: Arc<Context>,
    start: Duration,
    results: Results,
    intervals: Intervals,
    limiting: Limiting,
    progress: JobProgress,
    watch: DeviceWatch,
    stopped_at: Option<Duration>,
}

impl Coordinator {
    pub(super) fn new(context: &Arc<Context>, watch: DeviceWatch) -> Self {
        let start = context.clock.elapsed();
        Self {
            context: Arc::clone(context),
            start,
            results: Results::new(context),
            intervals: Intervals::new(context.plan.destinations.len(), start),
            limiting: Limiting::new(context, start),
            progress: JobProgress::new(context),
            watch,
            stopped_at: None,
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
            let next = next_tick.min(self.intervals.end());
            match reports.recv_timeout(next.saturating_sub(now)) {
                Ok(report) => self.results.take(report, observer),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            let now = self.context.clock.elapsed();
            self.note_intervals(now);
            // What the watch found while everything may be waiting.
            while let Some(lost) = self.watch.lost() {
                self.results.take(lost, observer);
            }
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
        self.intervals.note_rest(&self.context.meter);
        true
    }

    /// Takes a problem that no stage could report.
    pub(super) fn problem(&mut self, problem: Problem, observer: &mut dyn Observer) {
        self.results.problem(problem, observer);
    }

    fn since_start(&self) -> Duration {
        self.context.clock.elapsed().saturating_sub(self.start)
    }

    fn note_intervals(&mut self, now: Duration) {
        if now >= self.intervals.end() {
            self.limiting.note_interval(now);
        }
        self.intervals.note(&self.context.meter, now);
    }

    fn tick(&mut self, now: Duration, observer: &mut dyn Observer) {
        self.limiting.note_reads(now);
        if let Some(rate) = self.limiting.card_rate().filter(|r| !r.is_least) {
            self.progress.forecast.observe_card(rate.bytes_per_s / 1e6);
        }
        self.progress.observe_companion();
        let (snapshot, change) = snapshot::snapshot(
            &self.context,
            now.saturating_sub(self.start),
            &self.results,
            &self.intervals,
            &self.limiting,
            &mut self.progress,
        );
        let remaining = snapshot.remaining;
        observer.event(&Event::Tick(Box::new(snapshot)));
        if let Some(change) = change {
            let elapsed = self.since_start();
            let rates = self.intervals.rates();
            self.limiting.note_fall(change, elapsed, rates);
            observer.event(&Event::RateChange(change, remaining));
        }
    }

    /// Ends the job: what came of it, and how long it took until now.
    pub(super) fn into_outcome(mut self, look: CardLook, left_behind: bool) -> Offloaded {
        let problems = self.results.take_problems();
        let elapsed = self.since_start();
        let held = self.limiting.held(elapsed, self.intervals.rates(), true);
        let meter = &self.context.meter;
        Offloaded {
            limiting: held.limiting,
            links: held.links,
            interrupted: self.context.cancel.load(Ordering::Relaxed),
            left_behind,
            took: self.since_start(),
            read_again: Duration::ZERO,
            read_rate: card_rate::of_job(meter),
            read_at_least: card_rate::at_least(meter, self.since_start()),
            bytes_read: meter.read.get(),
            original_equal: self.results.original_equal,
            original_way: self.results.original_way,
            files: self.results.files,
            look: look.and(self.results.look),
            destinations: self.results.destinations,
            problems,
            rates: self.intervals.into_rates(),
            forecast_s: self.progress.forecast_s,
            learned: self.progress.forecast.learned(),
            steps: self.limiting.into_falls(),
        }
    }
}
