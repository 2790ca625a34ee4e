//! Owns what a path on a card may look like, when two of them would meet on a drive that folds
//! case or Unicode forms, and how a hostile name is shown harmlessly. It does no I/O.

use crate::units::{count, counted, len64};
use camino::{Utf8Path, Utf8PathBuf};
use std::fmt;
use std::sync::Arc;
use unicode_normalization::UnicodeNormalization as _;

/// The longest relative path that is accepted, in bytes (Linux `PATH_MAX` is 4096 with the NUL).
pub const PATH_BYTES_MAX: usize = 4_000;

/// A relative path below the card's root: UTF-8, `/` between parts, no `.`, `..`, empty part or
/// NUL.
///
/// Copies share their text: listing, jobs and records of a card name every file several times.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct CardName(Arc<str>);

/// Why a path is not a [`CardName`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NameError {
    /// Nothing, or nothing between two separators.
    Empty,
    /// Begins with a separator or a drive letter.
    Absolute,
    /// Holds a `.` or `..` part, which could lead out of the folder.
    Dots,
    /// Holds a NUL.
    Nul,
    /// Longer than [`PATH_BYTES_MAX`] bytes.
    TooLong,
}

impl fmt::Display for NameError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Empty => "an empty path or an empty part of a path",
            Self::Absolute => "an absolute path",
            Self::Dots => "a `.` or `..` in a path",
            Self::Nul => "a NUL in a path",
            Self::TooLong => "a path of more than 4,000 bytes",
        })
    }
}

impl std::error::Error for NameError {}

impl CardName {
    /// Accepts a relative path, or says what is wrong with it.
    pub fn parse(path: &str) -> Result<Self, NameError> {
        if path.starts_with('/') {
            return Err(NameError::Absolute);
        }
        if path.len() > PATH_BYTES_MAX {
            return Err(NameError::TooLong);
        }
        if path.contains('\0') {
            return Err(NameError::Nul);
        }
        for part in path.split('/') {
            match part {
                "" => return Err(NameError::Empty),
                "." | ".." => return Err(NameError::Dots),
                _ => {}
            }
        }
        Ok(Self(path.into()))
    }

    /// Returns the path's bytes, shared with this name.
    pub fn shared_bytes(&self) -> Arc<[u8]> {
        Arc::clone(&self.0).into()
    }

    /// Returns the path as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Returns the last part.
    pub fn file_name(&self) -> &str {
        self.0.rsplit('/').next().unwrap_or(&self.0)
    }

    /// Returns the folder that holds it, or `None` for an entry of the root.
    pub fn parent(&self) -> Option<&str> {
        self.0.rsplit_once('/').map(|(parent, _)| parent)
    }

    /// Returns the parts from the root down.
    pub fn parts(&self) -> impl Iterator<Item = &str> {
        self.0.split('/')
    }

    /// Returns the path below `root`.
    pub fn under(&self, root: &Utf8Path) -> Utf8PathBuf {
        root.join(&*self.0)
    }

    /// Returns the path of the unpublished part file below `root`: `.NAME.unlade-part` beside the
    /// final place, or a short hashed name where a file system would find that too long.
    pub fn part_under(&self, root: &Utf8Path) -> Utf8PathBuf {
        let file = part_name(self.file_name());
        match self.parent() {
            Some(parent) => root.join(parent).join(file),
            None => root.join(file),
        }
    }

    /// Returns the path of the part file as paths of the card are written.
    pub fn part(&self) -> String {
        let file = part_name(self.file_name());
        match self.parent() {
            Some(parent) => format!("{parent}/{file}"),
            None => file,
        }
    }

    /// Returns the form in which two names are one on a drive that folds case and Unicode normal
    /// forms (APFS, HFS+, exFAT, FAT32, NTFS).
    pub fn folded(&self) -> String {
        fold(&self.0)
    }
}

impl fmt::Display for CardName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&shown(&self.0))
    }
}

/// Returns a name in Unicode's composed form (NFC), in which Macs and others agree.
pub fn composed(name: &str) -> String {
    name.nfc().collect()
}

