//! Owns the check of a bag's tag files against the manifests and the drive (RFC 8493, 3: complete
//! and valid), so that `verify` finds what other programs that check bags would find. It writes
//! nothing.

use super::finding::{Finding, path_of};
use super::stored::{names, tag_sums};
use crate::disk::Disk;
use crate::disk::hash_file::hash_whole_with;
use crate::error::Step;
use crate::hash_algorithm::{Also, AlsoSet};
use crate::name::shown;
use crate::record::bag::{DECLARATION, payload, payload_manifest, read_payload, sha256};
use crate::record::layout::{BAGIT, Layout, PAYLOAD_MANIFEST, RECORDS, TAG_FILES, TAG_MANIFEST};
use crate::record::manifest::{FilePart, MANIFEST_BYTES_MAX, MANIFEST_SIGNATURE, Manifest};
use crate::record::store::PICTURES;
use camino::Utf8Path;
use std::collections::{HashMap, HashSet};
use std::io;

/// A bag as it stands on a drive.
pub(super) struct Bag<'a> {
    pub(super) disk: &'a dyn Disk,
    pub(super) root: &'a Utf8Path,
    pub(super) manifest: &'a Manifest,
    /// The manifests of earlier runs, oldest first.
    pub(super) earlier: &'a [Manifest],
    /// Everything in the records folder, relative to it.
    pub(super) in_records: &'a [String],
    /// Every file below `data`, relative to it.
    pub(super) payload: &'a HashSet<String>,
}

impl Bag<'_> {
    /// Checks all tag files, and adds to what was found in the records.
    pub(super) fn check(&self, findings: &mut Vec<Finding>) {
        let mut tags: HashMap<&str, Vec<u8>> = HashMap::new();
        for name in TAG_FILES {
            match self
                .disk
                .read_record(&self.root.join(name), MANIFEST_BYTES_MAX)
            {
                Ok(bytes) => drop(tags.insert(name, bytes)),
                Err(e) if e.kind() == io::ErrorKind::NotFound => {
                    findings.push(Finding::Missing(name.to_owned()));
                }
                Err(e) => findings.push(Finding::of_failure(name.to_owned(), Step::Read, &e)),
            }
        }
        if tags.get(BAGIT).is_some_and(|b| b != DECLARATION.as_bytes()) {
            let why = "does not declare a bag of version 1.0".to_owned();
            findings.push(Finding::Changed(BAGIT.to_owned(), why));
        }
        let listed = tags.get(PAYLOAD_MANIFEST);
        if let Some(why) = listed.and_then(|bytes| self.payload_fault(bytes)) {
            findings.push(Finding::Changed(PAYLOAD_MANIFEST.to_owned(), why));
        }
        if let Some(bytes) = tags.get(TAG_MANIFEST) {
            self.check_tag_manifest(bytes, findings);
        }
    }

    /// Returns how the payload manifest differs from what the manifests say and what stands there.
    /// It begins with the files of the last run, as one of its destinations has them; then come
    /// those of earlier runs that have left the card or were rewritten there.
    fn payload_fault(&self, bytes: &[u8]) -> Option<String> {
        let mut listed = match read_payload(bytes) {
            Ok(listed) => listed,
            Err(why) => return Some(why.to_string()),
        };
        let mut texts = (0..self.manifest.destinations.len()).map(|d| payload(self.manifest, d));
        if !texts.any(|one| bytes.starts_with(payload_manifest(&one).as_bytes())) {
            return Some("does not say what the manifest says".to_owned());
        }
        let earlier = self.earlier_hashes();
        let now: HashSet<&str> = self
            .manifest
            .files
            .iter()
            .filter_map(hash)
            .map(|f| f.0)
            .collect();
        let is_known = |path: &str| now.contains(path) || earlier.contains_key(path);
        let stands = self.payload.iter().filter(|p| is_known(p));
        if let Some(path) = stands.filter(|p| !listed.contains_key(*p)).min() {
            return Some(format!("does not list `{}`", shown(path)));
        }
        listed.retain(|path, hex| match earlier.get(path.as_str()) {
            // Told above where this destination has it; else it is what stood there before.
            _ if now.contains(path.as_str()) => false,
            // Also copied by a run that was cut off, after another of that name was lost.
            Some(all) => !all.contains(hex.as_str()) && !self.is_true(path, hex),
            // A run that was cut off copied it, and then it left the card. It is told as one that
            // no record names.
            None => !self.payload.contains(path),
        });
        let wrong = listed.keys().min()?;
        Some(format!("says of `{}` what no manifest says", shown(wrong)))
    }

    /// Whether a file of the payload has this SHA-256.
    fn is_true(&self, path: &str, hex: &str) -> bool {
        let at = Layout::Bag.payload(self.root).join(path);
        let kinds = AlsoSet::from_iter([Also::Sha256]);
        let hashed = self.disk.open_read_back(&at).and_then(|mut source| {
            let bytes = source.stat()?.bytes;
            hash_whole_with(source.as_mut(), bytes, kinds, &mut |_| true)
        });
        matches!(hashed, Ok(Some(whole)) if whole.also.get(Also::Sha256) == Some(hex))
    }

    /// Every SHA-256 that the manifests of earlier runs have of a file.
    fn earlier_hashes(&self) -> HashMap<&str, HashSet<&str>> {
        let mut all: HashMap<&str, HashSet<&str>> = HashMap::new();
        for (path, hex) in self.earlier.iter().flat_map(|m| &m.files).filter_map(hash) {
            all.entry(path).or_default().insert(hex);
        }
        all
    }

    fn check_tag_manifest(&self, bytes: &[u8], findings: &mut Vec<Finding>) {
        let changed = |why: String| Finding::Changed(TAG_MANIFEST.to_owned(), why);
        let sums = match tag_sums(bytes) {
            Ok(sums) => sums,
            Err(why) => return findings.push(changed(why.to_string())),
        };
        let names = names();
        let stands = self
            .in_records
            .iter()
            .filter(|n| names.contains(n.as_str()))
            // They are named after all else: the signature, by `--sign` or by hand, vouches for
            // itself, and nothing does for pictures.
            .filter(|n| *n != MANIFEST_SIGNATURE && *n != PICTURES);
        let records = stands.map(|name| format!("{RECORDS}/{name}"));
        let tags = TAG_FILES.iter().filter(|n| **n != TAG_MANIFEST);
        for path in tags.map(|n| (*n).to_owned()).chain(records) {
            if !sums.contains_key(&path) {
                findings.push(changed(format!("does not list `{path}`")));
            }
        }
        for (path, hex) in sums {
            // What was told already is not told again.
            if findings.iter().any(|f| path_of(f) == path) {
                continue;
            }
            match self
                .disk
                .read_record(&self.root.join(&path), MANIFEST_BYTES_MAX)
            {
                Ok(bytes) if sha256(&bytes) == hex => {}
                Ok(_) => {
                    let why = format!("is not what {TAG_MANIFEST} says");
                    findings.push(Finding::Changed(path, why));
                }
                Err(e) => findings.push(Finding::of_failure(path, Step::Read, &e)),
            }
        }
    }
}

fn hash(file: &FilePart) -> Option<(&str, &str)> {
    let hex = file.also.get(Also::Sha256)?;
    (!file.is_elsewhere()).then_some((&*file.path, hex))
}
