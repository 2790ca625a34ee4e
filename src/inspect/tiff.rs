//! Owns the walk through what is built like TIFF: directories of entries, wherever in the file they
//! are. Raws, TIFF itself and EXIF are.
//!
//! TIFF 6.0, section 2 (header, directories, entries), section 8 (strips), section 15 (tiles);
//! TIFF Technical Note 1 (trees of directories, `SubIFDs`); CIPA DC-008 (Exif), 4.6.3 to 4.6.5.

use super::bytes::{ByteOrder, text};
use super::hint::Clue;
use super::media_facts::{CameraModel, CameraTime, MediaFacts, local_time};
use crate::units::{len_usize, len64};
use std::ops::Range;

/// Directories that are followed.
const DIRECTORIES_MAX: usize = 48;
/// Entries of a directory that are looked at; more is no directory.
const ENTRIES_MAX: usize = 1_024;
/// Numbers of a table that are looked at: its last ones, which lead farthest.
const NUMBERS_MAX: usize = 2_048;
/// Places that are looked at in all.
const JOBS_MAX: usize = 1_000;
/// Characters of a text, such as the camera's model.
const TEXT_MAX: usize = 64;
/// What stands for no offset in tables of raws (RW2; published by those who read it).
const NOWHERE: u32 = 0xffff_ffff;

/// How a directory was reached.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum TiffPlace {
    /// In the chain that the header begins, after so many others.
    Chain(usize),
    /// As a child of another one.
    Child,
    /// As the one of EXIF's own entries.
    Exif,
}

/// What waits to be looked at.
#[derive(Clone, Copy, Debug)]
enum TiffPart {
    /// The number of entries of a directory.
    Count,
    /// The entries and where the next directory is.
    Entries,
    /// Numbers of a type.
    Numbers(TiffTag, u16),
    /// A text.
    Text(TiffTag),
}

/// The tags whose values can be elsewhere than in their entry.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum TiffTag {
    Make,
    Model,
    Offsets,
    Counts,
    Children,
    Taken,
}

#[derive(Clone, Copy, Debug)]
struct TiffJob {
    at: u64,
    need: usize,
    directory: usize,
    what: TiffPart,
}

#[derive(Debug)]
struct Directory {
    at: u64,
    place: TiffPlace,
    width: u32,
    height: u32,
    is_uncompressed: bool,
    /// Where a JPEG begins, and its length.
    jpeg: (u32, u32),
    offsets: Vec<u32>,
    counts: Vec<u32>,
}

/// A walk through the directories of one file or of one piece of it.
#[derive(Debug)]
pub(super) struct TiffWalk {
    order: ByteOrder,
    size: u64,
    /// Whether a next directory beyond the end means something. Raws exist with nonsense there.
    is_strict: bool,
    /// RW2: one offset stands for its strips, and their count for something else.
    is_rw2: bool,
    directories: Vec<Directory>,
    jobs: Vec<TiffJob>,
    jobs_left: usize,
    make: String,
    model: String,
    taken: Option<CameraTime>,
    orientation: u8,
    /// The first thing that is wrong.
    pub(super) clue: Option<Clue>,
}

fn size_of(kind: u16) -> Option<usize> {
    match kind {
        1 | 2 | 6 | 7 => Some(1),
        3 | 8 => Some(2),
        4 | 9 | 11 | 13 => Some(4),
        5 | 10 | 12 => Some(8),
        _ => None,
    }
}

impl TiffWalk {
    /// Begins with a header, at least eight bytes; `None` where it is none.
    pub(super) fn new(header: &[u8], size: u64, is_strict: bool) -> Option<Self> {
        let order = match header.get(..2)? {
            b"II" => ByteOrder::Little,
            b"MM" => ByteOrder::Big,
            _ => return None,
        };
        let first = order.u32(header, 4)?;
        let mut walk = Self {
            order,
            size,
            is_strict,
            is_rw2: header.get(2) == Some(&b'U'),
            directories: Vec::new(),
            jobs: Vec::new(),
            jobs_left: JOBS_MAX,
            make: String::new(),
            model: String::new(),
            taken: None,
            orientation: 1,
            clue: None,
        };
        walk.directory(first.into(), TiffPlace::Chain(0));
        Some(walk)
    }

