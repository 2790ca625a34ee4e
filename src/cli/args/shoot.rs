//! Owns what the command line says of a shoot.

use crate::cli::args::group::WHAT;
use crate::cli::wrong_value::WrongValue;
use clap::Args;
use unlade::ledger::ExpectedCards;
use unlade::ledger::shoot::{CARDS_MAX, parse_labels};

/// The longest name of a shoot, in bytes.
const NAME_BYTES_MAX: usize = 200;

/// The shoot that a card belongs to.
#[derive(Clone, Debug, Default, Args)]
pub(crate) struct ShootArgs {
    /// The shoot that the cards belong to.
    ///
    /// Its cards are counted in the ledger, and every answer says which are proven and which nobody
    /// has seen.
    #[arg(long, short, value_name = "NAME", help_heading = WHAT)]
    pub(crate) shoot: Option<ShootName>,
    /// How many cards the shoot has; say it once.
    #[arg(
        long,
        value_name = "N",
        hide_short_help = true,
        help_heading = WHAT,
        requires = "shoot",
        value_parser = clap::value_parser!(u64).range(1..),
    )]
    pub(crate) expect: Option<u64>,
    /// The labels of the shoot's cards, set apart by commas: A1,A2,B1.
    #[arg(
        long,
        help_heading = WHAT,
        hide_short_help = true,
        value_name = "LABELS",
        requires = "shoot",
        conflicts_with = "expect"
    )]
    pub(crate) expect_labels: Option<String>,
}

/// The name of a shoot, without blanks around it.
#[derive(Clone, Debug)]
pub(crate) struct ShootName(String);

impl From<&str> for ShootName {
    fn from(text: &str) -> Self {
        Self(text.trim().to_owned())
    }
}

impl ShootName {
    /// Returns the name as it was given.
    pub(crate) fn as_str(&self) -> &str {
        &self.0
    }

    /// Returns the name as cards are counted under it.
    ///
    /// # Errors
    /// In plain words.
    pub(crate) fn for_ledger(&self) -> Result<&str, WrongValue> {
        let is_odd = self.0.len() > NAME_BYTES_MAX || self.0.chars().any(char::is_control);
        if self.0.is_empty() || is_odd {
            return Err(WrongValue::ShootName(NAME_BYTES_MAX));
        }
        Ok(&self.0)
    }
}

impl ShootArgs {
    /// Returns what was announced.
    ///
    /// # Errors
    /// In plain words.
    pub(crate) fn expected(&self) -> Result<Option<ExpectedCards>, WrongValue> {
        match (self.expect, &self.expect_labels) {
            (Some(n), _) if n > CARDS_MAX => Err(WrongValue::Expect),
            (Some(n), _) => Ok(Some(ExpectedCards::Count(n))),
            (None, Some(labels)) => parse_labels(labels)
                .map(Some)
                .map_err(WrongValue::ExpectLabels),
            (None, None) => Ok(None),
        }
    }
}
