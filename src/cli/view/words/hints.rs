//! Owns how hints on the recordings are said: apart from the answer, which they never change.

use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use unlade::inspect::observation::Observation;
use unlade::name::shown;
use unlade::units::{count, counted, len64};

/// Kinds of hints, and hints of one kind, that are told where nobody asked for more.
const KINDS_TOLD: usize = 3;
const ALIKE_TOLD: usize = 2;

/// Returns the lines on the hints of a copy, above its answer.
pub(super) fn hint_lines(hints: &[Observation], out: Out) -> Vec<String> {
    if hints.is_empty() {
        return Vec::new();
    }
    let hints_of = counted(len64(hints.len()), "hint");
    let head = format!("  {hints_of} on what was recorded, besides the answer:");
    let mut lines = wrap(&head, out.width, "", "  ");
    lines.extend(listed(hints, out.verbose, out));
    lines
}

/// Returns the hints, and after those that are alike once what they may mean and what to do;
/// without `all` the first ones, and how many more there are.
pub(crate) fn listed(hints: &[Observation], all: bool, out: Out) -> Vec<String> {
    let alike = |a: &Observation, b: &Observation| {
        (a.kind, a.meaning, a.next_step) == (b.kind, b.meaning, b.next_step)
    };
    let (mut lines, mut told) = (Vec::new(), 0);
    for (at, group) in hints.chunk_by(alike).enumerate() {
        if !all && at == KINDS_TOLD {
            break;
        }
        let most = if all { group.len() } else { ALIKE_TOLD };
        for hint in group.iter().take(most) {
            let text = format!("{} {}.", shown(&hint.path), shown(&hint.seen));
            lines.extend(wrap(&text, out.width, "  - ", "    "));
        }
        let more = group.len().saturating_sub(most);
        let more = match more {
            0 => String::new(),
            more => format!("And {} more like it. ", count(len64(more))),
        };
        if let Some(hint) = group.first() {
            let text = format!("{more}{} {}", hint.meaning, hint.next_step);
            lines.extend(wrap(&text, out.width, "    ", "    "));
        }
        told += group.len();
    }
    let more = hints.len().saturating_sub(told);
    if more > 0 {
        let more = counted(len64(more), "more hint");
        lines.push(format!("    {more}: --verbose has all."));
    }
    lines
}
