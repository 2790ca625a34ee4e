//! Owns the look at the structure of one file while its bytes go by in order: was it recorded
//! whole, and what is it. Pure; a hint is never part of a verdict.
//!
//! Readers of formats (`reader`) say which few bytes they want next; all else is skipped by its
//! length. What is foreign is bounded everywhere: a look holds less than 1 MB, and a file that
//! lies costs no more than one that does not.

mod bmff;
mod bytes;
pub mod card;
pub mod contents;
pub mod deep;
pub mod guarded;
pub mod hint;
mod items;
mod jpeg;
mod jpeg_tail;
pub mod kind;
pub mod look;
pub mod media_facts;
mod movie;
mod mxf;
pub mod observation;
mod png;
mod reader;
pub mod recordings;
mod riff;
mod runs;
mod sound;
mod stills;
pub mod thumbnail;
mod tiff;
mod transport;

use crate::units::{len_usize, len64};
use hint::{Clue, Hint};
use kind::{FileKind, MAGIC_BYTES};
use media_facts::MediaFacts;
use reader::{Format, Next, Outcome, Stretch, Want};
use runs::Runs;

/// Bytes of a file that let its reader take one more turn.
const BYTES_A_TURN: u64 = 1_024;
/// Turns that the reader of a small file has.
const TURNS_FREE: u64 = 20_000;

/// What was seen of a file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Inspected {
    /// What kind of file it is.
    pub kind: FileKind,
    /// Signs that it was not recorded whole; at most three.
    pub hints: Vec<Hint>,
    /// What it says of itself.
    pub facts: MediaFacts,
}

impl Inspected {
    /// Returns whether it is not what its name says.
    pub fn is_unlike(&self) -> bool {
        self.hints.iter().any(|hint| hint.clue == Clue::Unlike)
    }
}

/// A look at one file, from its first byte to its last.
#[derive(Debug)]
pub struct Inspector {
    kind: FileKind,
    size: u64,
    /// Bytes that went by.
    at: u64,
    phase: Phase,
    next: Next,
    /// How often a reader may still be asked; see [`Inspector::new`].
    turns: u64,
    /// What is gathered of the bytes that are wanted, where they come in several pieces.
    held: Vec<u8>,
    runs: Runs,
}

/// How far the kind of a file is known.
#[derive(Debug)]
enum Phase {
    /// The first bytes are awaited.
    Begin,
    /// The first bytes are those of the kind.
    Known(Box<dyn Format>),
    /// The first bytes are one value over and over.
    Blank,
    /// It begins as something else, of which nothing is said.
    Unlike,
    /// It was given up.
    Other,
}

impl Inspector {
    /// Begins the look at a file of `size` bytes; `None` where the ending of its name is not that
    /// of a known kind. A file that is made of far smaller parts than cameras make is given up:
    /// nothing is said of it.
    pub fn new(path: &str, size: u64) -> Option<Self> {
        let kind = FileKind::by_name(path)?;
        let magic = MAGIC_BYTES.min(len_usize(size));
        Some(Self {
            kind,
            size,
            at: 0,
            phase: Phase::Begin,
            next: match magic {
                0 => Next::Rest(Stretch::Loose),
                magic => Next::Bytes(Want::new(0, magic)),
            },
            turns: TURNS_FREE.saturating_add(size / BYTES_A_TURN),
            held: Vec::new(),
            runs: Runs::new(),
        })
    }

    /// Returns where the next byte is that the structure needs; `None` when it needs no more. What
    /// is before it may be skipped, at the price of not seeing long runs of one value there.
    pub fn wants(&self) -> Option<u64> {
        match self.next {
            Next::Bytes(want) => Some(want.at.max(self.at)),
            Next::Rest(_) => None,
        }
    }

    /// Skips bytes that nobody saw.
    pub fn skip(&mut self, bytes: u64) {
        if bytes == 0 {
            return;
        }
        self.at = self.at.saturating_add(bytes);
        self.runs.unseen();
        if let Next::Bytes(want) = self.next
            && self.at > want.at
        {
            self.next = Next::Rest(Stretch::Loose);
        }
    }

    /// Looks at the next bytes of the file. They may come in pieces of any size.
    pub fn feed(&mut self, bytes: &[u8]) {
        let left = len_usize(self.size.saturating_sub(self.at));
        let mut rest = bytes.get(..left).unwrap_or(bytes);
        while !rest.is_empty() {
            let (length, stretch) = match self.next {
                Next::Rest(stretch) => (rest.len(), stretch),
                Next::Bytes(want) if self.at < want.at => {
                    let before = len_usize(want.at.saturating_sub(self.at));
                    (before.min(rest.len()), want.before)
                }
                Next::Bytes(want) => {
                    let open = want.need.saturating_sub(self.held.len());
                    (open.min(rest.len()), want.within)
                }
            };
            let (piece, after) = rest.split_at(length);
            match stretch {
                Stretch::Dense => self.runs.dense(self.at, piece),
                Stretch::Loose => self.runs.loose(piece),
            }
            let begins = self.at;
            self.at = self.at.saturating_add(len64(length));
            if let Next::Bytes(want) = self.next
                && begins >= want.at
            {
                self.gather(piece, want.need);
            }
            rest = after;
        }
    }

