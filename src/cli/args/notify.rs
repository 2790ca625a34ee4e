//! Owns `--notify`.

use super::group::OUTPUT;
use clap::Args;

/// Whether the person is elsewhere.
#[derive(Clone, Debug, Default, Args)]
pub(crate) struct NotifyArgs {
    /// A desktop notice and a sound at the end and at trouble.
    ///
    /// Trouble is a drive that is lost, or a card that is gone. Where the system has no service for
    /// notices that is said, and the command goes on.
    #[arg(long, help_heading = OUTPUT, hide_short_help = true)]
    pub(crate) notify: bool,
}
