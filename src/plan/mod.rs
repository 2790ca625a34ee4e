//! Owns the decision what an offload will do, before a byte is written: which file is copied,
//! checked or kept on which destination, and every reason to refuse, all at once. Pure: it works
//! on facts that others gathered and never asks a disk.

pub mod beside;
pub mod concurrent;
pub mod earlier;
pub mod rules;

use crate::card::dates::{Shift, parse};
use crate::card::identity::{CardIdentity, RATIO_MAX, has_identity};
use crate::card::listing::{FileRow, Listing, RowKind};
use crate::card::part::part_of;
use crate::card::sample::{Alike, Ground, choose};
use crate::digest::Digest;
use crate::disk::backing::{Backing, Reason, independent};
use crate::disk::{EntryKind, FolderFacts, Settling, Stamp, Stat};
use crate::error::{Problem, ProblemKind};
use crate::existing::earlier::EarlierOffload;
use crate::existing::mounted::is_where_drives_are_mounted;
use crate::existing::original::{Original, RecordedCard};
use crate::existing::source::CardFacts;
use crate::existing::standing::Standing;
use crate::hash_algorithm::{Also, AlsoHashes, AlsoSet, agree};
use crate::name::{CardName, differ_in_form_only, fold, is_part_name, shown, some_of, word};
use crate::record::earlier_run::{ProvenEntry, RecordedVerdict, Records};
use crate::record::layout::{
    DESTINATIONS_MAX, DestinationIdentity, ENTRIES_MAX, InBag, Layout, Level, PerDestination,
    RECORDS, identity,
};
use crate::record::signature::Signer;
use crate::speed::ceiling::{Ceiling, Spin};
use crate::speed::forecast::{Amount, Forecast, Prior, RatePrior, Remaining, Source};
use crate::units::{counted, float, len64, round_up, size};
use beside::Beside;
use camino::{Utf8Path, Utf8PathBuf};
use earlier::{Leaving, Left, LeftIn, OnlyNew, leave};
use rules::{FAT32_FILE_BYTES_MAX, rules_of};
use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

/// Room set aside for records on each destination: this many bytes and as many again per file as
/// [`RECORD_BYTES_PER_FILE`].
const RECORD_BYTES: u64 = 256 * 1_024;
/// Journal, manifest, checksum list and page together hold about this much per file.
const RECORD_BYTES_PER_FILE: u64 = 1_024;
/// What each further hash adds to that: it stands in journal and manifest, and in a list of its own
/// beside the path.
const RECORD_BYTES_PER_HASH: u64 = 512;
/// At most this many names are told for one reason; the rest are counted.
const NAMES_TOLD: usize = 20;

/// A destination before the plan.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// As it was given on the command line.
    pub given: Utf8PathBuf,
    /// What the system says of it, or why it cannot be used.
    pub facts: Result<FolderFacts, String>,
    /// Why it is not the drive that is meant.
    pub unmounted: Option<String>,
    /// What stands there already.
    pub standing: Standing,
    /// Files that were read from the card, and are what an earlier run of this offload read, before any is
    /// kept unread; `None` where one was not.
    pub sampled: Option<u64>,
    /// Other offloads on it, where only what is new is to be copied.
    pub earlier: Vec<EarlierOffload>,
    /// What should be told of those that cannot be used.
    pub earlier_notes: Vec<String>,
    /// Bytes that other runs at work on the volume have yet to write.
    pub others_bytes: u64,
}

/// What is done with one file on one destination.
#[derive(Clone, PartialEq, Debug)]
pub enum Work {
    /// Written and read back.
    Copy,
    /// Something stands under the final name that no record vouches for: it is read back and
    /// compared with the card, and never changed.
    Check,
    /// Proven by an earlier run; its size was looked at.
    Keep(Arc<ProvenEntry>),
    /// Left in an earlier offload on the same destination, which holds it proven.
    Left(Box<Left>),
    /// Not copied there: the drive cannot hold it as it is.
    Unheld,
}

impl Work {
    /// Returns what an earlier run proved, where that is relied upon.
    pub fn earlier(&self) -> Option<&ProvenEntry> {
        match self {
            Self::Keep(entry) => Some(entry),
            Self::Left(left) => Some(&left.entry),
            Self::Copy | Self::Check | Self::Unheld => None,
        }
    }
}

/// One file of the job.
#[derive(Clone, PartialEq, Debug)]
pub struct FileJob {
    /// Its path on the card and below the offload.
    pub name: CardName,
    /// Size in bytes when it was listed.
    pub bytes: u64,
    /// Date when it was listed.
    pub modified: Stamp,
    /// What is done on each destination.
    pub work: PerDestination<Work>,
}

impl FileJob {
    /// Returns whether the file has to be read from the card.
    pub fn is_read(&self) -> bool {
        let mut all = self.work.iter();
        all.any(|w| matches!(w, Work::Copy | Work::Check))
    }

    /// Returns whether the file is left in earlier offloads.
    pub fn is_left(&self) -> bool {
        self.work.iter().any(|w| matches!(w, Work::Left(_)))
    }
}

/// A destination in the plan.
#[derive(Clone, Debug)]
pub struct PlannedDestination {
    /// As it was given.
    pub given: Utf8PathBuf,
    /// The offload's folder, `DIR/NAME`.
    pub root: Utf8PathBuf,
    /// The folder of the card's tree inside it.
    pub payload: Utf8PathBuf,
    /// What the system said of `DIR`.
    pub facts: FolderFacts,
    /// Whether `DIR/NAME` stands there already.
    pub exists: bool,
    /// Folders below it that stand there already.
    pub folders_present: Vec<CardName>,
    /// Files and folders that this drive cannot hold as they are, and why: they are left out on it, and told.
    pub unheld: HashMap<CardName, String>,
    /// Part files that an earlier run left.
    pub stale_parts: Vec<CardName>,
    /// Empty files under final names that an earlier run's pull left; they are copied anew.
    pub left_empty: Vec<CardName>,
    /// Whether an earlier run's records stand there.
    pub resumed: bool,
    /// The verdict of a finished manifest that stands there for this very listing.
    pub recorded: Option<RecordedVerdict>,
    /// The fingerprint of the key that signed the manifest that stands there.
    pub signed_by: Option<String>,
    /// Files of an earlier run that stand there and are no longer on the card.
    pub gone_files: u64,
    /// Files that stand there proven by an earlier run, and that are other files on the card now: another
    /// size or date.
    pub rewritten: HashSet<String>,
    /// Of a bag: what stands in its payload folder and a record knows. It has to list them also where
    /// they are no longer on the card, or were rewritten there.
    pub in_bag: Vec<InBag>,
    /// Of a bag: what stands in its payload folder and no record knows, by path.
    pub strangers: Vec<String>,
    /// Files that were read from the card as a sample before any was kept, and are equal.
    pub sampled_files: u64,
    /// Files kept because an earlier run proved them.
    pub kept_files: u64,
    /// Their bytes.
    pub kept_bytes: u64,
    /// Files that are left in earlier offloads on this destination.
    pub left_files: u64,
    /// Their bytes.
    pub left_bytes: u64,
    /// The earlier offloads that they are left in.
    pub left_in: Vec<LeftIn>,
    /// Files that stand there without a record and are read back and compared.
    pub check_files: u64,
    /// Of these, files that an earlier run proved without a hash that is wanted now.
    pub hash_files: u64,
    /// Files to be written.
    pub copy_files: u64,
    /// Their bytes.
    pub copy_bytes: u64,
    /// Room the job needs on this destination, clusters and records included, in bytes.
    pub needs_bytes: u64,
    /// Room that files take up there already, part files aside, in bytes.
    pub stands_bytes: u64,
    /// Bytes that other runs at work on the volume have yet to write.
    pub others_bytes: u64,
}

impl PlannedDestination {
    /// Returns the size in bytes of the largest file, where it is to be found out whether the drive can hold it.
    pub fn size_to_try(&self, index: usize, jobs: &[FileJob]) -> Option<u64> {
        let new = jobs
            .iter()
            .filter(|job| job.work.get(index) == Some(&Work::Copy));
        let largest = new.map(|job| job.bytes).max()?;
        let is_open = !rules_of(&self.facts.filesystem).is_max_known;
        (is_open && largest > FAT32_FILE_BYTES_MAX).then_some(largest)
    }

