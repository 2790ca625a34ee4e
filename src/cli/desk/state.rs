//! Owns what the desk knows: what is plugged in, and the copy that runs or ran. Whoever changes it
//! holds it for a moment only.

use super::session::Session;
use super::volume::VolumeState;
use crate::cli::args::Common;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::view::observer::ReadEnd;
use crate::cli::view::out::Out;
use camino::Utf8PathBuf;
use crossbeam_channel::{Receiver, Sender, bounded};
use serde_json::Value;
use std::io;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::runtime::Runtime;
use tokio::sync::{Semaphore, watch};
use unlade::card::identity::CardIdentity;
use unlade::disk::Disk;
use unlade::event::Snapshot;
use unlade::ledger::CopyLocation;
use unlade::run::Tools;

/// Folders that are looked into at the same time for who chooses one.
const PICKS_MAX: usize = 2;

/// Refused requests that are told; more are counted by nobody.
const REFUSED_TOLD: u64 = 200;

/// Lines are broken by the browser.
const WIDTH: usize = 1_000_000;

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
pub(super) enum DeskError {
    #[error("port {0} of 127.0.0.1 can't be used: {1}. Leave --port out, or give another one.")]
    Port(u16, #[source] io::Error),
    #[error("the page can't be served: {0}.")]
    Server(#[source] io::Error),
    #[error("the system gives no random bytes for a key: {0}.")]
    Random(#[source] getrandom::Error),
}

/// One run of `unlade desk`.
pub(super) struct Desk {
    pub(super) session: Session,
    pub(super) common: Common,
    /// What would be printed is kept, and said on the page.
    pub(super) out: Out,
    pub(super) tools: Tools,
    /// What the pages show now, as they are told it.
    pub(super) frames: watch::Sender<Arc<str>>,
    /// Looks into folders that somebody types, at the same time: one at a drive that doesn't answer
    /// hangs.
    pub(super) picks: Arc<Semaphore>,
    state: Mutex<DeskState>,
    poke: Sender<()>,
    poked: Receiver<()>,
    look: Sender<()>,
    looks: Receiver<()>,
    runtime: Mutex<Option<Runtime>>,
    printer: Out,
    refused: AtomicU64,
}

impl Desk {
    pub(super) fn new(session: Session, common: Common, printer: Out, tools: Tools) -> Self {
        let (poke, poked) = bounded(1);
        let (look, looks) = bounded(1);
        Self {
            session,
            common,
            out: Out {
                is_terminal: false,
                draws: false,
                colour: false,
                json: false,
                quiet: false,
                verbose: false,
                width: WIDTH,
            },
            tools,
            frames: watch::Sender::new("{}".into()),
            picks: Arc::new(Semaphore::new(PICKS_MAX)),
            state: Mutex::default(),
            poke,
            poked,
            look,
            looks,
            runtime: Mutex::default(),
            printer,
            refused: AtomicU64::new(0),
        }
    }

    /// Returns the state, held. Whoever broke down while it held it left nothing half done.
    pub(super) fn lock(&self) -> MutexGuard<'_, DeskState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Has the pages told what is new; returns at once.
    pub(super) fn poke(&self) {
        // One that waits already is enough.
        if self.poke.try_send(()).is_err() {}
    }

    /// Has it looked at once what is plugged in.
    pub(super) fn look_again(&self) {
        if self.look.try_send(()).is_err() {}
    }

    /// Waits until it is to be looked, or for so long.
    pub(super) fn wait_to_look(&self, at_most: Duration) -> bool {
        self.looks.recv_timeout(at_most).is_ok()
    }

    pub(super) fn disk(&self) -> &dyn Disk {
        self.tools.disk.as_ref()
    }

    pub(super) fn book(&self) -> Book {
        Book::new(&self.common, self.out, Arc::clone(&self.tools.clock))
    }

    pub(super) fn is_ending(&self) -> bool {
        self.tools.cancel.load(Ordering::SeqCst)
    }

    /// Milliseconds since the desk was begun.
    pub(super) fn age_ms(&self) -> u64 {
        u64::try_from(self.tools.clock.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    /// Keeps the server's threads until the end.
    pub(super) fn keep_running(&self, runtime: Runtime) {
        let mut place = self.runtime.lock().unwrap_or_else(PoisonError::into_inner);
        *place = Some(runtime);
    }

    /// Takes them away, to end them.
    pub(super) fn take_runtime(&self) -> Option<Runtime> {
        let mut place = self.runtime.lock().unwrap_or_else(PoisonError::into_inner);
        place.take()
    }

    /// Waits until there is something new, or for so long; `false` then.
    pub(super) fn wait_for_news(&self, at_most: Duration) -> bool {
        self.poked.recv_timeout(at_most).is_ok()
    }

    /// Says that a request was refused: in the debug log, or on standard error where there is none.
    pub(super) fn tell_refused(&self, why: &str) {
        if self.refused.fetch_add(1, Ordering::Relaxed) >= REFUSED_TOLD {
            return;
        }
        if tracing::enabled!(tracing::Level::WARN) {
            tracing::warn!("a request was refused: {why}");
        } else {
            self.printer
                .error(&format!("unlade: a request was refused: {why}."));
        }
    }
}

/// What is asked to be copied.
#[derive(Clone, PartialEq, Eq, Debug, Default, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    pub(super) cards: Vec<Utf8PathBuf>,
    pub(super) to: Vec<Utf8PathBuf>,
    #[serde(default)]
    pub(super) separate: bool,
    /// What the offload is called.
    #[serde(default)]
    pub(super) name: Option<String>,
    /// The shoot that the cards belong to, and how many cards it has.
    #[serde(default)]
    pub(super) shoot: Option<String>,
    #[serde(default)]
    pub(super) expect: Option<String>,
    /// The cards themselves as they were when the copy was begun, where that could be told.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(super) held: Vec<Option<CardIdentity>>,
}

impl Asked {
    /// Names it in an address: another card at the same path is another copy.
    pub(super) fn mark(&self) -> String {
        let text = serde_json::to_string(self).unwrap_or_default();
        let hash = blake3::hash(text.as_bytes()).to_hex();
        hash.get(..16).unwrap_or(&hash).to_owned()
    }

    /// Whether all that another was to copy is in this one: the same cards, under the same name, to
    /// its drives at least. A card that could not be told is in none.
    pub(super) fn covers(&self, other: &Self) -> bool {
        let is_held = |card: &Option<CardIdentity>| {
            let mut own = self.held.iter().flatten();
            card.as_ref()
                .is_some_and(|card| own.any(|own| card.is_same_card(own)))
        };
        self.name == other.name
            && other.to.iter().all(|to| self.to.contains(to))
            && other.held.len() == other.cards.len()
            && other.held.iter().all(is_held)
    }
}

/// A card or a drive that can be ticked.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Place {
    /// Its name in the kit, its label, or its folder.
    pub(super) name: String,
    pub(super) path: Utf8PathBuf,
    /// What it is and why, and its room.
    pub(super) words: String,
    pub(super) is_ticked: bool,
    /// What the ledger says of it.
    pub(super) past: Option<CardPast>,
    /// What its volume was like when that was looked up; `None` of a folder that was added.
    pub(super) volume: Option<VolumeState>,
}

/// What the ledger says of a card that is plugged in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum CardPast {
    /// It is being looked at.
    Looking,
    /// Whether it is proven, and the words.
    Known(bool, String),
}

/// What can be ticked.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct Places {
    pub(super) cards: Vec<Place>,
    pub(super) drives: Vec<Place>,
    /// Why the system's word on what is plugged in is missing.
    pub(super) why: Option<String>,
    /// It was looked once at least.
    pub(super) is_known: bool,
}

/// All that the desk knows.
#[derive(Clone, Default)]
pub(super) struct DeskState {
    pub(super) plugged: Places,
    /// Folders that somebody added.
    pub(super) added: Places,
    /// Copies that were cut short, the latest last.
    pub(super) unfinished: Vec<Asked>,
    pub(super) work: Option<DeskWork>,
    /// Copies that were begun.
    pub(super) works: u64,
    /// The shoot of the last copy and how many cards it has: the next is likely of it.
    pub(super) shoot: (Option<String>, Option<String>),
    /// A check or a question; there is one or a copy, never both.
    pub(super) reading: Option<DeskReading>,
}

impl DeskState {
    pub(super) fn is_copying(&self) -> bool {
        self.work.as_ref().is_some_and(|work| work.exit.is_none())
    }

