//! Owns the page's own words for what the manifest says in names: drives, dates, ways of reading
//! back, levels of proof and links. Pure.

use crate::clock::UtcOffset;
use crate::disk::{ReadBackWay, far_end};
use crate::name::shown;
use crate::record::layout::Level;
use crate::record::manifest::{DestinationPart, LinkPart, Manifest};
use crate::speed::link::{ChainPart, LinkKind};
use crate::speed::links::find;
use jiff::Timestamp;
use maud::{Markup, html};
use std::time::Duration;

/// Returns a moment as it was at the computer, and UTC beside it: `2026-11-25 10:53:18 UTC+01:00
/// (09:53:18 UTC)`; the date of UTC only where it is another one.
pub(super) fn moment(rfc3339: &str, offset: Option<UtcOffset>) -> Markup {
    let utc = cut(rfc3339, 19);
    let local = rfc3339.parse::<Timestamp>().ok().zip(offset);
    let Some((at, offset)) = local else {
        return html! { (whole_date(&utc)) " UTC" };
    };
    let local = offset.local(at);
    let is_same = utc.get(..DATE_LENGTH) == local.get(..DATE_LENGTH);
    let time = utc.get(DATE_LENGTH + 1..).filter(|_| is_same);
    html! {
        (whole_date(&local)) " UTC" (offset) " ("
        @match time { Some(time) => (time), None => (whole_date(&utc)) } " UTC)"
    }
}

/// Letters of `2026-11-25`.
const DATE_LENGTH: usize = 10;

/// A date is never broken at its hyphens.
fn whole_date(text: &str) -> Markup {
    let (date, time) = text.split_once(' ').unwrap_or((text, ""));
    html! { span.s { (date) } @if !time.is_empty() { " " (time) } }
}

/// Returns the date of a file of the card, to the minute. A card's own time has no zone; any other
/// is shown as it was at the computer, or in UTC.
pub(super) fn day(rfc3339: &str, m: &Manifest) -> Markup {
    let (text, zone) = day_words(rfc3339, m);
    html! { (whole_date(&text)) (zone) }
}

/// Returns from when to when: `2026-11-25 09:30 to 12:10`, the second date only where it is another
/// one.
pub(super) fn days(first: &str, last: &str, m: &Manifest) -> Markup {
    let ((first, _), (last, zone)) = (day_words(first, m), day_words(last, m));
    let is_same = first.get(..DATE_LENGTH) == last.get(..DATE_LENGTH);
    let time = last.get(DATE_LENGTH + 1..).filter(|_| is_same);
    html! {
        (whole_date(&first))
        @if first != last {
            " to " @match time { Some(time) => (time), None => (whole_date(&last)) }
        }
        (zone)
    }
}

/// A date of the card, and what zone it is of where that has to be said.
fn day_words(rfc3339: &str, m: &Manifest) -> (String, &'static str) {
    let at = rfc3339.parse::<Timestamp>().ok().zip(m.offload.utc_offset);
    match at.filter(|_| m.card.zone.is_none()) {
        Some((at, offset)) => (cut(&offset.local(at), 16), ""),
        None if m.card.zone.is_none() => (cut(rfc3339, 16), " UTC"),
        None => (cut(rfc3339, 16), ""),
    }
}

fn cut(rfc3339: &str, length: usize) -> String {
    let text = rfc3339.get(..length).unwrap_or(rfc3339);
    shown(&text.replacen('T', " ", 1))
}

/// Returns the card's label.
pub(super) fn label(m: &Manifest) -> &str {
    m.card.label.as_deref().unwrap_or("without a label")
}

/// Only a folder of a card was read.
pub(super) fn is_part(m: &Manifest) -> bool {
    m.card.read_whole == Some(false)
}

