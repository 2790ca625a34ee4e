//! Owns what is learned of one stage of a job: its rate, its roughness, and when it changes for
//! good.

use super::bank::{Bank, Guess, Load, Trust};
use super::change::{Alarm, Watch};
use super::prior::{FilePrior, Growth, RatePrior, RateSource};

/// Observations for the watch for changes are at least so long, in seconds; the longest where
/// progress comes in lumps, since a lump and the pause before it belong together.
pub(super) const SECOND_S: f64 = 1.0;
const LUMP_S: f64 = 4.0;

/// And never longer than this share of the whole job.
pub(super) const LUMP_SHARE: f64 = 0.04;

/// Variance from one observation to the next, as a logarithm: above the first they are made longer,
/// below the second shorter again; and the weight of the newest in it.
pub(super) const ROUGH: (f64, f64) = (0.08, 0.01);

pub(super) const ROUGH_GAIN: f64 = 0.15;

/// The long-run variance of the rate is at least this many times that from one second to the next,
/// as neighbouring seconds are alike.
pub(super) const NOISE_FACTOR: f64 = 6.0;

/// The logarithm of a mean is corrected by no more than this.
pub(super) const BENT_MAX: f64 = 0.15;

/// From one observation to the next counts no more than this.
pub(super) const ROUGH_CLIP: f64 = 1.0;

/// Observations for the filters: their length in seconds, from the given second of work on. Longer
/// ones depend less on each other.
pub(super) const BLOCKS: [(f64, f64); 3] = [(0.0, 1.0), (8.0, 2.0), (20.0, 4.0)];

/// Observations wait while a change is suspected: from this second of work on (without a prior
/// there is none that can be wrong), and so many seconds.
pub(super) const HOLD_S: (f64, f64) = (8.0, 10.0);

pub(super) const HOLD_UNKNOWN_S: f64 = 3.0;

/// Without a prior the watch for changes begins after so many observations.
pub(super) const UNWATCHED: u32 = 2;

/// Stalls are charged as if this many seconds without any had gone before; less with each of them.
pub(super) const STALL_PRIOR_S: f64 = 30.0;

/// A single stall is charged with no more than this, in seconds.
pub(super) const ACCIDENT_S: f64 = 6.0;

/// Spread of the logarithm of a rate that nobody knows.
pub(super) const UNKNOWN_LOG_SD: f64 = 1.5;

/// Seconds and work together.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Span {
    pub(super) seconds: f64,
    pub(super) load: Load,
}

impl Span {
    pub(super) fn add(&mut self, seconds: f64, load: Load) {
        self.seconds += seconds;
        self.load.files += load.files;
        self.load.mb += load.mb;
    }

    pub(super) fn bytes_per_s(&self) -> f64 {
        self.load.mb * 1e6 / self.seconds.max(1e-3)
    }
}

/// Times without progress.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Stalls {
    pub(super) total: f64,
    pub(super) longest: f64,
    pub(super) count: f64,
}

impl Stalls {
    pub(super) fn add(&mut self, seconds: f64) {
        self.total += seconds;
        self.longest = self.longest.max(seconds);
        self.count += 1.0;
    }

    /// How much longer the rest takes because of stalls: one may be an accident, two are a habit.
    pub(super) fn factor(&self, active: f64) -> f64 {
        let usual = 2.0 * (self.total - self.longest) + self.longest.min(ACCIDENT_S);
        let usual = usual.min(self.total);
        let damping = STALL_PRIOR_S / self.count.max(1.0).powi(2);
        1.0 + usual / (active + damping).max(1e-3)
    }
}

/// The forecast of one stage of the job.
#[derive(Clone, Debug)]
pub(super) struct StageForecast {
    pub(super) total: Load,
    pub(super) done: Load,
    pub(super) bank: Bank,
    pub(super) watch: Watch,
    /// Observations that the watch has to wait for.
    pub(super) unwatched: u32,
    pub(super) hold_from: f64,
    /// Seconds that an observation takes, the variance from one to the next, and the last one.
    pub(super) length: f64,
    pub(super) rough: f64,
    pub(super) last: Option<f64>,
    pub(super) last_step: f64,
    /// Being collected for the watch, and for the filters.
    pub(super) second: Span,
    pub(super) block: Span,
    pub(super) active: f64,
    /// Since the last change.
    pub(super) segment: Span,
}

