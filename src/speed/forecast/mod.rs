//! Owns the estimate of the time left: from what is known beforehand ([`Prior`]) and from files and
//! bytes as they are done. Pure, and without a clock: whoever asks brings the time.
//!
//! The cost model is `seconds = a * files + b * megabytes` for each stage; `bank` learns `a` and
//! `b`, `change` notices when the rate changes for good, `shown` turns the estimate into a number
//! that counts down calmly. Stalls are kept apart from the rate and charged on top of it. The
//! constants were set on the seeds that `benches/forecast` calls tuning seeds; its figures come
//! from others.

mod answer;
mod bank;
mod change;
mod prior;
mod shown;
mod stage;
mod words;

pub use answer::{Amount, Basis, Change, Learned, Remaining, SECONDS_MAX, Stage};
pub use prior::{CacheStep, Companion, FilePrior, Growth, Prior, RatePrior, Source};
pub use words::{at_most, at_most_s, words};

use crate::units::float;
use bank::{Bank, Guess, Load};
use change::Alarm;
use shown::{Hurry, Moment, Shown};
use stage::{Run, SECOND_S, Span, Stalls, rate_guess, trust};
use std::time::Duration;

/// Without a prior nothing is said before this many seconds were watched.
const WATCH_S: f64 = 2.0;
/// Longer without any progress is a stall and no longer part of the rate, in seconds.
const STALL_S: f64 = 3.0;
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
/// What is assumed of a read-back nobody knows: this many times the rate of the copy.
const READ_BACK_FACTOR: f64 = 1.5;
const READ_BACK_LOG_SD: f64 = 0.6;
/// Spread of the logarithm of the card's rate on its second read, when the first has measured it.
const CARD_LOG_SD: f64 = 0.08;
/// Spread of the logarithm of a drive's known rate after its cache is full.
const CACHE_LOG_SD: f64 = 0.08;
/// A known cache step is looked for from the first to the second multiple of its place.
const CACHE_PLACE: (f64, f64) = (0.5, 1.5);

/// Share of the time that files must have cost for their cost to be known.
const FILES_MATTER: f64 = 0.1;
/// And their number.
const FILES_ENOUGH: f64 = 50.0;
/// Seconds that a job must have run to teach anything.
const TAUGHT_S: f64 = 5.0;

/// No time at all.
const NOTHING: Guess = Guess {
    ln: f64::NEG_INFINITY,
    variance: 0.0,
};

/// A change that is not told yet.
#[derive(Clone, Copy, Debug)]
struct Unconfirmed {
    before: Span,
    since: f64,
    slower: bool,
    after: Span,
    due: f64,
}

/// Adds times whose logarithms are guessed.
fn sum(parts: &[Guess]) -> Guess {
    let total: f64 = parts.iter().map(|g| g.ln.exp()).sum();
    if total <= 0.0 {
        return NOTHING;
    }
    let variance = parts
        .iter()
        .map(|g| (g.ln.exp() / total).powi(2) * g.variance)
        .sum();
    Guess {
        ln: total.ln(),
        variance,
    }
}

/// A running estimate.
#[derive(Clone, Debug)]
pub struct Forecast {
    prior: Prior,
    copy: Run,
    read_back: Option<Run>,
    /// A second read of the card after all else.
    read_again: Option<Load>,
    stage: Stage,
    at: f64,
    /// Seconds without progress up to now.
    gap: f64,
    stalls: Stalls,
    hurry_until: f64,
    unconfirmed: Option<Unconfirmed>,
    step: Option<CacheStep>,
    companion: Option<Companion>,
    shown: Shown,
    /// Seconds for all that is left, at the last observation.
    rest: Guess,
    has_moved: bool,
}