    /// Returns the identity that records carry.
    pub fn identity(&self) -> DestinationIdentity {
        identity(&self.facts)
    }
}

/// What will be done.
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
    /// Further hashes that are made: those asked for, and those that earlier runs of this offload made.
    pub also: AlsoSet,
    /// Where the card's tree lies inside the offload.
    pub layout: Layout,
    /// Who is to sign the manifest.
    pub signer: Option<Arc<Signer>>,
    /// Things that do not stand in the way but should be told.
    pub notes: Vec<String>,
    /// What only copying what is new came to, where that was asked for.
    pub only_new: Option<OnlyNew>,
    /// The reader that the card is in, as far as the kit or the system says.
    pub reader: Option<String>,
    /// The card's name in the kit.
    pub card_name: Option<String>,
    /// What the card's maker wrote into it, where the slot reads that.
    pub card_made_as: Option<String>,
    /// What the links between card and drives allow, as far as anything is known of them.
    pub ceiling: Ceiling,
    /// What is known beforehand of how long it will take: from ceilings, the ledger and the drives.
    /// The one place for it; by default nothing is known.
    pub prior: Prior,
    /// What the card that is read at the same time still has to read.
    pub beside: Beside,
    /// How far it is to be proven; read-back by default.
    pub level: Level,
    /// What earlier records say of files that are read now, by their place among the jobs; only those with further
    /// hashes, which nothing else is compared with.
    pub said: HashMap<usize, Vec<(Digest, AlsoHashes)>>,
}

impl Plan {
    /// Returns why the card is only a part of one, in words that go on after a colon.
    pub fn part(&self) -> Option<String> {
        let is_card = self.card.original.is_none();
        is_card.then(|| part_of(&self.card.facts, &self.listing))?
    }

    /// Returns what a destination cannot hold, each a problem of its own; many are counted.
    pub fn unheld_problems(&self) -> Vec<Problem> {
        let mut problems = Vec::new();
        for (index, d) in self.destinations.iter().enumerate() {
            let mut told = Told::new(index);
            let mut names: Vec<_> = d.unheld.iter().collect();
            names.sort_unstable_by_key(|(name, _)| *name);
            for (name, why) in names {
                let why = format!(
                    "{why} ({}), so it is not copied there",
                    word(&d.facts.filesystem)
                );
                told.tell(ProblemKind::NameNotStorable, name, why, &mut problems);
            }
            told.rest(&mut problems);
        }
        problems
    }

    /// Returns the card as the ledger knows it.
    pub fn card_identity(&self) -> CardIdentity {
        let mut card = CardIdentity::of(&self.card.facts, &self.card.label, &self.listing);
        if let Some(original) = self.original() {
            card.path.clone_from(&original.card.path);
            card.volume_id.clone_from(&original.card.volume_id);
            card.listing_b3 = original.card.listing_b3;
        }
        card.name.clone_from(&self.card_name);
        card.made_as.clone_from(&self.card_made_as);
        card
    }

