//! Owns the pattern of an offload's name, as `{date}-{shoot}-{card}`: how it is read and filled in,
//! and which names it may have given before. Pure.

use crate::card::identity::fit_for_name;
use crate::name::{is_device_name, is_part_name, unlike_windows};
use std::collections::BTreeSet;
use std::fmt;

/// Longest pattern in bytes.
pub const PATTERN_BYTES_MAX: usize = 200;
/// Longest name that a pattern may come to, in bytes: an offload's name has 200 at most, and a
/// number may be added to it.
const NAME_MAX: usize = 196;
/// Characters of a name or label that are used.
const VALUE_MAX: usize = 40;

/// What a name may be made of.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NameField {
    /// The day of the offload here, `YYYYMMDD`.
    Date,
    /// The time of day here, `HHMM`.
    Time,
    /// The shoot's name.
    Shoot,
    /// The card's name in the kit, else its label.
    Card,
    /// The card's label.
    Label,
    /// Which card of the shoot it is, in two digits or more.
    Number,
}

impl NameField {
    const ALL: [Self; 6] = [
        Self::Date,
        Self::Time,
        Self::Shoot,
        Self::Card,
        Self::Label,
        Self::Number,
    ];

    /// Returns the word between the braces.
    fn word(self) -> &'static str {
        match self {
            Self::Date => "date",
            Self::Time => "time",
            Self::Shoot => "shoot",
            Self::Card => "card",
            Self::Label => "label",
            Self::Number => "number",
        }
    }

    /// Returns how long its value is at most, in characters.
    fn length_max(self) -> usize {
        match self {
            Self::Date => 8,
            Self::Time | Self::Number => 4,
            Self::Shoot | Self::Card | Self::Label => VALUE_MAX,
        }
    }
}

#[derive(Clone, PartialEq, Eq, Debug)]
enum NamePart {
    Text(String),
    Field(NameField),
}

/// The pattern of an offload's name. What it comes to is one folder that every drive can store.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct NamePattern(Vec<NamePart>);

/// Why a text is no pattern.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NoPattern {
    /// Something else than a field between braces, and a field that is like it.
    #[error("`{{{}}}` is no field; {}", crate::name::excerpt(.0), fields(*.1))]
    Unknown(String, Option<&'static str>),
    /// A brace that nothing closes.
    #[error("a `{{` is not closed")]
    Open,
    /// A brace that nothing opens.
    #[error("a `}}` has no `{{` before it")]
    Close,
    /// No field at all.
    #[error(
        "has no field, so that every card would have one folder; {}",
        fields(None)
    )]
    NoField,
    /// It leads into another folder.
    #[error("holds `{0}`; an offload is one folder, and a drive's `folder` says where it is")]
    Separator(char),
    /// What FAT32, exFAT and NTFS do not store.
    #[error("holds `{0}`, which many drives and Windows cannot store")]
    Character(char),
    /// An end that gets lost.
    #[error("ends in a dot or a blank, which many drives and Windows drop")]
    Ending,
    /// Names that Windows or this program has for something else.
    #[error("gives names that Windows or unlade has for something else")]
    Reserved,
    /// Names that are too long.
    #[error("gives names of more than {NAME_MAX} characters")]
    TooLong,
}

fn fields(close: Option<&str>) -> String {
    if let Some(close) = close {
        return format!("did you mean `{{{close}}}`?");
    }
    let words = NameField::ALL.map(|field| format!("{{{}}}", field.word()));
    format!("there are {}", words.join(", "))
}

/// What is filled in. All but date and time may be any text.
#[derive(Clone, Copy, Debug)]
pub struct NameValues<'a> {
    /// `YYYYMMDD`.
    pub date: &'a str,
    /// `HHMM`.
    pub time: &'a str,
    /// The shoot's name, where there is one.
    pub shoot: Option<&'a str>,
    /// The card's name in the kit, else its label.
    pub card: &'a str,
    /// The card's label.
    pub label: &'a str,
    /// Which card of the shoot it is, counted from 1.
    pub number: u64,
}

