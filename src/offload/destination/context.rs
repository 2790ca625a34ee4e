//! Owns what every thread of a destination shares: its place in the plan, its counters, the way in
//! which its problems are told, and the latch by which it is dropped once.

use crate::digest::Digest;
use crate::disk::{explained, write_problem};
use crate::error::{Problem, ProblemKind, Step, gone};
use crate::offload::context::Context;
use crate::offload::in_flight::InFlight;
use crate::offload::message::Report;
use crate::offload::meter::{Counter, DestinationMeter};
use crate::plan::{FileJob, PlannedDestination, Work};
use camino::Utf8Path;
use crossbeam_channel::Sender;
use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// One destination, as its threads see it.
#[derive(Debug)]
pub(super) struct DestinationContext {
    pub(super) index: usize,
    pub(super) context: Arc<Context>,
    pub(super) report: Sender<Report>,
}

impl DestinationContext {
    /// What the plan has for it.
    pub(super) fn planned(&self) -> &PlannedDestination {
        // One set of threads is started for each destination of the plan.
        &self.context.plan.destinations[self.index]
    }

    /// The folder of the card's tree.
    pub(super) fn tree(&self) -> &Utf8Path {
        &self.planned().payload
    }

    pub(super) fn meter(&self) -> &DestinationMeter {
        &self.context.meter.destinations[self.index]
    }

    pub(super) fn job(&self, file: &InFlight) -> &FileJob {
        &self.context.plan.jobs[file.job]
    }

    /// Returns whether anything is to be written or compared with the card here.
    pub(super) fn has_work(&self) -> bool {
        let works = |job: &FileJob| {
            let work = job.work.get(self.index);
            matches!(work, Some(Work::Copy | Work::Check))
        };
        self.context.plan.jobs.iter().any(works)
    }

    /// Returns whether each turn between writing and reading costs it a seek.
    pub(super) fn is_spinning(&self) -> bool {
        self.planned().facts.rotational == Some(true)
    }

    pub(super) fn is_out(&self) -> bool {
        self.meter().failed.load(Ordering::Relaxed)
    }

    /// Returns whether the job stops or the destination was dropped.
    pub(super) fn stops(&self) -> bool {
        self.is_out() || self.context.cancel.load(Ordering::Relaxed)
    }

    /// Drops the destination: told once, by whichever thread met it first.
    pub(super) fn drop_out(&self, problem: Problem) {
        if !self.meter().failed.swap(true, Ordering::SeqCst) {
            let problem = explained(self.context.disk.as_ref(), &self.planned().given, problem);
            self.send(Report::DestinationFailed(
                self.index,
                problem.on(self.index),
            ));
        }
    }

    /// Drops the destination over one file.
    pub(super) fn drop_out_on(&self, step: Step, file: &InFlight, cause: &io::Error) {
        self.drop_out(write_problem(step, cause).at(self.job(file).name.as_str()));
    }

    /// Whether the destination is still where it is said to be; told if not. What is written
    /// meanwhile goes to the drive that is held, wherever its name leads.
    pub(super) fn is_in_place(&self) -> bool {
        let looked = self.context.disk.check_in_place(&self.planned().given);
        looked.map_err(|e| self.drop_out(gone("drive", &e))).is_ok()
    }

    /// Sends a problem that costs this file only.
    pub(super) fn file_problem(&self, file: &InFlight, kind: ProblemKind, detail: String) {
        self.report_problem(file, Problem::new(kind, detail));
    }

    /// Whether a check found a file damaged here, of which an earlier run read what is on the card.
    pub(super) fn was_found_damaged(&self, file: &InFlight, card: Digest) -> bool {
        let found = &self.planned().found_damaged;
        found.get(self.job(file).name.as_str()) == Some(&card)
    }

    /// Sends a problem of this file to the coordinator.
    pub(super) fn report_problem(&self, file: &InFlight, problem: Problem) {
        let problem = problem.at(self.job(file).name.as_str());
        self.send(Report::Problem(problem.on(self.index)));
    }

    /// Removes a part file that gets no final name; told if it stays.
    pub(super) fn remove_part(&self, path: &Utf8Path) {
        match self.context.disk.remove_own(path) {
            Ok(()) => {}
            Err(e) if e.kind() == io::ErrorKind::NotFound || self.is_out() => {}
            Err(e) => {
                let detail = format!("an unfinished part file is still there, `{path}`: {e}");
                let problem = Problem::new(ProblemKind::WriteFailed, detail);
                self.send(Report::Problem(problem.on(self.index).harmless()));
            }
        }
    }

    pub(super) fn send(&self, report: Report) {
        // The coordinator is gone only when it has given this thread up.
        drop(self.report.send(report));
    }

    /// Does some work and adds the time that it took to a counter.
    pub(super) fn timed<T>(&self, sum: &Counter, work: impl FnOnce() -> T) -> T {
        let start = self.context.clock.elapsed();
        let result = work();
        sum.add_time(self.context.clock.elapsed().saturating_sub(start));
        result
    }
}
