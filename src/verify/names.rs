//! Owns the look at every name that stands in an offload: what is missing, extra or litter before
//! any file of it is read, in the records folder, beside a bag's payload and in the card's tree.

use super::finding::{Finding, path_of, unfinished_or};
use super::history;
use super::records::{self, Page, Remark, Signature};
use super::tags::Bag;
use crate::card::left_out::{came_later, is_in_trash};
use crate::disk::{Disk, EntryKind, WalkEntry};
use crate::error::Step;
use crate::name::{is_part_name, part_name};
use crate::record::layout::{DATA, Layout, RECORDS, TAG_FILES};
use crate::record::load::Signed;
use crate::record::manifest::{FilePart, Manifest};
use crate::record::media_hash_list::is_of_history;
use camino::Utf8Path;
use std::collections::{BTreeSet, HashMap, HashSet};
use std::path::Path;

/// What stands in the card's tree and is known, by the card's path.
pub(super) type KnownEntries = HashMap<String, Result<EntryKind, Finding>>;

/// An extra file by the card's path.
pub(super) struct UnknownFile {
    pub(super) path: String,
    pub(super) bytes: u64,
}

/// What is to be said of an offload before its files are read.
pub(super) struct NameCheck {
    /// The manifests of earlier runs, oldest first.
    pub(super) earlier: Vec<Manifest>,
    /// What stands in the card's tree and is known, by the card's path.
    pub(super) standing: KnownEntries,
    pub(super) findings: Vec<Finding>,
    /// Files of the card's tree that no record names.
    pub(super) extra: Vec<UnknownFile>,
    pub(super) litter: Vec<String>,
    pub(super) signature: Signature,
    pub(super) remarks: BTreeSet<Remark>,
}

