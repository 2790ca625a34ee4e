//! Owns the reader of the ISO base media file format: MP4, MOV and their kin, HEIF, CR3.
//!
//! ISO/IEC 14496-12, 4.2 (boxes: length, name, 64-bit lengths, 0 for "to the end"), 8.1.1 (`mdat`),
//! 8.1.2 (`free`, `skip`), 8.2.1 (`moov`), 8.8.4 (`moof`), 8.11.1 (`meta`). `QuickTime` calls a box
//! an atom. Of CR3 the boxes of EXIF in `moov` (published by those who read it).

use super::bytes::{be32, be64, four, some};
use super::hint::Clue;
use super::items::{Extent, exif_item, iloc};
use super::kind::FileKind;
use super::media_facts::{MediaFacts, by_tracks};
use super::movie::{self, Coding, HEAD_BYTES};
use super::reader::{Format, NEED_MAX, Next, Outcome, Stretch, Want};
use super::tiff::tell_exif;
use crate::units::{len_usize, len64};

/// Boxes that are entered within each other; the grammar below allows no more.
const DEPTH_MAX: usize = 8;
/// The box of a camera maker in CR3's `moov`, in which EXIF is.
const CANON: [u8; 16] = [
    0x85, 0xc0, 0xb6, 0x87, 0x82, 0x0f, 0x11, 0xe0, 0x81, 0x11, 0xf4, 0xce, 0x46, 0x2b, 0x6a, 0x48,
];
/// Boxes that are known to be at the top. What ends beyond the file under another name, behind all
/// that matters, may be no box at all.
const AT_TOP: [&[u8; 4]; 16] = [
    b"ftyp", b"styp", b"moov", b"moof", b"mdat", b"meta", b"free", b"skip", b"wide", b"uuid",
    b"udta", b"sidx", b"mfra", b"pnot", b"pdin", b"idat",
];

type BoxName = [u8; 4];

#[derive(Clone, Copy, Debug)]
struct OpenBox {
    name: BoxName,
    end: u64,
}

#[derive(Clone, Copy, Debug)]
enum BoxState {
    /// Length and name of a box.
    Head,
    /// The 64-bit length.
    Long(BoxName),
    /// The beginning of a box that ends here.
    Take(BoxName, u64),
    /// EXIF within an `mdat` that ends here.
    Exif {
        at: u64,
        end: u64,
    },
    Done,
}

#[derive(Debug)]
pub(super) struct Boxes {
    kind: FileKind,
    size: u64,
    at: u64,
    state: BoxState,
    open: Vec<OpenBox>,
    has_index: bool,
    has_media: bool,
    extents: Vec<Extent>,
    exif_item: Option<u32>,
    pictures: u32,
    sounds: u32,
    /// Bytes a second of sound that is not compressed.
    pcm: u64,
    is_plain: bool,
    clue: Option<Clue>,
    facts: MediaFacts,
}

/// What to do with a box.
enum BoxDeed {
    Enter,
    /// Looks at so many bytes of it, then goes on behind it.
    Take(u64),
    Skip(Stretch),
}

impl Boxes {
    pub(super) fn new(kind: FileKind, size: u64) -> Self {
        Self {
            kind,
            size,
            at: 0,
            state: BoxState::Head,
            open: Vec::new(),
            has_index: false,
            has_media: false,
            extents: Vec::new(),
            exif_item: None,
            pictures: 0,
            sounds: 0,
            pcm: 0,
            is_plain: false,
            clue: None,
            facts: MediaFacts::of(kind.media()),
        }
    }

    /// Whether all is there that matters: media, and what says where they are.
    fn is_complete(&self) -> bool {
        self.has_index && self.has_media
    }

    fn stop(&mut self, clue: Option<Clue>, rest: Stretch) -> Next {
        if let Some(clue) = clue {
            self.clue.get_or_insert(clue);
        }
        self.state = BoxState::Done;
        Next::Rest(rest)
    }

