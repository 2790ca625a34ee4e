//! Owns the words for which of several cards is read first, and why.

use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use serde_json::{Value, json};
use unlade::plan::concurrent::AT_ONCE_MAX;
use unlade::plan::first::{Aim, Turn};
use unlade::run::{Job, Together};

/// Cards that are told for each aim; the rest are counted.
const CARDS_TOLD: usize = 6;
const LABEL: &str = "Order    ";
const BELOW: &str = "         ";

/// Whether a card waits for another one at all.
fn is_anyone_waiting(found: &Together) -> bool {
    let chains = &found.order.chains;
    chains.len() > AT_ONCE_MAX || chains.iter().any(|chain| chain.len() > 1)
}

fn is_as_given(turns: &[Turn]) -> bool {
    turns.is_sorted_by_key(|turn| turn.card)
}

/// Returns the lines of a copy: the order that is used, where it is not the one that was typed.
pub(crate) fn order_of_copy(found: &Together, out: Out) -> Vec<String> {
    let used = found.turns.first();
    let used = used.filter(|(_, turns)| is_anyone_waiting(found) && !is_as_given(turns));
    used.map_or_else(Vec::new, |(aim, turns)| {
        let head = format!("{} (as typed: --first given)", head(*aim));
        lines(&head, turns, found, LABEL, out)
    })
}

/// Returns the lines of a plan: the order for each aim.
pub(crate) fn order_of_plan(found: &Together, out: Out) -> Vec<String> {
    if !is_anyone_waiting(found) {
        return Vec::new();
    }
    let mut all = Vec::new();
    for (number, (aim, turns)) in found.turns.iter().enumerate() {
        let (label, how) = match number {
            0 => (LABEL, "this one is used".to_owned()),
            _ => (BELOW, format!("--first {}", aim.id())),
        };
        let head = format!("{} ({how})", head(*aim));
        all.extend(lines(&head, turns, found, label, out));
    }
    let has_deadline = found
        .turns
        .iter()
        .any(|(aim, _)| matches!(aim, Aim::Deadline(_)));
    if !has_deadline {
        all.extend(wrap(
            "for a deadline: with --deadline",
            out.width,
            BELOW,
            BELOW,
        ));
    }
    all
}

fn head(aim: Aim) -> &'static str {
    match aim {
        Aim::Deadline(_) => "for the deadline",
        Aim::OnlyCopy => "only copies first",
        Aim::CardBack => "the shortest first",
        Aim::Given => "as typed",
    }
}

fn lines(head: &str, turns: &[Turn], found: &Together, label: &str, out: Out) -> Vec<String> {
    // One reason for all is told once.
    let same = turns
        .first()
        .filter(|first| turns.iter().all(|turn| turn.why == first.why));
    if let Some(same) = same {
        let text = match same.why.as_str() {
            "as typed" => format!("{head}."),
            why => format!("{head}: as typed, for each: {why}."),
        };
        return wrap(&text, out.width, label, BELOW);
    }
    let mut lines = wrap(&format!("{head}:"), out.width, label, BELOW);
    for (number, turn) in (1..).zip(turns.iter().take(CARDS_TOLD)) {
        let name = found
            .called
            .get(turn.card)
            .cloned()
            .flatten()
            .unwrap_or_default();
        let text = format!("{number}. {name}: {}", turn.why);
        lines.extend(wrap(&text, out.width, "           ", "              "));
    }
    if let Some(more) = turns.len().checked_sub(CARDS_TOLD).filter(|more| *more > 0) {
        lines.push(format!("           and {more} more"));
    }
    lines
}

/// Returns the same for programs.
pub(crate) fn order_json(found: &Together, jobs: &[Job]) -> Value {
    let path = |turn: &Turn| jobs.get(turn.card).map(|job| &job.card);
    let turn = |turn: &Turn| json!({"card": path(turn), "why": turn.why});
    let aim = |(aim, turns): &(Aim, Vec<Turn>)| {
        let cards: Vec<Value> = turns.iter().map(turn).collect();
        json!({"aim": aim.id(), "cards": cards})
    };
    let aims: Vec<Value> = found.turns.iter().map(aim).collect();
    json!({
        "chains": found.order.chains, "why": found.order.why, "notes": found.notes, "aims": aims,
    })
}
