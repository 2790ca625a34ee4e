//! Owns what the next generation of a history says, whoever found it, and its place in the chain.

use super::draft::MhlDraft;
use super::standing::StandingHistory;
use super::text::{chain, file_name, generation};
use crate::hash_algorithm::checksum::Checksum;
use crate::hash_algorithm::{Also, Hasher, sha512_of_c4};
use crate::name::CardName;
use crate::record::others::FileClaim;
use crate::record::others::mhl::{ChainEntry, FailedBefore, MHL_CHAIN, MHL_FOLDER, MhlAction};
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
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SaidBefore {
    /// What a next generation says of it; `None` where it has none of these kinds.
    pub action: Option<MhlAction>,
    /// It says so already, with every one of them.
    pub is_all_said: bool,
}

impl SaidBefore {
    /// Holds hashes of a file against what a history says of it. What is new and once failed under
    /// any name is no new file: it has failed.
    pub fn of(
        name: &CardName,
        claim: Option<&FileClaim>,
        failed: &FailedBefore,
        bytes: u64,
        hashes: &[(Also, String)],
    ) -> Self {
        let sums = claim.map(|claim| claim.sums.as_slice()).unwrap_or_default();
        let (mut equal, mut other) = (0_usize, 0_usize);
        for (kind, sum) in hashes {
            let (kind, hex) = comparable(*kind, sum);
            for said in sums.iter().filter(|s| s.kinds.as_slice() == [kind]) {
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
            (0, 0) if !sums.is_empty() => None,
            (0, 0) if failed_as(failed, bytes, hashes).next().is_some() => Some(MhlAction::Failed),
            (0, 0) => Some(MhlAction::Original),
        };
        let is_all_said = match action {
            Some(MhlAction::Failed) => failed.is_now(name),
            Some(MhlAction::Verified) => equal == hashes.len() && !failed.is_now(name),
            Some(MhlAction::Original) | None => false,
        };
        Self {
            action,
            is_all_said,
        }
    }
}

/// Returns the files that have failed with one of these hashes. All that hold nothing are alike.
pub(super) fn failed_as<'a>(
    failed: &'a FailedBefore,
    bytes: u64,
    hashes: &'a [(Also, String)],
) -> impl Iterator<Item = &'a CardName> {
    let all = hashes.iter().filter(move |_| bytes > 0);
    let all = all.map(|(kind, sum)| comparable(*kind, sum));
    all.flat_map(|(kind, hex)| failed.of_sum(kind, &hex))
}

/// A hash as a history that was read has it.
pub(super) fn comparable(kind: Also, sum: &str) -> (Checksum, String) {
    match kind {
        Also::C4 => {
            let hex = sha512_of_c4(sum).unwrap_or_default();
            (Checksum::Also(Also::Sha512), hex)
        }
        kind => (Checksum::Also(kind), sum.to_owned()),
    }
}
