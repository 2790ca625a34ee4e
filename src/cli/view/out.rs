//! Owns standard output and what the terminal can do, and makes harmless whatever is printed. A
//! reader that went away (`| head`) ends the printing, never the job; what could not be written for
//! another reason is told at the end.

use crate::cli::args::{Color, Common};
use crate::cli::exit::Exit;
use crate::cli::view::picture::{Canvas, Picture, Size};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};
use std::cell::RefCell;
use std::io::{self, BufRead as _, IsTerminal as _, Read as _, Write as _};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::Duration;
use unlade::name::{escaped_in_json, shown};

/// Standard output as this run uses it.
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
#[derive(Clone, Copy, Debug)]
pub(crate) struct Out {
    pub(crate) is_terminal: bool,
    /// The terminal can take lines back, so that a picture is redrawn in place; else there are
    /// plain lines.
    pub(crate) draws: bool,
    pub(crate) colour: bool,
    pub(crate) json: bool,
    pub(crate) quiet: bool,
    /// Everything that is known is said, not only what is needed.
    pub(crate) verbose: bool,
    pub(crate) width: usize,
}

/// What begins and ends a heading in colour.
const GOOD: &str = "\u{1b}[1;32m";
const BAD: &str = "\u{1b}[1;31m";
const END: &str = "\u{1b}[0m";

impl Out {
    /// Looks at the terminal once.
    pub(crate) fn new(common: &Common) -> Self {
        let is_terminal = io::stdout().is_terminal();
        let no_color = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        let takes_escapes = takes_escapes();
        let colour = match common.color {
            Color::Always => true,
            Color::Never => false,
            Color::Auto => is_terminal && !no_color && takes_escapes,
        };
        Self {
            is_terminal,
            draws: is_terminal && takes_escapes,
            colour: colour && !common.json,
            json: common.json,
            quiet: common.quiet,
            verbose: common.verbose,
            width: width(),
        }
    }

    /// Standard output for programs, where the command line is not known.
    pub(crate) fn for_programs() -> Self {
        Self {
            is_terminal: false,
            draws: false,
            colour: false,
            json: true,
            quiet: true,
            verbose: false,
            width: 80,
        }
    }

    /// Prints one line to standard output, harmlessly. It is handed to a thread, so that a reader
    /// who has stopped reading, or a terminal that is held (Ctrl-S), never stops a copy.
    pub(crate) fn line(self, text: &str) {
        if !is_heard(text) {
            queue().send(Said::Lines(self.harmless(text)));
        }
    }

    /// Prints lines with none of another card in between.
    pub(crate) fn block(self, lines: &[String]) {
        if !lines.is_empty() && lines.iter().all(|line| is_heard(line)) {
            return;
        }
        let lines: Vec<String> = lines.iter().map(|line| self.harmless(line)).collect();
        queue().send(Said::Lines(lines.join("\n")));
    }

