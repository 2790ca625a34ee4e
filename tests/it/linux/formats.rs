//! What others can read, judged by programs of others: the checksum lists by GNU coreutils, xxhsum
//! (Cyan4973/xxHash) and b3sum (BLAKE3-team/BLAKE3).

use crate::support::program::{
    Card, Ran, Work, bytes_of, checkers, finish, flip, manifest, names_in, put, remove, skip,
    store_manifest, tool, tree,
};
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;

/// Every further hash, and the program that checks its list.
const LISTS: [(&str, &str, &[&str]); 7] = [
    ("md5", "md5sum", &["--strict", "-c"]),
    ("sha1", "sha1sum", &["--strict", "-c"]),
    ("sha256", "sha256sum", &["--strict", "-c"]),
    ("sha512", "sha512sum", &["--strict", "-c"]),
    ("xxh128", "xxhsum", &["--strict", "-c"]),
    ("xxh3", "xxhsum", &["--strict", "-c"]),
    ("xxh64", "xxhsum", &["--strict", "-c"]),
];
const ALL: &str = "xxh64,xxh3,xxh128,sha512,sha256,sha1,md5";
const COPY: &str = "copy card --to a --to b --name KITES --copies 1";

/// Names that lists of checksums get wrong most easily. `-` and `stdin` are standard input to some
/// of the programs when they stand alone.
const HARD: [&str; 24] = [
    "a b",
    " lead",
    "trail ",
    "x\ny",
    "x\ry",
    "end\r",
    "back\\slash",
    "\\n",
    "ends\\",
    "*star",
    "(p) = 0",
    "a) = b",
    "#hash",
    "%25",
    "%0A",
    "caf\u{e9}",
    "cafe\u{301}",
    "a  b",
    "-dash",
    "-",
    "stdin",
    "tab\tin",
    "bad\u{fffd}name",
    "quote\"'",
];

fn hard_card(name: &str) -> Work {
    let work = Work::with_card(name);
    let mut card = Card::new(&work.path("card"));
    for (seed, name) in (50..).zip(HARD) {
        card = card.file(name, 500, seed);
        card = card.file(Path::new("HARD").join(name), 700, seed + 100);
    }
    work
}

/// Runs an outside program in a folder, or says loudly that it is missing.
fn outside(program: &str, arguments: &[&str], folder: &Path) -> Option<Ran> {
    let Some(path) = tool(program) else {
        skip(&format!("{program} is not installed, or too old"));
        return None;
    };
    let mut command = Command::new(path);
    command.args(arguments).current_dir(folder);
    Some(finish(command.env("LC_ALL", "C")))
}

fn check(list: (&str, &str, &[&str]), offload: &Path) -> Option<Ran> {
    let (also, program, arguments) = list;
    let file = format!("_unlade/checksums.{also}");
    let arguments: Vec<&str> = arguments.iter().copied().chain([&*file]).collect();
    outside(program, &arguments, offload)
}

/// Every list is accepted unaltered by the program of its form; every file is in it, but for the
/// names that the form cannot hold, which are told; and a flipped bit is noticed.
#[test]
fn other_programs_accept_every_list() {
    let work = hard_card("lists");
    let ran = work.run(&format!("{COPY} --also {ALL}"));
    ran.exits(0);
    let offload = work.path("a/KITES");
    let files = manifest(&offload)["files"].as_array().unwrap().len();
    assert_eq!(files, 7 + 2 * HARD.len());
    let b3 = ("b3", "b3sum", &["--check"][..]);
    let mut checked = Vec::new();
    for list in LISTS.into_iter().chain([b3]) {
        let (also, program, _) = list;
        // b3sum: U+FFFD in both folders, and `-` in the root; xxhsum: the line feed in both
        // folders, and `stdin` in the root; coreutils: `-` in the root.
        let unheld = if matches!(program, "b3sum" | "xxhsum") {
            3
        } else {
            1
        };
        ran.says(&format!("checksums.{also} cannot hold"));
        let Some(accepted) = check(list, &offload) else {
            continue;
        };
        let good = accepted.exits(0).out.matches(": OK\n").count();
        assert_eq!(good, files - unheld, "{also}: {accepted}");
        checked.push(list);
    }
    flip(&offload.join("HARD/back\\slash"), 250);
    for list in checked {
        let refused = check(list, &offload).unwrap();
        assert_eq!(
            refused.exits(1).out.matches(": FAILED").count(),
            1,
            "{refused}"
        );
    }
    work.run("verify a/KITES").exits(1).says("1 changed");
    work.run("verify b/KITES").exits(0);
}

