//! Owns what a form of the kit is about, and how that is said in an address and a form.

use crate::cli::desk::pages::frame::foreign;
use maud::{Markup, html};
use unlade::kit::KitEntryKind;
use unlade::kit::section::Section;

/// The pairs of a query or a form.
pub(super) type Pairs = Vec<(String, String)>;

pub(super) fn sent<'a>(pairs: &'a Pairs, key: &str) -> Option<&'a str> {
    let found = pairs.iter().find(|(own, _)| own == key);
    found.map(|(_, value)| value.as_str())
}

/// What a form is about.
#[derive(Clone)]
pub(super) struct Subject {
    pub(super) section: Section,
    pub(super) is_new: bool,
}

impl Subject {
    pub(super) fn of_pairs(pairs: &Pairs) -> Option<Self> {
        let of = sent(pairs, "of").unwrap_or_default().trim();
        let what = sent(pairs, "what")?;
        let kind = KitEntryKind::ALL
            .into_iter()
            .find(|kind| kind.word() == what);
        let section = match (kind, what) {
            (Some(kind), _) => Section::Entry(kind, of.to_owned()),
            (None, "usual") => Section::Usual((!of.is_empty()).then(|| of.to_owned())),
            (None, "rule") => Section::Rule(of.parse().ok()?),
            _ => return None,
        };
        Some(Self {
            section,
            is_new: sent(pairs, "new").is_some(),
        })
    }

    pub(super) fn what(&self) -> &'static str {
        match self.section {
            Section::Entry(kind, _) => kind.word(),
            Section::Usual(_) => "usual",
            Section::Rule(_) => "rule",
        }
    }

    pub(super) fn of(&self) -> String {
        match &self.section {
            Section::Entry(_, name) => name.clone(),
            Section::Usual(name) => name.clone().unwrap_or_default(),
            Section::Rule(number) => number.to_string(),
        }
    }

    pub(super) fn title(&self) -> Markup {
        html! {
            @match (&self.section, self.is_new) {
                (Section::Entry(KitEntryKind::Card, _), true) => "A new card",
                (Section::Entry(KitEntryKind::Reader, _), true) => "A new reader",
                (Section::Entry(KitEntryKind::Drive, _), true) => "A new drive",
                (Section::Entry(KitEntryKind::Place, _), true) => "A new place elsewhere",
                (Section::Usual(_), true) => "New usual places",
                (Section::Rule(_), true) => "A new rule",
                (Section::Entry(KitEntryKind::Card, name), _) => { "Card " (foreign(name)) }
                (Section::Entry(KitEntryKind::Reader, name), _) => { "Reader " (foreign(name)) }
                (Section::Entry(KitEntryKind::Drive, name), _) => { "Drive " (foreign(name)) }
                (Section::Entry(KitEntryKind::Place, name), _) => { "Place " (foreign(name)) }
                (Section::Usual(None), _) => "What is usual",
                (Section::Usual(Some(name)), _) => { "Usual places " (foreign(name)) }
                (Section::Rule(number), _) => { "Rule " (number) }
            }
        }
    }
}

/// A subject as a query, every byte of a name but letters and digits escaped (RFC 3986, 2.1).
pub(super) fn escaped(subject: &Subject) -> String {
    let escape = |byte: u8| match byte {
        b'0'..=b'9' | b'A'..=b'Z' | b'a'..=b'z' => char::from(byte).to_string(),
        _ => format!("%{byte:02X}"),
    };
    let of: String = subject.of().bytes().map(escape).collect();
    let new = if subject.is_new { "&new=yes" } else { "" };
    format!("what={}&of={of}{new}", subject.what())
}
