//! Owns what a folder without a manifest proves of the card, where both were read for this one
//! answer: by what its files hold. Nothing of it is believed later.

use super::answer::{Holding, UnprovenReason};
use super::gap::{Gap, GapList};
use super::question::{FoundOffload, Question, Unusable};
use crate::card::listing::FileRow;
use crate::disk::backing::Backing;
use crate::disk::{ReadBackWay, Stamp, far_end, may_be_in_records};
use crate::error::{Cause, Unread};
use crate::name::shown;
use std::collections::{BTreeMap, HashMap};

/// A folder that was compared with the card.
#[derive(Clone, Debug)]
pub struct ComparedFolder {
    /// The folder as it was given.
    pub root: String,
    /// The device that holds it.
    pub backing: Backing,
    /// Number of its file system.
    pub device: u64,
    /// Its kind of file system, by the Linux name.
    pub filesystem: String,
    /// Size and room of its volume in bytes.
    pub room: (u64, u64),
    /// What is there of each file of the card, by the card's path. What is not among them was
    /// looked for and is not there.
    pub files: HashMap<String, InFolder>,
    /// Why nothing of it counts.
    pub unusable: Option<Unusable>,
    /// The person stopped it: nothing can be said of any file then.
    pub stopped: bool,
}

/// What a folder has of one file of the card.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum InFolder {
    /// A file that is this one's alone holds the same.
    Equal {
        /// Its path in the folder.
        at: String,
        /// How it was read.
        way: ReadBackWay,
        /// Date of the last change of the entry itself.
        changed: Stamp,
    },
    /// What has its name there holds something else: how it differs.
    Other(String),
    /// The one file that holds the same is counted for another of the card's, this one.
    Shared(String),
    /// It may be there: what could not be looked at or read, and why.
    Unread(String),
    /// What held the same was changed or removed before all was read.
    Meanwhile,
}

impl InFolder {
    fn changed(&self) -> Option<Stamp> {
        match self {
            Self::Equal { changed, .. } => Some(*changed),
            _ => None,
        }
    }
}

impl ComparedFolder {
    /// Returns why this folder does not prove a file, or `None` if it does. Both were read, so that
    /// what the card gave is known here.
    pub(super) fn gap(&self, question: &Question<'_>, file: FileRow<'_>) -> Option<Gap> {
        let path = file.name.as_str();
        if self.stopped {
            return Some(Gap::NotCompared);
        }
        if question.holds(path).is_none() {
            return Some(Gap::CardUnreadable);
        }
        match self.files.get(path) {
            // What is in memory is on no drive, and is told as that.
            Some(InFolder::Equal { .. }) if self.backing == Backing::Memory => None,
            Some(InFolder::Equal { way, .. }) if way.reaches_device() => None,
            Some(InFolder::Equal { .. }) if self.is_in_records(file.bytes) => Some(Gap::InRecords),
            Some(InFolder::Equal { .. }) => Some(Gap::FromMemory),
            Some(InFolder::Other(_)) => Some(Gap::OtherContent),
            Some(InFolder::Shared(_)) => Some(Gap::Shared),
            Some(InFolder::Unread(_)) => Some(Gap::FolderUnread),
            Some(InFolder::Meanwhile) => Some(Gap::Meanwhile),
            None => Some(Gap::NotInFolder),
        }
    }

    /// Whether it is by its size alone that a file was not read from the drive: others were.
    fn is_in_records(&self, bytes: u64) -> bool {
        let mut all = self.files.values();
        may_be_in_records(&self.filesystem, bytes)
            && all.any(|f| matches!(f, InFolder::Equal { way, .. } if way.reaches_device()))
    }

