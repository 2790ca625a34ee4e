//! Owns the names of the kit that a command may be given.

use super::group::WHAT;
use clap::Args;

#[derive(Clone, Debug, Default, Args)]
pub(crate) struct KitNames {
    /// The card's name in the kit.
    ///
    /// A card is also recognised by its volume.
    #[arg(long = "as", value_name = "CARDNAME", help_heading = WHAT, hide_short_help = true)]
    pub(crate) as_card: Option<String>,
    /// The reader's name in the kit.
    #[arg(long = "in", value_name = "READERNAME", help_heading = WHAT, hide_short_help = true)]
    pub(crate) in_reader: Option<String>,
}

impl KitNames {
    /// Whether a name has to be looked up.
    pub(crate) fn is_given(&self) -> bool {
        self.as_card.is_some() || self.in_reader.is_some()
    }
}
