//! Owns what is shown while something is only read: offloads, a card, a measurement.

use crate::cli::view::out::Out;
use crossbeam_channel::{RecvTimeoutError, bounded};
use std::sync::atomic::Ordering;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use unlade::disk::progress::Progress;
use unlade::run::Tools;
use unlade::speed::forecast::{Remaining, words};
use unlade::units::{rate, size, speed};

/// Does something in a thread of its own while this one shows how far it is. Where no thread can be
/// started it is done here, unseen. `None` if it broke down.
pub(crate) fn watched<T: Send>(
    work: impl FnOnce() -> T + Send,
    mut show: impl FnMut(),
) -> Option<T> {
    let work = Mutex::new(Some(work));
    let run = || {
        let work = work.lock().unwrap_or_else(PoisonError::into_inner).take();
        work.map(|work| work())
    };
    std::thread::scope(|scope| {
        let (done, finished) = bounded(1);
        let worker = std::thread::Builder::new().name("work".into());
        // The receiver waits until this arrives.
        let Ok(worker) = worker.spawn_scoped(scope, move || drop(done.send(run()))) else {
            return run();
        };
        loop {
            match finished.recv_timeout(Duration::from_millis(250)) {
                Ok(result) => return result,
                Err(RecvTimeoutError::Timeout) => show(),
                Err(RecvTimeoutError::Disconnected) => {
                    // What it said when it broke down has been printed already.
                    drop(worker.join());
                    return None;
                }
            }
        }
    })
}

/// Says how long the rest takes at the rate so far; `None` while that says nothing.
pub(crate) fn left_words(done: u64, total: u64, took: Duration) -> Option<String> {
    let per_s = rate(done, took);
    (per_s > 0.0 && took > Duration::from_secs(2)).then(|| {
        let seconds = unlade::units::float(total.saturating_sub(done)) / per_s;
        let left = Remaining {
            low_s: seconds,
            likely_s: seconds,
            high_s: seconds,
        };
        format!("{} left", words(left))
    })
}

/// What is shown while something is read again: bytes, rate and time left.
pub(crate) struct ReadProgress<'a> {
    out: Out,
    tools: &'a Tools,
    start: Duration,
    next_plain: Duration,
    block: usize,
    decodes: bool,
    verb: &'static str,
}

impl<'a> ReadProgress<'a> {
    pub(crate) fn new(out: Out, tools: &'a Tools) -> Self {
        let start = tools.clock.elapsed();
        Self {
            out,
            tools,
            start,
            next_plain: start + Duration::from_secs(10),
            block: Out::new_block(),
            decodes: false,
            verb: "Reading",
        }
    }

    /// What is read is decoded as well, which counts its bytes a second time.
    pub(crate) fn decoding(mut self, decodes: bool) -> Self {
        self.decodes = decodes;
        self
    }

    /// What is read is sent somewhere, or comes from there.
    #[cfg(feature = "offsite")]
    pub(crate) fn saying(mut self, verb: &'static str) -> Self {
        self.verb = verb;
        self
    }

    pub(crate) fn show(&mut self, progress: &Progress) {
        let (total, done) = (
            progress.bytes_total.load(Ordering::Relaxed),
            progress.bytes.load(Ordering::Relaxed),
        );
        // Before a record was read there is nothing to say.
        if self.out.quiet || self.out.json || total == 0 {
            return;
        }
        let now = self.tools.clock.elapsed();
        let took = now.saturating_sub(self.start);
        let per_s = rate(done, took);
        let left = left_words(done, total, took);
        let left = left.map_or_else(String::new, |left| format!("   {left}"));
        let text = if self.decodes {
            let percent = u128::from(done) * 100 / u128::from(total);
            format!("Reading and decoding   {percent} %{left}")
        } else {
            let (done, total) = (size(done), size(total));
            format!("{} {done} of {total}   {}{left}", self.verb, speed(per_s))
        };
        if self.out.draws {
            self.out.draw(self.block, &[text]);
        } else if now >= self.next_plain {
            self.next_plain = now + Duration::from_secs(10);
            self.out.line(&text);
        }
    }

    pub(crate) fn clear(&self) {
        self.out.draw(self.block, &[]);
    }
}
