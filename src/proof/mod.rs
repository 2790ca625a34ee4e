//! Owns the verdict. [`Proof::judge`] is the only place in the crate where PROVEN is made, and it
//! counts everything in and out: listed, read, copied, read back, in place, in the manifest.

pub mod coverage;
pub mod only_new;
pub mod to_manifest;

use crate::card::listing::{Difference, Listing, RowKind};
use crate::card::part::{part_note, part_of};
use crate::digest::Digest;
use crate::disk::ReadBackWay;
use crate::disk::backing::Backing;
use crate::error::{Problem, ProblemKind};
use crate::existing::original::Original;
use crate::existing::source::{CardFacts, CardNow};
use crate::name::some_of;
use crate::offload::{CopyState, Offloaded};
use crate::plan::Plan;
use crate::plan::notes::{
    count_independent, gone_note, left_out_notes, sample_note, shares_device, unmounted_note,
};
use crate::record::bag;
use crate::record::checksums::List;
use crate::record::layout::{DATA, Layout, Level};
use crate::units::{counted, len64};
use jiff::Timestamp;
use std::cmp::Reverse;
use std::sync::Arc;

/// At most this many differences of the card's listing are told.
const DIFFERENCES_MAX: usize = 200;
/// A content that occurs this often under different names is pointed out.
const IDENTICAL_NOTED: usize = 10;
/// Files that a note names; more are counted.
const NAMED: usize = 3;
/// Files of at most so many bytes are often alike: a camera's own index and settings files.
const IDENTICAL_BYTES: u64 = 4_096;

/// Troubles of one drive that say nothing of the card: as [`coverage`] does, they are held against a job only where the
/// other drives are not enough.
const OF_A_DRIVE: [ProblemKind; 9] = [
    ProblemKind::WriteFailed,
    ProblemKind::NoRoom,
    ProblemKind::Vanished,
    ProblemKind::Missing,
    ProblemKind::Changed,
    ProblemKind::NotReadBack,
    ProblemKind::Mismatch,
    ProblemKind::NameNotStorable,
    ProblemKind::TooLargeForFilesystem,
];

/// What the person asked to be proven.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Terms {
    /// How far.
    pub level: Level,
    /// Independent devices needed; at least 1.
    pub copies_needed: usize,
    /// The person states that devices which the system cannot tell apart are separate.
    pub separate: bool,
}

/// What was found when everything was done, before the verdict.
#[derive(Clone, Debug)]
pub struct Closing {
    /// The card's second listing, or why there is none.
    pub listing: Result<Listing, Problem>,
    /// Per destination: what stands there under final names, or why that could not be told.
    pub destinations: Vec<Result<InPlace, Problem>>,
    /// Where the card was after that, as late as could be.
    pub card_now: CardNow,
    /// Files that others have changed on a destination since they were read back; at most as many as are told one by one.
    pub changed: Vec<Problem>,
    /// Whether the card was read a second time and equal (`--proof reread`).
    pub reread_equal: bool,
    /// When the job began and ended.
    pub times: (Timestamp, Timestamp),
}

/// What a last walk over a destination met.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct InPlace {
    /// Files of the plan that stand there in their right size.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Folders of the plan that stand there.
    pub folders: u64,
    /// Files of the plan that stand there in their right size and hold other bytes now.
    pub changed: u64,
    /// Files that were copied, or kept, and do not stand there in their right size.
    pub lost: u64,
}

/// Counts of one destination.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Tally {
    /// Files that stand there, proven or not.
    pub copied: u64,
    /// Their bytes.
    pub copied_bytes: u64,
    /// Files read back from the device, now or earlier.
    pub read_back: u64,
    /// Their bytes.
    pub read_back_bytes: u64,
    /// Of these, files that an earlier run read back.
    pub earlier: u64,
    /// Of these, files that were read back again in this run.
    pub again: u64,
    /// Of these, files that are left in earlier offloads.
    pub left: u64,
    /// What the last walk met.
    pub in_place: InPlace,
    /// Everything listed is on it, read back and in place.
    pub is_complete: bool,
}

