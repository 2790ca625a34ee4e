//! Owns the reader of RIFF: AVI and WAV, with their large forms.
//!
//! Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0 (RIFF, chunks,
//! lists, padding); AVI RIFF File Reference and `OpenDML` AVI File Format Extensions 1.02 (several
//! RIFF chunks, `indx`, `dmlh`); EBU Tech 3306 (RF64, `ds64`), ITU-R BS.2088 (BW64); EBU Tech 3285
//! (`bext`).

use super::bytes::{four, le16, le32, le64, some};
use super::hint::Clue;
use super::kind::FileKind;
use super::media_facts::{CameraTime, MediaFacts, duration, local_time};
use super::movie::silence;
use super::reader::{Format, Next, Outcome, Stretch, Want};

/// The length of what is longer than 32 bits can say, or of what is written to a pipe.
const UNKNOWN: u32 = 0xffff_ffff;
/// Lists that are entered within each other: `hdrl` and `strl`.
const LISTS_MAX: usize = 3;
/// Bytes by which a program may be wrong about the length of all; common practice, no source: some
/// count the eight bytes of the first header as well, and some leave out the byte that fills up.
const SLOPPY: u64 = 9;

#[derive(Clone, Copy, Debug)]
enum RiffState {
    /// A form: `RIFF`, its length, its kind.
    Form,
    /// A chunk's name and length.
    Head,
    /// A list's kind; the list ends here.
    List(u64),
    /// The beginning of a chunk; it ends here.
    Take([u8; 4], u64),
    Done,
}

#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "what was seen of a file")]
pub(super) struct Riff {
    kind: FileKind,
    size: u64,
    at: u64,
    state: RiffState,
    /// Whether the length of all is not to be had: it was written to a pipe.
    is_stream: bool,
    is_large: bool,
    /// What should be the end of all, and where what is said so begins.
    form: (u64, u64),
    /// Whether the length of all was never filled in.
    is_open: bool,
    /// The ends of the lists that were entered.
    lists: Vec<u64>,
    data_bytes: Option<u64>,
    bytes_per_second: u64,
    has_media: bool,
    has_index: bool,
    /// Bytes a second of sound that is not compressed, within an AVI.
    pcm: u64,
    is_uncompressed: bool,
    stream: [u8; 4],
    frame_us: u64,
    frames: u64,
    clue: Option<Clue>,
    facts: MediaFacts,
}

impl Riff {
    pub(super) fn new(kind: FileKind, size: u64) -> Self {
        Self {
            kind,
            size,
            at: 0,
            state: RiffState::Form,
            is_stream: false,
            is_large: false,
            form: (0, 0),
            is_open: false,
            lists: Vec::new(),
            data_bytes: None,
            bytes_per_second: 0,
            has_media: false,
            has_index: false,
            pcm: 0,
            is_uncompressed: false,
            stream: [0; 4],
            frame_us: 0,
            frames: 0,
            clue: None,
            facts: MediaFacts::of(kind.media()),
        }
    }

    fn end(&mut self, clue: Option<Clue>, rest: Stretch) -> Next {
        if let Some(clue) = clue {
            self.clue.get_or_insert(clue);
        }
        self.state = RiffState::Done;
        Next::Rest(rest)
    }

    fn want(&mut self, state: RiffState, at: u64, need: usize, before: Stretch) -> Next {
        (self.state, self.at) = (state, at);
        Next::Bytes(Want::new(at, need).after(before))
    }

    /// A form, as which an AVI of more than a gigabyte has several.
    fn form(&mut self, bytes: &[u8]) -> Next {
        let head = (some::<4>(bytes, 0), le32(bytes, 4), some::<4>(bytes, 8));
        let (Some(name), Some(length), Some(form)) = head else {
            return self.end(None, Stretch::Loose);
        };
        let is_first = self.at == 0;
        if !is_first && (&name != b"RIFF" || &form != b"AVIX") {
            return self.end(None, Stretch::Loose);
        }
        self.is_large = matches!(&name, b"RF64" | b"BW64");
        self.is_stream = length == UNKNOWN && !self.is_large;
        self.is_open |= length == 0;
        let end = self.at.saturating_add(8).saturating_add(length.into());
        self.form = if length == UNKNOWN || length == 0 {
            (self.at, self.size)
        } else {
            (self.at, end)
        };
        self.head(self.at.saturating_add(12), Stretch::Loose)
    }

