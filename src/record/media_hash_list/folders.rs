//! Owns the hashes of folders (specification 1.0, appendix G): of what the files below hold, and of
//! that with their names. They speak of all that is in a folder, so that one which holds anything
//! that is not listed as good has none, and none above it. Pure.

use super::draft::{MhlDraft, MhlFile};
use crate::hash_algorithm::{Also, Hasher, sha512_of_c4};
use crate::record::others::mhl::MhlAction;
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
