//! Owns what is said instead of what needs places elsewhere, in a build without them.

use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use camino::Utf8Path;
use unlade::run::Tools;

const ABSENT: &str = "this unlade was built without places elsewhere. To have them: cargo install \
    --path . --locked --features offsite";

/// Says that there are no places.
pub(crate) fn absent(what: &str, out: Out, tools: &Tools) -> Exit {
    refuse(&[ABSENT.to_owned()], Exit::Refused, what, out, tools)
}

/// Says that no place can be tried.
pub(crate) fn check(_: &Utf8Path, _: &str, out: Out, tools: &Tools) -> Exit {
    absent("kit", out, tools)
}
