//! Owns the view *Weigh*: for now it names the command.

use super::frame::page;
use crate::cli::desk::state::Desk;
use axum::Router;
use axum::response::Html;
use axum::routing::get;
use maud::html;
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route("/weigh", get(async || Html(view())))
}

fn view() -> String {
    let body = html! {
        h1 { "Weigh" }
        p {
            "What a card can record, and what a faster part would save, in a terminal: "
            code { "unlade weigh" }
        }
    };
    page("/weigh", &body).into_string()
}
