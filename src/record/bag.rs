//! Owns the tag files of an offload in the layout of `BagIt` 1.0 (RFC 8493): their text, and
//! reading them back. The payload lies in `data/`; our records are tag files of the bag. `BagIt`
//! has no way to hold empty folders: they stand on the drive and in our manifest.

use crate::hash_algorithm::{Also, Hasher};
use crate::name::{CardName, NameError, shown};
use crate::record::layout::{BAG_INFO, BAGIT, DATA, InBag, PAYLOAD_MANIFEST, TAG_MANIFEST};
use crate::record::manifest::Manifest;
use crate::record::store::Record;
use crate::units::{count, counted, len64, size};
use std::collections::{HashMap, HashSet};

/// What `bagit.txt` holds, to the byte.
pub const DECLARATION: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";

/// One file of the payload.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Payload {
    /// Path below `data/`.
    pub path: String,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256 in lower-case hex.
    pub sha256: String,
}

/// Returns the payload of one destination as far as this manifest has it, in its order. What else
/// stands there comes on top: [`with_earlier`].
pub fn payload(manifest: &Manifest, destination: usize) -> Vec<Payload> {
    manifest
        .files_on(destination)
        .filter_map(|f| {
            Some(Payload {
                path: f.path.to_string(),
                bytes: f.bytes,
                sha256: f.also.get(Also::Sha256)?.to_owned(),
            })
        })
        .collect()
}

/// Adds what earlier runs left in the bag. What this run has is not taken from them.
pub fn with_earlier<'a>(
    mut payload: Vec<Payload>,
    earlier: impl Iterator<Item = &'a InBag>,
) -> Vec<Payload> {
    let has: HashSet<String> = payload.iter().map(|p| p.path.clone()).collect();
    let others = earlier.filter(|file| !has.contains(&file.path));
    payload.extend(others.map(|file| Payload {
        path: file.path.clone(),
        bytes: file.bytes,
        sha256: file.sha256.clone(),
    }));
    payload
}

/// Returns SHA-256 in lower-case hex.
pub fn sha256(bytes: &[u8]) -> String {
    let mut hasher = Hasher::new(Also::Sha256);
    hasher.update(bytes);
    hasher.finish()
}

/// Writes a path as the RFC asks: `%`, carriage return and line feed are percent-encoded, and only
/// those (2.1.3).
pub fn encode(path: &str) -> String {
    path.replace('%', "%25")
        .replace('\r', "%0D")
        .replace('\n', "%0A")
}

/// Reads such a path.
pub fn decode(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find('%') {
        let (before, from) = rest.split_at(at);
        out.push_str(before);
        let code = from.get(1..3).map(str::to_ascii_uppercase);
        let (c, taken) = match code.as_deref() {
            Some("25") => ('%', 3),
            Some("0D") => ('\r', 3),
            Some("0A") => ('\n', 3),
            _ => ('%', 1),
        };
        out.push(c);
        rest = from.get(taken..).unwrap_or("");
    }
    out.push_str(rest);
    out
}

/// Returns whether a widespread validator (the Python library `bagit` 1.9.0, measured) misreads the
/// name though it is written as the RFC asks: it never decodes `%25`, decodes two line breaks at
/// most, ends a line at every character that Unicode calls a break, and cuts blanks off the end.
pub fn is_often_misread(path: &str) -> bool {
    let breaks = path.matches(['\r', '\n']).count();
    let ends_line = |c| {
        matches!(
            c,
            '\u{b}' | '\u{c}' | '\u{1c}'..='\u{1e}' | '\u{85}' | '\u{2028}' | '\u{2029}'
        )
    };
    let is_blank = |c: char| c.is_whitespace() || matches!(c, '\u{1c}'..='\u{1f}');
    path.contains('%') || breaks > 2 || path.contains(ends_line) || encode(path).ends_with(is_blank)
}

