//! The written policy for hard names and odd files (`docs/odd-files.md`), where other tests leave
//! it open: the longest names, twins in two normal forms, protected files, and nothing raw on any
//! screen.

use crate::support::mount::{Mount, Options, skip};
use crate::support::program::{
    Card, Ran, Work, bytes_of, content, hash, is_part, manifest, names_in, no_wrong_bytes, put,
    tree, whole_tree,
};
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
use std::path::Path;

const COPY: &str = "copy card --to a --to b --name KITES --copies 1";

fn work(name: &str) -> Work {
    let work = Work::new(name);
    work.folder("a");
    work.folder("b");
    work
}

/// 255 bytes is the limit of a name on ext4 and most others (`NAME_MAX`, limits.h); the part file
/// of such a name has to be called otherwise, and no two of them alike.
#[test]
fn the_longest_names_are_copied() {
    let work = work("longest");
    let ascii = "K".repeat(255);
    let twin = format!("{}L", "K".repeat(254));
    let kana = "\u{98a8}".repeat(85);
    let folder = "F".repeat(255);
    let mut card = Card::new(&work.path("card"));
    for (seed, name) in (1..).zip([&ascii, &twin, &kana, &"x".repeat(242), &"y".repeat(241)]) {
        card = card.file(Path::new(&folder).join(name), 3_000, seed).file(
            Path::new("DCIM").join(name),
            3_000_000,
            seed + 100,
        );
    }
    work.run(COPY).exits(0).says("10 files");
    for drive in ["a/KITES", "b/KITES"] {
        assert_eq!(tree(&work.path(drive)), tree(&work.path("card")));
    }
    work.run("verify a/KITES b/KITES").exits(0);
    work.run("prove card --on a --on b --copies 1 --reread")
        .exits(0);
}

/// Longer than a record holds: told, not passed over, and it blocks.
#[test]
fn a_path_that_is_too_long_is_told() {
    let work = work("too-long");
    let room = 4_090 - work.path("card").as_os_str().len();
    let mut deep = "d".repeat(250);
    while deep.len() + 251 < room - 20 {
        deep = format!("{deep}/{}", "d".repeat(250));
    }
    deep.push('/');
    deep.push_str(&"e".repeat((room - 2 - deep.len()).min(250)));
    assert!(deep.len() > 4_000, "{}", deep.len());
    Card::new(&work.path("card"))
        .file("DCIM/KITE0001.JPG", 500, 1)
        .file(&deep, 500, 2);
    let ran = work.run(COPY);
    assert_ne!(ran.code, 0, "{ran}");
    ran.is_silent_of("You may format").says("4,0");
}

/// Unicode Standard Annex #15: one accent, two spellings. Both are kept where a drive keeps both,
/// and on one that folds them neither is lost nor replaced.
#[test]
fn twins_in_two_normal_forms_are_two_files() {
    let work = work("forms");
    Card::new(&work.path("card"))
        .file("DCIM/caf\u{e9}.JPG", 1_000, 1)
        .file("DCIM/cafe\u{301}.JPG", 1_000, 2)
        .file("DCIM/\u{1112}\u{1161}\u{11ab}.JPG", 1_000, 3)
        .file("DCIM/\u{d55c}.JPG", 1_000, 4);
    work.run(COPY).exits(0);
    assert_eq!(names_in(&work.path("a/KITES/DCIM")).len(), 4);
    assert_eq!(tree(&work.path("a/KITES")), tree(&work.path("card")));
    let bytes = bytes_of(&work.path("b/KITES/DCIM/cafe\u{301}.JPG"));
    assert_eq!(bytes, content(1_000, 2));
}

/// Case twins in folders too: the second never lands in the first one's place.
#[test]
fn folders_that_are_one_on_a_drive_are_told_not_merged() {
    if skip() {
        return;
    }
    let work = Work::new("twin-folders");
    Card::new(&work.folder("card"))
        .file("DCIM/100KITES/KITE0001.JPG", 1_000, 1)
        .file("dcim/100kites/kite0001.jpg", 1_000, 2)
        .file("dcim/100kites/KITE0002.JPG", 1_000, 3);
    let folding = Options {
        nocase: true,
        ..Options::default()
    };
    let backing = work.folder("back-a");
    let a = Mount::new(&backing, &work.folder("a"), folding).unwrap();
    let ran = work.run("copy card --to a --name KITES --copies 1");
    assert_ne!(ran.code, 0, "{ran}");
    ran.says("name-clash").is_silent_of("You may format");
    let held = tree(&backing.join("KITES"));
    let files = held.iter().filter(|(path, _)| !is_part(path));
    for (path, node) in files {
        let card = tree(&work.path("card"));
        let same = card
            .iter()
            .any(|(p, n)| n == node && p.as_os_str().eq_ignore_ascii_case(path));
        assert!(same, "{}", path.display());
    }
    drop(a);
}

