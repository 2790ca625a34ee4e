//! Owns what several cards of one command mean for each other: their names, the order in which they
//! are read, and whether all of them fit. Writes nothing.

use crate::error::{Problem, ProblemKind};
use crate::name::shown;
use crate::plan::Plan;
use crate::plan::beside::Beside;
use crate::plan::concurrent::{AT_ONCE_MAX, Order, joint_little, joint_room, order};
use crate::speed::chain::Hop;
use crate::speed::detected;
use camino::Utf8Path;

use super::job::{Job, Tools};

/// What several cards of one command mean for each other.
#[derive(Clone, Debug)]
pub struct Together {
    /// The name of every card's offload; `None` for a card that will be refused.
    pub names: Vec<Option<String>>,
    /// In which order they are read.
    pub order: Order,
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
pub(super) fn together(jobs: &[Job], planned: Vec<Option<Plan>>, tools: &Tools) -> Together {
    let disk = tools.disk.as_ref();
    let mut reasons = Vec::new();
    let names: Vec<_> = planned
        .iter()
        .map(|plan| Some(plan.as_ref()?.name.clone()))
        .collect();
    let plans = planned.into_iter().enumerate();
    let plans: Vec<(usize, Plan)> = plans.filter_map(|(i, plan)| Some((i, plan?))).collect();
    let place = |path: &Utf8Path| disk.facts(path).ok();
    let cards: Vec<_> = jobs.iter().map(|j| (&j.card, place(&j.card))).collect();
    let to: Vec<_> = jobs.first().map_or(&[][..], |j| &j.to).to_vec();
    for (index, given) in to.iter().enumerate() {
        let above = place(given).map_or_else(Vec::new, |f| f.ancestors);
        for (card, facts) in &cards {
            if facts
                .as_ref()
                .is_some_and(|f| above.contains(&(f.device, f.inode)))
            {
                let why = format!("it is on the card `{}`", shown(card.as_str()));
                reasons.push(Problem::new(ProblemKind::NameClash, why).on(index));
            }
        }
    }
    let on_cards: Vec<_> = plans.iter().map(|(i, p)| (*i, &p.card.facts)).collect();
    let drives = plans.first().map_or_else(Vec::new, |(_, p)| p.spins());
    let mut order = order(&on_cards, &drives);
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
        reasons,
        notes: joint_little(&plans),
    }
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
