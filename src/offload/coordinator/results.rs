//! Owns the answer as it grows: what became of each file and each destination, and every problem in
//! the order it was met. It takes what the stages return, and tells the observer of it.

use crate::disk::ReadBackWay;
use crate::error::{Problem, ProblemKind};
use crate::event::{Event, Observer};
use crate::inspect::look::CardLook;
use crate::name::shown;
use crate::offload::context::Context;
use crate::offload::message::{Proven, Rechecked, Report};
use crate::offload::outcome::{CopyState, DestinationOutcome, FileOutcome};
use crate::plan::Plan;
use crate::record::layout::Level;
use crate::units::len64;
use std::collections::HashSet;
use std::sync::Arc;
use tracing::debug;

/// What is known of every file, destination and problem.
pub(super) struct Results {
    plan: Arc<Plan>,
    problems_max: usize,
    /// One per job of the plan.
    pub(super) files: Vec<FileOutcome>,
    /// What became of each destination so far.
    pub(super) destinations: Vec<DestinationOutcome>,
    problems: Vec<Problem>,
    /// Problems that are counted only.
    unlisted: u64,
    /// Files of which it was told that a record says something else.
    doubted: HashSet<usize>,
    /// What was seen of files of earlier runs while they were read back again.
    pub(super) look: CardLook,
    /// Files of an original that are what its manifest says.
    pub(super) original_equal: u64,
    /// The least reliable way in which one of them was read.
    pub(super) original_way: Option<ReadBackWay>,
}

impl Results {
    /// What earlier runs left is known from the start.
    pub(super) fn new(context: &Context) -> Self {
        let plan = &context.plan;
        let destinations = 0..plan.destinations.len();
        Self {
            files: plan.jobs.iter().map(FileOutcome::at_start).collect(),
            destinations: destinations
                .map(|d| DestinationOutcome::at_start(plan, d))
                .collect(),
            problems: Vec::new(),
            unlisted: 0,
            doubted: HashSet::new(),
            look: CardLook::default(),
            original_equal: 0,
            original_way: None,
            problems_max: context.limits.problems_max,
            plan: Arc::clone(plan),
        }
    }

    /// Takes what a stage returned.
    pub(super) fn take(&mut self, report: Report, observer: &mut dyn Observer) {
        match report {
            Report::Proven(proven) => self.proven(&proven, observer),
            Report::Rechecked(copy) => self.rechecked(copy),
            Report::Original(job, is_equal, way) => self.original(job, is_equal, way, observer),
            Report::KeptLost(destination, job, problem) => {
                self.files[job].copies[destination] = CopyState::None;
                self.problem(problem, observer);
            }
            Report::Problem(problem) => self.problem(problem, observer),
            Report::DestinationFailed(index, mut problem) => {
                self.destinations[index].failed = true;
                let last = self.destinations[index].last_file.as_deref();
                let good = last.map_or("no file was finished on it in this copy".to_owned(), |f| {
                    format!("the last good file on it is `{f}`")
                });
                problem.detail = format!("{}; this drive failed, {good}", problem.detail);
                self.report_problem(problem, observer);
            }
            Report::DateRefused(index) => self.destinations[index].dates_refused += 1,
            // An original is no card that could leave a reader.
            Report::CardRead if self.plan.to_read().0 == 0 || self.plan.original().is_some() => {}
            Report::CardRead => observer.event(&Event::CardRead),
        }
    }

    fn proven(&mut self, proven: &Proven, observer: &mut dyn Observer) {
        let Some(job) = self.plan.jobs.get(proven.job) else {
            return;
        };
        let path = job.name.as_str().to_owned();
        let bytes = job.bytes;
        let file = &mut self.files[proven.job];
        if file.blake3.is_some_and(|known| known != proven.digest) {
            // An earlier run kept other bytes under the same name, size and date.
            let detail = "its bytes are no longer those that an earlier copy read, though name, \
                size \
                and date are the same";
            return self.problem(
                Problem::new(ProblemKind::ChangedOnCard, detail).at(path),
                observer,
            );
        }
        file.blake3 = Some(proven.digest);
        file.also = proven.also.clone();
        file.read_s = proven.read_s;
        file.only_zeros = proven.only_zeros && bytes > 0;
        let is_read_back = proven.level != Level::Written && proven.way.reaches_device();
        file.sights[proven.destination] = proven.sight;
        file.copies[proven.destination] = if is_read_back {
            CopyState::ReadBack(proven.readback_s)
        } else {
            CopyState::Written
        };
        let destination = &mut self.destinations[proven.destination];
        let way = destination.way.map_or(proven.way, |w| w.min(proven.way));
        if destination.way.replace(way) != Some(way) {
            debug!(
                drive = proven.destination + 1,
                way = way.id(),
                "is read back"
            );
        }
        destination.last_file = Some(path.clone());
        let event = Event::File {
            path,
            bytes,
            blake3: proven.digest,
            destination: proven.destination,
            proof: proven.level,
            way: proven.way,
        };
        observer.event(&event);
        self.hold_against_records(proven, observer);
    }

