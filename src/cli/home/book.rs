//! Owns the reading and writing of the ledger. Nothing that fails here costs a copy: it is told
//! once, and the job goes on.

use crate::cli::args::Common;
use crate::cli::home::folder::folder;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use camino::Utf8PathBuf;
use std::sync::Arc;
use std::time::Duration;
use unlade::clock::Clock;
use unlade::disk::home::{append_line, read_tail};
use unlade::ledger::{LEDGER, Ledger, LedgerEntry, READ_MAX};

/// Between two tries to get at a ledger that another program holds.
const WAIT: Duration = Duration::from_millis(100);

/// The ledger as one command uses it.
#[derive(Clone, Debug)]
pub(crate) struct Book {
    path: Option<Utf8PathBuf>,
    clock: Arc<dyn Clock>,
    out: Out,
}

impl Book {
    pub(crate) fn new(common: &Common, out: Out, clock: Arc<dyn Clock>) -> Self {
        let path = if common.no_ledger {
            None
        } else {
            folder(common).map(|home| home.join(LEDGER))
        };
        Self { path, clock, out }
    }

    /// A ledger that remembers nothing.
    pub(crate) fn none(out: Out, clock: Arc<dyn Clock>) -> Self {
        Self {
            path: None,
            clock,
            out,
        }
    }

    /// Returns whether anything is remembered.
    pub(crate) fn is_kept(&self) -> bool {
        self.path.is_some()
    }

    /// Returns where the ledger is.
    pub(crate) fn path_words(&self) -> String {
        self.path
            .as_ref()
            .map_or_else(|| "nowhere".to_owned(), ToString::to_string)
    }

    /// Reads what is remembered; trouble is told, and then nothing is.
    pub(crate) fn read(&self) -> Ledger {
        let Some(path) = &self.path else {
            return Ledger::default();
        };
        match read_tail(path, READ_MAX) {
            Ok((text, _)) => Ledger::from_text(&text),
            Err(e) => {
                self.tell(&format!("The ledger `{path}` could not be read: {e}."));
                Ledger::default()
            }
        }
    }

    /// Enters one line; trouble is told, and no verdict changes by it.
    pub(crate) fn enter(&self, entry: &LedgerEntry) {
        let Some(path) = &self.path else { return };
        let wait = || self.clock.sleep(WAIT);
        let done = entry
            .line()
            .ok_or_else(|| std::io::Error::other("the entry is too long"))
            .and_then(|line| append_line(path, &line, wait));
        if let Err(e) = done {
            self.tell(&format!(
                "Nothing could be entered in the ledger `{path}`: {e}. The verdict holds all the \
                same."
            ));
        }
    }

    fn tell(&self, text: &str) {
        for line in wrap(text, self.out.width, "", "  ") {
            self.out.error(&line);
        }
    }
}
