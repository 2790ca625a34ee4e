//! Owns what is fetched of an offload at a place, and every reason why it can't be: names that the
//! drive can't hold, no room, something else in its place. All of that before the first byte.

use super::error::StoreError;
use super::placed::PlacedOffload;
use super::store::Store;
use crate::card::dates::parse;
use crate::digest::Digest;
use crate::disk::{Disk, EntryKind, FolderFacts, JOURNAL, Stamp, TreeKind};
use crate::name::{CardName, shown};
use crate::plan::rules::rules_of;
use crate::record::layout::{MANIFEST, RECORDS};
use crate::record::manifest::MANIFEST_BYTES_MAX;
use crate::units::{round_up, size};
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::{BTreeMap, BTreeSet};
use std::io;

/// Room for folders and what a file system keeps of them, in bytes: 4 MB, of no source.
const SPARE: u64 = 4_000_000;

/// A file to fetch.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Incoming {
    /// Its path below the offload.
    pub name: CardName,
    /// Its size.
    pub bytes: u64,
    /// What it must hold, one of these; of a record what the manifest says, or else the receipt,
    /// where one says it; nobody says what the others hold.
    pub any_of: Vec<Digest>,
    /// The date that it gets.
    pub date: Option<Stamp>,
}

/// What is fetched where.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct FetchPlan {
    /// The drive's folder.
    pub to: Utf8PathBuf,
    /// The offload's own folder in it.
    pub root: Utf8PathBuf,
    /// The files, records last; not the manifest.
    pub files: Vec<Incoming>,
    /// The folders, parents first.
    pub folders: BTreeSet<CardName>,
    /// All of it, so that it is an offload again.
    pub is_whole: bool,
    /// The manifest is there already.
    pub has_manifest: bool,
}

