//! Owns which records a run may store: their names, and a tag manifest that lists no others.

use crate::record::bag::{BagError, read_manifest};
use crate::record::checksums::List;
use crate::record::layout::{RECORDS, TAG_FILES, TAG_MANIFEST};
use crate::record::manifest::{MANIFEST, MANIFEST_HASH, MANIFEST_SIGNATURE};
use crate::record::store::{PICTURES, REPORT};
use std::collections::{HashMap, HashSet};

/// What a run may store in the records folder.
pub(super) fn names() -> HashSet<&'static str> {
    let lists = List::all().map(List::file_name);
    let others = [
        MANIFEST,
        MANIFEST_HASH,
        MANIFEST_SIGNATURE,
        REPORT,
        PICTURES,
    ];
    lists.chain(others).collect()
}

/// Reads a tag manifest; it may name only what a run stores.
///
/// # Errors
/// When it is none or names something else.
pub(super) fn tag_sums(bytes: &[u8]) -> Result<HashMap<String, String>, BagError> {
    let sums = read_manifest(bytes)?;
    let names = names();
    let is_ours = |path: &str| match path.split_once('/') {
        None => path != TAG_MANIFEST && TAG_FILES.contains(&path),
        Some((folder, name)) => folder == RECORDS && names.contains(name),
    };
    match sums.keys().filter(|path| !is_ours(path)).min() {
        Some(other) => Err(BagError::Foreign(other.clone())),
        None => Ok(sums),
    }
}
