//! Owns the text of `kit.toml` (TOML 1.0): it is read with errors that name line and field.

use super::fields::{
    EntrySpan, FAULTS_MAX, Fields, NOTE_BYTES_MAX, Parser, key_offset, line_of, quoted, start,
    unknown_key, whole_lines,
};
use super::mistake::{Fault, Mistake};
use super::rule::RULE;
use super::usual::USUAL;
use super::{
    ENTRIES_MAX, Kit, KitCard, KitDrive, KitEntryKind, KitReader, NAME_BYTES_MAX, TEXT_BYTES_MAX,
    VOLUME_BYTES_MAX, folded,
};
use super::{rule_text, usual_text};
use crate::name::shown;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use toml_edit::{Document, Table};

/// What is read when the things are known that it names.
const APART: [&str; 2] = [USUAL, RULE];

/// What a new kit begins with.
pub const NEW: &str = "\
# The kit of unlade: cards, readers, drives and places. Rates are in MB/s (10^6 bytes a second).
# Edit it by hand as you like; `unlade kit add` and `unlade kit remove` leave the rest alone.
";

/// Reads a kit.
///
/// # Errors
/// Every fault that was found, at most 20, in the order of the text.
pub fn read(text: &str) -> Result<Kit, Vec<Fault>> {
    read_with_spans(text).map(|(kit, _)| kit)
}

pub(super) fn read_with_spans(text: &str) -> Result<(Kit, Vec<EntrySpan>), Vec<Fault>> {
    if text.len() > TEXT_BYTES_MAX {
        return Err(vec![Fault {
            line: 1,
            field: String::new(),
            why: Mistake::TooLarge,
        }]);
    }
    let document = match Document::parse(text) {
        Ok(document) => document,
        Err(error) => return Err(vec![no_toml(text, &error)]),
    };
    let mut parser = Parser {
        text,
        faults: Vec::new(),
        spans: Vec::new(),
        kit: Kit::default(),
    };
    parser.document(document.as_table());
    parser.names();
    parser.references();
    if parser.faults.is_empty() {
        Ok((parser.kit, parser.spans))
    } else {
        parser.faults.sort_by_key(|f| f.line);
        parser.faults.truncate(FAULTS_MAX);
        Err(parser.faults)
    }
}

/// Tells what makes a text no TOML: in which line, and at which field if that line begins with one.
fn no_toml(text: &str, error: &toml_edit::TomlError) -> Fault {
    let at = error.span().map_or(0, |s| s.start);
    let line = line_of(text, at);
    let words = text.lines().nth(line - 1);
    let key = words.and_then(key_of);
    let is_like_field = words.is_some_and(usual_text::set_like_field);
    let why = match (key, NoToml::of(error)) {
        // That it wants quotes is no help where a number is wanted.
        (Some(key), NoToml::Unquoted) => wanted(key),
        // A comma, or a unit after a blank.
        (Some("reads" | "writes"), NoToml::Unexpected) => Some(Mistake::NoRate),
        (Some(_), NoToml::Twice) => Some(Mistake::Twice),
        (None, NoToml::Twice) if is_like_field => Some(Mistake::SetLikeField),
        _ => None,
    };
    let why = why.unwrap_or_else(|| {
        let said = shown(&error.message().replace('\n', "; "));
        Mistake::Syntax(said.chars().take(300).collect())
    });
    Fault {
        line,
        field: key.map(quoted).unwrap_or_default(),
        why,
    }
}

/// Why a text is no TOML, as far as a kit says more of it than the reader of TOML does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum NoToml {
    /// A value that is neither a number nor in quotes.
    Unquoted,
    /// More on the line than its value.
    Unexpected,
    /// A key that stands twice.
    Twice,
    Other,
}

impl NoToml {
    /// The only place that goes by the words of another library: `TomlError` has a span and a
    /// message and no kind. Where the words change, the fault is told in them, and the test below
    /// fails.
    fn of(error: &toml_edit::TomlError) -> Self {
        match error.message() {
            "duplicate key" => Self::Twice,
            said if said.starts_with("string values must be quoted") => Self::Unquoted,
            said if said.starts_with("unexpected key or value") => Self::Unexpected,
            _ => Self::Other,
        }
    }
}

/// Returns the word with which a line begins, where it is one that can be a field's name.
fn key_of(line: &str) -> Option<&str> {
    let line = line.trim_start();
    let is_part = |c: char| c.is_ascii_alphanumeric() || "_-".contains(c);
    let bare = line.strip_prefix(['"', '\'']).unwrap_or(line);
    let end = bare.find(|c| !is_part(c)).unwrap_or(bare.len());
    bare.get(..end).filter(|key| !key.is_empty())
}

/// Returns what a field of this name must be.
fn wanted(key: &str) -> Option<Mistake> {
    Some(match key {
        "reads" | "writes" => Mistake::NoRate,
        "spins" | "only_new" => Mistake::NotYesNo(None),
        "readers" | "volumes" | "to" | "also" => Mistake::NoList,
        "copies" => Mistake::NoCopies,
        "shoot" => Mistake::NotText(None),
        _ if KitEntryKind::ALL.iter().any(|k| k.fields().contains(&key)) => Mistake::NotText(None),
        _ => return None,
    })
}