/// The ending of a file that has not been proven yet.
pub const PART_ENDING: &str = ".unlade-part";

/// Returns the part file's name for a final name.
pub fn part_name(file_name: &str) -> String {
    let long = format!(".{file_name}{PART_ENDING}");
    // 255 is the limit in bytes on ext4 and in UTF-16 units on FAT32, exFAT, NTFS and HFS+; what
    // fits in bytes fits in units.
    if long.len() <= 255 {
        return long;
    }
    let hash = crate::digest::Digest::of(file_name.as_bytes()).to_string();
    format!(".{}{PART_ENDING}", hash.get(..24).unwrap_or(&hash))
}

/// Returns whether a file name is that of a part file.
pub fn is_part_name(file_name: &str) -> bool {
    file_name.starts_with('.') && file_name.ends_with(PART_ENDING)
}

/// Returns why FAT32, exFAT and NTFS cannot store one part of a path as it is, or `None`
/// (Microsoft, "exFAT file system specification", table 35; "Naming Files, Paths, and Namespaces").
pub fn unlike_windows(part: &str) -> Option<&'static str> {
    let is_illegal = |c| c < ' ' || matches!(c, '"' | '*' | ':' | '<' | '>' | '?' | '\\' | '|');
    if part.chars().any(is_illegal) {
        Some("the name holds a character that this file system cannot store")
    } else if part.ends_with(['.', ' ']) {
        Some("the name ends in a dot or a blank, which this file system drops")
    } else {
        None
    }
}

/// Returns whether Windows would not open a part of a path: a device name, also with an ending
/// (Microsoft, "Naming Files, Paths, and Namespaces").
pub fn is_device_name(part: &str) -> bool {
    let stem = part.split('.').next().unwrap_or(part).trim_end();
    let numbered = |prefix: &str| {
        let rest = stem.get(prefix.len()..).unwrap_or("");
        stem.get(..prefix.len())
            .is_some_and(|p| p.eq_ignore_ascii_case(prefix))
            // The superscripts of ISO/IEC 8859-1 count as digits here (same source).
            && rest.chars().count() == 1
            && rest.contains(|c| matches!(c, '1'..='9' | '\u{b9}' | '\u{b2}' | '\u{b3}'))
    };
    let plain = ["CON", "PRN", "AUX", "NUL"];
    plain.iter().any(|name| stem.eq_ignore_ascii_case(name)) || numbered("COM") || numbered("LPT")
}

/// Folds case and normal form: upper case after NFC, then NFC again, since a card's file system
/// compares up-cased names (exFAT specification, section 7.2) and Apple's compares normalised ones.
pub fn fold(text: &str) -> String {
    if text.is_ascii() {
        return text.to_ascii_uppercase();
    }
    text.nfc().flat_map(char::to_uppercase).nfc().collect()
}

/// Returns the first `told` of some names, shown safely, and how many more there are: "`A`",
/// "`A` and `B`", "`A`, `B` and 3 more files" for the noun "file", "`A` and 3 more" without one.
pub fn some_of<'a>(
    names: impl IntoIterator<Item = &'a str>,
    told: usize,
    all: u64,
    noun: &str,
) -> String {
    let told = names.into_iter().take(told);
    let mut parts: Vec<String> = told.map(|name| format!("`{}`", shown(name))).collect();
    match (all.saturating_sub(len64(parts.len())), noun) {
        (0, _) => {}
        (more, "") => parts.push(format!("{} more", count(more))),
        (more, noun) => parts.push(counted(more, &format!("more {noun}"))),
    }
    match parts.pop() {
        Some(last) if !parts.is_empty() => format!("{} and {last}", parts.join(", ")),
        last => last.unwrap_or_default(),
    }
}

/// Whether a character could do more on a terminal or in a page than stand there: it moves the
/// cursor, begins a line, turns the writing direction, or is not seen at all.
fn is_harmful(c: char) -> bool {
    c.is_control()
        || matches!(
            c,
            '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}' | '\u{200e}' | '\u{200f}'
                | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}'
                | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}'
        )
}

