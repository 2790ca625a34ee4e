//! Owns one filling of a card as a job sees it, and which entries of the ledger are about it. Pure.

use super::kin::{CardMarks, Holdings, Kin};
use super::shot::ShotSum;
use super::{CopyLocation, Deed, LedgerEntry};
use crate::card::identity::CardIdentity;
use std::collections::BTreeSet;

/// One filling of a card, however often it was in a reader. A card that was formatted and used
/// again has several, and each has to be proven.
#[derive(Clone, PartialEq, Debug, serde::Serialize)]
pub struct ShootCard {
    /// The name people know it by.
    pub label: String,
    /// When it was seen last, RFC 3339.
    pub at: String,
    /// What the last verdict on it said.
    pub proven: bool,
    /// Copies of that verdict.
    pub copies: u64,
    /// Why it is not proven.
    pub reasons: Vec<String>,
    /// Files on it.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// How often it was in a reader for this job.
    pub times_seen: u64,
    /// The card of this job that holds the very same files, where there is one.
    pub same_content_as: Option<String>,
    /// Kit names that it was given before this one.
    pub earlier_names: Vec<String>,
    /// What the last verdict followed: a copy, or a question without one.
    #[serde(skip)]
    pub did: Deed,
    /// Where the last copy of it that the ledger knows lies.
    #[serde(skip)]
    pub places: Vec<CopyLocation>,
    /// What was shot on it, as its last copy saw it.
    #[serde(skip)]
    pub shot: Option<ShotSum>,
    #[serde(skip)]
    pub(super) card: CardIdentity,
    /// Its first and last entry among those of the job.
    #[serde(skip)]
    seen_from_to: (usize, usize),
    /// The commands of several cards that it was in.
    #[serde(skip)]
    commands: BTreeSet<String>,
}

impl ShootCard {
    /// Returns what makes it this card.
    pub fn identity(&self) -> &CardIdentity {
        &self.card
    }

    pub(super) fn of(entry: &LedgerEntry, at: usize) -> Self {
        Self {
            label: entry.card.known_as().to_owned(),
            at: entry.at.clone(),
            proven: entry.proven,
            copies: entry.copies,
            reasons: entry.reasons.clone(),
            files: entry.card.files,
            bytes: entry.card.bytes,
            times_seen: 1,
            same_content_as: None,
            earlier_names: Vec::new(),
            did: entry.did,
            places: entry.places.clone(),
            shot: entry.shot.clone(),
            card: entry.card.clone(),
            seen_from_to: (at, at),
            commands: entry.command.iter().cloned().collect(),
        }
    }

    /// Takes what a later entry says of the same filling: the last verdict counts.
    fn seen_again(&mut self, later: Self) {
        let mut card = later.card;
        if card.content_b3.is_none() && card.listing_b3 == self.card.listing_b3 {
            card.content_b3 = self.card.content_b3;
        }
        let mut earlier_names = std::mem::take(&mut self.earlier_names);
        if card.name != self.card.name && card.name.is_some() {
            earlier_names.extend(self.card.name.take());
        }
        earlier_names.retain(|name| card.name.as_ref() != Some(name));
        card.name = card.name.or_else(|| self.card.name.take());
        let mut commands = std::mem::take(&mut self.commands);
        commands.extend(later.commands);
        // A question names no places; those of the copy before it are still the last known.
        let places = if later.places.is_empty() {
            std::mem::take(&mut self.places)
        } else {
            later.places
        };
        let shot = later.shot.or_else(|| self.shot.take());
        *self = Self {
            label: card.known_as().to_owned(),
            times_seen: self.times_seen + later.times_seen,
            earlier_names,
            seen_from_to: (self.seen_from_to.0, later.seen_from_to.1),
            places,
            shot,
            card,
            commands,
            ..later
        };
    }

    /// Whether both are certainly on two cards.
    pub(super) fn is_another_card(&self, other: &Self) -> bool {
        let outlives = |a: &Self, b: &Self| {
            a.seen_from_to.0 < b.seen_from_to.0 && b.seen_from_to.0 < a.seen_from_to.1
        };
        // Volumes that were plugged in at the same time.
        let beside = !self.commands.is_disjoint(&other.commands)
            && self.card.volume_id.is_some()
            && other.card.volume_id.is_some()
            && self.card.volume_id != other.card.volume_id;
        // What was still there after the other had been seen was not formatted for it.
        beside
            || outlives(self, other)
            || outlives(other, self)
            || !self.card.may_be_one_card(&other.card)
    }
}

/// The cards of a job that were seen so far.
#[derive(Default)]
pub(super) struct SeenCards {
    pub(super) cards: Vec<ShootCard>,
    kin: Kin,
    /// Made once there are many fillings of one card.
    holdings: Option<Holdings>,
}

/// So many fillings are compared one by one.
const COMPARED_MAX: usize = 32;

impl SeenCards {
    pub(super) fn add(&mut self, card: ShootCard, marks: &CardMarks) {
        self.kin.note(marks, self.cards.len());
        if let Some(holdings) = &mut self.holdings {
            holdings.note(&card.card, self.cards.len());
        }
        self.cards.push(card);
    }

    /// What is still on the card that an earlier entry is about counts with it; all else is a
    /// filling of its own.
    pub(super) fn note(&mut self, seen: ShootCard, marks: &CardMarks) {
        let is_before = |c: &ShootCard| seen.card.goes_on_from(&c.card);
        match self.last(&seen.card, marks, is_before) {
            Some(at) => self.seen_again(at, seen, marks),
            None => self.add(seen, marks),
        }
    }

    /// A verdict that was not asked for this job is still the last one on a card of it. Where
    /// another job goes on with the card it is about what was added to it as well, so only one on
    /// the very same files counts.
    pub(super) fn note_outside(
        &mut self,
        entry: &LedgerEntry,
        at: usize,
        is_of_other_job: bool,
        marks: &CardMarks,
    ) {
        let card = &entry.card;
        let is_about = |c: &ShootCard| {
            (!is_of_other_job || card.is_unaltered(&c.card)) && card.goes_on_from(&c.card)
        };
        if let Some(before) = self.last(card, marks, is_about) {
            let mut seen = ShootCard::of(entry, at);
            seen.times_seen = 0;
            self.seen_again(before, seen, marks);
        }
    }

    /// The last filling of which this is so, among those that a card can go on from.
    fn last(
        &mut self,
        card: &CardIdentity,
        marks: &CardMarks,
        is_it: impl Fn(&ShootCard) -> bool,
    ) -> Option<usize> {
        let near = if self.kin.count(marks) > COMPARED_MAX {
            let cards = &self.cards;
            let holdings = self.holdings.get_or_insert_with(|| {
                let mut holdings = Holdings::default();
                for (at, seen) in cards.iter().enumerate() {
                    holdings.note(&seen.card, at);
                }
                holdings
            });
            let mut before = holdings.before(card);
            before.retain(|at| self.kin.is_near(marks, *at));
            before
        } else {
            self.kin.near(marks)
        };
        let near = near.into_iter().rev();
        let mut near = near.filter_map(|at| Some((at, self.cards.get(at)?)));
        near.find(|(_, card)| is_it(card)).map(|(at, _)| at)
    }

    fn seen_again(&mut self, at: usize, seen: ShootCard, marks: &CardMarks) {
        // What it was known by before it is known by still: more than needed does no harm.
        self.kin.note(marks, at);
        if let Some(card) = self.cards.get_mut(at) {
            card.seen_again(seen);
            if let Some(holdings) = &mut self.holdings {
                holdings.note(&card.card, at);
            }
        }
    }
}
