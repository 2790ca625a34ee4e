//! Owns what an offload did: what became of each file and each destination, and what was measured.
//! The proof is made from this alone.

use crate::digest::Digest;
use crate::disk::{ReadBackWay, Sight};
use crate::error::Problem;
use crate::hash_algorithm::AlsoHashes;
use crate::inspect::look::CardLook;
use crate::plan::{FileJob, Plan, Work};
use crate::record::layout::PerDestination;
use crate::speed::forecast::Learned;
use crate::speed::link::{Bottleneck, Link};
use std::time::Duration;

/// A copy of one file.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum CopyState {
    /// Not there, or not known to be.
    None,
    /// Flushed, not read back.
    Written,
    /// Read back equal; seconds inside reads of the drive.
    ReadBack(f64),
    /// Proven by an earlier run; seconds of that read-back.
    Earlier(f64),
    /// Proven by an earlier run, and read back again in this one; seconds of that.
    Again(f64),
}

impl CopyState {
    /// Returns whether an earlier run made the copy and read it back.
    pub fn is_of_earlier_run(self) -> bool {
        matches!(self, Self::Earlier(_) | Self::Again(_))
    }

    /// Returns whether the copy was read back from the device, now or earlier.
    pub fn is_proven(self) -> bool {
        matches!(self, Self::ReadBack(_)) || self.is_of_earlier_run()
    }
}

/// What became of one file.
#[derive(Clone, PartialEq, Debug)]
pub struct FileOutcome {
    /// Hash of what the card delivered, when it was read whole now or earlier.
    pub blake3: Option<Digest>,
    /// Further hashes of the same bytes.
    pub also: AlsoHashes,
    /// Seconds inside reads of the card.
    pub read_s: f64,
    /// Nothing but zeros, and not empty.
    pub only_zeros: bool,
    /// What became of its copy on each destination.
    pub copies: PerDestination<CopyState>,
    /// What each copy looked like when it had been read back and had its name; `None` where that
    /// has to be read again.
    pub sights: PerDestination<Option<Sight>>,
}

impl FileOutcome {
    /// What is known before anything is read: what an earlier run proved.
    pub(super) fn at_start(job: &FileJob) -> Self {
        let kept = job.work.iter().find_map(Work::earlier);
        Self {
            blake3: kept.map(|k| k.blake3),
            also: kept.map(|k| k.also.clone()).unwrap_or_default(),
            read_s: kept.map_or(0.0, |k| k.read_s),
            only_zeros: kept.is_some_and(|k| k.only_zeros),
            copies: job
                .work
                .iter()
                .map(|w| match w.earlier() {
                    Some(entry) => CopyState::Earlier(entry.readback_s),
                    None => CopyState::None,
                })
                .collect(),
            sights: job.work.iter().map(|_| None).collect(),
        }
    }
}

/// What became of one destination.
#[derive(Clone, PartialEq, Debug)]
pub struct DestinationOutcome {
    /// The least reliable way in which a file was read back.
    pub way: Option<ReadBackWay>,
    /// It was dropped, and gets no file, record or verdict.
    pub failed: bool,
    /// The last file published on it.
    pub last_file: Option<String>,
    /// Files whose date the drive refused.
    pub dates_refused: u64,
}

impl DestinationOutcome {
    /// The way in which kept files were read back by earlier runs counts as well.
    pub(super) fn at_start(plan: &Plan, destination: usize) -> Self {
        let kept = plan
            .jobs
            .iter()
            .filter_map(|job| job.work.get(destination)?.earlier().map(|e| e.way));
        Self {
            way: kept.min(),
            failed: false,
            last_file: None,
            dates_refused: 0,
        }
    }
}

/// Bytes per interval, for the record.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Rates {
    /// Length of an interval in seconds.
    pub every_s: u64,
    /// Read from the card in each interval.
    pub read: Vec<u64>,
    /// Written in each interval, per destination.
    pub write: Vec<Vec<u64>>,
    /// Read back in each interval, per destination.
    pub readback: Vec<Vec<u64>>,
}

/// A lasting fall of the rate while a destination held the others back.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DriveFell {
    /// Which, counted from 0.
    pub destination: usize,
    /// Bytes that were written to it by then.
    pub bytes: u64,
    /// Bytes per second since.
    pub to_bytes_per_s: f64,
}

/// What an offload did. The proof is made from this.
#[derive(Clone, Debug)]
pub struct Offloaded {
    /// One per job of the plan.
    pub files: Vec<FileOutcome>,
    /// What was seen of the files while they were read. For eyes: no verdict rests on it.
    pub look: CardLook,
    /// What became of each destination, in the order of the plan.
    pub destinations: Vec<DestinationOutcome>,
    /// What went wrong, in the order it was met.
    pub problems: Vec<Problem>,
    /// Stopped by the person.
    pub interrupted: bool,
    /// Threads did not answer after the stop, and still run.
    pub left_behind: bool,
    /// What was read, written and read back in each interval.
    pub rates: Rates,
    /// What held the others back.
    pub limiting: Bottleneck,
    /// The links that were known, and the measured one where a drive held the others back.
    pub links: Vec<Link>,
    /// What the job taught about rate and cost per file.
    pub learned: Option<Learned>,
    /// Where the rate fell for good while a destination held the others back.
    pub steps: Vec<DriveFell>,
    /// The first forecast that was made, in seconds.
    pub forecast_s: Option<f64>,
    /// How long it ran, without a second read of the card.
    pub took: Duration,
    /// How long the second read of the card took.
    pub read_again: Duration,
    /// The card's own rate over the whole job, in bytes per second of reading time; `None` where
    /// too little of it could be measured.
    pub read_rate: Option<f64>,
    /// The card reads at this rate or faster, in bytes per second.
    pub read_at_least: Option<f64>,
    /// Bytes read from the card.
    pub bytes_read: u64,
    /// Files of an original that were read whole and are what its manifest says.
    pub original_equal: u64,
    /// The least reliable way in which one of them was read.
    pub original_way: Option<ReadBackWay>,
}
