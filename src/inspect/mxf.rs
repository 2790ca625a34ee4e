//! Owns the reader of MXF: the walk over its keys and lengths.
//!
//! SMPTE ST 336 (key, BER length, value), SMPTE ST 377-1: 6.3.3 (fill items), 6.5 (run-in), 7.1
//! (partition packs), 9.4 (local sets), 12 (random index pack), annexes for tags of properties;
//! SMPTE ST 379-1 (essence elements).

use super::bytes::{be_sized, be16, be32, be64, some};
use super::hint::Clue;
use super::kind::FileKind;
use super::media_facts::{CameraTime, MediaFacts, duration};
use super::reader::{Format, Next, Outcome, Stretch, Want};
use crate::units::{len_usize, len64};
use jiff::civil::DateTime;

/// Bytes before the first key that may be anything (ST 377-1, 6.5: less than 64 kB).
const RUN_IN: usize = 65_536;
/// Bytes of a local set that are looked at.
const SET_BYTES: u64 = 16 * 1_024;
/// A key and the first byte of its length.
const KEY: usize = 17;
/// What every key of SMPTE begins with.
const SMPTE: [u8; 4] = [0x06, 0x0e, 0x2b, 0x34];

#[derive(Clone, Copy, Debug)]
enum MxfState {
    /// The first key, or a run-in before it.
    Start,
    /// The bytes in which a first key is looked for.
    RunIn,
    Key,
    /// The bytes of a length.
    Length([u8; 16], usize),
    /// The beginning of a value that ends here.
    Value([u8; 16], u64),
    Done,
}

#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "what was seen of a file")]
pub(super) struct Mxf {
    size: u64,
    at: u64,
    state: MxfState,
    /// Bytes before the first key, from which offsets count.
    run_in: u64,
    has_header: bool,
    is_closed: bool,
    /// Where the header says that the footer is.
    footer: u64,
    has_footer: bool,
    is_followed: bool,
    /// The slowest rate of a track, and the longest time code.
    edit_rate: Option<(u32, u32)>,
    time_code: Option<u64>,
    clue: Option<Clue>,
    facts: MediaFacts,
}

/// What a key stands for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum MxfKey {
    /// A partition pack: its kind and status.
    Partition(u8, u8),
    RandomIndex,
    Set,
    Picture,
    Essence,
    Other,
}

fn meaning(key: &[u8; 16]) -> Option<MxfKey> {
    let (start, rest) = key.split_first_chunk::<4>()?;
    if *start != SMPTE {
        return None;
    }
    // The eighth byte is the version of the register.
    Some(match *rest {
        [2, 5, 1, _, 13, 1, 2, 1, 1, kind @ 2..=4, status, _] => MxfKey::Partition(kind, status),
        [2, 5, 1, _, 13, 1, 2, 1, 1, 0x11, ..] => MxfKey::RandomIndex,
        [2, 0x53, 1, _, 13, 1, 1, 1, ..] => MxfKey::Set,
        // Content package or generic container; picture or compound; frame-wrapped pictures without
        // compression have the element types 2 to 4 (SMPTE ST 384).
        [1, 2, 1, _, 13, 1, 3, 1, 0x05 | 0x15 | 0x18, _, element, _] => match element {
            2..=4 => MxfKey::Essence,
            _ => MxfKey::Picture,
        },
        [1, 2, 1, _, 13, 1, 3, 1, ..] => MxfKey::Essence,
        _ => MxfKey::Other,
    })
}

impl Mxf {
    pub(super) fn new(size: u64) -> Self {
        Self {
            size,
            at: 0,
            state: MxfState::Start,
            run_in: 0,
            has_header: false,
            is_closed: false,
            footer: 0,
            has_footer: false,
            is_followed: true,
            edit_rate: None,
            time_code: None,
            clue: None,
            facts: MediaFacts::of(FileKind::Mxf.media()),
        }
    }

    fn end(&mut self, clue: Option<Clue>, rest: Stretch) -> Next {
        if let Some(clue) = clue {
            self.clue.get_or_insert(clue);
        }
        self.state = MxfState::Done;
        Next::Rest(rest)
    }

    fn key_at(&mut self, at: u64, before: Stretch) -> Next {
        (self.state, self.at) = (MxfState::Key, at);
        if at >= self.size {
            return self.end(None, before);
        }
        Next::Bytes(Want::new(at, KEY).after(before))
    }

    fn start(&mut self, bytes: &[u8]) -> Next {
        let key = some::<16>(bytes, 0);
        if let Some(MxfKey::Partition(2, _)) = key.as_ref().and_then(meaning) {
            self.has_header = true;
            return self.key(bytes);
        }
        self.state = MxfState::RunIn;
        Next::Bytes(Want::new(len64(bytes.len()), RUN_IN))
    }

