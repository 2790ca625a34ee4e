//! The manual pages in `man/` are those that the program writes, and every problem kind and every
//! key of the manifest is in the page of the format.

use crate::support::program::Work;
use std::path::Path;

fn man() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/man"))
}

#[test]
fn committed_pages_are_current() {
    let work = Work::new("pages");
    let made_in = work.folder("man");
    work.run("man man").exits(0);
    let mut names = Vec::new();
    for entry in std::fs::read_dir(&made_in).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        if !name.ends_with(".1") {
            continue;
        }
        let committed = std::fs::read_to_string(man().join(&name)).unwrap_or_default();
        let made = std::fs::read_to_string(entry.path()).unwrap();
        assert!(
            committed == made,
            "man/{name} is not current; run `cargo run -- man man`"
        );
        names.push(name);
    }
    assert!(names.len() >= 6, "{names:?}");
    for entry in std::fs::read_dir(man()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(
            names.contains(&name) || name == "unlade-manifest.5",
            "man/{name} is no page of the program"
        );
    }
}

#[test]
fn the_format_page_names_every_key_and_kind() {
    let page = std::fs::read_to_string(man().join("unlade-manifest.5"))
        .unwrap()
        .replace("\\-", "-");
    for word in [
        "format",
        "version",
        "tool",
        "offload",
        "card",
        "proof",
        "destinations",
        "totals",
        "files",
        "folders",
        "left_out",
        "problems",
        "rates",
        "links",
        "limiting_link",
        "forecast",
        "verdict",
        "listing_b3",
        "volume_id",
        "bytes_total",
        "copies_needed",
        "readback_s",
        "read_s",
        "also",
        "only_zeros",
        "notes",
        "at_start_s",
        "actual_s",
        "every_s",
        "separate",
        "zone",
        "unreadable",
        "vanished",
        "changed-on-card",
        "mismatch",
        "write-failed",
        "no-room",
        "name-not-storable",
        "name-clash",
        "too-large-for-filesystem",
        "same-device",
        "too-few-copies",
        "not-read-back",
        "missing",
        "changed",
        "extra",
        "manifest-damaged",
    ] {
        assert!(page.contains(word), "{word} is not in the page");
    }
}
