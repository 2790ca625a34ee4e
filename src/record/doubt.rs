//! Owns what a manifest itself doubts: files of which it is not certain that what it recorded is
//! what the card holds, or what stands on a drive. Whoever believes a record without reading asks
//! here first. Pure.

use crate::error::{Problem, ProblemKind};
use crate::record::manifest::Manifest;
use std::collections::HashSet;

/// Troubles after which the hash of a file is not certainly that of the card's file.
const DOUBTS: [ProblemKind; 5] = [
    ProblemKind::Unreadable,
    ProblemKind::Vanished,
    ProblemKind::ChangedOnCard,
    ProblemKind::Mismatch,
    ProblemKind::ManifestDamaged,
];

/// What one manifest doubts.
#[derive(Clone, Debug, Default)]
pub struct Doubts<'a> {
    /// Why all of it is doubted: it had more troubles than it lists.
    pub all: Option<&'a str>,
    of_card: HashSet<&'a str>,
    of_drive: HashSet<&'a str>,
}

impl<'a> Doubts<'a> {
    /// Returns the doubts of a manifest. Of drives only those of destination `here` count, where it
    /// is known which one that is; else those of all.
    pub fn of(manifest: &'a Manifest, here: Option<usize>) -> Self {
        let mut doubts = Self::default();
        let is_here =
            |p: &&Problem| p.destination.is_none() || here.is_none() || p.destination == here;
        // What went wrong on a drive that was not needed kept nothing from being PROVEN; it is a
        // doubt there.
        let counts = |p: &&Problem| p.blocking || p.destination.is_some();
        for problem in manifest.problems.iter().filter(counts).filter(is_here) {
            let is_doubt = DOUBTS.contains(&problem.kind);
            match problem.path.as_deref() {
                Some(path) if is_doubt && problem.destination.is_none() => {
                    doubts.of_card.insert(path);
                }
                Some(path) if is_doubt => {
                    doubts.of_drive.insert(path);
                }
                // A card or drive that is gone is told so; what was read before that was read.
                None if is_doubt && problem.kind != ProblemKind::Vanished => {
                    doubts.all = doubts.all.or(Some(&problem.detail));
                }
                _ => {}
            }
        }
        doubts
    }

    /// Returns whether it is doubted that the hash on record is that of the card's file.
    pub fn is_of_card(&self, path: &str) -> bool {
        self.all.is_some() || self.of_card.contains(path)
    }

    /// Returns whether it is doubted that the file stands on this drive as it is on record.
    pub fn is_of_drive(&self, path: &str) -> bool {
        self.of_drive.contains(path)
    }

    /// Returns whether anything about a file is doubted.
    pub fn is_of(&self, path: &str) -> bool {
        self.is_of_card(path) || self.is_of_drive(path)
    }
}
