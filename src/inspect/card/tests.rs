//! Tests of what is seen of a card's files together.

use super::*;
use std::fmt::Write as _;

const NOW: i64 = 1_795_953_600; // 2026-11-29T12:00:00Z

fn at(seconds: i64) -> Stamp {
    Stamp { seconds, nanos: 0 }
}

/// The hints on these paths, a line each; all files are of one day and of one size.
fn of(paths: &[&str]) -> String {
    let files: Vec<CardFile<'_>> = (paths.iter())
        .map(|path| CardFile {
            path,
            bytes: 1_000,
            recorded: at(NOW - 86_400),
        })
        .collect();
    lines(&files)
}

fn lines(files: &[CardFile<'_>]) -> String {
    let mut text = String::new();
    for hint in card_hints(files, at(NOW)) {
        let kind = hint.clue.kind().id();
        writeln!(text, "{kind}: {} {}", hint.path, hint.seen()).unwrap();
        assert!(!hint.meaning().is_empty() && !hint.next_step().is_empty());
    }
    text
}

/// `DCIM/100KITES/KITE0001.JPG` and so on, of these numbers.
fn stills(folder: &str, numbers: impl IntoIterator<Item = u32>) -> Vec<String> {
    let path = |n: u32| format!("DCIM/{folder}/KITE{n:04}.JPG");
    numbers.into_iter().map(path).collect()
}

fn of_all(paths: &[Vec<String>]) -> String {
    let paths: Vec<&str> = paths.iter().flatten().map(String::as_str).collect();
    of(&paths)
}

// JEITA CP-3461 (DCF): files are numbered from 0001 to 9999 within a folder.
#[test]
fn a_gap_in_a_folder_is_named_once() {
    let found = of_all(&[stills("100KITES", (400..=412).chain(414..=420))]);
    assert_eq!(
        found,
        "number-gap: DCIM/100KITES has no files numbered 0413\n"
    );
    let many = (1..=60).filter(|n| n % 5 != 0);
    assert_eq!(
        of_all(&[stills("100KITES", many)]),
        "number-gap: DCIM/100KITES has no files numbered 0005, 0010, 0015, 0020 and 7 more gaps\n"
    );
    let found = of_all(&[stills("100KITES", (1..=9).chain(20..=30))]);
    assert!(found.ends_with("numbered 0010 to 0019\n"), "{found}");
}

#[test]
fn what_belongs_to_one_picture_or_one_counter_is_no_gap() {
    // A clip between stills has the counter's next number; a raw and its JPEG have one.
    let mut paths = stills("100KITES", (1..=5).chain(7..=9));
    paths.push("DCIM/100KITES/MVI_0006.MP4".to_owned());
    paths.push("DCIM/100KITES/KITE0003.CR3".to_owned());
    paths.push("DCIM/100KITES/_ITE0004.JPG".to_owned());
    assert_eq!(of_all(&[paths]), "");
    // Two counters, far apart or near.
    let mut apart = stills("100KITES", 1..=9);
    apart.extend((300..=305).map(|n| format!("DCIM/100KITES/MVI_{n:04}.MP4")));
    assert_eq!(of_all(&[apart]), "");
    // A counter that was set anew.
    assert_eq!(
        of_all(&[stills("100KITES", (1..=9).chain(5_000..=5_010))]),
        ""
    );
}

#[test]
fn a_counter_that_goes_from_9999_to_1_has_no_gap() {
    let wrapped = (1..=30).chain(9_900..=9_999);
    assert_eq!(of_all(&[stills("100KITES", wrapped)]), "");
    // Also where the hole at its end is small, and a true gap is still seen.
    let nearly_all = (1..=5_000).chain(5_300..=9_999);
    assert_eq!(of_all(&[stills("100KITES", nearly_all)]), "");
    let with_gap = (1..=4).chain(6..=30).chain(9_900..=9_999);
    let found = of_all(&[stills("100KITES", with_gap)]);
    assert_eq!(
        found,
        "number-gap: DCIM/100KITES has no files numbered 0005\n"
    );
}

#[test]
fn between_two_folders_the_counter_goes_on_or_begins_anew() {
    let two = |first: Vec<u32>, second: Vec<u32>| {
        of_all(&[stills("100KITES", first), stills("101KITES", second)])
    };
    assert_eq!(two((1..=999).collect(), (1_000..=1_010).collect()), "");
    assert_eq!(two((1..=999).collect(), (1..=20).collect()), "");
    assert_eq!(two((9_000..=9_999).collect(), (1..=20).collect()), "");
    assert_eq!(
        two((1..=990).collect(), (1_000..=1_010).collect()),
        "number-gap: DCIM/100KITES and 101KITES have no files numbered 0991 to 0999\n"
    );
    assert_eq!(
        two((9_000..=9_990).collect(), (5..=20).collect()),
        "number-gap: DCIM/100KITES and 101KITES have no files numbered 9991 to 0004\n"
    );
    let found = of_all(&[stills("100KITES", 1..=9), stills("103KITES", 10..=19)]);
    assert_eq!(
        found,
        "number-gap: DCIM/100KITES is followed by no folder 101 to 102\n"
    );
    // Another camera's folder.
    let found = of_all(&[stills("100KITES", 1..=9), stills("103MSDCF", 10..=19)]);
    assert_eq!(found, "");
}

// JEITA CP-3461: no two folders with one number; in a folder a number names one object.
#[test]
fn a_number_that_is_there_twice_is_named() {
    let mut paths = stills("100KITES", 1..=9);
    paths.push("DCIM/100KITES/WIND0003.JPG".to_owned());
    assert_eq!(
        of_all(&[paths]),
        "number-twice: DCIM/100KITES/KITE0003.JPG and WIND0003.JPG have one number\n"
    );
    let found = of_all(&[stills("100KITES", 1..=9), stills("100WINDS", 1..=9)]);
    assert_eq!(
        found,
        "number-twice: DCIM/100KITES and 100WINDS have one number\n"
    );
    // Parts of one long clip, from memory.
    let parts = [
        "DCIM/100GOODY/GX010001.MP4",
        "DCIM/100GOODY/GX020001.MP4",
        "DCIM/100GOODY/GX010002.MP4",
    ];
    assert_eq!(of(&parts), "");
}

#[test]
fn clips_have_numbers_of_their_own() {
    let clip = |n: u32| format!("PRIVATE/M4ROOT/CLIP/C{n:04}.MP4");
    let clips: Vec<String> = (1..=9).filter(|n| *n != 4).map(clip).collect();
    assert_eq!(
        of_all(&[clips]),
        "number-gap: PRIVATE/M4ROOT/CLIP has no files numbered 0004\n"
    );
    let stream = |n: u32| format!("PRIVATE/AVCHD/BDMV/STREAM/{n:05}.MTS");
    let clips: Vec<String> = (0..=9).filter(|n| *n != 4).map(stream).collect();
    assert_eq!(
        of_all(&[clips]),
        "number-gap: PRIVATE/AVCHD/BDMV/STREAM has no files numbered 00004\n"
    );
}

#[test]
fn a_part_of_a_clip_that_is_not_there_is_named() {
    let found = of(&["DCIM/100GOODY/GX010001.MP4", "DCIM/100GOODY/GX030001.MP4"]);
    assert_eq!(
        found,
        "part-missing: DCIM/100GOODY/GX030001.MP4 is part 3 of a clip whose part 2 is not there\n"
    );
    let found = of(&[
        "CONTENTS/CLIPS001/AA0012/AA001202.MXF",
        "CONTENTS/CLIPS001/AA0013/AA001301.MXF",
    ]);
    assert_eq!(
        found,
        "part-missing: CONTENTS/CLIPS001/AA0012/AA001202.MXF is part 2 of a clip whose part 1 is \
         not there\n"
    );
}

// Microsoft, FAT32 File System Specification 1.03: a file has at most 2^32 - 1 bytes.
#[test]
fn a_last_clip_as_large_as_a_file_may_be_may_go_on_elsewhere() {
    let full = (1_u64 << 32) - 5_000_000;
    let file = |path, bytes| CardFile {
        path,
        bytes,
        recorded: at(NOW),
    };
    let (first, second) = ("CLIP/C0001.MP4", "CLIP/C0002.MP4");
    let ends = [file(first, full), file(second, full)];
    assert_eq!(
        lines(&ends),
        "part-missing: CLIP/C0002.MP4 is as large as cameras let one file be, and no file follows \
         it\n"
    );
    assert_eq!(lines(&[file(first, full), file(second, 700_000_000)]), "");
    assert_eq!(lines(&[file(first, 3_000_000_000)]), "");
    // Goes on in the next folder.
    let next = [
        file("DCIM/100KITES/KITE0999.MP4", full),
        file("DCIM/101KITES/KITE1000.MP4", 9_000_000),
    ];
    assert_eq!(lines(&next), "");
    // Parts that count by themselves.
    let parts = [
        file("DCIM/100GOODY/GX010001.MP4", full),
        file("DCIM/100GOODY/GX020001.MP4", 9_000_000),
    ];
    assert_eq!(lines(&parts), "");
}

#[test]
fn a_clip_without_what_the_others_have_stands_out() {
    let clips = |without_xml: &[u32], without_clip: &[u32]| {
        let mut paths = Vec::new();
        for n in 1..=12_u32 {
            if !without_clip.contains(&n) {
                paths.push(format!("XDROOT/Clip/KITE{n:04}.MXF"));
            }
            if !without_xml.contains(&n) {
                paths.push(format!("XDROOT/Clip/KITE{n:04}M01.XML"));
            }
            paths.push(format!("XDROOT/Sub/KITE{n:04}S01.MXF"));
        }
        of_all(&[paths])
    };
    assert_eq!(clips(&[], &[]), "");
    assert_eq!(
        clips(&[7], &[]),
        "sidecar-missing: XDROOT/Clip/KITE0007.MXF has no XML file beside it; 11 other clips of \
         this folder have one\n"
    );
    // Most have none: that is how this camera is.
    assert_eq!(clips(&[1, 2, 3, 4, 5, 6], &[]), "");
    // What is left of a clip says that it was there.
    let found = clips(&[], &[12]);
    assert_eq!(
        found,
        "part-missing: XDROOT/Clip/KITE0012M01.XML belongs to a clip KITE0012 that is not there\n\
         part-missing: XDROOT/Sub/KITE0012S01.MXF belongs to a clip KITE0012 that is not there\n"
    );
}

#[test]
fn folders_that_number_anew_share_no_sidecars() {
    let mut paths = Vec::new();
    for n in 1..=9 {
        paths.push(format!("DCIM/100KITES/KITE{n:04}.MP4"));
        paths.push(format!("DCIM/101KITES/KITE{n:04}.JPG"));
    }
    assert_eq!(of_all(&[paths]), "");
    let mut paths = Vec::new();
    for n in 0..=9 {
        paths.push(format!("PRIVATE/AVCHD/BDMV/STREAM/{n:05}.MTS"));
        if n != 3 {
            paths.push(format!("PRIVATE/AVCHD/BDMV/CLIPINF/{n:05}.CPI"));
        }
    }
    let found = of_all(&[paths]);
    assert!(
        found.starts_with("sidecar-missing: PRIVATE/AVCHD/BDMV/STREAM/00003.MTS has no CPI file"),
        "{found}"
    );
}

// The epochs of POSIX (IEEE Std 1003.1, 4.19) and of FAT (Microsoft, MS-DOS date: from 1980).
#[test]
fn clocks_that_were_not_set_and_times_far_away_are_named_once() {
    let paths = stills("100KITES", 1..=60);
    let dated = |date: &dyn Fn(i64) -> i64| {
        let files: Vec<CardFile<'_>> = (paths.iter().zip(1_i64..))
            .map(|(path, n)| CardFile {
                path,
                bytes: 1,
                recorded: at(date(n)),
            })
            .collect();
        lines(&files)
    };
    let usual = |n: i64| NOW - 100_000 + n * 60;
    assert_eq!(dated(&usual), "");
    assert_eq!(
        dated(&|n| if n < 4 { 315_532_800 + n } else { usual(n) }),
        "odd-time: DCIM/100KITES/KITE0001.JPG is dated 1980-01-01; so are 2 more files\n"
    );
    assert_eq!(
        dated(&|n| if n == 9 { NOW + 40 * 86_400 } else { usual(n) }),
        "odd-time: DCIM/100KITES/KITE0009.JPG is dated 2027-01-08, in the future\n"
    );
    assert_eq!(
        dated(&|n| if n < 3 {
            usual(n) - 200 * 86_400
        } else {
            usual(n)
        }),
        "odd-time: DCIM/100KITES/KITE0001.JPG is dated 2026-05-12, 200 days from all the others; \
         so is 1 more file\n"
    );
    // A card that was used for half a year is nothing odd.
    assert_eq!(dated(&|n| NOW - n * 3 * 86_400), "");
    // Another zone is not the future.
    assert_eq!(dated(&|n| NOW + 14 * 3_600 + n), "");
}

/// Some cameras give each clip a folder of its own. Were each file held against each folder, this
/// would be nine million of them.
#[test]
fn a_folder_for_each_clip_costs_no_more_than_its_files() {
    let files = |n: u32| {
        let folder = format!("CONTENTS/CLIPS001/KI{n:04}");
        ["MXF", "XML", "CIF"].map(|ending| format!("{folder}/KI{n:04}01.{ending}"))
    };
    let paths: Vec<String> = (1..=3_000).flat_map(files).collect();
    let paths: Vec<&str> = paths.iter().map(String::as_str).collect();
    let entries: Vec<CardFile<'_>> = (paths.iter())
        .map(|path| CardFile {
            path,
            bytes: 1,
            recorded: at(NOW),
        })
        .collect();
    let places: Vec<CardPlace<'_>> = entries.iter().map(CardPlace::of).collect();
    assert_eq!(sidecars::pairs(&places), 6_000);
    assert_eq!(lines(&entries), "");
}

#[test]
fn names_that_nobody_foresaw_cost_nothing() {
    let odd = [
        "",
        ".",
        "..",
        "/",
        "//",
        "DCIM/",
        "DCIM/100KITES/",
        "DCIM/100KITES/.JPG",
        "a.MP4",
        "DCIM/100KÏTES/KITE0001.JPG",
        "0000.MP4",
        "99999.MP4",
        "é0001.MP4",
        "M01.MP4",
        "1M01.MP4",
        "\u{202e}0001.JPG",
        "CLIP/ÄÖ010001.MP4",
    ];
    assert_eq!(of(&odd), "");
}

#[test]
fn more_than_can_be_told_one_by_one_are_counted() {
    let twice = (1..=130).map(|n| {
        let folder = 100 + n;
        stills(&format!("{folder}KITES"), [1, 3])
    });
    let found = of_all(&twice.collect::<Vec<_>>());
    assert_eq!(found.lines().count(), HINTS_MAX + 1);
    let last = found.lines().last().unwrap();
    assert_eq!(
        last,
        "number-gap: DCIM/201KITES is the first of 30 more hints of this kind and others, not \
         named one by one"
    );
}
