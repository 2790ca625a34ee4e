//! Owns which of many cards can be one and the same: those that are known by something that both
//! have, found without comparing each with each. Whether two are one [`CardIdentity`] says. Pure.

use crate::card::identity::CardIdentity;
use crate::digest::Digest;
use smallvec::SmallVec;
use std::collections::hash_map::RandomState;
use std::collections::{BTreeSet, HashMap};
use std::hash::BuildHasher as _;
use std::ops::Bound;

/// What two sightings of one card have in common, one of these at least.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
enum KnownBy {
    MadeAs(String),
    Name(String),
    Volume(String),
    /// Where it was mounted, of what has no volume of its own.
    Path(String),
    /// In small letters: fillings of one label may be of one card.
    Label(String),
    Content(Digest),
}

/// What a card is known by, each as a number.
pub(super) type CardMarks = SmallVec<[usize; 3]>;

/// Numbers for what cards are known by.
#[derive(Clone, Default, Debug)]
pub(super) struct Marks(HashMap<KnownBy, usize>);

impl Marks {
    fn number(&mut self, known_by: KnownBy) -> usize {
        let next = self.0.len();
        *self.0.entry(known_by).or_insert(next)
    }

    /// By what a card goes on from another.
    pub(super) fn of(&mut self, card: &CardIdentity) -> CardMarks {
        let volume = card.volume_id.clone();
        let place = volume.map_or_else(|| KnownBy::Path(card.path.clone()), KnownBy::Volume);
        let made_as = card.made_as.clone().map(KnownBy::MadeAs);
        let name = card.name.clone().map(KnownBy::Name);
        let all = [Some(place), made_as, name].into_iter().flatten();
        all.map(|known_by| self.number(known_by)).collect()
    }

    /// By what it may be one with another, formatted in between.
    pub(super) fn of_filling(&mut self, card: &CardIdentity) -> CardMarks {
        let mut all = self.of(card);
        all.push(self.number(KnownBy::Label(card.label.to_lowercase())));
        all
    }

    /// By what it holds the same as another.
    pub(super) fn of_content(&mut self, card: &CardIdentity) -> CardMarks {
        let content = card.content_b3.map(KnownBy::Content);
        let content = content.map(|content| self.number(content));
        content.into_iter().collect()
    }
}

/// Cards, or groups of them, by their places in a list.
#[derive(Clone, Default, Debug)]
pub(super) struct Kin(HashMap<usize, BTreeSet<usize>>);

impl Kin {
    /// Takes in by what the one at this place is known as well.
    pub(super) fn note(&mut self, marks: &[usize], at: usize) {
        for mark in marks {
            self.0.entry(*mark).or_default().insert(at);
        }
    }

    /// Returns how many are known by one of these, or more.
    pub(super) fn count(&self, marks: &[usize]) -> usize {
        let all = marks.iter().filter_map(|mark| self.0.get(mark));
        all.map(BTreeSet::len).sum()
    }

    /// Returns whether the one at this place is known by one of these.
    pub(super) fn is_near(&self, marks: &[usize], at: usize) -> bool {
        let mut all = marks.iter().filter_map(|mark| self.0.get(mark));
        all.any(|places| places.contains(&at))
    }

    /// Returns the places of all that are known by one of these, in order.
    pub(super) fn near(&self, marks: &[usize]) -> BTreeSet<usize> {
        let all = marks.iter().filter_map(|mark| self.0.get(mark));
        all.flatten().copied().collect()
    }
}

/// Cards by what they hold, by their places in a list: one that was filled a thousand times is not
/// compared with each of its fillings.
#[derive(Default, Debug)]
pub(super) struct Holdings {
    listings: HashMap<Digest, BTreeSet<usize>>,
    hashes: HashMap<u64, SmallVec<[usize; 2]>>,
    /// The smallest hash of each sample.
    first: BTreeSet<(String, usize)>,
    /// Those without a sample.
    blank: BTreeSet<usize>,
    hasher: RandomState,
}

