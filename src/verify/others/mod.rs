//! Owns the check of a folder against the lists that others left in it: bags, media hash lists and
//! checksum lists. Every file is read once from its device, with every hash that a list has of it.
//! It writes nothing, and looks at nothing outside of the folder but a list that was given.

mod answer;
pub(super) mod files;
mod histories;
mod lines;
mod moved;
mod no_generation;
mod read;
mod standing;
mod unlike_folders;

pub use answer::{EQUAL_NAMED, LIST_WORTH, OthersError, OthersFindings, RecordKind, RecordRead};
pub use no_generation::NoGeneration;
pub use standing::has_list;

use super::finding::{Finding, path_of};
use super::{MEANWHILE, changed_meanwhile, hold, threads_for};
use crate::clock::Clock;
use crate::disk::backing::Backing;
use crate::disk::guarded::Guarded;
use crate::disk::progress::Progress;
use crate::disk::{Disk, ReadBackWay, Sights, TreeKind};
use crate::error::{Error, Step};
use crate::name::CardName;
use crate::record::media_hash_list::UnlikeFolder;
use crate::record::others::FileClaim;
use crate::units::len64;
use camino::{Utf8Path, Utf8PathBuf};
use files::{Compared, compare};
use moved::{Absent, moved};
use rayon::prelude::*;
use read::{read_list, read_records};
use standing::{FoundAt, Scope, StandingFiles};
use std::collections::{BTreeSet, HashSet};
use std::sync::atomic::Ordering;
use unlike_folders::unlike_here;

/// Lists below a folder that are named where it has no record itself.
const BELOW_SHOWN: usize = 3;

/// Checks the folder `root` against every record that stands in it, or against `list` alone. What
/// is in the offloads `apart` below it and in no list is not extra, but in a bag: whoever calls
/// checks them by their own manifests.
///
/// # Errors
/// When there is no record, one cannot be relied on, or the folder cannot be listed.
pub fn verify_others(
    disk: &dyn Disk,
    clock: &dyn Clock,
    root: &Utf8Path,
    list: Option<&Utf8Path>,
    apart: &[Utf8PathBuf],
    progress: &Progress,
) -> Result<OthersFindings, OthersError> {
    let start = clock.elapsed();
    let looking = Guarded::until(disk, &progress.cancel);
    let (facts, _held) = hold(&looking, root)?;
    let listing = |e| OthersError::Io(Error::new(Step::List, root, e));
    let found = looking.walk(root, TreeKind::Card).map_err(listing)?;
    let said = match list {
        Some(list) => Some(read_list(disk, list, &facts, progress)?),
        None => read_records(disk, root, &found, progress)?,
    };
    let Some(mut said) = said else {
        let below = standing::lists_in(&found, BELOW_SHOWN);
        return Err(OthersError::NoRecord(below));
    };
    let below = apart.iter().filter_map(|at| at.strip_prefix(root).ok());
    said.scope.apart = below.map(|at| format!("{at}/")).collect();
    let sights = Sights::of(&found, &facts.filesystem);
    let mut check = OthersCheck {
        disk,
        root,
        progress,
        standing: StandingFiles::of(found),
        findings: said.findings,
        equal: Vec::new(),
    };
    let claims = said.claims.into_sorted();
    let named = len64(claims.len());
    let places = check.standing.places(&claims, &said.scope);
    check.folders(&said.folders);
    check.files(&claims, &places, &said.to_fetch, threads_for(&facts));
    check.moved(&claims, &places);
    check.payload_count(said.oxum);
    let (meanwhile, came) = changed_meanwhile(&looking, root, &sights, &facts, progress)?;
    let (mut findings, equal) = check.after(&meanwhile, &said.scope);
    let came = came.into_iter().filter(|path| said.scope.is_extra(path));
    findings.extend(came.map(Finding::Extra));
    check.unlike(said.unlike, &said.scope, &mut findings, &equal);
    findings.sort_by(|a, b| path_of(a).cmp(path_of(b)));
    Ok(OthersFindings {
        named,
        equal: len64(equal.len()),
        equal_bytes: equal.iter().map(|e| e.bytes).sum(),
        equal_files: named_first(&equal),
        way: equal
            .iter()
            .map(|e| e.way)
            .min()
            .unwrap_or(ReadBackWay::None),
        records: said.records,
        unused: said.unused,
        findings,
        left_out: check.standing.left_out,
        litter: check.standing.litter,
        added: None,
        signature: None,
        cut_short: said.cut_short,
        in_memory: facts.backing == Backing::Memory,
        facts,
        took: clock.elapsed().saturating_sub(start),
        interrupted: progress.cancel.load(Ordering::Relaxed),
    })
}

/// A file that is what every record says.
struct EqualFile {
    path: String,
    bytes: u64,
    way: ReadBackWay,
}

fn named_first(equal: &[EqualFile]) -> Vec<(String, u64)> {
    let first = equal.iter().take(EQUAL_NAMED);
    first.map(|e| (e.path.clone(), e.bytes)).collect()
}

struct OthersCheck<'a> {
    disk: &'a dyn Disk,
    root: &'a Utf8Path,
    progress: &'a Progress,
    standing: StandingFiles,
    findings: Vec<Finding>,
    equal: Vec<EqualFile>,
}

type NamedFile = (CardName, FileClaim);

