//! Owns the view *Answer*: PROVEN or NOT PROVEN, why, and what to do next.

use super::frame::{View, foreign, list, sentence, subheading};
use crate::cli::desk::reply::{done_by, refused};
use crate::cli::desk::state::{CardEnd, Desk, DeskWork};
use crate::cli::desk::{jobs, typed};
use crate::cli::exit::Exit;
use axum::Router;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::response::{IntoResponse as _, Response};
use axum::routing::{get, post};
use camino::Utf8PathBuf;
use maud::{Markup, html};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use std::sync::Arc;
use unlade::name::shown;

const NOT: &str = "NOT PROVEN";

/// Bytes of a page of the record; those of 100,000 files have less.
const RECORD_MAX: u64 = 64 << 20;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/next", post(next))
        .route("/again", post(again))
        .route("/record/{work}/{card}", get(record))
}

/// The verdict on all of it, as the last line of `--json` has it.
pub(super) fn verdict(work: &DeskWork) -> Value {
    let only = work.cards.first().and_then(|card| card.end.as_ref());
    match (&work.all, only) {
        (Some((_, verdict)), _) => verdict.clone(),
        (None, Some(end)) if work.cards.len() == 1 => end.verdict.clone(),
        _ => json!({
            "proven": false, "copies": 0, "reasons": work.heard,
            "exit_code": work.exit.map_or(1, Exit::code),
        }),
    }
}

/// The large word: of several cards it is for all of them.
fn heading(work: &DeskWork) -> String {
    let ends: Option<Vec<&CardEnd>> = work.cards.iter().map(|card| card.end.as_ref()).collect();
    match ends.as_deref() {
        Some([only]) => only.heading.clone(),
        Some(_) if work.exit.is_some_and(Exit::is_good) => "PROVEN".to_owned(),
        _ => NOT.to_owned(),
    }
}

pub(super) fn view(work: &DeskWork) -> View {
    let heading = heading(work);
    let is_good = !heading.starts_with(NOT);
    let (large, of) = heading.split_at(if is_good { "PROVEN".len() } else { NOT.len() });
    let only = work.cards.first().filter(|_| work.cards.len() == 1);
    let only = only.and_then(|card| card.end.as_ref());
    let answer = match (&work.all, only) {
        (Some((answer, _)), _) => answer.clone(),
        (None, Some(end)) => end.sentence.clone(),
        (None, None) => "Nothing was copied. Keep the card as it is.".to_owned(),
    };
    let html = html! {
        div class=(if is_good { "verdict good" } else { "verdict bad" }) {
            h1 tabindex="-1" { (large) @if !of.is_empty() { span.of { (sentence(of)) } } }
            p.lead { (sentence(&answer)) }
        }
        @for (index, card) in work.cards.iter().enumerate() {
            @if let Some(end) = &card.end {
                section.card {
                    @if only.is_none() {
                        h2 { (foreign(&card.name)) ": " (end.heading) }
                        p { (sentence(&end.sentence)) }
                    }
                    (card_end(end, only.is_none()))
                    @if !end.records.is_empty() {
                        p {
                            a.button href={ "/record/" (work.id) "/" (index) } {
                                "Record"
                                @if only.is_none() {
                                    span.aside { " of " (shown(&card.name)) }
                                }
                            }
                        }
                    }
                }
            }
        }
        (list("", &work.heard))
        p.buttons {
            @if !is_good { button.main type="button" data-post="/again" { "Copy again" } }
            button.main[is_good] type="button" data-post="/next" { "Next card" }
        }
        @if !is_good {
            p.soft {
                "In a terminal it is " code { (foreign(&typed::command(&work.asked))) }
                ", where flags can be added."
            }
        }
    };
    let say = format!("{heading}. {answer}");
    View {
        name: "answer",
        html,
        say,
    }
}

