//! Owns what a result of `weigh` is made of.

use serde_json::Value;

/// A result: lines of a label and its text, what was assumed, and the same for programs.
pub(crate) struct WeighResult {
    pub(crate) lines: Vec<(&'static str, String)>,
    pub(crate) assumed: Vec<&'static str>,
    pub(crate) json: Value,
}

/// Rounds for programs: what lies behind the third decimal is noise.
pub(crate) fn rounded(value: f64) -> f64 {
    (value * 1e3).round() / 1e3
}
