//! Owns what a check of an offload found, and what follows from it.

use super::finding::{Finding, FindingCounts, path_of};
use super::history;
use super::records::{Remark, Signature};
use crate::disk::{FolderFacts, ReadBackWay};
use crate::error::{Error, ProblemKind};
use crate::record::damage::{CheckNote, DamageKind};
use crate::record::layout::{Layout, RECORDS, TAG_FILES};
use crate::record::manifest::{MANIFEST_SIGNATURE, Manifest, ManifestError};
use crate::record::media_hash_list::is_of_history;
use crate::record::signature::TrustedKeys;
use jiff::Timestamp;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// What a check found.
#[derive(Clone, Debug)]
pub struct Findings {
    /// What the manifest says.
    pub manifest: Manifest,
    /// Whether the manifest was checked against its own hash.
    pub manifest_hash_checked: bool,
    /// Files that were read and are equal.
    pub equal: u64,
    /// Their bytes.
    pub equal_bytes: u64,
    /// Of these, files that are no longer in the manifest but in one of an earlier run.
    pub earlier: u64,
    /// Files that lie in other offloads, by those: not looked at here.
    pub elsewhere: BTreeMap<String, u64>,
    /// What does not fit, sorted by path.
    pub findings: Vec<Finding>,
    /// Entries that computers left behind since; told, and no fault.
    pub litter: Vec<String>,
    /// Salvaged files that are what the lists beside them say. They are no copies.
    pub salvaged: u64,
    /// What should be told of the records and is no fault.
    pub remarks: BTreeSet<Remark>,
    /// Whether the manifest was signed.
    pub signature: Signature,
    /// The least reliable way in which a file was read.
    pub way: ReadBackWay,
    /// What the system says of the offload's folder.
    pub facts: FolderFacts,
    /// How long it took.
    pub took: Duration,
    /// The offload lies in memory: there is no device to read from.
    pub in_memory: bool,
    /// Stopped by the person.
    pub interrupted: bool,
}

impl Findings {
    /// Returns whether everything fits and was read from where it is kept.
    pub fn is_clean(&self) -> bool {
        let is_unchecked = matches!(self.signature, Signature::Unchecked(_));
        self.findings.is_empty() && !is_unchecked && !self.interrupted && self.reached_device()
    }

    /// Returns whether a signature is there that does not fit, or is not the one that was expected.
    pub fn is_untrusted(&self) -> bool {
        let mut findings = self.findings.iter();
        findings.any(|f| matches!(f, Finding::Untrusted(..)))
    }

    /// Returns whether the manifest is intact and signed by one of these keys.
    pub fn is_signed_by(&self, expected: &TrustedKeys) -> bool {
        matches!(&self.signature, Signature::Intact(by) if expected.has(by))
    }

    /// Holds the signature against the keys that are expected: one that is missing or by another
    /// key is a finding. One that was found broken is told already.
    pub fn expect_signed_by(&mut self, expected: &TrustedKeys) {
        let Some(why) = self.signature.unlike(expected) else {
            return;
        };
        let path = format!("{RECORDS}/{MANIFEST_SIGNATURE}");
        self.findings.push(Finding::Untrusted(path, why));
        self.findings.sort_by(|a, b| path_of(a).cmp(path_of(b)));
    }

    /// Returns whether what was read came from the device, or from memory because it lies there.
    pub fn reached_device(&self) -> bool {
        self.in_memory || self.equal == 0 || self.way.reaches_device()
    }

    fn is_record(&self, path: &str) -> bool {
        let below = path.strip_prefix(RECORDS);
        let is_plain = self.manifest.offload.layout == Layout::Plain;
        below.is_some_and(|rest| rest.starts_with('/'))
            || (is_plain && is_of_history(path) && history::is_record([&self.manifest]))
    }

    /// Returns whether every finding is about the records, and the files are as they were.
    pub fn only_records(&self) -> bool {
        let layout = self.manifest.offload.layout;
        let in_records = |f: &Finding| {
            let path = path_of(f);
            self.is_record(path) || (layout == Layout::Bag && TAG_FILES.contains(&path))
        };
        self.findings.iter().all(in_records)
    }

    /// Returns what is to be remembered of this copy.
    pub fn note(&self, at: Timestamp) -> Option<CheckNote> {
        let layout = self.manifest.offload.layout;
        let mut note = CheckNote::of(&self.manifest, &self.facts, at)?;
        note.whole = !self.interrupted && self.reached_device();
        for finding in &self.findings {
            let (path, kind, why) = match finding {
                Finding::Missing(path) | Finding::Moved(path, _) => (path, DamageKind::Missing, ""),
                Finding::Changed(path, why) => (path, DamageKind::Changed, why.as_str()),
                Finding::Unreadable(path, why) => (path, DamageKind::Unreadable, why.as_str()),
                Finding::Extra(_) | Finding::Untrusted(..) | Finding::Unchecked(..) => continue,
            };
            let of_card = layout.inside(path).filter(|_| !self.is_record(path));
            if let Some(path) = of_card {
                note.add(path, kind, why);
            }
        }
        Some(note)
    }

    /// Returns how many are missing, changed and extra.
    pub fn counts(&self) -> (u64, u64, u64) {
        let counts = FindingCounts::of(&self.findings);
        (counts.missing, counts.changed, counts.extra)
    }

    /// Returns how many could not be looked at or read.
    pub fn unread(&self) -> u64 {
        FindingCounts::of(&self.findings).unread
    }
}

/// Why an offload could not be checked at all.
#[derive(Debug)]
pub enum VerifyError {
    /// Its manifest cannot be trusted.
    Manifest(ManifestError),
    /// Its folder cannot be listed.
    Io(Error),
}

impl std::fmt::Display for VerifyError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Manifest(e) => e.fmt(f),
            Self::Io(e) => e.fmt(f),
        }
    }
}

impl std::error::Error for VerifyError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Manifest(e) => e.source(),
            Self::Io(e) => e.source(),
        }
    }
}

impl VerifyError {
    /// Returns what kind of trouble it is.
    pub fn kind(&self) -> ProblemKind {
        match self {
            Self::Manifest(e) => e.kind(),
            Self::Io(_) => ProblemKind::Unreadable,
        }
    }
}
