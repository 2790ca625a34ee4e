//! Owns how an id of a bus or link is held against the link table.

use crate::name::shown;
use crate::speed::links::{closest, find};

/// Why an id is no bus of a card, or no link of a reader, as far as is known here.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NoLink {
    /// A bus of a card, where a link of a reader is wanted.
    #[error("`{0}` is a card's bus; a link of a reader to the computer is wanted")]
    CardBus(&'static str),
    /// A link of a reader, where a bus of a card is wanted.
    #[error("`{0}` is a link of a reader to the computer; a card's bus is wanted")]
    ReaderLink(&'static str),
    /// An id that is not known, and one that is like it.
    #[error("`{}` is no link that is known here; did you mean `{close}`?", shown(.id))]
    Like {
        /// The id.
        id: String,
        /// The one like it.
        close: &'static str,
    },
    /// An id that is no bus of a card.
    #[error("`{}` is no bus of a card that is known here; there are uhs-i, uhs-ii, sd-express, \
        cf-udma7, cfast2, xqd2, cfe2-b, cfe4-b and others", shown(.0))]
    UnknownBus(String),
    /// An id that is no link of a reader.
    #[error("`{}` is no link that is known here; there are usb2, usb3-5g, usb3-10g, usb3-20g, \
        usb4-40g, tb3, tb4 and others", shown(.0))]
    UnknownLink(String),
}

/// Holds an id against the link table; a card's bus and a reader's link are told apart.
pub(super) fn check_link(id: &str, is_card_bus: bool) -> Result<(), NoLink> {
    match find(id) {
        Some(row) if row.family.is_card_bus() == is_card_bus => Ok(()),
        Some(row) if is_card_bus => Err(NoLink::ReaderLink(row.id)),
        Some(row) => Err(NoLink::CardBus(row.id)),
        None => Err(unknown(id, is_card_bus)),
    }
}

fn unknown(id: &str, is_card_bus: bool) -> NoLink {
    let close = closest(id, is_card_bus);
    let id = id.to_owned();
    match close {
        Some(close) => NoLink::Like { id, close },
        None if is_card_bus => NoLink::UnknownBus(id),
        None => NoLink::UnknownLink(id),
    }
}
