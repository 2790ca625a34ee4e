//! Owns time: the only place that asks the system what time it is. Tests bring their own clock.

use jiff::Timestamp;
use std::fmt::Debug;
use std::time::{Duration, Instant};

/// A clock. One seam, so that tests decide what time it is.
pub trait Clock: Send + Sync + Debug {
    /// Returns the time since some fixed moment; never goes back.
    fn elapsed(&self) -> Duration;
    /// Returns the time of day, UTC.
    fn now(&self) -> Timestamp;
    /// Returns today's date here as `YYYYMMDD`.
    fn today(&self) -> String;
    /// Waits.
    fn sleep(&self, time: Duration);
}

/// The computer's clock.
#[derive(Debug)]
pub struct SystemClock {
    start: Instant,
}

#[expect(clippy::disallowed_methods, reason = "this is the seam")]
impl SystemClock {
    /// Starts counting now.
    pub fn start() -> Self {
        Self {
            start: Instant::now(),
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "this is the seam")]
impl Clock for SystemClock {
    fn elapsed(&self) -> Duration {
        self.start.elapsed()
    }

    fn now(&self) -> Timestamp {
        Timestamp::now()
    }

    fn today(&self) -> String {
        jiff::ZonedDateTime::now().strftime("%Y%m%d").to_string()
    }

    fn sleep(&self, time: Duration) {
        std::thread::sleep(time);
    }
}

/// Returns a moment as the manifest writes it: RFC 3339, UTC, milliseconds, `Z`.
pub fn rfc3339(time: Timestamp) -> String {
    format!("{time:.3}")
}
