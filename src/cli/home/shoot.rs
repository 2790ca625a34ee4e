//! Owns what the ledger says of a shoot, and of a card's own past, beside a verdict.

use crate::cli::args::ShootArgs;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use std::collections::BTreeSet;
use unlade::ledger::history::{Gear, card_rate};
use unlade::ledger::shoot::{CARDS_MAX, Shoot, parse_labels};
use unlade::ledger::{Entry, Expected, ShootPart};

/// Reads what was said of the job that a card belongs to.
pub(crate) fn shoot_part(
    args: &ShootArgs,
    book: &Book,
    out: Out,
) -> Result<Option<ShootPart>, Exit> {
    let Some(name) = &args.shoot else {
        return Ok(None);
    };
    let name = name.trim();
    if name.is_empty() || name.len() > 200 || name.chars().any(char::is_control) {
        out.error("unlade: --shoot takes a name of 1 to 200 bytes without control characters.");
        return Err(Exit::Usage);
    }
    if !book.is_kept() {
        out.error(
            "unlade: --shoot counts cards in the ledger, and there is none; leave out --no-ledger or give a folder with --home.",
        );
        return Err(Exit::Usage);
    }
    Ok(Some(ShootPart {
        name: name.to_owned(),
        expected: expected(args, out)?,
    }))
}

/// Reads what was announced.
pub(crate) fn expected(args: &ShootArgs, out: Out) -> Result<Option<Expected>, Exit> {
    match (&args.expect, &args.expect_labels) {
        (Some(n), _) if *n > CARDS_MAX => {
            out.error(&format!("unlade: --expect takes 1 to {CARDS_MAX} cards."));
            Err(Exit::Usage)
        }
        (Some(n), _) => Ok(Some(Expected::Count(*n))),
        (None, Some(labels)) => parse_labels(labels).map(Some).map_err(|why| {
            out.error(&format!("unlade: --expect-labels: {why}."));
            Exit::Usage
        }),
        (None, None) => Ok(None),
    }
}

/// Enters a verdict and returns what is to be said of the job that the card belongs to.
pub(crate) fn enter(book: &Book, mut entry: Entry, part: Option<&ShootPart>) -> Option<ShootNews> {
    entry.shoot = part.cloned();
    book.enter(&entry);
    let part = part?;
    let mut ledger = book.read();
    // What could not be entered is known all the same.
    if !ledger.entries.iter().rev().take(64).any(|e| *e == entry) {
        ledger.entries.push(entry.clone());
    }
    let shoot = Shoot::of(&ledger, &part.name, part.expected.as_ref());
    let mut words = shoot.words();
    words.extend(shoot.words_on(&entry.card));
    Some(ShootNews { shoot, words })
}

/// Returns what is to be said if this card read slower than it used to; asked before the entry is
/// made.
pub(crate) fn slower(book: &Book, entry: &Entry) -> Option<String> {
    let rate = card_rate(entry)?;
    let gear = Gear {
        card: &entry.card,
        reader: entry.reader.as_deref(),
        drives: BTreeSet::new(),
    };
    book.read().slower_than_its_past(&gear, rate)
}

/// The state of a job after a verdict.
pub(crate) struct ShootNews {
    /// The job.
    pub(crate) shoot: Shoot,
    /// In sentences.
    pub(crate) words: Vec<String>,
}

impl ShootNews {
    /// Returns the lines that stand in a verdict block.
    pub(crate) fn lines(&self, width: usize) -> Vec<String> {
        let mut lines = Vec::new();
        for (index, words) in self.words.iter().enumerate() {
            let first = if index == 0 { "Shoot    " } else { "         " };
            lines.extend(wrap(words, width, first, "         "));
        }
        lines
    }
}
