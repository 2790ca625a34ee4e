//! Owns the numbers of files and folders: gaps, and numbers that are there twice. A file that was
//! deleted in the camera leaves the same gap as one that was lost, so this is for the person to
//! judge.

use super::clue::{CardClue, CardHint};
use super::place::{CardPlace, dcf_folder};
use crate::card::media::Media;
use crate::units::len64;
use std::collections::{BTreeMap, BTreeSet};

/// Numbers of DCF end here and begin at 1 again (JEITA CP-3461).
const DCF_LAST: u32 = 9_999;
/// More numbers than this are no gap: the counter was set anew, or another counts.
const GAP_MAX: u32 = 999;
/// Gaps that one hint lists.
const GAPS_MAX: usize = 50;

/// The files of one folder whose names are numbered, by number.
type Numbers<'a> = BTreeMap<u32, Vec<(&'a str, &'a CardPlace<'a>)>>;

/// Returns what the numbers say.
pub(super) fn hints(places: &[CardPlace<'_>]) -> Vec<CardHint> {
    let mut dcf: BTreeMap<&str, Numbers<'_>> = BTreeMap::new();
    let mut clips: BTreeMap<(&str, &str, usize), BTreeSet<u32>> = BTreeMap::new();
    for place in places {
        if dcf_folder(place.folder).is_some() {
            if let Some((prefix, number)) = place.dcf_number() {
                let of = dcf.entry(place.folder).or_default();
                of.entry(number).or_default().push((prefix, place));
            }
        } else if place.media == Some(Media::Clip)
            && let Some((prefix, digits)) = place.numbered()
            && let Ok(number) = digits.parse()
        {
            let of = clips.entry((place.folder, prefix, digits.len()));
            of.or_default().insert(number);
        }
    }
    let mut hints: Vec<CardHint> = folders(&dcf);
    for (folder, numbers) in &dcf {
        hints.extend(gone(folder, &covered_gaps(numbers), 4));
        hints.extend(twice(folder, numbers));
    }
    for ((folder, _, digits), numbers) in clips {
        let all: Vec<u32> = numbers.into_iter().collect();
        hints.extend(gone(folder, &gaps(&all), digits));
    }
    hints.sort_by_key(|hint| hint.clue.kind());
    hints
}

fn gone(folder: &str, gaps: &[(u32, u32)], digits: usize) -> Option<CardHint> {
    (!gaps.is_empty()).then(|| CardHint {
        path: folder.to_owned(),
        clue: CardClue::NumbersGone {
            gaps: gaps.iter().take(GAPS_MAX).copied().collect(),
            digits,
        },
    })
}

/// Returns the gaps of sorted numbers, as first and last of what is not there.
fn gaps(sorted: &[u32]) -> Vec<(u32, u32)> {
    let pairs = sorted.windows(2).filter_map(|pair| match pair {
        [a, b] => Some((a.saturating_add(1), b.saturating_sub(1))),
        _ => None,
    });
    let is_gap = |(first, last): &(u32, u32)| first <= last && last - first < GAP_MAX;
    pairs.filter(is_gap).collect()
}

/// Returns the gaps of a DCF folder that lie between two files of one prefix: clips and stills may
/// count apart. The largest hole of a folder whose counter went from 9999 to 1 is its end.
fn covered_gaps(numbers: &Numbers<'_>) -> Vec<(u32, u32)> {
    let sorted: Vec<u32> = numbers.keys().copied().collect();
    let mut found = gaps(&sorted);
    if numbers.contains_key(&1) && numbers.contains_key(&DCF_LAST) {
        let seam = seam(&sorted);
        found.retain(|(first, _)| *first != seam.saturating_add(1));
    }
    let mut ranges: BTreeMap<&str, (u32, u32)> = BTreeMap::new();
    for (number, files) in numbers {
        for (prefix, _) in files {
            ranges.entry(prefix).or_insert((*number, *number)).1 = *number;
        }
    }
    found.retain(|(first, last)| {
        let mut ranges = ranges.values();
        ranges.any(|(from, to)| from < first && last < to)
    });
    found
}

/// Returns the number before the largest hole.
fn seam(sorted: &[u32]) -> u32 {
    let pairs = sorted.windows(2).filter_map(|pair| match pair {
        [a, b] => Some((b - a, *a)),
        _ => None,
    });
    pairs.max().map_or(DCF_LAST, |(_, before)| before)
}

/// Returns the first and the last file of a folder by its counter.
fn ends(numbers: &Numbers<'_>) -> Option<(u32, u32)> {
    let sorted: Vec<u32> = numbers.keys().copied().collect();
    let (first, last) = (*sorted.first()?, *sorted.last()?);
    if (first, last) != (1, DCF_LAST) {
        return Some((first, last));
    }
    let last = seam(&sorted);
    let after = sorted.iter().find(|number| **number > last);
    Some((after.copied().unwrap_or(first), last))
}

/// Returns numbers that two files of one kind have which are not two forms of one picture.
fn twice(folder: &str, numbers: &Numbers<'_>) -> Option<CardHint> {
    let pairs = numbers.values().filter_map(|files| {
        let (_, first) = files.first()?;
        files.iter().skip(1).find_map(|(_, other)| {
            let is_same_kind = first.ending.eq_ignore_ascii_case(other.ending);
            (is_same_kind && !is_one_object(first.stem, other.stem)).then_some((first, other))
        })
    });
    let pairs: Vec<_> = pairs.collect();
    let (first, other) = pairs.first()?;
    Some(CardHint {
        path: format!("{folder}/{}.{}", first.stem, first.ending),
        clue: CardClue::NumberTwice {
            other: format!("{}.{}", other.stem, other.ending),
            count: len64(pairs.len()),
        },
    })
}

/// Whether two names of one number may be of one camera: an underscore marks another colour space
/// (DCF 2.0), a digit in the prefix the part of a long clip (common practice, no source).
fn is_one_object(a: &str, b: &str) -> bool {
    let letters = |stem: &str| -> String {
        let prefix = stem.chars().take(4);
        let letters = prefix.filter(char::is_ascii_alphabetic);
        letters.map(|c| c.to_ascii_uppercase()).collect()
    };
    let (a, b) = (letters(a), letters(b));
    a.ends_with(&b) || b.ends_with(&a)
}

/// Returns what the folders say: numbers that are not there or twice, and files that were between
/// the last of one and the first of the next.
fn folders(dcf: &BTreeMap<&str, Numbers<'_>>) -> Vec<CardHint> {
    let mut all: Vec<(u32, &str, &str)> = Vec::new();
    for folder in dcf.keys() {
        if let Some((number, rest)) = dcf_folder(folder) {
            all.push((number, rest, folder));
        }
    }
    all.sort_unstable();
    let mut hints = Vec::new();
    for pair in all.windows(2) {
        let [(a, rest_a, folder_a), (b, rest_b, folder_b)] = pair else {
            continue;
        };
        let name_b = folder_b.rsplit('/').next().unwrap_or(folder_b).to_owned();
        let clue = if a == b {
            Some(CardClue::FolderTwice { other: name_b })
        } else if rest_a != rest_b {
            None
        } else if b - a > 1 {
            let gap = (a + 1, b - 1);
            Some(CardClue::FoldersGone { gap })
        } else {
            let numbers = |folder| dcf.get(folder).and_then(ends);
            let gap = match (numbers(folder_a), numbers(folder_b)) {
                (Some((_, last)), Some((first, _))) => between(last, first),
                _ => None,
            };
            gap.map(|gap| CardClue::NumbersBetween { gap, next: name_b })
        };
        hints.extend(clue.map(|clue| CardHint {
            path: (*folder_a).to_owned(),
            clue,
        }));
    }
    hints
}

/// Returns the numbers between the last file of a folder and the first of the next, whose counter
/// goes on or begins at 1.
fn between(last: u32, first: u32) -> Option<(u32, u32)> {
    if first == 1 {
        return None;
    }
    let after = last % DCF_LAST + 1;
    let before = (first + DCF_LAST - 2) % DCF_LAST + 1;
    let gone = (first + DCF_LAST - after) % DCF_LAST;
    (1..=GAP_MAX).contains(&gone).then_some((after, before))
}
