//! Owns the note of the copies that were begun and not ended: the next start offers to go on with
//! each. No verdict rests on it; what is copied already the drives themselves say.

use super::state::{Asked, Desk};
use crate::cli::home::folder::folder;
use camino::Utf8PathBuf;
use std::time::Duration;
use unlade::disk::home::{append_line, read_tail};

/// The file in the folder for kit and ledger: in its last line all that is open.
const FILE: &str = "desk.jsonl";
/// The last line is far shorter.
const READ_MAX: u64 = 256 << 10;
/// Copies that are kept in mind; of more the latest.
const OPEN_MAX: usize = 8;
/// Between two tries to get at a file that another program holds.
const WAIT: Duration = Duration::from_millis(100);

fn file(desk: &Desk) -> Option<Utf8PathBuf> {
    folder(&desk.common).map(|home| home.join(FILE))
}

/// Takes up what an earlier run left.
pub(super) fn remember(desk: &Desk) {
    let text = file(desk).and_then(|file| read_tail(&file, READ_MAX).ok());
    let last = text.as_ref().and_then(|(text, _)| {
        let mut lines = text.rsplit(|byte| *byte == b'\n');
        lines.find(|line| !line.is_empty())
    });
    let open = last.and_then(|line| serde_json::from_slice(line).ok());
    desk.lock().unfinished = open.unwrap_or_default();
}

/// Adds a copy that was cut short to those that are offered.
pub(super) fn add(open: &mut Vec<Asked>, asked: Asked) {
    open.retain(|other| !asked.covers(other) && *other != asked);
    open.push(asked);
    let too_many = open.len().saturating_sub(OPEN_MAX);
    open.drain(..too_many);
}

/// Notes all that is open, with what runs. Where nothing can be noted the copy goes on all the
/// same, and nobody is offered it later.
pub(super) fn note(desk: &Desk) {
    let mut open = desk.lock().unfinished.clone();
    let running = desk.lock().work.clone().filter(|work| work.exit.is_none());
    if let Some(work) = running {
        add(&mut open, work.asked);
    }
    let line = serde_json::to_string(&open).ok();
    if let Some((file, line)) = file(desk).zip(line) {
        drop(append_line(&file, &line, || desk.tools.clock.sleep(WAIT)));
    }
}
