//! Owns the salvage of files with unreadable spots (`copy --salvage`), when all else is copied:
//! what can be read of them is kept beside their place, under another name, with a list of what
//! is missing. Such a file is never a copy, is in no manifest, and changes no verdict.
//!
//! Order as for every file: part file, write, durable, read back and compare, rename without
//! replacing, names durable; the list gets its name last.

mod blocks;
mod kept;

use super::context::Context;
use super::outcome::{CopyState, Offloaded};
use crate::clock::rfc3339;
use crate::disk::buffer::Pool;
use crate::disk::hash_file::hash_whole_shown;
use crate::disk::{PartFile, Source, write_problem};
use crate::error::{Problem, ProblemKind, Step, failed};
use crate::event::{Event, Observer};
use crate::name::CardName;
use crate::plan::{FileJob, PlannedDestination, Work};
use crate::record::layout::Layout;
use crate::record::salvage::{Hole, SalvageList, list_name, salvaged_name};
use crate::record::store::stage;
use crate::units::{counted, len_usize, len64, size};
use blocks::{BlockRead, LARGEST, read_around};
use kept::{Comparison, KeptStretches};
use std::io;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Time for one file, and for all of them.
const FILE_TIME: Duration = Duration::from_secs(10 * 60);
const ALL_TIME: Duration = Duration::from_secs(60 * 60);
/// How often it is told how far it is.
const EVERY: Duration = Duration::from_millis(340);
/// Bad blocks in a row after which the card itself is looked at.
const BAD_IN_A_ROW: u32 = 8;

/// Keeps what can be read of each file that has unreadable spots, and adds to its problem what came
/// of that.
pub fn salvage(context: &Context, offloaded: &mut Offloaded, observer: &mut dyn Observer) {
    let all = context.clock.elapsed() + ALL_TIME;
    for at in 0..offloaded.problems.len() {
        let Some(problem) = offloaded.problems.get(at) else {
            break;
        };
        if problem.kind != ProblemKind::Unreadable || problem.destination.is_some() {
            continue;
        }
        let jobs = &context.plan.jobs;
        let path = problem.path.as_deref();
        let Some(job) = jobs.iter().position(|job| Some(job.name.as_str()) == path) else {
            continue;
        };
        if context.must_stop() {
            break;
        }
        let words = Salvage::new(context, offloaded, job).map(|mut s| s.run(all, observer));
        if let (Some(words), Some(problem)) = (words, offloaded.problems.get_mut(at)) {
            let path = problem.path.as_deref().unwrap_or_default();
            observer.event(&Event::Salvaged(path, &words));
            problem.detail = format!("{}; {words}", problem.detail);
        }
    }
    offloaded.interrupted |= context.cancel.load(Ordering::Relaxed);
}

/// The salvage of one file.
struct Salvage<'a> {
    context: &'a Context,
    job: &'a FileJob,
    targets: Vec<Target<'a>>,
    kept: KeptStretches,
    pool: Pool,
}

/// A drive that it is kept on.
struct Target<'a> {
    destination: &'a PlannedDestination,
    name: CardName,
    list: CardName,
    part: Option<Box<dyn PartFile>>,
    /// Why it is not kept there.
    why_not: Option<String>,
}

impl<'a> Salvage<'a> {
    /// Begins, with the drives that should have had a copy.
    fn new(context: &'a Context, offloaded: &Offloaded, at: usize) -> Option<Self> {
        let job = context.plan.jobs.get(at)?;
        let salvaged = salvaged_name(job.name.file_name());
        let beside = |name: &str| {
            let path = match job.name.parent() {
                Some(folder) => format!("{folder}/{name}"),
                None => name.to_owned(),
            };
            CardName::parse(&path).ok()
        };
        let (name, list) = (beside(&salvaged)?, beside(&list_name(&salvaged))?);
        let copies = &offloaded.files.get(at)?.copies;
        let all = context.plan.destinations.iter().zip(&job.work).zip(copies);
        let wanted = all.enumerate().filter(|(index, ((_, work), copy))| {
            let is_out = offloaded.destinations.get(*index).is_none_or(|d| d.failed);
            !is_out && **work == Work::Copy && **copy == CopyState::None
        });
        let targets = wanted.map(|(_, ((destination, _), _))| Target {
            destination,
            name: name.clone(),
            list: list.clone(),
            part: None,
            why_not: None,
        });
        let targets: Vec<Target<'_>> = targets.collect();
        (!targets.is_empty()).then(|| Self {
            context,
            job,
            targets,
            kept: KeptStretches::default(),
            pool: Pool::new(1, 0, len_usize(LARGEST)),
        })
    }

