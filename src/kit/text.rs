//! Owns the text of `kit.toml` (TOML 1.0): reading it with errors that name line and field, and
//! editing it in place, so that a person's comments, order and layout stay as they are.
//!
//! An edit changes the bytes of the entry that it is about and no others, and is checked by reading
//! the outcome: what it says must be what was asked for, else nothing is handed back.

use super::{
    Card, Drive, ENTRIES_MAX, Kind, Kit, LIST_MAX, NAME_BYTES_MAX, RATE_MAX, RATE_MIN, Reader,
    VOLUME_BYTES_MAX, folded, same_name,
};
use crate::name::shown;
use crate::speed::classes::WriteClass;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::ops::Range;
use toml_edit::{Document, Item, Table, Value};

/// Longest text of a kit in bytes.
pub const TEXT_BYTES_MAX: usize = 1 << 18;
/// Faults that are told at once.
const FAULTS_MAX: usize = 20;
/// Longest note in bytes.
const NOTE_BYTES_MAX: usize = 1_000;

/// What a new kit begins with.
pub const NEW: &str = "\
# The kit of unlade: cards, readers and drives. Rates are in MB/s (10^6 bytes a second).
# Edit it by hand as you like; `unlade kit add` and `unlade kit remove` leave the rest alone.
";

/// One thing that is wrong in a kit.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Fault {
    /// The line, counted from 1.
    pub line: usize,
    /// The field or entry it is about; empty when it is the text as a whole.
    pub field: String,
    /// What is wrong, in plain words.
    pub why: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.field.is_empty() {
            write!(f, "line {}: {}", self.line, self.why)
        } else {
            write!(f, "line {}, {}: {}", self.line, self.field, self.why)
        }
    }
}

/// Where an entry stands in the text.
#[derive(Clone, Debug)]
struct Place {
    kind: Kind,
    name: String,
    /// Bytes from the start of its header's line to the end of its last field's line, the line
    /// break included.
    lines: Range<usize>,
    /// Bytes of each field's value.
    values: Vec<(String, Range<usize>)>,
}

/// Reads a kit.
///
/// # Errors
/// Every fault that was found, at most 20, in the order of the text.
pub fn read(text: &str) -> Result<Kit, Vec<Fault>> {
    read_places(text).map(|(kit, _)| kit)
}

fn read_places(text: &str) -> Result<(Kit, Vec<Place>), Vec<Fault>> {
    let whole = |why: String, line| {
        vec![Fault {
            line,
            field: String::new(),
            why,
        }]
    };
    if text.len() > TEXT_BYTES_MAX {
        let why = format!(
            "the kit is larger than {} kB, which no kit needs",
            TEXT_BYTES_MAX / 1_000
        );
        return Err(whole(why, 1));
    }
    let document = match Document::parse(text) {
        Ok(document) => document,
        Err(error) => return Err(vec![no_toml(text, &error)]),
    };
    let mut reading = Reading {
        text,
        faults: Vec::new(),
        places: Vec::new(),
        kit: Kit::default(),
    };
    reading.document(document.as_table());
    reading.names();
    reading.references();
    if reading.faults.is_empty() {
        Ok((reading.kit, reading.places))
    } else {
        reading.faults.sort_by_key(|f| f.line);
        reading.faults.truncate(FAULTS_MAX);
        Err(reading.faults)
    }
}

