//! Owns how text is fitted into columns: cut, or broken into lines.

use unicode_width::{UnicodeWidthChar as _, UnicodeWidthStr as _};

/// Cuts text to so many columns, marking the cut.
pub(crate) fn fit(text: &str, columns: usize) -> String {
    if text.width() <= columns {
        return text.to_owned();
    }
    let mut out = String::new();
    let mut used = 0;
    for c in text.chars() {
        let w = c.width().unwrap_or(0);
        if used + w + 3 > columns {
            break;
        }
        used += w;
        out.push(c);
    }
    out.push_str("...");
    out
}

/// Returns names as they are said: "A", "A and B", "A, B and C".
pub(crate) fn all_of(names: &[impl AsRef<str>]) -> String {
    let names: Vec<&str> = names.iter().map(AsRef::as_ref).collect();
    match names.as_slice() {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// Fills text up with blanks to so many columns.
pub(crate) fn pad(text: &str, columns: usize) -> String {
    let blanks = columns.saturating_sub(text.width());
    format!("{text}{}", " ".repeat(blanks))
}

/// Breaks text at blanks into lines of at most `columns`, continuation lines indented; a word that
/// is longer stays whole, so that a path can be copied.
pub(crate) fn wrap(text: &str, columns: usize, first: &str, then: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = first.to_owned();
    let mut has_word = false;
    for word in text.split(' ') {
        if has_word && line.width() + 1 + word.width() > columns {
            lines.push(std::mem::replace(&mut line, then.to_owned()));
            has_word = false;
        }
        if has_word {
            line.push(' ');
        }
        line.push_str(word);
        has_word = true;
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_fits() {
        assert_eq!(fit("short", 10), "short");
        assert_eq!(fit("much too long a line", 10), "much to...");
        let lines = wrap("one two three four", 9, "- ", "  ");
        assert_eq!(lines, ["- one two", "  three", "  four"]);
        assert_eq!(
            wrap("/a/very/long/path x", 6, "", ""),
            ["/a/very/long/path", "x"]
        );
    }
}
