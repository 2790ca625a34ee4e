//! Owns which of several cards is read first, and why. Pure.

use crate::card::mirror::CardFiles;
use crate::name::shown;
use crate::plan::Plan;
use crate::plan::concurrent::Order;
use crate::speed::forecast::at_most;
use crate::units::size;
use std::collections::BTreeMap;

/// What an order of cards is for.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Aim {
    /// As many cards as can be are done after so many seconds.
    Deadline(f64),
    /// What is on one card alone comes before what another card holds too.
    OnlyCopy,
    /// The shortest card comes first: cards are needed back.
    CardBack,
    /// As they were given.
    Given,
}

impl Aim {
    /// Returns its word on the command line and for programs.
    pub fn id(self) -> &'static str {
        match self {
            Self::Deadline(_) => "deadline",
            Self::OnlyCopy => "only-copy",
            Self::CardBack => "card-back",
            Self::Given => "given",
        }
    }
}

/// A card of which it is asked when its turn comes.
#[derive(Clone, Debug, Default)]
pub struct WaitingCard {
    /// What people call it.
    pub name: String,
    /// What is on it.
    pub files: CardFiles,
    /// It was begun already.
    pub is_begun: bool,
    /// Why it is copied already, in words; it comes last.
    pub copied: Option<String>,
    /// Seconds until it is done, where that can be said.
    pub takes_s: Option<f64>,
    /// Bytes to be read from it.
    pub bytes: u64,
}

/// When a card's turn comes, as one of several.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Turn {
    /// Its number, counted from 0 as the cards were given.
    pub card: usize,
    /// Why, in words that go on after a colon.
    pub why: String,
}

impl WaitingCard {
    /// Takes from a plan what an order asks for.
    pub fn of(plan: &Plan) -> Self {
        let is_copy = plan.original().is_some();
        Self {
            name: Self::name_of(plan),
            files: CardFiles::of(&plan.listing),
            is_begun: false,
            copied: is_copy.then(|| "it is an offload, a copy itself".to_owned()),
            takes_s: plan.expects().map(|time| time.likely_s),
            bytes: plan.to_read().1,
        }
    }

    /// Returns what people call the card of a plan.
    pub fn name_of(plan: &Plan) -> String {
        let name = plan.estimate.card_name.as_ref();
        shown(name.unwrap_or(&plan.card.label))
    }
}

/// How much depends on a card; what comes first is copied first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Need {
    Begun,
    /// No other card here holds all that is on it.
    OnlyCopy,
    /// Another card does.
    OnTwoCards,
    /// Another card does, and comes before it.
    Second,
    Copied,
}

/// Returns the turns for an aim. Of cards that nothing sets apart the one that was given first
/// comes first. `chains` are as in [`Order`]: a deadline asks when each card is done.
pub fn turns(cards: &[WaitingCard], chains: &[Vec<usize>], aim: Aim) -> Vec<Turn> {
    let needs = needs(cards);
    let all = cards.iter().zip(needs).enumerate();
    let mut all: Vec<(usize, &WaitingCard, (Need, String))> =
        all.map(|(i, (card, need))| (i, card, need)).collect();
    match aim {
        Aim::Given => all.iter_mut().for_each(|(_, _, (_, why))| {
            "as typed".clone_into(why);
        }),
        Aim::OnlyCopy => all.sort_by_key(|(_, _, (need, _))| *need),
        Aim::CardBack => shortest_first(&mut all),
        Aim::Deadline(limit) => by_deadline(&mut all, chains, limit),
    }
    let turn = |(card, _, (_, why))| Turn { card, why };
    all.into_iter().map(turn).collect()
}

/// How much depends on each card, with the words for it.
fn needs(cards: &[WaitingCard]) -> Vec<(Need, String)> {
    let holders = |at: usize, card: &WaitingCard| -> Vec<usize> {
        let others = cards.iter().enumerate().filter(|(other, _)| *other != at);
        let holding = others.filter(|(_, other)| card.files.are_all_on(&other.files));
        holding.map(|(other, _)| other).collect()
    };
    let holders: Vec<Vec<usize>> = (0..).zip(cards).map(|(i, card)| holders(i, card)).collect();
    let mut needs: Vec<Option<Need>> = cards
        .iter()
        .zip(&holders)
        .map(|(card, holders)| match card {
            card if card.is_begun => Some(Need::Begun),
            card if card.copied.is_some() => Some(Need::Copied),
            _ => holders.is_empty().then_some(Need::OnlyCopy),
        })
        .collect();
    let comes_before = |need: &Option<Need>| need.is_some_and(|need| need < Need::Second);
    let mut held_by = vec![None; cards.len()];
    for (at, holders) in holders.iter().enumerate() {
        let is_before = |other: &&usize| needs.get(**other).is_some_and(comes_before);
        let before = holders.iter().find(is_before).copied();
        let need = before.map_or(Need::OnTwoCards, |_| Need::Second);
        if let (Some(place), Some(held)) = (needs.get_mut(at), held_by.get_mut(at)) {
            *held = before.or(holders.first().copied());
            place.get_or_insert(need);
        }
    }
    let name = |held: Option<usize>| held.and_then(|held| cards.get(held)).map(|c| &c.name);
    let words = |(need, (card, held)): (Option<Need>, (&WaitingCard, Option<usize>))| {
        let need = need.unwrap_or(Need::OnlyCopy);
        let other = name(held).cloned().unwrap_or_default();
        let why = match need {
            Need::Begun => "it was begun".to_owned(),
            Need::OnlyCopy => "no other card here holds all its files".to_owned(),
            Need::OnTwoCards => format!("{other} holds its files too"),
            Need::Second => format!("{other} holds its files too, and comes before it"),
            Need::Copied => card.copied.clone().unwrap_or_default(),
        };
        (need, why)
    };
    needs
        .into_iter()
        .zip(cards.iter().zip(held_by))
        .map(words)
        .collect()
}

