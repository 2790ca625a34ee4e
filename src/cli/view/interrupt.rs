//! Owns what is said when the person wants the program to stop.

use crate::cli::exit::Exit;
use crate::cli::system::signals::Interrupt;
use crate::cli::view::json::Json;
use crate::cli::view::out::{self, Out};
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use unlade::clock::Clock;

/// Tells what an interruption does. `has_verdict`: the command ends with a verdict.
pub(crate) fn tell(interrupt: Interrupt, has_verdict: bool, out: Out, clock: &Arc<dyn Clock>) {
    let Interrupt::Ending { is_at_work } = interrupt else {
        out.error("Stopping: what is done is made durable. Ctrl-C again ends at once.");
        return;
    };
    out::clear();
    let why = if is_at_work {
        "interrupted; what is done is kept. Run the same command again to go on."
    } else if has_verdict {
        "interrupted, and nothing was proven."
    } else {
        "interrupted."
    };
    if out.json && has_verdict {
        let verdict = json!({
            "proven": false, "copies": 0, "reasons": [why], "exit_code": Exit::Interrupted.code(),
        });
        Json::new(out, Arc::clone(clock)).send("verdict", verdict);
    } else {
        out.error(&format!("unlade: {why}"));
    }
    out::flush(&AtomicBool::new(true));
}
