//! Owns what can be seen of a card's files together. Data only; the words are in `words`.

use crate::disk::Stamp;
use crate::inspect::hint::HintKind;

/// A file of a card.
#[derive(Clone, Copy, Debug)]
pub struct CardFile<'a> {
    /// Its path below the card's root.
    pub path: &'a str,
    /// Its size in bytes.
    pub bytes: u64,
    /// When it was recorded: what it says itself, else its date on the card. In seconds since 1970,
    /// as the camera's clock showed it.
    pub recorded: Stamp,
}

/// What was seen of the files together.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum CardClue {
    /// Numbers of a folder that no file has, as first and last of each gap.
    NumbersGone {
        /// The gaps; at least one.
        gaps: Vec<(u32, u32)>,
        /// The digits that a number has at least.
        digits: usize,
    },
    /// Numbers between the last of one folder and the first of the next.
    NumbersBetween {
        /// The first and the last of them; the counter may begin anew in between.
        gap: (u32, u32),
        /// The name of the next folder.
        next: String,
    },
    /// Numbers of folders that no folder has.
    FoldersGone {
        /// The first and the last of them.
        gap: (u32, u32),
    },
    /// Two files of one folder with one number.
    NumberTwice {
        /// The name of the other file.
        other: String,
        /// How many numbers of the folder are there twice.
        count: u64,
    },
    /// Two folders with one number.
    FolderTwice {
        /// The name of the other folder.
        other: String,
    },
    /// A part of a clip that the other parts say was there.
    PartGone {
        /// The number of the part.
        part: u32,
        /// The number of parts that there are.
        of: u32,
    },
    /// A clip as large as a camera lets one file be, and no file behind it.
    NothingFollows,
    /// A file that belongs to a clip which is not there.
    ClipGone {
        /// The name that the clip would have, without its ending.
        clip: String,
    },
    /// A clip without the file that the others have beside them.
    SidecarGone {
        /// The ending of that file.
        ending: String,
        /// How many other clips of the folder have one.
        others: u64,
    },
    /// Times from before there were such cameras.
    ClockNotSet {
        /// The day of the file.
        day: String,
        /// How many files have such times.
        count: u64,
    },
    /// Times in the future.
    Future {
        /// The day of the file.
        day: String,
        /// How many files have such times.
        count: u64,
    },
    /// A few files far from all others.
    FarFromRest {
        /// The day of the file.
        day: String,
        /// How many files are that far.
        count: u64,
        /// Days between them and the rest.
        days: u64,
    },
    /// More than are told one by one.
    Untold {
        /// The kind of the first of them.
        kind: HintKind,
        /// How many.
        count: u64,
    },
}

/// Something about a card's files that somebody should know. It never proves anything.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct CardHint {
    /// The file or folder that it is about, below the card's root.
    pub path: String,
    /// What was seen.
    pub clue: CardClue,
}
