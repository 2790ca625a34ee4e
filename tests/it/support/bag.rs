//! A second opinion on bags, written from RFC 8493 alone: what makes a bag complete and valid
//! (section 3), over files in memory. Also the mapping between a bag and the plain layout, so that
//! models that know only the card's paths can look at both.

use sha2::{Digest as _, Sha256};
use std::collections::{BTreeMap, BTreeSet};

/// Files by path relative to the bag.
type Files = BTreeMap<String, Vec<u8>>;

/// The tag files beside the records.
pub(crate) const TAGS: [&str; 4] = [
    "bag-info.txt",
    "bagit.txt",
    "manifest-sha256.txt",
    "tagmanifest-sha256.txt",
];

/// Where a path of a bag would be in the plain layout; its tag files count as records.
pub(crate) fn as_plain(path: &str) -> String {
    match path.strip_prefix("data/") {
        Some(rest) => rest.to_owned(),
        // Its tag files, and parts that are to become them.
        None if !path.contains('/') => format!("_unlade/{path}"),
        None => path.to_owned(),
    }
}

/// SHA-256 in lower-case hex.
pub(crate) fn sha256(bytes: &[u8]) -> String {
    let digits: Vec<String> = Sha256::digest(bytes)
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect();
    digits.concat()
}

/// RFC 8493, 2.1.3: `%`, carriage return and line feed are percent-encoded, nothing else is.
fn decoded(text: &str) -> String {
    let text = text.replace("%0D", "\r").replace("%0d", "\r");
    let text = text.replace("%0A", "\n").replace("%0a", "\n");
    text.replace("%25", "%")
}

/// Path and hash of every line of a manifest; `None` for what is no manifest.
pub(crate) fn lines(bytes: &[u8]) -> Option<BTreeMap<String, String>> {
    let text = std::str::from_utf8(bytes).ok()?;
    text.lines()
        .map(|line| {
            let (hex, path) = line.split_once("  ")?;
            Some((decoded(path), hex.to_owned()))
        })
        .collect()
}

/// Everything for which a bag is not complete or not valid.
pub(crate) fn faults(files: &Files) -> Vec<String> {
    let mut faults = Vec::new();
    let declared = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
    if files.get("bagit.txt").is_none_or(|b| b != declared) {
        faults.push("no bagit.txt".to_owned());
    }
    let Some(listed) = files.get("manifest-sha256.txt").and_then(|b| lines(b)) else {
        faults.push("no payload manifest".to_owned());
        return faults;
    };
    let compare = |path: &String, hex: &String| match files.get(path) {
        None => Some(format!("missing {path}")),
        Some(bytes) if sha256(bytes) != *hex => Some(format!("changed {path}")),
        Some(_) => None,
    };
    faults.extend(listed.iter().filter_map(|(path, hex)| compare(path, hex)));
    let payload = files.keys().filter(|p| p.starts_with("data/"));
    let extra = payload.filter(|p| !listed.contains_key(*p));
    faults.extend(extra.map(|p| format!("extra {p}")));
    if let Some(bytes) = files.get("tagmanifest-sha256.txt") {
        match lines(bytes) {
            Some(tags) => faults.extend(tags.iter().filter_map(|(path, hex)| compare(path, hex))),
            None => faults.push("a damaged tag manifest".to_owned()),
        }
    }
    // 2.2.2: bytes and number of the payload's files.
    let info = files
        .get("bag-info.txt")
        .map(|b| String::from_utf8_lossy(b));
    let stands: BTreeSet<&String> = listed.keys().filter(|p| files.contains_key(*p)).collect();
    let bytes: usize = stands.iter().map(|p| files[*p].len()).sum();
    let oxum = format!("Payload-Oxum: {bytes}.{}", stands.len());
    if info.is_some_and(|info| !info.lines().any(|line| line == oxum)) {
        faults.push(format!("bag-info.txt does not say {oxum}"));
    }
    faults
}

#[test]
fn the_second_opinion_sees_what_is_wrong() {
    let files = |pairs: &[(&str, &str)]| -> Files {
        let all = pairs.iter();
        all.map(|(p, b)| ((*p).to_owned(), b.as_bytes().to_vec()))
            .collect()
    };
    let list = format!("{}  data/a%25%0Ab\n", sha256(b"kite"));
    let declared = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
    let tags = format!("{}  bagit.txt\n", sha256(declared.as_bytes()));
    let good = files(&[
        ("bagit.txt", declared),
        ("manifest-sha256.txt", &list),
        ("bag-info.txt", "Payload-Oxum: 4.1\n"),
        ("tagmanifest-sha256.txt", &tags),
        ("data/a%\nb", "kite"),
    ]);
    assert_eq!(faults(&good), [""; 0]);
    for path in good.keys() {
        let mut bad = good.clone();
        bad.insert(path.clone(), b"other".to_vec());
        assert_ne!(faults(&bad), [""; 0], "{path} changed");
        bad.remove(path);
        let optional = ["bag-info.txt", "tagmanifest-sha256.txt"];
        assert_eq!(
            faults(&bad).is_empty(),
            optional.contains(&path.as_str()),
            "{path}"
        );
    }
    let mut bad = good;
    bad.insert("data/extra".to_owned(), Vec::new());
    assert_eq!(faults(&bad), ["extra data/extra"]);
}
