//! Owns what was shot: files by type, how long clips are, first and last time. Pure; counted for
//! people, and never part of a verdict.

use super::card::CardFile;
use super::look::{CardLook, FileLook};
use crate::card::media::{Media, ending, media_of};
use crate::disk::Stamp;
use crate::units::len64;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// Types that are counted apart; more are counted together, without an ending.
pub const TYPES_MAX: usize = 100;
/// Characters of an ending. A longer one is part of a name.
const ENDING_CHARS_MAX: usize = 8;

/// Files of one type.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct TypeCount {
    /// The ending of their names in upper case; empty for files without one.
    pub ending: String,
    /// What they are; `None` of what is no still, clip or sound.
    pub media: Option<Media>,
    /// How many.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// How long they are together, as far as they say it.
    pub duration: Duration,
}

/// What a card holds.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Contents {
    /// By type: stills, clips, sound, others, each from the most files to the fewest.
    pub types: Vec<TypeCount>,
    /// The first and the last time of stills, clips and sound, as the camera's clock showed it; of
    /// all files where there are none.
    pub span: Option<(Stamp, Stamp)>,
    /// Some of these times are what files say themselves, which has no zone.
    pub has_own_times: bool,
    /// Files whose structure was looked at.
    pub looked_at: u64,
    /// The cameras as the files name them.
    pub cameras: BTreeSet<String>,
}

/// A file of a card and what was seen of it.
#[derive(Clone, Copy, Debug)]
pub struct Shot<'a> {
    /// Its path below the card's root.
    pub path: &'a str,
    /// Its size in bytes.
    pub bytes: u64,
    /// Its date on the card.
    pub modified: Stamp,
    /// What was seen of it.
    pub look: Option<&'a FileLook>,
}

impl<'a> Shot<'a> {
    /// Returns it as one of the files of a card that are looked at together.
    pub fn of_card(&self) -> CardFile<'a> {
        CardFile {
            path: self.path,
            bytes: self.bytes,
            recorded: self.recorded(),
        }
    }

    /// Returns when it was recorded: what it says itself, else its date on the card.
    pub fn recorded(&self) -> Stamp {
        let said = self.look.and_then(|look| look.recorded);
        said.unwrap_or(self.modified)
    }
}

/// Counts what a card holds.
pub fn contents(files: &[Shot<'_>], look: &CardLook) -> Contents {
    let mut counts: BTreeMap<(u8, String), TypeCount> = BTreeMap::new();
    let mut spans: [Option<(Stamp, Stamp)>; 2] = [None, None];
    for file in files {
        let by_name = media_of(file.path.as_bytes());
        let media = file.look.map_or(by_name, |look| Some(look.media));
        let mut key = (order(media), ending_of(file.path));
        if !counts.contains_key(&key) && counts.len() >= TYPES_MAX {
            key.1.clear();
        }
        let of = counts
            .entry(key)
            .or_insert_with_key(|(_, ending)| TypeCount {
                ending: ending.clone(),
                media,
                files: 0,
                bytes: 0,
                duration: Duration::ZERO,
            });
        of.files += 1;
        of.bytes = of.bytes.saturating_add(file.bytes);
        let duration = file.look.and_then(|look| look.duration);
        of.duration = of.duration.saturating_add(duration.unwrap_or_default());
        let time = file.recorded();
        // What a camera notes beside its pictures may have any date.
        let [of_media, of_others] = &mut spans;
        let span = if media.is_some() { of_media } else { of_others };
        let (first, last) = span.get_or_insert((time, time));
        (*first, *last) = ((*first).min(time), (*last).max(time));
    }
    let mut types: Vec<((u8, String), TypeCount)> = counts.into_iter().collect();
    types.sort_by_key(|((order, _), count)| (*order, Reverse(count.files)));
    let [of_media, of_others] = spans;
    Contents {
        types: types.into_iter().map(|(_, count)| count).collect(),
        span: of_media.or(of_others),
        has_own_times: look.files.values().any(|look| look.recorded.is_some()),
        looked_at: len64(look.files.len()),
        cameras: look.cameras.clone(),
    }
}

fn order(media: Option<Media>) -> u8 {
    match media {
        Some(Media::Still) => 0,
        Some(Media::Clip) => 1,
        Some(Media::Sound) => 2,
        None => 3,
    }
}

fn ending_of(path: &str) -> String {
    let ending = ending(path.as_bytes()).unwrap_or_default();
    let is_ending = ending.len() <= ENDING_CHARS_MAX
        && ending
            .iter()
            .all(|b| b.is_ascii_alphanumeric() || *b == b'_');
    let text = if is_ending { ending } else { b"" };
    String::from_utf8_lossy(text).to_uppercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Stamp {
        Stamp { seconds, nanos: 0 }
    }

    fn file<'a>(path: &'a str, seconds: i64, look: Option<&'a FileLook>) -> Shot<'a> {
        Shot {
            path,
            bytes: 10,
            modified: at(seconds),
            look,
        }
    }

    #[test]
    fn files_are_counted_by_type_and_by_what_they_are() {
        let clip = |media, seconds| FileLook {
            media,
            duration: Some(Duration::from_secs(seconds)),
            recorded: Some(at(500)),
            hints: Box::default(),
        };
        let (one, two) = (clip(Media::Clip, 60), clip(Media::Sound, 5));
        let files = [
            file("DCIM/100KITES/KITE0001.JPG", 100, None),
            file("DCIM/100KITES/KITE0001.CR3", 101, None),
            file("DCIM/100KITES/KITE0002.jpg", 110, None),
            file("CLIP/C0001.MP4", 900, Some(&one)),
            // A clip's name, and no picture in it.
            file("CLIP/C0002.MP4", 900, Some(&two)),
            file("CLIP/C0001.XML", 9_999, None),
            file("README", 1, None),
            file("a.very-long-ending-that-is-none", 1, None),
        ];
        let mut look = CardLook::default();
        look.files.insert(3, one.clone());
        look.files.insert(4, two.clone());
        let found = contents(&files, &look);
        let types: Vec<(&str, Option<Media>, u64, u64, u64)> = (found.types.iter())
            .map(|t| (&*t.ending, t.media, t.files, t.bytes, t.duration.as_secs()))
            .collect();
        assert_eq!(
            types,
            [
                ("JPG", Some(Media::Still), 2, 20, 0),
                ("CR3", Some(Media::Still), 1, 10, 0),
                ("MP4", Some(Media::Clip), 1, 10, 60),
                ("MP4", Some(Media::Sound), 1, 10, 5),
                ("", None, 2, 20, 0),
                ("XML", None, 1, 10, 0),
            ]
        );
        assert_eq!(found.span, Some((at(100), at(500))));
        assert_eq!(found.looked_at, 2);
    }

    #[test]
    fn a_card_of_other_files_has_a_span_as_well_and_an_empty_one_has_none() {
        let look = CardLook::default();
        assert_eq!(contents(&[], &look), Contents::default());
        let files = [file("a", 7, None), file("b.txt", 3, None)];
        assert_eq!(contents(&files, &look).span, Some((at(3), at(7))));
    }

    #[test]
    fn endings_without_end_are_counted_together() {
        let paths: Vec<String> = (0..300).map(|n| format!("f.E{n}")).collect();
        let files: Vec<Shot<'_>> = paths.iter().map(|path| file(path, 0, None)).collect();
        let found = contents(&files, &CardLook::default());
        assert_eq!(found.types.len(), TYPES_MAX + 1);
        assert_eq!(found.types.iter().map(|t| t.files).sum::<u64>(), 300);
    }
}
