//! Owns what is known of a file before it is looked at.

use crate::disk::Stamp;
use camino::Utf8PathBuf;

/// A file that is to be looked at.
pub(super) struct InspectedFile {
    /// Its path as it is told.
    pub(super) path: String,
    pub(super) at: Utf8PathBuf,
    pub(super) bytes: u64,
    pub(super) modified: Stamp,
}
