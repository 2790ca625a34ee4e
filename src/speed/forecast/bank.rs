//! Owns the belief about the cost of the work: `seconds = a * files + b * megabytes`. A bank of
//! small Kalman filters holds it, one for each idea of how noisy the rate is and how it moves; what
//! was measured decides which of them to listen to.
//!
//! Every filter estimates four numbers: `ln a`, `ln b`, how much `ln b` grows from the first to the
//! last byte (a hard disk fills from its fast edge to its slow one), and a passing deviation of
//! `ln b` that fades by itself. Logarithms keep costs positive and let a prior that is five times
//! off be overcome.

use super::prior::{DECILES, FilePrior, Growth};

/// Numbers in a filter's state.
const N: usize = 4;
/// Their places: ln of seconds per file, ln of seconds per MB, growth, passing deviation.
const A: usize = 0;
const B: usize = 1;
const G: usize = 2;
const U: usize = 3;

/// How fast a passing deviation fades, in seconds.
const SWAY_S: f64 = 12.0;
/// Long-run variance of the logarithm of the rate, in seconds: the variance of its mean over `T`
/// seconds is this over `T`. Each with its weight, as a logarithm, before anything is measured.
const NOISES: [(f64, f64); 5] = [
    (0.003, -3.0),
    (0.015, -1.5),
    (0.06, 0.0),
    (0.25, -1.0),
    (1.0, -2.5),
];
/// How the rate moves: variance that `ln b` gains per second, spread of the passing deviation,
/// spread of the growth beyond the one foreseen, and the weight beforehand.
const MOVES: [(f64, f64, f64, f64); 7] = [
    (1e-7, 0.0, 0.0, 0.0),
    (1e-5, 0.0, 0.0, -1.5),
    (1e-4, 0.0, 0.0, -2.5),
    (1e-3, 0.0, 0.0, -4.0),
    (1e-6, 0.12, 0.0, -2.5),
    (1e-6, 0.25, 0.0, -3.5),
    (1e-6, 0.0, 0.35, -1.5),
];
/// A rate falls below a known limit over a job rather than that it rises: a disk's inner tracks, a
/// card that gets hot (common practice, no source). So much growth is expected where some is
/// possible and none is known.
const LEAN: f64 = 0.15;
/// What is known beforehand can be right or wrong altogether: the bounds of its spread then, and
/// the weight of that.
const PRIORS: [(f64, f64, f64); 2] = [(0.0, f64::INFINITY, 0.0), (0.7, f64::INFINITY, -0.5)];
/// The noise of the cost of files, where that outweighs their bytes.
const FILE_NOISE: f64 = 0.05;
/// What `ln a` gains per second: files of one card cost about the same.
const FILE_WALK: f64 = 1e-6;
/// Seconds after which an observation counts half of `e` less for choosing between the filters.
const CHOICE_MEMORY_S: f64 = 300.0;
/// Times that an observation is taken again with the slopes that it leads to.
const ITERATIONS: usize = 3;
/// It is not when the cost was foreseen as closely as this, as a logarithm.
const NEAR: f64 = 0.3;
/// An observation counts for that choice in full when it is at least this long, in seconds: what
/// follows each other more quickly is alike, and says less than it seems to.
const WHOLE_S: f64 = 12.0;
/// And it counts for this share at least.
const PART_MIN: f64 = 0.5;
/// A single observation counts no more than this many standard deviations for that choice.
const SURPRISE_MAX: f64 = 5.0;
/// A filter with less weight than this, of 1 in all, is not asked for the time left.
const WEIGHT_MIN: f64 = 1e-3;
/// Seconds per file and per MB are kept within these, as logarithms: a nanosecond to an hour.
const LN_COST: (f64, f64) = (-20.7, 8.2);
/// A file costs half a second at most; above that it is the bytes that are slow.
const LN_FILE_MAX: f64 = -0.69;

