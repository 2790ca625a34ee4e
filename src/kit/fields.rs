//! Owns how the parts of a kit's text are read, and how what is wrong in one is told with its line
//! and field.

use super::link::check_link;
use super::mistake::{Fault, Mistake};
use super::place::KitPlace;
use super::{Kit, KitEntryKind, LIST_MAX, NAME_BYTES_MAX, RATE_MAX, RATE_MIN, same_name};
use crate::name::shown;
use crate::speed::classes::WriteClass;
use std::ops::Range;
use toml_edit::{Item, Table, Value};

/// Faults that are told at once.
pub(super) const FAULTS_MAX: usize = 20;
/// Longest way to a folder in bytes.
const FOLDER_BYTES_MAX: usize = 1_000;
/// Longest note or address in bytes.
pub(super) const NOTE_BYTES_MAX: usize = 1_000;

/// Where an entry stands in the text.
#[derive(Clone, Debug)]
pub(super) struct EntrySpan {
    pub(super) kind: KitEntryKind,
    pub(super) name: String,
    /// Bytes from the start of its header's line to the end of its last field's line, the line
    /// break included.
    pub(super) lines: Range<usize>,
    /// Bytes of each field's value.
    pub(super) values: Vec<(String, Range<usize>)>,
}

/// What was parsed so far.
pub(super) struct Parser<'a> {
    pub(super) text: &'a str,
    pub(super) faults: Vec<Fault>,
    pub(super) spans: Vec<EntrySpan>,
    pub(super) kit: Kit,
}

impl Parser<'_> {
    pub(super) fn fault(&mut self, offset: usize, field: impl Into<String>, why: Mistake) {
        // The first ones are kept; nobody mends more than these at once.
        if self.faults.len() < FAULTS_MAX {
            self.faults.push(Fault {
                line: line_of(self.text, offset),
                field: field.into(),
                why,
            });
        }
    }

    /// The mistake that a name is which stands before.
    pub(super) fn name_taken(&self, before: usize) -> Mistake {
        Mistake::NameTaken(line_of(self.text, before))
    }
}

impl EntrySpan {
    pub(super) fn value(&self, field: &str) -> Option<Range<usize>> {
        let found = self.values.iter().find(|(key, _)| key == field);
        found.map(|(_, range)| range.clone())
    }
}

/// The fields of one entry.
pub(super) struct Fields<'r, 'a> {
    pub(super) parser: &'r mut Parser<'a>,
    /// The fields that it may have.
    pub(super) known: &'static [&'static str],
    pub(super) table: &'r Table,
    pub(super) header: Range<usize>,
    /// How the entry is called in a fault: its kind, and its name once that is known.
    pub(super) label: String,
}

impl Fields<'_, '_> {
    pub(super) fn fault(&mut self, offset: usize, field: &str, why: Mistake) {
        let field = format!("{}, {}", self.label, quoted(field));
        self.parser.fault(offset, field, why);
    }

    /// Names the keys that are no fields, but for tables where those are read apart.
    pub(super) fn unknown_keys(&mut self, tables_apart: bool) {
        for (key, item) in self.table {
            let is_apart = tables_apart && !item.is_value();
            if !self.known.contains(&key) && !is_apart {
                let at = key_offset(self.table, key);
                self.fault(at, key, unknown_key(key, self.known));
            }
        }
    }

    /// The value and where it stands.
    pub(super) fn value(&mut self, field: &str) -> Option<(Value, usize)> {
        let item = self.table.get(field)?;
        let at = start(item.span());
        if let Item::Value(value) = item {
            return Some((value.clone(), at));
        }
        self.fault(at, field, Mistake::Table);
        None
    }

    pub(super) fn string(&mut self, field: &str, bytes_max: usize) -> Option<String> {
        let (value, at) = self.value(field)?;
        let Some(text) = value.as_str() else {
            self.fault(at, field, Mistake::NotText(Some(value.type_name())));
            return None;
        };
        match plain(text, bytes_max) {
            Ok(()) => Some(text.to_owned()),
            Err(why) => {
                self.fault(at, field, why);
                None
            }
        }
    }

    pub(super) fn folder(&mut self) -> Option<String> {
        let folder = self.string("folder", FOLDER_BYTES_MAX)?;
        let is_odd = |part: &str| part.is_empty() || part == ".." || part.contains('\\');
        if folder.split('/').any(is_odd) {
            let at = start(self.table.get("folder").and_then(Item::span));
            self.fault(at, "folder", Mistake::NoFolder);
            return None;
        }
        Some(folder)
    }

    pub(super) fn name(&mut self, kind: KitEntryKind) -> String {
        if self.table.get("name").is_none() {
            self.fault(self.header.start, "name", Mistake::NoName);
            return String::new();
        }
        let name = self.string("name", NAME_BYTES_MAX).unwrap_or_default();
        if name.starts_with('-') {
            let at = start(self.table.get("name").and_then(Item::span));
            self.fault(at, "name", Mistake::LikeFlag);
        }
        if !name.is_empty() {
            self.label = format!("{kind} `{}`", shown(&name));
        }
        name
    }

