//! Owns how much of a foreign text is repeated in a message.

use crate::name::shown as shown_whole;

/// Characters of a foreign text that are repeated.
const SHOWN_MAX: usize = 200;

/// A foreign text, made harmless, and cut where it is long.
pub(super) fn shown(text: &str) -> String {
    let short: String = text.chars().take(SHOWN_MAX).collect();
    let more = if short.len() < text.len() { "..." } else { "" };
    format!("{}{more}", shown_whole(&short))
}
