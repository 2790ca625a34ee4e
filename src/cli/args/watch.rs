//! Owns what the command line says of `watch`.

use crate::cli::args::first::FirstArg;
use crate::cli::args::group::{OUTPUT, WHAT};
use camino::Utf8PathBuf;
use clap::{Args, ValueEnum};

/// Flags of `watch`.
#[derive(Clone, Debug, Args)]
pub(crate) struct WatchArgs {
    /// End after the next card, with copy's exit code.
    #[arg(long, help_heading = WHAT)]
    pub(crate) once: bool,
    /// Of several cards: only-copy, card-back or given.
    ///
    /// only-copy copies first what no other card here holds, by paths, sizes and dates; card-back
    /// the shortest; given as they came [default: only-copy].
    #[arg(
        long,
        value_name = "AIM",
        hide_possible_values = true,
        help_heading = WHAT,
        conflicts_with_all = ["explain", "status", "print_service"]
    )]
    pub(crate) first: Option<FirstArg>,
    /// Say which rule takes this card, and what would be done.
    #[arg(
        long,
        value_name = "CARD",
        help_heading = WHAT,
        conflicts_with_all = ["once", "status", "print_service"]
    )]
    pub(crate) explain: Option<Utf8PathBuf>,
    /// Say what the watch that runs is doing.
    #[arg(long, help_heading = WHAT, conflicts_with_all = ["once", "print_service"])]
    pub(crate) status: bool,
    /// Print a file that starts it with your session.
    #[arg(
        long,
        value_name = "SYSTEM",
        help_heading = WHAT,
        conflicts_with_all = ["once", "json", "quiet"]
    )]
    pub(crate) print_service: Option<ServiceSystem>,
    /// Send no desktop notices.
    #[arg(long, help_heading = OUTPUT)]
    pub(crate) no_notify: bool,
}

impl WatchArgs {
    /// Returns whether cards are waited for.
    pub(crate) fn is_watching(&self) -> bool {
        self.explain.is_none() && !self.status && self.print_service.is_none()
    }
}

/// What starts programs with a session.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum ServiceSystem {
    /// A user unit of systemd (Linux).
    Systemd,
    /// A property list of launchd (macOS).
    Launchd,
    /// A task of the Task Scheduler (Windows).
    Windows,
}
