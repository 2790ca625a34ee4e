//! Owns the view *Weigh*: what a card, a reader, a recording or a burst comes to, with a plot and
//! the same numbers below it. It reckons with what `unlade weigh` reckons with.

mod burst;
mod footage;
mod inputs;
mod offload;

use super::frame::page;
use crate::cli::desk::state::Desk;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use axum::Router;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse as _, Response};
use axum::routing::get;
use inputs::Inputs;
use maud::html;
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route("/weigh", get(weigh))
}

async fn weigh(
    State(desk): State<Arc<Desk>>,
    Query(pairs): Query<Vec<(String, String)>>,
) -> Response {
    let made = tokio::task::spawn_blocking(move || view(&desk, pairs)).await;
    match made {
        Ok(html) => Html(html).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

fn view(desk: &Desk, pairs: Vec<(String, String)>) -> String {
    // One with a mistake is shown as such on the page of the kit.
    let kit = folder(&desk.common).and_then(|home| kit_file::read(&home).ok());
    let kit = kit.unwrap_or_default();
    let inputs = Inputs::new(pairs);
    let body = html! {
        h1 { "Weigh" }
        p.soft {
            "MB/s are megabytes (10^6 bytes) a second, Mb/s megabits: 100 Mb/s are 12.5 MB/s. The \
             figure on a card's label is how fast it reads. A class (V30, V60, V90) is what it can \
             be written with at least, and says nothing of reading."
        }
        form method="get" action="/weigh" {
            (offload::section(&inputs, &kit))
            (footage::section(&inputs, &desk.tools))
            (burst::section(&inputs))
        }
    };
    page("/weigh", &body).into_string()
}
