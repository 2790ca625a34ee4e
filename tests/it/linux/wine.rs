//! The Windows program under Wine, beside the native one. Run by `.ci/other-systems`, which builds
//! it and names it in `UNLADE_WINDOWS_EXE`; left out of a plain `cargo test`.
//!
//! Wine is no Windows: this shows how paths, names, sharing, renaming, exit codes and records
//! behave. It says nothing of real caches and devices, and the program knows that: a read-back
//! counts as cached, so no copy made here is PROVEN.

use crate::support::program::{
    Card, Ran, Work, age, bytes_of, finish, flip, interrupted, is_part, manifest, names_in,
    no_wrong_bytes, put, traces, tree, wait_until,
};
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A path of this system as Windows programs see it.
fn seen(path: &Path) -> String {
    format!("Z:{}", path.to_str().unwrap().replace('/', "\\"))
}

/// The Windows program in a folder of its own.
fn windows(work: &Work) -> Command {
    let exe = std::env::var_os("UNLADE_WINDOWS_EXE").expect("UNLADE_WINDOWS_EXE names no program");
    let prefix = std::env::var_os("WINEPREFIX").expect("WINEPREFIX names no folder");
    let native = work.command();
    let mut command = Command::new("wine");
    command
        .arg(exe)
        .env_clear()
        .envs(std::env::var_os("PATH").map(|path| ("PATH", path)))
        .env("WINEPREFIX", prefix)
        .env("WINEDEBUG", "-all")
        // Without it Wine takes names for ASCII and hides all others.
        .env("LC_ALL", "C.UTF-8")
        .env("HOME", work.path("home"))
        .env("UNLADE_HOME", seen(&work.path("home")))
        .current_dir(native.get_current_dir().unwrap())
        .stdin(Stdio::null());
    command
}

fn run(work: &Work, arguments: impl IntoIterator<Item = impl AsRef<OsStr>>) -> Ran {
    finish(windows(work).args(arguments))
}

fn words(text: &str) -> std::str::SplitWhitespace<'_> {
    text.split_whitespace()
}

/// Counts the copies in an offload that is being written, part files with them.
fn files_in(offload: &Path) -> usize {
    walkdir::WalkDir::new(offload)
        .into_iter()
        .filter_entry(|entry| entry.file_name() != "_unlade")
        .filter(|entry| entry.as_ref().is_ok_and(|e| e.file_type().is_file()))
        .count()
}

const COPY: &str = "copy card --to a --to b --name KITES --copies 1";

#[test]
#[ignore = "run by .ci/other-systems"]
fn the_demo_says_that_memory_proves_nothing_and_finds_the_bit() {
    let work = Work::new("wine-demo");
    let demo = run(&work, ["demo", "--keep", &seen(&work.path("demo"))]);
    demo.exits(1)
        .says("That is all")
        .says("What is read back here may come from memory")
        .says("changed `PRIVATE/CLIPS/C0002.MP4`: its content differs");
    for line in demo
        .words()
        .split(" PROVEN ")
        .skip(1)
        .zip(demo.words().split(" PROVEN "))
    {
        assert!(line.1.ends_with("NOT"), "PROVEN under Wine: {demo}");
    }
    let card = tree(&work.path("demo/KITES"));
    let good = tree(&work.path("demo/drive-a/kite-festival-card-1"));
    let flipped = tree(&work.path("demo/drive-b/kite-festival-card-1"));
    assert!(good.len() > 35);
    assert!(good.iter().all(|(path, node)| card.get(path) == Some(node)));
    let other = good
        .iter()
        .filter(|(p, n)| flipped.get(*p) != Some(n))
        .count();
    assert_eq!(other, 1, "one file differs");
}

