//! Owns what can prove files of the card: offloads by their manifests, and folders by what was read
//! of them just now; and how many separate drives a set of them makes.

use super::answer::{Holding, UnprovenReason};
use super::folder::ComparedFolder;
use super::gap::GapList;
use super::question::{FoundOffload, Question};
use super::usable::{Usable, all_usable};
use crate::disk::backing::Backing;
use crate::name::shown;
use crate::plan::notes::count_independent;
use std::collections::HashMap;

/// What can prove files of the card, the offloads first.
pub(super) struct Holders<'a> {
    pub(super) usable: Vec<Usable<'a>>,
    pub(super) folders: Vec<&'a ComparedFolder>,
}

impl<'a> Holders<'a> {
    /// Takes those that can be used, and says why the others can't.
    pub(super) fn of(
        question: &Question<'a>,
        offloads: &'a [FoundOffload],
        folders: &'a [ComparedFolder],
        troubles: &mut Vec<UnprovenReason>,
        notes: &mut Vec<String>,
    ) -> Self {
        let usable = all_usable(question, offloads, troubles, notes);
        let (mut counted, mut others) = (Vec::new(), Vec::new());
        for folder in folders {
            match &folder.unusable {
                None => counted.push(folder),
                Some(why) => others.push(UnprovenReason::unusable("folder", &folder.root, why)),
            }
        }
        troubles.extend(others);
        Self {
            usable,
            folders: counted,
        }
    }

    pub(super) fn len(&self) -> usize {
        self.usable.len() + self.folders.len()
    }

    pub(super) fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Tells what each holds, of `files` on the card.
    pub(super) fn holdings(
        &self,
        held: Vec<(u64, u64)>,
        lacks: Vec<GapList>,
        files: u64,
    ) -> Vec<Holding> {
        let mut counts = held.into_iter().zip(lacks);
        let offloads = self.usable.iter().zip(counts.by_ref());
        let offloads = offloads.map(|(u, (held, lacks))| u.holding(held, lacks, files));
        let mut holdings: Vec<Holding> = offloads.collect();
        let folders = self.folders.iter().zip(counts);
        holdings.extend(folders.map(|(f, (held, lacks))| f.holding(held, lacks)));
        holdings
    }

    /// The drives, in the order of all.
    pub(super) fn devices(&self) -> Vec<(&Backing, u64)> {
        let offloads = self
            .usable
            .iter()
            .map(|u| (&u.found.backing, u.found.device));
        let folders = self.folders.iter().map(|f| (&f.backing, f.device));
        offloads.chain(folders).collect()
    }

    pub(super) fn names(&self) -> Vec<String> {
        let offloads = self.usable.iter().map(|u| u.found.root.as_str());
        let folders = self.folders.iter().map(|f| f.root.as_str());
        offloads
            .chain(folders)
            .map(|root| format!("`{}`", shown(root)))
            .collect()
    }

    /// Counts the devices that the system itself tells apart.
    pub(super) fn distinct_devices(&self) -> usize {
        count_independent(&self.devices(), false)
    }

    /// Whether devices that the system cannot tell apart count as separate: the person says so now,
    /// or said so when these very copies were made together.
    pub(super) fn is_separate(&self, question: &Question<'_>) -> bool {
        if question.separate {
            return self.seen_twice().is_none();
        }
        // Of a folder nobody said it.
        let mut folders = self.folders.iter();
        let is_unknown = folders.any(|f| matches!(f.backing, Backing::Unknown { .. }));
        !is_unknown && self.were_stated()
    }

    fn were_stated(&self) -> bool {
        let usable = &self.usable;
        let unknown: Vec<&Usable<'_>> = usable
            .iter()
            .filter(|u| matches!(u.found.backing, Backing::Unknown { .. }))
            .collect();
        let place = |u: &Usable<'_>| {
            let at = u.manifest.destinations.get(u.found.here?)?;
            Some((at.path.clone(), at.device.clone()))
        };
        let were_stated = |a: &Usable<'_>, b: &Usable<'_>| {
            let is_twice = a.found.may_be(b.found);
            let (Some(a), Some(b)) = (place(a), place(b)) else {
                return false;
            };
            let holds = |u: &Usable<'_>, place: &(String, String)| {
                let mut all = u.manifest.destinations.iter();
                all.any(|d| (&d.path, &d.device) == (&place.0, &place.1))
            };
            let mut stated = usable.iter().filter(|u| u.manifest.proof.separate);
            stated.any(|u| holds(u, &a) && holds(u, &b)) && (a == b || !is_twice)
        };
        let all = unknown.iter().enumerate();
        let mut pairs = all.flat_map(|(n, a)| unknown.iter().skip(n).map(move |b| (a, b)));
        pairs.all(|(a, b)| were_stated(a, b)) && !unknown.is_empty()
    }

    /// Two places that the system cannot tell apart, since it doesn't know of both what they are
    /// on, with records, or entries, of one moment: nobody's word makes two of one drive. Of dates
    /// in whole seconds the person knows better.
    pub(super) fn seen_twice(&self) -> Option<(&str, &str)> {
        let in_doubt = |a: &Backing, b: &Backing| !(a.is_known() && b.is_known());
        let offloads: Vec<_> = self.usable.iter().map(|u| u.found).collect();
        let is_fine = |a: &FoundOffload| a.written.is_some_and(|date| date.nanos != 0);
        let records = pairs(&offloads).into_iter();
        let mut records = records.filter(|(a, b)| in_doubt(&a.backing, &b.backing));
        let records = records.find(|(a, b)| a.may_be(b) && is_fine(a));
        let entries = pairs(&self.folders).into_iter();
        let mut entries = entries.filter(|(a, b)| in_doubt(&a.backing, &b.backing));
        let entries = entries.find(|(a, b)| a.may_be(b));
        let both = offloads.iter().copied();
        let both = both.flat_map(|a| self.folders.iter().map(move |b| (a, *b)));
        let mut both = both.filter(|(a, b)| in_doubt(&a.backing, &b.backing));
        let both = both.find(|(a, b)| b.may_be_in(a));
        records
            .map(|(a, b)| (a.root.as_str(), b.root.as_str()))
            .or(entries.map(|(a, b)| (a.root.as_str(), b.root.as_str())))
            .or(both.map(|(a, b)| (a.root.as_str(), b.root.as_str())))
    }
}

fn pairs<'a, T>(all: &[&'a T]) -> Vec<(&'a T, &'a T)> {
    let each = all.iter().enumerate();
    let pairs = each.flat_map(|(n, a)| all.iter().skip(n + 1).map(|b| (*a, *b)));
    pairs.collect()
}

/// Counts the independent devices of sets of holders, each set once.
pub(super) struct Devices<'a> {
    all: Vec<(&'a Backing, u64)>,
    separate: bool,
    known: HashMap<Vec<usize>, usize>,
}

impl<'a> Devices<'a> {
    pub(super) fn of(holders: &'a Holders<'_>, question: &Question<'_>) -> Self {
        Self {
            all: holders.devices(),
            separate: holders.is_separate(question),
            known: HashMap::new(),
        }
    }

    pub(super) fn count(&mut self, holders: Vec<usize>) -> usize {
        let (all, separate) = (&self.all, self.separate);
        *self.known.entry(holders).or_insert_with_key(|holders| {
            let devices = holders.iter().filter_map(|&i| all.get(i).copied());
            count_independent(&devices.collect::<Vec<_>>(), separate)
        })
    }
}
