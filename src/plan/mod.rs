//! Owns the decision what an offload will do, before a byte is written: which file is copied,
//! checked or kept on which destination, and every reason to refuse, all at once. Pure: it works
//! on facts that others gathered and never asks a disk.

pub mod beside;
mod candidate;
pub mod check;
pub mod concurrent;
pub mod destination;
pub mod earlier;
pub mod estimate;
pub mod first;
mod forecast;
mod mhl;
mod name_list;
pub mod notes;
pub mod rules;
mod shape;
pub mod terms;
mod work;

pub use candidate::{Candidate, Form, PlanOptions, Spot, layout_of};
pub(crate) use work::in_sentence;
pub use work::{FileJob, PlannedDestination, Work, own_names};

use crate::card::identity::CardIdentity;
use crate::card::listing::Listing;
use crate::card::part::{part_note, part_of};
use crate::digest::Digest;
use crate::disk::{EntryKind, Stamp};
use crate::error::{Cause, Interruption, Problem, ProblemKind};
use crate::existing::earlier::EarlierOffload;
use crate::existing::original::Original;
use crate::existing::source::CardFacts;
use crate::hash_algorithm::{AlsoHashes, AlsoSet};
use crate::name::{CardName, word};
use crate::plan::check::{
    DestinationRoom, check_card, check_destination, check_options, check_room,
};
use crate::plan::destination::{counted_in, join_work, plan_destination};
use crate::plan::mhl::check_mhl;
use crate::plan::name_list::NameList;
use crate::plan::notes::{signer_note, unlike_notes};
use crate::plan::shape::{DestinationDraft, Shape};
use crate::record::earlier_run::RecordedVerdict;
use crate::record::layout::Layout;
use crate::record::manifest::CardPart;
use crate::record::signature::Signer;
use crate::units::len64;
use camino::Utf8PathBuf;
use earlier::{Leaving, OnlyNew, leave};
use estimate::Estimate;
use std::collections::HashMap;
use std::sync::Arc;
use terms::Terms;

/// What will be done. Complete when [`plan`] has made it.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The offload's name, the folder on every destination.
    pub name: String,
    /// The card.
    pub card: CardFacts,
    /// What the card holds.
    pub listing: Listing,
    /// Every file in listing order.
    pub jobs: Vec<FileJob>,
    /// Every destination in the order of the command line.
    pub destinations: Vec<PlannedDestination>,
    /// Further hashes that are made: those asked for, and those that earlier runs of this offload
    /// made.
    pub also: AlsoSet,
    /// Where the card's tree lies inside the offload.
    pub layout: Layout,
    /// Things that do not stand in the way but should be told.
    pub notes: Vec<String>,
    /// What only copying what is new came to, where that was asked for.
    pub only_new: Option<OnlyNew>,
    /// What earlier records say of files that are read now, by their place among the jobs; only
    /// those with further hashes, which nothing else is compared with.
    pub said: HashMap<usize, Vec<(Digest, AlsoHashes)>>,
    /// What is to be proven.
    pub terms: Terms,
    /// In which form it was asked to be left; it has a media hash list too where an earlier run of
    /// this offload made one.
    pub form: Form,
    /// Who is to sign the manifest.
    pub signer: Option<Arc<Signer>>,
    /// What is known beforehand of how long it will take.
    pub estimate: Estimate,
}

impl Plan {
    /// Returns why the card is only a part of one, in words that go on after a colon.
    pub fn part(&self) -> Option<String> {
        part(&self.card, &self.listing)
    }

    /// Returns what a destination cannot hold, each a problem of its own; many are counted.
    pub fn unheld_problems(&self) -> Vec<Problem> {
        let mut problems = Vec::new();
        for (index, d) in self.destinations.iter().enumerate() {
            let mut told = NameList::new(index);
            let mut names: Vec<_> = d.unheld.iter().collect();
            names.sort_unstable_by_key(|(name, _)| *name);
            for (name, why) in names {
                let why = format!(
                    "{why} ({}), so it is not copied there",
                    word(&d.facts.filesystem)
                );
                told.tell(
                    Problem::new(ProblemKind::NameNotStorable, why),
                    name,
                    &mut problems,
                );
            }
            told.rest(&mut problems);
        }
        problems
    }

