//! Owns the last looks at everything that a verdict is on: the drives, all at the same time, and
//! then the card. Where a file had to be read again meanwhile, all is looked at again: reading
//! takes its time, and what was seen before it may be gone.

use crate::card::listing::{Difference, Listing};
use crate::digest::Digest;
use crate::disk::hash_file::hash_whole;
use crate::disk::{Disk, EntryKind, Sight, Stat, TreeKind, explained, write_problem};
use crate::error::{Cause, Problem, ProblemKind, Step, failed};
use crate::existing::source::CardNow;
use crate::offload::{Context, CopyState, Offloaded};
use crate::plan::{FileJob, PlannedDestination, Work};
use crate::proof::Closing;
use crate::proof::tally::InPlace;
use camino::Utf8Path;
use jiff::Timestamp;
use std::collections::{BTreeMap, HashMap};
use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// In so many rounds of one look files are read again. What is touched after that is at work for
/// another program.
const READS_MAX: usize = 3;

/// The looks of one job.
pub(super) struct Looks<'a> {
    context: &'a Context,
    /// What is listed by: at the first look until the person wants to stop, later to the end.
    disk: Arc<dyn Disk>,
    started: Timestamp,
    reread_equal: bool,
    /// Files that were read again: what each looked like before, and whether it was as it had been
    /// read, or why that is not known.
    read: HashMap<RereadKey, (Sight, Result<bool, Problem>)>,
    may_read: bool,
    has_read: bool,
    /// Why a drive could not be looked at. It is not asked again: what fails once is not believed
    /// the next time.
    lost: HashMap<usize, Problem>,
    card: Option<ListingChange>,
    now: CardNow,
    last: Option<ClosingState>,
}

/// A drive (`None`: the card) and the place of a job in the plan.
type RereadKey = (Option<usize>, usize);

/// The card's listing where it is not what it was at the start, or why there is none.
type ListingChange = Result<Option<Listing>, Problem>;

/// What one look found.
#[derive(Clone, PartialEq, Debug)]
struct ClosingState {
    destinations: Vec<Result<InPlace, Problem>>,
    changed: Vec<Problem>,
    card: ListingChange,
}

/// What the file system says of every entry below one folder, by path.
type StatsByPath = HashMap<String, Stat>;

/// What stands on a drive below all that the verdict is on.
struct SeenDrive<'a> {
    own: StatsByPath,
    /// By the tree of an earlier offload.
    earlier: HashMap<&'a Utf8Path, StatsByPath>,
}

impl<'a> SeenDrive<'a> {
    fn see(
        context: &'a Context,
        disk: &dyn Disk,
        destination: &'a PlannedDestination,
    ) -> Result<Self, Problem> {
        context.same_drive(destination)?;
        // Then what is seen is what a pull leaves, also of what earlier runs left: names may well
        // be answered from memory.
        let (own, folder) = (context.disk.as_ref(), &destination.given);
        let settled = own.settle_in(folder, &[]);
        settled.map_err(|e| explained(own, folder, write_problem(Step::Flush, &e)))?;
        let seen = Self::walk(context, disk, destination)?;
        // Of a drive that is gone by now memory has answered.
        context.same_drive(destination).map(|()| seen)
    }

    fn walk(
        context: &'a Context,
        disk: &dyn Disk,
        destination: &'a PlannedDestination,
    ) -> Result<Self, Problem> {
        let own = if context.plan.has_nothing_new() {
            HashMap::new()
        } else {
            stats_below(disk, &destination.payload)?
        };
        let mut earlier = HashMap::new();
        for left_in in &destination.left_in {
            let tree = left_in.tree.as_path();
            // One that is gone counts as empty, and its files as missing.
            let is_there = context.disk.look(tree).map_or(true, |stat| stat.is_some());
            let stands = if is_there {
                stats_below(disk, tree).map_err(|p| p.at(left_in.within.clone()))?
            } else {
                HashMap::new()
            };
            earlier.insert(tree, stands);
        }
        Ok(Self { own, earlier })
    }
}

