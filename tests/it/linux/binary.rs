//! The real binary on plain folders of a real disk: what lies on the drives afterwards, what is
//! said, and how it exits. Both destinations are on one disk, so PROVEN needs `--copies 1` here.

use crate::support::image::Image;
use crate::support::program::{
    Card, INTACT, Node, Ran, Tree, Work, age, bytes_of, content, finish, flip, manifest, move_to,
    names_in, put, remove, skip, store_manifest, tell, tool, traces, tree, whole_tree,
};
use rustix::fs::{CWD, FileType, Mode, mknodat};
use serde_json::Value;
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;
use std::process::Command;

/// The sentence that only a proof may print.
const MAY_FORMAT: &str = "You may format";
const COPY: &str = "copy card --to a --to b --name KITES --copies 1";
const RECORDS: [&str; 4] = [
    "checksums.b3",
    "manifest.json",
    "manifest.json.b3",
    "report.html",
];

fn keys(value: &Value) -> Vec<&str> {
    value
        .as_object()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect()
}

fn problems_of<'a>(manifest: &'a Value, kind: &str) -> Vec<&'a Value> {
    let problems = manifest["problems"].as_array().unwrap();
    problems.iter().filter(|p| p["kind"] == kind).collect()
}

// ---- copy -------------------------------------------------------------------------------------

#[test]
fn a_copy_is_proven_and_recorded() {
    let work = Work::with_card("copy");
    work.run(COPY).exits(0).says("PROVEN").says(MAY_FORMAT);
    let card = tree(&work.path("card"));
    for destination in ["a", "b"] {
        let offload = work.path(destination).join("KITES");
        assert_eq!(tree(&offload), card);
        assert_eq!(names_in(&offload.join("_unlade")), RECORDS);
        assert_eq!(names_in(&work.path(destination)), ["KITES"]);
        for (path, node) in &card {
            let date = |root: &Path| root.join(path).metadata().unwrap().modified().unwrap();
            if *node != Node::Folder {
                assert_eq!(date(&offload), date(&work.path("card")), "{path:?}");
            }
        }
    }
    let records = |d: &str, name: &str| bytes_of(&work.path(d).join("KITES/_unlade").join(name));
    for name in RECORDS {
        assert_eq!(records("a", name), records("b", name), "{name}");
    }
    // At home there is the ledger and nothing else.
    let home: Vec<_> = tree(&work.path("home")).into_keys().collect();
    assert_eq!(
        home.last().unwrap(),
        Path::new(".local/share/unlade/ledger.jsonl")
    );
    assert_eq!(home.len(), 4, "{home:?}");
}

/// Order of keys: as in the man page of the format.
#[test]
fn the_manifest_has_its_keys_in_order() {
    let work = Work::with_card("keys");
    let m = manifest(&work.offload());
    assert_eq!(
        keys(&m),
        [
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
        ]
    );
    assert_eq!(
        (&m["format"], &m["version"]),
        (&"unlade-manifest".into(), &1.into())
    );
    assert_eq!(keys(&m["offload"]), ["name", "started", "finished", "host"]);
    let card = [
        "path",
        "label",
        "filesystem",
        "volume_id",
        "bytes_total",
        "listing_b3",
    ];
    assert_eq!(keys(&m["card"]), card);
    assert_eq!(
        keys(&m["proof"]),
        ["asked", "copies_needed", "hash", "shows"]
    );
    // The limits of the proof go with it.
    let shows = m["proof"]["shows"].as_str().unwrap();
    assert!(shows.contains("what the card reader delivered"), "{shows}");
    let destination = ["path", "device", "filesystem", "readback"];
    assert_eq!(keys(&m["destinations"][0]), destination);
    assert_eq!(
        keys(&m["totals"]),
        ["files", "bytes", "folders", "left_out"]
    );
    let file = [
        "path", "bytes", "modified", "blake3", "also", "read_s", "copies",
    ];
    assert_eq!(keys(&m["files"][0]), file);
    let copy = ["destination", "proof", "readback_s"];
    assert_eq!(keys(&m["files"][0]["copies"][0]), copy);
    assert_eq!(keys(&m["rates"]), ["every_s", "read", "write", "readback"]);
    assert_eq!(keys(&m["forecast"]), ["at_start_s", "actual_s"]);
    assert_eq!(keys(&m["verdict"]), ["proven", "copies", "reasons"]);
    for time in [
        &m["offload"]["started"],
        &m["offload"]["finished"],
        &m["files"][0]["modified"],
    ] {
        assert!(time.as_str().unwrap().ends_with('Z'), "{time}");
    }
}

#[test]
fn the_manifest_counts_what_is_there() {
    let work = Work::with_card("counts");
    let m = manifest(&work.offload());
    let card = tree(&work.path("card"));
    let mut expected = Vec::new();
    for (path, node) in &card {
        if let Node::File { bytes, hash } = node {
            expected.push((path.to_str().unwrap(), *bytes, hash.to_hex().to_string()));
        }
    }
    let recorded: Vec<_> = m["files"].as_array().unwrap().iter().collect();
    assert_eq!(recorded.len(), expected.len());
    for (path, bytes, hash) in &expected {
        let file = recorded.iter().find(|f| f["path"] == *path).unwrap();
        assert_eq!(
            (&file["bytes"], &file["blake3"]),
            (&(*bytes).into(), &hash.as_str().into())
        );
        for copy in file["copies"].as_array().unwrap() {
            assert_eq!(copy["proof"], "readback");
        }
        assert_eq!(file["copies"].as_array().unwrap().len(), 2);
    }
    let bytes: u64 = expected.iter().map(|(_, bytes, _)| bytes).sum();
    let totals = serde_json::json!({"files": 7, "bytes": bytes, "folders": 6, "left_out": 0});
    assert_eq!(m["totals"], totals);
    let verdict = serde_json::json!({"proven": true, "copies": 1, "reasons": []});
    assert_eq!(m["verdict"], verdict);
    // The intervals add up to every byte that was read, written and read back.
    let sum = |v: &Value| {
        v.as_array()
            .unwrap()
            .iter()
            .map(|n| n.as_u64().unwrap())
            .sum::<u64>()
    };
    assert_eq!(sum(&m["rates"]["read"]), bytes);
    for destination in 0..2 {
        assert_eq!(sum(&m["rates"]["write"][destination]), bytes);
        assert_eq!(sum(&m["rates"]["readback"][destination]), bytes);
    }
    // A real disk answers direct reads, or its pages are dropped first; memory proves nothing.
    for destination in m["destinations"].as_array().unwrap() {
        let way = destination["readback"].as_str().unwrap();
        assert!(["direct", "dropped"].contains(&way), "{way}");
    }
}

#[test]
fn two_folders_on_one_disk_are_one_copy() {
    let work = Work::with_card("one-disk");
    let ran = work.run("copy card --to a --to b --name KITES");
    ran.exits(1)
        .says("NOT PROVEN. Keep ")
        .is_silent_of(MAY_FORMAT);
    ran.says("same-device")
        .says("too-few-copies")
        .says("1 complete copy");
    let card = tree(&work.path("card"));
    for offload in [work.path("a/KITES"), work.path("b/KITES")] {
        assert_eq!(tree(&offload), card);
        let m = manifest(&offload);
        assert_eq!(
            (&m["verdict"]["proven"], &m["verdict"]["copies"]),
            (&false.into(), &1.into())
        );
        let reasons = m["verdict"]["reasons"].to_string();
        assert!(reasons.contains("same-device") && reasons.contains("too-few-copies"));
        assert_eq!(problems_of(&m, "same-device")[0]["blocking"], true);
        assert_eq!(problems_of(&m, "too-few-copies")[0]["blocking"], true);
    }
    // Saying that they are separate does not help where the system knows better.
    let stated = work.run("copy card --to a --to b --name STATED --separate");
    stated.exits(1).says("same-device");
    // A symbolic link to a folder beside the first is the same disk as well.
    work.folder("c");
    std::os::unix::fs::symlink(work.path("c"), work.path("link")).unwrap();
    work.run("copy card --to a --to link --name LINKED")
        .exits(1)
        .says("same-device");
}