/// Some work: files finished and megabytes moved.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct Load {
    pub(super) files: f64,
    pub(super) mb: f64,
}

/// A number in the logarithm: its middle and its variance.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Guess {
    pub(super) ln: f64,
    pub(super) variance: f64,
}

/// How far what is known beforehand is believed to be right: mostly it is, and then its spread is
/// small.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Trust {
    /// Spread of `ln b` then.
    pub(super) log_sd: f64,
    /// The weight of that, as a logarithm.
    pub(super) weight: f64,
    /// It is a limit, from which a rate rather falls in the course of a job. What whole jobs
    /// reached before has any fall in it.
    pub(super) is_limit: bool,
}

#[derive(Clone, Debug)]
struct Filter {
    x: [f64; N],
    p: [[f64; N]; N],
    noise: f64,
    walk: f64,
    sway: f64,
    growth: Growth,
    prior_weight: f64,
    evidence: f64,
}

/// What a measurement changes in a filter; all in natural logarithms of seconds.
struct KalmanUpdate {
    /// Measured over predicted.
    z: f64,
    innovation: f64,
    gain: [f64; N],
    /// Variance of the innovation.
    variance: f64,
}

impl Filter {
    /// Lets time and work pass.
    fn advance(&mut self, dt: f64, share: f64) {
        let fade = (-dt / SWAY_S).exp();
        self.x[B] += self.x[G] * share;
        self.x[U] *= fade;
        let p = &mut self.p;
        // P <- F P F', where F adds `share` of the growth to ln b and fades the deviation.
        let growth = p[G];
        for (b, g) in p[B].iter_mut().zip(growth) {
            *b += share * g;
        }
        for row in p.iter_mut() {
            row[B] += share * row[G];
        }
        for value in &mut p[U] {
            *value *= fade;
        }
        for row in p.iter_mut() {
            row[U] *= fade;
        }
        p[A][A] += FILE_WALK * dt;
        p[B][B] += self.walk * dt;
        p[U][U] += self.sway * self.sway * (1.0 - fade * fade);
    }

    /// Learns that `load` took `dt` seconds. Returns how well that was foreseen, as a logarithm.
    fn learn(&mut self, dt: f64, load: Load) -> f64 {
        let before = self.x;
        let Some(first) = self.compare(dt, load, &before) else {
            return 0.0;
        };
        let variance = first.variance;
        let surprise = (first.z * first.z / variance).min(SURPRISE_MAX * SURPRISE_MAX);
        let iterations = if first.z.abs() > NEAR { ITERATIONS } else { 1 };
        let mut last = first;
        // The slopes belong to the costs that are found, not to those that were expected; near to
        // each other they are the same.
        for _ in 0..iterations {
            for (x, (old, k)) in self.x.iter_mut().zip(before.iter().zip(&last.gain)) {
                *x = old + k * last.innovation;
            }
            self.keep_sane();
            if iterations > 1 {
                match self.compare(dt, load, &before) {
                    Some(next) => last = next,
                    None => break,
                }
            }
        }
        for (row, k) in self.p.iter_mut().zip(&last.gain) {
            for (value, other) in row.iter_mut().zip(&last.gain) {
                *value -= k * other * last.variance;
            }
        }
        self.keep_sane();
        -0.5 * (variance.ln() + surprise)
    }

