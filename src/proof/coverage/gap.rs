//! Owns why a copy does not prove a file, and the words for it.

use super::answer::{Lack, UnprovenReason};
use crate::card::listing::FileRow;
use crate::error::{Cause, ProblemKind, Unread};
use crate::record::damage::DamageKind;
use crate::units::{count as number, len64};
use std::collections::BTreeMap;

/// Names that are told for one reason; the rest are counted.
pub(super) const NAMES_TOLD: usize = 20;

/// The same where a card is compared with an offload: the names are what was asked for.
pub(super) const NAMES_COMPARED: usize = 500;

/// The same where nothing but a read is missing.
pub(super) const UNREAD_TOLD: usize = 3;

/// Why a file of the card is not proven by one offload.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum Gap {
    /// No manifest lists it.
    New,
    /// It was left in an earlier offload, and that one was not found.
    Elsewhere,
    /// A folder was to be compared, and the person stopped that.
    NotCompared,
    /// No file of a folder that was compared holds it.
    NotInFolder,
    /// One does, and it is counted for another file.
    Shared,
    /// It has its name in a folder that was compared, and holds something else.
    OtherContent,
    /// What may be it in a folder that was compared could not be read.
    FolderUnread,
    /// What was read of it in such a folder may have come from memory.
    FromMemory,
    /// The same of a small file that its file system keeps within its own records.
    InRecords,
    /// It was there, and not any more when all was read.
    Meanwhile,
    /// A manifest lists it with another size or date.
    Changed,
    /// It is listed, but was not read back on this drive.
    NotReadBack,
    /// It is not there any more.
    Missing,
    /// It could not be looked at or read: it may be good.
    Unread,
    /// An earlier check found it damaged there, and it was not read whole and equal since.
    Found(DamageKind),
    /// What stands there is not what the manifest says.
    Damaged,
    /// The manifest doubts it, or another one says something else, and reading did not settle it.
    Doubted,
    /// It only looks like the file that was copied: others that do hold other bytes on this card.
    Unlike,
    /// The card's bytes are not those of the manifest.
    CardDiffers,
    /// The card was to be read again, and this file could not be.
    CardUnreadable,
}

impl Gap {
    /// Whether it is about what stands on the drive, and could be put right there.
    pub(super) fn is_of_drive(self) -> bool {
        self.is_of_folder()
            || matches!(
                self,
                Self::NotReadBack | Self::Missing | Self::Unread | Self::Found(_) | Self::Damaged
            )
    }

    /// Whether it is about a folder that has no manifest.
    fn is_of_folder(self) -> bool {
        matches!(
            self,
            Self::NotCompared
                | Self::NotInFolder
                | Self::Shared
                | Self::OtherContent
                | Self::FolderUnread
                | Self::FromMemory
                | Self::InRecords
                | Self::Meanwhile
        )
    }
}

impl Gap {
    /// What it comes from, where what to do hangs on that.
    pub(super) fn cause(self, by_content: bool) -> Option<Cause> {
        match self {
            Self::New if by_content => Some(Cause::OnCardOnly),
            Self::Elsewhere => Some(Cause::LeftElsewhere),
            Self::Found(_) => Some(Cause::FoundDamaged),
            Self::InRecords => Some(Cause::InRecords),
            _ if self.is_of_folder() => Some(Cause::InFolder),
            _ => None,
        }
    }
}

/// A file, and what the system said of it where it said something.
pub(super) type Named = (String, Option<Unread>);

/// The first names of each gap, and how many files it has.
pub(super) struct GapList {
    pub(super) names_max: usize,
    pub(super) gaps: BTreeMap<Gap, Vec<Named>>,
    pub(super) counts: BTreeMap<Gap, u64>,
}

impl GapList {
    pub(super) fn of(names_max: usize) -> Self {
        Self {
            names_max,
            gaps: BTreeMap::new(),
            counts: BTreeMap::new(),
        }
    }