/// The answer to "may I format this card?".
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Verdict {
    proven: bool,
    copies: usize,
    reasons: Vec<String>,
}

impl Verdict {
    /// Returns whether everything that was asked for is proven.
    pub fn is_proven(&self) -> bool {
        self.proven
    }

    /// Returns the number of complete copies on independent devices.
    pub fn copies(&self) -> usize {
        self.copies
    }

    /// Returns why it is not proven; empty when it is.
    pub fn reasons(&self) -> &[String] {
        &self.reasons
    }
}

/// Everything that is known of a finished job, and the verdict on it.
#[derive(Clone, Debug)]
pub struct Proof {
    plan: Arc<Plan>,
    offloaded: Offloaded,
    terms: Terms,
    tallies: Vec<Tally>,
    listed: (u64, u64),
    problems: Vec<Problem>,
    notes: Vec<String>,
    times: (Timestamp, Timestamp),
    reread_equal: bool,
    /// The offload that was copied is a copy that was read whole, equal, from its device.
    original_counts: bool,
    signed_by: Option<String>,
    part: Option<String>,
    card_now: CardNow,
    /// Destinations that could not take the records, and why.
    unrecorded: Vec<(usize, Problem)>,
    verdict: Verdict,
}

/// Which manifest stands on the destinations at the end.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kept {
    /// None that this run vouches for.
    Nothing,
    /// That of an earlier run, which says the same.
    AsItStood,
    /// That of this run, on every destination that could take it.
    New,
}

impl Proof {
    /// Weighs everything. The one constructor of a proof, and the one place that says PROVEN.
    pub fn judge(plan: Arc<Plan>, offloaded: Offloaded, terms: Terms, closing: Closing) -> Self {
        let mut problems: Vec<Problem> = card_problems(&plan.listing);
        problems.extend(plan.unheld_problems());
        problems.extend(list_problems(&plan));
        problems.extend(offloaded.problems.iter().cloned());
        let part = plan.part().or_else(|| {
            // Mounted meanwhile.
            let after = closing.listing.as_ref().ok()?;
            let is_card = plan.original().is_none();
            is_card.then(|| part_of(&plan.card.facts, after))?
        });
        let changes = match plan.original() {
            None => listing_problems(&plan.listing, closing.listing),
            Some(original) => original_changes(original, closing.listing),
        };
        let original_counts = changes.is_empty() && original_is_whole(&plan, &offloaded);
        problems.extend(changes);
        problems.extend(closing.changed);
        let mut in_place = Vec::new();
        for found in closing.destinations {
            in_place.push(found.map_err(|problem| problems.push(problem)).ok());
        }
        let listed = plan.listing.totals();
        let folders = len64(plan.listing.folders().count());
        let tally = |(d, found): (usize, &Option<InPlace>)| {
            tally(&plan, &offloaded, d, *found, listed, folders)
        };
        let tallies: Vec<Tally> = in_place.iter().enumerate().map(tally).collect();
        problems.extend(incomplete_problems(&plan, &offloaded, &tallies, &in_place));
        if terms.level == Level::Written {
            let why = "nothing was read back (--proof written)";
            problems.push(Problem::new(ProblemKind::NotReadBack, why));
        }
        Self {
            notes: notes(
                &plan,
                &offloaded,
                closing.reread_equal,
                part.as_deref(),
                closing.card_now,
            ),
            verdict: Verdict {
                proven: false,
                copies: 0,
                reasons: Vec::new(),
            },
            reread_equal: closing.reread_equal,
            original_counts,
            signed_by: None,
            part,
            card_now: closing.card_now,
            unrecorded: Vec::new(),
            times: closing.times,
            plan,
            offloaded,
            terms,
            tallies,
            listed,
            problems,
        }
        .weighed()
    }

