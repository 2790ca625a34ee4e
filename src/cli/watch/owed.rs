//! Owns what a watch has yet to send, and remembers it in the person's own folder, a line each: one
//! that is begun again goes on.

use camino::{Utf8Path, Utf8PathBuf};
use serde::{Deserialize, Serialize};
use std::io::{self, Write as _};
use std::sync::Arc;
use std::time::Duration;
use unlade::clock::Clock;
use unlade::disk::home::{append_line, read_tail};

const FILE: &str = "watch-to-send.jsonl";
/// Longest file in bytes: some 20,000 offloads.
const BYTES_MAX: u64 = 1 << 24;
/// A longer one is written anew with what is open, when a watch begins.
const SHORTENED_ABOVE: usize = 1 << 20;
/// Between two tries to get at a file that another program holds.
const WAIT: Duration = Duration::from_millis(100);

/// An offload that is to be at a place.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(super) struct Owed {
    /// What its card is called.
    pub(super) card: String,
    pub(super) offload: String,
    pub(super) place: String,
    /// Its copies, the one first that is read fastest.
    pub(super) copies: Vec<OwedCopy>,
}

/// Where a copy is.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub(super) struct OwedCopy {
    /// The drive of the kit; none where `to` is a folder that is no drive.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) drive: Option<String>,
    /// The folder that it was copied to, as it was called then.
    pub(super) to: Utf8PathBuf,
    /// The offload in there.
    pub(super) below: Utf8PathBuf,
}

/// One line.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(tag = "did", rename_all = "lowercase")]
enum OwedLine {
    /// Its copy begins: whether it is to be sent is not known yet.
    Begun(Owed),
    /// It is proven: it is to be sent.
    Proven(Owed),
    /// Nothing of it is to be sent any more: it is there, or never will be.
    Ended(Owed),
}

/// What is to be sent.
#[derive(Debug)]
pub(super) struct OwedList {
    path: Utf8PathBuf,
    clock: Arc<dyn Clock>,
    /// Each, and whether it is known to be proven.
    all: Vec<(Owed, bool)>,
}

impl Owed {
    /// Whether this is the same offload at the same place.
    pub(super) fn is_same(&self, other: &Self) -> bool {
        let copies = |owed: &Self| {
            let mut copies = owed.copies.clone();
            copies.sort();
            copies
        };
        (&self.offload, &self.place) == (&other.offload, &other.place)
            && copies(self) == copies(other)
    }
}

impl OwedList {
    /// Reads what an earlier watch left. A line that a crash tore is no line.
    ///
    /// # Errors
    /// What the system says, or that there is too much of it.
    pub(super) fn read(home: &Utf8Path, clock: Arc<dyn Clock>) -> io::Result<Self> {
        let path = home.join(FILE);
        let (text, is_cut) = read_tail(&path, BYTES_MAX)?;
        if is_cut {
            return Err(io::Error::other("it is longer than any such list"));
        }
        let mut list = Self {
            path,
            clock,
            all: Vec::new(),
        };
        for line in text.split(|byte| *byte == b'\n') {
            if let Ok(line) = serde_json::from_slice(line) {
                list.take(line);
            }
        }
        if text.len() > SHORTENED_ABOVE {
            list.shorten(home)?;
        }
        Ok(list)
    }

    /// Leaves out what has ended: whole and durable, or not at all. Only one watch runs.
    fn shorten(&self, home: &Utf8Path) -> io::Result<()> {
        let mut file = tempfile::NamedTempFile::new_in(home)?;
        for (owed, is_proven) in &self.all {
            let line = if *is_proven {
                OwedLine::Proven(owed.clone())
            } else {
                OwedLine::Begun(owed.clone())
            };
            writeln!(file, "{}", serde_json::to_string(&line)?)?;
        }
        file.as_file().sync_all()?;
        file.persist(&self.path)?;
        Ok(())
    }

    fn take(&mut self, line: OwedLine) {
        let (owed, is_proven) = match line {
            OwedLine::Begun(owed) => (owed, Some(false)),
            OwedLine::Proven(owed) => (owed, Some(true)),
            OwedLine::Ended(owed) => (owed, None),
        };
        self.all.retain(|(other, _)| !other.is_same(&owed));
        self.all
            .extend(is_proven.map(|is_proven| (owed, is_proven)));
    }

    fn add(&mut self, line: OwedLine) -> io::Result<()> {
        let text = serde_json::to_string(&line)?;
        append_line(&self.path, &text, || self.clock.sleep(WAIT))?;
        self.take(line);
        Ok(())
    }

    /// Each, and whether it is known to be proven.
    pub(super) fn all(&self) -> &[(Owed, bool)] {
        &self.all
    }

    /// Keeps that a copy begins that is to be sent if it is proven.
    pub(super) fn begin(&mut self, owed: Owed) -> io::Result<()> {
        self.add(OwedLine::Begun(owed))
    }

    /// Keeps that it is proven, and to be sent.
    pub(super) fn prove(&mut self, owed: Owed) -> io::Result<()> {
        self.add(OwedLine::Proven(owed))
    }

    /// Keeps that nothing of it is to be sent any more.
    pub(super) fn end(&mut self, owed: &Owed) -> io::Result<()> {
        if self.all.iter().any(|(other, _)| other.is_same(owed)) {
            self.add(OwedLine::Ended(owed.clone()))?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use unlade::clock::SystemClock;

    #[test]
    fn what_is_owed_is_known_after_a_restart_until_it_has_ended() {
        let folder = tempfile::tempdir().unwrap();
        let home = Utf8Path::from_path(folder.path()).unwrap();
        let read = || OwedList::read(home, Arc::new(SystemClock::start())).unwrap();
        let copy = |drive: &str| OwedCopy {
            drive: Some(drive.to_owned()),
            to: "/media/x".into(),
            below: "20261125-KITES".into(),
        };
        let owed = |copies: &[&str]| Owed {
            card: "KITES".to_owned(),
            offload: "20261125-KITES".to_owned(),
            place: "studio".to_owned(),
            copies: copies.iter().copied().map(copy).collect(),
        };
        let mut list = read();
        list.begin(owed(&["Attic", "Travel"])).unwrap();
        assert_eq!(read().all(), [(owed(&["Attic", "Travel"]), false)]);
        // The same, the other copy first.
        list.prove(owed(&["Travel", "Attic"])).unwrap();
        append_line(&list.path, "{\"did\":\"ended\",\"card", || {}).unwrap();
        assert_eq!(read().all(), [(owed(&["Travel", "Attic"]), true)]);
        list.begin(owed(&["Shelf"])).unwrap();
        list.end(&owed(&["Attic", "Travel"])).unwrap();
        assert_eq!(read().all(), [(owed(&["Shelf"]), false)]);
        // What has ended takes no room for ever.
        let ended = serde_json::to_string(&OwedLine::Ended(owed(&["Lake"]))).unwrap();
        for _ in 0..5 {
            append_line(&list.path, &vec![ended.as_str(); 2_000].join("\n"), || {}).unwrap();
        }
        assert_eq!(read().all(), list.all());
        let (text, _) = read_tail(&list.path, BYTES_MAX).unwrap();
        assert_eq!(text.split(|byte| *byte == b'\n').count(), 2, "one line");
        assert_eq!(read().all(), list.all());
        // What is not owed ends without a word.
        list.end(&owed(&["Lake"])).unwrap();
        assert_eq!(read().all(), list.all());
    }
}
