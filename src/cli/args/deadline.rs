//! Owns the deadline as it is written.

use std::time::Duration;
use unlade::name::shown;

/// The longest deadline, in seconds: 30 days.
const DEADLINE_MAX_S: i64 = 30 * 24 * 3_600;

/// Reads a deadline such as `14m`, `1h 30m` or `90s`.
///
/// # Errors
/// In plain words.
pub(crate) fn parse(text: &str) -> Result<Duration, String> {
    let told = || format!("`{}` is no time such as 14m, 90s or 1h30m", shown(text));
    let time: jiff::SignedDuration = text.parse().map_err(|_not_one| told())?;
    let seconds = time.as_secs();
    if !(1..=DEADLINE_MAX_S).contains(&seconds) {
        return Err("a deadline is between 1 second and 30 days from now".to_owned());
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
