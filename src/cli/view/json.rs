//! Owns the events as NDJSON on standard output: one object a line.

use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use camino::{Utf8Path, Utf8PathBuf};
use serde_json::{Value, json};
use std::sync::Arc;
use unlade::clock::Clock;
use unlade::error::Problem;
use unlade::event::{DestinationSnapshot, Event, Observer, Snapshot};
use unlade::name::shown;
use unlade::plan::Plan;
use unlade::plan::earlier::LeftIn;
use unlade::speed::forecast::Remaining;
use unlade::speed::link::{Bottleneck, Link};

/// An observer for programs.
pub(crate) struct Json {
    out: Out,
    clock: Arc<dyn Clock>,
    /// The card that the events are about, where there are several.
    card: Option<Utf8PathBuf>,
    /// The offload that they are about, where its name is known and several may run.
    offload: Option<String>,
    /// Told with the plan, after the plan's own.
    notes: Vec<&'static str>,
    /// The state at the last tick, which the second read goes on from.
    last: Option<Box<Snapshot>>,
    /// Problems that were sent.
    problems: u64,
}

impl Json {
    pub(crate) fn new(out: Out, clock: Arc<dyn Clock>) -> Self {
        Self {
            out,
            clock,
            card: None,
            offload: None,
            notes: Vec::new(),
            last: None,
            problems: 0,
        }
    }

    /// Names the card in every event.
    pub(crate) fn about(&mut self, card: &Utf8Path) {
        self.card = Some(card.to_owned());
    }

    /// Names the offload in every event.
    pub(crate) fn of_offload(&mut self, offload: &str) {
        self.offload = Some(offload.to_owned());
    }

    /// Adds a note on the computer to those of the plan.
    pub(crate) fn note(&mut self, note: &'static str) {
        self.notes.push(note);
    }

    /// Prints one event; `t` is in seconds since the start of the command.
    pub(crate) fn send(&self, event: &str, body: Value) {
        // One count for all that a command sends.
        let t = self.clock.elapsed().as_secs_f64();
        let mut object = serde_json::Map::new();
        object.insert("event".to_owned(), event.into());
        object.insert("t".to_owned(), json!((t * 1e3).round() / 1e3));
        if let Some(card) = &self.card {
            object.insert("card".to_owned(), card.as_str().into());
        }
        if let Some(offload) = &self.offload {
            object.insert("offload".to_owned(), offload.as_str().into());
        }
        if let Value::Object(fields) = body {
            object.extend(fields);
        }
        self.out.object(&Value::Object(object).to_string());
    }

    /// Sends the verdict on all, the last line: that of the last card or offload alone would be
    /// taken for it. `what` is what they are, and each has its name, whether it is proven, and its
    /// end; `exit` is that of the command.
    pub(crate) fn send_for_all(&self, what: &str, ends: &[(&str, bool, Exit)], exit: Exit) {
        self.send("verdict", Self::for_all(what, ends, exit));
    }

    /// Returns that verdict.
    pub(crate) fn for_all(what: &str, ends: &[(&str, bool, Exit)], exit: Exit) -> Value {
        let all: Vec<Value> = ends
            .iter()
            .map(|(name, proven, exit)| {
                json!({"name": name, "proven": proven, "exit_code": exit.code()})
            })
            .collect();
        let open = ends
            .iter()
            .filter(|(_, proven, exit)| !proven || exit.code() > 0);
        let reasons: Vec<String> = open
            .map(|(name, _, exit)| {
                let what = match exit {
                    Exit::Done => "is intact, which alone proves no card",
                    _ => "is not proven",
                };
                format!("`{}` {what}", shown(name))
            })
            .collect();
        json!({
            what: all, "proven": reasons.is_empty(), "reasons": reasons,
            "read_whole": ends.iter().all(|(.., exit)| *exit != Exit::Folder),
            "exit_code": exit.code(),
        })
    }

    /// Sends the verdict on all cards of a command.
    pub(crate) fn send_for_all_cards(&self, ends: &[(&str, Exit)]) {
        self.send("verdict", Self::for_all_cards(ends));
    }

    /// Sends the verdict on a card that was refused.
    pub(crate) fn send_refused(&self, card: &Utf8Path, reasons: &[Problem]) {
        self.send("verdict", Self::refused(card, reasons));
    }

    /// Sends the verdict on a card of which nothing was looked at.
    pub(crate) fn send_unproven(&self, card: &Utf8Path, reasons: &[&str], exit: Exit) {
        self.send("verdict", Self::unproven(card, reasons, exit));
    }

    /// Returns the verdict on all cards of a command.
    pub(crate) fn for_all_cards(ends: &[(&str, Exit)]) -> Value {
        let exit = Exit::of_all(ends.iter().map(|(_, exit)| *exit));
        let ends: Vec<_> = ends
            .iter()
            .map(|(card, exit)| (*card, exit.is_good() || *exit == Exit::Folder, *exit))
            .collect();
        Self::for_all("cards", &ends, exit)
    }

    /// Returns the verdict on a card that was refused.
    pub(crate) fn refused(card: &Utf8Path, reasons: &[Problem]) -> Value {
        let reasons: Vec<&str> = reasons.iter().map(|r| r.detail.as_str()).collect();
        Self::unproven(card, &reasons, Exit::Refused)
    }

