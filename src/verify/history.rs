//! Owns the check of an offload's media hash list: its chain and generations are whole, and say
//! of each file what the manifests say. The files themselves are held against the manifest.

use super::finding::Finding;
use super::records::Remark;
use crate::card::left_out::came_later;
use crate::disk::Disk;
use crate::hash_algorithm::checksum::Checksum;
use crate::hash_algorithm::{Also, sha512_of_c4};
use crate::name::shown;
use crate::record::manifest::{FilePart, Manifest};
use crate::record::media_hash_list::{HistoryError, StandingHistory, is_of_history, load_history};
use crate::record::others::mhl::{MHL_CHAIN, MHL_FOLDER};
use crate::record::others::{ChainFault, Claims, FileClaim};
use camino::Utf8Path;
use std::collections::{BTreeSet, HashMap, HashSet};

/// What was found of a media hash list.
#[derive(Debug, Default)]
pub(super) struct CheckedHistory {
    pub(super) findings: Vec<Finding>,
    pub(super) litter: Vec<String>,
    pub(super) remarks: BTreeSet<Remark>,
}

/// Whether the folder of this name is a record: where the card had one, it is the card's.
pub(super) fn is_record<'a>(manifests: impl IntoIterator<Item = &'a Manifest>) -> bool {
    let is_of_card = |m: &Manifest| {
        let files = m.files.iter().map(|f| &*f.path);
        let mut all = files.chain(m.folders.iter().map(String::as_str));
        all.any(is_of_history)
    };
    !manifests.into_iter().any(is_of_card)
}

/// Checks the media hash list of the offload at `root`.
pub(super) fn check(
    disk: &dyn Disk,
    root: &Utf8Path,
    manifest: &Manifest,
    earlier: &[Manifest],
) -> CheckedHistory {
    let mut checked = CheckedHistory::default();
    let at = |name: &str| format!("{MHL_FOLDER}/{name}");
    let standing = match load_history(disk, root) {
        Ok(standing) => standing.unwrap_or_default(),
        Err(HistoryError::Io(error)) => {
            let finding = Finding::of_failure(MHL_FOLDER.to_owned(), error.step, &error.cause);
            checked.findings.push(finding);
            return checked;
        }
        Err(why) => {
            let finding = Finding::Changed(MHL_FOLDER.to_owned(), why.to_string());
            checked.findings.push(finding);
            return checked;
        }
    };
    let is_cut_short = standing.is_cut_short();
    checked
        .remarks
        .extend(is_cut_short.then_some(Remark::CutShort));
    if let Err(why) = standing.check_strays() {
        let finding = Finding::Changed(MHL_FOLDER.to_owned(), why.to_string());
        checked.findings.push(finding);
    }
    for name in &standing.others {
        if came_later(name, false) {
            checked.litter.push(at(name));
        } else {
            checked.findings.push(Finding::Extra(at(name)));
        }
    }
    if standing.entries.is_empty() {
        let finding = match standing.fault {
            None | Some(ChainFault::Missing) => {
                must_have(manifest).then(|| Finding::Missing(at(MHL_CHAIN)))
            }
            Some(_) => {
                let why = standing.broken().to_string();
                Some(Finding::Changed(MHL_FOLDER.to_owned(), why))
            }
        };
        checked.findings.extend(finding);
        return checked;
    }
    if let Some(why) = differs(&standing, manifest, earlier) {
        checked
            .findings
            .push(Finding::Changed(MHL_FOLDER.to_owned(), why));
    }
    checked
}

/// A drive on which no file is in this offload has none, and the one at hand may be that.
fn must_have(manifest: &Manifest) -> bool {
    let mut drives = 0..manifest.destinations.len();
    manifest.mhl.is_some() && drives.all(|d| read_back_on(manifest, d).next().is_some())
}

fn read_back_on(manifest: &Manifest, drive: usize) -> impl Iterator<Item = &FilePart> {
    manifest.files_on(drive).filter(move |f| {
        let mut copies = f.copies.iter();
        copies.any(|c| c.destination == drive && c.proof.is_read_back())
    })
}

/// How a history differs from what the manifests say.
fn differs(
    standing: &StandingHistory,
    manifest: &Manifest,
    earlier: &[Manifest],
) -> Option<String> {
    let mut claims = Claims::default();
    if let Err(why) = standing.history.claims(&mut claims) {
        return Some(HistoryError::of(MHL_CHAIN, why).to_string());
    }
    let claims = claims.into_sorted();
    let mut parts: HashMap<&str, &FilePart> = HashMap::new();
    for one in earlier.iter().chain([manifest]) {
        parts.extend(one.files.iter().map(|f| (&*f.path, f)));
    }
    // Where files were moved, and back, the list may have them under the names between.
    let contents = contents(standing, &parts);
    let is_moved = |claim: &FileClaim| {
        let mut sums = claim.sums.iter().filter(|_| claim.bytes != Some(0));
        sums.any(|sum| contents.contains_key(&*sum.hex))
    };
    let mut elsewhere: HashSet<&str> = HashSet::new();
    for (name, claim) in &claims {
        let part = parts.get(name.as_str());
        if part.is_some_and(|part| agrees(claim, part)) {
            continue;
        }
        let moved = claim.sums.iter().filter_map(|sum| contents.get(&*sum.hex));
        elsewhere.extend(moved.flatten().copied());
        if part.is_some() && !is_moved(claim) {
            return Some(format!("does not say of `{name}` what the manifest says"));
        }
    }
    let mut named: HashSet<&str> = claims.iter().map(|(name, _)| name.as_str()).collect();
    named.extend(elsewhere);
    // Which drive this is can't be told when the offload was moved.
    let lacks = |drive: usize| {
        let mut files = read_back_on(manifest, drive);
        files.find(|f| !named.contains(&*f.path))
    };
    let mut lacking = (0..manifest.destinations.len()).map(lacks);
    let first = manifest.mhl.as_ref().and_then(|_| {
        let first = lacking.next()??;
        lacking.all(|lacks| lacks.is_some()).then_some(first)
    })?;
    Some(format!("does not name `{}`", shown(&first.path)))
}

/// Files by their hashes as a history has them; none where no file of it ever had another name.
fn contents<'m>(
    standing: &StandingHistory,
    parts: &HashMap<&'m str, &'m FilePart>,
) -> HashMap<String, Vec<&'m str>> {
    let mut contents: HashMap<String, Vec<&str>> = HashMap::new();
    if standing.history.has_moved() {
        for (path, part) in parts {
            for kind in part.also.kinds().iter() {
                let sum = part.also.get(kind);
                let hex = match kind {
                    Also::C4 => sum.and_then(sha512_of_c4),
                    _ => sum.map(str::to_owned),
                };
                contents
                    .entry(hex.unwrap_or_default())
                    .or_default()
                    .push(path);
            }
        }
    }
    contents
}

fn agrees(claim: &FileClaim, part: &FilePart) -> bool {
    let is_equal = |kind: &Checksum, hex: &str| match kind {
        Checksum::Also(Also::Sha512) => {
            let c4 = part.also.get(Also::C4).and_then(sha512_of_c4);
            c4.is_none_or(|own| own == hex)
        }
        Checksum::Also(kind) => part.also.get(*kind).is_none_or(|own| own == hex),
        _ => true,
    };
    let mut sums = claim.sums.iter();
    claim.bytes.is_none_or(|bytes| bytes == part.bytes)
        && sums.all(|sum| sum.kinds.iter().all(|kind| is_equal(kind, &sum.hex)))
}
