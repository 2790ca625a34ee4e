//! Owns what is put in the place of what a command line does not say.

use camino::Utf8PathBuf;
use unlade::kit::pattern::NamePattern;

/// What was put in the place of what was not typed.
#[derive(Clone, Debug, Default)]
pub(crate) struct Unsaid {
    /// What the offloads are called.
    pub(crate) pattern: Option<NamePattern>,
    /// The shoot for their names.
    pub(crate) shoot: Option<String>,
    /// For each `--to` the volumes of the drive that was found there; none of a folder.
    pub(crate) volumes: Vec<Vec<String>>,
    /// What else the set says that is not as without it, in words.
    pub(crate) said: Vec<String>,
    /// The places that are to have what is PROVEN.
    pub(crate) then: Vec<String>,
    /// Why each card that nobody typed was taken for one.
    pub(crate) cards: Vec<(Utf8PathBuf, String)>,
    /// Cards or drives were not typed, so that a person says yes before anything is copied.
    pub(crate) is_to_be_asked: bool,
}