    /// Goes on with the chunk at `at`, or with what is behind the lists and forms that end there.
    fn head(&mut self, at: u64, before: Stretch) -> Next {
        while let Some(&end) = self.lists.last() {
            if at.saturating_add(8) <= end {
                return self.want(RiffState::Head, at, 8, before);
            }
            self.lists.pop();
        }
        let end = self.form.1;
        if at.saturating_add(8) <= end.min(self.size) {
            return self.want(RiffState::Head, at, 8, before);
        }
        let next = end.saturating_add(end % 2);
        if self.kind == FileKind::Avi && next.saturating_add(12) <= self.size {
            return self.want(RiffState::Form, next, 12, before);
        }
        let missing = end.saturating_sub(self.size);
        let (part, at, size) = ("RIFF".to_owned(), self.form.0, self.size);
        let clue = Clue::PastEnd {
            part,
            at,
            end,
            size,
        };
        let clue = (missing > SLOPPY && !self.is_stream).then_some(clue);
        self.end(clue, Stretch::Loose)
    }

    fn chunk(&mut self, bytes: &[u8]) -> Next {
        let (Some(name), Some(length)) = (some::<4>(bytes, 0), le32(bytes, 4)) else {
            return self.end(None, Stretch::Loose);
        };
        let at = self.at;
        let is_name = |b: &u8| matches!(b, b' '..=b'~');
        if !name.iter().all(is_name) {
            let part = "chunk".to_owned();
            let clue = Clue::Unreadable { part, at };
            // Behind all that matters there may be anything.
            let is_whole = self.has_media && (self.has_index || self.kind == FileKind::Wav);
            return self.end((!is_whole).then_some(clue), Stretch::Loose);
        }
        let is_data = &name == b"data" && self.lists.is_empty();
        let payload = at.saturating_add(8);
        let length = match self.data_bytes {
            Some(large) if is_data && self.is_large && length == UNKNOWN => large,
            _ => length.into(),
        };
        let end = payload.saturating_add(length);
        if is_data {
            self.has_media = true;
            return self.data(end, length);
        }
        let before = self.dense(name);
        if end > self.size && length == u64::from(UNKNOWN) {
            return self.never_closed(&four(name));
        }
        if end > self.size {
            return self.past_end(name, end, before);
        }
        let padded = end.saturating_add(end % 2);
        let need = match &name {
            b"LIST" => return self.want_list(end, length),
            b"fmt " => 16,
            b"ds64" => 24,
            b"bext" => 346,
            b"avih" | b"strh" => 40,
            b"strf" => 20,
            b"dmlh" => 4,
            b"idx1" | b"indx" => {
                self.has_index = true;
                return self.head(padded, Stretch::Loose);
            }
            _ => return self.head(padded, before),
        };
        let need = crate::units::len_usize(length.min(need));
        if need == 0 {
            return self.head(padded, before);
        }
        self.want(RiffState::Take(name, padded), payload, need, Stretch::Loose)
    }

    fn want_list(&mut self, end: u64, length: u64) -> Next {
        if length < 4 {
            let is_more = self.size.saturating_sub(end) > 4_096;
            if is_more && self.is_open {
                return self.never_closed("LIST");
            }
            return self.head(end.saturating_add(end % 2), Stretch::Loose);
        }
        let at = self.at.saturating_add(8);
        self.state = RiffState::List(end);
        Next::Bytes(Want::new(at, 4))
    }

    fn never_closed(&mut self, part: &str) -> Next {
        let (part, at) = (part.to_owned(), self.at);
        self.end(Some(Clue::NeverClosed { part, at }), Stretch::Dense)
    }

    fn past_end(&mut self, name: [u8; 4], end: u64, rest: Stretch) -> Next {
        let clue = Clue::PastEnd {
            part: four(name),
            at: self.at,
            end,
            size: self.size,
        };
        // The media are there: what is cut is something else, and the hint is the same.
        self.end(Some(clue), rest)
    }

    fn dense(&self, name: [u8; 4]) -> Stretch {
        match &name {
            b"LIST" if !self.is_uncompressed => Stretch::Dense,
            _ => Stretch::Loose,
        }
    }

    /// The sound of a WAV.
    fn data(&mut self, end: u64, length: u64) -> Next {
        let payload = self.at.saturating_add(8);
        let there = self.size.saturating_sub(payload);
        // What a recording begins with, and what a program writes that can't go back to it.
        let is_open = length == 0 || (length == u64::from(UNKNOWN) && end > self.size);
        let sound = if is_open { there } else { length.min(there) };
        self.facts.duration = duration(sound, self.bytes_per_second);
        self.facts.tracks = 1;
        if is_open && there > 4_096 {
            return self.never_closed("data");
        }
        if end > self.size {
            return self.past_end(*b"data", end, Stretch::Loose);
        }
        self.head(end.saturating_add(end % 2), Stretch::Loose)
    }

