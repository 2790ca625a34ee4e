//! Owns command lines that need not be whole: one that asks for a list of ids, or one that a person
//! is still typing.

use crate::cli::args::{Common, fitting};
use clap::{ArgMatches, FromArgMatches as _};

/// What can be read of a command line.
#[derive(Debug)]
pub(crate) struct PartialLine {
    matches: ArgMatches,
    /// What every command takes.
    pub(crate) common: Common,
}

impl PartialLine {
    /// Reads what can be read; `None` where that is nothing.
    pub(crate) fn read<T>(words: impl IntoIterator<Item = T>) -> Option<Self>
    where
        T: Into<std::ffi::OsString> + Clone,
    {
        let command = fitting::command().ignore_errors(true);
        let matches = command.try_get_matches_from(words).ok()?;
        let common = Common::from_arg_matches(&matches).ok()?;
        Some(Self { matches, common })
    }

    /// Returns whether an argument of the command, which it need not have, is this word.
    pub(crate) fn has(&self, argument: &str, word: &str) -> bool {
        let mut innermost = &self.matches;
        while let Some((_, below)) = innermost.subcommand() {
            innermost = below;
        }
        let raw = innermost.try_get_raw(argument).ok().flatten();
        raw.is_some_and(|mut values| values.any(|value| value == word))
    }
}
