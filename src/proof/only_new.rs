//! Owns the notes on files that were left in earlier offloads (`--only-new`): on what that rests,
//! where they lie, which names were seen before, what is no longer on the card. Pure.

use crate::digest::Digest;
use crate::name::some_of;
use crate::offload::Offloaded;
use crate::plan::Plan;
use crate::units::{count, counted, len64};

/// Earlier offloads that are named; more are counted.
const OFFLOADS_NAMED: usize = 5;
/// Names that are told one by one; more are counted.
const NAMES_TOLD: usize = 5;

/// On what it rests that a file was left.
const NOT_READ: &str = "matched by path, size and date only, not read";

/// Returns the notes of a finished job; none where everything was asked for.
pub(super) fn notes(plan: &Plan, offloaded: &Offloaded, reread_equal: bool) -> Vec<String> {
    let Some(only_new) = &plan.only_new else {
        return Vec::new();
    };
    let mut notes = Vec::new();
    if only_new.left_files > 0 {
        let all = counted(len64(plan.jobs.len()), "file");
        let basis = match only_new.sampled_files {
            _ if reread_equal => "matched by path, size and date, then read from the card and \
                equal to the hashes in their manifests; the copies were not read"
                .to_owned(),
            0 => NOT_READ.to_owned(),
            n => format!(
                "{NOT_READ} but for a sample of {} (equal)",
                counted(n, "file")
            ),
        };
        notes.push(format!(
            "{} of {all} {} in earlier offloads ({}): {basis}.",
            count(only_new.left_files),
            if only_new.left_files == 1 {
                "is"
            } else {
                "are"
            },
            offloads(plan)
        ));
    }
    notes.extend(seen_before(plan, offloaded, &only_new.seen_before));
    if only_new.gone_files > 0 {
        let one = only_new.gone_files == 1;
        notes.push(format!(
            "{} of earlier offloads {} no longer on the card; {} on the drives as before.",
            counted(only_new.gone_files, "file"),
            if one { "is" } else { "are" },
            if one { "it stays" } else { "they stay" }
        ));
    }
    notes
}

/// Returns the earlier offloads that files are left in, each once: "`20261125-KITES`".
fn offloads(plan: &Plan) -> String {
    let mut names: Vec<&str> = Vec::new();
    for left in plan.destinations.iter().flat_map(|d| &d.left_in) {
        if !names.contains(&left.within.as_str()) {
            names.push(&left.within);
        }
    }
    let all = len64(names.len());
    some_of(names, OFFLOADS_NAMED, all, "")
}

/// Names that were seen before with another size or date: what the copy showed of their content.
fn seen_before(plan: &Plan, offloaded: &Offloaded, seen: &[(usize, Vec<Digest>)]) -> Vec<String> {
    let (mut other, mut same) = (Vec::new(), 0_u64);
    for (at, hashes) in seen {
        let read = offloaded.files.get(*at).and_then(|f| f.blake3);
        match (read, plan.jobs.get(*at)) {
            (Some(now), Some(_)) if hashes.contains(&now) => same += 1,
            (Some(_), Some(job)) => other.push(format!("{}", job.name)),
            _ => {}
        }
    }
    let mut notes = Vec::new();
    if !other.is_empty() {
        let one = other.len() == 1;
        let named: Vec<String> = other
            .iter()
            .take(NAMES_TOLD)
            .map(|n| format!("`{n}`"))
            .collect();
        let dots = if other.len() > NAMES_TOLD { " ..." } else { "" };
        notes.push(format!(
            "{} had {} before with other content; both are there ({}{dots}).",
            counted(len64(other.len()), "file"),
            if one { "its name" } else { "their names" },
            named.join(", ")
        ));
    }
    if same > 0 {
        notes.push(format!(
            "{} copied again with the same content: the date on the card is another one than in \
             the earlier offload.",
            counted(same, "file") + if same == 1 { " was" } else { " were" }
        ));
    }
    notes
}