/// The same hashes that the outside computes stand in the manifest, in lower-case hex.
#[test]
fn the_manifest_holds_what_other_programs_compute() {
    let work = Work::with_card("also");
    work.run(&format!("{COPY} --also {ALL}")).exits(0);
    let offload = work.path("a/KITES");
    let m = manifest(&offload);
    let clip = "PRIVATE/CLIPS/C0001.MP4";
    let files = m["files"].as_array().unwrap();
    let file = files.iter().find(|f| f["path"] == clip).unwrap();
    let keys: Vec<&String> = file["also"].as_object().unwrap().keys().collect();
    assert_eq!(keys, LISTS.map(|(also, ..)| also));
    for (also, program, form) in [
        ("md5", "md5sum", ""),
        ("sha1", "sha1sum", ""),
        ("sha256", "sha256sum", ""),
        ("sha512", "sha512sum", ""),
        ("xxh64", "xxhsum", "-H1"),
        ("xxh128", "xxhsum", "-H2"),
    ] {
        let arguments: Vec<&str> = [form, clip].into_iter().filter(|a| !a.is_empty()).collect();
        let Some(told) = outside(program, &arguments, &work.path("card")) else {
            continue;
        };
        let hex = told.exits(0).out.split_whitespace().next().unwrap();
        assert_eq!(file["also"][also], hex, "{also}");
    }
    // Whatever was not asked for is not there.
    let plain = Work::with_card("no-also");
    let offload = plain.offload();
    assert_eq!(manifest(&offload)["files"][0]["also"], json!({}));
    let lists = names_in(&offload.join("_unlade"));
    assert!(
        lists
            .iter()
            .all(|n| n == "checksums.b3" || !n.starts_with("checksums"))
    );
}

#[test]
fn unknown_and_repeated_hashes_are_a_wrong_command_line() {
    let work = Work::with_card("also-usage");
    for bad in ["blake2", "sha256,SHA512", "", "sha256,,md5", "md5,sha1,md5"] {
        for command in ["copy", "plan"] {
            let ran = work.run_with([command, "card", "--to", "a", "--name", "K", "--also", bad]);
            ran.exits(2);
            for (also, ..) in LISTS {
                ran.says(also);
            }
        }
    }
    assert!(names_in(&work.path("a")).is_empty());
}

fn lines_of(list: &Path) -> usize {
    String::from_utf8(bytes_of(list)).unwrap().lines().count()
}

fn also_of(offload: &Path) -> Vec<Value> {
    let m = manifest(offload);
    let files = m["files"].as_array().unwrap();
    files.iter().map(|f| f["also"].clone()).collect()
}

/// Files that an earlier run proved without a hash are read again for it, and not copied again;
/// those that have it are kept with it.
#[test]
fn hashes_that_an_earlier_run_did_not_make_are_made_up_for() {
    let work = Work::with_card("also-later");
    work.offload();
    let ran = work.run(&format!("{COPY} --also sha256"));
    ran.exits(0).says("proved without all of these hashes");
    ran.says("nothing to copy").says("PROVEN");
    let offload = work.path("a/KITES");
    assert_eq!(tree(&offload), tree(&work.path("card")));
    assert_eq!(lines_of(&offload.join("_unlade/checksums.sha256")), 7);
    let also = also_of(&offload);
    assert!(
        also.iter().all(|a| a.as_object().unwrap().len() == 1),
        "{also:?}"
    );

    // The same again reads nothing.
    let again = work.run(&format!("{COPY} --also sha256"));
    again
        .exits(0)
        .says("nothing had to be copied from the card");

    // Without the flag, and with a new file: the list stays whole, and the kept are not read.
    Card::new(&work.path("card")).file("DCIM/102KITES/KITE0009.JPG", 50_000, 90);
    let ran = work.run(COPY);
    ran.exits(0)
        .says("7 files already copied")
        .says("BLAKE3, and sha256");
    let also = also_of(&offload);
    assert_eq!(also.len(), 8);
    assert!(also.iter().all(|a| a["sha256"].is_string()), "{also:?}");
    if let Some(checked) = check(LISTS[2], &offload) {
        assert_eq!(checked.exits(0).out.matches(": OK").count(), 8);
    }
    // The list of the run before went aside with its manifest.
    let earlier = names_in(&offload.join("_unlade/earlier-2"));
    assert!(
        earlier.contains(&"checksums.sha256".to_owned()),
        "{earlier:?}"
    );
    work.run("verify a/KITES b/KITES").exits(0);
}

