//! Owns which paths of a record are believed to lie inside its folder. What could lead out of it is
//! refused, whatever stands there.

use crate::name::{CardName, NameError};
use std::fmt;

/// Why a path of a record is not looked at.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PlaceError {
    /// It is no path inside a folder.
    Name(NameError),
    /// It begins with a drive letter.
    Drive,
    /// It has a `\`, and here that separates folders, which the format does with `/` alone.
    Backslash,
    /// It begins with `~`, which some programs take for somebody's home.
    Home,
}

impl fmt::Display for PlaceError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Name(error) => error.fmt(f),
            Self::Drive => f.write_str("a path that begins with a drive letter"),
            Self::Backslash => f.write_str(
                "a name with a `\\` in it, which no file on Windows can have; check it on Linux or \
                macOS",
            ),
            Self::Home => f.write_str("a path that begins with `~`"),
        }
    }
}

/// Returns a path as it is below the record's folder. A `./` before it, and what stands double, is
/// taken away: `find . -type f` writes paths so. Where `\` separates, it is a `/`.
///
/// # Errors
/// When the path could lead out of the folder, or is none.
pub fn inside(path: &str) -> Result<CardName, PlaceError> {
    if cfg!(windows) {
        with_slashes(path)
    } else {
        place(path)
    }
}

/// The same for a path of a format in which `/` alone separates. Where `\` separates (`separates`)
/// it is no part of a name, and no file can be meant.
///
/// # Errors
/// As [`inside`], and for such a name.
pub(super) fn inside_with_slashes(path: &str, separates: bool) -> Result<CardName, PlaceError> {
    if separates && path.contains('\\') {
        return Err(PlaceError::Backslash);
    }
    place(path)
}

/// The same for a path with `\` in it, as Windows writes them.
///
/// # Errors
/// As [`inside`].
pub fn with_slashes(path: &str) -> Result<CardName, PlaceError> {
    place(&path.replace('\\', "/"))
}

fn place(path: &str) -> Result<CardName, PlaceError> {
    let bytes = path.as_bytes();
    if path.starts_with('/') {
        return Err(PlaceError::Name(NameError::Absolute));
    }
    if bytes.first().is_some_and(u8::is_ascii_alphabetic)
        && bytes.get(1) == Some(&b':')
        && matches!(bytes.get(2), None | Some(b'/' | b'\\'))
    {
        return Err(PlaceError::Drive);
    }
    // A file may be called `~$note.doc`; what lies in a folder `~somebody` may be elsewhere.
    if path == "~" || (path.starts_with('~') && path.contains('/')) {
        return Err(PlaceError::Home);
    }
    let is_idle = |part: &&str| part.is_empty() || *part == ".";
    let named = if path.contains("./") || path.contains("//") {
        let parts: Vec<&str> = path.split('/').filter(|part| !is_idle(part)).collect();
        CardName::parse(&parts.join("/"))
    } else {
        CardName::parse(path)
    };
    named.map_err(PlaceError::Name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_could_lead_out_is_refused() {
        for good in ["a", "a/b", "~$a.doc", "a~/b", "c:a", "..."] {
            assert_eq!(inside(good).unwrap().as_str(), good);
        }
        let is = if cfg!(windows) { "a/b" } else { "a\\b" };
        assert_eq!(inside("a\\b").unwrap().as_str(), is);
        assert_eq!(
            inside_with_slashes("a\\b", true),
            Err(PlaceError::Backslash)
        );
        assert_eq!(inside_with_slashes("a\\b", false).unwrap().as_str(), "a\\b");
        assert_eq!(inside("./a//b/./c").unwrap().as_str(), "a/b/c");
        for bad in [
            "", ".", "..", "../a", "a/..", "a/../b", "./../a", "/a", "//a", "C:\\a", "c:/a", "d:",
            "~", "~/a", "~kim/a", "a\0b",
        ] {
            assert!(inside(bad).is_err(), "{bad:?}");
        }
        assert_eq!(with_slashes("a\\b\\.\\c").unwrap().as_str(), "a/b/c");
        for bad in [
            "\\a",
            "\\\\server\\a",
            "a\\..\\..\\b",
            "..\\a",
            "C:\\a",
            "~kim\\a",
        ] {
            assert!(with_slashes(bad).is_err(), "{bad:?}");
        }
    }
}