    /// Returns the card as records name it: the one that is read, or the one that the original was made of.
    pub fn recorded_card(&self) -> RecordedCard {
        if let Some(original) = self.original() {
            return original.card.clone();
        }
        let facts = &self.card.facts;
        let keeps_local_time = ["vfat", "msdos", "exfat", "fuseblk"];
        RecordedCard {
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

    /// Returns the date that a file has where it is read, by its place among the jobs. `None`: it was not there.
    pub fn stood_date(&self, job: usize) -> Option<Stamp> {
        match self.original() {
            Some(original) => original.files.get(job)?.modified,
            None => Some(self.jobs.get(job)?.modified),
        }
    }

    /// Returns whether a file of the job has to be read from its source: an original is read whole, so that it
    /// can count as a copy.
    pub fn reads(&self, job: &FileJob) -> bool {
        self.card.original.is_some() || job.is_read()
    }

    /// Returns of every destination whether it spins, by the judgement that the ceiling rests on.
    pub fn spins(&self) -> Vec<Spin> {
        let told = |(index, d): (usize, &PlannedDestination)| match d.facts.backing {
            Backing::Memory => Spin::No,
            _ => self
                .ceiling
                .spins()
                .get(index)
                .copied()
                .unwrap_or(Spin::Unknown),
        };
        self.destinations.iter().enumerate().map(told).collect()
    }

    /// Returns the forecast of the copy as it stands before the first byte. `plan` shows it and `copy`
    /// goes on with it, so the two can't differ.
    pub fn forecast(&self) -> Forecast {
        let (files, bytes) = self.to_read();
        let forecast = Forecast::new(&self.prior, Amount { files, bytes });
        let forecast = match self.kept_after() {
            Some(kept) => forecast.then_read_back(kept),
            None => forecast,
        };
        match self.read_again() {
            Some(again) => forecast.then_read_again(again),
            None => forecast,
        }
    }

    /// Returns that forecast as it is told beforehand: where nothing but the ceiling is known, its low end does
    /// not break the ceiling that stands beside it.
    pub fn expects(&self) -> Option<Remaining> {
        let told = self.forecast().remaining()?;
        let by_ceiling = self.prior.rate.filter(|r| r.source == Source::Ceiling);
        let ceiling = by_ceiling.and(self.ceiling.mbps()).filter(|c| c.0 > 0.0);
        // Beside another card the rate is higher once that is done.
        let (Some(ceiling), None) = (ceiling, self.prior.companion) else {
            return Some(told);
        };
        let least_s = float(self.to_read().1) / ceiling.bytes_per_s();
        Some(Remaining {
            low_s: told.low_s.max(least_s.min(told.likely_s)),
            ..told
        })
    }

    /// Returns what is read from the card a second time when all else is done: everything, also what an
    /// earlier run copied. `None` unless that is asked for.
    pub fn read_again(&self) -> Option<Amount> {
        (self.level == Level::Reread).then(|| Amount {
            files: len64(self.jobs.len()),
            bytes: self.jobs.iter().map(|j| j.bytes).sum(),
        })
    }

    /// Returns the forecast of that second read alone, for the time when it is going on; `measured` is the
    /// rate of the first read in MB/s.
    pub fn forecast_of_read_again(&self, measured: Option<f64>) -> Forecast {
        let known = measured.map(|mbps| RatePrior::from_history(mbps, 0.0));
        let prior = Prior {
            rate: known.or(self.prior.card).or(self.prior.rate),
            per_file: self.prior.per_file,
            ..Prior::default()
        };
        Forecast::new(&prior, self.read_again().unwrap_or_default())
    }

    /// Returns whether kept files are read back from their drives again.
    pub fn reads_kept(&self) -> bool {
        self.level != Level::Written
    }

    /// Returns what the slowest destination has to read back again of kept files when everything is
    /// copied: where nothing is written that goes on beside the copy, at its rate. `None`: no
    /// destination keeps any file.
    pub fn kept_after(&self) -> Option<Amount> {
        let (files, bytes) = self.to_read();
        let keeping = self.destinations.iter();
        keeping
            .filter(|d| self.reads_kept() && d.kept_files > 0)
            .map(|d| match (d.copy_files, d.check_files) {
                (0, 0) => Amount {
                    files: d.kept_files.saturating_sub(files),
                    bytes: d.kept_bytes.saturating_sub(bytes),
                },
                _ => Amount {
                    files: d.kept_files,
                    bytes: d.kept_bytes,
                },
            })
            .max_by_key(|amount| amount.bytes)
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

    /// Returns whether what is to be signed is so already, by the same key on every destination.
    pub fn is_signed(&self) -> bool {
        let Some(signer) = &self.signer else {
            return true;
        };
        let by = signer.fingerprint();
        let mut destinations = self.destinations.iter();
        destinations.all(|d| d.signed_by.as_ref() == Some(&by))
    }

    /// Returns the verdict that stands on every destination already, when nothing has to be copied or compared
    /// and so nothing new can be found out but whether all is still in place.
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

/// What the person asked for, as far as the plan needs it.
#[derive(Clone, Debug)]
pub struct Wish {
    /// The offload's name.
    pub name: String,
    /// Copies on independent devices that PROVEN will need.
    pub copies_needed: usize,
    /// The person states that devices which the system cannot tell apart are separate.
    pub separate: bool,
    /// Leave what earlier offloads on every destination prove already.
    pub only_new: bool,
    /// In which form the offload is left.
    pub form: Form,
}

/// In which form an offload is left on its destinations.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Form {
    /// Further hashes beside BLAKE3.
    pub also: AlsoSet,
    /// Where the card's tree lies; `None` for what stands there already, or else as the original has it, or plain.
    pub layout: Option<Layout>,
}

/// Decides what to do, or tells every reason not to.
pub fn plan(
    card: CardFacts,
    listing: Listing,
    candidates: &[Candidate],
    wish: &Wish,
) -> Result<Plan, Refusal> {
    let mut reasons = Vec::new();
    check_wish(wish, candidates.len(), &mut reasons);
    check_card(&card, &listing, &mut reasons);
    let shape = Shape::of(wish, &card, candidates);
    let mut destinations = Vec::new();
    let mut works = Vec::new();
    let leaving = wish.only_new.then(|| leave(&listing, &card, candidates));
    let leaving = leaving.unwrap_or_default();
    for (index, candidate) in candidates.iter().enumerate() {
        let facts = match &candidate.facts {
            Ok(facts) => facts,
            Err(why) => {
                reasons.push(Problem::new(ProblemKind::WriteFailed, why.clone()).on(index));
                continue;
            }
        };
        let place = Place {
            index,
            candidate,
            facts,
            shape: &shape,
            leaving: &leaving,
        };
        check_destination(&place, &card, &listing, candidates, &mut reasons);
        let (planned, work) = plan_destination(&place, &card, &listing, &mut reasons);
        destinations.push((index, planned));
        works.push(work);
    }
    let rooms = destinations.iter().map(|(index, d)| Room::of(*index, d));
    check_room(&rooms.collect::<Vec<_>>(), &mut reasons);
    if !reasons.is_empty() {
        return Err(Refusal { reasons });
    }
    let mut notes = notes(&card, &listing, &destinations, wish);
    notes.extend(leaving.notes.iter().cloned());
    notes.extend(unlike_notes(candidates, &card.facts));
    let jobs = join_work(&listing, works);
    let destinations = counted_in(destinations, &jobs, candidates);
    let only_new = wish
        .only_new
        .then(|| only_new(leaving, &listing, &jobs, &destinations, candidates));
    let said = said(&card, &jobs, candidates);
    Ok(Plan {
        name: wish.name.clone(),
        card,
        listing,
        jobs,
        destinations,
        also: shape.also,
        layout: shape.layout,
        notes,
        only_new,
        reader: None,
        card_name: None,
        card_made_as: None,
        ceiling: Ceiling::default(),
        signer: None,
        prior: Prior::default(),
        beside: Beside::default(),
        level: Level::ReadBack,
        said,
    })
}

/// What the records of every destination, and an original's manifest, say of the files that are read.
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

/// Tells everything about a destination that stands in the way, but for its room.
fn check_destination(
    place: &Place<'_>,
    card: &CardFacts,
    listing: &Listing,
    candidates: &[Candidate],
    reasons: &mut Vec<Problem>,
) {
    let (index, candidate, facts) = (place.index, place.candidate, place.facts);
    if let Some(why) = &candidate.unmounted {
        return reasons.push(Problem::new(ProblemKind::Vanished, why.clone()).on(index));
    }
    check_place(index, facts, card, place.shape.name, reasons);
    check_twice(index, place.shape.name, facts, candidates, reasons);
    check_rules(index, facts, listing, place.shape, reasons);
    check_layout(index, candidate, place.shape.layout, reasons);
    check_standing(index, candidate, facts, card, listing, candidates, reasons);
}

/// Counts the work on every destination, now that all of it is decided.
fn counted_in(
    destinations: Vec<(usize, PlannedDestination)>,
    jobs: &[FileJob],
    candidates: &[Candidate],
) -> Vec<PlannedDestination> {
    let mut out: Vec<PlannedDestination> = destinations.into_iter().map(|(_, d)| d).collect();
    for (index, destination) in out.iter_mut().enumerate() {
        count_work(index, destination, jobs);
        if !lies_as_recorded(index, jobs, candidates) {
            destination.recorded = None;
        }
    }
    out
}

/// Whether every file lies where the manifest of an earlier run says.
fn lies_as_recorded(index: usize, jobs: &[FileJob], candidates: &[Candidate]) -> bool {
    let records = candidates
        .get(index)
        .and_then(|c| c.standing.records.as_ref());
    let recorded = |path: &str| records?.elsewhere.get(path).map(String::as_str);
    jobs.iter().all(|job| {
        let now = match job.work.get(index) {
            Some(Work::Left(left)) => Some(left.within.as_str()),
            _ => None,
        };
        now == recorded(job.name.as_str())
    })
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

fn check_wish(wish: &Wish, destinations: usize, reasons: &mut Vec<Problem>) {
    check_name(&wish.name, reasons);
    if destinations > DESTINATIONS_MAX {
        let why = "more than 64 drives; one record cannot tell of them";
        reasons.push(Problem::new(ProblemKind::WriteFailed, why));
    }
}

fn check_name(name: &str, reasons: &mut Vec<Problem>) {
    let why = match CardName::parse(name) {
        Err(_) if name.is_empty() => Some("the offload's name is empty".to_owned()),
        Err(why) => Some(format!("the offload's name holds {why}")),
        Ok(_) if name.contains('/') || name.contains('\\') => {
            Some("the offload's name must be one folder name, without a separator".to_owned())
        }
        Ok(_) if fold(name) == fold(RECORDS) || is_part_name(name) => {
            Some("the offload's name is one that unlade uses itself".to_owned())
        }
        Ok(_) if name.trim() != name => {
            Some("the offload's name begins or ends with a blank".to_owned())
        }
        Ok(_) if name.len() > 200 => Some("the offload's name is longer than 200 bytes".to_owned()),
        Ok(_) if name.chars().any(char::is_control) => {
            Some("the offload's name holds a control character".to_owned())
        }
        Ok(_) => None,
    };
    if let Some(why) = why {
        reasons.push(Problem::new(ProblemKind::NameNotStorable, why));
    }
}

/// Why a card with a folder named like that of the records is refused.
pub const HOLDS_RECORDS: &str = "the card itself holds `_unlade` in its root, where the records go";

fn check_card(card: &CardFacts, listing: &Listing, reasons: &mut Vec<Problem>) {
    if listing.rows().len() > ENTRIES_MAX {
        let why = format!(
            "`{}` holds more than the 1,000,000 entries that one record can tell of; offload its folders one by one",
            shown(card.given.as_str())
        );
        reasons.push(Problem::new(ProblemKind::Unreadable, why));
    }
    if listing.totals().0 == 0 {
        let broken = listing
            .rows()
            .iter()
            .any(|r| matches!(r.kind, RowKind::Trouble { .. } | RowKind::NotText));
        let why = if !listing.mounts().is_empty() {
            format!(
                "`{}` holds no files of its own; other volumes are mounted in it: give these as cards",
                shown(card.given.as_str())
            )
        } else if broken {
            format!("no file on `{}` can be read", shown(card.given.as_str()))
        } else {
            format!(
                "`{}` holds no files; a card that was pulled or is not mounted looks like this too",
                shown(card.given.as_str())
            )
        };
        reasons.push(Problem::new(ProblemKind::Unreadable, why));
    }
    for row in listing.rows() {
        let path = row.path();
        let top = path.split('/').next().unwrap_or(&path);
        if fold(top) == fold(RECORDS) && top.len() == path.len() {
            reasons.push(Problem::new(ProblemKind::NameClash, HOLDS_RECORDS).at(path));
        }
    }
    let parts: HashSet<&str> = listing
        .files()
        .filter(|f| is_part_name(f.name.file_name()))
        .map(|f| f.name.as_str())
        .collect();
    if parts.is_empty() {
        return;
    }
    for file in listing.files() {
        if parts.contains(file.name.part().as_str()) {
            reasons.push(
                Problem::new(
                    ProblemKind::NameClash,
                    "the card holds a file that is named like this one's part file",
                )
                .at(file.name.as_str()),
            );
        }
    }
}

fn check_place(
    index: usize,
    facts: &FolderFacts,
    card: &CardFacts,
    name: &str,
    reasons: &mut Vec<Problem>,
) {
    let mut refuse = |kind, why: &str| reasons.push(Problem::new(kind, why).on(index));
    if let Some(original) = &card.original {
        if let Some(why) = original.refuses(&card.facts, facts, name) {
            refuse(ProblemKind::SameDevice, &format!("it {why}"));
        }
    } else if let Some(why) = facts.goes_with(&card.facts) {
        refuse(ProblemKind::SameDevice, &format!("it {why}"));
    } else if card.facts.ancestors.contains(&(facts.device, facts.inode)) {
        refuse(
            ProblemKind::NameClash,
            "the card lies inside this folder; give one outside the card",
        );
    }
    if facts.read_only {
        refuse(ProblemKind::WriteFailed, READ_ONLY);
    }
}

/// Why a drive is refused that cannot be written to.
pub const READ_ONLY: &str = "the drive is mounted read-only";

fn check_twice(
    index: usize,
    name: &str,
    facts: &FolderFacts,
    candidates: &[Candidate],
    reasons: &mut Vec<Problem>,
) {
    let earlier = candidates.iter().take(index).position(|other| {
        other
            .facts
            .as_ref()
            .is_ok_and(|o| (o.device, o.inode) == (facts.device, facts.inode))
    });
    let mut refuse = |why: String| {
        reasons.push(Problem::new(ProblemKind::SameDevice, why).on(index));
    };
    if let Some(other) = earlier {
        refuse(format!(
            "this is the same folder as that of drive {}",
            other + 1
        ));
    }
    // It would be no file of that offload's card.
    let here = Utf8Path::new(&facts.canonical);
    let inside = candidates.iter().position(|other| {
        let other = other.facts.as_ref();
        other.is_ok_and(|o| here.starts_with(Utf8Path::new(&o.canonical).join(name)))
    });
    if let Some(other) = inside.filter(|_| !name.is_empty()) {
        refuse(format!(
            "this folder lies inside the offload `{}` that drive {} is to hold",
            shown(name),
            other + 1
        ));
    }
}

fn check_rules(
    index: usize,
    facts: &FolderFacts,
    listing: &Listing,
    shape: &Shape<'_>,
    reasons: &mut Vec<Problem>,
) {
    let rules = rules_of(&facts.filesystem);
    let mut told = Told::new(index);
    let large = |f: &FileRow<'_>| f.bytes > rules.file_bytes_max;
    for file in listing.files().filter(large) {
        let why = format!(
            "{} is more than the largest file that {} can hold (4 GiB - 1)",
            size(file.bytes),
            word(&facts.filesystem)
        );
        told.tell(ProblemKind::TooLargeForFilesystem, file.name, why, reasons);
    }
    told.rest(reasons);
    if let Some(why) = rules.refuses(shape.name) {
        reasons.push(
            Problem::new(
                ProblemKind::NameNotStorable,
                format!("the offload's name: {why}"),
            )
            .on(index),
        );
    }
}

/// Bytes of the path of the card's tree on a destination, the separator after it included.
fn root_bytes(candidate: &Candidate, facts: &FolderFacts, shape: &Shape<'_>) -> usize {
    candidate.given.as_str().len().max(facts.canonical.len())
        + shape.name.len()
        + shape.layout.outside("").len()
        + 2
}

/// Files and folders that a destination cannot hold as they are, and why: by their names, or because another one has that
/// name there. One of them does not keep the rest from being copied; it keeps the verdict from being
/// PROVEN.
fn unheld(
    candidate: &Candidate,
    facts: &FolderFacts,
    listing: &Listing,
    shape: &Shape<'_>,
) -> HashMap<CardName, String> {
    let rules = rules_of(&facts.filesystem);
    let root_bytes = root_bytes(candidate, facts, shape);
    let files = listing.files().map(|f| f.name);
    let mut names: Vec<&CardName> = listing.folders().chain(files).collect();
    // Of two that are one name there, the one that stands has it; else the first.
    let stands = |name: &CardName| candidate.standing.entries.contains_key(name.as_str());
    names.sort_by_key(|name| !stands(name));
    let mut first: HashMap<String, &CardName> = HashMap::new();
    let mut folders_out: HashSet<&str> = HashSet::new();
    let mut found = HashMap::new();
    for name in names {
        let why = if let Some(why) = rules.refuses_path(name, root_bytes) {
            why.to_owned()
        } else if name.parent().is_some_and(|p| folders_out.contains(p)) {
            "the folder that it is in has the name of another one there".to_owned()
        } else if rules.folds == Some(true)
            && let Some(other) = first.insert(name.folded(), name)
        {
            first.insert(name.folded(), other);
            let form = if differ_in_form_only(name.as_str(), other.as_str()) {
                ", which is written with other Unicode characters"
            } else {
                ""
            };
            format!("the name is the same as that of `{other}` there{form}")
        } else {
            continue;
        };
        folders_out.insert(name.as_str());
        found.insert(name.clone(), why);
    }
    found
}

/// Tells the first names of each kind and counts the rest, so that a card of 100,000 bad names
/// gives a page, not a flood.
struct Told {
    index: usize,
    counts: BTreeMap<ProblemKind, usize>,
}

impl Told {
    fn new(index: usize) -> Self {
        Self {
            index,
            counts: BTreeMap::new(),
        }
    }

    fn tell(
        &mut self,
        kind: ProblemKind,
        name: &CardName,
        why: String,
        reasons: &mut Vec<Problem>,
    ) {
        let count = self.counts.entry(kind).or_insert(0);
        *count += 1;
        if *count <= NAMES_TOLD {
            reasons.push(Problem::new(kind, why).at(name.as_str()).on(self.index));
        }
    }

    fn rest(self, reasons: &mut Vec<Problem>) {
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

fn check_standing(
    index: usize,
    candidate: &Candidate,
    facts: &FolderFacts,
    card: &CardFacts,
    listing: &Listing,
    all: &[Candidate],
    reasons: &mut Vec<Problem>,
) {
    let standing = &candidate.standing;
    if let Some(why) = &standing.damaged {
        reasons.push(Problem::new(ProblemKind::ManifestDamaged, why.clone()).on(index));
        return;
    }
    // A drive that was swapped under the same path: the journal of any destination knows the others.
    let here = identity(facts);
    let swapped = all
        .iter()
        .filter_map(|c| c.standing.records.as_ref())
        .flat_map(|r| &r.destinations)
        .any(|d| d.path == here.path && d.differs(&here));
    if swapped {
        reasons.push(swapped_drive(index));
    }
    let Some(records) = &standing.records else {
        let foreign = standing
            .entries
            .values()
            .any(|s| s.kind != EntryKind::Folder);
        if foreign {
            let why = "a folder of this name already holds files that no record of an offload vouches for";
            reasons.push(Problem::new(ProblemKind::NameClash, why).on(index));
        }
        return;
    };
    // A run that ended before its first file has claimed nothing yet: folders and parts are nobody's.
    let is_file = |(path, stat): (&String, &Stat)| {
        stat.kind != EntryKind::Folder && !is_part_name(path.rsplit('/').next().unwrap_or(path))
    };
    let claims = !records.card_files.is_empty() || standing.entries.iter().any(is_file);
    if claims && !same_card(records, card, listing) {
        let first = first_conflict(records, listing).map_or(String::new(), |path| {
            format!(
                "; or files on this card have changed since, `{}` first",
                shown(path)
            )
        });
        let why = format!("an offload of another card already has this name{first}");
        reasons.push(Problem::new(ProblemKind::NameClash, why).on(index));
    }
}

/// Returns the first file of the card that is not what the records say.
fn first_conflict<'a>(records: &Records, listing: &'a Listing) -> Option<&'a str> {
    let differs = |f: &FileRow<'_>| {
        let then = records.card_files.get(f.name.as_str());
        then.is_some_and(|(bytes, date)| *bytes != f.bytes || **date != *f.modified.rfc3339())
    };
    listing.files().find(differs).map(|f| f.name.as_str())
}

fn swapped_drive(index: usize) -> Problem {
    let why =
        "this is not the drive that this offload was begun on; the right one may not be mounted";
    Problem::new(ProblemKind::Vanished, why).on(index)
}

/// Decides whether records belong to this card: by volume identity where both sides know it, else
/// by the listing, else by what both listings hold: something in common and nothing in conflict. All
/// dates may have moved together: whatever is not just as it was is compared with the card anyway.
pub fn same_card(records: &Records, card: &CardFacts, listing: &Listing) -> bool {
    if let Some(original) = &card.original {
        return original.is_of_same_card(records);
    }
    if let (Some(a), Some(b)) = (&records.card_volume_id, &card.facts.volume_id)
        && card.facts.is_mount_root
    {
        return a == b;
    }
    if records.listing_b3 == Some(listing.fingerprint()) || records.card_files.is_empty() {
        return records
            .listing_b3
            .is_none_or(|b3| b3 == listing.fingerprint());
    }
    let both = || {
        listing.files().filter_map(|file| {
            let (bytes, modified) = records.card_files.get(file.name.as_str())?;
            Some((file, *bytes, modified))
        })
    };
    let dates = both().filter_map(|(file, _, then)| Some((parse(then)?, file.modified)));
    let shift = Shift::of(dates);
    both().next().is_some()
        && both().all(|(file, bytes, then)| {
            let is_near = || parse(then).is_some_and(|then| shift.is_near(then, file.modified));
            bytes == file.bytes && (**then == *file.modified.rfc3339() || is_near())
        })
}

/// Returns whether records and card have not one name in common although both have about as many. Some
/// cameras give all of their cards one identity; such cards are two, or one that was formatted since, and each
/// gets a folder of its own.
pub fn holds_nothing_of(records: &Records, listing: &Listing) -> bool {
    let then = len64(records.card_files.len());
    let now = listing.totals().0;
    let can_tell = then.min(now) > 0 && then.max(now) <= then.min(now).saturating_mul(RATIO_MAX);
    can_tell
        && !listing
            .files()
            .any(|file| records.card_files.contains_key(file.name.as_str()))
}

/// Returns whether an earlier run proved other files under names that the card has now.
pub fn holds_other_files(records: &Records, listing: &Listing) -> bool {
    listing
        .files()
        .any(|file| is_rewritten(file, Some(records)))
}

/// A destination while it is planned.
struct Place<'a> {
    index: usize,
    candidate: &'a Candidate,
    facts: &'a FolderFacts,
    shape: &'a Shape<'a>,
    leaving: &'a Leaving,
}

impl Place<'_> {
    /// Returns where the file at this place of the listing is left on this destination.
    fn left(&self, at: usize) -> Option<&Left> {
        self.leaving.left.get(at)?.as_ref()?.get(self.index)
    }
}

fn plan_destination(
    place: &Place<'_>,
    card: &CardFacts,
    listing: &Listing,
    reasons: &mut Vec<Problem>,
) -> (PlannedDestination, Vec<Work>) {
    let (candidate, facts) = (place.candidate, place.facts);
    let mut planned = destination_at_start(candidate, facts, listing, place.shape);
    let standing = &candidate.standing;
    let mut told = Told::new(place.index);
    check_folders(listing, standing, &mut told, reasons);
    let records = standing.records.as_ref();
    let original = card.original.as_deref();
    // A card that only looks like the one on record is compared with the copies. An original has its manifest to
    // speak for it.
    let trusted = match original {
        None => candidate.sampled.is_some() && records.is_some_and(|r| r.is_of_card(&card.facts)),
        Some(original) => records.is_some_and(|r| original.is_of_same_card(r)),
    };
    let expected = |at: usize| Some(original?.files.get(at)?.blake3);
    let mut works = Vec::new();
    let (mut needs, mut files) = (RECORD_BYTES, 0_u64);
    for (at, file) in listing.files().enumerate() {
        files += 1;
        let work = match place.left(at) {
            Some(left) => Work::Left(Box::new(left.clone())),
            None if is_left_empty(file, standing) => {
                planned.left_empty.push(file.name.clone());
                Work::Copy
            }
            None => match work_for(file, standing, trusted, expected(at)) {
                Work::Keep(entry) if !entry.also.kinds().covers(place.shape.also) => {
                    planned.hash_files += 1;
                    Work::Check
                }
                Work::Copy if planned.unheld.contains_key(file.name) => Work::Unheld,
                work => work,
            },
        };
        match &work {
            Work::Keep(_) | Work::Left(_) | Work::Unheld => {}
            Work::Check => {
                let is_rewritten = is_rewritten(file, records);
                if let Some(why) = in_the_way(file, facts, standing, is_rewritten) {
                    told.tell(ProblemKind::NameClash, file.name, why.to_owned(), reasons);
                }
                if is_rewritten {
                    planned.rewritten.insert(file.name.as_str().to_owned());
                }
            }
            Work::Copy => needs += round_up(file.bytes, facts.cluster_bytes),
        }
        works.push(work);
    }
    told.rest(reasons);
    let hashes = len64(place.shape.also.iter().count());
    // A bag lists every file once more, with one hash.
    let lists = hashes + u64::from(place.shape.layout == Layout::Bag);
    needs += files * (RECORD_BYTES_PER_FILE + lists * RECORD_BYTES_PER_HASH);
    needs += len64(listing.folders().count()) * facts.cluster_bytes;
    planned.needs_bytes = needs;
    (planned, works)
}

/// Why what stands under a file's name can't be taken for its copy, as far as that shows without reading it.
fn in_the_way(
    file: FileRow<'_>,
    facts: &FolderFacts,
    standing: &Standing,
    is_rewritten: bool,
) -> Option<&'static str> {
    let stands = standing.entries.get(file.name.as_str())?;
    let is_file = stands.kind == EntryKind::File;
    if is_file && stands.bytes == file.bytes {
        return may_share_its_place(file, facts, standing).then_some(BESIDE_PART);
    }
    Some(if is_file && stands.bytes == 0 {
        LEFT_EMPTY
    } else if is_rewritten {
        EARLIER_COPY
    } else {
        "something else already stands under this name"
    })
}

