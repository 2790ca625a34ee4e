//! `verify` against everything that can happen to an offload: moved, copied to another file system,
//! nested, mounted read-only, littered; and against manifests and records made by somebody hostile,
//! in bounded memory.

use crate::support::image::{Image, done};
use crate::support::mount::{self, Fault, Kind, Mount, Options};
use crate::support::program::{
    Card, INTACT, Ran, Work, bytes_of, ended, finish, manifest, move_to, put, remove,
    store_manifest, store_without_page, wait_until, whole_tree,
};
use serde_json::{Value, json};
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Command, Stdio};

const STILL: &str = "DCIM/100KITES/KITE0001.JPG";

// ---- where it lies ----------------------------------------------------------------------------

#[test]
fn an_offload_that_was_copied_to_another_file_system_verifies_there_also_read_only() {
    let work = Work::with_card("elsewhere");
    work.folder("mnt");
    let offload = work.offload();
    let Some(mut image) = Image::ext4(&work.path("other.img"), &work.path("mnt"), 32, "rw") else {
        return;
    };
    let to = work.folder("mnt/archive/2026/kites");
    assert!(done(
        "cp",
        &["-a", offload.to_str().unwrap(), to.to_str().unwrap()]
    ));
    work.run("verify mnt/archive/2026/kites/KITES")
        .exits(0)
        .says(INTACT)
        .says("7 of 7 files");
    image.unmount();
    assert!(image.mount("ro"));
    // From inside, by a relative path, as on another machine.
    let mut inside = work.command();
    inside
        .current_dir(work.path("mnt/archive/2026/kites/KITES"))
        .args(["verify", "."]);
    finish(&mut inside).exits(0).says(INTACT);
    image.unmount();
    assert!(image.mount("rw"));
    put(&to.join("KITES/DCIM/100KITES/KITE0001.JPG"), b"other");
    image.unmount();
    assert!(image.mount("ro"));
    work.run("verify mnt/archive/2026/kites/KITES")
        .exits(1)
        .says("is 5 bytes, should be 40000");
}

#[test]
fn offloads_below_offloads_and_behind_links_are_told_apart() {
    let work = Work::with_card("nested");
    let offload = work.offload();
    symlink(&offload, work.path("link")).unwrap();
    work.run("verify link").exits(0).says(INTACT);
    // A whole offload inside another one is extra there, and an offload of its own.
    move_to(&work.path("b/KITES"), &offload.join("INNER"));
    work.run("verify a/KITES/INNER").exits(0).says(INTACT);
    let outer = work.run("verify a/KITES");
    outer.exits(1).says("").says("extra `INNER`");
}

/// Names from the same sources as in `binary.rs`; the numbers are those of a producer's drive after
/// two days on other computers.
#[test]
fn litter_that_came_later_is_reported_apart_and_no_fault() {
    let work = Work::with_card("litter-apart");
    let offload = work.offload();
    for n in 0..214 {
        put(
            &offload.join(format!("DCIM/100KITES/._KITE{n:04}.JPG")),
            b"side",
        );
    }
    put(&offload.join(".DS_Store"), b"window");
    put(&offload.join("_unlade/.DS_Store"), b"window");
    put(&offload.join("_unlade/._manifest.json"), b"side");
    for folder in [
        ".Trashes/501",
        ".Spotlight-V100/Store-V2",
        "System Volume Information",
    ] {
        work.folder(&format!("a/KITES/{folder}"));
    }
    let clean = work.run("verify a/KITES");
    clean
        .exits(0)
        .says(INTACT)
        .says("made by a computer since")
        .says("no fault");
    let told = work.run("verify a/KITES --json").exits(0).events();
    let verdict = told.last().unwrap();
    assert_eq!(
        (&verdict["unchanged"], &verdict["extra"], &verdict["litter"]),
        (&json!(true), &json!(0), &json!(222)),
        "217 files, 5 folders: {verdict}"
    );
    // The same litter beside a real fault of each kind.
    remove(&offload.join("DCIM/101KITES/KITE0001.JPG"));
    put(&offload.join("DCIM/100KITES/KITE0001.JPG"), b"other");
    put(&offload.join("DCIM/100KITES/KITE0099.JPG"), b"new");
    work.run("verify a/KITES")
        .exits(1)
        .says("1 missing, 1 changed, 1 extra")
        .says("222 entries made by a computer since");
}