impl<'a> Looks<'a> {
    pub(super) fn new(context: &'a Context, started: Timestamp, reread_equal: bool) -> Self {
        Self {
            context,
            disk: Arc::new(context.to_look()),
            started,
            reread_equal,
            read: HashMap::new(),
            may_read: true,
            has_read: false,
            lost: HashMap::new(),
            card: None,
            now: CardNow::Unchanged,
            last: None,
        }
    }

    /// Looks for the first time. Someone may stop the job then: a look takes its time, and files
    /// may have to be read again.
    pub(super) fn first(&mut self, offloaded: &mut Offloaded) -> Closing {
        let mut seen = self.look(offloaded);
        if self.context.cancel.load(Ordering::Relaxed) {
            offloaded.interrupted = true;
            self.card = None;
            self.lost.clear();
            seen = self.look(offloaded);
        }
        self.disk = Arc::clone(&self.context.disk);
        self.last = Some(seen.clone());
        self.closing(seen)
    }

    /// Looks again; `None` where all is as it was at the last look. A card that was taken out
    /// meanwhile is as it was.
    pub(super) fn again(&mut self, offloaded: &Offloaded) -> Option<Closing> {
        let seen = self.look(offloaded);
        if self.last.as_ref() == Some(&seen) {
            return None;
        }
        self.last = Some(seen.clone());
        Some(self.closing(seen))
    }

    /// Returns where the card is now, as far as a look at its place tells, and what it was found to
    /// be before.
    pub(super) fn card_now(&self) -> CardNow {
        match self.now {
            CardNow::Unchanged => self.card_place(),
            now => now,
        }
    }

    fn card_place(&self) -> CardNow {
        self.context.plan.card.place(self.context.disk.as_ref())
    }

    fn closing(&self, seen: ClosingState) -> Closing {
        let stood = || self.context.plan.stood().clone();
        Closing {
            listing: seen.card.map(|listing| listing.unwrap_or_else(stood)),
            destinations: seen.destinations,
            changed: seen.changed,
            card_now: self.now,
            reread_equal: self.reread_equal,
            times: (self.started, self.context.clock.now()),
        }
    }

    /// Looks at everything until nothing had to be read in between.
    fn look(&mut self, offloaded: &Offloaded) -> ClosingState {
        let mut rounds = 0;
        loop {
            self.may_read = rounds < READS_MAX;
            self.has_read = false;
            let mut changed = Vec::new();
            let all = self.see_drives(offloaded).into_iter().enumerate();
            let destinations = all
                .map(|(index, seen)| {
                    if let Some(problem) = self.lost.get(&index) {
                        return Err(problem.clone());
                    }
                    let Some(seen) = seen else {
                        return Ok(InPlace::default());
                    };
                    let count = |seen| self.in_place(index, &seen, offloaded, &mut changed);
                    let looked = seen.and_then(count).map_err(|p| p.on(index));
                    looked.inspect_err(|p| drop(self.lost.insert(index, p.clone())))
                })
                .collect();
            self.look_at_card(offloaded);
            if !self.has_read || self.context.cancel.load(Ordering::Relaxed) {
                return ClosingState {
                    destinations,
                    changed,
                    card: self.card.clone().unwrap_or(Ok(None)),
                };
            }
            rounds += 1;
        }
    }

    // ---- the card -----------------------------------------------------------------------------