    /// Returns what one copy lacks, not read back first.
    pub(super) fn lacks(self) -> Vec<Lack> {
        let counts = self.counts;
        let lack = |(gap, names): (Gap, Vec<Named>)| Lack {
            cause: names
                .first()
                .and_then(|(_, cause)| Some(cause.as_ref()?.why.clone())),
            kind: gap_words(gap).0,
            words: match gap {
                Gap::Missing | Gap::NotInFolder => "missing",
                Gap::Shared => "without a file of its own",
                Gap::OtherContent => "other content",
                Gap::FolderUnread => "could not be read",
                Gap::FromMemory => "read from the computer's memory, perhaps",
                Gap::InRecords => "too small to be read past the computer's memory there",
                Gap::Meanwhile => "changed or removed while all was read",
                Gap::NotCompared => "not compared",
                Gap::Unread => "not known to be good",
                Gap::Found(DamageKind::Unreadable) => "could not be read when it was checked",
                Gap::Found(DamageKind::Missing) => "missing when it was checked",
                Gap::Found(DamageKind::Changed) => "changed, as a check found",
                Gap::Damaged => "changed since it was copied",
                _ => "is there, and no manifest says that it was checked there",
            },
            verb: match gap {
                Gap::Missing | Gap::NotInFolder => "is missing",
                Gap::Shared => "has no file of its own",
                Gap::OtherContent => "holds something else",
                Gap::FolderUnread => "could not be read",
                Gap::FromMemory => "was read, perhaps, from the computer's memory",
                Gap::InRecords => "is too small to be read past the computer's memory there",
                Gap::Meanwhile => "was changed or removed while all was read",
                Gap::NotCompared => "was not compared",
                Gap::Unread => "is not known to be good",
                Gap::Found(DamageKind::Unreadable) => "could not be read when it was checked",
                Gap::Found(DamageKind::Missing) => "was missing when it was checked",
                Gap::Found(DamageKind::Changed) => "was found changed by a check",
                Gap::Damaged => "changed since it was copied",
                _ => "is there, and no manifest says that it was checked there",
            },
            files: counts.get(&gap).copied().unwrap_or(0),
            origin: gap.cause(false),
            paths: names.into_iter().map(|(path, _)| path).collect(),
        };
        self.gaps.into_iter().map(lack).collect()
    }

    pub(super) fn add(&mut self, gap: Gap, file: FileRow<'_>, cause: Option<Unread>) {
        *self.counts.entry(gap).or_insert(0) += 1;
        let names = self.gaps.entry(gap).or_default();
        if names.len() < self.names_max {
            names.push((file.name.as_str().to_owned(), cause));
        }
    }

    pub(super) fn reasons(self, by_content: bool) -> Vec<UnprovenReason> {
        let mut reasons = Vec::new();
        for (gap, mut names) in self.gaps {
            let (mut kind, detail) = gap_words(gap);
            if by_content && gap == Gap::CardDiffers {
                // Another card: nothing changed on it.
                kind = ProblemKind::Mismatch;
            }
            if gap == Gap::NotReadBack {
                // Mostly these are all files of an offload that was moved.
                names.truncate(UNREAD_TOLD);
            }
            let more = self.counts.get(&gap).copied().unwrap_or(0) - len64(names.len());
            let of_gap = named(names, more, kind, detail);
            reasons.extend(of_gap.map(|reason| UnprovenReason {
                is_of_drive: gap.is_of_drive(),
                cause: reason.cause.or(gap.cause(by_content)),
                ..reason
            }));
        }
        reasons
    }
}

/// Names files that share a reason, and counts those that are not named.
pub(super) fn named(
    names: Vec<Named>,
    more: u64,
    kind: ProblemKind,
    detail: &'static str,
) -> impl Iterator<Item = UnprovenReason> {
    let each = names.into_iter().map(move |(path, unread)| UnprovenReason {
        path: Some(path),
        files: 1,
        like: Some(detail),
        cause: unread.as_ref().and_then(|unread| unread.cause),
        ..UnprovenReason::new(
            kind,
            unread.map_or_else(|| detail.to_owned(), |u| format!("{detail} ({})", u.why)),
        )
    });
    let rest = (more > 0).then(|| UnprovenReason {
        files: more,
        like: Some(detail),
        ..UnprovenReason::new(kind, format!("and {} more: {detail}", number(more)))
    });
    each.chain(rest)
}

