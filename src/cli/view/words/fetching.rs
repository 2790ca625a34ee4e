//! Owns the words for what came of fetching an offload from a place.

use super::sending::{heading_first, lines_above, retry_words};
use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use unlade::name::{shown, some_of};
use unlade::place::incoming::FetchPlan;
use unlade::place::outcome::FetchResult;
use unlade::units::{count, counted, len64, size};

/// Names that are told for one reason.
const NAMES_TOLD: usize = 3;

/// Returns what is said above the answer.
pub(crate) fn fetched_lines(done: &FetchResult, out: Out) -> Vec<String> {
    if out.quiet {
        return Vec::new();
    }
    let mut texts = Vec::new();
    if done.came > 0 {
        let bytes = size(done.came_bytes);
        texts.push(format!(
            "{} fetched now, {bytes}.",
            counted(done.came, "file")
        ));
    }
    if done.before > 0 {
        let files = counted(done.before, "file");
        texts.push(format!("{files} there from before, read back and equal."));
    }
    texts.extend(retry_words(done.retries));
    if done.from_memory > 0 {
        let files = counted(done.from_memory, "file");
        texts.push(format!(
            "{files} could not be read back from the drive itself: this computer answers from its \
             memory there."
        ));
    }
    if !done.made.is_empty() {
        let names = done.made.iter().map(String::as_str);
        let names = some_of(names, NAMES_TOLD, len64(done.made.len()), "list");
        texts.push(format!(
            "Not at the place any more, and made anew from the manifest: {names}."
        ));
    }
    if !done.not_compared.is_empty() {
        let all = len64(done.not_compared.len());
        let paths = done.not_compared.iter().map(String::as_str);
        let names = some_of(paths, NAMES_TOLD, all, "record");
        texts.push(format!(
            "Came as they are, compared with nothing, since neither the manifest nor a receipt \
             says what they hold: {names}."
        ));
    }
    lines_above(&texts, &done.problems, out)
}

/// Returns the answer, which comes last.
pub(crate) fn fetched_answer(
    plan: &FetchPlan,
    done: &FetchResult,
    exit: Exit,
    out: Out,
) -> Vec<String> {
    let all = len64(plan.files.len());
    let root = shown(plan.root.as_str());
    let good = if exit == Exit::Done {
        "FETCHED"
    } else {
        "NOT FETCHED"
    };
    let text = match exit {
        Exit::Done if plan.is_whole => format!(
            "{root} is the offload again: {} read back from the drive and as its manifest says{}.",
            counted(all - len64(done.not_compared.len()), "file"),
            if done.not_compared.is_empty() {
                String::new()
            } else {
                let more = counted(len64(done.not_compared.len()), "record");
                format!("; {more} compared with nothing, see above")
            }
        ),
        Exit::Done => format!(
            "{} in {root}, read back from the drive and as the manifest says. Without the rest \
             and the manifest this is no offload.",
            counted(all, "file")
        ),
        Exit::Interrupted => format!(
            "It was interrupted: {} of {} files are in {root}. Run the same command to go on.",
            count(done.came + done.before),
            count(all)
        ),
        _ if done.is_done => format!(
            "All files are in {root}, and nobody has seen them on the drive itself. Plug it in \
             anew, then: unlade verify {root}"
        ),
        _ => format!(
            "{} of {} files are in {root}. See above; the same command goes on.",
            count(done.came + done.before),
            count(all)
        ),
    };
    heading_first((good, &text), exit == Exit::Done, out)
}
