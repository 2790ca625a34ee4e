//! Owns the next generation of a media hash list after a check of its folder, the one thing that
//! `verify` ever writes, and only when it was asked for.

use super::finding::{Finding, path_of};
use super::others::files::sums_of;
use super::others::{NoGeneration, OthersError, OthersFindings, verify_others};
use crate::card::left_out::came_later;
use crate::clock::{Clock, rfc3339};
use crate::disk::progress::Progress;
use crate::disk::{Claim, Disk, EntryKind, Stamp, TreeKind, WalkEntry};
use crate::error::{Error, Problem, Step, failed};
use crate::hash_algorithm::checksum::Checksum;
use crate::hash_algorithm::{Also, AlsoSet, c4_of_hex};
use crate::name::CardName;
use crate::record::layout::{BAGIT, RECORDS};
use crate::record::load::load;
use crate::record::manifest::Manifest;
use crate::record::media_hash_list::{
    HistoryError, MhlDraft, MhlFile, MhlProcess, StandingHistory, can_hold, is_in_history,
    is_of_history, load_history, next_generation,
};
use crate::record::others::mhl::{MHL_CHAIN, MHL_FOLDER, MhlAction, is_ignored};
use crate::record::others::{Claims, FileClaim};
use crate::record::store;
use camino::Utf8Path;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::io;

/// Checks a folder against its lists and adds a generation to its media hash list: what was
/// checked is `verified` or `failed`, what is new `original`.
///
/// # Errors
/// Why that can't be; or as [`verify_others`].
pub fn verify_and_add(
    disk: &dyn Disk,
    clock: &dyn Clock,
    root: &Utf8Path,
    host: &str,
    progress: &Progress,
) -> Result<OthersFindings, OthersError> {
    let started = rfc3339(clock.now());
    let (standing, _claim) = may_add(disk, root).map_err(OthersError::NoGeneration)?;
    let mut findings = verify_others(disk, clock, root, None, &[], progress)?;
    if findings.interrupted {
        return Ok(findings);
    }
    let adding = Adding {
        disk,
        root,
        progress,
        standing: &standing,
    };
    let added = if findings.reached_device() {
        adding.add(&findings, clock, host, &started)
    } else {
        Err("what was read may have come from memory".to_owned())
    };
    findings.added = Some(added);
    Ok(findings)
}

/// The history that may get a further generation, held against other runs.
fn may_add(disk: &dyn Disk, root: &Utf8Path) -> Result<(StandingHistory, Claim), NoGeneration> {
    let look = |e| NoGeneration::Io(Error::new(Step::Look, root, e));
    let facts = disk.facts(root).map_err(look)?;
    let stands = |name: &str| disk.look(&root.join(name)).map_err(look);
    if stands(BAGIT)?.is_some() {
        return Err(NoGeneration::Bag);
    }
    let standing = load_history(disk, root)?.ok_or(NoGeneration::NoHistory)?;
    if let Some(stray) = standing.strays.first() {
        return Err(HistoryError::Stray(stray.name.clone()).into());
    }
    if standing.entries.is_empty() {
        return Err(NoGeneration::NoHistory);
    }
    if facts.read_only {
        return Err(NoGeneration::ReadOnly);
    }
    let mut claim = None;
    if stands(RECORDS)?.is_some() {
        claim = disk
            .claim(&root.join(RECORDS))
            .map_err(|e| match e.kind() {
                io::ErrorKind::WouldBlock => NoGeneration::AtWork,
                _ => look(e),
            })?;
        let manifest = load(disk, root).ok();
        let of_card = |m: &Manifest| m.files.iter().any(|file| is_of_history(&file.path));
        if manifest.is_some_and(|(manifest, _)| of_card(&manifest)) {
            return Err(NoGeneration::OfCard);
        }
    }
    let found = disk.walk(root, TreeKind::Card).map_err(look)?;
    let mut paths = found.iter().filter_map(|entry| entry.path.to_str());
    let below = paths.find(|path| is_in_history(path) && !is_of_history(path));
    match below {
        Some(path) => Err(NoGeneration::Below(path.to_owned())),
        None => Ok((standing, claim)),
    }
}