type Sorted<'a> = (usize, &'a WaitingCard, (Need, String));

/// What was begun stays first, and what is copied already last.
fn outer(need: Need) -> Need {
    match need {
        Need::OnTwoCards | Need::Second => Need::OnlyCopy,
        other => other,
    }
}

fn shortest_first(all: &mut [Sorted<'_>]) {
    let is_time_known = all.iter().all(|(_, card, _)| card.takes_s.is_some());
    let takes = |card: &WaitingCard| card.takes_s.filter(|_| is_time_known).unwrap_or_default();
    all.sort_by(|(_, a, (needs_a, _)), (_, b, (needs_b, _))| {
        let by_need = outer(*needs_a).cmp(&outer(*needs_b));
        let by_time = takes(a).total_cmp(&takes(b));
        let by_size = || {
            if is_time_known {
                by_time
            } else {
                a.bytes.cmp(&b.bytes)
            }
        };
        by_need.then_with(by_size)
    });
    for (_, card, (need, why)) in all {
        if matches!(need, Need::Begun | Need::Copied) {
            continue;
        }
        *why = match card.takes_s.filter(|_| is_time_known) {
            Some(seconds) => format!("takes about {}", at_most(seconds)),
            None => format!("{} to read", size(card.bytes)),
        };
    }
}

/// First what can be done by then, only copies before others, the shortest first: so most cards
/// are. Then the rest.
fn by_deadline(all: &mut [Sorted<'_>], chains: &[Vec<usize>], limit: f64) {
    let takes = |card: &WaitingCard| card.takes_s.unwrap_or(f64::INFINITY);
    all.sort_by(|(_, a, (needs_a, _)), (_, b, (needs_b, _))| {
        needs_a
            .cmp(needs_b)
            .then_with(|| takes(a).total_cmp(&takes(b)))
    });
    let mut done: BTreeMap<Option<usize>, f64> = BTreeMap::new();
    let mut is_late = vec![false; all.len()];
    for ((index, card, (need, why)), is_late) in all.iter_mut().zip(&mut is_late) {
        let chain = chains.iter().position(|chain| chain.contains(index));
        let done = done.entry(chain).or_default();
        let after = *done + takes(card);
        *is_late = after > limit && *need != Need::Begun;
        if after <= limit {
            *done = after;
        }
        *why = match card.takes_s {
            _ if matches!(need, Need::Begun | Need::Copied) => continue,
            None => "how long it takes is not known".to_owned(),
            Some(takes) if *is_late => format!("not done by then; takes about {}", at_most(takes)),
            Some(_) => format!("done after about {}; {why}", at_most(after)),
        };
    }
    let is_late: BTreeMap<usize, bool> = all.iter().map(|(i, ..)| *i).zip(is_late).collect();
    let is_late = |index: &usize| is_late.get(index).copied();
    all.sort_by_key(|(index, _, (need, _))| (*need == Need::Copied, is_late(index)));
}

impl Order {
    /// Puts every chain, and the chains, into the order of these turns.
    pub fn by_turns(&mut self, turns: &[Turn]) {
        let place = |card: &usize| turns.iter().position(|turn| turn.card == *card);
        let late = |card: &usize| place(card).unwrap_or(usize::MAX);
        for chain in &mut self.chains {
            chain.sort_by_key(late);
        }
        self.chains
            .sort_by_key(|chain| chain.first().map_or(usize::MAX, late));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::listing::{Listing, Row, RowKind};
    use crate::disk::{Sight, Stamp};
    use crate::name::CardName;

    /// A card with these files, which takes so many minutes.
    fn card(name: &str, files: &[&str], minutes: f64) -> WaitingCard {
        let row = |path: &&str| {
            let kind = RowKind::File {
                name: CardName::parse(path).unwrap(),
                bytes: 7,
                modified: Stamp {
                    seconds: 1,
                    nanos: 0,
                },
                sight: Sight::default(),
            };
            Row::new(path.as_bytes().to_vec(), kind)
        };
        WaitingCard {
            name: name.to_owned(),
            files: CardFiles::of(&Listing::new(files.iter().map(row).collect())),
            takes_s: Some(minutes * 60.0),
            bytes: crate::units::whole(minutes * 1e9),
            ..WaitingCard::default()
        }
    }

    fn names(cards: &[WaitingCard], aim: Aim) -> Vec<String> {
        let chain: Vec<usize> = (0..cards.len()).collect();
        let turns = turns(cards, &[chain], aim);
        turns
            .iter()
            .map(|turn| format!("{}: {}", cards[turn.card].name, turn.why))
            .collect()
    }

    /// Three aims, three orders, each with its reasons (arithmetic: within 20 minutes B1 and A2 can
    /// be done, which take 15 together, and A1 with its 30 can't).
    #[test]
    fn each_aim_has_an_order_of_its_own() {
        let cards = [
            card("A1", &["A", "B"], 30.0),
            card("A2", &["C"], 5.0),
            card("B1", &["C", "D"], 10.0),
        ];
        assert_eq!(
            names(&cards, Aim::OnlyCopy),
            [
                "A1: no other card here holds all its files",
                "B1: no other card here holds all its files",
                "A2: B1 holds its files too, and comes before it",
            ]
        );
        assert_eq!(
            names(&cards, Aim::CardBack),
            [
                "A2: takes about 5 min",
                "B1: takes about 10 min",
                "A1: takes about 30 min"
            ]
        );
        assert_eq!(
            names(&cards, Aim::Deadline(20.0 * 60.0)),
            [
                "B1: done after about 10 min; no other card here holds all its files",
                "A2: done after about 15 min; B1 holds its files too, and comes before it",
                "A1: not done by then; takes about 30 min",
            ]
        );
        assert_eq!(
            names(&cards, Aim::Given),
            ["A1: as typed", "A2: as typed", "B1: as typed"]
        );
    }

    #[test]
    fn of_two_equal_cards_one_comes_before_any_second_one() {
        let cards = [
            card("A1", &["A"], 1.0),
            card("A2", &["A"], 1.0),
            card("B1", &["B"], 1.0),
            card("B2", &["B"], 1.0),
            card("C", &["C"], 1.0),
        ];
        let order = names(&cards, Aim::OnlyCopy);
        assert_eq!(
            order[1..],
            [
                "A1: A2 holds its files too",
                "B1: B2 holds its files too",
                "A2: A1 holds its files too, and comes before it",
                "B2: B1 holds its files too, and comes before it",
            ]
        );
        assert!(order[0].starts_with("C: "));
    }

    #[test]
    fn what_is_begun_is_first_and_what_is_copied_is_last_for_every_aim() {
        let begun = WaitingCard {
            is_begun: true,
            ..card("A1", &["A"], 50.0)
        };
        let copied = Some("it was proven".to_owned());
        let proven = WaitingCard {
            copied,
            ..card("B1", &["B"], 1.0)
        };
        let cards = [
            proven,
            card("A2", &["A"], 9.0),
            card("C", &["C"], 10.0),
            begun,
        ];
        for aim in [Aim::OnlyCopy, Aim::CardBack, Aim::Deadline(6_000.0)] {
            let order = names(&cards, aim);
            assert!(order[0].starts_with("A1: "), "{order:?}");
            assert!(order[3].starts_with("B1: "), "{order:?}");
        }
        assert_eq!(
            names(&cards, Aim::OnlyCopy)[2],
            "A2: A1 holds its files too, and comes before it"
        );
    }

    #[test]
    fn what_takes_no_known_time_goes_by_its_size_and_is_promised_by_no_deadline() {
        let unknown = WaitingCard {
            takes_s: None,
            ..card("B1", &["B"], 1.0)
        };
        let cards = [card("A1", &["A"], 2.0), unknown];
        assert_eq!(
            names(&cards, Aim::CardBack),
            ["B1: 1.0 GB to read", "A1: 2.0 GB to read"]
        );
        assert_eq!(
            names(&cards, Aim::Deadline(6_000.0))[1],
            "B1: how long it takes is not known"
        );
    }

    /// Each reader has its own time (arithmetic: 10 and 5 minutes in one, 12 in the other).
    #[test]
    fn cards_in_two_readers_are_done_beside_each_other() {
        let cards = [
            card("A1", &["A"], 10.0),
            card("A2", &["B"], 12.0),
            card("A3", &["C"], 5.0),
        ];
        let mut order = Order {
            chains: vec![vec![0, 2], vec![1]],
            why: String::new(),
        };
        let turns = turns(&cards, &order.chains, Aim::Deadline(900.0));
        let why: Vec<&str> = turns
            .iter()
            .map(|t| t.why.split(';').next().unwrap())
            .collect();
        assert_eq!(
            why,
            [
                "done after about 5 min",
                "done after about 15 min",
                "done after about 12 min"
            ]
        );
        order.by_turns(&turns);
        assert_eq!(order.chains, [vec![2, 0], vec![1]]);
    }
}
