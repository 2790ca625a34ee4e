//! `rate` as it is called: what it reads, what it holds that against, and that it leaves no trace.

use crate::support::mount::{Fault, Kind, Mount, Options, skip};
use crate::support::program::{Card, Work, age, interrupt_after, names_in, traces};
use std::time::Duration;

/// A card of 12 MB; small enough to be read whole by every test.
fn card(work: &Work, folder: &str) {
    Card::new(&work.path(folder))
        .file("DCIM/100KITES/KITE0001.JPG", 1_000_000, 1)
        .file("DCIM/100KITES/KITE0002.JPG", 999_999, 2)
        .file("PRIVATE/CLIPS/C0001.MP4", 10_000_000, 3)
        .file("MISC/EMPTY.TXT", 0, 4);
}

#[test]
fn a_card_is_measured_and_nothing_on_it_is_touched() {
    let work = Work::new("rate");
    card(&work, "card");
    let paths = age(&work.path("card"));
    let before = traces(&paths);
    let ran = work.run("rate card --json --home h");
    let events = ran.exits(0).events();
    assert_eq!(events.len(), 1);
    let event = &events[0];
    assert_eq!(event["event"], "rate");
    let measured = &event["measured"];
    assert_eq!(measured["bytes"], 11_999_999);
    assert_eq!(measured["files"], 3);
    assert_eq!(measured["used_bytes"], 11_999_999);
    assert_eq!(measured["used_files"], 4);
    let seconds = measured["every_second"].as_array().unwrap();
    let sum: u64 = seconds.iter().map(|b| b.as_u64().unwrap()).sum();
    assert!(sum.abs_diff(11_999_999) <= 8, "rounded per second: {sum}");
    let mean = event["mean_bytes_per_s"].as_f64().unwrap();
    let took = measured["took_s"].as_f64().unwrap();
    assert!(
        (mean * took / 11_999_999.0 - 1.0).abs() < 1e-3,
        "the figures divide"
    );
    assert!(event["doubts"].to_string().contains("small"), "{event}");
    assert_eq!(event["trusted"], false);
    assert_eq!(traces(&paths), before, "not even an access time");
    // What was measured is remembered, and nothing else is made.
    assert_eq!(names_in(&work.path("h")), ["ledger.jsonl"]);
    let ran = work.run("ledger --json --home h");
    let entry = &ran.exits(0).events()[0]["entry"];
    assert_eq!(
        (&entry["did"], &entry["proven"]),
        (&"rate".into(), &false.into())
    );
    assert_eq!(entry["reading"]["bytes"], 11_999_999);
    work.run("rate card --no-ledger --home none").exits(0);
    assert!(!work.path("none").exists());
}

#[test]
fn the_sample_is_bounded() {
    let work = Work::new("rate-bounds");
    card(&work, "card");
    let event = &work
        .run("rate card --bytes 3MB --json --home h")
        .exits(0)
        .events()[0];
    let bytes = event["measured"]["bytes"].as_u64().unwrap();
    assert!((3_000_000..3_004_096).contains(&bytes), "{bytes}");
    for (arguments, told) in [
        ("--seconds 0", "1..=600"),
        ("--seconds 601", "1..=600"),
        ("--bytes 101GB", "100GB at most"),
        ("--bytes 3", "no unit"),
        ("--bytes 3MB/s", "is a rate"),
    ] {
        work.run(&format!("rate card {arguments} --home h"))
            .exits(2)
            .says(told);
    }
}

#[test]
fn a_card_is_held_against_what_the_kit_says() {
    let work = Work::new("rate-kit");
    card(&work, "card");
    for add in [
        "kit add reader blue --bus uhs-ii --link usb3-5g",
        "kit add card A1 --reads 170 --bus uhs-i --reader blue",
    ] {
        work.run(&format!("{add} --home h")).exits(0);
    }
    work.run("rate card --home h")
        .exits(0)
        .says("--as and --in name them");
    let ran = work.run("rate card --as a1 --in blue --home h --json");
    let event = &ran.exits(0).events()[0];
    assert_eq!(event["kit_card"], "A1");
    assert_eq!(event["kit_reader"], "blue");
    assert_eq!(event["limiting_link"], "card label", "matched: {event}");
    let link = &event["links"][0];
    let share = link["share"].as_f64().unwrap();
    let mean = event["mean_bytes_per_s"].as_f64().unwrap();
    assert!((share * 170e6 / mean - 1.0).abs() < 0.01, "{event}");
    let event = &work
        .run("rate card --as A1 --home h --json")
        .exits(0)
        .events()[0];
    assert_eq!(event["limiting_link"], "card bus sd-sdr104", "{event}");
    for (name, told) in [("--as B2", "there is A1"), ("--in red", "there is blue")] {
        work.run(&format!("rate card {name} --home h"))
            .exits(2)
            .says(told);
    }
}

