//! Owns the words for what a card's files say together: what was seen, what it may mean, what to
//! do.

use super::clue::{CardClue, CardHint};
use crate::inspect::hint::HintKind;
use crate::units::counted;

/// Gaps that the words name.
const GAPS_NAMED: usize = 4;

impl CardClue {
    /// Returns the kind.
    pub fn kind(&self) -> HintKind {
        match self {
            Self::NumbersGone { .. } | Self::NumbersBetween { .. } | Self::FoldersGone { .. } => {
                HintKind::NumberGap
            }
            Self::NumberTwice { .. } | Self::FolderTwice { .. } => HintKind::NumberTwice,
            Self::PartGone { .. } | Self::NothingFollows | Self::ClipGone { .. } => {
                HintKind::PartMissing
            }
            Self::SidecarGone { .. } => HintKind::SidecarMissing,
            Self::ClockNotSet { .. } | Self::Future { .. } | Self::FarFromRest { .. } => {
                HintKind::OddTime
            }
            Self::Untold { kind, .. } => *kind,
        }
    }
}

impl CardHint {
    /// Returns what was seen, as the rest of a sentence about the file or folder.
    pub fn seen(&self) -> String {
        match &self.clue {
            CardClue::NumbersGone { gaps, digits } => {
                let mut named: Vec<String> = gaps
                    .iter()
                    .take(GAPS_NAMED)
                    .map(|gap| range(*gap, *digits))
                    .collect();
                match gaps.len().saturating_sub(GAPS_NAMED) {
                    0 => {}
                    more => named.push(format!("{more} more gaps")),
                }
                format!("has no files numbered {}", listed(&named))
            }
            CardClue::NumbersBetween { gap, next } => {
                format!("and {next} have no files numbered {}", range(*gap, 4))
            }
            CardClue::FoldersGone { gap } => {
                format!("is followed by no folder {}", range(*gap, 3))
            }
            CardClue::NumberTwice { other, count: 1 } | CardClue::FolderTwice { other } => {
                format!("and {other} have one number")
            }
            CardClue::NumberTwice { other, count } => {
                let pairs = counted(*count, "such pair");
                format!("and {other} have one number ({pairs} in this folder)")
            }
            CardClue::PartGone { part, of } => {
                format!("is part {of} of a clip whose part {part} is not there")
            }
            CardClue::NothingFollows => {
                "is as large as cameras let one file be, and no file follows it".to_owned()
            }
            CardClue::ClipGone { clip } => format!("belongs to a clip {clip} that is not there"),
            CardClue::SidecarGone { ending, others } => {
                let (file, clips) = (file_of(ending), counted(*others, "other clip"));
                format!("has no {file} beside it; {clips} of this folder have one")
            }
            CardClue::ClockNotSet { day, count } => {
                format!("is dated {day}{}", so_are(*count))
            }
            CardClue::Future { day, count } => {
                format!("is dated {day}, in the future{}", so_are(*count))
            }
            CardClue::FarFromRest { day, count, days } => {
                let (more, days) = (so_are(*count), counted(*days, "day"));
                format!("is dated {day}, {days} from all the others{more}")
            }
            CardClue::Untold { count, .. } => {
                let hints = counted(*count, "more hint");
                format!("is the first of {hints} of this kind and others, not named one by one")
            }
        }
    }

    /// Returns what that may mean, as one sentence.
    pub fn meaning(&self) -> &'static str {
        match self.clue {
            CardClue::NumbersGone { .. }
            | CardClue::NumbersBetween { .. }
            | CardClue::FoldersGone { .. } => {
                "Deleted in the camera, recorded to the other slot or another card, or lost."
            }
            CardClue::NumberTwice { .. } | CardClue::FolderTwice { .. } => {
                "Two cameras, a counter that was set anew, or a computer wrote to this card."
            }
            CardClue::PartGone { .. } | CardClue::NothingFollows => {
                "The clip may go on on another card, or a part of it is lost."
            }
            CardClue::ClipGone { .. } => {
                "The clip was deleted on a computer, is on another card, or is lost."
            }
            CardClue::SidecarGone { .. } => {
                "The camera may not have finished this clip, or the file was deleted."
            }
            CardClue::ClockNotSet { .. } | CardClue::Future { .. } => {
                "The camera's clock was not set."
            }
            CardClue::FarFromRest { .. } => {
                "From an earlier shoot, or the camera's clock was set in between."
            }
            CardClue::Untold { .. } => {
                "So many say that something is unusual about the whole card."
            }
        }
    }

    /// Returns what to do, as one or more sentences.
    pub fn next_step(&self) -> &'static str {
        match self.clue.kind() {
            _ if matches!(self.clue, CardClue::Untold { .. }) => {
                "Look through the whole card in the camera before you format it."
            }
            HintKind::OddTime => "Set the camera's clock before you shoot on.",
            HintKind::PartMissing => {
                "Look for the card it goes on on, and copy that too, before you format this one."
            }
            HintKind::SidecarMissing => {
                "Play this clip to its end in the camera before you format the card."
            }
            _ => "Make sure that you know why before you format the card.",
        }
    }
}

fn so_are(count: u64) -> String {
    match count.saturating_sub(1) {
        0 => String::new(),
        1 => "; so is 1 more file".to_owned(),
        more => format!("; so are {}", counted(more, "more file")),
    }
}

fn file_of(ending: &str) -> String {
    match ending {
        "" => "file without an ending".to_owned(),
        ending => format!("{ending} file"),
    }
}

fn range((first, last): (u32, u32), digits: usize) -> String {
    if first == last {
        format!("{first:0digits$}")
    } else {
        format!("{first:0digits$} to {last:0digits$}")
    }
}

fn listed(all: &[String]) -> String {
    match all {
        [] => String::new(),
        [one] => one.clone(),
        [before @ .., last] => format!("{} and {last}", before.join(", ")),
    }
}
