//! Owns the conversions between integers, floats and the words people read for sizes, rates and
//! times. Sizes and rates are decimal (1 MB = 10^6 bytes), as on card labels (IEC 80000-13).
//! It does no I/O and knows nothing of files.

use std::time::Duration;

/// Bytes in one megabyte as card makers count them: 10^6.
pub const MB: u64 = 1_000_000;
/// Bytes in one gigabyte as card makers count them: 10^9.
pub const GB: u64 = 1_000_000_000;

/// Returns the nearest float; exact up to 2^53, which is far above any card.
#[expect(
    clippy::cast_precision_loss,
    clippy::as_conversions,
    reason = "the one place where an integer becomes a float; a rate needs no more than 53 bits"
)]
pub fn float(value: u64) -> f64 {
    value as f64
}

/// Returns the nearest whole number not below zero; not-a-number becomes zero.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::as_conversions,
    reason = "the one place where a float becomes an integer; `as` saturates here"
)]
pub fn whole(value: f64) -> u64 {
    value.round().max(0.0) as u64
}

/// Returns a length in memory as a 64-bit count.
pub fn len64(length: usize) -> u64 {
    u64::try_from(length).unwrap_or(u64::MAX)
}

/// Returns a 64-bit count as a length in memory, saturating on small machines.
pub fn len_usize(length: u64) -> usize {
    usize::try_from(length).unwrap_or(usize::MAX)
}

/// Returns whole nanoseconds, saturating after 584 years.
pub fn nanos(time: Duration) -> u64 {
    u64::try_from(time.as_nanos()).unwrap_or(u64::MAX)
}

/// Returns `bytes / seconds`, or zero when no time has passed.
pub fn rate(bytes: u64, time: Duration) -> f64 {
    let seconds = time.as_secs_f64();
    if seconds > 0.0 {
        float(bytes) / seconds
    } else {
        0.0
    }
}

/// Returns `bytes` rounded up to whole clusters of `cluster` bytes; a cluster of zero rounds
/// nothing.
pub fn round_up(bytes: u64, cluster: u64) -> u64 {
    if cluster <= 1 {
        bytes
    } else {
        bytes.div_ceil(cluster).saturating_mul(cluster)
    }
}

/// A rate in megabytes (10^6 bytes) per second. Bits and bytes are separate types, so that one
/// can't be taken for the other.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug, serde::Serialize, serde::Deserialize)]
#[serde(transparent)]
pub struct MegabytesPerS(pub f64);

/// A rate in megabits (10^6 bits) per second, as on recording formats, USB ports and networks.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug)]
pub struct MegabitsPerS(pub f64);

impl MegabitsPerS {
    /// Returns the same rate in bytes; a byte has eight bits (IEC 80000-13).
    pub fn in_bytes(self) -> MegabytesPerS {
        MegabytesPerS(self.0 / 8.0)
    }
}

impl MegabytesPerS {
    /// Returns the rate in bytes per second.
    pub fn bytes_per_s(self) -> f64 {
        self.0 * 1e6
    }

    /// Returns the lesser of two rates.
    #[must_use]
    pub fn least(self, other: Self) -> Self {
        Self(self.0.min(other.0))
    }
}

/// Returns a size in the largest decimal unit that keeps it readable: `96.0 GB`, `512 bytes`. What
/// would be rounded to 1000 of a unit is 1 of the next.
pub fn size(bytes: u64) -> String {
    match bytes {
        1 => "1 byte".to_owned(),
        0..1_000 => format!("{bytes} bytes"),
        1_000..999_950 => format!("{:.1} kB", float(bytes) / 1e3),
        999_950..999_950_000 => format!("{:.1} MB", float(bytes) / 1e6),
        999_950_000..999_950_000_000 => format!("{:.1} GB", float(bytes) / 1e9),
        _ => format!("{:.2} TB", float(bytes) / 1e12),
    }
}

/// Returns a rate in MB/s with three significant digits at most: `94.1 MB/s`, `263 MB/s`; what is
/// no rate is none.
pub fn speed(bytes_per_s: f64) -> String {
    // `max` takes the zero where it is not a number.
    let mb = (bytes_per_s / 1e6).max(0.0);
    if mb < 9.995 {
        format!("{mb:.2} MB/s")
    } else if mb < 99.95 {
        format!("{mb:.1} MB/s")
    } else {
        format!("{mb:.0} MB/s")
    }
}

/// Returns seconds as a time; nothing and not-a-number are none, and what is beyond counting is the
/// longest.
pub fn seconds(seconds: f64) -> Duration {
    let most = if seconds > 0.0 {
        Duration::MAX
    } else {
        Duration::ZERO
    };
    Duration::try_from_secs_f64(seconds).unwrap_or(most)
}

/// Returns a measured time, finer for short ones: `0.84 s`, `12.3 s`, `4 min 05 s`, `2 h 07 min`.
/// What is left over is rounded, so that it agrees with the same time in minutes and a decimal.
pub fn time(time: Duration) -> String {
    let seconds = time.as_secs_f64();
    if seconds < 9.995 {
        return format!("{seconds:.2} s");
    }
    if seconds < 99.95 {
        return format!("{seconds:.1} s");
    }
    let s = whole(seconds);
    if s < 3_600 {
        format!("{} min {:02} s", s / 60, s % 60)
    } else {
        let min = whole(seconds / 60.0);
        format!("{} h {:02} min", count(min / 60), min % 60)
    }
}

