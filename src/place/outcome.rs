//! Owns what came of sending an offload, in words.

use super::error::{PlaceFault, StoreError};
use crate::error::ProblemKind;

/// What became of one file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SendProblem {
    /// Its path below the offload.
    pub path: String,
    /// What is wrong.
    pub why: SendFault,
}

/// Why a file is not at the place as it should be.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum SendFault {
    /// The drive could not be read.
    #[error("could not be read from the drive: {0}")]
    Unread(String),
    /// The drive gives something else than the manifest says; none of it was sent as good.
    #[error("on the drive is not what the manifest says; it was not sent. Check that drive")]
    Rotten,
    /// The place has something else under its name.
    #[error("at the place is another file of that name; it was not touched")]
    Other,
    /// The manifest of something else has its place.
    #[error(
        "at the place is that of another offload of this name, or of this one before it had more; \
         nothing there was touched, and nothing was sent. `unlade send` with --as NAME sends this \
         one beside it"
    )]
    Earlier,
    /// It came back otherwise than it was sent.
    #[error("came back from the place otherwise than it was sent")]
    Damaged,
    /// It is not there.
    #[error("is not at the place any more")]
    Gone,
    /// It was there as it should be, and is not any more.
    #[error("at the place is not what was sent before: {0}")]
    Changed(String),
    /// It would be somewhere else than it seems, where it counts for nothing.
    #[error(
        "would be behind a link at the place, or on another drive than its folder, and count for \
         nothing; it was not sent. Put a folder in the place of the link"
    )]
    Link,
    /// The place did not do something.
    #[error("{0}. {advice}", advice = .0.kind.advice())]
    Place(StoreError),
    /// It is in a folder of this computer that is answered from memory.
    #[error("was not read back: this computer answered from its own memory")]
    Memory,
    /// It came whole, and the drive gave back something else.
    #[error("was written, and the drive gave back something else. {0}")]
    Differs(&'static str),
    /// The drive has something else under its name.
    #[error("on the drive is another file of that name; it was not touched")]
    Standing,
    /// The drive did not do something; all else would fail as well.
    #[error("{0}")]
    Drive(String),
    /// There was no more time.
    #[error("was not read back: the time was up")]
    NoTime,
}

impl SendFault {
    /// Returns the sort of problem that it is of a copy which is checked.
    pub fn kind(&self) -> ProblemKind {
        match self {
            Self::Gone => ProblemKind::Missing,
            Self::Place(e) if e.kind == PlaceFault::NotFound => ProblemKind::Missing,
            Self::Place(_) | Self::Unread(_) | Self::Drive(_) => ProblemKind::Unreadable,
            Self::Memory | Self::NoTime => ProblemKind::NotReadBack,
            _ => ProblemKind::Changed,
        }
    }
}

/// What came of checking an offload at a place.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct PlaceChecked {
    /// Files of the offload.
    pub all: u64,
    /// Files that were to be read.
    pub chosen: u64,
    /// Files that were read back from the place and are equal.
    pub equal: u64,
    /// And their bytes.
    pub equal_bytes: u64,
    /// Files that are equal by what this computer's memory says.
    pub from_memory: u64,
    /// What is not as it should be.
    pub problems: Vec<SendProblem>,
    /// How often something was tried again.
    pub retries: u64,
    /// The person wanted to stop.
    pub interrupted: bool,
}

/// What came of fetching an offload.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct FetchResult {
    /// Files that came now.
    pub came: u64,
    /// And their bytes.
    pub came_bytes: u64,
    /// Files that were there already, read back and equal.
    pub before: u64,
    /// Files that are there and were read back from the drive's memory at best.
    pub from_memory: u64,
    /// Lists that the place had lost, made anew from the manifest.
    pub made: Vec<String>,
    /// Records that came, which neither the manifest nor a receipt says anything of.
    pub not_compared: Vec<String>,
    /// What is not as it should be.
    pub problems: Vec<SendProblem>,
    /// Everything that was asked for is there; of an offload its manifest as well.
    pub is_done: bool,
    /// How often something was tried again.
    pub retries: u64,
    /// The person wanted to stop.
    pub interrupted: bool,
}

/// What came of a command.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct SendResult {
    /// Files that were sent now.
    pub sent: u64,
    /// And their bytes.
    pub sent_bytes: u64,
    /// Files that were there already, as an earlier command had sent them.
    pub before: u64,
    /// Files that were sent before, were gone from the place, and were sent again.
    pub gone: u64,
    /// Files that were read back and equal, now or before.
    pub fetched: u64,
    /// When the first of them was read back, RFC 3339, where that was by an earlier command; empty
    /// where nobody knows.
    pub fetched_since: Option<String>,
    /// Files that are at the place.
    pub there: u64,
    /// What is not as it should be.
    pub problems: Vec<SendProblem>,
    /// The receipt that was put there now.
    pub receipt: Option<String>,
    /// The manifest is there: all that it lists is.
    pub is_whole: bool,
    /// How often something was tried again.
    pub retries: u64,
    /// The person wanted to stop.
    pub interrupted: bool,
}

/// Whether a file is there all the same.
pub(super) fn is_mild(problem: &SendProblem) -> bool {
    matches!(problem.why, SendFault::Memory | SendFault::NoTime)
}
