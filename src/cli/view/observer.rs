//! Owns who is shown the events of a job.

use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::screen::Screen;
use camino::Utf8PathBuf;
use std::sync::Arc;
use unlade::event::{Event, Observer};
use unlade::run::Tools;

/// Who is shown the events of a job: people on a screen, or a program.
pub(crate) enum JobObserver {
    Screen(Box<Screen>),
    Json(Json),
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
        }
    }
}
