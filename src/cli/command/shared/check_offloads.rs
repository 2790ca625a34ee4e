//! Owns telling what was found in offloads, and in folders with records of others, that were read
//! again.

use crate::cli::args::meant::quoted;
use crate::cli::command::shared::checked::{
    CheckTarget, Checked, others_verdict, problems_json, signature_ids,
};
use crate::cli::command::shared::checking::{CheckError, CheckResult, check_all};
use crate::cli::command::shared::other_copies::{OtherCopy, other_copies};
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::drive_names::DriveNames;
use crate::cli::system::notice::{self, Notice};
use crate::cli::view::json::Json;
use crate::cli::view::observer::{ReadEnd, ReadViewer};
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words::findings::{
    FINDINGS_SHOWN, UNREAD_STEP, findings_lines, findings_told, found,
};
use crate::cli::view::words::notice::of_answer;
use crate::cli::view::words::others::others_next;
use crate::cli::view::words::troubles::{capital, sentence};
use camino::{Utf8Path, Utf8PathBuf};
use serde_json::{Value, json};
use std::sync::Arc;
use unlade::disk::EntryKind;
use unlade::error::ProblemKind;
use unlade::existing::as_card::is_offload;
use unlade::name::{shown, some_of};
use unlade::record::signature::TrustedKeys;
use unlade::run::Tools;
use unlade::units::{all_counted, len64};
use unlade::verify::others::{NoGeneration, OthersError};
use unlade::verify::{FindingCounts, Findings, VerifyError};

/// Checks every offload and tells the results in the order given; `expected` are the keys of
/// whoever should have signed them, and `viewer` is who is shown it where that is neither the
/// screen nor a program.
pub(crate) fn check_offloads(
    targets: &[CheckTarget],
    expected: Option<&TrustedKeys>,
    out: Out,
    tools: &Tools,
    (book, drives): (&Book, &DriveNames),
    viewer: Option<&dyn ReadViewer>,
) -> Exit {
    let offloads: Vec<Utf8PathBuf> = targets.iter().map(|t| t.path.clone()).collect();
    let (mut results, _) = check_all(targets, out, tools, viewer);
    if let Some(expected) = expected {
        for checked in results.iter_mut().flatten() {
            checked.expect_signed_by(expected);
        }
    }
    let json = Json::new(out, Arc::clone(&tools.clock));
    let names = drives.offloads(&offloads, tools);
    let (mut ends, mut is_there) = (Vec::new(), Vec::new());
    let are_several = offloads.len() > 1;
    for ((path, name), result) in offloads.iter().zip(&names).zip(&results) {
        let exit = exit_of(result);
        let ours = result.as_ref().ok().and_then(Checked::ours);
        let others = ours.map_or_else(Vec::new, |findings| {
            other_copies(path, findings, &book.read(), tools.disk.as_ref())
        });
        let note = ours.and_then(|f| f.note(tools.clock.now()));
        let unnoted = book.note(note.into_iter().collect());
        let around = || Surroundings::of(path, result, tools);
        if let Some(viewer) = viewer {
            let words = others.iter().map(OtherCopy::words);
            let words: Vec<_> = words.chain(unnoted.map(str::to_owned)).collect();
            viewer.end(ReadEnd {
                verdict: verdict(path, result, expected, &others, exit),
                ..read_end((path, name), result, &words, &around(), out)
            });
        } else if out.json {
            tell_json(&json, path, result, expected, &others, exit);
        } else {
            let others = others.iter().map(OtherCopy::words);
            let others: Vec<_> = others.chain(unnoted.map(str::to_owned)).collect();
            let intact = |checked: &Checked| checked.intact_lines((path.as_str(), name), out);
            match result
                .as_ref()
                .ok()
                .filter(|_| are_several)
                .and_then(intact)
            {
                Some(_) if out.quiet => {}
                Some(lines) => lines.iter().for_each(|line| out.line(line)),
                None => tell((path, name), result, expected, &others, &around(), out),
            }
        }
        let proven = ours.is_some_and(is_proven);
        ends.push((path.as_str(), proven, exit));
        is_there.push(!matches!(result, Err(error) if error.is_not_there()));
    }
    let worst = ends.iter().map(|(.., exit)| *exit).max();
    let worst = worst.unwrap_or(Exit::Done);
    if let ([Ok(checked)], [name]) = (results.as_slice(), names.as_slice()) {
        send_notice(worst, checked.notice(name));
    } else if ends.len() > 1 {
        let told = names.iter().map(String::as_str).zip(is_there);
        let told: Vec<_> = told.collect();
        tell_all((&ends, noun(&results)), &told, worst, out, (&json, viewer));
    }
    worst
}