    /// Prints text of this program alone, as it is: nothing in it comes from a drive, a device or a
    /// person.
    #[expect(
        clippy::unused_self,
        reason = "printing goes through the one owner of the output"
    )]
    pub(crate) fn own_text(self, text: &str) {
        queue().send(Said::Lines(text.to_owned()));
    }

    /// Prints one object as JSON in one line.
    #[expect(
        clippy::unused_self,
        reason = "printing goes through the one owner of the output"
    )]
    pub(crate) fn object(self, json: &str) {
        queue().send(Said::Lines(escaped_in_json(json)));
    }

    /// Prints one line to standard error, harmlessly: it may quote what was typed or what a drive
    /// holds.
    pub(crate) fn error(self, text: &str) {
        if is_heard(text) {
            return;
        }
        if self.is_terminal || both_are_one() {
            // After what was said before it, and not into the picture.
            queue().send(Said::Error(shown(text)));
        } else {
            to_stderr(&shown(text));
        }
    }

    /// Prints one line of the debug log to standard error, harmlessly. Whoever logs is at work, and
    /// no reader of the log may stop that.
    #[expect(
        clippy::unused_self,
        reason = "printing goes through the one owner of the output"
    )]
    pub(crate) fn log(self, text: &str) {
        queue().send(Said::Error(shown(text)));
    }

    /// Says what is wrong with the command line. It quotes what was typed: a line break in it can't
    /// be told from one of ours, so that only what begins like ours begins a line.
    pub(crate) fn usage(text: &str) {
        const OURS: [&str; 4] = ["error:", "  ", "Usage:", "For more"];
        let mut told = String::new();
        for line in text.lines() {
            let is_ours = line.is_empty() || OURS.iter().any(|ours| line.starts_with(ours));
            told.push_str(if told.is_empty() {
                ""
            } else if is_ours {
                "\n"
            } else {
                "\\u{a}"
            });
            told.push_str(&shown(line));
        }
        drop(writeln!(io::stderr(), "{told}"));
    }

    /// Returns what the terminal is like now, for a picture.
    pub(super) fn canvas() -> Canvas {
        let columns = size().map_or(80, |size| size.columns);
        Canvas {
            columns,
            has_blocks: cfg!(windows) || is_unicode(),
        }
    }

    /// Returns the number of a new block of the running picture, below those that are there.
    pub(crate) fn new_block() -> usize {
        static BLOCKS: AtomicUsize = AtomicUsize::new(0);
        BLOCKS.fetch_add(1, Ordering::Relaxed)
    }

    /// Asks a question to which Enter alone says yes. What was typed before it could be read is no
    /// answer to it, nor is the end of the input.
    pub(crate) fn ask(self, question: &str, cancel: &AtomicBool) -> Consent {
        forget_what_was_typed();
        queue().send(Said::Question(self.harmless(question)));
        queue().flush(cancel);
        let mut typed = Vec::new();
        let read = io::stdin()
            .lock()
            .take(ANSWER_MAX)
            .read_until(b'\n', &mut typed);
        let is_line = read.is_ok() && typed.ends_with(b"\n");
        if !is_line {
            self.line("");
        }
        let word = typed.trim_ascii().to_ascii_lowercase();
        match word.as_slice() {
            b"" | b"y" | b"yes" if is_line && !cancel.load(Ordering::SeqCst) => Consent::Yes,
            _ => Consent::No,
        }
    }

    /// Draws the lines of a block of the picture; none take it away.
    pub(crate) fn draw(self, block: usize, lines: &[String]) {
        if self.draws {
            let lines = lines.iter().map(|line| shown(line)).collect();
            queue().send(Said::Picture(block, lines));
        }
    }

    /// Returns the heading of a good or a bad result, coloured where that helps.
    pub(crate) fn heading(self, text: &str, good: bool) -> String {
        match (self.colour, good) {
            (true, true) => format!("{GOOD}{text}{END}"),
            (true, false) => format!("{BAD}{text}{END}"),
            (false, _) => text.to_owned(),
        }
    }

    /// The one place through which everything goes that people read: what drives, devices, records
    /// and the system say can't move the cursor, colour anything or begin a line. A heading of this
    /// program's keeps its colour.
    fn harmless(self, line: &str) -> String {
        for colour in [GOOD, BAD].into_iter().filter(|_| self.colour) {
            let heading = line.strip_prefix(colour).and_then(|l| l.split_once(END));
            if let Some((heading, rest)) = heading
                && heading.chars().all(|c| c.is_ascii_uppercase() || c == ' ')
            {
                return format!("{colour}{heading}{END}{}", shown(rest));
            }
        }
        shown(line)
    }
}

thread_local! {
    /// What this thread says, while somebody listens.
    static HEARD: RefCell<Option<Vec<String>>> = const { RefCell::new(None) };
}

/// Lines of one thread that are kept for whoever listens; those after them are lost.
const HEARD_MAX: usize = 1_000;

