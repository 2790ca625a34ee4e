//! Owns what stands in a folder that has records of others, and which of it a record means.

use super::moved::ExtraFile;
use crate::card::left_out::{came_later, is_in_trash};
use crate::disk::{Disk, EntryKind, Stat, WalkEntry};
use crate::error::Step;
use crate::name::{CardName, composed, is_part_name};
use crate::record::layout::{BAGIT, DATA};
use crate::record::others::list::hint;
use crate::record::others::mhl::{MHL_CHAIN, MHL_FOLDER, is_ignored};
use crate::record::others::{FileClaim, with_slashes};
use crate::verify::finding::{Finding, unfinished_or};
use camino::Utf8Path;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::io;

/// Where a file of a record is.
#[derive(Debug)]
pub(super) enum FoundAt {
    /// At this path.
    File {
        /// Below the folder.
        path: String,
        bytes: u64,
    },
    /// Nothing is there.
    Missing,
    /// Something that is no file, or that could not be looked at.
    Not(Finding),
}

impl FoundAt {
    pub(super) fn bytes(&self) -> u64 {
        match self {
            Self::File { bytes, .. } => *bytes,
            Self::Missing | Self::Not(_) => 0,
        }
    }
}

/// Of what stands there, what the records are about.
#[derive(Debug, Default)]
pub(super) struct Scope {
    /// Only the payload of a bag.
    pub(super) is_bag: bool,
    /// Files that belong to the records.
    pub(super) own: HashSet<String>,
    /// What a history leaves out below its folder, by patterns.
    pub(super) left_out: Vec<(String, Vec<String>)>,
    /// Folders below that are checked by records of their own, each with a `/` at its end.
    pub(super) apart: Vec<String>,
}

impl Scope {
    pub(super) fn has(&self, path: &str) -> bool {
        let payload = path.strip_prefix(DATA);
        let is_payload = payload.is_some_and(|below| below.starts_with('/'));
        let is_apart = || {
            self.apart
                .iter()
                .any(|folder| path.starts_with(folder.as_str()))
        };
        let is_meant = if self.is_bag { is_payload } else { !is_apart() };
        is_meant && !self.own.contains(path)
    }

    /// Whether a file that no list names is extra.
    pub(super) fn is_extra(&self, path: &str) -> bool {
        self.has(path) && !self.leaves_out(path, false) && !came_later(path, false)
    }

    /// Whether a history leaves an entry out by its own patterns.
    fn leaves_out(&self, path: &str, is_folder: bool) -> bool {
        self.left_out.iter().any(|(folder, patterns)| {
            let below = match folder.as_str() {
                "" => Some(path),
                folder => path.strip_prefix(folder).and_then(|p| p.strip_prefix('/')),
            };
            below.is_some_and(|below| is_ignored(patterns, below, is_folder))
        })
    }
}

/// What stands in the folder.
pub(super) struct StandingFiles {
    found: BTreeMap<String, io::Result<Stat>>,
    /// Names that are not text, as they are shown.
    not_text: Vec<String>,
    /// What no record names, by its path and size; folders and links have none.
    extra: Vec<(String, Option<u64>)>,
    /// What could not be looked at and no list names.
    unseen: Vec<Finding>,
    /// What computers left behind.
    pub(super) litter: Vec<String>,
    /// Entries that a history leaves out by its own patterns, other than its own folder.
    pub(super) left_out: u64,
}

impl StandingFiles {
    pub(super) fn of(found: Vec<WalkEntry>) -> Self {
        let mut standing = Self {
            found: BTreeMap::new(),
            not_text: Vec::new(),
            extra: Vec::new(),
            unseen: Vec::new(),
            litter: Vec::new(),
            left_out: 0,
        };
        for entry in found {
            match entry.path.to_str() {
                // A folder that cannot be listed is met twice.
                Some(path) => {
                    let is_new = !standing.found.contains_key(path);
                    if is_new || entry.stat.is_err() {
                        standing.found.insert(path.to_owned(), entry.stat);
                    }
                }
                None => standing
                    .not_text
                    .push(entry.path.to_string_lossy().into_owned()),
            }
        }
        standing
    }

