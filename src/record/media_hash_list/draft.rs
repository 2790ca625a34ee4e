//! Owns what a generation is to say, before it has its number. Data only.

use crate::hash_algorithm::Also;
use crate::record::others::mhl::{MhlAction, Reference};
use std::collections::BTreeSet;

/// What was done (specification 1.0: the `process` element).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MhlProcess {
    /// Copied, and source and copy compared.
    Transfer,
    /// Checked where it is.
    InPlace,
}

impl MhlProcess {
    pub(super) fn id(self) -> &'static str {
        match self {
            Self::Transfer => "transfer",
            Self::InPlace => "in-place",
        }
    }
}

/// What a generation says of one file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct MhlFile<'a> {
    /// Relative to the folder.
    pub path: &'a str,
    /// Its size in bytes.
    pub bytes: u64,
    /// Its date, RFC 3339, where its zone is known.
    pub modified: Option<&'a str>,
    /// Its hashes as they are written, in the order of their names.
    pub hashes: Vec<(Also, String)>,
    /// What they are.
    pub action: MhlAction,
    /// Where it was before.
    pub previous: Option<String>,
}

impl MhlFile<'_> {
    /// Returns one of its hashes.
    pub(super) fn hash(&self, kind: Also) -> Option<&str> {
        let mut all = self.hashes.iter();
        all.find(|(of, _)| *of == kind).map(|(_, sum)| sum.as_str())
    }
}

/// A generation before it has its number.
#[derive(Clone, Debug)]
pub struct MhlDraft<'a> {
    /// The name of the folder.
    pub folder: &'a str,
    /// When it was begun, RFC 3339 in UTC.
    pub started: &'a str,
    /// When it is made.
    pub created: &'a str,
    /// The computer.
    pub host: &'a str,
    /// Name and version of the program.
    pub tool: (&'a str, &'a str),
    /// What was done.
    pub process: MhlProcess,
    /// Patterns of what is left out.
    pub ignore: Vec<String>,
    /// Sorted by path.
    pub files: Vec<MhlFile<'a>>,
    /// Every folder below, sorted; those above files are among them.
    pub folders: BTreeSet<&'a str>,
    /// Folders that hold what is not listed, and those above them, the root with an empty name:
    /// these get no hashes. Those above files that failed need not be among them.
    pub unlisted: BTreeSet<String>,
    /// Lists of histories below.
    pub references: Vec<Reference>,
}
