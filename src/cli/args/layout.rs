//! Owns the words of `--layout`.

use clap::ValueEnum;
use unlade::record::layout::Layout;

/// Where the card's tree lies.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum LayoutArg {
    /// The card's tree in the offload's own folder.
    Plain,
    /// The card's tree in the folder `data` of a bag.
    Bag,
}

impl From<LayoutArg> for Layout {
    fn from(layout: LayoutArg) -> Self {
        match layout {
            LayoutArg::Plain => Self::Plain,
            LayoutArg::Bag => Self::Bag,
        }
    }
}
