//! Owns who is shown the events of a job, and how it ended.

use crate::cli::system::awake::Awake;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::screen::Screen;
use camino::Utf8PathBuf;
use serde_json::Value;
use std::sync::{Arc, Mutex};
use unlade::disk::progress::Progress;
use unlade::error::Problem;
use unlade::event::{Event, Observer};
use unlade::proof::Proof;
use unlade::run::{Job, Tools};

/// Who is shown the events of a job: people on a screen, a program, or people at a page.
pub(crate) enum JobObserver {
    Screen(Box<Screen>),
    Json(Json),
    Page(Box<dyn JobPage>),
}

impl JobObserver {
    pub(crate) fn new(out: Out, tools: &Tools, destinations: &[Utf8PathBuf]) -> Self {
        if out.json {
            Self::Json(Json::new(out, Arc::clone(&tools.clock)))
        } else {
            let names = destinations.iter().map(ToString::to_string).collect();
            Self::Screen(Box::new(Screen::new(out, Arc::clone(&tools.clock), names)))
        }
    }
}

impl Observer for JobObserver {
    fn event(&mut self, event: &Event<'_>) {
        match self {
            Self::Screen(screen) => screen.event(event),
            Self::Json(json) => json.event(event),
            Self::Page(page) => page.event(event),
        }
    }
}

/// Where the jobs of a command are shown, where that is neither the screen nor JSON.
pub(crate) trait Viewer: Sync {
    /// One card's part of it, by the card's place in the command.
    fn page(&self, index: usize, job: &Job) -> Box<dyn JobPage>;
    /// The verdict on all cards of a command that has several, as `--json` has it.
    fn all(&self, sentence: String, verdict: Value);
}

/// A page that shows one card's job.
pub(crate) trait JobPage: Observer + Send {
    /// Shares the request to stay awake with other cards.
    fn share(&mut self, awake: &Arc<Mutex<Awake>>);
    /// How the job ended, with the verdict as the last line of `--json` has it.
    fn end(&mut self, end: &JobEnd<'_>, verdict: Value);
    /// What else would have been printed, a line each.
    fn said(&mut self, lines: Vec<String>);
}

/// How the job of a card ended.
pub(crate) enum JobEnd<'a> {
    /// With a proof; and what the ledger says of card and shoot, in sentences.
    Proof(&'a Proof, Vec<String>),
    /// Before a byte was written; the first is how that is said.
    Refused(&'a str, &'a [Problem]),
    /// Before it was begun; why.
    NotBegun(String),
}

/// Where what is only read is shown, a check or a question, where that is neither the screen nor
/// JSON.
pub(crate) trait ReadViewer: Sync {
    /// How far it is; called now and then.
    fn progress(&self, progress: &Progress);
    /// How one of them ended.
    fn end(&self, end: ReadEnd);
    /// The one answer for several, as `--json` has it.
    fn all(&self, sentence: String, verdict: Value);
}

/// How a check or a question ended.
#[cfg_attr(not(feature = "desk"), expect(dead_code, reason = "the page has it"))]
#[derive(Clone, Default)]
pub(crate) struct ReadEnd {
    /// What was read.
    pub(crate) name: String,
    /// The answer's word, and of what it is where that is not simply what was asked.
    pub(crate) heading: String,
    pub(crate) is_good: bool,
    pub(crate) sentence: String,
    /// What is to be known before that is followed.
    pub(crate) before: Vec<String>,
    pub(crate) head: String,
    /// What each copy holds.
    pub(crate) copies: Vec<(String, Vec<String>)>,
    /// What was found, one by one, each with the word for its kind.
    pub(crate) found: Vec<(&'static str, String)>,
    /// Further ones.
    pub(crate) more: usize,
    /// Kinds of trouble: what shows each, and what to do.
    pub(crate) troubles: Vec<(Vec<String>, String)>,
    pub(crate) notes: Vec<String>,
    /// The verdict as the last line of `--json` has it.
    pub(crate) verdict: Value,
}