/// The destinations of a manifest as a journal names them.
fn identities(m: &Value) -> Vec<Value> {
    let all = m["destinations"].as_array().unwrap().iter();
    all.map(|d| {
        let device = d["device"].as_str().unwrap();
        let volume_id = device.split_once(" volume ").map(|(_, id)| id);
        json!({"path": d["path"], "filesystem": d["filesystem"], "volume_id": volume_id,
            "total_bytes": 0})
    })
    .collect()
}

/// A run that was cut off: its journal carries the hashes into the next run's manifest.
#[test]
fn the_journal_carries_the_hashes() {
    let work = Work::with_card("also-journal");
    work.run(&format!("{COPY} --also md5,xxh3")).exits(0);
    let before = also_of(&work.path("a/KITES"));
    for drive in ["a", "b"] {
        let offload = work.path(drive).join("KITES");
        let m = manifest(&offload);
        let mut journal = format!(
            "{}\n",
            json!({"journal": "unlade-journal", "version": 1, "offload": "KITES",
                "started": m["offload"]["started"], "card_path": m["card"]["path"],
                "card_volume_id": m["card"]["volume_id"], "listing_b3": m["card"]["listing_b3"],
                "destinations": identities(&m)})
        );
        for f in m["files"].as_array().unwrap() {
            let line = json!({"path": f["path"], "bytes": f["bytes"], "modified": f["modified"],
                "blake3": f["blake3"], "also": f["also"], "way": m["destinations"][0]["readback"],
                "read_s": 0.0, "readback_s": 0.0});
            journal.push_str(&format!("{line}\n"));
        }
        let records = offload.join("_unlade");
        for name in names_in(&records) {
            remove(&records.join(name));
        }
        put(&records.join("journal.jsonl"), journal.as_bytes());
    }
    let ran = work.run(COPY);
    ran.exits(0)
        .says("7 files already copied")
        .says("nothing had to be");
    assert_eq!(also_of(&work.path("a/KITES")), before);
    assert_eq!(also_of(&work.path("b/KITES")), before);
    for also in ["md5", "xxh3"] {
        let list = work
            .path("b/KITES/_unlade")
            .join(format!("checksums.{also}"));
        assert_eq!(lines_of(&list), 7);
    }
}

/// A further hash that does not fit the bytes, and a list that lost a line or changed one, are
/// told.
#[test]
fn verify_checks_further_hashes_and_lists() {
    let work = Work::with_card("also-verify");
    work.run(&format!("{COPY} --also md5,sha256")).exits(0);
    work.run("verify a/KITES b/KITES").exits(0);

    let list = work.path("a/KITES/_unlade/checksums.md5");
    let text = String::from_utf8(bytes_of(&list)).unwrap();
    let changed = "changed `_unlade/checksums.md5`: does not say what the manifest says";
    let (first, rest) = text.split_once('\n').unwrap();
    for bad in [
        rest.to_owned(),
        format!("{text}{first}\n"),
        text.replace("  DCIM", "  dcim"),
    ] {
        put(&list, bad.as_bytes());
        work.run("verify a/KITES").exits(1).says(changed);
    }
    remove(&list);
    work.run("verify a/KITES")
        .exits(1)
        .says("missing `_unlade/checksums.md5`");
    put(&list, text.as_bytes());
    work.run("verify a/KITES").exits(0);

    let offload = work.path("b/KITES");
    let bytes = String::from_utf8(bytes_of(&offload.join("_unlade/manifest.json"))).unwrap();
    let mut m: Value = serde_json::from_str(&bytes).unwrap();
    let good = m["files"][0]["also"]["md5"].as_str().unwrap().to_owned();
    let other = m["files"][1]["also"]["md5"].as_str().unwrap().to_owned();
    m["files"][0]["also"]["md5"] = json!(other);
    store_manifest(&offload, m.to_string().as_bytes());
    let ran = work.run("verify b/KITES");
    ran.exits(1).says("its md5 is not: the manifest is damaged");

    for bad in [good.to_uppercase(), good[1..].to_owned(), String::new()] {
        m["files"][0]["also"]["md5"] = json!(bad);
        store_manifest(&offload, m.to_string().as_bytes());
        work.run("verify b/KITES")
            .exits(3)
            .says("32 lower-case hex digits");
    }
    let twice = format!("{{\"md5\":\"{good}\",\"md5\":\"{good}\"");
    let bytes = bytes.replacen(&format!("{{\"md5\":\"{good}\""), &twice, 1);
    store_manifest(&offload, bytes.as_bytes());
    work.run("verify b/KITES").exits(3).says("`md5` twice");
}

