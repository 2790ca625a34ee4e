//! Owns the decoding of what was read: stills here, clips and sound by `ffmpeg` where that is
//! installed; and the count of what was decoded and what not.

use super::ffmpeg::{decode, is_there};
use super::file::InspectedFile;
use crate::clock::Clock;
use crate::disk::progress::Progress;
use crate::inspect::Inspected;
use crate::inspect::deep::decoding::{Decoding, NotDecoded};
use crate::inspect::deep::{DecodedBy, STILL_BYTES_MAX, decode_still, decoded_by};
use crate::inspect::hint::Hint;
use crate::inspect::kind::FileKind;
use crate::units::{float, len64, whole};
use std::collections::BTreeMap;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// How many files were decoded, of those whose kind is known.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct DecodedCount {
    /// Decoded to their end, with or without a hint.
    pub files: u64,
    /// Not decoded, by the reason.
    pub not: BTreeMap<NotDecoded, u64>,
}

/// The decoding of a card's files.
pub(super) struct Decoder<'a> {
    clock: &'a dyn Clock,
    progress: &'a Progress,
    has_ffmpeg: bool,
    pub(super) count: DecodedCount,
}

impl<'a> Decoder<'a> {
    /// Looks for `ffmpeg` where a file needs it, and reckons with the time that decoding takes.
    pub(super) fn new(
        files: &[InspectedFile],
        clock: &'a dyn Clock,
        progress: &'a Progress,
    ) -> Self {
        let by = files.iter().filter_map(by_whom);
        let needs_ffmpeg = by.clone().any(|by| matches!(by, DecodedBy::Ffmpeg(_)));
        let decoder = Self {
            clock,
            progress,
            has_ffmpeg: needs_ffmpeg && is_there(),
            count: DecodedCount::default(),
        };
        let twice = files.iter().filter(|file| match by_whom(file) {
            Some(DecodedBy::Here) => file.bytes <= STILL_BYTES_MAX,
            Some(DecodedBy::Ffmpeg(_)) => decoder.has_ffmpeg,
            _ => false,
        });
        let bytes = twice.fold(0_u64, |sum, file| sum.saturating_add(file.bytes));
        progress.bytes_total.fetch_add(bytes, Ordering::Relaxed);
        decoder
    }

    /// Returns where the bytes of a file are to be put, if it is decoded here.
    pub(super) fn room(file: &InspectedFile) -> Option<Vec<u8>> {
        let is_here = by_whom(file) == Some(DecodedBy::Here) && file.bytes <= STILL_BYTES_MAX;
        is_here.then(Vec::new)
    }

    /// Decodes a file that was read, and adds what comes of it to what was seen; `false` where the
    /// person stopped it.
    pub(super) fn decode(
        &mut self,
        file: &InspectedFile,
        held: Option<&[u8]>,
        seen: Option<&mut Inspected>,
    ) -> bool {
        let Some(by) = by_whom(file) else {
            return true;
        };
        let decoding = match (by, seen.as_deref(), held) {
            (DecodedBy::Nobody(why), ..) => Decoding::Not(why),
            // It is not what its name says.
            (_, None, _) => Decoding::Not(NotDecoded::Form),
            (_, Some(seen), _) if seen.is_unlike() => Decoding::Not(NotDecoded::Form),
            (DecodedBy::Here, Some(_), None) => Decoding::Not(NotDecoded::TooLarge),
            (DecodedBy::Here, Some(seen), Some(held)) if len64(held.len()) == file.bytes => {
                decode_still(seen.kind, held)
            }
            (DecodedBy::Here, ..) => Decoding::Not(NotDecoded::BrokeDown),
            (DecodedBy::Ffmpeg(_), ..) if !self.has_ffmpeg => Decoding::Not(NotDecoded::NoFfmpeg),
            (DecodedBy::Ffmpeg(form), Some(seen), _) => {
                match self.by_ffmpeg(file, form, seen.facts.duration) {
                    Some(decoding) => decoding,
                    None => return false,
                }
            }
        };
        self.note(decoding, seen);
        if by == DecodedBy::Here && held.is_some() {
            self.progress.bytes.fetch_add(file.bytes, Ordering::Relaxed);
        }
        !self.progress.cancel.load(Ordering::Relaxed)
    }

    fn note(&mut self, decoding: Decoding, seen: Option<&mut Inspected>) {
        match decoding {
            Decoding::Not(why) => {
                let of = self.count.not.entry(why).or_default();
                *of = of.saturating_add(1);
            }
            Decoding::Whole => self.count.files = self.count.files.saturating_add(1),
            Decoding::Broken(clue) => {
                self.count.files = self.count.files.saturating_add(1);
                // What the structure says is the cause, and says more.
                if let Some(seen) = seen.filter(|seen| seen.hints.is_empty()) {
                    let file = seen.kind;
                    seen.hints.push(Hint { file, clue });
                }
            }
        }
    }

    /// Has a file decoded; its bytes are counted by how much of its length is done.
    fn by_ffmpeg(
        &self,
        file: &InspectedFile,
        form: &str,
        duration: Option<Duration>,
    ) -> Option<Decoding> {
        let mut told = 0;
        let mut tell = |done: u64| {
            let done = done.min(file.bytes).max(told);
            let more = done - told;
            self.progress.bytes.fetch_add(more, Ordering::Relaxed);
            told = done;
        };
        let mut step = |decoded: Duration| {
            if let Some(all) = duration.filter(|all| !all.is_zero()) {
                let part = decoded.as_secs_f64() / all.as_secs_f64();
                tell(whole(float(file.bytes) * part.min(1.0)));
            }
            !self.progress.cancel.load(Ordering::Relaxed)
        };
        let decoding = decode(&file.at, form, self.clock, &mut step);
        tell(file.bytes);
        decoding
    }
}

fn by_whom(file: &InspectedFile) -> Option<DecodedBy> {
    FileKind::by_name(&file.path).map(decoded_by)
}
