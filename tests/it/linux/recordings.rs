//! Whether what is on a card was recorded whole: hints that never change an answer, and what was
//! shot.

use crate::support::program::{Card, Work, bytes_of, content, manifest, move_to, put};
use serde_json::{Value, json};

/// A box of the ISO base media file format (ISO/IEC 14496-12, 4.2).
fn iso_box(name: &str, content: &[u8]) -> Vec<u8> {
    let size = u32::try_from(8 + content.len()).unwrap();
    [&size.to_be_bytes(), name.as_bytes(), content].concat()
}

/// A movie of 90 s of 25 November 2026, 18:30:05 (ISO/IEC 14496-12, 8.2.2: seconds since 1904).
fn movie(payload: usize, seed: u64) -> Vec<u8> {
    let created = 1_795_631_405_u32.wrapping_add(2_082_844_800);
    let mut header = vec![0; 4];
    for field in [created, created, 1_000, 90_000] {
        header.extend(field.to_be_bytes());
    }
    header.resize(100, 0);
    let moov = iso_box("moov", &iso_box("mvhd", &header));
    let mdat = iso_box("mdat", &content(payload, seed));
    [iso_box("ftyp", b"isom\0\0\0\0isom"), mdat, moov].concat()
}

fn hints(of: &Value) -> Vec<(String, String)> {
    let all = of["hints"].as_array().unwrap().iter();
    let text = |hint: &Value, key: &str| hint[key].as_str().unwrap().to_owned();
    all.map(|hint| (text(hint, "kind"), text(hint, "path")))
        .collect()
}

fn told(kind: &str, path: &str) -> (String, String) {
    (kind.to_owned(), path.to_owned())
}

const CUT: &str = "PRIVATE/CLIPS/C0002.MP4";

/// A card with a whole clip, one that was cut off, and a gap in its stills.
fn card(name: &str) -> Work {
    let work = Work::new(name);
    for folder in ["card/DCIM/100KITES", "card/PRIVATE/CLIPS", "a", "b"] {
        work.folder(folder);
    }
    for number in [411, 412, 414, 415] {
        let still = format!("card/DCIM/100KITES/KITE{number:04}.JPG");
        put(&work.path(&still), &content(3_000, number));
    }
    put(
        &work.path("card/PRIVATE/CLIPS/C0001.MP4"),
        &movie(3_000_000, 1),
    );
    let whole = movie(2_500_000, 2);
    put(&work.path("card").join(CUT), &whole[..1_900_000]);
    work
}

#[test]
fn hints_are_told_apart_from_the_answer_and_stay_in_the_record() {
    let work = card("recordings");
    let copy = "copy card --to a --to b --name KITES --copies 1";
    let ran = work.run_short(copy);
    ran.exits(0)
        .says("2 hints on what was recorded, besides the answer:")
        .says("C0002.MP4 ends too early")
        .says("Play it to its end in the camera before you format the card")
        .says("DCIM/100KITES has no files numbered 0413");
    let lines: Vec<&str> = ran.out.lines().collect();
    let at = |text: &str| lines.iter().position(|line| line.contains(text)).unwrap();
    assert!(at("2 hints") < at("PROVEN"), "{ran}");
    let kept = manifest(&work.path("a/KITES"));
    let expected = [told("cut-off", CUT), told("number-gap", "DCIM/100KITES")];
    assert_eq!(hints(&kept), expected);
    assert_eq!(kept["version"], 2);
    let contents = &kept["contents"];
    assert_eq!(
        contents["types"],
        json!([
            {"ending": "JPG", "kind": "still", "files": 4, "bytes": 12_000},
            {"ending": "MP4", "kind": "clip", "files": 2, "bytes": 4_900_144, "seconds": 90.0},
        ])
    );
    assert_eq!(contents["first"], "2026-11-25T18:30:05.000000000Z");
    assert_eq!(contents["zone"], "unknown");
    assert_eq!(contents["looked_at"], 2);
    assert_eq!(contents.get("cameras"), None);
    // The same command again reads the copies, and sees the same.
    move_to(&work.path("b/KITES"), &work.path("b-before"));
    work.run(copy).exits(0);
    let again = manifest(&work.path("b/KITES"));
    assert_eq!(hints(&again), expected);
    assert_eq!(again["contents"], kept["contents"]);
    // So does a further copy, which reads an offload.
    work.folder("c");
    work.run("copy a/KITES --to c --copies 1").exits(0);
    assert_eq!(hints(&manifest(&work.path("c/KITES"))), expected);
    work.run("verify a/KITES c/KITES").exits(0);
}

