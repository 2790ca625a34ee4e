//! ASC media hash lists that a copy leaves: judged by `xmllint` with the schemas of the ASC
//! (`fixtures/ascmhl`), by a checker of our own that is written from the standard's text alone
//! (`mhl_check.py`), and beside `xxhsum`, `md5sum` and `sha1sum`.

use crate::support::mount::{self, Fault, Kind, Mount, Options};
use crate::support::program::{
    Card, INTACT, Ran, Work, bytes_of, finish, flip, manifest, move_to, names_in, put, remove,
    skip, tool, wait_until, whole_tree,
};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

pub(super) const MHL: &str = "copy card --to a --to b --name KITES --copies 1 --mhl";
const ALL: &str = "c4,md5,sha1,xxh128,xxh3,xxh64";

/// Names that lists, patterns and XML get wrong most easily.
const HARD: [&str; 20] = [
    "a b",
    " lead",
    "trail ",
    "x\ny",
    "x\ry",
    "tab\tin",
    "back\\slash",
    "*star",
    "q?",
    "[a]",
    "!not",
    "#hash",
    "<b>&amp;\"'",
    "]]>",
    "%25",
    "caf\u{e9}",
    "cafe\u{301}",
    "\u{1f3aa}",
    "-dash",
    "~tilde",
];

fn lists(offload: &Path) -> Vec<PathBuf> {
    let folder = offload.join("ascmhl");
    let names = names_in(&folder).into_iter();
    names
        .filter(|name| name.contains("Z.mhl"))
        .map(|name| folder.join(name))
        .collect()
}

/// What the checker of our own says; `None` where a program that it needs is missing.
pub(super) fn checked(offloads: &[PathBuf]) -> Option<Ran> {
    checked_with(&[], offloads)
}

pub(super) fn checked_with(flags: &[&str], offloads: &[PathBuf]) -> Option<Ran> {
    let (Some(python), Some(_)) = (tool("python3"), tool("xxhsum")) else {
        skip("python3 or xxhsum is not installed");
        return None;
    };
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/linux/mhl_check.py");
    let mut check = Command::new(python);
    // Nothing is left beside the script.
    check.arg("-B").arg(script).args(flags).args(offloads);
    Some(finish(&mut check))
}

/// The schemas and the checker find nothing.
#[track_caller]
pub(super) fn is_accepted(offloads: &[PathBuf]) {
    if let Some(ran) = checked(offloads) {
        ran.exits(0);
    }
    let Some(xmllint) = tool("xmllint") else {
        return skip("xmllint is not installed");
    };
    let schemas = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/ascmhl");
    let all = offloads.iter().flat_map(|offload| lists(offload));
    let chains = offloads.iter().map(|o| o.join("ascmhl/ascmhl_chain.xml"));
    for (schema, files) in [
        ("ASCMHL.xsd", all.collect::<Vec<_>>()),
        ("ASCMHLDirectory.xsd", chains.collect()),
    ] {
        let mut lint = Command::new(&xmllint);
        lint.args(["--noout", "--nonet", "--schema"])
            .arg(schemas.join(schema));
        finish(lint.args(files)).exits(0);
    }
}

/// What a generation says of a file: each hash with its action.
fn said(list: &Path, path: &str) -> Vec<String> {
    let text = String::from_utf8(bytes_of(list)).unwrap();
    let from = text.split(&format!(">{path}</path>")).nth(1);
    let rest = from.unwrap_or_else(|| panic!("{path} is not in {text}"));
    let rest = rest.split("</hash>").next().unwrap();
    rest.lines()
        .map(str::trim)
        .filter(|l| !l.is_empty())
        .map(str::to_owned)
        .collect()
}

fn both(work: &Work) -> [PathBuf; 2] {
    [work.path("a/KITES"), work.path("b/KITES")]
}

/// A card with hard names, in folders and as folders, and with what is skipped.
fn hard_card(name: &str) -> Work {
    let work = Work::with_card(name);
    let mut card = Card::new(&work.path("card"));
    for (seed, name) in (50..).zip(HARD) {
        card = card.file(name, 500, seed);
        card = card.file(Path::new("HARD").join(name).join(name), 70, seed + 100);
    }
    card.file("DCIM/._KITE0001.JPG", 9, 1)
        .file(".Trashes/501/old", 9, 2)
        .file(".DS_Store", 9, 3)
        .file("System Volume Information/x", 9, 4)
        .folder("A [*] B/EMPTY");
    work
}

