//! Owns what an earlier run left at the place of an offload on one destination, as the plan weighs
//! it. It holds; it reads nothing.
use crate::disk::Stat;
use crate::hash_algorithm::Also;
use crate::record::earlier_run::Records;
use std::collections::HashMap;
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
    pub damaged: Option<String>,
    /// Of a bag: size and SHA-256 of files as its manifests have them, those of earlier runs
    /// included, where [`Self::records`] does not know them.
    pub bag_sums: HashMap<Arc<str>, (u64, String)>,
}

impl Standing {
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
