//! Owns what a watch knows of the cards that wait for their turn: which is first, and whether each
//! will fit. It looks; it writes nothing.

use super::cards::{Orders, StationCard};
use super::copying::{Shared, copy_args, proven_on};
use super::seen::SeenFiles;
use crate::cli::command::copy::look;
use crate::cli::view::out::{Out, heard};
use crate::cli::view::text::all_of;
use camino::Utf8PathBuf;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;
use unlade::disk::FolderFacts;
use unlade::error::{Problem, ProblemKind};
use unlade::plan::concurrent::{RoomNeed, order, room_needs, without_room};
use unlade::plan::first::{Aim, Turn, WaitingCard, turns};
use unlade::speed::chain::Spin;
use unlade::station::PluggedCard;
use unlade::units::size;

/// Cards that are looked at, at the same time at most.
const LOOKS_MAX: usize = 4;
/// How long the first of several turns waits for the looks at all that are there; a reader that
/// does not answer holds up the others no longer.
const PATIENCE: Duration = Duration::from_secs(5);

/// What a look at a card that waits found.
#[derive(Clone, Debug)]
pub(super) struct LookedCard {
    /// When it was looked at, since the start of the command.
    at: Duration,
    /// Where its copies would go.
    to: Vec<Utf8PathBuf>,
    card: WaitingCard,
    /// What an order asks of one that can be copied.
    found: Option<WaitingFound>,
    /// Where it has no room by itself: the drive, and why.
    no_room: Vec<(String, String)>,
}

#[derive(Clone, Debug)]
struct WaitingFound {
    facts: FolderFacts,
    spins: Vec<(Spin, String)>,
    room: Vec<RoomNeed>,
}

/// A card that is being copied: whether another may be read beside it depends on this.
pub(super) struct RunningCard {
    pub(super) card: PluggedCard,
    pub(super) facts: Option<FolderFacts>,
    begun: Duration,
    /// What it needed when it was begun, where that was looked at before.
    room: Vec<RoomNeed>,
}

/// A look that is not done yet, or what it found.
#[derive(Debug)]
enum WaitingLook {
    Underway,
    Done(Box<LookedCard>),
}

/// The cards that wait for their turn.
#[derive(Debug)]
pub(super) struct WaitingQueue {
    aim: Aim,
    looks: BTreeMap<PluggedCard, WaitingLook>,
    /// Since when the first turn waits for looks.
    since: Option<Duration>,
    /// The drives on which a card will not fit.
    short: BTreeMap<PluggedCard, BTreeSet<String>>,
    /// What was told of that, once for each card and drive.
    told: BTreeSet<(PluggedCard, String)>,
}

impl LookedCard {
    /// Whether it can be copied as things are.
    pub(super) fn fits(&self) -> bool {
        self.found.is_some()
    }
}

impl WaitingQueue {
    pub(super) fn new(aim: Aim) -> Self {
        Self {
            aim,
            looks: BTreeMap::new(),
            since: None,
            short: BTreeMap::new(),
            told: BTreeSet::new(),
        }
    }

    /// Forgets cards that are gone, and looks that were for other drives.
    pub(super) fn keep(&mut self, cards: &[StationCard], seen: &SeenFiles) {
        let find = |card: &PluggedCard| cards.iter().find(|c| c.card == *card);
        self.looks.retain(|card, look| {
            let to = find(card)
                .and_then(|c| c.orders.as_ref().ok())
                .map(|orders| &orders.to);
            match look {
                WaitingLook::Underway => true,
                WaitingLook::Done(looked) => to == Some(&looked.to),
            }
        });
        self.told.retain(|(card, _)| find(card).is_some());
        seen.keep(|card| find(card).is_some());
    }

    /// Forgets what was looked at: a copy has ended, and the room is another.
    pub(super) fn forget(&mut self) {
        self.looks
            .retain(|_, look| matches!(look, WaitingLook::Underway));
    }

