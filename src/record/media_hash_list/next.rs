//! Owns what the next generation of a history says, whoever found it, and its place in the chain.

use super::draft::MhlDraft;
use super::standing::StandingHistory;
use super::text::{chain, file_name, generation};
use crate::hash_algorithm::checksum::Checksum;
use crate::hash_algorithm::{Also, Hasher, sha512_of_c4};
use crate::record::others::FileClaim;
use crate::record::others::mhl::{ChainEntry, MHL_CHAIN, MHL_FOLDER, MhlAction};
use crate::units::len64;

/// The files of a history that are written for its next generation.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct NextGeneration {
    /// Its path below the folder.
    pub path: String,
    /// What it holds.
    pub list: Vec<u8>,
    /// The path of the chain.
    pub chain_path: String,
    /// The chain with it.
    pub chain: Vec<u8>,
}

/// Returns the files of the next generation of the history that stands there.
pub fn next_generation(standing: Option<&StandingHistory>, draft: &MhlDraft<'_>) -> NextGeneration {
    let mut entries: Vec<ChainEntry> = standing.map_or_else(Vec::new, |s| s.entries.clone());
    let number = len64(entries.len()) + 1;
    let path = file_name(number, draft);
    let list = generation(draft).into_bytes();
    let mut hasher = Hasher::new(Also::Sha512);
    hasher.update(&list);
    entries.push(ChainEntry {
        number,
        path: path.clone(),
        sha512: hasher.finish(),
    });
    NextGeneration {
        path: format!("{MHL_FOLDER}/{path}"),
        list,
        chain_path: format!("{MHL_FOLDER}/{MHL_CHAIN}"),
        chain: chain(&entries).into_bytes(),
    }
}

/// What a history says of a file's hashes.
pub(super) struct SaidBefore {
    /// What a next generation says of it; `None` where it has none of these kinds.
    pub(super) action: Option<MhlAction>,
    /// It has every one of them, equal.
    pub(super) is_all_said: bool,
}

impl SaidBefore {
    /// Holds hashes of a file against what a history says of it.
    pub(super) fn of(claim: Option<&FileClaim>, hashes: &[(Also, String)]) -> Self {
        let Some(claim) = claim.filter(|claim| !claim.sums.is_empty()) else {
            return Self {
                action: Some(MhlAction::Original),
                is_all_said: false,
            };
        };
        let (mut equal, mut other) = (0, 0);
        for (kind, sum) in hashes {
            let (kind, hex) = comparable(*kind, sum);
            for said in claim.sums.iter().filter(|s| s.kinds.as_slice() == [kind]) {
                if *said.hex == *hex {
                    equal += 1;
                } else {
                    other += 1;
                }
            }
        }
        let action = match (equal, other) {
            (_, 1..) => Some(MhlAction::Failed),
            (1.., 0) => Some(MhlAction::Verified),
            (_, _) => None,
        };
        Self {
            action,
            is_all_said: other == 0 && equal == hashes.len(),
        }
    }
}

/// A hash as a history that was read has it.
fn comparable(kind: Also, sum: &str) -> (Checksum, String) {
    match kind {
        Also::C4 => {
            let hex = sha512_of_c4(sum).unwrap_or_default();
            (Checksum::Also(Also::Sha512), hex)
        }
        kind => (Checksum::Also(kind), sum.to_owned()),
    }
}