    /// Since nothing more had to be read from the card, it may have been taken, changed for
    /// another, or shot on. What is on another card is no matter; what it lost or got while it was
    /// there stays so.
    fn look_at_card(&mut self, offloaded: &Offloaded) {
        let context = self.context;
        self.now = self.card_place();
        let is_its_loss = |p: &Problem| {
            p.kind == ProblemKind::Vanished && p.path.is_none() && p.destination.is_none()
        };
        // The reader has said so already.
        if offloaded.interrupted || offloaded.problems.iter().any(is_its_loss) {
            return;
        }
        if self.is_source_gone() {
            return;
        }
        if self.card.is_none() {
            // Taken when all was read.
            let kept = context
                .closing_listing()
                .unwrap_or_else(|| context.list_again(self.disk.as_ref()));
            self.card = Some(kept.map(|listing| self.unless_unchanged(listing)));
            self.now = self.card_place();
        }
        let stood = context.plan.stood();
        let may_be_unchanged = match &self.card {
            Some(Ok(Some(then))) => self.losses(then) == stood.touched(then).len(),
            Some(Ok(None)) => true,
            Some(Err(_)) | None => false,
        };
        if !may_be_unchanged || self.now != CardNow::Unchanged {
            if self.now == CardNow::Unchanged {
                self.now = CardNow::Changed;
            }
            return;
        }
        let again = context
            .list_again(self.disk.as_ref())
            .and_then(|listing| self.without_equal(listing, offloaded))
            .map(|listing| self.unless_unchanged(listing));
        self.now = self.card_place();
        // Else it was taken while it was being looked at.
        if !self.is_source_gone() && self.now == CardNow::Unchanged {
            if !matches!(again, Ok(None)) {
                self.now = CardNow::Changed;
            }
            self.card = Some(again);
        }
    }

    /// Whether the offload that is copied further is no longer in its place: unlike a card it is
    /// one of the copies that are counted, and has to be there at the end.
    fn is_source_gone(&mut self) -> bool {
        let is_there = matches!(self.now, CardNow::Unchanged | CardNow::Changed);
        if is_there || self.context.plan.original().is_none() {
            return false;
        }
        let why = "the offload that is copied was no longer in its place at the end";
        self.card = Some(Err(Problem::new(ProblemKind::Vanished, why)));
        true
    }

    fn unless_unchanged(&self, listing: Listing) -> Option<Listing> {
        let is_unchanged = match self.context.plan.original() {
            None => self.context.plan.listing.is_unchanged(&listing),
            Some(_) => self.losses(&listing) == 0,
        };
        (!is_unchanged).then_some(listing)
    }

    /// Counts what is not the same in a later listing. What came to an offload that is copied
    /// further is no part of it.
    fn losses(&self, later: &Listing) -> usize {
        let plan = &self.context.plan;
        let all = plan.stood().differences(later, usize::MAX).into_iter();
        let counts = |d: &Difference| !matches!(d, Difference::New(_)) || plan.original().is_none();
        all.filter(counts).count()
    }

    /// Reads files again that were touched, and takes those for untouched that are as they were
    /// read.
    fn without_equal(
        &mut self,
        mut listing: Listing,
        offloaded: &Offloaded,
    ) -> Result<Listing, Problem> {
        let plan = &self.context.plan;
        let mut equal = BTreeMap::new();
        for (file, now) in plan.stood().touched(&listing) {
            let name = file.name;
            let at = plan.jobs.binary_search_by(|job| job.name.cmp(name));
            let job = at.ok().and_then(|at| Some((at, plan.jobs.get(at)?)));
            let is_equal = match job {
                // What does not belong to an offload, and is not copied further.
                None => plan.original().is_some(),
                Some((at, job)) => match offloaded.files.get(at).and_then(|f| f.blake3) {
                    // It was not read whole, which is told.
                    None => true,
                    Some(digest) => {
                        self.is_as_read((None, at), &plan.path_of(job), job, now, digest)?
                    }
                },
            };
            if is_equal {
                equal.insert(name.clone(), file.sight);
            }
        }
        if !equal.is_empty() {
            listing.forgive(&equal);
        }
        Ok(listing)
    }

    // ---- the drives ---------------------------------------------------------------------------