    /// Compares what was measured with the present state; `before` is the state before it.
    fn compare(&self, dt: f64, load: Load, before: &[f64; N]) -> Option<KalmanUpdate> {
        let (files, bytes) = self.parts(load);
        let predicted = files + bytes;
        if !(predicted > 0.0 && predicted.is_finite()) {
            return None;
        }
        let z = (dt / predicted).ln().clamp(-6.0, 6.0);
        let (ja, jb) = (files / predicted, bytes / predicted);
        let slope = [ja, jb, 0.0, jb];
        let mut gain = [0.0; N];
        for (out, row) in gain.iter_mut().zip(&self.p) {
            *out = dot(row, &slope);
        }
        let noise = self.noise * jb * jb + FILE_NOISE * ja * ja;
        let variance = dot(&gain, &slope) + noise / dt;
        for k in &mut gain {
            *k /= variance;
        }
        let mut moved = 0.0;
        for ((now, then), s) in self.x.iter().zip(before).zip(&slope) {
            moved += (now - then) * s;
        }
        // Looks are even in time, so it is the mean of the rates that is wanted, not that of their
        // logarithms: `1 - exp(-z)`, to the second order.
        let bent = z.abs().min(0.7).powi(2) / 2.0;
        Some(KalmanUpdate {
            z,
            innovation: z - bent + moved,
            gain,
            variance,
        })
    }

    fn keep_sane(&mut self) {
        self.x[A] = self.x[A].clamp(LN_COST.0, LN_FILE_MAX);
        self.x[B] = self.x[B].clamp(LN_COST.0, LN_COST.1);
        self.x[G] = self.x[G].clamp(-2.0, 2.0);
        self.x[U] = self.x[U].clamp(-2.0, 2.0);
        for (i, row) in self.p.iter_mut().enumerate() {
            row[i] = row[i].clamp(0.0, 16.0);
        }
    }

    /// Seconds for the files and for the bytes of some work at the costs of this moment.
    fn parts(&self, load: Load) -> (f64, f64) {
        (
            self.x[A].exp() * load.files,
            (self.x[B] + self.x[U]).exp() * load.mb,
        )
    }

    /// Seconds for all the work that is left; `share` is its part of the whole.
    fn rest(&self, left: Load, share: f64) -> Guess {
        let files = self.x[A].exp() * left.files;
        let growth = self.x[G] * share;
        let grown = if growth.abs() < 1e-6 {
            1.0
        } else {
            growth.exp_m1() / growth
        };
        let level = self.x[B].exp() * left.mb * grown;
        let horizon = (files + level).max(1e-3);
        // The mean of a fading deviation over the time left, per unit of it now.
        let fading = SWAY_S / horizon * -(-horizon / SWAY_S).exp_m1();
        let bytes = level * (self.x[U] * fading).exp();
        let total = (files + bytes).max(1e-9);
        let jb = bytes / total;
        let slope = [files / total, jb, jb * share / 2.0, jb * fading];
        let mut known = 0.0;
        for (row, s) in self.p.iter().zip(&slope) {
            known += dot(row, &slope) * s;
        }
        let sway = self.sway
            * self.sway
            * (2.0 * SWAY_S / horizon * (1.0 - fading) - fading * fading).max(0.0);
        let future = self.noise / horizon.max(1.0) + self.walk * horizon / 3.0 + sway;
        Guess {
            ln: total.ln(),
            variance: known.max(0.0) + future,
        }
    }
}