/// Whether an empty file stands where an earlier run of this offload was about to give a file its name when its drive was
/// pulled. Nothing is lost with it.
fn is_left_empty(file: FileRow<'_>, standing: &Standing) -> bool {
    let path = file.name.as_str();
    let was_named = standing
        .records
        .as_ref()
        .is_some_and(|r| r.naming.contains(path));
    let stands = standing.entries.get(path);
    let is_empty = stands.is_some_and(|s| s.kind == EntryKind::File && s.bytes == 0);
    was_named && is_empty && file.bytes > 0
}

/// Whether a drive was pulled while the new name of a file was on it already and the old one, its part's, still. Both lead
/// to the same clusters then, and to remove one is to give away what the other holds.
fn may_share_its_place(file: FileRow<'_>, facts: &FolderFacts, standing: &Standing) -> bool {
    let was_named = |r: &Records| r.naming.contains(file.name.as_str());
    let holds = |path: &str| standing.entries.get(path).is_some_and(|s| s.bytes > 0);
    Settling::of(&facts.filesystem) == Settling::Whole
        && standing.records.as_ref().is_some_and(was_named)
        && holds(file.name.as_str())
        && holds(&file.name.part())
}

/// Why a file that stands beside its part is not gone on with.
pub const BESIDE_PART: &str = "its part file stands beside it: the drive was pulled while this file got its name, and both may lie in one place on it";

