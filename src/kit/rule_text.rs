//! Owns how a `[[rule]]` is read.

use super::fields::{Fields, Parser, key_offset, quoted, start};
use super::mistake::Mistake;
use super::rule::{ANY_CAMERA_CARD, KitRule, LABEL_BYTES_MAX, RULE, RuleMatch};
use super::usual::{SHOOT_BYTES_MAX, UsualSet};
use super::{ENTRIES_MAX, KitEntryKind, NAME_BYTES_MAX};
use crate::record::layout::Level;
use toml_edit::{Item, Table};

/// The fields of a rule.
const FIELDS: [&str; 10] = [
    "match", "to", "shoot", "also", "mhl", "copies", "proof", "only_new", "reader", "then",
];
const PROOFS: [Level; 3] = [Level::Written, Level::ReadBack, Level::Reread];

/// Reads all rules. Cards, readers, drives and places of the kit are known by then.
pub(super) fn read(parser: &mut Parser<'_>, item: &Item, at: usize) {
    let Some(entries) = item.as_array_of_tables() else {
        return parser.fault(at, quoted(RULE), Mistake::Brackets(RULE.to_owned()));
    };
    for (number, table) in entries.iter().enumerate() {
        if number == ENTRIES_MAX {
            let at = start(table.span());
            return parser.fault(at, quoted(RULE), Mistake::TooMany);
        }
        rule(parser, number + 1, table);
    }
}

fn rule(parser: &mut Parser<'_>, number: usize, table: &Table) {
    let mut fields = Fields {
        parser,
        known: &FIELDS,
        table,
        header: table.span().unwrap_or(0..0),
        label: format!("rule {number}"),
    };
    fields.unknown_keys(false);
    let rule = KitRule {
        matches: fields.matches(),
        set: UsualSet {
            name: None,
            to: fields.drives(),
            copies: fields.copies(),
            also: fields.hashes(),
            mhl: fields.yes_or_no("mhl"),
            shoot: fields.string("shoot", SHOOT_BYTES_MAX),
            pattern: None,
            then: fields.places(),
        },
        proof: fields.proof(),
        only_new: fields.yes_or_no("only_new").unwrap_or_default(),
        reader: fields.reader(),
    };
    parser.kit.rules.push(rule);
}

impl Fields<'_, '_> {
    /// One word, or a list of them.
    fn matches(&mut self) -> Vec<RuleMatch> {
        let Some(item) = self.table.get("match") else {
            self.fault(self.header.start, "match", Mistake::NoMatch);
            return Vec::new();
        };
        let words = if item.as_str().is_some() {
            let word = self.string("match", LABEL_BYTES_MAX);
            word.into_iter().collect()
        } else {
            self.full_list("match", LABEL_BYTES_MAX)
        };
        let kit = &self.parser.kit;
        let of = |word: String| match kit.card(&word) {
            _ if word == ANY_CAMERA_CARD => RuleMatch::AnyCameraCard,
            Ok(card) => RuleMatch::Card(card.name.clone()),
            Err(_) => RuleMatch::Label(word),
        };
        words.into_iter().map(of).collect()
    }

    fn proof(&mut self) -> Option<Level> {
        let word = self.string("proof", NAME_BYTES_MAX)?;
        let found = PROOFS.into_iter().find(|level| level.id() == word);
        if found.is_none() {
            let at = key_offset(self.table, "proof");
            self.fault(at, "proof", Mistake::NoProof);
        }
        found
    }

    fn reader(&mut self) -> Option<String> {
        let word = self.string("reader", NAME_BYTES_MAX)?;
        if let Ok(reader) = self.parser.kit.reader(&word) {
            return Some(reader.name.clone());
        }
        let why = Mistake::NoReader(self.parser.kit.unknown(KitEntryKind::Reader, &word));
        self.fault(key_offset(self.table, "reader"), "reader", why);
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kit::text::read as read_kit;
    use crate::kit::usual::UsualDrive;

    const KIT: &str = "\
[[rule]]
match = [\"a1\", \"ZOOM*\"]
to = [\"Attic\", \"/srv/kites\"]
shoot = \"kite festival\"
also = [\"md5\"]
mhl = true
copies = 1
proof = \"reread\"
only_new = true
reader = \"blue\"
then = [\"studio\"]

[[card]]
name = \"A1\"

[[reader]]
name = \"Blue\"

[[rule]]
match = \"any-camera-card\"

[[drive]]
name = \"Attic\"

[[place]]
name = \"Studio\"
url = \"file:///srv/studio\"
";

    #[test]
    fn rules_are_read_wherever_they_stand() {
        let kit = read_kit(KIT).unwrap();
        let [first, second] = kit.rules.as_slice() else {
            panic!("{:?}", kit.rules);
        };
        let card = RuleMatch::Card("A1".into());
        assert_eq!(first.matches, [card, RuleMatch::Label("ZOOM*".into())]);
        let to = [
            UsualDrive::Kit("Attic".into()),
            UsualDrive::Folder("/srv/kites".into()),
        ];
        assert_eq!(first.set.to, to);
        assert_eq!((first.set.copies, first.set.mhl), (Some(1), Some(true)));
        assert_eq!(first.set.shoot.as_deref(), Some("kite festival"));
        assert_eq!((first.proof, first.only_new), (Some(Level::Reread), true));
        assert_eq!(first.reader.as_deref(), Some("Blue"));
        assert_eq!(first.set.then, ["Studio"]);
        assert_eq!(second.matches, [RuleMatch::AnyCameraCard]);
        assert!(second.set.to.is_empty() && !second.only_new);
    }

    #[test]
    fn what_is_wrong_in_a_rule_is_named_with_its_line() {
        for (text, expected) in [
            (
                "[rule]\nmatch = \"A1\"",
                "line 1, `rule`: begins an entry as [[rule]]",
            ),
            (
                "[[rule]]\nto = [\"/a\"]",
                "line 1, rule 1, `match`: is missing",
            ),
            (
                "[[rule]]\nmatch = []",
                "line 2, rule 1, `match`: lists nothing",
            ),
            (
                "[[rule]]\nmatch = 3",
                "line 2, rule 1, `match`: must be a list",
            ),
            (
                "[[rule]]\nmatch = \"A1\"\nproof = \"sure\"",
                "line 3, rule 1, `proof`: must be",
            ),
            (
                "[[rule]]\nmatch = \"A1\"\nreader = \"red\"",
                "line 3, rule 1, `reader`: there is no",
            ),
            (
                "[[rule]]\nmatch = \"A1\"\nto = [\"Lake\"]",
                "line 3, rule 1, `to`: there is no drive",
            ),
            (
                "[[rule]]\nmatch = \"A1\"\nonly-new = true",
                "did you mean `only_new`?",
            ),
            (
                "[[rule]]\nmatch = \"A1\"\nmhl = \"yes\"",
                "line 3, rule 1, `mhl`: must be true or false",
            ),
            (
                "[[rule]]\nmatch = \"A1\"\nthen = [\"office\"]",
                "line 3, rule 1, `then`: there is no place `office`",
            ),
        ] {
            let faults = read_kit(text).unwrap_err();
            let said = faults[0].to_string();
            assert!(said.contains(expected), "{text}: {said}");
        }
    }
}
