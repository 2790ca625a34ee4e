//! Owns what is done with copies after the answer of their card, and what has to be known of them
//! for it.

use camino::Utf8PathBuf;
use std::sync::{Mutex, PoisonError};
use unlade::name::shown;
use unlade::proof::Proof;
use unlade::speed::forecast::Remaining;

/// A card that was copied.
#[cfg_attr(
    not(feature = "offsite"),
    expect(dead_code, reason = "nothing is sent")
)]
pub(crate) struct CopiedCard {
    /// As people call it.
    pub(crate) card: String,
    /// Its copies that are whole, the one that is read fastest first; none where it is not PROVEN.
    pub(crate) copies: Vec<Utf8PathBuf>,
    /// Everything on it is in earlier offloads: there is no new one.
    pub(crate) has_nothing_new: bool,
}

/// What is planned to be copied, of all cards together.
#[derive(Clone, Copy, Default)]
#[cfg_attr(
    not(feature = "offsite"),
    expect(dead_code, reason = "nothing is sent")
)]
pub(crate) struct PlannedCopies {
    /// Bytes that their offloads will have.
    pub(crate) bytes: u64,
    /// How long copying takes, where that can be said.
    pub(crate) takes: Option<Remaining>,
}

/// What came of sending a copy once nobody is at the keyboard.
#[cfg_attr(
    not(feature = "offsite"),
    expect(dead_code, reason = "nothing is sent")
)]
pub(crate) enum Attempt {
    /// All of it is there; the lines of its answer.
    Sent(Vec<String>),
    /// Not now; it may be later, by itself.
    Later(String),
    /// Not this copy; another of the same offload may do.
    Copy(String),
    /// Not before a person has done something.
    Never(String),
    /// The watch ends.
    Interrupted,
}

/// The cards of a command that were copied, in the order of their answers.
#[derive(Default)]
pub(crate) struct AfterCopy(Mutex<Vec<CopiedCard>>);

impl AfterCopy {
    /// Keeps what is known of a card with its answer.
    pub(crate) fn note(&self, proof: &Proof) {
        let plan = proof.plan();
        let has_nothing_new = plan.has_nothing_new();
        let is_of_use = proof.verdict().is_proven() && !has_nothing_new;
        let read_back = &proof.offloaded().rates.readback;
        // Bytes in the best interval: what the drive gives when it is read.
        let best = |at: usize| read_back.get(at).and_then(|all| all.iter().max()).copied();
        let whole = plan.destinations.iter().zip(proof.tallies()).enumerate();
        let mut whole: Vec<_> = whole
            .filter(|(_, (_, tally))| is_of_use && tally.is_complete)
            .map(|(at, (d, _))| (best(at), d.root.clone()))
            .collect();
        whole.sort_by(|(a, _), (b, _)| b.cmp(a));
        let copied = CopiedCard {
            card: shown(&plan.card.label),
            copies: whole.into_iter().map(|(_, root)| root).collect(),
            has_nothing_new,
        };
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.push(copied);
    }

    /// Returns the cards.
    pub(crate) fn cards(self) -> Vec<CopiedCard> {
        self.0.into_inner().unwrap_or_else(PoisonError::into_inner)
    }
}
