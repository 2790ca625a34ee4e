//! Owns what a plan does with every file on every destination. Data only.

use crate::digest::Digest;
use crate::disk::{FolderFacts, Stamp};
use crate::name::{CardName, shown};
use crate::plan::earlier::{Left, LeftIn};
use crate::plan::rules::{FAT32_FILE_BYTES_MAX, rules_of};
use crate::record::damage::CheckedCopy;
use crate::record::earlier_run::{ProvenEntry, RecordedVerdict};
use crate::record::layout::{DestinationIdentity, InBag, PerDestination, identity};
use camino::Utf8PathBuf;
use std::collections::{HashMap, HashSet};
use std::sync::Arc;

/// What is done with one file on one destination.
#[derive(Clone, PartialEq, Debug)]
pub enum Work {
    /// Written and read back.
    Copy,
    /// Something stands under the final name that no record vouches for: it is read back and
    /// compared with the card, and never changed.
    Check,
    /// Proven by an earlier run; its size was looked at.
    Keep(Arc<ProvenEntry>),
    /// Left in an earlier offload on the same destination, which holds it proven.
    Left(Box<Left>),
    /// Not copied there: the drive cannot hold it as it is.
    Unheld,
}

impl Work {
    /// Returns what an earlier run proved, where that is relied upon.
    pub fn earlier(&self) -> Option<&ProvenEntry> {
        match self {
            Self::Keep(entry) => Some(entry),
            Self::Left(left) => Some(&left.entry),
            Self::Copy | Self::Check | Self::Unheld => None,
        }
    }
}

/// One file of the job.
#[derive(Clone, PartialEq, Debug)]
pub struct FileJob {
    /// Its path on the card and below the offload.
    pub name: CardName,
    /// Size in bytes when it was listed.
    pub bytes: u64,
    /// Date when it was listed.
    pub modified: Stamp,
    /// What is done on each destination.
    pub work: PerDestination<Work>,
}

impl FileJob {
    /// Returns whether the file has to be read from the card.
    pub fn is_read(&self) -> bool {
        let mut all = self.work.iter();
        all.any(|w| matches!(w, Work::Copy | Work::Check))
    }

    /// Returns whether the file is left in earlier offloads.
    pub fn is_left(&self) -> bool {
        self.work.iter().any(|w| matches!(w, Work::Left(_)))
    }
}

/// A destination in the plan.
#[derive(Clone, Debug)]
pub struct PlannedDestination {
    /// As it was given.
    pub given: Utf8PathBuf,
    /// The offload's folder, `DIR/NAME`.
    pub root: Utf8PathBuf,
    /// The folder of the card's tree inside it.
    pub payload: Utf8PathBuf,
    /// The drive's name in the kit.
    pub kit_name: Option<String>,
    /// What the system said of `DIR`.
    pub facts: FolderFacts,
    /// Whether `DIR/NAME` stands there already.
    pub exists: bool,
    /// Folders below it that stand there already.
    pub folders_present: Vec<CardName>,
    /// Files and folders that this drive cannot hold as they are, and why: they are left out on it,
    /// and told.
    pub unheld: HashMap<CardName, String>,
    /// Part files that an earlier run left.
    pub stale_parts: Vec<CardName>,
    /// Empty files under final names that an earlier run's pull left; they are copied anew.
    pub left_empty: Vec<CardName>,
    /// Whether an earlier run's records stand there.
    pub resumed: bool,
    /// Whether a media hash list of an earlier run stands there.
    pub has_mhl: bool,
    /// The verdict of a finished manifest that stands there for this very listing.
    pub recorded: Option<RecordedVerdict>,
    /// The fingerprint of the key that signed the manifest that stands there.
    pub signed_by: Option<String>,
    /// Files of an earlier run that stand there and are no longer on the card.
    pub gone_files: u64,
    /// Files that stand there proven by an earlier run, and that are other files on the card now:
    /// another size or date.
    pub rewritten: HashSet<String>,
    /// The copy that stands there as checks of it are remembered.
    pub checked: Option<CheckedCopy>,
    /// Files that stand there and that a check found damaged, with the hash on record: they are
    /// compared with the card.
    pub found_damaged: HashMap<String, Digest>,
    /// Of a bag: what stands in its payload folder and a record knows. It has to list them also
    /// where they are no longer on the card, or were rewritten there.
    pub in_bag: Vec<InBag>,
    /// Of a bag: what stands in its payload folder and no record knows, by path.
    pub strangers: Vec<String>,
    /// Files that were read from the card as a sample before any was kept, and are equal.
    pub sampled_files: u64,
    /// Files kept because an earlier run proved them.
    pub kept_files: u64,
    /// Their bytes.
    pub kept_bytes: u64,
    /// Files that are left in earlier offloads on this destination.
    pub left_files: u64,
    /// Their bytes.
    pub left_bytes: u64,
    /// The earlier offloads that they are left in.
    pub left_in: Vec<LeftIn>,
    /// Files that stand there without a record and are read back and compared.
    pub check_files: u64,
    /// Of these, files that an earlier run proved without a hash that is wanted now.
    pub hash_files: u64,
    /// Files to be written.
    pub copy_files: u64,
    /// Their bytes.
    pub copy_bytes: u64,
    /// Room the job needs on this destination, clusters and records included, in bytes.
    pub needs_bytes: u64,
    /// Room that files take up there already, part files aside, in bytes.
    pub stands_bytes: u64,
    /// Bytes that other runs at work on the volume have yet to write.
    pub others_bytes: u64,
}

impl PlannedDestination {
    /// Returns the size in bytes of the largest file, where it is to be found out whether the drive
    /// can hold it.
    pub fn size_to_try(&self, index: usize, jobs: &[FileJob]) -> Option<u64> {
        let new = jobs
            .iter()
            .filter(|job| job.work.get(index) == Some(&Work::Copy));
        let largest = new.map(|job| job.bytes).max()?;
        let is_open = !rules_of(&self.facts.filesystem).is_max_known;
        (is_open && largest > FAT32_FILE_BYTES_MAX).then_some(largest)
    }

    /// Returns the identity that records carry.
    pub fn identity(&self) -> DestinationIdentity {
        identity(&self.facts)
    }
}

impl PlannedDestination {
    /// Returns what the drive itself is called: by the kit, else by its volume's label. Folders on
    /// the computer's own disk have no name of their own.
    pub fn own_name(&self) -> Option<&str> {
        let label = self.facts.label.as_deref();
        let label = label.filter(|_| !self.facts.is_own_volume);
        self.kit_name.as_deref().or(label)
    }
}

/// Returns the drives' own names; none of one that shares its name with another.
pub fn own_names<'a>(
    drives: impl Iterator<Item = &'a PlannedDestination> + Clone,
) -> Vec<Option<&'a str>> {
    let names = drives.map(PlannedDestination::own_name);
    let is_alone = |name: &&str| names.clone().flatten().filter(|n| n == name).count() == 1;
    names.clone().map(|name| name.filter(is_alone)).collect()
}

/// Returns what drives are called within a sentence: by their names, else by the folders that were
/// given.
pub(crate) fn in_sentence<'a>(
    drives: impl Iterator<Item = &'a PlannedDestination> + Clone,
) -> Vec<String> {
    let names = own_names(drives.clone());
    let of = |(d, name): (&PlannedDestination, Option<&str>)| match name {
        Some(name) => shown(name),
        None => format!("`{}`", shown(d.given.as_str())),
    };
    drives.zip(names).map(of).collect()
}
