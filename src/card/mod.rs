//! Owns what a card holds: the listing as data, the rules for what computers leave behind, and the
//! survey that makes a listing from a card, and the account of what its volume has in use.

pub mod account;
pub mod dates;
pub mod hidden;
pub mod identity;
pub mod left_out;
pub mod listing;
pub mod media;
pub mod mirror;
pub mod part;
pub mod sample;
pub mod survey;
