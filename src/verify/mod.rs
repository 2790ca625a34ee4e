//! Owns the later check of an offload against its manifest: every file is read again from the
//! device; what is missing, changed or extra is told apart. It works wherever the offload lies,
//! and it writes nothing.

pub mod add_generation;
mod answer;
mod content;
mod finding;
mod history;
mod names;
pub mod others;
mod records;
mod renamed;
mod salvaged;
mod stored;
mod tags;

use crate::disk::progress::Progress;
pub use answer::{Findings, VerifyError};
pub use finding::{Finding, FindingCounts, path_of};
pub use records::{Page, Remark, Signature};

use crate::clock::Clock;
use crate::disk::backing::Backing;
use crate::disk::guarded::Guarded;
use crate::disk::{Anchor, Disk, FolderFacts, Sights, TreeKind, settle_all};
use crate::error::{Error, Step};
use crate::record::layout::{Layout, RECORDS};
use crate::record::load::load_any;
use crate::record::manifest::{FilePart, Manifest};
use crate::record::media_hash_list::is_of_history;
use crate::units::len64;
use camino::Utf8Path;
use content::{CheckedFile, check_files, least_reliable};
use finding::unfinished_or;
use names::{
    KnownEntries, NameCheck, UnknownFile, files_to_check, is_extra, look_at_names, lying_here,
};
use renamed::{find_renamed, put_together};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::atomic::Ordering;

/// Threads that read from one solid-state device.
const THREADS: usize = 4;

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
        .walk(root, TreeKind::Card)
        .map_err(|e| VerifyError::Io(Error::new(Step::List, root, e)))?;
    let sights = Sights::of(&found, &facts.filesystem);
    let NameCheck {
        earlier,
        standing,
        mut findings,
        extra,
        mut litter,
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
    let to_read = (files.as_slice(), extra.as_slice());
    let (mut checked, renamed) = read_all(disk, &tree, to_read, &standing, threads, progress);
    let touched = changed_meanwhile(&looking, root, &sights, &facts, progress)?;
    let read = (files.as_slice(), checked.as_mut_slice(), renamed);
    note(touched, layout, read, &mut findings);
    litter.retain(|path| !is_found_at(&findings, path));
    let salvaged = salvaged::check(disk, root, &mut findings, progress);
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
        salvaged,
        remarks,
        signature,
        in_memory: facts.backing == Backing::Memory,
        facts,
        took: clock.elapsed().saturating_sub(start),
        interrupted: progress.cancel.load(Ordering::Relaxed),
        manifest,
    })
}

/// Whether a file of the offload was found there.
fn is_found_at(findings: &[Finding], path: &str) -> bool {
    let mut findings = findings.iter();
    findings.any(|finding| matches!(finding, Finding::Moved(_, to) if to == path))
}

/// Holds the offload until all is looked at.
fn hold(disk: &dyn Disk, root: &Utf8Path) -> Result<(FolderFacts, Anchor), VerifyError> {
    let look = |e| VerifyError::Io(Error::new(Step::Look, root, e));
    let facts = disk.facts(root).map_err(look)?;
    let held = disk.anchor(root, &facts).map_err(look)?;
    // Another program may have made this copy just now.
    let settled = settle_all(disk, Utf8Path::new(&facts.canonical), &facts);
    settled.map_err(|e| {
        // Whoever may not read a folder may not flush it either.
        let step = if e.kind() == std::io::ErrorKind::PermissionDenied {
            Step::List
        } else {
            Step::Flush
        };
        VerifyError::Io(Error::new(step, root, e))
    })?;
    Ok((facts, held))
}

/// A spinning disk is read by one.
pub(crate) fn threads_for(facts: &FolderFacts) -> usize {
    if facts.rotational == Some(true) {
        1
    } else {
        THREADS
    }
}

/// What is said of a file that was read, or looked at, and then written to, replaced or taken away.
const MEANWHILE: &str = "was changed or removed while this was checked";

/// Returns what is no longer as it was when this began, and what came since: reading takes its
/// time, and somebody may have been there.
fn changed_meanwhile(
    disk: &dyn Disk,
    root: &Utf8Path,
    then: &Sights,
    facts: &FolderFacts,
    progress: &Progress,
) -> Result<(BTreeSet<String>, BTreeSet<String>), VerifyError> {
    if progress.cancel.load(Ordering::Relaxed) {
        return Ok(<_>::default());
    }
    let now = disk.walk(root, TreeKind::Card);
    let now = now.map_err(|e| VerifyError::Io(Error::new(Step::List, root, e)))?;
    let now = Sights::of(&now, &facts.filesystem);
    let changed = then.not_in(&now);
    let came = now.not_in(then).into_iter();
    let came = came.filter(|path| !changed.contains(path)).collect();
    Ok((changed, came))
}

/// Missing files that are whole under another name, and where.
type Renamed = Vec<(String, String)>;

/// Reads the files of the manifest, and of what is extra what may be one of those that are missing.
fn read_all(
    disk: &dyn Disk,
    tree: &Utf8Path,
    (files, extra): (&[&FilePart], &[UnknownFile]),
    standing: &KnownEntries,
    threads: usize,
    progress: &Progress,
) -> (Vec<CheckedFile>, Renamed) {
    let checked = check_files(disk, tree, files, standing, threads, progress);
    let missing = files.iter().zip(&checked);
    let missing = missing.filter(|(_, c)| matches!(c.finding, Some(Finding::Missing(_))));
    let missing: Vec<&FilePart> = missing.map(|(file, _)| *file).collect();
    let renamed = find_renamed(disk, tree, (&missing, extra), progress);
    (checked, renamed)
}

/// Notes of each file and record with which nothing was wrong that it is not the same any more, and
/// takes what the files came to among the findings.
fn note(
    (meanwhile, came): (BTreeSet<String>, BTreeSet<String>),
    layout: Layout,
    (files, checked, renamed): (&[&FilePart], &mut [CheckedFile], Renamed),
    findings: &mut Vec<Finding>,
) {
    let changed = |path: &str| Finding::Changed(path.to_owned(), MEANWHILE.to_owned());
    for (c, file) in checked.iter_mut().zip(files) {
        if c.finding.is_none() && meanwhile.contains(&layout.outside(&file.path)) {
            c.finding = Some(changed(&file.path));
        }
    }
    // What lies there of the card's own is told already.
    let is_file = |path: &str| files.iter().any(|file| layout.outside(&file.path) == path);
    let is_record = |path: &&String| {
        let is_history = is_of_history(path) && !is_file(path);
        Path::new(path).starts_with(RECORDS) || (layout == Layout::Plain && is_history)
    };
    for path in meanwhile.iter().filter(is_record) {
        if !findings.iter().any(|told| path_of(told) == path) {
            findings.push(changed(path));
        }
    }
    let of_files = checked.iter().filter_map(|c| c.finding.clone());
    findings.extend(of_files.map(|f| f.outside(layout)));
    let outside = |(from, to): (String, String)| (layout.outside(&from), layout.outside(&to));
    let renamed: Renamed = renamed.into_iter().map(outside).collect();
    // What was touched since is not believed.
    let stays = |(_, to): &(String, String)| !meanwhile.contains(to);
    put_together(findings, renamed.into_iter().filter(stays).collect());
    let came = came.into_iter().filter(|path| is_extra(layout, path));
    findings.extend(came.map(|path| Finding::Extra(unfinished_or(path))));
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
