//! Owns why a manifest cannot be used.

use crate::error::{Error, ProblemKind, Step, failed};
use crate::name::excerpt;
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
    Content(String),
    /// One of its paths is not allowed.
    Path(String, String),
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
            Self::Version(None) => f.write_str("the manifest tells no version"),
            Self::Json(e) => damaged(f, &e.to_string()),
            Self::Content(why) => damaged(f, why),
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