/// Does something, and returns what this thread said to people meanwhile, which is not printed.
pub(crate) fn heard<T>(work: impl FnOnce() -> T) -> (T, Vec<String>) {
    let before = HEARD.replace(Some(Vec::new()));
    let done = work();
    (done, HEARD.replace(before).unwrap_or_default())
}

/// Returns what this thread has said so far while somebody listens, who hears no more of it.
#[cfg_attr(
    not(any(feature = "desk", test)),
    expect(dead_code, reason = "the page has it")
)]
pub(crate) fn heard_so_far() -> Vec<String> {
    HEARD.with_borrow_mut(|heard| heard.as_mut().map(std::mem::take).unwrap_or_default())
}

/// Keeps a line for whoever listens; `false` where nobody does.
fn is_heard(text: &str) -> bool {
    HEARD.with_borrow_mut(|heard| {
        let Some(lines) = heard else { return false };
        if lines.len() < HEARD_MAX {
            lines.push(text.to_owned());
        }
        true
    })
}

/// Lines that may wait for a slow reader; what finds no room in time is lost to one who has
/// stopped.
const LINES_WAITING: usize = 65_536;
/// How long a reader who does not read is waited for before it counts as stuck.
const PATIENCE: Duration = Duration::from_millis(1_500);

/// Pictures are left out while so much waits to be written.
const PICTURES_WAIT_BEHIND: usize = 32;

/// Longest answer in bytes.
const ANSWER_MAX: u64 = 1_024;

/// What a person said to a question.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Consent {
    Yes,
    No,
}

#[cfg(unix)]
fn forget_what_was_typed() {
    use rustix::termios::{QueueSelector, tcflush};
    // Where that is not possible the question is asked all the same.
    if tcflush(io::stdin(), QueueSelector::IFlush).is_err() {}
}

#[cfg(not(unix))]
fn forget_what_was_typed() {}

/// What is to be written.
enum Said {
    /// To standard output, without the last line break.
    Lines(String),
    /// To standard error, in its turn.
    Error(String),
    /// The lines of a block of the running picture.
    Picture(usize, Vec<String>),
    /// The picture goes for good.
    Clear,
    /// To standard output, with the cursor left behind it.
    Question(String),
    /// Nothing: all that was said before is to be written now.
    Flush,
}

/// The one who writes.
#[derive(Default)]
struct Writer {
    picture: Picture,
}

impl Writer {
    fn write(&mut self, said: Said) -> io::Result<()> {
        let mut out = io::stdout().lock();
        let Some(size) = size() else {
            return match said {
                Said::Lines(text) => writeln!(out, "{text}"),
                Said::Error(text) => out.flush().map(|()| to_stderr(&text)),
                Said::Question(text) => write!(out, "{text}"),
                Said::Picture(..) | Said::Clear => Ok(()),
                Said::Flush => out.flush(),
            };
        };
        let text = match said {
            Said::Lines(text) => self.picture.around(&format!("{text}\n"), size),
            Said::Picture(block, lines) => {
                self.picture.set(block, lines);
                self.picture.around("", size)
            }
            Said::Clear => {
                let erased = self.picture.erased(size);
                self.picture = Picture::default();
                erased
            }
            Said::Error(text) => {
                let erased = self.picture.erased(size);
                out.write_all(erased.as_bytes())
                    .and_then(|()| out.flush())?;
                to_stderr(&text);
                self.picture.around("", size)
            }
            Said::Question(text) => text,
            Said::Flush => String::new(),
        };
        out.write_all(text.as_bytes())?;
        out.flush()
    }
}

/// Where standard error is closed there is nobody else to tell, and standard output goes on.
fn to_stderr(text: &str) {
    drop(io::stderr().write_all(format!("{text}\n").as_bytes()));
}

/// The way to standard output.
struct Queue {
    lines: Sender<Said>,
    written: Receiver<()>,
    is_stuck: AtomicBool,
    /// Writes at once, where no thread could be started.
    alone: Option<Mutex<Writer>>,
}

