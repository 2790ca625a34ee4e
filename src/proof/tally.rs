//! Owns the count of one copy: what was written and read back, what stands there at the end, and
//! how many devices hold all of it.

use crate::disk::ReadBackWay;
use crate::disk::backing::Backing;
use crate::offload::{CopyState, Offloaded};
use crate::plan::Plan;
use crate::plan::in_sentence;
use crate::plan::notes::{count_independent, shares_device, why_fewer};
use crate::units::len64;

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

pub(super) fn tally(
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
pub(super) fn devices<'a>(
    plan: &'a Plan,
    tallies: &[Tally],
    original: bool,
) -> Vec<(&'a Backing, u64)> {
    let complete = plan.destinations.iter().zip(tallies);
    let complete = complete.filter(|(_, t)| t.is_complete);
    let facts = complete.map(|(d, _)| &d.facts);
    let own = original.then_some(&plan.card.facts);
    let all = facts.chain(own);
    all.map(|facts| (&facts.backing, facts.device)).collect()
}

/// Counts complete copies on independent devices, and tells why some count as one.
pub(super) fn count_copies(
    plan: &Plan,
    tallies: &[Tally],
    original: bool,
    separate: bool,
) -> (usize, Vec<String>) {
    let complete = devices(plan, tallies, original);
    let copies = count_independent(&complete, separate);
    if copies == complete.len() {
        return (copies, Vec::new());
    }
    let all = plan.destinations.iter();
    let all: Vec<_> = all.map(|d| (&d.facts.backing, d.facts.device)).collect();
    let names = in_sentence(plan.destinations.iter());
    let mut why = why_fewer(&all, &names, separate);
    if original {
        let own = (&plan.card.facts.backing, plan.card.facts.device);
        why.extend(shares_device(own, &all, &names, separate));
    }
    (copies, why)
}

/// Whether the offload that was copied is as good as a copy that is made now: every file of it was
/// read from its device in this run, and is what its manifest says.
pub(super) fn original_is_whole(plan: &Plan, offloaded: &Offloaded) -> bool {
    plan.original().is_some()
        && offloaded.original_equal == len64(plan.jobs.len())
        && offloaded
            .original_way
            .is_some_and(ReadBackWay::reaches_device)
}

/// Returns `no complete copy`, `1 complete copy`, `2 complete copies`.
pub fn counted_copies(n: usize) -> String {
    match n {
        0 => "no complete copy".to_owned(),
        1 => "1 complete copy".to_owned(),
        n => format!("{n} complete copies"),
    }
}
