//! Owns the later check of an offload against its manifest: every file is read again from the
//! device; what is missing, changed or extra is told apart. It works wherever the offload lies,
//! and it writes nothing.

mod records;
mod tags;

use crate::card::left_out::came_later;
use crate::clock::Clock;
use crate::digest::Digest;
use crate::disk::backing::Backing;
use crate::disk::guarded::Guarded;
use crate::disk::hash_file::hash_whole_with;
use crate::disk::{
    Anchor, Disk, EntryKind, FolderFacts, Found, ReadBackWay, Sights, Tree, settle_all,
};
use crate::error::{Error, ProblemKind, Step, failed};
use crate::hash_algorithm::AlsoHashes;
use crate::name::{is_part_name, part_name};
use crate::record::bag::TAG_FILES;
use crate::record::layout::{DATA, Layout, RECORDS};
use crate::record::load::{Signed, load_any};
use crate::record::manifest::{FilePart, MANIFEST_SIGNATURE, Manifest, ManifestError};
use crate::record::signature::Expected;
use crate::units::len64;
use camino::Utf8Path;
use rayon::prelude::*;
pub use records::{Page, Remark, Signature};
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::io;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;
use tags::Bag;

/// Threads that read from one solid-state device.
const THREADS: usize = 4;

/// Why one file or folder does not fit the manifest.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Finding {
    /// It is not there. Paths are relative to the offload's folder: those of a bag's payload begin
    /// with `data/`.
    Missing(String),
    /// It is there and differs; the second value tells how.
    Changed(String, String),
    /// It is there and no record names it.
    Extra(String),
    /// It could not be looked at or read, so that nothing is known of it; the second value tells at
    /// what step and why.
    Unreadable(String, String),
    /// A signature that does not fit, is missing or is by another key than was expected; the second
    /// value tells which. The manifest beside it cannot be relied on.
    Untrusted(String, String),
}

impl Finding {
    /// What a step that failed says of an entry: what something is mounted over is another one,
    /// what went meanwhile is missing, and of all else nothing is known.
    pub(super) fn of_failure(path: String, step: Step, cause: &io::Error) -> Self {
        match cause.kind() {
            io::ErrorKind::CrossesDevices => Self::Changed(path, failed(step, cause)),
            io::ErrorKind::NotFound => Self::Missing(path),
            _ => Self::Unreadable(path, failed(step, cause)),
        }
    }

    /// The same of what lies in the folder that it is about.
    fn of_below(&self, path: &str) -> Self {
        let path = path.to_owned();
        let why = |why: &str| format!("its folder {why}");
        match self {
            Self::Unreadable(_, reason) => Self::Unreadable(path, why(reason)),
            Self::Changed(_, reason) => Self::Changed(path, why(reason)),
            _ => Self::Missing(path),
        }
    }

    /// The same with its path relative to the offload's folder instead of the card's tree.
    fn outside(self, layout: Layout) -> Self {
        match self {
            Self::Missing(path) => Self::Missing(layout.outside(&path)),
            Self::Changed(path, why) => Self::Changed(layout.outside(&path), why),
            Self::Extra(path) => Self::Extra(layout.outside(&path)),
            Self::Unreadable(path, why) => Self::Unreadable(layout.outside(&path), why),
            Self::Untrusted(path, why) => Self::Untrusted(layout.outside(&path), why),
        }
    }
}

