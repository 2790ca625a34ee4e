//! Owns the editing of one section of `kit.toml`, by its fields: an entry, a set of what is usual,
//! or a rule. The bytes of that section alone change, and the outcome is read: where it is no sound
//! kit, or says something else than was asked for, nothing is handed back.

use super::edit::{EditError, line_end};
use super::fields::{quoted, whole_lines};
use super::list_edit;
use super::mistake::{Fault, Mistake};
use super::rule::RULE;
use super::text::read;
use super::usual::USUAL;
use super::{Kit, KitEntryKind, same_name};
use crate::name::shown;
use std::ops::Range;
use toml_edit::{Document, Item, Key, Table, Value};

/// One section of a kit.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Section {
    /// An entry, by its name.
    Entry(KitEntryKind, String),
    /// What is usual: the set of this name, or `[usual]` itself.
    Usual(Option<String>),
    /// A rule, by its number in the file, counted from 1.
    Rule(usize),
}

/// What a field says.
#[derive(Clone, PartialEq, Debug)]
pub enum FieldValue {
    /// Text.
    Text(String),
    /// A number.
    Number(f64),
    /// True or false.
    YesNo(bool),
    /// A list of texts.
    List(Vec<String>),
}

impl FieldValue {
    fn of(value: &Value) -> Option<Self> {
        let whole = || value.as_integer().and_then(|n| i32::try_from(n).ok());
        let number = || value.as_float().or_else(|| whole().map(f64::from));
        let text = || value.as_str().map(str::to_owned).map(Self::Text);
        let list = || {
            let texts = value.as_array()?.iter().map(Value::as_str);
            let texts: Option<Vec<&str>> = texts.collect();
            Some(Self::List(texts?.into_iter().map(str::to_owned).collect()))
        };
        text()
            .or_else(|| value.as_bool().map(Self::YesNo))
            .or_else(|| number().map(Self::Number))
            .or_else(list)
    }

    fn toml(&self) -> Value {
        match self {
            Self::Text(text) => text.as_str().into(),
            Self::Number(number) => super::edit::number(*number),
            Self::YesNo(is_so) => (*is_so).into(),
            Self::List(texts) => texts.iter().map(String::as_str).collect(),
        }
    }
}

/// Whether a field says what is wanted: one text is a list of one, and a list says the same in
/// another order. What is away says what an empty list says, and no more than `only_new = false`.
pub fn says(key: &str, now: Option<&FieldValue>, wanted: Option<&FieldValue>) -> bool {
    let all = |value: &FieldValue| match value {
        FieldValue::Text(one) => Some(vec![one.clone()]),
        FieldValue::List(list) => Some(list.clone()),
        FieldValue::Number(_) | FieldValue::YesNo(_) => None,
    };
    match (now, wanted) {
        (Some(FieldValue::Text(now)), Some(FieldValue::Text(wanted))) => now == wanted,
        (Some(now), Some(wanted)) => match (all(now), all(wanted)) {
            (Some(now), Some(wanted)) => list_edit::is_same(key, &now, &wanted),
            _ => now == wanted,
        },
        (Some(FieldValue::List(now)), None) => now.is_empty(),
        (Some(FieldValue::YesNo(is_so)), None) => key == "only_new" && !is_so,
        (Some(_), None) | (None, Some(_)) => false,
        (None, None) => true,
    }
}

