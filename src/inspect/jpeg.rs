//! Owns the reader of JPEG: the walk over the markers before the first scan, and the look at the
//! end of the file.
//!
//! ITU-T T.81, B.1.1 (markers, segments, fill bytes), B.2.1 (order). The scans themselves are not
//! walked through, which would cost a look at every byte: a file that was cut in a scan ends in
//! one. Bytes behind the end marker are usual: further pictures (CIPA DC-007, Multi-Picture
//! Format), what phones and cameras add.

use super::bytes::{ByteOrder, be16};
use super::hint::Clue;
use super::jpeg_tail::{TailSays, look};
use super::media_facts::MediaFacts;
use super::reader::{Format, Next, Outcome, Stretch, Want};
use super::tiff::tell_exif;
use crate::card::media::Media;
use crate::units::{len_usize, len64};

/// Bytes at the end of the file that are looked at.
const TAIL: u64 = 64 * 1_024;
/// Bytes between segments that only fill up, and markers without a segment.
const FILL_MAX: u32 = 1_024;

#[derive(Clone, Copy, Debug)]
enum JpegState {
    /// The marker of the beginning.
    Start,
    /// A marker and the length behind it.
    Marker,
    /// The size of the picture, in a segment up to here.
    Frame(u64),
    /// What an application's segment begins with.
    Name { marker: u8, at: u64, end: u64 },
    /// EXIF, from here to there.
    Exif { at: u64, end: u64 },
    /// The index of further pictures.
    Further { at: u64, end: u64 },
    /// The end of the file; whether it begins with the first scan.
    Tail { is_all: bool },
    /// Nothing more.
    Done,
}

#[derive(Debug)]
pub(super) struct Jpeg {
    size: u64,
    state: JpegState,
    /// Where the marker is, and what is known of it and its length.
    at: u64,
    have: Vec<u8>,
    fill: u32,
    /// Where the last of further pictures ends.
    further_end: u64,
    has_exif: bool,
    clue: Option<Clue>,
    facts: MediaFacts,
}

impl Jpeg {
    pub(super) fn new(size: u64) -> Self {
        Self {
            size,
            state: JpegState::Start,
            at: 0,
            have: Vec::new(),
            fill: 0,
            further_end: 0,
            has_exif: false,
            clue: None,
            facts: MediaFacts::of(Media::Still),
        }
    }

    fn end(&mut self, clue: Clue) -> Next {
        self.clue.get_or_insert(clue);
        self.state = JpegState::Done;
        Next::Rest(Stretch::Dense)
    }

    fn no_end(&self) -> Clue {
        Clue::EndsBefore {
            part: "end marker".to_owned(),
            size: self.size,
        }
    }

    fn unreadable(&self) -> Clue {
        Clue::Unreadable {
            part: "marker".to_owned(),
            at: self.at,
        }
    }

    fn marker(&mut self, at: u64) -> Next {
        (self.state, self.at) = (JpegState::Marker, at);
        self.have.clear();
        Next::Bytes(Want::new(at, 4))
    }

    /// Goes on `drop` bytes later with what is known already.
    fn marker_later(&mut self, drop: usize) -> Next {
        self.fill = self.fill.saturating_add(1);
        if self.fill > FILL_MAX {
            return self.end(self.unreadable());
        }
        self.at = self.at.saturating_add(len64(drop));
        self.have.drain(..drop.min(self.have.len()));
        let known = len64(self.have.len());
        let need = 4_usize.saturating_sub(self.have.len());
        Next::Bytes(Want::new(self.at.saturating_add(known), need))
    }

    fn at_marker(&mut self, bytes: &[u8]) -> Next {
        self.have.extend_from_slice(bytes);
        let &[first, code, high, low] = self.have.as_slice() else {
            return match self.have.first() {
                Some(0xff) | None => self.end(self.no_end()),
                Some(_) => self.end(self.unreadable()),
            };
        };
        match (first, code) {
            (0xff, 0xff) => return self.marker_later(1),
            // TEM and restart markers have no segment.
            (0xff, 0x01 | 0xd0..=0xd7) => return self.marker_later(2),
            (0xff, 0xc0..=0xd7 | 0xda..=0xfe) => {}
            _ => return self.end(self.unreadable()),
        }
        let length = u16::from_be_bytes([high, low]);
        let end = self.at.saturating_add(2 + u64::from(length));
        if length < 2 {
            return self.end(self.unreadable());
        }
        if end > self.size {
            return self.end(Clue::PastEnd {
                part: segment(code),
                at: self.at,
                end,
                size: self.size,
            });
        }
        let payload = self.at.saturating_add(4);
        match code {
            0xda => self.scan(end),
            0xc4 | 0xc8 | 0xcc => self.marker(end),
            0xc0..=0xcf if length >= 7 => {
                self.state = JpegState::Frame(end);
                Next::Bytes(Want::new(payload, 5))
            }
            0xe1 | 0xe2 if length >= 16 => {
                let (marker, at) = (code, payload);
                self.state = JpegState::Name { marker, at, end };
                Next::Bytes(Want::new(payload, 6))
            }
            _ => self.marker(end),
        }
    }

    fn scan(&mut self, at: u64) -> Next {
        let tail = at.max(self.size.saturating_sub(TAIL));
        self.state = JpegState::Tail { is_all: tail == at };
        let need = len_usize(self.size.saturating_sub(tail));
        let want = Want::new(tail, need).after(Stretch::Dense);
        Next::Bytes(want.within(Stretch::Dense))
    }