/// Returns text that is safe on a terminal and in a page: control characters and those that turn
/// the writing direction or can't be seen are shown as `\u{..}`.
pub fn shown(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if is_harmful(c) {
            out.extend(c.escape_unicode());
        } else {
            out.push(c);
        }
    }
    out
}

/// Returns JSON in one line with the same characters written as JSON's own escapes: it says the
/// same, and is safe on a terminal.
pub fn escaped_in_json(json: &str) -> String {
    let mut out = String::with_capacity(json.len());
    for c in json.chars() {
        if is_harmful(c) {
            for unit in c.encode_utf16(&mut [0; 2]) {
                out.push_str(&format!("\\u{unit:04x}"));
            }
        } else {
            out.push(c);
        }
    }
    out
}

/// Characters of a word that an unknown system or device says.
const WORD_CHARS: usize = 60;

/// Returns what should be one short word, such as the name of a file system or of what is mounted,
/// so that it can't be taken for a sentence of ours: blanks are written as `\u{20}`, and the end is
/// cut.
pub fn word(text: &str) -> String {
    let cut = text.chars().nth(WORD_CHARS).map_or("", |_| "...");
    let chars = text.chars().take(WORD_CHARS);
    let out = chars.fold(String::new(), |mut out, c| {
        if c.is_whitespace() {
            out.extend(c.escape_unicode());
        } else {
            out.push(c);
        }
        out
    });
    shown(&out) + cut
}

/// Returns whether two names are one but for how their accents are written: in one character or
/// two.
pub fn differ_in_form_only(a: &str, b: &str) -> bool {
    a != b && a.nfc().eq(b.nfc())
}

/// Returns a name that is not UTF-8 as people can read it, fit for one line: what is text as it is,
/// the other bytes as `\xff`.
pub fn readable(raw: &[u8]) -> String {
    let mut out = String::new();
    for chunk in raw.utf8_chunks() {
        out.push_str(&shown(chunk.valid()));
        for byte in chunk.invalid() {
            out.push_str(&format!("\\x{}", hex(&[*byte])));
        }
    }
    excerpt(&out)
}

/// Characters of foreign text that an [`excerpt`] shows.
const EXCERPT_CHARS: usize = 160;

/// Returns the beginning of foreign text, shown harmlessly: fit for one line of a message, whatever
/// its length.
pub fn excerpt(text: &str) -> String {
    match text.char_indices().nth(EXCERPT_CHARS) {
        None => shown(text),
        Some((end, _)) => format!("{}...", shown(text.get(..end).unwrap_or_default())),
    }
}

