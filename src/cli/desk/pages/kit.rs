//! Owns the view *Kit*: for now it names the command.

use super::frame::page;
use crate::cli::desk::state::Desk;
use axum::Router;
use axum::response::Html;
use axum::routing::get;
use maud::html;
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route("/kit", get(async || Html(view())))
}

fn view() -> String {
    let body = html! {
        h1 { "Kit" }
        p { "Your cards, readers and drives, in a terminal: " code { "unlade kit list" } }
    };
    page("/kit", &body).into_string()
}