/// A field and what it is to say; `None` where it is to be away.
pub type FieldChange = (&'static str, Option<FieldValue>);

impl Section {
    /// Returns how it is named in a fault.
    pub fn label(&self) -> String {
        match self {
            Self::Entry(kind, name) => format!("{kind} {}", quoted(name)),
            Self::Usual(None) => format!("`{USUAL}`"),
            Self::Usual(Some(name)) => format!("`{USUAL}.{}`", shown(name)),
            Self::Rule(number) => format!("{RULE} {number}"),
        }
    }

    fn header(&self) -> String {
        match self {
            Self::Entry(kind, _) => format!("[[{kind}]]"),
            Self::Usual(None) => format!("[{USUAL}]"),
            Self::Usual(Some(name)) => format!("[{USUAL}.{}]", Key::new(name)),
            Self::Rule(_) => format!("[[{RULE}]]"),
        }
    }

    fn find<'t>(&self, document: &'t Table) -> Option<&'t Table> {
        let entries = |word| document.get(word).and_then(Item::as_array_of_tables);
        match self {
            Self::Entry(kind, name) => entries(kind.word())?.iter().find(|table| {
                let own = table.get("name").and_then(Item::as_str);
                own.is_some_and(|own| same_name(own, name))
            }),
            Self::Usual(name) => {
                let usual = document.get(USUAL)?.as_table()?;
                let set = match name {
                    None => usual,
                    Some(name) => usual.get(name)?.as_table()?,
                };
                // A further set alone makes no `[usual]`, though it stands in one.
                (!set.is_implicit()).then_some(set)
            }
            Self::Rule(number) => entries(RULE)?.get(number.checked_sub(1)?),
        }
    }

    /// Takes what the section says out of a kit, so that the rest can be compared.
    fn cut(&self, kit: &mut Kit) {
        match self {
            Self::Entry(KitEntryKind::Card, name) => {
                kit.cards.retain(|card| !same_name(&card.name, name));
            }
            Self::Entry(KitEntryKind::Reader, name) => {
                kit.readers.retain(|reader| !same_name(&reader.name, name));
            }
            Self::Entry(KitEntryKind::Drive, name) => {
                kit.drives.retain(|drive| !same_name(&drive.name, name));
            }
            Self::Entry(KitEntryKind::Place, name) => {
                kit.places.retain(|place| !same_name(&place.name, name));
            }
            Self::Usual(name) => kit.usual.retain(|set| set.name != *name),
            Self::Rule(number) => {
                let at = number.checked_sub(1).filter(|at| *at < kit.rules.len());
                at.map(|at| kit.rules.remove(at));
            }
        }
    }
}

/// Returns what a section says, field by field; `None` where there is none. Fields of another type
/// than a kit has are left out.
pub fn fields(text: &str, section: &Section) -> Option<Vec<(String, FieldValue)>> {
    let document = Document::parse(text).ok()?;
    let table = section.find(document.as_table())?;
    let values = table.iter().filter_map(|(key, item)| {
        let value = FieldValue::of(item.as_value()?)?;
        Some((key.to_owned(), value))
    });
    Some(values.collect())
}

/// Returns the text with these fields of a section as they are given; the section is added at the
/// end where there is none. What says the same already is left as it is written.
///
/// # Errors
/// When the text is faulty, or the outcome is not sound.
pub fn set(text: &str, section: &Section, changes: &[FieldChange]) -> Result<String, EditError> {
    let before = read(text).map_err(EditError::Faulty)?;
    let document = Document::parse(text).map_err(|_read_before| layout())?;
    let new = match section.find(document.as_table()) {
        Some(table) => changed(text, table, changes),
        None => added(text, section, changes),
    };
    let after = read(&new).map_err(EditError::Refused)?;
    let own = fields(&new, section).ok_or_else(layout)?;
    let is_as_asked = changes.iter().all(|(key, wanted)| {
        let now = own.iter().find(|(own, _)| own == key);
        says(key, now.map(|(_, now)| now), wanted.as_ref())
    });
    handed_back(new, section, is_as_asked, before, after)
}

/// Returns the text without a section. Comments above it stay; those in its lines go with them.
///
/// # Errors
/// When the text is faulty, there is no such section, or something else names it.
pub fn remove(text: &str, section: &Section) -> Result<String, EditError> {
    let before = read(text).map_err(EditError::Faulty)?;
    let document = Document::parse(text).map_err(|_read_before| layout())?;
    let table = section.find(document.as_table()).ok_or_else(layout)?;
    let mut new = text.to_owned();
    new.replace_range(lines(text, table), "");
    let after = read(&new).map_err(EditError::Refused)?;
    let mut wanted = before.clone();
    section.cut(&mut wanted);
    if after == wanted {
        Ok(new)
    } else {
        Err(layout())
    }
}

