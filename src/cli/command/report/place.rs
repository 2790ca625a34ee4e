//! Owns where a page is made that is not in its own offload, and why none is made.

use camino::Utf8Path;
use std::io;
use unlade::disk::{Disk, Stamp};
use unlade::error::{FailedStep, Problem};
use unlade::name::shown;
use unlade::record::layout::TAG_MANIFEST;
use unlade::record::manifest::ManifestError;
use unlade::record::store::write_new;
use unlade::run::Tools;

/// Why a page is not made.
#[derive(Debug, thiserror::Error)]
pub(super) enum NoPage {
    #[error("there is no ledger here; give its folder with --home")]
    NoLedger,
    /// The ledger, as it is told.
    #[error("the ledger {0} knows no card of this shoot; `unlade ledger` shows what it knows")]
    NoCard(String),
    #[error(transparent)]
    Manifest(#[from] ManifestError),
    #[error("it cannot be used: {0}")]
    Gone(#[source] io::Error),
    #[error("`{0}` could not be read: {1}")]
    Unread(String, #[source] io::Error),
    #[error(
        "{TAG_MANIFEST} of this bag names another page than this version makes; storing this one \
         would make the bag invalid; --to FILE makes the page elsewhere"
    )]
    Bag,
    #[error("{}; --to FILE makes the page elsewhere", .0.detail)]
    NotAdded(Problem),
    #[error("`{0}` is there already and is not replaced")]
    Exists(String),
    #[error("`{0}` {1}")]
    NotWritten(String, #[source] FailedStep),
    /// A folder of others, and nobody said where the page is to be.
    #[error(
        "it holds no offload of ours but lists of others, and nothing is written into such a \
         folder; with --to FILE it is checked, and the page is made there"
    )]
    NoPlace,
    /// A folder of others.
    #[error("it holds no offload of ours, so there is no page of pictures; leave out --pictures")]
    PicturesOfOthers,
    #[error(
        "`{0}` is in the folder that is to be checked, where the page would be a file that no list \
         names; choose another place for --to"
    )]
    Inside(String),
    #[error("the folder of `{0}` cannot be used: {1}")]
    NoFolder(String, #[source] io::Error),
    /// In the current folder, where nobody said where.
    #[error("{0}; --to FILE makes the page elsewhere")]
    Here(#[source] Box<Self>),
}

/// A link that leads nowhere is in the way as well.
pub(super) fn is_taken(disk: &dyn Disk, to: &Utf8Path) -> bool {
    disk.look(to).is_ok_and(|stat| stat.is_some())
}

/// Makes the page as a part beside its place, which gets its name when it is whole and durable.
/// Returns its path as it is said.
pub(super) fn elsewhere(to: &Utf8Path, bytes: &[u8], tools: &Tools) -> Result<String, NoPage> {
    let told = shown(to.as_str());
    let (disk, date) = (tools.disk.as_ref(), Stamp::of(tools.clock.now()));
    if is_taken(disk, to) {
        return Err(NoPage::Exists(told));
    }
    match write_new(disk, to, bytes, date) {
        Ok(()) => Ok(told),
        Err(FailedStep { cause, .. }) if cause.kind() == io::ErrorKind::AlreadyExists => {
            Err(NoPage::Exists(told))
        }
        Err(failed) => Err(NoPage::NotWritten(told, failed)),
    }
}
