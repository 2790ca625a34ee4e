//! Owns the request that the computer stays awake while a job runs. A helper program of the system
//! holds it and gives it back when its input closes, so that it ends with this process however
//! this process ends.

use std::process::{Child, Command, Stdio};

/// What is said where the system cannot be asked.
pub(crate) const NOT_HELD: &str = "This computer could not be asked to stay awake: see that it does not go to sleep, and that it is on mains power.";

/// The request, held until it is dropped.
#[derive(Debug)]
pub(crate) struct Awake {
    helper: Option<Child>,
    is_looked_at: bool,
}

impl Awake {
    /// Asks the system.
    pub(crate) fn ask() -> Self {
        let helper = command()
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        Self {
            helper: helper.ok(),
            is_looked_at: false,
        }
    }

    /// Returns whether the request is not held; only the first who asks hears of it.
    pub(crate) fn fails_first(&mut self) -> bool {
        !std::mem::replace(&mut self.is_looked_at, true) && !self.is_held()
    }

    /// Returns whether the request is held. A helper that finds no session manager ends at once, so
    /// the answer is good a moment after asking.
    fn is_held(&mut self) -> bool {
        self.helper
            .as_mut()
            .is_some_and(|helper| matches!(helper.try_wait(), Ok(None)))
    }
}

impl Drop for Awake {
    fn drop(&mut self) {
        if let Some(helper) = &mut self.helper {
            drop(helper.stdin.take());
            // It ends by itself now; waiting only keeps it from staying as a zombie.
            if helper.wait().is_err() {}
        }
    }
}

/// `systemd-inhibit` runs a command and keeps the machine awake for as long as it runs; `cat` runs
/// until its input closes.
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
