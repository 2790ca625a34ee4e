//! Owns the fresh look at what earlier runs of an offload proved: every kept file is read back from
//! its device once more and compared with the hash on record. A journal line is true when it is
//! written; what a drive lost since, with its cache when its cable was pulled or by a rotten sector,
//! only another read shows. Nothing is changed.

use super::lane::Lane;
use super::message::{Kept, Report};
use crate::disk::hash_file::hash_whole;
use crate::disk::{ReadBackWay, Sight, Stat};
use crate::error::{Problem, ProblemKind, Step};
use crate::plan::{FileJob, Work};
use crate::record::earlier_run::ProvenEntry;
use crate::record::layout::Level;
use std::io;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// What a kept file was found to be.
enum Found {
    /// As it is on record; how it was read, how long that took, and what it was before: what is written to it from
    /// then on shows later.
    Equal(ReadBackWay, Duration, Stat),
    /// Something else stands there.
    Other,
    /// Nothing stands there.
    Gone,
}

impl Lane {
    /// Returns whether files of earlier runs are to be read back again here.
    pub(super) fn keeps_any(&self) -> bool {
        let keeps = |job: &FileJob| matches!(job.work.get(self.index), Some(Work::Keep(_)));
        self.context.level != Level::Written && self.context.plan.jobs.iter().any(keeps)
    }

    /// Returns whether anything is to be written or compared with the card here.
    pub(super) fn has_work(&self) -> bool {
        let works = |job: &FileJob| {
            let work = job.work.get(self.index);
            matches!(work, Some(Work::Copy | Work::Check))
        };
        self.context.plan.jobs.iter().any(works)
    }

    /// Reads every kept file back again, about in the order of the plan, by `threads` at a time; called
    /// where [`Self::keeps_any`].
    pub(super) fn look_again(&self, threads: usize) {
        let next = AtomicUsize::new(0);
        let read_all = || {
            while !self.stops() {
                let at = next.fetch_add(1, Ordering::Relaxed);
                let Some(job) = self.context.plan.jobs.get(at) else {
                    return;
                };
                if let Some(Work::Keep(entry)) = job.work.get(self.index) {
                    self.read_again(at, job, entry);
                }
            }
        };
        std::thread::scope(|scope| {
            for _ in 1..threads {
                let further = std::thread::Builder::new().name("kept".into());
                // One that cannot be started leaves its share to the others.
                if further.spawn_scoped(scope, read_all).is_err() {}
            }
            read_all();
        });
    }

    fn read_again(&self, at: usize, job: &FileJob, entry: &ProvenEntry) {
        let report = match self.read_kept(job, entry) {
            Ok(Found::Equal(way, time, seen)) => Report::Kept(Kept {
                destination: self.index,
                job: at,
                way,
                sight: Sight::of(&seen, &self.destination().facts.filesystem),
                readback_s: time.as_secs_f64(),
            }),
            Ok(Found::Other) => self.lost(
                at,
                ProblemKind::Changed,
                "what stands there is no longer what an earlier run read back; it was left as it is",
            ),
            Ok(Found::Gone) => self.lost(at, ProblemKind::Missing, "it stands there no longer"),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => return,
            Err(e) => return self.drop_out_on(Step::ReadBack, job, &e),
        };
        drop(self.report.send(report));
    }

    fn lost(&self, job: usize, kind: ProblemKind, why: &str) -> Report {
        let problem = Problem::new(kind, why).on(self.index);
        let path = self.context.plan.jobs.get(job).map(|j| j.name.as_str());
        let problem = path.into_iter().fold(problem, Problem::at);
        Report::KeptLost(self.index, job, problem)
    }

    /// `Interrupted`: the job stops.
    fn read_kept(&self, job: &FileJob, entry: &ProvenEntry) -> io::Result<Found> {
        let path = job.name.under(self.tree());
        let mut source = match self.context.disk.open_read_back(&path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Found::Gone),
            other => other?,
        };
        let seen = source.stat()?;
        if seen.bytes != job.bytes {
            return Ok(Found::Other);
        }
        let start = self.context.clock.elapsed();
        let mut go_on = |n| {
            self.meter().kept_read.add(n);
            !self.stops()
        };
        let Some((digest, _)) = hash_whole(source.as_mut(), job.bytes, &mut go_on)? else {
            return Err(io::ErrorKind::Interrupted.into());
        };
        if digest != entry.blake3 {
            return Ok(Found::Other);
        }
        let took = self.context.clock.elapsed().saturating_sub(start);
        Ok(Found::Equal(source.way(), took, seen))
    }
}
