//! Owns what a place says of one object, and how sure it is that it is as it was sent.

use serde::{Deserialize, Serialize};

/// What a place says of an object: as long as all of it is the same, the object is taken to be the
/// one that was looked at before.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlaceObject {
    /// Its size.
    pub bytes: u64,
    /// When it was modified, by the place's own clock, where it says so.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub modified: Option<String>,
    /// Its version, where the place keeps versions.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub version: Option<String>,
    /// Its mark, which is no hash of what it holds.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub etag: Option<String>,
}

impl PlaceObject {
    pub(super) fn of(meta: &opendal::Metadata) -> Self {
        Self {
            bytes: meta.content_length(),
            modified: meta.last_modified().map(|time| time.to_string()),
            version: meta.version().map(str::to_owned),
            etag: meta.etag().map(str::to_owned),
        }
    }
}

impl PlaceObject {
    /// Whether there is something to see a replaced object by.
    pub(super) fn says_more_than_its_size(&self) -> bool {
        self.modified.is_some() || self.version.is_some() || self.etag.is_some()
    }

    /// Says what is another in an object that is not this one.
    pub(super) fn other_than(&self, now: &Self) -> &'static str {
        if self.bytes != now.bytes {
            "it has another size than when it was read back"
        } else if self.version != now.version {
            "it is another version than the one that was read back"
        } else if self.etag != now.etag {
            "it has another mark (ETag) than when it was read back"
        } else {
            "it was written since it was read back"
        }
    }
}

/// How sure it is that a place has a file.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Grade {
    /// The place accepted it, and says that it has as many bytes.
    Sent,
    /// It was read back from the place whole, and is equal by its BLAKE3.
    Fetched,
}

impl Grade {
    /// Returns the word of flags and receipts.
    pub fn id(self) -> &'static str {
        match self {
            Self::Sent => "sent",
            Self::Fetched => "fetched",
        }
    }
}
