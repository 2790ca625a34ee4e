//! Owns which card is read first, as it is written.

use super::deadline;
use crate::cli::args::group::SPEED;
use clap::{Args, ValueEnum};
use std::time::Duration;
use unlade::plan::first::Aim;

/// Which card is read first.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum FirstArg {
    /// Cards that alone hold their files, then those whose files another card holds too.
    OnlyCopy,
    /// The shortest.
    CardBack,
    /// As given.
    Given,
}

impl From<FirstArg> for Aim {
    fn from(first: FirstArg) -> Self {
        match first {
            FirstArg::OnlyCopy => Self::OnlyCopy,
            FirstArg::CardBack => Self::CardBack,
            FirstArg::Given => Self::Given,
        }
    }
}

/// In which order cards are read, and by when.
#[derive(Clone, Debug, Default, Args)]
pub(crate) struct OrderArgs {
    /// Say what will not be done by then: 14m, 1h30m.
    #[arg(
        long,
        value_name = "TIME",
        value_parser = deadline::parse,
        hide_short_help = true,
        help_heading = SPEED
    )]
    pub(crate) deadline: Option<Duration>,
    /// Of several cards: only-copy, card-back or given.
    ///
    /// only-copy reads first what no other card here holds, by paths, sizes and dates; card-back
    /// the shortest; given as typed. With --deadline it is what can be done by then [default:
    /// only-copy].
    #[arg(
        long,
        value_name = "AIM",
        hide_short_help = true,
        hide_possible_values = true,
        help_heading = SPEED
    )]
    pub(crate) first: Option<FirstArg>,
}

impl OrderArgs {
    /// Returns what the order is for: what was typed, else the deadline, else only copies.
    pub(crate) fn aim(&self) -> Aim {
        let by_deadline = self.deadline.map(|time| Aim::Deadline(time.as_secs_f64()));
        let first = self.first.map(Aim::from);
        first.or(by_deadline).unwrap_or(Aim::OnlyCopy)
    }
}
