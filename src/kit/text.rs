//! Owns the text of `kit.toml` (TOML 1.0): it is read with errors that name line and field.

use super::link::check_link;
use super::mistake::{Fault, Mistake};
use super::{
    ENTRIES_MAX, Kit, KitCard, KitDrive, KitEntryKind, KitReader, LIST_MAX, NAME_BYTES_MAX,
    RATE_MAX, RATE_MIN, TEXT_BYTES_MAX, VOLUME_BYTES_MAX, folded, same_name,
};
use crate::name::shown;
use crate::speed::classes::WriteClass;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use toml_edit::{Document, Item, Table, Value};

/// Faults that are told at once.
pub(super) const FAULTS_MAX: usize = 20;
/// Longest note in bytes.
const NOTE_BYTES_MAX: usize = 1_000;

/// Longest way to a folder in bytes.
const FOLDER_BYTES_MAX: usize = 1_000;

/// What a new kit begins with.
pub const NEW: &str = "\
# The kit of unlade: cards, readers and drives. Rates are in MB/s (10^6 bytes a second).
# Edit it by hand as you like; `unlade kit add` and `unlade kit remove` leave the rest alone.
";

/// Where an entry stands in the text.
#[derive(Clone, Debug)]
pub(super) struct EntrySpan {
    pub(super) kind: KitEntryKind,
    pub(super) name: String,
    /// Bytes from the start of its header's line to the end of its last field's line, the line
    /// break included.
    pub(super) lines: Range<usize>,
    /// Bytes of each field's value.
    values: Vec<(String, Range<usize>)>,
}

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
    let key = text.lines().nth(line - 1).and_then(key_of);
    let why = match (key, NoToml::of(error)) {
        // That it wants quotes is no help where a number is wanted.
        (Some(key), NoToml::Unquoted) => wanted(key),
        // A comma, or a unit after a blank.
        (Some("reads" | "writes"), NoToml::Unexpected) => Some(Mistake::NoRate),
        (Some(_), NoToml::Twice) => Some(Mistake::Twice),
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
        "spins" => Mistake::NotYesNo(None),
        "readers" | "volumes" => Mistake::NoList,
        _ if KitEntryKind::ALL.iter().any(|k| k.fields().contains(&key)) => Mistake::NotText(None),
        _ => return None,
    })
}

fn line_of(text: &str, offset: usize) -> usize {
    let before = text.as_bytes().get(..offset.min(text.len()));
    before.map_or(1, |b| b.split(|&c| c == b'\n').count())
}

/// What was parsed so far.
struct Parser<'a> {
    text: &'a str,
    faults: Vec<Fault>,
    spans: Vec<EntrySpan>,
    kit: Kit,
}