    /// Counts the complete copies and gives the verdict.
    fn weighed(mut self) -> Self {
        let terms = self.terms;
        let (copies, same) = count_copies(
            &self.plan,
            &self.tallies,
            self.original_counts,
            terms.separate,
        );
        self.problems
            .retain(|p| p.kind != ProblemKind::TooFewCopies && p.kind != ProblemKind::SameDevice);
        self.problems.extend(copy_problems(copies, same, terms));
        if copies >= terms.copies_needed {
            self.spare();
        }
        let mut reasons = reasons(&self.problems, self.offloaded.interrupted);
        let all_read = self.offloaded.files.iter().all(|f| f.blake3.is_some());
        let holds = all_read
            && self.offloaded.files.len() == self.plan.jobs.len()
            && len64(self.plan.jobs.len()) == self.listed.0
            && copies >= terms.copies_needed
            && terms.level != Level::Written
            && (terms.level != Level::Reread || self.reread_equal)
            && !self.offloaded.interrupted;
        if !holds && reasons.is_empty() {
            reasons.push("the counts of files listed, read and copied do not agree".to_owned());
        }
        self.verdict = Verdict {
            proven: holds && reasons.is_empty(),
            copies,
            reasons,
        };
        self
    }

    /// Where the other drives hold as many copies as are needed, what went wrong on one is told and keeps
    /// nothing from being PROVEN, as it would not when the question is put later. What says something
    /// of the card as well goes on to count.
    fn spare(&mut self) {
        let tallies = &self.tallies;
        let is_spare = |d: usize| tallies.get(d).is_some_and(|t| !t.is_complete);
        for problem in &mut self.problems {
            if problem.destination.is_some_and(is_spare) && OF_A_DRIVE.contains(&problem.kind) {
                problem.blocking = false;
            }
        }
    }

    /// Takes a destination out after the records could not be stored on it, and weighs again.
    #[must_use]
    pub fn without_records_on(mut self, destination: usize, problem: Problem) -> Self {
        self.unrecorded.push((destination, problem.clone()));
        self.problems.push(problem);
        if let Some(tally) = self.tallies.get_mut(destination) {
            tally.is_complete = false;
        }
        self.weighed()
    }

    /// Weighs everything anew after a later look found something else.
    #[must_use]
    pub fn judged_again(self, closing: Closing) -> Self {
        let again = Self::judge(self.plan, self.offloaded, self.terms, closing);
        let lost = self.unrecorded.into_iter();
        lost.fold(again, |proof, (d, why)| proof.without_records_on(d, why))
    }

    /// Says that every look found something else, so that nothing can be said of what is there now.
    #[must_use]
    pub fn without_rest(mut self) -> Self {
        let why = "the card or a drive went on changing while the records were made; run the same command again when no other program is at work on them";
        self.problems.push(Problem::new(ProblemKind::Changed, why));
        self.weighed()
    }

    /// Says what became of the signature, now that it is known which manifest stands there.
    #[must_use]
    pub fn with_signature(mut self, kept: Kept) -> Self {
        let was_signed = self.plan.destinations.iter().any(|d| d.signed_by.is_some());
        let note = match (&self.plan.signer, kept) {
            (Some(signer), Kept::New | Kept::AsItStood) => {
                self.signed_by = Some(signer.fingerprint());
                return self;
            }
            (Some(_), Kept::Nothing) if self.offloaded.interrupted => {
                "Nothing is signed yet; the same command again goes on, and signs at its end."
            }
            (Some(_), Kept::Nothing) if self.plan.has_nothing_new() => {
                "Nothing was signed: all lies in earlier offloads, so there is no new manifest."
            }
            (Some(_), Kept::Nothing) => "Nothing was signed: no drive took the manifest.",
            (None, Kept::New) if was_signed => {
                "The manifest that stood there before was signed, and now lies with its signature below `_unlade/earlier-...`; the new one is not signed. The same command with --sign signs it."
            }
            (None, _) => return self,
        };
        self.notes.push(note.to_owned());
        self
    }

