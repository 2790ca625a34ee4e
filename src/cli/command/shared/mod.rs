//! Owns what several commands do. Nothing here imports a command.

pub(crate) mod after;
pub(crate) mod check_offloads;
pub(crate) mod check_targets;
pub(crate) mod checked;
pub(crate) mod checking;
#[cfg(not(feature = "offsite"))]
pub(crate) mod no_places;
pub(crate) mod one_card;
mod other_copies;
#[cfg(feature = "offsite")]
pub(crate) mod place;
#[cfg(feature = "offsite")]
pub(crate) mod place_check;
#[cfg(feature = "offsite")]
pub(crate) mod place_prove;
#[cfg(feature = "offsite")]
pub(crate) mod place_verify;
#[cfg(feature = "offsite")]
mod secret;
