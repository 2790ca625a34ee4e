//! Owns the words for what came of sending an offload to a place.

use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use jiff::ZonedDateTime;
use unlade::name::{shown, some_of};
use unlade::place::listing::{ListedOffload, ListedState, PlaceList};
use unlade::place::object::Grade;
use unlade::place::outcome::{SendProblem, SendResult};
use unlade::place::outgoing::Cargo;
use unlade::place::rates::SendTime;
use unlade::speed::forecast::words;
use unlade::units::{count, counted, len64, size, speed};

/// Returns what is at a place.
pub(crate) fn list_lines(place: &str, list: &PlaceList, out: Out) -> Vec<String> {
    let grade = |grade: &Grade| match grade {
        Grade::Sent => "SENT",
        Grade::Fetched => "FETCHED",
    };
    let state = |offload: &ListedOffload| match &offload.state {
        ListedState::Whole {
            made,
            grade: least,
            files,
            bytes,
        } => format!(
            "{} {}: {}, {}",
            grade(least),
            minute(made),
            counted(*files, "file"),
            size(*bytes)
        ),
        ListedState::NoReceipt => {
            "all there by its manifest, but no receipt says so: send it again".to_owned()
        }
        ListedState::Unfinished(files, bytes) => format!(
            "not all there, {} with {} so far{}: send it again to go on",
            counted(*files, "file"),
            size(*bytes),
            parts(&offload.parts)
        ),
    };
    let mut texts: Vec<String> = list
        .offloads
        .iter()
        .map(|offload| format!("{}: {}.", shown(&offload.name), state(offload)))
        .collect();
    if list.offloads.iter().any(|o| !o.parts.is_empty()) {
        let text = "Part files have names that end in `.unlade-part`. Sending again goes on with \
            those of this computer; those that nobody goes on with can be removed by hand.";
        texts.push(text.to_owned());
    }
    if texts.is_empty() {
        texts.push(format!("There is no offload at {place}."));
    }
    if list.others > 0 {
        let others = counted(list.others, "folder");
        texts.push(format!("{others} there with something else."));
    }
    let is_unfinished = |o: &ListedOffload| matches!(o.state, ListedState::Unfinished(..));
    if list.is_bucket && list.offloads.iter().any(is_unfinished) {
        texts.push(
            "Parts of files that were cut short may be in the bucket, and are charged for. They \
             can't be listed from here: let the service end unfinished uploads after some days."
                .to_owned(),
        );
    }
    let lines = texts.iter();
    lines
        .flat_map(|text| wrap(text, out.width, "", "  "))
        .collect()
}

/// Part files that are told by name.
const PARTS_TOLD: usize = 3;

/// Says which files are half sent.
fn parts(parts: &[(String, u64)]) -> String {
    if parts.is_empty() {
        return String::new();
    }
    let bytes = parts
        .iter()
        .fold(0, |sum: u64, (_, n)| sum.saturating_add(*n));
    let names = parts.iter().map(|(name, _)| name.as_str());
    let all = len64(parts.len());
    let names = some_of(names, PARTS_TOLD, all, "part file");
    format!(
        ", and {} with {} ({names})",
        counted(all, "part file"),
        size(bytes)
    )
}

/// A time of RFC 3339 to the minute.
fn minute(time: &str) -> String {
    let to_minute: String = time.chars().take(16).collect();
    format!("{} UTC", shown(&to_minute.replace('T', " ")))
}

/// Says how long sending takes, and when it is done.
pub(crate) fn planned_words(
    place: &str,
    bytes: u64,
    known: Option<SendTime>,
    ends: Option<&ZonedDateTime>,
) -> String {
    let bytes = size(bytes);
    let Some(known) = known else {
        return format!(
            "to {place}: {bytes}. How long that takes is known once something of 10 MB or more was \
             sent there."
        );
    };
    let ends = ends.map(|ends| format!(", done at about {}", ends.strftime("%H:%M on %e %b")));
    format!(
        "to {place}: {bytes} in {}{}. It took {} {}.",
        words(known.takes),
        ends.unwrap_or_default(),
        speed(known.bytes_per_s),
        match known.times {
            1 => "last time".to_owned(),
            times => format!("in the middle of the last {times} times"),
        },
    )
}

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
    texts.extend(retry_words(sent.retries));
    lines_above(&texts, &sent.problems, out)
}

/// Returns what is said above an answer: the texts, then all that went wrong.
pub(super) fn lines_above(texts: &[String], problems: &[SendProblem], out: Out) -> Vec<String> {
    let wrapped = texts
        .iter()
        .flat_map(|text| wrap(text, out.width, "  ", "  "));
    let lines: Vec<String> = wrapped.collect();
    [lines, problem_lines(problems, out)].concat()
}

/// Says that a place had to be asked again.
pub(super) fn retry_words(retries: u64) -> Option<String> {
    let times = counted(retries, "time");
    (retries > 0).then(|| format!("The place was busy or away, and was asked again {times}."))
}

/// Returns what is wrong with files, one by one.
fn problem_lines(problems: &[SendProblem], out: Out) -> Vec<String> {
    let shown_all = out.verbose || problems.len() <= PROBLEMS_TOLD;
    let most = if shown_all { usize::MAX } else { PROBLEMS_TOLD };
    let mut lines = Vec::new();
    for problem in problems.iter().take(most) {
        let text = format!(
            "{} {}.",
            shown(&problem.path),
            shown(&problem.why.to_string())
        );
        let text = text.replace("..", ".");
        lines.extend(wrap(&text, out.width, "  - ", "    "));
    }
    if !shown_all {
        let more = problems.len() - PROBLEMS_TOLD;
        lines.push(format!("  - and {more} more; --verbose says all"));
    }
    lines
}

/// Returns an answer below an empty line, its first words as a heading.
pub(super) fn heading_first((words, text): (&str, &str), is_good: bool, out: Out) -> Vec<String> {
    let head = out.heading(words, is_good);
    let mut lines = vec![String::new()];
    let wrapped = wrap(&format!("{words}. {text}"), out.width, "", "");
    lines.extend(wrapped.into_iter().enumerate().map(|(n, line)| {
        if n == 0 {
            line.replacen(words, &head, 1)
        } else {
            line
        }
    }));
    lines
}

/// Says that all was read back, and when, where that was before this command.
fn fetched_words((name, place): (&str, &str), since: Option<&str>, all: u64) -> String {
    let all = count(all);
    let when = match since {
        None => {
            return format!(
                "{name} is at {place}: all {all} files were read back from there and are equal."
            );
        }
        Some("") => "at an earlier time".to_owned(),
        Some(since) => format!("the first on {}", minute(since)),
    };
    format!(
        "{name} is at {place}: all {all} files were read back from there and were equal, {when}. \
         The place says the same of them as then. To read them back now: unlade verify \
         {place}/{name}"
    )
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
            fetched_words((&name, place), sent.fetched_since.as_deref(), all),
        ),
        Exit::Done => (
            "SENT",
            format!(
                "{place} has accepted all {} files of {name}. Nobody has read them back yet: \
                 `unlade send` with --proof fetched does.",
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
    heading_first((good, &text), exit == Exit::Done, out)
}
