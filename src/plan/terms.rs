//! Owns what the person asks to be proven: it goes in once, with the plan.

use crate::record::layout::Level;

/// What the person asked to be proven.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Terms {
    /// How far.
    pub level: Level,
    /// Independent devices needed; at least 1.
    pub copies_needed: usize,
    /// The person states that devices which the system cannot tell apart are separate.
    pub separate: bool,
}
