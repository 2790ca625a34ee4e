//! Owns the note of a copy that was begun and not ended: the next start offers to go on with it.
//! No verdict rests on it; what is copied already the drives themselves say.

use super::state::{Asked, Desk};
use crate::cli::home::folder::folder;
use camino::Utf8PathBuf;
use std::time::Duration;
use unlade::disk::home::{append_line, read_tail};

/// The file in the folder for kit and ledger: a line for what was begun, `null` for its end.
const FILE: &str = "desk.jsonl";
/// The last line is far shorter.
const READ_MAX: u64 = 256 << 10;
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
    let asked = last.and_then(|line| serde_json::from_slice::<Option<Asked>>(line).ok());
    desk.lock().unfinished = asked.flatten();
}

/// Notes what was begun, or that it has ended. Where nothing can be noted the copy goes on all the
/// same, and nobody is offered it later.
pub(super) fn note(desk: &Desk, asked: Option<&Asked>) {
    let line = serde_json::to_string(&asked).ok();
    if let Some((file, line)) = file(desk).zip(line) {
        drop(append_line(&file, &line, || desk.tools.clock.sleep(WAIT)));
    }
}
