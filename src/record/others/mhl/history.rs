//! Owns what the generations of a history say together: which hashes each file may be held against,
//! and where it is now.

use super::generation::{FileEntry, Generation, MhlAction};
use crate::hash_algorithm::checksum::Checksum;
use crate::name::CardName;
use crate::record::others::claims::{Claims, Sum};
use crate::record::others::place::{PlaceError, inside_with_slashes};
use crate::record::others::refusal::WhyRefused;
use smallvec::smallvec;
use std::collections::{BTreeSet, HashMap, HashSet};

/// What stands in the place of a hash where all of a file's are marked as failed.
const MARKED_FAILED: &str = "marked as failed";

/// The generations of one folder, the first one first.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct History {
    /// The folder that it is about, relative to the one that is checked; empty for that one.
    pub folder: String,
    /// Its generations.
    pub generations: Vec<Generation>,
}

/// What the generations of a history mark as failed: whatever once failed is never good under
/// another name.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct FailedBefore {
    /// Files that failed when they were last listed.
    now: HashSet<CardName>,
    /// Every hash that failed, and where the files are that it was made of.
    sums: HashMap<(Checksum, Box<str>), Vec<CardName>>,
}

impl FailedBefore {
    /// Returns whether a file failed when it was last listed.
    pub fn is_now(&self, path: &CardName) -> bool {
        self.now.contains(path)
    }

    /// Returns the files that failed with this hash.
    pub fn of_sum(&self, kind: Checksum, hex: &str) -> &[CardName] {
        let files = self.sums.get(&(kind, hex.into()));
        files.map(Vec::as_slice).unwrap_or_default()
    }

    /// Returns the kinds of all hashes that failed.
    pub fn kinds(&self) -> HashSet<Checksum> {
        self.sums.keys().map(|(kind, _)| *kind).collect()
    }
}

impl History {
    /// Returns what is marked as failed, by the path that each file has now.
    ///
    /// # Errors
    /// When it names what could lie outside of its folder.
    pub fn failed(&self) -> Result<FailedBefore, WhyRefused> {
        let mut now: HashSet<CardName> = HashSet::new();
        let mut sums: HashMap<CardName, Vec<(Checksum, Box<str>)>> = HashMap::new();
        for generation in &self.generations {
            let moved = generation.files.iter().filter_map(|file| {
                let from = self.place(file.previous.as_ref()?);
                Some(from.and_then(|from| Ok((from, self.place(&file.path)?))))
            });
            let moved: Vec<_> = moved.collect::<Result<_, _>>()?;
            // All at once: two may change places.
            let taken = moved.into_iter();
            let taken = taken.map(|(from, to)| (now.remove(&from), sums.remove(&from), to));
            let taken: Vec<_> = taken.collect();
            for (was_failed, own, to) in taken {
                if was_failed {
                    now.insert(to.clone());
                }
                sums.entry(to)
                    .or_default()
                    .extend(own.into_iter().flatten());
            }
            for file in &generation.files {
                let path = self.place(&file.path)?;
                let failed = failed_sums(file);
                if failed.is_empty() {
                    now.remove(&path);
                } else {
                    sums.entry(path.clone()).or_default().extend(failed);
                    now.insert(path);
                }
            }
        }
        let mut by_sum: HashMap<_, Vec<CardName>> = HashMap::new();
        for (path, own) in sums {
            for sum in own {
                by_sum.entry(sum).or_default().push(path.clone());
            }
        }
        for files in by_sum.values_mut() {
            files.sort_unstable();
        }
        let sums = by_sum;
        Ok(FailedBefore { now, sums })
    }

    /// Returns whether a file was listed under another name before.
    pub fn has_moved(&self) -> bool {
        let mut files = self.generations.iter().flat_map(|g| &g.files);
        files.any(|file| file.previous.is_some())
    }

    /// Adds what is said of each file, by its path in the folder that is checked. A hash that is
    /// marked as failed is never used (specification 1.0, on `action`). Returns how many files it
    /// names, and the folders of the last generation.
    ///
    /// # Errors
    /// When it names what could lie outside of its folder, one path twice in a generation, or two
    /// hashes of a file that contradict each other.
    pub fn claims(&self, claims: &mut Claims) -> Result<(u64, BTreeSet<String>), WhyRefused> {
        let mut own = Claims::default();
        for generation in &self.generations {
            let mut seen: BTreeSet<CardName> = BTreeSet::new();
            let mut renamed = Vec::new();
            for file in &generation.files {
                if let Some(previous) = &file.previous {
                    renamed.push((self.place(previous)?, self.place(&file.path)?));
                }
            }
            if let Err(taken) = own.rename(renamed) {
                return Err(WhyRefused::TwoSums(taken.as_str().to_owned()));
            }
            for file in &generation.files {
                let path = self.place(&file.path)?;
                if !seen.insert(path.clone()) {
                    return Err(WhyRefused::PathTwice(file.path.clone()));
                }
                let claim = own.of(path);
                let is_good = file.sums.iter().any(|s| s.action != MhlAction::Failed);
                // The size of what failed is that of what failed.
                claim.bytes = claim.bytes.or(file.bytes.filter(|_| is_good));
                for sum in file.sums.iter().filter(|s| s.action != MhlAction::Failed) {
                    let sum = Sum {
                        kinds: smallvec![sum.kind],
                        hex: sum.hex.clone(),
                    };
                    if !claim.add(sum) {
                        return Err(WhyRefused::TwoSums(file.path.clone()));
                    }
                }
                if claim.sums.is_empty() {
                    claim.set_unknown(MARKED_FAILED);
                }
            }
        }
        let mut folders = BTreeSet::new();
        if let Some(last) = self.generations.last() {
            let folders_below = last.folders.iter().map(|folder| folder.path.as_str());
            let below = folders_below.filter(|path| !["", ".", "./"].contains(path));
            for folder in below {
                folders.insert(
                    self.place(folder.trim_end_matches('/'))?
                        .as_str()
                        .to_owned(),
                );
            }
        }
        let files = crate::units::len64(own.len());
        for (path, claim) in own.into_sorted() {
            let all = claims.of(path.clone());
            all.bytes = all.bytes.or(claim.bytes);
            if let Some(unknown) = claim.unknown().filter(|_| all.unknown().is_none()) {
                all.set_unknown(unknown);
            }
            for sum in claim.sums {
                if !all.add(sum) {
                    return Err(WhyRefused::TwoSums(path.as_str().to_owned()));
                }
            }
        }
        Ok((files, folders))
    }

    fn place(&self, path: &str) -> Result<CardName, WhyRefused> {
        let refused = |why: PlaceError| WhyRefused::Place(path.to_owned(), why);
        let inside = |path: &str| inside_with_slashes(path, cfg!(windows));
        // On its own first: the folder before it must not make a good path of it.
        let below = inside(path).map_err(refused)?;
        if self.folder.is_empty() {
            return Ok(below);
        }
        inside(&format!("{}/{}", self.folder, below.as_str())).map_err(refused)
    }
}

fn failed_sums(file: &FileEntry) -> Vec<(Checksum, Box<str>)> {
    let failed = file.sums.iter();
    let failed = failed.filter(|sum| sum.action == MhlAction::Failed);
    failed.map(|sum| (sum.kind, sum.hex.clone())).collect()
}