/// Returns a count with thousands set apart: `118,000`.
pub fn count(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}

/// Returns `1 file`, `3,412 files`; the plural is the noun with an `s`.
pub fn counted(n: u64, noun: &str) -> String {
    if n == 1 {
        format!("1 {noun}")
    } else {
        format!("{} {noun}s", count(n))
    }
}

/// Writes all of a number of things: `All 3 cards`, `Both cards`.
pub fn all_counted(n: usize, noun: &str) -> String {
    if n == 2 {
        format!("Both {noun}s")
    } else {
        format!("All {}", counted(len64(n), noun))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_decimal() {
        // IEC 80000-13: kilo = 10^3, mega = 10^6; binary units would need Ki, Mi.
        assert_eq!(size(999), "999 bytes");
        assert_eq!(size(1), "1 byte");
        // Rounded up they are one of the next unit.
        assert_eq!(size(999_999), "1.0 MB");
        assert_eq!(size(999_949), "999.9 kB");
        assert_eq!(size(999_999_999), "1.0 GB");
        assert_eq!(size(999_999_999_999), "1.00 TB");
        assert_eq!(speed(9_999_000.0), "10.0 MB/s");
        assert_eq!(speed(99_960_000.0), "100 MB/s");
        assert_eq!(size(1_500), "1.5 kB");
        assert_eq!(size(96_000_000_000), "96.0 GB");
        assert_eq!(size(1_620_000_000_000), "1.62 TB");
        assert_eq!(speed(94_080_000.0), "94.1 MB/s");
        assert_eq!(speed(263_000_000.0), "263 MB/s");
    }

    #[test]
    fn bits_bytes_and_binary_units_stay_apart() {
        // 100 Mb/s is 12.5 MB/s; common practice, no source: the arithmetic is IEC 80000-13's.
        assert!((MegabitsPerS(100.0).in_bytes().0 - 12.5).abs() < 1e-12);
        // IEC 80000-13: 1 MiB = 2^20 bytes, so 1 MiB/s is 1.048576 MB/s.
        let mebibyte_per_s = MegabytesPerS(float(1 << 20) / float(MB));
        assert!((mebibyte_per_s.0 - 1.048_576).abs() < 1e-12);
        assert!((mebibyte_per_s.bytes_per_s() - 1_048_576.0).abs() < 1e-6);
    }

    #[test]
    fn times_and_counts_read_well() {
        assert_eq!(time(Duration::from_millis(840)), "0.84 s");
        assert_eq!(time(Duration::from_secs(245)), "4 min 05 s");
        assert_eq!(time(Duration::from_millis(9_996)), "10.0 s");
        assert_eq!(time(Duration::from_secs(7_620)), "2 h 07 min");
        // 128 GB at 35 Mb/s are 487.6 min, and at 100 Mb/s 170.7: by IEC 80000-13's units.
        assert_eq!(time(Duration::from_secs_f64(29_257.1)), "8 h 08 min");
        assert_eq!(time(Duration::from_secs_f64(10_240.0)), "2 h 51 min");
        assert_eq!(time(Duration::from_secs_f64(3_599.4)), "59 min 59 s");
        assert_eq!(time(Duration::from_secs_f64(3_599.6)), "1 h 00 min");
        assert_eq!(time(Duration::from_secs_f64(7_199.0)), "2 h 00 min");
        assert_eq!(count(118_000), "118,000");
        assert_eq!(counted(1, "file"), "1 file");
        assert_eq!(counted(1_234_567, "file"), "1,234,567 files");
    }

    #[test]
    fn what_rounds_up_takes_the_next_unit() {
        assert_eq!(size(999_949), "999.9 kB");
        assert_eq!(size(999_999), "1.0 MB");
        assert_eq!(size(999_999_999), "1.0 GB");
        assert_eq!(size(999_999_999_999), "1.00 TB");
        assert_eq!(size(u64::MAX), "18446744.07 TB");
        for (rate, told) in [
            (9_994_000.0, "9.99 MB/s"),
            (9_996_000.0, "10.0 MB/s"),
            (99_960_000.0, "100 MB/s"),
            (-1.0, "0.00 MB/s"),
            (f64::NAN, "0.00 MB/s"),
        ] {
            assert_eq!(speed(rate), told);
        }
        assert_eq!(time(Duration::from_millis(9_996)), "10.0 s");
        assert_eq!(time(Duration::from_millis(99_960)), "1 min 40 s");
        assert!(time(Duration::MAX).ends_with(" min"));
        assert_eq!(seconds(1.5), Duration::from_millis(1_500));
        assert_eq!(
            (seconds(-1.0), seconds(f64::NAN)),
            (Duration::ZERO, Duration::ZERO)
        );
        assert_eq!(
            (seconds(1e300), seconds(f64::INFINITY)),
            (Duration::MAX, Duration::MAX)
        );
    }

    #[test]
    fn clusters_round_up() {
        assert_eq!(round_up(0, 131_072), 0);
        assert_eq!(round_up(1, 131_072), 131_072);
        assert_eq!(round_up(131_072, 131_072), 131_072);
        assert_eq!(round_up(7, 0), 7);
    }

    #[test]
    fn odd_floats_do_no_harm() {
        assert_eq!(whole(f64::NAN), 0);
        assert_eq!(whole(-3.0), 0);
        assert!(rate(5, Duration::ZERO).abs() < f64::EPSILON);
    }
}
