//! Owns what several commands do. Nothing here imports a command.

pub(crate) mod check_offloads;
pub(crate) mod checked;
pub(crate) mod one_card;
mod other_copies;
