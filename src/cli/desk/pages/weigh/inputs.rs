//! Owns what was filled in, and how a field says what is wrong with it.

use crate::cli::command::weigh::result::WeighResult;
use maud::{Markup, html};
use std::fmt::Display;

/// Bytes of a value that are looked at.
const VALUE_MAX: usize = 64;

/// What was filled in; where nothing was, what it begins with.
pub(super) struct Inputs(Vec<(String, String)>);

impl Inputs {
    pub(super) fn new(pairs: Vec<(String, String)>) -> Self {
        let mut pairs = pairs;
        pairs.retain(|(_, value)| value.len() <= VALUE_MAX);
        Self(pairs)
    }

    /// Whether the form was sent.
    pub(super) fn is_sent(&self) -> bool {
        !self.0.is_empty()
    }

    pub(super) fn all<'a>(&'a self, key: &'a str) -> impl Iterator<Item = &'a str> {
        let of_key = self.0.iter().filter(move |(own, _)| own == key);
        of_key.map(|(_, value)| value.as_str())
    }

    pub(super) fn text<'a>(&'a self, key: &'a str, begins: &'a str) -> &'a str {
        self.all(key).next().map_or(begins, str::trim)
    }
}

/// A field and what was read of it, or why that is nothing.
pub(super) struct ReadField<T> {
    pub(super) value: Option<T>,
    pub(super) html: Markup,
}

/// Reads a field in the words of the flag that it stands for.
pub(super) fn read<T, E: Display>(
    inputs: &Inputs,
    (key, label, help, begins): (&str, &str, &str, &str),
    read: impl FnOnce(&str) -> Result<T, E>,
) -> ReadField<T> {
    let text = inputs.text(key, begins);
    let read = read(text);
    let wrong = read.as_ref().err().map(ToString::to_string);
    let html = html! {
        div.field {
            label for=(key) { (label) }
            input id=(key) type="text" name=(key) value=(text) autocomplete="off"
                aria-describedby={ (key) "-help " (key) "-wrong" }
                aria-invalid=[wrong.is_some().then_some("true")];
            p.soft id={ (key) "-help" } { (help) }
            div id={ (key) "-wrong" } {
                @if let Some(wrong) = &wrong { p.bad { (super::super::frame::sentence(wrong)) } }
            }
        }
    };
    ReadField {
        value: read.ok(),
        html,
    }
}

/// What the terminal says of it.
pub(super) fn result(result: &WeighResult) -> Markup {
    html! {
        dl {
            @for (label, text) in &result.lines { div { dt { (label) } dd { (text) } } }
        }
    }
}

/// What it rests on.
pub(super) fn assumed(all: &[&str]) -> Markup {
    let all = all.iter().map(|text| text.trim_end_matches('.'));
    let all: Vec<&str> = all.collect();
    html! { p.soft { "Assumed: " (all.join("; ")) "." } }
}
