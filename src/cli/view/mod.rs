//! Owns what is shown: standard output, the running picture, the words for people, JSON for
//! programs.

pub(crate) mod interrupt;
pub(crate) mod json;
pub(crate) mod log;
pub(crate) mod next_steps;
pub(crate) mod observer;
pub(crate) mod order;
pub(crate) mod out;
mod picture;
pub(crate) mod read_progress;
pub(crate) mod refuse;
pub(crate) mod running;
pub(crate) mod schedule;
pub(crate) mod screen;
pub(crate) mod text;
pub(crate) mod words;