    /// Does it all, and returns what came of it as part of a sentence.
    fn run(&mut self, all: Duration, observer: &mut dyn Observer) -> String {
        if self.context.plan.layout == Layout::Bag {
            return "nothing of it was salvaged: a bag holds whole files only".to_owned();
        }
        let disk = &self.context.disk;
        let source = match disk.open_card(&self.context.plan.path_of(self.job)) {
            Ok(source) => source,
            Err(e) => return format!("nothing of it was salvaged: {}", failed(Step::Open, &e)),
        };
        self.targets.iter_mut().for_each(|t| t.begin(self.context));
        let holes = self.read(source, all, observer);
        let is_stopped = self.context.cancel.load(Ordering::Relaxed);
        self.kept.sort();
        for target in &mut self.targets {
            let why = match (is_stopped, self.kept.is_empty()) {
                (true, _) => Some("it was stopped"),
                (false, true) => Some("nothing of it could be read"),
                (false, false) => None,
            };
            if target.why_not.is_none() {
                target.why_not = why.map(str::to_owned);
            }
            target.finish(self.context, self.job, &self.kept, &holes);
        }
        self.words(&holes)
    }

    fn words(&self, holes: &[Hole]) -> String {
        let kept = self.targets.iter().find(|t| t.why_not.is_none());
        let kept = kept.map(|t| {
            let missing = holes.iter().map(|hole| hole.bytes).sum();
            format!(
                "what could be read of it is beside it as `{}`, without {} in {}: no copy",
                t.name.file_name(),
                size(missing),
                counted(len64(holes.len()), "place"),
            )
        });
        let mut not: Vec<(&str, Vec<&str>)> = Vec::new();
        for target in &self.targets {
            let Some(why) = target.why_not.as_deref() else {
                continue;
            };
            let on = target.destination.given.as_str();
            match not.iter_mut().find(|(known, _)| *known == why) {
                Some((_, all)) => all.push(on),
                None => not.push((why, vec![on])),
            }
        }
        let not = not.into_iter().map(|(why, on)| {
            let on = on.join(" and ");
            format!("nothing of it was salvaged to {on} now: {why}")
        });
        kept.into_iter().chain(not).collect::<Vec<_>>().join("; ")
    }

    /// Reads what can be read, and writes it to the parts.
    fn read(
        &mut self,
        mut source: Box<dyn Source>,
        all: Duration,
        observer: &mut dyn Observer,
    ) -> Vec<Hole> {
        let (context, job) = (self.context, self.job);
        let clock = &context.clock;
        let until = all.min(clock.elapsed() + FILE_TIME);
        let (mut told, mut good, mut bad_in_a_row) = (Duration::ZERO, 0_u64, 0_u32);
        let path = job.name.as_str();
        read_around(job.bytes, &mut |at, length| {
            let now = clock.elapsed();
            if now >= told + EVERY {
                told = now;
                observer.event(&Event::Salvaging(path, good, job.bytes));
            }
            let is_wanted = self.targets.iter().any(|t| t.why_not.is_none());
            if !is_wanted || now >= until || context.must_stop() {
                return BlockRead::Enough;
            }
            match self.block(source.as_mut(), at, length) {
                Ok(0) => BlockRead::Enough,
                Ok(bytes) => {
                    (good, bad_in_a_row) = (good + bytes, 0);
                    BlockRead::Good(bytes)
                }
                Err(_) => {
                    bad_in_a_row += 1;
                    let looks = bad_in_a_row.is_multiple_of(BAD_IN_A_ROW);
                    if looks && context.card_is_there().is_err() {
                        return BlockRead::Enough;
                    }
                    // A card that fails is not hurried.
                    clock.sleep(context.limits.retry_pause);
                    BlockRead::Bad
                }
            }
        })
    }

    /// Reads a block and writes it to every part; what a drive refuses costs that drive's.
    fn block(&mut self, source: &mut dyn Source, at: u64, length: u64) -> io::Result<u64> {
        let Some(mut buffer) = self.pool.take(Duration::from_secs(1)) else {
            return Ok(0);
        };
        let into = buffer.all_mut();
        let most = len_usize(length).min(into.len());
        let read = source.read_at(&mut into[..most], at);
        let bytes = match read {
            Ok(bytes) if bytes > 0 => bytes,
            other => {
                self.pool.give_back(buffer);
                return other.map(len64);
            }
        };
        let chunk = self.pool.seal(buffer, bytes);
        self.kept.add(at, chunk.bytes());
        for target in &mut self.targets {
            let Some(part) = target.part.as_ref().filter(|_| target.why_not.is_none()) else {
                continue;
            };
            if let Err(e) = part.write_chunk(&chunk, at) {
                target.why_not = Some(failed(Step::Write, &e));
            }
        }
        Ok(len64(bytes))
    }
}

