//! Owns what a check says of one entry that does not fit, and of which.

use crate::card::left_out::is_in_trash;
use crate::error::{Step, failed};
use crate::name::is_part_name;
use crate::record::layout::Layout;
use std::io;

/// Why one file or folder does not fit the manifest.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Finding {
    /// It is not there. Paths are relative to the offload's folder: those of a bag's payload begin
    /// with `data/`.
    Missing(String),
    /// It is there and differs; the second value tells how.
    Changed(String, String),
    /// It is there and no record names it.
    Extra(String),
    /// It could not be looked at or read, so that nothing is known of it; the second value tells at
    /// what step and why.
    Unreadable(String, String),
    /// A signature that does not fit, is missing or is by another key than was expected; the second
    /// value tells which. The manifest beside it cannot be relied on.
    Untrusted(String, String),
    /// It lies under another name, the second value; what it holds is what a record says.
    Moved(String, String),
    /// Whether it is what a record says cannot be told; the second value tells why.
    Unchecked(String, String),
}

impl Finding {
    /// What a step that failed says of an entry: what something is mounted over is another one,
    /// what went meanwhile is missing, and of all else nothing is known.
    pub(super) fn of_failure(path: String, step: Step, cause: &io::Error) -> Self {
        match cause.kind() {
            io::ErrorKind::CrossesDevices => Self::Changed(path, failed(step, cause)),
            io::ErrorKind::NotFound => Self::Missing(path),
            _ => Self::Unreadable(path, failed(step, cause)),
        }
    }

    /// Whether it is of a file that is whole in a Trash, which is emptied some day.
    pub fn is_in_trash(&self) -> bool {
        matches!(self, Self::Moved(_, to) if is_in_trash(to))
    }

    /// The same of what lies in the folder that it is about.
    pub(super) fn of_below(&self, path: &str) -> Self {
        let path = path.to_owned();
        let why = |why: &str| format!("its folder {why}");
        match self {
            Self::Unreadable(_, reason) => Self::Unreadable(path, why(reason)),
            Self::Changed(_, reason) => Self::Changed(path, why(reason)),
            _ => Self::Missing(path),
        }
    }

    /// The same with its path relative to the offload's folder instead of the card's tree.
    pub(super) fn outside(self, layout: Layout) -> Self {
        match self {
            Self::Missing(path) => Self::Missing(layout.outside(&path)),
            Self::Changed(path, why) => Self::Changed(layout.outside(&path), why),
            Self::Extra(path) => Self::Extra(layout.outside(&path)),
            Self::Unreadable(path, why) => Self::Unreadable(layout.outside(&path), why),
            Self::Untrusted(path, why) => Self::Untrusted(layout.outside(&path), why),
            Self::Moved(from, to) => Self::Moved(layout.outside(&from), layout.outside(&to)),
            Self::Unchecked(path, why) => Self::Unchecked(layout.outside(&path), why),
        }
    }
}

/// How many findings there are of each kind.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[expect(missing_docs, reason = "named as the findings are")]
pub struct FindingCounts {
    pub missing: u64,
    pub changed: u64,
    pub extra: u64,
    pub unread: u64,
    pub untrusted: u64,
    pub moved: u64,
    pub unchecked: u64,
}

impl FindingCounts {
    /// Counts findings.
    pub fn of(findings: &[Finding]) -> Self {
        let mut counts = Self::default();
        for finding in findings {
            *match finding {
                Finding::Missing(_) => &mut counts.missing,
                Finding::Changed(..) => &mut counts.changed,
                Finding::Extra(_) => &mut counts.extra,
                Finding::Unreadable(..) => &mut counts.unread,
                Finding::Untrusted(..) => &mut counts.untrusted,
                Finding::Moved(..) => &mut counts.moved,
                Finding::Unchecked(..) => &mut counts.unchecked,
            } += 1;
        }
        counts
    }

    /// Returns whether all that is wrong is that nothing could be told of something.
    pub fn is_all_untold(&self) -> bool {
        let told = self.missing + self.changed + self.extra + self.untrusted + self.moved;
        told == 0
    }
}

/// Returns the path that a finding is about.
pub fn path_of(finding: &Finding) -> &str {
    match finding {
        Finding::Missing(p)
        | Finding::Changed(p, _)
        | Finding::Extra(p)
        | Finding::Unreadable(p, _)
        | Finding::Untrusted(p, _)
        | Finding::Moved(p, _)
        | Finding::Unchecked(p, _) => p,
    }
}

/// Returns the path as it is told, with a word on what it is when it is a part file.
pub(super) fn unfinished_or(path: String) -> String {
    if is_part_name(path.rsplit('/').next().unwrap_or(&path)) {
        format!("{path} (an unfinished part file)")
    } else {
        path
    }
}
