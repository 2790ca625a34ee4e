//! Owns the pages for people: one HTML file each, made from a manifest, for a shoot from the
//! ledger, or of what a check against the lists of others found, and from nothing else.

pub mod check;
mod details;
mod frame;
pub mod page;
pub mod pictures;
mod plot;
pub mod shoot;
mod shot;
mod words;
