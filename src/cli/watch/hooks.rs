//! Owns the hooks of a watch: programs of the person's own in `HOME/hooks/`, begun beside the copy,
//! with one JSON object on their standard input. Nothing that a hook does, or does not, changes a
//! verdict, an exit code or the next card.

use super::log::WatchLog;
use camino::{Utf8Path, Utf8PathBuf};
use crossbeam_channel::{Receiver, Sender, bounded};
use serde_json::{Value, json};
use std::io::{BufRead as _, BufReader, Read, Write as _};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;
use unlade::clock::{Clock, rfc3339};
use unlade::run::Tools;

/// The folder of the hooks.
const FOLDER: &str = "hooks";
/// How long a hook may take.
const TIME_MAX: Duration = Duration::from_secs(30);
/// How long one that runs has when the watch is asked to stop.
const TIME_AT_END: Duration = Duration::from_millis(500);
/// How often it is looked whether it has ended.
const TICK: Duration = Duration::from_millis(50);
/// Hooks that run at the same time.
const AT_ONCE_MAX: usize = 16;
/// Lines of a hook that go into the log, and their length in bytes.
const LINES_MAX: usize = 100;
const LINE_MAX: u64 = 1_000;
/// Endings of what Windows can run.
#[cfg(windows)]
const ENDINGS: [&str; 4] = ["", ".exe", ".cmd", ".bat"];
#[cfg(not(windows))]
const ENDINGS: [&str; 1] = [""];

/// What a hook is begun for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Hook {
    /// All of a card was read: it may leave the reader.
    CardRead,
    Proven,
    NotProven,
    /// A card waits for drives.
    Waiting,
    /// All announced cards of a shoot were seen and are proven.
    AllSeen,
}

impl Hook {
    /// Returns the name of its file.
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::CardRead => "card-read",
            Self::Proven => "proven",
            Self::NotProven => "not-proven",
            Self::Waiting => "waiting",
            Self::AllSeen => "all-seen",
        }
    }
}

/// Begins hooks.
#[derive(Clone)]
pub(super) struct Hooks {
    folder: Utf8PathBuf,
    log: WatchLog,
    clock: Arc<dyn Clock>,
    /// The watch is asked to stop.
    cancel: Arc<AtomicBool>,
    running: Arc<AtomicUsize>,
    /// Held by every hook that runs; closed when the last has ended.
    alive: Sender<()>,
}

impl Hooks {
    /// Returns them, and what is closed when the last has ended.
    pub(super) fn new(home: &Utf8Path, log: &WatchLog, tools: &Tools) -> (Self, Receiver<()>) {
        let (alive, ended) = bounded(0);
        let hooks = Self {
            folder: home.join(FOLDER),
            log: log.clone(),
            clock: Arc::clone(&tools.clock),
            cancel: Arc::clone(&tools.cancel),
            running: Arc::default(),
            alive,
        };
        (hooks, ended)
    }

    /// Begins one, if there is a file for it; `about` is what it is told besides its name and the
    /// time.
    pub(super) fn begin(&self, hook: Hook, card: Option<&str>, about: Value) {
        let named = |ending| self.folder.join(format!("{}{ending}", hook.name()));
        let Some(program) = ENDINGS.into_iter().map(named).find(|path| path.is_file()) else {
            return;
        };
        let mut told = json!({"hook": hook.name(), "at": rfc3339(self.clock.now())});
        if let (Value::Object(told), Value::Object(about)) = (&mut told, about) {
            told.extend(about);
        }
        let trouble = move |hooks: &Self, why: &str, card: Option<&str>| {
            let text = format!("hook {} {why}", hook.name());
            hooks
                .log
                .tell("hook-failed", card, &text, json!({"hook": hook.name()}));
        };
        if self.running.fetch_add(1, Ordering::SeqCst) >= AT_ONCE_MAX {
            self.running.fetch_sub(1, Ordering::SeqCst);
            return trouble(self, "was not begun: too many others run.", card);
        }
        let (hooks, card_name) = (self.clone(), card.map(str::to_owned));
        let thread = std::thread::Builder::new().name("hook".into());
        let started = thread.spawn(move || {
            if let Err(why) = hooks.run(&program, hook, &told, card_name.as_deref()) {
                trouble(&hooks, &why, card_name.as_deref());
            }
            hooks.running.fetch_sub(1, Ordering::SeqCst);
            drop(hooks.alive);
        });
        if let Err(cause) = started {
            self.running.fetch_sub(1, Ordering::SeqCst);
            trouble(self, &format!("was not begun: {cause}."), card);
        }
    }