/// The lock of a file in the camera is a read-only mark on the card. The copy is as complete, the
/// card as locked as before, and no lock keeps a later run from going on.
#[test]
fn protected_files_and_folders_are_copied_and_stay_protected_on_the_card() {
    let work = work("protected");
    let card = work.path("card");
    Card::new(&card)
        .file("DCIM/100KITES/KITE0001.JPG", 40_000, 1)
        .file("DCIM/100KITES/KITE0002.JPG", 9_000_000, 2);
    let mode = |path: &str, mode| {
        let mode = std::fs::Permissions::from_mode(mode);
        std::fs::set_permissions(card.join(path), mode).unwrap();
    };
    mode("DCIM/100KITES/KITE0001.JPG", 0o444);
    mode("DCIM/100KITES/KITE0002.JPG", 0o400);
    mode("DCIM/100KITES", 0o555);
    work.run(COPY).exits(0);
    assert_eq!(tree(&work.path("a/KITES")), tree(&card));
    for (path, kept) in [
        ("DCIM/100KITES/KITE0001.JPG", 0o444),
        ("DCIM/100KITES", 0o555),
    ] {
        let now = std::fs::metadata(card.join(path)).unwrap().mode();
        assert_eq!(now & 0o777, kept, "{path}");
    }
    mode("DCIM/100KITES", 0o755);
    Card::new(&card).file("DCIM/100KITES/KITE0003.JPG", 500, 3);
    mode("DCIM/100KITES", 0o555);
    work.run(COPY).exits(0);
    work.run("verify a/KITES").exits(0).says("3 of 3 files");
    mode("DCIM/100KITES", 0o755);
}

/// A hole reads as zeros, and a copy of it is as long and as equal; a second name is a second file.
#[test]
fn holes_and_second_names_are_whole_files() {
    let work = work("holes");
    let card = work.path("card");
    Card::new(&card).file("DCIM/KITE0001.JPG", 70_000, 1);
    let file = std::fs::File::create_new(card.join("HOLE.MP4")).unwrap();
    std::os::unix::fs::FileExt::write_all_at(&file, &content(5_000, 2), 70_000_001).unwrap();
    file.set_len(90_000_000).unwrap();
    drop(file);
    std::fs::hard_link(card.join("DCIM/KITE0001.JPG"), card.join("SECOND.JPG")).unwrap();
    work.run(COPY).exits(0).says("3 files");
    for drive in ["a/KITES", "b/KITES"] {
        assert_eq!(
            hash(&work.path(drive).join("HOLE.MP4")),
            hash(&card.join("HOLE.MP4"))
        );
        assert_eq!(tree(&work.path(drive)), tree(&card));
        let second = std::fs::metadata(work.path(drive).join("SECOND.JPG")).unwrap();
        assert_eq!(second.nlink(), 1, "a file of its own");
    }
    let m = manifest(&work.path("a/KITES"));
    assert_eq!(m["totals"]["bytes"], 90_140_000);
}

#[track_caller]
fn is_harmless(ran: &Ran) {
    let bad = |c: char| {
        (c.is_control() && c != '\n')
            || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    assert!(!ran.out.contains(bad) && !ran.err.contains(bad), "{ran:?}");
    assert!(!ran.err.contains("panicked"), "{ran}");
}

/// Whatever is named in a way that would colour a line, move a cursor or turn the writing
/// direction (card, drive, offload, shoot, file, what stands in the way) is shown harmlessly by
/// every command.
#[test]
fn no_command_shows_a_name_raw() {
    const BAD: &str = "\u{1b}[31m\u{202e}\u{7}\r";
    let work = Work::new("raw");
    let (card, drive) = (format!("card{BAD}"), format!("drive{BAD}"));
    work.folder(&drive);
    Card::new(&work.path(&card)).file(format!("DCIM/KITE{BAD}.JPG"), 900, 1);
    let run = |arguments: &[&str]| work.run_with(arguments);
    let (name, other) = ("K\u{202e}", format!("{drive}/none{BAD}"));
    let offload = format!("{drive}/{name}");
    let copy = [
        "copy", &card, "--to", &drive, "--copies", "1", "--name", name,
    ];
    run(&copy).exits(0);
    let shoot = format!("kites{BAD}");
    let labels = format!("A{BAD},B{BAD}");
    put(&work.path(&format!("{drive}/FILE")), b"in the way");
    put(
        &work.path(&offload).join(format!("DCIM/extra{BAD}")),
        b"extra",
    );
    let commands: [&[&str]; 20] = [
        &copy,
        &["copy", &card, "--to", &drive, "--name", "FILE"],
        &["copy", &card, "--to", &drive, "--name", &format!("K{BAD}")],
        &["copy", &card, "--to", &other],
        &["copy", &other, "--to", &drive],
        &["copy", &card, &card, "--to", &drive],
        &["copy", &card, "--to", &card],
        &[
            "copy", &card, "--to", &drive, "--shoot", &shoot, "--expect", "3",
        ],
        &[
            "copy",
            &card,
            "--to",
            &drive,
            "--shoot",
            "S",
            "--expect-labels",
            &labels,
        ],
        &["plan", &card, "--to", &drive],
        &["plan", &card, "--to", &other],
        &["prove", &card, "--on", &drive],
        &["prove", &card, "--on", &drive, "--reread"],
        &["prove", &card, "--on", &other],
        &["prove", &other, "--on", &drive],
        &["verify", &offload],
        &["verify", &other],
        &["ledger"],
        &["man", &other],
        &["demo", "--keep", &drive],
    ];
    for arguments in commands {
        is_harmless(&run(arguments));
    }
    let manifest = work.path(&offload).join("_unlade/manifest.json");
    let text = String::from_utf8(bytes_of(&manifest)).unwrap();
    put(
        &manifest,
        text.replace("\"version\"", "\"\\u001b[31m\"").as_bytes(),
    );
    is_harmless(&run(&["verify", &offload]));
    is_harmless(&run(&copy));
    let page = bytes_of(&work.path(&offload).join("_unlade/report.html"));
    let page = String::from_utf8(page).unwrap();
    assert!(
        !page.contains(['\u{1b}', '\u{202e}', '\u{7}', '\r']),
        "{page}"
    );
    no_wrong_bytes(
        &whole_tree(&work.path(&card)),
        &tree(&work.path(&offload))
            .into_iter()
            .filter(|(p, _)| !p.to_string_lossy().contains("extra"))
            .collect(),
        "after all of it",
    );
}
