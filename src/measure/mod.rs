//! Owns the measurement of a card: a bounded sample, spread over the whole card, is read past the
//! computer's memory; what comes back says how fast the card reads in this reader, and how far the
//! figure can be trusted. Writes nothing, on the card or elsewhere.

mod sample;

use crate::card::listing::{Listing, RowKind};
use crate::card::survey::survey;
use crate::clock::Clock;
use crate::disk::buffer::{ALIGN, Aligned};
use crate::disk::guarded::Guarded;
use crate::disk::progress::Progress;
use crate::disk::{Disk, FolderFacts, ReadBackWay};
use crate::error::{Error, Step};
use crate::units::{float, len_usize, len64, whole};
use camino::Utf8Path;
use sample::{Piece, Sample};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::io;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Longest sample, in seconds.
pub const SECONDS_MAX: u64 = 600;
/// Largest sample, in bytes.
pub const BYTES_MAX: u64 = 100_000_000_000;
/// Bytes of one read: large enough that the pause between two of them is small on any card.
const READ_BYTES: usize = 4 << 20;
/// Whole seconds below which a median says little.
const SECONDS_ENOUGH: usize = 4;
/// Bytes below which a card's own memory may have helped.
const BYTES_ENOUGH: u64 = 64_000_000;
/// Files that cannot be read before the measurement is given up: a failing card must not be tried
/// on.
const TROUBLES_MAX: usize = 8;

/// How much is read at most.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Bounds {
    /// Time of reading, at most [`SECONDS_MAX`].
    pub time: Duration,
    /// Bytes, at most [`BYTES_MAX`].
    pub bytes: u64,
}

/// What a measurement found. Plain data, fit to be kept.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measured {
    /// Bytes read.
    pub bytes: u64,
    /// Files that they came from, wholly or in part.
    pub files: u64,
    /// Seconds of reading.
    pub took_s: f64,
    /// Bytes read in each second from the start; the last one may be cut short.
    pub every_second: Vec<u64>,
    /// How the reads reached the device.
    pub way: ReadBackWay,
    /// Kernel name of the card's file system.
    pub filesystem: String,
    /// All that the card holds for copying, in bytes.
    pub used_bytes: u64,
    /// And in files.
    pub used_files: u64,
    /// What the card's file system reports as its size, in bytes.
    pub capacity_bytes: u64,
    /// Files that could not be read, with the reason; a few at most.
    pub troubles: Vec<String>,
    /// Entries of the card that could not even be listed.
    pub unlisted: u64,
    /// Stopped from outside.
    pub interrupted: bool,
}

/// Why a figure can't be trusted, or not fully.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Doubt {
    /// The system may have answered from memory.
    Cached,
    /// The folder is in memory and no card at all.
    Memory,
    /// A program serves the mount, and may keep things in its own memory.
    Fuse,
    /// The folder is on another computer.
    Network,
    /// Little was read.
    Small,
    /// Some files could not be read.
    Troubles,
    /// Stopped before its bounds.
    Interrupted,
}

impl Doubt {
    /// Returns its name for programs.
    pub fn id(self) -> &'static str {
        match self {
            Self::Cached => "cached",
            Self::Memory => "memory",
            Self::Fuse => "fuse",
            Self::Network => "network",
            Self::Small => "small",
            Self::Troubles => "troubles",
            Self::Interrupted => "interrupted",
        }
    }

    /// Returns it as a sentence.
    pub fn words(self) -> &'static str {
        match self {
            Self::Cached => {
                "the computer may have answered from its memory; take the card out, put it back \
                and measure again"
            }
            Self::Memory => "this folder is in the computer's memory and on no card",
            Self::Fuse => {
                "a program serves this mount (FUSE); what it keeps in its own memory can't be seen \
                from here"
            }
            Self::Network => {
                "this folder is on another computer; the figure is that of the network and of its \
                memory"
            }
            Self::Small => {
                "the sample is small; a card with more on it, or more --seconds and --bytes, says \
                more"
            }
            Self::Troubles => {
                "some files could not be read; slow retries may be in the figure. Copy this card \
                before anything else"
            }
            Self::Interrupted => "it was stopped before its end",
        }
    }

    /// Returns whether the figure says nothing of the card, instead of only being rough.
    pub fn is_fatal(self) -> bool {
        matches!(self, Self::Cached | Self::Memory | Self::Network)
    }
}

impl Measured {
    /// Returns the mean rate in bytes per second, zero if nothing was read.
    pub fn mean(&self) -> f64 {
        if self.took_s > 0.0 {
            float(self.bytes) / self.took_s
        } else {
            0.0
        }
    }

    /// Returns the bytes of the whole seconds.
    fn whole_seconds(&self) -> &[u64] {
        let whole = len_usize(whole(self.took_s.floor()));
        self.every_second
            .get(..whole.min(self.every_second.len()))
            .unwrap_or(&[])
    }

