//! Card trees as cameras make them: the whole tree arrives, with empty folders and hidden files,
//! and the manifest counts it. The layouts and their public sources are in `fixtures/cards`.

use crate::support::program::{Card, Node, Work, bytes_of, manifest, names_in, tree};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/cards")
}

/// Returns path and size of every line; a path that ends in `/` is an empty folder.
fn layout(fixture: &str) -> Vec<(String, usize)> {
    let text = String::from_utf8(bytes_of(&fixtures().join(fixture))).unwrap();
    assert!(text.starts_with("# "), "{fixture} names its source first");
    text.lines()
        .filter(|line| !line.starts_with('#') && !line.is_empty())
        .map(|line| {
            let (path, bytes) = line.split_once("  ").unwrap_or((line, "2000"));
            (path.to_owned(), bytes.parse().unwrap())
        })
        .collect()
}

fn make(root: &Path, layout: &[(String, usize)]) {
    let mut card = Card::new(root);
    for (seed, (path, bytes)) in (1..).zip(layout) {
        card = match path.strip_suffix('/') {
            Some(folder) => card.folder(folder),
            None => card.file(path, *bytes, seed),
        };
    }
}

#[cfg_attr(windows, ignore = "Wine reaches no device, so nothing is PROVEN")]
#[test]
fn every_tree_arrives_whole() {
    let fixtures = names_in(&fixtures());
    assert!(fixtures.len() >= 5, "{fixtures:?}");
    for fixture in fixtures {
        let layout = layout(&fixture);
        let work = Work::new("trees");
        let (card, a, b) = (work.path("card"), work.folder("a"), work.folder("b"));
        make(&card, &layout);
        work.run("copy card --to a --to b --name CARD --copies 1")
            .exits(0)
            .says("PROVEN");

        let expected = tree(&card);
        let listed = expected.values().filter(|n| **n != Node::Folder).count();
        let files = layout.iter().filter(|(p, _)| !p.ends_with('/')).count();
        assert_eq!(listed, files, "{fixture}: the card was made as described");
        for (path, _) in &layout {
            assert!(expected.contains_key(Path::new(path)), "{fixture}: {path}");
        }
        assert_eq!(tree(&a.join("CARD")), expected, "{fixture}");
        assert_eq!(tree(&b.join("CARD")), expected, "{fixture}");
        is_counted(&manifest(&a.join("CARD")), &layout, &expected);
    }
}

fn is_counted(
    manifest: &serde_json::Value,
    layout: &[(String, usize)],
    expected: &crate::support::program::Tree,
) {
    let folders: BTreeSet<PathBuf> = expected
        .iter()
        .filter(|(_, node)| **node == Node::Folder)
        .map(|(path, _)| path.clone())
        .collect();
    let recorded: BTreeSet<PathBuf> = manifest["folders"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| PathBuf::from(f.as_str().unwrap()))
        .collect();
    assert_eq!(recorded, folders);
    let files: Vec<&(String, usize)> = layout.iter().filter(|(p, _)| !p.ends_with('/')).collect();
    let bytes: usize = files.iter().map(|(_, bytes)| bytes).sum();
    let totals = serde_json::json!({
        "files": files.len(), "bytes": bytes, "folders": folders.len(), "left_out": 0,
    });
    assert_eq!(manifest["totals"], totals);
}

// ---- DCF names --------------------------------------------------------------------------------

/// The characters that DCF leaves free: `0-9`, `A-Z` and `_` (JEITA CP-3461, CIPA DC-009).
fn is_free(text: &str) -> bool {
    text.bytes()
        .all(|b| b.is_ascii_digit() || b.is_ascii_uppercase() || b == b'_')
}

/// `^[1-9][0-9]{2}[0-9A-Z_]{5}$`; returns the folder's number.
fn dcf_folder(name: &str) -> Option<u32> {
    let (number, free) = name.split_at_checked(3)?;
    let digits = number.bytes().all(|b| b.is_ascii_digit()) && !number.starts_with('0');
    (digits && free.len() == 5 && is_free(free)).then(|| number.parse().ok())?
}

/// `^[0-9A-Z_]{4}(?!0000)[0-9]{4}$` before the first dot; returns the file's number.
fn dcf_file(name: &str) -> Option<u32> {
    let (stem, ending) = name.split_once('.')?;
    let (free, number) = stem.split_at_checked(4)?;
    let digits = number.len() == 4 && number.bytes().all(|b| b.is_ascii_digit());
    let short = (1..=3).contains(&ending.len()) && is_free(ending);
    (digits && number != "0000" && is_free(free) && short).then(|| number.parse().ok())?
}

#[test]
fn dcf_names_by_hand() {
    for (name, number) in [
        ("100KITES", 100),
        ("999_____", 999),
        ("10012345", 100),
        ("101MSDCF", 101),
    ] {
        assert_eq!(dcf_folder(name), Some(number), "{name}");
    }
    for name in [
        "099KITES",
        "100KITE",
        "100KITESS",
        "100kites",
        "1A0KITES",
        "100KIT-S",
        "MISC",
        "100\u{e9}ITE",
    ] {
        assert_eq!(dcf_folder(name), None, "{name}");
    }
    for (name, number) in [
        ("KITE0001.JPG", 1),
        ("_MG_9999.JPG", 9_999),
        ("00000001.JPG", 1),
        ("KITE0010.CRW", 10),
    ] {
        assert_eq!(dcf_file(name), Some(number), "{name}");
    }
    for name in [
        "KITE0000.JPG",
        "KITE001.JPG",
        "KITE00001.JPG",
        "kite0001.JPG",
        "KITE-001.JPG",
        "KITE0001",
        "KITE0001.JPEG",
        "._ITE0001.JPG",
    ] {
        assert_eq!(dcf_file(name), None, "{name}");
    }
}

#[test]
fn the_stills_fixture_follows_dcf() {
    let mut folders: BTreeMap<u32, String> = BTreeMap::new();
    let mut objects: BTreeSet<(u32, u32)> = BTreeSet::new();
    let mut files = 0;
    for (path, _) in layout("dcf-stills.txt") {
        let Some(below) = path.strip_prefix("DCIM/") else {
            continue;
        };
        let (folder, file) = below.split_once('/').unwrap();
        let number = dcf_folder(folder).unwrap_or_else(|| panic!("{folder}"));
        // No two folders share a number.
        let same = folders.entry(number).or_insert_with(|| folder.to_owned());
        assert_eq!(same, folder);
        if !file.is_empty() {
            let object = dcf_file(file).unwrap_or_else(|| panic!("{file}"));
            objects.insert((number, object));
            files += 1;
        }
    }
    // Files of one folder with one number are one object, so there are fewer objects than files;
    // all of them are copied by name.
    assert_eq!((folders.len(), files, objects.len()), (4, 13, 8));
}