// ---- bags -------------------------------------------------------------------------------------

const BAG: &str = "copy card --to a --to b --name KITES --copies 1 --layout bag";
const TAGS: [&str; 4] = [
    "bag-info.txt",
    "bagit.txt",
    "manifest-sha256.txt",
    "tagmanifest-sha256.txt",
];

/// The Python library `bagit` of the Library of Congress judges a bag (RFC 8493).
pub(super) fn bagit(bag: &Path) -> Option<Ran> {
    let Some(python) = checkers() else {
        skip("the Python library `bagit` is not installed; .ci/run does it");
        return None;
    };
    let mut command = Command::new(python);
    Some(finish(command.args(["-m", "bagit", "--validate"]).arg(bag)))
}

fn is_valid(bag: &Path) {
    if let Some(judged) = bagit(bag) {
        judged.exits(0).says("is valid");
    }
}

#[track_caller]
fn is_invalid(bag: &Path, why: &str) {
    if let Some(judged) = bagit(bag) {
        judged.exits(1).says(why);
    }
}

#[test]
fn an_offload_can_be_a_valid_bag() {
    let work = Work::with_card("bag");
    let ran = work.run(&format!("{BAG} --also md5"));
    ran.exits(0)
        .says("PROVEN")
        .says("a bag (BagIt 1.0, RFC 8493)");
    for drive in ["a", "b"] {
        let bag = work.path(drive).join("KITES");
        is_valid(&bag);
        // The card's tree with its empty folder, which a bag cannot list and our manifest does.
        assert_eq!(tree(&bag.join("data")), tree(&work.path("card")));
        let mut expected = vec!["_unlade", "bag-info.txt", "bagit.txt", "data"];
        expected.extend(&TAGS[2..]);
        assert_eq!(names_in(&bag), expected);
        // Every other list can be checked from the bag's folder, too.
        for list in [LISTS[0], LISTS[2], ("b3", "b3sum", &["--check"][..])] {
            if let Some(checked) = check(list, &bag) {
                assert_eq!(checked.exits(0).out.matches(": OK\n").count(), 7);
            }
        }
        if let Some(checked) = outside(
            "sha256sum",
            &["--strict", "-c", "tagmanifest-sha256.txt"],
            &bag,
        ) {
            let covered = ["bagit.txt", "_unlade/manifest.json", "manifest-sha256.txt"];
            for file in covered {
                checked.exits(0).says(&format!("{file}: OK"));
            }
        }
    }
    let bag = work.path("a/KITES");
    let info = String::from_utf8(bytes_of(&bag.join("bag-info.txt"))).unwrap();
    let m = manifest(&bag);
    let oxum = format!("\nPayload-Oxum: {}.7\n", m["totals"]["bytes"]);
    assert!(info.contains(&oxum), "{info}");
    assert_eq!(m["offload"]["layout"], "bag");
    assert_eq!(m["files"][0]["path"], "DCIM/100KITES/KITE0001.JPG");
    work.run("verify a/KITES b/KITES")
        .exits(0)
        .says("7 of 7 files");
    work.run("prove card --on a --on b --copies 1").exits(0);
    work.run("prove card --on a --copies 1 --reread").exits(0);
    work.run("prove card --on a --copies 1 --by-content")
        .exits(0);
}

