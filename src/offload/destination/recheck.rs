//! Owns the fresh look at what earlier runs of an offload proved: every kept file is read back from
//! its device once more and compared with the hash on record. A journal line is true when it is
//! written; what a drive lost since, with its cache when its cable was pulled or by a rotten
//! sector, only another read shows. Nothing is changed.

use super::context::DestinationContext;
use crate::disk::hash_file::hash_whole_shown;
use crate::disk::{Sight, write_problem};
use crate::error::{Problem, ProblemKind, Step};
use crate::inspect::guarded::FileInspection;
use crate::offload::message::{Rechecked, Report};
use crate::plan::{FileJob, Work};
use crate::record::earlier_run::ProvenEntry;
use crate::record::layout::Level;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::Builder;

/// Files that are read at a time.
const READERS: usize = 4;

/// The kept files of a destination.
pub(super) struct Recheck {
    destination: Arc<DestinationContext>,
    /// The next job that nobody has taken yet.
    next: AtomicUsize,
}

/// A kept file is not what it was.
struct Lost(ProblemKind, &'static str);

const CHANGED: Lost = Lost(
    ProblemKind::Changed,
    "what is there is no longer what an earlier copy read back; nothing was changed there",
);
const MISSING: Lost = Lost(ProblemKind::Missing, "it is there no longer");

impl Recheck {
    /// `None` where no file of an earlier run is to be read back again.
    pub(super) fn new(destination: &Arc<DestinationContext>) -> Option<Self> {
        let keeps = |job: &FileJob| matches!(job.work.get(destination.index), Some(Work::Keep(_)));
        let context = &destination.context;
        let any = context.plan.terms.level != Level::Written && context.plan.jobs.iter().any(keeps);
        any.then(|| Self {
            destination: Arc::clone(destination),
            next: AtomicUsize::new(0),
        })
    }

    /// Reads every kept file back again, about in the order of the plan.
    pub(super) fn run(&self) {
        // A spinning disk would only go to and fro.
        let readers = if self.destination.is_spinning() {
            1
        } else {
            READERS
        };
        std::thread::scope(|scope| {
            for _ in 1..readers {
                let further = Builder::new().name("kept".into());
                // One that cannot be started leaves its share to the others.
                if further.spawn_scoped(scope, || self.read_all()).is_err() {}
            }
            self.read_all();
        });
    }

    fn read_all(&self) {
        while !self.destination.stops() {
            let at = self.next.fetch_add(1, Ordering::Relaxed);
            let Some(job) = self.destination.context.plan.jobs.get(at) else {
                return;
            };
            if let Some(Work::Keep(entry)) = job.work.get(self.destination.index) {
                self.read_again(at, job, entry);
            }
        }
    }

    fn read_again(&self, at: usize, job: &FileJob, entry: &ProvenEntry) {
        let destination = &self.destination;
        let report = match self.compare(at, job, entry) {
            Ok(Ok(rechecked)) => Report::Rechecked(rechecked),
            Ok(Err(Lost(kind, why))) => {
                let problem = Problem::new(kind, why).on(destination.index);
                Report::KeptLost(destination.index, at, problem.at(job.name.as_str()))
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => return,
            Err(e) => {
                let problem = write_problem(Step::ReadBack, &e);
                return destination.drop_out(problem.at(job.name.as_str()));
            }
        };
        destination.send(report);
    }

    /// `Interrupted`: the job stops.
    fn compare(
        &self,
        at: usize,
        job: &FileJob,
        entry: &ProvenEntry,
    ) -> io::Result<Result<Rechecked, Lost>> {
        let destination = &self.destination;
        let context = &destination.context;
        let path = job.name.under(destination.tree());
        let mut source = match context.disk.open_read_back(&path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Err(MISSING)),
            other => other?,
        };
        // Before it is read: what is written to it from then on shows later.
        let seen = source.stat()?;
        if seen.bytes != job.bytes {
            return Ok(Err(CHANGED));
        }
        let start = context.clock.elapsed();
        let mut go_on = |n| {
            destination.meter().kept_read.add(n);
            !destination.stops()
        };
        let begin = || FileInspection::begin(job.name.as_str(), job.bytes);
        let mut inspection = self.inspects(job).then(begin).flatten();
        let mut show = |bytes: &[u8]| {
            if let Some(inspection) = &mut inspection {
                inspection.feed(bytes);
            }
        };
        let hashed = hash_whole_shown(source.as_mut(), job.bytes, Some(&mut show), &mut go_on)?;
        let Some((digest, _)) = hashed else {
            return Err(io::ErrorKind::Interrupted.into());
        };
        if digest != entry.blake3 {
            return Ok(Err(CHANGED));
        }
        let took = context.clock.elapsed().saturating_sub(start);
        Ok(Ok(Rechecked {
            destination: destination.index,
            job: at,
            way: source.way(),
            sight: Sight::of(&seen, &destination.planned().facts.filesystem),
            readback_s: took.as_secs_f64(),
            seen: inspection.and_then(FileInspection::end).map(Box::new),
        }))
    }

    /// Whether this drive is the one whose copy is looked at: the first that keeps the file.
    fn inspects(&self, job: &FileJob) -> bool {
        let first = job.work.iter().position(|w| matches!(w, Work::Keep(_)));
        first == Some(self.destination.index)
    }
}