#[test]
fn the_page_of_a_shoot_says_what_was_shot_on_all_its_cards() {
    let work = card("recordings-shoot");
    Card::new(&work.folder("card2"))
        .holding("PRIVATE/CLIPS/C0001.MP4", &movie(3_000_000, 5))
        .file("DCIM/100KITES/KITE0001.JPG", 3_000, 6);
    for card in ["card", "card2"] {
        let copy = format!("copy {card} --to a --name {card} --copies 1 --shoot festival");
        work.run(&copy).exits(0);
    }
    // A question later changes nothing of it.
    work.run("prove card --on a --copies 1 --shoot festival")
        .exits(0);
    work.run("report --shoot festival --to festival.html")
        .exits(0);
    let page = String::from_utf8(bytes_of(&work.path("festival.html"))).unwrap();
    for said in [
        "<h2>What was shot</h2>",
        "<dt>Stills</dt><dd>5</dd>",
        "<dt>Clips</dt><dd>3, <span class=\"s\">3 min 00 s</span></dd>",
        "<dt>First</dt><dd><bdi>2026-",
        "times by the cameras' clocks, without a zone.",
    ] {
        assert!(page.contains(said), "{said}: {page}");
    }
    assert!(!page.contains("the ledger has no more"));
}

#[test]
fn programs_get_each_hint_as_an_event_before_the_verdict() {
    let work = card("recording-events");
    let ran = work.run("copy card --to a --name KITES --copies 1 --json");
    ran.exits(0);
    let events = ran.events();
    let of: Vec<&Value> = events.iter().filter(|e| e["event"] == "hint").collect();
    assert_eq!(of.len(), 2, "{ran}");
    assert_eq!(of[0]["path"], CUT);
    let detail = of[0]["detail"].as_str().unwrap();
    assert!(
        detail.contains("`mdat`") && detail.contains("Play it"),
        "{detail}"
    );
    assert_eq!(events.last().unwrap()["event"], "verdict");
}

#[test]
fn what_was_not_read_whole_says_nothing_and_what_was_left_is_not_counted_as_seen() {
    let work = card("recordings-left");
    work.run("copy card --to a --name DAY1 --copies 1").exits(0);
    put(
        &work.path("card/PRIVATE/CLIPS/C0003.MP4"),
        &movie(100_000, 3),
    );
    work.run("copy card --to a --name DAY2 --copies 1 --only-new")
        .exits(0);
    let second = manifest(&work.path("a/DAY2"));
    assert_eq!(second["contents"]["looked_at"], 1);
    assert_eq!(hints(&second), [told("number-gap", "DCIM/100KITES")]);
}

// EXIF (CIPA DC-008): Make is tag 271, Model 272; TIFF 6.0 has the form of the directory.
#[test]
fn cameras_are_named_only_for_those_who_ask() {
    let work = Work::new("recording-cameras");
    for folder in ["card/DCIM/100KITES", "a"] {
        work.folder(folder);
    }
    let mut exif = b"Exif\0\0II*\0\x08\0\0\0\x02\0".to_vec();
    for (tag, at) in [(271_u16, 38_u32), (272, 44)] {
        exif.extend(tag.to_le_bytes());
        exif.extend(2_u16.to_le_bytes());
        exif.extend(6_u32.to_le_bytes());
        exif.extend(at.to_le_bytes());
    }
    exif.extend([0; 4]);
    exif.extend(b"Kites\0K-100\0");
    let length = u16::try_from(exif.len() + 2).unwrap().to_be_bytes();
    let mut still = b"\xff\xd8\xff\xe1".to_vec();
    still.extend(length);
    still.extend(exif);
    still.extend(b"\xff\xda\0\x08\x01\x01\0\0\x3f\0kite\xff\xd9");
    put(&work.path("card/DCIM/100KITES/KITE0001.JPG"), &still);
    work.run("copy card --to a --name PLAIN --copies 1")
        .exits(0);
    let plain = std::fs::read_to_string(work.path("a/PLAIN/_unlade/manifest.json")).unwrap();
    assert!(!plain.contains("K-100"), "{plain}");
    work.run("copy card --to a --name NAMED --copies 1 --camera-names")
        .exits(0);
    let named = manifest(&work.path("a/NAMED"));
    assert_eq!(named["contents"]["cameras"], json!(["Kites K-100"]));
}

#[test]
fn inspect_says_the_same_without_a_copy_and_its_exit_code_tells() {
    let work = card("recording-inspect");
    let ran = work.run("inspect card");
    ran.exits(1)
        .says("Clips 2 files, 4.9 MB, 90.0 s: 2 MP4")
        .says("C0002.MP4 ends too early")
        .says("6 hints. Look into this before you format the card.");
    // Also where the file is in the current folder.
    put(&work.path("C0001.MP4"), &movie(3_000_000, 1));
    work.run("inspect C0001.MP4")
        .exits(0)
        .says("No hints. 1 file looked at");
    work.run("inspect card/PRIVATE/CLIPS/C0001.MP4")
        .exits(0)
        .says("No hints. 1 file looked at; that is no proof that they play.");
    work.run("inspect card/DCIM/100KITES/KITE0411.JPG")
        .exits(1)
        .says("KITE0411.JPG does not begin as files with its ending do.");
    work.run("inspect nothing")
        .exits(3)
        .says("cannot be looked at");
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0);
    let events = work.run("inspect a/KITES --json").exits(1).events();
    let last = events.last().unwrap();
    assert_eq!(last["event"], "inspected");
    assert_eq!((&last["hints"], &last["unread"]), (&json!(6), &json!(0)));
    assert_eq!(last["contents"]["looked_at"], 6);
    assert_eq!(last["exit_code"], 1);
}