/// Names from memory: Windows, the desktops of Linux, network storage.
#[test]
fn what_computers_put_into_an_offload_later_is_litter() {
    let work = Work::with_card("later-litter");
    drop(Card::new(&work.path("card")).file("DCIM/desktop.ini", 90, 7));
    let offload = work.offload();
    for path in [
        "Thumbs.db",
        "DCIM/100KITES/Thumbs.db",
        "DCIM/100KITES/desktop.ini",
        ".Trash-1000/files/old.txt",
        "DCIM/@eaDir/KITE0001.JPG/thumb.jpg",
    ] {
        let path = offload.join(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        put(&path, b"computer");
    }
    work.run("verify a/KITES")
        .exits(0)
        .says(INTACT)
        .says("made by a computer since");
    // The card's own is a file like any other.
    put(&offload.join("DCIM/desktop.ini"), b"other");
    put(&offload.join("DCIM/@eaDir.JPG"), b"new");
    work.run("verify a/KITES")
        .exits(1)
        .says("changed `DCIM/desktop.ini`")
        .says("1 changed, 1 extra");
}

/// A name that is not text can look like one that is known once it is shown.
#[test]
fn a_stranger_whose_name_looks_known_is_a_stranger() {
    use std::os::unix::ffi::OsStrExt as _;
    let work = Work::with_card("looks-known");
    Card::new(&work.path("card")).file("DCIM/KITE\u{fffd}.JPG", 900, 40);
    let offload = work.offload();
    work.run("verify a/KITES").exits(0);
    let raw = std::ffi::OsStr::from_bytes(b"DCIM/KITE\xff.JPG");
    put(&offload.join(raw), b"who");
    work.run("verify a/KITES").exits(1).says("1 extra");
}

// ---- the records ------------------------------------------------------------------------------

#[test]
fn list_and_page_must_be_what_the_manifest_gives() {
    let work = Work::with_card("records");
    let offload = work.offload();
    for (name, text) in [
        ("checksums.b3", "does not say what the manifest says"),
        ("report.html", "does not say what the manifest says"),
    ] {
        let path = offload.join("_unlade").join(name);
        let whole = bytes_of(&path);
        // A shorter list passes `b3sum --check` and proves less.
        let last = whole.len()
            - whole
                .iter()
                .rev()
                .skip(1)
                .position(|&b| b == b'\n')
                .unwrap()
            - 1;
        put(&path, &whole[..last]);
        let ran = work.run("verify a/KITES");
        ran.exits(1)
            .says(&format!("changed `_unlade/{name}`: {text}"));
        ran.says("The files are as they were copied");
        remove(&path);
        let ran = work.run("verify a/KITES");
        if name == "report.html" {
            ran.exits(0).says("The report page is gone");
        } else {
            ran.exits(1).says(&format!("missing `_unlade/{name}`"));
        }
        put(&path, &whole);
        work.run("verify a/KITES").exits(0);
    }
    put(&offload.join("_unlade/notes.txt"), b"mine");
    work.run("verify a/KITES")
        .exits(1)
        .says("extra `_unlade/notes.txt`");
    remove(&offload.join("_unlade/notes.txt"));
    // What an interrupted run leaves is told and no fault.
    put(&offload.join("_unlade/journal.jsonl"), b"");
    work.run("verify a/KITES")
        .exits(0)
        .says("A later copy into this offload was cut short");
}

#[test]
fn a_manifests_hash_must_be_the_line_that_was_written() {
    let work = Work::with_card("hash-line");
    let offload = work.offload();
    let path = offload.join("_unlade/manifest.json.b3");
    let line = String::from_utf8(bytes_of(&path)).unwrap();
    put(&path, line.trim_end().as_bytes());
    work.run("verify a/KITES").exits(0);
    for touched in [
        line.to_uppercase(),
        line.replace("manifest.json", "manifest.jsoN"),
        line.replace("  ", " *"),
        format!("{line}{line}"),
        format!("\\{line}"),
        String::new(),
        line.replacen(line.get(..1).unwrap(), "g", 1),
    ] {
        put(&path, touched.as_bytes());
        let ran = work.run("verify a/KITES");
        ran.exits(3).says("manifest");
        assert_eq!(
            ran.err.lines().filter(|l| l.contains("a/KITES")).count(),
            1,
            "{touched:?}: {ran}"
        );
    }
    remove(&path);
    work.run("verify a/KITES")
        .exits(1)
        .says("missing `_unlade/manifest.json.b3`");
}

// ---- hostile manifests ------------------------------------------------------------------------

/// Address space of the program in these tests, in kB: a manifest of 30 MB whose lists were taken
/// at their word would need far more.
const MEMORY_KB: u64 = 400_000;

fn verify_within_bounds(work: &Work) -> Ran {
    let mut command = Command::new("sh");
    command
        .args([
            "-c",
            &format!("ulimit -v {MEMORY_KB} && exec \"$0\" verify a/KITES"),
        ])
        .arg(env!("CARGO_BIN_EXE_unlade"))
        .env("HOME", work.path("home"))
        .current_dir(work.path("."));
    finish(&mut command)
}

#[track_caller]
fn is_refused_in_one_line(ran: &Ran, what: &str) {
    assert_eq!(ran.code, 3, "{what}: {ran}");
    assert!(!ran.err.contains("panicked"), "{what}: {ran}");
    let about = ran.err.lines().filter(|l| l.contains("cannot be checked"));
    assert_eq!(about.count(), 1, "{what}: {ran}");
    assert!(
        ran.out.is_empty() && ran.err.len() < 2_000,
        "{what}: {} bytes",
        ran.err.len()
    );
    assert!(!ran.err.contains(['\u{1b}', '\u{202e}']), "{what}");
}

#[test]
fn hostile_numbers_and_words_are_refused_in_one_line() {
    let work = Work::with_card("hostile-2");
    let offload = work.offload();
    let sound = manifest(&offload);
    let with = |pointer: &str, value: Value| {
        let mut m = sound.clone();
        *m.pointer_mut(pointer).unwrap() = value;
        m.to_string()
    };
    let plus = |key: &str, text: &str| {
        sound
            .to_string()
            .replacen('{', &format!("{{\"{key}\":{text},"), 1)
    };
    let two_63 = json!(9_223_372_036_854_775_808_u64);
    let most = json!(9_007_199_254_740_991_u64);
    let mut sum = sound.clone();
    for n in 0..3 {
        sum["files"][n]["bytes"] = most.clone();
    }
    let cases = [
        ("2^63 bytes", with("/files/0/bytes", two_63.clone())),
        ("2^64 - 1 bytes", with("/files/0/bytes", u64::MAX.into())),
        (
            "2^64 bytes",
            sound
                .to_string()
                .replacen("\"bytes\":40000", "\"bytes\":18446744073709551616", 1),
        ),
        ("a sum beyond 2^53", sum.to_string()),
        ("2^63 in all", with("/totals/bytes", two_63.clone())),
        ("a card of 2^63", with("/card/bytes_total", two_63.clone())),
        (
            "rates beyond 2^53",
            with("/rates/read", json!([most, most])),
        ),
        ("a time below zero", with("/files/0/read_s", json!(-1.0))),
        (
            "a time without end",
            with("/forecast/actual_s", json!(1e300)),
        ),
        (
            "a problem on drive 2^63",
            with(
                "/problems",
                json!([{"kind": "changed", "path": null, "destination": two_63, "detail": "",
                    "blocking": false}]),
            ),
        ),
        (
            "65 destinations",
            with(
                "/destinations",
                Value::from(vec![sound["destinations"][0].clone(); 65]),
            ),
        ),
        (
            "a hash twice",
            sound
                .to_string()
                .replacen("\"also\":{}", "\"also\":{\"md5\":\"a\",\"md5\":\"b\"}", 1),
        ),
        ("colours in a key", plus("\\u001b[31mred\\u202e", "1")),
        ("a key of 1 MB", plus(&"k".repeat(1_000_000), "1")),
        (
            "colours in a path",
            with("/files/0/path", json!("../\u{1b}[31mred")),
        ),
        (
            "a path of 1 MB",
            with("/files/0/path", json!("x/".repeat(500_000))),
        ),
        (
            "a million levels under an unknown key",
            plus(
                "x",
                &format!("{}{}", "[".repeat(1_000_000), "]".repeat(1_000_000)),
            ),
        ),
        (
            "a million levels under a known key",
            with("/folders", json!("HERE")).replace("\"HERE\"", &"[".repeat(1_000_000)),
        ),
        (
            "a million objects deep",
            plus(
                "x",
                &format!("{}1{}", "{\"x\":".repeat(1_000_000), "}".repeat(1_000_000)),
            ),
        ),
        ("not UTF-8", "\u{fffd}".to_owned()),
    ];
    for (what, text) in cases {
        store_manifest(&offload, text.as_bytes());
        is_refused_in_one_line(&verify_within_bounds(&work), what);
    }
    let mut raw = sound.to_string().into_bytes();
    raw[10] = 0xff;
    store_manifest(&offload, &raw);
    is_refused_in_one_line(&verify_within_bounds(&work), "a byte that is not UTF-8");
    store_manifest(&offload, sound.to_string().as_bytes());
    verify_within_bounds(&work).exits(0);
}

/// Lists of millions of tiny entries need twenty times their bytes in memory if they are believed.
#[test]
fn huge_manifests_are_refused_in_bounded_memory() {
    let work = Work::with_card("huge");
    let offload = work.offload();
    let sound = manifest(&offload);
    let path = offload.join("_unlade/manifest.json");
    // A gigabyte of nothing takes no room on the disk and would on the heap.
    let file = std::fs::File::options().write(true).open(&path).unwrap();
    file.set_len(1 << 30).unwrap();
    drop(file);
    let ran = verify_within_bounds(&work);
    is_refused_in_one_line(&ran, "a gigabyte");
    ran.says("1.1 GB").says("more than the 536.9 MB");

    let around = |key: &str, value: &str| {
        let mut m = sound.clone();
        m[key] = json!("HERE");
        m.to_string().replace("\"HERE\"", value)
    };
    let many = |entry: &str, bytes: usize| {
        let count = bytes / (entry.len() + 1);
        format!("[{}{entry}]", format!("{entry},").repeat(count))
    };
    for (what, text) in [
        (
            "30 MB of empty folders",
            around("folders", &many("\"\"", 30_000_000)),
        ),
        (
            "30 MB of rates",
            around(
                "rates",
                &format!(
                    "{{\"every_s\":1,\"read\":{},\"write\":[],\"readback\":[]}}",
                    many("1", 30_000_000)
                ),
            ),
        ),
        (
            "30 MB of series",
            around(
                "rates",
                &format!(
                    "{{\"every_s\":1,\"read\":[],\"write\":{},\"readback\":[]}}",
                    many("[]", 30_000_000)
                ),
            ),
        ),
        (
            "30 MB of reasons",
            around(
                "verdict",
                &format!(
                    "{{\"proven\":false,\"copies\":0,\"reasons\":{}}}",
                    many("\"\"", 30_000_000)
                ),
            ),
        ),
    ] {
        store_without_page(&offload, text.as_bytes());
        let ran = verify_within_bounds(&work);
        is_refused_in_one_line(&ran, what);
        ran.says("a list of more than");
    }
}

/// Puts something odd at the first path; the second is a file outside.
type Make = fn(&Path, &Path);

#[test]
fn records_that_are_links_pipes_or_folders_are_not_followed() {
    let work = Work::with_card("odd-records");
    let offload = work.offload();
    let outside = work.path("outside.json");
    for name in [
        "manifest.json",
        "manifest.json.b3",
        "checksums.b3",
        "report.html",
    ] {
        let path = offload.join("_unlade").join(name);
        let whole = bytes_of(&path);
        put(&outside, &whole);
        let odd: [(&str, Make); 4] = [
            ("link", |path, outside| symlink(outside, path).unwrap()),
            ("endless", |path, _| symlink("/dev/zero", path).unwrap()),
            ("folder", |path, _| std::fs::create_dir(path).unwrap()),
            ("pipe", |path, _| {
                use rustix::fs::{CWD, FileType, Mode, mknodat};
                mknodat(CWD, path, FileType::Fifo, Mode::RUSR, 0).unwrap();
            }),
        ];
        for (what, make) in odd {
            remove(&path);
            make(&path, &outside);
            let ran = work.run("verify a/KITES");
            let code = if name.starts_with("manifest") { 3 } else { 1 };
            ran.exits(code)
                .is_silent_of(INTACT)
                .is_silent_of("panicked");
            if what == "folder" {
                std::fs::remove_dir(&path).unwrap();
            } else {
                remove(&path);
            }
            put(&path, &whole);
        }
    }
    work.run("verify a/KITES").exits(0);
    // Nor is the folder of records itself.
    move_to(&offload.join("_unlade"), &work.path("records"));
    symlink(work.path("records"), offload.join("_unlade")).unwrap();
    work.run("verify a/KITES").exits(3).says("is not a folder");
}

/// Folders below folders are told where the walk ends, never passed over.
#[test]
fn a_tree_that_is_too_deep_is_told() {
    let work = Work::with_card("deep");
    work.offload();
    let deep = "d/".repeat(200);
    work.folder(&format!("a/KITES/{deep}"));
    let before = whole_tree(&work.path("card"));
    work.run("verify a/KITES")
        .exits(1)
        .says("extra `d`")
        .says("extra");
    work.folder(&format!("card/{deep}"));
    put(&work.path(&format!("card/{deep}KITE0001.JPG")), b"deep");
    let ran = work.run("copy card --to b --name DEEP --copies 1");
    ran.exits(1)
        .says("NOT PROVEN")
        .says("is more than 128 folders deep");
    assert!(before.len() < whole_tree(&work.path("card")).len());
}

/// Whoever has to take a file from another copy is told where one is.
#[test]
fn another_copy_is_named_where_a_file_is_lost() {
    let work = Work::with_card("other-copies");
    let offload = work.offload();
    let still = "DCIM/100KITES/KITE0001.JPG";
    remove(&offload.join(still));
    let b = work.path("b/KITES").canonicalize().unwrap();
    let ran = work.run("verify a/KITES");
    ran.exits(1)
        .says(&format!("`{}` has this file, by its manifest", b.display()));
    let told = work.run("verify a/KITES --json").events().pop().unwrap();
    assert_eq!(told["other_copies"][0]["files"], 1, "{told}");
    // A copy that lacks it as well is no help, and one that is away is told as such.
    remove(&b.join(still));
    work.run("verify a/KITES").says("has none of this");
    move_to(&work.path("b"), &work.path("b-in-the-bag"));
    work.run("verify a/KITES")
        .says("It is not there now, though the drive is plugged in");
    work.run("verify b-in-the-bag/KITES").exits(1);
}

/// A slip of the finger is no offload, and keeps no other from being checked.
#[test]
fn what_is_not_there_is_not_counted_as_an_offload() {
    let work = Work::with_card("verify-typo");
    work.offload();
    work.run("verify a/KITES a/KITSE")
        .exits(3)
        .says("INTACT")
        .says("`a/KITSE` cannot be checked: it is not there.")
        .says("1 offload is intact. `a/KITSE` is not there.")
        .is_silent_of("of 2");
    work.run("verify a/KITES b/KITES nowhere else")
        .exits(3)
        .says("Both offloads are intact. `nowhere` and `else` are not there.");
    work.run("verify nowhere else")
        .exits(3)
        .says("Nothing was checked. `nowhere` and `else` are not there.");
    put(&work.path("a/KITES/NEW.JPG"), &[1; 10]);
    work.run("verify a/KITES nowhere")
        .says("`a/KITES` is not intact. `nowhere` is not there.")
        .exits(3);
}

/// By what it holds: nothing is lost, and nothing is where the manifest has it.
#[test]
fn what_was_renamed_is_known_by_what_it_holds() {
    for (layout, tree) in [("plain", ""), ("bag", "data/")] {
        let work = Work::with_card("renamed");
        work.run(&format!(
            "copy card --to a --to b --name KITES --copies 1 --layout {layout}"
        ))
        .exits(0);
        let below = |path: &str| work.path("a/KITES").join(format!("{tree}{path}"));
        move_to(&below(STILL), &below("DCIM/best.jpg"));
        // As large as what is missing, and something else.
        remove(&below("DCIM/100KITES/KITE0002.JPG"));
        put(&below("DCIM/other.jpg"), &vec![7; 41_000]);
        // One more of what is in its place is extra as before.
        let raw = bytes_of(&below("DCIM/100KITES/KITE0002.DNG"));
        put(&below("DCIM/again.dng"), &raw);
        work.run("verify a/KITES")
            .exits(1)
            .says("NOT INTACT")
            .says(&format!(
                "moved `{tree}{STILL}`: is whole at `{tree}DCIM/best.jpg`"
            ))
            .says(&format!("missing `{tree}DCIM/100KITES/KITE0002.JPG`"))
            .says(&format!("extra `{tree}DCIM/other.jpg`"))
            .says(&format!("extra `{tree}DCIM/again.dng`"))
            .is_silent_of(&format!("missing `{tree}{STILL}`"));
        let ran = work.run("verify a/KITES --json");
        let verdict = ran.exits(1).verdict();
        let counts = ["moved", "missing", "extra"].map(|key| verdict[key].as_u64());
        assert_eq!(counts[0], Some(1), "{ran}");
        assert_eq!(counts[1], Some(1), "{ran}");
        // What is not in its place is not counted, also when all was read.
        work.run("prove card --on a --copies 1 --reread")
            .exits(1)
            .says(STILL);
    }
}

/// Reading takes its time, and somebody may put something there meanwhile.
#[test]
fn a_file_that_comes_while_an_offload_is_read_is_extra() {
    if mount::skip() {
        return;
    }
    let work = Work::with_card("came");
    work.run("copy card --to b --name KITES --copies 1")
        .exits(0);
    let clip = "KITES/PRIVATE/CLIPS/C0001.MP4";
    let stall = Kind::StallRead {
        off: 2_000_000,
        ms: 1_500,
    };
    let options = Options {
        faults: vec![Fault::new(stall).path(clip).times(1)],
        ..Options::default()
    };
    let drive = Mount::new(&work.path("b"), &work.folder("m"), options).unwrap();
    let mut command = work.command();
    command.args(["verify", "m/KITES"]);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let is_over = wait_until(&mut child, || drive.fired("StallRead") > 0);
    assert_eq!(is_over, None, "it ended before the drive stalled");
    put(&work.path("b/KITES/DCIM/CAME.JPG"), b"came");
    put(&work.path("b/KITES/DCIM/.DS_Store"), b"litter");
    ended(child)
        .exits(1)
        .says("extra `DCIM/CAME.JPG`")
        .is_silent_of(".DS_Store");
}

/// A folder beside it that is called nearly so is named.
#[test]
fn a_slip_of_the_finger_is_answered_with_what_is_there() {
    let work = Work::with_card("slip");
    work.offload();
    work.run("verify a/KITSE")
        .exits(3)
        .says("Next: did you mean `a/KITES`?");
    work.run("verify a/ATTIC")
        .exits(3)
        .says("is the drive plugged in, and is the path right?");
}

/// The folder that one is in is called that.
#[test]
fn what_one_is_in_has_no_name_in_a_sentence() {
    let work = Work::with_card("here");
    work.offload();
    let mut here = work.command();
    here.current_dir(work.path("a/KITES")).args(["verify", "."]);
    finish(&mut here)
        .exits(0)
        .says("INTACT. This folder is what its manifest says.");
}

/// An offload whose copy was not proven may be intact, and so may a folder of others.
#[test]
fn what_is_intact_and_proves_no_card_is_not_called_unproven() {
    let work = Work::with_card("intact-all");
    work.offload();
    put(&work.folder("sent").join("CUT.MOV"), b"abc");
    let list = b"900150983cd24fb0d6963f7d28e17f72  CUT.MOV\n";
    put(&work.path("sent/MD5SUMS"), list);
    let ran = work.run("verify a/KITES sent --json");
    let all = ran.exits(0).events().pop().unwrap();
    assert_eq!(all["proven"], false);
    assert_eq!(
        all["reasons"],
        json!(["`sent` is intact, which alone proves no card"])
    );
    symlink(work.path("sent/MD5SUMS"), work.path("link.md5")).unwrap();
    work.run("verify --list link.md5 --base sent")
        .exits(3)
        .says("it is a symbolic link, which is not followed; give the file itself")
        .is_silent_of("Too many levels");
}
