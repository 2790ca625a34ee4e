//! How wide and how long the files of `src` are, and what their types are called.

use super::{code, sources};
use std::collections::BTreeMap;

/// Columns that a line may have.
const COLUMNS_MAX: usize = 100;

/// Folders whose lines all keep to it.
const NARROW: [&str; 1] = ["cli"];

/// Lines that a file may have without its tests.
const LINES_MAX: usize = 600;

/// Folders whose files all keep to it.
const SHORT: [&str; 1] = ["cli"];

/// Folders in which a type's name is given once.
const NAMED_ONCE: [&str; 1] = ["cli"];

/// Types that a file has in two forms, of which each system takes its own.
const TWO_FORMS: [&str; 1] = ["Holder"];

#[test]
fn lines_keep_to_the_width() {
    for (path, text) in sources() {
        if NARROW.iter().any(|folder| path.starts_with(folder)) {
            for (number, line) in text.lines().enumerate() {
                let columns = line.chars().count();
                let at = format!("{}:{}", path.display(), number + 1);
                assert!(columns <= COLUMNS_MAX, "{at}: a line of {columns} columns");
            }
        }
    }
}

#[test]
fn files_stay_short() {
    for (path, text) in sources() {
        let lines = code(&text).lines().count();
        if SHORT.iter().any(|folder| path.starts_with(folder)) {
            assert!(lines <= LINES_MAX, "{}: {lines} lines", path.display());
        }
    }
}

#[test]
fn a_type_name_means_one_thing() {
    for folder in NAMED_ONCE {
        let mut known = BTreeMap::new();
        for (path, text) in sources() {
            for line in code(&text).lines().filter(|_| path.starts_with(folder)) {
                let Some(name) = type_name(line).filter(|name| !TWO_FORMS.contains(name)) else {
                    continue;
                };
                let before = known.insert(name.to_owned(), path.clone());
                assert!(
                    before.is_none(),
                    "`{name}`: {before:?} and {}",
                    path.display()
                );
            }
        }
        assert!(known.len() > 20, "the check saw {} types only", known.len());
    }
}

/// The name that a line gives to a type.
fn type_name(line: &str) -> Option<&str> {
    let line = line.trim_start();
    let rest = match line.strip_prefix("pub") {
        Some(rest) => rest.split_once(' ')?.1,
        None => line,
    };
    let (kind, rest) = rest.split_once(' ')?;
    let is_type = matches!(kind, "struct" | "enum" | "trait" | "type");
    rest.split(|c: char| !c.is_ascii_alphanumeric())
        .next()
        .filter(|_| is_type)
}
