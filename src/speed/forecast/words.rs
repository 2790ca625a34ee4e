//! Owns the words for a time left: how it is rounded, and when it is a range.

use super::{Remaining, SECONDS_MAX};

/// Returns the time left in words: one figure, or a range while its half-width is above 15 %.
pub fn words(remaining: Remaining) -> String {
    let Remaining {
        low_s,
        likely_s,
        high_s,
    } = remaining;
    let wide = likely_s > 0.0 && (high_s - low_s) / 2.0 > 0.15 * likely_s;
    // A wide range does not need seconds beside its minutes.
    let (low, high) = (
        in_minutes(low_s, f64::floor).unwrap_or(rounded(low_s)),
        in_minutes(high_s, f64::ceil).unwrap_or(rounded(high_s)),
    );
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

/// Whole minutes of a time from one minute to an hour.
fn in_minutes(seconds: f64, round: fn(f64) -> f64) -> Option<u64> {
    (60.0..3_600.0)
        .contains(&seconds)
        .then(|| crate::units::whole(round(seconds / 60.0)) * 60)
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
