//! Owns paths as people paste them: as an address of a file manager, in quotes, with escaped
//! blanks, with slashes at the end. A path that exists as it was typed always wins.

use camino::{Utf8Path, Utf8PathBuf};

/// Returns the path that is meant. What leads nowhere in any form is left for its own error, an
/// address as the path that it names.
pub(crate) fn meant(typed: &Utf8Path, exists: &dyn Fn(&Utf8Path) -> bool) -> Utf8PathBuf {
    if exists(typed) {
        return without_slashes(typed);
    }
    let text = unquoted(typed.as_str().trim());
    let address = from_address(text);
    let plain = without_slashes(address.as_deref().unwrap_or(text).into());
    let bare = without_slashes(unescaped(plain.as_str()).as_str().into());
    let found = [&plain, &bare].into_iter().find(|path| exists(path));
    match (found, address) {
        (Some(path), _) => path.clone(),
        (None, Some(_)) => plain,
        (None, None) => typed.to_path_buf(),
    }
}

/// A path without slashes at its end; that of a root stays.
fn without_slashes(path: &Utf8Path) -> Utf8PathBuf {
    path.components().as_path().to_path_buf()
}

fn unquoted(text: &str) -> &str {
    let quotes = ['\'', '"'].into_iter();
    let mut inner = quotes.filter_map(|q| text.strip_prefix(q)?.strip_suffix(q));
    inner.next_back().unwrap_or(text)
}

/// Takes the backslash from in front of each character that a shell would escape. On Windows it
/// sets folders apart.
fn unescaped(text: &str) -> String {
    if cfg!(windows) {
        return text.to_owned();
    }
    let mut out = String::new();
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        out.push(if c == '\\' {
            chars.next().unwrap_or(c)
        } else {
            c
        });
    }
    out
}

/// Returns the path of a `file:` address (RFC 8089) on this computer.
fn from_address(text: &str) -> Option<String> {
    let rest = text.get(..7).filter(|s| s.eq_ignore_ascii_case("file://"));
    let rest = rest.and(text.get(7..))?;
    let path = rest.strip_prefix("localhost").unwrap_or(rest);
    let path = decoded(path.starts_with('/').then_some(path)?)?;
    // `/C:/KITES` is a path on Windows without its first slash.
    let is_letter = path.get(2..3) == Some(":");
    Some(match path.strip_prefix('/') {
        Some(path) if cfg!(windows) && is_letter => path.to_owned(),
        _ => path,
    })
}

/// Turns `%20` and its like into what they stand for.
fn decoded(text: &str) -> Option<String> {
    let mut bytes = Vec::new();
    let mut parts = text.split('%');
    bytes.extend_from_slice(parts.next()?.as_bytes());
    for part in parts {
        let digits = part.get(..2)?;
        let is_hex = digits.bytes().all(|b| b.is_ascii_hexdigit());
        bytes.push(
            u8::from_str_radix(digits, 16)
                .ok()
                .filter(|b| is_hex && *b != 0)?,
        );
        bytes.extend_from_slice(part.get(2..)?.as_bytes());
    }
    String::from_utf8(bytes).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(typed: &str, there: &[&str]) -> String {
        meant(typed.into(), &|path| there.contains(&path.as_str())).into()
    }

    #[test]
    fn what_was_pasted_leads_where_it_leads_in_a_file_manager() {
        let there = ["/media/KITE DAY", "/media/ÄRA", "/"];
        for typed in [
            "file:///media/KITE%20DAY",
            "file://localhost/media/KITE%20DAY/",
            "FILE:///media/KITE%20DAY//",
            "'/media/KITE DAY'",
            "\"/media/KITE DAY/\"",
            " /media/KITE DAY\n",
            "'file:///media/KITE%20DAY'",
            "/media/KITE DAY/",
            "file:///media/KITE DAY",
        ] {
            assert_eq!(of(typed, &there), "/media/KITE DAY", "{typed}");
        }
        #[cfg(unix)]
        assert_eq!(of(r"/media/KITE\ DAY/", &there), "/media/KITE DAY");
        assert_eq!(of("file:///media/%C3%84RA", &there), "/media/ÄRA");
        assert_eq!(of("/", &there), "/");
        assert_eq!(of("file:///", &there), "/");
    }

    #[test]
    fn what_exists_as_typed_wins() {
        let odd = [
            r"/media/a\ b",
            "'q'",
            "file:///x",
            "%41",
            "/media/a b",
            "q",
            "A",
        ];
        for typed in &odd[..4] {
            let same = without_slashes(Utf8Path::new(typed));
            assert_eq!(of(typed, &odd), same, "{typed}");
        }
    }

    #[test]
    fn what_leads_nowhere_stays_for_its_error() {
        for typed in [
            "/media/NOPE/",
            "'/media/NOPE'",
            r"a\b",
            "'",
            "",
            "file://server/share",
            "file:///%zz",
            "file:///%0",
            "file:///a%00b",
            "file:///%ff",
        ] {
            assert_eq!(of(typed, &[]), typed);
        }
        assert_eq!(of("file:///media/NO%20PE", &[]), "/media/NO PE");
    }
}
