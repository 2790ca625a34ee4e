//! Owns what a file says of itself: how long, how large, when and with what it was recorded.
//! Nothing of it is checked, and nothing rests on it.

use super::kind::FileKind;
use crate::card::media::Media;
use jiff::civil::DateTime;
use std::ops::Range;
use std::time::Duration;

/// When a file says that it was recorded.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum CameraTime {
    /// What the camera's clock showed. No zone is stored (CIPA DC-008, `DateTimeOriginal`; EBU Tech
    /// 3285, `OriginationDate`; SMPTE ST 377-1, 4.3 Timestamp).
    Local(DateTime),
    /// Seconds since the beginning of 1904, which should be UTC (ISO/IEC 14496-12, 8.2.2) and is
    /// the camera's own clock in many files (common practice, no source).
    Since1904(u64),
}

/// The camera as a file names it. No serial number is read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct CameraModel {
    /// EXIF `Make`, at most 64 characters.
    pub make: String,
    /// EXIF `Model`, at most 64 characters.
    pub model: String,
}

/// What a file says of itself.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct MediaFacts {
    /// What it is, by its tracks where it has some.
    pub media: Media,
    /// How long it is.
    pub duration: Option<Duration>,
    /// The tracks of picture, sound and other data; a still has none.
    pub tracks: u32,
    /// Width and height of the picture in pixels, as stored.
    pub pixels: Option<(u32, u32)>,
    /// When it was recorded.
    pub recorded: Option<CameraTime>,
    /// The camera.
    pub camera: Option<CameraModel>,
    /// Where in the file a small JPEG of the picture is (EXIF thumbnail).
    pub thumbnail: Option<Range<u64>>,
    /// How the picture is to be turned before it is shown (CIPA DC-008, Orientation): 1 to 8, 1 for
    /// not at all.
    pub orientation: u8,
}

impl MediaFacts {
    pub(super) fn of(media: Media) -> Self {
        Self {
            media,
            duration: None,
            tracks: 0,
            pixels: None,
            recorded: None,
            camera: None,
            thumbnail: None,
            orientation: 1,
        }
    }

    /// Takes a picture's size if it is larger than what is known.
    pub(super) fn larger(&mut self, width: u32, height: u32) {
        let area = |(w, h): (u32, u32)| u64::from(w).saturating_mul(u64::from(h));
        if area((width, height)) > self.pixels.map_or(0, area) {
            self.pixels = Some((width, height));
        }
    }
}

/// What a file is by its tracks: a clip where one shows a picture.
pub(super) fn by_tracks(kind: FileKind, pictures: u32, sounds: u32) -> Media {
    match (kind.media(), pictures, sounds) {
        (Media::Clip, 0, 1..) => Media::Sound,
        (media, ..) => media,
    }
}

/// Returns a time of so many units of which so many make a second; `None` of what is none, and of
/// what is longer than ten years.
pub(super) fn duration(units: u64, per_second: u64) -> Option<Duration> {
    const LONGEST_S: u64 = 10 * 366 * 86_400;
    let seconds = units.checked_div(per_second)?;
    let rest = u128::from(units % per_second) * 1_000_000_000 / u128::from(per_second);
    let nanos = u32::try_from(rest).ok()?;
    (units > 0 && seconds <= LONGEST_S).then(|| Duration::new(seconds, nanos))
}

/// Reads `2026:11:25 18:30:05` and the like, whatever is between the numbers; `None` of what is no
/// date.
pub(super) fn local_time(bytes: &[u8]) -> Option<DateTime> {
    let number = |at: usize, digits: usize| -> Option<i16> {
        let part = bytes.get(at..at.checked_add(digits)?)?;
        let is_number = part.iter().all(u8::is_ascii_digit);
        is_number.then(|| {
            let digit = |sum: i16, &b: &u8| sum * 10 + i16::from(b - b'0');
            part.iter().fold(0, digit)
        })
    };
    let small = |at| number(at, 2).and_then(|n| i8::try_from(n).ok());
    let year = number(0, 4).filter(|&year| year > 0)?;
    let (month, day) = (small(5)?, small(8)?);
    let (hour, minute, second) = (small(11)?, small(14)?, small(17)?);
    DateTime::new(year, month, day, hour, minute, second, 0).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_read_or_are_none() {
        let read = |text: &str| local_time(text.as_bytes()).map(|time| time.to_string());
        // CIPA DC-008 (Exif), DateTimeOriginal: "YYYY:MM:DD HH:MM:SS".
        let told = Some("2026-11-25T18:30:05".to_owned());
        assert_eq!(read("2026:11:25 18:30:05"), told);
        // EBU Tech 3285: date and time of ten and eight characters without anything between them
        // are put together by the reader.
        assert_eq!(read("2026-11-25 18-30-05"), told);
        for none in [
            "",
            "0000:00:00 00:00:00",
            "    :  :     :  :  ",
            "2026:13:25 18:30:05",
        ] {
            assert_eq!(read(none), None, "{none:?}");
        }
    }

    #[test]
    fn durations_are_exact_or_none() {
        assert_eq!(
            duration(1_001, 30_000),
            Some(Duration::from_nanos(33_366_666))
        );
        assert_eq!(duration(90_000, 1_000), Some(Duration::from_secs(90)));
        for (units, per_second) in [(0, 1_000), (5, 0), (u64::MAX, 1)] {
            assert_eq!(duration(units, per_second), None);
        }
        assert_eq!(duration(u64::MAX, u64::MAX), Some(Duration::from_secs(1)));
    }
}