impl OthersCheck<'_> {
    /// Holds what stands in a bag's payload against the bag's own count. What is told already says
    /// why they differ.
    fn payload_count(&mut self, oxum: Option<(u64, u64)>) {
        let Some((bytes, files)) = oxum.filter(|_| self.findings.is_empty()) else {
            return;
        };
        let (is_bytes, is_files) = self.standing.payload();
        if (is_bytes, is_files) != (bytes, files) {
            let why = format!(
                "says {bytes} bytes in {files} files (Payload-Oxum); {is_bytes} in {is_files} are \
                there"
            );
            let finding = Finding::Changed("bag-info.txt".to_owned(), why);
            self.findings.push(finding);
        }
    }

    /// Takes what was found, and of that what was changed meanwhile apart.
    fn after(
        &mut self,
        meanwhile: &BTreeSet<String>,
        scope: &Scope,
    ) -> (Vec<Finding>, Vec<EqualFile>) {
        let is_changed = |path: &str| meanwhile.contains(path);
        let (gone, equal): (Vec<_>, Vec<_>) = std::mem::take(&mut self.equal)
            .into_iter()
            .partition(|e| is_changed(&e.path));
        let mut findings = std::mem::take(&mut self.findings);
        // What was whole under another name, and was touched since, is not believed.
        for finding in &mut findings {
            if let Finding::Moved(from, to) = finding
                && is_changed(to)
            {
                *finding = Finding::Missing(std::mem::take(from));
            }
        }
        let changed = |path: String| Finding::Changed(path, MEANWHILE.to_owned());
        findings.extend(gone.into_iter().map(|e| changed(e.path)));
        let lists = scope.own.iter().filter(|name| is_changed(name));
        findings.extend(lists.map(|name| changed(name.clone())));
        (findings, equal)
    }

    /// Folders that are not what their hash says.
    fn unlike(
        &self,
        unlike: Vec<UnlikeFolder>,
        scope: &Scope,
        findings: &mut Vec<Finding>,
        equal: &[EqualFile],
    ) {
        if unlike.is_empty() {
            return;
        }
        let equal: HashSet<&str> = equal.iter().map(|e| e.path.as_str()).collect();
        let more = self.standing.more_than(&equal, scope);
        let unlike = unlike_here(unlike, &equal, findings, more);
        findings.extend(unlike);
    }

    /// Folders that a history has: an empty one has no file that would be missed.
    fn folders(&mut self, folders: &BTreeSet<String>) {
        let missing = folders.iter().filter(|f| !self.standing.is_folder(f));
        let missing = missing.map(|folder| Finding::Missing(format!("{folder}/")));
        self.findings.extend(missing);
    }

    fn files(
        &mut self,
        claims: &[NamedFile],
        places: &[FoundAt],
        to_fetch: &HashSet<String>,
        threads: usize,
    ) {
        let bytes = places.iter().map(FoundAt::bytes).sum();
        let total = &self.progress.bytes_total;
        total.fetch_add(bytes, Ordering::Relaxed);
        let check = |(named, place): (&NamedFile, &FoundAt)| {
            let (name, claim) = named;
            match place {
                FoundAt::File { path, .. } => {
                    compare(self.disk, &self.root.join(path), name, claim, self.progress)
                }
                FoundAt::Missing if to_fetch.contains(name.as_str()) => {
                    let why = "is to be fetched from elsewhere (`fetch.txt`), and is not here";
                    let path = name.as_str().to_owned();
                    Compared::Not(Finding::Unchecked(path, why.to_owned()))
                }
                FoundAt::Missing => Compared::Not(Finding::Missing(name.as_str().to_owned())),
                FoundAt::Not(finding) => Compared::Not(finding.clone()),
            }
        };
        let all = claims.par_iter().zip(places.par_iter()).with_max_len(1);
        let compared: Vec<Compared> =
            match rayon::ThreadPoolBuilder::new().num_threads(threads).build() {
                // One after the other per thread keeps a drive's reads near each other.
                Ok(pool) => pool.install(|| all.map(check).collect()),
                Err(_) => claims.iter().zip(places).map(check).collect(),
            };
        for (compared, place) in compared.into_iter().zip(places) {
            match (compared, place) {
                (Compared::Equal(bytes, way), FoundAt::File { path, .. }) => {
                    let path = path.clone();
                    self.equal.push(EqualFile { path, bytes, way });
                }
                (Compared::Not(finding), _) => self.findings.push(finding),
                (Compared::Stopped | Compared::Equal(..), _) => {}
            }
        }
    }

    /// Tells what is extra, and of that what is only elsewhere.
    fn moved(&mut self, claims: &[NamedFile], places: &[FoundAt]) {
        let absent: Vec<Absent<'_>> = claims
            .iter()
            .zip(places)
            .filter(|(_, place)| matches!(place, FoundAt::Missing))
            .map(|((name, claim), _)| Absent {
                path: name.as_str(),
                claim,
            })
            .collect();
        // What was not looked for is not known to be extra.
        if self.progress.cancel.load(Ordering::Relaxed) {
            return;
        }
        let extra = self.standing.extra_files();
        let pairs = moved(self.disk, self.root, &absent, &extra, self.progress);
        let mut found = Vec::new();
        for (from, to) in pairs {
            if let (Some(from), Some(to)) = (absent.get(from), extra.get(to)) {
                found.push((from.path.to_owned(), to.path.to_owned()));
            }
        }
        let from: HashSet<&str> = found.iter().map(|(from, _)| from.as_str()).collect();
        let is_told = |f: &Finding| {
            matches!(f, Finding::Missing(path) | Finding::Unchecked(path, _)
                if from.contains(path.as_str()))
        };
        self.findings.retain(|f| !is_told(f));
        let to: HashSet<&str> = found.iter().map(|(_, to)| to.as_str()).collect();
        self.standing
            .litter
            .retain(|path| !to.contains(path.as_str()));
        let extra = self.standing.extra(|path| to.contains(path));
        self.findings.extend(extra);
        let moved = found.into_iter().map(|(from, to)| Finding::Moved(from, to));
        self.findings.extend(moved);
    }
}
