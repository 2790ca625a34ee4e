//! Owns the words for what came of sending an offload to a place.

use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use unlade::name::shown;
use unlade::place::object::Grade;
use unlade::place::outcome::SendResult;
use unlade::place::outgoing::Cargo;
use unlade::units::{count, counted, len64, size};

/// Problems that are told one by one.
const PROBLEMS_TOLD: usize = 20;

/// Returns what is said above the answer.
pub(crate) fn sent_lines(sent: &SendResult, elsewhere: u64, out: Out) -> Vec<String> {
    if out.quiet {
        return Vec::new();
    }
    let mut texts = Vec::new();
    if sent.sent > 0 {
        let bytes = size(sent.sent_bytes);
        texts.push(format!("{} sent now, {bytes}.", counted(sent.sent, "file")));
    }
    if sent.before > 0 {
        texts.push(format!(
            "{} there from before.",
            counted(sent.before, "file")
        ));
    }
    if sent.gone > 0 {
        let files = counted(sent.gone, "file");
        texts.push(format!(
            "{files} of an earlier command were gone from the place, and were sent anew. Ask \
             whoever runs it why."
        ));
    }
    if elsewhere > 0 {
        let files = counted(elsewhere, "file");
        texts.push(format!(
            "{files} of the card are in earlier offloads (--only-new): send those too."
        ));
    }
    if sent.retries > 0 {
        texts.push(format!(
            "The place was busy or away, and asked again {} times.",
            sent.retries
        ));
    }
    let wrapped = texts
        .iter()
        .flat_map(|text| wrap(text, out.width, "  ", "  "));
    let mut lines: Vec<String> = wrapped.collect();
    let shown_all = out.verbose || sent.problems.len() <= PROBLEMS_TOLD;
    let most = if shown_all { usize::MAX } else { PROBLEMS_TOLD };
    for problem in sent.problems.iter().take(most) {
        let text = format!(
            "{} {}.",
            shown(&problem.path),
            shown(&problem.why.to_string())
        );
        let text = text.replace("..", ".");
        lines.extend(wrap(&text, out.width, "  - ", "    "));
    }
    if !shown_all {
        let more = sent.problems.len() - PROBLEMS_TOLD;
        lines.push(format!("  - and {more} more; --verbose says all"));
    }
    lines
}

/// Returns the answer, which comes last.
pub(crate) fn answer(
    (name, place): (&str, &str),
    (sent, proof, cargo): (&SendResult, Grade, &Cargo),
    exit: Exit,
    out: Out,
) -> Vec<String> {
    let name = shown(name);
    let all = len64(cargo.files.len()) + 1;
    let (good, text) = match exit {
        Exit::Done if sent.fetched == all => (
            "FETCHED",
            format!(
                "{name} is at {place}: all {} files were read back from there and are equal.",
                count(all)
            ),
        ),
        Exit::Done => (
            "SENT",
            format!(
                "{place} has accepted all {} files of {name}. Nobody has read them back yet: the \
                 same command with --proof fetched does.",
                count(all)
            ),
        ),
        Exit::Interrupted => (
            "NOT SENT",
            format!(
                "It was interrupted: {} of {} files of {name} are at {place}. Run the same \
                 command to go on.",
                count(sent.there),
                count(all)
            ),
        ),
        _ if sent.is_whole && proof == Grade::Fetched => (
            "NOT FETCHED",
            format!(
                "{place} has accepted all files of {name}; {} of {} were read back and are equal. \
                 Run the same command to go on.",
                count(sent.fetched),
                count(all)
            ),
        ),
        _ => (
            "NOT SENT",
            format!(
                "{} of {} files of {name} are at {place}. Keep the drive as it is, and see above.",
                count(sent.there),
                count(all)
            ),
        ),
    };
    let is_good = exit == Exit::Done;
    let head = out.heading(good, is_good);
    let mut lines = vec![String::new()];
    let wrapped = wrap(&format!("{good}. {text}"), out.width, "", "");
    lines.extend(wrapped.into_iter().enumerate().map(|(n, line)| {
        if n == 0 {
            line.replacen(good, &head, 1)
        } else {
            line
        }
    }));
    lines
}
