//! Owns `verify`: offloads on different devices are read at the same time, those on one device one
//! after the other.

mod other_copies;

use crate::cli::args::VerifyArgs;
use crate::cli::command::verify::other_copies::{OtherCopy, other_copies};
use crate::cli::exit::Exit;
use crate::cli::home::Book;
use crate::cli::home::keys;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words;
use camino::{Utf8Path, Utf8PathBuf};
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::RecvTimeoutError;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use unlade::error::ProblemKind;
use unlade::existing::original::is_offload;
use unlade::name::shown;
use unlade::record::manifest::device_words;
use unlade::record::signature::Expected;
use unlade::run::Tools;
use unlade::units::{rate, size, speed};
use unlade::verify::{
    Finding, Findings, Progress, Signature, VerifyError, path_of, verify as check,
};

type Outcome = Result<Findings, VerifyError>;

/// Checks every offload and tells the results in the order of the command line.
pub(crate) fn verify(args: &VerifyArgs, out: Out, tools: &Tools, book: &Book) -> Exit {
    let offloads = &args.offloads;
    let expected = match &args.signed_by {
        None => None,
        Some(path) => match keys::expected(path, offloads, out, tools) {
            Ok(expected) => Some(expected),
            Err(exit) => return exit,
        },
    };
    let progress = Progress {
        cancel: Arc::clone(&tools.cancel),
        ..Progress::default()
    };
    let mut results = check_all(offloads, out, tools, &progress);
    if let Some(expected) = &expected {
        for findings in results.iter_mut().flatten() {
            findings.expect_signed_by(expected);
        }
    }
    let json = Json::new(out, Arc::clone(&tools.clock));
    let mut ends = Vec::new();
    for (path, result) in offloads.iter().zip(&results) {
        let exit = match result {
            Ok(f) if f.interrupted => Exit::Interrupted,
            Ok(f) if f.is_clean() => Exit::Done,
            Ok(_) => Exit::NotProven,
            Err(_) => Exit::Refused,
        };
        let others = result.as_ref().map_or_else(
            |_| Vec::new(),
            |findings| other_copies(path, findings, &book.read(), tools.disk.as_ref()),
        );
        if out.json {
            tell_json(&json, path, result, expected.as_ref(), &others, exit);
        } else {
            let is_begun = is_begun(path, result, tools);
            tell(path, result, expected.as_ref(), &others, is_begun, out);
        }
        let proven = result.as_ref().is_ok_and(is_proven);
        ends.push((path.as_str(), proven, exit));
    }
    let worst = ends.iter().map(|(.., exit)| *exit).max();
    let worst = worst.unwrap_or(Exit::Done);
    if out.json && ends.len() > 1 {
        json.send_for_all("offloads", &ends, worst);
    }
    worst
}

/// Whether what was read says that this copy is proven: not what lies in other offloads, which was not looked at, nor
/// what memory answered, which says nothing of the drive.
fn is_proven(f: &Findings) -> bool {
    f.is_clean() && f.manifest.verdict.proven && f.elsewhere.is_empty() && f.way.reaches_device()
}

/// Whether a folder is an offload that was begun and not finished.
fn is_begun(path: &Utf8Path, result: &Outcome, tools: &Tools) -> bool {
    let is_unfinished = matches!(result, Err(VerifyError::Manifest(e)) if e.is_absent());
    is_unfinished && is_offload(tools.disk.as_ref(), path)
}