/// Why a file can't go where an empty one is, which FAT leaves of a name that was not yet written back.
pub const LEFT_EMPTY: &str = "an empty file stands under this name, as a drive leaves it that was pulled before a copy was finished";

/// Why a file that was written anew on the card can't go where its earlier copy is.
pub const EARLIER_COPY: &str = "under this name stands the copy that an earlier run proved, and the card holds another file now";

/// Whether an earlier run proved another file of this name.
fn is_rewritten(file: FileRow<'_>, records: Option<&Records>) -> bool {
    let proven = records.and_then(|r| r.proven.get(file.name.as_str()));
    proven.is_some_and(|p| p.bytes != file.bytes || *p.modified != *file.modified.rfc3339())
}

/// The destination as it stands, before the work on it is counted.
fn destination_at_start(
    candidate: &Candidate,
    facts: &FolderFacts,
    listing: &Listing,
    shape: &Shape<'_>,
) -> PlannedDestination {
    let standing = &candidate.standing;
    let mut planned = PlannedDestination {
        given: candidate.given.clone(),
        root: candidate.given.join(shape.name),
        payload: shape.layout.payload(&candidate.given.join(shape.name)),
        facts: facts.clone(),
        exists: standing.exists,
        folders_present: present(standing, |path, stat| {
            stat.kind == EntryKind::Folder && path.split('/').next() != Some(RECORDS)
        }),
        unheld: unheld(candidate, facts, listing, shape),
        stale_parts: present(standing, |path, stat| {
            stat.kind == EntryKind::File && is_part_name(path.rsplit('/').next().unwrap_or(path))
        }),
        left_empty: Vec::new(),
        resumed: standing.records.is_some(),
        recorded: standing
            .records
            .as_ref()
            .filter(|r| r.listing_b3 == Some(listing.fingerprint()))
            .and_then(|r| r.recorded.clone()),
        signed_by: standing.records.as_ref().and_then(|r| r.signed_by.clone()),
        gone_files: gone_files(standing, listing),
        rewritten: HashSet::new(),
        in_bag: Vec::new(),
        strangers: Vec::new(),
        sampled_files: candidate.sampled.unwrap_or(0),
        kept_files: 0,
        kept_bytes: 0,
        left_files: 0,
        left_bytes: 0,
        left_in: Vec::new(),
        check_files: 0,
        hash_files: 0,
        copy_files: 0,
        copy_bytes: 0,
        needs_bytes: 0,
        stands_bytes: stands_bytes(standing, facts.cluster_bytes),
        others_bytes: candidate.others_bytes,
    };
    // A file of the card's own that happens to be named like one is no stale part, also when it is gone
    // from the card and only the records know it.
    let is_recorded = |part: &CardName| {
        let part = part.as_str();
        let records = standing.records.as_ref();
        records.is_some_and(|r| r.proven.contains_key(part) || r.card_files.contains_key(part))
    };
    planned
        .stale_parts
        .retain(|part| !is_recorded(part) && !listing.files().any(|f| f.name == part));
    if shape.layout == Layout::Bag {
        (planned.in_bag, planned.strangers) = stands_in_bag(standing, listing);
    }
    planned
}