    /// Looks for a first key behind a run-in. Such a file isn't walked through, as the key went by
    /// already; what its header says is checked.
    fn run_in(&mut self, bytes: &[u8]) -> Next {
        self.is_followed = false;
        let is_key = |at: &usize| {
            let key = some::<16>(bytes, *at);
            matches!(
                key.as_ref().and_then(meaning),
                Some(MxfKey::Partition(2, _))
            )
        };
        let starts = bytes.iter().enumerate().filter(|(_, b)| **b == SMPTE[0]);
        let place = starts.map(|(at, _)| at).find(is_key);
        let Some(place) = place else {
            return self.end(None, Stretch::Loose);
        };
        self.run_in = len64(KEY + place);
        let key = some::<16>(bytes, place).unwrap_or_default();
        let rest = bytes.get(place + 16..).unwrap_or_default();
        let skipped = match rest.first() {
            Some(&first @ 0x81..=0x88) => 1 + usize::from(first - 0x80),
            _ => 1,
        };
        if let Some(MxfKey::Partition(kind, status)) = meaning(&key) {
            let value = rest.get(skipped..).unwrap_or_default();
            self.partition(kind, status, value);
        }
        self.end(None, Stretch::Loose)
    }

    /// The file ends within a key or its length.
    fn cut_key(&mut self) -> Next {
        let clue = Clue::PastEnd {
            part: "key".to_owned(),
            at: self.at,
            end: self.at.saturating_add(len64(KEY)),
            size: self.size,
        };
        self.end(Some(clue), Stretch::Loose)
    }

    fn key(&mut self, bytes: &[u8]) -> Next {
        let at = self.at;
        let (Some(key), Some(&first)) = (some::<16>(bytes, 0), bytes.get(16)) else {
            return self.cut_key();
        };
        if meaning(&key).is_none() {
            let part = "key".to_owned();
            // Behind the footer there may be anything.
            let clue = Clue::Unreadable { part, at };
            return self.end((!self.has_footer).then_some(clue), Stretch::Loose);
        }
        match first {
            0..=0x7f => self.value(key, 1, first.into()),
            0x81..=0x88 => {
                let needed = usize::from(first - 0x80);
                self.state = MxfState::Length(key, needed);
                let at = self.at.saturating_add(len64(KEY));
                Next::Bytes(Want::new(at, needed))
            }
            _ => {
                let part = "length".to_owned();
                self.end(Some(Clue::Unreadable { part, at }), Stretch::Loose)
            }
        }
    }

    /// A value of `length` bytes behind a length that took `took`.
    fn value(&mut self, key: [u8; 16], took: u64, length: u64) -> Next {
        let kind = meaning(&key).unwrap_or(MxfKey::Other);
        let from = self.at.saturating_add(16).saturating_add(took);
        let end = from.saturating_add(length);
        let stretch = match kind {
            MxfKey::Picture => Stretch::Dense,
            _ => Stretch::Loose,
        };
        if end > self.size {
            let part = match kind {
                MxfKey::Picture | MxfKey::Essence => "essence",
                MxfKey::Partition(..) => "partition pack",
                MxfKey::RandomIndex => "random index",
                MxfKey::Set | MxfKey::Other => "set of the header",
            };
            let clue = Clue::PastEnd {
                part: part.to_owned(),
                at: self.at,
                end,
                size: self.size,
            };
            return self.end(Some(clue), stretch);
        }
        let need = match kind {
            MxfKey::Partition(..) => length.min(64),
            MxfKey::Set => length.min(SET_BYTES),
            MxfKey::RandomIndex => return self.end(None, Stretch::Loose),
            _ => 0,
        };
        if need == 0 {
            return self.key_at(end, stretch);
        }
        self.state = MxfState::Value(key, end);
        Next::Bytes(Want::new(from, len_usize(need)))
    }

    fn partition(&mut self, kind: u8, status: u8, value: &[u8]) {
        match kind {
            2 => {
                self.has_header = true;
                // Closed and incomplete, or closed and complete.
                self.is_closed = matches!(status, 2 | 4);
                self.footer = be64(value, 24).unwrap_or_default();
            }
            4 => self.has_footer = true,
            _ => {}
        }
    }