    /// Goes on with the box at `at`, or with what is behind the boxes that end there.
    fn next_box(&mut self, at: u64, before: Stretch) -> Next {
        while let Some(open) = self.open.last() {
            if at.saturating_add(8) <= open.end {
                break;
            }
            // A few bytes that are no box end some lists of QuickTime.
            let end = open.end;
            self.open.pop();
            if at < end {
                return self.next_box(end, before);
            }
        }
        (self.at, self.state) = (at, BoxState::Head);
        if at >= self.size {
            return self.stop(None, before);
        }
        Next::Bytes(Want::new(at, 8).after(before))
    }

    fn head(&mut self, bytes: &[u8]) -> Next {
        let (Some(length), Some(name)) = (be32(bytes, 0), some::<4>(bytes, 4)) else {
            // Less than a box needs.
            let clue = Clue::PastEnd {
                part: "box".to_owned(),
                at: self.at,
                end: self.at.saturating_add(8),
                size: self.size,
            };
            let is_cut = !self.is_complete();
            return self.stop(is_cut.then_some(clue), Stretch::Loose);
        };
        let limit = self.open.last().map_or(self.size, |open| open.end);
        match length {
            // To the end of the file; elsewhere than at the top it has no meaning.
            0 if self.open.is_empty() && plausible(name) => self.found(name, 8, limit),
            1 if self.at.saturating_add(16) <= limit.min(self.size) => {
                self.state = BoxState::Long(name);
                Next::Bytes(Want::new(self.at.saturating_add(8), 8))
            }
            0..=7 => self.unreadable(),
            _ => self.found(name, 8, self.at.saturating_add(length.into())),
        }
    }

    /// No box is at this place.
    fn unreadable(&mut self) -> Next {
        let at = self.at;
        let clue = Clue::Unreadable {
            part: "box".to_owned(),
            at,
        };
        match self.open.first().map(|open| open.end) {
            // Behind all that matters anything may follow, and cameras make use of it.
            None if self.is_complete() => self.stop(None, Stretch::Loose),
            // The missing index says more.
            None if self.has_media => self.stop(None, Stretch::Dense),
            None => self.stop(Some(clue), Stretch::Dense),
            Some(end) => {
                // A list may end with four bytes of zeros, or be filled up with some.
                let limit = self.open.last().map_or(end, |open| open.end);
                if limit.saturating_sub(at) <= 64 {
                    return self.next_box(limit, Stretch::Loose);
                }
                self.clue.get_or_insert(clue);
                self.open.clear();
                self.next_box(end, Stretch::Loose)
            }
        }
    }

    fn found(&mut self, name: BoxName, head: u64, end: u64) -> Next {
        if !plausible(name) || end < self.at.saturating_add(head) {
            return self.unreadable();
        }
        let is_top = self.open.is_empty();
        if end > self.size {
            if is_top && self.is_complete() && !AT_TOP.contains(&&name) {
                return self.stop(None, Stretch::Loose);
            }
            let clue = Clue::PastEnd {
                part: four(name),
                at: self.at,
                end,
                size: self.size,
            };
            self.has_media |= &name == b"mdat";
            self.stop(Some(clue), stretch_of(name))
        } else if self.open.last().is_some_and(|open| end > open.end) {
            self.unreadable()
        } else {
            self.whole(name, head, end)
        }
    }

    /// A box that is all there.
    fn whole(&mut self, name: BoxName, head: u64, end: u64) -> Next {
        let inside = self.at.saturating_add(head);
        let parent = self.open.last().map(|open| open.name);
        if parent.is_none() {
            self.top(name, end.saturating_sub(inside));
        }
        match deed(parent, name) {
            BoxDeed::Enter if self.open.len() < DEPTH_MAX => {
                self.facts.tracks = self.facts.tracks.saturating_add((&name == b"trak").into());
                self.open.push(OpenBox { name, end });
                // `meta` has a version and flags before its boxes.
                let skipped = if &name == b"meta" { 4 } else { 0 };
                self.next_box(inside.saturating_add(skipped), Stretch::Loose)
            }
            BoxDeed::Take(most) if end > inside => {
                self.state = BoxState::Take(name, end);
                let need = len_usize(end.saturating_sub(inside).min(most));
                self.at = inside;
                Next::Bytes(Want::new(inside, need))
            }
            BoxDeed::Skip(_) if &name == b"mdat" => self.media(inside, end),
            BoxDeed::Skip(stretch) => self.next_box(end, stretch),
            BoxDeed::Enter | BoxDeed::Take(_) => self.next_box(end, Stretch::Loose),
        }
    }

