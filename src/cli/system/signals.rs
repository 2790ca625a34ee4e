//! Owns Ctrl-C and its kin (SIGTERM, SIGHUP): the first asks the work to stop and ends the program
//! where nothing can; the second ends it at once. What was finished is kept either way: what stands
//! under its name was read back, and the journal knows it.

use crate::cli::exit::Exit;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

/// How long the work has to stop by itself: a card that does not answer lets no call return.
const PATIENCE: Duration = Duration::from_secs(1);

/// What stops by itself and tells what was done: copies between two reads, and the end of any
/// command.
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

/// What is to be told when the person wants the program to stop.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Interrupt {
    /// What is under way comes to a point where it can stop.
    Stopping,
    /// The program ends now, with nothing stale left on the screen.
    Ending {
        /// Something was under way, and what it did is kept.
        is_at_work: bool,
    },
}

/// Catches the signals; `cancel` is set by the first, and `tell` is called from a thread of its
/// own.
///
/// # Errors
/// Nothing can be caught here: Ctrl-C ends the program at once.
pub(crate) fn catch(
    cancel: &Arc<AtomicBool>,
    tell: impl Fn(Interrupt) + Send + 'static,
) -> Result<(), ctrlc::Error> {
    let (signal, signals): (Sender<()>, Receiver<()>) = bounded(2);
    let run = move || watch(&signals, &tell);
    // Without the thread the first signal still asks the work to stop.
    let thread = std::thread::Builder::new().name("signals".into());
    drop(thread.stack_size(128 << 10).spawn(run));
    let flag = Arc::clone(cancel);
    ctrlc::set_handler(move || {
        flag.store(true, Ordering::SeqCst);
        // A third one adds nothing.
        if signal.try_send(()).is_err() {}
    })
}

/// Ends the program when the work does not.
fn watch(signals: &Receiver<()>, tell: &impl Fn(Interrupt)) {
    if signals.recv().is_err() {
        return;
    }
    let mut has_told = false;
    loop {
        match signals.recv_timeout(PATIENCE) {
            Ok(()) => end(tell),
            Err(RecvTimeoutError::Disconnected) => return,
            Err(RecvTimeoutError::Timeout) if BUSY.load(Ordering::SeqCst) == 0 => end(tell),
            Err(RecvTimeoutError::Timeout) if !has_told => {
                has_told = true;
                tell(Interrupt::Stopping);
            }
            Err(RecvTimeoutError::Timeout) => {}
        }
    }
}

#[expect(
    clippy::exit,
    reason = "a card that does not answer lets no call return, so no other way leads out"
)]
fn end(tell: &impl Fn(Interrupt)) -> ! {
    let is_at_work = BUSY.load(Ordering::SeqCst) > 0;
    tell(Interrupt::Ending { is_at_work });
    std::process::exit(Exit::Interrupted.code().into());
}
