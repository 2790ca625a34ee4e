//! Owns what is said instead of `unlade send` in a build without it.

use crate::cli::args::Common;
use crate::cli::args::send::SendArgs;
use crate::cli::command::shared::no_places::absent;
use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use unlade::run::Tools;

/// Says that nothing can be sent.
pub(crate) fn send(_: &SendArgs, _: &Common, out: Out, tools: &Tools) -> Exit {
    absent("send", out, tools)
}
