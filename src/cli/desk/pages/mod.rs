//! Owns what the pages show: text from what the desk knows.

mod answer;
mod chart;
mod frame;
mod kit;
mod now;
mod plot;
mod reading;
mod running;
mod shoots;
mod weigh;

#[cfg(test)]
mod tests;

use super::picker;
use super::state::{Desk, DeskState};
use axum::extract::State;
use axum::response::Html;
use axum::routing::get;
use axum::{Json, Router};
use frame::View;
use serde_json::{Value, json};
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/", get(first))
        .route("/state", get(state))
        .merge(now::routes())
        .merge(running::routes())
        .merge(answer::routes())
        .merge(reading::routes())
        .merge(shoots::routes())
        .merge(kit::routes())
        .merge(weigh::routes())
        .merge(picker::routes())
}

/// Returns what is shown now.
pub(super) fn view(state: &DeskState) -> View {
    match (&state.reading, &state.work) {
        (Some(reading), _) => reading::view(reading),
        (None, None) => now::view(state),
        (None, Some(work)) if work.exit.is_none() => running::view(work),
        (None, Some(work)) => answer::view(work),
    }
}

async fn first(State(desk): State<Arc<Desk>>) -> Html<String> {
    let at = desk.age_ms();
    let state = desk.lock().clone();
    Html(frame::live(&view(&state), at).into_string())
}

/// The state for programs: the view, and in the end the verdict as `--json` has it.
async fn state(State(desk): State<Arc<Desk>>) -> Json<Value> {
    let state = desk.lock().clone();
    let ended = state.work.as_ref().filter(|work| work.exit.is_some());
    let read = state.reading.as_ref().filter(|read| read.exit.is_some());
    let verdict = ended.map(answer::verdict);
    let verdict = verdict.or_else(|| read.map(reading::verdict));
    Json(json!({"view": view(&state).name, "verdict": verdict}))
}
