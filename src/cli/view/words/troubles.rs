//! Owns how troubles are numbered at the end of a copy and of a question, each with what to do.

use crate::cli::view::text::wrap;
use unlade::units::{count, counted, len64};

/// Troubles that are numbered; the rest are counted.
const TROUBLES_TOLD: usize = 6;

/// One kind of trouble and what to do about it.
pub(crate) struct NumberedTrouble {
    /// What shows it, as sentences, of those that are alike one ([`alike`]); none where the person
    /// stopped.
    pub(crate) reasons: Vec<String>,
    /// What to do.
    pub(crate) step: String,
}

/// Sentences of one trouble that are said.
const SENTENCES_TOLD: usize = 4;

/// Why something is not proven.
pub(crate) struct TroubleReason<K> {
    /// Equal in those that are alike.
    pub(crate) like: K,
    /// The same as a sentence.
    pub(crate) words: String,
    /// Of how many things it is said.
    pub(crate) count: u64,
}

/// Returns a sentence for the first of those that are alike, and how many more there are.
pub(crate) fn alike<K: PartialEq>(reasons: impl Iterator<Item = TroubleReason<K>>) -> Vec<String> {
    let mut kinds: Vec<(TroubleReason<K>, u64)> = Vec::new();
    for reason in reasons {
        match kinds
            .iter_mut()
            .find(|(first, _)| first.like == reason.like)
        {
            Some((_, more)) => *more += reason.count,
            None => kinds.push((reason, 0)),
        }
    }
    let unsaid = kinds.len().saturating_sub(SENTENCES_TOLD);
    let said = kinds.into_iter().take(SENTENCES_TOLD);
    let said = said.map(|(first, more)| match more {
        0 => first.words,
        more => format!("{} And {} more like it.", first.words, count(more)),
    });
    let more = counted(len64(unsaid), "more reason");
    let more = (unsaid > 0).then(|| format!("And {more}; --verbose has all."));
    said.chain(more).collect()
}

/// Returns the lines of troubles: their reasons, and what to do.
pub(super) fn numbered(troubles: &[NumberedTrouble], width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for (at, trouble) in troubles.iter().take(TROUBLES_TOLD).enumerate() {
        let said = trouble.reasons.iter().chain([&trouble.step]);
        let text = said.map(String::as_str).collect::<Vec<_>>().join(" ");
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
