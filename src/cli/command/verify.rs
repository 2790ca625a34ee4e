//! Owns `verify`: offloads read again and held against their records and the keys of whoever should
//! have signed.

use crate::cli::args::{Common, VerifyArgs};
use crate::cli::command::shared::check_offloads::check_offloads;
use crate::cli::command::shared::check_targets::{base_of, of_list, targets};
use crate::cli::command::shared::checked::CheckTarget;
#[cfg(not(feature = "offsite"))]
use crate::cli::command::shared::no_places as place_verify;
#[cfg(feature = "offsite")]
use crate::cli::command::shared::place_verify;
use crate::cli::exit::Exit;
use crate::cli::home::at_place::apart;
use crate::cli::home::book::Book;
use crate::cli::home::drive_names::DriveNames;
use crate::cli::home::keys;
use crate::cli::view::observer::ReadViewer;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use camino::Utf8PathBuf;
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
    let (places, folders) = apart(&args.offloads, common, tools);
    if places.is_empty() && args.sample.is_none() {
        return of_folders(args, &folders, (common, out, tools, book), viewer);
    }
    let of_folders_only =
        args.list.is_some() || args.signed_by.is_some() || args.generation.add_generation;
    if let Some(why) = unfit(
        places.is_empty(),
        !folders.is_empty(),
        args,
        of_folders_only,
    ) {
        return refuse(&[why.to_owned()], Exit::Usage, "verify", out, tools);
    }
    let first = (!folders.is_empty())
        .then(|| of_folders(args, &folders, (common, out, tools, book), viewer));
    let rest = places.iter().map(|given| {
        let sample = args.sample.as_deref();
        place_verify::verify(given, sample, common, out, tools)
    });
    Exit::of_all(
        first
            .into_iter()
            .chain(rest)
            .collect::<Vec<_>>()
            .into_iter(),
    )
}

/// Says which of the flags don't go together.
fn unfit(
    has_no_place: bool,
    has_folders: bool,
    args: &VerifyArgs,
    of_folders_only: bool,
) -> Option<&'static str> {
    if args.sample.is_some() && (has_no_place || has_folders) {
        return Some("--sample is for offloads at places elsewhere: PLACE/NAME.");
    }
    of_folders_only.then_some("--list, --signed-by and --add-generation are for folders on drives.")
}

/// Checks what is in folders.
fn of_folders(
    args: &VerifyArgs,
    folders: &[Utf8PathBuf],
    (common, out, tools, book): (&Common, Out, &Tools, &Book),
    viewer: Option<&dyn ReadViewer>,
) -> Exit {
    let mut targets: Vec<CheckTarget> = match &args.list {
        None => {
            let given = folders.iter();
            given
                .flat_map(|given| targets(given, tools, book))
                .collect()
        }
        Some(list) => match base_of(list, folders, args.base.as_deref(), ("verify", "")) {
            Ok(base) => vec![of_list(list, base)],
            Err(why) => return refuse(&[why], Exit::Usage, "verify", out, tools),
        },
    };
    if args.generation.add_generation {
        // By the list that the check is written into.
        for target in &mut targets {
            (target.is_of_others, target.adds_generation) = (true, true);
        }
    }
    let paths: Vec<Utf8PathBuf> = targets.iter().map(|t| t.path.clone()).collect();
    let expected = match &args.signed_by {
        None => None,
        Some(path) => match keys::expected(path, &paths, out, tools) {
            Ok(expected) => Some(expected),
            Err(exit) => return exit,
        },
    };
    let drives = DriveNames::of(common);
    let known = (book, &drives);
    check_offloads(&targets, expected.as_ref(), out, tools, known, viewer)
}
