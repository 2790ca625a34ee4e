//! Owns the second read of the card (`--proof reread`): the card's pages are dropped from memory,
//! every file is read again and its hash compared with that of the first read. It is the only
//! check that can show a bit which the reader or the cable flipped.

use super::context::Context;
use super::outcome::Offloaded;
use crate::disk::hash_file::hash_whole;
use crate::error::{Cause, Problem, ProblemKind, Step, failed};
use crate::event::{Event, Observer};
use crate::speed::forecast::{Amount, Forecast, Stage};
use std::io;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Reads every file a second time and adds what differs to the problems. Returns whether every
/// file was read again past the cache and found equal.
pub fn reread(context: &Context, offloaded: &mut Offloaded, observer: &mut dyn Observer) -> bool {
    let start = context.clock.elapsed();
    let mut progress = RereadProgress::new(context, offloaded.read_rate);
    let all_equal = compare(context, offloaded, &mut progress, observer);
    progress.report_progress(context.clock.elapsed(), observer);
    offloaded.read_again = context.clock.elapsed().saturating_sub(start);
    all_equal
}

fn compare(
    context: &Context,
    offloaded: &mut Offloaded,
    progress: &mut RereadProgress,
    observer: &mut dyn Observer,
) -> bool {
    let mut all_equal = true;
    for (job, at) in context.plan.jobs.iter().zip(0..) {
        let Some(first) = offloaded.files.get(at).and_then(|f| f.blake3) else {
            // It was not read the first time either, and is not waited for.
            progress.total = progress.total.saturating_sub(job.bytes);
            all_equal = false;
            continue;
        };
        let problem = match hash_again(context, at, progress, observer) {
            // Stopped in the middle of a file, about which nothing can be said then.
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {
                offloaded.interrupted = true;
                return false;
            }
            Ok((again, true)) if again == first => None,
            Ok((again, _)) if again != first && job.is_left() => Some(Problem::new(
                ProblemKind::ChangedOnCard,
                "the card's bytes are not those that the earlier offload read, though path, size \
                and date are the same; it was not copied",
            )),
            Ok((again, _)) if again != first => Some(Problem::new(
                ProblemKind::Mismatch,
                "the card delivered other bytes on the second read; the reader, its cable or the \
                 card \
                cannot be trusted",
            )),
            Ok(_) => Some(Problem::new(
                ProblemKind::NotReadBack,
                "the second read of the card may have been answered from memory",
            )),
            Err(e) => {
                let why = format!("{} a second time", failed(Step::Read, &e));
                let problem = Problem::new(ProblemKind::Unreadable, why);
                Some(problem.because(Cause::of(&e)))
            }
        };
        if let Some(problem) = problem {
            all_equal = false;
            let problem = problem.at(job.name.as_str());
            observer.event(&Event::Problem(problem.clone()));
            offloaded.problems.push(problem);
        }
    }
    all_equal
}

/// How often the second read tells how far it is.
const EVERY: Duration = Duration::from_millis(250);

/// How far the second read is.
struct RereadProgress {
    done: Amount,
    total: u64,
    start: Duration,
    next: Duration,
    forecast: Forecast,
}

impl RereadProgress {
    fn new(context: &Context, measured: Option<f64>) -> Self {
        let now = context.clock.elapsed();
        Self {
            done: Amount::default(),
            total: context.plan.jobs.iter().map(|j| j.bytes).sum(),
            start: now,
            next: now + EVERY,
            forecast: context
                .plan
                .forecast_of_read_again(measured.map(|rate| rate / 1e6)),
        }
    }

    fn look(&mut self, now: Duration, observer: &mut dyn Observer) {
        if now < self.next {
            return;
        }
        self.next = now + EVERY;
        self.report_progress(now, observer);
    }

    fn report_progress(&mut self, now: Duration, observer: &mut dyn Observer) {
        let at = now.saturating_sub(self.start);
        self.forecast.observe(at, Stage::Copy, self.done);
        let left = self.forecast.remaining();
        observer.event(&Event::ReadAgain(self.done.bytes, self.total, left));
    }
}

/// `Interrupted`: the job stops.
fn hash_again(
    context: &Context,
    at: usize,
    progress: &mut RereadProgress,
    observer: &mut dyn Observer,
) -> io::Result<(crate::digest::Digest, bool)> {
    let Some(job) = context.plan.jobs.get(at) else {
        return Err(io::ErrorKind::NotFound.into());
    };
    let mut source = context
        .disk
        .open_read_back(&job.name.under(&context.plan.card.given))?;
    let mut go_on = |n| {
        progress.done.bytes += n;
        progress.look(context.clock.elapsed(), observer);
        !context.cancel.load(Ordering::Relaxed)
    };
    let whole = hash_whole(source.as_mut(), job.bytes, &mut go_on)?;
    progress.done.files += 1;
    match whole {
        Some((digest, _)) => Ok((digest, source.way().reaches_device())),
        None => Err(io::ErrorKind::Interrupted.into()),
    }
}
