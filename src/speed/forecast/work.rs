//! Owns what a forecast knows of the work: its stages, what is known beforehand of each, what is
//! done, and how long all that is left takes.

use super::answer::Stage;
use super::bank::{Bank, Guess, Load};
use super::prior::{CacheStep, Companion, FilePrior, Prior, RatePrior};
use super::stage::{Span, StageForecast, Stalls, rate_guess, trust};
use crate::units::float;

/// Longer without any progress is a stall and no longer part of the rate, in seconds.
pub(super) const STALL_S: f64 = 3.0;
/// What is assumed of a read-back nobody knows: this many times the rate of the copy.
const READ_BACK_FACTOR: f64 = 1.5;
const READ_BACK_LOG_SD: f64 = 0.6;
/// Spread of the logarithm of a drive's known rate after its cache is full.
pub(super) const CACHE_LOG_SD: f64 = 0.08;
/// A known cache step is looked for from the first to the second multiple of its place.
pub(super) const CACHE_PLACE: (f64, f64) = (0.5, 1.5);
/// No time at all.
pub(super) const NOTHING: Guess = Guess {
    ln: f64::NEG_INFINITY,
    variance: 0.0,
};

/// The work of a job, done and left.
#[derive(Clone, Debug)]
pub(super) struct Stages {
    pub(super) prior: Prior,
    pub(super) copy: StageForecast,
    pub(super) read_back: Option<StageForecast>,
    /// A second read of the card after all else.
    pub(super) read_again: Option<Load>,
    pub(super) stage: Stage,
    /// Seconds without progress up to now.
    pub(super) gap: f64,
    pub(super) stalls: Stalls,
    pub(super) step: Option<CacheStep>,
    pub(super) companion: Option<Companion>,
}

impl Stages {
    /// A copy of which only `prior` is known. What makes no sense in it (a rate of zero, say) is
    /// left out.
    pub(super) fn new(prior: &Prior, copy: Load) -> Self {
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
        Self {
            copy: StageForecast::new(copy, file, prior.rate, growth),
            read_back: None,
            read_again: None,
            stage: Stage::Copy,
            gap: 0.0,
            stalls: Stalls::default(),
            step: prior
                .cache_step
                .filter(|s| s.bytes > 0 && s.mbps_after > 0.0 && s.mbps_after.is_finite()),
            companion: prior
                .companion
                .filter(|c| c.bytes_left > 0 && c.alone_mbps > 0.0 && c.alone_mbps.is_finite()),
            prior,
        }
    }

    /// The read-back before it begins.
    pub(super) fn read_back_of(&self, total: Load) -> StageForecast {
        StageForecast::new(
            total,
            self.prior.per_file.unwrap_or_default(),
            self.prior.read_back,
            self.prior.growth.unwrap_or_default(),
        )
    }

    /// Begins a stage at `at` with what the one before it taught.
    pub(super) fn begin(&mut self, stage: Stage, at: f64) {
        self.stage = stage;
        self.gap = 0.0;
        if stage == Stage::ReadBack {
            let file = FilePrior {
                seconds: self.copy.bank.file_seconds(),
                ..FilePrior::default()
            };
            let rate = self.read_back_guess();
            let total = self.read_back.as_ref().map_or(Load::default(), |r| r.total);
            let growth = self.prior.growth.unwrap_or_default();
            let mut run = StageForecast::new(total, file, self.prior.read_back, growth);
            run.bank = Bank::new(file, rate, self.prior.read_back.map(trust), growth);
            run.watch.restart(at);
            self.read_back = Some(run);
        }
    }

    /// Takes note at `at` of what the other card, which takes a part of the rate, still has to do.
    pub(super) fn observe_companion(&mut self, bytes_left: u64, at: f64) {
        let Some(companion) = &mut self.companion else {
            return;
        };
        companion.bytes_left = bytes_left;
        if bytes_left == 0 {
            let alone = companion.alone_mbps;
            self.companion = None;
            let faster = ln_alone(self.copy.bank.rate().ln, alone);
            self.copy.bank.shift(faster);
            self.copy.watch.restart(at);
            self.copy.second = Span::default();
            self.copy.block = Span::default();
        }
    }

    pub(super) fn run(&self) -> &StageForecast {
        match (&self.read_back, self.stage) {
            (Some(run), Stage::ReadBack) => run,
            _ => &self.copy,
        }
    }

    pub(super) fn run_mut(&mut self) -> &mut StageForecast {
        match (&mut self.read_back, self.stage) {
            (Some(run), Stage::ReadBack) => run,
            _ => &mut self.copy,
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

    /// Seconds for all that is left.
    pub(super) fn rest(&self) -> Guess {
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

    pub(super) fn is_done(&self) -> bool {
        let nothing = |run: &StageForecast| {
            let left = run.left();
            left.files <= 0.0 && left.mb <= 0.0
        };
        let read_back = self.read_back.as_ref().is_none_or(nothing);
        nothing(&self.copy) && read_back && self.read_again.is_none()
    }
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

/// By how much `ln b` moves when the other card on the bus is done: half the cost, but never below
/// that of this card alone.
fn ln_alone(ln_now: f64, alone_mbps: f64) -> f64 {
    (ln_now - 2.0_f64.ln()).max(-alone_mbps.ln()).min(ln_now) - ln_now
}
