//! Owns what a watch says while it runs: a line for each thing on standard error, or an event for
//! programs.

use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use jiff::ZonedDateTime;
use serde_json::{Value, json};
use std::sync::Arc;
use unlade::clock::Clock;

/// Where a watch says what happens.
#[derive(Clone)]
pub(super) struct WatchLog {
    pub(super) out: Out,
    clock: Arc<dyn Clock>,
}

impl WatchLog {
    pub(super) fn new(out: Out, clock: Arc<dyn Clock>) -> Self {
        Self { out, clock }
    }

    /// Tells of one thing: `what` is its word for programs, `text` the line for people, and `more`
    /// what programs get besides.
    pub(super) fn tell(&self, what: &str, card: Option<&str>, text: &str, more: Value) {
        if !self.out.json {
            return self.line(card, text);
        }
        let mut body = json!({"what": what, "card": card, "detail": text});
        if let (Value::Object(body), Value::Object(more)) = (&mut body, more) {
            body.extend(more);
        }
        Json::new(self.out, Arc::clone(&self.clock)).send("watch", body);
    }

    /// Writes a line for people.
    pub(super) fn line(&self, card: Option<&str>, text: &str) {
        let now = ZonedDateTime::new(self.clock.now(), self.clock.zone());
        let about = card.map_or_else(String::new, |card| format!("{card}: "));
        self.out
            .log(&format!("{}  {about}{text}", now.strftime("%H:%M:%S")));
    }
}
