//! Owns the person's own folder, with kit and ledger in it, and the person's keys.

pub(crate) mod at_place;
pub(crate) mod book;
pub(crate) mod drive_names;
pub(crate) mod folder;
pub(crate) mod keys;
pub(crate) mod kit_file;
pub(crate) mod on_card;
pub(crate) mod places;
pub(crate) mod plugged;
pub(crate) mod recognised;
pub(crate) mod shoot;
pub(crate) mod usual;
