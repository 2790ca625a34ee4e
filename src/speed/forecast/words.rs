//! Owns the words for a time left: how it is rounded, and when it is a range.

use super::answer::{Remaining, SECONDS_MAX};

/// A range is told while its half-width is above this share of the likely time.
const WIDE: f64 = 0.15;

/// Returns the time left in words: one figure, rounded to the nearest, or a range while it is wide.
/// The ends of a range are rounded outward, by less than one step each.
pub fn words(remaining: Remaining) -> String {
    let Remaining {
        low_s,
        likely_s,
        high_s,
    } = remaining;
    let is_wide = likely_s > 0.0 && (high_s - low_s) / 2.0 > WIDE * likely_s;
    let (low, high) = (rounded(low_s, f64::floor), rounded(high_s, f64::ceil));
    if !is_wide || low == high {
        return format!(
            "about {}",
            spoken(rounded(likely_s, f64::round).max(STEP_MIN))
        );
    }
    let high = high.max(STEP_MIN);
    if low == 0 {
        return format!("under {}", spoken(high));
    }
    match (unit(low), unit(high)) {
        (Some((low, is)), Some((high, other))) if is == other => format!("{low} to {high} {is}"),
        _ => format!("{} to {}", spoken(low), spoken(high)),
    }
}

/// Returns the end of a time in words, never less than it is.
pub fn at_most(seconds: f64) -> String {
    spoken(at_most_s(seconds))
}

/// Returns in whole seconds what [`at_most`] says.
pub fn at_most_s(seconds: f64) -> u64 {
    rounded(seconds, f64::ceil).max(STEP_MIN)
}

/// The finest step in seconds; less is never told.
const STEP_MIN: u64 = 5;

/// Rounds to a step in seconds: under a minute to 5 s, under ten minutes to 10 s, under an hour to
/// 1 min, else to 5 min.
fn rounded(seconds: f64, round: fn(f64) -> f64) -> u64 {
    let seconds = seconds.clamp(0.0, SECONDS_MAX);
    let step = match seconds {
        ..60.0 => STEP_MIN,
        60.0..600.0 => 10,
        600.0..3_600.0 => 60,
        _ => 300,
    };
    // Milliseconds are noise: without this a time of whole steps would be rounded up by one.
    let steps = (seconds * 1e3).round() / 1e3 / crate::units::float(step);
    crate::units::whole(round(steps)) * step
}

/// Returns a time of one unit as number and unit.
fn unit(seconds: u64) -> Option<(u64, &'static str)> {
    match seconds {
        0..60 => Some((seconds, "s")),
        60..3_600 if seconds.is_multiple_of(60) => Some((seconds / 60, "min")),
        _ => None,
    }
}

fn spoken(seconds: u64) -> String {
    match (unit(seconds), seconds) {
        (Some((number, unit)), _) => format!("{number} {unit}"),
        (None, 0..3_600) => format!("{} min {:02} s", seconds / 60, seconds % 60),
        (None, _) => format!("{} h {:02} min", seconds / 3_600, seconds % 3_600 / 60),
    }
}
