//! Owns the page for people: one HTML file made from a manifest and nothing else.

pub mod page;
mod plot;
mod words;
