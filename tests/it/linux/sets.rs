//! The program with a drawer of cards: which of a job's cards are proven, which nobody has seen,
//! and several cards in one command.

use crate::support::mount::{Fault, Kind, Mount, Options};
use crate::support::program::{
    Card, Ran, Work, bytes_of, finish, manifest, move_to, names_in, put, remove, skip, tree,
};
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Stdio};

/// A folder with a few cards (plain folders) and two drives.
fn drawer(name: &str, cards: &[&str]) -> Work {
    let work = Work::new(name);
    work.folder("a");
    work.folder("b");
    for (seed, card) in (1..).zip(cards) {
        Card::new(&work.path(card))
            .file("DCIM/100KITES/KITE0001.JPG", 40_000, seed)
            .file("DCIM/100KITES/KITE0002.JPG", 41_000, seed);
    }
    work
}

fn verdict(ran: &Ran) -> Value {
    ran.events().pop().unwrap()
}

const TO: &str = "--to a --to b --copies 1";

#[test]
fn a_card_that_was_never_in_a_reader_is_missed() {
    let work = drawer("set", &["A1", "A2", "B1"]);
    // A plan enters nothing, and what is in the readers is not missing.
    work.run(&format!("plan A1 A2 B1 {TO} --shoot festival --expect 4"))
        .exits(0)
        .says("0 of 4 announced cards seen before")
        .says("This plan has 3 cards more; they count when they are copied.")
        .says("Neither seen before nor in this plan: 1 card.")
        .is_silent_of("Not seen");
    let ran = work.run(&format!("copy A1 {TO} --shoot festival --expect 4"));
    ran.exits(0).says("1 of 4 announced cards");
    work.run(&format!("copy A2 {TO} --shoot festival")).exits(0);
    let ran = work.run(&format!("copy B1 {TO} --shoot festival --json"));
    let shoot = &verdict(ran.exits(0))["shoot"];
    assert_eq!(shoot["expected"]["count"], 4);
    assert_eq!(shoot["cards"].as_array().unwrap().len(), 3);
    assert_eq!(shoot["not_seen"], 1);
    let ran = work.run("ledger --shoot festival");
    ran.exits(1)
        .says("3 of 4 announced cards")
        .says("Not seen: 1 card.");
    // The fourth one, and the set is whole.
    Card::new(&work.path("B2")).file("DCIM/100KITES/KITE0001.JPG", 40_000, 9);
    work.run(&format!("copy B2 {TO} --shoot festival")).exits(0);
    work.run("ledger --shoot festival")
        .exits(0)
        .says("4 of 4 announced cards")
        .is_silent_of("Not seen");
    work.run("ledger --shoot wedding").exits(1).says("no card");
}

#[test]
fn the_same_card_twice_does_not_fill_the_set() {
    let work = drawer("twice", &["A1", "A2"]);
    for _ in 0..2 {
        let ran = work.run(&format!("copy A1 {TO} --shoot festival --expect 2"));
        ran.exits(0).says("1 of 2 announced cards");
    }
    work.run(&format!("copy A1 {TO} --shoot festival"))
        .exits(0)
        .says("it counts once");
    // Asking is another look at the same card.
    work.run("prove A1 --on a --copies 1 --shoot festival")
        .exits(0)
        .says("1 of 2 announced cards");
}

#[test]
fn a_mirror_is_another_card_with_the_same_content() {
    let work = drawer("mirror", &["A1"]);
    Card::new(&work.path("A2"))
        .file("DCIM/100KITES/KITE0001.JPG", 40_000, 1)
        .file("DCIM/100KITES/KITE0002.JPG", 41_000, 1);
    work.run(&format!("copy A1 {TO} --shoot festival --expect 2"))
        .exits(0);
    let ran = work.run(&format!("copy A2 {TO} --shoot festival --json"));
    let shoot = &verdict(ran.exits(0))["shoot"];
    assert_eq!(shoot["not_seen"], 0);
    assert_eq!(shoot["cards"][1]["same_content_as"], "A1");
    // Compared without a copy it is seen and told in the same way.
    let work = drawer("mirror-asked", &["A1"]);
    Card::new(&work.path("A2"))
        .file("DCIM/100KITES/KITE0001.JPG", 40_000, 1)
        .file("DCIM/100KITES/KITE0002.JPG", 41_000, 1);
    work.run(&format!("copy A1 {TO} --shoot festival --expect 2"))
        .exits(0);
    work.run("prove A2 --on a --by-content --copies 1 --shoot festival")
        .exits(0)
        .says("2 of 2 announced cards")
        .says("Same content as card A1");
}