/// What a check found.
#[derive(Clone, Debug)]
pub struct Findings {
    /// What the manifest says.
    pub manifest: Manifest,
    /// Whether the manifest was checked against its own hash.
    pub manifest_hash_checked: bool,
    /// Files that were read and are equal.
    pub equal: u64,
    /// Their bytes.
    pub equal_bytes: u64,
    /// Of these, files that are no longer in the manifest but in one of an earlier run.
    pub earlier: u64,
    /// Files that lie in other offloads, by those: not looked at here.
    pub elsewhere: BTreeMap<String, u64>,
    /// What does not fit, sorted by path.
    pub findings: Vec<Finding>,
    /// Entries that computers left behind since; told, and no fault.
    pub litter: Vec<String>,
    /// What should be told of the records and is no fault.
    pub remarks: BTreeSet<Remark>,
    /// Whether the manifest was signed.
    pub signature: Signature,
    /// The least reliable way in which a file was read.
    pub way: ReadBackWay,
    /// Type of the file system that it lies on.
    pub filesystem: String,
    /// How long it took.
    pub took: Duration,
    /// The offload lies in memory: there is no device to read from.
    pub in_memory: bool,
    /// Stopped by the person.
    pub interrupted: bool,
}

impl Findings {
    /// Returns whether everything fits and was read from where it is kept.
    pub fn is_clean(&self) -> bool {
        let is_unchecked = matches!(self.signature, Signature::Unchecked(_));
        self.findings.is_empty() && !is_unchecked && !self.interrupted && self.reached_device()
    }

    /// Returns whether a signature is there that does not fit, or is not the one that was expected.
    pub fn is_untrusted(&self) -> bool {
        let mut findings = self.findings.iter();
        findings.any(|f| matches!(f, Finding::Untrusted(..)))
    }

    /// Returns whether the manifest is intact and signed by one of these keys.
    pub fn is_signed_by(&self, expected: &Expected) -> bool {
        matches!(&self.signature, Signature::Intact(by) if expected.has(by))
    }

    /// Holds the signature against the keys that are expected: one that is missing or by another
    /// key is a finding. One that was found broken is told already.
    pub fn expect_signed_by(&mut self, expected: &Expected) {
        let why = match &self.signature {
            _ if self.is_signed_by(expected) => return,
            Signature::Broken => return,
            Signature::Intact(by) => format!(
                "it is intact, and by another key than the one you expect: {}",
                by.fingerprint()
            ),
            Signature::None => "there is none, so nobody vouches for this manifest".to_owned(),
            Signature::Unchecked(why) => why.clone(),
        };
        let path = format!("{RECORDS}/{MANIFEST_SIGNATURE}");
        self.findings.push(Finding::Untrusted(path, why));
        self.findings.sort_by(|a, b| path_of(a).cmp(path_of(b)));
    }

    /// Returns whether what was read came from the device, or from memory because it lies there.
    pub fn reached_device(&self) -> bool {
        self.in_memory || self.equal == 0 || self.way.reaches_device()
    }

    /// Returns whether every finding is about the records, and the files are as they were.
    pub fn only_records(&self) -> bool {
        let layout = self.manifest.offload.layout;
        let in_records = |f: &Finding| {
            let path = path_of(f);
            let below = path.strip_prefix(RECORDS);
            below.is_some_and(|rest| rest.starts_with('/'))
                || (layout == Layout::Bag && TAG_FILES.contains(&path))
        };
        self.findings.iter().all(in_records)
    }

    /// Returns how many are missing, changed and extra.
    pub fn counts(&self) -> (u64, u64, u64) {
        self.findings
            .iter()
            .fold((0, 0, 0), |(m, c, e), finding| match finding {
                Finding::Missing(_) => (m + 1, c, e),
                Finding::Changed(..) => (m, c + 1, e),
                Finding::Extra(_) => (m, c, e + 1),
                Finding::Unreadable(..) | Finding::Untrusted(..) => (m, c, e),
            })
    }

    /// Returns how many could not be looked at or read.
    pub fn unread(&self) -> u64 {
        let is_unread = |f: &&Finding| matches!(f, Finding::Unreadable(..));
        len64(self.findings.iter().filter(is_unread).count())
    }
}

/// Why an offload could not be checked at all.
#[derive(Debug)]
pub enum VerifyError {
    /// Its manifest cannot be trusted.
    Manifest(ManifestError),
    /// Its folder cannot be listed.
    Io(Error),
}

impl std::fmt::Display for VerifyError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Manifest(e) => e.fmt(f),
            Self::Io(e) => e.fmt(f),
        }
    }
}

