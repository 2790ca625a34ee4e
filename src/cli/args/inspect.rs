//! Owns what `inspect` is asked.

use super::group::{HOW_SURE, OUTPUT, WHAT};
use camino::Utf8PathBuf;
use clap::Args;

#[derive(Clone, Debug, Args)]
pub(crate) struct InspectArgs {
    /// Cards, offloads or single files.
    #[arg(required = true, value_name = "CARD|OFFLOAD|FILE", help_heading = WHAT)]
    pub(crate) what: Vec<Utf8PathBuf>,
    /// Decode stills fully, and clips where `ffmpeg` is installed; raws are not decoded.
    #[arg(long, help_heading = HOW_SURE)]
    pub(crate) deep: bool,
    /// Name the cameras as the files do; no serial numbers.
    #[arg(long, help_heading = OUTPUT)]
    pub(crate) camera_names: bool,
}
