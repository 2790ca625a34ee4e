//! Owns what several cards of one command mean for each other: whether they may be read at the same
//! time, and whether all of them fit. Pure.

use super::{Plan, PlannedDestination};
use crate::disk::FolderFacts;
use crate::disk::backing::{Backing, independent};
use crate::error::{Problem, ProblemKind};
use crate::name::shown;
use crate::plan::in_sentence;
use crate::speed::chain::Spin;
use crate::units::{GB, all_counted, counted, len64, size};
use std::collections::{BTreeMap, BTreeSet};

/// Cards that are read at the same time. Each takes some 30 MB of memory and threads of its own,
/// and more than this many readers do not run at full speed on one computer anyway.
pub const AT_ONCE_MAX: usize = 4;

/// In which order several cards are read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Order {
    /// Cards of one chain are read one after the other, chains at the same time.
    pub chains: Vec<Vec<usize>>,
    /// Why, in one sentence.
    pub why: String,
}

impl Order {
    /// Returns whether any two cards are read at the same time.
    pub fn is_parallel(&self) -> bool {
        self.chains.len() > 1
    }
}

/// Decides the order. `cards` are those that can be read at all, each with its number on the
/// command line, counted from 0; `drives` are told by whether they spin, and what
/// they are called within a sentence.
pub fn order(cards: &[(usize, &FolderFacts)], drives: &[(Spin, String)]) -> Order {
    let all: Vec<usize> = cards.iter().map(|(index, _)| *index).collect();
    let one_by_one = |why: String| Order {
        chains: vec![all.clone()],
        why,
    };
    let first = |spin: Spin| {
        drives
            .iter()
            .find(|(s, _)| *s == spin)
            .map(|(_, name)| name)
    };
    if let Some(drive) = first(Spin::Yes) {
        return one_by_one(format!(
            "The cards are read one after the other: {drive} is a hard disk, and two cards at a \
            time would make its head jump between their files."
        ));
    }
    if let Some(drive) = first(Spin::Unknown) {
        return one_by_one(format!(
            "The cards are read one after the other: the system does not say whether {drive} is \
            a hard disk, which two cards at a time would slow down."
        ));
    }
    let backings: Vec<(&Backing, u64)> = cards
        .iter()
        .map(|(_, facts)| (&facts.backing, facts.device))
        .collect();
    // "Separate": cards that the system cannot place are given the benefit of the doubt, as only
    // time is at stake.
    let groups = independent(&backings, true).groups;
    let mut chains: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    let mut alone = cards.len();
    for ((index, _), group) in cards.iter().zip(groups) {
        let key = group.unwrap_or_else(|| {
            alone += 1;
            alone
        });
        chains.entry(key).or_default().push(*index);
    }
    let chains: Vec<Vec<usize>> = chains.into_values().collect();
    let why = match chains.len() {
        0 | 1 => "The cards are read one after the other: they are on one disk.".to_owned(),
        n if n > AT_ONCE_MAX => format!(
            "The cards are read at the same time, {AT_ONCE_MAX} at most; no drive is a hard \
             disk."
        ),
        n if n < all.len() => format!(
            "The cards are read from {} at the same time, those on one disk one after the \
             other; no drive is a hard disk.",
            counted(len64(n), "disk")
        ),
        _ => "The cards are read at the same time: they are on different disks, and no drive is a \
            hard disk."
            .to_owned(),
    };
    Order { chains, why }
}

/// Returns after how many seconds each card is done, when each takes so many; `None` where that
/// cannot be said, as after a card of which nothing is known. Chains run at the same time.
pub fn done_after(order: &Order, takes: &[Option<f64>]) -> Vec<Option<f64>> {
    let mut done = vec![None; takes.len()];
    for chain in &order.chains {
        let mut at = Some(0.0);
        for index in chain {
            let took = takes.get(*index).copied().flatten();
            at = at.zip(took).map(|(at, took)| at + took);
            if let Some(place) = done.get_mut(*index) {
                *place = at;
            }
        }
    }
    done
}

/// Room that is free and that no other run at work will need.
fn free(d: &PlannedDestination) -> u64 {
    d.facts.free_bytes.saturating_sub(d.others_bytes)
}

/// Returns how many cards fit on every volume together, in the order in which they were given.
fn how_many_fit(plans: &[Plan]) -> usize {
    let mut left: BTreeMap<u64, u64> = BTreeMap::new();
    let fits = |plan: &&Plan| {
        plan.destinations.iter().all(|d| {
            let free = left.entry(d.facts.device).or_insert_with(|| free(d));
            let rest = free.checked_sub(d.needs_bytes);
            *free = rest.unwrap_or(0);
            rest.is_some()
        })
    };
    plans.iter().take_while(fits).count()
}

/// A drive with less left than this is worth a word, in bytes; common practice, no source.
const LITTLE_BYTES: u64 = 20 * GB;

/// Returns whether so little is left on a volume of `total` bytes that it is worth a word: under 20
/// GB, or under a twentieth of it.
pub fn is_little(left: u64, total: u64) -> bool {
    left < LITTLE_BYTES || left < total / 20
}

