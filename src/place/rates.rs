//! Owns how fast places took what was sent to them, remembered on this computer, and how long more
//! takes by that.

use crate::clock::rfc3339;
use crate::disk::home::{append_line, read_tail};
use crate::speed::forecast::Remaining;
use crate::units::float;
use camino::Utf8Path;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::io;
use std::time::Duration;

const FILE: &str = "places/rates.jsonl";
/// What is read of it: the oldest are forgotten.
const READ_MAX: u64 = 1 << 20;
/// Times that count, the last ones: lines change.
const LAST: usize = 8;
/// Less than this is mostly the place's own time for a file.
const BYTES_MIN: u64 = 10_000_000;
const TIME_MIN: Duration = Duration::from_secs(2);

/// How fast a place took an offload.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
struct SentRate {
    place: String,
    /// When, RFC 3339.
    at: String,
    bytes: u64,
    seconds: f64,
}

/// How long more takes.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SendTime {
    /// Seconds.
    pub takes: Remaining,
    /// Bytes a second, the likely rate.
    pub bytes_per_s: f64,
    /// The times that it is learned from.
    pub times: usize,
}

/// Keeps how long a place took; what is too short to tell is not kept.
///
/// # Errors
/// What the system says.
pub fn note(
    home: &Utf8Path,
    (place, bytes, took): (&str, u64, Duration),
    now: Timestamp,
    wait: impl FnMut(),
) -> io::Result<()> {
    if bytes < BYTES_MIN || took < TIME_MIN {
        return Ok(());
    }
    let line = SentRate {
        place: place.to_owned(),
        at: rfc3339(now),
        bytes,
        seconds: took.as_secs_f64(),
    };
    append_line(&home.join(FILE), &serde_json::to_string(&line)?, wait)
}

/// Returns how long so many bytes take at a place; `None` where nothing was sent there yet that
/// tells.
///
/// # Errors
/// What the system says.
pub fn expects(home: &Utf8Path, place: &str, bytes: u64) -> io::Result<Option<SendTime>> {
    let (text, _) = read_tail(&home.join(FILE), READ_MAX)?;
    Ok(of_text(&text, place, bytes))
}

fn of_text(text: &[u8], place: &str, bytes: u64) -> Option<SendTime> {
    let lines = text.split(|byte| *byte == b'\n').rev();
    let known = lines.filter_map(|line| serde_json::from_slice::<SentRate>(line).ok());
    let of_place = known.filter(|line| line.place == place);
    let rates = of_place.map(|line| float(line.bytes) / line.seconds);
    let mut rates: Vec<f64> = rates
        .filter(|rate| rate.is_finite() && *rate > 0.0)
        .take(LAST)
        .collect();
    rates.sort_by(f64::total_cmp);
    let (slowest, fastest) = (*rates.first()?, *rates.last()?);
    // Of two in the middle the slower one.
    let likely = *rates.get((rates.len() - 1) / 2)?;
    Some(SendTime {
        takes: Remaining {
            low_s: float(bytes) / fastest,
            likely_s: float(bytes) / likely,
            high_s: float(bytes) / slowest,
        },
        bytes_per_s: likely,
        times: rates.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_times_of_a_place_tell_how_long_more_takes() {
        let folder = tempfile::tempdir().unwrap();
        let home = Utf8Path::from_path(folder.path()).unwrap();
        let sent = |place, bytes, seconds| {
            let of = (place, bytes, Duration::from_secs(seconds));
            note(home, of, Timestamp::UNIX_EPOCH, || {}).unwrap();
        };
        assert_eq!(expects(home, "s3://kites", 1).unwrap(), None);
        // Long ago, on another line.
        sent("s3://kites", 900_000_000, 10);
        for seconds in [100, 200, 100, 400, 100, 100, 200, 100] {
            sent("s3://kites", 400_000_000, seconds);
        }
        sent("sftp://kites", 400_000_000, 4);
        // Too short to tell.
        sent("s3://kites", 9_000_000, 3);
        sent("s3://kites", 90_000_000, 1);
        let found = expects(home, "s3://kites", 8_000_000_000).unwrap().unwrap();
        let Remaining {
            low_s,
            likely_s,
            high_s,
        } = found.takes;
        assert_eq!((low_s, likely_s, high_s), (2_000.0, 2_000.0, 8_000.0));
        assert_eq!((found.bytes_per_s, found.times), (4e6, 8));
        append_line(&home.join(FILE), "{\"place\":\"s3://kites\"", || {}).unwrap();
        assert_eq!(
            expects(home, "s3://kites", 8_000_000_000).unwrap(),
            Some(found)
        );
    }
}