    /// Finds what each claim is about, and keeps what none is about as extra.
    pub(super) fn places(
        &mut self,
        claims: &[(CardName, FileClaim)],
        scope: &Scope,
    ) -> Vec<FoundAt> {
        let named: HashSet<&str> = claims.iter().map(|(name, _)| name.as_str()).collect();
        let mut composed_names: Option<HashMap<String, Option<&str>>> = None;
        // One file is that of one name: those that are written as it is called come first.
        let mut used: HashSet<&str> = named.iter().copied().collect();
        used.retain(|name| self.found.contains_key(*name));
        let mut places = Vec::with_capacity(claims.len());
        for (name, claim) in claims {
            let stands = |path: &str| {
                self.found
                    .get_key_value(path)
                    .map(|(path, _)| path.as_str())
            };
            let other = || {
                let written = claim.written().and_then(stands);
                // A list that Windows wrote.
                let has_backslash = name.as_str().contains('\\');
                let slashes = || with_slashes(name.as_str()).ok().filter(|_| has_backslash);
                written.or_else(|| stands(slashes()?.as_str()))
            };
            let own = stands(name.as_str());
            let at = own.or_else(|| {
                let other = other().or_else(|| {
                    let all = composed_names
                        .get_or_insert_with(|| composed_once(self.found.keys(), &named));
                    all.get(&composed(name.as_str())).copied().flatten()
                });
                other.filter(|path| used.insert(path))
            });
            places.push(self.place(name.as_str(), at));
        }
        let used: HashSet<String> = used.into_iter().map(str::to_owned).collect();
        self.sort_rest(&used, scope);
        places
    }

    /// Sorts what no claim is about.
    fn sort_rest(&mut self, used: &HashSet<String>, scope: &Scope) {
        for (path, stat) in &self.found {
            let is_folder = matches!(stat, Ok(stat) if stat.kind == EntryKind::Folder);
            if used.contains(path.as_str()) {
                continue;
            }
            if came_later(path, is_folder) {
                self.litter.push(path.clone());
                continue;
            }
            let is_data = scope.is_bag && path == DATA;
            if is_data && !is_folder && stat.is_ok() {
                let why = "is not a folder".to_owned();
                self.unseen.push(Finding::Changed(path.clone(), why));
                continue;
            }
            if !scope.has(path) && !is_data {
                continue;
            }
            if scope.leaves_out(path, is_folder) {
                self.left_out += u64::from(!is_mhl(path) && !is_folder);
                continue;
            }
            match stat {
                // What is in a folder that cannot be listed may be extra or not.
                Err(e) => {
                    let unseen = Finding::of_failure(path.clone(), Step::Look, e);
                    self.unseen.push(unseen);
                }
                Ok(stat) if stat.kind == EntryKind::File => {
                    self.extra.push((path.clone(), Some(stat.bytes)));
                }
                Ok(_) if is_folder => {}
                Ok(_) => self.extra.push((path.clone(), None)),
            }
        }
        if scope.is_bag && !self.found.contains_key(DATA) {
            self.unseen.push(Finding::Missing(DATA.to_owned()));
        }
        let not_text = self.not_text.iter().filter(|path| scope.has(path));
        self.extra.extend(not_text.map(|path| (path.clone(), None)));
    }

    fn place(&self, name: &str, at: Option<&str>) -> FoundAt {
        let told = || name.to_owned();
        let Some((path, stat)) = at.and_then(|at| Some((at, self.found.get(at)?))) else {
            return self.unseen(name).map_or(FoundAt::Missing, FoundAt::Not);
        };
        match stat {
            Err(e) => FoundAt::Not(Finding::of_failure(told(), Step::Look, e)),
            Ok(stat) => match stat.kind {
                EntryKind::File => FoundAt::File {
                    path: path.to_owned(),
                    bytes: stat.bytes,
                },
                EntryKind::Link => FoundAt::Not(Finding::Unchecked(
                    told(),
                    "is a symbolic link, which is not followed".to_owned(),
                )),
                EntryKind::Folder | EntryKind::Special => {
                    FoundAt::Not(Finding::Changed(told(), "is not a file".to_owned()))
                }
            },
        }
    }

    /// A folder above it that could not be looked into.
    fn unseen(&self, name: &str) -> Option<Finding> {
        let above = name.match_indices('/').filter_map(|(at, _)| name.get(..at));
        let mut errors = above.filter_map(|folder| match self.found.get(folder) {
            Some(Err(e)) => Some(Finding::of_failure(folder.to_owned(), Step::Look, e)),
            _ => None,
        });
        errors.next().map(|finding| finding.of_below(name))
    }