    /// Returns the fingerprint of the key that signed the manifest, when it was asked for.
    pub fn signed_by(&self) -> Option<&str> {
        self.signed_by.as_deref()
    }

    /// Returns why the verdict is on a folder and not on a card, in words that go on after a colon; `None` where it is
    /// on the whole card.
    pub fn part(&self) -> Option<&str> {
        self.part.as_deref()
    }

    /// Returns where the card was when it was looked at last.
    pub fn card_now(&self) -> CardNow {
        self.card_now
    }

    /// Takes note of where the card was at the end.
    #[must_use]
    pub fn with_card_now(mut self, now: CardNow) -> Self {
        self.card_now = now;
        self
    }

    /// Returns the verdict.
    pub fn verdict(&self) -> &Verdict {
        &self.verdict
    }

    /// Returns what was to be done.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// Returns what was done.
    pub fn offloaded(&self) -> &Offloaded {
        &self.offloaded
    }

    /// Returns what was asked for.
    pub fn terms(&self) -> Terms {
        self.terms
    }

    /// Returns the counts per destination.
    pub fn tallies(&self) -> &[Tally] {
        &self.tallies
    }

    /// Returns files and bytes listed.
    pub fn listed(&self) -> (u64, u64) {
        self.listed
    }

    /// Returns every problem.
    pub fn problems(&self) -> &[Problem] {
        &self.problems
    }

    /// Returns what went wrong on drives that were not needed.
    pub fn spared(&self) -> impl Iterator<Item = &Problem> {
        let is_complete = |d: usize| self.tallies.get(d).is_some_and(|t| t.is_complete);
        self.problems.iter().filter(move |p| {
            !p.blocking
                && OF_A_DRIVE.contains(&p.kind)
                && p.destination.is_some_and(|d| !is_complete(d))
        })
    }

    /// Returns what should be pointed out without standing in the way.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Returns when the job began and ended.
    pub fn times(&self) -> (Timestamp, Timestamp) {
        self.times
    }

    /// Returns whether the offload that was copied counts as a copy itself: in this run it was read whole from
    /// its device and is what its manifest says.
    pub fn original_counts(&self) -> bool {
        self.original_counts
    }

    /// Returns the devices of all complete copies, that of an original which counts included.
    pub fn devices(&self) -> Vec<(&Backing, u64)> {
        devices(&self.plan, &self.tallies, self.original_counts)
    }

    /// Returns whether a second read of the card was equal.
    pub fn reread_equal(&self) -> bool {
        self.reread_equal
    }
}

/// Entries of the card that no copy can hold as they are.
pub fn card_problems(listing: &Listing) -> Vec<Problem> {
    let unexplained = listing.unexplained();
    let unexplained = unexplained.map(|why| Problem::new(ProblemKind::Unreadable, why));
    let rows = listing
        .rows()
        .iter()
        .filter_map(|row| match &row.kind {
            RowKind::Trouble { why } => {
                Some(Problem::new(ProblemKind::Unreadable, why.clone()).at(row.path()))
            }
            RowKind::NotText => Some(
                Problem::new(
                    ProblemKind::NameNotStorable,
                    format!(
                        "the name, `{}` as far as it can be read, is not UTF-8; its bytes are given in hex",
                        crate::name::readable(&row.raw)
                    ),
                )
                .at(row.path()),
            ),
            _ => None,
        });
    rows.chain(unexplained).collect()
}

