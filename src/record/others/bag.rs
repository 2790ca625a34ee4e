//! Owns how the bags of others are read: `BagIt` 0.93 to 1.0 (RFC 8493 and the drafts before it):
//! the declaration, lists of the payload and of tag files, `fetch.txt`, the count of the payload.
//! The bags that we write are in [`crate::record::bag`].

use super::claims::Sum;
use super::list::{ListHint, ListLine, line};
use super::refusal::WhyRefused;
use crate::hash_algorithm::checksum::Checksum;
use std::borrow::Cow;

/// What `bagit.txt` says.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Declaration {
    /// The version, as major and minor number.
    pub version: (u32, u32),
    /// In what the tag files are written.
    pub encoding: Encoding,
}

/// In what tag files are written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Encoding {
    /// UTF-8, which US-ASCII is a part of.
    Utf8,
    /// ISO-8859-1.
    Latin1,
    /// UTF-16; big-endian where no mark says otherwise (RFC 2781, 4.3).
    Utf16,
}

/// Versions that are read: those of the drafts, and RFC 8493's.
const VERSIONS: [(u32, u32); 6] = [(0, 93), (0, 94), (0, 95), (0, 96), (0, 97), (1, 0)];

impl Declaration {
    /// Reads `bagit.txt`.
    ///
    /// # Errors
    /// When it is none, or says a version or an encoding that is not known here.
    pub fn parse(bytes: &[u8]) -> Result<Self, WhyRefused> {
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let text = std::str::from_utf8(bytes).map_err(|_not_text| WhyRefused::Declaration)?;
        let fields: Vec<(&str, &str)> = text.lines().filter_map(|l| l.split_once(':')).collect();
        let value = |label: &str| {
            let mut found = fields.iter().filter(|(l, _)| l.trim() == label);
            found.next().map(|(_, value)| value.trim())
        };
        let version = value("BagIt-Version").ok_or(WhyRefused::Declaration)?;
        let encoding = value("Tag-File-Character-Encoding").ok_or(WhyRefused::Declaration)?;
        let number = |text: &str| text.parse::<u32>().ok();
        let numbers = version.split_once('.');
        let numbers = numbers.and_then(|(a, b)| Some((number(a)?, number(b)?)));
        match numbers.filter(|v| VERSIONS.contains(v)) {
            Some(version) => Ok(Self {
                version,
                encoding: Encoding::named(encoding)?,
            }),
            None => Err(WhyRefused::BagVersion(version.to_owned())),
        }
    }
}

impl Encoding {
    fn named(name: &str) -> Result<Self, WhyRefused> {
        match name.to_ascii_uppercase().as_str() {
            "UTF-8" | "UTF8" | "US-ASCII" | "ASCII" => Ok(Self::Utf8),
            "ISO-8859-1" | "ISO8859-1" | "LATIN1" | "LATIN-1" => Ok(Self::Latin1),
            "UTF-16" => Ok(Self::Utf16),
            _ => Err(WhyRefused::Encoding(name.to_owned())),
        }
    }

    /// Returns a tag file as text; `None` when it is none in this encoding.
    pub fn text(self, bytes: &[u8]) -> Option<Cow<'_, str>> {
        match self {
            Self::Utf8 => {
                let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
                std::str::from_utf8(bytes).ok().map(Cow::Borrowed)
            }
            Self::Latin1 => Some(bytes.iter().map(|b| char::from(*b)).collect()),
            Self::Utf16 => {
                let (bytes, is_little) = match bytes {
                    [0xff, 0xfe, rest @ ..] => (rest, true),
                    [0xfe, 0xff, rest @ ..] => (rest, false),
                    _ => (bytes, false),
                };
                let pairs = bytes.chunks(2).map(|pair| match (pair, is_little) {
                    ([a, b], true) => u16::from_le_bytes([*a, *b]),
                    ([a, b], false) => u16::from_be_bytes([*a, *b]),
                    // Half a unit is the half of a pair that nothing follows.
                    _ => 0xd800,
                });
                let text: Result<String, _> = char::decode_utf16(pairs).collect();
                text.ok().map(Cow::Owned)
            }
        }
    }
}

