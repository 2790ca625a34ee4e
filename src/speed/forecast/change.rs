//! Owns the watch for lasting changes: a two-sided cumulative sum of how much longer, or shorter,
//! work takes than expected (E. S. Page, "Continuous Inspection Schemes", Biometrika 41, 1954).

use super::bank::Load;
use std::collections::VecDeque;

/// One second counts no more than this, as a logarithm.
const CLIP: f64 = 0.8;
/// Deviations below this are drift, which the filters follow by themselves.
const SLACK: f64 = 0.22;
/// The sum that raises an alarm: seven seconds at 45 % of the rate or less.
const ALARM: f64 = 4.0;
/// So many observations in a row that are beyond the clip raise it at once, if they are short: a
/// pause makes one long one.
const ROW: u32 = 4;
const ROW_S: f64 = 1.6;
/// The alarm of a noisy rate is set so that noise alone takes `e` to this power times as long.
const RARITY: f64 = 6.5;

/// No noise raises the alarm further than this.
const NOISE_MAX: f64 = 0.5;
/// From this sum on it may be that something changed.
const SUSPECT: f64 = 1.5;
/// From this sum on a change may be going back.
const BACK: f64 = 0.5;

/// A changed rate is learned from at most so many observations before the alarm.
const RECENT: usize = 5;
/// And from no more once they are so many seconds long.
const RECENT_S: f64 = 4.5;
/// One direction of change.
#[derive(Clone, Copy, Debug, Default)]
struct Side {
    sum: f64,
    /// The noise when the sum began to rise; the change itself must not count as noise.
    noise: f64,
    since: f64,
    seconds: f64,
    load: Load,
    /// Observations beyond the clip, without one between that is not.
    row: u32,
}

impl Side {
    fn add(&mut self, deviation: f64, (at, dt): (f64, f64), load: Load, noise: f64) {
        let sum = self.sum + (deviation.clamp(-CLIP, CLIP) - SLACK) * dt;
        if sum <= 0.0 {
            *self = Self {
                since: at + dt,
                ..Self::default()
            };
            return;
        }
        if self.sum <= 0.0 {
            self.noise = noise;
        }
        self.sum = sum;
        self.row = if deviation >= CLIP && dt <= ROW_S {
            self.row + 1
        } else {
            0
        };
        self.seconds += dt;
        self.load.files += load.files;
        self.load.mb += load.mb;
    }
}

impl Side {
    fn is_over(&self) -> bool {
        let alarm = if self.row >= ROW { 0.0 } else { ALARM };
        self.sum >= alarm.max(RARITY * self.noise.min(NOISE_MAX) / (2.0 * SLACK))
    }
}

/// A change that has lasted long enough to be believed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Alarm {
    /// When it began.
    pub(super) since: f64,
    /// Seconds and work since.
    pub(super) seconds: f64,
    pub(super) load: Load,
    /// The last of them, in which nothing of the time before can be left.
    pub(super) recent: (f64, Load),
    /// The work takes longer than before.
    pub(super) slower: bool,
}

/// The watch.
#[derive(Clone, Debug, Default)]
pub(super) struct Watch {
    slower: Side,
    faster: Side,
    /// The last observations: seconds and load.
    recent: VecDeque<(f64, Load)>,
}

impl Watch {
    /// Begins anew at `at`.
    pub(super) fn restart(&mut self, at: f64) {
        let side = Side {
            since: at,
            ..Side::default()
        };
        self.slower = side;
        self.faster = side;
        self.recent.clear();
    }

    /// Returns whether something may just have changed.
    pub(super) fn suspects(&self) -> bool {
        self.slower.sum >= SUSPECT || self.faster.sum >= SUSPECT
    }

    /// Returns whether a change to slower, or faster, may be going back.
    pub(super) fn turns_back(&self, slower: bool) -> bool {
        let back = if slower { &self.faster } else { &self.slower };
        back.sum >= BACK
    }

    /// Takes note that `load`, begun at `at`, took `dt` seconds, `deviation` being the logarithm of
    /// that over what was expected; `noise` is the long-run variance of that logarithm.
    pub(super) fn add(
        &mut self,
        deviation: f64,
        (at, dt): (f64, f64),
        load: Load,
        noise: f64,
    ) -> Option<Alarm> {
        self.recent.push_back((dt, load));
        if self.recent.len() > RECENT {
            self.recent.pop_front();
        }
        self.slower.add(deviation, (at, dt), load, noise);
        self.faster.add(-deviation, (at, dt), load, noise);
        let (side, slower) = if self.slower.is_over() {
            (self.slower, true)
        } else if self.faster.is_over() {
            (self.faster, false)
        } else {
            return None;
        };
        let mut recent = (0.0, Load::default());
        for (seconds, load) in self.recent.iter().rev() {
            // The first of them may belong to both rates.
            let is_enough = recent.0 >= RECENT_S || recent.0 + seconds >= side.seconds;
            if recent.0 > 0.0 && is_enough {
                break;
            }
            recent.0 += seconds;
            recent.1.files += load.files;
            recent.1.mb += load.mb;
        }
        self.restart(at + dt);
        Some(Alarm {
            since: side.since,
            seconds: side.seconds,
            load: side.load,
            recent,
            slower,
        })
    }
}