fn stands_bytes(standing: &Standing, cluster: u64) -> u64 {
    let is_whole = |path: &str| !is_part_name(path.rsplit('/').next().unwrap_or(path));
    let files = standing.entries.iter();
    let files = files.filter(|(path, stat)| stat.kind == EntryKind::File && is_whole(path));
    files
        .map(|(_, stat)| round_up(stat.bytes, cluster))
        .fold(0, u64::saturating_add)
}

/// What the offload is to be on every destination.
struct Shape<'a> {
    name: &'a str,
    also: AlsoSet,
    layout: Layout,
}

impl<'a> Shape<'a> {
    fn of(wish: &'a Wish, card: &CardFacts, candidates: &[Candidate]) -> Self {
        let original = card.original.as_ref();
        let layout = layout_of(wish.form.layout, candidates, original.map(|o| o.layout));
        let also = hashes_to_make(wish, candidates, layout);
        Self {
            name: &wish.name,
            also: original.map_or(also, |o| also.with(o.also)),
            layout,
        }
    }
}

/// A folder of the card whose place is taken by something else would lead the copy astray.
fn check_folders(
    listing: &Listing,
    standing: &Standing,
    told: &mut Told,
    reasons: &mut Vec<Problem>,
) {
    for folder in listing.folders() {
        let stands = standing.entries.get(folder.as_str());
        if stands.is_some_and(|s| s.kind != EntryKind::Folder) {
            let why = "something that is no folder already stands under this name".to_owned();
            told.tell(ProblemKind::NameClash, folder, why, reasons);
        }
    }
}

fn gone_files(standing: &Standing, listing: &Listing) -> u64 {
    let Some(records) = &standing.records else {
        return 0;
    };
    let listed: HashSet<&str> = listing.files().map(|f| f.name.as_str()).collect();
    let is_gone =
        |path: &&Arc<str>| !listed.contains(&***path) && standing.entries.contains_key(&***path);
    len64(records.proven.keys().filter(is_gone).count())
}

/// What stands in a bag's payload folder: what a record knows, and what is neither known nor on the card.
fn stands_in_bag(standing: &Standing, listing: &Listing) -> (Vec<InBag>, Vec<String>) {
    let listed: HashSet<&str> = listing.files().map(|f| f.name.as_str()).collect();
    let (mut known, mut strangers) = (Vec::new(), Vec::new());
    for (path, stat) in &standing.entries {
        let is_part = is_part_name(path.rsplit('/').next().unwrap_or(path));
        if stat.kind == EntryKind::Folder || is_part {
            continue;
        }
        match standing.bag_sum(path) {
            Some((bytes, sha256)) if stat.kind == EntryKind::File => known.push(InBag {
                path: path.clone(),
                bytes,
                sha256: sha256.to_owned(),
            }),
            _ if listed.contains(path.as_str()) => {}
            _ => strangers.push(path.clone()),
        }
    }
    known.sort_by(|a, b| a.path.cmp(&b.path));
    strangers.sort();
    (known, strangers)
}

fn present(standing: &Standing, wanted: impl Fn(&str, &Stat) -> bool) -> Vec<CardName> {
    let mut names: Vec<CardName> = standing
        .entries
        .iter()
        .filter(|(path, stat)| wanted(path, stat))
        .filter_map(|(path, _)| CardName::parse(path).ok())
        .collect();
    names.sort();
    names
}

/// `expected`: what the manifest of an original says of the file.
fn work_for(
    file: FileRow<'_>,
    standing: &Standing,
    trusted: bool,
    expected: Option<Digest>,
) -> Work {
    if !standing.entries.contains_key(file.name.as_str()) {
        return Work::Copy;
    }
    let is_expected = |entry: &ProvenEntry| expected.is_none_or(|b3| b3 == entry.blake3);
    match proven_as_it_looks(file, standing) {
        Some(entry) if trusted && is_expected(entry) => Work::Keep(Arc::clone(entry)),
        _ => Work::Check,
    }
}

/// Returns what an earlier run proved of a file, if card and copy look as they did then. The copy carries
/// the card's date, as far as its file system can hold it. Another date means that somebody changed the
/// copy since, or that the drive keeps no dates: then its content has to speak for it.
fn proven_as_it_looks<'a>(
    file: FileRow<'_>,
    standing: &'a Standing,
) -> Option<&'a Arc<ProvenEntry>> {
    let path = file.name.as_str();
    let stands = standing.entries.get(path)?;
    let entry = standing.records.as_ref()?.proven.get(path)?;
    let is_alike = stands.kind == EntryKind::File
        && stands.bytes == file.bytes
        && entry.bytes == file.bytes
        && *entry.modified == *file.modified.rfc3339()
        && Shift::default().joins(file.modified, stands.modified)
        && entry.way.reaches_device();
    is_alike.then_some(entry)
}

