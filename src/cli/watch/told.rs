//! Owns what a watch has told once and must not tell again after a restart: in the person's own
//! folder, a line each.

use camino::{Utf8Path, Utf8PathBuf};
use serde_json::{Value, json};
use std::io;
use std::sync::Arc;
use std::time::Duration;
use unlade::clock::Clock;
use unlade::disk::home::{append_line, read_tail};

const FILE: &str = "watch-told.jsonl";
/// What is read of it; the oldest lines are forgotten.
const READ_MAX: u64 = 1 << 18;
/// Between two tries to get at a file that another program holds.
const WAIT: Duration = Duration::from_millis(100);

/// What was told.
#[derive(Clone, Debug)]
pub(super) struct Told {
    path: Utf8PathBuf,
    clock: Arc<dyn Clock>,
}

impl Told {
    pub(super) fn new(home: &Utf8Path, clock: Arc<dyn Clock>) -> Self {
        Self {
            path: home.join(FILE),
            clock,
        }
    }

    /// Returns whether this was not told before, and keeps that it is now. It is kept first: what
    /// is told twice is worse than what a crash keeps from being told.
    ///
    /// # Errors
    /// When it can't be kept.
    pub(super) fn is_first(&self, what: &str, cause: &str) -> io::Result<bool> {
        let line = json!({"told": what, "cause": cause});
        let (text, _) = read_tail(&self.path, READ_MAX)?;
        let is_it = |l: &[u8]| serde_json::from_slice::<Value>(l).is_ok_and(|l| l == line);
        if text.split(|b| *b == b'\n').any(is_it) {
            return Ok(false);
        }
        append_line(&self.path, &line.to_string(), || self.clock.sleep(WAIT))?;
        Ok(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use unlade::clock::SystemClock;

    #[test]
    fn one_cause_is_told_once_also_after_a_restart() {
        let folder = tempfile::tempdir().unwrap();
        let home = Utf8Path::from_path(folder.path()).unwrap();
        let told = || Told::new(home, Arc::new(SystemClock::start()));
        assert!(told().is_first("all-seen", "kites 3").unwrap());
        assert!(!told().is_first("all-seen", "kites 3").unwrap());
        assert!(told().is_first("all-seen", "kites 4").unwrap());
    }
}
