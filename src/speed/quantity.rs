//! Owns how sizes and rates are read from text: `128GB`, `100Mb/s`, `12.5MB/s`. Bits and bytes,
//! decimal and binary units are told apart by their letters, and what could mean both is an error.
//! Decimal and binary prefixes as in IEC 80000-13; `b` is a bit and `B` a byte. Pure.

/// Largest size that is read, in bytes: 1 PB, a thousand cards of 1 TB. Above it somebody mistook a
/// unit.
pub const SIZE_MAX: f64 = 1e15;
/// Slowest rate that is read, in bytes per second: 1 kB/s, an eighth of what speech is recorded
/// with.
pub const RATE_MIN: f64 = 1e3;
/// Fastest rate that is read, in bytes per second: 100 GB/s, the kit's limit, above any bus of the
/// link table.
pub const RATE_MAX: f64 = 1e11;
/// Longest text that is looked at, in bytes.
const TEXT_MAX: usize = 64;

/// Why a text is no size or rate. Its words quote the text.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum QuantityError {
    /// A size without a unit; its number is the second value.
    #[error("`{0}` has no unit; write {1}GB, say")]
    SizeWithoutUnit(String, f64),
    /// A rate without a unit; its number is the second value.
    #[error("`{0}` has no unit; write {1}Mb/s for megabits or {1}MB/s for megabytes")]
    RateWithoutUnit(String, f64),
    /// A size above [`SIZE_MAX`] or below a byte.
    #[error("`{0}` is out of range: a size is at least 1 byte and at most 1 PB (1000TB)")]
    SizeOutOfRange(String),
    /// A rate below [`RATE_MIN`] or above [`RATE_MAX`].
    #[error("`{0}` is out of range: a rate is at least 1kB/s and at most 100GB/s")]
    RateOutOfRange(String),
    /// A rate that does not say per what.
    #[error("`{0}` is no rate: a rate ends in /s, as 100Mb/s (bits) or 12.5MB/s (bytes)")]
    NotPerSecond(String),
    /// A rate in something else than bits or bytes.
    #[error("`{0}` is no rate: write Mb/s for megabits or MB/s for megabytes a second")]
    NoUnitOfRates(String),
    /// A rate where a size is wanted.
    #[error("`{0}` is a rate; a size is wanted, as 128GB")]
    RateForSize(String),
    /// A size in bits.
    #[error("`{0}` is in bits or has a small b; a size is in bytes, as 128GB")]
    SizeInBits(String),
    /// A size in something else than bytes.
    #[error("`{0}` is no size; write it as 128GB, 50MB or 477GiB")]
    NoUnitOfSizes(String),
    /// Longer than any size or rate.
    #[error("`{0}...` is too long for a size or rate")]
    TooLong(String),
    /// A comma in a number.
    #[error("`{0}`: decimals are set off by a point, as 12.5")]
    Comma(String),
    /// Zero, or beyond all numbers.
    #[error("`{0}` must be above zero")]
    NotAboveZero(String),
    /// No number at its beginning.
    #[error("`{0}` does not begin with a number above zero, as 128GB does")]
    NoNumber(String),
}

/// Reads a size in bytes: `128GB`, `50 MB`, `477GiB`, `1500000B`.
///
/// # Errors
/// When the text is no size, has no unit, is in bits, or is out of range.
pub fn size(text: &str) -> Result<u64, QuantityError> {
    let (number, unit) = split(text)?;
    let factor = match unit {
        "" => return Err(QuantityError::SizeWithoutUnit(text.to_owned(), number)),
        "B" => 1.0,
        _ => match unit.strip_suffix('B').and_then(prefix) {
            Some(factor) => factor,
            None => return Err(not_a_size(text, unit)),
        },
    };
    let bytes = number * factor;
    if !(1.0..=SIZE_MAX).contains(&bytes) {
        return Err(QuantityError::SizeOutOfRange(text.to_owned()));
    }
    Ok(crate::units::whole(bytes))
}

/// What a rate without a unit means.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Bare {
    /// Megabytes (10^6 bytes) per second, as on card labels.
    MegaBytes,
    /// Nothing: bits or bytes must be said.
    Refused,
}

/// Reads a rate in bytes per second: `100Mb/s` (bits), `12.5MB/s` (bytes), `100Mbps`.
///
/// # Errors
/// When the text is no rate, leaves bits or bytes open, or is out of range.
pub fn rate(text: &str, bare: Bare) -> Result<f64, QuantityError> {
    let (number, unit) = split(text)?;
    let bytes_per_s = match (unit, bare) {
        ("", Bare::MegaBytes) => number * 1e6,
        ("", Bare::Refused) => {
            return Err(QuantityError::RateWithoutUnit(text.to_owned(), number));
        }
        _ => number * rate_factor(text, unit)?,
    };
    if !(RATE_MIN..=RATE_MAX).contains(&bytes_per_s) {
        return Err(QuantityError::RateOutOfRange(text.to_owned()));
    }
    Ok(bytes_per_s)
}