impl StageForecast {
    pub(super) fn new(
        total: Load,
        file: FilePrior,
        rate: Option<RatePrior>,
        growth: Growth,
    ) -> Self {
        let guess = rate.map_or(
            Guess {
                ln: 0.01_f64.ln(),
                variance: UNKNOWN_LOG_SD * UNKNOWN_LOG_SD,
            },
            rate_guess,
        );
        Self {
            total,
            done: Load::default(),
            bank: Bank::new(file, guess, rate.map(trust), growth),
            watch: Watch::default(),
            unwatched: if rate.is_some() { 0 } else { UNWATCHED },
            hold_from: if rate.is_some() {
                HOLD_S.0
            } else {
                HOLD_UNKNOWN_S
            },
            length: SECOND_S,
            rough: 0.0,
            last: None,
            last_step: 0.0,
            second: Span::default(),
            block: Span::default(),
            active: 0.0,
            segment: Span::default(),
        }
    }

    pub(super) fn left(&self) -> Load {
        Load {
            files: (self.total.files - self.done.files).max(0.0),
            mb: (self.total.mb - self.done.mb).max(0.0),
        }
    }

    pub(super) fn share(&self, mb: f64) -> f64 {
        if self.total.mb > 0.0 {
            (mb / self.total.mb).clamp(0.0, 1.0)
        } else {
            0.0
        }
    }

    /// Learns from work that took `dt` seconds until `at`, with about `left_s` seconds to go;
    /// returns an alarm if the rate changed.
    pub(super) fn learn(&mut self, at: f64, dt: f64, load: Load, left_s: f64) -> Option<Alarm> {
        self.active += dt;
        self.second.add(dt, load);
        let longest = (LUMP_SHARE * (at + left_s)).max(SECOND_S);
        if self.second.seconds < self.length.min(longest) {
            return None;
        }
        let second = std::mem::take(&mut self.second);
        self.segment.add(second.seconds, second.load);
        let (files, bytes) = self.bank.parts(second.load);
        let deviation = (second.seconds / (files + bytes).max(1e-9)).ln();
        self.note_roughness(deviation);
        let noise = self.bank.noise().max(NOISE_FACTOR * self.rough);
        // The mean of the rates is expected, and the mean of their logarithms lies below it.
        let deviation = deviation - (self.rough * NOISE_FACTOR / 4.0).min(BENT_MAX);
        if self.unwatched > 0 {
            self.unwatched -= 1;
            self.watch.restart(at);
        } else {
            let began = (at - second.seconds, second.seconds);
            let alarm = self.watch.add(deviation, began, second.load, noise);
            if alarm.is_some() {
                self.block = Span::default();
                return alarm;
            }
        }
        self.block.add(second.seconds, second.load);
        let mut length = SECOND_S;
        for (from, seconds) in BLOCKS {
            if self.active >= from {
                length = seconds.max(2.0 * self.length - SECOND_S);
            }
        }
        // What may belong to another rate waits until that is decided, but not at the start, when
        // it is rather the prior that is wrong, not for ever, and not where lumps make all suspect.
        let waits = self.watch.suspects()
            && self.active >= self.hold_from
            && self.length <= SECOND_S
            && self.block.seconds < HOLD_S.1;
        if self.block.seconds >= length && !waits {
            let block = std::mem::take(&mut self.block);
            let share = self.share(block.load.mb);
            self.bank.learn(block.seconds, block.load, share);
        }
        None
    }
}

impl StageForecast {
    /// Makes observations longer while they go up and down: a change of the rate does so once and
    /// one way, which is left out, lumps all the time.
    pub(super) fn note_roughness(&mut self, deviation: f64) {
        let deviation = deviation.clamp(-6.0, 6.0);
        if let Some(last) = self.last {
            let step = (deviation - last).abs().min(ROUGH_CLIP);
            let both = step.min(self.last_step);
            self.last_step = step;
            self.rough += ROUGH_GAIN * (both * both / 2.0 - self.rough);
        }
        self.last = Some(deviation);
        let (long, short) = ROUGH;
        if self.rough > long && self.length < LUMP_S {
            self.length *= 2.0;
            self.rough /= 2.0;
        } else if self.rough < short && self.length > SECOND_S {
            self.length /= 2.0;
        }
    }
}

/// The spread of a history is narrow by itself; that of a ceiling is wide, and the usual band is
/// most of it.
pub(super) fn trust(prior: RatePrior) -> Trust {
    Trust {
        log_sd: prior.usual_log_sd,
        weight: match prior.source {
            RateSource::Ceiling => 2.2,
            RateSource::History => -0.5,
        },
        is_limit: prior.source == RateSource::Ceiling,
    }
}

pub(super) fn rate_guess(prior: RatePrior) -> Guess {
    Guess {
        ln: -prior.mbps.ln(),
        variance: prior.log_sd * prior.log_sd,
    }
}
