//! Owns the ASC media hash list of an offload (ASC MHL, specification 1.0 of 15 March 2022, format
//! version 2.0): which hashes and names it can hold, how the history that stands on a drive is
//! read, and what its next generation says. It writes nothing: `store` does.

mod draft;
mod folders;
mod names;
mod next;
mod of_copy;
mod renamed;
mod standing;
mod text;

pub use draft::{MhlDraft, MhlFile, MhlProcess};
pub use folders::{UnlikeFolder, folders_above, unlike_folders};
pub use names::{can_hold, is_in_history, is_of_history};
pub use next::{NextGeneration, SaidBefore, next_generation};
pub use of_copy::{MhlCopy, next_of_copy};
pub use renamed::GoneFiles;
pub use standing::{
    HistoryError, StandingHistory, StrayKind, StrayList, chain_parts, is_list_name, load_history,
};

#[cfg(test)]
mod tests;
