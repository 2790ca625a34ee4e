//! Owns `verify`: offloads read again and held against their records and the keys of whoever should
//! have signed.

use crate::cli::args::{Common, VerifyArgs};
use crate::cli::command::shared::check_offloads::check_offloads;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::drive_names::DriveNames;
use crate::cli::home::keys;
use crate::cli::view::observer::ReadViewer;
use crate::cli::view::out::Out;
use camino::{Utf8Path, Utf8PathBuf};
use unlade::existing::search::find_offloads;
use unlade::record::layout::RECORDS;
use unlade::run::Tools;

/// Checks every offload and tells the results in the order of the command line.
pub(crate) fn verify(
    args: &VerifyArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
) -> Exit {
    verify_shown(args, common, out, tools, book, None)
}

/// The same, shown to this one where there is one.
pub(crate) fn verify_shown(
    args: &VerifyArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
    viewer: Option<&dyn ReadViewer>,
) -> Exit {
    let each = args.offloads.iter();
    let offloads: Vec<_> = each.flat_map(|given| offloads(given, tools)).collect();
    let expected = match &args.signed_by {
        None => None,
        Some(path) => match keys::expected(path, &offloads, out, tools) {
            Ok(expected) => Some(expected),
            Err(exit) => return exit,
        },
    };
    let drives = DriveNames::of(common);
    let known = (book, &drives);
    check_offloads(&offloads, expected.as_ref(), out, tools, known, viewer)
}

/// The offloads that a folder stands for: itself, the one whose records it is, or those on it.
/// Without any it has its error told by the check itself.
fn offloads(given: &Utf8Path, tools: &Tools) -> Vec<Utf8PathBuf> {
    let is_records = given.file_name() == Some(RECORDS);
    let folder = given.parent().filter(|_| is_records).unwrap_or(given);
    // The current folder has no name of its own in a path.
    let folder = if folder.as_str().is_empty() {
        Utf8Path::new(".")
    } else {
        folder
    };
    match find_offloads(tools.disk.as_ref(), folder) {
        Ok(found) if !found.is_empty() => found,
        _ => vec![folder.to_path_buf()],
    }
}