/// What a tag file in the bag's folder is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BagPart<'a> {
    /// A list of the payload, by a hash of this name.
    Payload(&'a str),
    /// A list of tag files.
    Tags(&'a str),
    /// What is to be fetched from elsewhere.
    Fetch,
    /// What is said of the bag.
    Info,
}

impl<'a> BagPart<'a> {
    /// Returns what a name in the bag's folder stands for.
    pub fn of(name: &'a str) -> Option<Self> {
        let hash = |start| name.strip_prefix(start)?.strip_suffix(".txt");
        match name {
            "fetch.txt" => Some(Self::Fetch),
            // Until 0.95 it was called otherwise.
            "bag-info.txt" | "package-info.txt" => Some(Self::Info),
            _ => hash("tagmanifest-")
                .map(Self::Tags)
                .or_else(|| hash("manifest-").map(Self::Payload)),
        }
    }
}

/// A line of a bag's list: the path as written, and its hash where that is of a known kind.
pub type ListedLine<'a> = (&'a str, Option<Sum>);

/// Reads one line of a list of payload or tag files.
///
/// # Errors
/// When it is not a line of such a list.
pub fn listed(text: &str, kind: Option<Checksum>) -> Result<Option<ListedLine<'_>>, WhyRefused> {
    // Neither a comment nor a backslash is anything special here.
    if text.trim().is_empty() {
        return Ok(None);
    }
    let text = text.trim_start();
    if text.starts_with(['\\', '#', ';']) {
        return Err(WhyRefused::BadLine);
    }
    let Some(kind) = kind else {
        let (hash, path) = text.split_once([' ', '\t']).ok_or(WhyRefused::BadLine)?;
        let path = path.trim_start_matches([' ', '\t', '*']);
        let path = path.trim_end_matches('\r');
        let is_line = !path.is_empty() && hash.bytes().all(|b| b.is_ascii_alphanumeric());
        return if is_line {
            Ok(Some((path, None)))
        } else {
            Err(WhyRefused::BadLine)
        };
    };
    let starts_with_hash = text
        .bytes()
        .take(kind.digits())
        .all(|b| b.is_ascii_hexdigit());
    match line(text, ListHint::Kind(kind)) {
        ListLine::Sums(Cow::Borrowed(path), mut sums) if starts_with_hash => {
            let sum = sums.pop().filter(|sum| sum.kinds.as_slice() == [kind]);
            let sum = sum.ok_or(WhyRefused::BadLine)?;
            Ok(Some((path.trim_start(), Some(sum))))
        }
        _ => Err(WhyRefused::BadLine),
    }
}

/// Returns the path that a list means. RFC 8493 (2.1.3) encodes `%`, carriage return and line feed;
/// the drafts before it no `%`.
pub fn decoded(path: &str, version: (u32, u32)) -> String {
    if version >= (1, 0) {
        return crate::record::bag::decode(path);
    }
    let breaks = [("%0A", "\n"), ("%0a", "\n"), ("%0D", "\r"), ("%0d", "\r")];
    let decode = |path: String, (code, c): (&str, &str)| path.replace(code, c);
    breaks.into_iter().fold(path.to_owned(), decode)
}

/// Reads one line of `fetch.txt`: `URL LENGTH PATH`, and returns the path.
///
/// # Errors
/// When it is not such a line.
pub fn to_fetch(text: &str) -> Result<Option<&str>, WhyRefused> {
    let text = text.strip_suffix('\r').unwrap_or(text);
    if text.trim().is_empty() {
        return Ok(None);
    }
    let mut parts = text.trim_start().splitn(2, [' ', '\t']);
    let rest = parts.next().and(parts.next()).map(str::trim_start);
    let (length, path) = rest
        .and_then(|rest| rest.split_once([' ', '\t']))
        .ok_or(WhyRefused::BadLine)?;
    let is_length = length == "-" || length.parse::<u64>().is_ok();
    let path = path.trim_start();
    if !is_length || path.is_empty() {
        return Err(WhyRefused::BadLine);
    }
    Ok(Some(path))
}

