//! Owns what `prove` is asked.

use super::group::{HOW_SURE, WHAT, WHERE};
use super::notify::NotifyArgs;
use super::shoot::ShootArgs;
use camino::Utf8PathBuf;
use clap::Args;
use unlade::kit::usual::COPIES_MAX;

#[derive(Clone, Debug, Args)]
pub(crate) struct ProveArgs {
    /// The mounted card.
    #[arg(value_name = "CARD", help_heading = WHAT)]
    pub(crate) card: Utf8PathBuf,
    /// A folder on a drive, or its kit name.
    ///
    /// It is an offload, holds several, or was filled by hand. Offloads are looked for three
    /// folders deep at most [default: the places that the ledger knows for this card]. A place
    /// elsewhere (PLACE or PLACE/NAME) counts as one drive where everything was read back from it,
    /// and the place says the same of each file as then.
    #[arg(long, value_name = "DRIVE", help_heading = WHERE)]
    pub(crate) on: Vec<Utf8PathBuf>,
    /// Copies on separate drives that PROVEN needs [default: as usual in your kit, or 2].
    #[arg(
        long,
        value_name = "N",
        value_parser = clap::value_parser!(u64).range(1..=COPIES_MAX),
        help_heading = HOW_SURE
    )]
    pub(crate) copies: Option<u64>,
    /// Drives that look like one are separate.
    #[arg(long, help_heading = HOW_SURE)]
    pub(crate) separate: bool,
    /// Read the card and every copy whole.
    #[arg(long, help_heading = HOW_SURE)]
    pub(crate) reread: bool,
    /// Compare by content, whatever card it came from.
    ///
    /// The card is read, and its files are looked for in the offloads by what they hold.
    #[arg(long, help_heading = HOW_SURE)]
    pub(crate) by_content: bool,
    #[command(flatten)]
    pub(crate) notices: NotifyArgs,
    #[command(flatten)]
    pub(crate) set: ShootArgs,
}
