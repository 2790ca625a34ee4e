//! Owns what an observer may see while a job runs. Data only. Events are for eyes: the manifest,
//! the verdict and the exit code never depend on them.

use crate::digest::Digest;
use crate::disk::ReadBackWay;
use crate::error::Problem;
use crate::inspect::observation::Observation;
use crate::plan::Plan;
use crate::record::layout::Level;
use crate::speed::forecast::{Basis, Change, Remaining};
use crate::speed::link::{Bottleneck, ChainPart, Link};
use crate::units::MegabytesPerS;

/// One thing to show.
#[derive(Debug)]
pub enum Event<'a> {
    /// The card was listed.
    Listed {
        /// The card's path.
        card: &'a str,
        /// Files to copy.
        files: u64,
        /// Their bytes.
        bytes: u64,
        /// Folders.
        folders: u64,
        /// Entries that computers left behind.
        left_out: u64,
        /// Entries that cannot be copied as they are.
        troubles: u64,
    },
    /// So many bytes are read as a sample, of the card or of a copy, before what is on record is
    /// believed.
    Sampling(u64),
    /// What will be done.
    Planned(&'a Plan),
    /// Nothing will be done, for these reasons.
    Refused(&'a [Problem]),
    /// The state of things.
    Tick(Box<Snapshot>),
    /// A file stands proven under its final name on one destination.
    File {
        /// Its path.
        path: String,
        /// Its size.
        bytes: u64,
        /// Its hash.
        blake3: Digest,
        /// Where, counted from 0.
        destination: usize,
        /// How far it was proven.
        proof: Level,
        /// How it was read back.
        way: ReadBackWay,
    },
    /// Something went wrong.
    Problem(Problem),
    /// The rate has changed and stayed changed; with the time left as it is reckoned now.
    RateChange(Change, Option<Remaining>),
    /// Everything was read and the card was listed again: it may leave the reader, no more than
    /// that.
    CardRead,
    /// The second read of the card, in bytes so far and in all, and the time left.
    ReadAgain(u64, u64, Option<Remaining>),
    /// A file with unreadable spots is salvaged: its path, bytes that were read so far, and all.
    Salvaging(&'a str, u64, u64),
    /// What came of that: the file's path, and a sentence's part about it.
    Salvaged(&'a str, &'a str),
    /// Something in the recordings that somebody should look at; no verdict rests on it.
    Hint(&'a Observation),
    /// The end; the proof tells the verdict.
    Ended,
}

/// The state of one destination.
#[derive(Clone, Debug, Default, serde::Serialize)]
pub struct DestinationSnapshot {
    /// Bytes to be written in this run.
    pub bytes_total: u64,
    /// Bytes handed to the drive.
    pub bytes_written: u64,
    /// Bytes read back.
    pub bytes_read_back: u64,
    /// Bytes of files of earlier runs that are to be read back again.
    pub kept_total: u64,
    /// Bytes of them that were.
    pub kept_read: u64,
    /// Files under their final name in this run.
    pub files: u64,
    /// It was dropped.
    pub failed: bool,
    /// Share of the time spent writing, 0 to 1.
    pub busy_write: f64,
    /// Share of the time spent flushing, 0 to 1.
    pub busy_flush: f64,
    /// Share of the time spent reading back, 0 to 1.
    pub busy_read_back: f64,
}

/// The state of a running offload.
#[derive(Clone, Debug, Default, serde::Serialize)]
pub struct Snapshot {
    /// Files to be read from the card in this run.
    pub files_total: u64,
    /// Their bytes.
    pub bytes_total: u64,
    /// Files read so far.
    pub files_read: u64,
    /// Bytes read so far.
    pub bytes_read: u64,
    /// Every byte that will be read was read; not before the second read where there is one.
    pub card_done: bool,
    /// Bytes per second of reading time; a slow destination does not show in it.
    pub live_rate: Option<f64>,
    /// The card reads at the live rate or faster: a slow destination leaves too little to measure.
    pub live_rate_at_least: bool,
    /// Bytes per second of the clock.
    pub delivered_rate: f64,
    /// Share of the time spent reading the card, 0 to 1.
    pub busy_read: f64,
    /// Share of the time spent hashing, 0 to 1.
    pub busy_hash: f64,
    /// What holds the others back.
    #[serde(rename = "limiting_link")]
    pub limiting: Bottleneck,
    /// The links that are known, and the measured one where a drive holds the others back.
    pub links: Vec<Link>,
    /// Bytes to be read from the card a second time when all else is done.
    pub again_total: u64,
    /// Bytes of them that were.
    pub again_read: u64,
    /// What the chain allows at most, in MB/s; `None` if nothing is known of it.
    pub ceiling_mbps: Option<MegabytesPerS>,
    /// The slowest link between card and computer.
    #[serde(skip)]
    pub card_link: Option<Link>,
    /// One per destination.
    pub destinations: Vec<DestinationSnapshot>,
    /// Time left; `None` while there is nothing to base it on.
    pub remaining: Option<Remaining>,
    /// What the time left rests on.
    #[serde(skip)]
    pub basis: Basis,
    /// Seconds for which nothing has moved, 0 while something does.
    pub stalled_s: f64,
    /// What is waited for while nothing moves: `card` or `destination N`.
    pub waiting_for: Option<ChainPart>,
    /// Problems so far.
    pub problems: u64,
    /// Delivered bytes per second, one value per interval, newest last.
    #[serde(skip)]
    pub strip: Vec<f64>,
    /// Length of each of these intervals in seconds.
    #[serde(skip)]
    pub strip_every_s: u64,
    /// The person asked to stop.
    pub stopping: bool,
}

/// Somebody who looks on.
pub trait Observer {
    /// Shows one event.
    fn event(&mut self, event: &Event<'_>);
}

/// Nobody.
#[derive(Debug)]
pub struct Silent;

impl Observer for Silent {
    fn event(&mut self, _event: &Event<'_>) {}
}
