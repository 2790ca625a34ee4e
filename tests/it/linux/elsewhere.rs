//! An offload that another system wrote is read here: separators, case, Unicode spellings, dates.
//! How this one was made stands in `fixtures/offloads/README.md`; the other direction is in `wine`.

use crate::support::program::{Card, Work, bytes_of, flip, manifest};
use std::path::{Path, PathBuf};
use walkdir::WalkDir;

/// Files of the recorded offload by their exact names.
const FILES: [&str; 7] = [
    "DCIM/100KITES/KITE0001.JPG",
    "DCIM/100KITES/KITE0003.TXT",
    "DCIM/100KITES/kite0002.jpg",
    "MISC/.hidden",
    "MISC/caf\u{e9}.txt",
    "MISC/e\u{301}toile.txt",
    "PRIVATE/CLIPS/C0001.MP4",
];

/// Lays a copy of the recorded offload into `a/KITES` and its files, as a card, into `card`.
fn recorded(work: &Work) -> PathBuf {
    let fixture = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/offloads/windows/KITES");
    let (mut offload, mut card) = (
        Card::new(&work.path("a/KITES")),
        Card::new(&work.path("card")),
    );
    for entry in WalkDir::new(&fixture).sort_by_file_name() {
        let entry = entry.unwrap();
        if entry.file_type().is_file() {
            let path = entry.path().strip_prefix(&fixture).unwrap();
            let content = bytes_of(entry.path());
            offload = offload.holding(path, &content);
            if !path.starts_with("_unlade") {
                card = card.holding(path, &content);
            }
        }
    }
    work.path("a/KITES")
}

#[test]
fn an_offload_written_on_windows_is_verified_here() {
    let work = Work::new("elsewhere");
    let offload = recorded(&work);
    let manifest = manifest(&offload);
    assert_eq!(
        manifest["destinations"][0]["path"], "F:\\",
        "written on Windows"
    );
    let files = manifest["files"].as_array().unwrap();
    let paths: Vec<&str> = files.iter().map(|f| f["path"].as_str().unwrap()).collect();
    assert_eq!(paths, FILES, "`/` between parts, names as they are");
    let clip = files.last().unwrap();
    assert_eq!(
        clip["modified"], "2026-10-03T09:30:10.123456700Z",
        "steps of 100 ns"
    );

    // The list is checked by its published form as well, as `b3sum --check` reads it.
    let list = String::from_utf8(bytes_of(&offload.join("_unlade/checksums.b3"))).unwrap();
    let mut listed = 0;
    for line in list.lines() {
        let (hash, path) = line.split_once("  ").unwrap();
        assert!(FILES.contains(&path), "{path}");
        let content = bytes_of(&offload.join(path));
        assert_eq!(blake3::hash(&content).to_hex().as_str(), hash, "{path}");
        listed += 1;
    }
    assert_eq!(listed, FILES.len());

    work.run("verify a/KITES")
        .exits(0)
        .says("7 of 7 files match")
        .says("made by another version of unlade");
    // The card's path is another one here; what it holds is the same.
    work.run("prove card --on a --copies 1 --by-content --reread")
        .exits(0)
        .says("PROVEN");

    flip(&offload.join("MISC/e\u{301}toile.txt"), 5);
    work.run("verify a/KITES")
        .exits(1)
        .says("1 changed")
        .says("toile.txt`: its content differs");
    work.run("prove card --on a --copies 1 --by-content --reread")
        .exits(1);
}
