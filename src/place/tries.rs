//! Owns how many files are on their way at the same time, how often one is tried that fails for a
//! moment, and how long is waited in between.

use super::error::PlaceFault;
use super::outcome::SendFault;
use crate::clock::Clock;
use crate::digest::Digest;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// How often one file is tried, and how long is waited before it is tried again.
const TRIES: u32 = 3;
const TRY_AFTER: Duration = Duration::from_secs(2);

/// Files that are on their way at the same time. Each takes up to 14 MB in a bucket.
const AT_ONCE: usize = 2;

/// Does something with all files, several at the same time, until `stops` says so.
pub(super) fn several<T: Sync>(
    name: &str,
    files: &[T],
    stops: &(dyn Fn() -> bool + Sync),
    one: &(dyn Fn(&T) + Sync),
) {
    several_at(AT_ONCE, name, files, stops, one);
}

/// The same with so many at the same time.
pub(super) fn several_at<T: Sync>(
    at_once: usize,
    name: &str,
    files: &[T],
    stops: &(dyn Fn() -> bool + Sync),
    one: &(dyn Fn(&T) + Sync),
) {
    let next = AtomicUsize::new(0);
    let work = || {
        while let Some(file) = files.get(next.fetch_add(1, Ordering::Relaxed)) {
            if stops() {
                return;
            }
            one(file);
        }
    };
    std::thread::scope(|scope| {
        for n in 1..at_once {
            let thread = std::thread::Builder::new().name(format!("{name} {n}"));
            // Where no thread can be started this one does it all.
            drop(thread.spawn_scoped(scope, work));
        }
        work();
    });
}

/// Does something with a file; where the place is away for a moment, again.
pub(super) fn persist<T>(
    clock: &dyn Clock,
    stops: &dyn Fn() -> bool,
    path: &str,
    mut work: impl FnMut() -> Result<T, SendFault>,
) -> Result<T, SendFault> {
    let mut wait = TRY_AFTER;
    let mut tries = 1;
    loop {
        let done = work();
        let Err(SendFault::Place(e)) = &done else {
            return done;
        };
        if e.kind != PlaceFault::Away || tries == TRIES || stops() {
            return done;
        }
        tries += 1;
        let until = clock.elapsed() + jittered(wait, path);
        while !stops() && clock.elapsed() < until {
            clock.sleep(Duration::from_millis(50));
        }
        wait *= 4;
    }
}

/// A time that differs by up to a half from file to file, so that not all try again at once.
pub(super) fn jittered(time: Duration, path: &str) -> Duration {
    let part = u32::try_from(Digest::of(path.as_bytes()).short() % 512).unwrap_or(0);
    time + time * part / 1_024
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wait_has_bounds_and_differs() {
        let wait = |path| jittered(TRY_AFTER, path);
        let all = ["A", "B", "C", "D"].map(wait);
        assert!(
            all.iter()
                .all(|t| (TRY_AFTER..TRY_AFTER * 3 / 2).contains(t))
        );
        assert!(all.iter().any(|t| *t != all[0]), "{all:?}");
    }
}
