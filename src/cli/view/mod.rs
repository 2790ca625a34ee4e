//! Owns what is shown: standard output, the running picture, the words for people, JSON for programs.

pub(crate) mod deadline;
pub(crate) mod json;
pub(crate) mod next_steps;
pub(crate) mod out;
pub(crate) mod picture;
pub(crate) mod screen;
pub(crate) mod text;
pub(crate) mod words;
