//! Owns the reading again of offloads, and of folders with records of others: those on different
//! devices at the same time, those on one device one after the other.

use crate::cli::command::shared::checked::{CheckTarget, Checked};
use crate::cli::view::observer::ReadViewer;
use crate::cli::view::out::Out;
use crate::cli::view::read_progress::{ReadProgress, watched};
use std::collections::BTreeMap;
use std::fmt;
use std::io;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use unlade::disk::backing::Backing;
use unlade::disk::progress::Progress;
use unlade::error::{Interruption, ProblemKind};
use unlade::record::manifest::device_words;
use unlade::run::Tools;
use unlade::verify::add_generation::verify_and_add;
use unlade::verify::others::{OthersError, verify_others};
use unlade::verify::{VerifyError, verify as check};

pub(crate) type CheckResult = Result<Checked, CheckError>;

/// Why an offload was not checked.
#[derive(Debug)]
pub(crate) enum CheckError {
    Verify(VerifyError),
    Others(OthersError),
    /// The thread that checked it broke down.
    BrokenDown,
    Interrupted,
}

impl CheckError {
    pub(crate) fn kind(&self) -> ProblemKind {
        match self {
            Self::Verify(error) => error.kind(),
            Self::Others(OthersError::Refused(_)) => ProblemKind::ManifestDamaged,
            Self::Others(OthersError::NoRecord(_)) => ProblemKind::Missing,
            Self::Others(OthersError::NoGeneration(_)) => ProblemKind::NameClash,
            Self::Others(OthersError::Io(_) | OthersError::List(_)) => ProblemKind::Unreadable,
            Self::Others(OthersError::Interrupted) | Self::BrokenDown | Self::Interrupted => {
                ProblemKind::NotReadBack
            }
        }
    }
}

impl CheckError {
    /// Whether there is nothing under the name that was given.
    pub(crate) fn is_not_there(&self) -> bool {
        let (Self::Verify(VerifyError::Io(error)) | Self::Others(OthersError::Io(error))) = self
        else {
            return false;
        };
        error.cause.kind() == io::ErrorKind::NotFound
    }
}

impl fmt::Display for CheckError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Verify(error) => error.fmt(f),
            Self::Others(error) => error.fmt(f),
            Self::BrokenDown => {
                f.write_str("the check broke down; this is a fault of unlade, please report it")
            }
            Self::Interrupted => Interruption.fmt(f),
        }
    }
}

/// Starts a thread for each device, as far as there are any; shows the progress from this one.
/// Returns what each came to, and how many bytes of files were read for all of them.
pub(crate) fn check_all(
    targets: &[CheckTarget],
    out: Out,
    tools: &Tools,
    viewer: Option<&dyn ReadViewer>,
) -> (Vec<CheckResult>, u64) {
    let progress = &Progress {
        cancel: Arc::clone(&tools.cancel),
        ..Progress::default()
    };
    let mut by_device: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (index, target) in targets.iter().enumerate() {
        // A folder that cannot be looked at has its error told by the check itself.
        let key = match tools.disk.facts(&target.path) {
            Err(_) => format!("? {index}"),
            Ok(facts) if matches!(facts.backing, Backing::Unknown { .. }) => {
                format!("dev {}", facts.device)
            }
            Ok(facts) => device_words(&facts.backing),
        };
        by_device.entry(key).or_default().push(index);
    }
    let results: Vec<Mutex<Option<CheckResult>>> =
        targets.iter().map(|_| Mutex::default()).collect();
    let groups: Vec<Vec<usize>> = by_device.into_values().collect();
    let next = AtomicUsize::new(0);
    let check_groups = || {
        while let Some(group) = groups.get(next.fetch_add(1, Ordering::SeqCst)) {
            for index in group {
                let (Some(target), Some(slot)) = (targets.get(*index), results.get(*index)) else {
                    continue;
                };
                let result = check_one(target, tools, progress);
                *slot.lock().unwrap_or_else(PoisonError::into_inner) =
                    Some(result.map_err(|error| {
                        if progress.cancel.load(Ordering::Relaxed) {
                            CheckError::Interrupted
                        } else {
                            error
                        }
                    }));
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
    let mut view = ReadProgress::new(out, tools);
    watched(all, || match viewer {
        Some(viewer) => viewer.progress(progress),
        None => view.show(progress),
    });
    view.clear();
    (in_order(results), progress.bytes.load(Ordering::Relaxed))
}

fn check_one(target: &CheckTarget, tools: &Tools, progress: &Progress) -> CheckResult {
    let (disk, clock) = (tools.disk.as_ref(), tools.clock.as_ref());
    let page = unlade::report::page::page;
    if target.is_of_others {
        let list = target.list.as_deref();
        let found = if target.adds_generation {
            verify_and_add(disk, clock, &target.path, &tools.host, progress, page)
        } else {
            verify_others(disk, clock, &target.path, list, &target.apart, progress)
        };
        return found
            .map(|findings| Checked::Others(Box::new(findings)))
            .map_err(CheckError::Others);
    }
    let found = check(disk, clock, &target.path, progress, page);
    let found = found.map(|findings| Checked::Ours(Box::new(findings)));
    found.map_err(CheckError::Verify)
}

/// Returns one result for each offload, also where a thread broke down before it had one.
fn in_order(results: Vec<Mutex<Option<CheckResult>>>) -> Vec<CheckResult> {
    let result = |slot: Mutex<Option<CheckResult>>| {
        let result = slot.into_inner().unwrap_or_else(PoisonError::into_inner);
        result.unwrap_or(Err(CheckError::BrokenDown))
    };
    results.into_iter().map(result).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use camino::Utf8Path;
    use unlade::error::{Error, Step};

    #[test]
    fn a_check_that_breaks_down_leaves_the_other_results_where_they_are() {
        let gone = io::Error::from(io::ErrorKind::NotFound);
        let error = Error::new(Step::List, Utf8Path::new("B"), gone);
        let second = Err(CheckError::Verify(VerifyError::Io(error)));
        let results = in_order(vec![
            Mutex::new(None),
            Mutex::new(Some(second)),
            Mutex::new(None),
        ]);
        let kinds: Vec<ProblemKind> = results
            .iter()
            .map(|r| r.as_ref().unwrap_err().kind())
            .collect();
        let (broken, unread) = (ProblemKind::NotReadBack, ProblemKind::Unreadable);
        assert_eq!(kinds, [broken, unread, broken]);
    }
}
