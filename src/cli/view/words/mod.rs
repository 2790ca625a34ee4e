//! Owns the sentences that people read. Text from data only.

pub(crate) mod answer;
#[cfg(feature = "offsite")]
pub(crate) mod at_place;
pub(crate) mod compared;
pub(crate) mod contents;
mod copies;
pub(crate) mod drives;
#[cfg(feature = "offsite")]
pub(crate) mod fetching;
pub(crate) mod findings;
pub(crate) mod hints;
pub(crate) mod notice;
pub(crate) mod others;
pub(crate) mod plan;
pub(crate) mod problem;
pub(crate) mod prove;
#[cfg(feature = "offsite")]
pub(crate) mod sending;
pub(crate) mod summary;
pub(crate) mod troubles;
pub(crate) mod verdict;
