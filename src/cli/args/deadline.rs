//! Owns the deadline as it is written.

use crate::cli::wrong_value::WrongValue;
use std::time::Duration;

/// The longest deadline, in seconds: 30 days.
const DEADLINE_MAX_S: i64 = 30 * 24 * 3_600;

/// Reads a deadline such as `14m`, `1h 30m` or `90s`.
///
/// # Errors
/// In plain words.
pub(crate) fn parse(text: &str) -> Result<Duration, WrongValue> {
    let told = || WrongValue::NoTime(text.to_owned());
    let time: jiff::SignedDuration = text.parse().map_err(|_not_one| told())?;
    let seconds = time.as_secs();
    if !(1..=DEADLINE_MAX_S).contains(&seconds) {
        return Err(WrongValue::Deadline);
    }
    Duration::try_from(time).map_err(|_too_long| told())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deadlines_are_read_and_checked() {
        assert_eq!(parse("14m").unwrap(), Duration::from_secs(840));
        assert_eq!(parse("1h30m").unwrap(), Duration::from_secs(5_400));
        for wrong in ["", "14", "-3m", "0s", "soon", "9000h"] {
            assert!(parse(wrong).is_err(), "{wrong}");
        }
    }
}
