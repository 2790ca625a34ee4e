//! Owns what `report` is asked.

use super::shoot::ShootArgs;
use camino::Utf8PathBuf;
use clap::Args;

#[derive(Clone, Debug, Args)]
pub(crate) struct ReportArgs {
    /// Folder of an offload (the one that holds `_unlade`), or of others.
    ///
    /// A folder without an offload that holds a bag, an ASC media hash list or checksum lists is
    /// checked as `verify` does. The page is made where --to says, and nothing is written there.
    #[arg(
        value_name = "OFFLOAD",
        required_unless_present_any = ["shoot", "list"],
        conflicts_with = "shoot"
    )]
    pub(crate) offload: Option<Utf8PathBuf>,
    /// Make the page as this file instead; it must not exist.
    #[arg(long, value_name = "FILE")]
    pub(crate) to: Option<Utf8PathBuf>,
    /// Check the files of this checksum list.
    ///
    /// The page is made of that check.
    #[arg(
        long,
        value_name = "FILE",
        requires = "to",
        conflicts_with_all = ["shoot", "pictures"]
    )]
    pub(crate) list: Option<Utf8PathBuf>,
    /// The folder that the paths of --list begin in.
    ///
    /// Without it: OFFLOAD where one is given, else the folder that the list is in.
    #[arg(long, value_name = "DIR", requires = "list")]
    pub(crate) base: Option<Utf8PathBuf>,
    /// Make a page of the small pictures in the files as well.
    ///
    /// It is `pictures.html` beside the offload's page; with --to FILE.html it is
    /// FILE-pictures.html. The pictures are the thumbnails that the camera put into stills, at most
    /// 60, spread over the card. They prove nothing.
    #[arg(long, conflicts_with = "shoot")]
    pub(crate) pictures: bool,
    #[command(flatten)]
    pub(crate) set: ShootArgs,
}
