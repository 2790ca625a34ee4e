//! Owns the hashes of folders (specification 1.0, appendix G): of what the files below hold, and of
//! that with their names. They speak of all that is in a folder, so that one which holds anything
//! that is not listed as good has none, and none above it. Pure.

use super::draft::{MhlDraft, MhlFile};
use super::names::can_hold;
use crate::hash_algorithm::checksum::Checksum;
use crate::hash_algorithm::{Also, Hasher, sha512_of_c4};
use crate::record::others::mhl::{FileEntry, FolderEntry, Generation, MhlAction};
use std::collections::{BTreeMap, BTreeSet};

/// The two hashes of a folder, as they are written.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct FolderSums {
    pub(super) content: String,
    pub(super) structure: String,
}

/// What a folder's hashes are made of: those of what lies in it.
#[derive(Default)]
struct Members {
    content: Vec<String>,
    structure: Vec<String>,
}

/// Returns the folders above a path; the last one is the root, with an empty name.
pub fn folders_above(path: &str) -> impl Iterator<Item = &str> {
    let all = path.rmatch_indices('/');
    all.filter_map(|(at, _)| path.get(..at)).chain([""])
}

/// The most folders of a list whose hashes are compared: what lies deep in each other takes memory.
const FOLDERS_MAX: usize = 1_000_000;

/// A folder whose hash in a list is not that of the files in the list.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct UnlikeFolder {
    /// Relative to the history's folder; empty for that one.
    pub path: String,
    /// The kind of the hash; C4 is the SHA-512 that it stands for.
    pub kind: Also,
    /// Only the hash of the names is another one.
    pub only_names: bool,
    /// How many files the list has below it.
    pub files: u64,
}

/// Returns the folders of which a generation lists all that is good, and has another hash than
/// follows from that. Where every file is what the list says, and no other is there, the folder is
/// not what the hash was made of, or the hash is wrong.
pub fn unlike_folders(generation: &Generation) -> Vec<UnlikeFolder> {
    let folders = || generation.folders.iter().chain([&generation.root]);
    let hashes = folders().flat_map(|folder| &folder.hashes);
    let kinds = hashes.filter_map(|hash| match hash.kind {
        Checksum::Also(kind) => Some(kind),
        _ => None,
    });
    let kinds: BTreeSet<Also> = kinds.collect();
    let names = generation.files.iter().map(|file| file.path.as_str());
    let mut names = names.chain(folders().map(plain).filter(|path| !path.is_empty()));
    // What could be another path has no place among the others.
    if kinds.is_empty() || !names.all(can_hold) {
        return Vec::new();
    }
    let Some(all) = all_folders(generation) else {
        return Vec::new();
    };
    let kinds = kinds.into_iter();
    let unlike = kinds.flat_map(|kind| unlike_of(generation, kind, &all));
    let mut unlike: Vec<UnlikeFolder> = unlike.collect();
    unlike.sort_unstable();
    unlike.dedup_by(|next, first| next.path == first.path);
    unlike
}

/// Every folder below the root; `None` where there are too many.
fn all_folders(generation: &Generation) -> Option<BTreeSet<&str>> {
    let mut all = BTreeSet::new();
    let files = generation.files.iter().map(|file| file.path.as_str());
    for path in files.chain(generation.folders.iter().map(plain)) {
        all.extend(folders_above(path));
        if all.len() > FOLDERS_MAX {
            return None;
        }
    }
    all.extend(generation.folders.iter().map(plain));
    all.remove("");
    Some(all)
}

/// The hash of a file that did not fail in any way.
fn good_hash(file: &FileEntry, kind: Checksum) -> Option<&str> {
    let has_failed = file.sums.iter().any(|sum| sum.action == MhlAction::Failed);
    let mut sums = file.sums.iter().filter(|_| !has_failed);
    sums.find(|sum| sum.kind == kind).map(|sum| &*sum.hex)
}

/// A folder's path without what may be written around it.
fn plain(folder: &FolderEntry) -> &str {
    match folder.path.trim_end_matches('/') {
        "." => "",
        path => path,
    }
}

