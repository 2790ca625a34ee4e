//! Owns jobs that wait and run: which is begun when, how many run at the same time, the stop of one
//! or of all, and that several observers are shown one job's events. What a job does, and what is
//! told of it, is the caller's.

use crate::event::{Event, Observer};
use crate::plan::concurrent::{AT_ONCE_MAX, Order};
use std::fmt;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use tracing::debug_span;

/// Jobs, counted from 0, that wait for their turn.
#[derive(Debug)]
pub struct JobQueue {
    chains: Vec<Vec<usize>>,
    /// Set to stop a job; of jobs that share one, all stop together.
    stops: Vec<Arc<AtomicBool>>,
}

impl JobQueue {
    /// Makes a queue of as many jobs as there are `stops`: each is what its job looks at to see
    /// whether it is to stop (`Tools::cancel`).
    pub fn new(order: &Order, stops: Vec<Arc<AtomicBool>>) -> Self {
        let chains = order.chains.clone();
        Self { chains, stops }
    }

    /// Runs every job, one of each chain at a time and [`AT_ONCE_MAX`] at most, and returns what
    /// each came to, by its number; `None` for one that was stopped before its turn. The caller's
    /// thread works too, so that a single chain runs in it.
    pub fn run<E: Send>(&self, job: impl Fn(usize) -> E + Sync) -> Vec<Option<E>> {
        let ends: Vec<Mutex<Option<E>>> = self.stops.iter().map(|_| Mutex::default()).collect();
        let next = AtomicUsize::new(0);
        let work = || {
            while let Some(chain) = self.chains.get(next.fetch_add(1, Ordering::SeqCst)) {
                for &index in chain {
                    if self.is_stopped(index) {
                        continue;
                    }
                    let span = debug_span!("job", number = index + 1);
                    let end = span.in_scope(|| job(index));
                    if let Some(Ok(mut place)) = ends.get(index).map(Mutex::lock) {
                        *place = Some(end);
                    }
                }
            }
        };
        std::thread::scope(|scope| {
            for _ in 1..self.chains.len().min(AT_ONCE_MAX) {
                let further = std::thread::Builder::new().name("job".into());
                // One that cannot be started leaves its jobs to the others.
                if further.spawn_scoped(scope, work).is_err() {}
            }
            work();
        });
        let ends = ends.into_iter().map(Mutex::into_inner);
        ends.map(|end| end.unwrap_or_else(PoisonError::into_inner))
            .collect()
    }

    /// Asks a job to stop, or not to begin.
    pub fn stop(&self, index: usize) {
        if let Some(stop) = self.stops.get(index) {
            stop.store(true, Ordering::SeqCst);
        }
    }

    /// Asks every job to stop, or not to begin.
    pub fn stop_all(&self) {
        for index in 0..self.stops.len() {
            self.stop(index);
        }
    }

    fn is_stopped(&self, index: usize) -> bool {
        let stop = self.stops.get(index);
        stop.is_none_or(|stop| stop.load(Ordering::SeqCst))
    }
}

/// Several observers of one job, shown each event in turn. An event lasts no longer than the call:
/// one who tells somebody slow of it keeps what is to be told, within bounds, and returns at once.
#[derive(Default)]
pub struct Observers<'a>(Vec<Box<dyn Observer + 'a>>);

impl<'a> Observers<'a> {
    /// Shows this observer every event from now on, after those who look on already.
    pub fn add(&mut self, observer: impl Observer + 'a) {
        self.0.push(Box::new(observer));
    }
}

impl fmt::Debug for Observers<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Observers").field(&self.0.len()).finish()
    }
}

impl Observer for Observers<'_> {
    fn event(&mut self, event: &Event<'_>) {
        for observer in &mut self.0 {
            observer.event(event);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn queue(chains: &[&[usize]]) -> JobQueue {
        let order = Order {
            chains: chains.iter().map(|chain| chain.to_vec()).collect(),
            why: String::new(),
        };
        let jobs = order.chains.iter().flatten();
        let stops = jobs.map(|_| Arc::default()).collect();
        JobQueue::new(&order, stops)
    }

    #[test]
    fn a_chain_goes_in_its_order_and_each_end_is_its_jobs() {
        let log = Mutex::new(Vec::new());
        let note = |what: &'static str, job| log.lock().unwrap().push((what, job));
        let ends = queue(&[&[2, 0], &[3, 1]]).run(|job| {
            note("begins", job);
            note("ends", job);
            job * 10
        });
        assert_eq!(ends, [Some(0), Some(10), Some(20), Some(30)]);
        let log = log.into_inner().unwrap();
        let at = |what, job| log.iter().position(|e| *e == (what, job));
        assert!(at("ends", 2) < at("begins", 0), "{log:?}");
        assert!(at("ends", 3) < at("begins", 1), "{log:?}");
    }

    #[test]
    fn chains_run_at_the_same_time_and_a_few_at_most() {
        let chains: Vec<[usize; 1]> = (0..3 * AT_ONCE_MAX).map(|job| [job]).collect();
        let chains: Vec<&[usize]> = chains.iter().map(<[usize; 1]>::as_slice).collect();
        let (running, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
        // The first jobs wait until as many run as may.
        let all_in = std::sync::Barrier::new(AT_ONCE_MAX);
        let ends = queue(&chains).run(|_| {
            let now = running.fetch_add(1, Ordering::SeqCst) + 1;
            most.fetch_max(now, Ordering::SeqCst);
            all_in.wait();
            running.fetch_sub(1, Ordering::SeqCst);
        });
        assert!(ends.iter().all(Option::is_some));
        assert_eq!(most.into_inner(), AT_ONCE_MAX);
    }

    #[test]
    fn one_job_is_stopped_or_all_are() {
        let chain = queue(&[&[0, 1, 2]]);
        let ends = chain.run(|job| {
            chain.stop(1);
            job
        });
        assert_eq!(ends, [Some(0), None, Some(2)]);
        let chain = queue(&[&[0, 1, 2]]);
        let ends = chain.run(|job| {
            chain.stop_all();
            // A running one sees it too.
            (job, chain.is_stopped(job))
        });
        assert_eq!(ends, [Some((0, true)), None, None]);
    }

    #[test]
    fn every_observer_is_shown_every_event() {
        struct Count<'a>(&'a AtomicUsize);
        impl Observer for Count<'_> {
            fn event(&mut self, _event: &Event<'_>) {
                self.0.fetch_add(1, Ordering::SeqCst);
            }
        }
        let seen = [AtomicUsize::new(0), AtomicUsize::new(0)];
        let mut observers = Observers::default();
        for seen in &seen {
            observers.add(Count(seen));
        }
        observers.event(&Event::CardRead);
        observers.event(&Event::Ended);
        drop(observers);
        assert_eq!(seen.map(AtomicUsize::into_inner), [2, 2]);
    }
}