#[test]
fn proof_levels() {
    let work = Work::with_card("levels");
    let written = work.run("copy card --to a --to b --name W --copies 1 --proof written");
    written
        .exits(1)
        .says("NOT PROVEN")
        .says("not-read-back")
        .is_silent_of(MAY_FORMAT);
    assert_eq!(tree(&work.path("a/W")), tree(&work.path("card")));
    assert_eq!(
        proofs(&manifest(&work.path("a/W"))),
        BTreeSet::from(["written".to_owned()])
    );

    let reread = work.run("copy card --to a --to b --name R --copies 1 --proof reread");
    reread.exits(0).says(MAY_FORMAT);
    let m = manifest(&work.path("b/R"));
    assert_eq!(proofs(&m), BTreeSet::from(["reread".to_owned()]));
    assert_eq!(m["proof"]["asked"], "reread");

    // What was only written is read back by the same command without the flag; nothing is changed.
    let before = tree(&work.path("a/W"));
    work.run("copy card --to a --to b --name W --copies 1")
        .exits(0);
    assert_eq!(tree(&work.path("a/W")), before);
    assert_eq!(
        proofs(&manifest(&work.path("a/W"))),
        BTreeSet::from(["readback".to_owned()])
    );
}

fn proofs(manifest: &Value) -> BTreeSet<String> {
    let files = manifest["files"].as_array().unwrap();
    files
        .iter()
        .flat_map(|f| f["copies"].as_array().unwrap())
        .map(|copy| copy["proof"].as_str().unwrap().to_owned())
        .collect()
}

#[test]
fn memory_proves_nothing() {
    let mounts = String::from_utf8(bytes_of(Path::new("/proc/mounts"))).unwrap();
    if !mounts.lines().any(|l| l.contains(" /dev/shm tmpfs ")) {
        return skip("/dev/shm is no tmpfs");
    }
    let work = Work::with_card("memory");
    let memory = Work::below(Path::new("/dev/shm"), "memory");
    let to = memory.folder("drive");
    for more in [&["--separate"][..], &[]] {
        let arguments = ["copy", "card", "--name", "KITES", "--copies", "1", "--to"];
        let ran = work.run_with(
            arguments
                .iter()
                .map(OsStr::new)
                .chain([to.as_os_str()])
                .chain(more.iter().map(OsStr::new)),
        );
        ran.exits(1)
            .says("NOT PROVEN")
            .says("memory")
            .is_silent_of(MAY_FORMAT);
    }
    assert_eq!(tree(&to.join("KITES")), tree(&work.path("card")));
    // And the manifest does not claim that anything was read back.
    let m = manifest(&to.join("KITES"));
    assert_eq!(proofs(&m), BTreeSet::from(["written".to_owned()]));
    assert_eq!(m["destinations"][0]["readback"], "cached");
}

// ---- the checksum list ------------------------------------------------------------------------

fn b3sum(folder: &Path, list: &str) -> Option<Ran> {
    let Some(b3sum) = tool("b3sum") else {
        skip("b3sum 1.8 or later is not installed");
        return None;
    };
    Some(finish(
        Command::new(b3sum)
            .args(["--check", list])
            .current_dir(folder),
    ))
}

/// An outside program accepts the lists: b3sum 1.8, whose hard cases are in its own
/// `what_does_check_do.md` (BLAKE3-team/BLAKE3).
#[test]
fn b3sum_accepts_the_lists() {
    let work = Work::with_card("b3sum");
    let hard = [
        "a b",
        " lead",
        "trail ",
        "x\ny",
        "x\ry",
        "back\\slash",
        "\\n",
        "*star",
        "(p) = 0",
        "#hash",
        "%25",
        "caf\u{e9}",
        "cafe\u{301}",
        "a  b",
        "-dash",
    ];
    let mut card = Card::new(&work.path("card"));
    for (seed, name) in (50..).zip(hard) {
        card = card.file(Path::new("HARD").join(name), 500, seed);
    }
    let offload = work.offload();
    let Some(checked) = b3sum(&offload, "_unlade/checksums.b3") else {
        return;
    };
    // An empty list would be accepted too, so the lines are counted.
    assert_eq!(
        checked.exits(0).out.matches(": OK\n").count(),
        7 + hard.len()
    );
    let records = offload.join("_unlade");
    b3sum(&records, "manifest.json.b3").unwrap().exits(0);

    flip(&offload.join("HARD/back\\slash"), 250);
    let broken = b3sum(&offload, "_unlade/checksums.b3").unwrap();
    assert_eq!(
        broken.exits(1).out.matches(": FAILED").count(),
        1,
        "{broken}"
    );
    flip(&records.join("manifest.json"), 400);
    b3sum(&records, "manifest.json.b3").unwrap().exits(1);
}

// ---- verify -----------------------------------------------------------------------------------

#[test]
fn verify_tells_missing_changed_and_extra_apart() {
    let work = Work::with_card("verify");
    let offload = work.offload();
    let before = whole_tree(&offload);
    work.run("verify a/KITES b/KITES")
        .exits(0)
        .says(INTACT)
        .says("7 of 7 files");
    assert_eq!(whole_tree(&offload), before, "verify writes nothing");

    flip(&offload.join("PRIVATE/CLIPS/C0001.MP4"), 1_234_567);
    remove(&offload.join("DCIM/101KITES/KITE0001.JPG"));
    put(&offload.join("DCIM/101KITES/KITE0004.JPG"), b"new");
    let ran = work.run("verify a/KITES");
    ran.exits(1)
        .says("NOT INTACT")
        .says("1 missing, 1 changed, 1 extra");
    ran.says("missing `DCIM/101KITES/KITE0001.JPG`");
    ran.says("changed `PRIVATE/CLIPS/C0001.MP4`");
    ran.says("extra `DCIM/101KITES/KITE0004.JPG`");

    let told = work.run("verify a/KITES b/KITES --json");
    let events = told.exits(1).events();
    let of = |offload: &str| {
        let verdict = |e: &&Value| e["event"] == "verdict" && e["offload"] == offload;
        events.iter().find(verdict).unwrap().clone()
    };
    let found = ["missing", "changed", "extra"].map(|kind| of("a/KITES")[kind].clone());
    assert_eq!(found, [1, 1, 1].map(Value::from));
    assert_eq!(of("b/KITES")["exit_code"], 0);
    let kinds: BTreeSet<&str> = events.iter().filter_map(|e| e["kind"].as_str()).collect();
    assert_eq!(kinds, BTreeSet::from(["changed", "extra", "missing"]));
}

