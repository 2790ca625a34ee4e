//! Owns Ctrl-C and its kin (SIGTERM, SIGHUP): the first asks the work to stop and ends the program
//! where nothing can; the second ends it at once. What was finished is kept either way: what stands
//! under its name was read back, and the journal knows it.

use crate::cli::exit::Exit;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tempfile::TempDir;
use unlade::clock::{Clock as _, SystemClock};
use unlade::disk::guarded::{Call, Calls};

/// How often it is looked how the work stops.
const TICK: Duration = Duration::from_millis(180);
/// Looks until the work has had its time to stop by itself: together less than a second.
const TICKS: usize = 5;
/// Tries at removing a folder that is written to.
const REMOVALS: u32 = 20;

/// What stops by itself and tells what was done: copies between two reads, and the end of any
/// command.
static BUSY: AtomicUsize = AtomicUsize::new(0);

/// Folders that go with the program, however it ends.
static FOLDERS: Mutex<Vec<TempDir>> = Mutex::new(Vec::new());

/// Has a folder removed by [`remove_folders`], or when a signal ends the program.
pub(crate) fn remove_at_the_end(folder: TempDir) {
    let mut folders = FOLDERS.lock().unwrap_or_else(PoisonError::into_inner);
    folders.push(folder);
}

/// Removes the folders that were to be removed at the end. A signal waits until that is done.
pub(crate) fn remove_folders() -> std::io::Result<()> {
    let mut folders = FOLDERS.lock().unwrap_or_else(PoisonError::into_inner);
    let removed: Vec<_> = folders.drain(..).map(TempDir::close).collect();
    removed.into_iter().collect()
}

/// The same while others may still be writing there, for a while.
#[expect(
    clippy::disallowed_methods,
    reason = "they are the demo's own folders, which hold no card and no copy of one"
)]
fn remove_folders_at_work() {
    // Kept until it is done: the work may come to its end meanwhile, and the program with it.
    let mut held = FOLDERS.lock().unwrap_or_else(PoisonError::into_inner);
    // Windows removes no folder that a program is in.
    let _is_out = std::env::set_current_dir(std::env::temp_dir());
    for folder in held.drain(..).map(TempDir::keep) {
        let is_there = |_: &u32| std::fs::remove_dir_all(&folder).is_err() && folder.exists();
        for _ in (0..REMOVALS).take_while(is_there) {
            SystemClock::start().sleep(TICK / 4);
        }
    }
}

/// While it lives the program is not ended by the first signal, unless something does not answer.
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
#[derive(Clone, Debug)]
pub(crate) enum Interrupt {
    /// What is under way comes to a point where it can stop.
    Stopping {
        /// What has not answered all that time.
        silent: Option<String>,
    },
    /// The program ends now, with nothing stale left on the screen.
    Ending {
        /// Something was under way, and what it did is kept.
        is_at_work: bool,
        /// What has not answered all that time.
        silent: Option<String>,
    },
}

/// Runs the work in a thread of its own: the system gives a signal to the main thread first, and
/// one that waits for a drive in the kernel hears nothing.
pub(crate) fn beside_the_main_thread(work: impl FnOnce() -> Exit + Send) -> Exit {
    let work = Mutex::new(Some(work));
    let run = || {
        let work = work.lock().ok().and_then(|mut work| work.take());
        work.map(|work| work())
    };
    let done = std::thread::scope(|scope| {
        let thread = std::thread::Builder::new().name("unlade".into());
        // As much as main threads have.
        match thread.stack_size(8 << 20).spawn_scoped(scope, run) {
            Ok(thread) => thread
                .join()
                .unwrap_or_else(|broken| std::panic::resume_unwind(broken)),
            Err(_) => run(),
        }
    });
    done.unwrap_or(Exit::NotProven)
}

/// Catches the signals; `cancel` is set by the first, and `tell` is called from a thread of its
/// own. `calls` are those that the work waits for.
///
/// # Errors
/// Nothing can be caught here: Ctrl-C ends the program at once.
pub(crate) fn catch(
    cancel: &Arc<AtomicBool>,
    calls: Arc<Calls>,
    tell: impl Fn(Interrupt) + Send + 'static,
) -> Result<(), ctrlc::Error> {
    let (signal, signals): (Sender<()>, Receiver<()>) = bounded(2);
    let run = move || watch(&signals, &calls, &tell);
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
fn watch(signals: &Receiver<()>, calls: &Calls, tell: &impl Fn(Interrupt)) {
    if signals.recv().is_err() {
        return;
    }
    let mut has_told = false;
    let mut stall = Waiting::new(calls);
    loop {
        match signals.recv_timeout(TICK) {
            Ok(()) => end(stall.look(calls).silent(), tell),
            Err(RecvTimeoutError::Disconnected) => return,
            Err(RecvTimeoutError::Timeout) => {}
        }
        let silent = stall.look(calls).silent();
        if stall.ticks < TICKS {
            continue;
        }
        if BUSY.load(Ordering::SeqCst) == 0 || stall.is_all_that_is_waited_for() {
            end(silent, tell);
        }
        if !has_told {
            has_told = true;
            tell(Interrupt::Stopping { silent });
        }
    }
}

/// What is seen of the calls since the first signal.
struct Waiting {
    ticks: usize,
    /// Calls begun and calls running at each of the last looks.
    looks: Vec<(u64, Vec<Call>)>,
}

impl Waiting {
    fn new(calls: &Calls) -> Self {
        let looks = vec![calls.now()];
        Self { ticks: 0, looks }
    }

    fn look(&mut self, calls: &Calls) -> &Self {
        self.ticks += 1;
        self.looks.push(calls.now());
        if self.looks.len() > 1 + TICKS {
            self.looks.remove(0);
        }
        self
    }

    /// Returns the oldest call that has run through all of these looks.
    fn stuck(&self) -> Option<&Call> {
        let (first, last) = (self.looks.first()?, self.looks.last()?);
        last.1.iter().find(|call| first.1.contains(call))
    }

    fn silent(&self) -> Option<String> {
        self.stuck().map(|call| call.path.to_string())
    }

    /// Whether the work waits for an answer and does nothing else that would be lost: it changes no
    /// drive and begins nothing.
    fn is_all_that_is_waited_for(&self) -> bool {
        let mut latest = self.looks.iter().rev().take(2).map(|(begun, _)| *begun);
        let is_still = latest.next() == latest.next();
        let writes = |(_, running): &(u64, Vec<Call>)| running.iter().any(|call| call.writes);
        let is_writing = self.looks.iter().rev().take(2).any(writes);
        self.stuck().is_some() && is_still && !is_writing
    }
}

#[expect(
    clippy::exit,
    reason = "a card that does not answer lets no call return, so no other way leads out"
)]
fn end(silent: Option<String>, tell: &impl Fn(Interrupt)) -> ! {
    let is_at_work = BUSY.load(Ordering::SeqCst) > 0;
    tell(Interrupt::Ending { is_at_work, silent });
    remove_folders_at_work();
    std::process::exit(Exit::Interrupted.code().into());
}
