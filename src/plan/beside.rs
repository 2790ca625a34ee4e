//! Owns what cards that are read at the same time tell each other: how many bytes each side still
//! has to read. Only the forecast rests on it; no order, copy or verdict does. A second read of a
//! card (`--proof reread`) is not counted.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// One card's view of the cards that are read beside it. The default is a card alone.
#[derive(Clone, Debug, Default)]
pub struct Beside {
    /// What this card still has to read, in bytes.
    mine: Arc<AtomicU64>,
    /// The bytes of this card and of those that are read after it.
    from_here: u64,
    /// The same of all cards that are read after each other with this one in it.
    own: Arc<AtomicU64>,
    /// The same of those at the other reader; `None` when there is none, or more than one.
    other: Option<Arc<AtomicU64>>,
}

impl Beside {
    /// Returns one for each card. `chains` are as in [`super::concurrent::Order`], `bytes` what
    /// each card has to read. With more than two chains nobody is told of the others: which of them
    /// ends first, and what that leaves, is not foreseen.
    pub fn of(chains: &[Vec<usize>], bytes: &[u64]) -> Vec<Self> {
        let of = |index: &usize| bytes.get(*index).copied().unwrap_or(0);
        let left: Vec<Arc<AtomicU64>> = chains
            .iter()
            .map(|chain| Arc::new(AtomicU64::new(chain.iter().map(of).sum())))
            .collect();
        (0..bytes.len())
            .map(|index| {
                let at = chains.iter().position(|chain| chain.contains(&index));
                let after = at.and_then(|at| chains.get(at)).map_or(&[][..], |chain| {
                    let here = chain.iter().position(|i| *i == index).unwrap_or(0);
                    chain.get(here..).unwrap_or_default()
                });
                let own = at.and_then(|at| left.get(at)).cloned().unwrap_or_default();
                let other = match (at, left.as_slice()) {
                    (Some(0), [_, other]) | (Some(1), [other, _]) => Some(Arc::clone(other)),
                    _ => None,
                };
                Self {
                    mine: Arc::new(AtomicU64::new(of(&index))),
                    from_here: after.iter().map(of).sum(),
                    own,
                    other,
                }
            })
            .collect()
    }

    /// Returns the bytes that the other side still has to read when this card's turn comes (both
    /// read equal shares until then); `None` when there is no other side.
    pub fn other_left(&self) -> Option<u64> {
        let other = self.other.as_ref()?.load(Ordering::Relaxed);
        let before_this = self
            .own
            .load(Ordering::Relaxed)
            .saturating_sub(self.from_here);
        Some(other.saturating_sub(before_this))
    }

    /// Takes note of bytes that were read from this card.
    pub fn note_read(&self, bytes: u64) {
        let taken = take(&self.mine, bytes);
        take(&self.own, taken);
    }

    /// Takes note that nothing more will be read from this card, for whatever reason.
    pub fn end(&self) {
        self.note_read(u64::MAX);
    }
}

/// Takes away up to so many bytes and returns how many.
fn take(from: &AtomicU64, bytes: u64) -> u64 {
    let before = from.fetch_update(Ordering::Relaxed, Ordering::Relaxed, |left| {
        Some(left.saturating_sub(bytes))
    });
    // The closure never refuses.
    before.map_or(0, |left| left.min(bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_side_sees_what_the_other_has_left() {
        let cards = Beside::of(&[vec![0, 2], vec![1]], &[100, 70, 50]);
        assert_eq!(cards[1].other_left(), Some(150));
        assert_eq!(cards[0].other_left(), Some(70));
        // By the time of the second card the other side is 100 bytes further, and done.
        assert_eq!(cards[2].other_left(), Some(0));
        cards[0].note_read(30);
        assert_eq!(cards[2].other_left(), Some(0));
        assert_eq!(cards[1].other_left(), Some(120));
        // A card that was refused or pulled gives no more; the next of its chain still does.
        cards[0].end();
        assert_eq!(cards[1].other_left(), Some(50));
        assert_eq!(cards[2].other_left(), Some(70), "none is before it");
        cards[0].note_read(10);
        assert_eq!(cards[1].other_left(), Some(50), "not twice");
        cards[2].end();
        assert_eq!(cards[1].other_left(), Some(0));
    }

    #[test]
    fn a_card_alone_or_one_of_three_knows_of_no_other() {
        assert_eq!(Beside::default().other_left(), None);
        assert_eq!(Beside::of(&[vec![0, 1]], &[1, 2])[0].other_left(), None);
        let three = Beside::of(&[vec![0], vec![1], vec![2]], &[1, 2, 3]);
        assert!(three.iter().all(|card| card.other_left().is_none()));
    }
}