#[test]
fn verify_notices_every_kind_of_change() {
    let work = Work::with_card("changes");
    let offload = work.offload();
    let clip = offload.join("PRIVATE/CLIPS/C0001.MP4");
    let whole = bytes_of(&clip);
    for (text, cut) in [("is 2999999 bytes", 2_999_999), ("is 0 bytes", 0)] {
        put(&clip, &whole[..cut]);
        work.run("verify a/KITES")
            .exits(1)
            .says(text)
            .says("1 changed");
    }
    put(&clip, &whole);
    work.run("verify a/KITES").exits(0);

    // A link is never followed, not even to the same bytes.
    move_to(&clip, &work.path("outside.mp4"));
    std::os::unix::fs::symlink(work.path("outside.mp4"), &clip).unwrap();
    work.run("verify a/KITES")
        .exits(1)
        .says("symbolic link")
        .says("1 changed");
    remove(&clip);
    move_to(&work.path("outside.mp4"), &clip);

    let dcim = offload.join("DCIM");
    move_to(&dcim, &work.path("outside"));
    std::os::unix::fs::symlink(work.path("outside"), &dcim).unwrap();
    work.run("verify a/KITES").exits(1).is_silent_of(INTACT);
    remove(&dcim);
    move_to(&work.path("outside"), &dcim);

    std::fs::remove_dir(offload.join("PRIVATE/CLIPS/EMPTY")).unwrap();
    work.run("verify a/KITES")
        .exits(1)
        .says("missing `PRIVATE/CLIPS/EMPTY`");
}

#[test]
fn verify_takes_litter_and_moves_as_they_are() {
    let work = Work::with_card("litter-later");
    let offload = work.offload();
    put(&offload.join(".DS_Store"), b"window");
    put(&offload.join("DCIM/100KITES/._KITE0001.JPG"), b"side");
    work.run("verify a/KITES")
        .exits(0)
        .says("made by a computer since")
        .says("2 entries");

    work.folder("elsewhere");
    move_to(&offload, &work.path("elsewhere/renamed"));
    work.run("verify elsewhere/renamed").exits(0).says(INTACT);
}

#[test]
fn a_damaged_manifest_is_refused_in_one_line() {
    let work = Work::with_card("damaged");
    let offload = work.offload();
    flip(&offload.join("_unlade/manifest.json"), 300);
    let ran = work.run("verify a/KITES");
    ran.exits(3)
        .says("the manifest is damaged")
        .is_silent_of(INTACT);
    let about = ran.err.lines().filter(|line| line.contains("a/KITES"));
    assert_eq!(about.count(), 1, "{ran}");
    // The other copy is still checked, and the worst result counts.
    work.run("verify a/KITES b/KITES")
        .exits(3)
        .says("INTACT. b/KITES");
    work.run("verify card").exits(3).says("cannot be checked");
    work.run("verify nowhere")
        .exits(3)
        .says("cannot be checked");
    // Such an offload is not written to either.
    let before = whole_tree(&work.path("a"));
    work.run(COPY).exits(3).says("manifest-damaged");
    assert_eq!(whole_tree(&work.path("a")), before);
}

/// The manifest is read strictly. Integers: RFC 8259, section 6, keeps up to 2^53 - 1 exactly.
#[test]
fn hostile_manifests_are_refused() {
    let work = Work::with_card("hostile");
    let offload = work.offload();
    let sound = manifest(&offload);
    let text = |m: &Value| serde_json::to_string_pretty(m).unwrap();
    let with = |pointer: &str, value: Value| {
        let mut m = sound.clone();
        *m.pointer_mut(pointer).unwrap() = value;
        text(&m)
    };
    let first = sound["files"][0]["path"].clone();
    let twice = text(&sound).replacen("\"version\": 1,", "\"version\": 1, \"version\": 1,", 1);
    let twice_below = text(&sound).replacen("\"bytes\": ", "\"bytes\": 1, \"bytes\": ", 1);
    let cases = [
        ("..", with("/files/0/path", "DCIM/../../outside".into())),
        (
            ".. at the start",
            with("/files/0/path", "../card/DCIM".into()),
        ),
        ("absolute", with("/files/0/path", "/etc/hostname".into())),
        ("empty path", with("/files/0/path", "".into())),
        ("NUL", with("/files/0/path", "DCIM/a\0b".into())),
        (
            "records",
            with("/files/0/path", "_unlade/report.html".into()),
        ),
        ("path twice", with("/files/1/path", first.clone())),
        ("file and folder", with("/folders/0", first)),
        (".. folder", with("/folders/0", "DCIM/..".into())),
        ("key twice", twice),
        ("key twice below", twice_below),
        ("version 3", with("/version", 3.into())),
        ("no version", with("/version", Value::Null)),
        ("other format", with("/format", "unlade-journal".into())),
        (
            "2^53 bytes",
            with("/files/0/bytes", 9_007_199_254_740_992_u64.into()),
        ),
        ("negative bytes", with("/files/0/bytes", (-1).into())),
        ("bytes as a float", with("/files/0/bytes", 1.5.into())),
        (
            "unknown key",
            with("/totals", serde_json::json!({"files": 7})),
        ),
        ("short hash", with("/files/0/blake3", "af13".into())),
        (
            "no such copy",
            with("/files/0/copies/0/destination", 7.into()),
        ),
        ("cut short", text(&sound)[..900].to_owned()),
        ("empty", String::new()),
    ];
    store_manifest(&offload, text(&sound).as_bytes());
    work.run("verify a/KITES").exits(0);
    for (what, text) in cases {
        store_manifest(&offload, text.as_bytes());
        let ran = work.run("verify a/KITES");
        assert_eq!(ran.code, 3, "{what}: {ran}");
        assert!(
            ran.err.contains("cannot be checked") && !ran.err.contains("panicked"),
            "{what}: {ran}"
        );
    }
}

// ---- again ------------------------------------------------------------------------------------

fn event<'a>(events: &'a [Value], name: &str) -> &'a Value {
    events.iter().find(|e| e["event"] == name).unwrap()
}

#[test]
fn the_same_command_again_reads_nothing() {
    let work = Work::with_card("again");
    let offload = work.offload();
    let before = (whole_tree(&work.path("a")), whole_tree(&work.path("b")));
    work.run(COPY)
        .exits(0)
        .says("nothing had to be copied from the card; a sample of it was read");
    let events = work.run(&format!("{COPY} --json")).exits(0).events();
    let planned = event(&events, "planned");
    assert_eq!(
        (&planned["files_to_read"], &planned["bytes_to_read"]),
        (&0.into(), &0.into())
    );
    assert!(!events.iter().any(|e| e["event"] == "file"));
    assert_eq!(
        (whole_tree(&work.path("a")), whole_tree(&work.path("b"))),
        before
    );
    assert_eq!(
        names_in(&offload.join("_unlade")),
        RECORDS,
        "no second set of records"
    );
}

#[test]
fn new_files_on_the_card_go_on_under_the_same_name() {
    let work = Work::with_card("more");
    let offload = work.offload();
    let old = bytes_of(&offload.join("_unlade/manifest.json"));
    Card::new(&work.path("card"))
        .file("DCIM/102KITES/KITE0005.JPG", 60_000, 90)
        .file("DCIM/102KITES/KITE0006.JPG", 61_000, 91);
    let ran = work.run(&format!("{COPY} --json"));
    let events = ran.exits(0).events();
    assert_eq!(event(&events, "planned")["files_to_read"], 2);
    let files = events.iter().filter(|e| e["event"] == "file").count();
    assert_eq!(files, 4, "two new files on two destinations");

    assert_eq!(tree(&offload), tree(&work.path("card")));
    assert_eq!(
        bytes_of(&offload.join("_unlade/earlier-1/manifest.json")),
        old
    );
    let m = manifest(&offload);
    assert_eq!(m["totals"]["files"], 9);
    assert_eq!(m["files"].as_array().unwrap().len(), 9);
    let proofs = proofs(&m);
    assert_eq!(
        proofs,
        BTreeSet::from(["earlier".to_owned(), "readback".to_owned()])
    );
    work.run("verify a/KITES b/KITES")
        .exits(0)
        .says("9 of 9 files");
}

