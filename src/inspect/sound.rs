//! Owns the readers of FLAC and MP3, which look at the beginning and the end only.

use super::bytes::{be_sized, be32, some};
use super::hint::Clue;
use super::kind::FileKind;
use super::media_facts::{MediaFacts, duration};
use super::reader::{Format, Next, Outcome, Stretch, Want};
use crate::units::{len_usize, len64};

/// Bytes at the end of a FLAC that are looked at; the largest frames are not longer in practice.
const TAIL: u64 = 128 * 1_024;

/// The reader of FLAC: the metadata blocks, then the last frames. RFC 9639, section 8 (metadata),
/// 8.2 (streaminfo), 9.1 (frame header), 9.3 (frame footer).
#[derive(Debug)]
pub(super) struct Flac {
    size: u64,
    at: u64,
    state: FlacState,
    rate: u64,
    samples: u64,
    frame_max: u64,
    clue: Option<Clue>,
    facts: MediaFacts,
}

#[derive(Clone, Copy, Debug)]
enum FlacState {
    /// The head of a metadata block.
    Block,
    /// The stream's own facts, in a block up to here; whether it is the last.
    Info {
        end: u64,
        is_last: bool,
    },
    Tail,
    Done,
}

impl Flac {
    pub(super) fn new(size: u64) -> Self {
        Self {
            size,
            at: 4,
            state: FlacState::Block,
            rate: 0,
            samples: 0,
            frame_max: 0,
            clue: None,
            facts: MediaFacts::of(FileKind::Flac.media()),
        }
    }

    fn stop(&mut self, clue: Option<Clue>) -> Next {
        (self.clue, self.state) = (clue, FlacState::Done);
        Next::Rest(Stretch::Dense)
    }

    fn no_end(&self) -> Clue {
        Clue::EndsBefore {
            part: "last frame".to_owned(),
            size: self.size,
        }
    }

    fn block(&mut self, bytes: &[u8]) -> Next {
        let Some(&[first, length @ ..]) = bytes.first_chunk::<4>() else {
            return self.stop(Some(self.no_end()));
        };
        let length = be_sized(&length, 0, 3).unwrap_or_default();
        let inside = self.at.saturating_add(4);
        let end = inside.saturating_add(length);
        if end > self.size {
            return self.stop(Some(Clue::PastEnd {
                part: "metadata block".to_owned(),
                at: self.at,
                end,
                size: self.size,
            }));
        }
        let is_last = first & 0x80 != 0;
        let is_info = first & !0x80 == 0;
        if is_info && length >= 18 {
            self.state = FlacState::Info { end, is_last };
            return Next::Bytes(Want::new(inside, 18));
        }
        self.after_block(end, is_last)
    }

    fn info(&mut self, bytes: &[u8]) {
        self.frame_max = be_sized(bytes, 7, 3).unwrap_or_default();
        // 20 bits of rate, 3 of channels, 5 of bits, 36 of samples.
        let packed = be_sized(bytes, 10, 8).unwrap_or_default();
        (self.rate, self.samples) = (packed >> 44, packed & 0xf_ffff_ffff);
        self.facts.tracks = 1;
        self.facts.duration = duration(self.samples, self.rate);
    }

    fn after_block(&mut self, end: u64, is_last: bool) -> Next {
        if !is_last {
            (self.at, self.state) = (end, FlacState::Block);
            return Next::Bytes(Want::new(end, 4));
        }
        self.state = FlacState::Tail;
        let tail = end.max(self.size.saturating_sub(TAIL));
        let need = len_usize(self.size.saturating_sub(tail));
        let want = Want::new(tail, need).after(Stretch::Dense);
        Next::Bytes(want.within(Stretch::Dense))
    }

    /// The last frame has to be whole: its check sum is over all of it up to the end of the file.
    fn tail(&mut self, bytes: &[u8]) -> Next {
        // An ID3v1 tag, which some add: 128 bytes behind everything.
        let tag = bytes.len().saturating_sub(128);
        let frames = match bytes.get(tag..) {
            Some(end) if end.starts_with(b"TAG") => bytes.get(..tag).unwrap_or(bytes),
            _ => bytes,
        };
        let is_known = self.samples > 0 && self.frame_max < TAIL;
        let is_cut = is_known && !last_frame_is_whole(frames);
        self.stop(is_cut.then(|| self.no_end()))
    }
}

/// Places that are taken for the beginning of the last frame.
const TRIED_MAX: u32 = 32;

/// Returns whether a frame begins in these bytes and ends with them.
fn last_frame_is_whole(bytes: &[u8]) -> bool {
    let mut starts = bytes.windows(2).enumerate().rev();
    let mut tried = 0_u32;
    // The check sum of everything up to the end is zero from the beginning of a whole frame on.
    starts.any(|(at, pair)| {
        // Sync code and blocking strategy.
        if !matches!(pair, [0xff, 0xf8 | 0xf9]) || tried >= TRIED_MAX {
            return false;
        }
        tried += 1;
        crc16(bytes.get(at..).unwrap_or_default()) == 0
    })
}

