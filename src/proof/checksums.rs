//! Owns the checksum list in the form that `b3sum --check` accepts: lower-case hex, two blanks, the
//! path, a line feed; a name with a backslash, line feed or carriage return is escaped and its line
//! begins with a backslash (b3sum 1.8, `what_does_check_do.md`; the same form as GNU coreutils).

use crate::digest::Digest;

/// The list's file name inside the records folder.
pub const CHECKSUMS: &str = "checksums.b3";

/// Returns one line, or `None` for a name that the form cannot hold (b3sum refuses U+FFFD).
pub fn line(digest: Digest, path: &str) -> Option<String> {
    if path.contains(['\u{fffd}', '\0']) {
        return None;
    }
    if path.contains(['\\', '\n', '\r']) {
        let escaped = path
            .replace('\\', "\\\\")
            .replace('\n', "\\n")
            .replace('\r', "\\r");
        return Some(format!("\\{digest}  {escaped}\n"));
    }
    Some(format!("{digest}  {path}\n"))
}

/// Reads one line back, without its line feed. Only the form that [`line`](fn@line) writes is accepted, so that
/// a list which was touched is not taken for the one that was written.
pub fn parse_line(text: &str) -> Option<(Digest, String)> {
    let (digest, path) = split(text)?;
    (line(digest, &path)?.strip_suffix('\n') == Some(text)).then_some((digest, path))
}

fn split(line: &str) -> Option<(Digest, String)> {
    let (escaped, line) = line
        .strip_prefix('\\')
        .map_or((false, line), |rest| (true, rest));
    let (hex, path) = line.split_once("  ")?;
    let digest = Digest::parse(hex)?;
    if !escaped {
        return Some((digest, path.to_owned()));
    }
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
    Some((digest, out))
}

/// Returns the whole list, and how many names it cannot hold.
pub fn list<'a>(files: impl Iterator<Item = (&'a str, Digest)>) -> (String, u64) {
    let (mut text, mut unheld) = (String::new(), 0);
    for (path, digest) in files {
        match line(digest, path) {
            Some(line) => text.push_str(&line),
            None => unheld += 1,
        }
    }
    (text, unheld)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_round_trip() {
        let d = Digest::of(b"x");
        for path in [
            "a b",
            " lead",
            "trail ",
            "x\ny",
            "x\ry",
            "back\\slash",
            "*star",
            "(p) = 0",
            "#hash",
            "a  b",
            "\\lead",
        ] {
            let text = line(d, path).unwrap();
            assert!(
                text.ends_with('\n') && text.matches('\n').count() == 1,
                "{text:?}"
            );
            assert_eq!(
                parse_line(text.strip_suffix('\n').unwrap()),
                Some((d, path.to_owned()))
            );
        }
        assert_eq!(line(d, "bad\u{fffd}name"), None);
        assert_eq!(parse_line("zz  a"), None);
        // Not what `line` writes: escaped for nothing, a raw carriage return, another form.
        for touched in [
            format!("\\{d}  plain"),
            format!("{d}  a\r"),
            format!("{d} *a"),
            format!("{d}  a\\b"),
            format!("\\{d}  a\\q"),
        ] {
            assert_eq!(parse_line(&touched), None, "{touched:?}");
        }
    }
}