impl Candidate {
    /// Returns files of the card that are to be read before any is kept: some of those that would be.
    pub fn samples<'a>(&self, listing: &'a Listing, card: &FolderFacts) -> Vec<Alike<'a>> {
        let of_card = self
            .standing
            .records
            .as_ref()
            .filter(|r| r.is_of_card(card));
        let files = listing.files().filter(|_| of_card.is_some());
        let alike = files.filter_map(|f| {
            let entry = proven_as_it_looks(f, &self.standing)?;
            Some(Alike::of(f, entry.blake3, f.modified, Shift::default()))
        });
        let ground = Ground {
            is_known: has_identity(card),
            shift: Shift::default(),
        };
        choose(alike, ground)
    }
}

/// The room of a destination, all in bytes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Room {
    /// Its place on the command line, counted from 0.
    pub index: usize,
    /// Number of its file system.
    pub device: u64,
    /// What the job needs there.
    pub needs: u64,
    /// What is free there.
    pub free: u64,
    /// What other runs at work on the volume have yet to write.
    pub others: u64,
}

impl Room {
    fn of(index: usize, d: &PlannedDestination) -> Self {
        Self {
            index,
            device: d.facts.device,
            needs: d.needs_bytes,
            free: d.facts.free_bytes,
            others: d.others_bytes,
        }
    }
}

impl Plan {
    /// Returns the room of every destination as it was when this was planned.
    pub fn rooms(&self) -> Vec<Room> {
        let all = self.destinations.iter().enumerate();
        all.map(|(index, d)| Room::of(index, d)).collect()
    }
}

/// Tells where the room is not enough; destinations on one volume share it.
pub fn check_room(rooms: &[Room], reasons: &mut Vec<Problem>) {
    let mut by_volume: BTreeMap<u64, (u64, u64, Vec<usize>)> = BTreeMap::new();
    for room in rooms {
        let (needs, others, who) = by_volume.entry(room.device).or_default();
        *needs = needs.saturating_add(room.needs);
        *others = room.others.max(*others);
        who.push(room.index);
    }
    for room in rooms {
        let Some((needs, others, who)) = by_volume.get(&room.device) else {
            continue;
        };
        let index = &room.index;
        let free = room.free.saturating_sub(*others);
        if *needs > free && who.first() == Some(index) {
            let shared = if who.len() > 1 {
                format!(" for {} copies on this one volume", who.len())
            } else {
                String::new()
            };
            let others = match *others {
                0 => String::new(),
                others => format!(
                    ", of which another run at work there needs {}",
                    size(others)
                ),
            };
            let why = format!(
                "needs {}{shared}, has {} free{others}: {} short",
                size(*needs),
                size(room.free),
                size(needs - free)
            );
            reasons.push(Problem::new(ProblemKind::NoRoom, why).on(*index));
        }
    }
}

fn notes(
    card: &CardFacts,
    listing: &Listing,
    destinations: &[(usize, PlannedDestination)],
    wish: &Wish,
) -> Vec<String> {
    let mut notes = left_out_notes(listing);
    notes.extend(gone_note(destinations.iter().map(|(_, d)| d)));
    notes.extend(sample_note(destinations.iter().map(|(_, d)| d)));
    notes.extend(destinations.iter().filter_map(|(_, d)| unmounted_note(d)));
    notes.extend(device_name_notes(listing, destinations));
    let others = destinations.iter().filter(|(_, d)| d.others_bytes > 0);
    notes.extend(others.map(|(index, d)| {
        format!(
            "Another run is at work on drive {} and has {} yet to write; that room is left to it.",
            index + 1,
            size(d.others_bytes)
        )
    }));
    notes.extend(destinations.iter().filter_map(|(_, d)| memory_note(d)));
    let largest = listing.files().map(|f| f.bytes).max().unwrap_or(0);
    notes.extend(
        destinations
            .iter()
            .filter_map(|(_, d)| size_note(d, largest)),
    );
    let mut devices: Vec<(&Backing, u64)> = destinations
        .iter()
        .map(|(_, d)| (&d.facts.backing, d.facts.device))
        .collect();
    let (mut copies, mut why) = count_independent(&devices, wish.separate);
    if card.original.is_some() {
        let own = (&card.facts.backing, card.facts.device);
        why.extend(shares_device(own, &devices, wish.separate));
        devices.push(own);
        copies = count_independent(&devices, wish.separate).0;
    }
    if copies < wish.copies_needed {
        notes.push(format!(
            "This will not be PROVEN: the copies would be on {}, and {} {} needed.",
            counted(len64(copies), "independent device"),
            wish.copies_needed,
            if wish.copies_needed == 1 { "is" } else { "are" }
        ));
        notes.extend(why);
    }
    notes
}

/// Tells which destinations are on the device of the original: there the two are one copy.
pub fn shares_device(
    own: (&Backing, u64),
    devices: &[(&Backing, u64)],
    separate: bool,
) -> Option<String> {
    let with = |device: &(&Backing, u64)| count_independent(&[own, *device], separate).0 < 2;
    let shared = devices.iter().zip(1..).filter(|(device, _)| with(device));
    let numbers: Vec<String> = shared.map(|(_, n)| n.to_string()).collect();
    (!numbers.is_empty()).then(|| {
        let some = if numbers.len() == 1 { "Copy" } else { "Copies" };
        format!(
            "{some} {} cannot be told apart from the device of the offload that is copied: together they count as one.",
            numbers.join(" and ")
        )
    })
}

/// A copy that memory answers for proves nothing; better to know before it is made.
fn memory_note(d: &PlannedDestination) -> Option<String> {
    let why = d.facts.only_from_memory.as_ref()?;
    Some(format!(
        "The copy on `{}` will not count: it can be checked only against this computer's memory, not on the drive ({}).",
        shown(d.given.as_str()),
        shown(why)
    ))
}

/// What lies behind a server or a program may be FAT32.
fn size_note(d: &PlannedDestination, largest: u64) -> Option<String> {
    let is_open = largest > FAT32_FILE_BYTES_MAX && !rules_of(&d.facts.filesystem).is_max_known;
    is_open.then(|| {
        format!(
            "The system does not say whether `{}` can hold files of 4 GiB and more. A copy tries that before it begins.",
            shown(d.given.as_str())
        )
    })
}

/// A volume's identity that two drives have is a doubt: a clone, or one drive seen twice. Unless the drives
/// themselves say that they are two, it is not known what stands behind the later one.
pub fn doubt_twins(candidates: &mut [Candidate]) {
    for index in 1..candidates.len() {
        let (before, rest) = candidates.split_at_mut(index);
        let Some(Ok(facts)) = rest.first_mut().map(|c| c.facts.as_mut()) else {
            continue;
        };
        let twin = before.iter().find(|b| {
            b.facts
                .as_ref()
                .is_ok_and(|b| facts.is_twin_of(b) && !facts.is_other_hardware(b))
        });
        if let Some(twin) = twin {
            let why = format!(
                "its volume has the same identity as `{}`: a clone of that drive, or the same drive seen twice",
                shown(twin.given.as_str())
            );
            let known = facts.backing.names().cloned().unwrap_or_default();
            facts.backing = Backing::Unknown { why, known };
        }
    }
}

/// A folder where drives are usually mounted, on the system's own volume: the drive that was meant
/// is perhaps not mounted.
pub(crate) fn unmounted_note(d: &PlannedDestination) -> Option<String> {
    let looks_mounted = is_where_drives_are_mounted(&d.facts.canonical);
    (looks_mounted && d.facts.is_system_volume).then(|| {
        format!(
            "`{}` lies on the system's own disk. Is the drive mounted that you mean?",
            shown(d.given.as_str())
        )
    })
}

/// Names that a drive stores and Windows does not open are copied, and told.
fn device_name_notes(
    listing: &Listing,
    destinations: &[(usize, PlannedDestination)],
) -> Option<String> {
    let on_windows_drive = |name: &CardName| {
        let refused = |d: &PlannedDestination| {
            let rules = rules_of(&d.facts.filesystem);
            name.parts().any(|part| rules.is_device_name(part))
        };
        destinations.iter().any(|(_, d)| refused(d))
    };
    let names: Vec<String> = listing
        .files()
        .map(|f| f.name)
        .filter(|name| on_windows_drive(name))
        .map(|name| format!("`{name}`"))
        .take(NAMES_TOLD)
        .collect();
    (!names.is_empty()).then(|| {
        format!(
            "Windows will not open {}: the name is that of a device there. It is copied all the same.",
            names.join(", ")
        )
    })
}

