//! Owns time: the only place that asks the system what time it is. Tests bring their own clock.

use jiff::Timestamp;
use std::fmt::Debug;
use std::time::{Duration, Instant, SystemTime};

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
        moment(SystemTime::now())
    }

    fn today(&self) -> String {
        day(self.now())
    }

    fn sleep(&self, time: Duration) {
        std::thread::sleep(time);
    }
}

/// Returns a moment as the manifest writes it: RFC 3339, UTC, milliseconds, `Z`.
pub fn rfc3339(time: Timestamp) -> String {
    format!("{time:.3}")
}

/// Returns a time of day; a clock that is set beyond the years that can be written says the last of
/// them, or the first, and ends nothing.
fn moment(clock: SystemTime) -> Timestamp {
    let is_before = clock < SystemTime::UNIX_EPOCH;
    Timestamp::try_from(clock).unwrap_or(if is_before {
        Timestamp::MIN
    } else {
        Timestamp::MAX
    })
}

/// Returns the date here as `YYYYMMDD`.
fn day(time: Timestamp) -> String {
    let here = jiff::ZonedDateTime::new(time, jiff::tz::TimeZone::system());
    here.strftime("%Y%m%d").to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_far_off_is_told_as_far_as_years_go() {
        // Year 292277026596 and back: what 64 bits of seconds hold (time_t).
        for seconds in [253_402_300_800, u64::MAX >> 1] {
            let away = Duration::from_secs(seconds);
            for (clock, told) in [
                (SystemTime::UNIX_EPOCH.checked_add(away), Timestamp::MAX),
                (
                    SystemTime::UNIX_EPOCH.checked_sub(away),
                    moment_of_before(seconds),
                ),
            ] {
                // Windows has no such dates.
                let Some(clock) = clock else { continue };
                assert_eq!(moment(clock), told);
                assert!(!rfc3339(told).is_empty() && day(told).len() >= 8);
            }
        }
        assert_eq!(moment(SystemTime::UNIX_EPOCH), Timestamp::UNIX_EPOCH);
    }

    fn moment_of_before(seconds: u64) -> Timestamp {
        let seconds = i64::try_from(seconds).unwrap_or(i64::MAX);
        Timestamp::new(-seconds, 0).unwrap_or(Timestamp::MIN)
    }
}
