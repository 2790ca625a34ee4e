//! Stories of cards and drives that come and go, beside a model that knows only what a person
//! would demand: every wanted card is copied once its drives are there, none twice, nothing is told
//! twice.

use super::*;
use std::collections::{BTreeMap, BTreeSet};

fn card(name: &str) -> PluggedCard {
    PluggedCard {
        path: format!("/media/{name}").into(),
        device: 7,
        volume_id: Some(name.to_owned()),
    }
}

fn seen(name: &str, missing: Option<&[&str]>) -> SeenCard {
    SeenCard {
        card: card(name),
        missing: missing.map(|m| m.iter().map(|d| (*d).to_owned()).collect()),
    }
}

fn begun(station: &mut Station) -> Vec<PluggedCard> {
    let order: Vec<PluggedCard> = station.queued().cloned().collect();
    std::iter::from_fn(|| station.begin(&order, |_| true)).collect()
}

#[test]
fn a_known_card_is_begun_and_an_unknown_one_is_told_once() {
    let mut station = Station::default();
    let look = [seen("A1", Some(&[])), seen("LENT", None)];
    assert_eq!(station.look(&look), [StationNews::Unknown(card("LENT"))]);
    assert_eq!(begun(&mut station), [card("A1")]);
    assert!(station.look(&look).is_empty());
    assert!(begun(&mut station).is_empty(), "it runs");
    station.end(&card("A1"), CopyEnd::Proven);
    assert!(station.look(&look).is_empty());
    assert!(begun(&mut station).is_empty(), "it is proven");
    // Put in again it is another matter.
    assert!(station.look(&look[1..]).is_empty());
    station.look(&look);
    assert_eq!(begun(&mut station), [card("A1")]);
}

#[test]
fn turns_are_as_they_are_ordered_and_nobody_is_begun_out_of_turn() {
    let mut station = Station::default();
    station.look(&["A1", "A2", "A3"].map(|name| seen(name, Some(&[]))));
    let order = ["A3", "GONE", "A1"].map(card);
    let beside = |other: &PluggedCard| *other != card("A3");
    assert_eq!(station.begin(&order, beside), Some(card("A1")));
    assert_eq!(station.begin(&order, |_| true), Some(card("A3")));
    assert_eq!(station.begin(&order, |_| true), None, "A2 is in no order");
    assert_eq!(station.queued().collect::<Vec<_>>(), [&card("A2")]);
}

#[test]
fn a_card_waits_for_its_drives_and_says_for_which() {
    let mut station = Station::default();
    let waiting = |drives: &[&str]| {
        let drives = drives.iter().map(|d| (*d).to_owned()).collect();
        [StationNews::Waiting(card("A1"), drives)]
    };
    let both = ["Attic", "Travel"];
    assert_eq!(station.look(&[seen("A1", Some(&both))]), waiting(&both));
    assert!(station.look(&[seen("A1", Some(&both))]).is_empty());
    assert!(begun(&mut station).is_empty());
    let one = ["Travel"];
    assert_eq!(station.look(&[seen("A1", Some(&one))]), waiting(&one));
    assert_eq!(station.waiting().count(), 1);
    assert!(station.look(&[seen("A1", Some(&[]))]).is_empty());
    assert_eq!(begun(&mut station), [card("A1")]);
}

#[test]
fn what_lost_a_drive_goes_on_when_it_is_back() {
    let mut station = Station::default();
    station.look(&[seen("A1", Some(&[]))]);
    assert_eq!(begun(&mut station), [card("A1")]);
    assert!(station.look(&[seen("A1", Some(&["Travel"]))]).is_empty());
    station.end(&card("A1"), CopyEnd::Open);
    let told = station.look(&[seen("A1", Some(&["Travel"]))]);
    assert!(
        matches!(told.as_slice(), [StationNews::Waiting(..)]),
        "{told:?}"
    );
    assert!(begun(&mut station).is_empty());
    station.look(&[seen("A1", Some(&[]))]);
    assert_eq!(begun(&mut station), [card("A1")]);
    // It ended for another reason: once more would end the same way.
    station.end(&card("A1"), CopyEnd::Open);
    station.look(&[seen("A1", Some(&[]))]);
    assert!(begun(&mut station).is_empty());
}

