//! The page of pictures: thumbnails that a tool of others put into files (`ExifTool`, of pictures
//! by `ImageMagick`), read from a copy; it costs no answer anything, and hostile ones are not
//! shown.
#![expect(
    clippy::disallowed_methods,
    reason = "the pictures are made by programs of others, in the build's own folder"
)]

use super::formats::bagit;
use crate::support::program::{Card, Work, bytes_of, finish, manifest, put, remove, skip, tool};
use std::fs;
use std::path::Path;
use std::process::Command;
use std::sync::OnceLock;

/// A picture with a thumbnail, the same that is to be turned by a quarter, and the thumbnail.
struct Photos {
    plain: Vec<u8>,
    turned: Vec<u8>,
    thumbnail: Vec<u8>,
    /// As the `base64` of coreutils writes it (RFC 4648, 4).
    encoded: String,
}

/// Made once; `None` where the programs are not there.
fn photos() -> Option<&'static Photos> {
    static PHOTOS: OnceLock<Option<Photos>> = OnceLock::new();
    let made = PHOTOS.get_or_init(|| {
        if ["convert", "exiftool"]
            .iter()
            .any(|name| tool(name).is_none())
        {
            skip("pictures with thumbnails need ImageMagick and ExifTool");
            return None;
        }
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pictures");
        fs::create_dir_all(&folder).unwrap();
        let at = |name: &str| folder.join(name).display().to_string();
        let [plain, turned, small] = ["plain.jpg", "turned.jpg", "small.jpg"].map(at);
        let run = |program: &str, args: &[&str]| {
            finish(Command::new(program).args(args)).exits(0);
        };
        let plasma = |size, to| run("convert", &["-size", size, "-seed", "7", "plasma:", to]);
        plasma("320x240", &plain);
        plasma("160x120", &small);
        fs::copy(&plain, &turned).unwrap();
        let thumbnail = format!("-ThumbnailImage<={small}");
        let add = ["-q", "-overwrite_original", &thumbnail];
        run(
            "exiftool",
            &[&add[..], &["-n", "-Orientation=1", &plain]].concat(),
        );
        run(
            "exiftool",
            &[&add[..], &["-n", "-Orientation=6", &turned]].concat(),
        );
        Some(Photos {
            plain: bytes_of(plain.as_ref()),
            turned: bytes_of(turned.as_ref()),
            thumbnail: bytes_of(small.as_ref()),
            encoded: finish(Command::new("base64").args(["-w0", &small])).out,
        })
    });
    made.as_ref()
}

/// The photo without its thumbnail: what of the thumbnail is a JPEG is overwritten.
fn spoilt(photos: &Photos, with: &[u8]) -> Vec<u8> {
    let mut bytes = photos.plain.clone();
    let is_there = |at: &[u8]| at == photos.thumbnail;
    let at = bytes.windows(photos.thumbnail.len()).position(is_there);
    let at = at.unwrap();
    bytes[at..at + with.len()].copy_from_slice(with);
    bytes
}

const PAGE: &str = "_unlade/pictures.html";
const COPY: &str = "copy card --to a --to b --name KITES --copies 1";

fn text(path: &Path) -> String {
    String::from_utf8(bytes_of(path)).unwrap()
}

/// The files whose pictures are on a page.
fn shown_on(page: &str) -> Vec<String> {
    let parts = page.split(" alt=\"Thumbnail of ").skip(1);
    parts
        .map(|part| part.split('"').next().unwrap().to_owned())
        .collect()
}

fn work(name: &str) -> Work {
    let work = Work::new(name);
    for drive in ["a", "b"] {
        work.folder(drive);
    }
    work
}

fn still(n: usize) -> String {
    format!("DCIM/100KITES/KITE{n:04}.JPG")
}

fn is_intact(work: &Work, offloads: &str) {
    work.run(&format!("verify {offloads}"))
        .exits(0)
        .says("INTACT");
}

