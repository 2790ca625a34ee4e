//! Owns the readers of stills whose parts may be anywhere in the file: TIFF, raws that are built
//! like it, and Fujifilm's RAF.

use super::bytes::be32;
use super::hint::Clue;
use super::jpeg::exif_in;
use super::kind::FileKind;
use super::media_facts::MediaFacts;
use super::reader::{Format, Next, Outcome, Stretch, Want};
use super::tiff::{TiffWalk, tell_exif};
use crate::card::media::Media;
use crate::units::len64;

/// Bytes at the beginning of a file in which everything is found in any order.
const HEAD: usize = 64 * 1_024;
/// The same for a later place.
const WINDOW: usize = 16 * 1_024;
/// Later places that are looked at.
const WINDOWS_MAX: usize = 64;

/// The reader of what is built like TIFF.
#[derive(Debug)]
pub(super) struct TiffStill {
    kind: FileKind,
    size: u64,
    /// Where the current window begins.
    at: u64,
    windows: usize,
    walk: Option<TiffWalk>,
}

impl TiffStill {
    pub(super) fn new(kind: FileKind, size: u64) -> Self {
        Self {
            kind,
            size,
            at: 0,
            windows: 0,
            walk: None,
        }
    }
}

impl Format for TiffStill {
    fn first(&self) -> Next {
        Next::Bytes(Want::new(0, HEAD).within(Stretch::Dense))
    }

    fn step(&mut self, bytes: &[u8]) -> Next {
        if self.windows == 0 {
            self.walk = TiffWalk::new(bytes, self.size, self.kind == FileKind::Tiff);
        }
        self.windows = self.windows.saturating_add(1);
        let rest = Next::Rest(Stretch::Dense);
        let Some(walk) = &mut self.walk else {
            return rest;
        };
        walk.window(self.at, bytes);
        match walk.wants() {
            Some((at, need)) if self.windows < WINDOWS_MAX => {
                self.at = at;
                let want = Want::new(at, need.max(WINDOW));
                Next::Bytes(want.after(Stretch::Dense).within(Stretch::Dense))
            }
            _ => rest,
        }
    }

    fn finish(&mut self) -> Option<Outcome> {
        let mut facts = MediaFacts::of(Media::Still);
        let Some(walk) = &mut self.walk else {
            let part = "directory".to_owned();
            let size = self.size;
            return Some(Outcome::new(Some(Clue::EndsBefore { part, size }), facts));
        };
        walk.finish();
        walk.tell(&mut facts, 0);
        walk.tell_pixels(&mut facts);
        let mut outcome = Outcome::new(walk.clue.take(), facts);
        // A TIFF that is not compressed may be of one colour; a raw never is.
        outcome.is_dense = self.kind != FileKind::Tiff || !walk.is_uncompressed();
        Some(outcome)
    }
}

/// The reader of RAF: a header, an offset directory with three places (published by those who read
/// it: libopenraw, "Fujifilm RAF"). The first place is a JPEG with the EXIF entries.
#[derive(Debug)]
pub(super) struct Raf {
    size: u64,
    jpeg: u64,
    is_begun: bool,
    clue: Option<Clue>,
    facts: MediaFacts,
}

/// Where the offset directory's pairs of offset and length begin.
const RAF_PLACES: usize = 84;

impl Raf {
    pub(super) fn new(size: u64) -> Self {
        Self {
            size,
            jpeg: 0,
            is_begun: false,
            clue: None,
            facts: MediaFacts::of(Media::Still),
        }
    }

    fn header(&mut self, bytes: &[u8]) -> Next {
        let parts = ["preview", "header of the raw", "raw"];
        for (n, part) in parts.into_iter().enumerate() {
            let place = RAF_PLACES + n * 8;
            let (Some(at), Some(length)) = (be32(bytes, place), be32(bytes, place + 4)) else {
                let (part, size) = ("offset directory".to_owned(), self.size);
                self.clue = Some(Clue::EndsBefore { part, size });
                return Next::Rest(Stretch::Loose);
            };
            let (at, length) = (u64::from(at), u64::from(length));
            let end = at.saturating_add(length);
            if end > self.size {
                self.clue = Some(Clue::PastEnd {
                    part: part.to_owned(),
                    at,
                    end,
                    size: self.size,
                });
            }
            if n == 0 {
                self.jpeg = at;
            }
        }
        let want = Want::new(self.jpeg, HEAD);
        Next::Bytes(want.after(Stretch::Dense).within(Stretch::Dense))
    }
}

impl Format for Raf {
    fn first(&self) -> Next {
        Next::Bytes(Want::new(0, RAF_PLACES + 24))
    }

    fn step(&mut self, bytes: &[u8]) -> Next {
        if !self.is_begun {
            self.is_begun = true;
            return self.header(bytes);
        }
        if let Some(from) = exif_in(bytes) {
            let exif = bytes.get(from..).unwrap_or_default();
            let base = self.jpeg.saturating_add(len64(from));
            tell_exif(exif, base, &mut self.facts);
        }
        Next::Rest(Stretch::Dense)
    }

    fn finish(&mut self) -> Option<Outcome> {
        Some(Outcome::new(self.clue.take(), self.facts.clone()))
    }
}