#[test]
fn what_had_no_room_is_begun_again_when_there_is_some_and_what_ended_otherwise_is_not() {
    let mut station = Station::default();
    let look = ["A1", "A2"].map(|name| seen(name, Some(&[])));
    station.look(&look);
    assert_eq!(begun(&mut station).len(), 2);
    assert!(!station.has_room(&card("A1")), "it runs");
    station.end(&card("A1"), CopyEnd::Full);
    station.end(&card("A2"), CopyEnd::Open);
    assert_eq!(station.full().collect::<Vec<_>>(), [&card("A1")]);
    station.look(&look);
    assert!(begun(&mut station).is_empty(), "nothing has changed");
    assert!(station.has_room(&card("A1")) && !station.has_room(&card("A2")));
    assert!(!station.has_room(&card("A1")), "once");
    assert_eq!(begun(&mut station), [card("A1")]);
    // Put in again it is begun as well, and a drive that is away is waited for first.
    station.end(&card("A1"), CopyEnd::Full);
    station.look(&look[1..]);
    station.look(&look);
    assert_eq!(begun(&mut station), [card("A1")]);
    station.end(&card("A1"), CopyEnd::Full);
    assert_eq!(station.look(&[seen("A1", Some(&["Attic"]))]).len(), 1);
    assert!(!station.has_room(&card("A1")) && station.full().count() == 0);
}

#[test]
fn a_card_that_was_pulled_and_put_in_again_is_begun_again() {
    let mut station = Station::default();
    station.look(&[seen("A1", Some(&[]))]);
    begun(&mut station);
    station.look(&[]);
    station.look(&[seen("A1", Some(&[]))]);
    assert!(
        begun(&mut station).is_empty(),
        "the first copy has not ended yet"
    );
    station.end(&card("A1"), CopyEnd::Open);
    station.look(&[seen("A1", Some(&[]))]);
    assert_eq!(begun(&mut station), [card("A1")]);
}

/// A sequence of numbers from a seed, the same everywhere (Lehmer, modulus 2^31 - 1, factor 48271;
/// from memory).
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0 * 48_271 % 0x7fff_ffff;
        usize::try_from(self.0).unwrap() % n
    }
}

/// One story. The model: who is in, which drives are in, who was proven since put in.
fn story(seed: u64) {
    let mut dice = Dice(seed * 7_919 + 1);
    let names = ["A1", "A2", "B1", "LENT"];
    let (mut station, mut is_in) = (Station::default(), BTreeSet::new());
    let (mut drives_in, mut proven) = (BTreeSet::from(["Attic", "Travel"]), BTreeSet::new());
    let mut running: BTreeMap<PluggedCard, bool> = BTreeMap::new();
    for _ in 0..60 {
        let name = names[dice.below(names.len())];
        match dice.below(6) {
            0 | 1 => {
                is_in.insert(name);
            }
            2 => {
                is_in.remove(name);
                proven.remove(&card(name));
                running.entry(card(name)).and_modify(|whole| *whole = false);
            }
            3 => {
                drives_in.remove("Travel");
                for whole in running.values_mut() {
                    *whole = false;
                }
            }
            4 => {
                drives_in.insert("Travel");
            }
            _ => {
                if let Some((card, whole)) = running.pop_first() {
                    // What was pulled in the middle is never proven.
                    if whole {
                        proven.insert(card.clone());
                    }
                    let end = if whole {
                        CopyEnd::Proven
                    } else {
                        CopyEnd::Open
                    };
                    station.end(&card, end);
                }
            }
        }
        let look: Vec<SeenCard> = is_in
            .iter()
            .map(|name| {
                let missing = ["Attic", "Travel"].into_iter();
                let missing: Vec<_> = missing.filter(|d| !drives_in.contains(d)).collect();
                seen(name, (*name != "LENT").then_some(missing.as_slice()))
            })
            .collect();
        station.look(&look);
        for card in begun(&mut station) {
            assert_ne!(card.volume_id.as_deref(), Some("LENT"), "seed {seed}");
            assert!(!proven.contains(&card), "twice, seed {seed}");
            assert!(running.insert(card, true).is_none(), "seed {seed}");
        }
    }
    settle(&mut station, running, proven, &is_in, seed);
}

/// When all is in and nothing disturbs, every wanted card is proven in the end.
fn settle(
    station: &mut Station,
    mut running: BTreeMap<PluggedCard, bool>,
    mut proven: BTreeSet<PluggedCard>,
    is_in: &BTreeSet<&str>,
    seed: u64,
) {
    for _ in 0..3 {
        while let Some((card, whole)) = running.pop_first() {
            let end = if whole {
                CopyEnd::Proven
            } else {
                CopyEnd::Open
            };
            station.end(&card, end);
            if whole {
                proven.insert(card);
            }
        }
        let look: Vec<_> = is_in
            .iter()
            .map(|name| seen(name, (*name != "LENT").then_some(&[][..])))
            .collect();
        station.look(&look);
        for card in begun(station) {
            running.insert(card, true);
        }
    }
    let wanted = is_in.iter().filter(|name| **name != "LENT");
    for name in wanted {
        assert!(
            proven.contains(&card(name)),
            "{name} forgotten, seed {seed}"
        );
    }
}

#[test]
fn no_card_is_copied_twice_and_none_is_forgotten() {
    (0..2_000).for_each(story);
}
