//! Owns a place by `WebDAV` (RFC 4918). The crate for all other places would write from memory
//! alone, rename over what is there, and end the program where a server lists what is not in the
//! folder.

mod answer;
pub(super) mod client;
pub(super) mod put;
pub(super) mod read;