impl std::error::Error for VerifyError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Manifest(e) => e.source(),
            Self::Io(e) => e.source(),
        }
    }
}

impl VerifyError {
    /// Returns what kind of trouble it is.
    pub fn kind(&self) -> ProblemKind {
        match self {
            Self::Manifest(e) => e.kind(),
            Self::Io(_) => ProblemKind::Unreadable,
        }
    }
}

/// How far a running check is; many threads add to it.
#[derive(Debug, Default)]
pub struct Progress {
    /// Bytes to read, once the manifest is known.
    pub bytes_total: AtomicU64,
    /// Bytes read.
    pub bytes: AtomicU64,
    /// Set from outside to stop.
    pub cancel: Arc<AtomicBool>,
}

/// Checks the offload at `root`; `page` makes the report page of a manifest, to compare it with.
///
/// # Errors
/// When its manifest cannot be trusted or its folder cannot be listed.
pub fn verify(
    disk: &dyn Disk,
    clock: &dyn Clock,
    root: &Utf8Path,
    progress: &Progress,
    page: Page,
) -> Result<Findings, VerifyError> {
    let start = clock.elapsed();
    let looking = Guarded::until(disk, &progress.cancel);
    let (facts, _held) = hold(&looking, root)?;
    let (manifest, manifest_hash_checked, signed) =
        load_any(disk, &root.join(RECORDS)).map_err(VerifyError::Manifest)?;
    let found = looking
        .walk(root, Tree::Card)
        .map_err(|e| VerifyError::Io(Error::new(Step::List, root, e)))?;
    let sights = Sights::of(&found, &facts.filesystem);
    let Seen {
        earlier,
        standing,
        mut findings,
        litter,
        signature,
        remarks,
    } = look_at_names(
        disk,
        root,
        &manifest,
        (manifest_hash_checked, signed),
        found,
        page,
    );
    let files = files_to_check(&manifest, &earlier, &standing);
    progress
        .bytes_total
        .fetch_add(files.iter().map(|f| f.bytes).sum(), Ordering::Relaxed);
    let threads = threads_for(&facts);
    let layout = manifest.offload.layout;
    let tree = layout.payload(root);
    let mut checked = check_files(disk, &tree, &files, &standing, threads, progress);
    let meanwhile = changed_meanwhile(&looking, root, &sights, &facts, progress)?;
    note(&meanwhile, layout, &files, &mut checked, &mut findings);
    let of_files = checked.iter().filter_map(|c| c.finding.clone());
    findings.extend(of_files.map(|f| f.outside(layout)));
    findings.sort_by(|a, b| path_of(a).cmp(path_of(b)));
    let equal: Vec<_> = checked
        .iter()
        .filter(|c| c.finding.is_none() && c.way.is_some())
        .collect();
    Ok(Findings {
        manifest_hash_checked,
        earlier: len64(files.len() - lying_here(&manifest).count()),
        elsewhere: elsewhere(&manifest),
        equal: len64(equal.len()),
        equal_bytes: equal.iter().map(|c| c.bytes).sum(),
        way: least_reliable(&checked),
        findings,
        litter,
        remarks,
        signature,
        in_memory: facts.backing == Backing::Memory,
        filesystem: facts.filesystem,
        took: clock.elapsed().saturating_sub(start),
        interrupted: progress.cancel.load(Ordering::Relaxed),
        manifest,
    })
}

/// Holds the offload until all is looked at.
fn hold(disk: &dyn Disk, root: &Utf8Path) -> Result<(FolderFacts, Anchor), VerifyError> {
    let look = |e| VerifyError::Io(Error::new(Step::Look, root, e));
    let facts = disk.facts(root).map_err(look)?;
    let held = disk.anchor(root, &facts).map_err(look)?;
    // Another program may have made this copy just now.
    settle_all(disk, Utf8Path::new(&facts.canonical), &facts)
        .map_err(|e| VerifyError::Io(Error::new(Step::Flush, root, e)))?;
    Ok((facts, held))
}