/// Returns bytes as lower-case hex, for names that are not UTF-8.
pub fn hex(bytes: &[u8]) -> String {
    bytes
        .iter()
        .fold(String::with_capacity(bytes.len() * 2), |mut out, b| {
            for half in [b >> 4, b & 15] {
                out.extend(char::from_digit(u32::from(half), 16));
            }
            out
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_looks_alike_or_is_no_text_is_told_apart() {
        // Unicode Standard Annex #15: U+00E9 is canonically equivalent to U+0065 U+0301.
        assert!(differ_in_form_only("Z\u{e9}.JPG", "Ze\u{301}.JPG"));
        assert!(!differ_in_form_only("Z\u{e9}.JPG", "Z\u{e9}.JPG"));
        assert!(!differ_in_form_only("KITE.JPG", "kite.jpg"));
        assert_eq!(
            readable(b"DCIM/KITE\xff\xc3\xa9.JPG"),
            "DCIM/KITE\\xff\u{e9}.JPG"
        );
        assert_eq!(readable(b"A\x1b\xfe"), "A\\u{1b}\\xfe");
    }

    #[test]
    fn paths_that_lead_out_are_refused() {
        for (path, why) in [
            ("", NameError::Empty),
            ("a//b", NameError::Empty),
            ("a/", NameError::Empty),
            ("/etc/passwd", NameError::Absolute),
            ("../x", NameError::Dots),
            ("a/../../x", NameError::Dots),
            ("./a", NameError::Dots),
            ("a\0b", NameError::Nul),
        ] {
            assert_eq!(CardName::parse(path), Err(why), "{path:?}");
        }
        assert_eq!(
            CardName::parse(&"a/".repeat(3_000)),
            Err(NameError::TooLong)
        );
    }

    #[test]
    fn hard_but_legal_names_are_kept() {
        for path in [
            "a b",
            " lead",
            "trail ",
            "x\ny",
            "back\\slash",
            "*star",
            "...",
            "a..b",
            ".hidden",
            "%25",
        ] {
            assert_eq!(
                CardName::parse(path).map(|n| n.as_str().to_owned()),
                Ok(path.to_owned())
            );
        }
    }

    #[test]
    fn twins_fold_together() {
        // Common practice, no source: cameras write upper case, computers write what they like.
        assert_eq!(fold("IMG_0001.JPG"), fold("img_0001.jpg"));
        // Unicode Standard Annex #15: U+00E9 and U+0065 U+0301 are canonically equivalent.
        assert_eq!(fold("caf\u{e9}"), fold("cafe\u{301}"));
        assert_ne!(fold("IMG_0001"), fold("IMG_0002"));
    }

    #[test]
    fn part_names_stay_short_and_recognisable() {
        assert_eq!(part_name("C0001.MP4"), ".C0001.MP4.unlade-part");
        let long = part_name(&"\u{98a8}".repeat(85));
        assert!(long.len() <= 255 && is_part_name(&long), "{long}");
        assert!(!is_part_name("C0001.MP4"));
        let name = CardName::parse("DCIM/100KITES/A.JPG").unwrap();
        assert_eq!(
            name.part_under(Utf8Path::new("/d")),
            "/d/DCIM/100KITES/.A.JPG.unlade-part"
        );
    }

    #[test]
    fn hostile_names_are_shown_harmlessly() {
        assert_eq!(shown("a\u{202e}gpj.exe"), "a\\u{202e}gpj.exe");
        assert_eq!(shown("\u{1b}[31m"), "\\u{1b}[31m");
        assert_eq!(shown("caf\u{e9}"), "caf\u{e9}");
        assert_eq!(excerpt("\u{1b}kite"), "\\u{1b}kite");
        assert_eq!(excerpt(&"\u{e9}".repeat(160)), "\u{e9}".repeat(160));
        let long = excerpt(&"\u{202e}".repeat(1_000_000));
        assert!(
            long.ends_with("\\u{202e}...") && long.len() < 2_000,
            "{long}"
        );
    }

    #[test]
    fn a_word_is_no_sentence_and_json_says_the_same() {
        assert_eq!(word("fuse.kites"), "fuse.kites");
        assert_eq!(word("x\u{1b}[2J PROVEN"), "x\\u{1b}[2J\\u{20}PROVEN");
        let long = word(&"\u{2003}".repeat(10_000));
        assert!(long.ends_with("...") && long.len() < 1_000, "{long}");
        let hostile = "\u{1b}[2J\u{9b}\u{7f}\u{202e}\u{e0041}\u{2028}caf\u{e9}";
        let json = serde_json::to_string(hostile).unwrap();
        let escaped = escaped_in_json(&json);
        assert_eq!(serde_json::from_str::<String>(&escaped).unwrap(), hostile);
        assert_eq!(shown(&escaped), escaped);
    }

    #[test]
    fn some_names_are_told_and_the_rest_is_counted() {
        let some = |names: &[&'static str], noun| {
            some_of(names.iter().copied(), 2, len64(names.len()), noun)
        };
        assert_eq!(some(&[], "file"), "");
        assert_eq!(some(&["A"], "file"), "`A`");
        assert_eq!(some(&["A", "B"], "file"), "`A` and `B`");
        assert_eq!(some(&["A", "B", "C"], "file"), "`A`, `B` and 1 more file");
        assert_eq!(some(&["A", "B", "C", "D"], ""), "`A`, `B` and 2 more");
        assert_eq!(some(&["A\u{202e}"], ""), "`A\\u{202e}`");
    }
}
