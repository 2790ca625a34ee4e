//! Owns how `[usual]` and its further sets are read.

use super::fields::{Fields, Parser, key_offset, plain, start};
use super::mistake::Mistake;
use super::pattern::{NamePattern, PATTERN_BYTES_MAX};
use super::usual::{COPIES_MAX, SHOOT_BYTES_MAX, USUAL, UsualDrive, UsualSet};
use super::{ENTRIES_MAX, NAME_BYTES_MAX, folded, same_name};
use crate::hash_algorithm::Also;
use crate::name::shown;
use toml_edit::{Item, Table};

/// Longest path in bytes.
const PATH_BYTES_MAX: usize = 4_000;
/// The fields of a set.
const FIELDS: [&str; 7] = ["to", "copies", "also", "mhl", "shoot", "name", "then"];

/// Reads all sets. The drives of the kit are known by then.
pub(super) fn read(parser: &mut Parser<'_>, item: &Item, at: usize) {
    let Some(table) = item.as_table() else {
        return parser.fault(at, format!("`{USUAL}`"), Mistake::OneBracket(USUAL.into()));
    };
    let mut seen: Vec<(String, usize)> = Vec::new();
    let is_set = |item: &Item| !item.is_value();
    if table.iter().any(|(_, item)| !is_set(item)) {
        set(parser, None, table);
    }
    for (key, item) in table.iter().filter(|(_, item)| is_set(item)) {
        let at = key_offset(table, key);
        let label = format!("`{USUAL}.{}`", crate::name::excerpt(key));
        let Some(table) = item.as_table() else {
            parser.fault(at, label, Mistake::OneBracket(format!("{USUAL}.NAME")));
            continue;
        };
        let before = seen.iter().find(|(name, _)| *name == folded(key));
        let wrong = plain(key, NAME_BYTES_MAX).err();
        let wrong = wrong.or_else(|| key.starts_with('-').then_some(Mistake::LikeFlag));
        let wrong = wrong.or_else(|| before.map(|(_, at)| parser.name_taken(*at)));
        let like_field = FIELDS.iter().any(|field| same_name(field, key));
        let wrong = wrong.or_else(|| like_field.then_some(Mistake::SetLikeField));
        let wrong = wrong.or_else(|| (seen.len() == ENTRIES_MAX).then_some(Mistake::TooMany));
        if let Some(why) = wrong {
            parser.fault(at, label, why);
            continue;
        }
        seen.push((folded(key), at));
        set(parser, Some(key), table);
    }
}

/// Reads one set; the tables in `[usual]` itself are sets of their own.
fn set(parser: &mut Parser<'_>, name: Option<&str>, table: &Table) {
    let label = match name {
        None => format!("`{USUAL}`"),
        Some(name) => format!("`{USUAL}.{}`", shown(name)),
    };
    let mut fields = Fields {
        parser,
        known: &FIELDS,
        table,
        header: table.span().unwrap_or(0..0),
        label,
    };
    fields.unknown_keys(name.is_none());
    let set = UsualSet {
        name: name.map(str::to_owned),
        to: fields.drives(),
        copies: fields.copies(),
        also: fields.hashes(),
        mhl: fields.yes_or_no("mhl"),
        shoot: fields.string("shoot", SHOOT_BYTES_MAX),
        pattern: fields.pattern(),
        then: fields.places(),
    };
    parser.kit.usual.push(set);
}

impl Fields<'_, '_> {
    pub(super) fn drives(&mut self) -> Vec<UsualDrive> {
        let list = self.full_list("to", PATH_BYTES_MAX);
        let mut drives = Vec::new();
        for (index, text) in list.into_iter().enumerate() {
            match self.parser.kit.drive(&text) {
                Ok(drive) => drives.push(UsualDrive::Kit(drive.name.clone())),
                Err(_) if is_whole_path(&text) => drives.push(UsualDrive::Folder(text.into())),
                Err(_) if text.contains(['/', '\\']) => {
                    self.fault(self.element("to", index), "to", Mistake::NoWholePath);
                }
                Err(unknown) => {
                    self.fault(self.element("to", index), "to", Mistake::NoDrive(unknown));
                }
            }
        }
        drives
    }

    pub(super) fn places(&mut self) -> Vec<String> {
        let list = self.full_list("then", NAME_BYTES_MAX);
        let mut places = Vec::new();
        for (index, text) in list.into_iter().enumerate() {
            match self.parser.kit.place(&text) {
                Ok(place) => places.push(place.name.clone()),
                Err(unknown) => {
                    let at = self.element("then", index);
                    self.fault(at, "then", Mistake::NoPlace(unknown));
                }
            }
        }
        places
    }

    pub(super) fn copies(&mut self) -> Option<u64> {
        let (value, at) = self.value("copies")?;
        let copies = value.as_integer().and_then(|n| u64::try_from(n).ok());
        let copies = copies.filter(|n| (1..=COPIES_MAX).contains(n));
        if copies.is_none() {
            self.fault(at, "copies", Mistake::NoCopies);
        }
        copies
    }

    pub(super) fn hashes(&mut self) -> Vec<Also> {
        let list = self.full_list("also", NAME_BYTES_MAX);
        let mut hashes = Vec::new();
        for (index, text) in list.into_iter().enumerate() {
            match text.parse() {
                Ok(also) => hashes.push(also),
                Err(_no_hash) => {
                    self.fault(self.element("also", index), "also", Mistake::NoHash(text));
                }
            }
        }
        hashes
    }

    fn pattern(&mut self) -> Option<NamePattern> {
        let text = self.string("name", PATTERN_BYTES_MAX)?;
        match NamePattern::read(&text) {
            Ok(pattern) => Some(pattern),
            Err(why) => {
                let at = start(self.table.get("name").and_then(Item::span));
                self.fault(at, "name", Mistake::Pattern(why));
                None
            }
        }
    }

    /// A list that says something where it is there.
    pub(super) fn full_list(&mut self, field: &str, bytes_max: usize) -> Vec<String> {
        let item = self.table.get(field);
        if item
            .and_then(Item::as_array)
            .is_some_and(toml_edit::Array::is_empty)
        {
            self.fault(start(item.and_then(Item::span)), field, Mistake::EmptyList);
        }
        self.list(field, bytes_max)
    }

    /// Where an element of a list stands.
    fn element(&self, field: &str, index: usize) -> usize {
        let item = self.table.get(field);
        let element = item
            .and_then(Item::as_array)
            .and_then(|list| list.get(index));
        let span = element.and_then(toml_edit::Value::span);
        start(span.or_else(|| item.and_then(Item::span)))
    }
}

/// Whether a text is a path from the top: of this system or of Windows, for a kit may be used on
/// both.
fn is_whole_path(text: &str) -> bool {
    let mut chars = text.chars();
    let is_drive = chars.next().is_some_and(|c| c.is_ascii_alphabetic())
        && chars.next() == Some(':')
        && chars.next().is_some_and(|c| c == '\\' || c == '/');
    is_drive || text.starts_with('/') || text.starts_with(r"\\")
}

/// Whether a line begins a set that is named like a field: `[usual.to]`.
pub(super) fn set_like_field(line: &str) -> bool {
    let name = line.trim().strip_prefix(&format!("[{USUAL}."));
    let name = name.and_then(|rest| rest.split(']').next());
    name.is_some_and(|name| FIELDS.contains(&name.trim()))
}

#[cfg(test)]
mod tests;