/// Returns what the drives are called; by the whole folder where two are alike.
pub(super) fn drive_names(m: &Manifest) -> Vec<String> {
    let names: Vec<Option<&str>> = m.destinations.iter().map(DestinationPart::called).collect();
    let is_alone = |name: &str| names.iter().filter(|n| **n == Some(name)).count() == 1;
    let drives = names.iter().zip(&m.destinations);
    drives
        .map(|(name, d)| {
            name.filter(|name| is_alone(name))
                .unwrap_or(&d.path)
                .to_owned()
        })
        .collect()
}

/// Returns the whole path of the offload's folder in a place.
pub(super) fn folder(place: &str, m: &Manifest) -> String {
    let separator = if place.starts_with('/') || !place.contains('\\') {
        '/'
    } else {
        '\\'
    };
    let place = place.trim_end_matches(separator);
    format!("{place}{separator}{}", m.offload.name)
}

/// Returns a time; what no clock can have given is called unknown.
pub(super) fn took(seconds: f64) -> String {
    Duration::try_from_secs_f64(seconds)
        .map_or_else(|_| "an unknown time".to_owned(), crate::units::time)
}

/// Returns how a copy was read back, and what that is worth on this kind of file system.
pub(super) fn way(way: ReadBackWay, filesystem: &str) -> String {
    let from = far_end(filesystem).map_or_else(
        || "from the drive".to_owned(),
        |end| format!("from {end} at best, which may have answered from its own memory"),
    );
    match way {
        ReadBackWay::Direct => format!("{from}, past the computer's memory"),
        ReadBackWay::Dropped => format!("{from}, after the computer's memory of it was emptied"),
        ReadBackWay::Cached => {
            "the computer may have answered from its memory, so this is no proof".to_owned()
        }
        ReadBackWay::None => "not read back, so this is no proof".to_owned(),
    }
}

/// Returns what was asked to be proven.
pub(super) fn asked(level: Level) -> &'static str {
    match level {
        Level::Written => "copies flushed to the drives, not read back",
        Level::ReadBack => "every copy read back from its drive",
        Level::Reread => "every copy read back from its drive, and the card read a second time",
    }
}

/// Returns a link by part and name: `reader port, USB 2.0`. `names` are the drives' names.
pub(super) fn link(link: &LinkPart, names: &[String]) -> String {
    let part = part(&link.part, names);
    match find(&link.id) {
        Some(row) => format!("{part}, {}", row.words),
        // A drive's own rate bears no name of the table.
        None if ChainPart::from_name(&link.part).is_some_and(ChainPart::is_of_drive) => part,
        None => format!("{part}, {}", shown(&link.id)),
    }
}

/// Returns a part of the chain by name: a drive by its own.
pub(super) fn part(part: &str, names: &[String]) -> String {
    let name = |at: usize| {
        names
            .get(at)
            .map_or_else(|| (at + 1).to_string(), |n| shown(n))
    };
    match ChainPart::from_name(part) {
        Some(ChainPart::Drive(at)) => format!("drive {}", name(at)),
        Some(ChainPart::DrivePort(at)) => format!("port of drive {}", name(at)),
        Some(ChainPart::DriveHub(at)) => format!("hub of drive {}", name(at)),
        _ => shown(part),
    }
}

/// Returns where a link's figure comes from.
pub(super) fn origin(link: &LinkPart) -> String {
    match link.from.as_str() {
        "label" => "as labelled or said".to_owned(),
        "table" => "table of published standards".to_owned(),
        "detected" => "said by the computer".to_owned(),
        "measured" if link.id == LinkKind::Measured.id() => "measured in earlier copies".to_owned(),
        "measured" => "measured in this copy".to_owned(),
        other => shown(other),
    }
}

/// Returns whether a link's figure can't be exceeded: it is that of a bus or a link.
pub(super) fn is_limit(link: &LinkPart) -> bool {
    find(&link.id).is_some()
}

/// Returns whether `limiting_link` of a manifest names this link.
pub(super) fn is_limiting(link: &LinkPart, limiting: &str) -> bool {
    link.part == limiting || format!("{} {}", link.part, link.id) == limiting
}