    /// Looks at all drives at the same time: each has its own waits. `None` of those that no
    /// verdict is on any more.
    fn see_drives(&self, offloaded: &Offloaded) -> Vec<Option<Result<SeenDrive<'a>, Problem>>> {
        let context = self.context;
        let see = |index: usize, destination| {
            let failed = offloaded.destinations.get(index).is_none_or(|d| d.failed);
            let is_looked_at = !failed && !offloaded.interrupted && !self.lost.contains_key(&index);
            is_looked_at.then(|| SeenDrive::see(context, self.disk.as_ref(), destination))
        };
        let drives: Vec<_> = context.plan.destinations.iter().enumerate().collect();
        let Some((&(_, first), others)) = drives.split_first() else {
            return Vec::new();
        };
        std::thread::scope(|scope| {
            let start = |&(index, destination): &(usize, &'a PlannedDestination)| {
                let further = std::thread::Builder::new().name("closing".into());
                further.spawn_scoped(scope, move || see(index, destination))
            };
            let begun: Vec<_> = others.iter().map(start).collect();
            let first = see(0, first);
            let others = begun.into_iter().zip(others);
            let others = others.map(|(begun, &(index, destination))| {
                let seen = begun.ok().and_then(|thread| thread.join().ok());
                // What a thread could not be had for, or broke down over, is left to this one.
                seen.unwrap_or_else(|| see(index, destination))
            });
            std::iter::once(first).chain(others).collect()
        })
    }

    fn in_place(
        &mut self,
        index: usize,
        seen: &SeenDrive<'_>,
        offloaded: &Offloaded,
        changed: &mut Vec<Problem>,
    ) -> Result<InPlace, Problem> {
        let plan = &self.context.plan;
        let SeenDrive { own, earlier } = seen;
        let mut counted = InPlace::default();
        let is_folder = |tree: &StatsByPath, path: &str| {
            tree.get(path).is_some_and(|s| s.kind == EntryKind::Folder)
        };
        for folder in plan.listing.folders() {
            let path = folder.as_str();
            let elsewhere = || earlier.values().any(|tree| is_folder(tree, path));
            if is_folder(own, path) || (plan.has_nothing_new() && elsewhere()) {
                counted.folders += 1;
            }
        }
        self.count_files(offloaded, index, (own, earlier), &mut counted)
            .map(|found| changed.extend(found))?;
        Ok(counted)
    }

    /// Counts the files that stand there as they were when they were read back, `own` below the
    /// offload and `earlier` below other trees. Returns those that others have changed since.
    fn count_files(
        &mut self,
        offloaded: &Offloaded,
        index: usize,
        (own, earlier): (&StatsByPath, &HashMap<&Utf8Path, StatsByPath>),
        counted: &mut InPlace,
    ) -> Result<Vec<Problem>, Problem> {
        let plan = &self.context.plan;
        let destination = &plan.destinations[index];
        let sight = |stat: &Stat| Sight::of(stat, &destination.facts.filesystem);
        let mut changed = Vec::new();
        for (at, (job, outcome)) in plan.jobs.iter().zip(&offloaded.files).enumerate() {
            let path = job.name.as_str();
            let (tree, stat, then) = if let Some(Work::Left(left)) = job.work.get(index) {
                // Nothing was read of it now, so it has to be just what it was when it was left.
                let tree = left.tree.as_path();
                let is_it = |s: &&Stat| {
                    (s.modified, s.device) == (left.stands.modified, left.stands.device)
                };
                let stat = earlier.get(tree).and_then(|e| e.get(path)).filter(is_it);
                (tree, stat, Some(sight(&left.stands)))
            } else {
                let then = outcome.sights.get(index).copied().flatten();
                (destination.payload.as_path(), own.get(path), then)
            };
            let is_right = |s: &&Stat| s.kind == EntryKind::File && s.bytes == job.bytes;
            let state = outcome.copies.get(index).copied();
            let state = state.unwrap_or(CopyState::None);
            let Some(now) = stat.filter(is_right).map(sight) else {
                counted.lost += u64::from(state != CopyState::None);
                continue;
            };
            // What nobody read back in this run counts by its manifest, if at all.
            let was_read =
                then.is_some() || matches!(state, CopyState::ReadBack(_) | CopyState::Again(_));
            let is_as_read = |looks: &mut Self, digest| {
                let at = (Some(index), at);
                looks.is_as_read(at, &job.name.under(tree), job, now, digest)
            };
            let is_equal = !was_read
                || then == Some(now)
                || match outcome.blake3 {
                    Some(digest) => is_as_read(self, digest)?,
                    None => false,
                };
            if is_equal {
                counted.files += 1;
                counted.bytes += job.bytes;
                continue;
            }
            counted.changed += 1;
            if changed.len() < self.context.limits.problems_max {
                let why = if self.may_read {
                    "another program has written to it or replaced it since it was read back"
                } else {
                    "another program touched it again and again while it was looked at for the \
                     last time"
                };
                let problem = Problem::new(ProblemKind::Changed, why);
                changed.push(problem.at(path).on(index));
            }
        }
        Ok(changed)
    }

    // ---- files that were touched --------------------------------------------------------------

    /// Whether a file that looks like `now`, and no longer as when it was read, holds what it held:
    /// a date or an owner may have become another, or its bytes. Reads it, unless it looked the
    /// same when it was read again before.
    fn is_as_read(
        &mut self,
        at: RereadKey,
        path: &Utf8Path,
        job: &FileJob,
        now: Sight,
        digest: Digest,
    ) -> Result<bool, Problem> {
        match self.read.get(&at) {
            Some((then, known)) if *then == now => return known.clone(),
            _ if !self.may_read => return Ok(false),
            _ => self.has_read = true,
        }
        let plan = &self.context.plan;
        let drive = at.0.and_then(|index| plan.destinations.get(index));
        let facts = drive.map_or(&plan.card.facts, |d| &d.facts);
        let (then, known) = match self.read_again(path, job.bytes, digest) {
            Ok(Some((stat, is_equal))) => (Sight::of(&stat, &facts.filesystem), Ok(is_equal)),
            // The next walk does not meet it.
            Ok(None) => return Ok(false),
            Err(e) => {
                let problem = match drive {
                    Some(_) => write_problem(Step::ReadBack, &e),
                    None => Problem::new(ProblemKind::Unreadable, failed(Step::Read, &e))
                        .because(Cause::of(&e)),
                };
                (now, Err(problem.at(job.name.as_str())))
            }
        };
        self.read.insert(at, (then, known.clone()));
        known
    }

    /// Reads a file whole: what it looked like before, and whether it holds these bytes. `None`: it
    /// is gone.
    fn read_again(
        &self,
        path: &Utf8Path,
        bytes: u64,
        digest: Digest,
    ) -> io::Result<Option<(Stat, bool)>> {
        let mut source = match self.context.disk.open_read_back(path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            other => other?,
        };
        let stat = source.stat()?;
        if stat.bytes != bytes {
            return Ok(Some((stat, false)));
        }
        let mut go_on = |_| !self.context.cancel.load(Ordering::Relaxed);
        let read = hash_whole(source.as_mut(), bytes, &mut go_on)?;
        let (found, length) = read.ok_or(io::ErrorKind::Interrupted)?;
        Ok(Some((stat, length == bytes && found == digest)))
    }
}

fn stats_below(disk: &dyn Disk, root: &Utf8Path) -> Result<StatsByPath, Problem> {
    let found = disk
        .walk(root, TreeKind::Drive)
        .map_err(|e| write_problem(Step::List, &e))?;
    let mut known = HashMap::new();
    for entry in found {
        let path = entry.path.to_string_lossy().into_owned();
        match entry.stat {
            Ok(stat) if entry.path.to_str().is_some() => drop(known.insert(path, stat)),
            // What lies in it is not on the drive, whatever it looks like.
            Err(e) if e.kind() == io::ErrorKind::CrossesDevices => {
                let detail = failed(Step::Look, &e);
                return Err(Problem::new(ProblemKind::Changed, detail).at(path));
            }
            _ => {}
        }
    }
    Ok(known)
}