/// Starts a thread for each device, as far as there are any; shows the progress from this one.
fn check_all(
    offloads: &[Utf8PathBuf],
    out: Out,
    tools: &Tools,
    progress: &Progress,
) -> Vec<Outcome> {
    let mut by_device: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (index, path) in offloads.iter().enumerate() {
        // A folder that cannot be looked at has its error told by the check itself.
        let key = tools.disk.facts(path).map_or_else(
            |_| format!("? {index}"),
            |facts| {
                let device = device_words(&facts.backing);
                if device == "unknown" {
                    format!("dev {}", facts.device)
                } else {
                    device
                }
            },
        );
        by_device.entry(key).or_default().push(index);
    }
    let results: Vec<Mutex<Option<Outcome>>> = offloads.iter().map(|_| Mutex::default()).collect();
    let groups: Vec<Vec<usize>> = by_device.into_values().collect();
    let next = AtomicUsize::new(0);
    let check_groups = || {
        while let Some(group) = groups.get(next.fetch_add(1, Ordering::SeqCst)) {
            for index in group {
                let (Some(path), Some(place)) = (offloads.get(*index), results.get(*index)) else {
                    continue;
                };
                let (disk, clock) = (tools.disk.as_ref(), tools.clock.as_ref());
                let result = check(disk, clock, path, progress, unlade::report::page::page);
                *place.lock().unwrap_or_else(PoisonError::into_inner) = Some(result);
            }
        }
    };
    let all = || {
        std::thread::scope(|scope| {
            for _ in 1..groups.len() {
                let further = std::thread::Builder::new().name("check".into());
                // One that cannot be started leaves its share to the others.
                if further.spawn_scoped(scope, check_groups).is_err() {}
            }
            check_groups();
        });
    };
    let mut view = View::new(out, tools);
    watched(all, || view.show(progress));
    view.clear();
    let whole = |place: Mutex<_>| place.into_inner().unwrap_or_else(PoisonError::into_inner);
    results.into_iter().filter_map(whole).collect()
}

/// Does something in a thread of its own while this one shows how far it is. Where no thread can be started it is
/// done here, unseen. `None` if it broke down.
pub(crate) fn watched<T: Send>(
    work: impl FnOnce() -> T + Send,
    mut show: impl FnMut(),
) -> Option<T> {
    let work = Mutex::new(Some(work));
    let run = || {
        let work = work.lock().unwrap_or_else(PoisonError::into_inner).take();
        work.map(|work| work())
    };
    std::thread::scope(|scope| {
        let (done, finished) = std::sync::mpsc::channel();
        let worker = std::thread::Builder::new().name("work".into());
        // The receiver waits until this arrives.
        let Ok(worker) = worker.spawn_scoped(scope, move || drop(done.send(run()))) else {
            return run();
        };
        loop {
            match finished.recv_timeout(Duration::from_millis(250)) {
                Ok(result) => return result,
                Err(RecvTimeoutError::Timeout) => show(),
                Err(RecvTimeoutError::Disconnected) => {
                    // What it said when it broke down has been printed already.
                    drop(worker.join());
                    return None;
                }
            }
        }
    })
}

/// The running picture of a check: bytes read again, rate and time left.
pub(crate) struct View<'a> {
    out: Out,
    tools: &'a Tools,
    start: Duration,
    next_plain: Duration,
    place: usize,
}

impl<'a> View<'a> {
    pub(crate) fn new(out: Out, tools: &'a Tools) -> Self {
        let start = tools.clock.elapsed();
        Self {
            out,
            tools,
            start,
            next_plain: start + Duration::from_secs(10),
            place: Out::place(),
        }
    }

    pub(crate) fn show(&mut self, progress: &Progress) {
        let (total, done) = (
            progress.bytes_total.load(Ordering::Relaxed),
            progress.bytes.load(Ordering::Relaxed),
        );
        // Before a record was read there is nothing to say.
        if self.out.quiet || self.out.json || total == 0 {
            return;
        }
        let now = self.tools.clock.elapsed();
        let took = now.saturating_sub(self.start);
        let per_s = rate(done, took);
        let left = if per_s > 0.0 && took > Duration::from_secs(2) {
            let seconds = unlade::units::float(total.saturating_sub(done)) / per_s;
            format!(
                "   about {} left",
                unlade::units::time(unlade::units::seconds(seconds))
            )
        } else {
            String::new()
        };
        let text = format!(
            "Reading {} of {}   {}{left}",
            size(done),
            size(total),
            speed(per_s)
        );
        if self.out.draws {
            self.out.draw(self.place, &[text]);
        } else if now >= self.next_plain {
            self.next_plain = now + Duration::from_secs(10);
            self.out.line(&text);
        }
    }