impl Forecast {
    /// An estimate for work of which only `prior` is known. What makes no sense in it (a rate of
    /// zero, say) is left out.
    pub fn new(prior: &Prior, copy: Amount) -> Self {
        let mut prior = *prior;
        prior.rate = prior.rate.filter(RatePrior::is_sane);
        prior.read_back = prior.read_back.filter(RatePrior::is_sane);
        prior.card = prior.card.filter(RatePrior::is_sane);
        prior.per_file = prior
            .per_file
            .filter(|f| f.seconds > 0.0 && f.seconds.is_finite() && f.log_sd.is_finite());
        prior.growth = prior
            .growth
            .filter(|g| g.log.is_finite() && g.log_sd.is_finite());
        let file = prior.per_file.unwrap_or_default();
        let growth = prior.growth.unwrap_or_default();
        let mut forecast = Self {
            copy: Run::new(copy.load(), file, prior.rate, growth),
            read_back: None,
            read_again: None,
            stage: Stage::Copy,
            at: 0.0,
            gap: 0.0,
            stalls: Stalls::default(),
            hurry_until: 0.0,
            unconfirmed: None,
            step: prior
                .cache_step
                .filter(|s| s.bytes > 0 && s.mbps_after > 0.0 && s.mbps_after.is_finite()),
            companion: prior
                .companion
                .filter(|c| c.bytes_left > 0 && c.alone_mbps > 0.0 && c.alone_mbps.is_finite()),
            shown: Shown::default(),
            rest: NOTHING,
            has_moved: false,
            prior,
        };
        forecast.show();
        forecast
    }

    /// Adds a read-back that begins when everything is copied.
    #[must_use]
    pub fn then_read_back(mut self, amount: Amount) -> Self {
        self.read_back = Some(Run::new(
            amount.load(),
            self.prior.per_file.unwrap_or_default(),
            self.prior.read_back,
            self.prior.growth.unwrap_or_default(),
        ));
        self.shown = Shown::default();
        self.show();
        self
    }

    /// Adds a second read of the card, after all else, at the rate of the card alone.
    #[must_use]
    pub fn then_read_again(mut self, amount: Amount) -> Self {
        self.read_again = Some(amount.load());
        self.shown = Shown::default();
        self.show();
        self
    }

    /// Takes note of the rate that the card was measured to read at, in MB/s, for its second read.
    pub fn observe_card(&mut self, mbps: f64) {
        let measured = RatePrior::from_history(mbps, CARD_LOG_SD);
        if measured.is_sane() {
            self.prior.card = Some(measured);
        }
    }

    /// Seconds for the second read of the card, if there will be one. A card that nobody knows
    /// reads as fast as it is copied, or faster.
    fn again(&self) -> Option<Guess> {
        let total = self.read_again?;
        let rate = self.prior.card.map_or_else(
            || Guess {
                variance: READ_BACK_LOG_SD * READ_BACK_LOG_SD,
                ..self.copy.bank.rate()
            },
            rate_guess,
        );
        let file = self
            .prior
            .per_file
            .map_or(self.copy.bank.file_seconds(), |f| f.seconds);
        let seconds = file * total.files + rate.ln.exp() * total.mb;
        Some(Guess {
            ln: seconds.max(1e-9).ln(),
            variance: rate.variance,
        })
    }