/// What all cards together need on one volume, in bytes.
struct VolumeNeed {
    device: u64,
    needs: u64,
    free: u64,
    total: u64,
    /// The destinations on it, counted from 0.
    destinations: BTreeSet<usize>,
    offloads: u64,
}

/// Adds up what all cards need, for each volume, in the order of the destinations.
fn volumes(plans: &[Plan]) -> Vec<VolumeNeed> {
    let mut all: BTreeMap<u64, VolumeNeed> = BTreeMap::new();
    for plan in plans {
        for (index, d) in plan.destinations.iter().enumerate() {
            let volume = all.entry(d.facts.device).or_insert_with(|| VolumeNeed {
                device: d.facts.device,
                needs: 0,
                free: free(d),
                total: d.facts.total_bytes,
                destinations: BTreeSet::new(),
                offloads: 0,
            });
            volume.needs = volume.needs.saturating_add(d.needs_bytes);
            volume.free = volume.free.min(free(d));
            volume.destinations.insert(index);
            volume.offloads += 1;
        }
    }
    let mut all: Vec<VolumeNeed> = all.into_values().collect();
    all.sort_by_key(|v| v.destinations.first().copied());
    all
}

/// What one card needs on one volume, in bytes.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct RoomNeed {
    /// The device number of the file system.
    pub device: u64,
    /// What it needs there.
    pub needs: u64,
    /// What is free there, and no run at work will need.
    pub free: u64,
    /// What the drives on it are called.
    pub drives: Vec<String>,
}

/// A volume that will not do for a card once those before it are copied.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct RoomShort {
    /// The card's number, counted from 0.
    pub card: usize,
    /// What it needs there, and what would be free: less.
    pub need: RoomNeed,
}

/// Returns what a card needs on each volume.
pub fn room_needs(plan: &Plan) -> Vec<RoomNeed> {
    let names = in_sentence(plan.destinations.iter());
    let of = |volume: VolumeNeed| RoomNeed {
        device: volume.device,
        needs: volume.needs,
        free: volume.free,
        drives: volume
            .destinations
            .iter()
            .filter_map(|d| names.get(*d).cloned())
            .collect(),
    };
    let needs = volumes(std::slice::from_ref(plan)).into_iter().map(of);
    needs.collect()
}

/// Returns for which cards the room will not do, when they are copied in this order. One that does
/// not fit takes no room from those after it.
pub fn without_room(cards: &[Vec<RoomNeed>]) -> Vec<RoomShort> {
    let mut taken: BTreeMap<u64, u64> = BTreeMap::new();
    let mut short = Vec::new();
    for (card, needs) in cards.iter().enumerate() {
        let left = |need: &RoomNeed| {
            let taken = taken.get(&need.device).copied().unwrap_or(0);
            need.free.saturating_sub(taken)
        };
        let here: Vec<RoomShort> = needs
            .iter()
            .filter(|need| need.needs > left(need))
            .map(|need| RoomShort {
                card,
                need: RoomNeed {
                    free: left(need),
                    ..need.clone()
                },
            })
            .collect();
        if here.is_empty() {
            for need in needs {
                let taken = taken.entry(need.device).or_default();
                *taken = taken.saturating_add(need.needs);
            }
        }
        short.extend(here);
    }
    short
}

/// Says on which destinations the cards together leave little, in whole sentences: each card's plan
/// is made as if it were alone.
pub fn joint_little(plans: &[Plan]) -> Vec<String> {
    if plans.len() < 2 {
        return Vec::new();
    }
    let names = plans
        .first()
        .map(|plan| in_sentence(plan.destinations.iter()));
    let names = names.unwrap_or_default();
    let told = |v: VolumeNeed| {
        let left = v.free.checked_sub(v.needs)?;
        let on = v.destinations.iter().filter_map(|d| names.get(*d));
        let on: Vec<&str> = on.map(String::as_str).collect();
        is_little(left, v.total).then(|| {
            format!(
                "{} together need {} of {} free on {}, which leaves {}.",
                all_counted(plans.len(), "card"),
                size(v.needs),
                size(v.free),
                on.join(" and "),
                size(left)
            )
        })
    };
    volumes(plans).into_iter().filter_map(told).collect()
}

/// Tells which volumes cannot take all cards together, although each card alone would fit.
pub fn joint_room(plans: &[Plan]) -> Vec<Problem> {
    let first: Vec<String> = plans
        .iter()
        .take(how_many_fit(plans))
        .map(|plan| format!("`{}`", shown(plan.card.given.as_str())))
        .collect();
    let fit = match first.len() {
        0 => String::new(),
        1 => format!(" ({} alone fits)", first.concat()),
        _ => format!(" ({} fit together)", first.join(", ")),
    };
    let short = |v: VolumeNeed| {
        let short = v.needs.checked_sub(v.free).filter(|short| *short > 0)?;
        let why = format!(
            "the cards together need {} there ({}), and {} is free: {} short; leave out a \
             card{fit} or give another drive",
            size(v.needs),
            counted(v.offloads, "offload"),
            size(v.free),
            size(short)
        );
        Some(Problem::new(ProblemKind::NoRoom, why).on(v.destinations.first().copied()?))
    };
    volumes(plans).into_iter().filter_map(short).collect()
}

