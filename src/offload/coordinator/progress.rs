//! Owns what the forecast is fed with: how far the job is, of the slowest destination, and how far
//! the card is that is read at the same time.

use crate::event::DestinationSnapshot;
use crate::offload::context::Context;
use crate::record::layout::Level;
use crate::speed::forecast::{Amount, Change, Forecast, Stage};
use crate::units::{float, whole};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// So much counts as not done while anything is read and not yet through.
const TAIL_BYTES: u64 = 16 << 20;

/// How far the job is, and the time left.
pub(super) struct JobProgress {
    context: Arc<Context>,
    /// The estimate of the time left.
    pub(super) forecast: Forecast,
    /// The first one that was made, in seconds.
    pub(super) forecast_s: Option<f64>,
    /// Files and bytes to read from the card.
    to_read: (u64, u64),
    /// Bytes read in vain that the forecast knows of.
    given_up: u64,
    /// Bytes read that the card beside this one knows of.
    told_read: u64,
    /// Bytes that were read and not through when all was read.
    lag_at_end: Option<u64>,
    /// Kept bytes of the slowest destination that were not read again when all was copied.
    kept_at_end: Option<u64>,
}

impl JobProgress {
    /// Nothing is done yet.
    pub(super) fn new(context: &Arc<Context>) -> Self {
        let forecast = context.plan.forecast();
        let first = context.plan.forecast().remaining().map(|r| r.likely_s);
        Self {
            context: Arc::clone(context),
            forecast,
            forecast_s: first.filter(|s| *s > 0.0),
            to_read: context.plan.to_read(),
            given_up: 0,
            told_read: 0,
            lag_at_end: None,
            kept_at_end: None,
        }
    }

    /// Returns how many files and bytes are to be read from the card.
    pub(super) fn to_read(&self) -> (u64, u64) {
        self.to_read
    }

    /// Tells the card that is read at the same time how far this one is, and hears of it.
    pub(super) fn observe_companion(&mut self) {
        let beside = &self.context.plan.estimate.beside;
        let read = self.context.meter.read.get();
        beside.note_read(read.saturating_sub(self.told_read));
        self.told_read = self.told_read.max(read);
        if let Some(left) = beside.other_left() {
            self.forecast.observe_companion(left);
        }
    }

    /// Lets the forecast see how far the job is.
    pub(super) fn observe(
        &mut self,
        elapsed: Duration,
        destinations: &[DestinationSnapshot],
    ) -> Option<Change> {
        let context = Arc::clone(&self.context);
        let meter = &context.meter;
        let given_up = meter.read.given_up.get();
        self.forecast.gave_up(given_up - self.given_up);
        self.given_up = given_up;
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
            files: whole(float(all.files) * share),
            bytes: whole(float(all.bytes) * share),
        })
    }

    /// Bytes that count as not done because `lag` bytes are read and not through. What was read
    /// tells the rate: buffers are few, so a slow drive slows the reader too, while read-backs come
    /// in lumps of a stripe. So it is a few bytes only, which go on to the end when all is read.
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
        whole(share * float(at_end.min(TAIL_BYTES)))
    }

    /// Bytes of the card that are through with one destination.
    fn settled_bytes(&self, d: &DestinationSnapshot) -> u64 {
        let skipped = self.to_read.1.saturating_sub(d.bytes_total);
        let done = if self.context.plan.terms.level == Level::Written {
            d.bytes_written
        } else {
            d.bytes_read_back
        };
        done + skipped
    }
}
