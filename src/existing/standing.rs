//! Owns what an earlier run left at the place of an offload on one destination, as the plan weighs
//! it. It holds; it reads nothing.
use crate::disk::{FolderFacts, Stat};
use crate::error::Step;
use crate::hash_algorithm::Also;
use crate::record::damage::{CheckedCopy, CopyDamage, KnownDamage};
use crate::record::earlier_run::Records;
use crate::record::journal::JournalError;
use crate::record::manifest::ManifestError;
use crate::record::media_hash_list::HistoryError;
use std::collections::HashMap;
use std::io;
use std::sync::Arc;

/// What stands at the place of the offload on one destination.
#[derive(Clone, Debug, Default)]
pub struct Standing {
    /// Every entry of the card's tree below it, by the card's path; empty when there is no such
    /// folder.
    pub entries: HashMap<String, Stat>,
    /// Whether the folder exists.
    pub exists: bool,
    /// Records of an earlier run.
    pub records: Option<Records>,
    /// Why the records that stand there cannot be used.
    pub damaged: Option<Arc<RecordsError>>,
    /// The copy as checks of it are remembered, where its manifest is known.
    pub checked: Option<CheckedCopy>,
    /// What such a check found damaged and no later one found good.
    pub damage: CopyDamage,
    /// The media hash list in it, where there are records of ours.
    pub history: HistoryThere,
    /// Of a bag: size and SHA-256 of files as its manifests have them, those of earlier runs
    /// included, where [`Self::records`] does not know them.
    pub bag_sums: HashMap<Arc<str>, (u64, String)>,
}

/// Whether a media hash list is there.
#[derive(Clone, Debug, Default)]
pub enum HistoryThere {
    /// There is none.
    #[default]
    None,
    /// It may be gone on with.
    Whole,
    /// Why it is not gone on with.
    Unusable(Arc<HistoryError>),
}

impl HistoryThere {
    /// Returns whether there is one that may be gone on with.
    pub fn is_there(&self) -> bool {
        matches!(self, Self::Whole)
    }
}

/// Why records that stand on a destination cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum RecordsError {
    /// Something else has the name of a folder: of the records', or of a bag's payload.
    #[error("`{0}` in it is not a folder")]
    NoFolder(&'static str),
    /// The system refused a step.
    #[error("the {what} could not {}: {cause}", step.words())]
    Unread {
        /// "manifest" or "journal".
        what: &'static str,
        /// What was being done.
        step: Step,
        /// What the system said.
        #[source]
        cause: io::Error,
    },
    /// The manifest is not to be trusted.
    #[error(transparent)]
    Manifest(#[from] ManifestError),
    /// The journal is not to be trusted.
    #[error(transparent)]
    Journal(#[from] JournalError),
}

impl Standing {
    /// Notes what checks found in the offload, whose folder is `root`.
    pub fn note_damage(&mut self, root: &FolderFacts, known: &KnownDamage) {
        let manifest = self.records.as_ref().and_then(|r| r.manifest_b3);
        self.checked = manifest.map(|b3| CheckedCopy::of(b3, root));
        self.damage = self
            .checked
            .as_ref()
            .map_or_else(Default::default, |copy| known.of(copy));
    }

    /// Returns size and SHA-256 that a record holds of a file.
    pub fn bag_sum(&self, path: &str) -> Option<(u64, &str)> {
        let proven = self.records.as_ref().and_then(|r| r.proven.get(path));
        let known = proven.and_then(|e| Some((e.bytes, e.also.get(Also::Sha256)?)));
        known.or_else(|| {
            let (bytes, sha256) = self.bag_sums.get(path)?;
            Some((*bytes, sha256.as_str()))
        })
    }
}