#[test]
fn outside_programs_accept_the_list_of_a_hard_card() {
    let work = hard_card("mhl-hard");
    let ran = work.run(&format!("{MHL} --also {ALL},sha256"));
    ran.exits(0).says("an ASC media hash list in `ascmhl`");
    is_accepted(&both(&work));
    let offload = work.path("a/KITES");
    let m = manifest(&offload);
    assert_eq!(m["version"], 2);
    assert_eq!(m["mhl"]["hashes"].as_array().unwrap().len(), 6);
    let list = String::from_utf8(bytes_of(&lists(&offload)[0])).unwrap();
    for pattern in [
        "/_unlade",
        "._*",
        "/.Trashes",
        "/System\\ Volume\\ Information",
    ] {
        assert!(
            list.contains(&format!("<pattern>{pattern}</pattern>")),
            "{pattern}: {list}"
        );
    }
    work.run("verify a/KITES").exits(0).says(INTACT);
    // Whoever has it without our records checks it with the list alone.
    move_to(&offload.join("_unlade"), &work.path("away"));
    move_to(&offload, &work.folder("other").join("KITES"));
    work.run("verify other/KITES")
        .exits(0)
        .says("ASC media hash list `ascmhl`, 1 generation")
        .says("INTACT");
    flip(&work.path("other/KITES/PRIVATE/CLIPS/C0001.MP4"), 5);
    work.run("verify other/KITES").exits(1).says("1 changed");
}

#[test]
fn its_hashes_are_those_of_other_programs() {
    let work = Work::with_card("mhl-values");
    work.run(&format!("{MHL} --also {ALL}")).exits(0);
    let (offload, clip) = (work.path("a/KITES"), "PRIVATE/CLIPS/C0001.MP4");
    let list = &lists(&offload)[0];
    let lines = said(list, clip);
    assert_eq!(lines.len(), 6, "{lines:?}");
    for (kind, program, form) in [
        ("md5", "md5sum", ""),
        ("sha1", "sha1sum", ""),
        ("xxh128", "xxhsum", "-H2"),
        ("xxh3", "xxhsum", "-H3"),
        ("xxh64", "xxhsum", "-H1"),
    ] {
        let Some(program) = tool(program) else {
            skip(&format!("{program} is not installed"));
            continue;
        };
        let mut command = Command::new(program);
        command.args([form, clip].into_iter().filter(|a| !a.is_empty()));
        let told = finish(command.current_dir(&offload));
        let words = told.exits(0).words();
        let is_hex = |w: &&str| w.len() >= 16 && w.bytes().all(|b| b.is_ascii_hexdigit());
        let hex = words.split_whitespace().find(is_hex).unwrap();
        let line = format!("<{kind} action=\"original\">{hex}</{kind}>");
        assert!(lines.contains(&line), "{line} is not in {lines:?}");
    }
    // C4 is in the manifest too, and has no list of its own.
    let m = manifest(&offload);
    let files = m["files"].as_array().unwrap();
    let file = files.iter().find(|f| f["path"] == clip).unwrap();
    let c4 = file["also"]["c4"].as_str().unwrap();
    assert!(lines[0].contains(c4) && c4.len() == 90, "{lines:?}");
    assert!(!names_in(&offload.join("_unlade")).contains(&"checksums.c4".to_owned()));
    // Alone it makes the manifest one of version 2 as well.
    work.run("copy card --to a --name C4 --copies 1 --also c4")
        .exits(0);
    assert_eq!(manifest(&work.path("a/C4"))["version"], 2);
    work.run("verify a/C4").exits(0).says(INTACT);
}

/// XXH128 where nobody asks for another; else those of `--also` that a list can have.
#[test]
fn its_hashes_are_those_that_were_asked_for() {
    for (also, expected) in [
        ("", "xxh128"),
        ("--also sha256", "xxh128"),
        ("--also sha256,md5", "md5"),
    ] {
        let work = Work::with_card("mhl-kinds");
        work.run(&format!("{MHL} {also}")).exits(0);
        let lines = said(&lists(&work.path("a/KITES"))[0], "PRIVATE/CLIPS/.index");
        assert_eq!(lines.len(), 1, "{lines:?}");
        assert!(
            lines[0].starts_with(&format!("<{expected} action=\"original\">")),
            "{lines:?}"
        );
        is_accepted(&both(&work));
    }
}

