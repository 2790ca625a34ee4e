//! Owns what a drive is called: its name in the kit, its volume's label, or the folder that was
//! given.

use unlade::name::shown;
use unlade::plan::{Plan, own_names};

/// Returns the names of a plan's drives, in the order given. Two of one name are called by their
/// folders.
pub(crate) fn drive_names(plan: &Plan) -> Vec<String> {
    let drives = plan
        .destinations
        .iter()
        .zip(own_names(plan.destinations.iter()));
    drives
        .map(|(d, name)| shown(name.unwrap_or(d.given.as_str())))
        .collect()
}

/// Returns some of a plan's drives within a sentence: ``Attic and the drive of `b` ``.
pub(crate) fn some_drives(plan: &Plan, which: impl IntoIterator<Item = usize>) -> String {
    let names = own_names(plan.destinations.iter());
    let drives = which.into_iter().filter_map(|index| {
        let drive = plan.destinations.get(index)?;
        let of_folder = || format!("the drive of `{}`", shown(drive.given.as_str()));
        Some(names.get(index)?.map_or_else(of_folder, shown))
    });
    let mut drives: Vec<String> = drives.collect();
    match drives.pop() {
        Some(last) if !drives.is_empty() => format!("{} and {last}", drives.join(", ")),
        last => last.unwrap_or_default(),
    }
}

/// Returns what offloads are called, of whose folders the names of the drives are known as far as
/// they have any: `KITES on Attic`, else by the folder as it was given. Two of one name are called
/// by their folders.
pub(crate) fn offload_names<'a>(
    offloads: impl Iterator<Item = (&'a str, Option<String>)>,
) -> Vec<String> {
    let each = offloads.map(|(path, drive)| {
        let name = path.rsplit(['/', '\\']).next();
        let name = name.filter(|name| !name.is_empty() && !name.starts_with('.'));
        let called = name.zip(drive);
        let called = called.map(|(name, drive)| format!("{} on {}", shown(name), shown(&drive)));
        (shown(path), called)
    });
    let each: Vec<(String, Option<String>)> = each.collect();
    let is_shared = |name: &String| each.iter().filter(|e| e.1.as_ref() == Some(name)).count() > 1;
    let name = |(path, called): &(String, Option<String>)| {
        let called = called.as_ref().filter(|name| !is_shared(name));
        called.unwrap_or(path).clone()
    };
    each.iter().map(name).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_offload_is_called_by_its_drive_unless_two_would_be_alike() {
        let names = |all: &[(&str, Option<&str>)]| {
            let all = all.iter();
            offload_names(all.map(|(path, drive)| (*path, drive.map(str::to_owned))))
        };
        let attic = Some("Attic");
        assert_eq!(
            names(&[("/m/a/KITES", attic), ("b/KITES", None), (".", attic)]),
            ["KITES on Attic", "b/KITES", "."]
        );
        assert_eq!(
            names(&[("/m/a/KITES", attic), ("/m/a/more/KITES", attic)]),
            ["/m/a/KITES", "/m/a/more/KITES"]
        );
    }
}
