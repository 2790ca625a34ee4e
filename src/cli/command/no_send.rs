//! Owns what is said instead of `send` and `fetch` in a build without them.

use crate::cli::args::Common;
use crate::cli::args::send::{FetchArgs, SendArgs};
use crate::cli::command::shared::no_places::absent;
use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use unlade::run::Tools;

/// Says that nothing can be sent.
pub(crate) fn send(_: &SendArgs, _: &Common, out: Out, tools: &Tools) -> Exit {
    absent("send", out, tools)
}

/// Says that nothing can be fetched.
pub(crate) fn fetch(_: &FetchArgs, _: &Common, out: Out, tools: &Tools) -> Exit {
    absent("fetch", out, tools)
}
