//! Owns copies elsewhere: how files get to a place, are looked at there, and come back; what is
//! remembered of that here and there. It has threads of its own, and nothing that copies a card
//! waits for it. Must not overwrite or remove anything at a place but its own part files and probe.

pub mod check;
mod dav;
pub mod error;
pub mod fetch;
pub mod held;
pub mod identity;
pub mod incoming;
pub mod journal;
mod limits;
pub mod listing;
pub mod object;
pub mod open;
pub mod outcome;
pub mod outgoing;
pub mod pace;
pub mod placed;
pub mod probe;
pub mod rates;
mod reading;
pub mod receipt;
pub mod sample;
pub mod secret;
pub mod send;
pub mod store;
mod tries;
mod upload;
