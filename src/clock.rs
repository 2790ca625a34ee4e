//! Owns time: the only place that asks the system what time it is. Tests bring their own clock.

use jiff::tz::{Offset, TimeZone};
use jiff::{Timestamp, ZonedDateTime};
use serde::{Deserialize, Serialize};
use std::fmt;
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
    /// Returns the time zone here.
    fn zone(&self) -> TimeZone {
        TimeZone::UTC
    }
    /// Returns the time of day here as `HHMM`.
    fn time_of_day(&self) -> String {
        let here = ZonedDateTime::new(self.now(), self.zone());
        here.strftime("%H%M").to_string()
    }
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

    fn zone(&self) -> TimeZone {
        TimeZone::system()
    }

    fn sleep(&self, time: Duration) {
        std::thread::sleep(time);
    }
}

/// How far the clocks of a place are from UTC, to the minute; never nothing.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct UtcOffset {
    minutes: i16,
}

/// A text that is no offset, or that of UTC itself.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("an offset from UTC is written as +02:00, and one of nothing is not written")]
pub struct NotAnOffset;

impl UtcOffset {
    /// Returns the offset of a zone at a moment; `None` where it is UTC.
    pub fn of(zone: &TimeZone, at: Timestamp) -> Option<Self> {
        let minutes = zone.to_offset(at).seconds() / 60;
        let minutes = i16::try_from(minutes).ok()?;
        (minutes != 0).then_some(Self { minutes })
    }

    /// Returns a moment as the clocks there show it, to the second: `2026-11-25 10:53:18`.
    pub fn local(self, at: Timestamp) -> String {
        // Never more than a day, which every offset of this kind holds.
        let offset = Offset::from_seconds(i32::from(self.minutes) * 60).unwrap_or(Offset::UTC);
        let there = ZonedDateTime::new(at, TimeZone::fixed(offset));
        there.strftime("%Y-%m-%d %H:%M:%S").to_string()
    }
}

impl fmt::Display for UtcOffset {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.minutes < 0 { '-' } else { '+' };
        let minutes = self.minutes.unsigned_abs();
        write!(f, "{sign}{:02}:{:02}", minutes / 60, minutes % 60)
    }
}

impl From<UtcOffset> for String {
    fn from(offset: UtcOffset) -> Self {
        offset.to_string()
    }
}

impl TryFrom<String> for UtcOffset {
    type Error = NotAnOffset;

    fn try_from(text: String) -> Result<Self, NotAnOffset> {
        let of = |from: usize, below: i16| {
            let digits = text.get(from..from + 2)?;
            let is_number = digits.bytes().all(|b| b.is_ascii_digit());
            let number: i16 = digits.parse().ok().filter(|_| is_number)?;
            (number < below).then_some(number)
        };
        let minutes = of(1, 24).zip(of(4, 60)).map(|(h, m)| h * 60 + m);
        let minutes = match (text.get(..1), minutes) {
            (Some("+"), minutes) => minutes,
            (Some("-"), minutes) => minutes.map(|m| -m),
            _ => None,
        };
        let offset = minutes.filter(|m| *m != 0).map(|minutes| Self { minutes });
        // Nothing but these six characters.
        offset
            .filter(|offset| offset.to_string() == text)
            .ok_or(NotAnOffset)
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
    let here = ZonedDateTime::new(time, TimeZone::system());
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

    /// RFC 3339, section 5.6: `time-numoffset`; that of UTC is never written.
    #[test]
    fn an_offset_is_written_as_the_standard_has_it() {
        let noon: Timestamp = "2026-11-25T12:00:00Z".parse().unwrap();
        for (hours, minutes, written, local) in [
            (2, 0, "+02:00", "2026-11-25 14:00:00"),
            (-3, -30, "-03:30", "2026-11-25 08:30:00"),
            (14, 0, "+14:00", "2026-11-26 02:00:00"),
            (0, -15, "-00:15", "2026-11-25 11:45:00"),
        ] {
            let seconds = (hours * 60 + minutes) * 60;
            let zone = TimeZone::fixed(Offset::from_seconds(seconds).unwrap());
            let offset = UtcOffset::of(&zone, noon).unwrap();
            assert_eq!(offset.to_string(), written);
            assert_eq!(offset.local(noon), local);
            assert_eq!(UtcOffset::try_from(written.to_owned()), Ok(offset));
        }
        assert_eq!(UtcOffset::of(&TimeZone::UTC, noon), None);
        let longest = UtcOffset::try_from("+23:59".to_owned()).unwrap();
        for end in [Timestamp::MIN, Timestamp::MAX] {
            assert!(!longest.local(end).is_empty());
        }
        for wrong in [
            "", "+2:00", "+02:0", "+02:000", "02:00", "+24:00", "+02:60", "+00:00", "-00:00",
            "+02.00", "Z", "+é:00", "++1:00", "+02:00 ",
        ] {
            assert_eq!(
                UtcOffset::try_from(wrong.to_owned()),
                Err(NotAnOffset),
                "{wrong}"
            );
        }
    }

    fn moment_of_before(seconds: u64) -> Timestamp {
        let seconds = i64::try_from(seconds).unwrap_or(i64::MAX);
        Timestamp::new(-seconds, 0).unwrap_or(Timestamp::MIN)
    }
}
