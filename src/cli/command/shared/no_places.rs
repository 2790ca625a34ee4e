//! Owns what is said instead of what needs places elsewhere, in a build without them.

use crate::cli::args::Common;
use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use camino::Utf8Path;
use unlade::disk::FolderFacts;
use unlade::error::{Problem, ProblemKind};
use unlade::proof::coverage::FoundOffload;
use unlade::run::Tools;
use unlade::run::prove::Ask;

pub(crate) const ABSENT: &str = "this unlade was built without places elsewhere. To have them: \
    cargo install --path . --locked --features offsite";

/// Says that there are no places.
pub(crate) fn absent(what: &str, out: Out, tools: &Tools) -> Exit {
    refuse(&[ABSENT.to_owned()], Exit::Refused, what, out, tools)
}

/// Says that no place can be tried.
pub(crate) fn check(_: &Utf8Path, _: &str, out: Out, tools: &Tools) -> Exit {
    absent("kit", out, tools)
}

/// Says that nothing at a place can be checked.
pub(crate) fn verify(_: &str, _: Option<&str>, _: &Common, out: Out, tools: &Tools) -> Exit {
    absent("verify", out, tools)
}

/// Says that no place can be looked at.
pub(crate) fn look(
    places: &[String],
    _: &Ask,
    _: &Common,
    _: &Tools,
    _: &FolderFacts,
) -> Result<(Vec<FoundOffload>, Vec<String>), Vec<Problem>> {
    let absent = || vec![Problem::new(ProblemKind::Missing, ABSENT)];
    places
        .first()
        .map_or_else(|| Ok(<_>::default()), |_| Err(absent()))
}