    /// What stands there beside these files, what a history leaves out, what came later and the
    /// records. Of names that are not text it is not known what they are below.
    pub(super) fn more_than<'a>(
        &'a self,
        named: &HashSet<&str>,
        scope: &'a Scope,
    ) -> impl Iterator<Item = &'a str> {
        let more = self.found.iter().filter(|(path, stat)| {
            let kind = stat.as_ref().map(|stat| stat.kind).ok();
            let is_folder = kind == Some(EntryKind::Folder);
            let is_apart = scope.own.contains(path.as_str()) || came_later(path, is_folder);
            let is_named = is_folder || named.contains(path.as_str());
            !is_named && !is_apart && !scope.leaves_out(path, is_folder)
        });
        let not_text = self.not_text.iter().map(String::as_str);
        more.map(|(path, _)| path.as_str()).chain(not_text)
    }

    pub(super) fn is_folder(&self, path: &str) -> bool {
        let is = |stat: &Stat| stat.kind == EntryKind::Folder;
        matches!(self.found.get(path), Some(Ok(stat)) if is(stat))
    }

    /// Bytes and files below `data`.
    pub(super) fn payload(&self) -> (u64, u64) {
        let below = self.found.iter().filter(|(path, _)| {
            let below = path.strip_prefix(DATA);
            below.is_some_and(|below| below.starts_with('/')) && !self.litter.contains(path)
        });
        let stats = below.filter_map(|(_, stat)| stat.as_ref().ok());
        let files = stats.filter(|stat| stat.kind == EntryKind::File);
        files.fold((0, 0), |(bytes, n), stat| (bytes + stat.bytes, n + 1))
    }

    /// Extra files that can be read, and what is in a Trash; what a copy has not finished is
    /// nobody's file.
    pub(super) fn extra_files(&self) -> Vec<ExtraFile<'_>> {
        let files = self.extra.iter().filter_map(|(path, bytes)| {
            let bytes = bytes.filter(|_| !is_part_name(path.rsplit('/').next().unwrap_or(path)))?;
            Some(ExtraFile { path, bytes })
        });
        let in_trash = self.litter.iter().filter(|path| is_in_trash(path));
        let in_trash = in_trash.filter_map(|path| match self.found.get(path)? {
            Ok(stat) if stat.kind == EntryKind::File => Some(ExtraFile {
                path,
                bytes: stat.bytes,
            }),
            _ => None,
        });
        files.chain(in_trash).collect()
    }

    /// What no record names, but for what `is_known` knows.
    pub(super) fn extra(&self, is_known: impl Fn(&str) -> bool) -> Vec<Finding> {
        let extra = self.extra.iter().filter(|(path, _)| !is_known(path));
        let extra = extra.map(|(path, _)| Finding::Extra(unfinished_or(path.clone())));
        extra.chain(self.unseen.iter().cloned()).collect()
    }
}

/// Whether it is in the folder of a history, which each leaves out.
fn is_mhl(path: &str) -> bool {
    path.split('/').any(|part| part == MHL_FOLDER)
}

/// Names that no record has as they are, by their composed form; `None` where two share one. Macs
/// write names decomposed that others write composed.
fn composed_once<'a>(
    found: impl Iterator<Item = &'a String>,
    named: &HashSet<&str>,
) -> HashMap<String, Option<&'a str>> {
    let mut all: HashMap<String, Option<&str>> = HashMap::new();
    for path in found.filter(|path| !path.is_ascii() && !named.contains(path.as_str())) {
        let entry = all.entry(composed(path));
        entry
            .and_modify(|other| *other = None)
            .or_insert(Some(path));
    }
    all
}

/// Whether a folder itself has what may be a record of others. What cannot be listed has none.
pub fn has_list(disk: &dyn Disk, folder: &Utf8Path) -> bool {
    let children = disk.children(folder).unwrap_or_default();
    let mut names = children.iter().filter_map(|child| child.path.to_str());
    names.any(|name| is_record(name) || name == MHL_FOLDER)
}

fn is_record(name: &str) -> bool {
    hint(name).is_some() || name == MHL_CHAIN || name == BAGIT
}

/// Records that lie below a folder, a few of them.
pub(super) fn lists_in(found: &[WalkEntry], most: usize) -> Vec<String> {
    let is_file = |e: &&WalkEntry| matches!(&e.stat, Ok(s) if s.kind == EntryKind::File);
    let paths = found.iter().filter(is_file).filter_map(|e| e.path.to_str());
    let is_list = |path: &&str| path.rsplit('/').next().is_some_and(is_record);
    let mut lists: Vec<String> = paths.filter(is_list).map(str::to_owned).collect();
    lists.sort_unstable();
    lists.truncate(most);
    lists
}
