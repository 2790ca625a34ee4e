//! Owns why no generation is added to a media hash list.

use crate::error::Error;
use crate::record::manifest::ManifestError;
use crate::record::media_hash_list::HistoryError;
use crate::record::others::mhl::MHL_FOLDER;

/// Why no generation is added. Nothing was read for it, and nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum NoGeneration {
    /// It could not be looked at.
    #[error(transparent)]
    Io(#[from] Error),
    /// There is no list to go on with.
    #[error("there is no `{MHL_FOLDER}`; `unlade copy --mhl` makes one")]
    NoHistory,
    /// The list that is there cannot be gone on with.
    #[error(transparent)]
    Broken(#[from] HistoryError),
    /// The drive takes nothing.
    #[error("the drive is mounted read-only")]
    ReadOnly,
    /// A bag would no longer be what its lists say.
    #[error("it is a bag, and a further file would be none of it")]
    Bag,
    /// The chain is a file of the card.
    #[error(
        "the list is the card's own, and its manifest says what it holds: with a further \
         generation it would no longer be what was on the card"
    )]
    OfCard,
    /// There are lists further down, which would each get a generation.
    #[error("there is a list further down, `{0}`: give that folder")]
    Below(String),
    /// Another run writes there.
    #[error("another copy or check is writing there; wait until it has ended")]
    AtWork,
    /// The manifest of the offload cannot be trusted.
    #[error("its manifest can't be relied on: {0}")]
    Manifest(#[source] ManifestError),
}