/// Checks the records, the tag files of a bag, and every name that stands there.
pub(super) fn look_at_names(
    disk: &dyn Disk,
    root: &Utf8Path,
    manifest: &Manifest,
    checked: (bool, Signed),
    found: Vec<WalkEntry>,
    page: Page,
) -> NameCheck {
    let layout = manifest.offload.layout;
    let (in_records, unseen, found) = split_records(found);
    let records::CheckedRecords {
        earlier,
        mut findings,
        mut litter,
        signature,
        mut remarks,
    } = records::check(disk, root, manifest, checked, &in_records, page);
    findings.extend(unseen);
    let is_history = history::is_record([manifest].into_iter().chain(&earlier));
    let found = match layout {
        Layout::Plain if is_history => {
            let (is_there, rest) = split_history(found);
            if is_there || manifest.mhl.is_some() {
                let checked = history::check(disk, root, manifest, &earlier);
                findings.extend(checked.findings);
                litter.extend(checked.litter);
                remarks.extend(checked.remarks);
            }
            rest
        }
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
    let extra = found.iter().filter_map(extra_file).collect();
    let standing = sort_found(manifest, &earlier, found, &mut of_tree, &mut litter_of_tree);
    let extra = only_extra(extra, &of_tree, &litter_of_tree);
    if layout == Layout::Bag && !litter_of_tree.is_empty() {
        remarks.insert(Remark::LitterInBag);
    }
    litter.extend(litter_of_tree.iter().map(|path| layout.outside(path)));
    findings.extend(of_tree.into_iter().map(|f| f.outside(layout)));
    NameCheck {
        earlier,
        standing,
        findings,
        extra,
        litter,
        signature,
        remarks,
    }
}

/// A file that may be extra; a part that is not finished is no file of anybody's.
fn extra_file(entry: &WalkEntry) -> Option<UnknownFile> {
    let (path, stat) = (entry.path.to_str()?, entry.stat.as_ref().ok()?);
    let is_part = is_part_name(path.rsplit('/').next().unwrap_or(path));
    (stat.kind == EntryKind::File && !is_part).then(|| UnknownFile {
        path: path.to_owned(),
        bytes: stat.bytes,
    })
}

/// Files that no record names; of what computers put there those in a Trash, which may be of the
/// offload.
fn only_extra(
    files: Vec<UnknownFile>,
    findings: &[Finding],
    litter: &[String],
) -> Vec<UnknownFile> {
    let in_trash = litter.iter().filter(|path| is_in_trash(path));
    let in_trash: HashSet<&str> = in_trash.map(String::as_str).collect();
    let extra = findings.iter().filter(|f| matches!(f, Finding::Extra(_)));
    let extra: HashSet<&str> = extra.map(path_of).collect();
    let is_extra = |file: &UnknownFile| {
        extra.contains(file.path.as_str()) || in_trash.contains(file.path.as_str())
    };
    files.into_iter().filter(is_extra).collect()
}

/// The files that lie in this offload's own tree.
pub(super) fn lying_here(manifest: &Manifest) -> impl Iterator<Item = &FilePart> {
    manifest.files.iter().filter(|f| !f.is_elsewhere())
}

/// Every file of the manifest, and those of earlier ones that stand there, as the latest has them.
pub(super) fn files_to_check<'a>(
    manifest: &'a Manifest,
    earlier: &'a [Manifest],
    standing: &KnownEntries,
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
fn split_records(found: Vec<WalkEntry>) -> (Vec<String>, Vec<Finding>, Vec<WalkEntry>) {
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

/// Takes out what stands in the folder of a media hash list; the first value says whether there is
/// anything.
fn split_history(found: Vec<WalkEntry>) -> (bool, Vec<WalkEntry>) {
    let all = found.len();
    let mut rest = found;
    rest.retain(|entry| !is_of_history(&entry.path.to_string_lossy()));
    (rest.len() < all, rest)
}

/// Splits what stands in a bag into its payload, relative to that, and what lies beside it.
fn split_bag(found: Vec<WalkEntry>) -> (Vec<WalkEntry>, Vec<WalkEntry>) {
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

/// Whether a file that came while an offload was read is extra: its records look after themselves.
pub(super) fn is_extra(layout: Layout, path: &str) -> bool {
    let is_tag = layout == Layout::Bag && TAG_FILES.contains(&path);
    let is_record = is_tag || Path::new(path).starts_with(RECORDS);
    !is_record && !came_later(layout.inside(path).unwrap_or(path), false)
}

/// Tells what lies beside the payload and is no tag file.
fn check_beside(
    beside: Vec<WalkEntry>,
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
fn files_in(found: &[WalkEntry]) -> HashSet<String> {
    let is_file = |f: &&WalkEntry| matches!(&f.stat, Ok(s) if s.kind == EntryKind::File);
    let files = found.iter().filter(is_file);
    files
        .filter_map(|f| Some(f.path.to_str()?.to_owned()))
        .collect()
}

/// The folders on the way to a file, from the root down.
fn folders_above(path: &str) -> impl Iterator<Item = &str> {
    path.match_indices('/').filter_map(|(at, _)| path.get(..at))
}

/// Compares names: what is missing, what is extra, what is litter. Returns what stands there.
fn sort_found(
    manifest: &Manifest,
    earlier: &[Manifest],
    found: Vec<WalkEntry>,
    findings: &mut Vec<Finding>,
    litter: &mut Vec<String>,
) -> KnownEntries {
    let all = || [manifest].into_iter().chain(earlier);
    let files: HashSet<&str> = all().flat_map(lying_here).map(|f| &*f.path).collect();
    let folders: HashSet<&str> = all().flat_map(|m| &m.folders).map(String::as_str).collect();
    let parents: HashSet<&str> = files.iter().flat_map(|f| folders_above(f)).collect();
    let mut standing: KnownEntries = HashMap::new();
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
pub(super) fn absent(path: &str, standing: &KnownEntries) -> Finding {
    let mut above = folders_above(path).filter_map(|folder| standing.get(folder));
    let unseen = above.find_map(|kind| kind.as_ref().err());
    unseen.map_or_else(
        || Finding::Missing(path.to_owned()),
        |finding| finding.of_below(path),
    )
}