/// What those are called that were checked.
fn noun(results: &[CheckResult]) -> &'static str {
    let is_of_others = |result: &CheckResult| matches!(result, Ok(Checked::Others(_)));
    if results.iter().any(is_of_others) {
        "folder"
    } else {
        "offload"
    }
}

/// How the check of one of them ends.
pub(crate) fn exit_of(result: &CheckResult) -> Exit {
    match result {
        Err(CheckError::Interrupted) => Exit::Interrupted,
        Ok(checked) if checked.is_interrupted() => Exit::Interrupted,
        Ok(checked) if checked.is_clean() => Exit::Done,
        Ok(_) => Exit::NotProven,
        Err(_) => Exit::Refused,
    }
}

fn send_notice(exit: Exit, answer: Notice) {
    // Who stopped it is at the keyboard.
    if exit != Exit::Interrupted {
        notice::send(answer);
    }
}

/// Tells the one answer for several offloads, of which the names are known, and whether there is
/// anything under them: what is not there is none.
fn tell_all(
    (ends, noun): (&[(&str, bool, Exit)], &str),
    names: &[(&str, bool)],
    worst: Exit,
    out: Out,
    (json, viewer): (&Json, Option<&dyn ReadViewer>),
) {
    let intact = ends.iter().filter(|(.., exit)| *exit == Exit::Done).count();
    let bad = ends.iter().zip(names);
    let bad = bad.filter(|((.., exit), _)| *exit != Exit::Done);
    let (bad, absent): (Vec<_>, Vec<_>) = bad.map(|(_, name)| *name).partition(|(_, is)| *is);
    let [bad, absent] =
        [bad, absent].map(|all| all.iter().map(|(name, _)| *name).collect::<Vec<_>>());
    let answer = answer_for_all(intact, &bad, &absent, noun);
    let (word, is_good) = match worst {
        Exit::Done => ("INTACT", true),
        _ => ("NOT INTACT", false),
    };
    let what = all_counted(ends.len(), noun);
    send_notice(worst, of_answer(&what, word, is_good, &answer));
    if let Some(viewer) = viewer {
        return viewer.all(answer, Json::for_all("offloads", ends, worst));
    }
    if out.json {
        json.send_for_all("offloads", ends, worst);
        return;
    }
    out.line("");
    for line in wrap(&answer, out.width, "", "") {
        out.line(&line);
    }
}

/// The one answer for several offloads.
fn answer_for_all(intact: usize, bad: &[&str], absent: &[&str], noun: &str) -> String {
    let list = |all: &[&str]| some_of(all.iter().copied(), all.len(), len64(all.len()), "");
    let all = intact + bad.len();
    let is = if intact == 1 { "is" } else { "are" };
    let answer = match (all, bad.len()) {
        (0, _) => "Nothing was checked".to_owned(),
        (1, 0) => format!("1 {noun} is intact"),
        (1, _) => format!("{} is not intact", list(bad)),
        (_, 0) => format!("{} are intact", all_counted(all, noun)),
        _ => format!("{intact} of {all} {noun}s {is} intact, not {}", list(bad)),
    };
    match absent.len() {
        0 => format!("{answer}."),
        1 => format!("{answer}. {} is not there.", list(absent)),
        _ => format!("{answer}. {} are not there.", list(absent)),
    }
}

/// Whether what was read says that this copy is proven: not what lies in other offloads, which was
/// not looked at, nor what memory answered, which says nothing of the drive.
fn is_proven(f: &Findings) -> bool {
    f.is_clean() && f.manifest.verdict.proven && f.elsewhere.is_empty() && f.way.reaches_device()
}

/// What is to be seen around a folder that could not be checked.
#[derive(Default)]
struct Surroundings {
    /// It is an offload that was begun and not finished.
    is_begun: bool,
    /// Nothing is there, and this beside it is called nearly so.
    near: Option<Utf8PathBuf>,
    /// It is a file.
    is_file: bool,
}

