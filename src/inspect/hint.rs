//! Owns what a look at one file can find, and its words: what was seen, what it may mean, what to
//! do.

use super::kind::FileKind;
use crate::card::media::Media;
use crate::units::{count, size};

/// The kinds of hints, about one file and about the files of a card. The names are part of the
/// manifest's format.
#[derive(
    Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum HintKind {
    /// The file ends before its own structure says that it ends.
    CutOff,
    /// What says where picture and sound are in the file is not there.
    NoIndex,
    /// A long run of zeros.
    Zeros,
    /// A long run of another single value.
    OneValue,
    /// A place at which the structure can't be followed any further.
    UnreadableStructure,
    /// Numbers in between are not there.
    NumberGap,
    /// One number stands for two.
    NumberTwice,
    /// A part of a clip, or what it goes on in, is not there.
    PartMissing,
    /// A clip has no file beside it, and the others have one.
    SidecarMissing,
    /// A time that no set clock shows.
    OddTime,
}

impl HintKind {
    /// Returns the name used in manifests and events.
    pub fn id(self) -> &'static str {
        match self {
            Self::CutOff => "cut-off",
            Self::NoIndex => "no-index",
            Self::Zeros => "zeros",
            Self::OneValue => "one-value",
            Self::UnreadableStructure => "unreadable-structure",
            Self::NumberGap => "number-gap",
            Self::NumberTwice => "number-twice",
            Self::PartMissing => "part-missing",
            Self::SidecarMissing => "sidecar-missing",
            Self::OddTime => "odd-time",
        }
    }
}

/// What was seen in a file. Offsets and sizes are in bytes from the file's beginning.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Clue {
    /// The file has no bytes at all.
    Empty,
    /// A part of the structure ends after the file does.
    PastEnd {
        /// What the format calls the part: a box, a chunk, a marker.
        part: String,
        /// Where the part begins.
        at: u64,
        /// Where it should end.
        end: u64,
        /// The size of the file.
        size: u64,
    },
    /// The file ends before a part without which none is whole.
    EndsBefore {
        /// What the format calls the part.
        part: String,
        /// The size of the file.
        size: u64,
    },
    /// The length of a part was never filled in, as it is when a recording ends.
    NeverClosed {
        /// What the format calls the part.
        part: String,
        /// Where it begins.
        at: u64,
    },
    /// All is there but what says where picture and sound are.
    NoIndex {
        /// What the format calls the index.
        part: String,
    },
    /// Long runs of one value where there is none in a sound file.
    Run {
        /// The value.
        value: u8,
        /// Where the first run begins.
        at: u64,
        /// The bytes of all runs of this value together.
        bytes: u64,
        /// How many runs there are.
        runs: u64,
    },
    /// What is at this place is not what the structure needs there.
    Unreadable {
        /// What should be there.
        part: String,
        /// Where.
        at: u64,
    },
    /// It does not begin as files of its ending do.
    Unlike,
    /// The picture or sound itself can't be decoded to its end.
    Undecodable {
        /// About where, if that is known.
        at: Option<u64>,
        /// What was found, as part of a sentence; foreign where a library or a program said it.
        why: String,
    },
}

/// A sign that a file was not recorded whole. It never proves anything: a hint is no verdict.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Hint {
    /// The kind of file that it was found in.
    pub file: FileKind,
    /// What was seen.
    pub clue: Clue,
}

impl Hint {
    /// Returns the kind.
    pub fn kind(&self) -> HintKind {
        match self.clue {
            Clue::Empty
            | Clue::PastEnd { .. }
            | Clue::EndsBefore { .. }
            | Clue::NeverClosed { .. } => HintKind::CutOff,
            Clue::NoIndex { .. } => HintKind::NoIndex,
            Clue::Run { value: 0, .. } => HintKind::Zeros,
            Clue::Run { .. } => HintKind::OneValue,
            Clue::Unreadable { .. } | Clue::Undecodable { .. } | Clue::Unlike => {
                HintKind::UnreadableStructure
            }
        }
    }

    /// Returns what was seen, as the rest of a sentence about the file.
    pub fn seen(&self) -> String {
        match &self.clue {
            Clue::Empty => "is empty".to_owned(),
            Clue::PastEnd {
                part,
                at,
                end,
                size: bytes,
            } => format!(
                "ends too early: its part `{part}` at byte {} should go on to byte {}, but the \
                 file has {} bytes",
                count(*at),
                count(*end),
                count(*bytes)
            ),
            Clue::EndsBefore { part, size: bytes } => format!(
                "ends too early: it has {} bytes, and no `{part}`, which every whole file has",
                count(*bytes)
            ),
            Clue::NeverClosed { part, at } => format!(
                "was never closed: the length of its part `{part}` at byte {} is not filled in",
                count(*at)
            ),
            Clue::NoIndex { part } => {
                format!("has no index (`{part}`): nothing says where picture and sound are in it")
            }
            Clue::Run {
                value,
                at,
                bytes,
                runs,
            } => {
                let of = match value {
                    0 => "zeros".to_owned(),
                    value => format!("the value {value}"),
                };
                let more = match runs {
                    0 | 1 => String::new(),
                    runs => format!(" in {} places", count(*runs)),
                };
                let (all, at) = (size(*bytes), count(*at));
                format!("holds {all} of nothing but {of}{more}, from byte {at} on")
            }
            Clue::Unreadable { part, at } => format!(
                "can't be followed from byte {} on: a {part} should be there",
                count(*at)
            ),
            Clue::Unlike => "does not begin as files with its ending do".to_owned(),
            Clue::Undecodable { at: None, why } => format!("can't be decoded: {why}"),
            Clue::Undecodable { at: Some(at), why } => {
                format!("can't be decoded from about byte {} on: {why}", count(*at))
            }
        }
    }

    /// Returns what that may mean, as one sentence.
    pub fn meaning(&self) -> &'static str {
        match self.kind() {
            HintKind::CutOff | HintKind::NoIndex => {
                "The camera may not have finished it: an empty battery, a card that was pulled or \
                 full."
            }
            HintKind::Zeros | HintKind::OneValue => {
                "The card may have lost this part, or never stored it."
            }
            _ => {
                "The card may have lost this part, or the camera writes it in a way that is not \
                 known here."
            }
        }
    }

    /// Returns what to do, as one or more sentences.
    pub fn next_step(&self) -> &'static str {
        match (self.file.media(), self.kind()) {
            (Media::Still, _) => {
                "Look at it in the camera, enlarged, before you format the card. Don't repair the \
                 card on a computer."
            }
            (_, HintKind::Zeros | HintKind::OneValue) => {
                "Play it to its end in the camera before you format the card. Don't repair the \
                 card on a computer."
            }
            _ => {
                "Play it to its end in the camera before you format the card. Some cameras repair \
                 a recording when the card is put back. Don't repair the card on a computer."
            }
        }
    }
}