    /// Returns which of the cards that wait are to be looked at now, and takes them for that.
    pub(super) fn next_looks(&mut self, queued: &[PluggedCard]) -> Vec<PluggedCard> {
        let underway = self
            .looks
            .values()
            .filter(|look| matches!(look, WaitingLook::Underway));
        let free = LOOKS_MAX.saturating_sub(underway.count());
        let new = queued.iter().filter(|card| !self.looks.contains_key(*card));
        let new: Vec<PluggedCard> = new.take(free).cloned().collect();
        for card in &new {
            self.looks.insert(card.clone(), WaitingLook::Underway);
        }
        new
    }

    /// Takes in what a look found.
    pub(super) fn note(&mut self, card: &PluggedCard, looked: Option<Box<LookedCard>>) {
        match looked {
            Some(looked) => self.looks.insert(card.clone(), WaitingLook::Done(looked)),
            None => self.looks.remove(card),
        };
    }

    fn looked(&self, card: &PluggedCard) -> Option<&LookedCard> {
        match self.looks.get(card)? {
            WaitingLook::Done(looked) => Some(looked),
            WaitingLook::Underway => None,
        }
    }

    /// Returns whether the first turn can be given: all that wait were looked at, or that takes too
    /// long.
    pub(super) fn is_decided(&mut self, queued: &[PluggedCard], now: Duration) -> bool {
        if queued.iter().all(|card| self.looked(card).is_some()) {
            self.since = None;
            return true;
        }
        let since = *self.since.get_or_insert(now);
        now.saturating_sub(since) >= PATIENCE
    }

    /// Returns the cards that wait in the order of their turns, each with the reason.
    pub(super) fn order(
        &self,
        queued: &[PluggedCard],
        seen: &SeenFiles,
    ) -> Vec<(PluggedCard, String)> {
        let begun = seen.all().into_iter();
        let begun = begun.filter(|(card, _)| !queued.contains(card));
        let begun = begun.map(|(_, (name, files))| WaitingCard {
            name,
            files,
            is_begun: true,
            ..WaitingCard::default()
        });
        let begun: Vec<WaitingCard> = begun.collect();
        let (looked, others): (Vec<_>, Vec<_>) =
            queued.iter().partition(|card| self.looked(card).is_some());
        let waiting = looked
            .iter()
            .filter_map(|card| Some(self.looked(card)?.card.clone()));
        let all: Vec<WaitingCard> = begun.iter().cloned().chain(waiting).collect();
        let turns = turns(&all, &[], self.aim).into_iter();
        let card = |turn: Turn| {
            let card = looked.get(turn.card.checked_sub(begun.len())?)?;
            Some(((*card).clone(), turn.why))
        };
        let unknown = others.into_iter().map(|card| (card.clone(), String::new()));
        turns.filter_map(card).chain(unknown).collect()
    }

    /// Returns what is to be told of cards that will not fit when their turn comes: the card, the
    /// drive, and the words.
    pub(super) fn without_room(
        &mut self,
        order: &[PluggedCard],
        running: &[RunningCard],
    ) -> Vec<(PluggedCard, String, String)> {
        let looked: Vec<(&PluggedCard, &LookedCard)> = order
            .iter()
            .filter_map(|card| Some((card, self.looked(card)?)))
            .collect();
        let needs = |(_, looked): &(&PluggedCard, &LookedCard)| {
            let room = looked.found.as_ref().map_or(&[][..], |found| &found.room);
            room.iter()
                .map(|need| left_for(need, looked.at, running))
                .collect()
        };
        let needs: Vec<Vec<RoomNeed>> = looked.iter().map(needs).collect();
        let alone = looked.iter().flat_map(|(card, looked)| {
            let told = looked.no_room.iter();
            told.map(|(drive, why)| ((*card).clone(), drive.clone(), why.clone()))
        });
        let after = without_room(&needs).into_iter().filter_map(|short| {
            let (card, _) = looked.get(short.card)?;
            let RoomNeed {
                needs,
                free,
                drives,
                ..
            } = short.need;
            let why = format!(
                "needs {}, and {} will be free after what is copied before it: {} short",
                size(needs),
                size(free),
                size(needs.saturating_sub(free))
            );
            Some(((*card).clone(), all_of(&drives), why))
        });
        let short: Vec<_> = alone.chain(after).collect();
        self.short = BTreeMap::new();
        for (card, drive, _) in &short {
            self.short
                .entry(card.clone())
                .or_default()
                .insert(drive.clone());
        }
        let told = &mut self.told;
        let is_new = |(card, drive, _): &(PluggedCard, String, String)| {
            told.insert((card.clone(), drive.clone()))
        };
        short.into_iter().filter(is_new).collect()
    }

