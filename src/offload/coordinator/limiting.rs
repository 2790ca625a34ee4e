//! Owns what is known of the limits of a running job: the card's own rate as of late, the stage
//! that holds the others back, and where a drive fell for good.

use crate::offload::bottleneck::{self, HoldUp, HoldUpHistory, PipelineStage};
use crate::offload::card_rate::{CardRate, Live};
use crate::offload::context::Context;
use crate::offload::meter::DestinationMeter;
use crate::offload::outcome::{DriveFell, Rates};
use crate::plan::PlannedDestination;
use crate::record::layout::Level;
use crate::speed::forecast::Change;
use crate::speed::link::ChainPart;
use crate::units::whole;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// What limits the job.
pub(super) struct Limiting {
    context: Arc<Context>,
    start: Duration,
    live: Live,
    holding: HoldUpHistory,
    falls: Vec<DriveFell>,
}

impl Limiting {
    /// Begins at a time.
    pub(super) fn new(context: &Arc<Context>, start: Duration) -> Self {
        Self {
            context: Arc::clone(context),
            start,
            live: Live::default(),
            holding: HoldUpHistory::new(start),
            falls: Vec::new(),
        }
    }

    /// Looks at what the reads say of the card's own rate.
    pub(super) fn note_reads(&mut self, now: Duration) {
        self.live.note(&self.context.meter, now);
    }

    /// Takes note of who held the others back in an interval that is over.
    pub(super) fn note_interval(&mut self, now: Duration) {
        let behind = self.furthest_behind();
        self.holding.note(&self.context.meter, now, behind);
    }

    /// The card's own rate as of late.
    pub(super) fn card_rate(&self) -> Option<CardRate> {
        self.live
            .rate(&self.context.meter, self.context.clock.elapsed())
    }

    /// Returns what holds the others back: at the moment, or for most of a job that is over.
    pub(super) fn held(&self, elapsed: Duration, rates: &Rates, is_over: bool) -> HoldUp {
        let (meter, ceiling) = (&self.context.meter, &self.context.plan.estimate.ceiling);
        let measured = self.card_rate().filter(|l| !l.is_least);
        let live = measured.map(|l| l.bytes_per_s);
        let (now, behind) = (self.start + elapsed, self.furthest_behind());
        let by = if is_over {
            self.holding.most(meter, now, behind)
        } else {
            self.holding.now(meter, now, behind)
        };
        bottleneck::held(by, meter, ceiling, live, rates, elapsed, is_over)
    }

    /// A drive that slowed down for good will do so the next time; the bytes up to the change are
    /// those at its own time, not at the time when it was certain.
    pub(super) fn note_fall(&mut self, change: Change, elapsed: Duration, rates: &Rates) {
        let by = self.held(elapsed, rates, false).by;
        let (PipelineStage::Destination(destination), true) =
            (by, change.to_bytes_per_s < change.from_bytes_per_s)
        else {
            return;
        };
        let written = self.context.meter.destinations.get(destination);
        let since = (elapsed.as_secs_f64() - change.at_s).max(0.0);
        let after = whole(since * change.to_bytes_per_s);
        self.falls.push(DriveFell {
            destination,
            bytes: written.map_or(0, |d| d.written.get()).saturating_sub(after),
            to_bytes_per_s: change.to_bytes_per_s,
        });
    }

    /// Returns who keeps the others waiting: the card, unless the reader itself waits or is done.
    pub(super) fn waiting_for(&self) -> ChainPart {
        let meter = &self.context.meter;
        if !meter.waiting.load(Ordering::Relaxed) && !meter.card_done.load(Ordering::Relaxed) {
            return ChainPart::Card;
        }
        let live = |d: &DestinationMeter| !d.failed.load(Ordering::Relaxed);
        let any = || meter.destinations.iter().position(live);
        let behind = self.furthest_behind().or_else(any);
        behind.map_or(ChainPart::Card, ChainPart::Drive)
    }

    /// Returns the drive, of those that are not dropped, that has most left to do, if any has
    /// anything left.
    fn furthest_behind(&self) -> Option<usize> {
        let plan = &self.context.plan;
        let left = |(m, d): (&DestinationMeter, &PlannedDestination)| {
            let written = d.copy_bytes.saturating_sub(m.written.get());
            // What stands there is read back as well, and its bytes are not known here.
            let back = d.copy_bytes.saturating_sub(m.read_back.get());
            let kept = d.kept_bytes.saturating_sub(m.kept_read.get());
            match self.context.plan.terms.level {
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

    /// Gives away where a drive fell for good.
    pub(super) fn into_falls(self) -> Vec<DriveFell> {
        self.falls
    }
}
