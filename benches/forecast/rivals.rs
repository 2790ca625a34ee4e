//! What others do, to be measured beside: each sees bytes and the time, and nothing else.

/// An estimator of the time left.
pub(crate) trait Estimator {
    /// Takes note of the bytes done at `t` seconds; returns the seconds left for `left` more.
    fn estimate(&mut self, t: f64, bytes: f64, left: f64) -> Option<f64>;
}

fn by_rate(rate: f64, left: f64) -> Option<f64> {
    (rate > 0.0).then(|| left / rate)
}

/// All bytes over all of the time.
#[derive(Default)]
pub(crate) struct Average;

impl Estimator for Average {
    fn estimate(&mut self, t: f64, bytes: f64, left: f64) -> Option<f64> {
        by_rate(bytes / t.max(1e-9), left)
    }
}

/// The bytes of the last seconds.
pub(crate) struct Window {
    seconds: f64,
    seen: std::collections::VecDeque<(f64, f64)>,
}

impl Window {
    pub(crate) fn new(seconds: f64) -> Self {
        Self {
            seconds,
            seen: [(0.0, 0.0)].into(),
        }
    }
}

impl Estimator for Window {
    fn estimate(&mut self, t: f64, bytes: f64, left: f64) -> Option<f64> {
        self.seen.push_back((t, bytes));
        while self.seen.len() > 2 && self.seen[1].0 <= t - self.seconds {
            self.seen.pop_front();
        }
        let (then, before) = *self.seen.front()?;
        by_rate((bytes - before) / (t - then).max(1e-9), left)
    }
}

/// A rate whose past fades by `e` in so many seconds, corrected for its start.
pub(crate) struct Ewma {
    memory: f64,
    last: (f64, f64),
    rate: f64,
    weight: f64,
}

impl Ewma {
    pub(crate) fn new(memory: f64) -> Self {
        Self {
            memory,
            last: (0.0, 0.0),
            rate: 0.0,
            weight: 0.0,
        }
    }
}

impl Estimator for Ewma {
    fn estimate(&mut self, t: f64, bytes: f64, left: f64) -> Option<f64> {
        let dt = t - self.last.0;
        if dt > 0.0 {
            let fade = (-dt / self.memory).exp();
            self.rate = self.rate * fade + (bytes - self.last.1) / dt * (1.0 - fade);
            self.weight = self.weight * fade + 1.0 - fade;
            self.last = (t, bytes);
        }
        by_rate(self.rate / self.weight.max(1e-9), left)
    }
}

/// The estimator of the crate `indicatif`, version 0.18.6, written again after `Estimator` in its
/// `src/state.rs` (MIT licence): an average that fades to a tenth in 15 seconds, applied twice,
/// corrected for its start. Its own type asks the system's clock, so it cannot be fed with
/// simulated time.
#[derive(Default)]
pub(crate) struct Indicatif {
    smoothed: f64,
    double_smoothed: f64,
    last: (f64, f64),
}

impl Indicatif {
    fn weight(age: f64) -> f64 {
        0.1_f64.powf(age / 15.0)
    }
}

impl Estimator for Indicatif {
    fn estimate(&mut self, t: f64, bytes: f64, left: f64) -> Option<f64> {
        let dt = t - self.last.0;
        if bytes > self.last.1 && dt > 0.0 {
            let weight = Self::weight(dt);
            let rate = (bytes - self.last.1) / dt;
            self.smoothed = self.smoothed * weight + rate * (1.0 - weight);
            let normal = self.smoothed / (1.0 - Self::weight(t));
            self.double_smoothed = self.double_smoothed * weight + normal * (1.0 - weight);
            self.last = (t, bytes);
        }
        let reweight = Self::weight(t - self.last.0);
        let total = 1.0 - Self::weight(t);
        let smoothed = self.smoothed * reweight / total;
        let double = self.double_smoothed * reweight + smoothed * (1.0 - reweight);
        by_rate(double / total, left)
    }
}
