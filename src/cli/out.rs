//! Owns standard output and what the terminal can do. A reader that went away (`| head`) ends the
//! printing, never the job.

use super::args::{Color, Common};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};
use std::io::{IsTerminal as _, Write as _};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Standard output as this run uses it.
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
#[derive(Clone, Copy, Debug)]
pub(crate) struct Out {
    pub(crate) is_terminal: bool,
    pub(crate) colour: bool,
    pub(crate) json: bool,
    pub(crate) quiet: bool,
    pub(crate) width: usize,
}

impl Out {
    /// Looks at the terminal once.
    pub(crate) fn new(common: &Common) -> Self {
        let is_terminal = std::io::stdout().is_terminal();
        let no_color = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        let colour = match common.color {
            Color::Always => true,
            Color::Never => false,
            Color::Auto => is_terminal && !no_color && takes_colour(),
        };
        Self {
            is_terminal,
            colour: colour && !common.json,
            json: common.json,
            quiet: common.quiet,
            width: width(),
        }
    }

    /// Prints one line to standard output. Into a pipe or a file it is handed to a thread, so that a
    /// reader who has stopped reading never stops a copy.
    pub(crate) fn line(self, text: &str) {
        if self.is_terminal {
            // A terminal that is gone must not end a copy; there is nobody left to tell.
            drop(writeln!(std::io::stdout(), "{text}"));
        } else {
            queue().send(text);
        }
    }

    /// Prints one line to standard error, harmlessly: it may quote what was typed or what a drive
    /// holds.
    #[expect(
        clippy::unused_self,
        reason = "printing goes through the one owner of the output"
    )]
    pub(crate) fn error(self, text: &str) {
        drop(writeln!(std::io::stderr(), "{}", unlade::name::shown(text)));
    }

    /// Returns the heading of a good or a bad result, coloured where that helps.
    pub(crate) fn heading(self, text: &str, good: bool) -> String {
        match (self.colour, good) {
            (true, true) => format!("\u{1b}[1;32m{text}\u{1b}[0m"),
            (true, false) => format!("\u{1b}[1;31m{text}\u{1b}[0m"),
            (false, _) => text.to_owned(),
        }
    }
}

/// Lines that may wait for a slow reader; what finds no room in time is lost to one who has stopped.
const LINES_WAITING: usize = 65_536;
/// How long a reader who does not read is waited for before it counts as stuck.
const PATIENCE: Duration = Duration::from_millis(1_500);

/// The way to standard output for everything that is no terminal.
struct Queue {
    lines: Sender<Option<String>>,
    written: Receiver<()>,
    is_stuck: AtomicBool,
}

impl Queue {
    fn start() -> Self {
        let (lines, waiting) = bounded::<Option<String>>(LINES_WAITING);
        let (done, written) = bounded(1);
        let run = move || {
            let mut out = std::io::stdout().lock();
            for line in waiting {
                let result = match line {
                    Some(line) => writeln!(out, "{line}"),
                    None => out.flush().map(|()| {
                        // Nobody waits any more if this finds no room.
                        if done.try_send(()).is_err() {}
                    }),
                };
                // A closed pipe: what follows has no reader, and the senders find no receiver.
                if result.is_err() {
                    break;
                }
            }
        };
        // Without the thread the lines have no receiver, as with a closed pipe.
        drop(std::thread::Builder::new().name("out".into()).spawn(run));
        Self {
            lines,
            written,
            is_stuck: AtomicBool::new(false),
        }
    }

    fn send(&self, text: &str) {
        match self.lines.try_send(Some(text.to_owned())) {
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
        let mut waiting = self.lines.len();
        let mut asked = false;
        loop {
            asked = asked || self.lines.try_send(None).is_ok();
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

fn queue() -> &'static Queue {
    static QUEUE: OnceLock<Queue> = OnceLock::new();
    QUEUE.get_or_init(Queue::start)
}

/// Waits for standard output at the end of the program.
pub(crate) fn flush(stop: &AtomicBool) {
    queue().flush(stop);
}

fn width() -> usize {
    terminal_size::terminal_size_of(std::io::stdout())
        .map(|(columns, _)| usize::from(columns.0))
        .filter(|&columns| columns >= 40)
        .unwrap_or(80)
        .min(200)
}

/// Asks a Windows console to take colours as every other terminal does; whether it will.
#[cfg(windows)]
fn takes_colour() -> bool {
    anstyle_query::windows::enable_ansi_colors().unwrap_or(true)
}

/// Whether the terminal says that it takes colours.
#[cfg(not(windows))]
fn takes_colour() -> bool {
    std::env::var_os("TERM").is_none_or(|t| t != "dumb")
}

/// Cuts text to so many columns, marking the cut.
pub(crate) fn fit(text: &str, columns: usize) -> String {
    use unicode_width::UnicodeWidthChar as _;
    use unicode_width::UnicodeWidthStr as _;
    if text.width() <= columns {
        return text.to_owned();
    }
    let mut out = String::new();
    let mut used = 0;
    for c in text.chars() {
        let w = c.width().unwrap_or(0);
        if used + w + 3 > columns {
            break;
        }
        used += w;
        out.push(c);
    }
    out.push_str("...");
    out
}

/// Breaks text at blanks into lines of at most `columns`, continuation lines indented; a word that
/// is longer stays whole, so that a path can be copied.
pub(crate) fn wrap(text: &str, columns: usize, first: &str, then: &str) -> Vec<String> {
    use unicode_width::UnicodeWidthStr as _;
    let mut lines = Vec::new();
    let mut line = first.to_owned();
    let mut has_word = false;
    for word in text.split(' ') {
        if has_word && line.width() + 1 + word.width() > columns {
            lines.push(std::mem::replace(&mut line, then.to_owned()));
            has_word = false;
        }
        if has_word {
            line.push(' ');
        }
        line.push_str(word);
        has_word = true;
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_fits() {
        assert_eq!(fit("short", 10), "short");
        assert_eq!(fit("much too long a line", 10), "much to...");
        let lines = wrap("one two three four", 9, "- ", "  ");
        assert_eq!(lines, ["- one two", "  three", "  four"]);
        assert_eq!(
            wrap("/a/very/long/path x", 6, "", ""),
            ["/a/very/long/path", "x"]
        );
    }
}
