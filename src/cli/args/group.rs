//! Owns the groups that flags are shown in.

/// What is copied or asked about.
pub(crate) const WHAT: &str = "What";
/// Where the copies are.
pub(crate) const WHERE: &str = "Where";
/// What an answer rests on.
pub(crate) const HOW_SURE: &str = "How sure";
/// What is known of card, reader and drives.
pub(crate) const SPEED: &str = "Speed (what you know; no answer depends on it)";
/// What is said, and how.
pub(crate) const OUTPUT: &str = "Output";
