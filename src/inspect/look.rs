//! Owns what is kept of the looks at a card's files. Small: a card may hold hundreds of thousands.

use super::Inspected;
use super::hint::Hint;
use super::media_facts::CameraTime;
use crate::card::media::Media;
use crate::disk::Stamp;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// Seconds from the beginning of 1904 to that of 1970 (ISO/IEC 14496-12 counts from 1904).
const FROM_1904_S: u64 = 2_082_844_800;
/// Cameras that are kept by name.
const CAMERAS_MAX: usize = 20;

/// What is kept of the look at one file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct FileLook {
    /// What it is, by its tracks where it has some.
    pub media: Media,
    /// How long it is, of clips and sound.
    pub duration: Option<Duration>,
    /// When it was recorded, as the camera's clock showed it.
    pub recorded: Option<Stamp>,
    /// Signs that it was not recorded whole.
    pub hints: Box<[Hint]>,
}

/// What is kept of the looks at a card's files.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct CardLook {
    /// The files that were looked at whole and are of a known kind, by their place among the jobs.
    pub files: BTreeMap<usize, FileLook>,
    /// The cameras as the files name them; no serial numbers.
    pub cameras: BTreeSet<String>,
}

impl CardLook {
    /// Returns both together.
    #[must_use]
    pub fn and(mut self, other: Self) -> Self {
        self.files.extend(other.files);
        let room = CAMERAS_MAX.saturating_sub(self.cameras.len());
        self.cameras.extend(other.cameras.into_iter().take(room));
        self
    }

    /// Takes what was seen of a file.
    pub fn add(&mut self, job: usize, seen: Inspected) {
        if let Some(camera) = seen.facts.camera
            && self.cameras.len() < CAMERAS_MAX
        {
            // Many a model has its maker's name in front already.
            let name = if camera.model.starts_with(&camera.make) {
                camera.model
            } else {
                format!("{} {}", camera.make, camera.model)
            };
            self.cameras.insert(name.trim().to_owned());
        }
        let look = FileLook {
            media: seen.facts.media,
            duration: seen.facts.duration,
            recorded: seen.facts.recorded.and_then(stamp_of),
            hints: seen.hints.into(),
        };
        self.files.insert(job, look);
    }
}

/// Returns the time as that of a card's date: without a zone. `None` where it was never set.
fn stamp_of(time: CameraTime) -> Option<Stamp> {
    match time {
        CameraTime::Local(local) => {
            let time = jiff::tz::TimeZone::UTC.to_timestamp(local).ok()?;
            Some(Stamp::of(time))
        }
        CameraTime::Since1904(seconds) => {
            let seconds = i64::try_from(seconds.checked_sub(FROM_1904_S)?).ok()?;
            (seconds > 0).then_some(Stamp { seconds, nanos: 0 })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // ISO/IEC 14496-12, 8.2.2: seconds since midnight, Jan. 1, 1904, in UTC time.
    #[test]
    fn both_kinds_of_time_are_those_of_the_calendar() {
        let local = "2026-11-25T18:30:05".parse().unwrap();
        let seconds = 1_795_631_405;
        let same = Some(Stamp { seconds, nanos: 0 });
        assert_eq!(stamp_of(CameraTime::Local(local)), same);
        assert_eq!(
            stamp_of(CameraTime::Since1904(1_795_631_405 + 2_082_844_800)),
            same
        );
        assert_eq!(stamp_of(CameraTime::Since1904(0)), None);
        assert_eq!(stamp_of(CameraTime::Since1904(u64::MAX)), None);
    }
}
