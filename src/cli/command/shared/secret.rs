//! Owns how the secret of a place is got: from a command of the person's, where the kit names one.
//! What that prints goes to the service and nowhere else.

use crossbeam_channel::{RecvTimeoutError, bounded};
use std::io::{IsTerminal as _, Read as _};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use unlade::clock::Clock;
use unlade::place::secret::PlaceSecret;
use unlade::run::Tools;
use unlade::units::len64;

/// Longest answer, in bytes.
const BYTES_MAX: u64 = 16 << 10;
/// How long it may take: somebody may have to type a password.
const TIME_MAX: Duration = Duration::from_secs(120);
/// How often it is looked whether the person wants to stop.
const TICK: Duration = Duration::from_millis(50);

/// Runs the command for a secret. Nothing that it prints is shown, whatever comes of it.
pub(super) fn secret_of(command: &str, tools: &Tools) -> Result<PlaceSecret, String> {
    secret_within(command, TIME_MAX, (tools.clock.as_ref(), &tools.cancel))
}

fn secret_within(
    command: &str,
    limit: Duration,
    (clock, cancel): (&dyn Clock, &AtomicBool),
) -> Result<PlaceSecret, String> {
    let (shell, flag) = if cfg!(windows) {
        ("cmd", "/C")
    } else {
        ("/bin/sh", "-c")
    };
    let mut command_line = Command::new(shell);
    command_line
        .args([flag, command])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::inherit());
    // What asks at the terminal has to be in the group that the terminal belongs to; then Ctrl-C
    // reaches all of it.
    #[cfg(unix)]
    let has_group = !std::io::stdin().is_terminal();
    #[cfg(unix)]
    if has_group {
        std::os::unix::process::CommandExt::process_group(&mut command_line, 0);
    }
    #[cfg(not(unix))]
    let has_group = false;
    let mut child = command_line
        .spawn()
        .map_err(|e| format!("its command could not be run ({e})"))?;
    let (status, said) = match wait(&mut child, limit, (clock, cancel)) {
        Ok(ended) => ended,
        Err(why) => {
            end(&mut child, has_group);
            return Err(why);
        }
    };
    if !status.success() {
        return Err(format!("its command failed ({status})"));
    }
    let text = String::from_utf8(said).ok();
    let secret = text.as_deref().and_then(PlaceSecret::parse);
    secret.ok_or_else(|| {
        "its command printed something else than the id of a key, the key, and perhaps a token, or \
         user and password, a line each"
            .to_owned()
    })
}

/// Waits until it has said all and ended.
fn wait(
    child: &mut Child,
    limit: Duration,
    (clock, cancel): (&dyn Clock, &AtomicBool),
) -> Result<(ExitStatus, Vec<u8>), String> {
    let (tell, told) = bounded(1);
    let from = child.stdout.take();
    let listen = move || {
        let mut said = Vec::new();
        // One byte more tells that it is too long.
        let read = from.map(|from| from.take(BYTES_MAX + 1).read_to_end(&mut said));
        let is_read = matches!(read, Some(Ok(_)));
        // Nobody may wait for it any more.
        drop(tell.send(is_read.then_some(said)));
    };
    let thread = std::thread::Builder::new().name("secret".into());
    let started = thread.spawn(listen);
    started.map_err(|e| format!("its command could not be listened to ({e})"))?;
    let until = clock.elapsed() + limit;
    let mut said = None;
    loop {
        if cancel.load(Ordering::Relaxed) {
            return Err("its command was interrupted".to_owned());
        }
        if clock.elapsed() >= until {
            return Err(format!(
                "its command took longer than {} s and was ended; nothing was sent",
                limit.as_secs()
            ));
        }
        if said.is_some() {
            match child.try_wait() {
                Ok(Some(status)) => return Ok((status, said.unwrap_or_default())),
                Ok(None) => clock.sleep(TICK),
                Err(e) => return Err(format!("its command could not be waited for ({e})")),
            }
            continue;
        }
        match told.recv_timeout(TICK) {
            Ok(Some(all)) => said = Some(all),
            Ok(None) | Err(RecvTimeoutError::Disconnected) => {
                return Err("what its command said could not be read".to_owned());
            }
            Err(RecvTimeoutError::Timeout) => {}
        }
        if said
            .as_ref()
            .is_some_and(|said| len64(said.len()) > BYTES_MAX)
        {
            return Err("its command said far more than a key".to_owned());
        }
    }
}

/// Ends it and, where it has a group of its own, all that it began.
fn end(child: &mut Child, has_group: bool) {
    #[cfg(unix)]
    if has_group {
        let group = i32::try_from(child.id()).ok();
        let group = group.and_then(rustix::process::Pid::from_raw);
        // One that is gone already needs no signal.
        let ended =
            group.map(|g| rustix::process::kill_process_group(g, rustix::process::Signal::KILL));
        if ended.is_some_and(|ended| ended.is_err()) {}
    }
    #[cfg(not(unix))]
    let _ = has_group;
    // What can't be ended is not waited for either.
    drop(child.kill());
    drop(child.wait());
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use unlade::clock::SystemClock;

    /// What it began has the name of the test in its command line.
    #[test]
    fn a_command_that_does_not_end_is_ended_with_all_that_it_began() {
        let clock = SystemClock::start();
        let cancel = AtomicBool::new(false);
        let ask = |command: &str, time| secret_within(command, time, (&clock, &cancel)).map(|_| ());
        let second = Duration::from_secs(1);
        for command in ["sleep 4711 & sleep 4712", "echo KITE; exec >&-; sleep 4713"] {
            let why = ask(command, second).unwrap_err();
            assert_eq!(
                why,
                "its command took longer than 1 s and was ended; nothing was sent"
            );
        }
        assert!(clock.elapsed() < 10 * second);
        if !std::io::stdin().is_terminal() {
            let running = Command::new("ps").args(["-eo", "args"]).output().unwrap();
            let running = String::from_utf8_lossy(&running.stdout).into_owned();
            assert!(
                !running.lines().any(|line| line.starts_with("sleep 471")),
                "{running}"
            );
        }
        let why = ask("yes", 20 * second).unwrap_err();
        assert_eq!(why, "its command said far more than a key");
        assert!(ask("printf 'KITE\\nshhh\\n'", 20 * second).is_ok());
        let why = ask("echo shhh; exit 3", 20 * second).unwrap_err();
        assert!(why.contains("failed") && !why.contains("shhh"), "{why}");
        cancel.store(true, Ordering::Relaxed);
        assert_eq!(
            ask("sleep 60", 20 * second).unwrap_err(),
            "its command was interrupted"
        );
    }
}