struct Adding<'a> {
    disk: &'a dyn Disk,
    root: &'a Utf8Path,
    progress: &'a Progress,
    standing: &'a StandingHistory,
}

/// What stands in the folder and is to be listed.
#[derive(Default)]
struct Listed {
    files: BTreeSet<String>,
    folders: BTreeSet<String>,
    /// Something is there that no list can hold, or that could not be looked at.
    has_more: bool,
}

impl Adding<'_> {
    /// Writes the next generation; returns its path.
    fn add(
        &self,
        findings: &OthersFindings,
        clock: &dyn Clock,
        host: &str,
        started: &str,
    ) -> Result<String, String> {
        let mut claims = Claims::default();
        let said = self.standing.history.claims(&mut claims);
        said.map_err(|why| HistoryError::of(MHL_CHAIN, why).to_string())?;
        let ignore = self.patterns();
        let found = self.disk.walk(self.root, TreeKind::Card);
        let listed = listed(found.map_err(|e| failed(Step::List, &e))?, &ignore);
        let moved: BTreeMap<&str, &str> = findings.findings.iter().filter_map(moved_from).collect();
        let doubtful: HashSet<&str> = findings.findings.iter().map(path_of).collect();
        let kinds = self.kinds();
        let mut files = Vec::new();
        let mut is_whole = !listed.has_more;
        for path in &listed.files {
            let from = moved.get(path.as_str()).copied();
            let name = CardName::parse(from.unwrap_or(path)).ok();
            let claim = name.as_ref().and_then(|name| claims.get(name));
            let is_sure = from.is_some() || !doubtful.contains(path.as_str());
            match self.file(path, claim, is_sure, kinds)? {
                Some(file) => files.push(MhlFile {
                    previous: from,
                    ..file
                }),
                None => is_whole = false,
            }
        }
        if files.is_empty() {
            return Err("there is no file to list".to_owned());
        }
        let of_file = |file: &MhlFile<'_>| file.hashes.iter().map(|(kind, _)| *kind).collect();
        let all: AlsoSet = files
            .iter()
            .map(of_file)
            .fold(AlsoSet::of_media_hash_lists(), |all, own: AlsoSet| {
                all.and(own)
            });
        let created = rfc3339(clock.now());
        let folder = Utf8Path::new(&findings.facts.canonical);
        let draft = MhlDraft {
            folder: folder.file_name().unwrap_or("root"),
            started,
            created: &created,
            host,
            tool: ("unlade", env!("CARGO_PKG_VERSION")),
            process: MhlProcess::InPlace,
            ignore,
            files,
            folders: listed.folders.iter().map(String::as_str).collect(),
            has_folders: is_whole && !all.is_empty(),
            hashes: all,
            references: Vec::new(),
        };
        let next = next_generation(Some(self.standing), &draft);
        let date = Stamp::of(clock.now());
        let stored = store::add_generation(self.disk, self.root, &next, date);
        let why =
            |problem: Problem| format!("{}: {}", problem.path.unwrap_or_default(), problem.detail);
        stored.map(|()| next.path).map_err(why)
    }

    /// The patterns of the last generation, and those that every one has.
    fn patterns(&self) -> Vec<String> {
        let last = self.standing.history.generations.last();
        let mut all = last.map(|g| g.ignore.clone()).unwrap_or_default();
        for pattern in [MHL_FOLDER, ".DS_Store"] {
            if !all.iter().any(|p| p == pattern) {
                all.insert(0, pattern.to_owned());
            }
        }
        all
    }

    /// The kinds of hashes of the last generation, for what is new.
    fn kinds(&self) -> AlsoSet {
        let last = self.standing.history.generations.last();
        let sums = last.iter().flat_map(|g| &g.files).flat_map(|f| &f.sums);
        let all: AlsoSet = sums.filter_map(|sum| written(sum.kind)).collect();
        if all.is_empty() {
            AlsoSet::from_iter([Also::Xxh128])
        } else {
            all
        }
    }

    /// What is said of one file; `None` of one that could not be read. Of one that was found equal
    /// the hashes are those that it was held against.
    fn file<'f>(
        &self,
        path: &'f str,
        claim: Option<&FileClaim>,
        is_sure: bool,
        kinds: AlsoSet,
    ) -> Result<Option<MhlFile<'f>>, String> {
        let bytes = match self.disk.look(&self.root.join(path)) {
            Ok(Some(stat)) => stat.bytes,
            _ => return Ok(None),
        };
        let known = claim.filter(|claim| !claim.sums.is_empty());
        let own = known.map(hashes_of);
        let file = |hashes, action| MhlFile {
            path,
            bytes,
            modified: None,
            hashes,
            action,
            previous: None,
        };
        if let Some(hashes) = own.clone().filter(|own| is_sure && !own.is_empty()) {
            return Ok(Some(file(hashes, MhlAction::Verified)));
        }
        let own_kinds: AlsoSet = own.iter().flatten().map(|(kind, _)| *kind).collect();
        let wanted: Vec<Also> = kinds.with(own_kinds).iter().collect();
        let sums: Vec<Checksum> = wanted.iter().map(|kind| Checksum::Also(*kind)).collect();
        let read = match sums_of(self.disk, &self.root.join(path), &sums, self.progress) {
            Ok(Some(read)) => read,
            Ok(None) => return Err("it was interrupted".to_owned()),
            Err(_unread) => return Ok(None),
        };
        let hashes: Vec<(Also, String)> = wanted
            .into_iter()
            .zip(read.0.into_iter().map(|(_, sum)| sum))
            .collect();
        let action = match &own {
            None => MhlAction::Original,
            Some(own) if own.iter().all(|sum| hashes.contains(sum)) => MhlAction::Verified,
            Some(_) => MhlAction::Failed,
        };
        Ok(Some(file(hashes, action)))
    }
}