/// Returns the payload manifest.
pub fn payload_manifest(payload: &[Payload]) -> String {
    let line = |file: &Payload| format!("{}  {DATA}/{}\n", file.sha256, encode(&file.path));
    payload.iter().map(line).collect()
}

/// Returns `bag-info.txt`. The bag is whole also where the card was not copied whole, so it says
/// how the card fared.
pub fn bag_info(manifest: &Manifest, payload: &[Payload]) -> String {
    let bytes: u64 = payload.iter().map(|p| p.bytes).sum();
    let offload = &manifest.offload;
    let day = offload.finished.get(..10).unwrap_or(&offload.finished);
    let verdict = if manifest.verdict.proven {
        "PROVEN"
    } else {
        "NOT PROVEN"
    };
    let name = shown(&offload.name);
    format!(
        "Bag-Software-Agent: {} {}\nBagging-Date: {day}\nBag-Size: {}\nExternal-Identifier: \
        {name}\nInternal-Sender-Description: A camera card of {}; {verdict} when it was copied. \
        See _unlade/report.html.\nPayload-Oxum: {bytes}.{}\n",
        shown(&manifest.tool.name),
        shown(&manifest.tool.version),
        size(bytes),
        counted(manifest.totals.files, "file"),
        len64(payload.len())
    )
}

/// Returns all tag files in the order in which they get their names: `bagit.txt`, which makes a
/// folder a bag, is the last. `records` are the other tag files that the tag manifest is to cover.
pub fn tag_files<'a>(
    manifest: &Manifest,
    payload: &[Payload],
    records: impl Iterator<Item = &'a Record<'a>>,
) -> Vec<Record<'static>> {
    let tag = |name: &str, text: String| -> Record<'static> {
        (name.to_owned(), text.into_bytes().into())
    };
    let info = tag(BAG_INFO, bag_info(manifest, payload));
    let listed = tag(PAYLOAD_MANIFEST, payload_manifest(payload));
    let bagit = tag(BAGIT, DECLARATION.to_owned());
    let line = |(path, bytes): &Record<'_>| format!("{}  {}\n", sha256(bytes), encode(path));
    let mut sums: String = [&bagit, &info, &listed].map(line).concat();
    sums.extend(records.map(line));
    let sums = tag(TAG_MANIFEST, sums);
    vec![info, listed, sums, bagit]
}