impl Default for NamePattern {
    /// `{date}-{card}`.
    fn default() -> Self {
        Self(vec![
            NamePart::Field(NameField::Date),
            NamePart::Text("-".to_owned()),
            NamePart::Field(NameField::Card),
        ])
    }
}

impl fmt::Display for NamePattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|part| match part {
            NamePart::Text(text) => f.write_str(text),
            NamePart::Field(field) => write!(f, "{{{}}}", field.word()),
        })
    }
}

impl NamePattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// What is wrong with it: it would give names that not every drive can store, or one name to
    /// every card, or it is not written as patterns are.
    pub fn read(text: &str) -> Result<Self, NoPattern> {
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some(at) = rest.find(['{', '}']) {
            let (before, from) = rest.split_at(at);
            let inside = from.strip_prefix('{').ok_or(NoPattern::Close)?;
            if !before.is_empty() {
                parts.push(NamePart::Text(before.to_owned()));
            }
            let (word, after) = inside.split_once('}').ok_or(NoPattern::Open)?;
            // `{date-{card}`: the first is the one that is open.
            if word.contains('{') {
                return Err(NoPattern::Open);
            }
            parts.push(NamePart::Field(field(word)?));
            rest = after;
        }
        if !rest.is_empty() {
            parts.push(NamePart::Text(rest.to_owned()));
        }
        let pattern = Self(parts);
        pattern.check().map(|()| pattern)
    }

    fn check(&self) -> Result<(), NoPattern> {
        let mut length = 0;
        for part in &self.0 {
            let NamePart::Text(text) = part else { continue };
            length += text.len();
            if let Some(c) = text.chars().find(|c| matches!(c, '/' | '\\')) {
                return Err(NoPattern::Separator(c));
            }
            let is_illegal = |c: &char| unlike_windows(&format!("{c}_")).is_some();
            if let Some(c) = text.chars().find(is_illegal) {
                return Err(NoPattern::Character(c));
            }
        }
        if self.fields().next().is_none() {
            return Err(NoPattern::NoField);
        }
        length += self.fields().map(NameField::length_max).sum::<usize>();
        if length > NAME_MAX {
            return Err(NoPattern::TooLong);
        }
        let sample = self.fill(&NameValues {
            date: "20261125",
            time: "1200",
            shoot: Some("kites"),
            card: "A1",
            label: "A1",
            number: 1,
        });
        let sample = sample.unwrap_or_default();
        if unlike_windows(&sample).is_some() {
            return Err(NoPattern::Ending);
        }
        if is_device_name(&sample) || is_part_name(&sample) {
            return Err(NoPattern::Reserved);
        }
        Ok(())
    }

    fn fields(&self) -> impl Iterator<Item = NameField> {
        self.0.iter().filter_map(|part| match part {
            NamePart::Text(_) => None,
            NamePart::Field(field) => Some(*field),
        })
    }

    /// Returns whether a name can't be made without a shoot.
    pub fn needs_shoot(&self) -> bool {
        self.fields()
            .any(|field| matches!(field, NameField::Shoot | NameField::Number))
    }

    /// Returns whether the cards of the shoot are counted for it.
    pub fn is_counted(&self) -> bool {
        self.fields().any(|field| field == NameField::Number)
    }

    /// Returns whether the same card may get another name a minute later, or after another card.
    pub fn is_fleeting(&self) -> bool {
        self.fields()
            .any(|field| matches!(field, NameField::Time | NameField::Number))
    }

    /// Returns the name; `None` where it needs a shoot and there is none.
    pub fn fill(&self, values: &NameValues<'_>) -> Option<String> {
        let mut name = String::new();
        for part in &self.0 {
            match part {
                NamePart::Text(text) => name.push_str(text),
                NamePart::Field(NameField::Number) if values.shoot.is_none() => return None,
                NamePart::Field(NameField::Number) => {
                    name.push_str(&format!("{:02}", values.number));
                }
                NamePart::Field(field) => name.push_str(&value(*field, values)?),
            }
        }
        Some(name)
    }

    /// Returns whether this pattern may have given a name, or that name with a number after it, on
    /// the same day for the same shoot. What else was filled in may be anything; the card's name
    /// and label too if `any_card` says so.
    pub fn may_have_given(&self, name: &str, values: &NameValues<'_>, any_card: bool) -> bool {
        let mut ends = BTreeSet::from([0]);
        for part in &self.0 {
            let from = ends.into_iter();
            ends = from
                .flat_map(|at| ends_of(part, name, at, values, any_card))
                .collect();
        }
        ends.into_iter().any(|end| {
            let rest = name.get(end..).unwrap_or_default();
            let number = rest.strip_prefix('-').unwrap_or_default();
            rest.is_empty() || (!number.is_empty() && number.bytes().all(|b| b.is_ascii_digit()))
        })
    }
}

