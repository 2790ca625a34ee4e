//! `report FOLDER --to FILE`: the page of a folder that was checked against the lists of others.
//! It says what `verify` says of the same folder, and nothing is written into that.

use crate::support::program::{
    Card, Ran, Work, bytes_of, flip, move_to, put, remove, skip, tool, whole_tree,
};
use std::path::Path;
use std::process::Command;

pub(super) const HOSTILE: &str = "<script>alert(1)<img src=x onerror=alert(1)>\"'\u{202e}gpj";

/// A folder `K` with a list of GNU coreutils.
pub(super) fn listed(name: &str, files: &[&str]) -> Option<Work> {
    let work = Work::new(name);
    let mut card = Card::new(&work.path("K"));
    for (seed, file) in (1..).zip(files) {
        card = card.file(file, 40_000, seed);
    }
    list(&work.path("K")).then_some(work)
}

/// Writes `SHA256SUMS` of all that is there; `false`, said loudly, where it can't be.
fn list(folder: &Path) -> bool {
    let Some(program) = tool("sha256sum") else {
        skip("sha256sum (coreutils) is not installed");
        return false;
    };
    let line = format!(
        "find . -type f -print0 | sort -z | xargs -0 {} > ../sums && mv ../sums SHA256SUMS",
        program.display()
    );
    let mut bash = Command::new("bash");
    bash.args(["-c", &line]).current_dir(folder);
    bash.env("LC_ALL", "C.UTF-8").status().unwrap().success()
}

fn page(work: &Work, name: &str) -> String {
    String::from_utf8(bytes_of(&work.path(name))).unwrap()
}

/// The answer is the last that is said.
fn answer(ran: &Ran) -> String {
    let words = ran.out.trim_end().rsplit("\n\n").next().unwrap();
    words.replace('\n', " ")
}

const FILES: [&str; 5] = [
    "DCIM/100KITES/KITE0001.JPG",
    "DCIM/100KITES/KITE0002.JPG",
    "DCIM/100KITES/KITE0003.JPG",
    "DCIM/100KITES/KITE0004.JPG",
    "SOUND/WIND.WAV",
];

#[test]
fn the_page_of_an_intact_folder_says_what_was_checked() {
    let Some(work) = listed("check-page", &FILES) else {
        return;
    };
    let before = whole_tree(&work.path("K"));
    let ran = work.run("report K --to check.html");
    ran.exits(0)
        .says("5 of 5 files match")
        .says("The page of this check is check.html")
        .says("INTACT. K is what its list says.");
    assert_eq!(answer(&ran), answer(work.run("verify K").exits(0)));
    assert_eq!(whole_tree(&work.path("K")), before, "nothing is written");
    let page = page(&work, "check.html");
    for says in [
        "<h1>INTACT</h1>",
        "K is what its list says.",
        "It doesn't say which card that came from, or that there is a second copy.",
        "So it is never PROVEN",
        "checksum list `SHA256SUMS` (sha256), 5 files",
        "past the computer's memory",
        "200.0 kB",
        "KITE0001.JPG",
    ] {
        assert!(page.contains(says), "{says}: {page}");
    }
    for never in ["You may format", "What does not fit", "Safe on", "<script"] {
        assert!(!page.contains(never), "{never}");
    }
    // Its own page is none that `verify` minds, wherever it is.
    work.run("verify K").exits(0);
}

#[test]
fn the_page_of_a_folder_that_is_not_intact_has_all_that_does_not_fit() {
    let Some(work) = listed("check-page-not", &FILES) else {
        return;
    };
    let at = |n: usize| work.path("K").join(FILES[n]);
    flip(&at(0), 1_000);
    remove(&at(1));
    move_to(&at(2), &work.path("K/best.jpg"));
    put(&work.path("K/NEW.JPG"), &[7; 90]);
    put(&work.path("K/.DS_Store"), &[7; 90]);
    let ran = work.run("report K --to check.html");
    ran.exits(1)
        .says("NOT INTACT. K: 1 missing, 1 changed, 1 extra, 1 moved.")
        .says("The page of this check is check.html");
    assert_eq!(answer(&ran), answer(work.run("verify K").exits(1)));
    let page = page(&work, "check.html");
    let mut rest = page.as_str();
    for says in [
        "<h1>NOT INTACT</h1>",
        "K: 1 missing, 1 changed, 1 extra, 1 moved.",
        "What does not fit",
        "Missing: 1",
        "KITE0002.JPG",
        "Changed: 1",
        "KITE0001.JPG",
        "its sha256 is not the one in the list",
        "Moved: 1",
        "KITE0003.JPG",
        "best.jpg",
        "Extra: 1",
        "NEW.JPG",
        "Made by a computer since",
        ".DS_Store",
        "Files that match",
        "WIND.WAV",
    ] {
        let (_, after) = rest
            .split_once(says)
            .unwrap_or_else(|| panic!("{says}: {page}"));
        rest = after;
    }
}

