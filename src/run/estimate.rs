//! Owns what is known beforehand of how long a job takes: the ceiling of the links, what earlier
//! jobs reached, and the cards that are read at the same time. No verdict rests on it.

use super::job::Job;
use crate::card::identity::CardIdentity;
use crate::card::listing::Listing;
use crate::disk::Disk;
use crate::disk::backing::Backing;
use crate::disk::hardware::DeviceInfo;
use crate::existing::source::CardFacts;
use crate::ledger::history;
use crate::plan::estimate::Estimate;
use crate::plan::{Candidate, Spot};
use crate::record::layout::Level;
use crate::speed::ceiling::Ceiling;
use crate::speed::chain::{Chain, DriveSpeed};
use crate::speed::detected;
use crate::speed::forecast::{Companion, Prior, RatePrior};
use crate::speed::link::Bottleneck;
use crate::units::MegabytesPerS;

/// What the system says of card and drives, and the chain that it makes of what was known before.
pub(super) struct Hardware {
    card: DeviceInfo,
    drives: Vec<DeviceInfo>,
    chain: Chain,
}

impl Hardware {
    /// Asks the system. A destination that cannot be used has nothing to say.
    pub(super) fn look(job: &Job, card: &CardFacts, spots: &[Spot], disk: &dyn Disk) -> Self {
        let facts = || spots.iter().map(|s| s.facts.as_ref().ok());
        let info = disk.device_info(&card.facts);
        let drives: Vec<DeviceInfo> = facts()
            .map(|facts| {
                facts
                    .map(|facts| disk.device_info(facts))
                    .unwrap_or_default()
            })
            .collect();
        let mut chain = job.chain.clone();
        chain.reads_back = job.terms.level != Level::Written;
        detected::card(&mut chain, &info);
        if job.beside.other_left() == Some(0) {
            chain.other_cards.clear();
            chain.reader.cards_at_once = 1;
        }
        chain.drives.resize(drives.len(), DriveSpeed::default());
        for ((drive, info), facts) in chain.drives.iter_mut().zip(&drives).zip(facts()) {
            detected::drive(drive, info);
            let Some(facts) = facts else { continue };
            drive.spins = drive.spins.or(facts.rotational);
            if let Backing::Disks(disks) = &facts.backing
                && !job.terms.separate
            {
                drive.disks.clone_from(disks);
            }
        }
        Self {
            card: info,
            drives,
            chain,
        }
    }

    /// Says of every destination whether it spins: how it is written and read depends on that.
    pub(super) fn note_spins(&self, spots: &mut [Spot]) {
        for (spot, drive) in spots.iter_mut().zip(&self.chain.drives) {
            if let Ok(facts) = &mut spot.facts {
                facts.rotational = drive.spins;
            }
        }
    }
}

/// Reckons how long a job takes from what was known before and from what the system says of the
/// gear.
pub(super) fn estimate(
    job: &Job,
    card: &CardFacts,
    listing: &Listing,
    candidates: &[Candidate],
    hardware: &Hardware,
) -> Estimate {
    let chain = &hardware.chain;
    let reader = job.known.reader.clone().or_else(|| hardware.card.reader());
    let identity = CardIdentity {
        name: job.known.card.clone(),
        made_as: hardware.card.made_as(),
        ..CardIdentity::of(&card.facts, &card.label, listing)
    };
    let expected = match &card.original {
        Some(_) => history::HistoryPrior::default(),
        None => job.known.ledger.expect(&history::Gear {
            card: &identity,
            reader: reader.as_deref(),
            drives: candidates
                .iter()
                .filter_map(|c| c.facts.as_ref().ok()?.volume_id.as_deref())
                .collect(),
        }),
    };
    let ceiling = ceiling(hardware, expected.card);
    let prior = prior(job, chain, &ceiling, expected);
    Estimate {
        reader,
        card_name: identity.name,
        card_made_as: identity.made_as,
        slows: slows(&ceiling, chain),
        ceiling,
        prior,
        beside: job.beside.clone(),
    }
}

fn ceiling(hardware: &Hardware, before: Option<RatePrior>) -> Ceiling {
    let mut ceiling = Ceiling::of(&hardware.chain);
    // Beside another card a link's share says nothing of what the card reached alone.
    if let Some(card) = before.filter(|_| hardware.chain.is_alone()) {
        ceiling.note_measured(MegabytesPerS(card.mbps));
    }
    detected::card_notes(&mut ceiling, &hardware.card);
    for (index, info) in hardware.drives.iter().enumerate() {
        detected::notes(&mut ceiling, &format!("Drive {}", index + 1), info);
    }
    ceiling
}

/// What this card reached before in this reader onto these drives says more than any ceiling,
/// unless the links that the reader hangs on now do not allow it.
fn prior(job: &Job, chain: &Chain, ceiling: &Ceiling, expected: history::HistoryPrior) -> Prior {
    let from_usual = |usual: Option<(MegabytesPerS, MegabytesPerS)>| {
        let (low, high) = usual.filter(|(low, _)| low.0 > 0.0)?;
        Some(RatePrior::from_usual(low.0, high.0))
    };
    let is_part = !ceiling.drives().unknown.is_empty();
    let rate = from_usual(ceiling.usual());
    let rate = rate.map(|rate| if is_part { rate.of_a_part() } else { rate });
    let can_be =
        |rate: &RatePrior| !chain.is_alone() || ceiling.way_allows(MegabytesPerS(rate.mbps));
    Prior {
        rate,
        card: expected
            .card
            .or_else(|| from_usual(ceiling.usual_of_card())),
        per_file: expected.per_file,
        cache_step: expected.cache_step,
        companion: rate.and_then(|rate| companion(job, chain, rate)),
        ..Prior::default()
    }
    .with_history(expected.rate.filter(can_be))
}

/// Another card takes a part of this one's rate until it is done.
fn companion(job: &Job, chain: &Chain, rate: RatePrior) -> Option<Companion> {
    let bytes_left = job.beside.other_left().filter(|left| *left > 0)?;
    let mut alone = chain.clone();
    alone.other_cards.clear();
    alone.reader.cards_at_once = 1;
    let (low, high) = Ceiling::of(&alone).usual()?;
    let alone_mbps = RatePrior::from_usual(low.0, high.0).mbps;
    let is_held_back = alone_mbps > rate.mbps;
    is_held_back.then_some(Companion {
        bytes_left,
        alone_mbps,
    })
}

/// The spinning disk that holds the others back.
fn slows(ceiling: &Ceiling, chain: &Chain) -> Option<usize> {
    let Bottleneck::Drive(index) = Bottleneck::from(*ceiling.limiting()?) else {
        return None;
    };
    chain.drives.get(index)?.is_spinning().then_some(index)
}
