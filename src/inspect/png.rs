//! Owns the reader of PNG: the walk over its chunks.
//!
//! PNG (third edition, W3C), 5.2 (signature), 5.3 (chunk layout), 11.2.1 (IHDR), 11.2.4 (IEND),
//! 11.3.5 (eXIf).

use super::bytes::{be32, some, text};
use super::hint::Clue;
use super::media_facts::MediaFacts;
use super::reader::{Format, NEED_MAX, Next, Outcome, Stretch, Want};
use super::tiff::tell_exif;
use crate::card::media::Media;
use crate::units::len_usize;

#[derive(Clone, Copy, Debug)]
enum PngState {
    /// Length and type of a chunk.
    Head,
    /// The size of the picture, in a chunk up to here.
    Size(u64),
    /// EXIF, from here to there.
    Exif(u64, u64),
    Done,
}

#[derive(Debug)]
pub(super) struct Png {
    size: u64,
    at: u64,
    state: PngState,
    clue: Option<Clue>,
    facts: MediaFacts,
}

impl Png {
    pub(super) fn new(size: u64) -> Self {
        Self {
            size,
            at: 8,
            state: PngState::Head,
            clue: None,
            facts: MediaFacts::of(Media::Still),
        }
    }

    fn chunk(&mut self, at: u64, before: Stretch) -> Next {
        (self.at, self.state) = (at, PngState::Head);
        Next::Bytes(Want::new(at, 8).after(before))
    }

    fn end(&mut self, clue: Option<Clue>) -> Next {
        (self.clue, self.state) = (clue, PngState::Done);
        Next::Rest(Stretch::Dense)
    }

    fn head(&mut self, bytes: &[u8]) -> Next {
        let (Some(length), Some(name)) = (be32(bytes, 0), some::<4>(bytes, 4)) else {
            let part = "IEND".to_owned();
            let size = self.size;
            return self.end(Some(Clue::EndsBefore { part, size }));
        };
        let at = self.at;
        if !name.iter().all(u8::is_ascii_alphabetic) {
            let part = "chunk".to_owned();
            return self.end(Some(Clue::Unreadable { part, at }));
        }
        // Length, type and CRC are four bytes each.
        let end = at.saturating_add(12).saturating_add(length.into());
        if end > self.size {
            return self.end(Some(Clue::PastEnd {
                part: text(&name, 4).unwrap_or_default(),
                at,
                end,
                size: self.size,
            }));
        }
        let payload = at.saturating_add(8);
        match &name {
            b"IEND" => {
                self.state = PngState::Done;
                Next::Rest(Stretch::Loose)
            }
            b"IHDR" if length >= 8 => {
                self.state = PngState::Size(end);
                Next::Bytes(Want::new(payload, 8))
            }
            b"eXIf" => {
                self.state = PngState::Exif(payload, end);
                let need = len_usize(length.into()).min(NEED_MAX);
                Next::Bytes(Want::new(payload, need))
            }
            b"IDAT" => self.chunk(end, Stretch::Dense),
            _ => self.chunk(end, Stretch::Loose),
        }
    }
}

impl Format for Png {
    fn first(&self) -> Next {
        Next::Bytes(Want::new(8, 8))
    }

    fn step(&mut self, bytes: &[u8]) -> Next {
        match self.state {
            PngState::Head => self.head(bytes),
            PngState::Size(end) => {
                if let (Some(width), Some(height)) = (be32(bytes, 0), be32(bytes, 4)) {
                    self.facts.pixels = Some((width, height));
                }
                self.chunk(end, Stretch::Loose)
            }
            PngState::Exif(at, end) => {
                tell_exif(bytes, at, &mut self.facts);
                self.chunk(end, Stretch::Loose)
            }
            PngState::Done => Next::Rest(Stretch::Loose),
        }
    }

    fn finish(&mut self) -> Option<Outcome> {
        Some(Outcome::new(self.clue.take(), self.facts.clone()))
    }
}