    /// Tells a further hash that is not the one on record although BLAKE3 is: once for each file.
    fn hold_against_records(&mut self, proven: &Proven, observer: &mut dyn Observer) {
        let Some(said) = self.plan.said.get(&proven.job) else {
            return;
        };
        let mut same = said.iter().filter(|(blake3, _)| *blake3 == proven.digest);
        let wrong = same.find_map(|(_, also)| proven.also.conflict(also));
        let Some(also) = wrong.filter(|_| self.doubted.insert(proven.job)) else {
            return;
        };
        let detail = format!(
            "its BLAKE3 is the one that an earlier manifest has, its {also} is not: that manifest \
            is damaged, or this computer reckons wrongly"
        );
        let problem = Problem::new(ProblemKind::ManifestDamaged, detail);
        let job = self.plan.jobs.get(proven.job);
        let path = job.map(|job| job.name.as_str());
        let problem = path.into_iter().fold(problem, Problem::at);
        self.problem(problem, observer);
    }

    /// One that may have come from memory says no more than the record of the earlier run does.
    fn rechecked(&mut self, copy: Rechecked) {
        if let Some(seen) = copy.seen {
            self.look.add(copy.job, *seen);
        }
        if !copy.way.reaches_device() {
            return;
        }
        let file = &mut self.files[copy.job];
        file.sights[copy.destination] = Some(copy.sight);
        file.copies[copy.destination] = CopyState::Again(copy.readback_s);
        let destination = &mut self.destinations[copy.destination];
        destination.way = Some(destination.way.map_or(copy.way, |w| w.min(copy.way)));
    }

    fn original(
        &mut self,
        job: usize,
        is_equal: bool,
        way: ReadBackWay,
        observer: &mut dyn Observer,
    ) {
        if is_equal {
            self.original_equal += 1;
            self.original_way = Some(self.original_way.map_or(way, |w| w.min(way)));
            return;
        }
        let plan = Arc::clone(&self.plan);
        let (Some(job), Some(original)) = (plan.jobs.get(job), plan.original()) else {
            return;
        };
        let detail = format!(
            "its bytes in `{}` are not those that its manifest has, so it was not copied; {}",
            shown(original.root.as_str()),
            original.elsewhere_words()
        );
        let problem = Problem::new(ProblemKind::Mismatch, detail).at(job.name.as_str());
        self.problem(problem, observer);
    }

    /// Takes a problem; beyond the bound those of single files are only counted.
    pub(super) fn problem(&mut self, problem: Problem, observer: &mut dyn Observer) {
        if self.problems.len() >= self.problems_max && problem.path.is_some() {
            self.unlisted += 1;
            return;
        }
        self.report_problem(problem, observer);
    }

    fn report_problem(&mut self, problem: Problem, observer: &mut dyn Observer) {
        let path = problem.path.as_deref().map(shown);
        debug!(kind = problem.kind.id(), path, detail = %shown(&problem.detail), "problem");
        observer.event(&Event::Problem(problem.clone()));
        self.problems.push(problem);
    }

    /// Returns how many problems there are, those included that are counted only.
    pub(super) fn problems_count(&self) -> u64 {
        len64(self.problems.len()) + self.unlisted
    }

    /// Takes the problems out, with a last one for those that were counted only.
    pub(super) fn take_problems(&mut self) -> Vec<Problem> {
        let mut problems = std::mem::take(&mut self.problems);
        if self.unlisted > 0 {
            let detail = format!(
                "and {} more problems that are not listed one by one",
                self.unlisted
            );
            problems.push(Problem::new(ProblemKind::Unreadable, detail));
        }
        problems
    }
}