/// What an original's manifest says against itself, and names that the form of a checksum list cannot hold; the
/// manifest holds them.
pub fn list_problems(plan: &Plan) -> Vec<Problem> {
    let of_original = plan.original().into_iter().flat_map(|o| o.problems.clone());
    std::iter::once(List::Blake3)
        .chain(plan.also.iter().map(List::Also))
        .filter_map(|list| {
            let unheld: Vec<&str> = plan
                .jobs
                .iter()
                .map(|j| j.name.as_str())
                .filter(|name| !list.holds(&plan.layout.outside(name)))
                .collect();
            unheld_problem(list, &unheld)
        })
        .chain(bag_problems(plan))
        .chain(of_original)
        .collect()
}

/// What a bag holds rightly and others may find fault with.
fn bag_problems(plan: &Plan) -> Vec<Problem> {
    if plan.layout != Layout::Bag {
        return Vec::new();
    }
    let mut names = plan.jobs.iter().map(|j| j.name.as_str());
    let misread: Vec<&str> = names
        .by_ref()
        .filter(|n| bag::is_often_misread(n))
        .collect();
    let mut problems = Vec::new();
    if let Some(first) = misread.first() {
        let why = format!(
            "the bag holds {} with a `%`, a blank at the end or odd line breaks, `{}` first, written as RFC 8493 asks; some programs misread them and will reject the bag",
            counted(len64(misread.len()), "name"),
            crate::name::shown(first)
        );
        problems.push(Problem::new(ProblemKind::NameNotStorable, why).harmless());
    }
    for (index, destination) in plan.destinations.iter().enumerate() {
        if let Some(first) = destination.strangers.first() {
            let why = format!(
                "{} in `{DATA}` that no record knows, `{}` first: the bag does not list what it cannot vouch for, and programs that check bags will reject it until that is moved out",
                counted(len64(destination.strangers.len()), "entry").replace("entrys", "entries"),
                crate::name::shown(first)
            );
            problems.push(Problem::new(ProblemKind::Extra, why).on(index).harmless());
        }
    }
    problems
}

fn unheld_problem(list: List, unheld: &[&str]) -> Option<Problem> {
    let first = unheld.first()?;
    let others = match unheld.len() - 1 {
        0 => String::new(),
        n => format!(" and {}", counted(len64(n), "other name")),
    };
    let why = format!(
        "{} cannot hold `{}`{others}, since its form has no way to write {}; the manifest does",
        list.file_name(),
        crate::name::shown(first),
        if unheld.len() == 1 { "it" } else { "them" }
    );
    Some(Problem::new(ProblemKind::NameNotStorable, why).harmless())
}

/// Returns what is not the same on a card that was listed again at the end.
pub fn listing_problems(before: &Listing, after: Result<Listing, Problem>) -> Vec<Problem> {
    let after = match after {
        Ok(after) => after,
        Err(problem) => return vec![problem],
    };
    let differences = before.differences(&after, DIFFERENCES_MAX);
    if differences.is_empty() {
        // The driver may have lost sight of some of it since.
        let unexplained = after
            .unexplained()
            .filter(|_| before.unexplained().is_none());
        let problem = unexplained.map(|why| Problem::new(ProblemKind::Unreadable, why));
        return problem.into_iter().collect();
    }
    differences
        .into_iter()
        .map(|difference| match difference {
            Difference::Vanished(path) => Problem::new(
                ProblemKind::Vanished,
                "was on the card at the start and is gone at the end",
            )
            .at(path),
            Difference::Changed(path) => Problem::new(
                ProblemKind::ChangedOnCard,
                "is not what it was when the job began",
            )
            .at(path),
            Difference::New(path) => Problem::new(
                ProblemKind::ChangedOnCard,
                "came onto the card during the job and was not copied",
            )
            .at(path),
        })
        .collect()
}

