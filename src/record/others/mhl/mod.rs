//! Owns how an ASC Media Hash List is read (ASC MHL, specification 1.0 of 15 March 2022, format
//! version 2.0, with the schemas of the ASC): the chain of a history, its generations, and what
//! they say together of each file.

mod chain;
pub mod error;
mod generation;
mod history;
mod ignore;
pub(crate) mod xml;

pub use chain::{ChainEntry, MHL_ENDING, chain};
pub use error::MhlError;
pub use generation::{
    FileEntry, FolderEntry, FolderHash, Generation, MhlAction, MhlSum, Reference,
};
pub use history::{FailedBefore, History};
pub use ignore::is_ignored;

/// The folder of a history, in the folder that it is about.
pub const MHL_FOLDER: &str = "ascmhl";
/// The chain in it.
pub use crate::disk::CHAIN as MHL_CHAIN;

#[cfg(test)]
mod tests;
