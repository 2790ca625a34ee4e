//! The picture of the page in the README: the view of a copy that runs, of made-up figures, as a
//! browser draws it. The picture keeps the hash of what it shows, so that one of another page is
//! found out on every machine; a new one is drawn where there is a browser.
#![expect(
    clippy::disallowed_methods,
    reason = "the page is stored for a browser to draw"
)]

use super::{frame, running};
use crate::cli::desk::state::{Asked, CardWork, DeskWork};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use unlade::event::{DestinationSnapshot, Snapshot};
use unlade::speed::chain::Origin;
use unlade::speed::forecast::Remaining;
use unlade::speed::link::{ChainPart, Link, LinkKind};
use unlade::units::MegabytesPerS;

const ROOT: &str = env!("CARGO_MANIFEST_DIR");
const STYLE: &str = include_str!("../assets/desk.css");
const MARK: &str = include_str!("../assets/mark.svg");
/// The kind of chunk for a text with a name, and the name (PNG, third edition, 11.3.3.2).
const CHUNK: &[u8] = b"tEXt";
const NAME: &[u8] = b"Source\0";
/// Bytes before the first chunk, and those of the chunk that comes first (11.2.1): length, kind,
/// header, checksum.
const BEFORE: usize = 8 + 8 + 13 + 4;
const SIZE: &str = "840,800";

/// A copy of a card of 64 GB, two thirds of it done.
fn work() -> DeskWork {
    let drive = |checked| DestinationSnapshot {
        bytes_total: 63_800_000_000,
        bytes_written: 41_600_000_000,
        bytes_read_back: checked,
        ..DestinationSnapshot::default()
    };
    let rates = [
        151.0, 163.0, 166.0, 164.0, 168.0, 167.0, 162.0, 166.0, 169.0, 165.0,
    ];
    let now = Snapshot {
        bytes_total: 63_800_000_000,
        bytes_read: 41_800_000_000,
        live_rate: Some(166e6),
        destinations: vec![drive(41_200_000_000), drive(39_900_000_000)],
        remaining: Some(Remaining {
            low_s: 110.0,
            likely_s: 140.0,
            high_s: 230.0,
        }),
        ceiling_mbps: Some(MegabytesPerS(190.0)),
        links: vec![Link {
            part: ChainPart::Card,
            kind: LinkKind::Label,
            mbps: MegabytesPerS(170.0),
            from: Origin::Label,
        }],
        strip: rates
            .iter()
            .cycle()
            .take(50)
            .map(|rate| rate * 1e6)
            .collect(),
        strip_every_s: 5,
        ..Snapshot::default()
    };
    DeskWork {
        id: 1,
        asked: Asked::default(),
        cancel: Arc::default(),
        cards: vec![CardWork {
            name: "KITES".to_owned(),
            drives: ["Attic", "Travel"].map(str::to_owned).to_vec(),
            now: Some(Box::new(now)),
            ..CardWork::default()
        }],
        all: None,
        heard: Vec::new(),
        exit: None,
    }
}

/// The page as a file, with style and mark beside it.
fn page() -> String {
    let page = frame::live(&running::view(&work()), 0).into_string();
    page.replace("\"/desk.css\"", "\"desk.css\"")
        .replace("\"/mark.svg\"", "\"mark.svg\"")
        .replace("<script src=\"/desk.js\" defer></script>", "")
}

/// CRC-32 as PNG has it (third edition, Annex D), bit by bit.
fn checksum(bytes: &[u8]) -> u32 {
    let step = |crc: u32, _| (crc >> 1) ^ (0xedb8_8320 & 0_u32.wrapping_sub(crc & 1));
    let of_byte = |crc: u32, byte: &u8| (0..8).fold(crc ^ u32::from(*byte), step);
    !bytes.iter().fold(!0, of_byte)
}

/// A chunk with the hash of what is shown.
fn chunk() -> Vec<u8> {
    let shown = [&page(), STYLE, MARK].concat();
    let hash = blake3::hash(shown.as_bytes());
    let text = [NAME, hash.to_hex().as_bytes()].concat();
    let body = [CHUNK, &text].concat();
    let length = u32::try_from(text.len()).unwrap().to_be_bytes();
    [&length[..], &body, &checksum(&body).to_be_bytes()].concat()
}

fn drawn(folder: &Path) -> Option<Vec<u8>> {
    std::fs::create_dir_all(folder).unwrap();
    for (name, text) in [
        ("page.html", &*page()),
        ("desk.css", STYLE),
        ("mark.svg", MARK),
    ] {
        std::fs::write(folder.join(name), text).unwrap();
    }
    let mut browser = Command::new("chromium");
    browser.current_dir(folder).args([
        "--headless",
        "--no-sandbox",
        "--hide-scrollbars",
        "--disable-gpu",
        "--screenshot=page.png",
        "page.html",
    ]);
    browser.arg(format!("--window-size={SIZE}"));
    browser.output().ok().filter(|ran| ran.status.success())?;
    let picture = std::fs::read(folder.join("page.png")).unwrap();
    let (head, rest) = picture.split_at(BEFORE);
    Some([head, &chunk(), rest].concat())
}

#[test]
fn the_picture_in_the_readme_is_that_of_the_page_as_it_is_made_now() {
    // PNG, third edition, 5.3: the checksum of the last chunk of every picture, which is empty.
    assert_eq!(checksum(b"IEND"), 0xae42_6082);
    let stored = std::fs::read(Path::new(ROOT).join("docs/desk.png")).unwrap_or_default();
    let kept = stored.get(BEFORE..).unwrap_or_default();
    if !kept.starts_with(&chunk()) {
        let folder = Path::new(ROOT).join("target/tmp/desk-picture");
        let new = folder.join("desk.png");
        let where_ = drawn(&folder).map_or("no browser draws it here".to_owned(), |picture| {
            std::fs::write(&new, picture).unwrap();
            new.display().to_string()
        });
        panic!("docs/desk.png is not the page as it is made now; what is: {where_}");
    }
}
