//! Owns what is to be remembered after a copy of what it read back of earlier copies: what was
//! found damaged, and what is good again. It reads nothing but the hashes of manifests.

use crate::disk::Disk;
use crate::error::{Problem, ProblemKind};
use crate::offload::CopyState;
use crate::plan::PlannedDestination;
use crate::proof::Proof;
use crate::record::damage::{CheckNote, CheckedCopy, DamageKind};
use crate::record::load::hash_of_manifest;

/// Returns one check for each drive that had a copy already, and for an offload that was copied
/// further.
pub fn checks_of_copy(proof: &Proof, disk: &dyn Disk) -> Vec<CheckNote> {
    let destinations = proof.plan().destinations.iter().enumerate();
    let on_drives = destinations.filter_map(|(index, d)| on_drive(proof, index, d, disk));
    on_drives.chain(of_original(proof)).collect()
}

fn note(proof: &Proof, copy: CheckedCopy) -> CheckNote {
    CheckNote::new(proof.times().1, &proof.plan().name, copy)
}

fn on_drive(
    proof: &Proof,
    index: usize,
    d: &PlannedDestination,
    disk: &dyn Disk,
) -> Option<CheckNote> {
    let copy = d.checked.clone()?;
    let then = copy.manifest_b3;
    let mut note = note(proof, copy);
    if hash_of_manifest(disk, &d.root).is_some_and(|now| now != then) {
        // A manifest of this copy's own is there now, and says itself what is not proven.
        note.whole = true;
        return Some(note);
    }
    let is_here = |p: &&Problem| p.destination == Some(index);
    for problem in proof.problems().iter().filter(is_here) {
        let kind = match problem.kind {
            ProblemKind::Missing => DamageKind::Missing,
            ProblemKind::Changed => DamageKind::Changed,
            _ => continue,
        };
        if let Some(path) = &problem.path {
            note.add(path, kind, "");
        }
    }
    let files = proof.plan().jobs.iter().zip(&proof.offloaded().files);
    let is_read = |state: &CopyState| matches!(state, CopyState::ReadBack(_) | CopyState::Again(_));
    let read = files.filter(|(_, file)| file.copies.get(index).is_some_and(is_read));
    let equal = read.map(|(job, _)| job.name.as_str().to_owned());
    note.equal
        .extend(equal.filter(|path| d.found_damaged.contains_key(path)));
    Some(note)
}

/// An offload that is copied further is read whole.
fn of_original(proof: &Proof) -> Option<CheckNote> {
    let plan = proof.plan();
    let original = plan.original()?;
    let copy = CheckedCopy::of(original.manifest_b3, &plan.card.facts);
    let mut note = CheckNote::new(proof.times().1, &original.name, copy);
    note.whole = proof.original_counts();
    let of_it = |p: &&Problem| p.destination.is_none() && !original.problems.contains(p);
    for problem in proof.problems().iter().filter(of_it) {
        let kind = match problem.kind {
            ProblemKind::Mismatch | ProblemKind::Changed => DamageKind::Changed,
            ProblemKind::Missing | ProblemKind::Vanished => DamageKind::Missing,
            ProblemKind::Unreadable => DamageKind::Unreadable,
            _ => continue,
        };
        // What is in an offload beside it is that one's.
        let path = problem
            .path
            .as_ref()
            .filter(|path| original.tree_of(path) == 0);
        if let Some(path) = path {
            note.add(path, kind, "");
        }
    }
    Some(note)
}
