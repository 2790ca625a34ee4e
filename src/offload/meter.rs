//! Owns the lock-free counters that the stages add to and the coordinator reads. Counts only; the
//! record of a job never comes from here.

use crate::hash_algorithm::{Also, AlsoSet};
use crate::units::nanos;
use std::sync::atomic::Ordering::Relaxed;
use std::sync::atomic::{AtomicBool, AtomicU64};
use std::time::Duration;

/// A sum that any thread may add to.
#[derive(Debug, Default)]
pub struct Sum(AtomicU64);

impl Sum {
    /// Adds.
    pub fn add(&self, n: u64) {
        self.0.fetch_add(n, Relaxed);
    }

    /// Adds a time in nanoseconds.
    pub fn add_time(&self, time: Duration) {
        self.add(nanos(time));
    }

    /// Returns the sum so far.
    pub fn get(&self) -> u64 {
        self.0.load(Relaxed)
    }
}

/// Bytes and the time that goes with them.
#[derive(Debug, Default)]
pub struct Read {
    /// Bytes.
    pub bytes: Sum,
    /// Nanoseconds.
    pub ns: Sum,
}

impl Read {
    /// Adds.
    pub fn add(&self, bytes: u64, time: Duration) {
        self.bytes.add(bytes);
        self.ns.add_time(time);
    }
}

/// A sum of bytes of which some turned out to be in vain: they are done again, and must not count twice.
#[derive(Debug, Default)]
pub struct Progress {
    /// All of them.
    pub all: Sum,
    /// Those of files that were given up.
    pub given_up: Sum,
}

impl Progress {
    /// Adds.
    pub fn add(&self, bytes: u64) {
        self.all.add(bytes);
    }

    /// Returns what counts.
    pub fn get(&self) -> u64 {
        self.all.get().saturating_sub(self.given_up.get())
    }
}

/// Counters of one destination.
#[derive(Debug, Default)]
pub struct DestinationMeter {
    /// Bytes handed to the drive.
    pub written: Progress,
    /// Bytes read back.
    pub read_back: Progress,
    /// Bytes of kept files that were read back again.
    pub kept_read: Sum,
    /// Files under their final name.
    pub files: Sum,
    /// Nanoseconds in which the reader waited for it.
    pub waited_ns: Sum,
    /// Nanoseconds in writes.
    pub write_ns: Sum,
    /// Nanoseconds in flushes.
    pub flush_ns: Sum,
    /// Nanoseconds in read-backs.
    pub read_back_ns: Sum,
    /// Whether it was dropped.
    pub failed: AtomicBool,
}

/// Counters of one offload.
#[derive(Debug)]
pub struct Meter {
    /// Bytes read from the card.
    pub read: Progress,
    /// Files read from the card.
    pub files: Sum,
    /// Nanoseconds inside reads of the card.
    pub read_ns: Sum,
    /// Reads that nothing can have prepared while the reader waited.
    pub clean: Read,
    /// What all reads say of the card's rate at least.
    pub least: Read,
    /// The reader is waiting for a slower stage at this moment.
    pub waiting: AtomicBool,
    /// Nanoseconds of hashing what was read.
    pub hash_ns: Sum,
    /// Nanoseconds in which the reader waited for each further hash.
    pub also_waited_ns: Vec<(Also, Sum)>,
    /// All that will be read has been read.
    pub card_done: AtomicBool,
    /// The card was found to be gone, and that was told.
    pub card_gone: AtomicBool,
    /// One per destination.
    pub destinations: Vec<DestinationMeter>,
}

impl Meter {
    /// Makes counters for so many destinations and these further hashes.
    pub fn new(destinations: usize, also: AlsoSet) -> Self {
        Self {
            read: Progress::default(),
            files: Sum::default(),
            read_ns: Sum::default(),
            clean: Read::default(),
            least: Read::default(),
            waiting: AtomicBool::new(false),
            hash_ns: Sum::default(),
            also_waited_ns: also.iter().map(|a| (a, Sum::default())).collect(),
            card_done: AtomicBool::new(false),
            card_gone: AtomicBool::new(false),
            destinations: (0..destinations)
                .map(|_| DestinationMeter::default())
                .collect(),
        }
    }
}
