//! Owns `--bus list` and `--link list`: the ids, the most that each carries, and its name.

use crate::cli::args::list::ListWanted;
use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::text::pad;
use serde_json::{Value, json};
use std::sync::Arc;
use unlade::clock::SystemClock;
use unlade::speed::links::{LinkRow, rows};
use unlade::units::speed;

/// Prints the ids that a flag takes.
pub(crate) fn ids(wanted: &ListWanted, out: Out) -> Exit {
    let rows: Vec<&LinkRow> = rows(wanted.is_card_bus).collect();
    if out.json {
        let ids: Vec<Value> = rows.iter().map(|row| for_programs(row)).collect();
        let body = json!({"flag": wanted.flag, "ids": ids});
        Json::new(out, Arc::new(SystemClock::start())).send("ids", body);
    } else {
        out.block(&for_people(wanted, &rows));
    }
    Exit::Done
}

fn for_programs(row: &LinkRow) -> Value {
    let ceiling = row.mbps().0;
    let usual = [row.usual.low, row.usual.high].map(|share| ceiling * share);
    json!({
        "id": row.id, "also": row.also, "words": row.words, "mbps": ceiling,
        "usual_mbps": usual,
    })
}

fn for_people(wanted: &ListWanted, rows: &[&LinkRow]) -> Vec<String> {
    let head = if wanted.is_card_bus {
        "--bus: what a card or a slot speaks, and the most that it carries."
    } else {
        "--link: how a reader is connected, and the most that it carries."
    };
    let names = |row: &LinkRow| match row.also.first() {
        Some(short) => format!("{short} ({})", row.id),
        None => row.id.to_owned(),
    };
    let longest = rows.iter().map(|row| names(row).len()).max();
    let line = |row: &&LinkRow| {
        let rate = speed(row.mbps().0 * 1e6);
        let names = pad(&names(row), longest.unwrap_or_default());
        format!("  {names}  {rate:>10}  {}", row.words)
    };
    let lines = rows.iter().map(line);
    std::iter::once(head.to_owned()).chain(lines).collect()
}
