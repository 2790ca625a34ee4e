//! Owns what the records of an earlier run say of one destination: the card that it was, and what
//! was proven there. It holds; it reads nothing.

use crate::card::identity::CardMark;
use crate::card::listing::FileRow;
use crate::digest::Digest;
use crate::disk::ReadBackWay;
use crate::hash_algorithm::AlsoHashes;
use crate::record::layout::{DestinationIdentity, Layout};
use std::collections::{HashMap, HashSet};
use std::sync::Arc;

/// What an earlier run proved about one file on one destination.
#[derive(Clone, PartialEq, Debug)]
pub struct ProvenEntry {
    /// Size in bytes.
    pub bytes: u64,
    /// Date on the card, RFC 3339.
    pub modified: Arc<str>,
    /// Hash of what the card delivered then, equal to what was read back.
    pub blake3: Digest,
    /// Further hashes of the same bytes.
    pub also: AlsoHashes,
    /// How it was read back.
    pub way: ReadBackWay,
    /// Seconds spent reading it from the card.
    pub read_s: f64,
    /// Seconds spent reading it back.
    pub readback_s: f64,
    /// It holds nothing but zeros.
    pub only_zeros: bool,
}

/// The records of an earlier run of the same offload on one destination.
#[derive(Clone, Debug, Default)]
pub struct Records {
    /// Where the card was mounted, links resolved.
    pub card_path: Option<String>,
    /// Identity of the card's volume, where it was known.
    pub card_volume_id: Option<String>,
    /// Fingerprint of the card's listing.
    pub listing_b3: Option<Digest>,
    /// Path, size and date of every file that the card held then, as far as recorded.
    pub card_files: HashMap<Arc<str>, (u64, Arc<str>)>,
    /// All destinations of that run.
    pub destinations: Vec<DestinationIdentity>,
    /// What was read back on this destination and lies in this offload.
    pub proven: HashMap<Arc<str>, Arc<ProvenEntry>>,
    /// Files that a run on this destination was about to give their names, and of which nothing
    /// later is known.
    pub naming: HashSet<Arc<str>>,
    /// Files that were left in another offload on this destination: path, and that offload.
    pub elsewhere: HashMap<Arc<str>, String>,
    /// BLAKE3 of the manifest, where there is one.
    pub manifest_b3: Option<Digest>,
    /// The verdict of a finished manifest, when no journal is newer.
    pub recorded: Option<RecordedVerdict>,
    /// Where the card's tree lies.
    pub layout: Layout,
    /// A media hash list was made.
    pub has_mhl: bool,
    /// The fingerprint of the key that signed that manifest.
    pub signed_by: Option<String>,
}

impl Records {
    /// Returns whether an earlier run proved another file of this name.
    pub fn proved_another(&self, file: FileRow<'_>) -> bool {
        let proven = self.proven.get(file.name.as_str());
        proven.is_some_and(|p| p.bytes != file.bytes || *p.modified != *file.modified.rfc3339())
    }

    /// Returns by what the card that they are of is known again.
    pub fn card_mark(&self) -> CardMark<'_> {
        CardMark {
            volume_id: self.card_volume_id.as_deref(),
            path: self.card_path.as_deref(),
        }
    }
}

/// The verdict that a manifest holds.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct RecordedVerdict {
    /// Whether it says PROVEN.
    pub proven: bool,
    /// Copies on independent devices.
    pub copies: u64,
    /// Why it is not proven.
    pub reasons: Vec<String>,
    /// The card was read a second time, and every copy in the offload says so.
    pub reread: bool,
}
