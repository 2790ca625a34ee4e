//! Owns every bound of an offload in one place, so that memory, queues and retries can be reckoned
//! before anything runs.

use std::time::Duration;

/// Bounds of one offload.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Limits {
    /// Size of one buffer in bytes; a multiple of 4,096.
    pub chunk_bytes: usize,
    /// Buffers between the card and all destinations.
    pub chunks: usize,
    /// Buffers more, while a drive is so slow that the card's own rate shows only in a long row of
    /// reads.
    pub chunks_reserve: usize,
    /// The source's hash so far is noted at every multiple of this many bytes; a multiple of
    /// `chunk_bytes`.
    pub mark_bytes: u64,
    /// A large file is made durable and read back in stripes of this many bytes; a multiple of
    /// `mark_bytes`.
    pub stripe_bytes: u64,
    /// The same on a spinning disk, where each turn between writing and reading costs a seek.
    pub stripe_bytes_spinning: u64,
    /// Files up to this size are written through the page cache.
    pub small_bytes: u64,
    /// Files up to this size share a buffer with their neighbours on the way to the destinations.
    pub shared_bytes: u64,
    /// Files in one shared buffer.
    pub shared_files: usize,
    /// Size of one read when a file of at most one stripe is read back; every worker has a buffer
    /// of it.
    pub check_bytes: usize,
    /// Workers that flush and read back files of up to one stripe, per destination.
    pub workers: usize,
    /// Messages that may wait between two stages.
    pub queue: usize,
    /// Files that may wait for a worker, per destination. Each is open: many at once share one
    /// commit of the drive's journal.
    pub queue_finish: usize,
    /// Size of one read in the second, careful pass over unreadable files.
    pub careful_bytes: usize,
    /// Times one spot is tried again in the careful pass.
    pub retries: u32,
    /// Times any spot is tried again in one offload.
    pub retries_total: u32,
    /// Wait before a spot is tried again.
    pub retry_pause: Duration,
    /// Unreadable files in a row after which the card itself is looked at.
    pub failures_in_a_row: u32,
    /// Problems that are told one by one; more are counted.
    pub problems_max: usize,
    /// How long an interrupted job waits for a stage that does not answer.
    pub stop_patience: Duration,
}

impl Limits {
    /// The bounds used outside tests: 16 MiB of buffers, 32 MiB when a drive is slow, and at most
    /// 64 MiB in all for two destinations.
    pub const STANDARD: Self = Self {
        chunk_bytes: 2 << 20,
        chunks: 8,
        chunks_reserve: 8,
        mark_bytes: 8 << 20,
        stripe_bytes: 64 << 20,
        stripe_bytes_spinning: 256 << 20,
        small_bytes: 1 << 20,
        shared_bytes: 256 << 10,
        shared_files: 64,
        check_bytes: 512 << 10,
        workers: 8,
        queue: 64,
        queue_finish: 128,
        careful_bytes: 64 << 10,
        retries: 2,
        retries_total: 60,
        retry_pause: Duration::from_millis(250),
        failures_in_a_row: 4,
        problems_max: 2_000,
        stop_patience: Duration::from_millis(1_500),
    };
}

const _: () = {
    let l = Limits::STANDARD;
    assert!(l.chunk_bytes.is_multiple_of(crate::disk::buffer::ALIGN));
    assert!(l.shared_bytes <= l.small_bytes);
    assert!(l.check_bytes.is_multiple_of(crate::disk::buffer::ALIGN));
    assert!(l.careful_bytes.is_multiple_of(crate::disk::buffer::ALIGN));
    assert!(l.mark_bytes.is_multiple_of(2 << 20) && l.stripe_bytes.is_multiple_of(l.mark_bytes));
    assert!(l.stripe_bytes_spinning.is_multiple_of(l.mark_bytes));
};
