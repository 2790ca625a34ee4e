//! Owns `--add-generation`.

use super::group::WHAT;
use clap::Args;

/// Whether the check is written down.
#[derive(Clone, Copy, Debug, Default, Args)]
pub(crate) struct GenerationArgs {
    /// Write the check down in the ASC media hash list there.
    ///
    /// A further generation in `ascmhl`: what was checked is verified or failed, what is new is
    /// original. It is the one thing that verify ever writes.
    #[arg(long, conflicts_with = "list", help_heading = WHAT)]
    pub(crate) add_generation: bool,
}
