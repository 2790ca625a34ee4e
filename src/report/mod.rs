//! Owns the pages for people: one HTML file each, made from a manifest, or for a shoot from the
//! ledger, and from nothing else.

pub mod page;
mod plot;
pub mod shoot;
mod words;
