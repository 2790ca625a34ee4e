//! Owns how it is told that nothing was done, and why.

use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use serde_json::json;
use std::sync::Arc;
use unlade::clock::SystemClock;
use unlade::run::Tools;

/// Tells why nothing was done, and returns the end that this is. `what` is the command, for
/// programs.
pub(crate) fn refuse(lines: &[String], exit: Exit, what: &str, out: Out, tools: &Tools) -> Exit {
    if out.json {
        let json = Json::new(out, Arc::clone(&tools.clock));
        json.send(
            "refused",
            json!({"what": what, "reasons": lines, "exit_code": exit.code()}),
        );
    } else {
        explain(lines, out);
    }
    exit
}

/// Tells what is wrong with the command line, to people and to programs, and returns the end that
/// this is. It is told before anything begins.
pub(crate) fn usage(lines: &[String], out: Out) -> Exit {
    explain(lines, out);
    refused_usage(lines, out)
}

/// The same for programs alone.
pub(crate) fn refused_usage(lines: &[String], out: Out) -> Exit {
    let exit = Exit::Usage;
    if out.json {
        let body = json!({"reasons": lines, "exit_code": exit.code()});
        Json::new(out, Arc::new(SystemClock::start())).send("refused", body);
    }
    exit
}

/// Says to people why nothing was done.
pub(crate) fn explain(lines: &[String], out: Out) {
    let mut lead = "unlade: ";
    for line in lines {
        for part in wrap(line, out.width, lead, "  ") {
            out.error(&part);
        }
        lead = "  ";
    }
}
