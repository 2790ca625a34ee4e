//! Owns opening the person's browser: by a program of the system's, with no shell in between.

use std::io;
use std::process::{Command, Stdio};

/// Opens an address of our own in the browser, and waits for nothing.
///
/// # Errors
/// What the system says.
pub(super) fn in_browser(address: &str) -> io::Result<()> {
    let mut command = opener();
    command.arg(address);
    command.stdin(Stdio::null());
    command.stdout(Stdio::null());
    command.stderr(Stdio::null());
    let mut child = command.spawn()?;
    // Somebody has to hear of its end; where there is no thread for it nobody does.
    let wait = move || drop(child.wait());
    drop(
        std::thread::Builder::new()
            .name("browser".into())
            .spawn(wait),
    );
    Ok(())
}

#[cfg(not(any(windows, target_os = "macos")))]
fn opener() -> Command {
    Command::new("xdg-open")
}

/// Not run on macOS.
#[cfg(target_os = "macos")]
fn opener() -> Command {
    Command::new("open")
}

/// Not run on Windows.
#[cfg(windows)]
fn opener() -> Command {
    let mut command = Command::new("rundll32");
    command.arg("url.dll,FileProtocolHandler");
    command
}
