//! Owns what a check against the lists of others found, and why there was none.

use super::no_generation::NoGeneration;
use crate::disk::{FolderFacts, ReadBackWay};
use crate::error::{Error, Interruption};
use crate::hash_algorithm::checksum::Checksum;
use crate::record::layout::RECORDS;
use crate::record::manifest::MANIFEST_SIGNATURE;
use crate::record::others::RefusedRecord;
use crate::record::signature::TrustedKeys;
use crate::verify::answer::VerifyError;
use crate::verify::finding::{Finding, path_of};
use crate::verify::records::Signature;
use std::fmt;
use std::time::Duration;

/// What a record is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RecordKind {
    /// A list of a bag's payload; the bag's version, as major and minor number.
    Bag((u32, u32)),
    /// A checksum list.
    List,
    /// An ASC MHL history of so many generations.
    Mhl(u64),
}

/// A record that was read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct RecordRead {
    /// What it is.
    pub kind: RecordKind,
    /// Its file name.
    pub name: String,
    /// How many files it names with hashes that are known here.
    pub files: u64,
    /// How many more with other hashes, which were not used.
    pub unknown: u64,
    /// What its hashes are, or can be.
    pub hashes: Vec<Checksum>,
}

/// What such a record does not say.
pub const LIST_WORTH: &str = "A list of others says what is in this folder. It doesn't say which \
    card that came from, or that there is a second copy.";

/// Files that fit and are named one by one.
pub const EQUAL_NAMED: usize = 2_000;

/// What a check against the records of others found.
#[derive(Clone, Debug)]
pub struct OthersFindings {
    /// What was read.
    pub records: Vec<RecordRead>,
    /// Records of which the hash is not known here; others were used.
    pub unused: Vec<String>,
    /// Files that a record names.
    pub named: u64,
    /// Files that were read and are what every record says of them.
    pub equal: u64,
    /// Their bytes.
    pub equal_bytes: u64,
    /// The first [`EQUAL_NAMED`] of them, by path and size, sorted as the records' own paths are.
    pub equal_files: Vec<(String, u64)>,
    /// What does not fit, sorted by path.
    pub findings: Vec<Finding>,
    /// Entries that computers left behind since; told, and no fault.
    pub litter: Vec<String>,
    /// Files that a history leaves out by its own patterns: nothing is known of them.
    pub left_out: u64,
    /// The generation that was added after the check, or why it could not be; `None` where none was
    /// asked for.
    pub added: Option<Result<String, String>>,
    /// Of an offload of which a check was written down, whether its manifest is signed.
    pub signature: Option<Signature>,
    /// Writing a check down in a media hash list was cut short there.
    pub cut_short: bool,
    /// The least reliable way in which a file was read.
    pub way: ReadBackWay,
    /// What the system says of the folder.
    pub facts: FolderFacts,
    /// How long it took.
    pub took: Duration,
    /// The folder lies in memory: there is no device to read from.
    pub in_memory: bool,
    /// Stopped by the person.
    pub interrupted: bool,
}

impl OthersFindings {
    /// Returns whether everything fits and was read from where it is kept.
    pub fn is_clean(&self) -> bool {
        let is_anything = self.named > 0;
        let is_added = !matches!(self.added, Some(Err(_)));
        is_anything
            && is_added
            && self.findings.is_empty()
            && !self.interrupted
            && self.reached_device()
    }

    /// Holds the signature against keys. A list of others has none.
    pub fn expect_signed_by(&mut self, expected: &TrustedKeys) {
        let (path, why) = if let Some(signature) = &self.signature {
            let path = format!("{RECORDS}/{MANIFEST_SIGNATURE}");
            match signature.unlike(expected) {
                Some(why) => (path, why),
                None => return,
            }
        } else {
            let path = self.records.first().map(|record| record.name.clone());
            let why = "there is none: a list of others is not signed".to_owned();
            (path.unwrap_or_default(), why)
        };
        self.findings.push(Finding::Untrusted(path, why));
        self.findings.sort_by(|a, b| path_of(a).cmp(path_of(b)));
    }

    /// Returns whether what was read came from the device, or from memory because it lies there.
    pub fn reached_device(&self) -> bool {
        self.in_memory || self.equal == 0 || self.way.reaches_device()
    }
}

/// Why a folder could not be checked against the records of others.
#[derive(Debug)]
pub enum OthersError {
    /// It could not be looked at or read.
    Io(Error),
    /// The list that was given could not be read.
    List(Error),
    /// A record cannot be relied on.
    Refused(RefusedRecord),
    /// There is no record. Lists that lie in folders below, relative to it.
    NoRecord(Vec<String>),
    /// A generation was asked for, and none can be added.
    NoGeneration(NoGeneration),
    /// Stopped by the person.
    Interrupted,
}

impl fmt::Display for OthersError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(error) => error.fmt(f),
            Self::List(error) if error.cause.kind() == std::io::ErrorKind::NotFound => {
                f.write_str("the list is not there")
            }
            Self::List(error) => write!(f, "the list: {error}"),
            Self::Refused(refused) => refused.fmt(f),
            Self::NoRecord(_) => f.write_str(
                "nothing here says what it should hold: no `_unlade`, bag or checksum list",
            ),
            Self::NoGeneration(why) => write!(f, "no generation can be added: {why}"),
            Self::Interrupted => Interruption.fmt(f),
        }
    }
}

impl std::error::Error for OthersError {}

impl From<VerifyError> for OthersError {
    fn from(error: VerifyError) -> Self {
        match error {
            VerifyError::Io(error) => Self::Io(error),
            // Nothing here reads a manifest of ours.
            VerifyError::Manifest(_) => Self::Interrupted,
        }
    }
}