/// Why nothing is fetched.
#[derive(Debug, thiserror::Error)]
pub enum NoFetch {
    /// The place did not do something.
    #[error("{0}. {advice}", advice = .0.kind.advice())]
    Place(#[from] StoreError),
    /// The drive could not be looked at.
    #[error("`{at}` can't be looked at: {1}", at = shown(.0.as_str()))]
    Drive(Utf8PathBuf, #[source] io::Error),
    /// All that is in the way.
    #[error("{}", .0.join("; "))]
    Reasons(Vec<String>),
}

impl FetchPlan {
    /// Plans what is fetched into a folder named as the offload in `to`; of `only` these files and
    /// folders, where there are any.
    ///
    /// # Errors
    /// Every reason why it can't be.
    pub fn of(
        disk: &dyn Disk,
        store: &Store,
        placed: &PlacedOffload,
        (to, only): (&Utf8Path, &[String]),
    ) -> Result<Self, NoFetch> {
        let drive = |path: &Utf8Path| {
            let path = path.to_path_buf();
            move |e| NoFetch::Drive(path, e)
        };
        let facts = disk.facts(to).map_err(drive(to))?;
        let root = to.join(&placed.name);
        let mut reasons = Vec::new();
        if facts.read_only {
            reasons.push("the drive is mounted read-only".to_owned());
        }
        let rules = rules_of(&facts.filesystem);
        let name = placed.name.as_str();
        let is_device = rules.is_device_name(name);
        let is_device = is_device.then_some("it is one that Windows has for its own devices");
        if let Some(why) = rules.refuses(name).or(is_device) {
            reasons.push(format!("the offload's name: {why}"));
        }
        let mut files = card_files(placed, only, &mut reasons);
        if only.is_empty() {
            files.extend(record_files(store, placed, &mut reasons)?);
        }
        let is_whole = only.is_empty();
        let plan = Self {
            folders: folders(placed, &files, is_whole),
            to: to.to_path_buf(),
            is_whole,
            has_manifest: false,
            files,
            root,
        };
        let standing = plan.standing(disk).map_err(drive(&plan.root))?;
        let root_bytes = plan.root.as_str().len().max(facts.canonical.len()) + 1;
        plan.check_names(&facts, root_bytes, &mut reasons);
        let has_manifest = plan.check_standing(disk, placed, &standing, &mut reasons);
        plan.check_room(&facts, &standing, &mut reasons);
        if reasons.is_empty() {
            Ok(Self {
                has_manifest,
                ..plan
            })
        } else {
            Err(NoFetch::Reasons(reasons))
        }
    }

    /// Returns the bytes of all files.
    pub fn bytes(&self) -> u64 {
        let bytes = self.files.iter().map(|file| file.bytes);
        bytes.fold(0, u64::saturating_add)
    }

    /// What is in the offload's place already.
    fn standing(&self, disk: &dyn Disk) -> io::Result<BTreeMap<String, (EntryKind, u64)>> {
        let mut standing = BTreeMap::new();
        let Some(stat) = disk.look(&self.root)? else {
            return Ok(standing);
        };
        if stat.kind != EntryKind::Folder {
            return Err(io::Error::other("something that is no folder has its name"));
        }
        for entry in disk.walk(&self.root, TreeKind::Drive)? {
            if let (Some(path), Ok(stat)) = (entry.path.to_str(), &entry.stat) {
                standing.insert(path.to_owned(), (stat.kind, stat.bytes));
            }
        }
        Ok(standing)
    }

    fn check_names(&self, facts: &FolderFacts, root_bytes: usize, reasons: &mut Vec<String>) {
        let rules = rules_of(&facts.filesystem);
        let mut folded: BTreeMap<String, &CardName> = BTreeMap::new();
        let files = self.files.iter().map(|file| &file.name);
        for name in self.folders.iter().chain(files) {
            if let Some(why) = rules.refuses_path(name, root_bytes) {
                reasons.push(format!("{name}: {why}"));
            } else if rules.folds == Some(true)
                && let Some(other) = folded.insert(name.folded(), name)
            {
                reasons.push(format!(
                    "{name}: the name is the same as that of {other} there"
                ));
            }
        }
        for file in &self.files {
            if file.bytes > rules.file_bytes_max {
                reasons.push(format!(
                    "{}: {} is more than the largest file there (4 GiB - 1)",
                    file.name,
                    size(file.bytes)
                ));
            }
        }
    }

    /// Looks whether something else is in the way. Returns whether the manifest is there.
    fn check_standing(
        &self,
        disk: &dyn Disk,
        placed: &PlacedOffload,
        standing: &BTreeMap<String, (EntryKind, u64)>,
        reasons: &mut Vec<String>,
    ) -> bool {
        let kind = |path: &str| standing.get(path).map(|(kind, _)| *kind);
        for name in &self.folders {
            if kind(name.as_str()).is_some_and(|kind| kind != EntryKind::Folder) {
                reasons.push(format!("{name}: something that is no folder has its name"));
            }
        }
        for file in &self.files {
            if kind(file.name.as_str()).is_some_and(|kind| kind != EntryKind::File) {
                reasons.push(format!(
                    "{}: something that is no file has its name",
                    file.name
                ));
            }
        }
        if kind(&format!("{RECORDS}/{JOURNAL}")).is_some() {
            reasons.push("a copy of that name was begun there; end that first".to_owned());
        }
        let own = format!("{RECORDS}/{MANIFEST}");
        if kind(&own).is_none() {
            return false;
        }
        let there = disk.read_record(&self.root.join(&own), MANIFEST_BYTES_MAX);
        match there {
            Ok(bytes) if bytes == placed.manifest_bytes => true,
            Ok(_) => {
                let why = "an offload of that name with another manifest is there already; choose \
                    another folder";
                reasons.push(why.to_owned());
                true
            }
            Err(e) => {
                reasons.push(format!("the manifest that is there can't be read: {e}"));
                true
            }
        }
    }

    fn check_room(
        &self,
        facts: &FolderFacts,
        standing: &BTreeMap<String, (EntryKind, u64)>,
        reasons: &mut Vec<String>,
    ) {
        let missing = self.files.iter();
        let missing = missing.filter(|file| !standing.contains_key(file.name.as_str()));
        let needs = missing.fold(SPARE, |sum, file| {
            sum.saturating_add(round_up(file.bytes, facts.cluster_bytes))
        });
        // What a fetch that was cut short began is removed before its file begins anew.
        let parts = standing
            .iter()
            .filter(|(path, _)| crate::name::is_part_name(path.rsplit('/').next().unwrap_or(path)));
        let parts = parts.fold(0_u64, |sum, (_, (_, bytes))| sum.saturating_add(*bytes));
        let free = facts.free_bytes.saturating_add(parts);
        if needs > free {
            reasons.push(format!(
                "it needs {}, and {} are free: {} short",
                size(needs),
                size(free),
                size(needs - free)
            ));
        }
    }
}

/// The files of the card, or those of them that are asked for.
fn card_files(placed: &PlacedOffload, only: &[String], reasons: &mut Vec<String>) -> Vec<Incoming> {
    let layout = placed.manifest.offload.layout;
    let wanted: Vec<&str> = only.iter().map(|path| path.trim_end_matches('/')).collect();
    let mut found = vec![false; wanted.len()];
    let mut files = Vec::new();
    for file in placed.manifest.files.iter().filter(|f| !f.is_elsewhere()) {
        let path = layout.outside(&file.path);
        let is_below = |wanted: &str, path: &str| {
            let rest = path.strip_prefix(wanted);
            rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
        };
        let mut is_wanted = wanted.is_empty();
        for (wanted, found) in wanted.iter().zip(&mut found) {
            if is_below(wanted, &path) || is_below(wanted, &file.path) {
                (is_wanted, *found) = (true, true);
            }
        }
        // The manifest was read strictly: its paths lead nowhere else.
        if is_wanted && let Ok(name) = CardName::parse(&path) {
            files.push(Incoming {
                name,
                bytes: file.bytes,
                any_of: vec![file.blake3],
                date: parse(&file.modified),
            });
        }
    }
    let missing = wanted.iter().zip(&found).filter(|(_, found)| !**found);
    reasons.extend(missing.map(|(path, _)| format!("{} is not in the offload", shown(path))));
    files.sort_by(|a, b| a.name.cmp(&b.name));
    files
}

/// The records, whose names a stranger may have chosen.
fn record_files(
    store: &Store,
    placed: &PlacedOffload,
    reasons: &mut Vec<String>,
) -> Result<Vec<Incoming>, StoreError> {
    let receipted = placed.receipted();
    let says = |path: &String| {
        let by_receipt = || receipted.get(path.as_str()).map(|file| vec![file.blake3]);
        Some(placed.by_manifest(path))
            .filter(|said| !said.is_empty())
            .or_else(by_receipt)
            .unwrap_or_default()
    };
    let mut files = Vec::new();
    for path in &placed.records {
        let is_odd = path.matches('/').count() > 1;
        let Ok(name) = CardName::parse(path) else {
            reasons.push(format!(
                "{} beside its manifest has an odd name",
                shown(path)
            ));
            continue;
        };
        let object = store.look(&placed.at(path))?;
        match object {
            Some(object) if object.bytes <= MANIFEST_BYTES_MAX && !is_odd => files.push(Incoming {
                any_of: says(path),
                name,
                bytes: object.bytes,
                date: parse(&placed.manifest.offload.finished),
            }),
            Some(_) => reasons.push(format!("{name} is too large")),
            None => reasons.push(format!("{name} is not at the place")),
        }
    }
    Ok(files)
}

/// Every folder that is needed, and all that the card had.
fn folders(placed: &PlacedOffload, files: &[Incoming], is_whole: bool) -> BTreeSet<CardName> {
    let layout = placed.manifest.offload.layout;
    let own = placed.manifest.folders.iter().filter(|_| is_whole);
    let mut paths: Vec<String> = own.map(|folder| layout.outside(folder)).collect();
    if is_whole {
        paths.push(RECORDS.to_owned());
    }
    let parents = files.iter().filter_map(|file| file.name.parent());
    paths.extend(parents.map(str::to_owned));
    let mut found = BTreeSet::new();
    for path in paths {
        let mut at = Some(path.as_str());
        while let Some(path) = at {
            if let Ok(name) = CardName::parse(path) {
                found.insert(name);
            }
            at = path.rsplit_once('/').map(|(parent, _)| parent);
        }
    }
    found
}
