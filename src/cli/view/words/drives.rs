//! Owns what a drive is called: its name in the kit, its volume's label, or the folder that was
//! given.

use unlade::name::shown;
use unlade::plan::{Plan, PlannedDestination};

/// Returns the names of a plan's drives, in the order given. Two of one name are called by their
/// folders.
pub(crate) fn drive_names(plan: &Plan) -> Vec<String> {
    let name = |d: &PlannedDestination| {
        let label = || d.facts.label.clone().filter(|_| !d.facts.is_own_volume);
        d.kit_name.clone().or_else(label)
    };
    let names: Vec<Option<String>> = plan.destinations.iter().map(name).collect();
    let is_shared = |name: &String| names.iter().flatten().filter(|n| *n == name).count() > 1;
    plan.destinations
        .iter()
        .zip(&names)
        .map(|(d, name)| match name.as_ref().filter(|n| !is_shared(n)) {
            Some(name) => shown(name),
            None => shown(d.given.as_str()),
        })
        .collect()
}