#[test]
#[ignore = "run by .ci/other-systems"]
fn a_copy_holds_what_the_native_one_holds_and_records_the_same() {
    let work = Work::with_card("wine-copy");
    let paths = age(&work.path("card"));
    let before = traces(&paths);
    run(&work, words(&format!("{COPY} --verbose")))
        .exits(1)
        .says("NOT PROVEN")
        .says("not-read-back");
    // Wine itself decides on the date of access; all else of the card is as it was.
    let left = |all: &[crate::support::program::Traces]| -> Vec<_> {
        all.iter()
            .map(|t| (t.0, t.1, t.2, t.3, t.4[1], t.4[2]))
            .collect()
    };
    assert_eq!(left(&traces(&paths)), left(&before), "the card was touched");

    work.folder("c");
    work.run("copy card --to c --name KITES --copies 1")
        .exits(0);
    let card = tree(&work.path("card"));
    let (ours, native) = (
        manifest(&work.path("a/KITES")),
        manifest(&work.path("c/KITES")),
    );
    for offload in ["a/KITES", "b/KITES", "c/KITES"] {
        assert_eq!(tree(&work.path(offload)), card, "{offload}");
    }
    assert_eq!(
        names_in(&work.path("a/KITES/_unlade")),
        names_in(&work.path("c/KITES/_unlade"))
    );
    assert_eq!(
        ours["card"]["listing_b3"], native["card"]["listing_b3"],
        "same listing"
    );
    assert_eq!(ours["folders"], native["folders"]);
    assert_eq!(ours["destinations"][0]["readback"], "cached");
    assert_eq!(native["destinations"][0]["readback"], "direct");
    let files = |m: &serde_json::Value| -> Vec<_> {
        let files = m["files"].as_array().unwrap().iter();
        files
            .map(|f| {
                (
                    f["path"].clone(),
                    f["bytes"].clone(),
                    f["modified"].clone(),
                    f["blake3"].clone(),
                )
            })
            .collect()
    };
    assert_eq!(
        files(&ours),
        files(&native),
        "paths, sizes, dates and hashes"
    );
    let (a, c) = (
        "a/KITES/_unlade/checksums.b3",
        "c/KITES/_unlade/checksums.b3",
    );
    let sums = |at: &str| {
        let text = String::from_utf8(bytes_of(&work.path(at))).unwrap();
        let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
        lines.sort();
        lines
    };
    assert_eq!(sums(a), sums(c));
}

#[test]
#[ignore = "run by .ci/other-systems"]
fn a_copy_that_was_killed_goes_on() {
    let work = Work::new("wine-kill");
    let (a, b) = (work.folder("a"), work.folder("b"));
    let mut card = Card::new(&work.path("card"));
    for n in 0..40 {
        card = card.file(
            format!("DCIM/100KITES/KITE{n:04}.JPG"),
            900_000 + n,
            100 + u64::try_from(n).unwrap(),
        );
    }
    drop(card.file("PRIVATE/CLIPS/C0001.MP4", 90_000_000, 99));
    let expected = tree(&work.path("card"));
    let mut killed = 0;
    for files in [1, 5, 12, 25, 41] {
        let mut child = windows(&work)
            .args(words(COPY))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // Part files count, so that the last round is cut short in the clip.
        let ended = wait_until(&mut child, || files_in(&a.join("KITES")) >= files);
        if ended.is_none() {
            child.kill().unwrap();
            child.wait().unwrap();
            killed += 1;
        }
        for copy in [&a, &b] {
            let copy = copy.join("KITES");
            if copy.is_dir() {
                no_wrong_bytes(&expected, &tree(&copy), "after a kill");
            }
        }
    }
    assert!(killed > 0, "no run was cut short");
    run(&work, words(COPY)).exits(1).is_silent_of("mismatch");
    for copy in [&a, &b] {
        let found = tree(&copy.join("KITES"));
        assert_eq!(found, expected);
        assert!(found.keys().all(|path| !is_part(path)));
    }
}

#[test]
#[ignore = "run by .ci/other-systems"]
fn ctrl_c_keeps_what_is_done() {
    let work = Work::new("wine-stop");
    work.folder("a");
    work.folder("b");
    drop(Card::new(&work.path("card")).file("DCIM/100KITES/KITE0001.MP4", 400_000_000, 1));
    let mut child = windows(&work)
        .args(words(COPY))
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let ended = wait_until(&mut child, || files_in(&work.path("a/KITES/DCIM")) > 0);
    assert_eq!(ended, None, "ended before it could be stopped");
    let ran = interrupted(child);
    ran.exits(130).says("NOT PROVEN");
    run(&work, words(COPY)).exits(1);
    assert_eq!(tree(&work.path("a/KITES")), tree(&work.path("card")));
}

#[test]
#[ignore = "run by .ci/other-systems"]
fn what_one_system_wrote_the_other_verifies() {
    let work = Work::with_card("wine-verify");
    drop(
        Card::new(&work.path("card"))
            .file("MISC/caf\u{e9}.TXT", 300, 8)
            .file("MISC/cafe\u{301}-2.TXT", 301, 9)
            .file("MISC/\u{51e7}\u{fe0f}.TXT", 302, 10),
    );
    run(&work, words(COPY)).exits(1);
    work.run("verify a/KITES b/KITES")
        .exits(0)
        .says("10 of 10 files match");
    // The card's path is another one here; what it holds is the same.
    work.run("prove card --on a --copies 1 --by-content --reread")
        .exits(0)
        .says("PROVEN");
    flip(&work.path("b/KITES/PRIVATE/CLIPS/C0001.MP4"), 1_234_567);
    work.run("verify b/KITES")
        .exits(1)
        .says("changed `PRIVATE/CLIPS/C0001.MP4`");
    run(&work, ["verify", "b/KITES"])
        .exits(1)
        .says("changed `PRIVATE/CLIPS/C0001.MP4`");

    work.folder("c");
    work.run("copy card --to c --name KITES --copies 1")
        .exits(0);
    run(&work, ["verify", &seen(&work.path("c/KITES"))])
        .says("10 of 10 files match")
        .says("(cached)");
    put(&work.path("c/KITES/EXTRA.TXT"), b"extra");
    std::fs::remove_file(work.path("c/KITES/DCIM/101KITES/KITE0002.TXT")).unwrap();
    run(&work, ["verify", "c/KITES"])
        .exits(1)
        .says("`EXTRA.TXT`")
        .says("`DCIM/101KITES/KITE0002.TXT`");
}