impl Parser<'_> {
    fn fault(&mut self, offset: usize, field: impl Into<String>, why: Mistake) {
        // The first ones are kept; nobody mends more than these at once.
        if self.faults.len() < FAULTS_MAX {
            self.faults.push(Fault {
                line: line_of(self.text, offset),
                field: field.into(),
                why,
            });
        }
    }

    fn document(&mut self, table: &Table) {
        for (word, item) in table {
            let at = key_offset(table, word);
            let Some(kind) = KitEntryKind::ALL.into_iter().find(|k| k.word() == word) else {
                let words: Vec<_> = KitEntryKind::ALL.iter().map(|k| k.word()).collect();
                self.fault(at, quoted(word), unknown_key(word, &words));
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
    }

    fn entry(&mut self, kind: KitEntryKind, table: &Table) {
        let header = table.span().unwrap_or(0..0);
        let mut fields = Fields {
            parser: self,
            kind,
            table,
            header: header.clone(),
            label: kind.word().to_owned(),
        };
        let name = fields.name();
        fields.unknown_keys();
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

impl EntrySpan {
    pub(super) fn value(&self, field: &str) -> Option<Range<usize>> {
        let found = self.values.iter().find(|(key, _)| key == field);
        found.map(|(_, range)| range.clone())
    }
}

/// The fields of one entry.
struct Fields<'r, 'a> {
    parser: &'r mut Parser<'a>,
    kind: KitEntryKind,
    table: &'r Table,
    header: Range<usize>,
    /// How the entry is called in a fault: its kind, and its name once that is known.
    label: String,
}

impl Fields<'_, '_> {
    fn fault(&mut self, offset: usize, field: &str, why: Mistake) {
        let field = format!("{}, {}", self.label, quoted(field));
        self.parser.fault(offset, field, why);
    }

    fn unknown_keys(&mut self) {
        for (key, _) in self.table {
            if !self.kind.fields().contains(&key) {
                let at = key_offset(self.table, key);
                self.fault(at, key, unknown_key(key, self.kind.fields()));
            }
        }
    }

    /// The value and where it stands.
    fn value(&mut self, field: &str) -> Option<(Value, usize)> {
        let item = self.table.get(field)?;
        let at = start(item.span());
        if let Item::Value(value) = item {
            return Some((value.clone(), at));
        }
        self.fault(at, field, Mistake::Table);
        None
    }

    fn string(&mut self, field: &str, bytes_max: usize) -> Option<String> {
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

    fn folder(&mut self) -> Option<String> {
        let folder = self.string("folder", FOLDER_BYTES_MAX)?;
        let is_odd = |part: &str| part.is_empty() || part == ".." || part.contains('\\');
        if folder.split('/').any(is_odd) {
            let at = start(self.table.get("folder").and_then(Item::span));
            self.fault(at, "folder", Mistake::NoFolder);
            return None;
        }
        Some(folder)
    }

    fn name(&mut self) -> String {
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
            self.label = format!("{} `{}`", self.kind, shown(&name));
        }
        name
    }

    fn rate(&mut self, field: &str) -> Option<f64> {
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

    fn yes_or_no(&mut self, field: &str) -> Option<bool> {
        let (value, at) = self.value(field)?;
        if value.as_bool().is_none() {
            self.fault(at, field, Mistake::NotYesNo(Some(value.type_name())));
        }
        value.as_bool()
    }

    fn link(&mut self, field: &str, is_card_bus: bool) -> Option<String> {
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

    fn class(&mut self) -> Option<WriteClass> {
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

    fn list(&mut self, field: &str, bytes_max: usize) -> Vec<String> {
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

fn quoted(word: &str) -> String {
    let word: String = word.chars().take(NAME_BYTES_MAX).collect();
    format!("`{}`", shown(&word))
}

fn start(span: Option<Range<usize>>) -> usize {
    span.map_or(0, |s| s.start)
}

fn key_offset(table: &Table, key: &str) -> usize {
    let key_span = table.key(key).and_then(toml_edit::Key::span);
    key_span.map_or_else(|| start(table.get(key).and_then(Item::span)), |s| s.start)
}

fn unknown_key(word: &str, known: &[&'static str]) -> Mistake {
    let close = known
        .iter()
        .map(|k| (strsim::damerau_levenshtein(&word.to_lowercase(), k), k))
        .filter(|(distance, _)| *distance <= 2 && word.len() <= NAME_BYTES_MAX)
        .min();
    Mistake::Unknown(close.map(|(_, close)| *close), known.to_vec())
}

/// Text that a person can read back on one line.
fn plain(text: &str, bytes_max: usize) -> Result<(), Mistake> {
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

/// Widens a range to whole lines, the last line break included.
fn whole_lines(text: &str, range: Range<usize>) -> Range<usize> {
    let from = text.get(..range.start).and_then(|t| t.rfind('\n'));
    let to = text.get(range.end..).and_then(|t| t.find('\n'));
    from.map_or(0, |at| at + 1)..to.map_or(text.len(), |at| range.end + at + 1)
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
