//! Owns one file on its way: what the hasher knows of the bytes read from the card, for the
//! verifiers of all destinations to compare with.

use crate::digest::Digest;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// What is known of the source so far.
#[derive(Debug, Default)]
struct Known {
    /// Hash of everything up to each mark.
    marks: Vec<(u64, Digest)>,
    /// Hash of the whole file, or `Err` when it was given up.
    whole: Option<Result<Digest, GivenUp>>,
}

/// The file was not read whole: unreadable, changed, or the job was stopped.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct GivenUp;

/// One file between the card and its copies.
#[derive(Debug)]
pub struct InFlight {
    /// Its place among the plan's jobs.
    pub job: usize,
    known: Mutex<Known>,
    news: Condvar,
    /// Nanoseconds inside reads of this file.
    pub read_ns: AtomicU64,
    /// No byte other than zero was met.
    pub only_zeros: AtomicBool,
}

impl InFlight {
    /// A file of which nothing has been read yet.
    pub fn new(job: usize) -> Self {
        Self {
            job,
            known: Mutex::default(),
            news: Condvar::new(),
            read_ns: AtomicU64::new(0),
            only_zeros: AtomicBool::new(true),
        }
    }

    fn lock(&self) -> MutexGuard<'_, Known> {
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

    /// Waits until the hash up to `offset` is known. `Err` when the file was given up or `stop` is
    /// set.
    pub fn wait_mark(&self, offset: u64, stop: &AtomicBool) -> Result<Digest, GivenUp> {
        self.wait(stop, |known| {
            let at = known.marks.binary_search_by_key(&offset, |m| m.0).ok()?;
            known.marks.get(at).map(|m| m.1)
        })
    }

    /// Waits until the hash of the whole file is known.
    pub fn wait_whole(&self, stop: &AtomicBool) -> Result<Digest, GivenUp> {
        self.wait(stop, |known| known.whole?.ok())
    }

    fn wait(
        &self,
        stop: &AtomicBool,
        look: impl Fn(&Known) -> Option<Digest>,
    ) -> Result<Digest, GivenUp> {
        let mut known = self.lock();
        loop {
            if let Some(digest) = look(&known) {
                return Ok(digest);
            }
            if known.whole.is_some() || stop.load(Ordering::Relaxed) {
                return Err(GivenUp);
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
