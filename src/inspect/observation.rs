//! Owns what a person is told of a hint: the file or folder, what was seen, what it may mean, what
//! to do.

use super::card::CardHint;
use super::hint::{Hint, HintKind};

/// One thing that somebody should look at.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Observation {
    /// What kind of thing.
    pub kind: HintKind,
    /// The file or folder, below the card's root.
    pub path: String,
    /// What was seen, as the rest of a sentence about it.
    pub seen: String,
    /// What it may mean, as one sentence.
    pub meaning: &'static str,
    /// What to do, as one or more sentences.
    pub next_step: &'static str,
}

impl Observation {
    /// Takes what was seen of one file.
    pub fn of_file(path: &str, hint: &Hint) -> Self {
        Self {
            kind: hint.kind(),
            path: path.to_owned(),
            seen: hint.seen(),
            meaning: hint.meaning(),
            next_step: hint.next_step(),
        }
    }

    /// Takes what was seen of a card's files together.
    pub fn of_card(hint: &CardHint) -> Self {
        Self {
            kind: hint.clue.kind(),
            path: hint.path.clone(),
            seen: hint.seen(),
            meaning: hint.meaning(),
            next_step: hint.next_step(),
        }
    }

    /// Returns all of it but the path, as sentences.
    pub fn detail(&self) -> String {
        format!("{}. {} {}", self.seen, self.meaning, self.next_step)
    }
}
