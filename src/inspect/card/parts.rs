//! Owns clips that are stored in several files: a part that is not there, and a last part behind
//! which one more should be.

use super::clue::{CardClue, CardHint};
use super::place::{CardPlace, dcf_folder};
use crate::card::media::Media;
use std::collections::{BTreeMap, BTreeSet};

/// The largest files: 2 GiB, where a camera counts with a sign, and 4 GiB, the limit of FAT32
/// (Microsoft, FAT32 File System Specification 1.03: the size has 32 bits). A camera that splits
/// begins a new file within the last second or two before it.
const LIMITS: [u64; 2] = [1 << 31, 1 << 32];
/// How far before a limit a camera begins the next file: a few seconds of its fastest format.
/// Common practice, no source.
const BEFORE_LIMIT: u64 = 1 << 26;

/// Returns what the parts of clips say.
pub(super) fn hints(places: &[CardPlace<'_>]) -> Vec<CardHint> {
    let mut groups: BTreeMap<(&str, &str, &str), BTreeMap<u32, &CardPlace<'_>>> = BTreeMap::new();
    for place in places.iter().filter(|p| p.media == Some(Media::Clip)) {
        if let Some((clip, part)) = part_of(place) {
            let group = groups.entry((place.folder, clip, place.ending));
            group.or_default().insert(part, place);
        }
    }
    let mut hints = Vec::new();
    for parts in groups.values() {
        let Some((last, place)) = parts.last_key_value() else {
            continue;
        };
        let gone = (1..*last).find(|part| !parts.contains_key(part));
        hints.extend(gone.map(|part| CardHint {
            path: place.file.path.to_owned(),
            clue: CardClue::PartGone { part, of: *last },
        }));
    }
    hints.extend(open_ends(places));
    hints
}

/// Returns clip and part of a name that counts parts: two letters, the part in two digits and the
/// clip in four (action cameras), or, in a folder of clips, the clip in two letters and four digits
/// and the part in two (broadcast cameras). Common practice, no source.
fn part_of<'a>(place: &CardPlace<'a>) -> Option<(&'a str, u32)> {
    let stem = place.stem;
    if stem.len() != 8 || !stem.is_ascii() {
        return None;
    }
    let (letters, digits) = stem.split_at(2);
    let is_named = letters.bytes().all(|b| b.is_ascii_uppercase())
        && digits.bytes().all(|b| b.is_ascii_digit());
    if !is_named {
        return None;
    }
    let (clip, part) = if dcf_folder(place.folder).is_some() {
        // The folder's own counter would have a prefix of four characters that are no digits.
        let (part, clip) = digits.split_at(2);
        (clip, part)
    } else if place.folder.contains("/CLIPS") {
        let (clip, part) = digits.split_at(4);
        (clip, part)
    } else {
        return None;
    };
    let part = part.parse().ok().filter(|part| *part > 0)?;
    Some((clip, part))
}

/// Returns the last clips of a series that are as large as a file may be: what follows is not here.
fn open_ends(places: &[CardPlace<'_>]) -> Vec<CardHint> {
    // What the numbered clips of each folder and prefix are, by number.
    let mut series: BTreeMap<(&str, &str), BTreeSet<u32>> = BTreeMap::new();
    let number = |p: &CardPlace<'_>| -> Option<u32> { p.numbered()?.1.parse().ok() };
    for place in places.iter().filter(|p| p.media == Some(Media::Clip)) {
        if let (Some((prefix, _)), Some(n)) = (place.numbered(), number(place)) {
            series.entry((place.folder, prefix)).or_default().insert(n);
        }
    }
    let is_last = |place: &&CardPlace<'_>| {
        let Some((prefix, _)) = place.numbered() else {
            return false;
        };
        let of = series.get(&(place.folder, prefix));
        let is_last_number = number(place) == of.and_then(|all| all.last().copied());
        // A part that counts up is the last of its clip only if no further part is there.
        let next_part = part_of(place).and_then(|(clip, part)| {
            let next = |p: &&CardPlace<'_>| {
                p.folder == place.folder && part_of(p) == Some((clip, part + 1))
            };
            places.iter().find(next)
        });
        is_last_number && next_part.is_none() && !has_next_folder(place, places)
    };
    let is_full = |place: &&CardPlace<'_>| {
        let bytes = place.file.bytes;
        let mut limits = LIMITS.iter();
        place.media == Some(Media::Clip)
            && limits.any(|limit| (limit - BEFORE_LIMIT..=*limit).contains(&bytes))
    };
    let ends = places.iter().filter(is_full).filter(is_last);
    ends.map(|place| CardHint {
        path: place.file.path.to_owned(),
        clue: CardClue::NothingFollows,
    })
    .collect()
}

/// Returns whether the counter may go on in the next folder.
fn has_next_folder(place: &CardPlace<'_>, places: &[CardPlace<'_>]) -> bool {
    let Some((number, _)) = dcf_folder(place.folder) else {
        return false;
    };
    let mut clips = places.iter().filter(|p| p.media == Some(Media::Clip));
    clips.any(|p| dcf_folder(p.folder).is_some_and(|(other, _)| other == number + 1))
}
