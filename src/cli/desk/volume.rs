//! Owns what tells at a glance that another card is where one was, or that it was changed.

use camino::Utf8Path;
use unlade::disk::{Disk, FolderFacts};

/// What is cheaply told of a volume: another card has another, and so has a card that was shot on.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct VolumeState {
    device: u64,
    volume_id: Option<String>,
    total_bytes: u64,
    /// `None` of a drive: what is written there makes it no other.
    free_bytes: Option<u64>,
}

impl VolumeState {
    pub(super) fn of_card(facts: &FolderFacts) -> Self {
        Self {
            free_bytes: Some(facts.free_bytes),
            ..Self::of_drive(facts)
        }
    }

    pub(super) fn of_drive(facts: &FolderFacts) -> Self {
        Self {
            device: facts.device,
            volume_id: facts.volume_id.clone(),
            total_bytes: facts.total_bytes,
            free_bytes: None,
        }
    }

    /// Whether a path shows another volume, or this one changed; `None` where it shows none. The
    /// system has that in its memory.
    pub(super) fn is_other_at(&self, path: &Utf8Path, disk: &dyn Disk) -> Option<bool> {
        let facts = disk.facts(path).ok()?;
        let now = match self.free_bytes {
            Some(_) => Self::of_card(&facts),
            None => Self::of_drive(&facts),
        };
        Some(now != *self)
    }
}
