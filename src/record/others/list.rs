//! Owns the lines of checksum lists: those of GNU coreutils (the manual, "md5sum invocation":
//! plain, binary, escaped and with `--tag`), the tagged form of BSD, those of b3sum and xxhsum, and
//! SFV. What a list holds is known by its name, or by its digits where the name says nothing.

use super::claims::Sum;
use crate::hash_algorithm::Also;
use crate::hash_algorithm::checksum::Checksum;
use crate::record::checksums::unescape;
use smallvec::{SmallVec, smallvec};
use std::borrow::Cow;

/// What the name of a list says of the hashes in it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ListHint {
    /// Nothing.
    None,
    /// They are of this kind.
    Kind(Checksum),
    /// They are those of xxHash.
    Xxh,
}

/// What one line is.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum ListLine<'a> {
    /// Blank, or a comment.
    Nothing,
    /// Hashes of a file, mostly one.
    Sums(Cow<'a, str>, SmallVec<[Sum; 1]>),
    /// A hash of a file by a function that is not known here.
    Unknown(Cow<'a, str>, &'a str),
    /// No line of a list.
    None,
}

/// Endings of lists that do not say which hash they hold.
const ENDINGS: [&str; 7] = [
    "sum",
    "sums",
    "checksum",
    "checksums",
    "hash",
    "sha",
    "sha2",
];
/// Whole names of such lists, without `.txt`.
const NAMES: [&str; 4] = ["checksum", "checksums", "hashes", "sums"];

/// Returns what a file's name says of a checksum list; `None` when it is not the name of one.
pub fn hint(file_name: &str) -> Option<ListHint> {
    let name = file_name.to_ascii_lowercase();
    let name = name.strip_suffix(".txt").unwrap_or(&name);
    let (stem, ending) = name.rsplit_once('.').unwrap_or((name, ""));
    if let Some(kind) = of_word(ending) {
        return Some(kind);
    }
    let whole = name.rsplit(['-', '_', '.']).next().unwrap_or(name);
    let of_sums = ["sums", "sum"].iter().find_map(|s| whole.strip_suffix(s));
    if let Some(kind) = of_sums.and_then(of_word) {
        return Some(kind);
    }
    let is_list = ENDINGS.contains(&ending) || NAMES.contains(&name);
    is_list.then(|| of_word(stem).unwrap_or(ListHint::None))
}

fn of_word(word: &str) -> Option<ListHint> {
    match word {
        "" => None,
        "xxh" | "xxhash" => Some(ListHint::Xxh),
        _ => Checksum::named(word).map(ListHint::Kind),
    }
}

/// Reads one line, without its line feed.
pub fn line(text: &str, hint: ListHint) -> ListLine<'_> {
    let text = text.strip_suffix('\r').unwrap_or(text);
    if text.trim().is_empty() || text.starts_with([';', '#']) {
        return ListLine::Nothing;
    }
    let (rest, is_escaped) = match text.strip_prefix('\\') {
        Some(rest) => (rest, true),
        None => (text, false),
    };
    let is_sfv = hint == ListHint::Kind(Checksum::Crc32);
    let read = tagged(rest)
        .or_else(|| is_sfv.then(|| path_first(rest, hint)).flatten())
        .or_else(|| plain(rest, hint))
        .or_else(|| path_first(rest, hint));
    let Some((path, of)) = read else {
        return ListLine::None;
    };
    let path = if is_escaped {
        let Some(path) = unescape(path) else {
            return ListLine::None;
        };
        Cow::Owned(path)
    } else {
        Cow::Borrowed(path)
    };
    match of {
        Ok(sums) => ListLine::Sums(path, sums),
        Err(name) => ListLine::Unknown(path, name),
    }
}

type Read<'a> = (&'a str, Result<SmallVec<[Sum; 1]>, &'a str>);

fn is_hex(text: &str) -> bool {
    text.len() >= 8 && text.len().is_multiple_of(2) && text.bytes().all(|b| b.is_ascii_hexdigit())
}

fn sum(kinds: SmallVec<[Checksum; 2]>, hex: &str) -> Sum {
    let hex = hex.to_ascii_lowercase().into_boxed_str();
    Sum { kinds, hex }
}