impl Holdings {
    /// Takes in what the card at this place holds as well.
    pub(super) fn note(&mut self, card: &CardIdentity, at: usize) {
        self.listings.entry(card.listing_b3).or_default().insert(at);
        for hash in &card.sample {
            let all = self.hashes.entry(self.hasher.hash_one(hash)).or_default();
            if all.last() != Some(&at) {
                all.push(at);
            }
        }
        match card.sample.first() {
            Some(first) => drop(self.first.insert((first.clone(), at))),
            None => drop(self.blank.insert(at)),
        }
    }

    /// Returns the places of all that a card can go on from by what it holds: something of it is
    /// still there, or nobody can tell.
    pub(super) fn before(&self, card: &CardIdentity) -> BTreeSet<usize> {
        let same = self.listings.get(&card.listing_b3).into_iter().flatten();
        let hashes = card.sample.iter();
        let shared = hashes.filter_map(|hash| self.hashes.get(&self.hasher.hash_one(hash)));
        let top = card.sample_top().cloned();
        let above = top.map(|top| {
            let from = Bound::Excluded((top, usize::MAX));
            self.first.range((from, Bound::Unbounded))
        });
        let above = above.into_iter().flatten().map(|(_, at)| at);
        let all = same.chain(&self.blank).chain(above);
        all.chain(shared.flatten()).copied().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sequence of numbers from a seed, the same everywhere (Lehmer, modulus 2^31 - 1, factor
    /// 48271; from memory).
    struct Dice(u64);

    impl Dice {
        fn below(&mut self, n: u64) -> u64 {
            self.0 = self.0 * 48_271 % 0x7fff_ffff;
            self.0 % n
        }

        fn maybe(&mut self, letter: &str) -> Option<String> {
            let n = self.below(5);
            (n > 1).then(|| format!("{letter}{n}"))
        }

        fn card(&mut self) -> CardIdentity {
            let files = [0, 1, 3, 70][crate::units::len_usize(self.below(4))];
            let first = self.below(4);
            CardIdentity {
                label: ["KITES", "kites", "LAKE"][crate::units::len_usize(self.below(3))]
                    .to_owned(),
                name: self.maybe("A"),
                path: format!("/media/{}", self.below(3)),
                volume_id: self.maybe("V"),
                made_as: self.maybe("M"),
                listing_b3: Digest::of(&[u8::try_from(self.below(4)).unwrap()]),
                content_b3: (self.below(2) > 0)
                    .then(|| Digest::of(&[u8::try_from(self.below(3)).unwrap()])),
                files,
                bytes: 10,
                sample: (first..first + files.min(64))
                    .map(|n| format!("{n:02}"))
                    .collect(),
            }
        }
    }

    /// Whatever two cards are found to be one by, both are known by it: nothing is overlooked.
    #[test]
    fn what_may_be_one_is_near() {
        let mut dice = Dice(7);
        let mut marks = Marks::default();
        let mut is_near = |of: fn(&mut Marks, &CardIdentity) -> CardMarks, a: &_, b: &_| {
            let mut kin = Kin::default();
            kin.note(&of(&mut marks, a), 3);
            kin.near(&of(&mut marks, b)) == BTreeSet::from([3])
        };
        let holds = |a: &CardIdentity, b: &CardIdentity| {
            let mut holdings = Holdings::default();
            holdings.note(a, 3);
            holdings.before(b) == BTreeSet::from([3])
        };
        let (mut one, mut filled, mut twins, mut far) = (0, 0, 0, 0);
        for _ in 0..4_000 {
            let (a, b) = (dice.card(), dice.card());
            let is_own = is_near(Marks::of, &a, &b);
            far += u32::from(!is_own && !holds(&a, &b));
            if b.goes_on_from(&a) {
                one += 1;
                assert!(is_own && holds(&a, &b), "{a:?}\n{b:?}");
            }
            if a.may_be_one_card(&b) {
                filled += 1;
                assert!(is_near(Marks::of_filling, &a, &b), "{a:?}\n{b:?}");
            }
            if a.is_twin(&b) {
                twins += 1;
                assert!(is_near(Marks::of_content, &a, &b), "{a:?}\n{b:?}");
            }
        }
        // Each of them came up often, and so did cards that need no look at each other.
        assert!(
            [one, filled, twins, far].iter().all(|n| *n > 60),
            "{one} {filled} {twins} {far}"
        );
    }
}