impl Target<'_> {
    /// Makes the part file, unless something has one of the names.
    fn begin(&mut self, context: &Context) {
        let root = &self.destination.payload;
        let is_taken = [&self.name, &self.list].into_iter().any(|name| {
            let looked = context.disk.look(&name.under(root));
            looked.is_ok_and(|stat| stat.is_some())
        });
        if is_taken {
            let name = self.name.file_name();
            self.why_not = Some(format!("`{name}` is there already, and is not changed"));
            return;
        }
        match context.disk.create_part(&self.name.part_under(root), false) {
            Ok(part) => self.part = Some(part),
            Err(e) => self.why_not = Some(failed(Step::Create, &e)),
        }
    }

    /// Makes it durable, compares it, and gives it its name.
    fn finish(&mut self, context: &Context, job: &FileJob, kept: &KeptStretches, holes: &[Hole]) {
        if self.why_not.is_none()
            && let Err(problem) = self.end(context, job, kept, holes)
        {
            self.why_not = Some(problem.detail);
        }
        if self.why_not.is_some() {
            self.give_up(context);
        }
    }

    fn end(
        &self,
        context: &Context,
        job: &FileJob,
        kept: &KeptStretches,
        holes: &[Hole],
    ) -> Result<(), Problem> {
        let (disk, root) = (context.disk.as_ref(), &self.destination.payload);
        let Some(part) = &self.part else {
            return Ok(());
        };
        let at = |step: Step| move |e: io::Error| write_problem(step, &e);
        self.fill_end(job.bytes, holes).map_err(at(Step::Write))?;
        part.finish(job.bytes, job.modified)
            .map_err(at(Step::SetDate))?;
        part.flush_all().map_err(at(Step::Flush))?;
        let path = self.name.part_under(root);
        let mut source = disk.open_read_back(&path).map_err(at(Step::ReadBack))?;
        let mut comparison = Comparison::new(kept);
        let mut go_on = |_| !context.cancel.load(Ordering::Relaxed);
        let mut show = |bytes: &[u8]| comparison.take(bytes);
        let read = hash_whole_shown(source.as_mut(), job.bytes, Some(&mut show), &mut go_on);
        let read = read.map_err(at(Step::ReadBack))?;
        let Some((digest, _)) = read.filter(|_| comparison.is_equal(job.bytes)) else {
            let why = "what the drive gave back differs from what was written";
            return Err(Problem::new(ProblemKind::Mismatch, why));
        };
        let way = source.way();
        drop(source);
        context.same_drive(self.destination)?;
        let made = rfc3339(context.clock.now());
        let (file, holes) = (job.name.as_str(), holes.to_vec());
        let list = SalvageList::new(file, job.bytes, digest, way, made, holes);
        let record = (self.list.as_str().to_owned(), list.to_json().into());
        stage(disk, root, &[record], job.modified)?;
        let names = [&self.name, &self.list];
        for name in names {
            let (from, to) = (name.part_under(root), name.under(root));
            disk.rename_new(&from, &to).map_err(at(Step::Publish))?;
        }
        let folder = self.name.parent();
        let folder = folder.map_or_else(|| root.clone(), |folder| root.join(folder));
        let paths = names.map(|name| name.under(root));
        disk.settle_in(&folder, &paths)
            .map_err(at(Step::FlushFolder))
    }

    /// Writes zeros where the file ends in a hole, so that it is as long as the card's.
    fn fill_end(&self, bytes: u64, holes: &[Hole]) -> io::Result<()> {
        let (Some(part), Some(last)) = (&self.part, holes.last()) else {
            return Ok(());
        };
        if last.end() < bytes {
            return Ok(());
        }
        let length = last.bytes.min(4_096);
        let mut pool = Pool::new(1, 0, 4_096);
        let Some(mut buffer) = pool.take(Duration::from_secs(1)) else {
            return Err(io::Error::other("no buffer was given back"));
        };
        buffer.all_mut().fill(0);
        part.write_chunk(&pool.seal(buffer, len_usize(length)), bytes - length)
    }

    /// Removes what was begun.
    fn give_up(&self, context: &Context) {
        if self.part.is_none() {
            return;
        }
        for name in [&self.name, &self.list] {
            // What is not there need not be removed; what can't be is told as a part by `verify`.
            drop(
                context
                    .disk
                    .remove_own(&name.part_under(&self.destination.payload)),
            );
        }
    }
}