fn rate_factor(text: &str, unit: &str) -> Result<f64, QuantityError> {
    let Some(amount) = unit.strip_suffix("/s").or_else(|| unit.strip_suffix("ps")) else {
        return Err(QuantityError::NotPerSecond(text.to_owned()));
    };
    let (letters, per) = if let Some(letters) = amount.strip_suffix("bit") {
        (letters, 8.0)
    } else if let Some(letters) = amount.strip_suffix('b') {
        (letters, 8.0)
    } else if let Some(letters) = amount.strip_suffix('B') {
        (letters, 1.0)
    } else {
        (amount, 1.0)
    };
    let factor = if letters.is_empty() {
        Some(1.0)
    } else {
        prefix(letters)
    };
    // Nobody means milli by a small m, but who is careless with the m may be with the b.
    let factor = factor.map(|f| f / per);
    factor.ok_or_else(|| QuantityError::NoUnitOfRates(text.to_owned()))
}

fn not_a_size(text: &str, unit: &str) -> QuantityError {
    let text = text.to_owned();
    if unit.ends_with("/s") || unit.ends_with("ps") {
        QuantityError::RateForSize(text)
    } else if unit.ends_with('b') || unit.ends_with("bit") {
        QuantityError::SizeInBits(text)
    } else {
        QuantityError::NoUnitOfSizes(text)
    }
}

/// Splits a positive number from its unit.
fn split(text: &str) -> Result<(f64, &str), QuantityError> {
    let shown = crate::name::shown(text.get(..TEXT_MAX).unwrap_or(text));
    if text.len() > TEXT_MAX {
        return Err(QuantityError::TooLong(shown));
    }
    let text = text.trim();
    let end = text
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(text.len());
    let (digits, unit) = text.split_at(end);
    if unit.starts_with(',') {
        return Err(QuantityError::Comma(shown));
    }
    match digits.parse::<f64>() {
        Ok(number) if number.is_finite() && number > 0.0 => Ok((number, unit.trim_start())),
        Ok(_) => Err(QuantityError::NotAboveZero(shown)),
        Err(_) => Err(QuantityError::NoNumber(shown)),
    }
}

fn prefix(letters: &str) -> Option<f64> {
    Some(match letters {
        "k" | "K" => 1e3,
        "M" => 1e6,
        "G" => 1e9,
        "T" => 1e12,
        "Ki" => 1_024.0,
        "Mi" => 1_048_576.0,
        "Gi" => 1_073_741_824.0,
        "Ti" => 1_099_511_627_776.0,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_and_binary_sizes_differ() {
        // IEC 80000-13: Gi = 2^30, G = 10^9.
        assert_eq!(size("128GB"), Ok(128_000_000_000));
        assert_eq!(size("1GiB"), Ok(1_073_741_824));
        assert_eq!(size(" 1.5 TB "), Ok(1_500_000_000_000));
        assert_eq!(size("7B"), Ok(7));
    }

    #[test]
    fn bits_are_eighths_of_bytes() {
        // 100 Mb/s is 12.5 MB/s: arithmetic of the units of IEC 80000-13.
        for text in [
            "100Mb/s",
            "100 Mb/s",
            "100Mbps",
            "100Mbit/s",
            "12.5MB/s",
            "12.5MBps",
        ] {
            let got = rate(text, Bare::Refused).unwrap();
            assert!((got - 12.5e6).abs() < 1e-6, "{text}: {got}");
        }
        assert!((rate("250", Bare::MegaBytes).unwrap() - 250e6).abs() < 1e-6);
        assert!((rate("8kb/s", Bare::Refused).unwrap() - 1e3).abs() < 1e-9);
        assert!((rate("100GB/s", Bare::Refused).unwrap() - 1e11).abs() < 1e-9);
        assert_eq!(size("1000TB"), Ok(1_000_000_000_000_000));
    }

    #[test]
    fn what_could_mean_two_things_is_refused() {
        for (text, told) in [
            ("100", "Mb/s for megabits or 100MB/s"),
            ("100mb/s", "Mb/s for megabits"),
            ("100MB", "ends in /s"),
            ("100Mx/s", "megabits"),
            ("12,5MB/s", "point"),
            ("0MB/s", "above zero"),
            ("-4MB/s", "number above zero"),
            ("NaNMB/s", "number above zero"),
            ("", "number above zero"),
            ("1e9MB/s", "no rate"),
            ("101GB/s", "at most 100GB/s"),
            ("7kb/s", "at least 1kB/s"),
        ] {
            let said = rate(text, Bare::Refused).unwrap_err().to_string();
            assert!(said.contains(told), "{text}: {said}");
        }
        for (text, told) in [
            ("128", "no unit"),
            ("128Gb", "in bits"),
            ("128GB/s", "is a rate"),
            ("128gigs", "no size"),
            ("0.1B", "out of range"),
            ("1001TB", "at most 1 PB"),
        ] {
            let said = size(text).unwrap_err().to_string();
            assert!(said.contains(told), "{text}: {said}");
        }
        let long = "9".repeat(5_000);
        assert!(size(&long).unwrap_err().to_string().len() < 200);
        // A cut inside a character must not fall over.
        assert!(size(&"é".repeat(300)).is_err());
    }
}