fn card_end(end: &CardEnd, is_one_of_several: bool) -> Markup {
    html! {
        @if !end.troubles.is_empty() {
            (subheading(is_one_of_several, "", "What to do next"))
            ol {
                @for (reasons, step) in &end.troubles {
                    li {
                        @if let Some(first) = reasons.first() {
                            (sentence(first)) " "
                            @if reasons.len() > 1 { "And " (reasons.len() - 1) " alike. " }
                        }
                        strong { (sentence(step)) }
                    }
                }
            }
        }
        @for text in &end.before { p { (sentence(text)) } }
        p { (sentence(&end.head)) }
        dl {
            @for (name, state) in &end.drives {
                div { dt { (foreign(name)) } dd { (sentence(state)) } }
            }
        }
        @if !end.hints.is_empty() {
            (subheading(is_one_of_several, "", "Hints on what was recorded"))
            p.soft { "These change nothing about the answer." }
            (list("", &end.hints))
        }
        (list("soft", &end.notes))
    }
}

/// Goes back to what is plugged in.
async fn next(State(desk): State<Arc<Desk>>) -> StatusCode {
    jobs::put_away(&desk);
    StatusCode::NO_CONTENT
}

/// Begins the same copy again: what is proven is kept.
async fn again(State(desk): State<Arc<Desk>>) -> Response {
    let asked = desk.lock().work.as_ref().map(|work| work.asked.clone());
    match asked {
        Some(asked) => done_by(move || jobs::start_again(&desk, asked)).await,
        None => refused("There is nothing to copy again."),
    }
}

/// Shows the page of a record, from the first drive that has it: named by its number, never by a
/// path.
async fn record(State(desk): State<Arc<Desk>>, Path((work, card)): Path<(u64, usize)>) -> Response {
    let found = desk.lock().work.clone().filter(|known| known.id == work);
    let end = found.and_then(|work| work.cards.into_iter().nth(card)?.end);
    let records = end.map_or_else(Vec::new, |end| end.records);
    let read = tokio::task::spawn_blocking(move || read_first(&desk, &records)).await;
    let Some(page) = read.ok().flatten() else {
        let text = "This page can't be read now: is the drive plugged in?";
        return (StatusCode::NOT_FOUND, text).into_response();
    };
    let headers = [
        (CONTENT_TYPE, "text/html; charset=utf-8".to_owned()),
        (CONTENT_SECURITY_POLICY, policy_of(&page)),
    ];
    (headers, page).into_response()
}

fn read_first(desk: &Desk, records: &[Utf8PathBuf]) -> Option<String> {
    let read = |path: &Utf8PathBuf| desk.tools.disk.read_record(path, RECORD_MAX).ok();
    let bytes = records.iter().find_map(read)?;
    String::from_utf8(bytes).ok()
}

/// What the page of a record may do: nothing; only the style that stands in it is its own.
fn policy_of(page: &str) -> String {
    let style = page.split_once("<style>");
    let style = style.and_then(|(_, rest)| rest.split_once("</style>"));
    let hash = Sha256::digest(style.map_or("", |(style, _)| style));
    format!(
        "default-src 'none'; style-src 'sha256-{}'; base-uri 'none'; form-action 'none'; \
         frame-ancestors 'none'; sandbox",
        base64(&hash)
    )
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::new();
    for three in bytes.chunks(3) {
        let all = three
            .iter()
            .fold(0_u32, |all, byte| all << 8 | u32::from(*byte));
        let all = all << (8 * (3 - three.len()));
        for place in 0..4 {
            let at = usize::try_from(all >> (18 - 6 * place) & 63).unwrap_or_default();
            let letter = LETTERS.get(at).filter(|_| place <= three.len());
            text.push(letter.map_or('=', |letter| char::from(*letter)));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4648, section 10, its test vectors.
    #[test]
    fn a_hash_is_written_as_a_policy_has_it() {
        let known = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, written) in known {
            assert_eq!(base64(plain.as_bytes()), written);
        }
    }
}