#[test]
fn labels_are_checked_off() {
    let work = drawer("labels", &["A1", "B1", "C1"]);
    let flags = "--shoot festival --expect-labels A1,A2,B1";
    work.run(&format!("copy A1 {TO} {flags}")).exits(0);
    work.run(&format!("copy B1 {TO} --shoot festival")).exits(0);
    work.run(&format!("copy C1 {TO} --shoot festival"))
        .exits(0)
        .says("Not seen: A2.")
        .says("Not announced: C1.");
}

#[test]
fn a_shoot_has_one_page_made_from_the_ledger() {
    let work = drawer("shoot-page", &["A1", "A2", "B1"]);
    let flags = "--shoot festival --expect-labels A1,A2,B1,B2";
    work.run(&format!("copy A1 {TO} {flags}")).exits(0);
    work.run(&format!("copy B1 {TO} --shoot festival")).exits(0);
    work.run("copy A2 --to a --to b --shoot festival").exits(1);
    let page = |file: &str| String::from_utf8(bytes_of(&work.path(file))).unwrap();
    work.run("report --shoot festival")
        .exits(0)
        .says("shoot-festival.html");
    let open = page("shoot-festival.html");
    let said = [
        "<h1>2 of 4 cards proven</h1>",
        "Not proven: A2.",
        "Not seen: B2.",
        "don't format it, don't shoot on it",
        "this page only counts",
    ];
    for said in said {
        assert!(open.contains(said), "{said} is not in {open}");
    }
    let a1 = work.path("a").canonicalize().unwrap();
    let name = names_in(&a1)
        .into_iter()
        .find(|n| n.ends_with("A1"))
        .unwrap();
    assert!(open.contains(&format!("{}/{name}", a1.display())), "{open}");
    // A question does not make the places unknown; the verdict is the last one.
    work.run("prove A1 --on a --copies 2 --shoot festival")
        .exits(1);
    work.run("report --shoot festival --to asked.html --json")
        .exits(0);
    let asked = page("asked.html");
    assert!(asked.contains("<h1>1 of 4 cards proven</h1>"), "{asked}");
    assert!(asked.contains("when it was asked about") && asked.contains(&name));
    // Nothing that stands is replaced.
    for to in ["", "--to asked.html"] {
        work.run(&format!("report --shoot festival {to}"))
            .exits(3)
            .says("is not replaced");
    }
    assert_eq!(
        (page("shoot-festival.html"), page("asked.html")),
        (open, asked)
    );
    // All of them, and then the heading says so.
    Card::new(&work.path("B2")).file("DCIM/100KITES/KITE0001.JPG", 40_000, 9);
    for card in ["A1", "A2", "B2"] {
        work.run(&format!("copy {card} {TO} --shoot festival"))
            .exits(0);
    }
    work.run("report --shoot festival --to all.html").exits(0);
    assert!(page("all.html").contains("<h1>All 4 cards proven</h1>"));
    work.run("report --shoot festival --to again.html").exits(0);
    assert_eq!(page("all.html"), page("again.html"));
}

#[test]
fn a_page_of_no_shoot_is_refused() {
    let work = drawer("no-shoot-page", &["A1"]);
    work.run(&format!("copy A1 {TO} --shoot ../festival"))
        .exits(0);
    work.run("report --shoot wedding")
        .exits(3)
        .says("no card of this shoot");
    work.run("report --shoot ../festival --no-ledger")
        .exits(3)
        .says("no ledger");
    for both in [
        "report",
        "report a --shoot ../festival",
        "report --expect 2",
    ] {
        work.run(both).exits(2);
    }
    let pages = || {
        names_in(&work.path("."))
            .into_iter()
            .filter(|n| n.starts_with("shoot-"))
    };
    assert_eq!(pages().count(), 0);
    // A name is no path.
    work.run("report --shoot ../festival --expect 2").exits(0);
    let page = bytes_of(&work.path("shoot----festival.html"));
    assert_eq!(pages().count(), 1);
    let page = String::from_utf8(page).unwrap();
    assert!(page.contains("<h1>1 of 2 cards proven</h1>") && page.contains("Not seen: 1 card."));
}

#[test]
fn a_card_that_is_not_proven_stays_open() {
    let work = drawer("open", &["A1"]);
    work.run("copy A1 --to a --to b --shoot festival --expect 1")
        .exits(1)
        .says("Not proven: A1.");
    work.run("ledger --shoot festival")
        .exits(1)
        .says("NOT PROVEN");
    work.run(&format!("copy A1 {TO} --shoot festival")).exits(0);
    work.run("ledger --shoot festival").exits(0);
    // A later question that says no takes it back.
    work.run("prove A1 --on a --copies 2 --shoot festival")
        .exits(1);
    work.run("ledger --shoot festival").exits(1);
}

