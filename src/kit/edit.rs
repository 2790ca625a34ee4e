//! Owns the editing of `kit.toml` in place, so that a person's comments, order and layout stay as
//! they are.
//!
//! An edit changes the bytes of the entry that it is about and no others, and is checked by reading
//! the outcome: what it says must be what was asked for, else nothing is handed back.

use super::list_edit;
use super::mistake::{Fault, Mistake};
use super::place::KitPlace;
use super::text::{read, read_with_spans};
use super::{Kit, KitCard, KitDrive, KitEntryKind, KitReader, same_name};
use std::ops::Range;
use toml_edit::Value;

/// Why an edit was not made.
#[derive(Clone, PartialEq, Debug)]
pub enum EditError {
    /// The text is no sound kit; it has to be mended by hand first.
    Faulty(Vec<Fault>),
    /// The entry is there already.
    Exists(KitEntryKind, String),
    /// The entry is not there.
    Unknown(super::UnknownName),
    /// The outcome would not be a sound kit.
    Refused(Vec<Fault>),
}

impl From<super::UnknownName> for EditError {
    fn from(unknown: super::UnknownName) -> Self {
        Self::Unknown(unknown)
    }
}

/// One entry with the fields that are to be set; fields that are left empty stay as they are.
#[derive(Clone, PartialEq, Debug)]
pub enum KitEntry {
    /// A card.
    Card(KitCard),
    /// A reader.
    Reader(KitReader),
    /// A drive.
    Drive(KitDrive),
    /// A place elsewhere.
    Place(KitPlace),
}

impl KitEntry {
    /// Returns what it is.
    pub fn kind(&self) -> KitEntryKind {
        match self {
            Self::Card(_) => KitEntryKind::Card,
            Self::Reader(_) => KitEntryKind::Reader,
            Self::Drive(_) => KitEntryKind::Drive,
            Self::Place(_) => KitEntryKind::Place,
        }
    }

    /// Returns its name.
    pub fn name(&self) -> &str {
        match self {
            Self::Card(card) => &card.name,
            Self::Reader(reader) => &reader.name,
            Self::Drive(drive) => &drive.name,
            Self::Place(place) => &place.name,
        }
    }

    /// The fields that are set, as TOML.
    fn fields(&self) -> Vec<(&'static str, Value)> {
        let mut out = vec![("name", Value::from(self.name()))];
        let mut text = |key, value: Option<&str>| out.extend(value.map(|v| (key, v.into())));
        match self {
            Self::Card(c) => {
                text("bus", c.bus.as_deref());
                text("class", c.class.map(|c| c.to_string()).as_deref());
                text("note", c.note.as_deref());
                out.extend(c.reads.map(|r| ("reads", number(r))));
                out.extend(array("readers", &c.readers));
                out.extend(array("volumes", &c.volumes));
            }
            Self::Reader(r) => {
                text("bus", r.bus.as_deref());
                text("link", r.link.as_deref());
                text("note", r.note.as_deref());
            }
            Self::Drive(d) => {
                text("folder", d.folder.as_deref());
                text("note", d.note.as_deref());
                out.extend(d.writes.map(|r| ("writes", number(r))));
                out.extend(d.reads.map(|r| ("reads", number(r))));
                out.extend(d.spins.map(|s| ("spins", s.into())));
                out.extend(array("volumes", &d.volumes));
            }
            Self::Place(p) => {
                text("url", Some(p.url.as_str()));
                text("endpoint", p.endpoint.as_deref());
                text("region", p.region.as_deref());
                text("profile", p.profile.as_deref());
                text("secret_command", p.secret_command.as_deref());
                text("note", p.note.as_deref());
            }
        }
        out
    }
}

fn array(key: &'static str, texts: &[String]) -> Option<(&'static str, Value)> {
    (!texts.is_empty()).then(|| (key, texts.iter().map(String::as_str).collect()))
}

/// A whole number is written without a decimal point.
pub(super) fn number(value: f64) -> Value {
    if value.fract() == 0.0 && value.abs() < 1e9 {
        i64::try_from(crate::units::whole(value))
            .map_or_else(|_too_large| value.into(), Value::from)
    } else {
        value.into()
    }
}