    pub(super) fn rate(&mut self, field: &str) -> Option<f64> {
        let (value, at) = self.value(field)?;
        let whole = value.as_integer().and_then(|n| i32::try_from(n).ok());
        let rate = value.as_float().or_else(|| whole.map(f64::from));
        match rate {
            Some(rate) if (RATE_MIN..=RATE_MAX).contains(&rate) => Some(rate),
            _ => {
                self.fault(at, field, Mistake::NoRate);
                None
            }
        }
    }

    pub(super) fn yes_or_no(&mut self, field: &str) -> Option<bool> {
        let (value, at) = self.value(field)?;
        if value.as_bool().is_none() {
            self.fault(at, field, Mistake::NotYesNo(Some(value.type_name())));
        }
        value.as_bool()
    }

    pub(super) fn link(&mut self, field: &str, is_card_bus: bool) -> Option<String> {
        let id = self.string(field, NAME_BYTES_MAX)?;
        match check_link(&id, is_card_bus) {
            Ok(()) => Some(id),
            Err(why) => {
                let at = start(self.table.get(field).and_then(Item::span));
                self.fault(at, field, Mistake::Link(why));
                None
            }
        }
    }

    /// Reads an entry of a place.
    pub(super) fn place(&mut self, name: String) -> KitPlace {
        if self.table.get("url").is_none() {
            self.fault(self.header.start, "url", Mistake::NoUrl);
        }
        let place = KitPlace {
            name,
            url: self.string("url", NOTE_BYTES_MAX).unwrap_or_default(),
            endpoint: self.string("endpoint", NOTE_BYTES_MAX),
            region: self.string("region", NAME_BYTES_MAX),
            profile: self.string("profile", NAME_BYTES_MAX),
            secret_command: self.string("secret_command", NOTE_BYTES_MAX),
            note: self.string("note", NOTE_BYTES_MAX),
        };
        if !place.url.is_empty()
            && let Err((field, why)) = place.address()
        {
            let at = start(self.table.get(field).and_then(Item::span));
            self.fault(at, field, Mistake::Place(why));
        }
        place
    }

    pub(super) fn class(&mut self) -> Option<WriteClass> {
        let text = self.string("class", NAME_BYTES_MAX)?;
        match WriteClass::read(&text) {
            Ok(class) => Some(class),
            Err(why) => {
                let at = start(self.table.get("class").and_then(Item::span));
                self.fault(at, "class", Mistake::Class(why));
                None
            }
        }
    }

    pub(super) fn list(&mut self, field: &str, bytes_max: usize) -> Vec<String> {
        let Some((value, at)) = self.value(field) else {
            return Vec::new();
        };
        let Some(array) = value.as_array() else {
            self.fault(at, field, Mistake::NoList);
            return Vec::new();
        };
        if array.len() > LIST_MAX {
            self.fault(at, field, Mistake::LongList);
            return Vec::new();
        }
        let mut list: Vec<String> = Vec::new();
        for element in array {
            let at = element.span().map_or(at, |s| s.start);
            match element.as_str().map(|t| (t, plain(t, bytes_max))) {
                Some((text, Ok(()))) if !list.iter().any(|t| same_name(t, text)) => {
                    list.push(text.to_owned());
                }
                Some((text, Ok(()))) => {
                    self.fault(at, field, Mistake::ListedTwice(text.to_owned()));
                }
                Some((_, Err(why))) => self.fault(at, field, why),
                None => self.fault(at, field, Mistake::NotOnlyText),
            }
        }
        list
    }
}

pub(super) fn quoted(word: &str) -> String {
    let word: String = word.chars().take(NAME_BYTES_MAX).collect();
    format!("`{}`", shown(&word))
}

pub(super) fn start(span: Option<Range<usize>>) -> usize {
    span.map_or(0, |s| s.start)
}

pub(super) fn key_offset(table: &Table, key: &str) -> usize {
    let key_span = table.key(key).and_then(toml_edit::Key::span);
    key_span.map_or_else(|| start(table.get(key).and_then(Item::span)), |s| s.start)
}

pub(super) fn unknown_key(word: &str, known: &[&'static str]) -> Mistake {
    let close = known
        .iter()
        .map(|k| (strsim::damerau_levenshtein(&word.to_lowercase(), k), k))
        .filter(|(distance, _)| *distance <= 2 && word.len() <= NAME_BYTES_MAX)
        .min();
    Mistake::Unknown(close.map(|(_, close)| *close), known.to_vec())
}

/// Text that a person can read back on one line.
pub(super) fn plain(text: &str, bytes_max: usize) -> Result<(), Mistake> {
    if text.is_empty() || text.trim() != text {
        return Err(Mistake::Blank);
    }
    if text.len() > bytes_max {
        return Err(Mistake::LongText(bytes_max));
    }
    if shown(text) != text {
        return Err(Mistake::Unshowable);
    }
    Ok(())
}

pub(super) fn line_of(text: &str, offset: usize) -> usize {
    let before = text.as_bytes().get(..offset.min(text.len()));
    before.map_or(1, |b| b.split(|&c| c == b'\n').count())
}

/// Widens a range to whole lines, the last line break included.
pub(super) fn whole_lines(text: &str, range: Range<usize>) -> Range<usize> {
    let from = text.get(..range.start).and_then(|t| t.rfind('\n'));
    let to = text.get(range.end..).and_then(|t| t.find('\n'));
    from.map_or(0, |at| at + 1)..to.map_or(text.len(), |at| range.end + at + 1)
}