#[test]
#[ignore = "run by .ci/other-systems"]
fn hard_names_arrive_and_impossible_ones_are_left_out() {
    let work = Work::new("wine-names");
    let (card, a) = (work.path("card"), work.folder("a"));
    let deep: PathBuf = (0..12)
        .map(|n| format!("a-folder-with-a-long-name-{n:02}"))
        .collect();
    drop(
        Card::new(&card)
            .file("NUL.TXT", 10, 1)
            .file("aux", 11, 2)
            .file("MISC/COM1.JPG", 12, 3)
            .file("MISC/caf\u{e9}.TXT", 13, 4)
            .file("MISC/ leading blank", 14, 5)
            .file("MISC/...many.dots.in.it", 15, 6)
            .file(format!("MISC/{}", "n".repeat(236)), 16, 7)
            .file(deep.join("KITE0001.JPG"), 17, 8)
            .folder("EMPTY"),
    );
    let copy = [
        "copy",
        &seen(&card),
        "--to",
        &seen(&a),
        "--name",
        "KITES",
        "--copies",
        "1",
    ];
    run(&work, copy)
        .exits(1)
        .says("8 files")
        .says("Windows will not open")
        .is_silent_of("mounted in it");
    assert_eq!(
        tree(&a.join("KITES")),
        tree(&card),
        "all names, also those of devices"
    );
    work.run("verify a/KITES").exits(0);

    // With nothing beside it whose folder is nearer.
    let far = work.path("far");
    drop(Card::new(&far).file(deep.join("KITE0001.JPG"), 17, 8));
    run(&work, words("copy far --to a --name FAR --copies 1"))
        .exits(1)
        .is_silent_of("write-failed")
        .is_silent_of("mounted in it");
    assert_eq!(tree(&a.join("FAR")), tree(&far));

    // A name that cannot be stored is left out there, and told.
    for (name, why) in [
        ("dot.", "ends in a dot or a blank"),
        ("blank ", "ends in a dot or a blank"),
    ] {
        let path = card.join(name);
        put(&path, b"x");
        let to = work.folder(&format!("without-{}", name.len()));
        let mut command = ["copy", "card", "--to"].map(str::to_owned).to_vec();
        command.extend([
            to.display().to_string(),
            "--name".to_owned(),
            "KITES".to_owned(),
        ]);
        run(&work, command)
            .exits(1)
            .says(why)
            .says("so it is not copied there");
        let names = names_in(&to.join("KITES"));
        assert!(
            !names.iter().any(|n| n == name.trim_end_matches(['.', ' '])),
            "{names:?}"
        );
        std::fs::remove_file(&path).unwrap();
    }
}

#[test]
#[ignore = "run by .ci/other-systems"]
fn nothing_that_stands_there_is_replaced_or_written_on_the_card() {
    let work = Work::with_card("wine-refuse");
    put(&work.folder("a/KITES").join("MINE.TXT"), b"mine");
    run(&work, words(COPY)).exits(3);
    assert_eq!(bytes_of(&work.path("a/KITES/MINE.TXT")), b"mine");
    assert_eq!(names_in(&work.path("a/KITES")), ["MINE.TXT"]);
    work.folder("card/inside");
    run(&work, words("copy card --to card/inside")).exits(3);
    run(&work, words("copy card --to nowhere")).exits(3);
    run(&work, words("copy card --no-such-flag")).exits(2);
    let card = seen(&work.path("card"));
    run(&work, ["copy", "card", "--to", &card]).exits(3);
    run(&work, ["--version"]).exits(0).says("unlade");
}

#[test]
#[ignore = "run by .ci/other-systems"]
fn the_ledger_and_plan_work_and_scripts_get_their_events() {
    let work = Work::with_card("wine-more");
    run(&work, words("plan card --to a --to b"))
        .exits(0)
        .says("Nothing was written");
    assert!(names_in(&work.path("a")).is_empty());
    let copy = run(
        &work,
        words(COPY).chain(["--json", "--shoot", "kite-festival"]),
    );
    let events = copy.exits(1).events();
    let verdict = events.last().unwrap();
    assert_eq!(
        (&verdict["event"], &verdict["proven"]),
        (&"verdict".into(), &false.into())
    );
    run(&work, ["ledger"])
        .exits(0)
        .says("KITES")
        .says("kite-festival");
    assert!(names_in(&work.path("home")).contains(&"ledger.jsonl".to_owned()));
}