    /// Returns the card as the ledger knows it.
    pub fn card_identity(&self) -> CardIdentity {
        let mut card = CardIdentity {
            name: self.estimate.card_name.clone(),
            made_as: self.estimate.card_made_as.clone(),
            ..CardIdentity::of(&self.card.facts, &self.card.label, &self.listing)
        };
        if let Some(original) = self.original() {
            card.path.clone_from(&original.card.path);
            let is_whole = original.card.read_whole != Some(false);
            let volume = original.card.volume_id.clone();
            card.volume_id = volume.filter(|_| is_whole);
            card.listing_b3 = original.card.listing_b3;
        }
        card
    }

    /// Returns the card as records name it: the one that is read, or the one that the original was
    /// made of.
    pub fn recorded_card(&self) -> CardPart {
        if let Some(original) = self.original() {
            return original.card.clone();
        }
        let facts = &self.card.facts;
        let keeps_local_time = ["vfat", "msdos", "exfat", "fuseblk"];
        CardPart {
            path: facts.canonical.clone(),
            label: Some(self.card.label.clone()),
            filesystem: facts.filesystem.clone(),
            volume_id: facts.volume_id.clone(),
            bytes_total: facts.total_bytes,
            listing_b3: self.listing.fingerprint(),
            zone: keeps_local_time
                .contains(&facts.filesystem.as_str())
                .then(|| "unknown".to_owned()),
            read_whole: None,
        }
    }

    /// Returns the offload that is copied further, where it is no card.
    pub fn original(&self) -> Option<&Original> {
        self.card.original.as_deref()
    }

    /// Returns what the source is called: "card" or "offload".
    pub fn source_word(&self) -> &'static str {
        match self.card.original {
            Some(_) => "offload",
            None => "card",
        }
    }

    /// Returns what stood in the source when the job began.
    pub fn stood(&self) -> &Listing {
        self.original().map_or(&self.listing, |o| &o.stood)
    }

    /// Returns where a file of the job is read.
    pub fn path_of(&self, job: &FileJob) -> Utf8PathBuf {
        let original = self.original();
        let tree = original.and_then(|o| o.trees.get(o.tree_of(job.name.as_str())));
        job.name.under(tree.unwrap_or(&self.card.given))
    }

    /// Returns what the manifest of an original says of a file, by its place among the jobs.
    pub fn expected(&self, job: usize) -> Option<Digest> {
        Some(self.original()?.files.get(job)?.blake3)
    }

    /// Returns the date that a file has where it is read, by its place among the jobs. `None`: it
    /// was not there.
    pub fn stood_date(&self, job: usize) -> Option<Stamp> {
        match self.original() {
            Some(original) => original.files.get(job)?.modified,
            None => Some(self.jobs.get(job)?.modified),
        }
    }

    /// Returns whether a file of the job has to be read from its source: an original is read whole,
    /// so that it can count as a copy.
    pub fn reads(&self, job: &FileJob) -> bool {
        self.card.original.is_some() || job.is_read()
    }

    /// Returns what will keep the copies from being PROVEN, as far as it is known before the first
    /// byte; it is among the notes too.
    pub fn doubts(&self) -> Vec<String> {
        let destinations: Vec<_> = self.destinations.iter().collect();
        notes::doubts(&self.card, &destinations, &self.terms)
    }

    /// Returns whether every file and folder lies in earlier offloads, so that no new one is made.
    pub fn has_nothing_new(&self) -> bool {
        self.only_new.as_ref().is_some_and(|o| o.nothing_new)
    }

    /// Returns the number of files that have to be read from the card, and their bytes.
    pub fn to_read(&self) -> (u64, u64) {
        self.jobs
            .iter()
            .filter(|j| self.reads(j))
            .fold((0, 0), |(n, b), j| (n + 1, b + j.bytes))
    }

    /// Returns the bytes of the files that the offload itself will have.
    pub fn own_bytes(&self) -> u64 {
        let own = self.jobs.iter().filter(|job| !job.is_left());
        own.fold(0, |bytes, job| bytes.saturating_add(job.bytes))
    }

    /// Returns whether an ASC media hash list is made on every drive.
    pub fn has_mhl(&self) -> bool {
        self.form.has_mhl
    }

    /// Returns the hashes of the media hash list, where one is made.
    pub fn mhl_hashes(&self) -> Option<AlsoSet> {
        self.has_mhl()
            .then(|| self.also.and(AlsoSet::of_media_hash_lists()))
    }

    /// Returns whether every drive has the media hash list that is to be made.
    pub fn has_every_mhl(&self) -> bool {
        !self.has_mhl() || self.destinations.iter().all(|d| d.has_mhl)
    }

    /// Returns whether what is to be signed is so already, by the same key on every destination.
    pub fn is_signed(&self) -> bool {
        let Some(signer) = &self.signer else {
            return true;
        };
        let by = signer.fingerprint();
        let mut destinations = self.destinations.iter();
        destinations.all(|d| d.signed_by.as_ref() == Some(&by))
    }

    /// Returns the verdict that stands on every destination already, when nothing has to be copied
    /// or compared and so nothing new can be found out but whether all is still in draft.
    pub fn recorded(&self) -> Option<&RecordedVerdict> {
        let first = self.destinations.first()?.recorded.as_ref()?;
        let same = self
            .destinations
            .iter()
            .all(|d| d.recorded.as_ref() == Some(first));
        (same && !self.jobs.iter().any(FileJob::is_read)).then_some(first)
    }
}

