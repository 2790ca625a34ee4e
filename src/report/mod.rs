//! Owns the pages for people: one HTML file each, made from a manifest, or for a shoot from the
//! ledger, and from nothing else.

mod details;
mod frame;
pub mod page;
pub mod pictures;
mod plot;
pub mod shoot;
mod shot;
mod words;