/// A kind as it is written; `None` for one that is not.
fn written(kind: Checksum) -> Option<Also> {
    match kind {
        // A C4 identifier is read as the SHA-512 that it stands for.
        Checksum::Also(Also::Sha512) => Some(Also::C4),
        Checksum::Also(also) => Some(also),
        _ => None,
    }
}

fn hashes_of(claim: &FileClaim) -> Vec<(Also, String)> {
    let of = |kind: Also, hex: &str| match kind {
        Also::C4 => Some((kind, c4_of_hex(hex)?)),
        _ => Some((kind, hex.to_owned())),
    };
    let sums = claim.sums.iter();
    let mut all: Vec<_> = sums
        .filter_map(|sum| of(written(*sum.kinds.first()?)?, &sum.hex))
        .collect();
    all.sort_unstable();
    all
}

fn moved_from(finding: &Finding) -> Option<(&str, &str)> {
    match finding {
        Finding::Moved(from, to) => Some((to, from)),
        _ => None,
    }
}

/// Sorts what stands in a folder.
fn listed(found: Vec<WalkEntry>, ignore: &[String]) -> Listed {
    let mut listed = Listed::default();
    for entry in found {
        let Some(path) = entry.path.to_str() else {
            listed.has_more = true;
            continue;
        };
        let kind = entry.stat.as_ref().map(|stat| stat.kind);
        let is_folder = matches!(kind, Ok(EntryKind::Folder));
        let is_record = path.split('/').next() == Some(RECORDS);
        if is_of_history(path) || is_record || is_ignored(ignore, path, is_folder) {
            continue;
        }
        match kind {
            _ if came_later(path, is_folder) => listed.has_more = true,
            Ok(EntryKind::File) if can_hold(path) => drop(listed.files.insert(path.to_owned())),
            Ok(EntryKind::Folder) if can_hold(path) => drop(listed.folders.insert(path.to_owned())),
            _ => listed.has_more = true,
        }
    }
    listed
}