/// Returns a note on files that an earlier run copied and that are no longer on the card.
pub fn gone_note<'a>(destinations: impl Iterator<Item = &'a PlannedDestination>) -> Option<String> {
    let gone = destinations.map(|d| d.gone_files).max().unwrap_or(0);
    (gone > 0).then(|| {
        format!(
            "{} of an earlier run {} no longer on the card; {} on the drives as before.",
            counted(gone, "file"),
            if gone == 1 { "is" } else { "are" },
            if gone == 1 { "it stays" } else { "they stay" }
        )
    })
}

/// Returns what was read of the card before files of an earlier run were kept.
pub fn sample_note<'a>(
    destinations: impl Iterator<Item = &'a PlannedDestination>,
) -> Option<String> {
    let sampled = destinations.map(|d| d.sampled_files).max().unwrap_or(0);
    (sampled > 0).then(|| {
        format!(
            "As a sample, {} that an earlier run copied {} read from the card, and equal.",
            counted(sampled, "file"),
            if sampled == 1 { "was" } else { "were" }
        )
    })
}

/// Says so when nothing of an earlier run is kept because a sample of the card bears it out no longer.
fn unlike_notes(candidates: &[Candidate], card: &FolderFacts) -> impl Iterator<Item = String> {
    let is_of_card = |c: &Candidate| {
        let records = c.standing.records.as_ref();
        records.is_some_and(|r| r.is_of_card(card))
    };
    let unlike = candidates
        .iter()
        .filter(move |c| c.sampled.is_none() && is_of_card(c));
    unlike.map(|c| {
        format!(
            "What an earlier run proved on `{}` is not relied upon: files of the card that look the same hold other bytes than it read, or could not be read. All that stands there is compared with the card.",
            shown(c.given.as_str())
        )
    })
}

/// Left out files that a note names; the others are counted.
const LEFT_NAMED: usize = 4;

/// Returns a note for every Trash folder on the card that holds files, and for files that are left out and look like
/// pictures.
pub fn left_out_notes(listing: &Listing) -> Vec<String> {
    let trash = listing
        .left_out()
        .filter(|(_, why)| why.contains("not copied"))
        .map(|(path, why)| format!("`{}` on the card is a {why}.", shown(&path)));
    let media = listing.media_left();
    let paths = media.iter().map(String::as_str);
    let named = some_of(paths, LEFT_NAMED, len64(media.len()), "file");
    let media = match media.len() {
        0 => None,
        1 => Some(format!(
            "{named} looks like a picture, clip or sound, and was left out: its name or folder is one that computers use for files of their own. Look at it on the card, and copy it by hand if you need it."
        )),
        _ => Some(format!(
            "{named} look like pictures, clips or sound, and were left out: their names or folders are those that computers use for files of their own. Look at them on the card, and copy by hand what you need."
        )),
    };
    trash.chain(media).collect()
}

/// Counts the independent devices among destinations, and tells in words why there are fewer than
/// destinations. One whose device is unknown never lowers the count that the known ones reach
/// without it.
pub fn count_independent(devices: &[(&Backing, u64)], separate: bool) -> (usize, Vec<String>) {
    let known: Vec<_> = devices
        .iter()
        .filter(|(backing, _)| !matches!(backing, Backing::Unknown { .. }))
        .copied()
        .collect();
    let all = independent(devices, separate);
    let count = all.count.max(independent(&known, separate).count);
    if count == devices.len() {
        return (count, Vec::new());
    }
    let why = all.reasons.iter().filter_map(device_reason).collect();
    (count, why)
}

fn device_reason(reason: &Reason) -> Option<String> {
    match reason {
        Reason::SameFileSystem { a, b } => Some(format!(
            "Copies {} and {} are on one file system: they count as one.",
            a + 1,
            b + 1
        )),
        Reason::SameDisk { a, b, disk } => Some(format!(
            "Copies {} and {} are on one physical disk ({disk}): they count as one.",
            a + 1,
            b + 1
        )),
        Reason::Unknown { index, why } => Some(format!(
            "The system does not tell which device holds copy {} ({why}). If you know that it is a device of its own, say so with --separate.",
            index + 1
        )),
        Reason::Memory { index } => Some(format!(
            "Copy {} is in memory, not on a drive: it proves nothing.",
            index + 1
        )),
        Reason::Stated { .. } => None,
    }
}

fn join_work(listing: &Listing, works: Vec<Vec<Work>>) -> Vec<FileJob> {
    let mut columns: Vec<_> = works.into_iter().map(Vec::into_iter).collect();
    listing
        .files()
        .map(|file| {
            let mut work: PerDestination<Work> = columns
                .iter_mut()
                .map(|c| c.next().unwrap_or(Work::Copy))
                .collect();
            doubt_if_unequal(&mut work);
            FileJob {
                name: file.name.clone(),
                bytes: file.bytes,
                modified: file.modified,
                work,
            }
        })
        .collect()
}

/// Returns the layout that was asked for, or that of what stands there, or that of the `original`, or the plain
/// one.
pub fn layout_of(
    asked: Option<Layout>,
    candidates: &[Candidate],
    original: Option<Layout>,
) -> Layout {
    let standing = || candidates.iter().find_map(|c| c.standing.records.as_ref());
    asked
        .or_else(|| standing().map(|r| r.layout))
        .or(original)
        .unwrap_or_default()
}

fn check_layout(index: usize, candidate: &Candidate, layout: Layout, reasons: &mut Vec<Problem>) {
    if let Some(records) = &candidate.standing.records
        && records.layout != layout
    {
        let why = format!(
            "this offload was begun in the layout `{}` and cannot go on as `{}`; leave --layout out to go on as it is",
            records.layout.id(),
            layout.id()
        );
        reasons.push(Problem::new(ProblemKind::NameClash, why).on(index));
    }
}

/// Those asked for, that which a bag needs, and those that earlier runs of this offload made: they
/// are made on, so that no list ends up with a part of the files.
fn hashes_to_make(wish: &Wish, candidates: &[Candidate], layout: Layout) -> AlsoSet {
    let mut asked = wish.form.also;
    if layout == Layout::Bag {
        asked.insert(Also::Sha256);
    }
    candidates
        .iter()
        .filter_map(|c| c.standing.records.as_ref())
        .flat_map(|r| r.proven.values())
        .fold(asked, |all, entry| all.with(entry.also.kinds()))
}

/// Earlier runs that kept different bytes of one file vouch for nothing: all are read again. (A
/// file is left on all destinations or on none, and only where the hashes agree.)
fn doubt_if_unequal(work: &mut [Work]) {
    let kept = work.iter().filter_map(|w| match w {
        Work::Keep(entry) => Some((entry.blake3, &entry.also)),
        _ => None,
    });
    if !agree(&kept) {
        for w in work.iter_mut().filter(|w| matches!(w, Work::Keep(_))) {
            *w = Work::Check;
        }
    }
}

fn count_work(index: usize, planned: &mut PlannedDestination, jobs: &[FileJob]) {
    for job in jobs {
        match job.work.get(index) {
            Some(Work::Keep(_)) => {
                planned.kept_files += 1;
                planned.kept_bytes += job.bytes;
            }
            Some(Work::Left(left)) => {
                planned.left_files += 1;
                planned.left_bytes += job.bytes;
                let known = planned.left_in.iter_mut().find(|l| l.tree == left.tree);
                if let Some(known) = known {
                    known.files += 1;
                    known.bytes += job.bytes;
                } else {
                    planned.left_in.push(LeftIn {
                        within: left.within.clone(),
                        tree: left.tree.clone(),
                        files: 1,
                        bytes: job.bytes,
                    });
                }
            }
            Some(Work::Check) => planned.check_files += 1,
            Some(Work::Copy) => {
                planned.copy_files += 1;
                planned.copy_bytes += job.bytes;
            }
            Some(Work::Unheld) | None => {}
        }
    }
}

#[cfg(test)]
mod tests;
