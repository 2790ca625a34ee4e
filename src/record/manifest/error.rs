//! Owns why a manifest cannot be used.

use crate::error::{Error, ProblemKind, Step, failed};
use crate::name::{NameError, excerpt};
use crate::record::layout::RECORDS;
use crate::record::layout::{MANIFEST, MANIFEST_HASH, MANIFEST_SIGNATURE};
use std::fmt;

pub(super) fn is_absent(e: &Error) -> bool {
    e.cause.kind() == std::io::ErrorKind::NotFound
}

/// Why a manifest cannot be trusted.
#[derive(Debug)]
pub enum ManifestError {
    /// It could not be read at all.
    Io(Error),
    /// It is not a manifest of this tool.
    Format,
    /// It is of a version that this program does not know.
    Version(Option<u64>),
    /// It is no JSON, or not of the form that the format has.
    Json(serde_json::Error),
    /// It says what the format does not allow.
    Content(ContentFault),
    /// One of its paths is not allowed.
    Path(String, PathFault),
    /// Its own hash does not fit.
    Hash,
    /// The file with its own hash is damaged.
    HashFile,
    /// The file with its own hash could not be read.
    HashUnread(std::io::Error),
    /// It was signed, and its signature does not fit.
    Signature(String),
    /// It was signed, and its signature could not be read.
    SignatureUnread(std::io::Error),
}

/// What the format does not allow.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum ContentFault {
    /// A number that not every reader of JSON takes exactly.
    #[error("a number or a sum is above 2^53 - 1")]
    Number,
    /// A time or a speed that cannot be.
    #[error("a time or a speed is below 0 or beyond all measure")]
    Measure,
    /// A problem on a destination that is not there.
    #[error("a problem is about a drive that is not listed")]
    Destination,
    /// A key of a later version than this, its own.
    #[error("a key that version {0} does not have")]
    Key(u64),
    /// Another hash than that of all manifests.
    #[error("the hash is not blake3")]
    Hash,
}

/// What is not allowed of a path, or of the file that it names.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PathFault {
    /// It is no path of a card.
    #[error(transparent)]
    Name(#[from] NameError),
    /// It lies in the records.
    #[error("a path inside `_unlade`")]
    InRecords,
    /// It stands twice.
    #[error("the same path twice")]
    Twice,
    /// A size that not every reader of JSON takes exactly.
    #[error("a size above 2^53 - 1")]
    Size,
    /// A copy on a destination that is not there.
    #[error("a copy on a drive that is not listed")]
    Destination,
    /// A copy in an offload that would lie in the records.
    #[error("an earlier offload inside `_unlade`")]
    WithinRecords,
    /// A copy in two places.
    #[error("said to be here and in an earlier offload")]
    TwoPlaces,
}

impl fmt::Display for ManifestError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(e) if is_absent(e) => {
                write!(
                    f,
                    "it holds no `{RECORDS}/{MANIFEST}`, so it is no finished offload"
                )
            }
            Self::Io(e) => e.fmt(f),
            Self::Format => f.write_str("the manifest is not one of unlade's"),
            Self::Version(Some(v)) => {
                write!(
                    f,
                    "the manifest is of version {v}, which this unlade does not know; use a newer \
                    one"
                )
            }
            Self::Version(None) => f.write_str("the manifest says no version"),
            Self::Json(e) => damaged(f, &e.to_string()),
            Self::Content(why) => damaged(f, &why.to_string()),
            Self::Path(path, why) => {
                write!(f, "the manifest is damaged: {why} (`{}`)", excerpt(path))
            }
            Self::Hash => {
                write!(
                    f,
                    "the manifest is damaged: its hash is not the one in {MANIFEST_HASH}"
                )
            }
            Self::HashFile => write!(
                f,
                "the manifest's own hash cannot be checked: {MANIFEST_HASH} is damaged"
            ),
            Self::HashUnread(e) => write!(
                f,
                "the manifest's own hash cannot be checked: {MANIFEST_HASH} {}",
                failed(Step::Read, e)
            ),
            Self::SignatureUnread(e) => write!(
                f,
                "the manifest's signature cannot be checked: {MANIFEST_SIGNATURE} {}",
                failed(Step::Read, e)
            ),
            Self::Signature(why) => write!(
                f,
                "the manifest's signature, {MANIFEST_SIGNATURE}, is not good: {why}"
            ),
        }
    }
}

pub(super) fn damaged(f: &mut fmt::Formatter<'_>, why: &str) -> fmt::Result {
    write!(f, "the manifest is damaged or cut short: {}", excerpt(why))
}

impl std::error::Error for ManifestError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io(e) => Some(&e.cause),
            Self::Json(e) => Some(e),
            Self::Content(why) => Some(why),
            Self::Path(_, why) => Some(why),
            Self::HashUnread(e) | Self::SignatureUnread(e) => Some(e),
            _ => None,
        }
    }
}

impl ManifestError {
    /// Returns whether there is no manifest at all.
    pub fn is_absent(&self) -> bool {
        matches!(self, Self::Io(e) if is_absent(e))
    }

    /// Returns what kind of trouble it is: one that could not be read may well be good.
    pub fn kind(&self) -> ProblemKind {
        match self {
            Self::Io(e) if e.cause.raw_os_error().is_some() && !is_absent(e) => {
                ProblemKind::Unreadable
            }
            Self::HashUnread(_) | Self::SignatureUnread(_) => ProblemKind::Unreadable,
            _ => ProblemKind::ManifestDamaged,
        }
    }
}
