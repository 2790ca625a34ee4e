//! Owns the cards whose copy ended for lack of room, and when they are looked at again: once a
//! drive of theirs has more room than it had. It looks; it writes nothing.

use super::cards::StationCard;
use camino::Utf8PathBuf;
use std::collections::BTreeMap;
use std::time::Duration;
use unlade::disk::Disk;
use unlade::station::PluggedCard;

/// Bytes that a drive has to have more before a card is looked at again: less is what other
/// programs write and remove.
const ROOM_STEP: u64 = 1_000_000;
/// Cards that are looked at, at the same time at most.
const LOOKS_MAX: usize = 2;
/// Between two looks at one card: somebody may be clearing up file by file.
const LOOK_AGAIN: Duration = Duration::from_secs(5);

/// A card that there was no room for.
#[derive(Debug)]
struct FullCard {
    /// The drives without room, by name.
    drives: Vec<String>,
    /// The least that was free in each folder since the last look.
    free: BTreeMap<Utf8PathBuf, u64>,
    is_looked_at: bool,
    looked: Option<Duration>,
}

/// The cards that there was no room for.
#[derive(Debug, Default)]
pub(super) struct FullCards(BTreeMap<PluggedCard, FullCard>);

impl FullCards {
    /// Takes in that there was no room for a card on these drives.
    pub(super) fn note(&mut self, card: &PluggedCard, drives: Vec<String>) {
        let full = FullCard {
            drives,
            free: BTreeMap::new(),
            is_looked_at: false,
            looked: None,
        };
        self.0.insert(card.clone(), full);
    }

    /// Forgets those that are not among these any more.
    pub(super) fn keep(&mut self, is_full: impl Fn(&PluggedCard) -> bool) {
        self.0.retain(|card, _| is_full(card));
    }

    /// Returns the drives without room for a card, by name.
    pub(super) fn drives(&self, card: &PluggedCard) -> Vec<String> {
        let full = self.0.get(card);
        full.map_or_else(Vec::new, |full| full.drives.clone())
    }

    /// Returns the cards that are to be looked at now, because a drive of theirs has more room, and
    /// takes them for that.
    pub(super) fn next_looks(
        &mut self,
        cards: &[StationCard],
        disk: &dyn Disk,
        now: Duration,
    ) -> Vec<StationCard> {
        let underway = self.0.values().filter(|full| full.is_looked_at).count();
        let mut looks = Vec::new();
        for (card, full) in &mut self.0 {
            let found = cards.iter().find(|found| found.card == *card);
            let orders = found.and_then(|found| found.orders.as_ref().ok());
            let (Some(found), Some(orders)) = (found, orders) else {
                continue;
            };
            let may_look = full.looked.is_none_or(|at| now >= at + LOOK_AGAIN);
            if full.is_looked_at || !may_look || underway + looks.len() >= LOOKS_MAX {
                continue;
            }
            let free = |to: &Utf8PathBuf| Some((to.clone(), disk.facts(to).ok()?.free_bytes));
            let free: Vec<(Utf8PathBuf, u64)> = orders.to.iter().filter_map(free).collect();
            let mut has_more = false;
            for (to, free) in &free {
                let then = full.free.entry(to.clone()).or_insert(*free);
                has_more |= *free >= then.saturating_add(ROOM_STEP);
                *then = (*free).min(*then);
            }
            if has_more {
                // What is cleared up while it is looked at counts as well.
                full.free = free.into_iter().collect();
                full.is_looked_at = true;
                full.looked = Some(now);
                looks.push(found.clone());
            }
        }
        looks
    }

    /// Takes in that a card was looked at.
    pub(super) fn looked(&mut self, card: &PluggedCard) {
        if let Some(full) = self.0.get_mut(card) {
            full.is_looked_at = false;
        }
    }
}