/// What the outside rejects, `verify` tells as well.
#[test]
fn a_changed_bag_is_rejected() {
    let work = Work::with_card("bag-changed");
    work.run(BAG).exits(0);
    let bag = work.path("a/KITES");
    let clip = bag.join("data/PRIVATE/CLIPS/C0001.MP4");
    flip(&clip, 1_234_567);
    is_invalid(&bag, "C0001.MP4");
    work.run("verify a/KITES")
        .exits(1)
        .says("changed `data/PRIVATE/CLIPS/C0001.MP4`");
    flip(&clip, 1_234_567);
    is_valid(&bag);

    let extra = bag.join("data/DCIM/NEW.JPG");
    put(&extra, b"new");
    is_invalid(&bag, "found 8 files");
    work.run("verify a/KITES")
        .exits(1)
        .says("extra `data/DCIM/NEW.JPG`");
    remove(&extra);

    let beside = bag.join("notes.doc");
    put(&beside, b"new");
    work.run("verify a/KITES")
        .exits(1)
        .says("extra `notes.doc`");
    remove(&beside);

    for name in TAGS {
        let path = bag.join(name);
        let good = bytes_of(&path);
        flip(&path, 3);
        let told = work.run("verify a/KITES");
        assert_eq!(told.code, 1, "{name}: {told}");
        // A hash that does not fit speaks against either of the two.
        told.says(name).says("1 changed");
        let without_first = good
            .split_inclusive(|b| *b == b'\n')
            .skip(1)
            .collect::<Vec<_>>();
        put(&path, &without_first.concat());
        work.run("verify a/KITES")
            .exits(1)
            .says(&format!("changed `{name}`"));
        remove(&path);
        work.run("verify a/KITES")
            .exits(1)
            .says(&format!("missing `{name}`"));
        put(&path, &good);
    }
    let record = bag.join("_unlade/report.html");
    flip(&record, 100);
    is_invalid(&bag, "report.html");
    work.run("verify a/KITES")
        .exits(1)
        .says("changed `_unlade/report.html`");
    flip(&record, 100);
    is_valid(&bag);

    remove(&clip);
    is_invalid(&bag, "found 6 files");
    work.run("verify a/KITES")
        .exits(1)
        .says("missing `data/PRIVATE/CLIPS/C0001.MP4`");
    work.run("verify b/KITES").exits(0);
}

/// Resuming a bag: what is there is kept, what is missing comes back, and files that left the card
/// stay listed, so that the bag is valid after every run.
#[test]
fn a_bag_stays_valid_over_runs() {
    let work = Work::with_card("bag-runs");
    work.run(BAG).exits(0);
    let bag = work.path("a/KITES");
    let again = work.run(BAG);
    again
        .exits(0)
        .says("nothing had to be copied from the card");
    is_valid(&bag);

    // Something is lost on a drive, one file leaves the card, one comes; the layout is known.
    remove(&bag.join("data/DCIM/100KITES/KITE0001.JPG"));
    remove(&work.path("card/DCIM/100KITES/KITE0002.JPG"));
    Card::new(&work.path("card")).file("DCIM/102KITES/KITE0009.JPG", 50_000, 90);
    let ran = work.run(COPY);
    ran.exits(0)
        .says("5 files already copied")
        .says("2 files to copy");
    for drive in ["a", "b"] {
        let bag = work.path(drive).join("KITES");
        is_valid(&bag);
        let info = String::from_utf8(bytes_of(&bag.join("bag-info.txt"))).unwrap();
        assert!(info.contains(".8\n"), "8 files of the payload: {info}");
        let aside = names_in(&bag.join("_unlade/earlier-1"));
        assert!(
            TAGS.iter().all(|t| aside.contains(&(*t).to_owned())),
            "{aside:?}"
        );
    }
    work.run("verify a/KITES b/KITES")
        .exits(0)
        .says("8 of 8 files");

    // Once more: the file that left two runs ago is still listed.
    Card::new(&work.path("card")).file("DCIM/102KITES/KITE0010.JPG", 50_000, 91);
    work.run(BAG).exits(0);
    is_valid(&bag);
    work.run("verify a/KITES b/KITES")
        .exits(0)
        .says("9 of 9 files");

    // What no record knows is not vouched for, and told.
    put(&bag.join("data/STRANGER.JPG"), b"who?");
    Card::new(&work.path("card")).file("DCIM/102KITES/KITE0011.JPG", 50_000, 92);
    work.run(BAG)
        .exits(0)
        .says("1 entry in `data` that no manifest names");
    is_invalid(&bag, "found 11 files");
    is_valid(&work.path("b/KITES"));
}

