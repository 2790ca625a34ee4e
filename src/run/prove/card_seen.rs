//! Owns what is seen of a card's files while they are read whole: how each begins, whether it holds
//! nothing but zeros, and whether it was recorded whole.

use super::matching::{BEGINNING_BYTES, CardContent};
use crate::card::listing::Listing;
use crate::digest::Digest;
use crate::disk::Stamp;
use crate::inspect::contents::Shot;
use crate::inspect::guarded::FileInspection;
use crate::inspect::look::CardLook;
use crate::inspect::recordings::Recordings;
use crate::proof::coverage::ReadFiles;
use std::collections::{HashMap, HashSet};

/// What was seen of a card.
#[derive(Debug, Default)]
pub(super) struct CardSeen {
    beginnings: HashMap<String, Digest>,
    /// Files of nothing but zeros.
    pub(super) zeros: HashSet<String>,
    looks: HashMap<String, crate::inspect::Inspected>,
}

/// A look at one file while its bytes go by.
pub(super) struct FileSeen {
    path: String,
    beginning: blake3::Hasher,
    to_begin: usize,
    is_zeros: bool,
    inspection: Option<FileInspection>,
}

impl FileSeen {
    pub(super) fn begin(path: &str, bytes: u64) -> Self {
        Self {
            path: path.to_owned(),
            beginning: blake3::Hasher::new(),
            to_begin: BEGINNING_BYTES,
            // Nothing is no sign of anything.
            is_zeros: bytes > 0,
            inspection: FileInspection::begin(path, bytes),
        }
    }

    pub(super) fn feed(&mut self, bytes: &[u8]) {
        let first = bytes.get(..self.to_begin.min(bytes.len()));
        let first = first.unwrap_or_default();
        self.beginning.update(first);
        self.to_begin -= first.len();
        self.is_zeros = self.is_zeros && bytes.iter().all(|byte| *byte == 0);
        if let Some(inspection) = &mut self.inspection {
            inspection.feed(bytes);
        }
    }
}

impl CardSeen {
    /// Keeps what was seen of a file that was read to its end.
    pub(super) fn keep(&mut self, seen: FileSeen) {
        let beginning = seen.beginning.finalize().into();
        self.beginnings.insert(seen.path.clone(), beginning);
        if seen.is_zeros {
            self.zeros.insert(seen.path.clone());
        }
        // A copy looks in the same way.
        if let Some(look) = seen.inspection.and_then(FileInspection::end) {
            self.looks.insert(seen.path, look);
        }
    }

    /// Returns what every file of the card holds, as far as it was read.
    pub(super) fn contents<'a>(
        &self,
        listing: &'a Listing,
        read: &ReadFiles,
    ) -> Vec<CardContent<'a>> {
        let content = |file: crate::card::listing::FileRow<'a>| {
            let path = file.name.as_str();
            let holds = read.get(path).and_then(|read| read.as_ref().ok());
            CardContent {
                path,
                bytes: file.bytes,
                holds: holds
                    .zip(self.beginnings.get(path))
                    .map(|((all, _), begins)| (*all, *begins)),
            }
        };
        listing.files().map(content).collect()
    }

    /// Returns what was seen of the recordings; nothing where none was read.
    pub(super) fn recordings(mut self, listing: &Listing, now: Stamp) -> Option<Recordings> {
        if self.beginnings.is_empty() {
            return None;
        }
        let mut look = CardLook::default();
        for (place, file) in listing.files().enumerate() {
            if let Some(seen) = self.looks.remove(file.name.as_str()) {
                look.add(place, seen);
            }
        }
        let shots = listing.files().enumerate().map(|(place, file)| Shot {
            path: file.name.as_str(),
            bytes: file.bytes,
            modified: file.modified,
            look: look.files.get(&place),
        });
        Some(Recordings::of(&shots.collect::<Vec<_>>(), &look, now))
    }
}