#[test]
fn a_file_that_is_gone_is_copied_again() {
    let work = Work::with_card("gone-between");
    let offload = work.offload();
    remove(&offload.join("DCIM/100KITES/KITE0001.JPG"));
    work.run(COPY).exits(0);
    assert_eq!(tree(&offload), tree(&work.path("card")));
}

/// Somebody wrote into a copy after it was proven, for instance a rating; the card is all there is.
#[test]
fn a_copy_that_was_changed_since_is_neither_kept_nor_replaced() {
    for bytes in [5, 41_000] {
        let work = Work::with_card("changed-between");
        let offload = work.offload();
        let copy = offload.join("DCIM/100KITES/KITE0002.JPG");
        let edited = content(bytes, 70);
        put(&copy, &edited);
        let ran = work.run(COPY);
        assert_ne!(ran.code, 0, "{ran}");
        ran.is_silent_of(MAY_FORMAT).says("KITE0002.JPG");
        assert_eq!(
            bytes_of(&copy),
            edited,
            "nothing that was there is ever changed"
        );
    }
}

// ---- places that are taken --------------------------------------------------------------------

/// Names that would turn the writing direction, clear a screen or end a tag are shown harmlessly
/// and copied exactly; two names for one file become two files; holes become zeros.
#[test]
fn hard_names_and_odd_files_are_copied_and_shown_harmlessly() {
    let work = Work::new("hard");
    for folder in ["a", "b"] {
        work.folder(folder);
    }
    let names = [
        "KITE\u{202e}GPJ.exe",
        "\u{1b}[2J.JPG",
        "two\nlines.JPG",
        "<script>alert(1)</script>.JPG".trim_matches('/'),
        "caf\u{e9}.JPG",
        "cafe\u{301}.JPG",
        "a & \"b\" 'c'.JPG",
        " blank ",
        "dot.",
        "img_0001.jpg",
        "IMG_0001.JPG",
    ];
    let mut made = Card::new(&work.path("card"));
    for (name, seed) in names.iter().zip(1..) {
        made = made.file(format!("DCIM/{}", name.replace('/', "-")), 1_000, seed);
    }
    std::fs::hard_link(
        work.path("card/DCIM/dot."),
        work.path("card/DCIM/again.JPG"),
    )
    .unwrap();
    let sparse = std::fs::File::create_new(work.path("card/DCIM/SPARSE.MP4")).unwrap();
    sparse.set_len(5_000_000).unwrap();
    let ran = work.run(COPY);
    ran.exits(0).says("1 file of nothing but zeros");
    assert_eq!(tree(&work.path("a/KITES")), tree(&work.path("card")));
    let page = String::from_utf8(bytes_of(&work.path("a/KITES/_unlade/report.html"))).unwrap();
    remove(&work.path("a/KITES/DCIM/KITE\u{202e}GPJ.exe"));
    remove(&work.path("a/KITES/DCIM/\u{1b}[2J.JPG"));
    let checked = work.run("verify a/KITES");
    checked
        .exits(1)
        .says("KITE\\u{202e}GPJ.exe")
        .says("\\u{1b}[2J.JPG");
    for text in [&ran.out, &checked.out, &page] {
        assert!(!text.contains(['\u{202e}', '\u{1b}']), "{text}");
    }
    assert!(!page.contains("<script"), "{page}");
}

/// Two cameras whose clocks agree: same names, sizes and dates, other pictures. Nothing but the
/// content tells these cards apart where volumes have no identity.
#[test]
fn another_card_that_looks_the_same_is_read_not_believed() {
    let work = Work::new("twins");
    work.folder("a");
    for (card, seed) in [("card", 1), ("other", 2)] {
        Card::new(&work.path(card)).file("DCIM/100KITES/KITE0001.JPG", 70_000, seed);
    }
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0);
    let before = whole_tree(&work.path("a/KITES/DCIM"));
    work.run("copy other --to a --name KITES --copies 1")
        .exits(1)
        .says("differs from the card's")
        .is_silent_of(MAY_FORMAT);
    assert_eq!(whole_tree(&work.path("a/KITES/DCIM")), before, "untouched");
}

/// Pictures that were deleted in the camera between two days stay on the drives, are told, and are
/// no strangers to `verify`.
#[test]
fn files_that_left_the_card_stay_and_are_told() {
    let work = Work::with_card("left");
    let offload = work.offload();
    let gone = "DCIM/100KITES/KITE0001.JPG";
    remove(&work.path(&format!("card/{gone}")));
    work.run(COPY)
        .exits(0)
        .says("1 file of an earlier copy is no longer on the card; it stays on the drives");
    assert!(offload.join(gone).exists());
    work.run("verify a/KITES b/KITES")
        .exits(0)
        .says("1 file only in the manifest of an earlier copy");
    flip(&offload.join(gone), 7);
    work.run("verify a/KITES").exits(1).says(gone);
}

#[test]
fn the_same_answer_is_not_written_down_twice() {
    let work = Work::with_card("no-again");
    let command = "copy card --to a --to b --name KITES";
    work.run(command).exits(1);
    let before = whole_tree(&work.path("a"));
    for _ in 0..3 {
        work.run(command).exits(1).says("they count as one");
        assert_eq!(whole_tree(&work.path("a")), before);
    }
}

#[test]
fn a_link_in_the_place_of_a_folder_is_refused() {
    let work = Work::with_card("link-folder");
    let offload = work.offload();
    move_to(&offload.join("DCIM"), &work.path("elsewhere"));
    std::os::unix::fs::symlink(work.path("elsewhere"), offload.join("DCIM")).unwrap();
    let before = whole_tree(&work.path("elsewhere"));
    work.run(COPY).exits(3).says("name-clash").says("DCIM");
    assert_eq!(whole_tree(&work.path("elsewhere")), before);
}

/// Through a link the records would land somewhere else, on the card even.
#[test]
fn records_behind_a_link_are_refused() {
    let work = Work::with_card("link-records");
    work.folder("card/EMPTY");
    work.folder("a/KITES");
    let place = work.path("card/EMPTY");
    std::os::unix::fs::symlink(&place, work.path("a/KITES/_unlade")).unwrap();
    let before = whole_tree(&work.path("card"));
    work.run(COPY)
        .exits(3)
        .says("`_unlade` in it is not a folder");
    assert_eq!(whole_tree(&work.path("card")), before);
    assert!(names_in(&work.path("b")).is_empty());
}

/// A file of a card may be named as this program names its parts. It is a copy like any other, also
/// when the card has it no more.
#[test]
fn a_proven_copy_that_is_named_like_a_part_stays() {
    let work = Work::with_card("like-a-part");
    let name = "DCIM/100KITES/.A.JPG.unlade-part";
    Card::new(&work.path("card")).file(name, 30_000, 5);
    let offload = work.offload();
    let before = bytes_of(&offload.join(name));
    remove(&work.path("card").join(name));
    Card::new(&work.path("card")).file("DCIM/100KITES/N.JPG", 9_000, 6);
    work.run(COPY).exits(0).says("no longer on the card");
    for drive in ["a", "b"] {
        let stays = work.path(drive).join("KITES").join(name);
        assert_eq!(bytes_of(&stays), before);
    }
}

