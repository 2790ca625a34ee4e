//! Owns the view *Running*: how far it is, how long it takes, and what holds it back.

use super::frame::{View, foreign, list, sentence, subheading};
use super::plot::rate_plot;
use crate::cli::desk::jobs;
use crate::cli::desk::state::{CardWork, Desk, DeskWork};
use crate::cli::view::running::{checked_share, held_back, live_rate, share, state};
use crate::cli::view::text::all_of;
use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::routing::post;
use maud::{Markup, html};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use unlade::event::{DestinationSnapshot, Snapshot};
use unlade::name::shown;
use unlade::units::{counted, size, whole};

/// As the terminal has it.
const CARD_READ: &str = "Card read: you can take it out. Don't format it yet.";

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route("/stop", post(stop))
}

async fn stop(State(desk): State<Arc<Desk>>) -> StatusCode {
    jobs::stop(&desk);
    StatusCode::NO_CONTENT
}

pub(super) fn view(work: &DeskWork) -> View {
    let names: Vec<String> = work.cards.iter().map(|card| shown(&card.name)).collect();
    let is_stopping = work.cancel.load(Ordering::SeqCst);
    let html = html! {
        h1 { "Copying " bdi { (all_of(&names)) } }
        // Above what comes and goes: it must not move from under a finger.
        p.buttons #stop-row {
            @if is_stopping {
                span role="status" { "Stopping: what is done is made durable." }
            } @else {
                button type="button" data-open="stop-dialog" { "Stop" }
            }
        }
        @for card in &work.cards { (section(card, work.cards.len() > 1)) }
        (list("soft", &work.heard))
    };
    let say: Vec<String> = work.cards.iter().map(said).collect();
    View {
        name: "running",
        html,
        say: say.join(" "),
    }
}

/// What a card's copy is at, in a sentence.
fn said(card: &CardWork) -> String {
    let name = shown(&card.name);
    match (&card.end, &card.now) {
        (Some(end), _) => format!("{name}: {}. {}", end.heading, end.sentence),
        (None, Some(now)) if card.is_read => {
            format!("{name}: {CARD_READ} {}.", state(&card.drives, now))
        }
        (None, Some(now)) => {
            let read = percent(share(now.bytes_read, now.bytes_total));
            format!("{name}: {read} % read, {}.", state(&card.drives, now))
        }
        (None, None) => format!("{name}: looking at card and drives."),
    }
}

fn section(card: &CardWork, is_one_of_several: bool) -> Markup {
    let nothing = Snapshot::default();
    let now = card.now.as_deref();
    html! {
        section.card {
            @if is_one_of_several { h2 { (foreign(&card.name)) } }
            p.lead {
                @match (&card.end, &card.again, now) {
                    (Some(end), ..) => { strong { (end.heading) } ". " (sentence(&end.sentence)) }
                    (None, Some(again), _) => (again),
                    (None, None, Some(now)) => (foreign(&state(&card.drives, now))),
                    (None, None, None) => "Looking at card and drives ...",
                }
            }
            @if card.is_read && card.end.is_none() { p.good.lead { (CARD_READ) } }
            (bars(card, now.unwrap_or(&nothing), now.is_some()))
            @if let Some(now) = now.filter(|_| card.end.is_none()) {
                @if let Some(held) = held_back(&card.drives, now) {
                    p { bdi { (sentence_of(&held)) } }
                }
                (rate_plot(now))
            }
            @if !card.troubles.is_empty() {
                (subheading(is_one_of_several, "bad", "Troubles"))
                (list("", &card.troubles))
                @if card.more_troubles > 0 {
                    p.soft { "And " (counted(card.more_troubles, "more problem")) ", counted in \
                        the manifest." }
                }
            }
            (list("soft", &card.told))
        }
    }
}

/// `held back by ...` as a sentence of its own.
fn sentence_of(held: &str) -> String {
    let mut letters = held.chars();
    let first = letters.next().map(|c| c.to_ascii_uppercase());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}

fn bars(card: &CardWork, s: &Snapshot, is_begun: bool) -> Markup {
    let read = share(s.bytes_read, s.bytes_total);
    let read = if is_begun { read } else { 0.0 };
    let rate = live_rate(s).map_or(String::new(), |rate| format!(", {rate}"));
    let detail = format!(
        "{} of {} read{rate}",
        size(s.bytes_read),
        size(s.bytes_total)
    );
    html! {
        div.bars {
            (bar(&card.name, read, if is_begun { &detail } else { "not begun" }))
            @for (index, name) in card.drives.iter().enumerate() {
                @let drive = s.destinations.get(index).filter(|_| is_begun);
                (drive_bar(name, drive))
            }
        }
    }
}

fn drive_bar(name: &str, drive: Option<&DestinationSnapshot>) -> Markup {
    match drive {
        None => bar(name, 0.0, "not begun"),
        Some(d) if d.failed => bar(name, checked_share(d), "failed"),
        Some(d) => {
            let checked = size(d.bytes_read_back.saturating_add(d.kept_read));
            let all = size(d.bytes_total.saturating_add(d.kept_total));
            bar(
                name,
                checked_share(d),
                &format!("{checked} of {all} checked"),
            )
        }
    }
}

/// Whole per cent; all of it only when all is done.
fn percent(share: f64) -> u64 {
    whole((share * 100.0).floor()).min(100)
}

pub(super) fn bar(name: &str, share: f64, detail: &str) -> Markup {
    let percent = percent(share);
    html! {
        div.bar {
            p { strong { (foreign(name)) } " " span { (percent) " %" } " " span.soft { (detail) } }
            div role="progressbar" aria-label=(shown(name)) aria-valuemin="0" aria-valuemax="100"
                aria-valuenow=(percent) aria-valuetext={ (percent) " %, " (detail) } {
                svg viewBox="0 0 100 1" preserveAspectRatio="none" aria-hidden="true" {
                    rect width=(percent) height="1" {}
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn card() -> CardWork {
        CardWork {
            name: "KITES".to_owned(),
            drives: vec!["Attic".to_owned(), "<Travel>".to_owned()],
            now: Some(Box::new(Snapshot {
                bytes_total: 1_000,
                bytes_read: 999,
                destinations: vec![
                    DestinationSnapshot {
                        bytes_total: 1_000,
                        bytes_read_back: 500,
                        ..DestinationSnapshot::default()
                    },
                    DestinationSnapshot {
                        failed: true,
                        bytes_total: 1_000,
                        ..DestinationSnapshot::default()
                    },
                ],
                ..Snapshot::default()
            })),
            ..CardWork::default()
        }
    }

    #[test]
    fn each_bar_is_named_and_is_full_when_all_is_done_and_not_before() {
        let page = section(&card(), false).into_string();
        for (name, percent, words) in [
            ("KITES", 99, "999 bytes of 1.0 kB read"),
            ("Attic", 50, "500 bytes of 1.0 kB checked"),
            ("&lt;Travel&gt;", 0, "failed"),
        ] {
            let bar = format!(
                "aria-label=\"{name}\" aria-valuemin=\"0\" aria-valuemax=\"100\" \
                 aria-valuenow=\"{percent}\" aria-valuetext=\"{percent} %, {words}\""
            );
            assert!(page.contains(&bar), "{bar}\n{page}");
        }
        assert!(!page.contains(CARD_READ), "{page}");
    }

    #[test]
    fn a_card_that_was_read_may_be_taken_out_and_not_formatted() {
        let card = CardWork {
            is_read: true,
            ..card()
        };
        assert!(section(&card, false).into_string().contains(CARD_READ));
        assert!(said(&card).contains("Don't format it yet"));
    }
}