    /// Returns the rate of the middle second, bytes per second; the mean when there was no whole
    /// one.
    pub fn median(&self) -> f64 {
        let mut seconds = self.whole_seconds().to_vec();
        seconds.sort_unstable();
        let middle = seconds.len() / 2;
        match (seconds.get(middle), seconds.len() % 2) {
            (Some(upper), 0) => {
                let lower = seconds.get(middle.wrapping_sub(1)).unwrap_or(upper);
                float(*lower).midpoint(float(*upper))
            }
            (Some(middle), _) => float(*middle),
            (None, _) => self.mean(),
        }
    }

    /// Returns the slowest whole second, counted from 0, and its rate in bytes per second.
    pub fn worst(&self) -> Option<(usize, f64)> {
        let seconds = self.whole_seconds().iter().enumerate();
        seconds
            .min_by_key(|(_, bytes)| **bytes)
            .map(|(at, bytes)| (at, float(*bytes)))
    }

    /// Returns the seconds that reading so many bytes takes at the mean rate; `None` if nothing was
    /// read.
    ///
    /// The mean, since time adds up; the sample is spread over the card by bytes, so that small
    /// files weigh in it as they do on the card.
    pub fn seconds_for(&self, bytes: u64) -> Option<f64> {
        let mean = self.mean();
        (mean > 0.0).then(|| float(bytes) / mean)
    }

    /// Returns whether the whole card was read.
    pub fn is_whole(&self) -> bool {
        self.bytes == self.used_bytes
    }

    /// Returns why the figure can't be trusted, or not fully.
    pub fn doubts(&self) -> Vec<Doubt> {
        let fs = self.filesystem.as_str();
        let is_memory = matches!(fs, "tmpfs" | "ramfs" | "devtmpfs");
        let is_network = matches!(
            fs,
            "nfs" | "nfs4" | "cifs" | "smb3" | "9p" | "virtiofs" | "afs" | "ceph"
        );
        let is_fuse = fs.starts_with("fuse");
        let is_small = self.bytes < BYTES_ENOUGH || self.whole_seconds().len() < SECONDS_ENOUGH;
        [
            (Doubt::Memory, is_memory),
            (Doubt::Cached, !is_memory && !self.way.reaches_device()),
            (Doubt::Network, is_network),
            (Doubt::Fuse, is_fuse),
            (Doubt::Small, is_small),
            (
                Doubt::Troubles,
                !self.troubles.is_empty() || self.unlisted > 0,
            ),
            (Doubt::Interrupted, self.interrupted),
        ]
        .into_iter()
        .filter_map(|(doubt, holds)| holds.then_some(doubt))
        .collect()
    }
}

/// Why there is nothing to measure.
#[derive(Debug)]
pub enum MeasureError {
    /// The card cannot be looked at.
    Card(Error),
    /// There is nothing on it that could be read.
    Empty {
        /// Entries that could not be listed.
        unlisted: u64,
    },
    /// Nothing of what was tried could be read; the reasons.
    Unreadable(Vec<String>),
}

impl std::fmt::Display for MeasureError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Card(error) => error.fmt(f),
            Self::Empty { unlisted: 0 } => {
                f.write_str("there is no file with content on it; shoot something first")
            }
            Self::Empty { unlisted } => write!(
                f,
                "there is no file on it that could be read; entries that could not be listed: \
                {unlisted}"
            ),
            Self::Unreadable(reasons) => {
                write!(
                    f,
                    "none of the files that were tried could be read: {}",
                    reasons.join("; ")
                )
            }
        }
    }
}

impl std::error::Error for MeasureError {}

/// Reads a sample of the card at `card` and returns what it found.
///
/// # Errors
/// When the card cannot be listed, holds nothing, or nothing of it can be read.
pub fn measure(
    card: &Utf8Path,
    facts: &FolderFacts,
    bounds: Bounds,
    disk: &dyn Disk,
    clock: &dyn Clock,
    progress: &Progress,
) -> Result<Measured, MeasureError> {
    // A link to the card is followed once, here; below it nothing is followed.
    let root = Utf8Path::new(&facts.canonical);
    let root = if root.as_str().is_empty() { card } else { root };
    let looking = Guarded::until(disk, &progress.cancel);
    let listing = survey(&looking, root, facts).map_err(MeasureError::Card)?;
    let (used_files, used_bytes) = listing.totals();
    let is_trouble = |kind: &RowKind| matches!(kind, RowKind::Trouble { .. } | RowKind::NotText);
    let unlisted = len64(
        listing
            .rows()
            .iter()
            .filter(|r| is_trouble(&r.kind))
            .count(),
    );
    if used_bytes == 0 {
        return Err(MeasureError::Empty { unlisted });
    }
    let bytes_max = bounds.bytes.min(BYTES_MAX).min(used_bytes);
    progress.bytes_total.store(bytes_max, Ordering::Relaxed);
    let mut run = Measurement {
        root,
        disk,
        clock,
        progress,
        bytes_max,
        until: clock.elapsed() + bounds.time.min(Duration::from_secs(SECONDS_MAX)),
        start: clock.elapsed(),
        strip: Vec::new(),
        buffer: Aligned::new(READ_BYTES),
        bytes: 0,
        way: None,
    };
    let (files, troubles) = run.all(&listing);
    let took = clock.elapsed().saturating_sub(run.start);
    if run.bytes == 0 && !troubles.is_empty() {
        return Err(MeasureError::Unreadable(troubles));
    }
    Ok(Measured {
        bytes: run.bytes,
        files,
        took_s: took.as_secs_f64(),
        every_second: run.strip.iter().map(|bytes| whole(*bytes)).collect(),
        way: run.way.unwrap_or(ReadBackWay::None),
        filesystem: facts.filesystem.clone(),
        used_bytes,
        used_files,
        capacity_bytes: facts.total_bytes,
        troubles,
        unlisted,
        interrupted: progress.cancel.load(Ordering::Relaxed),
    })
}