/// Every reason why the job was not begun. Never empty.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Refusal {
    /// The reasons, card first, then by destination.
    pub reasons: Vec<Problem>,
}

impl Refusal {
    /// The person wanted to stop before anything was begun.
    pub(crate) fn interrupted() -> Self {
        let problem = Problem::new(ProblemKind::Unreadable, Interruption.to_string());
        Self {
            reasons: vec![problem.because(Some(Cause::Interrupted))],
        }
    }

    /// Whether it is no more than that.
    pub fn is_interruption(&self) -> bool {
        let cause = Some(Cause::Interrupted);
        self.reasons.iter().any(|problem| problem.cause == cause)
    }
}

/// Decides what to do, or tells every reason not to.
pub fn plan(
    card: CardFacts,
    listing: Listing,
    candidates: &[Candidate],
    options: &PlanOptions,
    estimate: Estimate,
) -> Result<Plan, Refusal> {
    let mut reasons = Vec::new();
    check_options(options, candidates.len(), &mut reasons);
    check_card(&card, &listing, &mut reasons);
    let shape = Shape::of(options, &card, candidates);
    check_mhl(&shape, options.terms.level, &listing, &mut reasons);
    let mut destinations = Vec::new();
    let mut works = Vec::new();
    let leaving = options.only_new.then(|| leave(&listing, &card, candidates));
    let leaving = leaving.unwrap_or_default();
    for (index, candidate) in candidates.iter().enumerate() {
        let facts = match &candidate.facts {
            Ok(facts) => facts,
            Err(problem) => {
                reasons.push(problem.clone().on(index));
                continue;
            }
        };
        let draft = DestinationDraft {
            index,
            candidate,
            facts,
            shape: &shape,
            leaving: &leaving,
        };
        check_destination(&draft, &card, &listing, candidates, &mut reasons);
        let (planned, work) = plan_destination(&draft, &card, &listing, &mut reasons);
        destinations.push((index, planned));
        works.push(work);
    }
    let rooms = destinations
        .iter()
        .map(|(index, d)| DestinationRoom::of(*index, d));
    check_room(&rooms.collect::<Vec<_>>(), &mut reasons);
    if !reasons.is_empty() {
        return Err(Refusal { reasons });
    }
    let mut notes = notes::notes(&card, &listing, &destinations, options);
    notes.extend(leaving.notes.iter().cloned());
    notes.extend(later_notes(&card, &listing, candidates, options));
    let jobs = join_work(&listing, works);
    let destinations = counted_in(destinations, &jobs, candidates);
    let only_new = options
        .only_new
        .then(|| only_new(leaving, &listing, &jobs, &destinations, candidates));
    let said = said(&card, &jobs, candidates);
    Ok(Plan {
        name: options.name.clone(),
        card,
        listing,
        jobs,
        destinations,
        also: shape.also,
        layout: shape.layout,
        notes,
        only_new,
        said,
        terms: options.terms,
        form: shape.form(options),
        signer: options.signer.clone(),
        estimate,
    })
}

