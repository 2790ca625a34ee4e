//! Owns the flags of `ledger` and `demo` as they are written.

use crate::cli::args::shoot::ShootArgs;
use camino::Utf8PathBuf;
use clap::Args;

/// `ledger`.
#[derive(Clone, Debug, Args)]
pub(crate) struct LedgerArgs {
    /// Entries to show.
    #[arg(long, value_name = "N", default_value_t = 20, conflicts_with = "shoot")]
    pub(crate) last: u64,
    #[command(flatten)]
    pub(crate) set: ShootArgs,
}

/// `demo`.
#[derive(Clone, Debug, Args)]
pub(crate) struct DemoArgs {
    /// Keep everything in this folder, which must be empty or new.
    #[arg(long, value_name = "DIR")]
    pub(crate) keep: Option<Utf8PathBuf>,
}
