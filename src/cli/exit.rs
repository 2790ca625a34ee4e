//! Owns the exit codes.

use std::process::ExitCode;

/// How the program ended.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum Exit {
    /// Done, and proven where the command decides that.
    Done,
    /// Proven, of a folder of a card: the card must not be formatted for it.
    Folder,
    /// Ran to its end; not proven, or differences found.
    NotProven,
    /// The command line is wrong.
    Usage,
    /// Refused before a byte was written.
    Refused,
    /// Stopped by the person; what was finished is kept.
    Interrupted,
}

impl Exit {
    /// Returns the code.
    pub(crate) fn code(self) -> u8 {
        match self {
            Self::Done | Self::Folder => 0,
            Self::NotProven => 1,
            Self::Usage => 2,
            Self::Refused => 3,
            Self::Interrupted => 130,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.code())
    }
}