fn later_notes(
    card: &CardFacts,
    listing: &Listing,
    candidates: &[Candidate],
    options: &PlanOptions,
) -> Vec<String> {
    let mut notes: Vec<String> = unlike_notes(candidates, &card.facts).collect();
    notes.extend(part(card, listing).as_deref().map(part_note));
    notes.extend(options.signer.as_deref().map(signer_note));
    notes
}

fn part(card: &CardFacts, listing: &Listing) -> Option<String> {
    match &card.original {
        None => part_of(&card.facts, listing),
        Some(original) => (original.card.read_whole == Some(false))
            .then(|| "the offload that was copied holds a folder".to_owned()),
    }
}

/// What the records of every destination, and an original's manifest, say of the files that are
/// read.
fn said(
    card: &CardFacts,
    jobs: &[FileJob],
    candidates: &[Candidate],
) -> HashMap<usize, Vec<(Digest, AlsoHashes)>> {
    let mut said: HashMap<usize, Vec<(Digest, AlsoHashes)>> = HashMap::new();
    for (at, job) in jobs.iter().enumerate().filter(|(_, job)| job.is_read()) {
        let records = candidates
            .iter()
            .filter_map(|c| c.standing.records.as_ref());
        let proven = records.filter_map(|r| r.proven.get(job.name.as_str()));
        let proven = proven.map(|entry| (entry.blake3, &entry.also));
        let original = card.original.as_ref().and_then(|o| o.files.get(at));
        let original = original.map(|file| (file.blake3, &file.also));
        let all = proven.chain(original).filter(|(_, also)| !also.is_empty());
        let all: Vec<_> = all.map(|(blake3, also)| (blake3, also.clone())).collect();
        if !all.is_empty() {
            said.insert(at, all);
        }
    }
    said
}

fn only_new(
    leaving: Leaving,
    listing: &Listing,
    jobs: &[FileJob],
    destinations: &[PlannedDestination],
    candidates: &[Candidate],
) -> OnlyNew {
    let left = jobs.iter().filter(|j| j.is_left());
    let (left_files, left_bytes) = left.fold((0, 0), |(n, b), j| (n + 1, b + j.bytes));
    let folders_stand = |(d, c): (&PlannedDestination, &Candidate)| {
        let used = || {
            let is_used = |e: &&EarlierOffload| d.left_in.iter().any(|l| l.tree == e.tree);
            c.earlier.iter().filter(is_used)
        };
        let is_folder = |e: &EarlierOffload, folder: &CardName| {
            let stands = e.entries.get(folder.as_str());
            stands.is_some_and(|s| s.kind == EntryKind::Folder)
        };
        listing
            .folders()
            .all(|folder| used().any(|e| is_folder(e, folder)))
    };
    let is_sampled = |job: &FileJob| {
        let mut all = candidates.iter().flat_map(|c| &c.earlier);
        job.is_left() && all.any(|e| e.sampled.contains(job.name.as_str()))
    };
    OnlyNew {
        left_files,
        left_bytes,
        sampled_files: len64(jobs.iter().filter(|j| is_sampled(j)).count()),
        seen_before: leaving.seen_before,
        gone_files: leaving.gone_files,
        nothing_new: left_files == len64(jobs.len())
            && destinations.iter().all(|d| !d.exists)
            && destinations.iter().zip(candidates).all(folders_stand),
    }
}

impl Plan {
    /// Returns the room of every destination as it was when this was planned.
    pub fn rooms(&self) -> Vec<DestinationRoom> {
        let all = self.destinations.iter().enumerate();
        all.map(|(index, d)| DestinationRoom::of(index, d))
            .collect()
    }
}

#[cfg(test)]
mod tests;
