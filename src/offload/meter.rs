//! Owns the lock-free counters that the stages add to and the coordinator reads. Counts only; the
//! record of a job never comes from here.

use crate::hash_algorithm::{Also, AlsoSet};
use crate::units::nanos;
use std::sync::atomic::Ordering::Relaxed;
use std::sync::atomic::{AtomicBool, AtomicU64};
use std::time::Duration;

/// A sum that any thread may add to.
#[derive(Debug, Default)]
pub struct Counter(AtomicU64);

impl Counter {
    /// Adds bytes, files or nanoseconds, whichever it counts.
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

/// Bytes and the time in which they were read.
#[derive(Debug, Default)]
pub struct TimedBytes {
    /// Bytes of all reads that count.
    pub bytes: Counter,
    /// Nanoseconds of the same reads.
    pub ns: Counter,
}

impl TimedBytes {
    /// Adds a read.
    pub fn add(&self, bytes: u64, time: Duration) {
        self.bytes.add(bytes);
        self.ns.add_time(time);
    }
}

/// A sum of bytes of which some turned out to be in vain: they are done again, and must not count
/// twice.
#[derive(Debug, Default)]
pub struct NetBytes {
    /// All bytes, those done in vain included.
    pub all: Counter,
    /// Bytes of files that were given up.
    pub given_up: Counter,
}

impl NetBytes {
    /// Adds bytes that count as long as their file is not given up.
    pub fn add(&self, bytes: u64) {
        self.all.add(bytes);
    }

    /// Returns the bytes without those done in vain.
    pub fn get(&self) -> u64 {
        self.all.get().saturating_sub(self.given_up.get())
    }
}

/// Counters of one destination.
#[derive(Debug, Default)]
pub struct DestinationMeter {
    /// Bytes handed to the drive.
    pub written: NetBytes,
    /// Bytes of this job's copies that were read back.
    pub read_back: NetBytes,
    /// Bytes of kept files that were read back again.
    pub kept_read: Counter,
    /// Files under their final name.
    pub files: Counter,
    /// Nanoseconds in which the reader waited for it.
    pub waited_ns: Counter,
    /// Nanoseconds inside writes of part files.
    pub write_ns: Counter,
    /// Nanoseconds inside flushes of files and folders, summed over all threads.
    pub flush_ns: Counter,
    /// Nanoseconds inside reads of this job's copies, summed over all threads.
    pub read_back_ns: Counter,
    /// Whether it was dropped.
    pub failed: AtomicBool,
}

/// Counters of one offload.
#[derive(Debug)]
pub struct Meter {
    /// Bytes read from the card.
    pub read: NetBytes,
    /// Files read from the card.
    pub files: Counter,
    /// Nanoseconds inside reads of the card.
    pub read_ns: Counter,
    /// Reads that nothing can have prepared while the reader waited.
    pub clean: TimedBytes,
    /// What all reads say of the card's rate at least.
    pub least: TimedBytes,
    /// The reader is waiting for a slower stage at this moment.
    pub waiting: AtomicBool,
    /// Nanoseconds of hashing what was read.
    pub hash_ns: Counter,
    /// Nanoseconds in which the reader waited for each further hash.
    pub also_waited_ns: Vec<(Also, Counter)>,
    /// All that will be read has been read.
    pub card_done: AtomicBool,
    /// The card was found to be gone, and that was told.
    pub card_gone: AtomicBool,
    /// Those of each destination, in the order of the plan.
    pub destinations: Vec<DestinationMeter>,
}

impl Meter {
    /// Makes counters for so many destinations and these further hashes.
    pub fn new(destinations: usize, also: AlsoSet) -> Self {
        Self {
            read: NetBytes::default(),
            files: Counter::default(),
            read_ns: Counter::default(),
            clean: TimedBytes::default(),
            least: TimedBytes::default(),
            waiting: AtomicBool::new(false),
            hash_ns: Counter::default(),
            also_waited_ns: also.iter().map(|a| (a, Counter::default())).collect(),
            card_done: AtomicBool::new(false),
            card_gone: AtomicBool::new(false),
            destinations: (0..destinations)
                .map(|_| DestinationMeter::default())
                .collect(),
        }
    }
}
