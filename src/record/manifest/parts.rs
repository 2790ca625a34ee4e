//! Owns the parts of a manifest, as its format has them.

use super::bounds::{HASHES_MAX, SAMPLES_MAX, TYPES_MAX, at_most};
use super::device::{DRIVE_MARK, PLACE_MARK, VOLUME_MARK};
use super::error::PathFault;
use crate::card::identity::CardMark;
use crate::clock::UtcOffset;
use crate::digest::Digest;
use crate::disk::{FolderFacts, ReadBackWay};
use crate::hash_algorithm::{Also, AlsoHashes};
use crate::name::CardName;
use crate::record::checksums::List;
use crate::record::layout::{
    DESTINATIONS_MAX, DestinationIdentity, ENTRIES_MAX, Layout, Level, PerDestination, RECORDS,
};
use serde::de::Deserializer;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Name and version of the program that wrote it.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct Tool {
    pub name: String,
    pub version: String,
}

/// The job.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct OffloadPart {
    pub name: String,
    pub started: String,
    pub finished: String,
    pub host: String,
    /// Where the card's tree lies inside the offload; unsaid when plain.
    #[serde(skip_serializing_if = "Layout::is_plain", default)]
    pub layout: Layout,
    /// Version 2: how far the computer's clock was from UTC when it finished, where it was.
    #[serde(
        skip_serializing_if = "Option::is_none",
        default,
        deserialize_with = "present"
    )]
    pub utc_offset: Option<UtcOffset>,
}

/// The card.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct CardPart {
    pub path: String,
    pub label: Option<String>,
    pub filesystem: String,
    pub volume_id: Option<String>,
    pub bytes_total: u64,
    pub listing_b3: Digest,
    /// `unknown` where the file system keeps local times without a zone.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub zone: Option<String>,
    /// Version 2: false where a folder of a card was copied and not the card.
    #[serde(
        skip_serializing_if = "Option::is_none",
        default,
        deserialize_with = "present"
    )]
    pub read_whole: Option<bool>,
}

impl CardPart {
    /// Returns by what the card is known again.
    pub fn mark(&self) -> CardMark<'_> {
        CardMark {
            volume_id: self.volume_id.as_deref(),
            path: Some(&self.path),
        }
    }
}

/// Something on the card that somebody should look at.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct HintPart {
    pub kind: String,
    pub path: Option<String>,
    pub detail: String,
}

/// An ASC media hash list that was made of the same read.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct MhlPart {
    #[serde(deserialize_with = "at_most::<_, _, HASHES_MAX>")]
    pub hashes: Vec<Also>,
}

/// What was shot.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct ContentsPart {
    #[serde(deserialize_with = "at_most::<_, _, TYPES_MAX>")]
    pub types: Vec<TypePart>,
    pub first: Option<String>,
    pub last: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub zone: Option<String>,
    pub looked_at: u64,
    #[serde(
        skip_serializing_if = "Vec::is_empty",
        default,
        deserialize_with = "at_most::<_, _, TYPES_MAX>"
    )]
    pub cameras: Vec<String>,
}

/// Files of one type.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct TypePart {
    pub ending: String,
    pub kind: String,
    pub files: u64,
    pub bytes: u64,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub seconds: Option<f64>,
}

/// An offload that a further copy was made of.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct SourcePart {
    pub offload: String,
    pub path: String,
    pub device: String,
    /// The BLAKE3 of its manifest.
    pub manifest_b3: Digest,
    pub readback: ReadBackWay,
    /// It was read whole from its device and is equal, so that it is one of the copies of the
    /// verdict.
    pub counted: bool,
}

/// What was asked to be proven.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct ProofPart {
    pub asked: Level,
    pub copies_needed: u64,
    pub hash: String,
    /// The person stated that devices which the system could not tell apart are separate.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub separate: bool,
    /// What equal hashes show and what not, in words.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub shows: Option<String>,
    /// Only what was new was copied.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub only_new: Option<OnlyNewPart>,
}

/// Files that were not copied again because earlier offloads hold them.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct OnlyNewPart {
    pub left_files: u64,
    pub left_bytes: u64,
    pub matched_by: MatchedBy,
    pub sampled_files: u64,
}

/// How files of the card were found to be those of an earlier offload.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MatchedBy {
    /// By path, size and date only.
    PathSizeDate,
    /// The card was read again as well, and is equal.
    Content,
}

/// A destination.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct DestinationPart {
    pub path: String,
    /// Version 2: what the drive was called, where the path does not end in that.
    #[serde(
        skip_serializing_if = "Option::is_none",
        default,
        deserialize_with = "present"
    )]
    pub name: Option<String>,
    pub device: String,
    pub filesystem: String,
    pub readback: ReadBackWay,
}

/// Counts.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct Totals {
    pub files: u64,
    pub bytes: u64,
    pub folders: u64,
    pub left_out: u64,
}

/// How far one copy was proven.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum CopyLevel {
    /// Flushed only.
    Written,
    /// Read back equal.
    Readback,
    /// Read back equal, and the card read a second time.
    Reread,
    /// Read back equal by an earlier run.
    Earlier,
}

impl CopyLevel {
    /// Returns whether it says that the copy was read back from its device.
    pub fn is_read_back(self) -> bool {
        self != Self::Written
    }
}

/// One copy of a file.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct CopyPart {
    pub destination: usize,
    pub proof: CopyLevel,
    pub readback_s: Option<f64>,
    /// Proven by an earlier run, and read back again in this one.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub again: bool,
    /// The earlier offload that holds it, relative to the destination; none: this one.
    #[serde(rename = "in", skip_serializing_if = "Option::is_none", default)]
    pub within: Option<Box<str>>,
}