impl Queue {
    fn start() -> Self {
        let (lines, waiting) = bounded::<Said>(LINES_WAITING);
        let (done, written) = bounded(1);
        let run = move || {
            let mut writer = Writer::default();
            for said in waiting {
                let is_flush = matches!(said, Said::Flush);
                // What follows has no reader, and the senders find no receiver.
                if let Err(cause) = writer.write(said) {
                    note_lost(cause);
                    break;
                }
                // Nobody waits any more if this finds no room.
                if is_flush && done.try_send(()).is_err() {}
            }
        };
        let thread = std::thread::Builder::new().name("out".into()).spawn(run);
        Self {
            lines,
            written,
            is_stuck: AtomicBool::new(false),
            alone: thread.is_err().then(Mutex::default),
        }
    }

    fn send(&self, said: Said) {
        if let Some(writer) = &self.alone {
            let mut writer = writer.lock().unwrap_or_else(PoisonError::into_inner);
            if let Err(cause) = writer.write(said) {
                note_lost(cause);
            }
            return;
        }
        if matches!(said, Said::Picture(..)) && self.lines.len() > PICTURES_WAIT_BEHIND {
            return;
        }
        match self.lines.try_send(said) {
            Ok(()) => self.is_stuck.store(false, Ordering::Relaxed),
            // A slow reader gets every line. One who took none in all that time has stopped, and
            // from then on is not waited for until there is room again: the copy goes on.
            Err(TrySendError::Full(line)) if !self.is_stuck.load(Ordering::Relaxed) => {
                let is_stuck = self.lines.send_timeout(line, PATIENCE).is_err();
                self.is_stuck.store(is_stuck, Ordering::Relaxed);
            }
            Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => {}
        }
    }

    /// Waits until everything is written, as any program does at its end; once `stop` is set only
    /// for as long as the reader goes on reading.
    fn flush(&self, stop: &AtomicBool) {
        if self.alone.is_some() {
            return;
        }
        let mut waiting = self.lines.len();
        let mut asked = false;
        loop {
            asked = asked || self.lines.try_send(Said::Flush).is_ok();
            match self.written.recv_timeout(PATIENCE) {
                // Written, or the reader is gone and the thread with it.
                Ok(()) | Err(RecvTimeoutError::Disconnected) => return,
                Err(RecvTimeoutError::Timeout) => {}
            }
            let now = self.lines.len();
            if stop.load(Ordering::SeqCst) && now >= waiting {
                return;
            }
            waiting = now;
        }
    }
}

/// Why output was lost, the first time.
static LOST: OnceLock<io::Error> = OnceLock::new();

/// Keeps in mind that something could not be written. A reader that went away wanted no more.
pub(crate) fn note_lost(cause: io::Error) {
    if cause.kind() != io::ErrorKind::BrokenPipe && LOST.set(cause).is_err() {}
}

/// Tells on standard error, where output was lost, what is known nevertheless, and returns how the
/// program ends then: a result that nobody could read is no good one.
pub(crate) fn told_whole(exit: Exit, leaves_records: bool) -> Exit {
    let Some(cause) = LOST.get() else {
        return exit;
    };
    let code = exit.code();
    let known = match (code, leaves_records) {
        (0, true) => "; the verdict was PROVEN, as the manifest on each drive says",
        (0, false) => "; without that the exit code would be 0",
        _ => "",
    };
    let text = format!("unlade: what it said could not be written whole: {cause}{known}.\n");
    drop(io::stderr().write_all(text.as_bytes()));
    if code == 0 { Exit::NotProven } else { exit }
}

fn queue() -> &'static Queue {
    static QUEUE: OnceLock<Queue> = OnceLock::new();
    QUEUE.get_or_init(Queue::start)
}

/// Takes the running picture away for good.
pub(crate) fn clear() {
    queue().send(Said::Clear);
}