    /// Returns the drives on which a card that waits will not fit.
    pub(super) fn short_on(&self, card: &PluggedCard) -> Vec<String> {
        let drives = self.short.get(card).into_iter().flatten();
        drives.cloned().collect()
    }

    /// Whether a card may be read beside those that are: as the cards of one command.
    pub(super) fn may_begin(&self, card: &PluggedCard, running: &[RunningCard]) -> bool {
        if running.is_empty() {
            return true;
        }
        let Some(looked) = self.looked(card) else {
            return false;
        };
        let Some(found) = &looked.found else {
            // It is refused, which takes no time.
            return true;
        };
        running.iter().all(|other| {
            let Some(facts) = &other.facts else {
                return false;
            };
            order(&[(0, facts), (1, &found.facts)], &found.spins).is_parallel()
        })
    }

    /// Returns what is to be kept in mind of a card that is begun now.
    pub(super) fn begin(
        &mut self,
        card: &PluggedCard,
        facts: Option<FolderFacts>,
        now: Duration,
    ) -> RunningCard {
        let found = self.looked(card).and_then(|looked| looked.found.as_ref());
        let room = found.map_or_else(Vec::new, |found| found.room.clone());
        self.looks.remove(card);
        self.since = None;
        RunningCard {
            card: card.clone(),
            facts,
            begun: now,
            room,
        }
    }
}

/// What is left for a card that was looked at then: what was begun since takes its part, and what
/// ran before was reckoned with.
fn left_for(need: &RoomNeed, at: Duration, running: &[RunningCard]) -> RoomNeed {
    let since = running.iter().filter(|other| other.begun >= at);
    let theirs = since.flat_map(|other| &other.room);
    let theirs = theirs.filter(|other| other.device == need.device);
    let taken = theirs.fold(0_u64, |sum, other| sum.saturating_add(other.needs));
    RoomNeed {
        free: need.free.saturating_sub(taken),
        ..need.clone()
    }
}

impl Shared<'_> {
    /// Looks at a card that waits.
    pub(super) fn look_at(&self, card: &StationCard, orders: &Orders) -> LookedCard {
        let mut looked = LookedCard {
            at: self.tools.clock.elapsed(),
            to: orders.to.clone(),
            card: WaitingCard::default(),
            found: None,
            no_room: Vec::new(),
        };
        let out = Out::for_programs();
        let look = |args| look(&args, self.common, out, self.tools, self.book).ok();
        let args = copy_args(card, orders, self.common).ok();
        let planned = heard(|| args.and_then(look)).0;
        match planned.and_then(|all| Some(all.into_iter().next()?.1)) {
            Some(Ok(plan)) => {
                let ledger = self.book.is_kept().then(|| self.book.read());
                let proven = ledger.and_then(|ledger| proven_on(&plan, &ledger));
                looked.card = WaitingCard {
                    copied: proven.map(|when| format!("it was proven on {when}")),
                    ..WaitingCard::of(&plan)
                };
                looked.found = Some(WaitingFound {
                    facts: plan.card.facts.clone(),
                    spins: plan.spins(),
                    room: room_needs(&plan),
                });
            }
            Some(Err(refusal)) => {
                let full = refusal.reasons.into_iter();
                let full = full.filter(|reason| reason.kind == ProblemKind::NoRoom);
                let drive = |at: Option<usize>| orders.set.to.get(at?).map(ToString::to_string);
                let told = |reason: Problem| {
                    let drive = drive(reason.destination).unwrap_or_default();
                    (drive, reason.detail)
                };
                looked.no_room = full.map(told).collect();
            }
            // It is told when its turn comes.
            None => {}
        }
        looked
    }
}
