//! Owns what every page shares: one style sheet, the script, and the mark.

use super::state::Desk;
use axum::Router;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse as _, Response};
use axum::routing::get;
use std::sync::Arc;

const STYLE: &str = include_str!("assets/desk.css");
const SCRIPT: &str = include_str!("assets/desk.js");
const EVENTS: &str = include_str!("assets/events.js");
const MARK: &str = include_str!("assets/mark.svg");

/// Bytes of script that a page may load.
#[cfg(test)]
const SCRIPT_MAX: usize = 40_000;

pub(super) fn routes() -> Router<Arc<Desk>> {
    let served =
        |kind: &'static str, text: &'static str| get(move || async move { asset(kind, text) });
    Router::new()
        .route("/desk.css", served("text/css; charset=utf-8", STYLE))
        .route("/desk.js", served("text/javascript; charset=utf-8", SCRIPT))
        .route(
            "/events.js",
            served("text/javascript; charset=utf-8", EVENTS),
        )
        .route("/mark.svg", served("image/svg+xml", MARK))
}

fn asset(kind: &'static str, text: &'static str) -> Response {
    ([(CONTENT_TYPE, kind)], text).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_script_stays_small() {
        assert!(SCRIPT.len() + EVENTS.len() <= SCRIPT_MAX);
    }
}
