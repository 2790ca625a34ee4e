//! Owns the page's own words for what the manifest says in names: kinds of trouble, ways of reading
//! back, levels of proof, moments and times. Pure.

use crate::disk::{ReadBackWay, far_end};
use crate::error::ProblemKind;
use crate::name::shown;
use crate::record::layout::Level;
use crate::record::manifest::LinkPart;
use crate::speed::link::{ChainPart, LinkKind};
use crate::speed::links::find;
use std::time::Duration;

/// Returns a moment for people: `2026-11-25 09:53:18 UTC`.
pub(super) fn moment(rfc3339: &str) -> String {
    let text = rfc3339.get(..19).unwrap_or(rfc3339).replacen('T', " ", 1);
    format!("{} UTC", shown(&text))
}

/// Returns a time; what no clock can have told is called unknown.
pub(super) fn took(seconds: f64) -> String {
    Duration::try_from_secs_f64(seconds)
        .map_or_else(|_| "an unknown time".to_owned(), crate::units::time)
}

/// Returns how a copy was read back, and what that is worth on this kind of file system.
pub(super) fn way(way: ReadBackWay, filesystem: &str) -> String {
    let from = far_end(filesystem).map_or_else(
        || "from the device".to_owned(),
        |end| format!("from {end} at best, which may have answered from its own memory"),
    );
    match way {
        ReadBackWay::Direct => format!("{from}, past the computer's memory"),
        ReadBackWay::Dropped => format!("{from}, after the computer's memory of it was dropped"),
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

/// Returns a kind of trouble in plain words.
pub(super) fn kind(kind: ProblemKind) -> &'static str {
    match kind {
        ProblemKind::Unreadable => "Could not be read",
        ProblemKind::Vanished => "Went away",
        ProblemKind::ChangedOnCard => "Changed on the card",
        ProblemKind::Mismatch => "Copy differs",
        ProblemKind::WriteFailed => "Could not be written",
        ProblemKind::NoRoom => "No room",
        ProblemKind::NameNotStorable => "Name cannot be stored",
        ProblemKind::NameClash => "Name is taken",
        ProblemKind::TooLargeForFilesystem => "Too large for the drive's file system",
        ProblemKind::SameDevice => "Same device",
        ProblemKind::TooFewCopies => "Too few copies",
        ProblemKind::NotReadBack => "Not read back",
        ProblemKind::Missing => "Missing",
        ProblemKind::Changed => "Changed",
        ProblemKind::Extra => "Not in the record",
        ProblemKind::ManifestDamaged => "Record damaged",
    }
}

/// Returns a link by part and name: `reader port, USB 2.0`.
pub(super) fn link(link: &LinkPart) -> String {
    let part = shown(&link.part);
    match find(&link.id) {
        Some(row) => format!("{part}, {}", row.words),
        // A drive's own rate bears no name of the table.
        None if ChainPart::from_name(&link.part).is_some_and(ChainPart::is_of_drive) => part,
        None => format!("{part}, {}", shown(&link.id)),
    }
}

/// Returns where a link's figure comes from.
pub(super) fn origin(link: &LinkPart) -> String {
    match link.from.as_str() {
        "label" => "as labelled or said".to_owned(),
        "table" => "table of published standards".to_owned(),
        "detected" => "told by the computer".to_owned(),
        "measured" if link.id == LinkKind::Measured.id() => "measured in earlier jobs".to_owned(),
        "measured" => "measured in this job".to_owned(),
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