    fn list(&mut self, bytes: &[u8], end: u64) -> Next {
        let padded = end.saturating_add(end % 2);
        let inside = self.at.saturating_add(12);
        match bytes {
            b"hdrl" | b"strl" | b"odml" if self.lists.len() < LISTS_MAX => {
                self.lists.push(end);
                self.head(inside, Stretch::Loose)
            }
            b"movi" => {
                self.has_media = true;
                if end == inside && self.size.saturating_sub(end) > 4_096 && self.is_open {
                    return self.never_closed("movi");
                }
                let stretch = self.dense(*b"LIST");
                self.head(padded, stretch)
            }
            _ => self.head(padded, Stretch::Loose),
        }
    }

    fn take(&mut self, name: [u8; 4], bytes: &[u8]) {
        let number = |at| le32(bytes, at).map_or(0, u64::from);
        match &name {
            // WAVEFORMAT: average bytes per second.
            b"fmt " => self.bytes_per_second = number(8),
            b"ds64" => {
                let riff = le64(bytes, 0).unwrap_or_default();
                self.data_bytes = le64(bytes, 8).filter(|&bytes| bytes > 0);
                if riff > 0 {
                    self.form.1 = riff.saturating_add(8);
                }
            }
            // Description 256, originator 32, reference 32; then date and time.
            b"bext" => {
                let (date, time) = (bytes.get(320..330), bytes.get(330..338));
                if let (Some(date), Some(time)) = (date, time) {
                    let both = [date, b" ", time].concat();
                    self.facts.recorded = local_time(&both).map(CameraTime::Local);
                }
            }
            b"avih" => {
                (self.frame_us, self.frames) = (number(0), number(16));
                let size = (le32(bytes, 32), le32(bytes, 36));
                if let (Some(width), Some(height)) = size {
                    self.facts.larger(width, height);
                }
            }
            // The frames of all forms together.
            b"dmlh" => self.frames = self.frames.max(number(0)),
            b"strh" => {
                self.stream = some(bytes, 0).unwrap_or_default();
                self.facts.tracks = self.facts.tracks.saturating_add(1);
            }
            b"strf" if &self.stream == b"auds" => {
                // WAVE_FORMAT_PCM, _IEEE_FLOAT, _ALAW, _MULAW, _EXTENSIBLE.
                let format = le16(bytes, 0).unwrap_or_default();
                if matches!(format, 1 | 3 | 6 | 7 | 0xfffe) {
                    self.pcm = self.pcm.saturating_add(number(8));
                }
            }
            b"strf" if &self.stream == b"vids" => {
                // BITMAPINFOHEADER: BI_RGB, BI_BITFIELDS, or a name without compression.
                let form = some::<4>(bytes, 16).unwrap_or_default();
                let is_plain = matches!(form, [0 | 3, 0, 0, 0]);
                let names: [&[u8; 4]; 6] = [b"UYVY", b"YUY2", b"v210", b"I420", b"YV12", b"DIB "];
                self.is_uncompressed |= is_plain || names.contains(&&form);
            }
            _ => {}
        }
    }
}

impl Format for Riff {
    fn first(&self) -> Next {
        Next::Bytes(Want::new(0, 12))
    }

    fn step(&mut self, bytes: &[u8]) -> Next {
        match self.state {
            RiffState::Form => self.form(bytes),
            RiffState::Head => self.chunk(bytes),
            RiffState::List(end) => self.list(bytes, end),
            RiffState::Take(name, end) => {
                self.take(name, bytes);
                self.head(end, Stretch::Loose)
            }
            RiffState::Done => Next::Rest(Stretch::Loose),
        }
    }

    fn finish(&mut self) -> Option<Outcome> {
        let is_avi = self.kind == FileKind::Avi;
        let media = if is_avi { "movi" } else { "data" };
        let is_over = matches!(self.state, RiffState::Done);
        if self.clue.is_none() && is_over {
            let part = |part: &str| part.to_owned();
            self.clue = if self.is_open {
                let (part, at) = (part("RIFF"), 0);
                Some(Clue::NeverClosed { part, at })
            } else if !self.has_media {
                let (part, size) = (part(media), self.size);
                Some(Clue::EndsBefore { part, size })
            } else if is_avi && !self.has_index {
                let part = part("idx1");
                Some(Clue::NoIndex { part })
            } else {
                None
            };
        }
        if is_avi {
            let length = self.frames.saturating_mul(self.frame_us);
            self.facts.duration = duration(length, 1_000_000);
        }
        let mut outcome = Outcome::new(self.clue.take(), self.facts.clone());
        outcome.zeros = silence(self.pcm);
        outcome.is_dense = is_avi && !self.is_uncompressed;
        Some(outcome)
    }
}