/// Returns how the lines of a text end: as its first one does. Editors of Windows end them with two
/// characters.
pub(super) fn line_end(text: &str) -> &'static str {
    let first = text.split_inclusive('\n').next();
    if first.is_some_and(|line| line.ends_with("\r\n")) {
        "\r\n"
    } else {
        "\n"
    }
}

/// Returns the text with one more entry at its end.
///
/// # Errors
/// When the text is faulty, the name is taken, or the entry is not sound.
pub fn add(text: &str, entry: &KitEntry) -> Result<String, EditError> {
    let (kit, spans) = read_with_spans(text).map_err(EditError::Faulty)?;
    let (kind, name) = (entry.kind(), entry.name());
    if let Some(span) = spans
        .iter()
        .find(|p| p.kind == kind && same_name(&p.name, name))
    {
        return Err(EditError::Exists(kind, span.name.clone()));
    }
    let end = line_end(text);
    let mut new = text.to_owned();
    if !new.is_empty() && !new.ends_with('\n') {
        new.push_str(end);
    }
    if !new.is_empty() {
        new.push_str(end);
    }
    new.push_str(&format!("[[{kind}]]{end}"));
    for (key, value) in entry.fields() {
        new.push_str(&format!("{key} = {value}{end}"));
    }
    let mut wanted = kit;
    match entry.clone() {
        KitEntry::Card(card) => wanted.cards.push(card),
        KitEntry::Reader(reader) => wanted.readers.push(reader),
        KitEntry::Drive(drive) => wanted.drives.push(drive),
        KitEntry::Place(place) => wanted.places.push(place),
    }
    checked(new, &wanted)
}

/// Returns the text with the given fields of an entry set; volumes and readers are added to those
/// that are listed.
///
/// # Errors
/// When the text is faulty, there is no such entry, or the outcome is not sound.
pub fn update(text: &str, entry: &KitEntry) -> Result<String, EditError> {
    let (kit, spans) = read_with_spans(text).map_err(EditError::Faulty)?;
    let (merged, wanted) = merged(kit, entry)?;
    let span = spans
        .iter()
        .find(|p| p.kind == merged.kind() && p.name == merged.name());
    let Some(span) = span else {
        return Err(EditError::Exists(merged.kind(), merged.name().to_owned()));
    };
    let asked: Vec<&str> = entry.fields().into_iter().map(|(key, _)| key).collect();
    let mut changes: Vec<(Range<usize>, String)> = Vec::new();
    for (key, value) in merged.fields() {
        if key == "name" || !asked.contains(&key) {
            continue;
        }
        if let Some(range) = span.value(key) {
            let now = text.get(range.clone()).unwrap_or_default();
            if let Some(new) = rewritten(key, now, &value) {
                changes.push((range, new));
            }
        } else {
            let end = span.lines.end;
            let has_break = text.get(..end).is_some_and(|t| t.ends_with('\n'));
            let line_end = line_end(text);
            let lead = if has_break { "" } else { line_end };
            changes.push((end..end, format!("{lead}{key} = {value}{line_end}")));
        }
    }
    // From the end backwards, so that what stands before keeps its place.
    changes.sort_by_key(|(range, _)| std::cmp::Reverse(range.start));
    let mut new = text.to_owned();
    for (range, with) in changes {
        new.replace_range(range, &with);
    }
    checked(new, &wanted)
}

/// Returns how a field is written that says this now; `None` where it says so already. Of a list
/// what stays is as a hand wrote it.
fn rewritten(key: &str, now: &str, value: &Value) -> Option<String> {
    let was = now.parse::<Value>().ok();
    let number = |value: &Value| {
        let whole = || value.as_integer().and_then(|n| i32::try_from(n).ok());
        value.as_float().or_else(|| whole().map(f64::from))
    };
    let is_same = was.is_some_and(|was| {
        if let (Some(was), Some(value)) = (was.as_str(), value.as_str()) {
            // A class is written in either case.
            return was == value || (key == "class" && same_name(was, value));
        }
        let (was_so, is_so) = (was.as_bool(), value.as_bool());
        let (was, is) = (number(&was), number(value));
        (was.is_some() && was == is) || (was_so.is_some() && was_so == is_so)
    });
    match value.as_array() {
        Some(wanted) if now.starts_with('[') => {
            let wanted = wanted.iter().filter_map(Value::as_str).map(str::to_owned);
            let new = list_edit::changed(key, now, &wanted.collect::<Vec<_>>());
            (new != now).then_some(new)
        }
        _ => (!is_same).then(|| value.to_string().trim().to_owned()),
    }
}

