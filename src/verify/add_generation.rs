//! Owns the next generation of a media hash list after a check of its folder, the one thing that
//! `verify` ever writes, and only when it was asked for.

use super::finding::{Finding, path_of};
use super::names::look_at_names;
use super::others::files::sums_of;
use super::others::{NoGeneration, OthersError, OthersFindings, verify_others};
use super::records::{Page, Signature};
use crate::card::left_out::came_later;
use crate::clock::{Clock, rfc3339};
use crate::disk::progress::Progress;
use crate::disk::{Claim, Disk, EntryKind, Stamp, TreeKind, WalkEntry};
use crate::error::{Error, FailedStep, Problem, Step, failed};
use crate::hash_algorithm::checksum::Checksum;
use crate::hash_algorithm::{Also, AlsoSet, c4_of_hex};
use crate::name::{CardName, is_part_name};
use crate::record::layout::{BAGIT, RECORDS};
use crate::record::load::load_any;
use crate::record::media_hash_list::{
    GoneFiles, HistoryError, MhlDraft, MhlFile, MhlProcess, SaidBefore, StandingHistory, can_hold,
    folders_above, is_in_history, is_of_history, load_history, next_generation,
};
use crate::record::others::mhl::{FailedBefore, MHL_CHAIN, MHL_FOLDER, MhlAction, is_ignored};
use crate::record::others::{Claims, FileClaim};
use crate::record::salvage::salvaged_of;
use crate::record::store;
use camino::Utf8Path;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::io;

/// Checks a folder against its lists and adds a generation to its media hash list: what was
/// checked is `verified` or `failed`, what is new `original`. Of an offload the records are checked
/// too; `page` makes the report page of a manifest, to compare it with.
///
/// # Errors
/// Why that can't be; or as [`verify_others`].
pub fn verify_and_add(
    disk: &dyn Disk,
    clock: &dyn Clock,
    root: &Utf8Path,
    host: &str,
    progress: &Progress,
    page: Page,
) -> Result<OthersFindings, OthersError> {
    let started = rfc3339(clock.now());
    let held = may_add(disk, root, page).map_err(OthersError::NoGeneration)?;
    let mut findings = verify_others(disk, clock, root, None, &[], progress)?;
    let of_records = held.of_records.iter();
    let is_new = |f: &&Finding| !findings.findings.iter().any(|g| path_of(g) == path_of(f));
    let of_records: Vec<Finding> = of_records.filter(is_new).cloned().collect();
    findings.findings.extend(of_records);
    findings.findings.sort_by(|a, b| path_of(a).cmp(path_of(b)));
    findings.signature.clone_from(&held.signature);
    if findings.interrupted {
        return Ok(findings);
    }
    let adding = Adding {
        disk,
        root,
        progress,
        standing: &held.standing,
    };
    let added = if findings.reached_device() {
        adding.add(&findings, clock, host, &started)
    } else {
        Err("what was read may have come from memory".to_owned())
    };
    findings.added = Some(added);
    Ok(findings)
}

/// A folder that gets a further generation, held against other runs.
struct FolderToAdd {
    standing: StandingHistory,
    /// What is wrong with the records of an offload.
    of_records: Vec<Finding>,
    /// Of an offload, whether it is signed.
    signature: Option<Signature>,
    _claims: Vec<Claim>,
}