#[test]
fn wrong_sets_are_told() {
    let work = drawer("wrong", &["A1"]);
    for flags in [
        "--expect 4",
        "--shoot festival --expect 0",
        "--shoot festival --expect 20000",
        "--shoot festival --expect-labels A1,,B1",
        "--shoot festival --expect-labels A1,a1",
        "--shoot festival --expect 2 --expect-labels A1,B1",
        "--shoot festival --no-ledger",
    ] {
        work.run(&format!("copy A1 {TO} {flags}")).exits(2);
    }
    assert!(!work.path("a").join("20261125-A1").exists());
    assert_eq!(tree(&work.path("a")).len(), 0, "nothing was written");
}

// ---- the ledger -------------------------------------------------------------------------------

#[test]
fn a_damaged_ledger_costs_no_verdict() {
    let work = drawer("damaged", &["A1"]);
    let ledger = work.path("home/.local/share/unlade/ledger.jsonl");
    work.run(&format!("copy A1 {TO}")).exits(0);
    let before = bytes_of(&ledger);
    assert!(before.ends_with(b"}\n") && !before[..before.len() - 1].contains(&b'\n'));
    // A crash tore the last line.
    let mut torn = before.clone();
    torn.extend_from_slice(&before[..before.len() / 3]);
    remove(&ledger);
    put(&ledger, &torn);
    work.run(&format!("copy A1 {TO} --shoot festival")).exits(0);
    let after = bytes_of(&ledger);
    assert!(after.starts_with(&torn), "it is only ever appended to");
    work.run("ledger")
        .exits(0)
        .says("2 entries")
        .says("1 line of it");
    let ran = work.run("ledger --json");
    let last = verdict(ran.exits(0));
    assert_eq!((&last["entries"], &last["damaged"]), (&2.into(), &1.into()));
    // A folder in its place is told, and the copy is what it was.
    remove(&ledger);
    work.folder("home/.local/share/unlade/ledger.jsonl");
    work.run(&format!("copy A1 {TO}"))
        .exits(0)
        .says("The verdict holds all the same.");
}

#[test]
fn nothing_is_remembered_that_is_not_to_be() {
    let work = drawer("none", &["A1"]);
    work.run(&format!("copy A1 {TO} --no-ledger")).exits(0);
    work.run("plan A1 --to a").exits(0);
    assert!(!work.path("home/.local").exists());
    work.run(&format!("copy A1 {TO} --home elsewhere")).exits(0);
    assert!(work.path("elsewhere/ledger.jsonl").exists());
    assert!(!work.path("home/.local").exists());
    // Where no folder is known there is no ledger, and no harm.
    let mut command = work.command();
    command.env("HOME", "/nonexistent").args(["ledger"]);
    finish(&mut command).exits(0).says("0 entries");
}

#[test]
fn two_programs_lose_no_entry() {
    let work = drawer("two", &["A1", "A2", "A3", "A4"]);
    let children: Vec<_> = ["A1", "A2", "A3", "A4"]
        .into_iter()
        .map(|card| {
            let arguments = ["copy", card, "--to", "a", "--copies", "1", "--shoot", "k"];
            let mut command = work.command();
            command.args(arguments).stdout(Stdio::null());
            command.spawn().unwrap()
        })
        .collect();
    for mut child in children {
        assert!(child.wait().unwrap().success());
    }
    work.run("ledger --shoot k --expect 4")
        .exits(0)
        .says("4 of 4 announced cards");
}

#[test]
fn the_ledger_tells_prove_where_to_look() {
    let work = drawer("places", &["A1", "A2"]);
    work.run(&format!("copy A1 {TO}")).exits(0);
    work.run("prove A1 --copies 1").exits(0).says("Copy 2");
    // Only what is named counts when something is named.
    let ran = work.run("prove A1 --on a --copies 1 --json");
    let told = verdict(ran.exits(0));
    assert_eq!(told["holdings"].as_array().unwrap().len(), 1);
    assert_eq!(told["elsewhere"].as_array().unwrap().len(), 1);
    // A drive that is away is told, and is a reason when it is needed.
    move_to(&work.path("b"), &work.path("b-in-the-bag"));
    work.run("prove A1 --copies 1")
        .exits(0)
        .says("cannot be looked at");
    remove_tree_of(&work.path("a"));
    work.run("prove A1 --copies 1")
        .exits(1)
        .says("(missing)")
        .says("NOT PROVEN");
    // A card that nobody copied.
    work.run("prove A2")
        .exits(2)
        .says("the ledger knows no copy");
    work.run("prove A1 --no-ledger")
        .exits(2)
        .says("there is no ledger to be asked")
        .says("Name the drives that hold its offloads")
        .is_silent_of("knows no copy");
}

