//! Owns what the generations of a history say together: which hashes each file may be held against,
//! and where it is now.

use super::generation::{Generation, MhlAction};
use crate::name::CardName;
use crate::record::others::claims::{Claims, Sum};
use crate::record::others::place::inside;
use crate::record::others::refusal::WhyRefused;
use smallvec::smallvec;
use std::collections::BTreeSet;

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

impl History {
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
                    claim.unknown = Some(MARKED_FAILED.into());
                }
            }
        }
        let mut folders = BTreeSet::new();
        if let Some(last) = self.generations.last() {
            let below = last
                .folders
                .iter()
                .filter(|f| !["", ".", "./"].contains(&f.as_str()));
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
            all.unknown = all.unknown.take().or(claim.unknown);
            for sum in claim.sums {
                if !all.add(sum) {
                    return Err(WhyRefused::TwoSums(path.as_str().to_owned()));
                }
            }
        }
        Ok((files, folders))
    }

    fn place(&self, path: &str) -> Result<CardName, WhyRefused> {
        let refused = |why| WhyRefused::Place(path.to_owned(), why);
        // On its own first: the folder before it must not make a good path of it.
        let below = inside(path).map_err(refused)?;
        if self.folder.is_empty() {
            return Ok(below);
        }
        inside(&format!("{}/{}", self.folder, below.as_str())).map_err(refused)
    }
}