impl Surroundings {
    fn of(path: &Utf8Path, result: &CheckResult, tools: &Tools) -> Self {
        let disk = tools.disk.as_ref();
        let Err(error) = result else {
            return Self::default();
        };
        let is_unfinished =
            matches!(error, CheckError::Verify(VerifyError::Manifest(e)) if e.is_absent());
        Self {
            is_begun: is_unfinished && is_offload(disk, path),
            near: error.is_not_there().then(|| near(path, tools)).flatten(),
            is_file: matches!(disk.look(path), Ok(Some(stat)) if stat.kind == EntryKind::File),
        }
    }
}

/// Letters in which a slip of the finger differs at most.
const SLIPS: usize = 2;

/// Returns the folder beside this path whose name is the most like its own.
fn near(path: &Utf8Path, tools: &Tools) -> Option<Utf8PathBuf> {
    let (name, above) = (path.file_name()?, path.parent()?);
    let here = if above == "" {
        Utf8Path::new(".")
    } else {
        above
    };
    let found = tools.disk.children(here).ok()?.into_iter();
    let folders = found.filter(|e| matches!(&e.stat, Ok(s) if s.kind == EntryKind::Folder));
    let names = folders.filter_map(|entry| entry.path.into_string().ok());
    let unlike =
        |other: &String| strsim::damerau_levenshtein(&name.to_lowercase(), &other.to_lowercase());
    let most = SLIPS.min(name.chars().count() / 2);
    let like = names
        .filter(|other| unlike(other) <= most)
        .min_by_key(unlike)?;
    Some(above.join(like))
}

/// Tells what one of them came to on the screen; `further` is said before the answer.
pub(crate) fn tell_checked(
    named: (&Utf8PathBuf, &str),
    result: &CheckResult,
    further: &[String],
    out: Out,
    tools: &Tools,
) {
    let around = Surroundings::of(named.0, result, tools);
    tell(named, result, None, further, &around, out);
}

fn tell(
    (path, name): (&Utf8PathBuf, &str),
    result: &CheckResult,
    expected: Option<&TrustedKeys>,
    others: &[String],
    around: &Surroundings,
    out: Out,
) {
    match result {
        Ok(checked) => {
            let most = findings_told(out);
            let words = checked.words((path.as_str(), name), expected, others, most, out);
            for line in findings_lines(words, out) {
                out.line(&line);
            }
        }
        Err(error) => {
            let (why, next) = unchecked(path, error, around);
            let text = format!("unlade: {why}");
            for line in wrap(&text, out.width, "", "  ")
                .into_iter()
                .chain(wrap(&next, out.width, "Next: ", "      "))
            {
                out.error(&line);
            }
        }
    }
}

/// Why an offload was not checked, and what to do.
fn unchecked(path: &Utf8Path, error: &CheckError, around: &Surroundings) -> (String, String) {
    let is_there = !error.is_not_there();
    let folder = shown(path.as_str());
    let why = if is_there {
        format!("`{folder}` cannot be checked: {error}")
    } else {
        format!("`{folder}` cannot be checked: it is not there.")
    };
    if let CheckError::Others(OthersError::NoRecord(below)) = error {
        return (why, others_next(path.as_str(), below));
    }
    if around.is_file {
        return (
            format!("`{folder}` cannot be checked: it is a file, not a folder."),
            format!(
                "give the folder that it is in. A checksum list: `unlade verify --list {}`.",
                quoted(path)
            ),
        );
    }
    if let Some(near) = around.near.as_ref().filter(|_| !is_there) {
        return (why, format!("did you mean `{}`?", shown(near.as_str())));
    }
    let next = match error.kind() {
        _ if !is_there => "is the drive plugged in, and is the path right?",
        _ if matches!(error, CheckError::Interrupted) => "run the same command again.",
        _ if around.is_begun => {
            "this offload was begun and not finished: run the same copy again, which goes on with \
            it, and verify it then."
        }
        _ if matches!(error, CheckError::Others(OthersError::Refused(_))) => {
            "check another copy of this folder, or ask whoever made the list. One list alone is \
            checked with --list."
        }
        ProblemKind::Unreadable => UNREAD_STEP,
        _ if matches!(
            error,
            CheckError::Others(OthersError::NoGeneration(NoGeneration::Broken(_)))
        ) =>
        {
            "nothing was checked or written. Leave `ascmhl` as it is, and put what is missing or \
            damaged in it back: from a copy of this very folder, or from whoever made the list. \
            Without --add-generation the check says more."
        }
        ProblemKind::NameClash => {
            "nothing was checked or written. Without --add-generation it is checked as it is."
        }
        ProblemKind::NotReadBack => {
            "nothing is known of this offload: verify it alone, or check another copy of it."
        }
        _ => "give the folder that holds `_unlade`, or check another copy of this offload.",
    };
    (why, next.to_owned())
}