/// Another run would take the parts of one that is at work for left ones.
#[test]
fn two_runs_on_one_offload_wait_for_each_other() {
    use rustix::fs::{FlockOperation, flock};
    let work = Work::with_card("two-runs");
    work.folder("a/KITES/_unlade");
    // The first run, as far as the second can tell.
    let first = std::fs::File::open(work.path("a/KITES/_unlade")).unwrap();
    flock(&first, FlockOperation::NonBlockingLockExclusive).unwrap();
    let before = whole_tree(&work.path("a"));
    work.run(COPY)
        .exits(3)
        .says("another copy into this offload is going on")
        .says("Wait until that copy has ended")
        .is_silent_of("out of the way");
    assert_eq!(whole_tree(&work.path("a")), before);
    assert!(names_in(&work.path("b")).is_empty());
    drop(first);
    work.run(COPY).exits(0).says(MAY_FORMAT);
}

#[test]
fn a_home_on_the_card_is_refused() {
    let work = Work::with_card("home-on-card");
    let before = whole_tree(&work.path("card"));
    for command in [COPY, "rate card", "prove card --on a"] {
        for home in ["card/home", "card/DCIM"] {
            work.run(&format!("{command} --home {home}"))
                .exits(3)
                .says("is on the card itself")
                .says("choose another with --home");
        }
    }
    assert_eq!(whole_tree(&work.path("card")), before);
    assert!(names_in(&work.path("a")).is_empty());
    let events = work
        .run(&format!("{COPY} --json --home card/home"))
        .exits(3)
        .events();
    let last = events.last().unwrap();
    assert_eq!(
        (&last["event"], &last["exit_code"]),
        (&"verdict".into(), &3.into())
    );
    // Beside the card it is no matter.
    work.run(&format!("{COPY} --home home2")).exits(0);
}

#[test]
fn names_that_unlade_uses_itself_are_refused() {
    let work = Work::with_card("own-names");
    for name in ["_unlade", "_UNLADE", ".x.unlade-part", " x", "x "] {
        work.run_with(["copy", "card", "--to", "a", "--name", name])
            .exits(3)
            .says("name");
    }
    assert!(names_in(&work.path("a")).is_empty());
}

#[test]
fn a_taken_name_is_refused_and_untouched() {
    let work = Work::with_card("taken");
    work.offload();
    let other = Card::new(&work.path("other"));
    other.file("DCIM/100KITES/KITE0001.JPG", 40_007, 77);
    work.folder("a/FOREIGN/DCIM");
    put(&work.path("a/FOREIGN/DCIM/KITE0001.JPG"), b"mine");
    put(&work.path("a/FILE"), b"mine");
    std::os::unix::fs::symlink(work.path("card"), work.path("a/LINK")).unwrap();
    let before = (whole_tree(&work.path("a")), whole_tree(&work.path("b")));
    for (card, name) in [
        ("other", "KITES"),
        ("card", "FOREIGN"),
        ("card", "FILE"),
        ("card", "LINK"),
    ] {
        let ran = work.run(&format!(
            "copy {card} --to b --to a --name {name} --copies 1"
        ));
        ran.exits(3)
            .says("Refused; nothing was written")
            .says("name-clash");
        ran.is_silent_of(MAY_FORMAT);
        let after = (whole_tree(&work.path("a")), whole_tree(&work.path("b")));
        assert_eq!(after, before, "{name}");
    }
    // An empty folder of that name is nobody's.
    work.folder("a/EMPTY");
    work.run("copy card --to a --to b --name EMPTY --copies 1")
        .exits(0);
}

#[test]
fn refusals_leave_nothing_behind() {
    let work = Work::with_card("refusals");
    Card::new(&work.path("emptied")).file(".Trashes/501/KITE0009.JPG", 9_000, 60);
    work.folder("empty");
    work.folder("card-inside/card/DCIM");
    put(&work.path("card-inside/card/DCIM/A.JPG"), b"a");
    std::os::unix::fs::symlink(work.path("a"), work.path("link")).unwrap();
    put(&work.path("file"), b"no folder");
    let long = "x".repeat(300);
    let cases: [(&[&str], &str); 15] = [
        (&["card", "--to", "a", "--to", "a"], "same folder"),
        (&["card", "--to", "a", "--to", "./a/../a"], "same folder"),
        (&["card", "--to", "a", "--to", "link"], "same folder"),
        (&["card", "--to", "card/DCIM"], "on the card itself"),
        (&["card", "--to", "card"], "on the card itself"),
        (
            &["card-inside/card", "--to", "card-inside"],
            "card is inside",
        ),
        (&["card", "--to", "missing"], "`missing` is not there"),
        (&["card", "--to", "file"], "`file`"),
        (&["nowhere", "--to", "a"], "the card `nowhere`"),
        (&["empty", "--to", "a"], "holds no files"),
        (&["emptied", "--to", "a"], "`.Trashes` on the card is a"),
        (&["card", "--to", "a", "--name", "a/b"], "name"),
        (&["card", "--to", "a", "--name", ".."], "name"),
        (&["card", "--to", "a", "--name", ""], "name"),
        (&["card", "--to", "a", "--name", &long], "longer than"),
    ];
    let before = whole_tree(&work.path(""));
    for (arguments, told) in cases {
        for command in ["copy", "plan"] {
            let ran = work.run_with([&[command], arguments].concat());
            ran.exits(3)
                .says("Refused; nothing was written")
                .says(told)
                .says("Next:");
            assert_eq!(
                ran.is_silent_of(MAY_FORMAT).is_silent_of("panicked").code,
                3
            );
        }
    }
    let all = work.run("copy card --to card/DCIM --to missing --to a --to a --name a/b");
    all.exits(3)
        .says("The reasons")
        .says("on the card itself")
        .says("`missing` is not there");
    all.says("same folder").says("without a separator");
    assert_eq!(whole_tree(&work.path("")), before);
}

#[test]
fn a_wrong_command_line_is_told_as_such() {
    let work = Work::with_card("usage");
    let before = whole_tree(&work.path(""));
    for arguments in [
        "--nonsense",
        "copy",
        "copy card",
        "copy card --to a --nonsense",
        "copy card --to a --copies 0",
        "copy card --to a --copies two",
        "copy card --to a --proof nonsense",
        "copy card --to a --color sometimes",
        "copy card --to a --quiet --json",
        "copy card other --to a --name ONE",
        "verify",
        "format card",
    ] {
        let ran = work.run(arguments);
        assert_eq!(ran.code, 2, "`{arguments}`: {ran}");
        assert!(
            // Programs are told by an event as well.
            ran.out.is_empty() != arguments.contains("--json") && !ran.err.is_empty(),
            "`{arguments}`: {ran}"
        );
    }
    for arguments in ["--help", "--version", "copy --help", "verify --help"] {
        assert!(!work.run(arguments).exits(0).out.is_empty());
    }
    assert_eq!(whole_tree(&work.path("")), before);
}

#[test]
fn plans_write_nothing() {
    let work = Work::with_card("plan");
    let before = whole_tree(&work.path(""));
    for arguments in [
        "plan card --to a --to b --name KITES",
        "copy card --to a --to b --name KITES --dry-run",
        "copy card --to a --to b --dry-run --quiet",
    ] {
        let ran = work.run(arguments);
        ran.exits(0).says("7 files").says("Nothing was written");
        ran.is_silent_of(MAY_FORMAT);
    }
    let events = work.run("plan card --to a --to b --json").exits(0).events();
    assert_eq!(event(&events, "planned")["files_to_read"], 7);
    assert_eq!(whole_tree(&work.path("")), before);
}

// ---- odd cards --------------------------------------------------------------------------------

