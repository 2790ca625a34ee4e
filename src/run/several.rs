//! Owns what several cards of one command mean for each other: their names, the order in which they
//! are read, and whether all of them fit. Writes nothing.

use crate::disk::{Disk, FolderFacts};
use crate::error::{Problem, ProblemKind};
use crate::name::shown;
use crate::plan::Plan;
use crate::plan::beside::Beside;
use crate::plan::concurrent::{AT_ONCE_MAX, Order, joint_little, joint_room, order};
use crate::plan::first::{Aim, Turn, WaitingCard, turns};
use crate::speed::chain::Hop;
use crate::speed::detected;
use camino::{Utf8Path, Utf8PathBuf};

use super::job::{Job, Tools};

/// What several cards of one command mean for each other.
#[derive(Clone, Debug)]
pub struct Together {
    /// The name of every card's offload; `None` for a card that will be refused.
    pub names: Vec<Option<String>>,
    /// In which order they are read.
    pub order: Order,
    /// For each aim, whose turn comes when, of the cards that can be read at all. The order is by
    /// the first of them.
    pub turns: Vec<(Aim, Vec<Turn>)>,
    /// What each card is called beside the others; `None` for a card that will be refused.
    pub called: Vec<Option<String>>,
    /// For every card, how many are read in its reader at the same time, itself included.
    pub in_reader: Vec<u32>,
    /// For every card, the links that those hang on that are read at the same time.
    pub at_once: Vec<Vec<Vec<Hop>>>,
    /// For every card, what those that are read at the same time have to read.
    pub beside: Vec<Beside>,
    /// Why none of them can be begun.
    pub reasons: Vec<Problem>,
    /// What should be told of all of them together, in whole sentences.
    pub notes: Vec<String>,
}

/// Joins what was planned for each card alone; `planned` has `None` for a card that will be
/// refused.
pub(super) fn together(
    jobs: &[Job],
    planned: Vec<Option<Plan>>,
    aim: Aim,
    tools: &Tools,
) -> Together {
    let disk = tools.disk.as_ref();
    let names: Vec<_> = planned
        .iter()
        .map(|plan| Some(plan.as_ref()?.name.clone()))
        .collect();
    let plans = planned.into_iter().enumerate();
    let plans: Vec<(usize, Plan)> = plans.filter_map(|(i, plan)| Some((i, plan?))).collect();
    let place = |path: &Utf8Path| disk.facts(path).ok();
    let cards: Vec<_> = jobs.iter().map(|j| (&j.card, place(&j.card))).collect();
    let mut reasons = on_a_card(jobs, &cards, disk);
    let on_cards: Vec<_> = plans.iter().map(|(i, p)| (*i, &p.card.facts)).collect();
    let drives = plans.first().map_or_else(Vec::new, |(_, p)| p.spins());
    let mut order = order(&on_cards, &drives);
    let called = called(&planned_names(&plans, jobs.len()), jobs);
    let turns = all_turns(&plans, &called, &order, aim);
    if let Some((_, turns)) = turns.first() {
        order.by_turns(turns);
    }
    // Those that will be refused are told at the end of the first chain.
    let refused = (0..jobs.len()).filter(|i| names.get(*i).is_some_and(Option::is_none));
    match order.chains.first_mut() {
        Some(chain) => chain.extend(refused),
        None => order.chains.push(refused.collect()),
    }
    let mut bytes = vec![0; jobs.len()];
    for (index, plan) in &plans {
        if let Some(bytes) = bytes.get_mut(*index) {
            *bytes = plan.to_read().1;
        }
    }
    let plans: Vec<Plan> = plans.into_iter().map(|(_, p)| p).collect();
    reasons.extend(joint_room(&plans));
    let paths: Vec<Vec<Hop>> = cards
        .iter()
        .map(|(_, facts)| facts.as_ref().map(|f| detected::path(&disk.device_info(f))))
        .map(Option::unwrap_or_default)
        .collect();
    let others: Vec<Vec<usize>> = (0..jobs.len()).map(|i| at_once(&order, i)).collect();
    let path = |card: &usize| paths.get(*card).cloned();
    Together {
        names,
        in_reader: (0..)
            .zip(&others)
            .map(|(i, others)| in_reader(jobs, &paths, i, others))
            .collect(),
        at_once: others
            .iter()
            .map(|others| others.iter().filter_map(path).collect())
            .collect(),
        beside: Beside::of(&order.chains, &bytes),
        order,
        turns,
        called,
        reasons,
        notes: joint_little(&plans),
    }
}