#[test]
fn what_is_exceeded_limits_nothing() {
    let work = Work::new("rate-exceeded");
    card(&work, "card");
    work.run("rate card --reads 1 --no-ledger")
        .exits(0)
        .says("more than card label allows")
        .is_silent_of("- limits");
}

#[test]
fn a_card_is_recognised_by_its_volume() {
    let work = Work::new("rate-volume");
    card(&work, "card");
    let ran = work.run("kit add card A1 --reads 170 --at card --home h");
    if ran.code == 3 {
        // The disk of this folder tells no identity; the mounts of other tests tell none either.
        ran.says("no identity");
        return;
    }
    work.run("rate card --home h")
        .exits(0)
        .says("Card `A1` of the kit, recognised by its volume.");
    work.run("kit add card B1 --home h").exits(0);
    work.run("rate card --as B1 --home h")
        .exits(0)
        .says("by its identity it would be `A1`");
}

#[test]
#[expect(clippy::disallowed_methods, reason = "a hand that damages the kit")]
fn a_damaged_kit_stops_only_those_who_need_it() {
    let work = Work::new("rate-damaged");
    card(&work, "card");
    work.folder("h");
    std::fs::write(work.path("h/kit.toml"), "[[card]]\nnam = \"A1\"\n").unwrap();
    work.run("rate card --home h")
        .exits(0)
        .says("line 2, card, `nam`")
        .says("Nothing of the kit is used");
    work.run("rate card --as A1 --home h")
        .exits(3)
        .says("line 2");
}

#[test]
fn what_cannot_be_measured_is_refused() {
    let work = Work::new("rate-refused");
    work.folder("empty");
    work.run("rate empty --home h")
        .exits(3)
        .says("no file with content");
    work.run("rate nowhere --home h")
        .exits(3)
        .says("the card `nowhere` is not there");
    let event = &work.run("rate nowhere --home h --json").exits(3).events()[0];
    assert_eq!(event["event"], "refused");
}

#[test]
fn memory_is_no_card() {
    let Some(shm) = Some(std::path::Path::new("/dev/shm")).filter(|p| p.is_dir()) else {
        crate::support::program::skip("no /dev/shm");
        return;
    };
    let work = Work::below(shm, "rate-memory");
    card(&work, "card");
    work.run("rate card --home h")
        .exits(0)
        .says("This figure says nothing of the card.")
        .says("in the computer's memory");
}

#[test]
fn a_slow_mount_is_never_measured_faster_than_it_is() {
    if skip() {
        return;
    }
    let work = Work::new("rate-fuse");
    card(&work, "back");
    let options = Options {
        read_mbps: 10.0,
        ..Options::default()
    };
    let mount = Mount::new(&work.path("back"), &work.folder("card"), options).unwrap();
    let event = &work.run("rate card --json --home h").exits(0).events()[0];
    // The mount allows a short burst before it holds the rate.
    let mean = event["mean_bytes_per_s"].as_f64().unwrap();
    assert!(mean < 14e6, "{event}");
    assert!(event["doubts"].to_string().contains("fuse"), "{event}");
    assert_eq!(
        event["measured"]["bytes"],
        mount.bytes_read(),
        "each byte once"
    );
    drop(mount);
}

#[test]
fn a_file_that_cannot_be_read_is_told() {
    if skip() {
        return;
    }
    let work = Work::new("rate-broken");
    card(&work, "back");
    let broken = Kind::ReadError {
        off: 0,
        len: 1 << 30,
        errno: 5,
    };
    let options = Options {
        faults: vec![Fault::new(broken).path("**/KITE0001.JPG")],
        ..Options::default()
    };
    let mount = Mount::new(&work.path("back"), &work.folder("card"), options).unwrap();
    let ran = work.run("rate card --home h");
    ran.exits(0)
        .says("KITE0001.JPG` could not be read")
        .says("Copy this card before anything else");
    drop(mount);
}

#[test]
fn ctrl_c_tells_what_was_measured_so_far() {
    if skip() {
        return;
    }
    let work = Work::new("rate-stop");
    card(&work, "back");
    let options = Options {
        read_mbps: 1.0,
        ..Options::default()
    };
    let mount = Mount::new(&work.path("back"), &work.folder("card"), options).unwrap();
    let mut command = work.command();
    command.args(["rate", "card", "--home", "h"]);
    let (ran, _) = interrupt_after(&mut command, Duration::from_millis(1_500));
    ran.exits(130).says("it was stopped before its end");
    drop(mount);
}