/// `SHA256 (path) = hex`; OpenSSL leaves out two of the blanks.
fn tagged(text: &str) -> Option<Read<'_>> {
    let (name, rest) = text.split_once('(')?;
    let name = name.trim_end_matches(' ');
    let is_name = |c: char| c.is_ascii_alphanumeric() || "-_/".contains(c);
    if name.is_empty() || !name.chars().all(is_name) {
        return None;
    }
    let (path, end) = rest.rsplit_once(')')?;
    let hex = end.trim_start_matches(' ').strip_prefix('=')?.trim();
    if !is_hex(hex) || path.is_empty() {
        return None;
    }
    let kind = Checksum::named(name);
    if kind.is_some_and(|kind| kind.digits() != hex.len()) {
        return None;
    }
    let sums = kind.map(|kind| smallvec![sum(smallvec![kind], hex)]);
    Some((path, sums.ok_or(name)))
}

/// `hex  path`, `hex *path`, `hex path`, and `XXH3_hex  path` of xxhsum.
fn plain(text: &str, hint: ListHint) -> Option<Read<'_>> {
    let (token, path) = text.split_once([' ', '\t'])?;
    let path = path.strip_prefix([' ', '*']).unwrap_or(path);
    let (hex, named) = match token.strip_prefix("XXH3_") {
        Some(hex) => (hex, Some(Checksum::Also(Also::Xxh3))),
        None => (token, None),
    };
    if !is_hex(hex) || path.is_empty() {
        return None;
    }
    let kinds = named.map_or_else(|| kinds(hex.len(), hint), |kind| smallvec![kind]);
    let sum = sum(kinds, hex);
    let is_known = !sum.kinds.is_empty();
    let sums = is_known.then(|| smallvec![sum]);
    Some((path, sums.ok_or("")))
}

/// `path hex`, as SFV has it, and `path  hex  hex`, as `RHash` writes several.
fn path_first(text: &str, hint: ListHint) -> Option<Read<'_>> {
    let (mut path, mut hex) = text.trim_end().rsplit_once([' ', '\t'])?;
    let mut sums = SmallVec::new();
    loop {
        let kinds = kinds(hex.len(), hint);
        if !is_hex(hex) || kinds.is_empty() {
            break;
        }
        sums.push(sum(kinds, hex));
        match path.trim_end_matches(' ').rsplit_once("  ") {
            Some((before, next)) if is_hex(next) => (path, hex) = (before, next),
            _ => break,
        }
    }
    let path = path.trim_end();
    (!sums.is_empty() && !path.is_empty()).then_some((path, Ok(sums)))
}