#[cfg(test)]
mod tests {
    use super::super::tests::facts;
    use super::*;
    use crate::plan::tests::planned;

    fn on(disk: &str, device: u64) -> FolderFacts {
        FolderFacts {
            backing: Backing::Disks(BTreeSet::from([disk.to_owned()])),
            ..facts(device, "ext4", 0)
        }
    }

    #[test]
    fn two_readers_and_two_fast_drives_go_at_the_same_time() {
        let cards = [on("sdc", 1), on("sdd", 2)];
        let cards: Vec<_> = cards.iter().enumerate().collect();
        let order = order(
            &cards,
            &[(Spin::No, "Attic".into()), (Spin::No, "Travel".into())],
        );
        assert_eq!(order.chains, [[0], [1]]);
        assert!(order.is_parallel());
        assert!(order.why.contains("at the same time"), "{}", order.why);
    }

    #[test]
    fn a_spinning_or_unknown_drive_takes_one_card_at_a_time() {
        let cards = [on("sdc", 1), on("sdd", 2)];
        let cards: Vec<_> = cards.iter().enumerate().collect();
        for (second, word) in [
            (Spin::Yes, "Travel is a hard disk"),
            (Spin::Unknown, "the system does not say whether Travel"),
        ] {
            let order = order(
                &cards,
                &[(Spin::No, "Attic".into()), (second, "Travel".into())],
            );
            assert_eq!(order.chains, [[0, 1]]);
            assert!(order.why.contains(word), "{}", order.why);
        }
    }

    #[test]
    fn cards_of_a_chain_wait_for_each_other() {
        let order = Order {
            chains: vec![vec![0, 2, 3], vec![1]],
            why: String::new(),
        };
        let takes = [Some(10.0), Some(5.0), Some(7.0), None];
        assert_eq!(
            done_after(&order, &takes),
            [Some(10.0), Some(5.0), Some(17.0), None]
        );
    }

    #[test]
    fn cards_on_one_device_form_a_chain() {
        let cards = [on("sdc", 1), on("sdd", 2), on("sdc", 5)];
        let cards: Vec<_> = cards.iter().enumerate().collect();
        let found = order(&cards, &[(Spin::No, "Attic".into())]);
        assert_eq!(found.chains, [vec![0, 2], vec![1]]);
        assert!(found.why.contains("from 2 disks"), "{}", found.why);
        let found = order(&cards[..1], &[(Spin::No, "Attic".into())]);
        assert!(!found.is_parallel());
    }

    /// 1,000 GB are free, and of three cards the second alone is too large for what the first
    /// leaves (arithmetic).
    #[test]
    fn a_card_that_will_not_fit_after_those_before_it_is_named() {
        let gb = |n: u64| n * GB;
        let need = |device: u64, needs: u64| RoomNeed {
            device,
            needs: gb(needs),
            free: gb(1_000),
            drives: vec!["Attic".to_owned()],
        };
        let cards = [
            vec![need(1, 600)],
            vec![need(1, 500), need(2, 500)],
            vec![need(1, 400)],
        ];
        let short = without_room(&cards);
        assert_eq!(short.len(), 1, "{short:?}");
        assert_eq!((short[0].card, short[0].need.device), (1, 1));
        assert_eq!(
            (short[0].need.needs, short[0].need.free),
            (gb(500), gb(400))
        );
        assert!(without_room(&[vec![need(1, 1_000)]]).is_empty());
        let needs = room_needs(&planned(gb(460), facts(1, "ext4", gb(1_000))));
        assert_eq!(
            (needs.len(), needs[0].device, needs[0].free),
            (1, 1, gb(1_000))
        );
        assert!(needs[0].needs >= gb(460), "{needs:?}");
    }

    /// Each of two cards of 460 GB leaves 540 of 1,000 GB free, both together 80 of a drive of 2 TB
    /// (arithmetic).
    #[test]
    fn cards_that_leave_little_together_are_told_so() {
        let gb = |n: u64| n * GB;
        let on = |free: u64, total: u64| FolderFacts {
            total_bytes: gb(total),
            ..facts(1, "ext4", gb(free))
        };
        let two = |card: u64, free, total| {
            let plans = [
                planned(gb(card), on(free, total)),
                planned(gb(card), on(free, total)),
            ];
            (joint_little(&plans), joint_room(&plans).len())
        };
        let (told, refused) = two(460, 1_000, 2_000);
        assert_eq!((told.len(), refused), (1, 0));
        assert_eq!(
            told[0],
            "Both cards together need 920.0 GB of 1.00 TB free on `/media/1`, which leaves 80.0 \
             GB."
        );
        assert_eq!(two(100, 1_000, 2_000), (Vec::new(), 0));
        let (told, refused) = two(600, 1_000, 2_000);
        assert_eq!((told, refused), (Vec::new(), 1), "refused instead");
        let one = [planned(gb(990), on(1_000, 2_000))];
        assert!(joint_little(&one).is_empty(), "its own plan tells that");
    }
}