/// Returns the payload's bytes and files as `bag-info.txt` counts them; `None` where it does not,
/// and an error where it says something else than two numbers.
pub fn payload_oxum(info: &str) -> Option<Result<(u64, u64), &str>> {
    let fields = info.lines().filter_map(|line| line.split_once(':'));
    let oxum = fields.filter(|(label, _)| label.trim().eq_ignore_ascii_case("Payload-Oxum"));
    let mut oxum = oxum.map(|(_, value)| value.trim());
    let value = oxum.next()?;
    // RFC 8493, 2.2.2: it must not be repeated.
    if let Some(other) = oxum.find(|other| *other != value) {
        return Some(Err(other));
    }
    let numbers = value.split_once('.').and_then(|(bytes, files)| {
        let (bytes, files) = (bytes.parse().ok()?, files.parse().ok()?);
        Some((bytes, files))
    });
    Some(numbers.ok_or(value))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hash_algorithm::Also;

    /// RFC 8493, 2.1.1; the drafts 0.93 to 0.97.
    #[test]
    fn declarations() {
        let of = |version: &str, encoding: &str| {
            let text =
                format!("BagIt-Version: {version}\nTag-File-Character-Encoding: {encoding}\n");
            Declaration::parse(text.as_bytes())
        };
        for version in ["0.93", "0.94", "0.95", "0.96", "0.97", "1.0"] {
            assert!(of(version, "UTF-8").is_ok(), "{version}");
        }
        let latin = of("0.97", "ISO-8859-1").unwrap();
        assert_eq!((latin.version, latin.encoding), ((0, 97), Encoding::Latin1));
        for version in ["0.92", "1.1", "2.0", "1", "", "1.0.0", "-1.0"] {
            let why = WhyRefused::BagVersion(version.to_owned());
            assert_eq!(of(version, "UTF-8"), Err(why));
        }
        let why = Err(WhyRefused::Encoding("Shift_JIS".to_owned()));
        assert_eq!(of("1.0", "Shift_JIS"), why);
        for bad in [
            "",
            "BagIt-Version: 1.0\n",
            "\u{0}",
            "Tag-File-Character-Encoding: UTF-8",
        ] {
            assert_eq!(
                Declaration::parse(bad.as_bytes()),
                Err(WhyRefused::Declaration)
            );
        }
    }

    #[test]
    fn encodings() {
        assert_eq!(Encoding::Latin1.text(b"K\xe4fer").unwrap(), "Käfer");
        assert_eq!(Encoding::Utf8.text(b"K\xe4fer"), None);
        assert_eq!(Encoding::Utf8.text(b"\xef\xbb\xbfa").unwrap(), "a");
        assert_eq!(Encoding::Utf16.text(b"\xff\xfeK\0\xe4\0").unwrap(), "Kä");
        assert_eq!(Encoding::Utf16.text(b"\xfe\xff\0K\0\xe4").unwrap(), "Kä");
        assert_eq!(Encoding::Utf16.text(b"\0K").unwrap(), "K");
        assert_eq!(Encoding::Utf16.text(b"\0K\0"), None);
        assert_eq!(Encoding::Utf16.text(b"\xd8\0\0K"), None);
    }

    /// RFC 8493, 2.1.3, 2.2.1, 2.2.3 and 2.2.2.
    #[test]
    fn lines_of_tag_files() {
        let md5 = Checksum::Also(Also::Md5);
        let hex = "900150983cd24fb0d6963f7d28e17f72";
        let path = |text: &str| listed(text, Some(md5)).map(|line| line.map(|(p, _)| p.to_owned()));
        for text in [
            format!("{hex}  data/a b"),
            format!("{hex} data/a b\r"),
            format!("{hex} *data/a b"),
            format!("{hex}\tdata/a b"),
            format!("{hex}      data/a b"),
        ] {
            assert_eq!(path(&text), Ok(Some("data/a b".to_owned())), "{text:?}");
        }
        assert_eq!(path(" "), Ok(None));
        for bad in [
            "# no",
            "a",
            &format!("\\{hex}  data/a"),
            &format!("{hex}00  data/a"),
        ] {
            assert_eq!(path(bad), Err(WhyRefused::BadLine), "{bad:?}");
        }
        assert_eq!(decoded("data/100%25%0Ax%0d", (1, 0)), "data/100%\nx\r");
        assert_eq!(decoded("data/100%25%0A", (0, 97)), "data/100%25\n");
        assert_eq!(
            to_fetch("https://example.org/a 12 data/a b"),
            Ok(Some("data/a b"))
        );
        assert_eq!(
            to_fetch("https://example.org/a - data/a"),
            Ok(Some("data/a"))
        );
        assert_eq!(to_fetch(""), Ok(None));
        for bad in ["x", "x y", "x y z", "x 12 ", "x -1 a"] {
            assert_eq!(to_fetch(bad), Err(WhyRefused::BadLine), "{bad:?}");
        }
        let info = "Source-Organization: Kites\nPayload-Oxum: 279164409832.1198\n";
        assert_eq!(payload_oxum(info), Some(Ok((279_164_409_832, 1198))));
        assert_eq!(payload_oxum("payload-oxum: many"), Some(Err("many")));
        assert_eq!(payload_oxum("Bag-Size: 1 GB\n"), None);
    }
}
