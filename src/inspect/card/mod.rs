//! Owns what the files of a card say together: numbers, neighbours and times that do not fit. Pure;
//! hints only, never part of a verdict, and nothing is sorted or trusted by them.

mod clue;
mod numbers;
mod parts;
mod place;
mod sidecars;
mod times;
mod words;

use crate::disk::Stamp;
use crate::units::len64;
pub use clue::{CardClue, CardFile, CardHint};
use place::CardPlace;

/// The most hints about the files of a card together. More say nothing more than how many they are.
const HINTS_MAX: usize = 100;

/// Returns what the files of a card say together, by kind and then by path. `now` is the time of
/// this computer.
pub fn card_hints(files: &[CardFile<'_>], now: Stamp) -> Vec<CardHint> {
    let places: Vec<CardPlace<'_>> = files.iter().map(CardPlace::of).collect();
    let mut hints = numbers::hints(&places);
    hints.extend(parts::hints(&places));
    hints.extend(sidecars::hints(&places));
    hints.extend(times::hints(&places, now));
    let untold = hints.split_off(HINTS_MAX.min(hints.len()));
    hints.extend(untold.first().map(|first| CardHint {
        path: first.path.clone(),
        clue: CardClue::Untold {
            kind: first.clue.kind(),
            count: len64(untold.len()),
        },
    }));
    hints
}

#[cfg(test)]
mod tests;
