//! Owns what is said of folders whose hash in a media hash list is not that of the files in it:
//! only where each of these was read and is what the list says, and nothing else is there.

use crate::hash_algorithm::Also;
use crate::hash_algorithm::checksum::Checksum;
use crate::record::media_hash_list::{UnlikeFolder, folders_above};
use crate::verify::finding::{Finding, path_of};
use std::cmp::Reverse;
use std::collections::{HashMap, HashSet};

/// Tells each folder once, and none for what is told of one below it; `equal` are the files that
/// are what the list says, `more` what else is there.
pub(super) fn unlike_here<'a>(
    mut unlike: Vec<UnlikeFolder>,
    equal: &HashSet<&str>,
    findings: &'a [Finding],
    more: impl Iterator<Item = &'a str>,
) -> Vec<Finding> {
    let mut counts: HashMap<&str, u64> = HashMap::new();
    for folder in equal.iter().flat_map(|path| folders_above(path)) {
        *counts.entry(folder).or_default() += 1;
    }
    let told = findings.iter().flat_map(|finding| match finding {
        Finding::Moved(from, to) => [from.as_str(), to],
        other => [path_of(other); 2],
    });
    let mut not_whole: HashSet<&str> = HashSet::new();
    for path in told.chain(more) {
        not_whole.extend(folders_above(path));
        not_whole.insert(path.trim_end_matches('/'));
    }
    unlike.sort_by_key(|folder| Reverse(folder.path.matches('/').count()));
    let mut above_told: HashSet<String> = HashSet::new();
    let mut all = Vec::new();
    for folder in unlike {
        let path = folder.path.as_str();
        let is_read = counts.get(path) == Some(&folder.files) && !not_whole.contains(path);
        if is_read && !above_told.contains(path) {
            above_told.extend(folders_above(path).map(str::to_owned));
            all.push(told_of(&folder));
        }
    }
    all
}

fn told_of(folder: &UnlikeFolder) -> Finding {
    let kind = match folder.kind {
        Also::Sha512 => Also::C4,
        other => other,
    };
    let kind = Checksum::Also(kind);
    let (of, had) = if folder.only_names {
        ("its names", "something in it had another name")
    } else {
        ("the whole folder", "a file was in it that the list lacks")
    };
    let path = Some(folder.path.as_str()).filter(|path| !path.is_empty());
    Finding::Changed(
        format!("{}/", path.unwrap_or(".")),
        format!(
            "each file in it is what the list says, the {kind} of {of} is not: the list is \
            damaged, or {had}"
        ),
    )
}
