//! Owns what is known beforehand of how long a job takes: the ceiling of the links, what earlier jobs reached, and the cards
//! that are read at the same time. No verdict rests on it.

use crate::disk::Disk;
use crate::disk::backing::Backing;
use crate::ledger::{Ledger, history};
use crate::plan::Plan;
use crate::record::layout::Level;
use crate::speed::ceiling::Ceiling;
use crate::speed::chain::{Chain, DriveSpeed};
use crate::speed::detected;
use crate::speed::forecast::{Companion, Growth, RatePrior};
use crate::speed::link::Bottleneck;
use crate::units::{MegabytesPerS, float};

use super::job::Job;

/// Reckons the ceiling from what was known before and from what the system says of the gear.
pub(super) fn with_ceiling(job: &Job, mut plan: Plan, disk: &dyn Disk) -> Plan {
    let gear = disk.gear(&plan.card.facts);
    let mut chain = job.chain.clone();
    chain.reads_back = job.terms.level != Level::Written;
    chain.separate = job.terms.separate;
    detected::card(&mut chain, &gear);
    if job.beside.other_left() == Some(0) {
        chain.other_cards.clear();
        chain.reader.cards_at_once = 1;
    }
    chain
        .drives
        .resize(plan.destinations.len(), DriveSpeed::default());
    let gears: Vec<_> = plan
        .destinations
        .iter()
        .map(|d| disk.gear(&d.facts))
        .collect();
    let drives = chain.drives.iter_mut().zip(&mut plan.destinations);
    for ((drive, d), gear) in drives.zip(&gears) {
        detected::drive(drive, gear);
        drive.spins = drive.spins.or(d.facts.rotational);
        // How it is written and read depends on that as well.
        d.facts.rotational = drive.spins;
        if let Backing::Disks(disks) = &d.facts.backing {
            drive.disks.clone_from(disks);
        }
    }
    plan.card_name.clone_from(&job.known.card);
    plan.card_made_as = gear.made_as();
    plan.reader = job.known.reader.clone().or_else(|| gear.reader());
    let expected = expected(&plan, &job.known.ledger);
    let mut ceiling = Ceiling::of(&chain);
    // Beside another card a link's share says nothing of what the card reached alone.
    if let Some(card) = expected.card.filter(|_| chain.is_alone()) {
        ceiling.note_measured(MegabytesPerS(card.mbps));
    }
    detected::card_notes(&mut ceiling, &gear);
    for (index, gear) in gears.iter().enumerate() {
        detected::notes(&mut ceiling, &format!("Drive {}", index + 1), gear);
    }
    let usual = ceiling.usual().filter(|(low, _)| low.0 > 0.0);
    plan.level = job.terms.level;
    let is_part = !ceiling.drives().unknown.is_empty();
    plan.prior.rate = usual
        .map(|(low, high)| RatePrior::from_usual(low.0, high.0))
        .map(|rate| if is_part { rate.of_a_part() } else { rate });
    let of_card = ceiling.usual_of_card().filter(|(low, _)| low.0 > 0.0);
    plan.prior.card = of_card.map(|(low, high)| RatePrior::from_usual(low.0, high.0));
    plan.ceiling = ceiling;
    plan.prior.companion = companion(job, &plan, &chain);
    plan.beside = job.beside.clone();
    plan.prior.growth = growth(&plan, &chain);
    plan.signer.clone_from(&job.signer);
    if let Some(signer) = &plan.signer {
        let by = signer.fingerprint();
        plan.notes
            .push(format!("The manifest is to be signed by the key {by}"));
    }
    with_history(plan, expected, chain.is_alone())
}

/// Another card takes a part of this one's rate until it is done.
fn companion(job: &Job, plan: &Plan, chain: &Chain) -> Option<Companion> {
    let bytes_left = job.beside.other_left().filter(|left| *left > 0)?;
    let mut alone = chain.clone();
    alone.other_cards.clear();
    alone.reader.cards_at_once = 1;
    let (low, high) = Ceiling::of(&alone).usual()?;
    let alone_mbps = RatePrior::from_usual(low.0, high.0).mbps;
    let is_held_back = alone_mbps > plan.prior.rate?.mbps;
    is_held_back.then_some(Companion {
        bytes_left,
        alone_mbps,
    })
}

/// A spinning disk that holds the others back gets slower as it fills.
fn growth(plan: &Plan, chain: &Chain) -> Option<Growth> {
    let Bottleneck::Drive(index) = Bottleneck::from(*plan.ceiling.limiting()?) else {
        return None;
    };
    let destination = plan.destinations.get(index)?;
    chain.drives.get(index).filter(|d| d.is_spinning())?;
    let facts = &destination.facts;
    let used = facts.total_bytes.saturating_sub(facts.free_bytes);
    let share = |bytes: u64| float(bytes) / float(facts.total_bytes);
    let after = used.saturating_add(destination.copy_bytes);
    (facts.total_bytes > 0).then(|| Growth::of_spinning(share(used), share(after)))
}

/// Returns what earlier jobs with this card, reader and drives let expect.
fn expected(plan: &Plan, ledger: &Ledger) -> history::Expected {
    if plan.original().is_some() {
        return history::Expected::default();
    }
    ledger.expect(&history::Gear {
        card: &plan.card_identity(),
        reader: plan.reader.as_deref(),
        drives: plan
            .destinations
            .iter()
            .filter_map(|d| d.facts.volume_id.as_deref())
            .collect(),
    })
}

/// What this card reached before in this reader onto these drives says more than any ceiling, unless the
/// links that the reader hangs on now do not allow it.
fn with_history(mut plan: Plan, expected: history::Expected, is_alone: bool) -> Plan {
    let can_be = |rate: &RatePrior| !is_alone || plan.ceiling.way_allows(MegabytesPerS(rate.mbps));
    plan.prior.note_history(expected.rate.filter(can_be));
    plan.prior.card = expected.card.or(plan.prior.card);
    plan.prior.per_file = expected.per_file.or(plan.prior.per_file);
    plan.prior.cache_step = expected.cache_step.or(plan.prior.cache_step);
    plan
}
