//! Owns what a card holds: the listing as data, the rules for what computers leave behind, and the
//! survey that makes a listing from a card.

pub mod dates;
pub mod identity;
pub mod left_out;
pub mod listing;
pub mod sample;
pub mod survey;