fn may_add(disk: &dyn Disk, root: &Utf8Path, page: Page) -> Result<FolderToAdd, NoGeneration> {
    let look = |e| NoGeneration::Io(Error::new(Step::Look, root, e));
    let facts = disk.facts(root).map_err(look)?;
    let stands = |name: &str| disk.look(&root.join(name)).map_err(look);
    if stands(BAGIT)?.is_some() {
        return Err(NoGeneration::Bag);
    }
    let lists = stands(MHL_FOLDER)?.ok_or(NoGeneration::NoHistory)?;
    if lists.kind != EntryKind::Folder {
        return Err(HistoryError::NoFolder.into());
    }
    if facts.read_only {
        return Err(NoGeneration::ReadOnly);
    }
    let has_records = stands(RECORDS)?.is_some();
    let mut claims = Vec::new();
    for folder in [RECORDS, MHL_FOLDER] {
        if folder == MHL_FOLDER || has_records {
            let claim = disk.claim(&root.join(folder));
            claims.push(claim.map_err(|e| match e.kind() {
                io::ErrorKind::WouldBlock => NoGeneration::AtWork,
                _ => look(e),
            })?);
        }
    }
    let standing = load_history(disk, root)?.ok_or(NoGeneration::NoHistory)?;
    standing.check_strays()?;
    let ours = has_records.then(|| load_any(disk, &root.join(RECORDS)));
    let ours = ours.transpose().map_err(NoGeneration::Manifest)?;
    let of_card = |path: &str| is_of_history(path);
    if let Some((manifest, ..)) = &ours
        && manifest.files.iter().any(|file| of_card(&file.path))
    {
        return Err(NoGeneration::OfCard);
    }
    let found = disk.walk(root, TreeKind::Card).map_err(look)?;
    let mut paths = found.iter().filter_map(|entry| entry.path.to_str());
    if let Some(path) = paths.find(|path| is_in_history(path) && !is_of_history(path)) {
        return Err(NoGeneration::Below(path.to_owned()));
    }
    let standing = ended(disk, root, standing)?;
    let (mut of_records, mut signature) = (Vec::new(), None);
    if let Some((manifest, has_hash, signed)) = ours {
        let checked = look_at_names(disk, root, &manifest, (has_hash, signed), found, page);
        of_records = checked.findings;
        of_records.retain(|f| is_of_records(path_of(f)));
        signature = Some(checked.signature);
    }
    Ok(FolderToAdd {
        standing,
        of_records,
        signature,
        _claims: claims,
    })
}

fn is_of_records(path: &str) -> bool {
    path == MHL_FOLDER || path.split('/').next() == Some(RECORDS)
}

/// Ends what a run left here that was cut off.
fn ended(
    disk: &dyn Disk,
    root: &Utf8Path,
    standing: StandingHistory,
) -> Result<StandingHistory, NoGeneration> {
    let io = |FailedStep { step, cause }| {
        NoGeneration::Io(Error::new(step, &root.join(MHL_FOLDER), cause))
    };
    let standing = if standing.is_cut_short() {
        store::end_begun_history(disk, root, &standing).map_err(io)?;
        store::clear_history(disk, root, &standing).map_err(io)?;
        load_history(disk, root)?.ok_or(NoGeneration::NoHistory)?
    } else {
        standing
    };
    if standing.entries.is_empty() {
        return Err(standing.broken().into());
    }
    Ok(standing)
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
    /// Folders in which something is that no list can hold, that is not finished, or that could not
    /// be looked at.
    unlisted: BTreeSet<String>,
}

