//! Owns the estimate of the time left, from measured throughput alone: a rate that follows the last
//! half minute, its spread as a range, and nothing at all before there is something to go by. Pure.

use crate::units::float;
use std::time::Duration;

/// Nothing is said before this much time has been watched.
const WATCH: Duration = Duration::from_secs(2);
/// Observations are taken at least this far apart.
const STEP_S: f64 = 0.5;
/// Memory of the rate in seconds.
const MEMORY_S: f64 = 20.0;
/// A forecast above this many seconds is shown as this many.
pub const SECONDS_MAX: f64 = 359_999.0;

/// Time left in seconds; `low_s <= likely_s <= high_s`, all finite.
#[derive(Clone, Copy, PartialEq, Debug, serde::Serialize)]
pub struct Remaining {
    /// Sooner than this is unlikely.
    pub low_s: f64,
    /// The best guess.
    pub likely_s: f64,
    /// Later than this is unlikely.
    pub high_s: f64,
}

/// A running estimate.
#[derive(Clone, Debug, Default)]
pub struct Forecast {
    last: Option<(f64, u64)>,
    /// Seconds and bytes, fading.
    seconds: f64,
    bytes: f64,
    /// Fading variance of the logarithm of the rate, and its weight.
    spread: f64,
    weight: f64,
}

impl Forecast {
    /// An estimate that knows nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes note that `bytes` are done at `at`.
    pub fn observe(&mut self, at: Duration, bytes: u64) {
        let at = at.as_secs_f64();
        let Some((then, before)) = self.last else {
            self.last = Some((at, bytes));
            return;
        };
        let dt = at - then;
        if dt < STEP_S {
            return;
        }
        let done = float(bytes.saturating_sub(before));
        let fade = (-dt / MEMORY_S).exp();
        if self.bytes > 0.0 && self.seconds > 0.0 && done > 0.0 {
            let deviation = ((done / dt) / (self.bytes / self.seconds)).ln();
            self.spread = self.spread * fade + deviation * deviation * dt;
            self.weight = self.weight * fade + dt;
        }
        self.seconds = self.seconds * fade + dt;
        self.bytes = self.bytes * fade + done;
        self.last = Some((at, bytes));
    }

    /// Returns the time left for `bytes_left`, or `None` while nothing can be said.
    pub fn remaining(&self, at: Duration, bytes_left: u64) -> Option<Remaining> {
        if bytes_left == 0 {
            return Some(Remaining {
                low_s: 0.0,
                likely_s: 0.0,
                high_s: 0.0,
            });
        }
        if at < WATCH || self.bytes <= 0.0 || self.seconds <= 0.0 {
            return None;
        }
        let likely = (float(bytes_left) * self.seconds / self.bytes).min(SECONDS_MAX);
        let sd = if self.weight > 0.0 {
            (self.spread / self.weight).sqrt()
        } else {
            0.5
        };
        // The rate of the coming minutes wanders less than that of single half seconds; and little
        // has been seen when little time was watched.
        let doubt = (sd * (MEMORY_S / (MEMORY_S + likely)).sqrt() + 0.3 / (1.0 + self.seconds))
            .clamp(0.02, 1.0);
        Some(Remaining {
            low_s: likely * (-1.3 * doubt).exp(),
            likely_s: likely,
            high_s: (likely * (1.3 * doubt).exp()).min(SECONDS_MAX),
        })
    }
}

/// Returns the time left in words: one figure, or a range while its half-width is above 15 %.
pub fn words(remaining: Remaining) -> String {
    let Remaining {
        low_s,
        likely_s,
        high_s,
    } = remaining;
    let wide = likely_s > 0.0 && (high_s - low_s) / 2.0 > 0.15 * likely_s;
    let (low, high) = (rounded(low_s), rounded(high_s));
    if wide && low != high {
        let (low_n, low_unit) = split(low);
        let (high_n, high_unit) = split(high);
        return if low_unit == high_unit {
            format!("{low_n} to {high_n} {high_unit}")
        } else {
            format!("{} to {}", spoken(low), spoken(high))
        };
    }
    format!("about {}", spoken(rounded(likely_s)))
}

