//! Owns what `[usual]` of the kit says: what `copy` and `plan` do where the command line says
//! nothing, and further sets of that under names of their own, `[usual.NAME]`.

use super::pattern::NamePattern;
use crate::hash_algorithm::Also;
use crate::name::shown;
use camino::Utf8PathBuf;
use std::fmt;

/// The word of the file.
pub const USUAL: &str = "usual";
/// Most copies that a set may ask for.
pub const COPIES_MAX: u64 = 16;
/// Longest name of a shoot in bytes.
pub const SHOOT_BYTES_MAX: usize = 200;
/// Where a set copies to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum UsualDrive {
    /// A drive of the kit, by the name that it has there.
    Kit(String),
    /// A folder, by its whole path.
    Folder(Utf8PathBuf),
}

impl fmt::Display for UsualDrive {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Kit(name) => name,
            Self::Folder(path) => path.as_str(),
        })
    }
}

/// What is usual. What it does not say is as without it.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct UsualSet {
    /// Its name; `[usual]` itself has none.
    pub name: Option<String>,
    /// Where to copy to.
    pub to: Vec<UsualDrive>,
    /// Copies on separate drives that PROVEN needs.
    pub copies: Option<u64>,
    /// Further hashes.
    pub also: Vec<Also>,
    /// Whether each offload gets an ASC media hash list.
    pub mhl: Option<bool>,
    /// The shoot that the cards belong to.
    pub shoot: Option<String>,
    /// What an offload is called.
    pub pattern: Option<NamePattern>,
    /// The places of the kit that are to have what is PROVEN.
    pub then: Vec<String>,
}

impl UsualSet {
    /// Returns how it is written in the kit: `[usual]`, `[usual.Studio]`.
    pub fn header(&self) -> String {
        match &self.name {
            None => format!("[{USUAL}]"),
            Some(name) => format!("[{USUAL}.{}]", shown(name)),
        }
    }
}

/// What a set has to be checked for beyond its own words.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum UsualDoubt {
    /// A drive that is not found by its name.
    NoVolume(String),
    /// Fewer drives than copies that are needed.
    FewDrives {
        /// Copies that PROVEN needs.
        copies: u64,
        /// Drives that it names.
        drives: usize,
    },
}