    fn past_end(&mut self, part: &str, at: u64, end: u64) {
        let (part, size) = (part.to_owned(), self.size);
        let clue = Clue::PastEnd {
            part,
            at,
            end,
            size,
        };
        self.clue.get_or_insert(clue);
    }

    fn directory(&mut self, at: u64, place: TiffPlace) {
        let is_known = self.directories.iter().any(|d| d.at == at);
        if at == 0
            || at == u64::from(NOWHERE)
            || is_known
            || self.directories.len() >= DIRECTORIES_MAX
        {
            return;
        }
        let end = at.saturating_add(2);
        let is_needed = self.is_strict || !matches!(place, TiffPlace::Chain(1..));
        if end > self.size {
            if is_needed {
                self.past_end("directory", at, end);
            }
            return;
        }
        self.directories.push(Directory {
            at,
            place,
            width: 0,
            height: 0,
            is_uncompressed: false,
            jpeg: (0, 0),
            offsets: Vec::new(),
            counts: Vec::new(),
        });
        let directory = self.directories.len().saturating_sub(1);
        self.job(directory, at, 2, TiffPart::Count);
    }

    fn job(&mut self, directory: usize, at: u64, need: usize, what: TiffPart) {
        let end = at.saturating_add(len64(need));
        if end > self.size {
            let part = match what {
                TiffPart::Numbers(..) => "table of a directory",
                TiffPart::Text(_) => return,
                _ => "directory",
            };
            self.past_end(part, at, end);
        } else if self.jobs_left > 0 {
            self.jobs_left -= 1;
            self.jobs.push(TiffJob {
                at,
                need,
                directory,
                what,
            });
        }
    }

    /// Looks at everything that waits and lies in these bytes of the file, which begin at `base`,
    /// and forgets what lies before their end.
    pub(super) fn window(&mut self, base: u64, bytes: &[u8]) {
        let inside = |job: &TiffJob| {
            let from = len_usize(job.at.checked_sub(base)?);
            bytes.get(from..from.checked_add(job.need)?)
        };
        // Each job is taken out; a job makes others only of a directory, which is met once.
        while let Some(place) = self.jobs.iter().position(|job| inside(job).is_some()) {
            let job = self.jobs.swap_remove(place);
            self.take(job, inside(&job).unwrap_or_default());
        }
        let end = base.saturating_add(len64(bytes.len()));
        self.jobs.retain(|job| job.at >= end);
    }

    /// Returns where the next bytes are that wait, and how many.
    pub(super) fn wants(&self) -> Option<(u64, usize)> {
        let first = self.jobs.iter().min_by_key(|job| job.at)?;
        Some((first.at, first.need))
    }

    fn take(&mut self, job: TiffJob, bytes: &[u8]) {
        match job.what {
            TiffPart::Count => {
                let entries = self.order.u16(bytes, 0).map_or(0, usize::from);
                if (1..=ENTRIES_MAX).contains(&entries) {
                    let need = entries.saturating_mul(12);
                    let at = job.at.saturating_add(2);
                    // Where the next one is comes behind the entries, but not in every raw.
                    let with_next = at.saturating_add(len64(need)).saturating_add(4);
                    let need = if with_next <= self.size {
                        need + 4
                    } else {
                        need
                    };
                    self.job(job.directory, at, need, TiffPart::Entries);
                } else if matches!(self.place(job.directory), Some(TiffPlace::Chain(0))) {
                    let part = "directory".to_owned();
                    let at = job.at;
                    self.clue.get_or_insert(Clue::Unreadable { part, at });
                }
            }
            TiffPart::Entries => self.entries(job.directory, bytes),
            TiffPart::Numbers(tag, kind) => self.numbers(job.directory, tag, kind, bytes),
            TiffPart::Text(tag) => self.text(tag, bytes),
        }
    }