#[test]
fn the_thumbnails_of_a_card_are_on_a_page_beside_the_report() {
    let Some(photos) = photos() else { return };
    let work = work("pictures");
    Card::new(&work.folder("card"))
        .holding(still(1), &photos.plain)
        .holding(still(2), &photos.turned)
        // Of two files of one picture one is shown.
        .holding("DCIM/100KITES/KITE0002.DNG", b"II*\0\x08\0\0\0\0\0\0\0\0\0")
        .file("DCIM/100KITES/KITE0003.MP4", 9_000, 3)
        .holding(still(4), &photos.plain[..2]);
    let ran = work.run(&format!("{COPY} --pictures"));
    ran.exits(0)
        .says("`_unlade/pictures.html` shows 2 of 3 stills; a thumbnail proves nothing.");
    let page = text(&work.path("a/KITES").join(PAGE));
    assert_eq!(shown_on(&page), [still(1), still(2)]);
    // Byte for byte what ExifTool put there.
    let data = format!("base64,{}\"", photos.encoded);
    assert_eq!(page.matches(&data).count(), 2);
    assert_eq!(page.matches("<img class=\"t6\" ").count(), 1);
    assert_eq!(text(&work.path("b/KITES").join(PAGE)), page);
    is_intact(&work, "a/KITES b/KITES");
    // Again, nothing changes; without the flag there is none.
    work.run(&format!("{COPY} --pictures"))
        .exits(0)
        .says("shows 2 of 3 stills");
    assert!(!work.path("a/KITES/_unlade/earlier-1").exists());
    work.run("copy card --to a --name PLAIN --copies 1")
        .exits(0)
        .is_silent_of("pictures.html");
    assert!(!work.path("a/PLAIN").join(PAGE).exists());
    report_makes_it_again(&work, &page);
}

fn report_makes_it_again(work: &Work, page: &str) {
    let path = work.path("a/KITES").join(PAGE);
    let report = "report a/KITES --pictures";
    work.run(report).exits(0).says("nothing was written");
    remove(&path);
    work.run(report)
        .exits(0)
        .says("pictures.html shows 2 of 3 stills");
    assert_eq!(text(&path), page);
    put(&path, b"mine");
    work.run(report).exits(1).says("It was not touched");
    assert_eq!(text(&path), "mine");
    remove(&path);
    // Elsewhere, both or none.
    let to = "report a/KITES --pictures --to kites.html";
    let ran = work.run(&format!("{to} --json"));
    let events = ran.exits(0).events();
    let paths: Vec<_> = events
        .iter()
        .map(|event| event["path"].as_str().unwrap())
        .collect();
    assert_eq!(paths, ["kites.html", "kites-pictures.html"]);
    assert_eq!(text(&work.path("kites-pictures.html")), page);
    assert!(!path.exists());
    remove(&work.path("kites.html"));
    work.run(to)
        .exits(3)
        .says("`kites-pictures.html` is there already");
    assert!(!work.path("kites.html").exists());
    // A copy that is not what it was says nothing of the others.
    put(
        &work.path("a/KITES").join(still(1)),
        &photos().unwrap().plain[..99],
    );
    work.run(report)
        .exits(0)
        .says("shows 1 of 3 stills")
        .says("1 file could not be read for it.");
}

#[test]
fn at_most_sixty_are_shown_and_they_are_spread_over_the_card() {
    let Some(photos) = photos() else { return };
    let work = work("pictures-many");
    (0..130).fold(Card::new(&work.folder("card")), |card, n| {
        card.holding(still(n), &photos.plain)
    });
    work.run(&format!("{COPY} --pictures"))
        .exits(0)
        .says("shows 60 of 130 stills");
    let page = text(&work.path("b/KITES").join(PAGE));
    let numbers = shown_on(&page)
        .into_iter()
        .map(|path| path[18..22].parse().unwrap());
    let numbers: Vec<usize> = numbers.collect();
    assert_eq!((numbers.len(), numbers[0]), (60, 0));
    assert!(
        numbers
            .windows(2)
            .all(|two| (2..=3).contains(&(two[1] - two[0]))),
        "{numbers:?}"
    );
    assert!(numbers[59] >= 127, "{numbers:?}");
}

#[test]
fn what_is_no_thumbnail_is_left_out_and_told() {
    let Some(photos) = photos() else { return };
    let work = work("pictures-hostile");
    let script = b"\xff\xd8<script>alert(1)</script>";
    let hostile = "DCIM/K\u{202e}GPJ.<b onclick=alert(1)>\"'.JPG";
    Card::new(&work.folder("card"))
        .holding(still(1), &spoilt(photos, script))
        .holding(still(2), &spoilt(photos, &vec![0; photos.thumbnail.len()]))
        .holding(hostile, &photos.plain);
    let ran = work.run(&format!("{COPY} --pictures"));
    ran.exits(0)
        .says("shows 1 of 3 stills")
        .says("2 thumbnails are no whole JPEGs and not here.");
    let page = text(&work.path("a/KITES").join(PAGE));
    assert!(!page.contains("<script") && !page.contains("<b ") && !page.contains('\u{202e}'));
    assert!(page.contains("alt=\"Thumbnail of DCIM/K\\u{202e}GPJ.&lt;b onclick"));
    assert_eq!(page.matches("<img ").count(), 1);
}

