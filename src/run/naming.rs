//! Owns which name the offload of a card gets where nobody gave one: the pattern filled in for
//! today, the first name that is no other card's; or that of an earlier offload of this card, which
//! goes on there. Writes nothing.

use crate::card::identity::{CardIdentity, has_identity};
use crate::card::listing::Listing;
use crate::disk::EntryKind;
use crate::existing::source::CardFacts;
use crate::kit::pattern::{NamePattern, NameValues};
use crate::ledger::Deed;
use crate::ledger::shoot::Shoot;
use crate::name::{CardName, fold};
use crate::plan::Spot;
use crate::record::load::load;
use crate::units::len64;
use camino::Utf8Path;
use std::collections::{BTreeSet, HashSet};

use super::job::{Job, Tools};

/// Names that are tried for cards that come to one name.
const NAMES_MAX: usize = 99;
/// Names of earlier runs that are looked up.
const EARLIER_NAMES_MAX: usize = 4;

/// What the names of one card are made of.
pub(super) struct OffloadNames<'a> {
    job: &'a Job,
    tools: &'a Tools,
    card: &'a CardFacts,
    identity: CardIdentity,
    date: String,
    time: String,
    number: u64,
}

impl<'a> OffloadNames<'a> {
    pub(super) fn of(
        job: &'a Job,
        tools: &'a Tools,
        card: &'a CardFacts,
        listing: &Listing,
    ) -> Self {
        let identity = CardIdentity {
            name: job.known.card.clone(),
            ..CardIdentity::of(&card.facts, &card.label, listing)
        };
        let naming = &job.known.naming;
        let number = |shoot: &String| {
            let shoot = Shoot::of(&job.known.ledger, shoot, None);
            shoot.number_of(&identity, &naming.before)
        };
        Self {
            number: naming.shoot.as_ref().map_or(1, number),
            job,
            tools,
            card,
            identity,
            date: tools.clock.today(),
            time: tools.clock.time_of_day(),
        }
    }

    fn pattern(&self) -> &NamePattern {
        &self.job.known.naming.pattern
    }

    /// What is filled in, with this name for the card.
    fn values<'v>(&'v self, card: &'v str) -> NameValues<'v> {
        NameValues {
            date: &self.date,
            time: &self.time,
            shoot: self.job.known.naming.shoot.as_deref(),
            card,
            label: &self.card.label,
            number: self.number,
        }
    }

    fn known_as(&self) -> &str {
        self.job.known.card.as_deref().unwrap_or(&self.card.label)
    }

    /// Returns the name that is refused where no other one is free.
    pub(super) fn last_resort(&self) -> String {
        let label = self.values(&self.card.label);
        let name = self.pattern().fill(&label);
        name.unwrap_or_else(|| format!("{}-{}", self.date, self.card.label))
    }

    /// Returns the name to use and what `look` finds under it. `is_free` says whether what is there
    /// is this card's, or nothing.
    pub(super) fn choose(
        &self,
        look: impl Fn(&str) -> Vec<Spot>,
        is_free: impl Fn(&str, &[Spot]) -> bool,
    ) -> Option<(String, Vec<Spot>)> {
        let is_begun = |spots: &[Spot]| spots.iter().any(|s| s.standing.records.is_some());
        let mut found = None;
        for name in self.standing() {
            let spots = look(&name);
            let is_it = is_begun(&spots);
            // Nothing is copied a second time beside records that cannot be read.
            let is_damaged = spots.iter().any(|s| s.standing.damaged.is_some());
            if !(is_it || is_damaged) || !is_free(&name, &spots) {
                continue;
            }
            if is_it {
                return Some((name, spots));
            }
            found.get_or_insert((name, spots));
        }
        for base in self.names() {
            let free = (0..NAMES_MAX)
                .map(|further| self.further(&base, further))
                .map(|name| (look(&name), name))
                .find(|(spots, name)| is_free(name, spots));
            let Some((spots, name)) = free else {
                continue;
            };
            let is_it = is_begun(&spots);
            if is_it || found.is_none() {
                found = Some((name, spots));
            }
            if is_it {
                break;
            }
        }
        found
    }

    /// Returns a name to try where so many before it are other cards': the next number of the
    /// shoot, else `-2` and so on.
    fn further(&self, base: &str, further: usize) -> String {
        if further == 0 {
            return base.to_owned();
        }
        let is_counted = self.pattern().is_counted();
        let cards = [self.known_as(), &self.card.label].into_iter();
        let counted = cards.filter(|_| is_counted).find_map(|card| {
            let values = self.values(card);
            let is_it = self.pattern().fill(&values).as_deref() == Some(base);
            let number = values.number + len64(further);
            let next = self.pattern().fill(&NameValues { number, ..values });
            next.filter(|_| is_it)
        });
        counted.unwrap_or_else(|| format!("{base}-{}", further + 1))
    }

    /// The names that an offload of this card may have today, the first for a new one: that of the
    /// kit, that of the label, and what the ledger says of an earlier run, in which the card may
    /// have had another name.
    fn names(&self) -> Vec<String> {
        let cards = [self.known_as(), &self.card.label];
        let filled = cards.map(|card| self.pattern().fill(&self.values(card)));
        let mut names: Vec<String> = filled.into_iter().flatten().collect();
        let values = self.values(self.known_as());
        let entries = self.job.known.ledger.entries.iter().rev();
        let earlier = entries
            .filter(|e| e.did == Deed::Copy && e.card.is_same_card(&self.identity))
            .filter_map(|e| e.offload.clone())
            .filter(|name| {
                self.pattern().may_have_given(name, &values, true)
                    && CardName::parse(name).is_ok_and(|n| n.parent().is_none())
            });
        names.extend(earlier.take(EARLIER_NAMES_MAX));
        let mut seen = HashSet::new();
        names.retain(|name| seen.insert(fold(name)));
        names
    }

    /// The names on the drives that this pattern may have given this card before: a time of day, or
    /// a number that was never entered, says no more now what the name was. The latest first.
    fn standing(&self) -> Vec<String> {
        if !self.pattern().is_fleeting() {
            return Vec::new();
        }
        let disk = self.tools.disk.as_ref();
        let values = self.values(self.known_as());
        let mut names = BTreeSet::new();
        for to in &self.job.to {
            // What can't be listed is told when the drive is looked at.
            let children = disk.children(to).unwrap_or_default();
            let folders = children
                .iter()
                .filter(|child| matches!(&child.stat, Ok(stat) if stat.kind == EntryKind::Folder));
            let of_pattern = folders
                .filter_map(|child| child.path.to_str())
                .filter(|name| self.pattern().may_have_given(name, &values, false))
                .filter(|name| !self.is_of_another_card(&to.join(name)));
            names.extend(of_pattern.map(str::to_owned));
        }
        names.into_iter().rev().take(NAMES_MAX).collect()
    }

    /// Whether a manifest says so; this spares a look at all that is there.
    fn is_of_another_card(&self, offload: &Utf8Path) -> bool {
        let Ok((manifest, _)) = load(self.tools.disk.as_ref(), offload) else {
            return false;
        };
        let then = manifest.card.volume_id.as_deref();
        let now = self.card.facts.volume_id.as_deref();
        has_identity(&self.card.facts) && then.is_some() && then != now
    }
}
