//! Owns copies elsewhere: how files get to a place, are looked at there, and come back; what is
//! remembered of that here and there. It has threads of its own, and nothing that copies a card
//! waits for it. Must not overwrite or remove anything at a place but its own part files and probe.

pub mod error;
pub mod journal;
pub mod object;
pub mod open;
pub mod outcome;
pub mod outgoing;
pub mod pace;
pub mod probe;
pub mod receipt;
pub mod send;
pub mod store;
mod upload;
