//! Owns `watch`: cards are copied by themselves when they are plugged in, as the kit says.

mod cards;
mod copying;
mod explain;
mod hooks;
mod log;
mod owed;
mod room;
mod seen;
mod sending;
mod service;
mod status;
mod told;
mod waiting;
mod watching;

use crate::cli::args::Common;
use crate::cli::args::watch::WatchArgs;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::folder::folder;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use unlade::run::Tools;
use watching::Watching;

/// Watches, or says what a watch does.
pub(crate) fn watch(
    args: &WatchArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
) -> Exit {
    if let Some(system) = args.print_service {
        return service::print(system, common, out);
    }
    let Some(home) = folder(common) else {
        let why = "there is no folder for programs' data here; give one with --home.";
        return refuse(&[why.to_owned()], Exit::Refused, "home", out, tools);
    };
    if args.status {
        return status::tell(&home, out, tools);
    }
    if let Some(card) = &args.explain {
        return explain::explain(card, &home, common, out, tools);
    }
    match Watching::begin(args, common, &home, out, tools, book) {
        Ok(watching) => watching.run(),
        Err(exit) => exit,
    }
}