#[test]
fn a_layout_is_kept_or_refused() {
    let work = Work::with_card("bag-layout");
    work.offload();
    let ran = work.run(BAG);
    ran.exits(3)
        .says("begun in the layout `plain` and cannot go on as `bag`");
    work.run("copy card --to a --to b --name BAG --copies 1 --layout bag")
        .exits(0);
    let ran = work.run("copy card --to a --to b --name BAG --copies 1 --layout plain");
    ran.exits(3)
        .says("begun in the layout `bag` and cannot go on as `plain`");
    // A third drive joins: it gets the layout of the others.
    work.folder("c");
    work.run("copy card --to a --to b --to c --name BAG --copies 1")
        .exits(0);
    is_valid(&work.path("c/BAG"));
    work.run("copy card --to a --name X --layout box")
        .exits(2)
        .says("plain")
        .says("bag");
    // A card's own files that are called like tag files are payload, in both layouts.
    let own = Work::with_card("bag-own-names");
    let mut card = Card::new(&own.path("card"));
    for (seed, name) in (70..).zip(TAGS) {
        card = card.file(name, 90, seed);
    }
    drop(card.file("data/data.txt", 90, 80));
    own.run(COPY).exits(0);
    Card::new(&own.path("card")).file("NEW.JPG", 90, 81);
    own.run(COPY).exits(0);
    assert_eq!(tree(&own.path("a/KITES")), tree(&own.path("card")));
    own.run("copy card --to a --to b --name BAG --copies 1 --layout bag")
        .exits(0);
    is_valid(&own.path("a/BAG"));
    assert_eq!(tree(&own.path("a/BAG/data")), tree(&own.path("card")));
    own.run("verify a/KITES b/KITES a/BAG b/BAG").exits(0);
    // What stands there without a record is nobody's bag.
    let foreign = own.folder("a/FOREIGN");
    put(&foreign.join("bagit.txt"), b"x");
    let ran = own.run("copy card --to a --name FOREIGN --copies 1 --layout bag");
    ran.exits(3).says("no manifest of an offload names");
}

/// RFC 8493, 2.1.3. The library misreads what `bag::is_often_misread` names (measured with 1.9.0),
/// and the program says so; all other names validate.
#[test]
fn hard_names_in_a_bag() {
    let work = Work::with_card("bag-names");
    let misread = ["trail ", "%25", "%0A", "100%"];
    let mut card = Card::new(&work.path("card"));
    for (seed, name) in (50..).zip(HARD) {
        if !misread.contains(&name) {
            card = card.file(name, 500, seed);
        }
    }
    drop(card.folder("EMPTY"));
    let ran = work.run(BAG);
    ran.exits(0).is_silent_of("some programs misread them");
    let bag = work.path("a/KITES");
    is_valid(&bag);
    assert!(bag.join("data/EMPTY").is_dir());
    // With `data/` before them `-` and `stdin` are ordinary names.
    if let Some(checked) = check(LISTS[2], &bag) {
        checked.exits(0).says("data/-: OK").says("data/stdin: OK");
    }
    let mut card = Card::new(&work.path("card"));
    for (seed, name) in (80..).zip(misread) {
        card = card.file(Path::new("MISREAD").join(name), 500, seed);
    }
    let ran = work.run(BAG);
    ran.exits(0)
        .says("4 names")
        .says("some programs misread them");
    let list = String::from_utf8(bytes_of(&bag.join("manifest-sha256.txt"))).unwrap();
    for written in [
        "/100%25\n",
        "/%2525\n",
        "/%250A\n",
        "/trail \n",
        "/x%0Ay\n",
        "/end%0D\n",
    ] {
        assert!(list.contains(written), "{written:?} in {list}");
    }
    work.run("verify a/KITES b/KITES").exits(0);
}