/// Returns the text with a rule, counted from 1, and the next one in each other's place: the first
/// that fits a card counts. What is commented right above one goes with it.
///
/// # Errors
/// When the text is faulty, there are no two such rules, or they can't be told apart from the rest.
pub fn swap_rules(text: &str, first: usize) -> Result<String, EditError> {
    let before = read(text).map_err(EditError::Faulty)?;
    let document = Document::parse(text).map_err(|_read_before| layout())?;
    let block = |number| {
        let table = Section::Rule(number).find(document.as_table())?;
        Some(with_comments(text, lines(text, table)))
    };
    let both = block(first).zip(block(first.saturating_add(1)));
    let (one, next) = both.ok_or_else(layout)?;
    let part = |range: Range<usize>| text.get(range).ok_or_else(layout);
    let (head, between, tail) = (
        part(0..one.start)?,
        part(one.end..next.start)?,
        part(next.end..text.len())?,
    );
    let (one, next) = (part(one)?, part(next)?);
    // The last line of a file may have no end.
    let end = if next.ends_with('\n') {
        ""
    } else {
        line_end(text)
    };
    let new = format!("{head}{next}{end}{between}{one}{tail}");
    let after = read(&new).map_err(EditError::Refused)?;
    let mut wanted = before;
    let at = first.saturating_sub(1);
    if first >= wanted.rules.len() {
        return Err(layout());
    }
    wanted.rules.swap(at, first);
    if after == wanted {
        Ok(new)
    } else {
        Err(layout())
    }
}

/// Some whole lines, with the lines of comments right above them.
fn with_comments(text: &str, lines: Range<usize>) -> Range<usize> {
    let above = text.get(..lines.start).unwrap_or_default();
    let is_comment = |line: &&str| line.trim_start().starts_with('#');
    let comments = above.split_inclusive('\n').rev().take_while(is_comment);
    let bytes: usize = comments.map(str::len).sum();
    lines.start - bytes..lines.end
}

/// Hands the text back where nothing but the section says something else than before.
fn handed_back(
    new: String,
    section: &Section,
    is_as_asked: bool,
    mut before: Kit,
    mut after: Kit,
) -> Result<String, EditError> {
    section.cut(&mut before);
    section.cut(&mut after);
    if is_as_asked && before == after {
        Ok(new)
    } else {
        Err(layout())
    }
}

fn layout() -> EditError {
    EditError::Refused(vec![Fault {
        line: 1,
        field: String::new(),
        why: Mistake::Layout,
    }])
}

/// Bytes from a section's header to its last field, in whole lines.
fn lines(text: &str, table: &Table) -> Range<usize> {
    let header = table.span().unwrap_or(0..0);
    let values = table.iter().filter(|(_, item)| item.is_value());
    let last = values.filter_map(|(_, item)| Some(item.span()?.end)).max();
    whole_lines(text, header.start..last.unwrap_or(0).max(header.end))
}