/// A list is gone on with: what is new is `original`, what was read back once more `verified`, and
/// a generation that was written stays as it is.
#[test]
fn an_offload_that_goes_on_gets_a_further_generation() {
    let work = Work::with_card("mhl-goes-on");
    // First without: what is there is read back and hashed for the list.
    work.offload();
    work.run(MHL).exits(0);
    is_accepted(&both(&work));
    let offload = work.path("a/KITES");
    let first = bytes_of(&lists(&offload)[0]);
    // Nothing new: nothing is said.
    work.run(MHL).exits(0);
    assert_eq!(lists(&offload).len(), 1);
    Card::new(&work.path("card")).file("DCIM/101KITES/KITE0009.JPG", 999, 90);
    work.run("copy card --to a --to b --name KITES --copies 1")
        .exits(0);
    is_accepted(&both(&work));
    let all = lists(&offload);
    assert_eq!((all.len(), bytes_of(&all[0])), (2, first));
    let action = |path: &str| said(&all[1], path)[0].split('"').nth(1).unwrap().to_owned();
    assert_eq!(action("DCIM/101KITES/KITE0009.JPG"), "original");
    assert_eq!(action("DCIM/100KITES/KITE0001.JPG"), "verified");
    work.run("verify a/KITES").exits(0).says(INTACT);
    // A card from which something was deleted: its folder holds more than is checked now, and has
    // no hash, nor has any above it.
    remove(&work.path("card/DCIM/100KITES/KITE0001.JPG"));
    Card::new(&work.path("card")).file("DCIM/101KITES/KITE0010.JPG", 99, 91);
    work.run(MHL).exits(0);
    let last = String::from_utf8(bytes_of(&lists(&offload)[2])).unwrap();
    let has = |folder: &str| last.contains(&format!("<path>{folder}</path>"));
    assert!(!last.contains("roothash"), "{last}");
    assert!(!has("DCIM/100KITES") && !has("DCIM"), "{last}");
    assert!(has("DCIM/101KITES") && has("PRIVATE"), "{last}");
    is_accepted(&both(&work));
    work.run("verify b/KITES").exits(0).says(INTACT);
}

/// A further copy has a history of its own, and that of the first one is no file of the card.
#[test]
fn a_further_copy_begins_a_list_of_its_own() {
    let work = Work::with_card("mhl-further");
    work.run(MHL).exits(0);
    work.folder("c");
    let ran = work.run("copy a/KITES --to c --copies 1 --mhl");
    ran.exits(0).is_silent_of("its manifest does not name");
    is_accepted(&[work.path("c/KITES")]);
    work.run("copy a/KITES --to a --name SECOND --copies 1")
        .exits(0);
    assert!(!work.path("a/SECOND/ascmhl").exists());
}

/// Only what is in this folder is listed: files that an earlier offload holds are in that one's.
#[test]
fn only_what_is_new_is_listed() {
    let work = Work::with_card("mhl-only-new");
    work.run(MHL).exits(0);
    Card::new(&work.path("card")).file("DCIM/101KITES/KITE0009.JPG", 999, 90);
    let ran = work.run("copy card --to a --to b --name NEXT --copies 1 --only-new --mhl");
    ran.exits(0);
    let next = work.path("a/NEXT");
    let text = String::from_utf8(bytes_of(&lists(&next)[0])).unwrap();
    assert_eq!(text.matches("<hash>").count(), 1, "{text}");
    is_accepted(&[next]);
    work.run("verify a/NEXT").exits(0).says(INTACT);
}

#[test]
fn what_no_list_can_be_made_of_is_refused_before_the_first_byte() {
    let step = "Leave out --mhl";
    let refused = |work: &Work, more: &str, why: &str| {
        let before = whole_tree(&work.path("a"));
        let ran = work.run(&format!("{MHL} {more}"));
        ran.exits(3).says(why).says(step);
        assert_eq!(whole_tree(&work.path("a")), before, "{ran}");
    };
    let work = Work::with_card("mhl-refused");
    refused(&work, "--layout bag", "a bag gets no media hash list");
    refused(&work, "--proof written", "they are not");
    put(&work.path("card/bell\u{7}.jpg"), b"ring");
    refused(&work, "", "a media hash list cannot hold this name");
    remove(&work.path("card/bell\u{7}.jpg"));
    Card::new(&work.path("card")).file("A001/ASCMHL/0001_A001_2026-11-29_100000Z.mhl", 9, 1);
    refused(&work, "", "the card holds a media hash list of its own");
    // Without the flag it is copied as all else, and is no record of ours.
    let ran = work.run("copy card --to a --to b --name KITES --copies 1");
    ran.exits(0);
    work.run("verify a/KITES").exits(0).says(INTACT);
}

