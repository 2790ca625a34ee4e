//! Owns what is read: a card, or an offload that takes its place.

use crate::disk::{Disk, FolderFacts};
use crate::error::Cause;
use crate::existing::original::Original;
use camino::Utf8PathBuf;
use std::sync::Arc;

/// The card before the plan.
#[derive(Clone, Debug)]
pub struct CardFacts {
    /// As it was given on the command line.
    pub given: Utf8PathBuf,
    /// What the system says of it.
    pub facts: FolderFacts,
    /// The name people know it by: the volume's label, or the folder's name.
    pub label: String,
    /// The offload that takes the card's place; `given` and `facts` are its folder then.
    pub original: Option<Arc<Original>>,
}

impl CardFacts {
    /// Returns the identity of the card's volume, where the card is a volume and the system tells
    /// it.
    pub fn volume_id(&self) -> Option<&str> {
        self.facts
            .volume_id
            .as_deref()
            .filter(|_| self.facts.is_mount_root)
    }

    /// Looks where the card is now.
    pub fn place(&self, disk: &dyn Disk) -> CardNow {
        let then = &self.facts;
        match disk.facts(&self.given) {
            Ok(now)
                if (now.device, now.inode) == (then.device, then.inode)
                    && now.volume_id == then.volume_id =>
            {
                CardNow::Unchanged
            }
            // The empty folder that it was mounted on.
            Ok(now) if then.is_mount_root && !now.is_mount_root => CardNow::Gone,
            Ok(_) => CardNow::Other,
            // Nothing can be looked at: what it holds now is not known.
            Err(e) if Cause::of(&e) == Some(Cause::NoFiles) => CardNow::Changed,
            Err(_) => CardNow::Gone,
        }
    }
}

/// What became of the card between its last listing and the verdict.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum CardNow {
    /// It is where it was and holds what it held.
    Unchanged,
    /// It is where it was and holds something else.
    Changed,
    /// It is no longer there.
    Gone,
    /// Something else is in its place.
    Other,
}

impl CardNow {
    /// Returns the word that events use.
    pub fn id(self) -> &'static str {
        match self {
            Self::Unchanged => "unchanged",
            Self::Changed => "changed",
            Self::Gone => "gone",
            Self::Other => "other",
        }
    }
}
