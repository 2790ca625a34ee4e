//! Owns that the pages are shown what is new: rendered in a thread of its own, once for all.

use super::pages;
use super::state::{Desk, DeskError};
use serde_json::{Value, json};
use std::sync::Arc;
use std::time::Duration;

/// Pages are told no more often.
const SHOW_EVERY: Duration = Duration::from_millis(250);
/// Pages are told at least so often whether they are up to date.
const SHOW_LATEST: Duration = Duration::from_secs(5);
/// How long the last that is told may take to reach the pages.
const LAST_WORD: Duration = Duration::from_millis(300);
/// Starts the thread that renders what is new.
///
/// # Errors
/// The system gives no thread.
pub(super) fn start(desk: &Arc<Desk>) -> Result<(), DeskError> {
    let desk = Arc::clone(desk);
    let show = move || {
        let mut last = Value::Null;
        while !desk.is_ending() {
            // Nothing new is told now and then as well: it costs little and mends what was missed.
            if !desk.wait_for_news(SHOW_LATEST) && desk.is_ending() {
                return;
            }
            if desk.frames.receiver_count() > 0 {
                show(&desk, &mut last);
            }
            desk.tools.clock.sleep(SHOW_EVERY);
        }
    };
    let thread = std::thread::Builder::new().name("desk-show".into());
    thread.spawn(show).map(drop).map_err(DeskError::Server)
}

/// Shows what is new, with when it was so: a page that was loaded since is further already.
fn show(desk: &Desk, last: &mut Value) {
    let at = desk.age_ms();
    let state = desk.lock().clone();
    let view = pages::view(&state);
    let shown = json!({"view": view.name, "html": view.html.into_string(), "say": view.say});
    if *last == shown {
        return;
    }
    last.clone_from(&shown);
    let mut frame = shown;
    if let Value::Object(fields) = &mut frame {
        fields.insert("at".to_owned(), at.into());
    }
    drop(desk.frames.send_replace(frame.to_string().into()));
}

/// Tells the pages that it is over, and ends the server.
pub(super) fn end(desk: &Desk) {
    let frame = json!({"view": "ended", "html": "", "say": ""});
    drop(desk.frames.send_replace(frame.to_string().into()));
    if let Some(runtime) = desk.take_runtime() {
        desk.tools.clock.sleep(LAST_WORD);
        runtime.shutdown_background();
    }
}