/// A file that was read whole.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct FilePart {
    pub path: Arc<str>,
    pub bytes: u64,
    pub modified: Arc<str>,
    pub blake3: Digest,
    #[serde(default)]
    pub also: AlsoHashes,
    /// It holds nothing but zeros.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub only_zeros: bool,
    pub read_s: f64,
    #[serde(deserialize_with = "copies")]
    pub copies: PerDestination<CopyPart>,
}

impl FilePart {
    /// Returns whether the file lies in earlier offloads and not in this one.
    pub fn is_elsewhere(&self) -> bool {
        self.copies.iter().any(|c| c.within.is_some())
    }

    /// Returns the hash that a list holds of it.
    pub fn hex(&self, list: List) -> Option<String> {
        match list {
            List::Blake3 => Some(self.blake3.to_string()),
            List::Also(also) => self.also.get(also).map(str::to_owned),
        }
    }
}

/// Something a computer left behind.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct LeftOutPart {
    pub path: String,
    pub why: String,
}

/// Bytes per interval.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct RatesPart {
    pub every_s: u64,
    #[serde(deserialize_with = "at_most::<_, _, SAMPLES_MAX>")]
    pub read: Vec<u64>,
    #[serde(deserialize_with = "series")]
    pub write: Vec<Vec<u64>>,
    #[serde(deserialize_with = "series")]
    pub readback: Vec<Vec<u64>>,
}

/// A link of the chain from card to drive.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct LinkPart {
    pub part: String,
    pub id: String,
    pub mbps: f64,
    pub from: String,
}

/// Forecast beside what it took.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct ForecastPart {
    pub at_start_s: Option<f64>,
    pub actual_s: f64,
}

/// The verdict as it stood when the manifest was written.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct VerdictPart {
    pub proven: bool,
    pub copies: u64,
    #[serde(deserialize_with = "at_most::<_, _, ENTRIES_MAX>")]
    pub reasons: Vec<String>,
    /// What should be looked at and does not stand in the way.
    #[serde(
        skip_serializing_if = "Vec::is_empty",
        default,
        deserialize_with = "at_most::<_, _, ENTRIES_MAX>"
    )]
    pub notes: Vec<String>,
}

/// Reads a key that may be absent but not null: whether it is there decides the version.
pub(super) fn present<'de, D: Deserializer<'de>, T: Deserialize<'de>>(
    d: D,
) -> Result<Option<T>, D::Error> {
    T::deserialize(d).map(Some)
}

pub(super) fn hints<'de, D: Deserializer<'de>>(d: D) -> Result<Option<Vec<HintPart>>, D::Error> {
    at_most::<_, _, ENTRIES_MAX>(d).map(Some)
}

pub(super) fn copies<'de, D: Deserializer<'de>>(
    d: D,
) -> Result<PerDestination<CopyPart>, D::Error> {
    let all = at_most::<_, _, DESTINATIONS_MAX>(d)?;
    Ok(all.into_iter().collect())
}

pub(super) fn series<'de, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<Vec<Vec<u64>>, D::Error> {
    #[derive(Deserialize)]
    struct One(#[serde(deserialize_with = "at_most::<_, _, SAMPLES_MAX>")] Vec<u64>);
    let all = at_most::<_, One, DESTINATIONS_MAX>(deserializer)?;
    Ok(all.into_iter().map(|one| one.0).collect())
}

/// A file lies here or elsewhere, never both; and elsewhere is a folder of the destination.
pub(super) fn check_elsewhere(file: &FilePart) -> Result<(), PathFault> {
    let elsewhere = file.copies.iter().filter_map(|c| c.within.as_ref());
    for within in elsewhere.clone() {
        let name = CardName::parse(within)?;
        if name.parts().any(|part| part == RECORDS) {
            return Err(PathFault::WithinRecords);
        }
    }
    let count = elsewhere.count();
    let is_odd = |c: &CopyPart| c.within.is_some() && c.proof != CopyLevel::Earlier;
    if (count > 0 && count < file.copies.len()) || file.copies.iter().any(is_odd) {
        return Err(PathFault::TwoPlaces);
    }
    Ok(())
}

/// Returns the last folder of a path, here or where the copy was made.
pub(crate) fn last_folder(path: &str) -> Option<&str> {
    path.split(['/', '\\']).rfind(|part| !part.is_empty())
}

impl DestinationPart {
    /// Returns what the drive is called: by the name that it had, else by the last folder of where
    /// the offload was put, which is the volume's label where it was mounted under its label.
    pub fn called(&self) -> Option<&str> {
        self.name.as_deref().or_else(|| last_folder(&self.path))
    }

    /// Returns it as a journal has it.
    pub fn identity(&self) -> DestinationIdentity {
        DestinationIdentity {
            path: self.path.clone(),
            filesystem: self.filesystem.clone(),
            volume_id: self.volume_id().map(str::to_owned),
            total_bytes: 0,
            place: self.place_mark().map(str::to_owned),
        }
    }

    /// Returns the identity of the volume, where it was known.
    pub fn volume_id(&self) -> Option<&str> {
        self.device.split_once(VOLUME_MARK).map(|(_, id)| id)
    }

    /// Returns whether the volume was certainly on another drive then: this is a clone of it.
    pub fn is_other_drive(&self, facts: &FolderFacts) -> bool {
        self.mark(DRIVE_MARK)
            .is_some_and(|then| facts.drive_mark().is_some_and(|now| now != then))
    }

    /// Returns the mark of the place in the volume, where it was known.
    pub fn place_mark(&self) -> Option<&str> {
        self.mark(PLACE_MARK)
    }

    pub(super) fn mark(&self, what: &str) -> Option<&str> {
        let before = self.device.split(VOLUME_MARK).next()?;
        before.split_once(what)?.1.split(' ').next()
    }
}
