//! Owns what an answer of `weigh` is made of.

use serde_json::Value;

/// An answer: lines of a label and its text, what was assumed, and the same for programs.
pub(crate) struct Answer {
    pub(crate) lines: Vec<(&'static str, String)>,
    pub(crate) assumed: Vec<&'static str>,
    pub(crate) json: Value,
}

/// Rounds for programs: what lies behind the third decimal is noise.
pub(crate) fn rounded(value: f64) -> f64 {
    (value * 1e3).round() / 1e3
}