    /// Returns what is to be said of one file beside its gap.
    pub(super) fn cause(
        &self,
        question: &Question<'_>,
        gap: Gap,
        file: FileRow<'_>,
    ) -> Option<Unread> {
        let path = file.name.as_str();
        if gap == Gap::CardUnreadable {
            return question.card_read.get(path)?.as_ref().err().cloned();
        }
        let why = match self.files.get(path)? {
            InFolder::Other(why) | InFolder::Unread(why) => why.clone(),
            InFolder::Shared(other) => {
                format!(
                    "what it holds is there once, and counted for `{}`",
                    shown(other)
                )
            }
            InFolder::Equal { .. } | InFolder::Meanwhile => return None,
        };
        Some(Unread { why, cause: None })
    }

    /// Tells what it holds of the card: `held` files and bytes.
    pub(super) fn holding(&self, held: (u64, u64), lacks: GapList) -> Holding {
        let equal = self.files.values().filter_map(|there| match there {
            InFolder::Equal { way, .. } => Some(*way),
            _ => None,
        });
        let (within, moved) = self.moved();
        let mut basis = match equal.min() {
            _ if self.stopped => "not all was read".to_owned(),
            None => "read just now".to_owned(),
            Some(way) => format!("read just now ({})", way.words(&self.filesystem)),
        };
        if let Some(within) = within.filter(|_| held.0 > 0) {
            basis = format!("{basis}, in its folder `{}`", shown(&within));
        }
        Holding {
            far_end: far_end(&self.filesystem),
            root: self.root.clone(),
            files: held.0,
            bytes: held.1,
            basis,
            unread: 0,
            lacks: lacks.lacks(),
            is_compared: true,
            moved,
        }
    }

    /// Returns the folder in it under which the most files have the card's own paths, where that is
    /// not the folder itself, and the others that are equal: the card's path, and where it is.
    fn moved(&self) -> (Option<String>, Vec<(String, String)>) {
        let equal = self.files.iter().filter_map(|(path, there)| match there {
            InFolder::Equal { at, .. } => Some((path.as_str(), at.as_str())),
            _ => None,
        });
        let mut equal: Vec<(&str, &str)> = equal.collect();
        equal.sort_unstable();
        let mut bases: BTreeMap<&str, u64> = BTreeMap::new();
        for base in equal.iter().filter_map(|(path, at)| base_of(path, at)) {
            *bases.entry(base).or_insert(0) += 1;
        }
        let most = bases.iter().max_by_key(|(base, n)| (**n, base.is_empty()));
        let most = most.map_or("", |(base, _)| *base);
        let elsewhere = equal
            .iter()
            .filter(|(path, at)| base_of(path, at) != Some(most));
        let moved = elsewhere.map(|(path, at)| ((*path).to_owned(), (*at).to_owned()));
        let within = (!most.is_empty()).then(|| most.to_owned());
        (within, moved.collect())
    }

    /// Returns why files that other copies hold are not held by this one as well, of `files` on the
    /// card.
    pub(super) fn reasons(&self, short: GapList, files: u64) -> Vec<UnprovenReason> {
        let lacks = short.lacks().into_iter();
        let reason = |lack: super::answer::Lack| UnprovenReason {
            files: lack.files,
            is_of_drive: true,
            cause: lack.origin.or(Some(Cause::InFolder)),
            like: Some(lack.verb),
            offload: Some(self.root.clone()),
            ..UnprovenReason::new(lack.kind, lack.sentence(files))
        };
        lacks.map(reason).collect()
    }

    /// Whether two folders are one drive that is seen twice.
    pub(super) fn may_be(&self, other: &Self) -> bool {
        let there = |path: &str| other.files.get(path).and_then(InFolder::changed);
        self.is_of_moments(other.room, there)
    }

    /// The same of a folder and an offload.
    pub(super) fn may_be_in(&self, offload: &FoundOffload) -> bool {
        let there = |path: &str| Some(offload.standing.get(path)?.changed);
        self.is_of_moments(offload.room, there)
    }

