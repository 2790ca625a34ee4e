//! Owns the later check of an offload against its manifest: every file is read again from the
//! device; what is missing, changed or extra is told apart. It works wherever the offload lies,
//! and it writes nothing.

use super::checksums::List;
use super::manifest::{
    FilePart, MANIFEST, MANIFEST_BYTES_MAX, MANIFEST_HASH, Manifest, ManifestError, load,
};
use crate::also::AlsoHashes;
use crate::card::left_out::why_left_out;
use crate::clock::Clock;
use crate::digest::Digest;
use crate::disk::topology::Backing;
use crate::disk::whole::hash_whole_with;
use crate::disk::{Disk, EntryKind, Found, ReadBackWay, Tree};
use crate::error::{Error, Step, failed};
use crate::name::is_part_name;
use crate::plan::RECORDS;
use crate::units::len64;
use camino::Utf8Path;
use rayon::prelude::*;
use std::collections::{HashMap, HashSet};
use std::io;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// Threads that read from one solid-state device.
const THREADS: usize = 4;

/// Why one file or folder does not fit the manifest.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Finding {
    /// It is not there.
    Missing(String),
    /// It is there and differs; the second value tells how.
    Changed(String, String),
    /// It is there and no record names it.
    Extra(String),
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
    /// What does not fit, sorted by path.
    pub findings: Vec<Finding>,
    /// Entries that computers left behind since; told, and no fault.
    pub litter: Vec<String>,
    /// The least reliable way in which a file was read.
    pub way: ReadBackWay,
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
        self.findings.is_empty() && !self.interrupted && self.reached_device()
    }

    /// Returns whether what was read came from the device, or from memory because it lies there.
    pub fn reached_device(&self) -> bool {
        self.in_memory || self.equal == 0 || self.way.reaches_device()
    }

    /// Returns how many are missing, changed and extra.
    pub fn counts(&self) -> (u64, u64, u64) {
        self.findings
            .iter()
            .fold((0, 0, 0), |(m, c, e), finding| match finding {
                Finding::Missing(_) => (m + 1, c, e),
                Finding::Changed(..) => (m, c + 1, e),
                Finding::Extra(_) => (m, c, e + 1),
            })
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

impl std::error::Error for VerifyError {}

/// How far a running check is; many threads add to it.
#[derive(Debug, Default)]
pub struct Progress {
    /// Bytes to read, once the manifest is known.
    pub bytes_total: AtomicU64,
    /// Bytes read.
    pub bytes: AtomicU64,
    /// Set from outside to stop.
    pub cancel: AtomicBool,
}

/// Checks the offload at `root`.
///
/// # Errors
/// When its manifest cannot be trusted or its folder cannot be listed.
pub fn verify(
    disk: &dyn Disk,
    clock: &dyn Clock,
    root: &Utf8Path,
    progress: &Progress,
) -> Result<Findings, VerifyError> {
    let start = clock.elapsed();
    let (manifest, manifest_hash_checked) = load(disk, root).map_err(VerifyError::Manifest)?;
    let facts = disk
        .facts(root)
        .map_err(|e| VerifyError::Io(Error::new(Step::Look, root, e)))?;
    let found = disk
        .walk(root, Tree::Drive)
        .map_err(|e| VerifyError::Io(Error::new(Step::List, root, e)))?;
    let mut findings = Vec::new();
    let mut litter = Vec::new();
    let earlier = earlier_manifests(disk, root, &mut findings);
    let standing = sort_found(&manifest, &earlier, found, &mut findings, &mut litter);
    check_records(disk, root, &manifest, manifest_hash_checked, &mut findings);
    let files = files_to_check(&manifest, &earlier, &standing);
    progress
        .bytes_total
        .fetch_add(files.iter().map(|f| f.bytes).sum(), Ordering::Relaxed);
    let threads = if facts.rotational == Some(true) {
        1
    } else {
        THREADS
    };
    let checked = check_files(disk, root, &files, &standing, threads, progress);
    let mut findings_of_files: Vec<Finding> =
        checked.iter().filter_map(|c| c.finding.clone()).collect();
    findings.append(&mut findings_of_files);
    findings.sort_by(|a, b| path_of(a).cmp(path_of(b)));
    let equal: Vec<_> = checked
        .iter()
        .filter(|c| c.finding.is_none() && c.way.is_some())
        .collect();
    Ok(Findings {
        manifest_hash_checked,
        earlier: len64(files.len() - manifest.files.len()),
        equal: len64(equal.len()),
        equal_bytes: equal.iter().map(|c| c.bytes).sum(),
        way: checked
            .iter()
            .filter_map(|c| c.way)
            .min()
            .unwrap_or(ReadBackWay::None),
        findings,
        litter,
        in_memory: facts.backing == Backing::Memory,
        took: clock.elapsed().saturating_sub(start),
        interrupted: progress.cancel.load(Ordering::Relaxed),
        manifest,
    })
}

/// Returns the path that a finding is about.
pub fn path_of(finding: &Finding) -> &str {
    match finding {
        Finding::Missing(p) | Finding::Changed(p, _) | Finding::Extra(p) => p,
    }
}

/// Reads the manifests that earlier runs of the same offload left: what they list and what is no
/// longer on the card is part of the offload all the same. A run that was cut short can leave a set
/// without a manifest, so that the numbers may have gaps.
fn earlier_manifests(
    disk: &dyn Disk,
    root: &Utf8Path,
    findings: &mut Vec<Finding>,
) -> Vec<Manifest> {
    let mut earlier = Vec::new();
    for n in 1..=super::store::EARLIER_MAX {
        let folder = format!("{RECORDS}/{}", super::store::earlier_name(n));
        if matches!(disk.look(&root.join(&folder)), Ok(None)) {
            break;
        }
        let path = format!("{folder}/{MANIFEST}");
        let bytes = match disk.read_record(&root.join(&path), MANIFEST_BYTES_MAX) {
            Ok(bytes) => bytes,
            // That run was cut off while its records were moved; they stand with the next.
            Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
            Err(e) => {
                findings.push(Finding::Changed(path, failed(Step::Read, &e)));
                continue;
            }
        };
        match Manifest::from_bytes(&bytes) {
            Ok(manifest) => earlier.push(manifest),
            Err(e) => findings.push(Finding::Changed(path, e.to_string())),
        }
    }
    earlier
}

/// Looks whether the records beside the manifest still say what it says.
fn check_records(
    disk: &dyn Disk,
    root: &Utf8Path,
    manifest: &Manifest,
    has_hash: bool,
    findings: &mut Vec<Finding>,
) {
    if !has_hash {
        findings.push(Finding::Missing(format!("{RECORDS}/{MANIFEST_HASH}")));
    }
    for list in List::all() {
        check_list(disk, root, manifest, list, findings);
    }
}

fn check_list(
    disk: &dyn Disk,
    root: &Utf8Path,
    manifest: &Manifest,
    list: List,
    findings: &mut Vec<Finding>,
) {
    let path = format!("{RECORDS}/{}", list.file_name());
    let listed = manifest.files.iter().filter(|f| list.holds(&f.path));
    let hashes: HashMap<&str, (String, &FilePart)> = listed
        .filter_map(|f| Some((f.path.as_str(), (f.hex(list)?, f))))
        .collect();
    match disk.read_record(&root.join(&path), MANIFEST_BYTES_MAX) {
        Ok(bytes) => {
            if !says_the_same(&String::from_utf8_lossy(&bytes), list, hashes, manifest) {
                let why = "does not say what the manifest says".to_owned();
                findings.push(Finding::Changed(path, why));
            }
        }
        // A destination without copies has no list, and this may be the one.
        Err(e)
            if e.kind() == io::ErrorKind::NotFound
                && (hashes.is_empty() || may_lack_list(manifest)) => {}
        Err(e) if e.kind() == io::ErrorKind::NotFound => findings.push(Finding::Missing(path)),
        Err(e) => findings.push(Finding::Changed(path, failed(Step::Read, &e))),
    }
}

/// Whether every line is one of the manifest's, and every file that is on all destinations has one.
fn says_the_same(
    text: &str,
    list: List,
    mut hashes: HashMap<&str, (String, &FilePart)>,
    manifest: &Manifest,
) -> bool {
    let lines = text.split_terminator('\n');
    let fits = lines.map(|line| list.parse(line)).all(|parsed| {
        parsed.is_some_and(|(hex, name)| {
            hashes
                .remove(name.as_str())
                .is_some_and(|(expected, _)| expected == hex)
        })
    });
    let on_all = |f: &FilePart| f.copies.len() == manifest.destinations.len();
    fits && !hashes.values().any(|(_, file)| on_all(file))
}

/// Whether a destination of the manifest holds no copy at all.
fn may_lack_list(manifest: &Manifest) -> bool {
    let with_copies: HashSet<usize> = manifest
        .files
        .iter()
        .flat_map(|f| &f.copies)
        .map(|c| c.destination)
        .collect();
    with_copies.len() < manifest.destinations.len() || manifest.files.is_empty()
}

/// Every file of the manifest, and those of earlier ones that stand there, as the latest has them.
fn files_to_check<'a>(
    manifest: &'a Manifest,
    earlier: &'a [Manifest],
    standing: &HashMap<String, Result<EntryKind, String>>,
) -> Vec<&'a FilePart> {
    let mut files: Vec<&FilePart> = manifest.files.iter().collect();
    let mut seen: HashSet<&str> = files.iter().map(|f| f.path.as_str()).collect();
    for file in earlier.iter().rev().flat_map(|m| &m.files) {
        if standing.contains_key(&file.path) && seen.insert(&file.path) {
            files.push(file);
        }
    }
    files
}