/// A run that is cut off in a bag goes on where it was.
#[test]
fn a_bag_is_resumed_from_its_journal() {
    let work = Work::with_card("bag-journal");
    work.run(BAG).exits(0);
    for drive in ["a", "b"] {
        let bag = work.path(drive).join("KITES");
        let m = manifest(&bag);
        let mut journal = format!(
            "{}\n",
            json!({"journal": "unlade-journal", "version": 1, "offload": "KITES",
                "started": m["offload"]["started"], "card_path": m["card"]["path"],
                "card_volume_id": m["card"]["volume_id"], "listing_b3": m["card"]["listing_b3"],
                "destinations": identities(&m), "layout": "bag"})
        );
        for f in m["files"].as_array().unwrap().iter().skip(2) {
            let line = json!({"path": f["path"], "bytes": f["bytes"], "modified": f["modified"],
                "blake3": f["blake3"], "also": f["also"], "way": m["destinations"][0]["readback"],
                "read_s": 0.0, "readback_s": 0.0});
            journal.push_str(&format!("{line}\n"));
        }
        for f in m["files"].as_array().unwrap().iter().take(2) {
            remove(&bag.join("data").join(f["path"].as_str().unwrap()));
        }
        put(&bag.join("data/.KITE0001.JPG.unlade-part"), b"torn");
        put(&bag.join(".bagit.txt.unlade-part"), b"torn");
        for name in TAGS {
            remove(&bag.join(name));
        }
        let records = bag.join("_unlade");
        for name in names_in(&records) {
            remove(&records.join(name));
        }
        put(&records.join("journal.jsonl"), journal.as_bytes());
    }
    let ran = work.run(COPY);
    ran.exits(0)
        .says("5 files already copied")
        .says("2 files to copy");
    for drive in ["a", "b"] {
        let bag = work.path(drive).join("KITES");
        is_valid(&bag);
        assert_eq!(tree(&bag.join("data")), tree(&work.path("card")));
        assert!(!bag.join(".bagit.txt.unlade-part").exists());
    }
}

/// What a computer leaves in a bag later is no fault of the copy, but others reject the bag: told.
#[test]
fn litter_in_a_bag_is_told() {
    let work = Work::with_card("bag-litter");
    work.run(BAG).exits(0);
    let bag = work.path("a/KITES");
    // Beside the payload a bag may hold anything.
    put(&bag.join(".DS_Store"), b"x");
    is_valid(&bag);
    work.run("verify a/KITES")
        .exits(0)
        .says("1 entry made by a computer")
        .is_silent_of("will reject it");
    put(&bag.join("data/DCIM/100KITES/._KITE0001.JPG"), b"x");
    is_invalid(&bag, "found 8 files");
    work.run("verify a/KITES")
        .exits(0)
        .says("2 entries made by a computer")
        .says("programs that check bags will reject it");
    // The next run says so, too, and lists nothing that it did not copy.
    Card::new(&work.path("card")).file("DCIM/102KITES/KITE0009.JPG", 50_000, 90);
    work.run(BAG)
        .exits(0)
        .says("1 entry in `data` that no manifest names, `DCIM/100KITES/._KITE0001.JPG` first");
    is_invalid(&bag, "found 9 files");
    remove(&bag.join("data/DCIM/100KITES/._KITE0001.JPG"));
    is_valid(&bag);
}

/// The page is one of the bag's tag files: it comes back only as the bag has it.
#[test]
fn the_page_of_a_bag_comes_back_only_as_it_was() {
    let work = Work::with_card("bag-page");
    work.run(BAG).exits(0);
    let bag = work.path("a/KITES");
    let page = bag.join("_unlade/report.html");
    let was = bytes_of(&page);
    assert!(
        String::from_utf8_lossy(&was).contains("BagIt 1.0"),
        "the page tells of the bag"
    );
    remove(&page);
    is_invalid(&bag, "report.html");
    work.run("verify a/KITES")
        .exits(1)
        .says("missing `_unlade/report.html`")
        .says("the bag's tag files");
    work.run("report a/KITES").exits(0);
    assert_eq!(bytes_of(&page), was);
    is_valid(&bag);
    work.run("verify a/KITES").exits(0);

    // As if another version had made it.
    let tags = bag.join("tagmanifest-sha256.txt");
    let text = String::from_utf8(bytes_of(&tags)).unwrap();
    let (hex, _) = text
        .lines()
        .find_map(|l| l.split_once("  _unlade/report.html"))
        .unwrap();
    let other = "0".repeat(64);
    put(&tags, text.replace(hex, &other).as_bytes());
    remove(&page);
    work.run("report a/KITES")
        .exits(3)
        .says("would make the bag invalid");
    assert!(!page.exists());
    work.run("report a/KITES --to page.html").exits(0);
}

