//! Owns what is said instead of `unlade desk` in a build without it.

use crate::cli::args::Common;
use crate::cli::args::desk::DeskArgs;
use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use unlade::run::Tools;

const ABSENT: &str = "this unlade was built without the page. To have it: cargo install --path . \
    --locked --features desk";

/// Says that there is no page.
pub(crate) fn desk(_: &DeskArgs, _: &Common, out: Out, tools: &Tools) -> Exit {
    refuse(&[ABSENT.to_owned()], Exit::Refused, "desk", out, tools)
}