/// Compares names: what is missing, what is extra, what is litter. Returns what stands there.
fn sort_found(
    manifest: &Manifest,
    earlier: &[Manifest],
    found: Vec<Found>,
    findings: &mut Vec<Finding>,
    litter: &mut Vec<String>,
) -> HashMap<String, Result<EntryKind, String>> {
    let all = || [manifest].into_iter().chain(earlier);
    let files: HashSet<&str> = all()
        .flat_map(|m| &m.files)
        .map(|f| f.path.as_str())
        .collect();
    let folders: HashSet<&str> = all().flat_map(|m| &m.folders).map(String::as_str).collect();
    let mut standing = HashMap::new();
    for entry in found {
        let path = entry.path.to_string_lossy().into_owned();
        if path == RECORDS || path.starts_with(&format!("{RECORDS}/")) {
            continue;
        }
        let is_folder = matches!(&entry.stat, Ok(s) if s.kind == EntryKind::Folder);
        let known = files.contains(path.as_str()) || folders.contains(path.as_str());
        if !known {
            let top = path.split('/').next().unwrap_or(&path);
            let is_litter = why_left_out(path.as_bytes(), is_folder).is_some()
                || why_left_out(top.as_bytes(), true).is_some();
            if is_litter {
                litter.push(path);
            } else if !is_folder || !files.iter().any(|f| f.starts_with(&format!("{path}/"))) {
                let unfinished = is_part_name(path.rsplit('/').next().unwrap_or(&path));
                let shown = if unfinished {
                    format!("{path} (an unfinished part file)")
                } else {
                    path
                };
                findings.push(Finding::Extra(shown));
            }
            continue;
        }
        standing.insert(
            path,
            entry
                .stat
                .map(|s| s.kind)
                .map_err(|e| failed(Step::Look, &e)),
        );
    }
    for folder in &manifest.folders {
        match standing.get(folder) {
            Some(Ok(EntryKind::Folder)) => {}
            Some(_) => findings.push(Finding::Changed(
                folder.clone(),
                "is no longer a folder".to_owned(),
            )),
            None => findings.push(Finding::Missing(folder.clone())),
        }
    }
    standing
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
    standing: &HashMap<String, Result<EntryKind, String>>,
    threads: usize,
    progress: &Progress,
) -> Vec<Checked> {
    let check = |file: &&FilePart| {
        let changed = |why: String| Some(Finding::Changed(file.path.clone(), why));
        let (way, finding) = match standing.get(&file.path) {
            _ if progress.cancel.load(Ordering::Relaxed) => (None, None),
            None => (None, Some(Finding::Missing(file.path.clone()))),
            Some(Err(why)) => (None, changed(why.clone())),
            Some(Ok(EntryKind::Link)) => (
                None,
                changed("is a symbolic link now, which is not followed".to_owned()),
            ),
            Some(Ok(kind)) if *kind != EntryKind::File => {
                (None, changed("is no longer a file".to_owned()))
            }
            Some(Ok(_)) => match hash_file(disk, &root.join(&file.path), file, progress) {
                Ok(Some(read)) => (Some(read.way), read.differs(file).and_then(changed)),
                Ok(None) => (None, None),
                Err(e) => (None, changed(failed(Step::Read, &e))),
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
            return Some(format!("is {} bytes, should be {}", self.bytes, file.bytes));
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
