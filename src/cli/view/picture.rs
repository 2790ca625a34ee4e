//! Owns the running picture: some lines below everything that was said, redrawn in place. Text in
//! and out; `out` writes it.

use crate::cli::view::text::fit;
use std::collections::BTreeMap;
use unicode_width::UnicodeWidthStr as _;

/// Columns and rows of a terminal as it is now.
#[derive(Clone, Copy, Debug)]
pub(super) struct Size {
    pub(super) columns: usize,
    pub(super) rows: usize,
}

/// What a picture is drawn for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Canvas {
    pub(super) columns: usize,
    /// The terminal shows more than ASCII.
    pub(super) has_blocks: bool,
}

/// Narrower than this there is no picture.
const COLUMNS_MIN: usize = 8;

/// The picture and what of it stands on the terminal.
#[derive(Debug, Default)]
pub(super) struct Picture {
    /// The lines of each block, by its number.
    blocks: BTreeMap<usize, Vec<String>>,
    /// What was drawn last. The cursor stands in the empty row below it, where Ctrl-C leaves its
    /// mark.
    drawn: Vec<String>,
}

impl Picture {
    /// Takes over the lines of a block; none take it away.
    pub(super) fn set(&mut self, block: usize, lines: Vec<String>) {
        if lines.is_empty() {
            self.blocks.remove(&block);
        } else {
            self.blocks.insert(block, lines);
        }
    }

    /// Returns what takes the picture from the terminal, says something in its place, and draws it
    /// again below.
    pub(super) fn around(&mut self, said: &str, size: Size) -> String {
        let mut text = self.erased(size);
        text.push_str(said);
        if size.columns < COLUMNS_MIN {
            return text;
        }
        let lines = self.blocks.values().flatten();
        // One row more would move the picture's beginning out of reach.
        for line in lines.take(size.rows.saturating_sub(1)) {
            let line = fit(line, size.columns - 1);
            text.push_str(&line);
            text.push('\n');
            self.drawn.push(line);
        }
        text
    }

    /// Returns what takes the picture from the terminal. One that was made narrower meanwhile has
    /// broken its lines into more rows, as most terminals do.
    pub(super) fn erased(&mut self, size: Size) -> String {
        let rows_of = |line: String| line.width().div_ceil(size.columns.max(1)).max(1);
        let rows: usize = self.drawn.drain(..).map(rows_of).sum();
        if rows == 0 {
            return String::new();
        }
        // To the first column, up, and all below away.
        format!("\r\u{1b}[{rows}A\u{1b}[J")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDE: Size = Size {
        columns: 60,
        rows: 24,
    };

    /// A terminal that breaks lines anew when its width changes: what stands on it, as lines, and
    /// the line that the cursor is in.
    struct Terminal {
        lines: Vec<String>,
    }

    impl Terminal {
        fn rows(&self, columns: usize) -> Vec<usize> {
            let rows = |line: &String| line.len().div_ceil(columns).max(1);
            self.lines.iter().map(rows).collect()
        }

        fn take(&mut self, text: &str, columns: usize) {
            let mut rest = text;
            while !rest.is_empty() {
                if let Some(after) = rest.strip_prefix("\r\u{1b}[") {
                    let (up, after) = after.split_once('A').unwrap();
                    let mut up: usize = up.parse().unwrap();
                    // From the cursor's row on upwards.
                    self.lines.pop();
                    while up > 0 {
                        let rows = self.rows(columns).pop().unwrap();
                        assert!(up >= rows, "a line is cut: {text:?}");
                        up -= rows;
                        self.lines.pop();
                    }
                    self.lines.push(String::new());
                    rest = after.strip_prefix("\u{1b}[J").unwrap();
                } else if let Some(after) = rest.strip_prefix('\n') {
                    self.lines.push(String::new());
                    rest = after;
                } else {
                    let c = rest.chars().next().unwrap();
                    self.lines.last_mut().unwrap().push(c);
                    rest = &rest[c.len_utf8()..];
                }
            }
        }
    }

    fn lines(texts: &[&str]) -> Vec<String> {
        texts.iter().map(|t| (*t).to_owned()).collect()
    }

    #[test]
    fn a_picture_is_drawn_again_in_its_place_whatever_the_width_becomes() {
        let mut terminal = Terminal {
            lines: lines(&["$ unlade", ""]),
        };
        let mut picture = Picture::default();
        for (tick, columns) in [60, 60, 20, 9, 80, 10].into_iter().enumerate() {
            let size = Size { columns, rows: 24 };
            let said = if tick == 3 { "said\n" } else { "" };
            picture.set(
                1,
                lines(&["Card   KITES   31.2 GB of 96.0 GB   reads 94 MB/s"]),
            );
            picture.set(2, vec![format!("Left   {tick} min")]);
            terminal.take(&picture.around(said, size), columns);
            // The mark of Ctrl-C.
            terminal.take("^C", columns);
            let from = if tick < 3 { 1 } else { 2 };
            assert_eq!(terminal.lines.len(), from + 3, "{:?}", terminal.lines);
            assert!(terminal.lines[from].starts_with("Card "));
            assert!(terminal.lines[from + 1].starts_with("Left "));
            assert!(terminal.lines.iter().skip(from).all(|l| l.len() < columns));
        }
        picture.set(1, Vec::new());
        picture.set(2, Vec::new());
        terminal.take(&picture.around("PROVEN\n", WIDE), 60);
        assert_eq!(terminal.lines, ["$ unlade", "said", "PROVEN", ""]);
        assert_eq!(picture.around("", WIDE), "");
    }

    #[test]
    fn a_picture_is_never_higher_than_the_terminal() {
        let mut picture = Picture::default();
        for card in 0..9 {
            picture.set(card, lines(&["Card", "Copy 1", "Copy 2", "Left"]));
        }
        let size = Size {
            columns: 40,
            rows: 10,
        };
        assert_eq!(picture.around("", size).matches('\n').count(), 9);
        assert!(picture.around("", size).starts_with("\r\u{1b}[9A\u{1b}[J"));
        let none = Size {
            columns: 3,
            rows: 0,
        };
        assert_eq!(picture.around("", none).matches('\n').count(), 0);
    }
}
