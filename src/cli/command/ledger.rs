//! Owns `ledger`: what is remembered, for people and programs.

use crate::cli::args::LedgerArgs;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::shoot::expected;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::Arc;
use unlade::ledger::history::SLOWER;
use unlade::ledger::shoot::Shoot;
use unlade::ledger::{Deed, Ledger, LedgerEntry};
use unlade::name::{shown, some_of};
use unlade::record::damage::KnownDamage;
use unlade::run::Tools;
use unlade::units::{counted, len_usize, len64, size, speed};

/// Cards and readers whose rates are shown.
const PAIRS_SHOWN: usize = 20;

/// Files of a damaged copy that are named.
const DAMAGED_SHOWN: usize = 3;

/// Shows what is remembered.
pub(crate) fn ledger(args: &LedgerArgs, book: &Book, out: Out, tools: &Tools) -> Exit {
    if !book.is_kept() {
        out.error("unlade: there is no ledger here; give its folder with --home.");
        return Exit::Refused;
    }
    let ledger = book.read();
    let json = Json::new(out, Arc::clone(&tools.clock));
    let Some(name) = &args.set.shoot else {
        tell_damage(&book.damage(), out, &json);
        tell_all(&ledger, len_usize(args.last), book, out, &json);
        return Exit::Done;
    };
    match expected(&args.set, out) {
        Ok(expected) => {
            let shoot = Shoot::of(&ledger, name.as_str(), expected.as_ref());
            tell_shoot(&shoot, out, &json)
        }
        Err(exit) => exit,
    }
}

fn tell_shoot(shoot: &Shoot, out: Out, json: &Json) -> Exit {
    let exit = if shoot.is_complete() {
        Exit::Done
    } else {
        Exit::NotProven
    };
    if out.json {
        json.send(
            "shoot",
            json!({"shoot": shoot, "complete": shoot.is_complete(), "exit_code": exit.code()}),
        );
        return exit;
    }
    for card in &shoot.cards {
        let verdict = if card.proven { "proven" } else { "NOT PROVEN" };
        let times = match card.times_seen {
            1 => String::new(),
            n => format!(", in a reader {n} times"),
        };
        let twin = card.same_content_as.as_ref().map_or_else(String::new, |t| {
            format!(", same content as card {}", shown(t))
        });
        let text = format!(
            "{}: {verdict} ({}), {}, {}, {}{times}{twin}",
            shown(&card.label),
            copies(card.copies),
            counted(card.files, "file"),
            size(card.bytes),
            minute(&card.at),
        );
        lines(&text, "Card     ", out);
        for reason in card.reasons.iter().filter(|_| !card.proven).take(3) {
            lines(&shown(reason), "         ", out);
        }
    }
    for text in shoot.words() {
        lines(&text, "Shoot    ", out);
    }
    if shoot.is_complete() && shoot.expected.is_some() {
        lines("Every card that you announced is proven.", "Shoot    ", out);
    }
    exit
}

/// Tells which copies are damaged by what is known.
fn tell_damage(damage: &KnownDamage, out: Out, json: &Json) {
    for (check, stands) in damage.standing() {
        if out.json {
            let files: Vec<_> = stands
                .files()
                .map(|(path, found)| {
                    json!({"path": path, "kind": found.kind, "why": found.why, "at": found.at})
                })
                .collect();
            let copy = json!({
                "offload": check.offload, "copy": check.copy, "files": files,
                "has_more": stands.has_more(),
            });
            json.send("damage", copy);
            continue;
        }
        let names: Vec<&str> = stands.files().map(|(path, _)| path).collect();
        let more = if stands.has_more() {
            ", and more than that"
        } else {
            ""
        };
        let text = format!(
            "{} in {}: {}{more} found damaged ({}). `unlade verify` there says what is good again.",
            shown(&check.offload),
            shown(&check.copy.path),
            some_of(
                names.iter().copied(),
                DAMAGED_SHOWN,
                len64(names.len()),
                "file"
            ),
            minute(&check.at),
        );
        lines(&text, "Damage   ", out);
    }
    let torn = damage.damaged_lines;
    if torn > 0 && !out.json {
        let text = format!(
            "{} on damage cannot be understood: torn by a crash, or of a newer version. `prove \
            --reread` does without.",
            counted(torn, "line")
        );
        lines(&text, "Damage   ", out);
    }
}