#[test]
fn nothing_is_written_where_nobody_said_so() {
    let Some(work) = listed("check-page-to", &FILES) else {
        return;
    };
    let before = whole_tree(&work.path("K"));
    work.run("report K")
        .exits(3)
        .says("nothing is written into such a folder")
        .says("with --to FILE it is checked")
        .is_silent_of("match");
    put(&work.path("there.html"), b"a page");
    for (to, why) in [
        ("there.html", "is there already and is not replaced"),
        ("K/check.html", "a file that no list names"),
        ("K/DCIM/check.html", "a file that no list names"),
        ("nowhere/check.html", "cannot be used"),
    ] {
        // Before anything is read.
        work.run(&format!("report K --to {to}"))
            .exits(3)
            .says(why)
            .is_silent_of("match");
    }
    work.run("report K --pictures --to check.html")
        .exits(3)
        .says("no page of pictures");
    assert_eq!(bytes_of(&work.path("there.html")), b"a page");
    assert_eq!(whole_tree(&work.path("K")), before);
    assert!(!work.path("check.html").exists());
    // What has no list at all is told as `verify` tells it.
    work.folder("empty");
    for line in [
        "report empty",
        "report empty --to check.html",
        "verify empty",
    ] {
        work.run(line)
            .exits(3)
            .says("nothing here says what it should hold: no `_unlade`, bag or checksum list")
            .says("give the folder that holds `_unlade`, a bag or a checksum list");
    }
    assert!(!work.path("check.html").exists());
    work.run("report --list K/SHA256SUMS").exits(2).says("--to");
}

#[test]
fn a_list_from_elsewhere_has_its_page_too() {
    let Some(work) = listed("check-page-list", &FILES) else {
        return;
    };
    move_to(&work.path("K/SHA256SUMS"), &work.path("kites.sha256"));
    let both = "report K --list kites.sha256 --base K --to check.html";
    let ran = work.run(both);
    ran.exits(2)
        .says("`unlade report K --list kites.sha256 --to PAGE`");
    work.run("report K --list kites.sha256 --to by-folder.html")
        .exits(0);
    work.run("report --list kites.sha256 --base K --to check.html")
        .exits(0)
        .says("INTACT. K is what its list says.");
    let page = page(&work, "check.html");
    assert!(page.contains("checksum list `kites.sha256` (sha256), 5 files"));
    assert!(page.contains("<h1>INTACT</h1>"));
}

/// What else `verify` knows: a bag and a media hash list, as this program makes them.
#[test]
fn bags_and_media_hash_lists_have_their_pages() {
    let work = Work::with_card("check-page-kinds");
    for (how, name) in [("--layout bag", "BAG"), ("--mhl", "MHL")] {
        work.run(&format!("copy card --to a --name {name} --copies 1 {how}"))
            .exits(0);
        let offload = work.path("a").join(name);
        // The offload of ours has a page of its own.
        work.run(&format!("report a/{name} --to ours-{name}.html"))
            .exits(0)
            .says("The report page is");
        move_to(&offload.join("_unlade"), &work.path(name));
        let tags = offload.join("tagmanifest-sha256.txt");
        // It names what was in `_unlade`.
        if tags.is_file() {
            remove(&tags);
        }
    }
    // Where the ledger knows a copy it stays ours.
    move_to(&work.path("a"), &work.path("theirs"));
    work.run("report theirs/BAG --to bag.html").exits(0);
    assert!(page(&work, "bag.html").contains("bag (BagIt 1.0) `manifest-sha256.txt`"));
    work.run("report theirs/MHL --to mhl.html").exits(0);
    assert!(page(&work, "mhl.html").contains("ASC media hash list `ascmhl`, 1 generation"));
}

#[test]
fn names_do_nothing_on_the_page() {
    let Some(work) = listed("check-page-hostile", &[HOSTILE, "KITE.JPG"]) else {
        return;
    };
    remove(&work.path("K").join(HOSTILE));
    put(&work.path("K").join(format!("x{HOSTILE}")), b"new");
    work.run("report K --to check.html").exits(1);
    let page = page(&work, "check.html");
    assert!(!page.contains("<script"), "{page}");
    assert!(!page.contains("<img"), "{page}");
    assert!(!page.contains('\u{202e}'), "{page}");
    assert!(page.contains("&lt;script&gt;alert(1)"), "{page}");
    assert!(page.contains("\\u{202e}gpj"), "{page}");
}

#[test]
fn programs_are_told_of_the_page_and_the_answer() {
    let Some(work) = listed("check-page-json", &FILES) else {
        return;
    };
    remove(&work.path("K").join(FILES[0]));
    let ran = work.run("report K --to check.html --json");
    let events = ran.exits(1).events();
    let kinds: Vec<&str> = events
        .iter()
        .map(|e| e["event"].as_str().unwrap())
        .collect();
    assert_eq!(kinds, ["problem", "report", "verdict"]);
    assert_eq!(events[1]["what"], "folder");
    assert_eq!(events[1]["path"], "check.html");
    assert_eq!(events[1]["exit_code"], 1);
    let verdict = &events[2];
    assert_eq!(verdict["unchanged"], false);
    assert_eq!(verdict["proven"], false);
    assert_eq!(verdict["missing"], 1);
    let refused = work.run("report K --json").exits(3).events();
    assert_eq!(refused.len(), 1);
    assert_eq!(refused[0]["event"], "report");
    assert_eq!(refused[0]["path"], serde_json::Value::Null);
}

/// Offloads of ours that are below a folder with a list have pages of their own.
#[test]
fn offloads_below_it_are_said_to_be_none_of_the_page() {
    let Some(work) = listed("check-page-below", &FILES) else {
        return;
    };
    Card::new(&work.path("card")).file("DCIM/100KITES/KITE0001.JPG", 40_000, 9);
    work.run("copy card --to K --name OFF --copies 1").exits(0);
    work.run("report K --to check.html")
        .exits(0)
        .says("1 offload below it was not checked here, `K/OFF`: each has a page of its own.");
    assert!(page(&work, "check.html").contains("was not checked here"));
}