/// A spinning disk is read by one.
fn threads_for(facts: &FolderFacts) -> usize {
    if facts.rotational == Some(true) {
        1
    } else {
        THREADS
    }
}

/// What is said of a file that was read, or looked at, and then written to, replaced or taken away.
const MEANWHILE: &str = "was changed or removed while this was checked";

/// Returns what is no longer as it was when this began: reading takes its time, and somebody may
/// have been there.
fn changed_meanwhile(
    disk: &dyn Disk,
    root: &Utf8Path,
    then: &Sights,
    facts: &FolderFacts,
    progress: &Progress,
) -> Result<BTreeSet<String>, VerifyError> {
    if progress.cancel.load(Ordering::Relaxed) {
        return Ok(BTreeSet::new());
    }
    let now = disk.walk(root, Tree::Card);
    let now = now.map_err(|e| VerifyError::Io(Error::new(Step::List, root, e)))?;
    Ok(then.not_in(&Sights::of(&now, &facts.filesystem)))
}

/// Notes of each file and record with which nothing was wrong that it is not the same any more.
fn note(
    meanwhile: &BTreeSet<String>,
    layout: Layout,
    files: &[&FilePart],
    checked: &mut [Checked],
    findings: &mut Vec<Finding>,
) {
    let changed = |path: &str| Finding::Changed(path.to_owned(), MEANWHILE.to_owned());
    for (c, file) in checked.iter_mut().zip(files) {
        if c.finding.is_none() && meanwhile.contains(&layout.outside(&file.path)) {
            c.finding = Some(changed(&file.path));
        }
    }
    let is_record = |path: &&String| Path::new(path).starts_with(RECORDS);
    for path in meanwhile.iter().filter(is_record) {
        if !findings.iter().any(|told| path_of(told) == path) {
            findings.push(changed(path));
        }
    }
}

/// What is to be said of an offload before its files are read.
struct Seen {
    /// The manifests of earlier runs, oldest first.
    earlier: Vec<Manifest>,
    /// What stands in the card's tree and is known, by the card's path.
    standing: HashMap<String, Result<EntryKind, Finding>>,
    findings: Vec<Finding>,
    litter: Vec<String>,
    signature: Signature,
    remarks: BTreeSet<Remark>,
}

/// Checks the records, the tag files of a bag, and every name that stands there.
fn look_at_names(
    disk: &dyn Disk,
    root: &Utf8Path,
    manifest: &Manifest,
    checked: (bool, Signed),
    found: Vec<Found>,
    page: Page,
) -> Seen {
    let layout = manifest.offload.layout;
    let (in_records, unseen, found) = split_records(found);
    let records::Checked {
        earlier,
        mut findings,
        mut litter,
        signature,
        mut remarks,
    } = records::check(disk, root, manifest, checked, &in_records, page);
    findings.extend(unseen);
    let found = match layout {
        Layout::Plain => found,
        Layout::Bag => {
            let (inside, beside) = split_bag(found);
            check_beside(beside, &mut findings, &mut litter, &mut remarks);
            let bag = Bag {
                disk,
                root,
                manifest,
                earlier: &earlier,
                in_records: &in_records,
                payload: &files_in(&inside),
            };
            bag.check(&mut findings);
            inside
        }
    };
    let (mut of_tree, mut litter_of_tree) = (Vec::new(), Vec::new());
    let standing = sort_found(manifest, &earlier, found, &mut of_tree, &mut litter_of_tree);
    if layout == Layout::Bag && !litter_of_tree.is_empty() {
        remarks.insert(Remark::LitterInBag);
    }
    litter.extend(litter_of_tree.iter().map(|path| layout.outside(path)));
    findings.extend(of_tree.into_iter().map(|f| f.outside(layout)));
    Seen {
        earlier,
        standing,
        findings,
        litter,
        signature,
        remarks,
    }
}