#[test]
fn links_sockets_and_pipes_block_and_the_rest_is_copied() {
    let work = Work::with_card("odd");
    let card = work.path("card");
    std::os::unix::fs::symlink("KITE0001.JPG", card.join("DCIM/100KITES/LINK.JPG")).unwrap();
    std::os::unix::fs::symlink("/", card.join("ROOT")).unwrap();
    for (name, kind) in [("socket", FileType::Socket), ("pipe", FileType::Fifo)] {
        mknodat(CWD, card.join(name), kind, Mode::RUSR, 0).unwrap();
    }
    let ran = work.run(COPY);
    ran.exits(1)
        .says("NOT PROVEN")
        .is_silent_of(MAY_FORMAT)
        .says("symbolic link");
    let mut expected = tree(&card);
    expected.retain(|_, node| *node != Node::Other);
    assert_eq!(expected.len(), 13);
    for offload in [work.path("a/KITES"), work.path("b/KITES")] {
        assert_eq!(tree(&offload), expected);
        let m = manifest(&offload);
        let paths: BTreeSet<&str> = problems_of(&m, "unreadable")
            .iter()
            .map(|p| p["path"].as_str().unwrap())
            .collect();
        assert_eq!(
            paths,
            BTreeSet::from(["DCIM/100KITES/LINK.JPG", "ROOT", "pipe", "socket"])
        );
        assert_eq!(
            (&m["verdict"]["proven"], &m["totals"]["files"]),
            (&false.into(), &7.into())
        );
    }
}

#[test]
fn a_name_that_is_not_text_blocks_and_is_told_in_hex() {
    let work = Work::with_card("not-text");
    let card = work.path("card");
    let name = OsStr::from_bytes(b"DCIM/100KITES/KITE\xff.JPG");
    let whole = tree(&card);
    Card::new(&card).file(name, 3_000, 80);
    let hex = "4b495445ff2e4a5047";
    let ran = work.run(COPY);
    ran.exits(1)
        .says("NOT PROVEN")
        .says("name-not-storable")
        .says(hex)
        .says(r"the name, `DCIM/100KITES/KITE\xff.JPG` as far as it can be read, is not UTF-8")
        .is_silent_of(MAY_FORMAT);
    assert_eq!(tree(&work.path("a/KITES")), whole, "all else is copied");
    let m = manifest(&work.path("a/KITES"));
    let problem = problems_of(&m, "name-not-storable")[0];
    assert!(problem["path"].as_str().unwrap().contains(hex), "{problem}");
    assert_eq!(problem["blocking"], true);
}

/// Names of what computers leave on volumes: eclecticlight.co (2021) for Apple's, the Windows ones
/// from memory.
#[test]
fn what_computers_left_is_listed_and_not_copied() {
    let work = Work::with_card("left-out");
    let card = work.path("card");
    let wanted = tree(&card);
    Card::new(&card)
        .file(".Trashes/501/KITE0009.JPG", 9_000, 60)
        .file(".Spotlight-V100/Store-V2/index", 10, 61)
        .file(".fseventsd/0001", 10, 62)
        .file("System Volume Information/WPSettings.dat", 12, 63)
        .file("$RECYCLE.BIN/desktop.ini", 129, 64)
        .file(".DS_Store", 6_148, 65)
        .file("DCIM/100KITES/._A.JPG", 1, 66);
    // As a computer writes it beside `A.JPG` (AppleDouble, RFC 1740).
    let side_file = [&b"\0\x05\x16\x07\0\x02"[..], &[0; 4_090]].concat();
    put(&card.join("DCIM/100KITES/._A.JPG"), &side_file);
    let ran = work.run(COPY);
    ran.exits(0)
        .says("7 system files skipped")
        .says("Trash")
        .says(MAY_FORMAT);
    assert_eq!(tree(&work.path("a/KITES")), wanted);
    let m = manifest(&work.path("a/KITES"));
    let left_out: BTreeSet<&str> = m["left_out"]
        .as_array()
        .unwrap()
        .iter()
        .map(|entry| {
            assert!(!entry["why"].as_str().unwrap().is_empty());
            entry["path"].as_str().unwrap()
        })
        .collect();
    let expected = BTreeSet::from([
        "$RECYCLE.BIN",
        ".DS_Store",
        ".Spotlight-V100",
        ".Trashes",
        ".fseventsd",
        "DCIM/100KITES/._A.JPG",
        "System Volume Information",
    ]);
    assert_eq!((left_out, &m["totals"]["left_out"]), (expected, &7.into()));
}

#[test]
fn a_file_that_cannot_be_opened_blocks() {
    if rustix::process::geteuid().is_root() {
        // Not one of the things that must be there where CI runs, which is often root.
        return tell("SKIPPED: root can open every file");
    }
    let work = Work::with_card("locked");
    let locked = work.path("card/DCIM/100KITES/KITE0001.JPG");
    let none = std::os::unix::fs::PermissionsExt::from_mode(0o000);
    std::fs::set_permissions(&locked, none).unwrap();
    let ran = work.run(COPY);
    ran.exits(1)
        .says("NOT PROVEN")
        .says("unreadable")
        .says("KITE0001.JPG");
    assert_eq!(tree(&work.path("a/KITES")).len(), 12);
}

/// The access times are of 2001, which `relatime` mounts renew at the next read (mount(8)).
#[test]
fn the_second_read_is_part_of_the_ticks() {
    let work = Work::with_card("second-read");
    let ran =
        work.run("copy card --to a --to b --name K --copies 1 --proof reread --json --no-ledger");
    ran.exits(0);
    let events = ran.events();
    let ticks: Vec<&Value> = events.iter().filter(|e| e["event"] == "tick").collect();
    let all = 40_000 + 41_000 + 300_000 + 1 + 3_000_000 + 12;
    let (last, before) = ticks.split_last().unwrap();
    assert_eq!(
        (&last["again_read"], &last["again_total"]),
        (&all.into(), &all.into())
    );
    assert_eq!(last["bytes_read"], all);
    assert_eq!(last["card_done"], true);
    // The card has to stay where it is until then.
    let first_read = before.iter().find(|t| t["bytes_read"] == all).unwrap();
    assert_eq!(first_read["card_done"], false, "{first_read}");
    assert_eq!(first_read["again_read"], 0);
}

#[test]
fn the_card_is_not_touched() {
    let work = Work::with_card("untouched");
    let card = work.path("card");
    Card::new(&card)
        .file(".Trashes/501/KITE0009.JPG", 9_000, 60)
        .file("._x", 10, 61);
    let paths = age(&card);
    let before = traces(&paths);
    work.run("plan card --to a --to b --name KITES").exits(0);
    work.run(COPY).exits(0);
    work.run("copy card --to a --to b --name AGAIN --copies 1 --proof reread")
        .exits(0);
    for ((path, before), after) in paths.iter().zip(&before).zip(traces(&paths)) {
        assert_eq!(before, &after, "{}", path.display());
    }
    // The control: reading in the usual way would have shown.
    assert!(!tree(&card).is_empty());
    if traces(&paths) == before {
        skip("this mount keeps no access times, so only the other traces were compared");
    }
}

// ---- what is said -----------------------------------------------------------------------------