/// Destinations that are on a card of the same command.
fn on_a_card(
    jobs: &[Job],
    cards: &[(&Utf8PathBuf, Option<FolderFacts>)],
    disk: &dyn Disk,
) -> Vec<Problem> {
    let mut reasons = Vec::new();
    let to = jobs.first().map_or(&[][..], |job| &job.to);
    for (index, given) in to.iter().enumerate() {
        let facts = disk.facts(given).ok();
        let above = facts.map_or_else(Vec::new, |f| f.ancestors);
        for (card, facts) in cards {
            if facts
                .as_ref()
                .is_some_and(|f| above.contains(&(f.device, f.inode)))
            {
                let why = format!("it is on the card `{}`", shown(card.as_str()));
                reasons.push(Problem::new(ProblemKind::NameClash, why).on(index));
            }
        }
    }
    reasons
}

/// What people call each card that can be read.
fn planned_names(plans: &[(usize, Plan)], cards: usize) -> Vec<Option<String>> {
    let mut names = vec![None; cards];
    for (index, plan) in plans {
        if let Some(name) = names.get_mut(*index) {
            *name = Some(WaitingCard::name_of(plan));
        }
    }
    names
}

/// The same, with the place as it was given where two are called alike.
fn called(names: &[Option<String>], jobs: &[Job]) -> Vec<Option<String>> {
    let is_alone = |name: &String| names.iter().flatten().filter(|n| *n == name).count() == 1;
    let of = |(name, job): (&Option<String>, &Job)| {
        let name = name.clone()?;
        let is_alone = is_alone(&name);
        Some(if is_alone {
            name
        } else {
            shown(job.card.as_str())
        })
    };
    names.iter().zip(jobs).map(of).collect()
}

/// The turns for the aim of the command, and then for the others.
fn all_turns(
    plans: &[(usize, Plan)],
    called: &[Option<String>],
    order: &Order,
    aim: Aim,
) -> Vec<(Aim, Vec<Turn>)> {
    let name = |index: &usize| called.get(*index).cloned().flatten().unwrap_or_default();
    let waiting = |(index, plan): &(usize, Plan)| WaitingCard {
        name: name(index),
        ..WaitingCard::of(plan)
    };
    let cards: Vec<WaitingCard> = plans.iter().map(waiting).collect();
    // Here they are numbered without those that will be refused.
    let place = |index: &usize| plans.iter().position(|(i, _)| i == index);
    let chains = order.chains.iter();
    let chains = chains.map(|chain| chain.iter().filter_map(place).collect());
    let chains: Vec<Vec<usize>> = chains.collect();
    let given = |turn: Turn| {
        let (card, _) = plans.get(turn.card)?;
        Some(Turn {
            card: *card,
            ..turn
        })
    };
    let of = |aim: Aim| {
        let turns = turns(&cards, &chains, aim).into_iter().filter_map(given);
        (aim, turns.collect())
    };
    let others = [Aim::OnlyCopy, Aim::CardBack].into_iter();
    let all = std::iter::once(aim).chain(others.filter(|other| *other != aim));
    all.map(of).collect()
}

/// The cards that are read while card `index` is: one of each other chain.
fn at_once(order: &Order, index: usize) -> Vec<usize> {
    order
        .chains
        .iter()
        .filter(|chain| !chain.contains(&index))
        .filter_map(|chain| chain.first().copied())
        .take(AT_ONCE_MAX - 1)
        .collect()
}

/// Counts the cards that share a reader's link with card `index`: what the person says of the
/// reader is said of one, unless the system shows that the cards hang on different ones.
fn in_reader(jobs: &[Job], paths: &[Vec<Hop>], index: usize, others: &[usize]) -> u32 {
    let own_key = |i: usize| Some(&paths.get(i)?.first()?.key);
    let shares = |other: usize| {
        let (Some(a), Some(b)) = (jobs.get(index), jobs.get(other)) else {
            return false;
        };
        let is_one = a.known.reader == b.known.reader && a.chain.reader.link.is_some();
        let is_apart = own_key(index)
            .zip(own_key(other))
            .is_some_and(|(a, b)| a != b);
        is_one && a.chain.reader.link == b.chain.reader.link && !is_apart
    };
    let sharing = others.iter().filter(|other| shares(**other)).count();
    1 + u32::try_from(sharing).unwrap_or(0)
}