/// Lays the given fields over the entry of that name; returns it and the kit that holds it.
fn merged(mut kit: Kit, entry: &KitEntry) -> Result<(KitEntry, Kit), EditError> {
    let unknown = |kit: &Kit| EditError::Unknown(kit.unknown(entry.kind(), entry.name()));
    let whole = kit.clone();
    let entry = match entry {
        KitEntry::Card(new) => {
            let mut cards = kit.cards.iter_mut();
            let found = cards.find(|c| same_name(&c.name, &new.name));
            let card = found.ok_or_else(|| unknown(&whole))?;
            card.reads = new.reads.or(card.reads);
            card.bus = new.bus.clone().or_else(|| card.bus.take());
            card.class = new.class.or(card.class);
            card.note = new.note.clone().or_else(|| card.note.take());
            extend(&mut card.readers, &new.readers);
            extend(&mut card.volumes, &new.volumes);
            KitEntry::Card(card.clone())
        }
        KitEntry::Reader(new) => {
            let mut readers = kit.readers.iter_mut();
            let found = readers.find(|r| same_name(&r.name, &new.name));
            let reader = found.ok_or_else(|| unknown(&whole))?;
            reader.bus = new.bus.clone().or_else(|| reader.bus.take());
            reader.link = new.link.clone().or_else(|| reader.link.take());
            reader.note = new.note.clone().or_else(|| reader.note.take());
            KitEntry::Reader(reader.clone())
        }
        KitEntry::Drive(new) => {
            let mut drives = kit.drives.iter_mut();
            let found = drives.find(|d| same_name(&d.name, &new.name));
            let drive = found.ok_or_else(|| unknown(&whole))?;
            drive.writes = new.writes.or(drive.writes);
            drive.reads = new.reads.or(drive.reads);
            drive.spins = new.spins.or(drive.spins);
            drive.folder = new.folder.clone().or_else(|| drive.folder.take());
            drive.note = new.note.clone().or_else(|| drive.note.take());
            extend(&mut drive.volumes, &new.volumes);
            KitEntry::Drive(drive.clone())
        }
        KitEntry::Place(new) => {
            let mut places = kit.places.iter_mut();
            let found = places.find(|p| same_name(&p.name, &new.name));
            let place = found.ok_or_else(|| unknown(&whole))?;
            place.fill_from(new);
            KitEntry::Place(place.clone())
        }
    };
    Ok((entry, kit))
}

fn extend(list: &mut Vec<String>, more: &[String]) {
    for text in more {
        if !list.iter().any(|t| same_name(t, text)) {
            list.push(text.clone());
        }
    }
}

/// Returns the text without an entry. Comments above it stay; those in its lines go with them.
///
/// # Errors
/// When the text is faulty, there is no such entry, or a card still names the reader.
pub fn remove(text: &str, kind: KitEntryKind, name: &str) -> Result<String, EditError> {
    let (mut kit, spans) = read_with_spans(text).map_err(EditError::Faulty)?;
    let found = spans
        .iter()
        .find(|p| p.kind == kind && same_name(&p.name, name));
    let span = found.ok_or_else(|| kit.unknown(kind, name))?;
    match kind {
        KitEntryKind::Card => kit.cards.retain(|c| c.name != span.name),
        KitEntryKind::Reader => kit.readers.retain(|r| r.name != span.name),
        KitEntryKind::Drive => kit.drives.retain(|d| d.name != span.name),
        KitEntryKind::Place => kit.places.retain(|p| p.name != span.name),
    }
    let mut new = text.to_owned();
    new.replace_range(span.lines.clone(), "");
    checked(new, &kit)
}

/// Hands an edited text back only if it says what was wanted.
fn checked(new: String, wanted: &Kit) -> Result<String, EditError> {
    match read(&new) {
        Ok(kit) if kit == *wanted => Ok(new),
        Ok(_) => Err(EditError::Refused(vec![Fault {
            line: 1,
            field: String::new(),
            why: Mistake::Layout,
        }])),
        Err(faults) => Err(EditError::Refused(faults)),
    }
}

#[cfg(test)]
mod tests;