/// `--only-new` looks into bags, and makes bags, whatever the layout of the other.
#[test]
fn only_what_is_new_with_bags() {
    for (first, second) in [("bag", "plain"), ("plain", "bag"), ("bag", "bag")] {
        let work = Work::with_card(&format!("bag-new-{first}-{second}"));
        let copy = "copy card --to a --to b --copies 1";
        work.run(&format!("{copy} --name DAY1 --layout {first}"))
            .exits(0);
        Card::new(&work.path("card")).file("DCIM/102KITES/KITE0009.JPG", 50_000, 90);
        let ran = work.run(&format!("{copy} --name DAY2 --layout {second} --only-new"));
        ran.exits(0).says("PROVEN").says("7 of 8 files");
        let m = manifest(&work.path("a/DAY2"));
        assert_eq!(m["files"][0]["copies"][0]["in"], "DAY1");
        for drive in ["a", "b"] {
            for (name, layout, files) in [("DAY1", first, 7), ("DAY2", second, 1)] {
                let offload = work.path(drive).join(name);
                if layout == "bag" {
                    is_valid(&offload);
                    let list = bytes_of(&offload.join("manifest-sha256.txt"));
                    assert_eq!(String::from_utf8(list).unwrap().lines().count(), files);
                }
                if let Some(checked) = check(("b3", "b3sum", &["--check"][..]), &offload) {
                    assert_eq!(checked.exits(0).out.matches(": OK\n").count(), files);
                }
            }
        }
        work.run("prove card --on a --on b --copies 1").exits(0);
        work.run("prove card --on a --copies 1 --reread").exits(0);
        work.run("verify a/DAY1 a/DAY2 b/DAY1 b/DAY2").exits(0);
        // Nothing is new: no folder is made in either layout.
        let ran = work.run(&format!("{copy} --name DAY3 --layout {second} --only-new"));
        ran.exits(0)
            .says("none: everything on the card is in earlier offloads");
        assert!(!work.path("a/DAY3").exists());
    }
}

/// The bag is whole, the card is not proven: `bag-info.txt` says so. And the plan tells the layout.
#[test]
fn a_bag_tells_the_verdict_and_the_plan_the_layout() {
    let work = Work::with_card("bag-verdict");
    let plan = work.run("plan card --to a --to b --name KITES --layout bag");
    plan.exits(0).says("a bag (BagIt 1.0, RFC 8493)");
    assert!(names_in(&work.path("a")).is_empty());
    work.run("copy card --to a --to b --name KITES --copies 16 --layout bag")
        .exits(1);
    let bag = work.path("a/KITES");
    is_valid(&bag);
    let info = |bag: &Path| String::from_utf8(bytes_of(&bag.join("bag-info.txt"))).unwrap();
    assert!(
        info(&bag).contains("7 files; NOT PROVEN when it was copied"),
        "{}",
        info(&bag)
    );
    work.run(BAG).exits(0);
    assert!(
        info(&bag).contains("7 files; PROVEN when it was copied"),
        "{}",
        info(&bag)
    );
    is_valid(&bag);
}

/// What rotted in a bag since stays listed as it was copied: the run that finds it does not leave
/// it out, and others see that it changed.
#[test]
fn a_bag_goes_on_listing_what_rotted_in_it() {
    let work = Work::with_card("bag-rotted");
    work.run(BAG).exits(0);
    let bag = work.path("a/KITES");
    let copy = bag.join("data/DCIM/100KITES/KITE0001.JPG");
    flip(&copy, 20_000);
    Card::new(&work.path("card")).file("DCIM/102KITES/KITE0009.JPG", 50_000, 90);
    // The other drive is enough here; what became of this one is told.
    work.run(BAG).exits(0).says("KITE0001.JPG");
    is_invalid(
        &bag,
        "data/DCIM/100KITES/KITE0001.JPG sha256 validation failed",
    );
    is_valid(&work.path("b/KITES"));
    work.run("verify a/KITES")
        .exits(1)
        .says("changed `data/DCIM/100KITES/KITE0001.JPG`")
        .says("1 changed");
    flip(&copy, 20_000);
    is_valid(&bag);
    work.run("verify a/KITES").exits(0);
}
