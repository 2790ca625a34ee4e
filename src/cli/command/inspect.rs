//! Owns `inspect`: what was recorded, and whether it looks whole.

use crate::cli::args::inspect::InspectArgs;
use crate::cli::exit::Exit;
use crate::cli::view::interrupt::stopped;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::read_progress::{ReadProgress, watched};
use crate::cli::view::text::wrap;
use crate::cli::view::words::contents::{contents_lines, decoded_lines};
use crate::cli::view::words::hints::listed;
use camino::Utf8Path;
use serde_json::json;
use std::sync::Arc;
use unlade::disk::progress::Progress;
use unlade::error::{Problem, ProblemKind};
use unlade::name::shown;
use unlade::proof::to_manifest::contents_part;
use unlade::run::Tools;
use unlade::run::inspect::{Inspection, inspect as look};
use unlade::units::{count, counted, len64, size};

/// Hints up to which all are told one by one.
const HINTS_TOLD: usize = 12;

/// Looks at each in the order of the command line; the exit code is the worst.
pub(crate) fn inspect(args: &InspectArgs, out: Out, tools: &Tools) -> Exit {
    let mut worst = Exit::Done;
    for given in &args.what {
        let progress = Progress {
            cancel: Arc::clone(&tools.cancel),
            ..Progress::default()
        };
        let mut view = ReadProgress::new(out, tools).decoding(args.deep);
        let work = || look(given, args.deep, tools, &progress);
        let found = watched(work, || view.show(&progress));
        view.clear();
        let broken = || {
            let why = "the look broke down; this is a fault of unlade, please report it";
            Err(Problem::new(ProblemKind::Unreadable, why))
        };
        let exit = match found.unwrap_or_else(broken) {
            Ok(Some(mut found)) => {
                if !args.camera_names {
                    found.recordings = found.recordings.without_cameras();
                }
                tell(given, &found, out, tools)
            }
            Ok(None) => return stopped(false, out, &tools.clock),
            Err(problem) => refuse(given, &problem, out, tools),
        };
        worst = worst.max(exit);
    }
    worst
}

fn tell(given: &Utf8Path, found: &Inspection, out: Out, tools: &Tools) -> Exit {
    let hints = &found.recordings.hints;
    let is_clear = hints.is_empty() && found.unread.is_empty();
    let exit = if is_clear {
        Exit::Done
    } else {
        Exit::NotProven
    };
    if out.json {
        let json = Json::new(out, Arc::clone(&tools.clock));
        for hint in hints {
            let (kind, path, detail) = (hint.kind, &hint.path, hint.detail());
            json.send(
                "hint",
                json!({"kind": kind, "path": path, "detail": detail}),
            );
        }
        for problem in &found.unread {
            let body = serde_json::to_value(problem).unwrap_or_default();
            json.send("problem", body);
        }
        let mut body = json!({
            "what": given, "files": found.files, "bytes": found.bytes,
            "contents": contents_part(&found.recordings.contents),
            "hints": hints.len(), "unread": found.unread.len(), "exit_code": exit.code(),
        });
        if let Some(decoded) = &found.decoded {
            let not = decoded.not.iter();
            let not: Vec<_> = not
                .map(|(why, files)| json!({"why": why.id(), "files": files}))
                .collect();
            body["decoded"] = json!({"files": decoded.files, "not": not});
        }
        json.send("inspected", body);
        return exit;
    }
    let name = shown(given.as_str());
    let (files, bytes) = (counted(found.files, "file"), size(found.bytes));
    let mut lines = wrap(&format!("{name}: {files}, {bytes}"), out.width, "", "  ");
    lines.extend(contents_lines(&found.recordings.contents, out));
    lines.extend(found.decoded.iter().flat_map(|of| decoded_lines(of, out)));
    let all = out.verbose || hints.len() <= HINTS_TOLD;
    lines.extend(listed(hints, all, out));
    for problem in &found.unread {
        let path = problem.path.as_deref().unwrap_or_default();
        let text = format!("{} {}.", shown(path), shown(&problem.detail));
        lines.extend(wrap(&text, out.width, "  - ", "    "));
    }
    if !found.unread.is_empty() {
        let next = "Try another reader or port; keep the card as it is.";
        lines.extend(wrap(next, out.width, "    ", "    "));
    }
    lines.push(String::new());
    lines.extend(wrap(&answer(found), out.width, "", ""));
    for line in lines {
        out.line(&line);
    }
    exit
}

/// The last sentence.
fn answer(found: &Inspection) -> String {
    let hints = len64(found.recordings.hints.len());
    let unread = len64(found.unread.len());
    let looked_at = found.recordings.contents.looked_at;
    let decoded = found.decoded.as_ref().map_or(0, |decoded| decoded.files);
    let decoded = match decoded {
        0 => String::new(),
        files => format!(", {} decoded", count(files)),
    };
    let mut parts = Vec::new();
    if hints > 0 {
        parts.push(counted(hints, "hint"));
    }
    if unread > 0 {
        let files = counted(unread, "file");
        parts.push(format!("{files} could not be read"));
    }
    match (parts.is_empty(), looked_at) {
        (false, _) => format!(
            "{}. Look into this before you format the card.",
            parts.join("; ")
        ),
        (true, 0) => "Nothing can be said: no file is of a kind that is known here.".to_owned(),
        (true, _) => format!(
            "No hints. {} looked at{decoded}; that is no proof that they play.",
            counted(looked_at, "file")
        ),
    }
}

fn refuse(given: &Utf8Path, problem: &Problem, out: Out, tools: &Tools) -> Exit {
    let exit = Exit::Refused;
    if out.json {
        let json = Json::new(out, Arc::clone(&tools.clock));
        let body = json!({"what": given, "reasons": [problem], "exit_code": exit.code()});
        json.send("refused", body);
    } else {
        for line in wrap(&format!("unlade: {}", problem.detail), out.width, "", "  ") {
            out.error(&line);
        }
        let next = "Give a card, an offload or a file that is there. Is it plugged in?";
        for line in wrap(next, out.width, "Next: ", "      ") {
            out.error(&line);
        }
    }
    exit
}
