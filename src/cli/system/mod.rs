//! Owns what is asked of the system: to stay awake, what the computer runs on, notices, signals.

pub(crate) mod awake;
pub(crate) mod notice;
pub(crate) mod power;
pub(crate) mod signals;
