//! Owns the form of one section of the kit: what the file says, field by field, and what is wrong
//! with what was typed, beside its field.

use super::fields::{FormField, Input, as_sent, fields_of};
use super::subject::{Pairs, Subject, escaped, sent};
use crate::cli::desk::pages::frame::{foreign, list, sentence};
use crate::cli::desk::state::{Desk, Place};
use maud::{Markup, html};
use std::collections::BTreeMap;
use unlade::kit::section::{FieldChange, Section, fields, says};
use unlade::kit::{Kit, KitEntryKind};

const MEANWHILE_TYPED: &str = "The kit was changed by somebody else meanwhile, and nothing was \
    changed here. What you typed is kept below; where the kit says something else by now, that is \
    said at the field. Save writes what is below.";

/// What a form shows: of the file, or as it was sent.
pub(super) struct FormContent {
    pub(super) subject: Subject,
    /// What marks the text of the file that this is about, and what marks the section in it.
    pub(super) was: String,
    pub(super) own: String,
    /// The card or drive that it is to be recognised by, where one was chosen.
    pub(super) at: String,
    /// What each field says.
    pub(super) says: BTreeMap<String, Vec<String>>,
    /// What is wrong, by field; what is not of a field is by the empty one.
    pub(super) wrong: BTreeMap<String, Vec<String>>,
    /// What the file says by now, by field, where that is not what is shown.
    pub(super) by_now: BTreeMap<String, String>,
}

/// Marks what a section says.
pub(super) fn own_mark(text: &str, section: &Section) -> String {
    let says = format!("{:?}", fields(text, section));
    blake3::hash(says.as_bytes()).to_hex().to_string()
}

impl FormContent {
    /// A section as the file has it.
    pub(super) fn of(subject: Subject, text: &str, was: String) -> Self {
        let of_file = (!subject.is_new).then(|| fields(text, &subject.section));
        let of_file = of_file.flatten().unwrap_or_default().into_iter();
        Self {
            own: own_mark(text, &subject.section),
            subject,
            was,
            at: String::new(),
            says: of_file.map(|(key, value)| (key, as_sent(&value))).collect(),
            wrong: BTreeMap::new(),
            by_now: BTreeMap::new(),
        }
    }

    /// What was typed, as it was sent.
    pub(super) fn sent(subject: Subject, pairs: &Pairs) -> Self {
        let text = |key| sent(pairs, key).unwrap_or_default().to_owned();
        let mut says: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for (key, value) in pairs {
            if let Some(key) = key.strip_prefix("f-") {
                says.entry(key.to_owned()).or_default().push(value.clone());
            }
        }
        Self {
            subject,
            was: text("was"),
            own: text("own"),
            at: text("at"),
            says,
            wrong: BTreeMap::new(),
            by_now: BTreeMap::new(),
        }
    }

    /// Keeps what was typed where the file is another by now: it is about the same section,
    /// wherever that is, and says at each field what the file says instead.
    pub(super) fn keep(&mut self, text: &str, was: String, kit: &Kit) {
        let mut words = MEANWHILE_TYPED.to_owned();
        if let Section::Rule(_) = self.subject.section
            && own_mark(text, &self.subject.section) != self.own
        {
            let rules = (1..=kit.rules.len()).map(Section::Rule);
            let same: Vec<Section> = rules.filter(|s| own_mark(text, s) == self.own).collect();
            if let ([only], false) = (same.as_slice(), self.subject.is_new) {
                self.subject.section = only.clone();
                words.push_str(&format!(" This one is {} now.", only.label()));
            }
        }
        if fields(text, &self.subject.section).is_none() && !self.subject.is_new {
            self.subject.is_new = true;
            words.push_str(" It was removed: Save adds it as a new one.");
        }
        if let (Section::Rule(number), true) = (&mut self.subject.section, self.subject.is_new) {
            *number = kit.rules.len() + 1;
        }
        let now = fields(text, &self.subject.section);
        for field in fields_of(&self.subject.section, kit) {
            let key = field.key;
            let of_now = now.iter().flatten().find(|(own, _)| own == key);
            let of_now = of_now.map(|(_, value)| value);
            let typed = field.value(self.says(key));
            if now.is_some() && !says(key, of_now, typed.as_ref()) {
                let of_now = of_now.map_or_else(|| "nothing".to_owned(), |v| as_sent(v).join(", "));
                self.by_now.insert(key.to_owned(), of_now);
            }
        }
        self.own = own_mark(text, &self.subject.section);
        self.was = was;
        self.wrong.insert(String::new(), vec![words]);
    }

    fn says(&self, key: &str) -> &[String] {
        self.says.get(key).map_or(&[], Vec::as_slice)
    }

