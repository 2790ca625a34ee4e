//! Owns how a watch sends one copy of an offload to a place, and who can do something about it
//! where that ends otherwise.

use super::{SendWay, SentOffload, Unsent, attempt, end_of, tell};
use crate::cli::command::shared::after::Attempt;
use crate::cli::command::shared::place::{NoStore, meant, opened};
use crate::cli::exit::Exit;
use crate::cli::view::out::{Out, heard};
use camino::Utf8Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use unlade::disk::progress::Progress;
use unlade::name::shown;
use unlade::place::error::PlaceFault;
use unlade::place::object::Grade;
use unlade::place::outcome::{SendFault, SendProblem};
use unlade::place::pace::RateLimit;
use unlade::run::Tools;
use unlade::units::{count, len64};

/// Sends the offload at `root`, slowly while `comes_second`.
pub(crate) fn send(
    root: &Utf8Path,
    place: &str,
    home: &Utf8Path,
    comes_second: &Arc<AtomicBool>,
    show: impl FnMut(&Progress),
    (out, tools): (Out, &Tools),
) -> Attempt {
    let begun = meant(place, home).and_then(|place| {
        let store = opened(&place, tools)?;
        Ok((place, store))
    });
    let (place, store) = match begun {
        Ok(begun) => begun,
        Err(NoStore(_, Exit::Interrupted)) => return Attempt::Interrupted,
        // The kit is another by now.
        Err(NoStore(lines, Exit::Usage)) => return Attempt::Never(lines.join(" ")),
        Err(NoStore(lines, _)) => return Attempt::Later(by_itself(&lines.join(" "))),
    };
    let way = SendWay {
        name: None,
        proof: Grade::Sent,
        pace: RateLimit::giving_way(Arc::clone(comes_second)),
        read_back_for: None,
    };
    match attempt(root, way, (home, &place, &store), |_, _| {}, show, tools) {
        Ok(sent) => came_of(&sent, &place.name, out, tools),
        Err(Unsent::Copy(why)) => Attempt::Copy(why),
        Err(Unsent::Now(why)) => Attempt::Later(why),
    }
}

fn came_of(sent: &SentOffload, place: &str, out: Out, tools: &Tools) -> Attempt {
    match end_of(&sent.result) {
        Exit::Interrupted => return Attempt::Interrupted,
        Exit::Done => {
            // A log has lines of its own.
            let out = Out {
                width: usize::MAX,
                ..out
            };
            let (_, lines) = heard(|| tell(sent, place, out, tools));
            return Attempt::Sent(lines);
        }
        _ => {}
    }
    let problems = &sent.result.problems;
    let first = |is_it: fn(&SendFault) -> bool| problems.iter().find(|p| is_it(&p.why));
    let why = |problem: &SendProblem| {
        let more = len64(problems.len()).saturating_sub(1);
        let more = (more > 0).then(|| format!(" So it is with {} more.", count(more)));
        let more = more.unwrap_or_default();
        let why = shown(&problem.why.to_string());
        let why = why.trim_end_matches('.');
        format!("{} {why}.{more}", shown(&problem.path))
    };
    if let Some(problem) = first(needs_a_person) {
        return Attempt::Never(why(problem));
    }
    if let Some(problem) = first(is_of_the_copy) {
        return Attempt::Copy(why(problem));
    }
    let later = problems.first().map(why);
    let later = later.unwrap_or_else(|| "not all of it is there.".to_owned());
    Attempt::Later(by_itself(&later))
}

/// Leaves out that somebody is to run the same command: nobody has to.
fn by_itself(text: &str) -> String {
    const COMMANDS: [&str; 5] = [
        "; then run the same command: it goes on",
        "; then run the same command",
        ", and run the same command later: it goes on",
        "Run the same command to go on; ",
        " Run the same command to go on.",
    ];
    COMMANDS
        .iter()
        .fold(text.to_owned(), |text, words| text.replace(words, ""))
}

fn is_of_the_copy(why: &SendFault) -> bool {
    matches!(why, SendFault::Unread(_) | SendFault::Rotten)
}

/// Whether it would be so again as often as it is tried.
fn needs_a_person(why: &SendFault) -> bool {
    let is_temporary = match why {
        SendFault::Place(why) => why.kind != PlaceFault::Taken,
        SendFault::Memory | SendFault::NoTime => true,
        why => is_of_the_copy(why),
    };
    !is_temporary
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_told_to_run_a_command_that_goes_on_by_itself() {
        for kind in [
            PlaceFault::Away,
            PlaceFault::Denied,
            PlaceFault::Full,
            PlaceFault::ReadOnly,
            PlaceFault::Other,
            PlaceFault::Interrupted,
        ] {
            let text = by_itself(&format!("place `studio` is so. {}", kind.advice()));
            assert!(!text.contains("same command"), "{text}");
            assert!(text.ends_with('.'), "{text}");
        }
    }
}