#[test]
fn events_are_those_of_the_contract() {
    let work = Work::with_card("events");
    let ran = work.run(&format!("{COPY} --json"));
    let events = ran.exits(0).events();
    let names: Vec<&str> = events
        .iter()
        .map(|e| e["event"].as_str().unwrap())
        .collect();
    assert_eq!(names[..2], ["listed", "planned"]);
    assert_eq!(names.iter().filter(|n| **n == "verdict").count(), 1);
    let known = [
        "listed",
        "planned",
        "refused",
        "tick",
        "file",
        "problem",
        "rate-change",
        "hint",
        "verdict",
    ];
    assert!(names.iter().all(|n| known.contains(n)), "{names:?}");
    let times: Vec<f64> = events.iter().map(|e| e["t"].as_f64().unwrap()).collect();
    assert!(times.is_sorted(), "{times:?}");

    let last = events.last().unwrap();
    assert_eq!(last["event"], "verdict");
    assert_eq!(
        (&last["exit_code"], &last["proven"]),
        (&0.into(), &true.into())
    );
    assert_eq!(names.iter().filter(|n| **n == "file").count(), 14);

    let ticks: Vec<&Value> = events.iter().filter(|e| e["event"] == "tick").collect();
    let at_most = 2.0 + 4.0 * times.last().unwrap();
    assert!(ticks.len() <= unlade::units::len_usize(unlade::units::whole(at_most)));
    let tick = ticks.last().unwrap();
    for field in [
        "bytes_total",
        "bytes_read",
        "files_total",
        "files_read",
        "live_rate",
        "delivered_rate",
        "busy_read",
        "busy_hash",
        "limiting_link",
        "remaining",
        "destinations",
        "problems",
    ] {
        assert!(tick.get(field).is_some(), "{field}: {tick}");
    }
    for field in ["low_s", "likely_s", "high_s"] {
        assert!(tick["remaining"].get(field).is_some(), "{field}: {tick}");
    }
    assert_eq!(tick["destinations"].as_array().unwrap().len(), 2);
    for field in [
        "bytes_total",
        "bytes_written",
        "bytes_read_back",
        "files",
        "busy_write",
        "busy_flush",
        "busy_read_back",
    ] {
        assert!(
            tick["destinations"][0].get(field).is_some(),
            "{field}: {tick}"
        );
    }
    assert_eq!(
        (&tick["bytes_read"], &tick["files_read"]),
        (&tick["bytes_total"], &7.into())
    );
}

#[test]
fn events_end_with_the_verdict_however_it_ends() {
    let work = Work::with_card("events-end");
    for (arguments, code) in [
        ("copy card --to a --to b --name KITES --json", 1),
        ("copy card --to a --to a --json", 3),
        ("verify a/KITES --json", 0),
        ("verify card --json", 3),
    ] {
        let events = work.run(arguments).exits(code).events();
        let last = events.last().unwrap();
        assert_eq!(
            (&last["event"], &last["exit_code"]),
            (&"verdict".into(), &code.into())
        );
        assert!(last["reasons"].is_array(), "{last}");
    }
    let problems = work
        .run("copy card --to a --to b --name KITES --json")
        .events();
    let reasons = problems.last().unwrap()["reasons"].to_string();
    assert!(reasons.contains("too-few-copies"), "{reasons}");
}

#[test]
fn the_verdict_is_the_last_thing_said() {
    let work = Work::with_card("verdict-last");
    let ran = work.run(COPY);
    let lines: Vec<&str> = ran.out.lines().collect();
    let at = |text: &str| {
        lines
            .iter()
            .position(|l| l.contains(text))
            .unwrap_or_else(|| panic!("{text}: {ran}"))
    };
    assert!(at("Card read. You can take it out.") < at("PROVEN"));
    assert_eq!(at("PROVEN"), lines.len() - 2, "{ran}");
    assert!(at("Basis") < at("PROVEN"), "{ran}");
    assert!(ran.err.is_empty(), "{ran}");
    // The two announcements are two.
    assert!(!lines[at("Card read. You can take it out.")].contains("may format"));

    let quiet = work.run("copy card --to a --to b --name QUIET --copies 1 --quiet");
    let answer = |out: &str, from_end: usize| {
        let lines: Vec<String> = out.lines().map(str::to_owned).collect();
        lines[lines.len() - from_end].clone()
    };
    assert!(
        answer(&quiet.exits(0).out, 2).starts_with("PROVEN. "),
        "{quiet}"
    );
    quiet.says(MAY_FORMAT).is_silent_of("take it out");
    let quiet = work.run("copy card --to a --to b --name QUIET-2 --quiet");
    assert!(
        answer(&quiet.exits(1).out, 1).starts_with("NOT PROVEN. "),
        "{quiet}"
    );
}

#[test]
fn colour_only_where_it_is_wanted() {
    let work = Work::with_card("colour");
    for (name, arguments, coloured) in [
        ("K1", "", false),
        ("K2", "--color never", false),
        ("K3", "--color always", true),
        ("K4", "--color always --json", false),
    ] {
        let ran = work.run(&format!(
            "copy card --to a --name {name} --copies 1 {arguments}"
        ));
        assert_eq!(ran.exits(0).out.contains('\u{1b}'), coloured, "{ran}");
    }
    let mut command = work.command();
    command
        .args(format!("{COPY} --color auto").split(' '))
        .env("NO_COLOR", "1");
    assert!(!finish(&mut command).exits(0).out.contains('\u{1b}'));
}

#[test]
fn lines_fit_eighty_columns() {
    let work = Work::with_card("columns");
    let card = work.path("card");
    std::os::unix::fs::symlink("x", card.join("LINK")).unwrap();
    Card::new(&card)
        .file(".Trashes/501/KITE0009.JPG", 9_000, 60)
        .holding("ZEROS.BIN", &vec![0; 50_000]);
    for arguments in [
        "plan card --to a --to b --name KITES",
        "copy card --to a --to b --name KITES",
        COPY,
        "copy card --to a --to a --to nowhere --name a/b",
        "copy card --to a --to b --name W --proof written",
        "verify a/KITES b/KITES",
        "verify card",
    ] {
        fits_eighty_columns(&work.run(arguments));
    }
}

fn fits_eighty_columns(ran: &Ran) {
    for line in ran.out.lines().chain(ran.err.lines()) {
        let fits = line.chars().count() <= 80 || line.contains('/');
        assert!(fits, "a long line: {line}\n{ran}");
        let odd = line.contains("..") && !line.contains("...");
        assert!(!odd, "{line}\n{ran}");
    }
}

// ---- demo -------------------------------------------------------------------------------------

#[test]
fn the_demo_leaves_nothing() {
    let work = Work::new("demo");
    let before = whole_tree(&work.path(""));
    let ran = work.run("demo");
    // First what is proven, then the two refusals.
    ran.exits(0)
        .says("-- 1. The card is read once")
        .says("PROVEN. You may format KITES")
        .says("-- 2. Two folders on one disk are one copy")
        .says("NOT PROVEN. Keep KITES as it is")
        .says("-- 3. Months later")
        .says("NOT INTACT. drive-b/kite-festival-card-1: 1 changed.");
    let places = ["PROVEN. You may", "NOT PROVEN", "NOT INTACT"].map(|said| ran.words().find(said));
    assert!(places.is_sorted(), "{ran}");
    assert!(ran.out.lines().count() <= 60, "{ran}");
    fits_eighty_columns(&ran);
    // Nothing is entered in a ledger either.
    assert_eq!(whole_tree(&work.path("")), before);
}