    fn top(&mut self, name: BoxName, bytes: u64) {
        match &name {
            b"mdat" => self.has_media |= bytes > 0,
            b"idat" => self.has_media = true,
            b"moov" | b"moof" => self.has_index = true,
            b"meta" if self.kind != FileKind::Movie => self.has_index = true,
            _ => {}
        }
    }

    /// Passes over media, and stops at the EXIF that is among them.
    fn media(&mut self, from: u64, end: u64) -> Next {
        let item = self.exif_item.take();
        let mut extents = self.extents.iter();
        let exif = extents.find(|e| Some(e.item) == item && e.at >= from && e.at < end);
        let Some(&Extent { at, bytes, .. }) = exif else {
            self.exif_item = item;
            return self.next_box(end, Stretch::Dense);
        };
        self.state = BoxState::Exif { at, end };
        let need = len_usize(bytes.min(end.saturating_sub(at))).min(NEED_MAX);
        Next::Bytes(Want::new(at, need.max(1)).after(Stretch::Dense))
    }

    fn take(&mut self, name: BoxName, bytes: &[u8]) {
        let base = self.at;
        match &name {
            b"mvhd" => {
                let head = movie::mvhd(bytes);
                // EXIF says more, where it is.
                self.facts.recorded = self.facts.recorded.or(head.recorded);
                self.facts.duration = head.duration;
            }
            b"tkhd" => {
                if let Some((width, height)) = movie::tkhd(bytes) {
                    self.facts.larger(width, height);
                }
            }
            b"hdlr" => match movie::hdlr(bytes).as_ref() {
                Some(b"vide") => self.pictures = self.pictures.saturating_add(1),
                Some(b"soun") => self.sounds = self.sounds.saturating_add(1),
                _ => {}
            },
            b"stsd" => match movie::stsd(bytes) {
                Coding::Pcm(rate) => self.pcm = self.pcm.saturating_add(rate),
                Coding::Plain => self.is_plain = true,
                Coding::Other => {}
            },
            // CR3: IFD0 with the camera, and the EXIF entries as the first directory of its own.
            b"CMT1" | b"CMT2" => tell_exif(bytes, base, &mut self.facts),
            b"iinf" => self.exif_item = exif_item(bytes),
            b"iloc" => self.extents = iloc(bytes).unwrap_or_default(),
            b"ispe" => {
                if let (Some(width), Some(height)) = (be32(bytes, 4), be32(bytes, 8)) {
                    self.facts.larger(width, height);
                }
            }
            _ => {}
        }
    }

    fn taken(&mut self, name: BoxName, end: u64, bytes: &[u8]) -> Next {
        if &name == b"uuid" {
            if bytes == CANON && self.open.len() < DEPTH_MAX {
                self.open.push(OpenBox { name, end });
                let inside = self.at.saturating_add(len64(CANON.len()));
                return self.next_box(inside, Stretch::Loose);
            }
        } else {
            self.take(name, bytes);
        }
        self.next_box(end, Stretch::Loose)
    }