/// Moves an offload's folder out of the way.
fn remove_tree_of(drive: &Path) {
    move_to(drive, &drive.with_extension("gone"));
}

// ---- several cards in one command -------------------------------------------------------------

#[test]
fn cards_on_one_disk_are_read_one_after_the_other() {
    let work = drawer("one-by-one", &["A1", "A2"]);
    let ran = work.run(&format!("copy A1 A2 {TO} --json"));
    let events = ran.exits(0).events();
    let order = events.iter().find(|e| e["event"] == "order").unwrap();
    assert_eq!(order["chains"], serde_json::json!([[0, 1]]));
    assert!(
        order["why"]
            .as_str()
            .unwrap()
            .contains("one after the other")
    );
    let verdicts: Vec<&Value> = events.iter().filter(|e| e["event"] == "verdict").collect();
    assert_eq!(verdicts.len(), 3, "one on all at the end");
    for (verdict, card) in verdicts.iter().zip(["A1", "A2"]) {
        assert_eq!(
            (&verdict["card"], &verdict["proven"]),
            (&card.into(), &true.into())
        );
    }
    work.run(&format!("copy A1 A1 {TO}")).exits(2).says("twice");
    // The reason and the ceiling judge alike whether a drive spins. Common practice, no source:
    // none that takes more than 300 MB/s does.
    work.run(&format!("plan A1 A2 {TO} --writes 900,450"))
        .exits(0)
        .is_silent_of("drive 1 is a hard disk")
        .is_silent_of("does not say: one writes");
}

/// A1 and A2 are the two slots of one camera, B1 is the only copy of what it holds.
#[test]
fn only_copies_are_read_first_and_the_plan_says_why_for_each_aim() {
    let work = drawer("first", &["A1"]);
    let copied = finish(
        Command::new("cp")
            .arg("-rp")
            .args([work.path("A1"), work.path("A2")]),
    );
    assert_eq!(copied.code, 0);
    Card::new(&work.path("B1")).file("DCIM/100KITES/KITE0001.MP4", 3_400_000, 7);
    let only_copies = "Order    only copies first (this one is used): 1. B1: no other card here \
        holds all its files 2. A1: A2 holds its files too 3. A2: A1 holds its files too, and \
        comes before it";
    let shortest = "1. A1: 81.0 kB to read 2. A2: 81.0 kB to read 3. B1: 3.4 MB to read";
    let plan = format!("plan A1 A2 B1 {TO}");
    let ran = work.run(&plan);
    let said = |ran: &Ran| ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
    let all = said(ran.exits(0));
    let in_words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(all.contains(&in_words(only_copies)), "{ran}");
    assert!(
        all.contains("the shortest first (--first card-back): 1. A1"),
        "{ran}"
    );
    assert!(all.contains(shortest), "{ran}");
    // 3.4 MB over a link of the first USB release are some 4 seconds, 81 kB less than one.
    let ran = work.run(&format!("{plan} --link usb1-bulk --deadline 2s"));
    let all = said(ran.exits(0));
    assert!(
        all.contains("for the deadline (this one is used): 1. A1: done after about"),
        "{ran}"
    );
    assert!(
        all.contains("3. B1: not done by then; takes about"),
        "{ran}"
    );
    // As typed only who says so; and a copy does what its plan says.
    work.run(&format!("{plan} --first given"))
        .exits(0)
        .says("as typed (this one is used).");
    let ran = work.run(&format!("copy A1 A2 B1 {TO}"));
    let all = said(ran.exits(0));
    assert!(
        all.contains("Order only copies first (as typed: --first given): 1. B1"),
        "{ran}"
    );
    assert!(
        all.contains("Card 1 of 3: B1") && all.contains("Card 3 of 3: A2"),
        "{ran}"
    );
    assert!(
        all.find("Card 1 of 3") < all.find("Card 2 of 3: A1"),
        "{ran}"
    );
}

#[test]
fn cards_of_one_label_get_a_folder_each() {
    let work = drawer("labels-alike", &["x/KITES", "y/KITES"]);
    let ran = work.run(&format!("copy x/KITES y/KITES {TO} --json"));
    let events = ran.exits(0).events();
    let names: Vec<&str> = events
        .iter()
        .filter(|e| e["event"] == "verdict")
        .filter_map(|e| e["offload"].as_str())
        .collect();
    assert_eq!(names.len(), 2);
    assert_eq!(format!("{}-2", names[0]), names[1]);
    for (card, name) in ["x/KITES", "y/KITES"].iter().zip(names) {
        assert_eq!(tree(&work.path("a").join(name)), tree(&work.path(card)));
    }
}

