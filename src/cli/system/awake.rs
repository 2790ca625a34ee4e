//! Owns the request that the computer stays awake while a job runs, so that it ends with this
//! process however this process ends. On Linux and macOS a helper program of the system holds it
//! and gives it back when its input closes; on Windows a thread of this program does.

#[cfg(unix)]
use helper::Holder;
#[cfg(windows)]
use thread::Holder;

/// What is said where the system cannot be asked.
pub(crate) const NOT_HELD: &str =
    "Nothing keeps this computer awake: plug it in, and turn off sleep.";

/// The request, held until it is dropped.
#[derive(Debug)]
pub(crate) struct Awake {
    holder: Holder,
    is_looked_at: bool,
}

impl Awake {
    /// Asks the system to keep the computer awake for as long as this lives.
    pub(crate) fn ask() -> Self {
        Self {
            holder: Holder::ask(),
            is_looked_at: false,
        }
    }

    /// Returns whether the request is not held; only the first who asks hears of it.
    pub(crate) fn fails_first(&mut self) -> bool {
        !std::mem::replace(&mut self.is_looked_at, true) && !self.holder.is_held()
    }
}

#[cfg(unix)]
mod helper {
    use std::process::{Child, Command, Stdio};

    #[derive(Debug)]
    pub(super) struct Holder {
        helper: Option<Child>,
    }

    impl Holder {
        pub(super) fn ask() -> Self {
            let helper = command()
                .stdin(Stdio::piped())
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn();
            Self {
                helper: helper.ok(),
            }
        }

        /// Returns whether the request is held. A helper that finds no session manager ends at
        /// once, so the answer is good a moment after asking.
        pub(super) fn is_held(&mut self) -> bool {
            self.helper
                .as_mut()
                .is_some_and(|helper| matches!(helper.try_wait(), Ok(None)))
        }
    }

    impl Drop for Holder {
        fn drop(&mut self) {
            if let Some(helper) = &mut self.helper {
                drop(helper.stdin.take());
                // It ends by itself now; waiting only keeps it from staying as a zombie.
                if helper.wait().is_err() {}
            }
        }
    }

    /// `systemd-inhibit` runs a command and keeps the machine awake for as long as it runs; `cat`
    /// runs until its input closes.
    #[cfg(not(target_os = "macos"))]
    fn command() -> Command {
        let mut command = Command::new("systemd-inhibit");
        command.args([
            "--what=idle:sleep",
            "--who=unlade",
            "--why=a camera card is being copied",
            "--mode=block",
            "cat",
        ]);
        command
    }

    /// `caffeinate` does the same on macOS (type-checked, not run).
    #[cfg(target_os = "macos")]
    fn command() -> Command {
        let mut command = Command::new("caffeinate");
        command.args(["-i", "cat"]);
        command
    }
}

#[cfg(windows)]
mod thread {
    use crossbeam_channel::{Receiver, Sender, bounded};
    use unlade::sys::windows::stay_awake;

    /// The request belongs to a thread of its own, which waits until this is dropped.
    #[derive(Debug)]
    pub(super) struct Holder {
        _end: Option<Sender<()>>,
        granted: Option<bool>,
        answer: Receiver<bool>,
    }

    impl Holder {
        pub(super) fn ask() -> Self {
            let (end, ended) = bounded::<()>(0);
            let (tell, answer) = bounded(1);
            let hold = move || {
                // Nobody waits for an answer any more when there is no room for it.
                if tell.try_send(stay_awake(true)).is_err() {}
                // Nothing is ever sent; this ends when the sender is dropped.
                if ended.recv().is_err() {
                    stay_awake(false);
                }
            };
            let thread = std::thread::Builder::new().name("awake".into()).spawn(hold);
            Self {
                _end: thread.is_ok().then_some(end),
                granted: None,
                answer,
            }
        }

        pub(super) fn is_held(&mut self) -> bool {
            *self
                .granted
                .get_or_insert_with(|| self.answer.recv().unwrap_or(false))
        }
    }
}