fn changed(text: &str, table: &Table, changes: &[FieldChange]) -> String {
    let end = line_end(text);
    let at_end = lines(text, table).end;
    let has_break = text.get(..at_end).is_some_and(|t| t.ends_with('\n'));
    let mut lead = if has_break { "" } else { end };
    let mut further = String::new();
    let mut edits: Vec<(Range<usize>, String)> = Vec::new();
    for (key, wanted) in changes {
        let item = table.get(key).filter(|item| item.is_value());
        let now = item.and_then(Item::as_value).and_then(FieldValue::of);
        let place = item.and_then(Item::span);
        if says(key, now.as_ref(), wanted.as_ref()) {
            continue;
        }
        match (place, wanted) {
            (Some(place), Some(FieldValue::List(wanted))) if item.is_some_and(Item::is_array) => {
                let list = text.get(place.clone()).unwrap_or_default();
                edits.push((place, list_edit::changed(key, list, wanted)));
            }
            (Some(place), Some(wanted)) => {
                edits.push((place, wanted.toml().to_string().trim().to_owned()));
            }
            (Some(place), None) => {
                let from = table.key(key).and_then(Key::span);
                let from = from.map_or(place.start, |span| span.start);
                edits.push((whole_lines(text, from..place.end), String::new()));
            }
            (None, Some(wanted)) => {
                further.push_str(&format!("{lead}{key} = {}{end}", wanted.toml()));
                lead = "";
            }
            (None, None) => {}
        }
    }
    edits.push((at_end..at_end, further));
    // From the end backwards, so that what stands before keeps its place.
    edits.sort_by_key(|(range, _)| std::cmp::Reverse((range.start, range.end)));
    let mut new = text.to_owned();
    for (range, with) in edits {
        new.replace_range(range, &with);
    }
    new
}

fn added(text: &str, section: &Section, changes: &[FieldChange]) -> String {
    let end = line_end(text);
    let mut new = text.to_owned();
    if !new.is_empty() && !new.ends_with('\n') {
        new.push_str(end);
    }
    if !new.is_empty() {
        new.push_str(end);
    }
    new.push_str(&format!("{}{end}", section.header()));
    for (key, value) in changes {
        if let Some(value) = value {
            new.push_str(&format!("{key} = {}{end}", value.toml()));
        }
    }
    new
}

#[cfg(test)]
mod tests {
    use super::*;

