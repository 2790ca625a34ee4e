//! Owns what was shot: stills, clips, sound and the rest, counted by the endings of file names, and
//! the first and the last date. Pure.

use super::frame::{fact, foreign};
use super::words::{day, days, label};
use crate::card::media::{Media, ending, media_of};
use crate::name::shown;
use crate::record::manifest::{ContentsPart, FilePart, Manifest};
use crate::units::{self, count, counted, len64, size};
use maud::{Markup, html};
use std::collections::BTreeMap;
use std::time::Duration;

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
    // What files say themselves is when they were recorded; their dates may be of a copy.
    let said = m.contents.as_ref().and_then(recorded);
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
            @if let Some((first, last)) = &said {
                (fact("First", &html! { (first) }))
                (fact("Last", &html! { (last) }))
            } @else if let (Some(first), Some(last)) = (first, last) {
                (fact("First", &day(first, m)))
                (fact("Last", &day(last, m)))
            }
        }
        dl {
            @for (name, kind) in KINDS {
                @let files: Vec<&FilePart> = of(kind).collect();
                @let is_own = said.is_none() && is_mixed && kind.is_some();
                @let times = times(&files).filter(|_| is_own);
                @let times = times.map(|(first, last)| days(first, last, m));
                @if !files.is_empty() { (fact(name, &kind_words(&files, long(m, kind), times))) }
            }
            @if let Some(contents) = m.contents.as_ref().filter(|c| !c.cameras.is_empty()) {
                (fact("Cameras", &foreign(&contents.cameras.join(", "))))
            }
        }
        p.soft {
            "Counted by the endings of file names. "
            @if said.is_some() {
                "First and last are by the camera's clock, which has no time zone."
            } @else if m.card.zone.is_some() {
                "First and last are the card's dates; the card keeps no time zone."
            } @else if let Some(offset) = m.offload.utc_offset {
                "First and last are the card's dates, at UTC" (offset) "."
            } @else {
                "First and last are the card's dates, in UTC."
            }
        }
    }
}

/// Returns the first and the last time, where files say themselves when they were recorded.
fn recorded(contents: &ContentsPart) -> Option<(String, String)> {
    contents.zone.as_ref()?;
    let minute = |time: &String| shown(&time.get(..16).unwrap_or(time).replacen('T', " ", 1));
    Some((
        minute(contents.first.as_ref()?),
        minute(contents.last.as_ref()?),
    ))
}

/// How long all files of a kind are, as far as they say it.
fn long(m: &Manifest, kind: Option<Media>) -> Option<Duration> {
    let id = kind?.id();
    let types = m.contents.iter().flat_map(|contents| contents.types.iter());
    let seconds = types.filter(|of| of.kind == id).filter_map(|of| of.seconds);
    let seconds: f64 = seconds.sum();
    (seconds > 0.0).then(|| units::seconds(seconds))
}

/// The first and the last date of files.
fn times<'a>(files: &[&'a FilePart]) -> Option<(&'a str, &'a str)> {
    let dates = || files.iter().map(|f| &*f.modified);
    dates().min().zip(dates().max())
}

/// `24 files, 12.3 MB`, of what endings they are where that says more, and when they were shot.
fn kind_words(files: &[&FilePart], long: Option<Duration>, times: Option<Markup>) -> Markup {
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
        @if let Some(long) = long { ", " span.s { (units::time(long)) } }
        @if !named.is_empty() { br; span.soft { (foreign(&named.join(", "))) } }
        @if let Some(times) = times { br; span.soft { (times) } }
    }
}
