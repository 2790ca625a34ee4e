//! Owns what is asked, and what was found of the card and on the drives before it is weighed.

use crate::card::listing::Listing;
use crate::digest::Digest;
use crate::disk::backing::Backing;
use crate::disk::{FolderFacts, ReadBackWay, Sights, Stamp};
use crate::error::{FailedStep, Problem, ProblemKind, Unread};
use crate::record::damage::{CheckNote, CheckedCopy, CopyDamage};
use crate::record::manifest::Manifest;
use std::collections::{HashMap, HashSet};
use std::sync::Arc;

/// What stands on a drive where a manifest says a file should be.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SizeAndDate {
    /// Size in bytes.
    pub bytes: u64,
    /// Date of the last change.
    pub modified: Stamp,
    /// Date of the last change of the entry itself.
    pub changed: Stamp,
}

/// One offload that was found on a drive.
#[derive(Clone, Debug)]
pub struct FoundOffload {
    /// Its folder.
    pub root: String,
    /// Its manifest, or why the offload cannot be used.
    pub manifest: Result<Manifest, Unusable>,
    /// Which destination of the manifest this folder is, where that can be told.
    pub here: Option<usize>,
    /// The device that holds it.
    pub backing: Backing,
    /// Number of its file system.
    pub device: u64,
    /// Identity of its volume: another drive may get the same number of a file system.
    pub volume_id: Option<String>,
    /// Date of its manifest on the drive.
    pub written: Option<Stamp>,
    /// Size and room of its volume in bytes.
    pub room: (u64, u64),
    /// Every file that stands below it.
    pub standing: HashMap<String, SizeAndDate>,
    /// What could not be looked at below it, and why: nothing is known of that, nor of what lies in
    /// it.
    pub unseen: HashMap<String, Arc<FailedStep>>,
    /// What its files looked like, to be held against a look at the end.
    pub sights: Sights,
    /// Files that were read again just now and are equal to the manifest; `None` when nothing was
    /// read.
    pub reread: Option<Reread>,
    /// What a check of it is remembered by; `None` where its manifest was not read.
    pub copy: Option<CheckedCopy>,
    /// What earlier checks found damaged in it, and no later one found good.
    pub damage: CopyDamage,
    /// Single files that were read because of [`super::to_read()`], or at a place elsewhere.
    pub read: ReadFiles,
    /// It is at a place elsewhere: by what its files are taken to be good.
    pub at_place: Option<String>,
}

impl FoundOffload {
    /// Whether the records of two places were written at one moment, which a run does on no two
    /// drives: one drive that is seen twice, or a copy made by hand. Of dates in whole seconds that
    /// alone is no sign.
    pub(super) fn may_be(&self, other: &Self) -> bool {
        let is_fine = self.written.is_some_and(|date| date.nanos != 0);
        let is_one = self.written.is_some() && self.written == other.written;
        is_one && (is_fine || self.room == other.room)
    }
}

/// Files that were read: by path, what each holds and how it was read, or why it could not be.
pub type ReadFiles = HashMap<String, Result<(Digest, ReadBackWay), Unread>>;

/// Why an offload cannot be used.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Unusable {
    /// What kind of trouble: one that could not be read may well be good.
    pub kind: ProblemKind,
    /// Why, in words that go on after a colon.
    pub why: String,
}

impl Unusable {
    /// Says why.
    pub fn new(kind: ProblemKind, why: impl Into<String>) -> Self {
        let why = why.into();
        Self { kind, why }
    }
}

/// What a fresh read of an offload found.
#[derive(Clone, Debug)]
pub struct Reread {
    /// Paths that are equal to the manifest.
    pub equal: HashSet<String>,
    /// Paths that could not be read, and why.
    pub unread: HashMap<String, String>,
    /// How they were read.
    pub way: ReadBackWay,
    /// What is to be remembered of it.
    pub note: Option<CheckNote>,
    /// The person stopped it: nothing can be said of any file then.
    pub stopped: bool,
}

/// What is asked.
#[derive(Clone, Debug)]
pub struct Question<'a> {
    /// The card's listing now.
    pub listing: &'a Listing,
    /// What the system says of the card.
    pub card: &'a FolderFacts,
    /// Files of the card that were read.
    pub card_read: &'a ReadFiles,
    /// Of these, the ones that hold nothing but zeros, as far as somebody looked.
    pub card_zeros: &'a HashSet<String>,
    /// All of the card was to be read: what is not among them is not known.
    pub is_card_read: bool,
    /// Why it is a folder of a card and not the card, in words that go on after a colon.
    pub part: Option<String>,
    /// Compare by content, whoever's card it is: dates and identity do not matter then.
    pub by_content: bool,
    /// Copies that are known of and could not be looked at, in words.
    pub away: &'a [String],
    /// What was not the same on the card when it was listed again after it was read.
    pub changed: Vec<Problem>,
    /// Copies on independent devices that are needed.
    pub copies_needed: usize,
    /// The person states that devices which the system cannot tell apart are separate.
    pub separate: bool,
}

impl Question<'_> {
    /// Returns what a file of the card holds, where it was read.
    pub(super) fn holds(&self, path: &str) -> Option<Digest> {
        let read = self.card_read.get(path)?.as_ref().ok()?;
        Some(read.0)
    }
}