    /// Whether something is copied or checked.
    pub(super) fn is_busy(&self) -> bool {
        let reading = self.reading.as_ref();
        self.is_copying() || reading.is_some_and(|reading| reading.exit.is_none())
    }
}

/// What is only read, and for what.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum ReadAsked {
    /// Whether copies are what their manifests say.
    Check(Vec<CopyLocation>),
    /// Whether a card may be formatted.
    Format {
        card: Utf8PathBuf,
        /// The card that is meant.
        held: Box<CardIdentity>,
        shoot: Option<String>,
        /// Card and copies are read whole.
        rereads: bool,
    },
}

/// A check or a question that runs or ran.
#[derive(Clone)]
pub(super) struct DeskReading {
    pub(super) asked: ReadAsked,
    /// What is read, as people call it.
    pub(super) name: String,
    pub(super) cancel: Arc<AtomicBool>,
    pub(super) begun: Duration,
    /// Bytes that are read, that will be at most, and how long it took so far.
    pub(super) done: (u64, u64, Duration),
    pub(super) ends: Vec<ReadEnd>,
    /// The sentence and the verdict on all, where there are several.
    pub(super) all: Option<(String, Value)>,
    /// What else was said.
    pub(super) heard: Vec<String>,
    /// `None` while it runs.
    pub(super) exit: Option<Exit>,
}