fn field(word: &str) -> Result<NameField, NoPattern> {
    let all = NameField::ALL.into_iter();
    let distance =
        |field: &NameField| strsim::damerau_levenshtein(&word.to_lowercase(), field.word());
    if let Some(field) = all.clone().find(|field| field.word() == word) {
        return Ok(field);
    }
    let close = all
        .min_by_key(distance)
        .filter(|field| distance(field) <= 2);
    Err(NoPattern::Unknown(
        word.to_owned(),
        close.map(NameField::word),
    ))
}

/// The value of a field other than the number, fit for a folder's name.
fn value(field: NameField, values: &NameValues<'_>) -> Option<String> {
    Some(match field {
        NameField::Date => values.date.to_owned(),
        NameField::Time => values.time.to_owned(),
        NameField::Shoot => fit_for_name(values.shoot?, "SHOOT"),
        NameField::Card => fit_for_name(values.card, "CARD"),
        NameField::Label => fit_for_name(values.label, "CARD"),
        NameField::Number => return None,
    })
}

/// Where a part of a name that begins at `at` may end.
fn ends_of(
    part: &NamePart,
    name: &str,
    at: usize,
    values: &NameValues<'_>,
    any_card: bool,
) -> Vec<usize> {
    let rest = name.get(at..).unwrap_or_default();
    let exact = |text: &str| rest.starts_with(text).then_some(at + text.len());
    let digits = rest.bytes().take_while(u8::is_ascii_digit).count();
    match part {
        NamePart::Text(text) => exact(text).into_iter().collect(),
        NamePart::Field(NameField::Time) if digits >= 4 => vec![at + 4],
        NamePart::Field(NameField::Time) => Vec::new(),
        // A day is no number.
        NamePart::Field(NameField::Number) => (2..=digits.min(4)).map(|n| at + n).collect(),
        NamePart::Field(NameField::Card | NameField::Label) if any_card => {
            let mut ends: Vec<usize> = rest.char_indices().skip(1).map(|(i, _)| at + i).collect();
            if !rest.is_empty() {
                ends.push(name.len());
            }
            ends
        }
        NamePart::Field(field @ (NameField::Card | NameField::Label)) => {
            // Before the kit knew the card it had its label for a name.
            let texts = [value(*field, values), value(NameField::Label, values)];
            let ends = texts.iter().flatten().filter_map(|text| exact(text));
            ends.collect()
        }
        NamePart::Field(field) => {
            let text = value(*field, values);
            text.and_then(|text| exact(&text)).into_iter().collect()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const VALUES: NameValues<'_> = NameValues {
        date: "20261125",
        time: "2310",
        shoot: Some("kite festival"),
        card: "A1",
        label: "KITES",
        number: 3,
    };

    fn filled(pattern: &str, values: &NameValues<'_>) -> Option<String> {
        NamePattern::read(pattern).unwrap().fill(values)
    }

    #[test]
    fn a_pattern_is_filled_in_with_what_every_drive_can_store() {
        for (pattern, name) in [
            ("{date}-{shoot}-{card}", "20261125-kite_festival-A1"),
            ("{number} {label} {time}", "03 KITES 2310"),
            ("bay_{card}", "bay_A1"),
        ] {
            assert_eq!(filled(pattern, &VALUES).unwrap(), name);
            assert_eq!(NamePattern::read(pattern).unwrap().to_string(), pattern);
        }
        let odd = NameValues {
            shoot: Some("../*"),
            card: "a/b:c",
            number: 123,
            ..VALUES
        };
        let name = filled("{shoot}-{card}-{number}", &odd).unwrap();
        assert_eq!(name, "SHOOT-a_b_c-123");
        assert_eq!(unlike_windows(&name), None);
        let none = NameValues {
            shoot: None,
            ..VALUES
        };
        for pattern in ["{date}-{shoot}-{card}", "{number}-{card}"] {
            assert_eq!(filled(pattern, &none), None);
            assert!(NamePattern::read(pattern).unwrap().needs_shoot());
        }
        let usual = NamePattern::default();
        assert_eq!(usual.fill(&none).unwrap(), "20261125-A1");
        assert_eq!(NamePattern::read("{date}-{card}"), Ok(usual));
    }

    /// Names that are not storable: Microsoft, "exFAT file system specification", table 35;
    /// "Naming Files, Paths, and Namespaces".
    #[test]
    fn what_would_give_no_good_name_is_no_pattern() {
        let long = format!("{{card}}{}", "x".repeat(160));
        for (pattern, why) in [
            (
                "{day}-{card}",
                "`{day}` is no field; did you mean `{date}`?",
            ),
            (
                "{camera}",
                "`{camera}` is no field; there are {date}, {time}, {shoot}, {card}",
            ),
            ("{Card}", "did you mean `{card}`?"),
            ("{}", "`{}` is no field"),
            ("{date", "a `{` is not closed"),
            ("{date-{card}", "a `{` is not closed"),
            ("date}-{card}", "a `}` has no `{` before it"),
            ("KITES", "has no field"),
            ("", "has no field"),
            ("{date}/{card}", "holds `/`"),
            ("{date}\\{card}", "holds `\\`"),
            ("{date}:{card}", "holds `:`, which"),
            ("{card}?", "holds `?`, which"),
            ("{card}.", "ends in a dot"),
            ("{card} ", "ends in a dot or a blank"),
            ("CON.{card}", "gives names that Windows"),
            (".{card}.unlade-part", "gives names that Windows or unlade"),
            (long.as_str(), "gives names of more than"),
        ] {
            let told = NamePattern::read(pattern).unwrap_err().to_string();
            assert!(
                told.starts_with(why) || told.contains(why),
                "{pattern}: {told}"
            );
        }
    }

    #[test]
    fn an_earlier_name_is_known_again() {
        let may = |pattern: &str, name: &str, any| {
            let pattern = NamePattern::read(pattern).unwrap();
            pattern.may_have_given(name, &VALUES, any)
        };
        for (name, known, any) in [
            ("20261125-0015-A1", true, true),
            // Before the kit knew it.
            ("20261125-0015-KITES", true, true),
            ("20261125-0015-KITES-2", true, true),
            ("20261125-0015-B1", false, true),
            ("20261124-0015-A1", false, false),
            ("20261125-015-A1", false, false),
            ("20261125-0015-", false, false),
            ("20261125-0015", false, false),
        ] {
            assert_eq!(may("{date}-{time}-{card}", name, false), known, "{name}");
            assert_eq!(may("{date}-{time}-{card}", name, true), any, "{name}");
        }
        assert!(may("{shoot}_{number}", "kite_festival_07", false));
        assert!(!may("{shoot}_{number}", "kite_festival_7", false));
        assert!(!may("{number}-{card}", "20261125-kites-A1", true));
        assert!(may("{card}{label}", "AKITES-9", true));
        // Many fields and a long name take no time.
        let fourfold = "{card}".repeat(4);
        assert!(may(&fourfold, &"\u{e9}".repeat(100), true));
    }
}