    /// Holds a piece of what is wanted, and hands all of it on when it is complete.
    fn gather(&mut self, piece: &[u8], need: usize) {
        if self.held.is_empty() && piece.len() >= need {
            return self.step(piece);
        }
        self.held.extend_from_slice(piece);
        if self.held.len() >= need {
            let held = std::mem::take(&mut self.held);
            self.step(&held);
            // The room is kept for what is wanted next, unless some of that is there already.
            if self.held.is_empty() {
                self.held = held;
                self.held.clear();
            }
        }
    }

    /// Hands on what was wanted and asks what is wanted next.
    fn step(&mut self, bytes: &[u8]) {
        match &mut self.phase {
            Phase::Begin => self.begin(bytes),
            Phase::Known(_) if self.turns == 0 => {
                (self.phase, self.next) = (Phase::Other, Next::Rest(Stretch::Loose));
            }
            Phase::Known(format) => {
                self.turns = self.turns.saturating_sub(1);
                let next = format.step(bytes);
                self.settle(next);
            }
            Phase::Blank | Phase::Unlike | Phase::Other => self.next = Next::Rest(Stretch::Loose),
        }
    }

    /// Takes what is wanted next, as far as the file has it.
    fn settle(&mut self, next: Next) {
        self.next = next;
        let Next::Bytes(mut want) = next else {
            return;
        };
        let left = len_usize(self.size.saturating_sub(want.at));
        want.need = want.need.min(left).min(reader::NEED_MAX);
        self.next = if want.at < self.at || want.need == 0 {
            // Nothing is there any more. The reader is told so by no bytes.
            if let Phase::Known(format) = &mut self.phase {
                format.step(&[]);
            }
            Next::Rest(want.before)
        } else {
            Next::Bytes(want)
        };
    }

    /// Knows the kind by the first bytes, and begins anew with them.
    fn begin(&mut self, first: &[u8]) {
        (self.at, self.runs) = (0, Runs::new());
        let value = first.first().copied().unwrap_or_default();
        if first.iter().all(|&b| b == value) && matches!(value, 0 | 0xff) {
            (self.phase, self.next) = (Phase::Blank, Next::Rest(Stretch::Dense));
        } else if self.kind.begins_with(first) {
            let format = format_of(self.kind, self.size);
            let next = format.first();
            self.phase = Phase::Known(format);
            self.settle(next);
        } else {
            (self.phase, self.next) = (Phase::Unlike, Next::Rest(Stretch::Loose));
        }
        self.feed(first);
    }

    /// Returns what is to be said of a file whose first bytes are not those of its ending, where
    /// all such files begin alike.
    fn unlike(&self) -> Option<Inspected> {
        let is_unlike = matches!(self.phase, Phase::Unlike) && self.kind.has_sure_beginning();
        let (file, clue) = (self.kind, Clue::Unlike);
        is_unlike.then(|| Inspected {
            kind: file,
            hints: vec![Hint { file, clue }],
            facts: MediaFacts::of(file.media()),
        })
    }

    /// Ends the look; `None` where the file is not of the kind that its name says.
    pub fn finish(self) -> Option<Inspected> {
        let kind = self.kind;
        let hint = |clue| Hint { file: kind, clue };
        if self.size == 0 {
            return Some(Inspected {
                kind,
                hints: vec![hint(Clue::Empty)],
                facts: MediaFacts::of(kind.media()),
            });
        }
        let seen = match self.phase {
            Phase::Known(mut format) => format.finish()?,
            Phase::Blank => Outcome::new(None, MediaFacts::of(kind.media())),
            Phase::Begin | Phase::Unlike | Phase::Other => return None,
        };
        let mut hints: Vec<Hint> = seen.clue.map(hint).into_iter().collect();
        if seen.is_dense {
            let runs = self.runs.finish(self.size, seen.zeros);
            for is_zero in [true, false] {
                let mut of = runs.iter().filter(|run| (run.value == 0) == is_zero);
                if let Some(first) = of.next() {
                    let (mut bytes, mut runs) = (first.bytes, 1);
                    for run in of.filter(|run| run.value == first.value) {
                        bytes = run.bytes.saturating_add(bytes);
                        runs += 1;
                    }
                    hints.push(hint(Clue::Run {
                        value: first.value,
                        at: first.at,
                        bytes,
                        runs,
                    }));
                }
            }
        }
        let facts = seen.facts;
        Some(Inspected { kind, hints, facts })
    }
}

/// Returns the reader of a kind of file.
fn format_of(kind: FileKind, size: u64) -> Box<dyn Format> {
    match kind {
        FileKind::Movie | FileKind::Heif | FileKind::Cr3 => Box::new(bmff::Boxes::new(kind, size)),
        FileKind::Avi | FileKind::Wav => Box::new(riff::Riff::new(kind, size)),
        FileKind::Mxf => Box::new(mxf::Mxf::new(size)),
        FileKind::Avchd => Box::new(transport::Transport::new(size)),
        FileKind::Jpeg => Box::new(jpeg::Jpeg::new(size)),
        FileKind::Png => Box::new(png::Png::new(size)),
        FileKind::Tiff | FileKind::Raw => Box::new(stills::TiffStill::new(kind, size)),
        FileKind::Raf => Box::new(stills::Raf::new(size)),
        FileKind::Flac => Box::new(sound::Flac::new(size)),
        FileKind::Mp3 => Box::new(sound::Mp3::new(size)),
    }
}

#[cfg(test)]
mod tests;
