//! Owns what is to be checked by `verify`, what came of it, and the same for programs: offloads of
//! ours, and folders with the records of others.

use crate::cli::exit::Exit;
use crate::cli::system::notice::Notice;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::words::findings::{FindingsWords, findings_notice, intact_lines};
use crate::cli::view::words::others::{
    found_by_others, others_intact_lines, others_notice, others_words,
};
use camino::Utf8PathBuf;
use serde_json::{Value, json};
use unlade::record::signature::TrustedKeys;
use unlade::verify::others::{OthersFindings, RecordKind, RecordRead};
use unlade::verify::{Finding, FindingCounts, Findings, Signature, path_of};

/// A folder to check.
#[derive(Clone, Debug)]
pub(crate) struct CheckTarget {
    pub(crate) path: Utf8PathBuf,
    /// It has no record of ours.
    pub(crate) is_of_others: bool,
    /// The list to check it against, where the person said so.
    pub(crate) list: Option<Utf8PathBuf>,
    /// A generation is added to its media hash list.
    pub(crate) adds_generation: bool,
    /// Offloads below it that are checked beside it.
    pub(crate) apart: Vec<Utf8PathBuf>,
}

impl CheckTarget {
    /// An offload of ours.
    pub(crate) fn offload(path: Utf8PathBuf) -> Self {
        Self {
            path,
            is_of_others: false,
            list: None,
            adds_generation: false,
            apart: Vec::new(),
        }
    }

    /// A folder with records of others.
    pub(crate) fn of_others(path: Utf8PathBuf) -> Self {
        Self {
            is_of_others: true,
            ..Self::offload(path)
        }
    }
}

/// What a check found.
#[derive(Debug)]
pub(crate) enum Checked {
    Ours(Box<Findings>),
    Others(Box<OthersFindings>),
}

impl Checked {
    pub(crate) fn is_clean(&self) -> bool {
        match self {
            Self::Ours(findings) => findings.is_clean(),
            Self::Others(findings) => findings.is_clean(),
        }
    }

    pub(crate) fn is_interrupted(&self) -> bool {
        match self {
            Self::Ours(findings) => findings.interrupted,
            Self::Others(findings) => findings.interrupted,
        }
    }

    pub(crate) fn findings(&self) -> &[Finding] {
        match self {
            Self::Ours(findings) => &findings.findings,
            Self::Others(findings) => &findings.findings,
        }
    }

    /// Returns what is said of it, with so many findings at most.
    pub(crate) fn words<'a>(
        &self,
        named: (&str, &str),
        expected: Option<&TrustedKeys>,
        others: &'a [String],
        most: usize,
        out: Out,
    ) -> FindingsWords<'a> {
        match self {
            Self::Ours(f) => FindingsWords::of(named, f, expected, others, most, out),
            Self::Others(f) => {
                let mut words = others_words(named, f, most, out);
                words.steps.extend(others.iter().map(String::as_str));
                words
            }
        }
    }

    /// Returns the lines for one of several of which nothing is to be told but that it is intact.
    pub(crate) fn intact_lines(&self, (path, name): (&str, &str), out: Out) -> Option<Vec<String>> {
        match self {
            Self::Ours(f) => intact_lines(path, name, f, out),
            Self::Others(f) => others_intact_lines(path, name, f, out),
        }
    }

    pub(crate) fn notice(&self, name: &str) -> Notice {
        match self {
            Self::Ours(f) => findings_notice(name, f),
            Self::Others(f) => others_notice(name, f),
        }
    }

    pub(crate) fn ours(&self) -> Option<&Findings> {
        match self {
            Self::Ours(findings) => Some(findings),
            Self::Others(_) => None,
        }
    }

    /// Holds the signature against keys.
    pub(crate) fn expect_signed_by(&mut self, expected: &TrustedKeys) {
        match self {
            Self::Ours(findings) => findings.expect_signed_by(expected),
            Self::Others(findings) => findings.expect_signed_by(expected),
        }
    }
}

/// Tells each finding to programs.
pub(crate) fn problems_json(json: &Json, findings: &[Finding]) {
    for finding in findings {
        let (kind, detail) = match finding {
            Finding::Missing(_) => ("missing", "is not there"),
            Finding::Changed(_, why) => ("changed", why.as_str()),
            Finding::Extra(_) => ("extra", "no manifest or list names it"),
            Finding::Unreadable(_, why) => ("unreadable", why.as_str()),
            Finding::Untrusted(_, why) => ("manifest-damaged", why.as_str()),
            Finding::Moved(_, to) => ("moved", to.as_str()),
            Finding::Unchecked(_, why) => ("unchecked", why.as_str()),
        };
        json.send(
            "problem",
            json!({
                "kind": kind, "path": path_of(finding), "destination": null, "detail": detail,
                "blocking": true,
            }),
        );
    }
}

fn record_json(record: &RecordRead) -> Value {
    let kind = match record.kind {
        RecordKind::Bag(_) => "bag",
        RecordKind::List => "list",
        RecordKind::Mhl(_) => "asc-mhl",
    };
    let hashes: Vec<String> = record.hashes.iter().map(ToString::to_string).collect();
    json!({
        "kind": kind, "name": record.name, "files": record.files, "unknown": record.unknown,
        "hashes": hashes,
    })
}

/// Returns the verdict of a check against the records of others, for programs.
pub(crate) fn others_verdict(path: &Utf8PathBuf, f: &OthersFindings, exit: Exit) -> Value {
    let counts = FindingCounts::of(&f.findings);
    let reasons = if f.is_clean() {
        vec![]
    } else {
        vec![found_by_others(f)]
    };
    let signature = f.signature.as_ref().map(signature_ids);
    json!({
        // No record of others says that a card may be formatted.
        "offload": path, "unchanged": f.is_clean(), "proven": false,
        "records": f.records.iter().map(record_json).collect::<Vec<_>>(),
        "files_equal": f.equal, "bytes_equal": f.equal_bytes,
        "missing": counts.missing, "changed": counts.changed, "extra": counts.extra,
        "unread": counts.unread, "moved": counts.moved, "unchecked": counts.unchecked,
        "unused": f.unused, "left_out": f.left_out,
        "generation": f.added.as_ref().and_then(|added| added.as_ref().ok()),
        "litter": f.litter.len(), "readback": f.way, "exit_code": exit.code(),
        "signature": signature.as_ref().map(|(word, _)| word),
        "signed_by": signature.and_then(|(_, by)| by),
        "reasons": reasons,
    })
}

/// What is said of a signature to programs, and whose it is.
pub(crate) fn signature_ids(signature: &Signature) -> (&'static str, Option<String>) {
    match signature {
        Signature::None => ("none", None),
        Signature::Intact(by) => ("intact", Some(by.fingerprint())),
        Signature::Unchecked(_) => ("unchecked", None),
        Signature::Broken => ("broken", None),
    }
}
