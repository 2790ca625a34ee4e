//! Owns the exit codes.

use std::process::ExitCode;

/// How the program ended.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum Exit {
    /// Done, and proven where the command decides that.
    Done,
    /// Proven on as many drives as were needed, and not on every one that was given.
    Short,
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
    /// Returns the end of a command of several cards: that of the worst, but refused only where all
    /// were.
    pub(crate) fn of_all(ends: impl Iterator<Item = Self> + Clone) -> Self {
        let all_refused = ends.clone().all(|exit| exit == Self::Refused);
        let of_one = |exit| match exit {
            Self::Refused if !all_refused => Self::NotProven,
            exit => exit,
        };
        ends.map(of_one).max().unwrap_or(Self::Done)
    }

    /// Returns whether it is done, and proven where the command decides that.
    pub(crate) fn is_good(self) -> bool {
        matches!(self, Self::Done | Self::Short)
    }

    /// Returns the exit code as the contract has it: 0 to 3, or 130.
    pub(crate) fn code(self) -> u8 {
        match self {
            Self::Done | Self::Short | Self::Folder => 0,
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
