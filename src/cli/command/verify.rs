//! Owns `verify`: offloads read again and held against their records and the keys of whoever should
//! have signed.

use crate::cli::args::VerifyArgs;
use crate::cli::command::shared::check_offloads::check_offloads;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::keys;
use crate::cli::view::out::Out;
use unlade::run::Tools;

/// Checks every offload and tells the results in the order of the command line.
pub(crate) fn verify(args: &VerifyArgs, out: Out, tools: &Tools, book: &Book) -> Exit {
    let expected = match &args.signed_by {
        None => None,
        Some(path) => match keys::expected(path, &args.offloads, out, tools) {
            Ok(expected) => Some(expected),
            Err(exit) => return exit,
        },
    };
    check_offloads(&args.offloads, expected.as_ref(), out, tools, book)
}