fn tally(
    plan: &Plan,
    offloaded: &Offloaded,
    d: usize,
    in_place: Option<InPlace>,
    listed: (u64, u64),
    folders: u64,
) -> Tally {
    let mut tally = Tally {
        in_place: in_place.unwrap_or_default(),
        ..Tally::default()
    };
    for (job, file) in plan.jobs.iter().zip(&offloaded.files) {
        let state = file.copies.get(d).copied().unwrap_or(CopyState::None);
        if state == CopyState::None || file.blake3.is_none() {
            continue;
        }
        tally.copied += 1;
        tally.copied_bytes += job.bytes;
        if state.is_proven() {
            tally.read_back += 1;
            tally.read_back_bytes += job.bytes;
        }
        if state.is_of_earlier_run() {
            tally.earlier += 1;
            tally.again += u64::from(matches!(state, CopyState::Again(_)));
            tally.left += u64::from(job.is_left());
        }
    }
    let failed = offloaded.destinations.get(d).is_none_or(|o| o.failed);
    tally.is_complete = !failed
        && (tally.copied, tally.copied_bytes) == listed
        && (tally.read_back, tally.read_back_bytes) == listed
        && in_place
            == Some(InPlace {
                files: listed.0,
                bytes: listed.1,
                folders,
                changed: 0,
                lost: 0,
            });
    tally
}

/// The devices of all complete copies, the one that was copied last if it counts.
fn devices<'a>(plan: &'a Plan, tallies: &[Tally], original: bool) -> Vec<(&'a Backing, u64)> {
    let complete = plan.destinations.iter().zip(tallies);
    let complete = complete.filter(|(_, t)| t.is_complete);
    let facts = complete.map(|(d, _)| &d.facts);
    let own = original.then_some(&plan.card.facts);
    let all = facts.chain(own);
    all.map(|facts| (&facts.backing, facts.device)).collect()
}

/// Counts complete copies on independent devices, and tells why some count as one.
fn count_copies(
    plan: &Plan,
    tallies: &[Tally],
    original: bool,
    separate: bool,
) -> (usize, Vec<String>) {
    let complete = devices(plan, tallies, original);
    let copies = count_independent(&complete, separate).0;
    if copies == complete.len() {
        return (copies, Vec::new());
    }
    // Told of all destinations, so that the numbers are those of the command line.
    let all = plan.destinations.iter();
    let all: Vec<_> = all.map(|d| (&d.facts.backing, d.facts.device)).collect();
    let mut why = count_independent(&all, separate).1;
    if original {
        let own = (&plan.card.facts.backing, plan.card.facts.device);
        why.extend(shares_device(own, &all, separate));
    }
    (copies, why)
}

/// Whether the offload that was copied is as good as a copy that is made now: every file of it was read from its
/// device in this run, and is what its manifest says.
fn original_is_whole(plan: &Plan, offloaded: &Offloaded) -> bool {
    plan.original().is_some()
        && offloaded.original_equal == len64(plan.jobs.len())
        && offloaded
            .original_way
            .is_some_and(ReadBackWay::reaches_device)
}

/// What is not the same any more of an offload that was copied. What came to it meanwhile is no part of it.
fn original_changes(original: &Original, after: Result<Listing, Problem>) -> Vec<Problem> {
    let after = match after {
        Ok(after) => after,
        Err(problem) => return vec![problem],
    };
    // What came is dropped before the rest is counted: it may be more than is told.
    let differences = original.stood.differences(&after, usize::MAX).into_iter();
    differences
        .filter_map(|difference| match difference {
            Difference::Vanished(path) => {
                Some((path, "was there at the start and is gone at the end"))
            }
            Difference::Changed(path) => Some((path, "is not what it was when the job began")),
            Difference::New(_) => None,
        })
        .take(DIFFERENCES_MAX)
        .map(|(path, why)| Problem::new(ProblemKind::Changed, why).at(path))
        .collect()
}

