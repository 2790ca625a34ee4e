//! Owns the words of notices: at the end those of the answer, and at trouble which card or drive it
//! is about and what to do.

use crate::cli::system::notice::{self, Notice, NoticeKind};
use crate::cli::view::words::drives::drive_names;
use std::collections::BTreeSet;
use unlade::error::{Cause, Problem, ProblemKind};
use unlade::event::{Event, Observer};
use unlade::name::shown;

/// Characters of a body; a service may show fewer.
const BODY_MAX: usize = 400;
/// Characters of a summary.
const SUMMARY_MAX: usize = 80;

/// Returns the notice of an answer: `what` it is about, its word, and the sentence that begins with
/// that word.
pub(crate) fn of_answer(what: &str, word: &str, is_good: bool, sentence: &str) -> Notice {
    let kind = if is_good {
        NoticeKind::Good
    } else {
        NoticeKind::Bad
    };
    notice(kind, &format!("{}: {word}", shown(what)), sentence)
}

/// Returns the notice of a command that was refused.
pub(crate) fn of_refusal() -> Notice {
    let body = "Refused: the terminal says why, and what to do.";
    notice(NoticeKind::Bad, "unlade: refused", body)
}

fn notice(kind: NoticeKind, summary: &str, body: &str) -> Notice {
    let cut = |text: &str, most| text.chars().take(most).collect();
    Notice {
        kind,
        summary: cut(summary, SUMMARY_MAX),
        body: cut(body, BODY_MAX),
    }
}

/// Watches a copy for a drive that is lost and a card that is gone; of each it tells once.
#[derive(Debug, Default)]
pub(crate) struct TroubleWatch {
    card: String,
    drives: Vec<String>,
    /// The last blocking problem of each drive.
    last: Vec<Option<Problem>>,
    /// Drives that were told of; `None` is the card.
    told: BTreeSet<Option<usize>>,
}

impl TroubleWatch {
    fn tell(&mut self, problem: &Problem) {
        if !self.told.insert(problem.destination) {
            return;
        }
        let drive = problem.destination.and_then(|at| self.drives.get(at));
        let what = shown(drive.unwrap_or(&self.card));
        let is_gone =
            problem.kind == ProblemKind::Vanished && problem.cause != Some(Cause::NoFiles);
        let became = match problem.kind {
            _ if is_gone => "is gone",
            ProblemKind::NoRoom => "is full",
            _ => "failed",
        };
        let words = problem.words(&self.drives);
        let body = format!("{}. {}", words.trim_end_matches('.'), problem.next_step());
        let summary = format!("{what} {became}");
        notice::send(notice(NoticeKind::Trouble, &summary, &body));
    }

    fn problem(&mut self, problem: &Problem) {
        let is_of_card = problem.destination.is_none() && problem.kind == ProblemKind::Vanished;
        let is_of_drive = problem.destination.is_some() && problem.path.is_none();
        if problem.blocking && (is_of_card || is_of_drive) {
            self.tell(problem);
        } else if let Some(last) = problem.destination.and_then(|at| self.last.get_mut(at)) {
            *last = Some(problem.clone());
        }
    }
}

impl Observer for TroubleWatch {
    fn event(&mut self, event: &Event<'_>) {
        match event {
            Event::Planned(plan) => {
                self.card.clone_from(&plan.card.label);
                self.drives = drive_names(plan);
                self.last = vec![None; self.drives.len()];
            }
            Event::Problem(problem) => self.problem(problem),
            Event::Tick(snapshot) => {
                let failed = snapshot.destinations.iter().enumerate();
                let failed = failed.filter(|(_, drive)| drive.failed);
                let failed: Vec<usize> = failed.map(|(at, _)| at).collect();
                for at in failed {
                    if let Some(problem) = self.last.get_mut(at).and_then(Option::take) {
                        self.tell(&problem);
                    }
                }
            }
            _ => {}
        }
    }
}