    /// What is wrong with the whole, where no single box is.
    fn missing(&self) -> Option<Clue> {
        let part = |part: &str| part.to_owned();
        let size = self.size;
        let is_movie = self.kind == FileKind::Movie;
        if !self.has_index && self.has_media {
            let part = part(if is_movie { "moov" } else { "meta" });
            return Some(Clue::NoIndex { part });
        }
        if !self.has_media && (is_movie || !self.has_index) {
            let part = part("mdat");
            return Some(Clue::EndsBefore { part, size });
        }
        let ends = self.extents.iter();
        let ends = ends.map(|e| (e.at, e.at.saturating_add(e.bytes)));
        let (at, end) = ends.max_by_key(|&(_, end)| end)?;
        let part = part("item");
        (end > size).then_some(Clue::PastEnd {
            part,
            at,
            end,
            size,
        })
    }
}

/// Whether four bytes can be a name: printable, or with the sign that `QuickTime` uses.
fn plausible(name: BoxName) -> bool {
    name.iter().all(|b| matches!(b, b' '..=b'~' | 0xa9))
}

/// Tables in which a long run of one value has no meaning of its own.
fn stretch_of(name: BoxName) -> Stretch {
    match &name {
        b"mdat" | b"stsz" | b"stco" | b"co64" | b"stts" | b"ctts" => Stretch::Dense,
        _ => Stretch::Loose,
    }
}

fn deed(parent: Option<BoxName>, name: BoxName) -> BoxDeed {
    let parent = parent.as_ref();
    match (parent, &name) {
        (None, b"moov" | b"meta")
        | (Some(b"moov"), b"trak")
        | (Some(b"trak"), b"mdia")
        | (Some(b"mdia"), b"minf")
        | (Some(b"minf"), b"stbl")
        | (Some(b"meta"), b"iprp")
        | (Some(b"iprp"), b"ipco") => BoxDeed::Enter,
        (Some(b"moov"), b"mvhd")
        | (Some(b"trak"), b"tkhd")
        | (Some(b"mdia"), b"hdlr")
        | (Some(b"stbl"), b"stsd") => BoxDeed::Take(HEAD_BYTES),
        (Some(b"moov"), b"uuid") => BoxDeed::Take(16),
        (Some(b"ipco"), b"ispe") => BoxDeed::Take(12),
        (Some(b"uuid"), b"CMT1" | b"CMT2") | (Some(b"meta"), b"iinf" | b"iloc") => {
            BoxDeed::Take(64 * 1_024)
        }
        _ => BoxDeed::Skip(stretch_of(name)),
    }
}

impl Format for Boxes {
    fn first(&self) -> Next {
        Next::Bytes(Want::new(0, 8))
    }

    fn step(&mut self, bytes: &[u8]) -> Next {
        match self.state {
            BoxState::Head => self.head(bytes),
            BoxState::Long(name) => {
                let length = be64(bytes, 0).unwrap_or_default();
                self.found(name, 16, self.at.saturating_add(length))
            }
            BoxState::Take(name, end) => self.taken(name, end, bytes),
            BoxState::Exif { at, end } => {
                // Four bytes say how far behind them the header is.
                let skipped = be32(bytes, 0).and_then(|n| usize::try_from(n).ok());
                let from = skipped.and_then(|n| n.checked_add(4));
                if let Some((exif, from)) = from.and_then(|n| Some((bytes.get(n..)?, n))) {
                    tell_exif(exif, at.saturating_add(len64(from)), &mut self.facts);
                }
                self.next_box(end, Stretch::Dense)
            }
            BoxState::Done => Next::Rest(Stretch::Loose),
        }
    }

    fn finish(&mut self) -> Option<Outcome> {
        if matches!(self.state, BoxState::Done) {
            let missing = self.missing();
            // Of a file that ends too early the place is known; else the missing part says more
            // than a place that can't be read.
            self.clue = match self.clue.take() {
                Some(Clue::Unreadable { .. }) if missing.is_some() => missing,
                Some(clue) => Some(clue),
                None => missing,
            };
        }
        self.facts.media = by_tracks(self.kind, self.pictures, self.sounds);
        let mut outcome = Outcome::new(self.clue.take(), self.facts.clone());
        outcome.zeros = movie::silence(self.pcm);
        outcome.is_dense = !self.is_plain;
        Some(outcome)
    }
}