    /// What the file is to say.
    pub(super) fn changes(&self, kit: &Kit) -> Vec<FieldChange> {
        let own = match &self.subject.section {
            Section::Entry(_, name) if self.subject.is_new => {
                let name = (!name.is_empty()).then(|| name.clone());
                Some(("name", name.map(unlade::kit::section::FieldValue::Text)))
            }
            _ => None,
        };
        let fields = fields_of(&self.subject.section, kit);
        let fields = fields
            .iter()
            .map(|field| (field.key, field.value(self.says(field.key))));
        own.into_iter().chain(fields).collect()
    }

    pub(super) fn html(&self, kit: &Kit, desk: &Desk) -> Markup {
        let subject = &self.subject;
        html! {
            h1 { (subject.title()) }
            @for why in self.wrong.get("").into_iter().flatten() {
                p.notice role="alert" { (sentence(why)) }
            }
            @if !self.wrong.is_empty() && !self.wrong.contains_key("") {
                p.notice role="alert" { "Nothing was changed: see the fields marked below." }
            }
            form.fields method="post" action="/kit/save" {
                input type="hidden" name="what" value=(subject.what());
                input type="hidden" name="was" value=(self.was);
                input type="hidden" name="own" value=(self.own);
                @if subject.is_new { input type="hidden" name="new" value="yes"; }
                @if subject.is_new && !matches!(subject.section, Section::Rule(_)) {
                    (self.own_name())
                } @else { input type="hidden" name="of" value=(subject.of()); }
                @for field in fields_of(&subject.section, kit) {
                    (self.field(&field))
                }
                (self.plugged(desk))
                p.buttons {
                    button.main type="submit" { "Save" }
                    a.button href="/kit" { "Back to the kit" }
                    @if !subject.is_new {
                        a.button href={ "/kit/remove?" (escaped(subject)) } { "Remove" }
                    }
                }
            }
        }
    }

    /// The name that a new section goes by.
    fn own_name(&self) -> Markup {
        let help = match self.subject.section {
            Section::Usual(_) => "Empty: what is usual where nothing else is said.",
            _ => "A name of your own: what is written on its tape, say.",
        };
        let inner = html! {
            input #of type="text" name="of" value=(self.subject.of()) autocomplete="off"
                aria-describedby="of-help of-wrong" aria-invalid=[self.is_wrong("of")];
        };
        self.labelled("of", "Name", help, &inner)
    }