    /// Returns what the copy taught so far, at the costs of the last moment.
    pub fn learned(&self) -> Option<Learned> {
        let run = &self.copy;
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
        if stage != self.stage {
            self.begin(stage);
        }
        let run = self.run_mut();
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
            if self.gap >= STALL_S {
                self.stalls.add(self.gap);
            } else {
                took += self.gap;
            }
            self.gap = 0.0;
            self.drop_step();
            change = self.learn(took, load);
        } else {
            self.gap += dt;
        }
        self.show();
        change
    }

    /// Takes note that so many bytes of the copy were in vain and have to be done again.
    pub fn gave_up(&mut self, bytes: u64) {
        self.copy.done.mb = (self.copy.done.mb - float(bytes) / 1e6).max(0.0);
    }

    /// Takes note of what the other card, which takes a part of the rate, still has to do.
    pub fn observe_companion(&mut self, bytes_left: u64) {
        let Some(companion) = &mut self.companion else {
            return;
        };
        companion.bytes_left = bytes_left;
        if bytes_left == 0 {
            let alone = companion.alone_mbps;
            self.companion = None;
            let faster = ln_alone(self.copy.bank.rate().ln, alone);
            self.copy.bank.shift(faster);
            self.copy.watch.restart(self.at);
            self.copy.second = Span::default();
            self.copy.block = Span::default();
        }
    }

    /// A drive that has not slowed down by now will not.
    fn drop_step(&mut self) {
        let is_past = |s: &CacheStep| self.copy.done.mb >= float(s.bytes) / 1e6 * CACHE_PLACE.1;
        if self.step.as_ref().is_some_and(is_past) {
            self.step = None;
            self.hurry_until = self.at + HURRY_S;
        }
    }

    fn begin(&mut self, stage: Stage) {
        self.stage = stage;
        self.unconfirmed = None;
        self.gap = 0.0;
        self.hurry_until = self.at + HURRY_S;
        if stage == Stage::ReadBack {
            let file = FilePrior {
                seconds: self.copy.bank.file_seconds(),
                ..FilePrior::default()
            };
            let rate = self.read_back_guess();
            let total = self.read_back.as_ref().map_or(Load::default(), |r| r.total);
            let growth = self.prior.growth.unwrap_or_default();
            let mut run = Run::new(total, file, self.prior.read_back, growth);
            run.bank = Bank::new(file, rate, self.prior.read_back.map(trust), growth);
            run.watch.restart(self.at);
            self.read_back = Some(run);
        }
    }

    fn run(&self) -> &Run {
        match (&self.read_back, self.stage) {
            (Some(run), Stage::ReadBack) => run,
            _ => &self.copy,
        }
    }

    fn run_mut(&mut self) -> &mut Run {
        match (&mut self.read_back, self.stage) {
            (Some(run), Stage::ReadBack) => run,
            _ => &mut self.copy,
        }
    }

    fn learn(&mut self, took: f64, load: Load) -> Option<Change> {
        let at = self.at;
        let left_s = self.rest.ln.exp().min(SECONDS_MAX);
        let alarm = self.run_mut().learn(at, took, load, left_s);
        if let Some(unconfirmed) = &mut self.unconfirmed {
            unconfirmed.after.add(took, load);
        }
        if let Some(alarm) = alarm {
            self.hurry_until = at + HURRY_S;
            self.take_alarm(alarm);
        }
        let watch = &self.run().watch;
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
        let step = self.step;
        let done_mb = self.copy.done.mb;
        let is_copy = self.stage == Stage::Copy;
        let known = step.filter(|s| {
            let place = done_mb / (float(s.bytes) / 1e6);
            is_copy && alarm.slower && (CACHE_PLACE.0..CACHE_PLACE.1).contains(&place)
        });
        if known.is_some() {
            self.step = None;
        }
        let at = self.at;
        let run = self.run_mut();
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

    /// Seconds for all that is left.
    fn rest(&self) -> Guess {
        let before = self.rest_but_again();
        match self.again() {
            Some(again) => sum(&[before, again]),
            None => before,
        }
    }

    /// Seconds for all that is left before the card is read again.
    fn rest_but_again(&self) -> Guess {
        let run = self.run();
        let left = run.left();
        let mut now = if left.files > 0.0 || left.mb > 0.0 {
            run.bank.rest(left, run.share(left.mb))
        } else {
            NOTHING
        };
        if self.stage == Stage::ReadBack {
            return self.with_stalls(now);
        }
        now = self.with_step(now, left);
        now = self.with_companion(now, left);
        let Some(later) = &self.read_back else {
            return self.with_stalls(now);
        };
        let rate = self.read_back_guess();
        let file = self
            .prior
            .per_file
            .map_or(self.copy.bank.file_seconds(), |f| f.seconds);
        let seconds = file * later.total.files + rate.ln.exp() * later.total.mb;
        let later = Guess {
            ln: seconds.max(1e-9).ln(),
            variance: rate.variance,
        };
        sum(&[self.with_stalls(now), later])
    }

    fn read_back_guess(&self) -> Guess {
        self.prior.read_back.map_or_else(
            || Guess {
                ln: self.copy.bank.rate().ln - READ_BACK_FACTOR.ln(),
                variance: READ_BACK_LOG_SD * READ_BACK_LOG_SD,
            },
            rate_guess,
        )
    }

    /// A known step of a drive's cache: what comes after it goes at the slower rate.
    fn with_step(&self, now: Guess, left: Load) -> Guess {
        let Some(step) = self.step else { return now };
        let place = float(step.bytes) / 1e6;
        let done = self.copy.done.mb;
        if left.mb <= 0.0 {
            return now;
        }
        let fast = (place - done).clamp(0.0, left.mb);
        let slow = left.mb - fast;
        let before = self.copy.bank.rest(
            Load {
                files: left.files * fast / left.mb,
                mb: fast,
            },
            self.copy.share(fast),
        );
        let cost = (1.0 / step.mbps_after).max(self.copy.bank.rate().ln.exp());
        let (files, _) = self.copy.bank.parts(Load {
            files: left.files * slow / left.mb,
            mb: 0.0,
        });
        let after = Guess {
            ln: (slow * cost + files).max(1e-9).ln(),
            variance: CACHE_LOG_SD * CACHE_LOG_SD,
        };
        sum(&[before, after])
    }

    /// Another card takes half of the bus until it is done.
    fn with_companion(&self, now: Guess, left: Load) -> Guess {
        let Some(companion) = self.companion else {
            return now;
        };
        let shared = (float(companion.bytes_left) / 1e6).min(left.mb);
        if left.mb <= 0.0 {
            return now;
        }
        let alone = ln_alone(self.copy.bank.rate().ln, companion.alone_mbps).exp();
        let factor = (shared + (left.mb - shared) * alone) / left.mb;
        Guess {
            ln: now.ln + factor.ln(),
            ..now
        }
    }

    fn with_stalls(&self, guess: Guess) -> Guess {
        let mut stalls = self.stalls;
        if self.gap >= STALL_S {
            stalls.add(self.gap);
        }
        let active = self.copy.active + self.read_back.as_ref().map_or(0.0, |r| r.active);
        let extra = stalls.factor(active).ln();
        Guess {
            ln: guess.ln + extra,
            variance: guess.variance + extra * extra / stalls.count.max(1.0),
        }
    }

    fn show(&mut self) {
        let rest = self.rest();
        self.rest = rest;
        if !self.has_something_to_say() {
            return;
        }
        let estimate = rest.ln.exp().min(SECONDS_MAX);
        let moment = Moment {
            doubt: rest.variance.max(0.0).sqrt(),
            at: self.at,
            stalled: self.gap >= STALL_S,
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
        self.prior.rate.is_some() || (self.has_moved && self.at >= WATCH_S)
    }

    fn is_done(&self) -> bool {
        let nothing = |run: &Run| {
            let left = run.left();
            left.files <= 0.0 && left.mb <= 0.0
        };
        let read_back = self.read_back.as_ref().is_none_or(nothing);
        nothing(&self.copy) && read_back && self.read_again.is_none()
    }

    /// Returns the time left at the last observation (before the first: of the whole job), or
    /// `None` while nothing can be said.
    pub fn remaining(&self) -> Option<Remaining> {
        if self.is_done() {
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
        Duration::from_secs_f64(self.gap.clamp(0.0, SECONDS_MAX))
    }

    /// Returns what the number rests on.
    pub fn basis(&self) -> Basis {
        match self.prior.rate {
            Some(rate) if self.at < WATCH_S + SECOND_S => Basis::Known(rate),
            None if self.remaining().is_none() => Basis::Nothing,
            _ => Basis::Measured,
        }
    }
}

/// By how much `ln b` moves when the other card on the bus is done: half the cost, but never below
/// that of this card alone.
fn ln_alone(ln_now: f64, alone_mbps: f64) -> f64 {
    (ln_now - 2.0_f64.ln()).max(-alone_mbps.ln()).min(ln_now) - ln_now
}

#[cfg(test)]
mod tests;