/// One that was changed since can't be gone on with, and the copies stay as they are.
#[test]
fn a_damaged_list_is_found_and_not_gone_on_with() {
    let work = Work::with_card("mhl-damaged");
    work.run(MHL).exits(0);
    let offload = work.path("a/KITES");
    let (list, chain) = (
        lists(&offload)[0].clone(),
        offload.join("ascmhl/ascmhl_chain.xml"),
    );
    Card::new(&work.path("card")).file("DCIM/101KITES/KITE0009.JPG", 999, 90);
    let is_bad = |why: &str| {
        work.run("verify a/KITES")
            .exits(1)
            .says("NOT INTACT")
            .says(why);
        let ran = work.run(MHL);
        ran.exits(3)
            .says("the media hash list there can't be gone on with")
            .says(why);
    };
    flip(&list, 400);
    is_bad("it is not what the chain says");
    flip(&list, 400);
    flip(&chain, 60);
    work.run("verify a/KITES").exits(1).says("NOT INTACT");
    flip(&chain, 60);
    move_to(&list, &work.path("away"));
    is_bad("the chain names it, and it is not there");
    move_to(&work.path("away"), &list);
    put(&offload.join("ascmhl/0002_by_hand.mhl"), b"<hashlist/>");
    is_bad("so nobody vouches for it");
    remove(&offload.join("ascmhl/0002_by_hand.mhl"));
    put(&offload.join("ascmhl/notes.txt"), b"kites");
    work.run("verify a/KITES")
        .exits(1)
        .says("1 extra")
        .says("ascmhl/notes.txt");
    remove(&offload.join("ascmhl/notes.txt"));
    work.run("verify a/KITES").exits(0).says(INTACT);
    move_to(&offload.join("ascmhl"), &work.path("away-too"));
    work.run("verify a/KITES")
        .exits(1)
        .says("1 missing")
        .says("ascmhl_chain.xml");
}

// ---- drives that stall, lie or go -------------------------------------------------------------

/// Killed while the list, the chain and the records get their names: the same command ends it, and
/// what was written down stays true.
#[test]
fn killed_while_it_is_written_and_started_again() {
    if mount::skip() {
        return;
    }
    let cases = [
        ("create", "*.mhl.unlade-part"),
        ("rename", "*Z.mhl"),
        ("rename", "*ascmhl_chain.xml"),
        ("rename", "*checksums.b3"),
        ("rename", "*manifest.json"),
    ];
    crate::support::at_once(cases, |(op, path)| {
        let work = Work::with_card("mhl-killed");
        let backing = work.folder("back-a");
        let fault = Fault::new(Kind::Stall { op, ms: 400 }).path(path);
        let options = Options {
            faults: vec![fault],
            ..Options::default()
        };
        let name = format!("Stall:{op}");
        let a = Mount::new(&backing, &work.folder("a"), options).unwrap();
        let mut copy = work.command();
        copy.args(MHL.split(' ')).arg("--separate");
        let mut child = copy
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let fired = |a: &Mount| a.fired(&name) + a.fired("Stall") > 0;
        assert_eq!(
            wait_until(&mut child, || fired(&a)),
            None,
            "{op} {path} was not met"
        );
        child.kill().unwrap();
        child.wait().unwrap();
        let again = work.run(&format!("{MHL} --separate"));
        again.exits(0);
        is_accepted(&both(&work));
        work.run("verify a/KITES b/KITES")
            .exits(0)
            .says("Both offloads are intact");
        let left = whole_tree(&work.path("a/KITES"));
        assert!(
            !left.keys().any(|p| crate::support::program::is_part(p)),
            "{left:?}"
        );
        drop(a);
    });
}

/// A drive that stores another byte of the list than it was given, or none: that drive is not told
/// as good, and the other one has all of it.
#[test]
fn a_drive_that_damages_the_list_is_not_told_as_good() {
    if mount::skip() {
        return;
    }
    let cases = [
        (Kind::BitflipWrite { off: 300, bit: 2 }, "*.mhl.unlade-part"),
        (Kind::DropWrite { off: 100, len: 50 }, "*.mhl.unlade-part"),
        (Kind::BitflipWrite { off: 200, bit: 1 }, "*ascmhl_chain*"),
        (
            Kind::OpError {
                op: "mkdir",
                errno: 5,
            },
            "*ascmhl",
        ),
        (
            Kind::OpError {
                op: "rename",
                errno: 5,
            },
            "*ascmhl_chain*",
        ),
    ];
    crate::support::at_once(cases, |(kind, path)| {
        let work = Work::with_card("mhl-lies");
        let backing = work.folder("back-a");
        let options = Options {
            faults: vec![Fault::new(kind).path(path)],
            ..Options::default()
        };
        let a = Mount::new(&backing, &work.folder("a"), options).unwrap();
        let ran = work.run("copy card --to a --to b --separate --name KITES --copies 2 --mhl");
        ran.exits(1).says("NOT PROVEN").says("ascmhl");
        is_accepted(&[work.path("b/KITES")]);
        assert!(
            !backing.join("KITES/_unlade/manifest.json").exists(),
            "{ran}"
        );
        work.run("verify b/KITES").exits(0).says(INTACT);
        drop(a);
    });
}