    fn is_wrong(&self, key: &str) -> Option<&'static str> {
        self.wrong.contains_key(key).then_some("true")
    }

    fn labelled(&self, key: &str, label: &str, help: &str, inner: &Markup) -> Markup {
        html! {
            div.field {
                label for=(key) { (label) }
                (inner)
                (self.below(key, help))
            }
        }
    }

    /// What helps, and what is wrong.
    fn below(&self, key: &str, help: &str) -> Markup {
        html! {
            p.soft id={ (key) "-help" } { (help) }
            div id={ (key) "-wrong" } {
                @for why in self.wrong.get(key).into_iter().flatten() {
                    p.bad { (sentence(why)) }
                }
                @if let Some(now) = self.by_now.get(key) {
                    p { "The kit says now: " (foreign(now)) }
                }
            }
        }
    }

    fn field(&self, field: &FormField) -> Markup {
        let key = field.key;
        let says = self.says(key);
        let one = says.first().map_or("", String::as_str);
        let about = format!("{key}-help {key}-wrong");
        let wrong = self.is_wrong(key);
        let name = format!("f-{key}");
        let inner = match &field.input {
            Input::Line => html! {
                input id=(key) type="text" name=(name) value=(one) autocomplete="off"
                    aria-describedby=(about) aria-invalid=[wrong];
            },
            Input::Number => html! {
                input id=(key) type="text" inputmode="decimal" name=(name) value=(one)
                    autocomplete="off" aria-describedby=(about) aria-invalid=[wrong];
            },
            Input::Known(known) => html! {
                input id=(key) type="text" name=(name) value=(one) list={ (key) "-list" }
                    autocomplete="off" aria-describedby=(about) aria-invalid=[wrong];
                datalist id={ (key) "-list" } {
                    @for (id, words) in known { option value=(id) { (words) } }
                }
            },
            Input::Lines => html! {
                textarea id=(key) name=(name) rows="3" aria-describedby=(about)
                    aria-invalid=[wrong] { "\n" (says.join("\n")) }
            },
            Input::Choice(choices) => {
                let choices = choices
                    .iter()
                    .map(|(id, words)| (id.as_str(), words.as_str()));
                self.choice(key, &name, choices.collect(), one)
            }
            Input::YesNo => self.choice(key, &name, vec![("yes", "yes"), ("no", "no")], one),
            Input::Yes => return self.yes(field, one == "yes"),
            // There is nothing to choose from.
            Input::Boxes(known, None) if known.is_empty() && says.is_empty() => return html! {},
            Input::Boxes(known, others) => return self.boxes(field, known, *others),
        };
        self.labelled(key, field.label, field.help, &inner)
    }

    fn choice(&self, key: &str, name: &str, choices: Vec<(&str, &str)>, one: &str) -> Markup {
        let is_known = one.is_empty() || choices.iter().any(|(id, _)| *id == one);
        html! {
            select id=(key) name=(name) aria-describedby={ (key) "-help " (key) "-wrong" }
                aria-invalid=[self.is_wrong(key)] {
                option value="" { "not said" }
                // What the file says stays to be seen, also where it is no good.
                @if !is_known { option value=(one) selected { (foreign(one)) } }
                @for (id, words) in choices {
                    option value=(id) selected[id == one] { (words) }
                }
            }
        }
    }

    fn yes(&self, field: &FormField, is_so: bool) -> Markup {
        let key = field.key;
        html! {
            div.choice {
                input id=(key) type="checkbox" name={ "f-" (key) } value="yes" checked[is_so]
                    aria-describedby={ (key) "-help " (key) "-wrong" };
                div { label for=(key) { (field.label) } (self.below(key, field.help)) }
            }
        }
    }

    fn boxes(&self, field: &FormField, known: &[String], others: Option<&str>) -> Markup {
        let key = field.key;
        let says = self.says(key);
        let is_same = |a: &str, b: &str| a.to_lowercase() == b.to_lowercase();
        let rest = says
            .iter()
            .filter(|text| !known.iter().any(|name| is_same(name, text)));
        let rest: Vec<&str> = rest.map(String::as_str).collect();
        html! {
            fieldset.boxes aria-describedby={ (key) "-help " (key) "-wrong" } {
                legend { (field.label) }
                @for (number, name) in known.iter().enumerate() {
                    @let id = format!("{key}-{number}");
                    div.choice {
                        input id=(id) type="checkbox" name={ "f-" (key) } value=(name)
                            checked[says.iter().any(|text| is_same(text, name))];
                        label for=(id) { (foreign(name)) }
                    }
                }
                @if others.is_some() || !rest.is_empty() {
                    label for={ (key) "-others" } { (others.unwrap_or("Others, a line each")) }
                    textarea id={ (key) "-others" } name={ "f-" (key) } rows="2"
                        aria-describedby={ (key) "-wrong" } aria-invalid=[self.is_wrong(key)] {
                        "\n" (rest.join("\n"))
                    }
                }
                (self.below(key, field.help))
            }
        }
    }

    /// The choice of a card or drive that is plugged in, to recognise it by.
    fn plugged(&self, desk: &Desk) -> Markup {
        let state = desk.lock();
        let places: Vec<Place> = match self.subject.section {
            Section::Entry(KitEntryKind::Card, _) => {
                let cards = state.plugged.cards.iter().chain(&state.added.cards);
                cards.cloned().collect()
            }
            Section::Entry(KitEntryKind::Drive, _) => {
                let drives = state.plugged.drives.iter().chain(&state.added.drives);
                drives.cloned().collect()
            }
            _ => Vec::new(),
        };
        drop(state);
        let inner = html! {
            select #at name="at" aria-describedby="at-help at-wrong"
                aria-invalid=[self.is_wrong("at")] {
                option value="" { "leave its volumes as they are" }
                @for place in &places {
                    option value=(place.path) selected[place.path == self.at] {
                        (place.name) ", " (foreign(place.path.as_str()))
                    }
                }
            }
        };
        let help = "Adds the identity of what is plugged in now, so that it is recognised.";
        html! {
            // What is wrong with it is told also once nothing is plugged in any more.
            @if !places.is_empty() || self.wrong.contains_key("at") {
                (self.labelled("at", "It is this one", help, &inner))
            }
        }
    }
}

/// The question before a section is removed.
pub(super) fn removal(subject: &Subject, was: &str, why: &[String]) -> Markup {
    html! {
        h1 { "Remove: " (subject.title()) "?" }
        (list("bad", why))
        p { "It goes from the kit, and nothing else: no card and no drive is touched." }
        form method="post" action="/kit/remove" {
            input type="hidden" name="what" value=(subject.what());
            input type="hidden" name="of" value=(subject.of());
            input type="hidden" name="was" value=(was);
            p.buttons {
                button.main type="submit" { "Remove" }
                a.button href={ "/kit/edit?" (escaped(subject)) } { "Keep it" }
            }
        }
    }
}
