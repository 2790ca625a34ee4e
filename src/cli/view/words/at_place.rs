//! Owns the words for what came of reading an offload back at a place.

use super::sending::{heading_first, lines_above, retry_words};
use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use unlade::place::outcome::PlaceChecked;
use unlade::place::sample::chance_unseen;
use unlade::units::{count, counted, float, size, whole};

/// Returns what is said above the answer.
pub(crate) fn place_lines(done: &PlaceChecked, out: Out) -> Vec<String> {
    if out.quiet {
        return Vec::new();
    }
    let bytes = size(done.equal_bytes);
    let files = counted(done.equal, "file");
    let mut texts = vec![format!("{files} read back from there and equal, {bytes}.")];
    texts.extend(retry_words(done.retries));
    if done.from_memory > 0 {
        let files = counted(done.from_memory, "file");
        texts.push(format!(
            "{files} could not be read from the place itself: this computer answers from its \
             memory there."
        ));
    }
    lines_above(&texts, &done.problems, out)
}

/// A chance in words that never make it smaller than it is.
fn percent(chance: f64) -> String {
    let percent = whole((chance * 100.0).ceil());
    if chance < 0.01 {
        "less than 1 %".to_owned()
    } else {
        format!("{} %", percent.min(100))
    }
}

/// What a sample leaves open.
fn left_open(done: &PlaceChecked) -> String {
    let hundredth = whole((float(done.all) / 100.0).ceil()).max(1);
    let unseen = |damaged| percent(chance_unseen(done.all, done.equal, damaged));
    let one = format!(
        "If one file of the {} were damaged, this sample would miss it with a chance of {}",
        count(done.all),
        unseen(1)
    );
    let more = if hundredth > 1 {
        format!(
            "; {} damaged files (1 in 100) with {}",
            count(hundredth),
            unseen(hundredth)
        )
    } else {
        String::new()
    };
    format!("{one}{more}. That takes for granted that damage strikes files at random.")
}

/// Returns the answer, which comes last.
pub(crate) fn place_answer(about: &str, done: &PlaceChecked, exit: Exit, out: Out) -> Vec<String> {
    let is_sample = done.chosen < done.all;
    let (good, text) = match exit {
        Exit::Done if is_sample => (
            "NO DAMAGE SEEN",
            format!(
                "{} of {} files of {about} were read back and are equal. {}",
                count(done.equal),
                count(done.all),
                left_open(done)
            ),
        ),
        Exit::Done => (
            "INTACT",
            format!(
                "{about}: all {} files were read back from there and are equal, and its lists say \
                 what its manifest says.",
                count(done.all)
            ),
        ),
        Exit::Interrupted => (
            "NOT INTACT",
            format!(
                "It was interrupted: {} of {} files of {about} were read back and are equal.",
                count(done.equal),
                count(done.chosen)
            ),
        ),
        _ => (
            "NOT INTACT",
            format!(
                "{} of {} files of {about} were read back and are equal. Keep the other copies, \
                 and see above.",
                count(done.equal),
                count(done.chosen)
            ),
        ),
    };
    heading_first((good, &text), exit == Exit::Done, out)
}
