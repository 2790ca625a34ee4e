//! Owns what the ledger keeps of what was shot on a card, and the sum over cards. Pure; for people,
//! and never part of a verdict.

use crate::card::media::Media;
use crate::inspect::contents::Contents;
use serde::{Deserialize, Serialize};

/// What was shot on a card, or on several.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct ShotSum {
    /// Files that are stills.
    #[serde(default)]
    pub stills: u64,
    /// Files that are clips.
    #[serde(default)]
    pub clips: u64,
    /// Seconds of the clips together, as far as they say it.
    #[serde(default)]
    pub clips_s: u64,
    /// Files that are sound.
    #[serde(default)]
    pub sound: u64,
    /// The first time that files say themselves, by the camera's clock: `2026-11-25T18:30:05`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first: Option<String>,
    /// The last time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<String>,
}

/// Letters of a time in it.
const TIME_LENGTH: usize = 19;

impl ShotSum {
    /// Counts what a card holds.
    pub(super) fn of(contents: &Contents) -> Self {
        let mut sum = Self::default();
        for of in &contents.types {
            let files = match of.media {
                Some(Media::Still) => &mut sum.stills,
                Some(Media::Clip) => &mut sum.clips,
                Some(Media::Sound) => &mut sum.sound,
                None => continue,
            };
            *files = files.saturating_add(of.files);
            if of.media == Some(Media::Clip) {
                sum.clips_s = sum.clips_s.saturating_add(of.duration.as_secs());
            }
        }
        if let Some((first, last)) = contents.span.filter(|_| contents.has_own_times) {
            let time = |time: String| time.get(..TIME_LENGTH).map(str::to_owned);
            (sum.first, sum.last) = (time(first.rfc3339()), time(last.rfc3339()));
        }
        sum
    }

    /// Returns both together.
    #[must_use]
    pub fn and(self, other: &Self) -> Self {
        let other = other.clone();
        Self {
            stills: self.stills.saturating_add(other.stills),
            clips: self.clips.saturating_add(other.clips),
            clips_s: self.clips_s.saturating_add(other.clips_s),
            sound: self.sound.saturating_add(other.sound),
            first: self.first.into_iter().chain(other.first).min(),
            last: self.last.into_iter().chain(other.last).max(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_take_the_first_and_the_last_time_and_never_overflow() {
        let one = ShotSum {
            stills: 2,
            clips: u64::MAX,
            clips_s: 60,
            first: Some("2026-11-25T18:30:05".to_owned()),
            last: Some("2026-11-25T19:30:05".to_owned()),
            ..ShotSum::default()
        };
        let other = ShotSum {
            stills: 1,
            clips: 1,
            sound: 4,
            first: Some("2026-11-24T09:00:00".to_owned()),
            ..ShotSum::default()
        };
        let both = one.clone().and(&other);
        assert_eq!((both.stills, both.clips, both.sound), (3, u64::MAX, 4));
        assert_eq!(both.first, other.first);
        assert_eq!(both.last, one.last);
        // A line of the ledger from before it was kept, and one with more than is known.
        assert_eq!(
            serde_json::from_str::<ShotSum>("{}").unwrap(),
            ShotSum::default()
        );
        assert!(serde_json::from_str::<ShotSum>("{\"stills\":1,\"more\":2}").is_ok());
    }
}
