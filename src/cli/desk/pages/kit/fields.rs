//! Owns which fields the form of a section of the kit has, and how what a person types in one
//! becomes what the file says. Whether that is sound the kit itself says. Pure.

use unlade::hash_algorithm::Also;
use unlade::kit::section::{FieldValue, Section};
use unlade::kit::{Kit, KitEntryKind};
use unlade::speed::links::rows;

/// How a field is filled in.
pub(super) enum Input {
    /// A line of text.
    Line,
    /// A line of text, with known values to choose from.
    Known(Vec<(&'static str, &'static str)>),
    /// A number.
    Number,
    /// Several texts, a line each.
    Lines,
    /// One of these, or none.
    Choice(Vec<(String, String)>),
    /// Any of these; and others, a line each, where that is said.
    Boxes(Vec<String>, Option<&'static str>),
    /// Yes, no, or not said.
    YesNo,
    /// Yes, or not said.
    Yes,
}

/// A field of a form.
pub(super) struct FormField {
    pub(super) key: &'static str,
    pub(super) label: &'static str,
    pub(super) help: &'static str,
    pub(super) input: Input,
}

fn field(key: &'static str, label: &'static str, help: &'static str, input: Input) -> FormField {
    FormField {
        key,
        label,
        help,
        input,
    }
}

fn ids(are_card_buses: bool) -> Input {
    let rows = rows(are_card_buses).map(|row| (row.id, row.words));
    Input::Known(rows.collect())
}

fn drives(kit: &Kit) -> Input {
    let names = kit.drives.iter().map(|drive| drive.name.clone());
    Input::Boxes(names.collect(), Some("Other folders, a line each"))
}

fn places(kit: &Kit) -> Input {
    let names = kit.places.iter().map(|place| place.name.clone());
    Input::Boxes(names.collect(), None)
}

fn readers(kit: &Kit) -> impl Iterator<Item = String> {
    kit.readers.iter().map(|reader| reader.name.clone())
}

fn hashes() -> Input {
    let names = Also::ALL.iter().map(ToString::to_string);
    Input::Boxes(names.collect(), None)
}

const NOTE: &str = "Whatever you want to remember.";
const VOLUMES: &str = "Its identities, a line each. It is recognised by them.";
const COPIES: &str = "Copies on separate drives that PROVEN needs. Empty: 2.";
const SHOOT: &str = "The shoot that the cards belong to.";
const MHL: &str = "An ASC media hash list in each offload, for post-production.";
const THEN: &str = "Places that get what is PROVEN, by `unlade copy` and `unlade watch`. This page \
                    sends nothing.";
const ALSO: &str = "Made in the same pass, beside BLAKE3.";

/// Returns the fields of a section, but for the name that it goes by.
pub(super) fn fields_of(section: &Section, kit: &Kit) -> Vec<FormField> {
    match section {
        Section::Entry(KitEntryKind::Card, _) => card(kit),
        Section::Entry(KitEntryKind::Reader, _) => reader(),
        Section::Entry(KitEntryKind::Drive, _) => drive(),
        Section::Entry(KitEntryKind::Place, _) => place(),
        Section::Usual(_) => usual(kit),
        Section::Rule(_) => rule(kit),
    }
}

fn card(kit: &Kit) -> Vec<FormField> {
    vec![
        field(
            "reads",
            "Label",
            "The read rate on its label, in MB/s.",
            Input::Number,
        ),
        field("bus", "Bus", "uhs-i, uhs-ii, cfe2-b and others.", ids(true)),
        field(
            "class",
            "Class",
            "Its write class: V30, U3, C10, VPG400. It says what it can be written with at \
                 least, not how fast it is read.",
            Input::Line,
        ),
        field(
            "readers",
            "Matched readers",
            "Readers in which it reaches its label although its bus alone does not.",
            Input::Boxes(readers(kit).collect(), None),
        ),
        field("volumes", "Volumes", VOLUMES, Input::Lines),
        field("note", "Note", NOTE, Input::Line),
    ]
}

fn place() -> Vec<FormField> {
    vec![
        field(
            "url",
            "Address",
            "s3://BUCKET/PREFIX, sftp://USER@HOST/FOLDER, webdavs://HOST/FOLDER or \
             file:///FOLDER; no password.",
            Input::Line,
        ),
        field(
            "endpoint",
            "Service",
            "For s3:// at another service than Amazon: https://HOST.",
            Input::Line,
        ),
        field("region", "Region", "Of the bucket.", Input::Line),
        field(
            "profile",
            "Profile",
            "Whose key is taken from ~/.aws/credentials.",
            Input::Line,
        ),
        field("note", "Note", NOTE, Input::Line),
    ]
}

fn reader() -> Vec<FormField> {
    vec![
        field(
            "bus",
            "Slot",
            "The fastest card bus of its slot: uhs-i, uhs-ii.",
            ids(true),
        ),
        field(
            "link",
            "Link",
            "To the computer: usb2, usb3-5g, tb3.",
            ids(false),
        ),
        field("note", "Note", NOTE, Input::Line),
    ]
}

fn drive() -> Vec<FormField> {
    vec![
        field(
            "writes",
            "Writes",
            "What it takes for as long as one likes, its write cache full, in MB/s.",
            Input::Number,
        ),
        field("reads", "Reads", "What it gives, in MB/s.", Input::Number),
        field(
            "spins",
            "Hard disk",
            "Where the system does not know it or is wrong.",
            Input::YesNo,
        ),
        field("volumes", "Volumes", VOLUMES, Input::Lines),
        field(
            "folder",
            "Folder",
            "Where copies go: the way from the top of the drive, as photos/2026.",
            Input::Line,
        ),
        field("note", "Note", NOTE, Input::Line),
    ]
}

fn usual(kit: &Kit) -> Vec<FormField> {
    vec![
        field(
            "to",
            "Copy to",
            "Drives of your kit, or folders.",
            drives(kit),
        ),
        field("copies", "Copies", COPIES, Input::Number),
        field("also", "Further hashes", ALSO, hashes()),
        field("mhl", "Media hash list", MHL, Input::Yes),
        field("shoot", "Shoot", SHOOT, Input::Line),
        field(
            "name",
            "Name of the offload",
            "A pattern, as {date}-{shoot}-{card}. Empty: the date and the card.",
            Input::Line,
        ),
        field("then", "Then send to", THEN, places(kit)),
    ]
}

fn rule(kit: &Kit) -> Vec<FormField> {
    let proofs = [
        ("written", "written: flushed only, never PROVEN"),
        ("readback", "readback: read back from each drive"),
        ("reread", "reread: and the card read a second time"),
    ];
    let proofs = proofs.map(|(id, words)| (id.to_owned(), words.to_owned()));
    let readers = readers(kit).map(|name| (name.clone(), name));
    vec![
        field(
            "match",
            "Match",
            "The cards that it is for, a line each: a card of your kit, a label (* is any \
             characters, ? is one), or any-camera-card. The first rule that fits a card counts.",
            Input::Lines,
        ),
        field("to", "Copy to", "Empty: as usual.", drives(kit)),
        field("shoot", "Shoot", SHOOT, Input::Line),
        field("also", "Further hashes", ALSO, hashes()),
        field("mhl", "Media hash list", MHL, Input::Yes),
        field("copies", "Copies", "Empty: as usual, or 2.", Input::Number),
        field(
            "proof",
            "Proof",
            "How sure the copies have to be.",
            Input::Choice(proofs.into()),
        ),
        field(
            "only_new",
            "Only what is new",
            "Copy only what no earlier offload on these drives holds.",
            Input::Yes,
        ),
        field(
            "reader",
            "Reader",
            "The reader that the card is in.",
            Input::Choice(readers.collect()),
        ),
        field("then", "Then send to", THEN, places(kit)),
    ]
}

impl FormField {
    /// Returns what the file is to say, of what was sent; nothing where nothing was.
    pub(super) fn value(&self, sent: &[String]) -> Option<FieldValue> {
        let lines = || -> Vec<String> {
            let lines = sent.iter().flat_map(|text| text.lines());
            let lines = lines.map(str::trim).filter(|line| !line.is_empty());
            lines.map(str::to_owned).collect()
        };
        let text = sent.first().map_or("", |text| text.trim());
        let as_text = || (!text.is_empty()).then(|| FieldValue::Text(text.to_owned()));
        match &self.input {
            Input::Line | Input::Known(_) | Input::Choice(_) => as_text(),
            // What is no number the kit faults in its own words.
            Input::Number => match text.parse::<f64>() {
                Ok(number) if number.is_finite() => Some(FieldValue::Number(number)),
                _ => as_text(),
            },
            Input::YesNo | Input::Yes => match text {
                "yes" => Some(FieldValue::YesNo(true)),
                "no" => Some(FieldValue::YesNo(false)),
                _ => as_text(),
            },
            Input::Lines | Input::Boxes(..) => {
                let lines = lines();
                (!lines.is_empty()).then_some(FieldValue::List(lines))
            }
        }
    }
}

/// Returns what the file says, as it would be sent.
pub(super) fn as_sent(value: &FieldValue) -> Vec<String> {
    match value {
        FieldValue::Text(text) => vec![text.clone()],
        FieldValue::Number(number) => vec![number.to_string()],
        FieldValue::YesNo(true) => vec!["yes".to_owned()],
        FieldValue::YesNo(false) => vec!["no".to_owned()],
        FieldValue::List(texts) => texts.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every field of the file has one in the form, so that none is out of reach.
    #[test]
    fn a_form_has_every_field_of_its_section() {
        let keys = |section: &Section| -> Vec<&str> {
            let fields = fields_of(section, &Kit::default());
            fields.iter().map(|field| field.key).collect()
        };
        for kind in KitEntryKind::ALL {
            let own = keys(&Section::Entry(kind, String::new()));
            // What runs a program is edited by hand alone.
            let apart = ["name", "secret_command"];
            let all = kind.fields().iter().filter(|key| !apart.contains(key));
            assert!(all.clone().all(|key| own.contains(key)), "{kind}: {own:?}");
            assert_eq!(all.count(), own.len());
        }
        assert_eq!(
            keys(&Section::Usual(None)),
            ["to", "copies", "also", "mhl", "shoot", "name", "then"]
        );
        assert_eq!(
            keys(&Section::Rule(1)),
            [
                "match", "to", "shoot", "also", "mhl", "copies", "proof", "only_new", "reader",
                "then"
            ]
        );
    }

    #[test]
    fn what_is_sent_is_what_the_file_says() {
        let fields = fields_of(&Section::Rule(1), &Kit::default());
        let value = |key, sent: &[&str]| {
            let field = fields.iter().find(|field| field.key == key).unwrap();
            let sent: Vec<String> = sent.iter().map(|text| (*text).to_owned()).collect();
            field.value(&sent)
        };
        let list = |all: &[&str]| {
            let all = all.iter().map(|text| (*text).to_owned());
            Some(FieldValue::List(all.collect()))
        };
        assert_eq!(
            value("match", &[" A1 \r\n\r\nZOOM*"]),
            list(&["A1", "ZOOM*"])
        );
        assert_eq!(
            value("to", &["Attic", "/srv/kites\n"]),
            list(&["Attic", "/srv/kites"])
        );
        assert_eq!(value("to", &["", "\n"]), None);
        assert_eq!(value("copies", &["2"]), Some(FieldValue::Number(2.0)));
        let two = FieldValue::Text("two".to_owned());
        assert_eq!(value("copies", &["two"]), Some(two));
        assert_eq!(value("only_new", &["yes"]), Some(FieldValue::YesNo(true)));
        assert_eq!(value("only_new", &[]), None);
        assert_eq!(value("shoot", &["  "]), None);
    }
}
