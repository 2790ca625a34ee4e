//! Owns how the reader of a format and the look at a file talk: the reader says which bytes it
//! wants next, gets them, and in the end says what it saw.

use super::hint::Clue;
use super::media_facts::MediaFacts;
use super::runs::RUN_BYTES;
use std::fmt::Debug;

/// The most that a reader can want at once, in bytes.
pub(super) const NEED_MAX: usize = 128 * 1_024;

/// Whether long runs of one value mean anything in a stretch of bytes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Stretch {
    /// Compressed, or otherwise never one value for long in a sound file.
    Dense,
    /// Padding, structure, or what is not compressed.
    Loose,
}

/// Bytes that a reader wants.
#[derive(Clone, Copy, Debug)]
pub(super) struct Want {
    /// Where they begin; never before what already went by.
    pub at: u64,
    /// How many; fewer come where the file ends.
    pub need: usize,
    /// What is between here and there.
    pub before: Stretch,
    /// What they are themselves.
    pub within: Stretch,
}

impl Want {
    /// Returns a want of structure, with structure before it.
    pub(super) fn new(at: u64, need: usize) -> Self {
        Self {
            at,
            need,
            before: Stretch::Loose,
            within: Stretch::Loose,
        }
    }

    pub(super) fn after(mut self, before: Stretch) -> Self {
        self.before = before;
        self
    }

    pub(super) fn within(mut self, within: Stretch) -> Self {
        self.within = within;
        self
    }
}

/// What a reader wants next.
#[derive(Clone, Copy, Debug)]
pub(super) enum Next {
    /// Some bytes.
    Bytes(Want),
    /// No more; the rest of the file is this.
    Rest(Stretch),
}

/// What a reader saw.
#[derive(Debug)]
pub(super) struct Outcome {
    /// The one thing that says most, where something is wrong.
    pub clue: Option<Clue>,
    pub facts: MediaFacts,
    /// Whether what is stored is compressed, or otherwise never one value for long.
    pub is_dense: bool,
    /// From how many bytes on a run of zeros means something in it.
    pub zeros: u64,
}

impl Outcome {
    pub(super) fn new(clue: Option<Clue>, facts: MediaFacts) -> Self {
        Self {
            clue,
            facts,
            is_dense: true,
            zeros: RUN_BYTES,
        }
    }
}

/// The reader of a format. It wants bytes in the order of the file only, and stops by itself: each
/// want lies behind the one before. Where the file ends before a want, the reader gets fewer bytes
/// or none, once, and is asked no more.
pub(super) trait Format: Debug + Send {
    /// Says what is wanted first.
    fn first(&self) -> Next;

    /// Takes the bytes that were wanted.
    fn step(&mut self, bytes: &[u8]) -> Next;

    /// Says what was seen; `None` where the file is of another kind after all.
    fn finish(&mut self) -> Option<Outcome>;
}