    fn place(&self, directory: usize) -> Option<TiffPlace> {
        self.directories.get(directory).map(|d| d.place)
    }

    fn entries(&mut self, directory: usize, bytes: &[u8]) {
        let (entries, rest) = bytes.as_chunks::<12>();
        for entry in entries {
            self.entry(directory, entry);
        }
        let next = self.order.u32(rest, 0).unwrap_or_default();
        if let Some(TiffPlace::Chain(before)) = self.place(directory) {
            self.directory(next.into(), TiffPlace::Chain(before.saturating_add(1)));
        }
    }

    fn entry(&mut self, directory: usize, entry: &[u8; 12]) {
        let order = self.order;
        let (Some(tag), Some(kind)) = (order.u16(entry, 0), order.u16(entry, 2)) else {
            return;
        };
        let count = order.u32(entry, 4).unwrap_or_default();
        let value = entry.get(8..).unwrap_or_default();
        let one = || match kind {
            3 => order.u16(value, 0).map(u32::from),
            _ => order.u32(value, 0),
        };
        let is_first = self.place(directory) == Some(TiffPlace::Chain(0));
        let Some(known) = self.directories.get_mut(directory) else {
            return;
        };
        let elsewhere = match tag {
            0x0100 => return known.width = one().unwrap_or_default(),
            0x0101 => return known.height = one().unwrap_or_default(),
            0x0103 => return known.is_uncompressed = one() == Some(1),
            0x0112 if is_first => {
                let turn = one().and_then(|turn| u8::try_from(turn).ok());
                self.orientation = turn.filter(|turn| (1..=8).contains(turn)).unwrap_or(1);
                return;
            }
            0x0201 => return known.jpeg.0 = one().unwrap_or_default(),
            0x0202 => return known.jpeg.1 = one().unwrap_or_default(),
            0x8769 => {
                let at = one().unwrap_or_default();
                return self.directory(at.into(), TiffPlace::Exif);
            }
            0x010f => TiffTag::Make,
            0x0110 => TiffTag::Model,
            // In RW2 the strips are nowhere, and an offset of its own counts.
            0x0118 if self.is_rw2 => TiffTag::Offsets,
            0x0111 | 0x0117 if self.is_rw2 => return,
            // Strips or tiles.
            0x0111 | 0x0144 => TiffTag::Offsets,
            0x0117 | 0x0145 => TiffTag::Counts,
            0x014a => TiffTag::Children,
            0x9003 => TiffTag::Taken,
            _ => return,
        };
        self.value(directory, elsewhere, kind, count, value);
    }

    /// Takes a value from its entry, or waits for the place where it is.
    fn value(&mut self, directory: usize, tag: TiffTag, kind: u16, count: u32, value: &[u8]) {
        let Some(size) = size_of(kind) else {
            return;
        };
        let count = usize::try_from(count).unwrap_or(usize::MAX);
        let is_text = matches!(tag, TiffTag::Make | TiffTag::Model | TiffTag::Taken);
        if is_text != (kind == 2) || (!is_text && !matches!(kind, 3 | 4 | 13)) {
            return;
        }
        let length = count.saturating_mul(size);
        if let (true, Some(bytes)) = (length <= 4, value.get(..length)) {
            return match tag {
                _ if is_text => self.text(tag, bytes),
                _ => self.numbers(directory, tag, kind, bytes),
            };
        }
        let Some(at) = self.order.u32(value, 0).map(u64::from) else {
            return;
        };
        if is_text {
            return self.job(directory, at, length.min(TEXT_MAX), TiffPart::Text(tag));
        }
        let taken = count.min(NUMBERS_MAX).saturating_mul(size);
        let skipped = len64(length.saturating_sub(taken));
        let at = at.saturating_add(skipped);
        self.job(directory, at, taken, TiffPart::Numbers(tag, kind));
    }

    fn text(&mut self, tag: TiffTag, bytes: &[u8]) {
        let text = || text(bytes, TEXT_MAX).unwrap_or_default();
        match tag {
            TiffTag::Make if self.make.is_empty() => self.make = text(),
            TiffTag::Model if self.model.is_empty() => self.model = text(),
            TiffTag::Taken => self.taken = local_time(bytes).map(CameraTime::Local),
            _ => {}
        }
    }