/// The least reliable way in which a file was read.
fn least_reliable(checked: &[Checked]) -> ReadBackWay {
    let ways = checked.iter().filter_map(|c| c.way);
    ways.min().unwrap_or(ReadBackWay::None)
}

/// The files that lie in this offload's own tree.
fn lying_here(manifest: &Manifest) -> impl Iterator<Item = &FilePart> {
    manifest.files.iter().filter(|f| !f.is_elsewhere())
}

/// Counts the files that lie in other offloads. Which destination this is is not asked: an offload
/// that was moved is checked all the same. Where they differ, all are named.
fn elsewhere(manifest: &Manifest) -> BTreeMap<String, u64> {
    let mut counts = BTreeMap::new();
    for file in manifest.files.iter().filter(|f| f.is_elsewhere()) {
        let within = file.copies.iter().filter_map(|c| c.within.as_deref());
        let within: BTreeSet<&str> = within.collect();
        let names: Vec<&str> = within.into_iter().collect();
        *counts.entry(names.join(" or ")).or_insert(0) += 1;
    }
    counts
}

/// Returns the path that a finding is about.
pub fn path_of(finding: &Finding) -> &str {
    match finding {
        Finding::Missing(p)
        | Finding::Changed(p, _)
        | Finding::Extra(p)
        | Finding::Unreadable(p, _)
        | Finding::Untrusted(p, _) => p,
    }
}

/// Every file of the manifest, and those of earlier ones that stand there, as the latest has them.
fn files_to_check<'a>(
    manifest: &'a Manifest,
    earlier: &'a [Manifest],
    standing: &HashMap<String, Result<EntryKind, Finding>>,
) -> Vec<&'a FilePart> {
    let mut files: Vec<&FilePart> = lying_here(manifest).collect();
    let mut seen: HashSet<&str> = files.iter().map(|f| &*f.path).collect();
    for file in earlier.iter().rev().flat_map(lying_here) {
        if standing.contains_key(&*file.path) && seen.insert(&file.path) {
            files.push(file);
        }
    }
    files
}

/// Takes out what stands in the records folder, relative to it, with what could not be looked at
/// there.
fn split_records(found: Vec<Found>) -> (Vec<String>, Vec<Finding>, Vec<Found>) {
    let (mut in_records, mut unseen) = (Vec::new(), Vec::new());
    let mut rest = Vec::new();
    for entry in found {
        let path = entry.path.to_string_lossy().into_owned();
        let below = match path.strip_prefix(RECORDS) {
            Some("") => "",
            Some(below) if below.starts_with('/') => &below[1..],
            _ => {
                rest.push(entry);
                continue;
            }
        };
        if !below.is_empty() {
            in_records.push(below.to_owned());
        }
        if let Err(e) = &entry.stat {
            unseen.push(Finding::of_failure(path, Step::Look, e));
        }
    }
    in_records.sort_unstable();
    in_records.dedup();
    (in_records, unseen, rest)
}

/// Splits what stands in a bag into its payload, relative to that, and what lies beside it.
fn split_bag(found: Vec<Found>) -> (Vec<Found>, Vec<Found>) {
    let (mut inside, mut beside) = (Vec::new(), Vec::new());
    for mut entry in found {
        let below = Path::new(&entry.path).strip_prefix(DATA);
        match below.map(|p| p.as_os_str().to_owned()) {
            Ok(below) if below.is_empty() => {
                if !matches!(&entry.stat, Ok(s) if s.kind == EntryKind::Folder) {
                    beside.push(entry);
                }
            }
            Ok(below) => {
                entry.path = below;
                inside.push(entry);
            }
            Err(_) => beside.push(entry),
        }
    }
    (inside, beside)
}

