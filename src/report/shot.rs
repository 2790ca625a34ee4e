//! Owns what was shot: stills, clips, sound and the rest, counted by the endings of file names, and
//! the first and the last date. Pure.

use super::frame::{fact, foreign};
use super::words::{day, days, label};
use crate::card::media::{Media, ending, media_of};
use crate::name::shown;
use crate::record::manifest::{FilePart, Manifest};
use crate::units::{count, counted, len64, size};
use maud::{Markup, html};
use std::collections::BTreeMap;

/// Endings that are named for each kind.
const ENDINGS_NAMED: usize = 4;

/// The kinds, in the order of the page.
const KINDS: [(&str, Option<Media>); 4] = [
    ("Stills", Some(Media::Still)),
    ("Clips", Some(Media::Clip)),
    ("Sound", Some(Media::Sound)),
    ("Other", None),
];

/// Returns the section on what was shot.
pub(super) fn shot(m: &Manifest) -> Markup {
    let of = |kind: Option<Media>| {
        m.files
            .iter()
            .filter(move |f| media_of(f.path.as_bytes()) == kind)
    };
    // What a camera notes beside its pictures may have any date.
    let mut dates: Vec<&str> = (KINDS.iter().filter(|(_, kind)| kind.is_some()))
        .flat_map(|(_, kind)| of(*kind))
        .map(|f| &*f.modified)
        .collect();
    if dates.is_empty() {
        dates = m.files.iter().map(|f| &*f.modified).collect();
    }
    let (first, last) = (dates.iter().min(), dates.iter().max());
    // Of one kind alone its times are those of all.
    let shot = KINDS.iter().filter(|(_, kind)| kind.is_some());
    let is_mixed = shot.filter(|(_, kind)| of(*kind).next().is_some()).count() > 1;
    html! {
        h2 { "What was shot" }
        dl {
            (fact("Card", &foreign(label(m))))
            (fact("All", &html! {
                (counted(m.totals.files, "file")) ", " span.s { (size(m.totals.bytes)) }
            }))
            @if let (Some(first), Some(last)) = (first, last) {
                (fact("First", &day(first, m)))
                (fact("Last", &day(last, m)))
            }
        }
        dl {
            @for (name, kind) in KINDS {
                @let files: Vec<&FilePart> = of(kind).collect();
                @let times = times(&files).filter(|_| is_mixed && kind.is_some());
                @let times = times.map(|(first, last)| days(first, last, m));
                @if !files.is_empty() { (fact(name, &kind_words(&files, times))) }
            }
        }
        p.soft {
            "Counted by the endings of file names. "
            @if m.card.zone.is_some() {
                "First and last are the card's dates; the card keeps no time zone."
            } @else if let Some(offset) = m.offload.utc_offset {
                "First and last are the card's dates, at UTC" (offset) "."
            } @else {
                "First and last are the card's dates, in UTC."
            }
        }
    }
}

/// The first and the last date of files.
fn times<'a>(files: &[&'a FilePart]) -> Option<(&'a str, &'a str)> {
    let dates = || files.iter().map(|f| &*f.modified);
    dates().min().zip(dates().max())
}

/// `24 files, 12.3 MB`, of what endings they are where that says more, and when they were shot.
fn kind_words(files: &[&FilePart], times: Option<Markup>) -> Markup {
    let mut endings: BTreeMap<String, u64> = BTreeMap::new();
    let mut bytes = 0_u64;
    for file in files {
        let ending = ending(file.path.as_bytes()).unwrap_or_default();
        let ending = String::from_utf8_lossy(ending).to_uppercase();
        *endings.entry(ending).or_default() += 1;
        bytes = bytes.saturating_add(file.bytes);
    }
    endings.remove("");
    let mut most: Vec<(String, u64)> = endings.into_iter().collect();
    most.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let named: Vec<String> = most
        .iter()
        .take(ENDINGS_NAMED)
        .map(|(ending, n)| format!("{} {}", count(*n), shown(ending)))
        .collect();
    html! {
        (counted(len64(files.len()), "file")) ", " span.s { (size(bytes)) }
        @if !named.is_empty() { br; span.soft { (foreign(&named.join(", "))) } }
        @if let Some(times) = times { br; span.soft { (times) } }
    }
}
