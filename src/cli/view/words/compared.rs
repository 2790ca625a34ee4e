//! Owns what is said of a folder without a manifest that was compared with a card.

use crate::cli::args::meant::quoted;
use crate::cli::view::words::findings::UNREAD_STEP;
use std::borrow::Cow;
use unlade::error::{Cause, ProblemKind};
use unlade::name::shown;
use unlade::proof::coverage::{Holding, UnprovenReason};
use unlade::run::prove::Ask;
use unlade::units::{counted, len64};

/// Files of each kind that are named; --verbose has more.
const NAMES_TOLD: usize = 20;
const NAMES_VERBOSE: usize = 500;
/// Files under other names that are named.
const MOVED_TOLD: usize = 5;

/// Returns what a copy does not hold of the card, and under which names it has it.
pub(super) fn lack_lines(holding: &Holding, is_verbose: bool) -> Vec<String> {
    let (most, moved) = if is_verbose {
        (NAMES_VERBOSE, NAMES_VERBOSE)
    } else {
        (NAMES_TOLD, MOVED_TOLD)
    };
    let lacks = holding.lacks.iter().map(|lack| lack.text(most));
    lacks.chain(moved_line(holding, moved)).collect()
}

/// Returns ``under other names: `A.JPG` is `gold.jpg` and 3 more files``.
fn moved_line(holding: &Holding, most: usize) -> Option<String> {
    let moved = holding.moved.iter().take(most);
    let names = moved.map(|(path, at)| format!("`{}` is `{}`", shown(path), shown(at)));
    let names: Vec<String> = names.collect();
    let more = len64(holding.moved.len().saturating_sub(names.len()));
    let more = match more {
        0 => String::new(),
        more => format!(" and {}", counted(more, "more file")),
    };
    (!names.is_empty()).then(|| format!("under other names: {}{more}", names.join(", ")))
}

/// Returns what is to be known of the folders among these copies, which have these names.
pub(super) fn folder_notes<'a>(
    copies: impl Iterator<Item = (&'a Holding, &'a String)>,
) -> Vec<String> {
    let folders: Vec<_> = copies.filter(|(holding, _)| holding.is_compared).collect();
    let names: Vec<&str> = folders.iter().map(|(_, name)| name.as_str()).collect();
    let (have, they) = match names.len() {
        0 => return Vec::new(),
        1 => ("has", "it counts"),
        _ => ("have", "they count"),
    };
    let by_hand = format!(
        "{} {have} no manifest: {they} in this answer only.",
        names.join(" and ")
    );
    let through = folders.iter().filter_map(|(holding, name)| {
        let end = holding.far_end?;
        Some(format!(
            "{name} was read through {end}, which may have answered from its own memory, and not \
             from a drive."
        ))
    });
    std::iter::once(by_hand).chain(through).collect()
}

/// What to do about a folder that was read from memory, perhaps.
const MEMORY_STEP: &str = "Unplug the drive that was read from the computer's memory, plug it in \
    again, and ask again as root, or with the drive mounted by the system's own driver for it.";

/// Returns what to do about a folder, and its place among the steps.
pub(super) fn folder_step(
    ask: &Ask,
    reason: &UnprovenReason,
    holdings: &[Holding],
) -> (u8, Cow<'static, str>) {
    match reason.kind {
        _ if reason.cause == Some(Cause::InRecords) => {
            let why = "`unlade copy` stores small files so that they can be read from the drive.";
            (3, format!("{} {why}", copy_step(ask, holdings)).into())
        }
        ProblemKind::Unreadable => (1, UNREAD_STEP.into()),
        ProblemKind::NotReadBack => (1, MEMORY_STEP.into()),
        ProblemKind::Changed => (
            2,
            "Ask again when no other program is at work in that folder.".into(),
        ),
        _ => (3, copy_step(ask, holdings).into()),
    }
}

/// The command that copies what a folder lacks.
fn copy_step(ask: &Ask, holdings: &[Holding]) -> String {
    let lacking = holdings
        .iter()
        .filter(|h| h.is_compared && !h.lacks.is_empty());
    let to = lacking.map(|h| format!(" --to {}", quoted(h.root.as_str().into())));
    format!(
        "Copy the card, all of it: `unlade copy {}{}`.",
        quoted(&ask.card),
        to.collect::<String>()
    )
}
