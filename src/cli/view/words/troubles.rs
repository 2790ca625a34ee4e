//! Owns how troubles are numbered at the end of a copy and of a question, each with what to do.

use crate::cli::view::text::wrap;
use unlade::units::{count, counted, len64};

/// Troubles that are numbered; the rest are counted.
const TROUBLES_TOLD: usize = 6;

/// One kind of trouble and what to do about it.
pub(crate) struct NumberedTrouble {
    /// What shows it, as sentences; none where the person stopped.
    pub(crate) reasons: Vec<String>,
    /// What to do.
    pub(crate) step: String,
}

/// Returns the lines of troubles: the first of each in words, those alike counted.
pub(super) fn numbered(troubles: &[NumberedTrouble], width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for (at, trouble) in troubles.iter().take(TROUBLES_TOLD).enumerate() {
        let mut text = String::new();
        if let Some(first) = trouble.reasons.first() {
            text = format!("{first} ");
            let more = trouble.reasons.len() - 1;
            if more > 0 {
                text.push_str(&format!("And {} more like it. ", count(len64(more))));
            }
        }
        text.push_str(&trouble.step);
        lines.extend(wrap(&text, width, &format!("  {}. ", at + 1), "     "));
    }
    let more = len64(troubles.len().saturating_sub(TROUBLES_TOLD));
    if more > 0 {
        let more = counted(more, "more reason");
        lines.push(format!("     and {more}; --verbose has all."));
    }
    lines
}

/// Returns what is said as a sentence with one full stop.
pub(crate) fn sentence(text: &str) -> String {
    format!("{}.", text.trim_end_matches('.'))
}

/// Returns a text that begins with a capital.
pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(chars).collect()
    })
}