fn incomplete_problems(
    plan: &Plan,
    offloaded: &Offloaded,
    tallies: &[Tally],
    in_place: &[Option<InPlace>],
) -> Vec<Problem> {
    let mut problems = Vec::new();
    if offloaded.interrupted {
        return problems;
    }
    for (d, tally) in tallies.iter().enumerate() {
        let outcome = offloaded.destinations.get(d);
        if outcome.is_some_and(|o| o.failed) {
            continue;
        }
        let cached = outcome.is_some_and(|o| o.way == Some(ReadBackWay::Cached));
        if cached {
            let why = format!(
                "what was read back from `{}` may have come from the computer's memory",
                crate::name::shown(plan.destinations.get(d).map_or("", |p| p.given.as_str()))
            );
            problems.push(Problem::new(ProblemKind::NotReadBack, why).on(d));
        }
        // Where the last walk failed, that was told, and nothing is known of what stands there.
        let in_place = in_place.get(d).copied().flatten();
        let lost = in_place.map_or(0, |in_place| in_place.lost);
        if lost > 0 {
            let why = format!(
                "{} of {} stand there at the end",
                crate::units::count(tally.copied.saturating_sub(lost)),
                counted(tally.copied, "file")
            );
            problems.push(Problem::new(ProblemKind::Missing, why).on(d));
        }
    }
    problems
}

fn copy_problems(copies: usize, same: Vec<String>, terms: Terms) -> Vec<Problem> {
    let short = copies < terms.copies_needed;
    let mut problems: Vec<Problem> = same
        .into_iter()
        .map(|why| Problem {
            blocking: short,
            ..Problem::new(ProblemKind::SameDevice, why)
        })
        .collect();
    if short {
        let why = format!(
            "{}, {} needed on separate devices",
            counted_copies(copies),
            terms.copies_needed
        );
        problems.push(Problem::new(ProblemKind::TooFewCopies, why));
    }
    problems
}

/// Returns `no complete copy`, `1 complete copy`, `2 complete copies`.
pub fn counted_copies(n: usize) -> String {
    match n {
        0 => "no complete copy".to_owned(),
        1 => "1 complete copy".to_owned(),
        n => format!("{n} complete copies"),
    }
}

/// One reason per kind of blocking trouble, most serious first; single ones in full.
fn reasons(problems: &[Problem], interrupted: bool) -> Vec<String> {
    let mut out = Vec::new();
    if interrupted {
        out.push("the job was interrupted".to_owned());
    }
    let mut kinds: Vec<ProblemKind> = problems
        .iter()
        .filter(|p| p.blocking)
        .map(|p| p.kind)
        .collect();
    // What follows from the other troubles comes last.
    kinds.sort_unstable_by_key(|k| (*k == ProblemKind::TooFewCopies, *k));
    kinds.dedup();
    for kind in kinds {
        let of_kind: Vec<&Problem> = problems
            .iter()
            .filter(|p| p.blocking && p.kind == kind)
            .collect();
        match of_kind.as_slice() {
            many if many.len() > 3 && many.iter().all(|p| p.path.is_some()) => {
                out.push(format!(
                    "{kind}: {}",
                    counted(len64(many.len()), "entry").replace("entrys", "entries")
                ));
            }
            few => out.extend(few.iter().map(|p| reason(p))),
        }
    }
    out
}

fn reason(problem: &Problem) -> String {
    let place = problem
        .destination
        .map_or(String::new(), |d| format!("destination {}: ", d + 1));
    match &problem.path {
        Some(path) => format!(
            "{}: {place}`{}`: {}",
            problem.kind,
            crate::name::shown(path),
            problem.detail
        ),
        None => format!("{}: {place}{}", problem.kind, problem.detail),
    }
}

/// Bytes that must have been read before a rate is worth a word.
const RATE_BYTES: u64 = 100 * crate::units::MB;

/// What the measured rate says against what is known of card and reader.
fn speed_note(plan: &Plan, offloaded: &Offloaded) -> Option<String> {
    let is_enough = offloaded.bytes_read >= RATE_BYTES && plan.original().is_none();
    let (read, is_least) = match (offloaded.read_rate, offloaded.read_at_least) {
        (Some(measured), _) => (measured, false),
        (None, at_least) => (at_least?, true),
    };
    let read = crate::units::MegabytesPerS(read / 1e6);
    is_enough.then(|| plan.ceiling.compare(read, is_least))?
}