#[test]
fn a_destination_on_another_card_of_the_command_is_refused() {
    let work = drawer("on-card", &["A1", "A2"]);
    work.folder("A2/drive");
    let before = tree(&work.path("A2"));
    work.run("copy A1 A2 --to a --to A2/drive --copies 1")
        .exits(3)
        .says("it is on the card");
    assert_eq!(tree(&work.path("A2")), before);
    assert!(tree(&work.path("a")).is_empty());
}

/// Two cards in two readers, and two drives that do not spin: memory will do, as only the order is
/// looked at here.
#[test]
fn two_readers_are_read_at_the_same_time_and_one_bad_card_stops_no_other() {
    let mounts = String::from_utf8(bytes_of(Path::new("/proc/mounts"))).unwrap();
    if !mounts.lines().any(|l| l.contains(" /dev/shm tmpfs ")) {
        return skip("/dev/shm is no tmpfs");
    }
    if crate::support::mount::skip() {
        return;
    }
    let work = Work::new("readers");
    let memory = Work::below(Path::new("/dev/shm"), "readers");
    let (a, b) = (memory.folder("a"), memory.folder("b"));
    let mut cards = Vec::new();
    for (name, seed) in [("ONE", 1), ("TWO", 2)] {
        Card::new(&work.path(&format!("back-{name}")))
            .file("DCIM/100KITES/KITE0001.JPG", 3_000_000, seed)
            .file("DCIM/100KITES/KITE0002.JPG", 3_000_000, seed)
            .file("DCIM/100KITES/KITE0003.JPG", 3_000_000, seed);
        let faults = if name == "ONE" {
            let broken = Kind::ReadError {
                off: 0,
                len: 3_000_000,
                errno: 5,
            };
            vec![Fault::new(broken).path("*KITE0002*").times(u64::MAX)]
        } else {
            Vec::new()
        };
        let options = Options {
            faults,
            read_mbps: 10.0,
            ..Options::default()
        };
        let at = work.folder(name);
        cards.push(Mount::new(&work.path(&format!("back-{name}")), &at, options).unwrap());
    }
    let mut arguments: Vec<&std::ffi::OsStr> = ["copy", "ONE", "TWO", "--json", "--to"]
        .iter()
        .map(std::ffi::OsStr::new)
        .collect();
    arguments.extend([a.as_os_str(), "--to".as_ref(), b.as_os_str()]);
    let ran = work.run_with(arguments);
    let events = ran.exits(1).events();
    let at = |event: &str, card: &str| {
        events
            .iter()
            .position(|e| e["event"] == event && e["card"] == card)
            .unwrap_or_else(|| panic!("{event} of {card}: {ran}"))
    };
    assert!(at("planned", "TWO") < at("verdict", "ONE"), "{ran}");
    assert!(at("planned", "ONE") < at("verdict", "TWO"), "{ran}");
    let one = &events[at("verdict", "ONE")]["reasons"];
    assert!(one.to_string().contains("KITE0002"), "{one}");
    let two = &events[at("verdict", "TWO")]["reasons"];
    assert!(!two.to_string().contains("unreadable"), "{two}");
    let name = events[at("verdict", "TWO")]["offload"].as_str().unwrap();
    assert_eq!(tree(&a.join(name)), tree(&work.path("back-TWO")));
    assert_eq!(manifest(&b.join(name))["totals"]["files"], 3);
    drop(cards);
}

#[test]
fn cards_that_fit_alone_and_not_together_are_refused_before_the_first_byte() {
    if crate::support::mount::skip() {
        return;
    }
    let work = drawer("room", &["A1", "A2"]);
    for (card, seed) in [("A1", 7), ("A2", 8)] {
        Card::new(&work.path(card)).file("PRIVATE/CLIPS/C0001.MP4", 6_000_000, seed);
    }
    let options = Options {
        capacity: 10_000_000,
        ..Options::default()
    };
    let small = Mount::new(&work.folder("back"), &work.folder("small"), options).unwrap();
    for command in ["plan", "copy"] {
        work.run(&format!("{command} A1 A2 --to small --copies 1"))
            .exits(3)
            .says("the cards together need")
            .says("(`A1` alone fits)");
        assert!(tree(&work.path("back")).is_empty());
    }
    work.run("plan A1 --to small --copies 1").exits(0);
    drop(small);
    // Both fit, and together they nearly fill it.
    let options = Options {
        capacity: 60_000_000,
        ..Options::default()
    };
    let small = Mount::new(&work.folder("back"), &work.path("small"), options).unwrap();
    let ran = work.run("plan A1 A2 --to small --copies 1");
    let words = ran.exits(0).words();
    assert!(words.contains("Both cards together need 1"), "{ran}");
    assert!(words.contains("free on `small`, which leaves 4"), "{ran}");
    work.run("plan A1 --to small --copies 1")
        .exits(0)
        .is_silent_of("together");
    drop(small);
}

