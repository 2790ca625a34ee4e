//! Owns how fast bytes may go, for all threads of a command together.

use crate::clock::Clock;
use crate::units::{float, seconds};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// The longest pause at a time, so that Ctrl-C is heard.
const PAUSE_MAX: Duration = Duration::from_millis(100);

/// Bytes a second while something else comes first: little beside a drive's own rate, and enough to
/// keep a connection from being closed.
const SLOW: f64 = 1_000_000.0;

/// A limit on a rate; without one nothing waits.
#[derive(Debug)]
pub struct RateLimit {
    bytes_per_s: Option<f64>,
    /// Whether something else comes first now.
    comes_second: Arc<AtomicBool>,
    /// When the bytes that were let through so far are due.
    due: Mutex<Duration>,
}

impl RateLimit {
    /// A limit in bytes a second.
    pub fn new(bytes_per_s: Option<f64>) -> Self {
        Self {
            bytes_per_s: bytes_per_s.filter(|rate| *rate > 0.0),
            comes_second: Arc::default(),
            due: Mutex::new(Duration::ZERO),
        }
    }

    /// No limit, but slow for as long as `comes_second` says that something else comes first.
    pub fn giving_way(comes_second: Arc<AtomicBool>) -> Self {
        Self {
            comes_second,
            ..Self::new(None)
        }
    }

    /// Whether nothing holds it back, nor did so far.
    pub fn is_free(&self) -> bool {
        self.bytes_per_s.is_none()
            && !self.comes_second.load(Ordering::Relaxed)
            && self.due.lock().is_ok_and(|due| due.is_zero())
    }

    fn rate(&self) -> Option<f64> {
        let is_slow = self.comes_second.load(Ordering::Relaxed);
        if is_slow {
            Some(SLOW)
        } else {
            self.bytes_per_s
        }
    }

    /// Waits until so many bytes more may go.
    pub fn wait(&self, bytes: u64, clock: &dyn Clock, cancel: &AtomicBool) {
        let Some(rate) = self.rate() else {
            return;
        };
        let until = {
            let mut due = self.due.lock().unwrap_or_else(PoisonError::into_inner);
            // What was not used before is not caught up on.
            let from = (*due).max(clock.elapsed());
            *due = from + seconds(float(bytes) / rate);
            *due
        };
        while !cancel.load(Ordering::Relaxed) {
            let rest = until.saturating_sub(clock.elapsed());
            if rest.is_zero() {
                return;
            }
            clock.sleep(rest.min(PAUSE_MAX));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::SystemClock;

    #[test]
    fn bytes_go_no_faster_than_the_limit_and_wait_for_nothing_without_one() {
        let clock = SystemClock::start();
        let cancel = AtomicBool::new(false);
        let pace = RateLimit::new(Some(1_000_000.0));
        for _ in 0..4 {
            pace.wait(50_000, &clock, &cancel);
        }
        assert!(clock.elapsed() >= Duration::from_millis(199));
        let comes_second = Arc::new(AtomicBool::new(true));
        let pace = RateLimit::giving_way(Arc::clone(&comes_second));
        let before = clock.elapsed();
        pace.wait(100_000, &clock, &cancel);
        assert!(clock.elapsed() >= before + Duration::from_millis(99));
        comes_second.store(false, Ordering::Relaxed);
        let before = clock.elapsed();
        pace.wait(u64::MAX, &clock, &cancel);
        RateLimit::new(None).wait(u64::MAX, &clock, &cancel);
        cancel.store(true, Ordering::Relaxed);
        pace.wait(1_000_000_000, &clock, &cancel);
        assert!(clock.elapsed() < before + Duration::from_secs(1));
    }
}