/// The same for a page.
fn read_end(
    (path, name): (&Utf8PathBuf, &str),
    result: &CheckResult,
    others: &[String],
    around: &Surroundings,
    out: Out,
) -> ReadEnd {
    let checked = match result {
        Ok(checked) => checked,
        Err(error) => {
            let (why, next) = unchecked(path, error, around);
            let is_stopped = matches!(error, CheckError::Interrupted);
            return ReadEnd {
                name: name.to_owned(),
                heading: if is_stopped { "STOPPED" } else { "NOT CHECKED" }.to_owned(),
                sentence: sentence(&capital(&why)),
                troubles: vec![(Vec::new(), sentence(&capital(&next)))],
                ..ReadEnd::default()
            };
        }
    };
    let words = checked.words((path.as_str(), name), None, others, FINDINGS_SHOWN, out);
    let (word, is_good, rest) = words.answer;
    let by = words.by.map(|(label, text)| format!("{label}: {text}"));
    let step = |step: &&str| (Vec::new(), (*step).to_owned());
    ReadEnd {
        name: name.to_owned(),
        heading: word.to_owned(),
        is_good,
        sentence: rest,
        head: words.head,
        found: words.found,
        more: words.more,
        troubles: words.steps.iter().map(step).collect(),
        notes: words.notes.into_iter().chain(by).collect(),
        ..ReadEnd::default()
    }
}

fn tell_json(
    json: &Json,
    path: &Utf8PathBuf,
    result: &CheckResult,
    expected: Option<&TrustedKeys>,
    others: &[OtherCopy],
    exit: Exit,
) {
    match result {
        Err(error) => {
            let reason = json!({
                "kind": error.kind(), "path": null, "destination": null,
                "detail": error.to_string(), "blocking": true,
            });
            json.send("refused", json!({"offload": path, "reasons": [reason]}));
        }
        Ok(checked) => problems_json(json, checked.findings()),
    }
    json.send("verdict", verdict(path, result, expected, others, exit));
}

fn verdict(
    path: &Utf8PathBuf,
    result: &CheckResult,
    expected: Option<&TrustedKeys>,
    others: &[OtherCopy],
    exit: Exit,
) -> Value {
    let findings = match result {
        Ok(Checked::Ours(findings)) => findings,
        Ok(Checked::Others(findings)) => return others_verdict(path, findings, exit),
        Err(error) => {
            return json!({
                "offload": path, "proven": false, "reasons": [error.to_string()],
                "exit_code": exit.code(),
            });
        }
    };
    let (missing, changed, extra) = findings.counts();
    let (signature, signed_by) = signature_ids(&findings.signature);
    json!({
        "offload": path, "unchanged": findings.is_clean(),
        "proven": is_proven(findings),
        "elsewhere": findings.elsewhere, "files_equal": findings.equal,
        "bytes_equal": findings.equal_bytes, "missing": missing, "changed": changed,
        "extra": extra,
        "unread": findings.unread(), "moved": FindingCounts::of(&findings.findings).moved,
        "litter": findings.litter.len(), "salvaged": findings.salvaged,
        "readback": findings.way, "exit_code": exit.code(),
        "signature": signature, "signed_by": signed_by,
        "other_copies": others.iter().map(OtherCopy::json).collect::<Vec<_>>(),
        // Null where nobody said who is expected.
        "is_signer_expected": expected.map(|e| findings.is_signed_by(e)),
        "reasons": if findings.is_clean() { vec![] } else { vec![found(&findings.findings)] },
    })
}