/// The same of one kind of hash.
fn unlike_of(generation: &Generation, kind: Also, all: &BTreeSet<&str>) -> Vec<UnlikeFolder> {
    let checksum = Checksum::Also(kind);
    let mut counts: BTreeMap<&str, u64> = BTreeMap::new();
    for folder in generation.files.iter().flat_map(|f| folders_above(&f.path)) {
        *counts.entry(folder).or_default() += 1;
    }
    let (mut files, mut partial) = (Vec::new(), BTreeSet::new());
    for file in &generation.files {
        match good_hash(file, checksum) {
            Some(hex) => files.push((file.path.as_str(), hex)),
            None => partial.extend(folders_above(&file.path)),
        }
    }
    let listed = || generation.folders.iter().chain([&generation.root]);
    let sums = folder_sums(kind, files.iter().copied(), all);
    let differs = |folder: &FolderEntry, has_names: bool| {
        let own = sums.get(plain(folder));
        let own = own.map(|own| {
            if has_names {
                &own.structure
            } else {
                &own.content
            }
        });
        let mut said = folder.hashes.iter().filter(|h| h.has_names == has_names);
        said.any(|h| h.kind == checksum && own.is_some_and(|own| **own != *h.hex))
    };
    // What others make of a folder without a file is not said by the standard.
    let empty = listed().filter(|folder| !counts.contains_key(plain(folder)));
    let odd = empty.filter(|folder| differs(folder, false) || differs(folder, true));
    partial.extend(odd.flat_map(|folder| folders_above(plain(folder))));
    // Nor in which of its forms a name is hashed that has several.
    let names = files
        .iter()
        .map(|(path, _)| *path)
        .chain(all.iter().copied());
    let unsure = names
        .filter(|path| !path.is_ascii())
        .flat_map(folders_above);
    let unsure: BTreeSet<&str> = unsure.collect();
    let mut unlike = Vec::new();
    for folder in listed().filter(|folder| !partial.contains(plain(folder))) {
        let (path, content) = (plain(folder), differs(folder, false));
        let Some(files) = counts.get(path).copied() else {
            continue;
        };
        if content || (differs(folder, true) && !unsure.contains(path)) {
            unlike.push(UnlikeFolder {
                path: path.to_owned(),
                kind,
                only_names: !content,
                files,
            });
        }
    }
    unlike
}

/// Hashes of folders by their kind.
pub(super) type AllSums<'a> = BTreeMap<Also, BTreeMap<&'a str, FolderSums>>;

/// Returns the hashes of every folder that is whole, of each kind that all files in it have.
pub(super) fn all_folder_sums<'a>(draft: &'a MhlDraft<'a>) -> AllSums<'a> {
    let kinds = draft.files.iter().flat_map(|file| &file.hashes);
    let kinds: BTreeSet<Also> = kinds.map(|(kind, _)| *kind).collect();
    let of = |kind: Also| {
        let good =
            |file: &&MhlFile<'_>| file.action != MhlAction::Failed && file.hash(kind).is_some();
        let others = draft.files.iter().filter(|file| !good(file));
        let mut partial: BTreeSet<&str> = draft.unlisted.iter().map(String::as_str).collect();
        partial.extend(others.flat_map(|file| folders_above(file.path)));
        let files = draft.files.iter().filter(good);
        let files = files.filter_map(|file| Some((file.path, file.hash(kind)?)));
        let mut sums = folder_sums(kind, files, &draft.folders);
        sums.retain(|folder, _| !partial.contains(folder));
        (kind, sums)
    };
    let all = kinds.into_iter().map(of);
    all.filter(|(_, sums)| !sums.is_empty()).collect()
}

/// Returns the hashes of every folder, of one kind. The root has an empty name; all folders
/// that files lie in are among `folders`.
pub(super) fn folder_sums<'a>(
    kind: Also,
    files: impl Iterator<Item = (&'a str, &'a str)>,
    folders: &BTreeSet<&'a str>,
) -> BTreeMap<&'a str, FolderSums> {
    let mut members: BTreeMap<&str, Members> = BTreeMap::new();
    for (path, sum) in files {
        let (folder, name) = parted(path);
        let members = members.entry(folder).or_default();
        members.content.push(sum.to_owned());
        members.structure.push(named(kind, name, sum));
    }
    let mut sums = BTreeMap::new();
    // What lies in a folder comes after it.
    for folder in folders.iter().rev().chain([&""]) {
        let own = members.remove(folder).unwrap_or_default();
        let own = FolderSums {
            content: together(kind, own.content),
            structure: together(kind, own.structure),
        };
        if !folder.is_empty() {
            let (above, name) = parted(folder);
            let members = members.entry(above).or_default();
            members.content.push(own.content.clone());
            members.structure.push(named(kind, name, &own.structure));
        }
        sums.insert(*folder, own);
    }
    sums
}

fn parted(path: &str) -> (&str, &str) {
    path.rsplit_once('/').unwrap_or(("", path))
}

/// The hash of a name and of the hash behind it.
fn named(kind: Also, name: &str, sum: &str) -> String {
    let mut hasher = Hasher::new(kind);
    hasher.update(name.as_bytes());
    hasher.update(&decoded(kind, sum));
    hasher.finish()
}

/// The hash of sorted hashes.
fn together(kind: Also, mut sums: Vec<String>) -> String {
    sums.sort_unstable();
    let mut hasher = Hasher::new(kind);
    for sum in sums {
        hasher.update(&decoded(kind, &sum));
    }
    hasher.finish()
}

fn decoded(kind: Also, sum: &str) -> Vec<u8> {
    if kind == Also::C4 {
        unhexed(&sha512_of_c4(sum).unwrap_or_default())
    } else {
        unhexed(sum)
    }
}

/// The bytes of hex digits.
pub(super) fn unhexed(hex: &str) -> Vec<u8> {
    let pairs = hex.as_bytes().chunks(2);
    let byte = |pair: &[u8]| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok();
    pairs.filter_map(byte).collect()
}