/// A copy that runs or ran.
#[derive(Clone)]
pub(super) struct DeskWork {
    pub(super) id: u64,
    pub(super) asked: Asked,
    pub(super) cancel: Arc<AtomicBool>,
    pub(super) cards: Vec<CardWork>,
    /// The sentence and the verdict on all cards, where there are several.
    pub(super) all: Option<(String, Value)>,
    /// What was said of all of them.
    pub(super) heard: Vec<String>,
    /// `None` while it runs.
    pub(super) exit: Option<Exit>,
}

/// One card of a copy.
#[derive(Clone, Default)]
pub(super) struct CardWork {
    pub(super) name: String,
    pub(super) drives: Vec<String>,
    pub(super) now: Option<Box<Snapshot>>,
    /// How far the second read is.
    pub(super) again: Option<String>,
    /// It can be taken out.
    pub(super) is_read: bool,
    /// Changes of the rate, and notes.
    pub(super) told: Vec<String>,
    pub(super) troubles: Vec<String>,
    /// Those that are only counted.
    pub(super) more_troubles: u64,
    pub(super) end: Option<CardEnd>,
}

/// How a card's copy ended.
#[derive(Clone, Default)]
pub(super) struct CardEnd {
    /// PROVEN or NOT PROVEN, and of what where that is not simply the card.
    pub(super) heading: String,
    pub(super) sentence: String,
    /// What is to be known before that is followed.
    pub(super) before: Vec<String>,
    /// What was copied, and what became of it on each drive.
    pub(super) head: String,
    pub(super) drives: Vec<(String, String)>,
    /// Kinds of trouble: what shows each, and what to do.
    pub(super) troubles: Vec<(Vec<String>, String)>,
    pub(super) notes: Vec<String>,
    pub(super) hints: Vec<String>,
    /// Where the page of the record is, on each drive.
    pub(super) records: Vec<Utf8PathBuf>,
    /// As the last line of `--json` has it.
    pub(super) verdict: Value,
}
