//! Owns what is said when the person wants the program to stop.

use crate::cli::exit::Exit;
use crate::cli::system::signals::Interrupt;
use crate::cli::view::json::Json;
use crate::cli::view::out::{self, Out};
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use unlade::clock::Clock;
use unlade::name::shown;

/// Tells what an interruption does. `has_verdict`: the command ends with a verdict.
pub(crate) fn tell(interrupt: Interrupt, has_verdict: bool, out: Out, clock: &Arc<dyn Clock>) {
    let (is_at_work, silent) = match interrupt {
        Interrupt::Stopping { silent } => {
            out.error(&match silent {
                None => {
                    "Stopping: what is done is made durable. Ctrl-C again ends at once.".to_owned()
                }
                Some(path) => format!(
                    "Stopping: waiting for `{}`, which does not answer. Ctrl-C again ends at once.",
                    shown(&path)
                ),
            });
            return;
        }
        Interrupt::Ending { is_at_work, silent } => (is_at_work, silent),
    };
    out::clear();
    if let Some(path) = silent {
        out.error(&format!("unlade: `{}` does not answer.", shown(&path)));
    }
    let why = if is_at_work {
        "interrupted; what is done is kept. Run the same command again to go on."
    } else {
        nothing_done(has_verdict)
    };
    say(why, has_verdict, out, clock);
    out::flush(&AtomicBool::new(true));
}

fn nothing_done(has_verdict: bool) -> &'static str {
    if has_verdict {
        "interrupted, and nothing was proven."
    } else {
        "interrupted."
    }
}

/// Tells that a command has stopped before it did anything.
pub(crate) fn stopped(has_verdict: bool, out: Out, clock: &Arc<dyn Clock>) -> Exit {
    say(nothing_done(has_verdict), has_verdict, out, clock);
    Exit::Interrupted
}

fn say(why: &str, has_verdict: bool, out: Out, clock: &Arc<dyn Clock>) {
    if out.json && has_verdict {
        let verdict = json!({
            "proven": false, "copies": 0, "reasons": [why], "exit_code": Exit::Interrupted.code(),
        });
        Json::new(out, Arc::clone(clock)).send("verdict", verdict);
    } else {
        out.error(&format!("unlade: {why}"));
    }
}
