//! Owns how a page is answered that wanted something done.

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use serde_json::json;

/// Says why something was not done, in a sentence.
pub(super) fn refused(why: &str) -> Response {
    (StatusCode::UNPROCESSABLE_ENTITY, Json(json!({"why": why}))).into_response()
}

/// Says that it is done, or why not; the page itself shows what came of it.
pub(super) fn done_or(done: Result<(), String>) -> Response {
    match done {
        Ok(()) => StatusCode::NO_CONTENT.into_response(),
        Err(why) => refused(&why),
    }
}

/// The same for what looks at drives first, and may hang at one.
pub(super) async fn done_by<F>(work: F) -> Response
where
    F: FnOnce() -> Result<(), String> + Send + 'static,
{
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done_or(done),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}
