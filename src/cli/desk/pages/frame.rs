//! Owns the document around each view: the way to the others, what is said aloud, the dialogs.

use maud::{DOCTYPE, Markup, html};
use unlade::name::shown;

/// What is shown of the state of things.
pub(crate) struct View {
    pub(crate) name: &'static str,
    pub(crate) html: Markup,
    /// What somebody who can't see it is told.
    pub(crate) say: String,
}

/// The views that there is a way to.
const VIEWS: [(&str, &str); 4] = [
    ("/", "Now"),
    ("/shoots", "Shoots"),
    ("/kit", "Kit"),
    ("/weigh", "Weigh"),
];

/// Returns the document of the view that changes while one looks at it, as it was at this age of
/// the desk in milliseconds.
pub(super) fn live(view: &View, at: u64) -> Markup {
    let main = html! {
        main #view data-live data-view=(view.name) data-say=(view.say) data-at=(at) tabindex="-1" {
            (view.html)
        }
        (picker())
        (stop())
        (stop_reading())
    };
    let needs = html! {
        noscript { p.notice { "This page needs JavaScript, which is off here." } }
        (main)
    };
    document("/", &needs)
}

/// Returns the document of any other view; `at` is its address.
pub(super) fn page(at: &str, body: &Markup) -> Markup {
    document(at, &html! { main #view tabindex="-1" { (body) } })
}

fn document(at: &str, main: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "unlade" }
                link rel="icon" href="/mark.svg" type="image/svg+xml";
                link rel="stylesheet" href="/desk.css";
                script src="/desk.js" defer {}
            }
            body {
                a.skip href="#view" { "To the content" }
                header {
                    span.mark { img src="/mark.svg" alt="" width="28" height="28"; "unlade" }
                    nav aria-label="Views" {
                        @for (to, name) in VIEWS {
                            a href=(to) aria-current=[(to == at).then_some("page")] { (name) }
                        }
                    }
                }
                p.notice #lost role="alert" hidden {}
                (main)
                p.aside #said aria-live="polite" {}
                p.aside #told role="alert" {}
            }
        }
    }
}

/// The choice of a folder.
fn picker() -> Markup {
    html! {
        dialog #picker aria-labelledby="picker-title" {
            h2 #picker-title { "Choose a folder" }
            form #picker-form {
                label for="path" { "Path" }
                input #path type="text" autocomplete="off" autocapitalize="off" spellcheck="false"
                    aria-describedby="picker-help";
                p.soft #picker-help { "Type it, or choose below. Only folders are listed." }
                p.bad #picker-why role="alert" {}
                ul.folders #folders {}
                p.buttons {
                    button.main type="submit" { "Choose" }
                    button type="button" data-close { "Cancel" }
                }
            }
        }
    }
}

/// The question before a copy is stopped.
fn stop() -> Markup {
    html! {
        dialog #stop-dialog aria-labelledby="stop-title" {
            h2 #stop-title { "Stop the copy?" }
            p { "What is checked is kept. The card is not proven then: keep it as it is. You can \
                go on later." }
            p.buttons {
                button.main type="button" data-post="/stop" { "Stop" }
                button type="button" data-close { "Keep copying" }
            }
        }
    }
}

/// The question before a check is stopped.
fn stop_reading() -> Markup {
    html! {
        dialog #stop-reading aria-labelledby="stop-reading-title" {
            h2 #stop-reading-title { "Stop reading?" }
            p { "Nothing was changed on any card or drive. The next time it starts over." }
            p.buttons {
                button.main type="button" data-post="/stop" { "Stop" }
                button type="button" data-close { "Go on" }
            }
        }
    }
}

/// Foreign text: harmless, and its writing direction kept to itself.
pub(super) fn foreign(text: &str) -> Markup {
    html! { bdi { (shown(text)) } }
}

/// A sentence that may quote foreign text: what stands between backticks is set apart.
pub(super) fn sentence(text: &str) -> Markup {
    let parts: Vec<&str> = text.split('`').collect();
    html! {
        @if parts.len().is_multiple_of(2) { (foreign(text)) }
        @else {
            @for (at, part) in parts.iter().enumerate() {
                @if at.is_multiple_of(2) { (shown(part)) } @else { code { (foreign(part)) } }
            }
        }
    }
}

/// A heading within a card's part: below the card's own where there are several.
pub(super) fn subheading(is_one_of_several: bool, class: &str, text: &str) -> Markup {
    html! {
        @if is_one_of_several { h3 class=(class) { (text) } }
        @else { h2 class=(class) { (text) } }
    }
}

/// Such sentences, an entry each; nothing where there are none.
pub(super) fn list(class: &str, all: &[String]) -> Markup {
    html! {
        @if !all.is_empty() {
            ul class=(class) { @for text in all { li { (sentence(text)) } } }
        }
    }
}