fn notes(
    plan: &Plan,
    offloaded: &Offloaded,
    reread_equal: bool,
    part: Option<&str>,
    now: CardNow,
) -> Vec<String> {
    let mut notes: Vec<String> = part.map(part_note).into_iter().collect();
    notes.extend(now_note(&plan.card, now));
    notes.extend(left_out_notes(&plan.listing));
    notes.extend(gone_note(plan.destinations.iter()));
    notes.extend(sample_note(plan.destinations.iter()));
    notes.extend(plan.destinations.iter().filter_map(unmounted_note));
    notes.extend(only_new::notes(plan, offloaded, reread_equal));
    let files = offloaded.files.iter().zip(&plan.jobs);
    notes.extend(sameness_notes(files.filter_map(|(file, job)| {
        let blake3 = file.blake3?;
        Some(Content {
            path: job.name.as_str(),
            bytes: job.bytes,
            blake3,
            only_zeros: file.only_zeros,
        })
    })));
    notes.extend(speed_note(plan, offloaded));
    for (d, outcome) in plan.destinations.iter().zip(&offloaded.destinations) {
        if outcome.dates_refused > 0 {
            notes.push(format!(
                "`{}` refused the dates of {}; the content is not touched by that.",
                crate::name::shown(d.given.as_str()),
                counted(outcome.dates_refused, "file")
            ));
        }
    }
    notes
}

/// Says that the card was no longer there at the verdict; nothing is said of what is there instead.
fn now_note(card: &CardFacts, now: CardNow) -> Option<String> {
    let place = crate::name::shown(card.given.as_str());
    match now {
        // An offload that is copied further: that it went is a problem of its own.
        _ if card.original.is_some() => None,
        CardNow::Unchanged | CardNow::Changed => None,
        CardNow::Gone => Some(format!(
            "The card had left `{place}` before the verdict; what was shot on it since is in no copy."
        )),
        CardNow::Other => Some(format!(
            "Something else is at `{place}` since the card was read; this is not about that."
        )),
    }
}

/// What is known of a file's content.
#[derive(Clone, Copy, Debug)]
pub(super) struct Content<'a> {
    pub(super) path: &'a str,
    /// Size in bytes.
    pub(super) bytes: u64,
    pub(super) blake3: Digest,
    /// It holds nothing but zeros.
    pub(super) only_zeros: bool,
}

/// Files of nothing but zeros, and many that are identical: what a card that fails, or is smaller
/// than its label, delivers.
pub(super) fn sameness_notes<'a>(files: impl Iterator<Item = Content<'a>>) -> Vec<String> {
    let mut notes = Vec::new();
    let mut zeros = Vec::new();
    let mut seen = std::collections::HashMap::new();
    for file in files {
        if file.only_zeros {
            zeros.push(file.path);
        } else if file.bytes > IDENTICAL_BYTES {
            // 100,000 files at a time: a count and the first name are all that is kept.
            seen.entry(file.blake3).or_insert((0_usize, file.path)).0 += 1;
        }
    }
    if !zeros.is_empty() {
        notes.push(format!(
            "{} of nothing but zeros ({}): a sign of a failing card, or of one that is smaller than its label. Do not shoot on it again before you have looked at the pictures.",
            counted(len64(zeros.len()), "file"),
            some_of(zeros.iter().copied(), NAMED, len64(zeros.len()), "")
        ));
    }
    let most = seen.values().max_by_key(|(n, first)| (*n, Reverse(*first)));
    if let Some((n, first)) = most.filter(|(n, _)| *n >= IDENTICAL_NOTED) {
        notes.push(format!(
            "{} on the card are identical, byte for byte, `{}` among them. Look at some of them.",
            counted(len64(*n), "file"),
            crate::name::shown(first)
        ));
    }
    notes
}
