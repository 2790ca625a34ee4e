//! Owns the estimate of the time left: from what is known beforehand ([`Prior`]) and from files and
//! bytes as they are done. Pure, and without a clock: whoever asks brings the time.
//!
//! The cost model is `seconds = a * files + b * megabytes` for each stage; `bank` learns `a` and
//! `b`, `change` notices when the rate changes for good, `work` adds up what all that is left
//! takes, `shown` turns that into a number that counts down calmly. Stalls are kept apart from the
//! rate and charged on top of it. The constants were set on the seeds that `benches/forecast` calls
//! tuning seeds; its figures come from others.

mod answer;
mod bank;
mod change;
mod prior;
mod shown;
mod stage;
mod words;
mod work;

pub use answer::{Amount, Basis, Change, Learned, Remaining, SECONDS_MAX, Stage};
pub use prior::{CacheStep, Companion, FilePrior, Growth, Prior, RatePrior, RateSource};
pub use words::{at_most, at_most_s, words};

use crate::units::float;
use bank::{Guess, Load};
use change::Alarm;
use shown::{Hurry, Moment, Shown};
use stage::{SECOND_S, Span};
use std::time::Duration;
use work::{CACHE_LOG_SD, CACHE_PLACE, NOTHING, STALL_S, Stages};

/// Without a prior nothing is said before this many seconds were watched.
const WATCH_S: f64 = 2.0;
/// For so many seconds after a start or a change the shown number is corrected faster.
const HURRY_S: f64 = 10.0;
/// A changed rate is told when it has stayed for so many seconds after the alarm, and for so many
/// in all, if nothing hints at its going back.
const STAYS_S: f64 = 3.0;
const STAYED_S: f64 = 8.0;
/// Smaller changes are followed but not told.
const TOLD_RATIO: f64 = 1.2;
/// The rate before a change is told only if it was watched for so many seconds.
const BEFORE_S: f64 = 2.0;
/// Half-widths of the 80 % range downward and upward, in standard deviations of the logarithm.
const RANGE: (f64, f64) = (1.15, 1.15);
/// The range never spans more than a factor of `e` to this power either way.
const DOUBT_MAX: f64 = 1.5;
/// Spread of the logarithm of the card's rate on its second read, when the first has measured it.
const CARD_LOG_SD: f64 = 0.08;

/// Share of the time that files must have cost for their cost to be known.
const FILES_MATTER: f64 = 0.1;
/// And their number.
const FILES_ENOUGH: f64 = 50.0;
/// Seconds that a job must have run to teach anything.
const TAUGHT_S: f64 = 5.0;

/// A change that is not told yet.
#[derive(Clone, Copy, Debug)]
struct Unconfirmed {
    before: Span,
    since: f64,
    slower: bool,
    after: Span,
    due: f64,
}

/// A running estimate.
#[derive(Clone, Debug)]
pub struct Forecast {
    stages: Stages,
    at: f64,
    hurry_until: f64,
    unconfirmed: Option<Unconfirmed>,
    shown: Shown,
    /// Seconds for all that is left, at the last observation.
    rest: Guess,
    has_moved: bool,
}

impl Forecast {
    /// An estimate for work of which only `prior` is known. What makes no sense in it (a rate of
    /// zero, say) is left out.
    pub fn new(prior: &Prior, copy: Amount) -> Self {
        let mut forecast = Self {
            stages: Stages::new(prior, copy.load()),
            at: 0.0,
            hurry_until: 0.0,
            unconfirmed: None,
            shown: Shown::default(),
            rest: NOTHING,
            has_moved: false,
        };
        forecast.show();
        forecast
    }

    /// Adds a read-back that begins when everything is copied.
    #[must_use]
    pub fn then_read_back(mut self, amount: Amount) -> Self {
        self.stages.read_back = Some(self.stages.read_back_of(amount.load()));
        self.shown = Shown::default();
        self.show();
        self
    }

    /// Adds a second read of the card, after all else, at the rate of the card alone.
    #[must_use]
    pub fn then_read_again(mut self, amount: Amount) -> Self {
        self.stages.read_again = Some(amount.load());
        self.shown = Shown::default();
        self.show();
        self
    }

    /// Takes note of the rate that the card was measured to read at, in MB/s, for its second read.
    pub fn observe_card(&mut self, mbps: f64) {
        let measured = RatePrior::from_history(mbps, CARD_LOG_SD);
        if measured.is_sane() {
            self.stages.prior.card = Some(measured);
        }
    }