/// Rounds up: under a minute to 5 s, under ten minutes to 10 s, under an hour to 1 min, else 5 min.
fn rounded(seconds: f64) -> u64 {
    let s = crate::units::whole(seconds.min(SECONDS_MAX).ceil());
    let step = match s {
        0..60 => 5,
        60..600 => 10,
        600..3_600 => 60,
        _ => 300,
    };
    s.div_ceil(step).max(1) * step
}

fn split(seconds: u64) -> (u64, &'static str) {
    match seconds {
        0..60 => (seconds, "s"),
        60..3_600 if seconds.is_multiple_of(60) => (seconds / 60, "min"),
        _ => (seconds, ""),
    }
}

fn spoken(seconds: u64) -> String {
    match seconds {
        0..60 => format!("{seconds} s"),
        60..3_600 if seconds.is_multiple_of(60) => format!("{} min", seconds / 60),
        60..3_600 => format!("{} min {:02} s", seconds / 60, seconds % 60),
        _ => format!("{} h {:02} min", seconds / 3_600, seconds % 3_600 / 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(rates_mb: &[f64]) -> (Forecast, Duration, u64) {
        let mut f = Forecast::new();
        let mut done = 0.0;
        f.observe(Duration::ZERO, 0);
        let mut at = Duration::ZERO;
        for r in rates_mb {
            at += Duration::from_secs(1);
            done += r * 1e6;
            f.observe(at, crate::units::whole(done));
        }
        (f, at, crate::units::whole(done))
    }

    #[test]
    fn steady_rate_is_exact_and_certain() {
        let (f, at, done) = run(&[90.0; 30]);
        let left = f.remaining(at, 9_000_000_000 - done).unwrap();
        assert!((left.likely_s - 70.0).abs() < 0.1, "{left:?}");
        assert!(left.low_s > 65.0 && left.high_s < 75.0, "{left:?}");
        assert_eq!(words(left), "about 1 min 10 s");
    }

    #[test]
    fn nothing_is_said_too_early_and_nothing_is_infinite() {
        let f = Forecast::new();
        assert_eq!(f.remaining(Duration::from_secs(10), 5), None);
        let (f, ..) = run(&[90.0]);
        assert_eq!(f.remaining(Duration::from_secs(1), 5), None);
        let (f, at, _) = run(&[0.001; 5]);
        let left = f.remaining(at, u64::MAX).unwrap();
        assert!(left.high_s <= SECONDS_MAX);
        assert_eq!(
            f.remaining(at, 0).unwrap().high_s.to_bits(),
            0.0_f64.to_bits()
        );
    }

    #[test]
    fn a_step_is_followed_and_jitter_widens_the_range() {
        let (f, at, _) = run(&[[800.0; 60], [300.0; 60]].concat());
        let left = f.remaining(at, 30_000_000_000).unwrap();
        assert!((left.likely_s - 100.0).abs() < 10.0, "{left:?}");
        let jitter: Vec<f64> = (0..30)
            .map(|i| if i % 2 == 0 { 30.0 } else { 150.0 })
            .collect();
        let (f, at, _) = run(&jitter);
        let wide = f.remaining(at, 900_000_000).unwrap();
        assert!(wide.high_s / wide.low_s > 1.3, "{wide:?}");
        assert!(wide.low_s <= wide.likely_s && wide.likely_s <= wide.high_s);
    }

    #[test]
    fn words_round_and_give_ranges() {
        let r = |low_s, likely_s, high_s| {
            words(Remaining {
                low_s,
                likely_s,
                high_s,
            })
        };
        assert_eq!(r(31.0, 32.0, 33.0), "about 35 s");
        assert_eq!(r(360.0, 450.0, 540.0), "6 to 9 min");
        assert_eq!(r(7_000.0, 7_200.0, 7_400.0), "about 2 h 00 min");
        assert_eq!(r(0.0, 0.0, 0.0), "about 5 s");
    }
}
