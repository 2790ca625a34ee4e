//! Owns what a folder or a list on the command line stands for when it is to be checked.

use crate::cli::args::meant::quoted;
use crate::cli::command::shared::checked::CheckTarget;
use crate::cli::home::book::Book;
use camino::{Utf8Path, Utf8PathBuf};
use unlade::existing::search::find_offloads;
use unlade::ledger::{Deed, Ledger};
use unlade::record::layout::RECORDS;
use unlade::record::others::mhl::MHL_FOLDER;
use unlade::run::Tools;
use unlade::verify::others::has_list;

/// A list, and the folder that its paths begin in: the one it lies in where nobody says another; of
/// a media hash list the one that its `ascmhl` is in.
pub(crate) fn of_list(list: &Utf8Path, base: Option<&Utf8Path>) -> CheckTarget {
    let in_history = |folder: &Utf8Path| folder.file_name() == Some(MHL_FOLDER);
    let own = list.parent().map(|folder| match folder.parent() {
        Some(above) if in_history(folder) => above,
        _ => folder,
    });
    let folder = base.or(own).unwrap_or(Utf8Path::new("."));
    CheckTarget {
        list: Some(list.to_path_buf()),
        ..CheckTarget::of_others(or_here(folder).to_path_buf())
    }
}

/// The folder that a list's paths begin in, where the person says one: the one that is to be
/// checked, or that of --base.
///
/// # Errors
/// What to type instead where there are several; `rest` is what the command needs beside them.
pub(crate) fn base_of<'a>(
    list: &Utf8Path,
    folders: &'a [Utf8PathBuf],
    base: Option<&'a Utf8Path>,
    (command, rest): (&str, &str),
) -> Result<Option<&'a Utf8Path>, String> {
    match (folders, base) {
        ([], base) => Ok(base),
        ([one], None) => Ok(Some(meant(one))),
        ([one, ..], _) => {
            let line = format!("{command} {} --list {}{rest}", quoted(one), quoted(list));
            Err(format!(
                "--list is for one folder, given once: `unlade {line}`."
            ))
        }
    }
}

/// A folder of records is given for the one that it is in.
fn meant(given: &Utf8Path) -> &Utf8Path {
    let name = given.file_name();
    let is_inside = name == Some(RECORDS) || name == Some(MHL_FOLDER);
    or_here(given.parent().filter(|_| is_inside).unwrap_or(given))
}

/// The current folder has no name of its own in a path.
fn or_here(folder: &Utf8Path) -> &Utf8Path {
    if folder.as_str().is_empty() {
        Utf8Path::new(".")
    } else {
        folder
    }
}

/// What a folder stands for: the offload that it is, the one whose records it is, those on it and
/// what a list of others in it names, or else a folder with records of others.
pub(crate) fn targets(given: &Utf8Path, tools: &Tools, book: &Book) -> Vec<CheckTarget> {
    let is_records = given.file_name() == Some(RECORDS);
    let folder = meant(given);
    // Where its manifest is gone it is an offload all the same, and no list of others stands for
    // that.
    let has_records = || matches!(tools.disk.look(&folder.join(RECORDS)), Ok(Some(_)));
    let is_known = || {
        let at = tools.disk.facts(folder).map(|facts| facts.canonical);
        at.is_ok_and(|at| was_copied_to(&book.read(), &at))
    };
    match find_offloads(tools.disk.as_ref(), folder) {
        Ok(found) if !found.is_empty() => {
            let is_above = found.iter().all(|offload| offload != folder);
            let of_others = (is_above && has_list(tools.disk.as_ref(), folder)).then(|| {
                let apart = found.clone();
                CheckTarget {
                    apart,
                    ..CheckTarget::of_others(folder.to_path_buf())
                }
            });
            let offloads = found.into_iter().map(CheckTarget::offload);
            of_others.into_iter().chain(offloads).collect()
        }
        _ if is_records || has_records() || is_known() => {
            vec![CheckTarget::offload(folder.to_path_buf())]
        }
        _ => vec![CheckTarget::of_others(folder.to_path_buf())],
    }
}

/// Whether the ledger says that a copy was made in this folder.
fn was_copied_to(ledger: &Ledger, folder: &str) -> bool {
    let copies = ledger
        .entries
        .iter()
        .filter(|entry| entry.did == Deed::Copy);
    let mut places = copies.flat_map(|entry| &entry.places);
    places.any(|place| place.path == folder)
}
