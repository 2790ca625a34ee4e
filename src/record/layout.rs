//! Owns the form of an offload that all records share: where the card's tree and the records lie in
//! it, how far it was to be proven, which drives it is on, and the limits of all that. Pure.

use crate::disk::FolderFacts;
use camino::{Utf8Path, Utf8PathBuf};

/// The folder of records inside an offload.
pub const RECORDS: &str = "_unlade";
/// The manifest's file name inside the records folder.
pub const MANIFEST: &str = "manifest.json";
/// The file that holds the manifest's own hash.
pub const MANIFEST_HASH: &str = "manifest.json.b3";
/// The file that holds a signature of the manifest, where somebody signed it: the name that
/// `ssh-keygen -Y sign` gives it.
pub const MANIFEST_SIGNATURE: &str = "manifest.json.sig";
/// What receipts of a place elsewhere are called before and after the time.
pub const RECEIPT: (&str, &str) = ("place-", ".json");
/// The folder of the card's tree inside an offload that is a bag (RFC 8493, 2.1.2).
pub const DATA: &str = "data";
/// Declares a bag (RFC 8493, 2.1.1).
pub const BAGIT: &str = "bagit.txt";
/// Facts for people and catalogues (2.2.2).
pub const BAG_INFO: &str = "bag-info.txt";
/// The payload manifest (2.1.3).
pub const PAYLOAD_MANIFEST: &str = "manifest-sha256.txt";
/// The hashes of the tag files (2.2.1).
pub const TAG_MANIFEST: &str = "tagmanifest-sha256.txt";
/// The tag files of a bag, in the folder of the offload.
pub const TAG_FILES: [&str; 4] = [BAGIT, BAG_INFO, PAYLOAD_MANIFEST, TAG_MANIFEST];
/// Entries of a card that one record tells of, at most. Half a gigabyte of manifest holds them with
/// paths of some 200 bytes.
pub const ENTRIES_MAX: usize = 1_000_000;
/// Destinations (and links) of one job, at most.
pub const DESTINATIONS_MAX: usize = 64;
/// How far a copy is to be proven.
#[derive(
    Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// Flushed to the drive; never enough for PROVEN.
    Written,
    /// Read back from the drive and equal.
    #[serde(rename = "readback")]
    ReadBack,
    /// Read back, and the card read a second time.
    Reread,
}

impl Level {
    /// Returns the manifest's word.
    pub fn id(self) -> &'static str {
        match self {
            Self::Written => "written",
            Self::ReadBack => "readback",
            Self::Reread => "reread",
        }
    }
}

/// Identity of a destination as an earlier run recorded it.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DestinationIdentity {
    /// Path with every link resolved.
    pub path: String,
    /// File system type.
    pub filesystem: String,
    /// Volume identity where the system told it.
    pub volume_id: Option<String>,
    /// Size of the volume in bytes; 0 where a record does not hold it.
    pub total_bytes: u64,
    /// Mark of the place in the volume ([`FolderFacts::place_mark`]).
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub place: Option<String>,
}

impl DestinationIdentity {
    /// Returns whether this is certainly another drive than `other`.
    pub fn differs(&self, other: &Self) -> bool {
        match (&self.volume_id, &other.volume_id) {
            (Some(a), Some(b)) => a != b,
            // Without identities only a clear difference counts: some file systems change their
            // size a little as others on the same pool fill up.
            _ => {
                self.filesystem != other.filesystem
                    || (self.total_bytes > 0
                        && other.total_bytes > 0
                        && self.total_bytes.abs_diff(other.total_bytes) > self.total_bytes / 10)
            }
        }
    }
}

/// Returns whether a name in the folder of records is that of a receipt, which a place elsewhere
/// got after the manifest.
pub fn is_receipt(name: &str) -> bool {
    let time = name.strip_prefix(RECEIPT.0);
    let time = time.and_then(|rest| rest.strip_suffix(RECEIPT.1));
    time.is_some_and(|time| !time.is_empty() && time.bytes().all(|b| b.is_ascii_digit()))
}

/// One value for each destination, nearly always two: kept in place, since there are as many of
/// these as files.
pub type PerDestination<T> = smallvec::SmallVec<[T; 2]>;

/// Where the card's tree lies inside an offload.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Layout {
    /// In the offload's own folder.
    #[default]
    Plain,
    /// In `data`, and the offload is a bag (`BagIt` 1.0, RFC 8493).
    Bag,
}

impl Layout {
    /// Returns the name used on the command line and in records.
    pub fn id(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            Self::Bag => "bag",
        }
    }

    /// Returns whether it is the plain one, which records leave unsaid.
    pub fn is_plain(&self) -> bool {
        *self == Self::Plain
    }

    /// Returns the folder of the card's tree.
    pub fn payload(self, root: &Utf8Path) -> Utf8PathBuf {
        match self {
            Self::Plain => root.to_path_buf(),
            Self::Bag => root.join(DATA),
        }
    }

    /// Returns the card's path for a path below the offload; `None` for what is outside its tree.
    pub fn inside(self, path: &str) -> Option<&str> {
        match self {
            Self::Plain => Some(path),
            Self::Bag => path.strip_prefix(DATA)?.strip_prefix('/'),
        }
    }

    /// Returns the path below the offload for a card's path.
    pub fn outside(self, path: &str) -> String {
        match self {
            Self::Plain => path.to_owned(),
            Self::Bag => format!("{DATA}/{path}"),
        }
    }
}

/// A file that stands in a bag, as an earlier run recorded it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct InBag {
    /// Path below the payload folder.
    pub path: String,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256 in lower-case hex, as an earlier run recorded it.
    pub sha256: String,
}

pub(crate) fn identity(facts: &FolderFacts) -> DestinationIdentity {
    DestinationIdentity {
        path: facts.canonical.clone(),
        filesystem: facts.filesystem.clone(),
        volume_id: facts.volume_id.clone(),
        total_bytes: facts.total_bytes,
        place: facts.place_mark(),
    }
}
