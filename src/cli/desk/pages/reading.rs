//! Owns how a check or a question is shown: how far it is, and its answer.

use super::frame::{View, foreign, list, sentence};
use super::running::bar;
use crate::cli::desk::readings;
use crate::cli::desk::reply::done_by;
use crate::cli::desk::state::{Desk, DeskReading, ReadAsked};
use crate::cli::exit::Exit;
use crate::cli::view::observer::ReadEnd;
use crate::cli::view::read_progress::left_words;
use axum::Router;
use axum::extract::State;
use axum::response::Response;
use axum::routing::post;
use maud::{Markup, html};
use serde_json::{Value, json};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use unlade::name::shown;
use unlade::units::{float, rate, size, speed};

/// The buttons that take the place of what is typed again.
const CHECK: &str = "Check again";
const ASK: &str = "Ask again";
const READ_ALL: &str = "Read all and ask again";

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/check-again", post(check_again))
        .route("/read-all", post(read_all))
}

async fn check_again(State(desk): State<Arc<Desk>>) -> Response {
    done_by(move || readings::again(&desk, false)).await
}

async fn read_all(State(desk): State<Arc<Desk>>) -> Response {
    done_by(move || readings::again(&desk, true)).await
}

pub(super) fn view(reading: &DeskReading) -> View {
    match reading.exit {
        None => running(reading),
        Some(_) => answer(reading),
    }
}

fn running(reading: &DeskReading) -> View {
    let (read, all, took) = reading.done;
    let name = shown(&reading.name);
    let heading = match reading.asked {
        ReadAsked::Check(_) => "Checking ",
        ReadAsked::Format { .. } => "May you format ",
    };
    let is_stopping = reading.cancel.load(Ordering::SeqCst);
    let is_begun = all > 0;
    let detail = format!(
        "{} of {} read, {}",
        size(read),
        size(all),
        speed(rate(read, took))
    );
    let left = left_words(read, all, took);
    let html = html! {
        h1 {
            (heading) bdi { (name) }
            @if matches!(reading.asked, ReadAsked::Format { .. }) { "?" }
        }
        section.card {
            p.lead {
                @if !is_begun { "Looking at it ..." }
                @else if let Some(left) = &left { (left) }
                @else { "Reading ..." }
            }
            div.bars {
                @let share = if is_begun { float(read) / float(all) } else { 0.0 };
                (bar(&reading.name, share, if is_begun { &detail } else { "not begun" }))
            }
            p.soft { "It only reads: nothing is changed on any card or drive." }
        }
        p.buttons #stop-row {
            @if is_stopping {
                span role="status" { "Stopping." }
            } @else {
                button type="button" data-open="stop-reading" { "Stop" }
            }
        }
    };
    let say = if is_begun {
        format!("{name}: {detail}. {}", left.unwrap_or_default())
    } else {
        format!("{heading}{name}.")
    };
    View {
        name: "running",
        html,
        say,
    }
}

/// The verdict on all of it, as the last line of `--json` has it.
pub(super) fn verdict(reading: &DeskReading) -> Value {
    match (&reading.all, reading.ends.as_slice()) {
        (Some((_, verdict)), _) => verdict.clone(),
        (None, [only]) => only.verdict.clone(),
        _ => json!({
            "proven": false, "reasons": reading.heard,
            "exit_code": reading.exit.map_or(1, Exit::code),
        }),
    }
}

/// The large word, and whether it is a good one: of several copies it is for all of them, and never
/// more than each of them has.
fn heading(reading: &DeskReading) -> (String, bool) {
    let ends = &reading.ends;
    match (&reading.asked, ends.as_slice()) {
        (_, [only]) => (only.heading.clone(), only.is_good),
        (ReadAsked::Format { .. }, _) => ("NOT PROVEN".to_owned(), false),
        (ReadAsked::Check(_), _) => {
            let all_are = |word: &str| ends.iter().all(|end| end.heading == word);
            if all_are("NOT CHECKED") {
                ("NOT CHECKED".to_owned(), false)
            } else if ends.iter().any(|end| end.heading == "STOPPED") {
                ("STOPPED".to_owned(), false)
            } else if reading.exit == Some(Exit::Done) && ends.iter().all(|end| end.is_good) {
                ("INTACT".to_owned(), true)
            } else {
                ("NOT INTACT".to_owned(), false)
            }
        }
    }
}

fn answer(reading: &DeskReading) -> View {
    let (heading, is_good) = heading(reading);
    let only = match reading.ends.as_slice() {
        [only] => Some(only),
        _ => None,
    };
    let said = match (&reading.all, only) {
        (Some((said, _)), _) => said.clone(),
        (None, Some(end)) => end.sentence.clone(),
        (None, None) => match reading.asked {
            ReadAsked::Check(_) => "Nothing was read.".to_owned(),
            ReadAsked::Format { .. } => {
                let name = shown(&reading.name);
                format!("Keep {name} as it is: don't format it, don't shoot on it.")
            }
        },
    };
    let is_check = matches!(reading.asked, ReadAsked::Check(_));
    let words = ["NOT PROVEN", "PROVEN"];
    let large = words.into_iter().find(|word| heading.starts_with(word));
    let (large, of) = heading.split_at(large.map_or(heading.len(), str::len));
    let html = html! {
        div class=(if is_good { "verdict good" } else { "verdict bad" }) {
            h1 tabindex="-1" { (large) @if !of.is_empty() { span.of { (sentence(of)) } } }
            p.lead { (sentence(&said)) }
        }
        @for end in &reading.ends {
            section.card {
                @if only.is_none() {
                    h2 { (foreign(&end.name)) ": " (end.heading) }
                    @if !end.is_good { p { (sentence(&end.sentence)) } }
                }
                (one_end(end, only.is_none(), is_check))
            }
        }
        (list("", &reading.heard))
        p.buttons {
            button.main[!is_good] type="button" data-post="/check-again" {
                @if is_check { (CHECK) } @else { (ASK) }
            }
            @if !is_check && !is_good {
                button type="button" data-post="/read-all" { (READ_ALL) }
            }
            button.main[is_good] type="button" data-post="/next" { "Done" }
            a.button href="/shoots" { "Back to the shoots" }
        }
    };
    let say = format!("{heading}. {said}");
    View {
        name: "answer",
        html,
        say,
    }
}

