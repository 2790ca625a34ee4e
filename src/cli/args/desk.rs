//! Owns what can be typed after `desk`.

use crate::cli::args::group::OUTPUT;
use clap::Args;

#[derive(Clone, Debug, Args)]
pub(crate) struct DeskArgs {
    /// The port on 127.0.0.1 [default: a free one].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub(crate) port: Option<u16>,
    /// Print the page's address, and open no browser.
    #[arg(long, help_heading = OUTPUT)]
    pub(crate) no_open: bool,
}
