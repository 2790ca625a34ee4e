//! Owns the checksum lists in the forms that general programs accept unaltered, one list a hash.
//! Paths are relative to the offload's folder. Measured with b3sum 1.8.7, GNU coreutils 9.1 and
//! xxhsum 0.8.1 (see `tests/it/linux/formats.rs`):
//!
//! * b3sum and coreutils: lower-case hex, two blanks, the path, a line feed. A name with a
//!   backslash, line feed or carriage return is escaped and its line begins with a backslash
//!   (b3sum's `what_does_check_do.md`, the manual of coreutils). b3sum refuses U+FFFD. The name `-`
//!   alone is standard input to both.
//! * xxhsum: the same for XXH64 and XXH128, and `XXH3 (path) = hex` for XXH3, whose hash would else
//!   be taken for XXH64. Nothing is escaped, so that a line feed cannot be held; the name `stdin`
//!   alone is standard input.

use crate::digest::Digest;
use crate::hash_algorithm::{Also, AlsoSet};

/// The file name of the BLAKE3 list inside the records folder.
pub const CHECKSUMS: &str = "checksums.b3";

/// One list beside the manifest.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum List {
    /// BLAKE3, for `b3sum --check`.
    Blake3,
    /// A further hash, for `md5sum -c`, `sha256sum -c`, `xxhsum -c` and so on.
    Also(Also),
}

impl List {
    /// Returns every list that there can be. No program is known to check one of C4 identifiers:
    /// they are in the manifest, and in a media hash list.
    pub fn all() -> impl Iterator<Item = Self> {
        let also = Also::ALL.into_iter().filter(|also| *also != Also::C4);
        std::iter::once(Self::Blake3).chain(also.map(Self::Also))
    }

    /// Returns whether it is made where these hashes are.
    pub fn is_of(self, hashes: AlsoSet) -> bool {
        match self {
            Self::Blake3 => true,
            Self::Also(also) => hashes.contains(also),
        }
    }

    /// Returns its file name inside the records folder.
    pub fn file_name(self) -> &'static str {
        match self {
            Self::Blake3 => CHECKSUMS,
            Self::Also(Also::C4) => "checksums.c4",
            Self::Also(Also::Md5) => "checksums.md5",
            Self::Also(Also::Sha1) => "checksums.sha1",
            Self::Also(Also::Sha256) => "checksums.sha256",
            Self::Also(Also::Sha512) => "checksums.sha512",
            Self::Also(Also::Xxh128) => "checksums.xxh128",
            Self::Also(Also::Xxh3) => "checksums.xxh3",
            Self::Also(Also::Xxh64) => "checksums.xxh64",
        }
    }

    fn is_xxhsum(self) -> bool {
        matches!(self, Self::Also(Also::Xxh128 | Also::Xxh3 | Also::Xxh64))
    }

    /// Returns whether its form can hold a path.
    pub fn holds(self, path: &str) -> bool {
        let refused = match self {
            Self::Blake3 => path == "-" || path.contains('\u{fffd}'),
            _ if self.is_xxhsum() => path == "stdin" || path.contains('\n'),
            Self::Also(_) => path == "-",
        };
        !refused && !path.contains('\0')
    }

    /// Returns one line, or `None` for a path that the form cannot hold.
    pub fn line(self, hex: &str, path: &str) -> Option<String> {
        if !self.holds(path) {
            return None;
        }
        if self == Self::Also(Also::Xxh3) {
            return Some(format!("XXH3 ({path}) = {hex}\n"));
        }
        if !self.is_xxhsum() && path.contains(['\\', '\n', '\r']) {
            let escaped = path
                .replace('\\', "\\\\")
                .replace('\n', "\\n")
                .replace('\r', "\\r");
            return Some(format!("\\{hex}  {escaped}\n"));
        }
        Some(format!("{hex}  {path}\n"))
    }

    /// Reads one line back, without its line feed. Only the form that [`Self::line`] writes is
    /// accepted, so that a list which was touched is not taken for the one that was written.
    pub fn parse(self, line: &str) -> Option<(String, String)> {
        let (hex, path) = self.split(line)?;
        (self.line(&hex, &path)?.strip_suffix('\n') == Some(line)).then_some((hex, path))
    }

    fn split(self, line: &str) -> Option<(String, String)> {
        if self == Self::Also(Also::Xxh3) {
            let (path, hex) = line.strip_prefix("XXH3 (")?.rsplit_once(") = ")?;
            return self.is_hex(hex).then(|| (hex.to_owned(), path.to_owned()));
        }
        let (is_escaped, line) = match line.strip_prefix('\\') {
            Some(rest) if !self.is_xxhsum() => (true, rest),
            _ => (false, line),
        };
        let (hex, path) = line.split_once("  ")?;
        if !self.is_hex(hex) {
            return None;
        }
        let path = if is_escaped {
            unescape(path)?
        } else {
            path.to_owned()
        };
        Some((hex.to_owned(), path))
    }

    fn is_hex(self, text: &str) -> bool {
        match self {
            Self::Blake3 => Digest::parse(text).is_some(),
            Self::Also(also) => also.is_hex(text),
        }
    }

    /// Returns the whole list, without the paths that it cannot hold.
    pub fn text(self, files: impl Iterator<Item = (String, String)>) -> String {
        files
            .filter_map(|(path, hex)| self.line(&hex, &path))
            .collect()
    }
}