/// The frame's check sum: x^16 + x^15 + x^2 + 1, beginning with zero.
fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0_u16, |sum, &byte| {
        let mut sum = sum ^ (u16::from(byte) << 8);
        for _ in 0..8 {
            sum = match sum & 0x8000 {
                0 => sum << 1,
                _ => sum << 1 ^ 0x8005,
            };
        }
        sum
    })
}

impl Format for Flac {
    fn first(&self) -> Next {
        Next::Bytes(Want::new(4, 4))
    }

    fn step(&mut self, bytes: &[u8]) -> Next {
        match self.state {
            FlacState::Block => self.block(bytes),
            FlacState::Info { end, is_last } => {
                self.info(bytes);
                self.after_block(end, is_last)
            }
            FlacState::Tail if bytes.is_empty() => self.stop(Some(self.no_end())),
            FlacState::Tail => self.tail(bytes),
            FlacState::Done => Next::Rest(Stretch::Dense),
        }
    }

    fn finish(&mut self) -> Option<Outcome> {
        Some(Outcome::new(self.clue.take(), self.facts.clone()))
    }
}

/// The reader of MP3: an ID3 tag (id3.org, 2.3.0, 3.1), then the first frame (ISO/IEC
/// 11172-3, 2.4.1.3), in which most encoders write how many frames and bytes follow ("Xing" or
/// "Info"; common practice, no source). Without that nothing says where the end should be.
#[derive(Debug)]
pub(super) struct Mp3 {
    size: u64,
    /// Where the first frame should be.
    frame: u64,
    /// Bytes of it that are known.
    begun: Vec<u8>,
    is_begun: bool,
    is_sound: bool,
    clue: Option<Clue>,
    facts: MediaFacts,
}

impl Mp3 {
    pub(super) fn new(size: u64) -> Self {
        Self {
            size,
            frame: 0,
            begun: Vec::new(),
            is_begun: false,
            is_sound: false,
            clue: None,
            facts: MediaFacts::of(FileKind::Mp3.media()),
        }
    }

    fn past_end(&mut self, part: &str, at: u64, end: u64) {
        let (part, size) = (part.to_owned(), self.size);
        self.clue = Some(Clue::PastEnd {
            part,
            at,
            end,
            size,
        });
    }

    fn first_frame(&mut self, bytes: &[u8]) {
        let Some(head) = be32(bytes, 0) else {
            return;
        };
        // Eleven bits of sync, version, layer 3.
        if head >> 21 != 0x7ff || head >> 17 & 3 != 1 {
            return;
        }
        self.is_sound = true;
        self.facts.tracks = 1;
        let (is_one, is_mono) = (head >> 19 & 3 == 3, head >> 6 & 3 == 3);
        let rate = match head >> 10 & 3 {
            0 => 44_100_u64,
            1 => 48_000,
            2 => 32_000,
            _ => return,
        };
        // MPEG-2 has half of the rates, MPEG-2.5 a quarter.
        let rate = match head >> 19 & 3 {
            3 => rate,
            2 => rate / 2,
            _ => rate / 4,
        };
        let side = match (is_one, is_mono) {
            (true, false) => 32,
            (true, true) | (false, false) => 17,
            (false, true) => 9,
        };
        let tag = 4 + side;
        if !matches!(some::<4>(bytes, tag).as_ref(), Some(b"Xing" | b"Info")) {
            return;
        }
        let flags = be32(bytes, tag + 4).unwrap_or_default();
        let mut next = tag + 8;
        if flags & 1 != 0 {
            let frames = be32(bytes, next).map_or(0, u64::from);
            let samples = frames.saturating_mul(if is_one { 1_152 } else { 576 });
            self.facts.duration = duration(samples, rate);
            next += 4;
        }
        if flags & 2 != 0 {
            let length = be32(bytes, next).map_or(0, u64::from);
            let end = self.frame.saturating_add(length);
            if end > self.size {
                self.past_end("frames", self.frame, end);
            }
        }
    }
}

impl Format for Mp3 {
    fn first(&self) -> Next {
        Next::Bytes(Want::new(0, 10))
    }

    fn step(&mut self, bytes: &[u8]) -> Next {
        if self.is_begun {
            let frame = [self.begun.as_slice(), bytes].concat();
            self.first_frame(&frame);
            return Next::Rest(Stretch::Dense);
        }
        self.is_begun = true;
        if bytes.starts_with(b"ID3") {
            // Four bytes of seven bits each.
            let sizes = bytes.get(6..10).unwrap_or_default();
            let length = sizes
                .iter()
                .fold(0, |sum, &b| sum << 7 | u64::from(b & 0x7f));
            self.frame = length.saturating_add(10);
            self.is_sound = true;
            if self.frame > self.size {
                self.past_end("ID3", 0, self.frame);
                return Next::Rest(Stretch::Loose);
            }
            return Next::Bytes(Want::new(self.frame, 64));
        }
        // No tag: the first frame begins with these bytes.
        self.begun = bytes.to_vec();
        Next::Bytes(Want::new(len64(bytes.len()), 64))
    }

    fn finish(&mut self) -> Option<Outcome> {
        let outcome = Outcome::new(self.clue.take(), self.facts.clone());
        self.is_sound.then_some(outcome)
    }
}