/// What a hash of so many digits can be, in a list of which the name says this much.
fn kinds(digits: usize, hint: ListHint) -> SmallVec<[Checksum; 2]> {
    let all = Checksum::of_digits(digits);
    match hint {
        ListHint::Kind(Checksum::Blake2b(_)) => match u8::try_from(digits / 2) {
            Ok(bytes @ 1..=64) => smallvec![Checksum::Blake2b(bytes)],
            _ => all,
        },
        ListHint::Kind(kind) if kind.digits() == digits => smallvec![kind],
        ListHint::Xxh => {
            let xxh = [
                Checksum::Xxh32,
                Checksum::Also(Also::Xxh64),
                Checksum::Also(Also::Xxh3),
                Checksum::Also(Also::Xxh128),
            ];
            all.into_iter().filter(|kind| xxh.contains(kind)).collect()
        }
        _ => all,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MD5: &str = "900150983cd24fb0d6963f7d28e17f72";

    fn read(text: &str, name: &str) -> Option<(String, Vec<Checksum>)> {
        match line(text, hint(name).unwrap()) {
            ListLine::Sums(path, sums) => Some((path.into_owned(), sums[0].kinds.to_vec())),
            _ => None,
        }
    }

    #[test]
    fn names_of_lists() {
        let md5 = Some(ListHint::Kind(Checksum::Also(Also::Md5)));
        for name in [
            "MD5SUMS",
            "md5sum.txt",
            "kites.md5",
            "KITES-MD5SUMS",
            "a.b.MD5",
            "md5.sums",
        ] {
            assert_eq!(hint(name), md5, "{name}");
        }
        assert_eq!(hint("checksums.b3"), Some(ListHint::Kind(Checksum::Blake3)));
        assert_eq!(hint("B3SUMS"), Some(ListHint::Kind(Checksum::Blake3)));
        assert_eq!(hint("sums.xxh"), Some(ListHint::Xxh));
        assert_eq!(hint("xxhsum.txt"), Some(ListHint::Xxh));
        for name in ["checksums.txt", "CHECKSUMS", "a.sha", "x.sums"] {
            assert_eq!(hint(name), Some(ListHint::None), "{name}");
        }
        for name in [
            "notes.txt",
            "KITE0001.MP4",
            "sums.jpg",
            "md5",
            "sum",
            "a.txt",
            "consum",
        ] {
            assert_eq!(hint(name), None, "{name}");
        }
    }

    /// The forms of the coreutils manual, "md5sum invocation", of FreeBSD's md5(1), of b3sum's
    /// `what_does_check_do.md`, and of xxhsum.1.
    #[test]
    fn every_form_is_read() {
        let kinds = vec![Checksum::Also(Also::Md5)];
        for text in [
            format!("{MD5}  a b"),
            format!("{MD5} *a b"),
            format!("{MD5} a b"),
            format!("{MD5}\ta b"),
            format!("{}  a b\r", MD5.to_uppercase()),
            format!("MD5 (a b) = {MD5}"),
            format!("MD5(a b)= {MD5}"),
        ] {
            assert_eq!(
                read(&text, "x.md5"),
                Some(("a b".to_owned(), kinds.clone())),
                "{text}"
            );
        }
        let escaped = read(&format!("\\{MD5}  a\\nb\\\\c\\rd"), "x.md5");
        assert_eq!(escaped, Some(("a\nb\\c\rd".to_owned(), kinds.clone())));
        let raw = read(&format!("{MD5}  a\\nb"), "x.md5");
        assert_eq!(raw, Some(("a\\nb".to_owned(), kinds.clone())));
        let nested = read(&format!("MD5 (a) = b (c) = {MD5}"), "sums");
        assert_eq!(nested, Some(("a) = b (c".to_owned(), kinds)));
        let both = read(&format!("{MD5}  a"), "sums").unwrap().1;
        assert_eq!(
            both,
            [Checksum::Also(Also::Md5), Checksum::Also(Also::Xxh128)]
        );
        let xxh = read("XXH3_78af5f94892f3950  a", "x.xxh").unwrap().1;
        assert_eq!(xxh, [Checksum::Also(Also::Xxh3)]);
        let sfv = read("a b   cbf43926", "x.sfv");
        assert_eq!(sfv, Some(("a b".to_owned(), vec![Checksum::Crc32])));
        let three = format!("a b  cbf43926  {MD5}  {MD5}01234567");
        match line(&three, ListHint::None) {
            ListLine::Sums(path, sums) => assert_eq!((&*path, sums.len()), ("a b", 3)),
            other => panic!("{other:?}"),
        }
        let short = read(&format!("{MD5}  a"), "x.b2").unwrap().1;
        assert_eq!(short, [Checksum::Blake2b(16)]);
    }

    #[test]
    fn what_is_no_line() {
        for text in ["", "   ", "# a list", "; a list", "\r"] {
            assert_eq!(line(text, ListHint::None), ListLine::Nothing, "{text:?}");
        }
        for text in ["a", MD5, "a  b", "zz  a", "\\", "MD5 () = 00", "()"] {
            assert_eq!(line(text, ListHint::None), ListLine::None, "{text:?}");
        }
        let text = format!("\\{MD5}  a\\xb");
        assert_eq!(
            line(&text, ListHint::None),
            ListLine::None,
            "a wrong escape"
        );
        let text = format!("RMD160 (a) = {MD5}00000000");
        let unknown = ListLine::Unknown("a".into(), "RMD160");
        assert_eq!(line(&text, ListHint::None), unknown);
        assert_eq!(
            line("0123456789  a", ListHint::None),
            ListLine::Unknown("a".into(), "")
        );
    }
}