/// Tells what lies beside the payload and is no tag file.
fn check_beside(
    beside: Vec<Found>,
    findings: &mut Vec<Finding>,
    litter: &mut Vec<String>,
    remarks: &mut BTreeSet<Remark>,
) {
    for entry in beside {
        let path = entry.path.to_string_lossy().into_owned();
        let is_folder = matches!(&entry.stat, Ok(s) if s.kind == EntryKind::Folder);
        if TAG_FILES.contains(&path.as_str()) {
            continue;
        }
        if path == DATA {
            findings.push(match entry.stat {
                Ok(_) => Finding::Changed(path, "is no longer a folder".to_owned()),
                Err(e) => Finding::of_failure(path, Step::Look, &e),
            });
        } else if TAG_FILES.iter().any(|tag| part_name(tag) == path) {
            remarks.insert(Remark::CutShort);
        } else if came_later(&path, is_folder) {
            litter.push(path);
        } else {
            findings.push(Finding::Extra(unfinished_or(path)));
        }
    }
}

/// The paths of all files among entries.
fn files_in(found: &[Found]) -> HashSet<String> {
    let is_file = |f: &&Found| matches!(&f.stat, Ok(s) if s.kind == EntryKind::File);
    let files = found.iter().filter(is_file);
    files
        .filter_map(|f| Some(f.path.to_str()?.to_owned()))
        .collect()
}

/// The folders on the way to a file, from the root down.
fn folders_above(path: &str) -> impl Iterator<Item = &str> {
    path.match_indices('/').filter_map(|(at, _)| path.get(..at))
}

/// Returns the path as it is told, with a word on what it is when it is a part file.
pub(super) fn unfinished_or(path: String) -> String {
    if is_part_name(path.rsplit('/').next().unwrap_or(&path)) {
        format!("{path} (an unfinished part file)")
    } else {
        path
    }
}

/// Compares names: what is missing, what is extra, what is litter. Returns what stands there.
fn sort_found(
    manifest: &Manifest,
    earlier: &[Manifest],
    found: Vec<Found>,
    findings: &mut Vec<Finding>,
    litter: &mut Vec<String>,
) -> HashMap<String, Result<EntryKind, Finding>> {
    let all = || [manifest].into_iter().chain(earlier);
    let files: HashSet<&str> = all().flat_map(lying_here).map(|f| &*f.path).collect();
    let folders: HashSet<&str> = all().flat_map(|m| &m.folders).map(String::as_str).collect();
    let parents: HashSet<&str> = files.iter().flat_map(|f| folders_above(f)).collect();
    let mut standing: HashMap<String, Result<EntryKind, Finding>> = HashMap::new();
    for entry in found {
        let is_text = entry.path.to_str().is_some();
        let path = entry.path.to_string_lossy().into_owned();
        let is_folder = matches!(&entry.stat, Ok(s) if s.kind == EntryKind::Folder);
        // A name that is not text may look like one that is known; no manifest lists it.
        let is_unseen = entry.stat.is_err();
        let known = is_text
            && (files.contains(path.as_str())
                || folders.contains(path.as_str())
                || (is_unseen && parents.contains(path.as_str())));
        if !known {
            if came_later(&path, is_folder) {
                litter.push(path);
            } else if !is_folder || !is_text || !parents.contains(path.as_str()) {
                findings.push(Finding::Extra(unfinished_or(path)));
            }
            continue;
        }
        // A folder that cannot be listed is met twice.
        if is_unseen || !standing.contains_key(&path) {
            let kind = entry.stat.map(|s| s.kind);
            let kind = kind.map_err(|e| Finding::of_failure(path.clone(), Step::Look, &e));
            standing.insert(path, kind);
        }
    }
    for folder in &manifest.folders {
        match standing.get(folder) {
            Some(Ok(EntryKind::Folder)) => {}
            Some(Err(finding)) => findings.push(finding.clone()),
            Some(Ok(_)) => findings.push(Finding::Changed(
                folder.clone(),
                "is no longer a folder".to_owned(),
            )),
            None => findings.push(absent(folder, &standing)),
        }
    }
    standing
}