// ---- fillings are not cards -------------------------------------------------------------------

/// Empties a card and puts other pictures on it.
fn format_and_shoot(work: &Work, card: &str, seed: u64) {
    move_to(&work.path(card), &work.path(&format!("{card}-before")));
    Card::new(&work.path(card))
        .file("DCIM/100KITES/KITE0101.JPG", 42_000, seed)
        .file("DCIM/100KITES/KITE0102.JPG", 43_000, seed);
}

#[test]
fn a_card_that_was_used_again_does_not_fill_the_set() {
    let work = drawer("used-again", &["A1", "A2", "B1", "B2"]);
    for card in ["A1", "A2", "B1"] {
        work.run(&format!("copy {card} {TO} --shoot festival --expect 4"))
            .exits(0);
    }
    format_and_shoot(&work, "A1", 9);
    work.run(&format!("copy A1 {TO} --shoot festival"))
        .exits(0)
        .says("3 of 4 announced cards seen, 3 proven. Not seen: 1 card.")
        .says("A1 was seen with 2 fillings")
        .says("It counts once.");
    work.run("ledger --shoot festival")
        .exits(1)
        .says("3 of 4 announced cards")
        .is_silent_of("Every card that you announced is proven");
    work.run("report --shoot festival").exits(0);
    let page = String::from_utf8(bytes_of(&work.path("shoot-festival.html"))).unwrap();
    for said in ["<h1>3 of 4 cards proven</h1>", "Not seen: 1 card."] {
        assert!(page.contains(said), "{said} is not in {page}");
    }
    // In a plan it is neither here.
    format_and_shoot(&work, "A2", 10);
    work.run(&format!("plan A2 {TO} --shoot festival"))
        .exits(0)
        .says("Neither seen before nor in this plan: 1 card.");
    work.run(&format!("copy B2 {TO} --shoot festival")).exits(0);
    work.run("ledger --shoot festival")
        .exits(0)
        .says("4 of 4 announced cards seen, 4 proven.");
}

#[test]
fn every_filling_of_a_card_has_to_be_proven() {
    let work = drawer("fillings", &["A1"]);
    work.run("copy A1 --to a --to b --shoot festival --expect 1")
        .exits(1);
    // One file is on both, as a camera's own are.
    move_to(&work.path("A1"), &work.path("A1-before"));
    Card::new(&work.path("A1"))
        .file("DCIM/100KITES/KITE0001.JPG", 40_000, 1)
        .file("DCIM/100KITES/KITE0102.JPG", 43_000, 7);
    work.run(&format!("copy A1 {TO} --shoot festival"))
        .exits(0)
        .says("1 of 1 announced card seen, 0 proven.")
        .says("Not proven: A1.");
    work.run("ledger --shoot festival").exits(1);
    work.run("report --shoot festival").exits(0);
    let page = String::from_utf8(bytes_of(&work.path("shoot-festival.html"))).unwrap();
    assert!(page.contains("<h1>0 of 1 card proven</h1>"), "{page}");
}

#[test]
fn other_labels_do_not_fill_the_count() {
    let work = drawer("other-labels", &["X", "Y", "A1"]);
    let flags = "--shoot festival --expect-labels A1,B1";
    work.run(&format!("copy X {TO} {flags}")).exits(0);
    work.run(&format!("copy Y {TO} --shoot festival"))
        .exits(0)
        .says("0 of 2 announced cards seen, 0 proven. Not seen: A1, B1. Not announced: X, Y.");
    work.run(&format!("plan A1 {TO} --shoot festival"))
        .exits(0)
        .says("0 of 2 announced cards seen before")
        .says("Neither seen before nor in this plan: B1.");
    work.run("ledger --shoot festival").exits(1);
    work.run("report --shoot festival").exits(0);
    let page = String::from_utf8(bytes_of(&work.path("shoot-festival.html"))).unwrap();
    assert!(page.contains("<h1>0 of 2 cards proven</h1>"), "{page}");
}

#[test]
fn one_card_under_two_names_counts_once() {
    let work = drawer("two-names", &["KITES"]);
    for name in ["A1", "B1"] {
        work.run(&format!("kit add card {name}")).exits(0);
    }
    let flags = "--shoot festival --expect-labels A1,B1 --as A1";
    work.run(&format!("copy KITES {TO} {flags}")).exits(0);
    // Shot on in between.
    Card::new(&work.path("KITES")).file("DCIM/100KITES/MORE.JPG", 3_000, 7);
    work.run(&format!("copy KITES {TO} --shoot festival --as B1"))
        .exits(0)
        .says("1 of 2 announced cards seen, 1 proven. Not seen: A1.")
        .says("A1 and B1 are one card under 2 names; it counts once, as B1.");
    let ran = work.run("ledger --shoot festival --expect 2");
    ran.exits(1).says("1 of 2 announced cards seen");
    let ran = work.run("ledger --shoot festival --json");
    assert_eq!(verdict(&ran)["shoot"]["cards"][0]["earlier_names"][0], "A1");
    work.run("report --shoot festival").exits(0);
    let page = String::from_utf8(bytes_of(&work.path("shoot-festival.html"))).unwrap();
    for said in ["<h1>1 of 2 cards proven</h1>", "A1 and B1 are one card"] {
        assert!(page.contains(said), "{said} is not in {page}");
    }
}

