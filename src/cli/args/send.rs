//! Owns the flags of `send` and `fetch` as they are written.

use crate::cli::args::deadline;
use crate::cli::args::group::{HOW_SURE, WHAT, WHERE};
use camino::Utf8PathBuf;
use clap::{Args, ValueEnum};
use std::time::Duration;
use unlade::speed::quantity::{Bare, QuantityError, rate};

/// How sure it is to be that a place has a file.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum SendProof {
    /// The place accepted it.
    Sent,
    /// It was read back from the place and is equal.
    Fetched,
}

/// `send`.
#[derive(Clone, Debug, Args)]
pub(crate) struct SendArgs {
    /// Folders of offloads.
    #[arg(
        required_unless_present = "list",
        value_name = "OFFLOAD",
        help_heading = WHAT
    )]
    pub(crate) offloads: Vec<Utf8PathBuf>,
    /// A place of the kit, or its address.
    ///
    /// s3://BUCKET/PREFIX, sftp://USER@HOST/FOLDER, webdavs://HOST/FOLDER or file:///FOLDER.
    #[arg(
        long,
        short,
        value_name = "PLACE",
        required_unless_present = "list",
        help_heading = WHERE
    )]
    pub(crate) to: Option<String>,
    /// The name of its folder at the place [default: the offload's own].
    ///
    /// For an offload that has more than when it was sent: what is there is never overwritten.
    #[arg(
        long = "as",
        value_name = "NAME",
        requires = "to",
        help_heading = WHERE
    )]
    pub(crate) name: Option<String>,
    /// Say what is at a place, and send nothing.
    #[arg(
        long,
        value_name = "PLACE",
        conflicts_with_all = ["offloads", "to", "name", "proof", "limit", "read_back_for"],
        help_heading = WHAT
    )]
    pub(crate) list: Option<String>,
    /// sent or fetched [default: sent].
    ///
    /// sent: the place accepted every file. fetched: every file was read back from the place and
    /// compared, which services may charge for.
    #[arg(
        long,
        value_name = "GRADE",
        default_value = "sent",
        help_heading = HOW_SURE,
        hide_possible_values = true,
        hide_default_value = true
    )]
    pub(crate) proof: SendProof,
    /// No faster than this: 20Mb/s (megabits) or 2.5MB/s (megabytes).
    #[arg(long, value_name = "RATE", value_parser = limit, help_heading = WHERE)]
    pub(crate) limit: Option<f64>,
    /// Read back no longer than this, as 2h; the same command goes on.
    #[arg(
        long = "for",
        value_name = "TIME",
        value_parser = deadline::parse,
        help_heading = HOW_SURE
    )]
    pub(crate) read_back_for: Option<Duration>,
}

impl SendArgs {
    /// What holds for an offload that is sent after its copy.
    #[cfg_attr(
        not(feature = "offsite"),
        expect(dead_code, reason = "nothing is sent")
    )]
    pub(crate) fn of_copy() -> Self {
        Self {
            offloads: Vec::new(),
            to: None,
            name: None,
            list: None,
            proof: SendProof::Sent,
            limit: None,
            read_back_for: None,
        }
    }
}

/// `fetch`.
#[derive(Clone, Debug, Args)]
pub(crate) struct FetchArgs {
    /// An offload at a place: PLACE/NAME.
    ///
    /// PLACE is a place of the kit or its address. `unlade send --list PLACE` says the names.
    #[arg(value_name = "PLACE/NAME", help_heading = WHAT)]
    pub(crate) offload: String,
    /// Folder on a drive, or a drive of the kit; the offload gets a folder of its own in it.
    #[arg(long, short, value_name = "DRIVE", help_heading = WHERE)]
    pub(crate) to: Utf8PathBuf,
    /// This file or folder of it only; may be given several times.
    #[arg(long, value_name = "PATH", help_heading = WHAT)]
    pub(crate) only: Vec<String>,
    /// No faster than this: 20Mb/s (megabits) or 2.5MB/s (megabytes).
    #[arg(long, value_name = "RATE", value_parser = limit, help_heading = WHERE)]
    pub(crate) limit: Option<f64>,
}

fn limit(text: &str) -> Result<f64, QuantityError> {
    rate(text, Bare::Refused)
}
