//! Owns `copy --then`: what is PROVEN is sent to a place after its answer, from a copy on a drive.
//! The card is not needed for it.

use super::send_one;
use crate::cli::args::Common;
use crate::cli::args::send::SendArgs;
use crate::cli::command::shared::after::{CopiedCard, PlannedCopies};
use crate::cli::command::shared::place::{MeantPlace, NoStore, home, meant, opened};
use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use crate::cli::view::text::{all_of, wrap};
use crate::cli::view::words::sending::planned_words;
use camino::Utf8PathBuf;
use jiff::ZonedDateTime;
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use unlade::clock::rfc3339;
use unlade::place::rates::expects;
use unlade::run::Tools;
use unlade::speed::forecast::Remaining;

/// Places that are to have what is copied, before anything is.
pub(crate) struct Then {
    home: Utf8PathBuf,
    places: Vec<MeantPlace>,
}

impl Then {
    /// Finds the places. None of them is asked: one that is away holds up no copy.
    ///
    /// # Errors
    /// The exit code, once it is told which place there is none.
    pub(crate) fn of(
        places: &[String],
        common: &Common,
        out: Out,
        tools: &Tools,
    ) -> Result<Option<Self>, Exit> {
        if places.is_empty() {
            return Ok(None);
        }
        let found = home(common).and_then(|home| {
            let places = places.iter().map(|place| meant(place, &home));
            let places = places.collect::<Result<Vec<_>, _>>()?;
            Ok(Self { home, places })
        });
        found
            .map(Some)
            .map_err(|NoStore(lines, exit)| refuse(&lines, exit, "copy", out, tools))
    }

    /// Says how long sending takes to each place, by what was sent there before.
    pub(crate) fn tell_times(&self, planned: PlannedCopies, out: Out, tools: &Tools) {
        for place in &self.places {
            let known = expects(&self.home, &place.address, planned.bytes);
            // What can't be read is as good as not known.
            let known = known.ok().flatten();
            let after = planned.takes.map(|copying| copying.likely_s);
            let ends = after.zip(known).map(|(after, known)| {
                let seconds = Duration::from_secs_f64(after + known.takes.likely_s);
                tools.clock.now() + seconds
            });
            if out.json {
                let takes = known.map(|known| {
                    let Remaining {
                        low_s,
                        likely_s,
                        high_s,
                    } = known.takes;
                    json!({"low_s": low_s, "likely_s": likely_s, "high_s": high_s})
                });
                let body = json!({
                    "place": place.name, "bytes": planned.bytes, "takes": takes,
                    "done": ends.map(rfc3339),
                });
                Json::new(out, Arc::clone(&tools.clock)).send("sending-planned", body);
                continue;
            }
            let ends = ends.map(|ends| ZonedDateTime::new(ends, tools.clock.zone()));
            let text = planned_words(&place.name, planned.bytes, known, ends.as_ref());
            for line in wrap(&text, out.width, "Then     ", "         ") {
                out.line(&line);
            }
        }
    }

    /// Sends every card, place after place.
    pub(crate) fn send(&self, cards: &[CopiedCard], out: Out, tools: &Tools) -> Vec<Exit> {
        let mut ends = Vec::new();
        for place in &self.places {
            let (proven, not): (Vec<_>, Vec<_>) =
                cards.iter().partition(|card| !card.copies.is_empty());
            for card in not {
                tell_not_sent(card, place, out, tools);
            }
            if proven.is_empty() {
                continue;
            }
            if tools.cancel.load(Ordering::Relaxed) {
                for card in proven {
                    tell_not_sent(card, place, out, tools);
                }
                ends.push(Exit::Interrupted);
                continue;
            }
            let store = match opened(place, tools) {
                Ok(store) => store,
                Err(NoStore(lines, exit)) => {
                    ends.push(refuse(&lines, exit, "send", out, tools));
                    continue;
                }
            };
            for card in proven {
                let Some(root) = card.copies.first() else {
                    continue;
                };
                if store.is_cancelled() {
                    tell_not_sent(card, place, out, tools);
                    ends.push(Exit::Interrupted);
                    continue;
                }
                if !out.json && !out.quiet {
                    out.line("");
                }
                let args = SendArgs::of_copy();
                let sent = send_one(root, &args, (&self.home, place, &store), out, tools);
                ends.push(
                    sent.unwrap_or_else(|line| {
                        refuse(&[line], Exit::NotProven, "send", out, tools)
                    }),
                );
            }
        }
        ends
    }
}

/// Says that what is PROVEN is sent to the usual places.
pub(crate) fn tell_usual(places: &[String], out: Out, _: &Tools) {
    if !out.json && !out.quiet {
        let places = all_of(places);
        out.line(&format!("As usual: sent to {places} once it is PROVEN"));
    }
}

fn tell_not_sent(card: &CopiedCard, place: &MeantPlace, out: Out, tools: &Tools) {
    let why = if card.has_nothing_new {
        "there is nothing new on it"
    } else if !card.copies.is_empty() {
        "it was interrupted before"
    } else {
        "it is not PROVEN"
    };
    let (card, place) = (&card.card, &place.name);
    if out.json {
        let body = json!({"card": card, "place": place, "why": why});
        Json::new(out, Arc::clone(&tools.clock)).send("not-sent", body);
        return;
    }
    let text = format!("Nothing of {card} is sent to {place}: {why}.");
    for line in wrap(&text, out.width, "", "  ") {
        out.line(&line);
    }
}