pub(super) fn unescape(path: &str) -> Option<String> {
    let mut out = String::new();
    let mut chars = path.chars();
    while let Some(c) = chars.next() {
        if c != '\\' {
            out.push(c);
            continue;
        }
        out.push(match chars.next()? {
            '\\' => '\\',
            'n' => '\n',
            'r' => '\r',
            _ => return None,
        });
    }
    Some(out)
}

/// Returns one line of a BLAKE3 list, or `None` for a path that the form cannot hold.
pub fn line(digest: Digest, path: &str) -> Option<String> {
    List::Blake3.line(&digest.to_string(), path)
}

/// Reads one line of a BLAKE3 list back.
pub fn parse_line(line: &str) -> Option<(Digest, String)> {
    let (hex, path) = List::Blake3.parse(line)?;
    Some((Digest::parse(&hex)?, path))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hash_algorithm::Hasher;

    fn hash(list: List) -> String {
        match list {
            List::Blake3 => Digest::of(b"x").to_string(),
            List::Also(also) => Hasher::new(also).finish(),
        }
    }

    #[test]
    fn lines_round_trip() {
        for list in List::all() {
            let hex = hash(list);
            for path in [
                "a b",
                " lead",
                "trail ",
                "x\ny",
                "x\ry",
                "end\r",
                "back\\slash",
                "*star",
                "(p) = 0",
                "#hash",
                "a  b",
                "\\lead",
                "a\\nb",
                "a) = b",
            ] {
                let Some(text) = list.line(&hex, path) else {
                    assert!(list.is_xxhsum() && path.contains('\n'), "{list:?} {path:?}");
                    continue;
                };
                assert!(
                    text.ends_with('\n') && text.matches('\n').count() == 1,
                    "{text:?}"
                );
                assert_eq!(
                    list.parse(text.strip_suffix('\n').unwrap()),
                    Some((hex.clone(), path.to_owned())),
                    "{list:?}"
                );
            }
            assert_eq!(list.parse("zz  a"), None);
            assert_eq!(list.parse(&format!("{}  a", hex.to_uppercase())), None);
        }
    }

    #[test]
    fn what_was_touched_is_no_line() {
        let d = Digest::of(b"x");
        assert_eq!(line(d, "bad\u{fffd}name"), None);
        for list in List::all().filter(|list| *list != List::Also(Also::Xxh3)) {
            let hex = hash(list);
            // Not what `line` writes: escaped for nothing, another form.
            let mut touched = vec![format!("\\{hex}  plain"), format!("{hex} *a")];
            if !list.is_xxhsum() {
                // A raw carriage return, a raw backslash, no such escape.
                touched.push(format!("{hex}  a\r"));
                touched.push(format!("{hex}  a\\b"));
                touched.push(format!("\\{hex}  a\\q"));
            }
            for text in touched {
                assert_eq!(list.parse(&text), None, "{text:?}");
            }
        }
        assert_eq!(
            List::Blake3.parse(&format!("{d}  a")),
            Some((d.to_string(), "a".to_owned()))
        );
    }

    #[test]
    fn what_a_form_cannot_hold_is_left_out() {
        assert!(!List::Blake3.holds("bad\u{fffd}name") && !List::Blake3.holds("-"));
        let sha = List::Also(Also::Sha256);
        assert!(sha.holds("bad\u{fffd}name") && sha.holds("x\ny") && !sha.holds("-"));
        let xxh = List::Also(Also::Xxh3);
        assert!(xxh.holds("-") && !xxh.holds("x\ny") && !xxh.holds("stdin"));
        let files = [("a".into(), hash(xxh)), ("x\ny".into(), hash(xxh))];
        assert_eq!(xxh.text(files.into_iter()).lines().count(), 1);
    }

    #[test]
    fn file_names_end_in_the_name_of_the_hash() {
        for also in Also::ALL {
            let name = List::Also(also).file_name();
            assert_eq!(name, format!("checksums.{also}"));
        }
    }
}
