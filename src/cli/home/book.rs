//! Owns the reading and writing of the ledger, and of what checks found damaged. Nothing that fails
//! here costs a copy: it is told once, and the job goes on.

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
use unlade::record::damage::{CheckNote, DAMAGE, DAMAGE_BYTES_MAX, KnownDamage};

/// Between two tries to get at a ledger that another program holds.
const WAIT: Duration = Duration::from_millis(100);

/// Said beside damage that nothing remembers.
const NOT_REMEMBERED: &str = "This damage is not remembered (there is no ledger): `prove` does not \
    know of it unless it reads all again, with --reread.";

/// The ledger as one command uses it.
#[derive(Clone, Debug)]
pub(crate) struct Book {
    path: Option<Utf8PathBuf>,
    /// Where it is remembered what checks found damaged.
    damage: Option<Utf8PathBuf>,
    /// What is done is made up: nobody misses it.
    is_for_show: bool,
    clock: Arc<dyn Clock>,
    out: Out,
}

impl Book {
    pub(crate) fn new(common: &Common, out: Out, clock: Arc<dyn Clock>) -> Self {
        let home = folder(common).filter(|_| !common.no_ledger);
        Self {
            path: home.as_ref().map(|home| home.join(LEDGER)),
            damage: home.map(|home| home.join(DAMAGE)),
            is_for_show: false,
            clock,
            out,
        }
    }

    /// A ledger that remembers nothing, of what is made up.
    pub(crate) fn none(out: Out, clock: Arc<dyn Clock>) -> Self {
        Self {
            path: None,
            damage: None,
            is_for_show: true,
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

    /// Reads what checks found damaged; trouble is told, and then nothing is known.
    pub(crate) fn damage(&self) -> KnownDamage {
        let Some(path) = &self.damage else {
            return KnownDamage::default();
        };
        match read_tail(path, DAMAGE_BYTES_MAX) {
            Ok((text, is_cut)) => {
                if is_cut {
                    self.tell(&format!(
                        "`{path}` is too long to be read whole: what was found damaged longest \
                        ago is not known. `prove --reread` does without it."
                    ));
                }
                KnownDamage::from_text(&text)
            }
            Err(e) => {
                self.tell(&format!(
                    "What earlier checks found damaged is not known: `{path}` could not be read: \
                    {e}. `prove --reread` does without it."
                ));
                KnownDamage::default()
            }
        }
    }

    /// Remembers what checks found, or that it is good again. Returns what has to be said where
    /// damage can't be remembered.
    pub(crate) fn note(&self, checks: Vec<CheckNote>) -> Option<&'static str> {
        let Some(path) = &self.damage else {
            let is_bad = !self.is_for_show && checks.iter().any(|check| !check.found.is_empty());
            return is_bad.then_some(NOT_REMEMBERED);
        };
        if checks.is_empty() {
            return None;
        }
        let known = self.damage();
        let mut lost = None;
        for check in checks.into_iter().filter_map(|check| known.worth(check)) {
            let wait = || self.clock.sleep(WAIT);
            let done = check
                .line()
                .ok_or_else(|| std::io::Error::other("it is too long"))
                .and_then(|line| append_line(path, &line, wait));
            if let Err(e) = done {
                self.tell(&format!("Nothing could be entered in `{path}`: {e}."));
                lost = lost.or((!check.found.is_empty()).then_some(NOT_REMEMBERED));
            }
        }
        lost
    }

    fn tell(&self, text: &str) {
        for line in wrap(text, self.out.width, "", "  ") {
            self.out.error(&line);
        }
    }
}