/// Why a manifest of a bag cannot be relied on. Lines are counted from 1.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum BagError {
    /// It is not text.
    #[error("is not UTF-8: {0}")]
    NotText(#[from] std::str::Utf8Error),
    /// A line is neither hash nor path.
    #[error("line {} is none of a manifest", count(*.0))]
    Line(u64),
    /// A line has a path that is not allowed.
    #[error("line {line} holds {1}", line = count(*.0))]
    Name(u64, #[source] NameError),
    /// A line has a path that came before.
    #[error("line {} names a path again", count(*.0))]
    Twice(u64),
    /// A path outside of the payload.
    #[error("lists `{}`, which is outside of `{DATA}`", shown(.0))]
    Outside(String),
    /// A tag file that no run stores.
    #[error("lists `{}`, which no run stores", shown(.0))]
    Foreign(String),
}

/// Reads a manifest of either kind: path and hash of every line.
///
/// # Errors
/// For a line that is none, a path that leads out of the bag or comes twice.
pub fn read_manifest(bytes: &[u8]) -> Result<HashMap<String, String>, BagError> {
    let text = std::str::from_utf8(bytes)?;
    let mut sums = HashMap::new();
    for (number, line) in (1_u64..).zip(text.split_terminator('\n')) {
        let entry = line
            .split_once("  ")
            .filter(|(hex, _)| Also::Sha256.is_hex(hex));
        let Some((hex, path)) = entry else {
            return Err(BagError::Line(number));
        };
        let path = decode(path);
        if let Err(why) = CardName::parse(&path) {
            return Err(BagError::Name(number, why));
        }
        if sums.insert(path, hex.to_owned()).is_some() {
            return Err(BagError::Twice(number));
        }
    }
    Ok(sums)
}

/// Returns the path below `data/` and the hash of each line of a payload manifest.
///
/// # Errors
/// As [`read_manifest`], and for a path outside of `data/`.
pub fn read_payload(bytes: &[u8]) -> Result<HashMap<String, String>, BagError> {
    let prefix = format!("{DATA}/");
    read_manifest(bytes)?
        .into_iter()
        .map(|(path, hex)| {
            path.strip_prefix(&prefix)
                .map(|p| (p.to_owned(), hex))
                .ok_or(BagError::Outside(path))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8493, 2.1.3: "those characters (and only those) MUST be percent-encoded".
    #[test]
    fn paths_are_encoded_as_the_rfc_says() {
        for (path, written) in [
            ("a b", "a b"),
            ("100%.jpg", "100%25.jpg"),
            ("x\ny", "x%0Ay"),
            ("x\r\ny", "x%0D%0Ay"),
            ("x%0Ay", "x%250Ay"),
            ("back\\slash", "back\\slash"),
            ("%", "%25"),
        ] {
            assert_eq!(encode(path), written);
            assert_eq!(decode(written), path);
        }
        assert_eq!(decode("x%0ay"), "x\ny");
        assert_eq!(decode("50%"), "50%");
        assert_eq!(decode("50%e9%"), "50%e9%");
        assert_eq!(decode("%\u{e9}"), "%\u{e9}");
    }

    #[test]
    fn names_that_others_misread_are_known() {
        for good in [
            "a b",
            " lead",
            "x\ny",
            "x\r\ny",
            "end\r",
            "\u{3000}lead",
            "e\u{301}",
            "back\\",
        ] {
            assert!(!is_often_misread(good), "{good:?}");
        }
        for bad in [
            "100%", "%0A", "trail ", "tab\t", "t\u{a0}", "t\u{1f}", "a\u{85}b", "a\u{b}b", "\n\n\n",
        ] {
            assert!(is_often_misread(bad), "{bad:?}");
        }
    }

    /// RFC 8493, 2.1.3 and 4: a line is the hash, blanks and the path; and what is written is read
    /// back.
    #[test]
    fn a_payload_manifest_is_read_back() {
        let file = |path: &str, content: &[u8]| Payload {
            path: path.into(),
            bytes: len64(content.len()),
            sha256: sha256(content),
        };
        let payload = [
            file("DCIM/a b", b"abc"),
            file("100%", b""),
            file("x\ny", b"1"),
        ];
        let text = payload_manifest(&payload);
        // SHA-256 of "abc": FIPS 180-4, example of NIST.
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(text.lines().next(), Some(&*format!("{abc}  data/DCIM/a b")));
        assert!(text.contains("  data/100%25\n") && text.ends_with("  data/x%0Ay\n"));
        let sums = read_payload(text.as_bytes()).unwrap();
        assert_eq!(sums.len(), 3);
        for file in payload {
            assert_eq!(sums.get(&file.path), Some(&file.sha256));
        }
        assert!(read_payload(b"").unwrap().is_empty());
    }

    #[test]
    fn manifests_are_read_strictly() {
        let hex = sha256(b"");
        for bad in [
            format!("{hex} data/a\n"),
            format!("{}  data/a\n", &hex[1..]),
            format!("{hex}  data/../../a\n"),
            format!("{hex}  /data/a\n"),
            format!("{hex}  data/a\n{hex}  data/a\n"),
            "\n".to_owned(),
        ] {
            assert!(read_manifest(bad.as_bytes()).is_err(), "{bad:?}");
        }
        assert!(read_payload(format!("{hex}  other/a\n").as_bytes()).is_err());
        assert!(read_manifest(b"\xff").is_err());
    }
}