    /// Runs one to its end; the error says what went wrong.
    fn run(
        &self,
        program: &Utf8Path,
        hook: Hook,
        told: &Value,
        card: Option<&str>,
    ) -> Result<(), String> {
        let mut command = Command::new(program);
        command
            .current_dir(&self.folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        // Ctrl-C is for the watch, and what a hook leaves behind ends with it.
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        let mut child = command.spawn().map_err(|e| not_begun(&e))?;
        // Whoever holds its output open after it has ended is not waited for.
        if let Some(said) = child.stdout.take() {
            self.listen(said, hook, card);
        }
        if let Some(said) = child.stderr.take() {
            self.listen(said, hook, card);
        }
        if let Some(mut input) = child.stdin.take() {
            let text = format!("{told}\n");
            let thread = std::thread::Builder::new().name("hook-input".into());
            // One that does not read has no use for it, and is ended in time.
            let tell = move || if input.write_all(text.as_bytes()).is_err() {};
            if let Err(e) = thread.spawn(tell) {
                end(&mut child);
                return Err(format!("got nothing on its input and was ended: {e}."));
            }
        }
        match self.wait(&mut child) {
            None if self.cancel.load(Ordering::SeqCst) => {
                Err("was ended with the watch.".to_owned())
            }
            None => Err(format!(
                "took longer than {} s and was ended.",
                TIME_MAX.as_secs()
            )),
            Some(Err(e)) => Err(format!("could not be waited for: {e}.")),
            Some(Ok(status)) if status.success() => Ok(()),
            Some(Ok(status)) => Err(format!("failed: {status}.")),
        }
    }

    /// Waits for its end; `None` where it took too long and was ended.
    fn wait(&self, child: &mut Child) -> Option<std::io::Result<std::process::ExitStatus>> {
        let mut until = self.clock.elapsed() + TIME_MAX;
        let mut is_stopped = false;
        loop {
            match child.try_wait() {
                Ok(None) => {}
                Ok(Some(status)) => return Some(Ok(status)),
                Err(e) => return Some(Err(e)),
            }
            let now = self.clock.elapsed();
            if !is_stopped && self.cancel.load(Ordering::SeqCst) {
                is_stopped = true;
                until = until.min(now + TIME_AT_END);
            }
            if now >= until {
                end(child);
                return None;
            }
            self.clock.sleep(TICK);
        }
    }

    /// Writes what it says into the log.
    fn listen(&self, from: impl Read + Send + 'static, hook: Hook, card: Option<&str>) {
        let (log, card) = (self.log.clone(), card.map(str::to_owned));
        let thread = std::thread::Builder::new().name("hook-log".into());
        let listen = move || {
            let mut from = BufReader::new(from);
            for number in 0.. {
                let mut line = Vec::new();
                match from.by_ref().take(LINE_MAX).read_until(b'\n', &mut line) {
                    Ok(0) | Err(_) => return,
                    Ok(_) if number < LINES_MAX => {
                        let text = String::from_utf8_lossy(&line);
                        let text = format!("hook {}: {}", hook.name(), text.trim_end());
                        let about = json!({"hook": hook.name()});
                        log.tell("hook-said", card.as_deref(), &text, about);
                    }
                    // It is read to its end all the same, so that it is not held up.
                    Ok(_) => {}
                }
            }
        };
        // Without a thread nothing of it is logged.
        if thread.spawn(listen).is_err() {}
    }
}

fn not_begun(why: &std::io::Error) -> String {
    let step = match why.kind() {
        std::io::ErrorKind::PermissionDenied => " Make the file executable.",
        _ => "",
    };
    format!("could not be begun: {why}.{step}")
}

/// Ends a hook and all that it began.
fn end(child: &mut Child) {
    #[cfg(unix)]
    {
        let group = i32::try_from(child.id()).ok();
        let group = group.and_then(rustix::process::Pid::from_raw);
        let ended = group
            .map(|group| rustix::process::kill_process_group(group, rustix::process::Signal::KILL));
        // One that is gone already needs no signal.
        if ended.is_some_and(|e| e.is_err()) {}
    }
    // What can't be ended is not waited for either.
    drop(child.kill());
    drop(child.wait());
}
