//! Owns the number that people see: it counts down with the clock and is corrected gently, and only
//! when the estimate has left a dead band around it.

/// The band is this share of the estimate's doubt, within these shares of the estimate, and at
/// least so many seconds.
const BAND_DOUBT: f64 = 0.4;
const BAND: f64 = 0.03;
const BAND_MAX: f64 = 0.10;
const BAND_S: f64 = 0.5;
/// A correction ends within this share of the band.
const DONE: f64 = 0.1;
/// A correction takes about this share of the whole job, within the bounds below.
const PACE: f64 = 0.04;
const PACE_S: (f64, f64) = (1.0, 7.5);
/// The same at the start of a job and after a change of the rate.
const HURRY_S: f64 = 1.0;
const START_S: f64 = 10.0;

/// The number and when it was right.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Shown {
    value: Option<f64>,
    at: f64,
    correcting: bool,
}

/// Why a correction is made faster than usual.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Hurry {
    /// It is not.
    None,
    /// Little has been measured yet.
    Start,
    /// The rate has just changed.
    Change,
}

/// The state of the job at one moment.
#[derive(Clone, Copy, Debug)]
pub(super) struct Moment {
    /// Seconds since the start.
    pub(super) at: f64,
    /// Standard deviation of the estimate's logarithm.
    pub(super) doubt: f64,
    /// Nothing moves, so the number stands.
    pub(super) stalled: bool,
    /// Corrections are made faster.
    pub(super) hurry: Hurry,
}

impl Shown {
    /// Takes the estimate of the time left at a moment.
    pub(super) fn update(&mut self, estimate: f64, moment: Moment) {
        let dt = (moment.at - self.at).max(0.0);
        self.at = moment.at;
        let Some(value) = self.value else {
            self.value = Some(estimate);
            return;
        };
        let mut value = if moment.stalled {
            value
        } else {
            (value - dt).max(0.0)
        };
        let band = (moment.doubt * BAND_DOUBT).clamp(BAND, BAND_MAX) * estimate;
        let band = band.max(BAND_S);
        let off = estimate - value;
        if off.abs() > band {
            self.correcting = true;
        } else if off.abs() < band * DONE {
            self.correcting = false;
        }
        if self.correcting {
            let pace = (PACE * (moment.at + estimate)).clamp(PACE_S.0, PACE_S.1);
            let pace = match moment.hurry {
                Hurry::None => pace,
                Hurry::Start => pace.min((START_S * band / off.abs()).max(HURRY_S)),
                Hurry::Change => pace.min(HURRY_S),
            };
            value += off * -(-dt / pace).exp_m1();
        }
        self.value = Some(value.max(0.0));
    }

    /// Returns the number.
    pub(super) fn value(&self) -> Option<f64> {
        self.value
    }
}
