//! Owns what belongs to a clip and lies beside it: a clip without the file that the others have,
//! and such a file without its clip.

use super::clue::{CardClue, CardHint};
use super::place::{CardPlace, dcf_folder};
use crate::card::media::Media;
use crate::units::len64;
use std::collections::BTreeMap;

/// Clips that have to have such a file before one that has none stands out.
const OTHERS_MIN: usize = 3;
/// Of so many clips one may be without; of more, every camera has its own way.
const CLIPS_FOR_ONE: usize = 10;
/// Folders of clips beside each other up to which what lies in one may belong to another. There are
/// thousands where each clip has its own.
const SIBLINGS_MAX: usize = 8;
/// What cameras add to the name of a clip for what belongs to it: metadata, proxy, thumbnail (the
/// manuals of two makers of broadcast cameras).
const MARKS: [&str; 4] = ["M01", "S01", "S03", "T01"];

/// A way in which files lie beside clips: folder, mark in the name, ending.
type BesideClip<'a> = (&'a str, &'a str, String);

/// Returns what the files beside clips say.
pub(super) fn hints(places: &[CardPlace<'_>]) -> Vec<CardHint> {
    let clips = clips(places);
    let mut hints = Vec::new();
    for ((folder, way), files) in &beside(places, &clips) {
        if let Some(clips) = clips.get(folder) {
            hints.extend(without(clips, way, files));
            hints.extend(alone(clips, files));
        }
    }
    hints.sort_by_key(|hint| hint.clue.kind());
    hints
}

/// How many files are held against a clip's folder.
#[cfg(test)]
pub(super) fn pairs(places: &[CardPlace<'_>]) -> usize {
    let ways = beside(places, &clips(places));
    ways.values().map(BTreeMap::len).sum()
}

/// Files of one folder by the stem of the clip that they are or belong to.
type ByStem<'a> = BTreeMap<&'a str, &'a CardPlace<'a>>;

fn clips<'a>(places: &'a [CardPlace<'a>]) -> BTreeMap<&'a str, ByStem<'a>> {
    let mut clips: BTreeMap<&str, ByStem<'_>> = BTreeMap::new();
    for place in places.iter().filter(|p| p.media == Some(Media::Clip)) {
        if !has_mark(place.stem) {
            let of = clips.entry(place.folder).or_default();
            of.insert(place.stem, place);
        }
    }
    clips
}

/// Returns the stems that have such a file, for each folder of clips and each way.
fn beside<'a>(
    places: &'a [CardPlace<'a>],
    clips: &BTreeMap<&'a str, ByStem<'a>>,
) -> BTreeMap<(&'a str, BesideClip<'a>), ByStem<'a>> {
    let mut by_parent: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for folder in clips.keys() {
        by_parent.entry(parent(folder)).or_default().push(folder);
    }
    let mut ways: BTreeMap<(&str, BesideClip<'_>), ByStem<'_>> = BTreeMap::new();
    for place in places {
        let own = clips.get_key_value(place.folder).map(|(folder, _)| *folder);
        let near = by_parent.get(parent(place.folder));
        // Folders of DCF number their files anew, and so does each of a row of folders.
        let near =
            near.filter(|near| near.len() <= SIBLINGS_MAX && dcf_folder(place.folder).is_none());
        let beside = near.into_iter().flatten().copied();
        let beside = beside.filter(|folder| *folder != place.folder);
        for folder in own.into_iter().chain(beside) {
            let (stem, mark) = unmarked(place.stem);
            let is_clip_itself =
                own == Some(folder) && mark.is_empty() && place.media == Some(Media::Clip);
            if !is_clip_itself {
                let way = (place.folder, mark, place.ending.to_ascii_uppercase());
                ways.entry((folder, way)).or_default().insert(stem, place);
            }
        }
    }
    ways
}

/// Returns the clips that lack what nearly all have.
fn without(
    clips: &BTreeMap<&str, &CardPlace<'_>>,
    way: &BesideClip<'_>,
    files: &BTreeMap<&str, &CardPlace<'_>>,
) -> Vec<CardHint> {
    let lacking: Vec<_> = (clips.iter().filter(|(stem, _)| !files.contains_key(*stem))).collect();
    let others = clips.len().saturating_sub(lacking.len());
    if others < OTHERS_MIN || lacking.len() > clips.len().div_ceil(CLIPS_FOR_ONE) {
        return Vec::new();
    }
    let hint = |(_, place): &(&&str, &&CardPlace<'_>)| CardHint {
        path: place.file.path.to_owned(),
        clue: CardClue::SidecarGone {
            ending: way.2.clone(),
            others: len64(others),
        },
    };
    lacking.iter().map(hint).collect()
}

/// Returns the files whose clips are gone, where most such files have one.
fn alone(
    clips: &BTreeMap<&str, &CardPlace<'_>>,
    files: &BTreeMap<&str, &CardPlace<'_>>,
) -> Vec<CardHint> {
    let gone: Vec<_> = (files.iter().filter(|(stem, _)| !clips.contains_key(*stem))).collect();
    let others = files.len().saturating_sub(gone.len());
    if others < OTHERS_MIN || gone.len() > files.len().div_ceil(CLIPS_FOR_ONE) {
        return Vec::new();
    }
    let hint = |(stem, place): &(&&str, &&CardPlace<'_>)| CardHint {
        path: place.file.path.to_owned(),
        clue: CardClue::ClipGone {
            clip: (**stem).to_owned(),
        },
    };
    gone.iter().map(hint).collect()
}

fn parent(folder: &str) -> &str {
    folder.rsplit_once('/').map_or("", |(parent, _)| parent)
}

fn has_mark(stem: &str) -> bool {
    !unmarked(stem).1.is_empty()
}

/// Returns the stem of the clip, and the mark behind it.
fn unmarked(stem: &str) -> (&str, &'static str) {
    let mark = MARKS.into_iter().find(|mark| {
        let before = stem.strip_suffix(mark);
        before.is_some_and(|clip| clip.ends_with(|c: char| c.is_ascii_digit()))
    });
    let clip = mark.and_then(|mark| stem.strip_suffix(mark));
    (clip.unwrap_or(stem), mark.unwrap_or_default())
}