    /// Returns the verdict on a card of which nothing was looked at.
    pub(crate) fn unproven(card: &Utf8Path, reasons: &[&str], exit: Exit) -> Value {
        json!({
            "card": card, "proven": false, "copies": 0, "reasons": reasons,
            "exit_code": exit.code(),
        })
    }

    fn tick(&mut self, snapshot: Box<Snapshot>) {
        let body = serde_json::to_value(&snapshot).unwrap_or(Value::Null);
        self.send("tick", body);
        self.last = Some(snapshot);
    }

    fn planned(&self, plan: &Plan) {
        let (files, bytes) = plan.to_read();
        let destinations: Vec<Value> = plan
            .destinations
            .iter()
            .map(|d| {
                json!({
                    "path": d.given, "root": d.root, "filesystem": d.facts.filesystem,
                    "copy_files": d.copy_files, "copy_bytes": d.copy_bytes,
                    "kept_files": d.kept_files, "kept_bytes": d.kept_bytes,
                    "left_files": d.left_files, "left_bytes": d.left_bytes,
                    "left_in": d.left_in.iter().map(left_in).collect::<Vec<_>>(),
                    "check_files": d.check_files,
                    "needs_bytes": d.needs_bytes, "free_bytes": d.facts.free_bytes,
                })
            })
            .collect();
        let ceiling = &plan.estimate.ceiling;
        let told = plan.notes.iter().chain(ceiling.notes());
        let own = self.notes.iter().copied();
        let notes: Vec<&str> = told.map(String::as_str).chain(own).collect();
        self.send(
            "planned",
            json!({
                "card": plan.card.given, "label": plan.card.label,
                "name": (!plan.has_nothing_new()).then_some(&plan.name),
                "layout": plan.layout, "mhl": plan.has_mhl(),
                "files_to_read": files, "bytes_to_read": bytes,
                "destinations": destinations, "notes": notes,
                "links": ceiling.links(), "ceiling_mbps": ceiling.mbps(),
                "usual_mbps": ceiling.usual().map(|(low, high)| [low, high]),
                "limiting_link": ceiling.limiting().map(Link::name),
                "forecast": plan.expects(),
            }),
        );
    }

    /// The second read goes on from the last tick of the first.
    fn tick_again(&mut self, done: u64, total: u64, left: Option<Remaining>) {
        let last = self.last.as_deref().cloned().unwrap_or_default();
        // Nothing else goes on now, and what was measured belongs to the first read.
        let idle = |d: DestinationSnapshot| DestinationSnapshot {
            busy_write: 0.0,
            busy_flush: 0.0,
            busy_read_back: 0.0,
            ..d
        };
        self.tick(Box::new(Snapshot {
            card_done: done >= total,
            again_read: done,
            again_total: total,
            remaining: left,
            live_rate: None,
            live_rate_at_least: false,
            busy_read: 1.0,
            busy_hash: 0.0,
            limiting: Bottleneck::Card,
            destinations: last.destinations.into_iter().map(idle).collect(),
            stalled_s: 0.0,
            waiting_for: None,
            problems: last.problems.max(self.problems),
            ..last
        }));
    }
}

impl Observer for Json {
    fn event(&mut self, event: &Event<'_>) {
        match event {
            Event::Listed {
                card,
                files,
                bytes,
                folders,
                left_out,
                troubles,
            } => self.send(
                "listed",
                json!({
                    "card": card, "files": files, "bytes": bytes, "folders": folders,
                    "left_out": left_out, "troubles": troubles,
                }),
            ),
            Event::Planned(plan) => self.planned(plan),
            Event::Refused(reasons) => self.send("refused", json!({"reasons": reasons})),
            Event::Tick(snapshot) => self.tick(snapshot.clone()),
            Event::ReadAgain(done, total, left) => self.tick_again(*done, *total, *left),
            Event::File {
                path,
                bytes,
                blake3,
                destination,
                proof,
                way,
            } => self.send(
                "file",
                json!({
                    "path": path, "bytes": bytes, "blake3": blake3, "destination": destination,
                    "proof": proof, "readback": way,
                }),
            ),
            Event::Problem(problem) => {
                self.problems += 1;
                let mut body = serde_json::to_value(problem).unwrap_or(Value::Null);
                if let Value::Object(fields) = &mut body {
                    fields.insert("next".to_owned(), problem.next_step().into());
                }
                self.send("problem", body);
            }
            Event::Salvaging(path, read, of) => self.send(
                "salvaging",
                json!({"path": path, "bytes_read": read, "bytes": of}),
            ),
            Event::Salvaged(path, words) => {
                self.send("salvaged", json!({"path": path, "detail": words}));
            }
            Event::RateChange(change, _) => {
                self.send(
                    "rate-change",
                    serde_json::to_value(change).unwrap_or(Value::Null),
                );
            }
            Event::Hint(hint) => self.send(
                "hint",
                json!({"kind": hint.kind, "path": hint.path, "detail": hint.detail()}),
            ),
            // Part of the ticks as `card_done`; the verdict is sent with its exit code at the end.
            Event::Sampling(_) | Event::CardRead | Event::Ended => {}
        }
    }
}

/// Files that stay in an earlier offload.
fn left_in(left: &LeftIn) -> Value {
    json!({"offload": left.within, "files": left.files, "bytes": left.bytes})
}