    /// Returns what the copy taught so far, at the costs of the last moment.
    pub fn learned(&self) -> Option<Learned> {
        let run = &self.stages.copy;
        let (files, bytes) = run.bank.parts(run.done);
        let is_enough = run.active >= TAUGHT_S && bytes > 0.0 && run.done.mb > 0.0;
        is_enough.then(|| Learned {
            mbps: run.done.mb / bytes,
            file_s: (run.done.files >= FILES_ENOUGH && files > FILES_MATTER * (files + bytes))
                .then(|| files / run.done.files),
        })
    }

    /// Takes note of what is `done` of `stage` at `at`, counted from the start of the work; the
    /// amount begins at 0 with each stage. Time that goes back, and work that becomes less, are
    /// left out. Returns a lasting change of the rate, once, when it is certain.
    pub fn observe(&mut self, at: Duration, stage: Stage, done: Amount) -> Option<Change> {
        let at = at.as_secs_f64();
        let dt = at - self.at;
        self.at = self.at.max(at);
        if stage != self.stages.stage {
            self.begin(stage);
        }
        let run = self.stages.run_mut();
        let done = done.load();
        let load = Load {
            files: (done.files - run.done.files).max(0.0),
            mb: (done.mb - run.done.mb).max(0.0),
        };
        run.done.files += load.files;
        run.done.mb += load.mb;
        // Work that took no time was done before; it is no longer left, and teaches nothing.
        if dt <= 0.0 {
            self.show();
            return None;
        }
        let mut change = None;
        if load.files > 0.0 || load.mb > 0.0 {
            self.has_moved = true;
            let mut took = dt;
            if self.stages.gap >= STALL_S {
                self.stages.stalls.add(self.stages.gap);
            } else {
                took += self.stages.gap;
            }
            self.stages.gap = 0.0;
            self.drop_step();
            change = self.learn(took, load);
        } else {
            self.stages.gap += dt;
        }
        self.show();
        change
    }

    /// Takes note that so many bytes of the copy were in vain and have to be done again.
    pub fn gave_up(&mut self, bytes: u64) {
        self.stages.copy.done.mb = (self.stages.copy.done.mb - float(bytes) / 1e6).max(0.0);
    }

    /// Takes note of what the other card, which takes a part of the rate, still has to do.
    pub fn observe_companion(&mut self, bytes_left: u64) {
        self.stages.observe_companion(bytes_left, self.at);
    }

    /// A drive that has not slowed down by now will not.
    fn drop_step(&mut self) {
        let is_past =
            |s: &CacheStep| self.stages.copy.done.mb >= float(s.bytes) / 1e6 * CACHE_PLACE.1;
        if self.stages.step.as_ref().is_some_and(is_past) {
            self.stages.step = None;
            self.hurry_until = self.at + HURRY_S;
        }
    }

    fn begin(&mut self, stage: Stage) {
        self.stages.begin(stage, self.at);
        self.unconfirmed = None;
        self.hurry_until = self.at + HURRY_S;
    }

    fn learn(&mut self, took: f64, load: Load) -> Option<Change> {
        let at = self.at;
        let left_s = self.rest.ln.exp().min(SECONDS_MAX);
        let alarm = self.stages.run_mut().learn(at, took, load, left_s);
        if let Some(unconfirmed) = &mut self.unconfirmed {
            unconfirmed.after.add(took, load);
        }
        if let Some(alarm) = alarm {
            self.hurry_until = at + HURRY_S;
            self.take_alarm(alarm);
        }
        let watch = &self.stages.run().watch;
        let due = self
            .unconfirmed
            .filter(|u| at >= u.due && !watch.turns_back(u.slower))?;
        self.unconfirmed = None;
        let (from, to) = (due.before.bytes_per_s(), due.after.bytes_per_s());
        let ratio = if due.slower { from / to } else { to / from };
        (from > 0.0 && to > 0.0 && ratio >= TOLD_RATIO).then_some(Change {
            from_bytes_per_s: from,
            to_bytes_per_s: to,
            at_s: due.since,
        })
    }

