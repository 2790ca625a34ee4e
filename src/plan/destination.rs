//! Owns the work on one destination: for every file whether it is copied, compared, kept, left or
//! not held. Pure.
use crate::card::dates::Shift;
use crate::card::identity::has_identity;
use crate::card::listing::{FileRow, Listing};
use crate::card::sample::{Alike, Ground, choose};
use crate::digest::Digest;
use crate::disk::{EntryKind, FolderFacts, Settling, Stat};
use crate::error::{Cause, Problem, ProblemKind};
use crate::existing::source::CardFacts;
use crate::existing::standing::Standing;
use crate::hash_algorithm::agree;
use crate::name::{CardName, is_part_name};
use crate::plan::candidate::{Candidate, Spot};
use crate::plan::check::{check_folders, unheld};
use crate::plan::earlier::LeftIn;
use crate::plan::name_list::NameList;
use crate::plan::shape::{DestinationDraft, Shape};
use crate::plan::work::{FileJob, PlannedDestination, Work};
use crate::record::earlier_run::{ProvenEntry, Records};
use crate::record::layout::{InBag, Layout, PerDestination, RECORDS};
use crate::record::media_hash_list::{chain_parts, is_of_history};
use crate::record::others::mhl::MHL_FOLDER;
use crate::units::{len64, round_up};
use std::collections::{HashMap, HashSet};
use std::sync::Arc;

/// Room set aside for records on each destination: this many bytes and as many again per file as
/// [`RECORD_BYTES_PER_FILE`].
pub(super) const RECORD_BYTES: u64 = 256 * 1_024;

/// Journal, manifest, checksum list and page together hold about this much per file.
pub(super) const RECORD_BYTES_PER_FILE: u64 = 1_024;

/// What each further hash adds to that: it stands in journal and manifest, and in a list of its own
/// beside the path.
pub(super) const RECORD_BYTES_PER_HASH: u64 = 512;

