//! Owns how many names are told for one reason.

use crate::error::{Problem, ProblemKind};
use crate::name::CardName;
use std::collections::BTreeMap;

/// At most this many names are told for one reason; the rest are counted.
pub(super) const NAMES_TOLD: usize = 20;

/// Tells the first names of each kind and counts the rest, so that a card of 100,000 bad names
/// gives a page, not a flood.
pub(super) struct NameList {
    pub(super) index: usize,
    pub(super) counts: BTreeMap<ProblemKind, usize>,
}

impl NameList {
    pub(super) fn new(index: usize) -> Self {
        Self {
            index,
            counts: BTreeMap::new(),
        }
    }

    pub(super) fn tell(&mut self, problem: Problem, name: &CardName, reasons: &mut Vec<Problem>) {
        let count = self.counts.entry(problem.kind).or_insert(0);
        *count += 1;
        if *count <= NAMES_TOLD {
            reasons.push(problem.at(name.as_str()).on(self.index));
        }
    }

    pub(super) fn rest(self, reasons: &mut Vec<Problem>) {
        for (kind, count) in self.counts {
            if count > NAMES_TOLD {
                let more = count - NAMES_TOLD;
                reasons.push(
                    Problem::new(kind, format!("and {more} more of this kind")).on(self.index),
                );
            }
        }
    }
}