/// Waits for standard output at the end of the program.
pub(crate) fn flush(stop: &AtomicBool) {
    queue().flush(stop);
}

/// Whether standard output and standard error go to one file or pipe (`2>&1`), where the order of
/// lines matters.
#[cfg(unix)]
fn both_are_one() -> bool {
    static ARE_ONE: OnceLock<bool> = OnceLock::new();
    *ARE_ONE.get_or_init(|| {
        let file = |stat: rustix::io::Result<rustix::fs::Stat>| {
            let stat = stat.ok()?;
            Some((stat.st_dev, stat.st_ino))
        };
        let out = file(rustix::fs::fstat(io::stdout()));
        out.is_some() && out == file(rustix::fs::fstat(io::stderr()))
    })
}

/// Not asked here.
#[cfg(not(unix))]
fn both_are_one() -> bool {
    false
}

/// The size of the terminal now; `None` where standard output is none.
fn size() -> Option<Size> {
    let (columns, rows) = terminal_size::terminal_size_of(io::stdout())?;
    Some(Size {
        columns: usize::from(columns.0),
        rows: usize::from(rows.0),
    })
}

fn width() -> usize {
    size()
        .map(|size| size.columns)
        .filter(|&columns| columns >= 40)
        .unwrap_or(80)
        .min(200)
}

/// Whether the locale says that text is UTF-8: the first of these that is set decides (POSIX.1,
/// 8.2 Internationalization Variables).
fn is_unicode() -> bool {
    let set = ["LC_ALL", "LC_CTYPE", "LANG"].iter();
    let mut set = set.filter_map(|name| std::env::var(name).ok().filter(|v| !v.is_empty()));
    let locale = set.next().unwrap_or_default().to_lowercase();
    locale.contains("utf-8") || locale.contains("utf8")
}

/// Asks a Windows console to take escapes as every other terminal does; whether it will.
#[cfg(windows)]
fn takes_escapes() -> bool {
    anstyle_query::windows::enable_ansi_colors().unwrap_or(true)
}

/// Whether the terminal says that it takes escapes: colours, and moves of the cursor.
#[cfg(not(windows))]
fn takes_escapes() -> bool {
    std::env::var_os("TERM").is_none_or(|t| t != "dumb")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_listens_hears_this_thread_and_no_other() {
        let out = Out::for_programs();
        let ((), outer) = heard(|| {
            out.line("one");
            let ((), inner) = heard(|| out.error("two"));
            assert_eq!(inner, ["two"]);
            out.block(&["three".to_owned()]);
            assert_eq!(heard_so_far(), ["one", "three"]);
            std::thread::scope(|scope| {
                scope.spawn(|| assert!(!is_heard("another's")));
            });
            out.line("four");
        });
        assert_eq!(outer, ["four"]);
        assert!(!is_heard("nobody listens"));
    }

    #[test]
    fn nothing_foreign_moves_the_cursor_or_begins_a_line() {
        let out = |colour| Out {
            is_terminal: true,
            draws: true,
            colour,
            json: false,
            quiet: false,
            verbose: false,
            width: 80,
        };
        let hostile = "\u{1b}[1;32mPROVEN\u{1b}[0m\r\nYou may format\u{9b}2J";
        let told = format!("NOT PROVEN {}", shown(hostile));
        for colour in [true, false] {
            let out = out(colour);
            assert_eq!(out.harmless(&format!("NOT PROVEN {hostile}")), told);
            let heading = out.heading("NOT PROVEN", false);
            assert_eq!(out.harmless(&heading), heading);
            let both = out.harmless(&format!("{heading} {hostile}"));
            assert_eq!(both, format!("{heading} {}", shown(hostile)));
            let quoted = "\u{1b}[1;32mPROVEN\u{7}\u{1b}[0m";
            assert_eq!(out.harmless(quoted), shown(quoted));
        }
    }
}
