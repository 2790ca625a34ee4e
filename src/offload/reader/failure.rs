//! Owns what is told of files that could not be read whole, and of a card that is gone.

use super::feed::Stopped;
use crate::error::{Cause, Problem, ProblemKind, Step, failed};
use crate::offload::context::Context;
use crate::offload::message::Report;
use crate::plan::FileJob;
use crate::units::{count, counted};
use crossbeam_channel::Sender;
use std::io;
use std::sync::Arc;

/// Why a file was not read whole.
pub(super) enum ReadFailure {
    /// The job stops, or no destination is left.
    Stopped,
    /// The system could not open or read it; the byte at which that was.
    Io(Step, io::Error, u64),
    /// It is not what was listed.
    Changed(String),
}

impl From<Stopped> for ReadFailure {
    fn from(Stopped: Stopped) -> Self {
        Self::Stopped
    }
}

/// The file ends at `at`, which is before its listed size.
pub(super) fn ended_early(at: u64, job: &FileJob) -> ReadFailure {
    let (at, of) = (count(at), counted(job.bytes, "byte"));
    ReadFailure::Changed(format!("ended after {at} of {of}"))
}

/// The reader's way to the coordinator.
pub(super) struct Reports {
    pub(super) context: Arc<Context>,
    pub(super) report: Sender<Report>,
}

impl Reports {
    /// Tells that a file can't be read, where its second try failed as well.
    pub(super) fn unreadable(&self, job: usize, step: Step, cause: &io::Error, offset: u64) {
        let is_card = self.context.plan.original().is_none();
        let kind = match cause.kind() {
            io::ErrorKind::NotFound if is_card => ProblemKind::Vanished,
            io::ErrorKind::NotFound => ProblemKind::Missing,
            _ => ProblemKind::Unreadable,
        };
        let place = if step == Step::Read {
            format!(" at byte {offset}")
        } else {
            String::new()
        };
        let detail = format!("{}{place}, also on a second try", failed(step, cause));
        self.problem(job, Problem::new(kind, detail).because(Cause::of(cause)));
    }

    /// Tells that a file is not what was listed.
    pub(super) fn changed(&self, job: usize, why: String) {
        let kind = match self.context.plan.original() {
            None => ProblemKind::ChangedOnCard,
            Some(_) => ProblemKind::Mismatch,
        };
        self.problem(job, Problem::new(kind, why));
    }

    /// Of an original it is said as well where else the file may be.
    fn problem(&self, job: usize, mut problem: Problem) {
        let plan = &self.context.plan;
        if let Some(original) = plan.original() {
            let elsewhere = original.elsewhere_words();
            problem.detail += &format!(", so it was not copied; {elsewhere}");
        }
        problem.path = plan.jobs.get(job).map(|j| j.name.as_str().to_owned());
        self.send(Report::Problem(problem));
    }

    /// Tells that the card is gone, unless somebody else has.
    pub(super) fn card_gone(&self, problem: Problem) {
        if self.context.note_card_gone() {
            self.send(Report::Problem(problem));
        }
    }

    pub(super) fn send(&self, report: Report) {
        // The coordinator is gone only when it has given this thread up.
        drop(self.report.send(report));
    }
}