pub(super) fn plan_destination(
    draft: &DestinationDraft<'_>,
    card: &CardFacts,
    listing: &Listing,
    reasons: &mut Vec<Problem>,
) -> (PlannedDestination, Vec<Work>) {
    let (candidate, facts) = (draft.candidate, draft.facts);
    let mut planned = destination_at_start(candidate, facts, listing, draft.shape);
    let standing = &candidate.standing;
    let mut told = NameList::new(draft.index);
    check_folders(listing, standing, &mut told, reasons);
    let records = standing.records.as_ref();
    let original = card.original.as_deref();
    // A card that only looks like the one on record is compared with the copies. An original has
    // its manifest to speak for it.
    let trusted = match original {
        None => {
            candidate.sampled.is_some() && records.is_some_and(|r| r.card_mark().is_of(&card.facts))
        }
        Some(original) => records.is_some_and(|r| original.is_recorded_by(r)),
    };
    let expected = |at: usize| Some(original?.files.get(at)?.blake3);
    let mut works = Vec::new();
    let (mut needs, mut files) = (RECORD_BYTES, 0_u64);
    for (at, file) in listing.files().enumerate() {
        files += 1;
        let work = match draft.left(at) {
            Some(left) => Work::Left(Box::new(left.clone())),
            None if is_left_empty(file, standing) => {
                planned.left_empty.push(file.name.clone());
                Work::Copy
            }
            None => match work_for(file, standing, trusted, expected(at)) {
                Work::Keep(entry) if !entry.also.kinds().covers(draft.shape.also) => {
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
                let is_rewritten = records.is_some_and(|r| r.proved_another(file));
                if let Some(problem) = in_the_way(file, facts, standing, is_rewritten) {
                    told.tell(problem, file.name, reasons);
                }
                planned.found_damaged.extend(found_damaged(file, standing));
                if is_rewritten {
                    planned.rewritten.insert(file.name.as_str().to_owned());
                }
            }
            Work::Copy => needs += round_up(file.bytes, facts.cluster_bytes),
        }
        works.push(work);
    }
    told.rest(reasons);
    let folders = len64(listing.folders().count());
    let hashes = len64(draft.shape.also.iter().count());
    // A bag lists every file once more, with one hash.
    let lists = hashes + u64::from(draft.shape.layout == Layout::Bag);
    needs += files * (RECORD_BYTES_PER_FILE + lists * RECORD_BYTES_PER_HASH);
    if draft.shape.has_mhl {
        needs += (files + folders) * (RECORD_BYTES_PER_FILE + hashes * RECORD_BYTES_PER_HASH);
    }
    needs += folders * facts.cluster_bytes;
    planned.needs_bytes = needs;
    (planned, works)
}

/// A file that a check found damaged, with the hash on record.
fn found_damaged(file: FileRow<'_>, standing: &Standing) -> Option<(String, Digest)> {
    let path = file.name.as_str();
    standing.damage.of_file(path)?;
    let entry = standing.records.as_ref()?.proven.get(path)?;
    Some((path.to_owned(), entry.blake3))
}

/// Why what stands under a file's name can't be taken for its copy, as far as that shows without
/// reading it.
pub(super) fn in_the_way(
    file: FileRow<'_>,
    facts: &FolderFacts,
    standing: &Standing,
    is_rewritten: bool,
) -> Option<Problem> {
    let stands = standing.entries.get(file.name.as_str())?;
    let clash = |why| Problem::new(ProblemKind::NameClash, why);
    let is_file = stands.kind == EntryKind::File;
    if is_file && stands.bytes == file.bytes {
        return may_share_its_place(file, facts, standing)
            .then(|| clash(BESIDE_PART).because(Cause::BesidePart));
    }
    Some(if is_file && stands.bytes == 0 {
        clash(LEFT_EMPTY).because(Cause::LeftEmpty)
    } else if is_rewritten {
        clash(EARLIER_COPY).because(Cause::EarlierCopy)
    } else {
        clash("something else already has this name")
    })
}

/// Whether an empty file stands where an earlier run of this offload was about to give a file its
/// name when its drive was pulled. Nothing is lost with it.
pub(super) fn is_left_empty(file: FileRow<'_>, standing: &Standing) -> bool {
    let path = file.name.as_str();
    let was_named = standing
        .records
        .as_ref()
        .is_some_and(|r| r.naming.contains(path));
    let stands = standing.entries.get(path);
    let is_empty = stands.is_some_and(|s| s.kind == EntryKind::File && s.bytes == 0);
    was_named && is_empty && file.bytes > 0
}

/// Whether a drive was pulled while the new name of a file was on it already and the old one, its
/// part's, still. Both lead to the same clusters then, and to remove one is to give away what the
/// other holds.
pub(super) fn may_share_its_place(
    file: FileRow<'_>,
    facts: &FolderFacts,
    standing: &Standing,
) -> bool {
    let was_named = |r: &Records| r.naming.contains(file.name.as_str());
    let holds = |path: &str| standing.entries.get(path).is_some_and(|s| s.bytes > 0);
    Settling::of(&facts.filesystem) == Settling::Whole
        && standing.records.as_ref().is_some_and(was_named)
        && holds(file.name.as_str())
        && holds(&file.name.part())
}

/// Why a file that stands beside its part is not gone on with.
pub const BESIDE_PART: &str = "its part file is beside it: the drive was pulled while this \
    file got its name, and both may be in one place on it";

/// Why a file can't go where an empty one is, which FAT leaves of a name that was not yet written
/// back.
pub const LEFT_EMPTY: &str = "an empty file has this name, as a drive leaves it that was \
    pulled before a copy was finished";

/// Why a file that was written anew on the card can't go where its earlier copy is.
const EARLIER_COPY: &str = "this name has the copy that an earlier copy proved, and the \
    card holds another file now";

/// Whether it is a part of the chain of our media hash list: by that a run is ended that was cut
/// off.
fn is_begun_chain(path: &str, listing: &Listing) -> bool {
    let is_own = || listing.files().any(|f| is_of_history(f.name.as_str()));
    let name = path
        .strip_prefix(MHL_FOLDER)
        .and_then(|name| name.strip_prefix('/'));
    let mut parts = chain_parts().into_iter();
    name.is_some_and(|name| parts.any(|part| part == name)) && !is_own()
}

/// The destination as it stands, before the work on it is counted.
pub(super) fn destination_at_start(
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
        kit_name: candidate.kit_name.clone(),
        facts: facts.clone(),
        exists: standing.exists,
        folders_present: present(standing, |path, stat| {
            stat.kind == EntryKind::Folder && path.split('/').next() != Some(RECORDS)
        }),
        unheld: unheld(candidate, facts, listing, shape),
        stale_parts: present(standing, |path, stat| {
            stat.kind == EntryKind::File
                && is_part_name(path.rsplit('/').next().unwrap_or(path))
                && !is_begun_chain(path, listing)
        }),
        left_empty: Vec::new(),
        resumed: standing.records.is_some(),
        has_mhl: standing.history.is_there(),
        recorded: standing
            .records
            .as_ref()
            .filter(|r| r.listing_b3 == Some(listing.fingerprint()))
            .and_then(|r| r.recorded.clone()),
        signed_by: standing.records.as_ref().and_then(|r| r.signed_by.clone()),
        gone_files: gone_files(standing, listing),
        rewritten: HashSet::new(),
        checked: standing.checked.clone(),
        found_damaged: HashMap::new(),
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
    // A file of the card's own that happens to be named like one is no stale part, also when it is
    // gone from the card and only the records know it.
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

pub(super) fn stands_bytes(standing: &Standing, cluster: u64) -> u64 {
    let is_whole = |path: &str| !is_part_name(path.rsplit('/').next().unwrap_or(path));
    let files = standing.entries.iter();
    let files = files.filter(|(path, stat)| stat.kind == EntryKind::File && is_whole(path));
    files
        .map(|(_, stat)| round_up(stat.bytes, cluster))
        .fold(0, u64::saturating_add)
}

pub(super) fn gone_files(standing: &Standing, listing: &Listing) -> u64 {
    let Some(records) = &standing.records else {
        return 0;
    };
    let listed: HashSet<&str> = listing.files().map(|f| f.name.as_str()).collect();
    let is_gone =
        |path: &&Arc<str>| !listed.contains(&***path) && standing.entries.contains_key(&***path);
    len64(records.proven.keys().filter(is_gone).count())
}

/// What stands in a bag's payload folder: what a record knows, and what is neither known nor on the
/// card.
pub(super) fn stands_in_bag(standing: &Standing, listing: &Listing) -> (Vec<InBag>, Vec<String>) {
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

pub(super) fn present(standing: &Standing, wanted: impl Fn(&str, &Stat) -> bool) -> Vec<CardName> {
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
pub(super) fn work_for(
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

/// Returns what an earlier run proved of a file, if card and copy look as they did then. The copy
/// carries the card's date, as far as its file system can hold it. Another date means that somebody
/// changed the copy since, or that the drive keeps no dates: then its content has to speak for it,
/// as it has to where a check found it damaged.
pub(super) fn proven_as_it_looks<'a>(
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
        && entry.way.reaches_device()
        && standing.damage.of_file(path).is_none();
    is_alike.then_some(entry)
}

impl Spot {
    /// Returns files of the card that are to be read before any is kept: some of those that would
    /// be.
    pub fn samples<'a>(&self, listing: &'a Listing, card: &FolderFacts) -> Vec<Alike<'a>> {
        let of_card = self
            .standing
            .records
            .as_ref()
            .filter(|r| r.card_mark().is_of(card));
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

pub(super) fn join_work(listing: &Listing, works: Vec<Vec<Work>>) -> Vec<FileJob> {
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

/// Earlier runs that kept different bytes of one file vouch for nothing: all are read again. (A
/// file is left on all destinations or on none, and only where the hashes agree.)
pub(super) fn doubt_if_unequal(work: &mut [Work]) {
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

/// Counts the work on every destination, now that all of it is decided.
pub(super) fn counted_in(
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
