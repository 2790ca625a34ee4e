//! Owns the verdict. [`Proof::judge`] is the only place in the crate where PROVEN is made, and it
//! counts everything in and out: listed, read, copied, read back, in place, in the manifest.

pub mod coverage;
mod notes;
pub mod only_new;
pub mod problems;
mod recordings;
pub mod tally;
pub mod to_manifest;

use crate::card::listing::Listing;
use crate::card::part::part_of;
use crate::disk::Stamp;
use crate::disk::backing::Backing;
use crate::error::{Problem, ProblemKind};
use crate::existing::source::CardNow;
use crate::inspect::recordings::Recordings;
use crate::offload::Offloaded;
use crate::plan::Plan;
use crate::plan::terms::Terms;
use crate::proof::notes::notes;
use crate::proof::problems::{
    card_problems, copy_problems, incomplete_problems, list_problems, listing_problems,
    original_changes, reasons,
};
use crate::proof::recordings::recordings;
use crate::proof::tally::{InPlace, Tally, count_copies, devices, original_is_whole, tally};
use crate::record::layout::Level;
use crate::units::len64;
use jiff::Timestamp;
use std::sync::{Arc, OnceLock};

/// Troubles of one drive that say nothing of the card: as [`coverage`] does, they are held against
/// a job only where the other drives are not enough.
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

/// What was found when everything was done, before the verdict.
#[derive(Clone, Debug)]
pub struct Closing {
    /// The card's second listing, or why there is none.
    pub listing: Result<Listing, Problem>,
    /// Per destination: what stands there under final names, or why that could not be told.
    pub destinations: Vec<Result<InPlace, Problem>>,
    /// Where the card was after that, as late as could be.
    pub card_now: CardNow,
    /// Files that others have changed on a destination since they were read back; at most as many
    /// as are told one by one.
    pub changed: Vec<Problem>,
    /// Whether the card was read a second time and equal (`--proof reread`).
    pub reread_equal: bool,
    /// When the job began and ended.
    pub times: (Timestamp, Timestamp),
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
    /// Made when somebody asks.
    recordings: OnceLock<Recordings>,
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
    pub fn judge(plan: Arc<Plan>, offloaded: Offloaded, closing: Closing) -> Self {
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
        if plan.terms.level == Level::Written {
            let why = "nothing was checked (--proof written)";
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
            recordings: OnceLock::new(),
            times: closing.times,
            plan,
            offloaded,
            tallies,
            listed,
            problems,
        }
        .weighed()
    }

    /// Counts the complete copies and gives the verdict.
    fn weighed(mut self) -> Self {
        let terms = self.plan.terms;
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

    /// Where the other drives hold as many copies as are needed, what went wrong on one is told and
    /// keeps nothing from being PROVEN, as it would not when the question is put later. What says
    /// something of the card as well goes on to count.
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
        let again = Self::judge(self.plan, self.offloaded, closing);
        let lost = self.unrecorded.into_iter();
        lost.fold(again, |proof, (d, why)| proof.without_records_on(d, why))
    }

    /// Says that every look found something else, so that nothing can be said of what is there now.
    #[must_use]
    pub fn without_rest(mut self) -> Self {
        let why = "the card or a drive went on changing while the manifest was made; run the same \
            command again when no other program is at work on them";
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
                "Nothing was signed: all is in earlier offloads, so there is no new manifest."
            }
            (Some(_), Kept::Nothing) => "Nothing was signed: no drive took the manifest.",
            (None, Kept::New) if was_signed => {
                "The manifest that was there before was signed, and is now with its signature in \
                 `_unlade/earlier-...`; the new one is not signed. The same command with --sign \
                 signs it."
            }
            (None, _) => return self,
        };
        self.notes.push(note.to_owned());
        self
    }

    /// Says what became of something that no verdict rests on.
    #[must_use]
    pub fn with_notes(mut self, notes: Vec<String>) -> Self {
        self.notes.extend(notes);
        self
    }

    /// Returns the fingerprint of the key that signed the manifest, when it was asked for.
    pub fn signed_by(&self) -> Option<&str> {
        self.signed_by.as_deref()
    }

    /// Returns why the verdict is on a folder and not on a card, in words that go on after a colon;
    /// `None` where it is on the whole card.
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
        self.plan.terms
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

    /// Returns the drives that have not got all of it, by their places on the command line.
    pub fn short(&self) -> impl Iterator<Item = usize> {
        let tallies = self.tallies.iter().enumerate();
        tallies
            .filter(|(_, t)| !t.is_complete)
            .map(|(index, _)| index)
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

    /// Returns what was seen of the recordings themselves. No verdict rests on it.
    pub fn recordings(&self) -> &Recordings {
        let now = Stamp::of(self.times.1);
        let made = || recordings(&self.plan, &self.offloaded, now);
        self.recordings.get_or_init(made)
    }

    /// Returns when the job began and ended.
    pub fn times(&self) -> (Timestamp, Timestamp) {
        self.times
    }

    /// Returns whether the offload that was copied counts as a copy itself: in this run it was read
    /// whole from its device and is what its manifest says.
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