fn dot(a: &[f64; N], b: &[f64; N]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// The filters and how far each is believed.
#[derive(Clone, Debug)]
pub(super) struct Bank {
    filters: Vec<Filter>,
    weights: Vec<f64>,
}

impl Bank {
    /// A belief from what was known beforehand; `rate` is that of `ln b`, and `trust` how far
    /// that is believed.
    pub(super) fn new(file: FilePrior, rate: Guess, trust: Option<Trust>, growth: Growth) -> Self {
        let mut filters = Vec::with_capacity(NOISES.len() * MOVES.len() * (PRIORS.len() + 1));
        for (noise, noise_weight) in NOISES {
            for (walk, sway, bend, move_weight) in MOVES {
                let usual = trust.map(|t| (0.0, t.log_sd, t.weight));
                for (least, most, prior_weight) in PRIORS.into_iter().chain(usual) {
                    let is_limit = trust.is_some_and(|t| t.is_limit);
                    let is_open = bend > 0.0 && growth == Growth::default() && is_limit;
                    let lean = if is_open { LEAN } else { 0.0 };
                    let growth = Growth {
                        log: growth.log + lean,
                        log_sd: growth.log_sd.hypot(bend),
                    };
                    let mut p = [[0.0; N]; N];
                    p[A][A] = file.log_sd * file.log_sd;
                    p[B][B] = rate.variance.clamp(least * least, most * most);
                    p[G][G] = growth.log_sd * growth.log_sd;
                    let mut filter = Filter {
                        x: [file.seconds.ln(), rate.ln, growth.log, 0.0],
                        p,
                        noise,
                        walk,
                        sway,
                        growth,
                        prior_weight: noise_weight + move_weight + prior_weight,
                        evidence: 0.0,
                    };
                    filter.keep_sane();
                    filters.push(filter);
                }
            }
        }
        let mut bank = Self {
            weights: vec![0.0; filters.len()],
            filters,
        };
        bank.weigh();
        bank
    }

    fn weigh(&mut self) {
        let log = |f: &Filter| f.prior_weight + f.evidence;
        let most = self
            .filters
            .iter()
            .map(log)
            .fold(f64::NEG_INFINITY, f64::max);
        let mut sum = 0.0;
        for (weight, filter) in self.weights.iter_mut().zip(&self.filters) {
            *weight = (log(filter) - most).exp();
            sum += *weight;
        }
        for weight in &mut self.weights {
            *weight /= sum;
        }
    }

    /// Learns that `load`, the given share of the whole, took `dt` seconds.
    pub(super) fn learn(&mut self, dt: f64, load: Load, share: f64) {
        let memory = (-dt / CHOICE_MEMORY_S).exp();
        let weight = (dt / WHOLE_S).clamp(PART_MIN, 1.0);
        for filter in &mut self.filters {
            filter.advance(dt, share);
            let likelihood = filter.learn(dt, load);
            filter.evidence = filter.evidence * memory + likelihood * weight;
        }
        self.weigh();
    }

    /// Forgets the rate and learns it anew from `load`, which took `dt` seconds since it changed.
    pub(super) fn relearn(&mut self, dt: f64, load: Load, near: Option<Guess>) {
        for filter in &mut self.filters {
            for i in 0..N {
                if i != A {
                    filter.p[i] = [0.0; N];
                    filter.p[A][i] = 0.0;
                }
            }
            filter.x[B] += filter.x[U];
            filter.x[U] = 0.0;
            filter.x[G] = filter.growth.log;
            filter.p[B][B] = 1.0;
            filter.p[G][G] = filter.growth.log_sd * filter.growth.log_sd;
            if let Some(near) = near {
                filter.x[B] = near.ln;
                filter.p[B][B] = near.variance;
            }
            // What was seen of the change itself says nothing of the noise.
            filter.learn(dt, load);
        }
    }

    /// Moves the belief about `ln b`, for a change whose size is known.
    pub(super) fn shift(&mut self, by: f64) {
        for filter in &mut self.filters {
            filter.x[B] += by;
            filter.keep_sane();
        }
    }

    fn mean(&self, of: impl Fn(&Filter) -> f64) -> f64 {
        self.filters
            .iter()
            .zip(&self.weights)
            .map(|(f, w)| of(f) * w)
            .sum()
    }

    /// Returns the seconds expected for the files and for the bytes of `load` right now.
    pub(super) fn parts(&self, load: Load) -> (f64, f64) {
        let a = self.mean(|f| f.x[A]).exp();
        let b = self.mean(|f| f.x[B] + f.x[U]).exp();
        (a * load.files, b * load.mb)
    }

    /// Returns the long-run variance of the logarithm of the rate, times seconds.
    pub(super) fn noise(&self) -> f64 {
        self.mean(|f| f.noise.ln()).exp()
    }

    /// Returns the cost of a file, for a later stage to begin with.
    pub(super) fn file_seconds(&self) -> f64 {
        self.mean(|f| f.x[A]).exp()
    }

    /// Returns what is believed of `ln b`.
    pub(super) fn rate(&self) -> Guess {
        let ln = self.mean(|f| f.x[B] + f.x[U]);
        Guess {
            ln,
            variance: self.mean(|f| f.p[B][B] + (f.x[B] + f.x[U] - ln).powi(2)),
        }
    }

    /// Returns the seconds for all that is left, `share` of the whole.
    pub(super) fn rest(&self, left: Load, share: f64) -> Guess {
        // Those that nearly nothing speaks for would change nothing.
        let guesses: Vec<(Guess, f64)> = self
            .filters
            .iter()
            .zip(&self.weights)
            .filter(|(_, w)| **w > WEIGHT_MIN)
            .map(|(f, w)| (f.rest(left, share), *w))
            .collect();
        let weight: f64 = guesses.iter().map(|(_, w)| w).sum();
        let ln = guesses.iter().map(|(g, w)| g.ln * w).sum::<f64>() / weight;
        let all = guesses
            .iter()
            .map(|(g, w)| (g.variance + (g.ln - ln).powi(2)) * w)
            .sum::<f64>()
            / weight;
        // A few that are far off would widen the variance more than the range that four out of five
        // of the mixture lie in.
        let within = Guess { ln, variance: all };
        let decile = |share| quantile(&guesses, weight * share, within);
        let spread = (decile(0.9) - decile(0.1)) / DECILES;
        Guess {
            ln,
            variance: spread * spread,
        }
    }
}

/// The search for a decile halves the way so often: to a millionth of it.
const HALVINGS: usize = 20;

/// Returns the logarithm below which the given part of the weights lies; `within` is the mean of
/// all and their variance.
fn quantile(guesses: &[(Guess, f64)], part: f64, within: Guess) -> f64 {
    // Beyond three deviations on one side lies a tenth of anything at most (Cantelli: 1 / (1 + 9)).
    let reach = 3.0 * within.variance.sqrt() + 1e-9;
    let (mut low, mut high) = (within.ln - reach, within.ln + reach);
    for _ in 0..HALVINGS {
        let middle = low.midpoint(high);
        let mass: f64 = guesses
            .iter()
            .map(|(g, w)| w * normal((middle - g.ln) / g.variance.max(1e-12).sqrt()))
            .sum();
        if mass < part {
            low = middle;
        } else {
            high = middle;
        }
    }
    low.midpoint(high)
}

/// Returns the share of a normal distribution below `x` deviations, to 0.0002 (S. R. Bowling et
/// al., "A logistic approximation to the cumulative normal distribution", JIEM 2, 2009).
fn normal(x: f64) -> f64 {
    1.0 / (1.0 + (-(1.5976 * x + 0.070_56 * x.powi(3))).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Quantiles of the normal distribution: NIST/SEMATECH e-Handbook of Statistical Methods,
    /// 1.3.6.7.1.
    #[test]
    fn deciles_are_those_of_the_mixture() {
        for (x, share) in [(0.0, 0.5), (1.0, 0.8413), (1.96, 0.975), (-1.282, 0.1)] {
            assert!((normal(x) - share).abs() < 5e-4, "{x}: {}", normal(x));
        }
        let one = Guess {
            ln: 2.0,
            variance: 0.25,
        };
        let decile = quantile(&[(one, 1.0)], 0.9, one);
        assert!((decile - (2.0 + 1.282 * 0.5)).abs() < 1e-3, "{decile}");
        // One of twenty that is far off moves the variance much and the decile little.
        let far = Guess {
            ln: 12.0,
            variance: 0.25,
        };
        let all = Guess {
            ln: 2.5,
            variance: 5.0,
        };
        let moved = quantile(&[(one, 0.95), (far, 0.05)], 0.9, all);
        assert!((moved - decile).abs() < 0.2, "{moved}");
    }
}