impl Parser<'_> {
    fn document(&mut self, table: &Table) {
        for (word, item) in table.iter().filter(|(word, _)| !APART.contains(word)) {
            let at = key_offset(table, word);
            let Some(kind) = KitEntryKind::ALL.into_iter().find(|k| k.word() == word) else {
                self.fault(at, quoted(word), unknown_key(word, &Kit::words()));
                continue;
            };
            let Some(entries) = item.as_array_of_tables() else {
                self.fault(at, quoted(word), Mistake::Brackets(word.to_owned()));
                continue;
            };
            for (number, entry) in entries.iter().enumerate() {
                if number == ENTRIES_MAX {
                    self.fault(start(entry.span()), quoted(word), Mistake::TooMany);
                    break;
                }
                self.entry(kind, entry);
            }
        }
        // They name drives and more, which may stand below them.
        if let Some(item) = table.get(USUAL) {
            usual_text::read(self, item, key_offset(table, USUAL));
        }
        if let Some(item) = table.get(RULE) {
            rule_text::read(self, item, key_offset(table, RULE));
        }
    }

    fn entry(&mut self, kind: KitEntryKind, table: &Table) {
        let header = table.span().unwrap_or(0..0);
        let mut fields = Fields {
            parser: self,
            known: kind.fields(),
            table,
            header: header.clone(),
            label: kind.word().to_owned(),
        };
        let name = fields.name(kind);
        fields.unknown_keys(false);
        match kind {
            KitEntryKind::Card => {
                let card = KitCard {
                    name: name.clone(),
                    reads: fields.rate("reads"),
                    bus: fields.link("bus", true),
                    class: fields.class(),
                    readers: fields.list("readers", NAME_BYTES_MAX),
                    volumes: fields.list("volumes", VOLUME_BYTES_MAX),
                    note: fields.string("note", NOTE_BYTES_MAX),
                };
                self.kit.cards.push(card);
            }
            KitEntryKind::Reader => {
                let reader = KitReader {
                    name: name.clone(),
                    bus: fields.link("bus", true),
                    link: fields.link("link", false),
                    note: fields.string("note", NOTE_BYTES_MAX),
                };
                self.kit.readers.push(reader);
            }
            KitEntryKind::Drive => {
                let drive = KitDrive {
                    name: name.clone(),
                    writes: fields.rate("writes"),
                    reads: fields.rate("reads"),
                    spins: fields.yes_or_no("spins"),
                    volumes: fields.list("volumes", VOLUME_BYTES_MAX),
                    folder: fields.folder(),
                    note: fields.string("note", NOTE_BYTES_MAX),
                };
                self.kit.drives.push(drive);
            }
            KitEntryKind::Place => {
                let place = fields.place(name.clone());
                self.kit.places.push(place);
            }
        }
        let values: Vec<(String, Range<usize>)> = table
            .iter()
            .filter_map(|(key, item)| Some((key.to_owned(), item.span()?)))
            .collect();
        let last = values.iter().map(|(_, v)| v.end).max().unwrap_or(0);
        let lines = whole_lines(self.text, header.start..last.max(header.end));
        self.spans.push(EntrySpan {
            kind,
            name,
            lines,
            values,
        });
    }

    /// No name of a kind stands twice.
    fn names(&mut self) {
        let mut first: BTreeMap<(KitEntryKind, String), usize> = BTreeMap::new();
        let mut told = Vec::new();
        for span in self.spans.iter().filter(|p| !p.name.is_empty()) {
            let at = span.lines.start;
            let before = *first.entry((span.kind, folded(&span.name))).or_insert(at);
            if before != at {
                let field = format!("{} `{}`", span.kind, shown(&span.name));
                told.push((at, field, line_of(self.text, before)));
            }
        }
        for (at, field, line) in told {
            self.fault(at, field, Mistake::NameTaken(line));
        }
    }

    /// Readers that cards name exist, and no volume belongs to two things.
    fn references(&mut self) {
        let mut told: Vec<(KitEntryKind, String, &str, Mistake)> = Vec::new();
        let kit = std::mem::take(&mut self.kit);
        let readers: BTreeSet<String> = kit.readers.iter().map(|r| folded(&r.name)).collect();
        for card in &kit.cards {
            for reader in card
                .readers
                .iter()
                .filter(|r| !readers.contains(&folded(r)))
            {
                let why = Mistake::NoReader(kit.unknown(KitEntryKind::Reader, reader));
                told.push((KitEntryKind::Card, card.name.clone(), "readers", why));
            }
        }
        let mut owners: BTreeMap<String, String> = BTreeMap::new();
        let cards = kit
            .cards
            .iter()
            .map(|c| (KitEntryKind::Card, &c.name, &c.volumes));
        let drives = kit
            .drives
            .iter()
            .map(|d| (KitEntryKind::Drive, &d.name, &d.volumes));
        for (kind, name, volumes) in cards.chain(drives) {
            for volume in volumes {
                let owner = format!("{kind} `{}`", shown(name));
                if let Some(other) = owners.insert(volume.to_ascii_lowercase(), owner) {
                    let volume = volume.clone();
                    let why = Mistake::VolumeTaken { volume, other };
                    told.push((kind, name.clone(), "volumes", why));
                }
            }
        }
        self.kit = kit;
        for (kind, name, field, why) in told {
            let at = self
                .spans
                .iter()
                .find(|p| p.kind == kind && p.name == name)
                .map_or(0, |p| p.value(field).map_or(p.lines.start, |v| v.start));
            self.fault(at, format!("{kind} `{}`, `{field}`", shown(&name)), why);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_kinds_of_errors_are_told_by_the_words_of_the_reader_of_toml() {
        for (text, expected) in [
            ("note = kites", NoToml::Unquoted),
            ("reads = 90 MB/s", NoToml::Unquoted),
            ("reads = 90,5", NoToml::Unexpected),
            ("note = \"a\"\nnote = \"b\"", NoToml::Twice),
            ("[[card]", NoToml::Other),
        ] {
            let error = Document::parse(text).unwrap_err();
            assert_eq!(NoToml::of(&error), expected, "{text}: {error}");
        }
    }
}