/// A second disk is one only where the system shows that it is: an image that is on the first one
/// is none, and neither is memory. (`tests/drivers` has two disks that are two.)
#[test]
fn the_demo_takes_no_image_for_a_second_disk() {
    let work = Work::new("demo-image");
    let image = |name: &str| {
        let at = work.folder(name);
        Image::ext4(&work.path(&format!("{name}.img")), &at, 1_500, "rw")
    };
    let Some(_home) = image("home/disk") else {
        return;
    };
    let mut demo = work.command();
    demo.arg("demo").env("HOME", work.path("home/disk"));
    let ran = finish(&mut demo);
    ran.exits(0)
        .says("$ unlade copy KITES --to drive-a --name kite-festival-card-1 --copies 1")
        .says("For two copies a second disk is missing here, so one was asked for.")
        .says("PROVEN. You may format KITES, in the camera, but that leaves one copy only.");
    assert_eq!(names_in(&work.path("home/disk")), ["lost+found"]);
}

#[test]
fn the_demo_keeps_what_it_made() {
    let work = Work::new("demo-kept");
    work.run("demo --keep kept").exits(0);
    let kept = work.path("kept");
    assert_eq!(names_in(&kept), ["KITES", "drive-a", "drive-b"]);
    let card: Tree = tree(&kept.join("KITES"));
    let copy = tree(&kept.join("drive-a/kite-festival-card-1"));
    assert!(copy.iter().all(|(path, node)| card.get(path) == Some(node)));
    assert!(names_in(&work.path("tmp")).is_empty());

    let before = whole_tree(&kept);
    work.run("demo --keep kept").exits(3).says("not empty");
    assert_eq!(whole_tree(&kept), before);
    put(&work.path("file"), &content(10, 1));
    work.run("demo --keep file").exits(3);
}

#[test]
fn the_report_page_is_made_again_and_never_replaced() {
    let work = Work::with_card("report");
    let offload = work.offload();
    let page = offload.join("_unlade/report.html");
    let before = bytes_of(&page);
    work.run("report a/KITES")
        .exits(0)
        .says("nothing was written");
    remove(&page);
    work.run("report a/KITES").exits(0);
    assert_eq!(bytes_of(&page), before, "byte for byte");
    work.run("report a/KITES --to page.html").exits(0);
    assert_eq!(bytes_of(&work.path("page.html")), before);
    work.run("report a/KITES --to page.html")
        .exits(3)
        .says("is not replaced");
    flip(&page, 300);
    let changed = bytes_of(&page);
    work.run("report a/KITES").exits(1).says("was not touched");
    assert_eq!(bytes_of(&page), changed);
    work.run("verify b/KITES").exits(0);
    flip(&offload.join("_unlade/manifest.json"), 300);
    work.run("report a/KITES").exits(3);
    work.run("report card").exits(3);
}

#[test]
fn a_deadline_is_answered_before_the_first_byte() {
    let work = Work::with_card("deadline");
    // 3.4 MB over a link of the first USB release, some 1 MB/s.
    let plan = "plan card --to a --link usb1-bulk --deadline";
    work.run(&format!("{plan} 1s"))
        .exits(0)
        .says("not all of it is done by then");
    work.run(&format!("{plan} 10m")).exits(0).says("by then");
    work.run("plan card --to a --deadline 1s")
        .exits(0)
        .says("nothing can be said");
    work.run(&format!("{plan} soon")).exits(2).says("14m");
    let ran = work.run(&format!("{plan} 1s --json"));
    let last = ran.exits(0).events().pop().unwrap();
    assert_eq!(last["event"], "schedule");
    assert_eq!(last["cards"][0]["done_by_deadline"], false);
    // The figure is the one that the copy itself begins with.
    let planned = event(&ran.events(), "planned")["forecast"].clone();
    assert_eq!(last["cards"][0]["takes"], planned);
    assert!(tree(&work.path("a")).is_empty());
}

/// A kept copy that rotted since, its size and date unchanged: neither a record nor an earlier
/// read-back makes it good. It is named, left as it is, and copied anew once it is out of the way.
#[test]
fn a_kept_copy_that_rotted_is_found_by_the_next_run() {
    let work = Work::with_card("rot");
    let still = "DCIM/100KITES/KITE0001.JPG";
    work.offload();
    let rotten = work.path("b/KITES").join(still);
    let date = rotten.metadata().unwrap().modified().unwrap();
    flip(&rotten, 30_000);
    let file = std::fs::File::options().write(true).open(&rotten).unwrap();
    file.set_modified(date).unwrap();
    let held = bytes_of(&rotten);
    let plan = work.run(&COPY.replace("copy", "plan"));
    plan.exits(0).says("checking again on this drive");
    // One copy is enough here, and there is one: what became of the other is told.
    let ran = work.run(COPY);
    ran.exits(0)
        .says("Problem (changed)")
        .says("1 complete copy; 1 needed")
        .says(&format!("Move `{still}` out of `b/KITES`"));
    assert_eq!(bytes_of(&rotten), held, "nothing on a drive is changed");
    let m = manifest(&work.path("a/KITES"));
    assert_eq!(m["verdict"]["copies"], 1);
    let told = problems_of(&m, "changed");
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(
        (told[0]["path"].as_str(), told[0]["destination"].as_u64()),
        (Some(still), Some(1))
    );
    assert_eq!(told[0]["blocking"], false);
    // `prove` says the same of each.
    for how in ["", " --reread"] {
        work.run(&format!("prove card --on a --on b --copies 1{how}"))
            .exits(0);
        work.run(&format!("prove card --on b --copies 1{how}"))
            .exits(1);
    }
    move_to(&rotten, &work.path("aside.JPG"));
    work.run(COPY).exits(0).says("and again now");
    let m = manifest(&work.path("b/KITES"));
    let files = m["files"].as_array().unwrap();
    for file in files {
        for copy in file["copies"].as_array().unwrap() {
            let is_new = file["path"] == still && copy["destination"] == 1;
            assert_eq!(copy["again"] == true, !is_new, "{file}");
        }
    }
    work.run("verify a/KITES b/KITES").exits(0);
}

/// A FAT drive that was pulled while earlier records were moved aside: an empty record says
/// nothing, so nothing is held against it.
#[test]
fn empty_earlier_records_are_no_difference() {
    let work = Work::with_card("emptied-records");
    let copy = "copy card --to a --to b --name KITES --copies 1";
    work.run(copy).exits(0);
    put(&work.path("card/DCIM/100KITES/LATER.JPG"), b"later");
    work.run(copy).exits(0);
    let earlier = work.offload().join("_unlade/earlier-1");
    work.run("verify a/KITES")
        .exits(0)
        .is_silent_of("some are not there");
    for record in [
        "report.html",
        "checksums.b3",
        "manifest.json.b3",
        "manifest.json",
    ] {
        put(&earlier.join(record), b"");
        work.run("verify a/KITES")
            .exits(0)
            .says("some are not there");
    }
    put(&earlier.join("manifest.json"), b"{");
    put(&earlier.join("manifest.json.b3"), b"{");
    work.run("verify a/KITES").exits(1);
}

/// What a FAT drive leaves that was pulled too early: nothing that is there is changed, and the
/// person hears what to do.
#[test]
fn empty_files_under_final_names_are_told_as_what_they_are() {
    let work = Work::with_card("empty");
    let root = work.offload();
    let still = root.join("DCIM/100KITES/KITE0001.JPG");
    put(&still, b"");
    let again = "copy card --to a --to b --name KITES --copies 1";
    work.run(again)
        .exits(3)
        .says("an empty file has this name, as a drive leaves it that was pulled")
        .says("delete them yourself and run the same command again");
    assert_eq!(bytes_of(&still), b"");
    remove(&still);
    work.run(again).exits(0);
    // The same of the manifest: beside a journal it counts as none.
    let records = root.join("_unlade");
    put(&records.join("manifest.json"), b"");
    work.run(again).exits(3).says("manifest");
}