    /// Whether most of what it has in common with another was changed at the same moments there, to
    /// the nanosecond, which is so on no two drives. Not all: of identical files another one may
    /// have been found there. Of dates in steps, as those of FAT and exFAT are, which a copy may
    /// have with it, that is a sign where all are equal and the volumes have one size and room.
    fn is_of_moments(&self, room: (u64, u64), there: impl Fn(&str) -> Option<Stamp>) -> bool {
        let common = self.files.iter().filter_map(|(path, here)| {
            let here = here.changed()?;
            Some((here, there(path)?))
        });
        let (mut fine, mut equal, mut all) = (0_u64, 0_u64, 0_u64);
        for (here, there) in common {
            all += 1;
            equal += u64::from(here == there);
            fine += u64::from(here == there && here.is_fine());
        }
        all > 0 && (fine * 2 >= all || (equal == all && self.room == room))
    }
}

/// Returns the folder under which a file has the card's own path; nothing where it has another.
fn base_of<'a>(path: &str, at: &'a str) -> Option<&'a str> {
    let base = at.strip_suffix(path)?;
    match base.strip_suffix('/') {
        Some(base) => Some(base),
        None => base.is_empty().then_some(base),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(files: &[(&str, &str)]) -> ComparedFolder {
        let changed = Stamp {
            seconds: 5,
            nanos: 123_456_789,
        };
        let equal = |at: &str| InFolder::Equal {
            at: at.to_owned(),
            way: ReadBackWay::Direct,
            changed,
        };
        let files = files
            .iter()
            .map(|(path, at)| ((*path).to_owned(), equal(at)));
        ComparedFolder {
            root: "dragged".to_owned(),
            backing: Backing::unknown("a test"),
            device: 1,
            filesystem: "ext4".to_owned(),
            room: (500, 200),
            files: files.collect(),
            unusable: None,
            stopped: false,
        }
    }

    /// From memory: who drags a card's folder gets it under the name that the card has.
    #[test]
    fn a_tree_that_lies_deeper_was_not_renamed() {
        let (within, moved) = folder(&[
            ("DCIM/A.JPG", "KITES/DCIM/A.JPG"),
            ("DCIM/B.JPG", "KITES/DCIM/B.JPG"),
            ("DCIM/C.JPG", "KITES/DCIM/gold.jpg"),
            ("C.JPG", "KITES/XC.JPG"),
        ])
        .moved();
        assert_eq!(within.as_deref(), Some("KITES"));
        let names: Vec<&str> = moved.iter().map(|(path, _)| path.as_str()).collect();
        assert_eq!(names, ["C.JPG", "DCIM/C.JPG"]);
        let (within, moved) = folder(&[("A.JPG", "A.JPG"), ("B.JPG", "more/B.JPG")]).moved();
        assert_eq!((within, moved.len()), (None, 1));
    }

    #[test]
    fn one_drive_that_is_seen_twice_shows_by_the_moments_of_its_entries() {
        let one = folder(&[("A", "A"), ("B", "B")]);
        assert!(one.may_be(&one.clone()));
        let mut other = one.clone();
        if let Some(InFolder::Equal { changed, .. }) = other.files.get_mut("B") {
            changed.nanos += 1;
        }
        assert!(one.may_be(&other), "of identical files another one");
        if let Some(InFolder::Equal { changed, .. }) = other.files.get_mut("A") {
            changed.nanos += 1;
        }
        assert!(!one.may_be(&other));
        // Nothing in common is a sign of nothing, and neither are dates in steps alone.
        assert!(!one.may_be(&folder(&[("C", "C")])));
        let mut coarse = one.clone();
        for there in coarse.files.values_mut() {
            if let InFolder::Equal { changed, .. } = there {
                changed.nanos = 20_000_000;
            }
        }
        assert!(coarse.may_be(&coarse.clone()), "of one size and room");
        let mut elsewhere = coarse.clone();
        elsewhere.room.1 += 4_096;
        assert!(!coarse.may_be(&elsewhere));
        if let Some(InFolder::Equal { changed, .. }) = coarse.files.get_mut("B") {
            changed.seconds += 2;
        }
        let mut other = elsewhere;
        other.room = coarse.room;
        assert!(!coarse.may_be(&other), "not all");
    }
}
