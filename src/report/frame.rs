//! Owns what every page is made of: the document around it, foreign text, facts, and room for a
//! pen. Pure.

use crate::name::shown;
use crate::units::{count, len64};
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("page.css");

/// What a page may load: its own style.
const OWN_STYLE: &str = "default-src 'none'; style-src 'unsafe-inline'";

/// Returns a document around what it says: no script, nothing from the network.
pub(super) fn document(title: &str, body: &Markup) -> String {
    document_with(title, OWN_STYLE, "", body)
}

/// The same with pictures that are part of it, and more style.
pub(super) fn document_of_pictures(title: &str, style: &str, body: &Markup) -> String {
    document_with(title, &format!("{OWN_STYLE}; img-src data:"), style, body)
}

fn document_with(title: &str, policy: &str, style: &str, body: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy);
                title { (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(style)) }
            }
            body { main { (body) } }
        }
    }
    .into_string()
}

/// Foreign text: harmless, and its writing direction kept to itself.
pub(super) fn foreign(text: &str) -> Markup {
    html! { bdi { (shown(text)) } }
}

/// A path, or what is as long and has no blanks.
pub(super) fn path(text: &str) -> Markup {
    html! { span.p { (foreign(text)) } }
}

pub(super) fn fact(name: &str, value: &Markup) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}

/// A fact that needs the whole width.
pub(super) fn wide(name: &str, value: &Markup) -> Markup {
    html! { div.wide { dt { (name) } dd { (value) } } }
}

/// Says how many are not on the page, and where all of them are.
pub(super) fn more(all: usize, listed: usize, what: &str, holder: &str) -> Markup {
    html! {
        @if all > listed {
            p.soft {
                "And " (count(len64(all - listed))) " more " (what) @if all - listed > 1 { "s" }
                "; the " (holder) " has all of them."
            }
        }
    }
}

/// Room for a pen; nobody's name is on the page unless it is written there.
pub(super) fn sign() -> Markup {
    html! { div.sign { div { "Name" } div { "Date" } } }
}