#[test]
fn where_there_is_nothing_to_show_there_is_no_page() {
    let work = Work::with_card("pictures-none");
    let ran = work.run(&format!("{COPY} --pictures"));
    ran.exits(0).says("No page of pictures was made: of ");
    assert!(!work.path("a/KITES").join(PAGE).exists());
    let ran = work.run("report a/KITES --pictures");
    ran.exits(0).says("none has a thumbnail to show");
    assert!(!work.path("a/KITES").join(PAGE).exists());
    // What can't work is refused before anything is done.
    work.run("copy card --to c --proof written --pictures")
        .exits(2)
        .says("leave out --proof");
    work.run("report --shoot kites --pictures").exits(2);
    work.run("plan card --to a --to b --name NEXT --pictures")
        .exits(0);
}

#[test]
fn a_bag_stays_one_and_what_is_in_earlier_offloads_is_not_shown_again() {
    let Some(photos) = photos() else { return };
    let work = work("pictures-bag");
    let card = Card::new(&work.folder("card")).holding(still(1), &photos.plain);
    let copy = "copy card --to a --to b --copies 1 --pictures";
    work.run(&format!("{copy} --name BAG --layout bag"))
        .exits(0)
        .says("shows 1 of 1 still;");
    assert!(work.path("a/BAG").join(PAGE).is_file());
    is_intact(&work, "a/BAG");
    if let Some(ran) = bagit(&work.path("a/BAG")) {
        ran.exits(0);
    }
    work.run(&format!("{copy} --name DAY1")).exits(0);
    let card = card.holding(still(2), &photos.turned);
    work.run(&format!("{copy} --name DAY2 --only-new"))
        .exits(0)
        .says("shows 1 of 1 still;");
    let page = text(&work.path("a/DAY2").join(PAGE));
    assert_eq!(shown_on(&page), [still(2)]);
    let ran = work.run(&format!("{copy} --name DAY3 --only-new"));
    ran.exits(0).says("all is in earlier offloads");
    assert!(!work.path("a/DAY3").exists());
    // When the offload goes on, the page of before goes with the manifest of before.
    card.holding(still(3), &photos.plain);
    let before = bytes_of(&work.path("a/DAY1").join(PAGE));
    work.run(&format!("{copy} --name DAY1"))
        .exits(0)
        .says("shows 3 of 3 stills");
    assert_eq!(
        bytes_of(&work.path("a/DAY1/_unlade/earlier-1/pictures.html")),
        before
    );
    is_intact(&work, "a/DAY1 b/DAY1");
}

#[test]
fn a_page_that_can_not_be_written_is_told_once_and_costs_nothing() {
    let Some(photos) = photos() else { return };
    let work = work("pictures-failing");
    Card::new(&work.folder("card")).holding(still(1), &photos.plain);
    work.run(COPY).exits(0);
    let before = manifest(&work.path("a/KITES"));
    work.folder("a/KITES/_unlade/.pictures.html.unlade-part/in the way");
    let ran = work.run(&format!("{COPY} --pictures --json"));
    let verdict = ran.exits(0).verdict();
    assert_eq!(verdict["proven"], true);
    let notes: Vec<_> = verdict["notes"].as_array().unwrap().iter().collect();
    let told = |of: &str| {
        notes
            .iter()
            .filter(|n| n.as_str().unwrap().contains(of))
            .count()
    };
    assert_eq!(
        told("There is no page of pictures on `a`: "),
        1,
        "{notes:?}"
    );
    assert_eq!(
        told("`_unlade/pictures.html` shows 1 of 1 still;"),
        1,
        "{notes:?}"
    );
    assert!(!work.path("a/KITES").join(PAGE).exists());
    assert!(work.path("b/KITES").join(PAGE).is_file());
    assert_eq!(manifest(&work.path("a/KITES")), before);
}
