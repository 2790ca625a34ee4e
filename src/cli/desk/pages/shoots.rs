//! Owns the view *Shoots*: for now it names the command.

use super::frame::page;
use crate::cli::desk::state::Desk;
use axum::Router;
use axum::response::Html;
use axum::routing::get;
use maud::html;
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route("/shoots", get(async || Html(view())))
}

fn view() -> String {
    let body = html! {
        h1 { "Shoots" }
        p { "What was done, in a terminal: " code { "unlade ledger" } }
    };
    page("/shoots", &body).into_string()
}
