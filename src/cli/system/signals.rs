//! Owns Ctrl-C and its kin (SIGTERM, SIGHUP): the first asks the work to stop and ends the program where nothing
//! can; the second ends it at once. What was finished is kept either way: what stands under its name was read back,
//! and the journal knows it.

use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::{self, Out};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;
use unlade::clock::Clock;

/// How long the work has to stop by itself: a card that does not answer lets no call return.
const PATIENCE: Duration = Duration::from_secs(1);

/// What stops by itself and tells what was done: copies between two reads, and the end of any command.
static BUSY: AtomicUsize = AtomicUsize::new(0);

/// While it lives the program is not ended by the first signal.
pub(crate) struct AtWork;

impl AtWork {
    pub(crate) fn begin() -> Self {
        BUSY.fetch_add(1, Ordering::SeqCst);
        Self
    }
}

impl Drop for AtWork {
    fn drop(&mut self) {
        BUSY.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Who ends the program when it has to.
struct Watch {
    out: Out,
    clock: Arc<dyn Clock>,
    /// The command ends with a verdict.
    has_verdict: bool,
}

/// Catches the signals; `cancel` is set by the first.
pub(crate) fn catch(cancel: &Arc<AtomicBool>, out: Out, clock: Arc<dyn Clock>, has_verdict: bool) {
    let (signal, signals): (Sender<()>, Receiver<()>) = bounded(2);
    let watch = Watch {
        out,
        clock,
        has_verdict,
    };
    let run = move || watch.run(&signals);
    // Without the thread the first signal still asks the work to stop.
    let thread = std::thread::Builder::new().name("signals".into());
    drop(thread.stack_size(128 << 10).spawn(run));
    let flag = Arc::clone(cancel);
    let caught = ctrlc::set_handler(move || {
        flag.store(true, Ordering::SeqCst);
        // A third one adds nothing.
        if signal.try_send(()).is_err() {}
    });
    if let Err(e) = caught {
        out.error(&format!(
            "unlade: Ctrl-C cannot be caught here ({e}); it will end the program at once."
        ));
    }
}

impl Watch {
    fn run(&self, signals: &Receiver<()>) {
        if signals.recv().is_err() {
            return;
        }
        let mut has_told = false;
        loop {
            match signals.recv_timeout(PATIENCE) {
                Ok(()) => self.end(),
                Err(RecvTimeoutError::Disconnected) => return,
                Err(RecvTimeoutError::Timeout) if BUSY.load(Ordering::SeqCst) == 0 => self.end(),
                Err(RecvTimeoutError::Timeout) if !has_told => {
                    has_told = true;
                    self.out.error(
                        "Stopping: what is done is made durable. Ctrl-C again ends at once.",
                    );
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    }

    /// Ends the program, with nothing stale on the screen.
    fn end(&self) {
        let exit = Exit::Interrupted;
        out::clear();
        let why = if BUSY.load(Ordering::SeqCst) > 0 {
            "interrupted; what is done is kept. Run the same command again to go on."
        } else if self.has_verdict {
            "interrupted, and nothing was proven."
        } else {
            "interrupted."
        };
        if self.out.json && self.has_verdict {
            let verdict = json!({
                "proven": false, "copies": 0, "reasons": [why], "exit_code": exit.code(),
            });
            Json::new(self.out, Arc::clone(&self.clock)).send("verdict", verdict);
        } else {
            self.out.error(&format!("unlade: {why}"));
        }
        out::flush(&AtomicBool::new(true));
        std::process::exit(exit.code().into());
    }
}