fn tell_all(ledger: &Ledger, last: usize, book: &Book, out: Out, json: &Json) {
    let from = ledger.entries.len().saturating_sub(last);
    let shown_entries = ledger.entries.get(from..).unwrap_or_default();
    if out.json {
        for entry in shown_entries {
            json.send("entry", json!({"entry": entry}));
        }
        json.send(
            "ledger",
            json!({
                "path": book.path_words(), "entries": ledger.entries.len(),
                "damaged": ledger.damaged,
            }),
        );
        return;
    }
    for entry in shown_entries {
        lines(&entry_words(entry), "", out);
    }
    for text in rates(ledger) {
        lines(&text, "Rate     ", out);
    }
    let text = format!(
        "{} in {}{}",
        counted_entries(ledger.entries.len()),
        book.path_words(),
        if from > 0 {
            format!(
                "; the last {} are shown (--last for more)",
                ledger.entries.len() - from
            )
        } else {
            String::new()
        }
    );
    lines(&text, "", out);
    if ledger.damaged > 0 {
        let text = format!(
            "{} of it cannot be understood: torn by a crash, or of a newer version; the rest is \
            not touched by that.",
            counted(ledger.damaged, "line")
        );
        lines(&text, "", out);
    }
}

/// Returns one sentence for every card and reader that were measured together, fastest first.
fn rates(ledger: &Ledger) -> Vec<String> {
    let mut pairs: BTreeMap<(String, String), Vec<f64>> = BTreeMap::new();
    for entry in &ledger.entries {
        let Some(rate) = entry.reading.and_then(|r| r.read_bytes_per_s) else {
            continue;
        };
        let reader = entry
            .reader
            .as_deref()
            .unwrap_or("a reader that is not known");
        let pair = (shown(entry.card.known_as()), shown(reader));
        pairs.entry(pair).or_default().push(rate);
    }
    let mut told: Vec<(f64, String)> = pairs
        .into_iter()
        .map(|((card, reader), rates)| {
            let last = rates.last().copied().unwrap_or(0.0);
            let mut sorted = rates.clone();
            sorted.sort_unstable_by(f64::total_cmp);
            let middle = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
            let slower = if rates.len() > 2 && last < SLOWER * middle {
                "; slower than its own past"
            } else {
                ""
            };
            let text = match rates.len() {
                1 => format!("{card} in {reader}: {}, measured once", speed(last)),
                n => format!(
                    "{card} in {reader}: usually {} ({}), {} the last time{slower}",
                    speed(middle),
                    counted(len64(n), "time"),
                    speed(last)
                ),
            };
            (middle, text)
        })
        .collect();
    told.sort_by(|a, b| b.0.total_cmp(&a.0));
    told.into_iter()
        .map(|(_, text)| text)
        .take(PAIRS_SHOWN)
        .collect()
}

fn entry_words(entry: &LedgerEntry) -> String {
    let card = shown(entry.card.known_as());
    let held = format!(
        "{}, {}",
        counted(entry.card.files, "file"),
        size(entry.card.bytes)
    );
    let verdict = if entry.proven { "proven" } else { "NOT PROVEN" };
    let rate = entry
        .reading
        .and_then(|r| r.read_bytes_per_s)
        .map_or_else(String::new, |r| format!(", read at {}", speed(r)));
    let shoot = entry
        .shoot
        .as_ref()
        .map_or_else(String::new, |s| format!(", shoot `{}`", shown(&s.name)));
    let what = match entry.did {
        Deed::Copy => match &entry.offload {
            Some(offload) => format!("copied as {}: {verdict}", shown(offload)),
            None => format!("nothing new to copy: {verdict}"),
        },
        Deed::Further => match &entry.offload {
            Some(offload) => format!("a further copy of {}: {verdict}", shown(offload)),
            None => format!("a further copy: {verdict}"),
        },
        Deed::Prove => format!("may it be formatted: {verdict}"),
        Deed::Rate => "measured".to_owned(),
    };
    let copies = match entry.did {
        Deed::Rate => String::new(),
        _ => format!(", {}", copies(entry.copies)),
    };
    format!(
        "{}  {card} ({held}) {what}{copies}{rate}{shoot}",
        minute(&entry.at)
    )
}

fn copies(n: u64) -> String {
    match n {
        0 => "no complete copy".to_owned(),
        1 => "1 copy".to_owned(),
        n => format!("{n} copies"),
    }
}

fn counted_entries(n: usize) -> String {
    if n == 1 {
        "1 entry".to_owned()
    } else {
        format!("{n} entries")
    }
}

/// Returns a moment to the minute as it is here: `2026-11-25 14:03`.
pub(crate) fn minute(at: &str) -> String {
    at.parse::<jiff::Timestamp>().map_or_else(
        |_| shown(at),
        |t| {
            let here = jiff::ZonedDateTime::new(t, jiff::tz::TimeZone::system());
            here.strftime("%Y-%m-%d %H:%M").to_string()
        },
    )
}

fn lines(text: &str, first: &str, out: Out) {
    let then = " ".repeat(first.len().max(2));
    for line in wrap(text, out.width, first, &then) {
        out.line(&line);
    }
}
