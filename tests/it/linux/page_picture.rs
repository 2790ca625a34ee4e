//! The picture of the page in the README: the first screen of the page of a real copy, as a browser
//! draws it. The picture keeps the hash of the page that it shows, so that one of another page is
//! found out on every machine; a new one is drawn where there is a browser.

use crate::page::made;
use crate::support::mount::{Mount, Options, skip};
use crate::support::program::{Card, Work, bytes_of, finish, manifest, put, tool};
use serde_json::Value;
use std::path::Path;
use std::process::Command;

const PICTURE: &str = "docs/page.png";
/// The kind of chunk for a text with a name, and the name (PNG, third edition, 11.3.3.2).
const CHUNK: &[u8] = b"tEXt";
const NAME: &[u8] = b"Source\0";
/// Bytes before the first chunk, and those of the chunk that comes first (11.2.1): length, kind,
/// header, checksum.
const BEFORE: usize = 8 + 8 + 13 + 4;
const SIZE: &str = "760,850";

/// The page of a copy to two drives, without what no two copies share: paths, times and rates.
fn page(work: &Work) -> String {
    let mounted = ["Attic", "Travel"].map(|name| {
        let back = work.folder(&format!("back-{name}"));
        Mount::new(&back, &work.folder(name), Options::default()).unwrap()
    });
    let mut card = Card::new(&work.path("KITES"));
    for n in 1..=24 {
        card = card.file(format!("DCIM/101KITES/KITE{n:04}.JPG"), 400_000, n);
        card = card.file(format!("DCIM/101KITES/KITE{n:04}.DNG"), 1_300_000, n);
    }
    for n in 1..=3 {
        card = card.file(format!("PRIVATE/CLIPS/C{n:04}.MP4"), 9_000_000, n);
    }
    drop(card);
    let mut copy = work.command();
    copy.args("copy KITES --to Attic --to Travel --name 20261003-KITES --separate -q".split(' '));
    finish(&mut copy).exits(0);
    let mut m = manifest(&work.path("Attic/20261003-KITES"));
    drop(mounted);
    m["version"] = 2.into();
    for (key, value) in [
        ("started", "2026-10-03T18:02:11.000Z"),
        ("finished", "2026-10-03T18:09:31.000Z"),
        ("utc_offset", "+02:00"),
        ("host", "field-laptop"),
    ] {
        m["offload"][key] = value.into();
    }
    m["card"]["path"] = "/media/KITES".into();
    m["proof"].as_object_mut().unwrap().remove("separate");
    m["verdict"]["notes"] = Value::Array(Vec::new());
    for (at, name) in ["Attic", "Travel"].into_iter().enumerate() {
        m["destinations"][at]["path"] = format!("/media/{name}").into();
    }
    for (n, file) in m["files"].as_array_mut().unwrap().iter_mut().enumerate() {
        file["modified"] = format!("2026-10-03T{:02}:{:02}:00Z", 7 + n / 6, n * 7 % 60).into();
    }
    made(&m)
}

/// What of a page is on its first screen, and its style.
fn first_screen(page: &str) -> &str {
    page.split_once("<h2>What this shows").unwrap().0
}

/// CRC-32 as PNG has it (third edition, Annex D), bit by bit.
fn checksum(bytes: &[u8]) -> u32 {
    let step = |crc: u32, _| (crc >> 1) ^ (0xedb8_8320 & 0_u32.wrapping_sub(crc & 1));
    let of_byte = |crc: u32, byte: &u8| (0..8).fold(crc ^ u32::from(*byte), step);
    !bytes.iter().fold(!0, of_byte)
}

/// A chunk with the hash of the page.
fn chunk(page: &str) -> Vec<u8> {
    let hash = blake3::hash(first_screen(page).as_bytes());
    let text = [NAME, hash.to_hex().as_bytes()].concat();
    let body = [CHUNK, &text].concat();
    let length = u32::try_from(text.len()).unwrap().to_be_bytes();
    [&length[..], &body, &checksum(&body).to_be_bytes()].concat()
}

/// Draws a page as a browser does at 760 px.
fn drawn(work: &Work, page: &str) -> Option<Vec<u8>> {
    let browser = tool("chromium")?;
    put(&work.path("page.html"), page.as_bytes());
    let mut command = Command::new(browser);
    command
        .current_dir(work.path(""))
        .env("HOME", work.path("home"));
    command.args([
        "--headless",
        "--no-sandbox",
        "--hide-scrollbars",
        "--disable-gpu",
    ]);
    command.arg(format!("--window-size={SIZE}"));
    command.args(["--screenshot=page.png", "page.html"]);
    assert!(command.output().unwrap().status.success());
    let picture = bytes_of(&work.path("page.png"));
    let (head, rest) = picture.split_at(BEFORE);
    Some([head, &chunk(page), rest].concat())
}

#[test]
fn the_picture_of_the_page_in_the_readme_is_that_of_a_page_made_now() {
    if skip() {
        return;
    }
    // PNG, third edition, 5.3: the checksum of the last chunk of every picture, which is empty.
    assert_eq!(checksum(b"IEND"), 0xae42_6082);
    let work = Work::new("page-picture");
    let page = page(&work);
    for said in [
        "Safe on 2 drives",
        "<bdi>Attic</bdi>",
        "24 DNG, 24 JPG",
        "3 MP4",
    ] {
        assert!(first_screen(&page).contains(said), "{said}: {page}");
    }
    let stored = Path::new(env!("CARGO_MANIFEST_DIR")).join(PICTURE);
    let stored = std::fs::read(stored).unwrap_or_default();
    let kept = stored.get(BEFORE..).unwrap_or_default();
    if !kept.starts_with(&chunk(&page)) {
        let new = Path::new(env!("CARGO_TARGET_TMPDIR")).join("page.png");
        let drawn = drawn(&work, &page).map(|picture| put(&new, &picture));
        let where_ = drawn.map_or("no browser draws it here".to_owned(), |()| {
            new.display().to_string()
        });
        panic!("{PICTURE} is not the page as it is made now; what is: {where_}");
    }
}