#[test]
fn a_verdict_without_the_shoot_reaches_it() {
    let work = drawer("later", &["A1"]);
    work.run(&format!(
        "copy A1 {TO} --name K --shoot festival --expect 1"
    ))
    .exits(0);
    let lost = work.path("a/K/DCIM/100KITES/KITE0001.JPG");
    move_to(&lost, &work.path("lost"));
    work.run("prove A1 --on a --copies 1").exits(1);
    let open = |page: &str| {
        work.run("ledger --shoot festival")
            .exits(1)
            .says("1 of 1 announced card seen, 0 proven.")
            .says("Not proven: A1.");
        work.run(&format!("report --shoot festival --to {page}"))
            .exits(0);
        let page = String::from_utf8(bytes_of(&work.path(page))).unwrap();
        assert!(page.contains("<h1>0 of 1 card proven</h1>"), "{page}");
    };
    open("asked.html");
    work.run(&format!("copy A1 {TO} --name K")).exits(0);
    work.run("ledger --shoot festival").exits(0);
    work.run("copy A1 --to a --to b --name K").exits(1);
    open("copied.html");
    work.run(&format!("copy A1 {TO} --name K")).exits(0);
    // Formatted and used again, it is not what this job was about.
    format_and_shoot(&work, "A1", 9);
    work.run("copy A1 --to a --to b --name L").exits(1);
    work.run("ledger --shoot festival").exits(0);
}

// ---- several folders in one command -----------------------------------------------------------

#[test]
fn the_last_words_are_about_all_cards() {
    let work = drawer("last-words", &["A1", "A2"]);
    // What is no file is not copied.
    #[cfg(unix)]
    std::os::unix::net::UnixListener::bind(work.path("A1/DCIM/socket")).unwrap();
    let ran = work.run(&format!("copy A1 A2 {TO}"));
    ran.exits(1);
    assert!(ran.out.trim_end().ends_with("copies since."), "{ran}");
    ran.says(
        "1 of 2 cards is proven. Keep `A1`: don't format, don't shoot. Format `A2` only as \
        its own answer says",
    )
    .says("A1: NOT PROVEN A2: proven");
    remove(&work.path("A1/DCIM/socket"));
    let ran = work.run(&format!("copy A1 A2 {TO} --quiet"));
    ran.exits(0)
        .says("Both cards are proven. Format each only as its own answer says");
}

#[test]
fn a_card_that_is_refused_beside_others_is_told_as_that_one() {
    let work = drawer("one-refused", &["A1"]);
    work.run(&format!("copy A1 GONE {TO}"))
        .exits(1)
        .says("Refused; nothing of `GONE` was copied.")
        .is_silent_of("nothing was written")
        .says("A1: proven GONE: NOT PROVEN, refused")
        .says(
            "1 of 2 cards is proven. Keep `GONE`: don't format, don't shoot. Format `A1` only as \
             its own answer says",
        );
    for (cards, copied, code) in [
        ("GONE A1", true, 1),
        ("A1 GONE", true, 1),
        ("GONE ALSO", false, 3),
    ] {
        let ran = work.run(&format!("copy {cards} {TO} --json"));
        let last = verdict(ran.exits(code));
        assert_eq!(
            (&last["event"], &last["proven"]),
            (&"verdict".into(), &false.into())
        );
        assert_eq!(last["exit_code"], code);
        let all = last["cards"].as_array().unwrap();
        assert_eq!(all.len(), 2);
        for card in all {
            let is_good = copied && card["name"] == "A1";
            let ends = (&card["proven"], &card["exit_code"]);
            let code = if is_good { 0 } else { 3 };
            assert_eq!(ends, (&is_good.into(), &code.into()));
        }
    }
}