    fn named(&mut self, bytes: &[u8], marker: u8, at: u64, end: u64) -> Next {
        let after_name = |name: u64| (at.saturating_add(name), end);
        let (state, (from, to)) = match (marker, bytes) {
            // CIPA DC-008, 4.7.2.
            (0xe1, b"Exif\0\0") if !self.has_exif => {
                let (at, end) = after_name(6);
                (JpegState::Exif { at, end }, (at, end))
            }
            // CIPA DC-007, 5.2: the six bytes are the name and the order of its numbers.
            (0xe2, b"MPF\0II" | b"MPF\0MM") => {
                let (at, end) = after_name(4);
                (JpegState::Further { at, end }, after_name(6))
            }
            _ => return self.marker(end),
        };
        self.state = state;
        Next::Bytes(Want::new(from, len_usize(to.saturating_sub(from))))
    }

    fn further(&mut self, bytes: &[u8], at: u64) {
        // The two bytes of the order went by with the name.
        let order = match bytes.first() {
            Some(0) => ByteOrder::Big,
            _ => ByteOrder::Little,
        };
        for (offset, length) in further_pictures(bytes, order).unwrap_or_default() {
            if length == 0 {
                continue;
            }
            let begins = if offset == 0 {
                0
            } else {
                at.saturating_add(offset)
            };
            let end = begins.saturating_add(length);
            self.further_end = self.further_end.max(end);
        }
    }

    fn tail(&mut self, bytes: &[u8], is_all: bool) -> Next {
        match look(bytes) {
            TailSays::Ended => {}
            TailSays::Other if !is_all => {}
            TailSays::Other | TailSays::InScan => return self.end(self.no_end()),
        }
        self.state = JpegState::Done;
        if self.further_end > self.size {
            self.clue = Some(Clue::PastEnd {
                part: "further picture".to_owned(),
                at: 0,
                end: self.further_end,
                size: self.size,
            });
        }
        Next::Rest(Stretch::Dense)
    }
}

/// Returns where EXIF begins in the first segments of a JPEG that is all in memory.
pub(super) fn exif_in(bytes: &[u8]) -> Option<usize> {
    let mut at = 2_usize;
    for _ in 0..8 {
        let code = *bytes.get(at.checked_add(1)?)?;
        let payload = at + 4;
        if code == 0xe1 && bytes.get(payload..payload + 6)? == b"Exif\0\0" {
            return Some(payload + 6);
        }
        at = at.checked_add(2 + usize::from(be16(bytes, at + 2)?))?;
    }
    None
}

/// Returns the name of a segment as T.81, table B.1 has it.
fn segment(code: u8) -> String {
    match code {
        0xc4 => "DHT".to_owned(),
        0xcc => "DAC".to_owned(),
        0xc0..=0xcf => format!("SOF{}", code - 0xc0),
        0xda => "SOS".to_owned(),
        0xdb => "DQT".to_owned(),
        0xdd => "DRI".to_owned(),
        0xe0..=0xef => format!("APP{}", code - 0xe0),
        0xfe => "COM".to_owned(),
        _ => format!("marker {code}"),
    }
}

/// Returns offset and length of each picture in an index of further pictures, whose first two bytes
/// are gone (CIPA DC-007, 5.2.3: MP entries of 16 bytes: attribute, size, offset, dependents).
fn further_pictures(bytes: &[u8], order: ByteOrder) -> Option<Vec<(u64, u64)>> {
    let place = |offset: u32| usize::try_from(offset).ok()?.checked_sub(2);
    let index = place(order.u32(bytes, 2)?)?;
    let entries = order.u16(bytes, index)?.min(64);
    for n in 0..usize::from(entries) {
        let entry = index.checked_add(2 + n * 12)?;
        if order.u16(bytes, entry)? != 0xb002 {
            continue;
        }
        let from = place(order.u32(bytes, entry.checked_add(8)?)?)?;
        let length = usize::try_from(order.u32(bytes, entry.checked_add(4)?)?).ok()?;
        let list = bytes.get(from..from.checked_add(length)?)?;
        let (list, _) = list.as_chunks::<16>();
        let picture = |entry: &[u8; 16]| {
            let (length, offset) = (order.u32(entry, 4)?, order.u32(entry, 8)?);
            Some((u64::from(offset), u64::from(length)))
        };
        return Some(list.iter().take(64).filter_map(picture).collect());
    }
    None
}

impl Format for Jpeg {
    fn first(&self) -> Next {
        Next::Bytes(Want::new(0, 2))
    }

    fn step(&mut self, bytes: &[u8]) -> Next {
        match self.state {
            JpegState::Start => self.marker(2),
            JpegState::Marker => self.at_marker(bytes),
            JpegState::Frame(end) => {
                if let (Some(height), Some(width)) = (be16(bytes, 1), be16(bytes, 3)) {
                    self.facts.pixels = Some((width.into(), height.into()));
                }
                self.marker(end)
            }
            JpegState::Name { marker, at, end } => self.named(bytes, marker, at, end),
            JpegState::Exif { at, end } => {
                self.has_exif = true;
                tell_exif(bytes, at, &mut self.facts);
                self.marker(end)
            }
            JpegState::Further { at, end } => {
                self.further(bytes, at);
                self.marker(end)
            }
            JpegState::Tail { is_all } => self.tail(bytes, is_all),
            JpegState::Done => Next::Rest(Stretch::Dense),
        }
    }

    fn finish(&mut self) -> Option<Outcome> {
        Some(Outcome::new(self.clue.take(), self.facts.clone()))
    }
}