/// What the terminal says to type again is a button here.
fn by_button(text: &str, is_check: bool) -> String {
    let again = if is_check { CHECK } else { ASK };
    text.replace("Run the same command again", &format!("Press `{again}`"))
        .replace("run the same command again", &format!("press `{again}`"))
        .replace("Ask again with --reread", &format!("Press `{READ_ALL}`"))
        .replace("--reread reads", &format!("`{READ_ALL}` reads"))
}

fn one_end(end: &ReadEnd, is_one_of_several: bool, is_check: bool) -> Markup {
    let words = |texts: &[String]| -> Vec<String> {
        let all = texts.iter().map(|text| by_button(text, is_check));
        all.collect()
    };
    let (steps, troubles): (Vec<_>, Vec<_>) = end
        .troubles
        .iter()
        .partition(|(reasons, _)| reasons.is_empty());
    let steps: Vec<String> = steps.into_iter().map(|(_, step)| step.clone()).collect();
    html! {
        @for text in &end.before { p { (sentence(text)) } }
        @if !end.head.is_empty() { p { (sentence(&end.head)) } }
        @if !end.copies.is_empty() {
            dl {
                @for (name, holds) in &end.copies {
                    div { dt { (foreign(name)) } @for text in holds { dd { (sentence(text)) } } }
                }
            }
        }
        @if !end.found.is_empty() {
            ul {
                @for (word, text) in &end.found {
                    li { strong.bad { (word) } " " (sentence(text)) }
                }
            }
            @if end.more > 0 { p.soft { "And " (end.more) " more; `unlade verify` has all." } }
        }
        @if !troubles.is_empty() {
            @if is_one_of_several { h3 { "What to do next" } } @else { h2 { "What to do next" } }
            ol {
                @for (reasons, step) in &troubles {
                    li {
                        @if let Some(first) = reasons.first() {
                            (sentence(first)) " "
                            @if reasons.len() > 1 { "And " (reasons.len() - 1) " more like it. " }
                        }
                        strong { (sentence(&by_button(step, is_check))) }
                    }
                }
            }
        }
        @for step in words(&steps) { p { (sentence(&step)) } }
        (list("soft", &words(&end.notes)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;
    use unlade::card::identity::CardIdentity;
    use unlade::digest::Digest;

    fn card() -> CardIdentity {
        CardIdentity {
            label: "KITES".to_owned(),
            name: None,
            path: "/media/KITES".to_owned(),
            volume_id: None,
            made_as: None,
            listing_b3: Digest::of(b"kites"),
            content_b3: None,
            files: 1,
            bytes: 10,
            sample: ["0a".to_owned()].into(),
        }
    }

    fn reading(asked: ReadAsked, words: &[(&str, bool)], exit: Exit) -> DeskReading {
        let end = |(word, is_good): &(&str, bool)| ReadEnd {
            heading: (*word).to_owned(),
            is_good: *is_good,
            ..ReadEnd::default()
        };
        DeskReading {
            asked,
            name: "KITES".to_owned(),
            cancel: Arc::default(),
            begun: Duration::ZERO,
            done: (0, 0, Duration::ZERO),
            ends: words.iter().map(end).collect(),
            all: None,
            heard: Vec::new(),
            exit: Some(exit),
        }
    }

    #[test]
    fn a_heading_says_no_more_than_each_answer() {
        let check = || ReadAsked::Check(Vec::new());
        let format = || ReadAsked::Format {
            card: "/media/KITES".into(),
            held: Box::new(card()),
            shoot: None,
            rereads: false,
        };
        let (good, bad) = (("INTACT", true), ("NOT INTACT", false));
        let (none, stopped) = (("NOT CHECKED", false), ("STOPPED", false));
        for (asked, ends, exit, expected) in [
            (check(), vec![good], Exit::Done, good),
            (check(), vec![good, good], Exit::Done, good),
            (check(), vec![good, bad], Exit::NotProven, bad),
            (check(), vec![good, none], Exit::Refused, bad),
            (check(), vec![none, none], Exit::Refused, none),
            (check(), vec![good, stopped], Exit::Interrupted, stopped),
            (check(), vec![], Exit::Done, none),
            (
                format(),
                vec![("PROVEN", true)],
                Exit::Done,
                ("PROVEN", true),
            ),
            (format(), vec![], Exit::Done, ("NOT PROVEN", false)),
        ] {
            let said = heading(&reading(asked, &ends, exit));
            assert_eq!((said.0.as_str(), said.1), expected, "{ends:?}");
        }
    }

    #[test]
    fn what_is_typed_again_is_a_button() {
        let said = by_button("Run the same command again; a check starts over.", true);
        assert_eq!(said, "Press `Check again`; a check starts over.");
        let said = by_button("Ask again with --reread: it reads the card.", false);
        assert_eq!(said, "Press `Read all and ask again`: it reads the card.");
    }
}