/// A measurement under way.
struct Measurement<'a> {
    root: &'a Utf8Path,
    disk: &'a dyn Disk,
    clock: &'a dyn Clock,
    progress: &'a Progress,
    bytes_max: u64,
    until: Duration,
    start: Duration,
    /// Bytes of each second since the start.
    strip: Vec<f64>,
    buffer: Aligned,
    bytes: u64,
    /// The least honest way of all reads.
    way: Option<ReadBackWay>,
}

impl Measurement<'_> {
    /// Reads pieces until a bound is reached; returns how many files they came from, and what could
    /// not be read.
    fn all(&mut self, listing: &Listing) -> (u64, Vec<String>) {
        let mut files = BTreeSet::new();
        let mut troubles: Vec<String> = Vec::new();
        for piece in Sample::of(listing) {
            if self.is_over() || troubles.len() >= TROUBLES_MAX {
                break;
            }
            match self.piece(&piece) {
                Ok(()) => {
                    files.insert(piece.index);
                }
                Err(error) => troubles.push(error.to_string()),
            }
        }
        (len64(files.len()), troubles)
    }

    fn is_over(&self) -> bool {
        self.bytes >= self.bytes_max
            || self.clock.elapsed() >= self.until
            || self.progress.cancel.load(Ordering::Relaxed)
    }

    /// Reads one piece of a file, or as much of it as the bounds allow.
    fn piece(&mut self, piece: &Piece<'_>) -> Result<(), Error> {
        let path = piece.name.under(self.root);
        let mut source = self
            .disk
            .open_read_back(&path)
            .map_err(|cause| Error::new(Step::Open, &path, cause))?;
        let mut offset = piece.start;
        while offset < piece.end && !self.is_over() {
            let before = self.clock.elapsed();
            let left = (piece.end - offset).min(self.bytes_max - self.bytes);
            let most = len_usize(left).next_multiple_of(ALIGN).min(READ_BYTES);
            let into = self.buffer.all_mut().get_mut(..most).unwrap_or_default();
            let read = source
                .read_at(into, offset)
                .map_err(|cause| Error::new(Step::Read, &path, cause))?;
            if read == 0 {
                let cause = io::Error::other("it is shorter than it was when it was listed");
                return Err(Error::new(Step::Read, &path, cause));
            }
            let read = len64(read);
            self.enter(before, read);
            offset += read;
            // A read may fall back to another way.
            let way = source.way();
            self.way = Some(self.way.map_or(way, |all| all.min(way)));
        }
        Ok(())
    }

    /// Enters bytes into the seconds that their reading took, evenly.
    fn enter(&mut self, before: Duration, bytes: u64) {
        self.bytes += bytes;
        self.progress.bytes.store(self.bytes, Ordering::Relaxed);
        let from = before.saturating_sub(self.start).as_secs_f64();
        let to = self
            .clock
            .elapsed()
            .saturating_sub(self.start)
            .as_secs_f64();
        spread(&mut self.strip, from, to, float(bytes));
    }
}

/// Adds `bytes` to the seconds from `from` to `to`, evenly.
fn spread(strip: &mut Vec<f64>, from: f64, to: f64, bytes: f64) {
    // Nothing measures longer; a clock that jumps must not fill the memory.
    let last_second = float(SECONDS_MAX * 2);
    let (from, to) = (from.clamp(0.0, last_second), to.clamp(0.0, last_second));
    let second = |t: f64| len_usize(whole(t.floor()));
    let needed = second(to) + 1;
    if strip.len() < needed {
        strip.resize(needed, 0.0);
    }
    if to <= from {
        if let Some(slot) = strip.get_mut(second(to)) {
            *slot += bytes;
        }
        return;
    }
    let per_s = bytes / (to - from);
    for (at, slot) in strip.iter_mut().enumerate().take(needed).skip(second(from)) {
        let begin = float(len64(at));
        let overlap = (to.min(begin + 1.0) - from.max(begin)).max(0.0);
        *slot += per_s * overlap;
    }
}

#[cfg(test)]
mod tests;