/// What is to be said of an entry that was not met: missing, unless it is a folder above it that
/// could not be looked into.
fn absent(path: &str, standing: &HashMap<String, Result<EntryKind, Finding>>) -> Finding {
    let mut above = folders_above(path).filter_map(|folder| standing.get(folder));
    let unseen = above.find_map(|kind| kind.as_ref().err());
    unseen.map_or_else(
        || Finding::Missing(path.to_owned()),
        |finding| finding.of_below(path),
    )
}

/// The result for one file; no way when it was not read.
struct Checked {
    bytes: u64,
    way: Option<ReadBackWay>,
    finding: Option<Finding>,
}

fn check_files(
    disk: &dyn Disk,
    root: &Utf8Path,
    files: &[&FilePart],
    standing: &HashMap<String, Result<EntryKind, Finding>>,
    threads: usize,
    progress: &Progress,
) -> Vec<Checked> {
    let check = |file: &&FilePart| {
        let changed = |why: String| Some(Finding::Changed(file.path.to_string(), why));
        let (way, finding) = match standing.get(&*file.path) {
            _ if progress.cancel.load(Ordering::Relaxed) => (None, None),
            None => (None, Some(absent(&file.path, standing))),
            Some(Err(finding)) => (None, Some(finding.clone())),
            Some(Ok(EntryKind::Link)) => (
                None,
                changed("is a symbolic link now, which is not followed".to_owned()),
            ),
            Some(Ok(kind)) if *kind != EntryKind::File => {
                (None, changed("is no longer a file".to_owned()))
            }
            Some(Ok(_)) => match hash_file(disk, &root.join(&*file.path), file, progress) {
                Ok(Some(read)) => (Some(read.way), read.differs(file).and_then(changed)),
                Ok(None) => (None, None),
                Err(e) => {
                    let path = file.path.to_string();
                    (None, Some(Finding::of_failure(path, Step::Read, &e)))
                }
            },
        };
        Checked {
            bytes: file.bytes,
            way,
            finding,
        }
    };
    match rayon::ThreadPoolBuilder::new().num_threads(threads).build() {
        // One file after the other in order per thread keeps a drive's reads near each other.
        Ok(pool) => pool.install(|| files.par_iter().with_max_len(1).map(check).collect()),
        Err(_) => files.iter().map(check).collect(),
    }
}

/// What was read of one file.
struct ReadAgain {
    blake3: Digest,
    also: AlsoHashes,
    bytes: u64,
    way: ReadBackWay,
}

impl ReadAgain {
    /// Returns how it differs from its record.
    fn differs(&self, file: &FilePart) -> Option<String> {
        if self.bytes != file.bytes {
            let is = if self.bytes == 1 { "byte" } else { "bytes" };
            return Some(format!("is {} {is}, should be {}", self.bytes, file.bytes));
        }
        if self.blake3 != file.blake3 {
            return Some("its content differs".to_owned());
        }
        let also = self.also.conflict(&file.also)?;
        Some(format!(
            "its BLAKE3 is the one in the manifest, its {also} is not: the manifest is damaged"
        ))
    }
}

/// Reads a file with every hash that its record holds; `None` when the check was stopped.
fn hash_file(
    disk: &dyn Disk,
    path: &Utf8Path,
    file: &FilePart,
    progress: &Progress,
) -> io::Result<Option<ReadAgain>> {
    let mut source = disk.open_read_back(path)?;
    let mut read = ReadAgain {
        blake3: Digest::of(b""),
        also: AlsoHashes::default(),
        bytes: source.stat()?.bytes,
        way: source.way(),
    };
    if read.bytes != file.bytes {
        return Ok(Some(read));
    }
    let mut go_on = |n| {
        progress.bytes.fetch_add(n, Ordering::Relaxed);
        !progress.cancel.load(Ordering::Relaxed)
    };
    let kinds = file.also.kinds();
    let Some(whole) = hash_whole_with(source.as_mut(), read.bytes, kinds, &mut go_on)? else {
        return Ok(None);
    };
    read.blake3 = whole.blake3;
    read.also = whole.also;
    read.bytes = whole.bytes;
    read.way = source.way();
    Ok(Some(read))
}