pub(super) fn gap_words(gap: Gap) -> (ProblemKind, &'static str) {
    match gap {
        Gap::New => (
            ProblemKind::Missing,
            "is on the card and in no offload that was found",
        ),
        Gap::Elsewhere => (
            ProblemKind::Missing,
            "is in an earlier offload, which was not found here",
        ),
        Gap::Changed => (
            ProblemKind::ChangedOnCard,
            "is not the file that was copied: another size or date",
        ),
        Gap::NotReadBack => (
            ProblemKind::NotReadBack,
            "is on a drive, but no manifest says that it was checked there",
        ),
        Gap::Missing => (
            ProblemKind::Missing,
            "was copied and is no longer on the drive",
        ),
        Gap::Unread => (
            ProblemKind::Unreadable,
            "was copied, and its copy could not be read just now, so that it is not known to be \
             good",
        ),
        Gap::Found(DamageKind::Unreadable) => (
            ProblemKind::Unreadable,
            "could not be read when its copy was checked, and was not read whole since",
        ),
        Gap::Found(DamageKind::Missing) => (
            ProblemKind::Missing,
            "was missing when its copy was checked, and what is there was not read since",
        ),
        Gap::Found(DamageKind::Changed) => (
            ProblemKind::Changed,
            "was found changed when its copy was checked, and was not read equal since",
        ),
        Gap::Damaged => (ProblemKind::Changed, "changed since it was copied"),
        Gap::Doubted => (
            ProblemKind::NotReadBack,
            "is doubted by a manifest, or two manifests say different things of it, and reading \
             it did not settle that",
        ),
        Gap::Unlike => (
            ProblemKind::NotReadBack,
            "only looks like the file that was copied: others on this card that do are not equal, \
             so all of it has to be read",
        ),
        Gap::CardUnreadable => (
            ProblemKind::Unreadable,
            "could not be read from the card again",
        ),
        Gap::CardDiffers => (
            ProblemKind::ChangedOnCard,
            "is on the card with other content than was copied: the card's content is not that of \
             the copy",
        ),
        Gap::NotCompared
        | Gap::NotInFolder
        | Gap::Shared
        | Gap::OtherContent
        | Gap::FolderUnread
        | Gap::FromMemory
        | Gap::InRecords
        | Gap::Meanwhile => folder_gap_words(gap),
    }
}

/// The same of a folder without a manifest.
fn folder_gap_words(gap: Gap) -> (ProblemKind, &'static str) {
    match gap {
        Gap::NotInFolder => (
            ProblemKind::Missing,
            "is on the card, and no file that was compared holds the same",
        ),
        Gap::Shared => (
            ProblemKind::Missing,
            "has no file of its own in what was compared",
        ),
        Gap::OtherContent => (
            ProblemKind::Mismatch,
            "has its name in a folder that was compared, and not its content",
        ),
        Gap::FolderUnread => (
            ProblemKind::Unreadable,
            "may be in a folder that was compared, where not all could be read",
        ),
        Gap::FromMemory => (
            ProblemKind::NotReadBack,
            "was compared, perhaps, with the computer's memory and not with the drive",
        ),
        Gap::InRecords => (
            ProblemKind::NotReadBack,
            "was compared with the computer's memory: so small a file is kept among the file \
             system's own notes, where nobody can read it from the drive",
        ),
        Gap::Meanwhile => (
            ProblemKind::Changed,
            "was changed or removed on its drive while all was read",
        ),
        _ => (ProblemKind::NotReadBack, "was not compared: it was stopped"),
    }
}
