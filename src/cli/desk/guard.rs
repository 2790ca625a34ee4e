//! Owns what stands before and around everything that is served: who is let in, and what a browser
//! may do with what it gets.

use super::session::key;
use super::state::Desk;
use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, LOCATION, REFERRER_POLICY, SET_COOKIE,
    X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderName, HeaderValue, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};
use std::sync::Arc;
use std::time::Duration;

/// How long the answer to a change, or to a question with a long one, may take.
const CHANGE_MAX: Duration = Duration::from_secs(120);

/// Nothing but what comes from here; no script or style within a page.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
    connect-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; \
    frame-ancestors 'none'";

/// Stands before everything that is served.
pub(super) async fn guard(State(desk): State<Arc<Desk>>, request: Request, next: Next) -> Response {
    let mut response = if let Some(why) = desk.session.refusal(&request) {
        desk.tell_refused(why);
        refused()
    } else if key(&request).is_some() {
        let to = [
            (LOCATION, "/".to_owned()),
            (SET_COOKIE, desk.session.set_cookie()),
        ];
        (StatusCode::SEE_OTHER, to).into_response()
    } else {
        let answer = tokio::time::timeout(CHANGE_MAX, next.run(request)).await;
        answer.unwrap_or_else(|_| StatusCode::REQUEST_TIMEOUT.into_response())
    };
    let headers = response.headers_mut();
    let own = [
        (CACHE_CONTROL, "no-store"),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        // With none at all a browser names no origin for a form.
        (REFERRER_POLICY, "same-origin"),
        (
            HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ),
        (
            HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ),
    ];
    for (name, value) in own {
        headers.insert(name, HeaderValue::from_static(value));
    }
    let policy = headers.entry(CONTENT_SECURITY_POLICY);
    policy.or_insert(HeaderValue::from_static(POLICY));
    response
}

/// Says no, and what to do.
fn refused() -> Response {
    const PAGE: &str = "<!DOCTYPE html><html lang=\"en\"><meta charset=\"utf-8\">\
        <title>unlade</title><main><h1>Not for this browser</h1><p>This page needs the address \
        that <code>unlade desk</code> printed. Open that address; or end it with Ctrl-C and start \
        it again.</p></main></html>\n";
    let html = [(CONTENT_TYPE, "text/html; charset=utf-8")];
    (StatusCode::FORBIDDEN, html, Body::from(PAGE)).into_response()
}