    const KITES: &str = "\
# Kites over the bay.

[[card]]
name = \"A1\"      # yellow tape
reads = 170
volumes = [
  \"4A21-00FE\", # before the lake
]

[usual]  # every day
to = [\"Attic\"]
copies = 1 # the second one travels

[usual.Studio]
to = [\"/srv/kites\"]

# The first rule.
[[rule]]
match = \"A1\"
only_new = true

[[rule]]
match = \"any-camera-card\"

[[drive]]
name = \"Attic\"
# the end";

    fn text(text: &str) -> FieldValue {
        FieldValue::Text(text.to_owned())
    }

    fn list(texts: &[&str]) -> FieldValue {
        FieldValue::List(texts.iter().map(|text| (*text).to_owned()).collect())
    }

    /// Lines that one text has and the other has not.
    fn differing(new: &str) -> (Vec<&str>, Vec<&str>) {
        let gone = KITES.lines().filter(|l| !new.lines().any(|n| n == *l));
        let come = new.lines().filter(|l| !KITES.lines().any(|n| n == *l));
        (gone.collect(), come.collect())
    }

    #[test]
    fn a_section_changes_and_nothing_else_does() {
        let a1 = Section::Entry(KitEntryKind::Card, "a1".to_owned());
        let changes = [
            ("reads", Some(FieldValue::Number(90.5))),
            ("class", Some(text("V30"))),
            ("volumes", Some(list(&["4A21-00FE"]))),
        ];
        let new = set(KITES, &a1, &changes).unwrap();
        let expected = (vec!["reads = 170"], vec!["reads = 90.5", "class = \"V30\""]);
        assert_eq!(differing(&new), expected, "{new}");
        let usual = [("to", Some(list(&["Attic", "/a"]))), ("copies", None)];
        let new = set(KITES, &Section::Usual(None), &usual).unwrap();
        let expected = (
            vec!["to = [\"Attic\"]", "copies = 1 # the second one travels"],
            vec!["to = [\"Attic\", \"/a\"]"],
        );
        assert_eq!(differing(&new), expected, "{new}");
        assert_eq!(read(&new).unwrap().usual[0].copies, None);
        let rule = [
            ("match", Some(list(&["A1"]))),
            ("only_new", None),
            ("proof", Some(text("reread"))),
        ];
        let new = set(KITES, &Section::Rule(1), &rule).unwrap();
        let expected = (vec!["only_new = true"], vec!["proof = \"reread\""]);
        assert_eq!(differing(&new), expected, "{new}");
        // What says the same is not touched.
        assert_eq!(set(KITES, &a1, &[("bus", None)]).unwrap(), KITES);
    }

    /// What a form sends back of this, with nothing edited in it, changes no byte.
    #[test]
    fn what_says_the_same_in_another_order_is_left_as_it_is_written() {
        let text = "\
[usual]
to = [\"Beta\", # fast one
  \"/srv/kites\",
  \"attic\", # slow one
]
also = [\"sha1\",\"md5\"]

[[rule]]
match = \"any-camera-card\"
only_new = false # on purpose

[[drive]]
name = \"Attic\"
volumes = [] # none yet
spins = false

[[drive]]
name = \"Beta\"
";
        let usual = Section::Usual(None);
        let sent = |to: &[&str]| {
            [
                ("to", Some(list(to))),
                ("also", Some(list(&["md5", "sha1"]))),
            ]
        };
        let same = sent(&["Attic", "Beta", "/srv/kites"]);
        assert_eq!(set(text, &usual, &same).unwrap(), text);
        let rule = [
            ("match", Some(list(&["any-camera-card"]))),
            ("only_new", None),
        ];
        assert_eq!(set(text, &Section::Rule(1), &rule).unwrap(), text);
        let attic = Section::Entry(KitEntryKind::Drive, "Attic".to_owned());
        let spins = ("spins", Some(FieldValue::YesNo(false)));
        let same = [("volumes", None), spins];
        assert_eq!(set(text, &attic, &same).unwrap(), text);
        // For a drive, no is more than nothing said.
        let new = set(text, &attic, &[("spins", None)]).unwrap();
        assert_eq!(new, text.replace("spins = false\n", ""));
        let new = set(text, &usual, &sent(&["Attic", "Beta"])).unwrap();
        assert_eq!(new, text.replace("  \"/srv/kites\",\n", ""));
        // What stands in it twice is told, not taken for one.
        let twice = set(
            text,
            &usual,
            &sent(&["Attic", "attic", "Beta", "/srv/kites"]),
        );
        assert!(matches!(twice, Err(EditError::Refused(_))), "{twice:?}");
    }

    #[test]
    fn what_is_usual_is_added_where_only_a_further_set_is() {
        let text = "[usual.Studio]\nto = [\"/srv/kites\"]\n";
        let usual = Section::Usual(None);
        assert_eq!(fields(text, &usual), None);
        let copies = [("copies", Some(FieldValue::Number(1.0)))];
        let new = set(text, &usual, &copies).unwrap();
        assert_eq!(new, format!("{text}\n[usual]\ncopies = 1\n"));
        assert_eq!(read(&new).unwrap().usual.len(), 2);
        assert_eq!(remove(&new, &usual).unwrap().trim_end(), text.trim_end());
        assert!(remove(text, &usual).is_err());
    }

    #[test]
    fn a_section_is_added_at_the_end_and_removed_with_its_lines() {
        let lake = Section::Usual(Some("At the lake".to_owned()));
        let new = set(KITES, &lake, &[("copies", Some(FieldValue::Number(3.0)))]).unwrap();
        assert!(
            new.ends_with("# the end\n\n[usual.\"At the lake\"]\ncopies = 3\n"),
            "{new}"
        );
        assert_eq!(fields(&new, &lake).unwrap().len(), 1);
        let back = remove(&new, &lake).unwrap();
        assert_eq!(back.trim_end(), KITES);
        let third = Section::Rule(3);
        let new = set(KITES, &third, &[("match", Some(list(&["ZOOM*"])))]).unwrap();
        assert_eq!(read(&new).unwrap().rules.len(), 3);
        let without = remove(KITES, &Section::Rule(1)).unwrap();
        assert!(
            without.contains("# The first rule.\n\n[[rule]]"),
            "{without}"
        );
        assert_eq!(read(&without).unwrap().rules.len(), 1);
        assert!(remove(KITES, &Section::Rule(4)).is_err());
        let studio = remove(KITES, &Section::Usual(None)).unwrap();
        assert!(studio.contains("[usual.Studio]\n"), "{studio}");
    }

    #[test]
    fn two_rules_change_places_with_what_is_commented_right_above_them() {
        let text = "[[rule]]\nmatch = \"A1\" # tape\n\n[[card]]\nname = \"A1\"\n\n# Lent ones.\n\
            # All of them.\n[[rule]]\nmatch = \"any-camera-card\"\n\n# the rest\n\n[[rule]]\n\
            match = \"ZOOM*\"";
        let new = swap_rules(text, 1).unwrap();
        assert_eq!(
            new,
            "# Lent ones.\n# All of them.\n[[rule]]\nmatch = \"any-camera-card\"\n\n[[card]]\n\
            name = \"A1\"\n\n[[rule]]\nmatch = \"A1\" # tape\n\n# the rest\n\n[[rule]]\n\
            match = \"ZOOM*\""
        );
        assert_eq!(swap_rules(&new, 1).unwrap(), text);
        // The last line has no end.
        let new = swap_rules(text, 2).unwrap();
        assert!(
            new.contains("match = \"ZOOM*\"\n\n# the rest\n\n# Lent"),
            "{new}"
        );
        assert_eq!(read(&new).unwrap().rules.len(), 3);
        let windows = text.replace('\n', "\r\n");
        let new = swap_rules(&windows, 2).unwrap();
        assert!(!new.replace("\r\n", "").contains(['\r', '\n']), "{new:?}");
        for first in [0, 3, 4, usize::MAX] {
            assert!(swap_rules(text, first).is_err(), "{first}");
        }
    }

    #[test]
    fn what_is_not_sound_is_refused_with_its_field() {
        let fault = |section: &Section, change| match set(KITES, section, &[change]) {
            Err(EditError::Refused(faults)) => faults[0].to_string(),
            other => panic!("{other:?}"),
        };
        let a1 = Section::Entry(KitEntryKind::Card, "A1".to_owned());
        assert_eq!(a1.label(), "card `A1`");
        let said = fault(&a1, ("reads", Some(text("fast"))));
        assert!(
            said.contains("card `A1`, `reads`: must be a number"),
            "{said}"
        );
        let usual = Section::Usual(None);
        let said = fault(&usual, ("to", Some(list(&["Lake"]))));
        assert!(
            said.contains(", `usual`, `to`: there is no drive"),
            "{said}"
        );
        let said = fault(&Section::Rule(2), ("match", None));
        assert!(said.contains("rule 2, `match`: is missing"), "{said}");
        let attic = Section::Entry(KitEntryKind::Drive, "Attic".to_owned());
        assert!(
            matches!(remove(KITES, &attic), Err(EditError::Refused(_))),
            "it is usual"
        );
        assert!(matches!(
            set("name = ", &a1, &[]),
            Err(EditError::Faulty(_))
        ));
    }

    #[test]
    fn what_a_program_can_t_edit_is_left_alone() {
        let dotted = "usual.copies = 2\n";
        let done = set(dotted, &Section::Usual(None), &[("copies", None)]);
        assert!(matches!(done, Err(EditError::Refused(_))), "{done:?}");
        let windows = KITES.replace('\n', "\r\n");
        let new = set(
            &windows,
            &Section::Rule(2),
            &[("shoot", Some(text("kites")))],
        )
        .unwrap();
        assert!(new.contains("shoot = \"kites\"\r\n"), "{new}");
        assert!(!new.replace("\r\n", "").contains('\n'));
    }
}