    /// A local set: two bytes of tag, two of length, the value.
    fn set(&mut self, key: &[u8; 16], bytes: &[u8]) {
        // ST 377-1, table of set keys: the timecode component.
        let is_time_code = key.get(14) == Some(&0x14);
        let (mut rate, mut frames, mut width, mut height) = (None, None, None, None);
        let mut is_track = false;
        let mut rest = bytes;
        while let Some((head, after)) = rest.split_first_chunk::<4>() {
            let [tag @ .., _, _] = head;
            let length = be16(head, 2).map_or(0, usize::from);
            let Some((value, next)) = after.split_at_checked(length) else {
                break;
            };
            match tag {
                [0x30, 0x01] => rate = be32(value, 0).zip(be32(value, 4)),
                [0x30, 0x02] => frames = be64(value, 0).filter(|&n| i64::try_from(n).is_ok()),
                // Without the duration of what is contained: that of the time code, which counts in
                // the units of the picture's track.
                [0x4b, 0x01] => {
                    let edit = be32(value, 0).zip(be32(value, 4));
                    self.edit_rate = slower(self.edit_rate, edit);
                }
                [0x02, 0x02] if is_time_code => {
                    let length = be64(value, 0).filter(|&n| i64::try_from(n).is_ok());
                    self.time_code = self.time_code.max(length);
                }
                [0x3d, 0x03] => is_track = true,
                [0x32, 0x02] => height = be32(value, 0),
                [0x32, 0x03] => (width, is_track) = (be32(value, 0), true),
                // When the package was made.
                [0x44, 0x05] if self.facts.recorded.is_none() => {
                    self.facts.recorded = timestamp(value).map(CameraTime::Local);
                }
                _ => {}
            }
            rest = next;
        }
        if let (Some((units, per)), Some(frames)) = (rate, frames) {
            let time = duration(frames.saturating_mul(per.into()), units.into());
            self.facts.duration = self.facts.duration.max(time);
        }
        if let (Some(width), Some(height)) = (width, height) {
            self.facts.larger(width, height);
        }
        if rate.is_some() && is_track {
            self.facts.tracks = self.facts.tracks.saturating_add(1);
        }
    }
}

/// Returns the slower of two rates, each a fraction.
fn slower(a: Option<(u32, u32)>, b: Option<(u32, u32)>) -> Option<(u32, u32)> {
    let per = |(units, per): (u32, u32), other: (u32, u32)| {
        u64::from(units).saturating_mul(other.1.into())
            <= u64::from(other.0).saturating_mul(per.into())
    };
    match (a, b) {
        (Some(a), Some(b)) => Some(if per(a, b) { a } else { b }),
        (a, b) => a.or(b),
    }
}

/// Year, month, day, hour, minute, second, quarters of a hundredth (ST 377-1, 4.3).
fn timestamp(value: &[u8]) -> Option<DateTime> {
    let small = |at: usize| value.get(at).and_then(|&b| i8::try_from(b).ok());
    let year = i16::try_from(be16(value, 0)?).ok().filter(|&y| y > 0)?;
    DateTime::new(
        year,
        small(2)?,
        small(3)?,
        small(4)?,
        small(5)?,
        small(6)?,
        0,
    )
    .ok()
}

impl Format for Mxf {
    fn first(&self) -> Next {
        Next::Bytes(Want::new(0, KEY))
    }

    fn step(&mut self, bytes: &[u8]) -> Next {
        match self.state {
            MxfState::Start => self.start(bytes),
            MxfState::RunIn => self.run_in(bytes),
            MxfState::Key => self.key(bytes),
            MxfState::Length(key, needed) => match be_sized(bytes, 0, needed) {
                Some(length) => self.value(key, 1 + len64(needed), length),
                None => self.cut_key(),
            },
            MxfState::Value(key, end) => {
                match meaning(&key) {
                    Some(MxfKey::Partition(kind, status)) => self.partition(kind, status, bytes),
                    _ => self.set(&key, bytes),
                }
                self.key_at(end, Stretch::Loose)
            }
            MxfState::Done => Next::Rest(Stretch::Loose),
        }
    }

    fn finish(&mut self) -> Option<Outcome> {
        if let (None, Some((units, per)), Some(frames)) =
            (self.facts.duration, self.edit_rate, self.time_code)
        {
            self.facts.duration = duration(frames.saturating_mul(per.into()), units.into());
        }
        let is_over = matches!(self.state, MxfState::Done);
        let footer = self.run_in.saturating_add(self.footer);
        if !self.has_header {
            // Without a header partition it is no MXF.
            return None;
        }
        if self.clue.is_none() && self.footer > 0 && footer >= self.size {
            self.clue = Some(Clue::PastEnd {
                part: "footer partition".to_owned(),
                at: footer,
                end: footer.saturating_add(len64(KEY)),
                size: self.size,
            });
        } else if self.clue.is_none()
            && is_over
            && self.is_followed
            && !self.has_footer
            && !self.is_closed
        {
            let part = "footer partition".to_owned();
            self.clue = Some(Clue::NoIndex { part });
        }
        Some(Outcome::new(self.clue.take(), self.facts.clone()))
    }
}
