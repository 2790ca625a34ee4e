//! Owns what a drive is called: its volume's label, or the folder that was given.

use unlade::name::shown;
use unlade::plan::{Plan, PlannedDestination};

/// Returns the names of a plan's drives, in the order given. Two of one name are called by their
/// folders.
pub(crate) fn drive_names(plan: &Plan) -> Vec<String> {
    let label = |d: &PlannedDestination| d.facts.label.clone().filter(|_| !d.facts.is_own_volume);
    let labels: Vec<Option<String>> = plan.destinations.iter().map(label).collect();
    let is_shared = |label: &String| labels.iter().flatten().filter(|l| *l == label).count() > 1;
    let named = plan.destinations.iter().zip(&labels);
    named
        .map(
            |(d, label)| match label.as_ref().filter(|l| !is_shared(l)) {
                Some(label) => shown(label),
                None => shown(d.given.as_str()),
            },
        )
        .collect()
}