/// Tells what makes a text no TOML: in which line, and at which field if that line begins with one.
fn no_toml(text: &str, error: &toml_edit::TomlError) -> Fault {
    let at = error.span().map_or(0, |s| s.start);
    let line = line_of(text, at);
    let key = text.lines().nth(line - 1).and_then(key_of);
    let said = error.message();
    let why = match key {
        // That it wants quotes is no help where a number is wanted.
        Some(key) if said.starts_with("string values must be quoted") => wanted(key),
        // A comma, or a unit after a blank.
        Some("reads" | "writes") if said.starts_with("unexpected key or value") => {
            Some(rate_wanted())
        }
        Some(_) if said == "duplicate key" => Some("stands twice in one entry".to_owned()),
        _ => None,
    };
    let why = why.unwrap_or_else(|| shown(&said.replace('\n', "; ")).chars().take(300).collect());
    Fault {
        line,
        field: key.map(quoted).unwrap_or_default(),
        why,
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
fn wanted(key: &str) -> Option<String> {
    Some(match key {
        "reads" | "writes" => rate_wanted(),
        "spins" => "must be true or false, without quotes".to_owned(),
        "readers" | "volumes" => LIST_WANTED.to_owned(),
        _ if Kind::ALL.iter().any(|k| k.fields().contains(&key)) => {
            "must be text in quotes".to_owned()
        }
        _ => return None,
    })
}

fn rate_wanted() -> String {
    format!("must be a number of MB/s from {RATE_MIN} to {RATE_MAX}, without a unit")
}

const LIST_WANTED: &str = "must be a list in brackets, as [\"one\", \"two\"]";

fn line_of(text: &str, offset: usize) -> usize {
    let before = text.as_bytes().get(..offset.min(text.len()));
    before.map_or(1, |b| b.split(|&c| c == b'\n').count())
}

/// A reading under way.
struct Reading<'a> {
    text: &'a str,
    faults: Vec<Fault>,
    places: Vec<Place>,
    kit: Kit,
}

impl Reading<'_> {
    fn fault(&mut self, offset: usize, field: impl Into<String>, why: impl Into<String>) {
        // The first ones are kept; nobody mends more than these at once.
        if self.faults.len() < FAULTS_MAX {
            self.faults.push(Fault {
                line: line_of(self.text, offset),
                field: field.into(),
                why: why.into(),
            });
        }
    }

    fn document(&mut self, table: &Table) {
        for (word, item) in table {
            let at = key_offset(table, word);
            let Some(kind) = Kind::ALL.into_iter().find(|k| k.word() == word) else {
                let words: Vec<&str> = Kind::ALL.iter().map(|k| k.word()).collect();
                self.fault(at, quoted(word), unknown_key(word, &words));
                continue;
            };
            let Some(entries) = item.as_array_of_tables() else {
                self.fault(
                    at,
                    quoted(word),
                    format!("begins an entry as [[{word}]], in two pairs of brackets"),
                );
                continue;
            };
            for (number, entry) in entries.iter().enumerate() {
                if number == ENTRIES_MAX {
                    let why = format!("a kit holds {ENTRIES_MAX} at most");
                    self.fault(start(entry.span()), quoted(word), why);
                    break;
                }
                self.entry(kind, entry);
            }
        }
    }

    fn entry(&mut self, kind: Kind, table: &Table) {
        let header = table.span().unwrap_or(0..0);
        let mut fields = Fields {
            reading: self,
            kind,
            table,
            header: header.clone(),
            label: kind.word().to_owned(),
        };
        let name = fields.name();
        fields.unknown_keys();
        match kind {
            Kind::Card => {
                let card = Card {
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
            Kind::Reader => {
                let reader = Reader {
                    name: name.clone(),
                    bus: fields.link("bus", true),
                    link: fields.link("link", false),
                    note: fields.string("note", NOTE_BYTES_MAX),
                };
                self.kit.readers.push(reader);
            }
            Kind::Drive => {
                let drive = Drive {
                    name: name.clone(),
                    writes: fields.rate("writes"),
                    reads: fields.rate("reads"),
                    spins: fields.yes_or_no("spins"),
                    volumes: fields.list("volumes", VOLUME_BYTES_MAX),
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
        self.places.push(Place {
            kind,
            name,
            lines,
            values,
        });
    }

    /// No name of a kind stands twice.
    fn names(&mut self) {
        let mut first: BTreeMap<(Kind, String), usize> = BTreeMap::new();
        let mut told = Vec::new();
        for place in self.places.iter().filter(|p| !p.name.is_empty()) {
            let at = place.lines.start;
            let before = *first.entry((place.kind, folded(&place.name))).or_insert(at);
            if before != at {
                let field = format!("{} `{}`", place.kind, shown(&place.name));
                told.push((at, field, line_of(self.text, before)));
            }
        }
        for (at, field, line) in told {
            let why = format!("this name stands at line {line} already; capitals don't count");
            self.fault(at, field, why);
        }
    }

    /// Readers that cards name exist, and no volume belongs to two things.
    fn references(&mut self) {
        let mut told: Vec<(Kind, String, &str, String)> = Vec::new();
        let kit = std::mem::take(&mut self.kit);
        let readers: BTreeSet<String> = kit.readers.iter().map(|r| folded(&r.name)).collect();
        for card in &kit.cards {
            for reader in card
                .readers
                .iter()
                .filter(|r| !readers.contains(&folded(r)))
            {
                let why = kit.unknown(Kind::Reader, reader).to_string();
                told.push((Kind::Card, card.name.clone(), "readers", why));
            }
        }
        let mut owners: BTreeMap<String, String> = BTreeMap::new();
        let cards = kit.cards.iter().map(|c| (Kind::Card, &c.name, &c.volumes));
        let drives = kit
            .drives
            .iter()
            .map(|d| (Kind::Drive, &d.name, &d.volumes));
        for (kind, name, volumes) in cards.chain(drives) {
            for volume in volumes {
                let owner = format!("{kind} `{}`", shown(name));
                if let Some(other) = owners.insert(volume.to_ascii_lowercase(), owner) {
                    let why = format!("`{}` is listed for {other} already", shown(volume));
                    told.push((kind, name.clone(), "volumes", why));
                }
            }
        }
        self.kit = kit;
        for (kind, name, field, why) in told {
            let at = self
                .places
                .iter()
                .find(|p| p.kind == kind && p.name == name)
                .map_or(0, |p| p.value(field).map_or(p.lines.start, |v| v.start));
            self.fault(at, format!("{kind} `{}`, `{field}`", shown(&name)), why);
        }
    }
}

impl Place {
    fn value(&self, field: &str) -> Option<Range<usize>> {
        let found = self.values.iter().find(|(key, _)| key == field);
        found.map(|(_, range)| range.clone())
    }
}

/// The fields of one entry.
struct Fields<'r, 'a> {
    reading: &'r mut Reading<'a>,
    kind: Kind,
    table: &'r Table,
    header: Range<usize>,
    /// How the entry is called in a fault: its kind, and its name once that is known.
    label: String,
}

impl Fields<'_, '_> {
    fn fault(&mut self, offset: usize, field: &str, why: impl Into<String>) {
        let field = format!("{}, {}", self.label, quoted(field));
        self.reading.fault(offset, field, why);
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
        self.fault(at, field, "is a table; a plain value is wanted");
        None
    }

    fn string(&mut self, field: &str, bytes_max: usize) -> Option<String> {
        let (value, at) = self.value(field)?;
        let Some(text) = value.as_str() else {
            let why = format!("must be text in quotes, not {}", value.type_name());
            self.fault(at, field, why);
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

    fn name(&mut self) -> String {
        if self.table.get("name").is_none() {
            self.fault(self.header.start, "name", "is missing; every entry has one");
            return String::new();
        }
        let name = self.string("name", NAME_BYTES_MAX).unwrap_or_default();
        if name.starts_with('-') {
            let at = start(self.table.get("name").and_then(Item::span));
            self.fault(at, "name", "must not begin with `-`, which begins a flag");
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
                self.fault(at, field, rate_wanted());
                None
            }
        }
    }

    fn yes_or_no(&mut self, field: &str) -> Option<bool> {
        let (value, at) = self.value(field)?;
        if value.as_bool().is_none() {
            let why = format!(
                "must be true or false, without quotes, not {}",
                value.type_name()
            );
            self.fault(at, field, why);
        }
        value.as_bool()
    }

    fn link(&mut self, field: &str, is_card_bus: bool) -> Option<String> {
        let id = self.string(field, NAME_BYTES_MAX)?;
        match super::check_link(&id, is_card_bus) {
            Ok(()) => Some(id),
            Err(why) => {
                let at = start(self.table.get(field).and_then(Item::span));
                self.fault(at, field, why);
                None
            }
        }
    }

    fn class(&mut self) -> Option<WriteClass> {
        let text = self.string("class", NAME_BYTES_MAX)?;
        match WriteClass::read(&text).map_err(|e| e.to_string()) {
            Ok(class) => Some(class),
            Err(why) => {
                let at = start(self.table.get("class").and_then(Item::span));
                self.fault(at, "class", why);
                None
            }
        }
    }

    fn list(&mut self, field: &str, bytes_max: usize) -> Vec<String> {
        let Some((value, at)) = self.value(field) else {
            return Vec::new();
        };
        let Some(array) = value.as_array() else {
            self.fault(at, field, LIST_WANTED);
            return Vec::new();
        };
        if array.len() > LIST_MAX {
            self.fault(at, field, format!("lists more than {LIST_MAX}"));
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
                    self.fault(at, field, format!("lists `{}` twice", shown(text)));
                }
                Some((_, Err(why))) => self.fault(at, field, why),
                None => self.fault(at, field, "holds something that is not text in quotes"),
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

fn unknown_key(word: &str, known: &[&str]) -> String {
    let close = known
        .iter()
        .map(|k| (strsim::damerau_levenshtein(&word.to_lowercase(), k), k))
        .filter(|(distance, _)| *distance <= 2 && word.len() <= NAME_BYTES_MAX)
        .min();
    match close {
        Some((_, close)) => format!("is not known here; did you mean `{close}`?"),
        None => format!("is not known here; known are {}", known.join(", ")),
    }
}

/// Text that a person can read back on one line.
fn plain(text: &str, bytes_max: usize) -> Result<(), String> {
    if text.is_empty() || text.trim() != text {
        return Err("must be neither empty nor begin or end with a blank".to_owned());
    }
    if text.len() > bytes_max {
        return Err(format!("is longer than {bytes_max} bytes"));
    }
    if shown(text) != text {
        return Err("holds a character that cannot be shown".to_owned());
    }
    Ok(())
}

/// Widens a range to whole lines, the last line break included.
fn whole_lines(text: &str, range: Range<usize>) -> Range<usize> {
    let from = text.get(..range.start).and_then(|t| t.rfind('\n'));
    let to = text.get(range.end..).and_then(|t| t.find('\n'));
    from.map_or(0, |at| at + 1)..to.map_or(text.len(), |at| range.end + at + 1)
}

// ---- editing ----------------------------------------------------------------------------------

/// Why an edit was not made.
#[derive(Clone, PartialEq, Debug)]
pub enum EditError {
    /// The text is no sound kit; it has to be mended by hand first.
    Faulty(Vec<Fault>),
    /// The entry is there already.
    Exists(Kind, String),
    /// The entry is not there.
    Unknown(super::Unknown),
    /// The outcome would not be a sound kit.
    Refused(Vec<Fault>),
}

impl From<super::Unknown> for EditError {
    fn from(unknown: super::Unknown) -> Self {
        Self::Unknown(unknown)
    }
}

/// One entry with the fields that are to be set; fields that are left empty stay as they are.
#[derive(Clone, PartialEq, Debug)]
pub enum Entry {
    /// A card.
    Card(Card),
    /// A reader.
    Reader(Reader),
    /// A drive.
    Drive(Drive),
}

impl Entry {
    /// Returns what it is.
    pub fn kind(&self) -> Kind {
        match self {
            Self::Card(_) => Kind::Card,
            Self::Reader(_) => Kind::Reader,
            Self::Drive(_) => Kind::Drive,
        }
    }

    /// Returns its name.
    pub fn name(&self) -> &str {
        match self {
            Self::Card(card) => &card.name,
            Self::Reader(reader) => &reader.name,
            Self::Drive(drive) => &drive.name,
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
                text("note", d.note.as_deref());
                out.extend(d.writes.map(|r| ("writes", number(r))));
                out.extend(d.reads.map(|r| ("reads", number(r))));
                out.extend(d.spins.map(|s| ("spins", s.into())));
                out.extend(array("volumes", &d.volumes));
            }
        }
        out
    }
}

fn array(key: &'static str, texts: &[String]) -> Option<(&'static str, Value)> {
    (!texts.is_empty()).then(|| (key, texts.iter().map(String::as_str).collect()))
}

/// A whole number is written without a decimal point.
fn number(value: f64) -> Value {
    if value.fract() == 0.0 && value.abs() < 1e9 {
        i64::try_from(crate::units::whole(value))
            .map_or_else(|_too_large| value.into(), Value::from)
    } else {
        value.into()
    }
}

/// Returns how the lines of a text end: as its first one does. Editors of Windows end them with two characters.
fn line_end(text: &str) -> &'static str {
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
pub fn add(text: &str, entry: &Entry) -> Result<String, EditError> {
    let (kit, places) = read_places(text).map_err(EditError::Faulty)?;
    let (kind, name) = (entry.kind(), entry.name());
    if let Some(place) = places
        .iter()
        .find(|p| p.kind == kind && same_name(&p.name, name))
    {
        return Err(EditError::Exists(kind, place.name.clone()));
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
        Entry::Card(card) => wanted.cards.push(card),
        Entry::Reader(reader) => wanted.readers.push(reader),
        Entry::Drive(drive) => wanted.drives.push(drive),
    }
    checked(new, &wanted)
}

/// Returns the text with the given fields of an entry set; volumes and readers are added to those
/// that are listed.
///
/// # Errors
/// When the text is faulty, there is no such entry, or the outcome is not sound.
pub fn update(text: &str, entry: &Entry) -> Result<String, EditError> {
    let (kit, places) = read_places(text).map_err(EditError::Faulty)?;
    let (merged, wanted) = merged(kit, entry)?;
    let place = places
        .iter()
        .find(|p| p.kind == merged.kind() && p.name == merged.name());
    let Some(place) = place else {
        return Err(EditError::Exists(merged.kind(), merged.name().to_owned()));
    };
    let asked: Vec<&str> = entry.fields().into_iter().map(|(key, _)| key).collect();
    let mut changes: Vec<(Range<usize>, String)> = Vec::new();
    for (key, value) in merged.fields() {
        if key == "name" || !asked.contains(&key) {
            continue;
        }
        if let Some(range) = place.value(key) {
            changes.push((range, value.to_string().trim().to_owned()));
        } else {
            let end = place.lines.end;
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

/// Lays the given fields over the entry of that name; returns it and the kit that holds it.
fn merged(mut kit: Kit, entry: &Entry) -> Result<(Entry, Kit), EditError> {
    let unknown = |kit: &Kit| EditError::Unknown(kit.unknown(entry.kind(), entry.name()));
    let whole = kit.clone();
    let entry = match entry {
        Entry::Card(new) => {
            let mut cards = kit.cards.iter_mut();
            let found = cards.find(|c| same_name(&c.name, &new.name));
            let card = found.ok_or_else(|| unknown(&whole))?;
            card.reads = new.reads.or(card.reads);
            card.bus = new.bus.clone().or_else(|| card.bus.take());
            card.class = new.class.or(card.class);
            card.note = new.note.clone().or_else(|| card.note.take());
            extend(&mut card.readers, &new.readers);
            extend(&mut card.volumes, &new.volumes);
            Entry::Card(card.clone())
        }
        Entry::Reader(new) => {
            let mut readers = kit.readers.iter_mut();
            let found = readers.find(|r| same_name(&r.name, &new.name));
            let reader = found.ok_or_else(|| unknown(&whole))?;
            reader.bus = new.bus.clone().or_else(|| reader.bus.take());
            reader.link = new.link.clone().or_else(|| reader.link.take());
            reader.note = new.note.clone().or_else(|| reader.note.take());
            Entry::Reader(reader.clone())
        }
        Entry::Drive(new) => {
            let mut drives = kit.drives.iter_mut();
            let found = drives.find(|d| same_name(&d.name, &new.name));
            let drive = found.ok_or_else(|| unknown(&whole))?;
            drive.writes = new.writes.or(drive.writes);
            drive.reads = new.reads.or(drive.reads);
            drive.spins = new.spins.or(drive.spins);
            drive.note = new.note.clone().or_else(|| drive.note.take());
            extend(&mut drive.volumes, &new.volumes);
            Entry::Drive(drive.clone())
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
pub fn remove(text: &str, kind: Kind, name: &str) -> Result<String, EditError> {
    let (mut kit, places) = read_places(text).map_err(EditError::Faulty)?;
    let found = places
        .iter()
        .find(|p| p.kind == kind && same_name(&p.name, name));
    let place = found.ok_or_else(|| kit.unknown(kind, name))?;
    match kind {
        Kind::Card => kit.cards.retain(|c| c.name != place.name),
        Kind::Reader => kit.readers.retain(|r| r.name != place.name),
        Kind::Drive => kit.drives.retain(|d| d.name != place.name),
    }
    let mut new = text.to_owned();
    new.replace_range(place.lines.clone(), "");
    checked(new, &kit)
}

/// Hands an edited text back only if it says what was wanted.
fn checked(new: String, wanted: &Kit) -> Result<String, EditError> {
    match read(&new) {
        Ok(kit) if kit == *wanted => Ok(new),
        Ok(_) => Err(EditError::Refused(vec![Fault {
            line: 1,
            field: String::new(),
            why: "the layout of the kit can't be edited by a program; edit it by hand".to_owned(),
        }])),
        Err(faults) => Err(EditError::Refused(faults)),
    }
}

#[cfg(test)]
mod tests;