    pub(crate) fn clear(&self) {
        self.out.draw(self.place, &[]);
    }
}

fn tell(
    path: &Utf8PathBuf,
    result: &Outcome,
    expected: Option<&Expected>,
    others: &[OtherCopy],
    is_begun: bool,
    out: Out,
) {
    match result {
        Ok(findings) => {
            for line in words::findings(path.as_str(), findings, expected, out) {
                out.line(&line);
            }
            for other in others {
                for line in wrap(&other.words(), out.width, "Copy     ", "         ") {
                    out.line(&line);
                }
            }
        }
        Err(error) => {
            let text = format!(
                "unlade: `{}` cannot be checked: {error}",
                shown(path.as_str())
            );
            let next = match error.kind() {
                _ if is_begun => {
                    "this offload was begun and not finished: run the same copy again, which goes on with it, and verify it then."
                }
                ProblemKind::Unreadable => words::UNREAD_STEP,
                _ => "give the folder that holds `_unlade`, or check another copy of this offload.",
            };
            for line in wrap(&text, out.width, "", "  ")
                .into_iter()
                .chain(wrap(next, out.width, "Next: ", "      "))
            {
                out.error(&line);
            }
        }
    }
}

fn tell_json(
    json: &Json,
    path: &Utf8PathBuf,
    result: &Outcome,
    expected: Option<&Expected>,
    others: &[OtherCopy],
    exit: Exit,
) {
    let findings = match result {
        Ok(findings) => findings,
        Err(error) => {
            let reason = json!({"kind": error.kind(), "path": null, "destination": null, "detail": error.to_string(), "blocking": true});
            json.send("refused", json!({"offload": path, "reasons": [reason]}));
            json.send("verdict", json!({"offload": path, "proven": false, "reasons": [error.to_string()], "exit_code": exit.code()}));
            return;
        }
    };
    for finding in &findings.findings {
        let (kind, detail) = match finding {
            Finding::Missing(_) => ("missing", "is not there"),
            Finding::Changed(_, why) => ("changed", why.as_str()),
            Finding::Extra(_) => ("extra", "no record names it"),
            Finding::Unreadable(_, why) => ("unreadable", why.as_str()),
            Finding::Untrusted(_, why) => ("manifest-damaged", why.as_str()),
        };
        json.send(
            "problem",
            json!({"kind": kind, "path": path_of(finding), "destination": null, "detail": detail, "blocking": true}),
        );
    }
    let (missing, changed, extra) = findings.counts();
    let (signature, signed_by) = match &findings.signature {
        Signature::None => ("none", None),
        Signature::Intact(by) => ("intact", Some(by.fingerprint())),
        Signature::Unchecked(_) => ("unchecked", None),
        Signature::Broken => ("broken", None),
    };
    json.send(
        "verdict",
        json!({
            "offload": path, "unchanged": findings.is_clean(),
            "proven": is_proven(findings),
            "elsewhere": findings.elsewhere, "files_equal": findings.equal,
            "bytes_equal": findings.equal_bytes, "missing": missing, "changed": changed, "extra": extra,
            "unread": findings.unread(),
            "litter": findings.litter.len(), "readback": findings.way, "exit_code": exit.code(),
            "signature": signature, "signed_by": signed_by,
            "other_copies": others.iter().map(OtherCopy::json).collect::<Vec<_>>(),
            // Null where nobody said who is expected.
            "is_signer_expected": expected.map(|e| findings.is_signed_by(e)),
            "reasons": if findings.is_clean() { vec![] } else { vec![words::found(findings)] },
        }),
    );
}
