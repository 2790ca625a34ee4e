//! Owns the checks and questions of the desk: nothing is copied by them. Each is the terminal's
//! command in a thread of its own, as a copy is.

use super::held;
use super::jobs::BUSY;
use super::state::{Desk, DeskReading, ReadAsked};
use super::typed;
use crate::cli::args::Command;
use crate::cli::command::prove::prove_shown;
use crate::cli::command::verify::verify_shown;
use crate::cli::exit::Exit;
use crate::cli::view::observer::{ReadEnd, ReadViewer};
use crate::cli::view::out::heard;
use serde_json::Value;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use unlade::disk::progress::Progress;
use unlade::run::Tools;

/// Begins to read, if the card and the drives are there that are meant. `name` is what is read, as
/// people call it. Looks at drives, and may take a while.
///
/// # Errors
/// Why nothing is read, in a sentence.
pub(super) fn start(desk: &Arc<Desk>, mut asked: ReadAsked, name: String) -> Result<(), String> {
    let is_busy = desk.lock().is_busy();
    if is_busy {
        return Err(BUSY.to_owned());
    }
    let heard = held::same(desk, &mut asked)?;
    let cancel = Arc::new(AtomicBool::new(false));
    {
        let mut state = desk.lock();
        if state.is_busy() || desk.is_ending() {
            return Err(BUSY.to_owned());
        }
        state.work = None;
        state.reading = Some(DeskReading {
            asked: asked.clone(),
            name,
            cancel: Arc::clone(&cancel),
            begun: desk.tools.clock.elapsed(),
            done: (0, 0, Duration::ZERO),
            ends: Vec::new(),
            all: None,
            heard,
            exit: None,
        });
    }
    desk.poke();
    let reading = Arc::clone(desk);
    let thread = std::thread::Builder::new().name("desk-read".into());
    let started = thread.spawn(move || run(&reading, &asked, cancel));
    started.map(drop).map_err(|cause| {
        desk.lock().reading = None;
        format!("Nothing could be read: {cause}.")
    })
}

/// Begins what was read last once more.
///
/// # Errors
/// Why nothing is read, in a sentence.
pub(super) fn again(desk: &Arc<Desk>, reads_all: bool) -> Result<(), String> {
    let last = desk.lock().reading.clone();
    let Some(DeskReading {
        mut asked, name, ..
    }) = last
    else {
        return Err("There is nothing to check again.".to_owned());
    };
    if let ReadAsked::Format { rereads, .. } = &mut asked {
        *rereads |= reads_all;
    }
    start(desk, asked, name)
}

fn run(desk: &Arc<Desk>, asked: &ReadAsked, cancel: Arc<AtomicBool>) {
    let tools = Tools {
        cancel,
        ..desk.tools.clone()
    };
    let viewer = ShownReading(desk);
    let read = || {
        let command = match typed::read_command(desk, asked, &tools) {
            Ok(command) => command,
            Err(exit) => return exit,
        };
        let (common, out, book) = (&desk.common, desk.out, desk.book());
        match &command {
            Command::Verify(args) => verify_shown(args, common, out, &tools, &book, Some(&viewer)),
            Command::Prove(args) => prove_shown(args, common, out, &tools, &book, Some(&viewer)),
            _ => Exit::Usage,
        }
    };
    let (done, mut lines) = heard(|| catch_unwind(AssertUnwindSafe(read)));
    let exit = done.unwrap_or_else(|_| {
        lines.push("It broke down; this is a fault of unlade, please report it.".to_owned());
        Exit::NotProven
    });
    if let Some(reading) = &mut desk.lock().reading {
        reading.heard.append(&mut lines);
        reading.exit = Some(exit);
    }
    desk.look_again();
    desk.poke();
}

/// Puts what is read on the page.
struct ShownReading<'a>(&'a Arc<Desk>);

impl ShownReading<'_> {
    fn change(&self, change: impl FnOnce(&mut DeskReading)) {
        if let Some(reading) = &mut self.0.lock().reading {
            change(reading);
        }
        self.0.poke();
    }
}

impl ReadViewer for ShownReading<'_> {
    fn progress(&self, progress: &Progress) {
        let read = progress.bytes.load(Ordering::Relaxed);
        let all = progress.bytes_total.load(Ordering::Relaxed);
        let now = self.0.tools.clock.elapsed();
        self.change(|reading| {
            reading.done = (read, all, now.saturating_sub(reading.begun));
        });
    }

    fn end(&self, end: ReadEnd) {
        self.change(|reading| reading.ends.push(end));
    }

    fn all(&self, sentence: String, verdict: Value) {
        self.change(|reading| reading.all = Some((sentence, verdict)));
    }
}