/// What the history says.
struct HistorySays {
    claims: Claims,
    failed: FailedBefore,
    absent: GoneFiles,
    /// The kinds of hashes for what is new.
    kinds: AlsoSet,
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
        let found = self.disk.walk(self.root, TreeKind::Card);
        let found = found.map_err(|e| failed(Step::List, &e))?;
        let ignore = self.patterns(&found);
        let mut listed = listed(found, &ignore);
        let moved: BTreeMap<&str, &str> = findings.findings.iter().filter_map(moved_from).collect();
        let mut said = self.said(&listed, moved.values().copied())?;
        let doubtful: HashSet<&str> = findings.findings.iter().map(path_of).collect();
        let mut files = Vec::new();
        for path in &listed.files {
            let from = moved.get(path.as_str()).copied();
            let is_sure = from.is_some() || !doubtful.contains(path.as_str());
            if let Some(file) = self.file(path, from, is_sure, &mut said)? {
                files.push(file);
            } else {
                let above = folders_above(path).map(str::to_owned);
                listed.unlisted.extend(above);
            }
        }
        if files.is_empty() {
            return Err("there is no file to list".to_owned());
        }
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
            unlisted: listed.unlisted,
            references: Vec::new(),
        };
        let next = next_generation(Some(self.standing), &draft);
        let date = Stamp::of(clock.now());
        let stored = store::add_generation(self.disk, self.root, &next, date);
        let why =
            |problem: Problem| format!("{}: {}", problem.path.unwrap_or_default(), problem.detail);
        stored.map(|()| next.path).map_err(why)
    }

    fn said<'m>(
        &self,
        listed: &Listed,
        moved: impl Iterator<Item = &'m str>,
    ) -> Result<HistorySays, String> {
        let history = &self.standing.history;
        let wrong = |why| HistoryError::of(MHL_CHAIN, why).to_string();
        let mut claims = Claims::default();
        history.claims(&mut claims).map_err(wrong)?;
        let mut absent = GoneFiles::of(&claims, |path| listed.files.contains(path));
        moved
            .filter_map(|from| CardName::parse(from).ok())
            .for_each(|from| absent.note(from));
        Ok(HistorySays {
            failed: history.failed().map_err(wrong)?,
            kinds: self.kinds(),
            claims,
            absent,
        })
    }

    /// The patterns of the last generation, and those that every one has.
    fn patterns(&self, found: &[WalkEntry]) -> Vec<String> {
        let last = self.standing.history.generations.last();
        let mut all = last.map(|g| g.ignore.clone()).unwrap_or_default();
        for pattern in [MHL_FOLDER, ".DS_Store"] {
            if !all.iter().any(|p| p == pattern) {
                all.insert(0, pattern.to_owned());
            }
        }
        let mut paths = found.iter().filter_map(|entry| entry.path.to_str());
        if paths.any(|path| path == RECORDS) && !is_ignored(&all, RECORDS, true) {
            all.push(format!("/{RECORDS}"));
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
        from: Option<&str>,
        is_sure: bool,
        said: &mut HistorySays,
    ) -> Result<Option<MhlFile<'f>>, String> {
        let Ok(name) = CardName::parse(from.unwrap_or(path)) else {
            return Ok(None);
        };
        let file = |bytes, hashes, action, previous| MhlFile {
            path,
            bytes,
            modified: None,
            hashes,
            action,
            previous,
        };
        let own = said.claims.get(&name).map(hashes_of).unwrap_or_default();
        if is_sure && !own.is_empty() {
            let bytes = match self.disk.look(&self.root.join(path)) {
                Ok(Some(stat)) => stat.bytes,
                _ => return Ok(None),
            };
            let from = from.map(str::to_owned);
            return Ok(Some(file(bytes, own, MhlAction::Verified, from)));
        }
        let own_kinds = own.iter().map(|(kind, _)| *kind);
        // What failed once may be here under another name.
        let failed = said.failed.kinds().into_iter().filter_map(written);
        let wanted = said.kinds.with(own_kinds.chain(failed).collect());
        let wanted: Vec<Also> = wanted.iter().collect();
        let sums: Vec<Checksum> = wanted.iter().map(|kind| Checksum::Also(*kind)).collect();
        let read = match sums_of(self.disk, &self.root.join(path), &sums, self.progress) {
            Ok(Some(read)) => read,
            Ok(None) => return Err("it was interrupted".to_owned()),
            Err(_unread) => return Ok(None),
        };
        let (sums, bytes, _) = read;
        let sums = sums.into_iter().map(|(_, sum)| sum);
        let hashes: Vec<(Also, String)> = wanted.into_iter().zip(sums).collect();
        let claim = said.claims.get(&name);
        let before = SaidBefore::of(&name, claim, &said.failed, bytes, &hashes);
        let Some(action) = before.action else {
            return Ok(None);
        };
        let moved = claim
            .is_none()
            .then(|| said.absent.take(&said.claims, &said.failed, bytes, &hashes));
        Ok(Some(match moved.flatten() {
            Some((action, from)) => file(bytes, hashes, action, Some(from.as_str().to_owned())),
            None => file(bytes, hashes, action, from.map(str::to_owned)),
        }))
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
        let path = entry.path.to_string_lossy();
        let kind = entry.stat.as_ref().map(|stat| stat.kind);
        let is_folder = matches!(kind, Ok(EntryKind::Folder));
        if is_of_history(&path) || is_ignored(ignore, &path, is_folder) {
            continue;
        }
        let is_text = entry.path.to_str().is_some();
        let is_part = is_part_name(path.rsplit('/').next().unwrap_or(&path));
        let is_known = is_text && !is_part && !came_later(&path, is_folder) && can_hold(&path);
        match kind {
            Ok(EntryKind::File) if is_known => drop(listed.files.insert(path.into_owned())),
            Ok(EntryKind::Folder) if is_known => drop(listed.folders.insert(path.into_owned())),
            _ => {
                let above = folders_above(&path).map(str::to_owned);
                listed.unlisted.extend(above);
                // What could not be looked into may hold anything.
                listed.unlisted.insert(path.into_owned());
            }
        }
    }
    // Salvaged files are no copies, and the lists beside them say what they are.
    let lists = listed.files.iter().map(String::as_str);
    let salvaged = lists.filter_map(|list| Some((list, salvaged_of(list)?)));
    let salvaged = salvaged.filter(|(_, file)| listed.files.contains(*file));
    let salvaged: Vec<String> = salvaged
        .flat_map(|(list, file)| [list.to_owned(), file.to_owned()])
        .collect();
    for path in salvaged {
        listed.files.remove(&path);
        let above = folders_above(&path).map(str::to_owned);
        listed.unlisted.extend(above);
    }
    listed
}