    fn numbers(&mut self, directory: usize, tag: TiffTag, kind: u16, bytes: &[u8]) {
        let size = size_of(kind).unwrap_or(4);
        let order = self.order;
        let number = |part: &[u8]| match size {
            2 => order.u16(part, 0).map(u32::from),
            _ => order.u32(part, 0),
        };
        let numbers: Vec<u32> = bytes.chunks_exact(size).filter_map(number).collect();
        if tag == TiffTag::Children {
            for at in numbers {
                self.directory(at.into(), TiffPlace::Child);
            }
        } else if let Some(known) = self.directories.get_mut(directory) {
            match tag {
                TiffTag::Counts => known.counts = numbers,
                _ => known.offsets = numbers,
            }
        }
    }

    /// Ends the walk: what the directories point at has to be in the file.
    pub(super) fn finish(&mut self) {
        let mut worst: Option<(&str, u64, u64)> = None;
        for known in &self.directories {
            let strips = known.offsets.iter().enumerate().map(|(n, &at)| {
                let bytes = known.counts.get(n).copied().unwrap_or(1);
                ("picture data", at, bytes)
            });
            let jpeg = ("embedded JPEG", known.jpeg.0, known.jpeg.1);
            for (part, at, bytes) in strips.chain([jpeg]) {
                let is_somewhere = !matches!(at, 0 | NOWHERE) && !matches!(bytes, 0 | NOWHERE);
                let at = u64::from(at);
                let end = at.saturating_add(bytes.into());
                let is_farthest = worst.is_none_or(|(.., farthest)| end > farthest);
                if is_somewhere && end > self.size && is_farthest {
                    worst = Some((part, at, end));
                }
            }
        }
        if let Some((part, at, end)) = worst {
            self.past_end(part, at, end);
        }
    }

    /// Returns whether a picture is stored without compression.
    pub(super) fn is_uncompressed(&self) -> bool {
        self.directories.iter().any(|known| known.is_uncompressed)
    }

    /// Adds what was read to what a file says of itself. Offsets are from `base` on.
    pub(super) fn tell(&self, facts: &mut MediaFacts, base: u64) {
        if !self.make.is_empty() || !self.model.is_empty() {
            facts.camera = Some(CameraModel {
                make: self.make.clone(),
                model: self.model.clone(),
            });
        }
        facts.recorded = self.taken.or(facts.recorded);
        facts.orientation = self.orientation;
        // The second directory of the chain is the thumbnail's (CIPA DC-008, 4.5.5).
        let thumbnails = self.directories.iter();
        let thumbnail = thumbnails.filter(|known| known.place == TiffPlace::Chain(1));
        let mut thumbnail = thumbnail.filter_map(|known| self.jpeg_within(known.jpeg));
        if let Some(range) = thumbnail.next_back() {
            let shifted = range.start.saturating_add(base)..range.end.saturating_add(base);
            facts.thumbnail = Some(shifted);
        }
    }

    /// Adds the size of the largest picture.
    pub(super) fn tell_pixels(&self, facts: &mut MediaFacts) {
        for known in &self.directories {
            facts.larger(known.width, known.height);
        }
    }

    fn jpeg_within(&self, (at, bytes): (u32, u32)) -> Option<Range<u64>> {
        let at = u64::from(at);
        let end = at.saturating_add(bytes.into());
        (at > 0 && bytes > 0 && end <= self.size).then_some(at..end)
    }
}

/// Adds what a whole piece of EXIF says that lies at `base` in its file (CIPA DC-008, 4.5.2: it is
/// built like TIFF, and its offsets count from its own beginning).
pub(super) fn tell_exif(bytes: &[u8], base: u64, facts: &mut MediaFacts) {
    if let Some(mut walk) = TiffWalk::new(bytes, len64(bytes.len()), false) {
        walk.window(0, bytes);
        walk.tell(facts, base);
    }
}