    fn take_alarm(&mut self, alarm: Alarm) {
        let step = self.stages.step;
        let done_mb = self.stages.copy.done.mb;
        let is_copy = self.stages.stage == Stage::Copy;
        let known = step.filter(|s| {
            let place = done_mb / (float(s.bytes) / 1e6);
            is_copy && alarm.slower && (CACHE_PLACE.0..CACHE_PLACE.1).contains(&place)
        });
        if known.is_some() {
            self.stages.step = None;
        }
        let at = self.at;
        let run = self.stages.run_mut();
        let mut before = run.segment;
        before.add(
            -alarm.seconds,
            Load {
                files: -alarm.load.files,
                mb: -alarm.load.mb,
            },
        );
        let (files, bytes) = run.bank.parts(before.load);
        let near = known.map(|s| Guess {
            ln: -s.mbps_after.ln(),
            variance: CACHE_LOG_SD * CACHE_LOG_SD,
        });
        run.bank.relearn(alarm.recent.0, alarm.recent.1, near);
        let after = Span {
            seconds: alarm.seconds,
            load: alarm.load,
        };
        run.segment = after;
        let fresh = Unconfirmed {
            before,
            since: alarm.since,
            slower: alarm.slower,
            after,
            due: (at + STAYS_S).max(alarm.since + STAYED_S),
        };
        self.unconfirmed = match self.unconfirmed {
            // It came back before it was told: nothing that lasts.
            Some(old) if old.slower != alarm.slower => None,
            Some(old) => Some(Unconfirmed {
                before: old.before,
                ..fresh
            }),
            // Where files cost more than their bytes, bytes per second tell nothing.
            None => (before.seconds >= BEFORE_S && bytes >= files).then_some(fresh),
        };
    }

    fn show(&mut self) {
        let rest = self.stages.rest();
        self.rest = rest;
        if !self.has_something_to_say() {
            return;
        }
        let estimate = rest.ln.exp().min(SECONDS_MAX);
        let moment = Moment {
            doubt: rest.variance.max(0.0).sqrt(),
            at: self.at,
            stalled: self.stages.gap >= STALL_S,
            hurry: if self.at < self.hurry_until {
                Hurry::Change
            } else if self.at < HURRY_S {
                Hurry::Start
            } else {
                Hurry::None
            },
        };
        self.shown.update(estimate, moment);
    }

    fn has_something_to_say(&self) -> bool {
        self.stages.prior.rate.is_some() || (self.has_moved && self.at >= WATCH_S)
    }

    /// Returns the time left at the last observation (before the first: of the whole job), or
    /// `None` while nothing can be said.
    pub fn remaining(&self) -> Option<Remaining> {
        if self.stages.is_done() {
            return Some(Remaining {
                low_s: 0.0,
                likely_s: 0.0,
                high_s: 0.0,
            });
        }
        Some(self.range(self.shown.value()?))
    }

    /// Returns the time left even where [`Self::remaining`] says nothing yet: then it is hardly
    /// more than a guess, with a range to match.
    pub fn guess(&self) -> Remaining {
        self.remaining()
            .unwrap_or_else(|| self.range(self.rest.ln.exp()))
    }

    fn range(&self, likely_s: f64) -> Remaining {
        let likely_s = likely_s.clamp(0.0, SECONDS_MAX);
        let middle = self.rest.ln.exp();
        let doubt = self.rest.variance.max(0.0).sqrt();
        let bound = |by: f64| {
            let bound = middle * by.clamp(-DOUBT_MAX, DOUBT_MAX).exp();
            if bound.is_finite() {
                bound.clamp(0.0, SECONDS_MAX)
            } else {
                SECONDS_MAX
            }
        };
        Remaining {
            low_s: bound(-RANGE.0 * doubt).min(likely_s),
            likely_s,
            high_s: bound(RANGE.1 * doubt).max(likely_s),
        }
    }

    /// Returns how long nothing has moved, up to the last observation.
    pub fn stalled(&self) -> Duration {
        Duration::from_secs_f64(self.stages.gap.clamp(0.0, SECONDS_MAX))
    }

    /// Returns what the number rests on.
    pub fn basis(&self) -> Basis {
        match self.stages.prior.rate {
            Some(rate) if self.at < WATCH_S + SECOND_S => Basis::Known(rate),
            None if self.remaining().is_none() => Basis::Nothing,
            _ => Basis::Measured,
        }
    }
}

#[cfg(test)]
mod tests;
