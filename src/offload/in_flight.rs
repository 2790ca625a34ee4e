//! Owns one file on its way: what the hashers know of the bytes read from the card, for the
//! verifiers of all destinations to compare with.

use crate::digest::Digest;
use crate::disk::ReadBackWay;
use crate::hash_algorithm::{Also, AlsoHashes};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;

/// The hashes of what the card delivered, as far as they are known.
#[derive(Debug, Default)]
struct SourceHashes {
    /// Hash of everything up to each mark.
    marks: Vec<(u64, Digest)>,
    /// Hash of the whole file, or `Err` when it was given up.
    whole: Option<Result<Digest, GivenUp>>,
    /// Further hashes of the whole file.
    also: AlsoHashes,
}

/// The file was not read whole: unreadable, changed, or the job was stopped.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct GivenUp;

/// One file between the card and its copies.
#[derive(Debug)]
pub struct InFlight {
    /// Its place among the plan's jobs.
    pub job: usize,
    /// How many further hashes are being made.
    further: usize,
    known: Mutex<SourceHashes>,
    news: Condvar,
    /// Nanoseconds inside reads of this file.
    pub read_ns: AtomicU64,
    /// No byte other than zero was met.
    pub only_zeros: AtomicBool,
    way: OnceLock<ReadBackWay>,
}

impl InFlight {
    /// A file of which nothing has been read yet; `further` hashes are made beside BLAKE3.
    pub fn new(job: usize, further: usize) -> Self {
        Self {
            job,
            further,
            known: Mutex::default(),
            news: Condvar::new(),
            read_ns: AtomicU64::new(0),
            only_zeros: AtomicBool::new(true),
            way: OnceLock::new(),
        }
    }

    /// Notes how the file was read, when that is done.
    pub fn note_way(&self, way: ReadBackWay) {
        self.way.get_or_init(|| way);
    }

    /// Returns how it was read.
    pub fn way(&self) -> ReadBackWay {
        self.way.get().copied().unwrap_or(ReadBackWay::None)
    }

    fn lock(&self) -> MutexGuard<'_, SourceHashes> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Notes the hash of everything up to `offset`.
    pub fn mark(&self, offset: u64, digest: Digest) {
        self.lock().marks.push((offset, digest));
        self.news.notify_all();
    }

    /// Notes the hash of the whole file, or that there will be none.
    pub fn settle(&self, whole: Result<Digest, GivenUp>) {
        self.lock().whole.get_or_insert(whole);
        self.news.notify_all();
    }

    /// Notes a further hash of the whole file.
    pub fn settle_also(&self, also: Also, hex: &str) {
        self.lock().also.insert(also, hex);
        self.news.notify_all();
    }

    /// Returns the further hashes; all of them once [`Self::wait_whole`] has returned one.
    pub fn also(&self) -> AlsoHashes {
        self.lock().also.clone()
    }

    /// Waits until the hash up to `offset` is known. `Err` when the file was given up or `stop` is
    /// set.
    pub fn wait_mark(&self, offset: u64, stop: &AtomicBool) -> Result<Digest, GivenUp> {
        self.wait(stop, |known| {
            let at = known.marks.binary_search_by_key(&offset, |m| m.0);
            match at.ok().and_then(|at| known.marks.get(at)) {
                Some(mark) => Some(Ok(mark.1)),
                None => known.whole.map(|_| Err(GivenUp)),
            }
        })
    }

    /// Waits until every hash of the whole file is known, and returns BLAKE3.
    pub fn wait_whole(&self, stop: &AtomicBool) -> Result<Digest, GivenUp> {
        self.wait(stop, |known| {
            let is_all = known.also.len() == self.further;
            known.whole.filter(|whole| whole.is_err() || is_all)
        })
    }

    /// Waits until `answer` is there.
    fn wait(
        &self,
        stop: &AtomicBool,
        answer: impl Fn(&SourceHashes) -> Option<Result<Digest, GivenUp>>,
    ) -> Result<Digest, GivenUp> {
        let mut known = self.lock();
        loop {
            match answer(&known) {
                Some(answer) => return answer,
                None if stop.load(Ordering::Relaxed) => return Err(GivenUp),
                None => {}
            }
            // The time-out only bounds how long a stop goes unnoticed.
            known = self
                .news
                .wait_timeout(known, Duration::from_millis(100))
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }
}