#[test]
fn the_last_event_is_about_all() {
    let work = drawer("last-event", &["A1", "A2"]);
    let ran = work.run(&format!("copy A1 A2 {TO} --json"));
    let last = verdict(ran.exits(0));
    assert_eq!(
        (&last["proven"], &last["exit_code"]),
        (&true.into(), &0.into())
    );
    let names = names_in(&work.path("a"));
    let both = format!("a/{} a/{}", names[0], names[1]);
    let last = verdict(work.run(&format!("verify {both} --json")).exits(0));
    assert_eq!(last["proven"], true);
    let gone = work
        .path("a")
        .join(&names[0])
        .join("DCIM/100KITES/KITE0001.JPG");
    move_to(&gone, &work.path("lost"));
    let last = verdict(work.run(&format!("verify {both} --json")).exits(1));
    assert_eq!(
        (&last["proven"], &last["exit_code"]),
        (&false.into(), &1.into())
    );
    assert_eq!(last["offloads"][1]["proven"], true);
    // Nor is what was proven of one card said of all, when the other fails first.
    #[cfg(unix)]
    std::os::unix::net::UnixListener::bind(work.path("A1/DCIM/socket")).unwrap();
    let ran = work.run(&format!("copy A1 A2 {TO} --json"));
    let last = verdict(ran.exits(1));
    assert_eq!(
        (&last["proven"], &last["exit_code"]),
        (&false.into(), &1.into())
    );
}

#[test]
fn a_drive_is_not_taken_for_a_card() {
    let work = drawer("drive-as-card", &["A1"]);
    Card::new(&work.path("b")).file("letters/kite.txt", 100, 1);
    work.run("copy A1 --to a b --copies 1")
        .exits(2)
        .says("unlade copy A1 --to a --to b.");
    assert!(tree(&work.path("a")).is_empty());
    work.run(&format!("copy A1 {TO}")).exits(0);
    // It holds offloads now; an offload in it is another matter.
    for line in ["copy b A1 --to a --copies 1", "copy b --to a --copies 1"] {
        work.run(line)
            .exits(2)
            .says("`b` is no card: no camera's folder is on it, and it holds offloads")
            .says("--to a --to b. To make a further");
    }
    assert_eq!(names_in(&work.path("a")).len(), 1);
}

#[test]
fn a_card_goes_by_its_name_in_the_kit() {
    let work = drawer("kit-name", &["KITES", "OTHER"]);
    work.run("kit add card A2").exits(0);
    let names = |drive: &str| names_in(&work.path(drive));
    work.run(&format!("copy KITES {TO} --as A2")).exits(0);
    assert_eq!(names("a").len(), 1);
    let a2 = names("a").remove(0);
    assert!(a2.ends_with("-A2"), "{a2}");
    // Without the name it is still known, by the ledger; and the manifest and its page have the
    // name.
    work.run(&format!("copy KITES {TO}"))
        .exits(0)
        .says("by an earlier copy");
    assert_eq!(names("a"), std::slice::from_ref(&a2));
    let page = bytes_of(&work.path("a").join(&a2).join("_unlade/report.html"));
    assert!(String::from_utf8(page).unwrap().contains("-A2"));
    // The name comes later: what was begun is gone on with.
    work.run(&format!("copy OTHER {TO}")).exits(0);
    work.run("kit add card B2").exits(0);
    work.run(&format!("copy OTHER {TO} --as B2")).exits(0);
    assert!(names("a").iter().any(|n| n.ends_with("-OTHER")));
    assert_eq!(names("a").len(), 2);
    // A label that another card has gets a number after all.
    let other = drawer("kit-name-taken", &["x/KITES"]);
    Card::new(&other.path("y/KITES")).file("DCIM/100KITES/KITE0101.JPG", 42_000, 9);
    for card in ["x/KITES", "y/KITES"] {
        other.run("kit add card A2");
        other.run(&format!("copy {card} {TO} --as A2")).exits(0);
    }
    let names = names_in(&other.path("a"));
    assert!(names[1].ends_with("-A2-2"), "{names:?}");
}

#[test]
fn the_plan_says_when_each_card_of_a_row_is_done() {
    let work = drawer("in-turn", &["A1", "A2"]);
    for card in ["A1", "A2"] {
        let clip = work.path(&format!("{card}/CLIP.MP4"));
        put(&clip, b"");
        let clip = std::fs::OpenOptions::new().write(true).open(clip).unwrap();
        clip.set_len(3 << 30).unwrap();
    }
    let plan = work.run(&format!("plan A1 A2 {TO} --reads 90"));
    plan.exits(0)
        .says("one after the other")
        .says("A1 is done after 35 to 55 s, A2 is done after 1 min 10 s to 1 min 50 s.");
}

#[test]
fn a_word_that_changes_nothing_is_said_to_change_nothing() {
    let work = drawer("idle", &["A1"]);
    work.run(&format!("plan A1 {TO} --separate"))
        .exits(0)
        .says("--separate changes nothing here: it is 1 separate drive with it and without.");
    work.run(&format!("plan A1 {TO}"))
        .exits(0)
        .is_silent_of("changes nothing");
}
