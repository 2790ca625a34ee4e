//! Owns what the ledger says of a shoot, and of a card's own past, beside a verdict.

use crate::cli::args::shoot::ShootArgs;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::usage;
use crate::cli::view::text::wrap;
use std::collections::BTreeSet;
use unlade::ledger::history::{Gear, card_rate};
use unlade::ledger::shoot::Shoot;
use unlade::ledger::{ExpectedCards, Ledger, LedgerEntry, ShootPart};

/// Returns the shoot that a card belongs to, with what was announced.
///
/// # Errors
/// The exit code, once it is told what is wrong with the command line.
pub(crate) fn shoot_part(
    args: &ShootArgs,
    book: &Book,
    out: Out,
) -> Result<Option<ShootPart>, Exit> {
    let Some(name) = &args.shoot else {
        return Ok(None);
    };
    let name = name
        .for_ledger()
        .map_err(|why| usage(&[why.to_string()], out))?;
    if !book.is_kept() {
        let why = "--shoot counts cards in the ledger, and there is none; leave out --no-ledger or \
            give a folder with --home.";
        return Err(usage(&[why.to_owned()], out));
    }
    Ok(Some(ShootPart {
        name: name.to_owned(),
        expected: expected(args, out)?,
    }))
}

/// Returns what was announced.
///
/// # Errors
/// As [`shoot_part`].
pub(crate) fn expected(args: &ShootArgs, out: Out) -> Result<Option<ExpectedCards>, Exit> {
    args.expected()
        .map_err(|why| usage(&[why.to_string()], out))
}

/// Enters a verdict and returns what is to be said of the job that the card belongs to.
pub(crate) fn enter(
    book: &Book,
    mut entry: LedgerEntry,
    part: Option<&ShootPart>,
) -> Option<ShootNews> {
    entry.shoot = part.cloned();
    book.enter(&entry);
    let part = part?;
    let mut ledger = book.read();
    // What could not be entered is known all the same.
    if !ledger.entries.iter().rev().take(64).any(|e| *e == entry) {
        ledger.entries.push(entry.clone());
    }
    Some(news(&ledger, &entry, part))
}

/// The same of an answer that rests on folders without a manifest. It never undoes a proof that is
/// on record: where the card is proven as it is now, nothing is entered.
pub(crate) fn enter_by_hand(
    book: &Book,
    entry: LedgerEntry,
    part: Option<&ShootPart>,
) -> Option<ShootNews> {
    let ledger = book.read();
    let last = ledger.last_verdict_on(&entry.card);
    match last.filter(|last| last.proven) {
        Some(last) => part.map(|part| news(&ledger, last, part)),
        None => enter(book, entry, part),
    }
}

fn news(ledger: &Ledger, entry: &LedgerEntry, part: &ShootPart) -> ShootNews {
    let shoot = Shoot::of(ledger, &part.name, part.expected.as_ref());
    let mut words = shoot.words();
    words.extend(shoot.words_on(&entry.card));
    ShootNews { shoot, words }
}

/// Returns what is to be said if this card read slower than it used to; asked before the entry is
/// made.
pub(crate) fn slower(book: &Book, entry: &LedgerEntry) -> Option<String> {
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
    /// Its cards and what was announced.
    pub(crate) shoot: Shoot,
    /// The same in sentences.
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
