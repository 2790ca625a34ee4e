//! `copy --then`: what is PROVEN is sent to a place after its answer.

use crate::support::mount::{Mount, Options, skip};
use crate::support::program::{Work, bytes_of, flip, interrupted, put, tree, wait_until};
use std::process::Stdio;

const COPY: &str = "copy card --to a --to b --name KITES --copies 1";

fn with_place(name: &str) -> Work {
    let work = Work::with_card(name);
    let place = work.folder("place");
    let add = format!("kit add place nas --url file://{}", place.display());
    work.run(&add).exits(0);
    work
}

/// The answer comes first, and all of it; the place has what the card has, from a copy.
#[test]
fn what_is_proven_is_sent_after_its_answer() {
    let work = with_place("then-sent");
    let other = work.folder("other");
    let ran = work.run(&format!(
        "{COPY} --then nas --then file://{}",
        other.display()
    ));
    ran.exits(0)
        .says("PROVEN. You may format")
        .says("SENT. nas has accepted all 11 files of KITES");
    let (answer, sent) = (
        ran.out.find("PROVEN.").unwrap(),
        ran.out.find("SENT.").unwrap(),
    );
    assert!(answer < sent, "{ran}");
    for at in ["place/KITES", "other/KITES"] {
        assert_eq!(tree(&work.path(at)), tree(&work.path("card")));
        work.run(&format!("verify {at}")).exits(0).says("INTACT");
    }
    // For programs too, and once only.
    let ran = work.run(&format!("{COPY} --then nas --json"));
    let events = ran.exits(0).events();
    let at = |name: &str| events.iter().position(|e| e["event"] == name).unwrap();
    assert!(at("verdict") < at("sent"), "{ran}");
    assert_eq!(events[at("sent")]["sent"], 0, "all of it was there");
    assert_eq!(events[at("sent")]["offload"], "KITES");
}

/// How long it takes is learned from what was sent before, and is said with the plan.
#[test]
fn a_plan_says_how_long_sending_takes() {
    let work = with_place("then-plan");
    let plan = COPY.replace("copy card", "plan card");
    work.run(&format!("{plan} --then nas"))
        .exits(0)
        .says("Then to nas: 3.4 MB.")
        .says("known once something of 10 MB or more was sent there");
    // 20 MB in 10 s, then twice 20 MB in 20 s.
    let rates = work
        .folder("home/.local/share/unlade/places")
        .join("rates.jsonl");
    let line = |seconds: u32| {
        let place = work.path("place");
        format!(
            "{{\"place\":\"file://{}\",\"at\":\"2026-11-25T20:00:00Z\",\"bytes\":20000000,\
             \"seconds\":{seconds}}}\n",
            place.display()
        )
    };
    put(&rates, [line(10), line(20), line(20)].concat().as_bytes());
    work.run(&format!("{plan} --then nas"))
        .exits(0)
        .says("It took 1.00 MB/s in the middle of the last 3 times.");
    let planned = work.run(&format!("{plan} --then nas --json"));
    let planned = planned.exits(0).first("sending-planned");
    let bytes = planned["bytes"].as_f64().unwrap();
    assert!(bytes > 3e6, "{planned}");
    assert_eq!(planned["takes"]["likely_s"], bytes / 1e6);
    assert_eq!(planned["takes"]["low_s"], bytes / 2e6);
    work.run(&format!("{plan} --then attic"))
        .exits(2)
        .says("attic");
    let schema: serde_json::Value = serde_json::from_str(&work.run("schema events").out).unwrap();
    let schema = jsonschema::validator_for(&schema).unwrap();
    assert!(schema.is_valid(&planned), "{planned}");
}

#[test]
fn what_is_not_proven_is_not_sent() {
    let work = with_place("then-unproven");
    let ran = work.run("copy card --to a --name KITES --copies 2 --then nas");
    ran.exits(1)
        .says("NOT PROVEN")
        .says("is sent to nas: it is not PROVEN.")
        .is_silent_of("SENT");
    assert!(tree(&work.path("place")).is_empty(), "{ran}");
    let ran = work.run("copy card --to a --name KITES --copies 2 --then nas --json");
    let why = ran.exits(1).first("not-sent");
    assert_eq!(why["why"], "it is not PROVEN");
    // Nothing new on the card: there is no new offload.
    work.run(COPY).exits(0);
    work.run("copy card --to a --to b --copies 1 --only-new --then nas")
        .exits(0)
        .says("is sent to nas: there is nothing new on it.");
    assert!(tree(&work.path("place")).is_empty());
}

/// A place that there is not stops it before the first byte; one that is away costs the copy
/// nothing.
#[test]
fn a_place_that_is_away_holds_up_no_copy() {
    let work = with_place("then-away");
    work.run(&format!("{COPY} --then attic"))
        .exits(2)
        .says("attic");
    assert!(tree(&work.path("a")).is_empty(), "nothing was copied");
    // Nobody listens at this port.
    let ran = work.run(&format!("{COPY} --then sftp://kites@127.0.0.1:1/kites"));
    ran.exits(1)
        .says("PROVEN. You may format")
        .is_silent_of("SENT");
    work.run("verify a/KITES").exits(0).says("INTACT");
    let ran = work.run("send a/KITES --to nas");
    ran.exits(0).says("SENT");
}

/// What is usual is sent too, and what is typed wins; an unusual one is named with its line.
#[test]
fn a_usual_place_gets_what_is_proven() {
    let work = with_place("then-usual");
    let kit = work.path("home/.local/share/unlade/kit.toml");
    let text = String::from_utf8(bytes_of(&kit)).unwrap();
    put(
        &kit,
        format!("{text}\n[usual]\nthen = [\"NAS\"]\n").as_bytes(),
    );
    work.run("kit list").exits(0).says("then to nas");
    work.run(COPY)
        .exits(0)
        .says("As usual: sent to nas once it is PROVEN")
        .says("SENT. nas has accepted");
    assert_eq!(tree(&work.path("place/KITES")), tree(&work.path("card")));
    let other = work.folder("other");
    work.run(&format!("{COPY} --then file://{}", other.display()))
        .exits(0)
        .is_silent_of("As usual")
        .is_silent_of("nas");
    put(
        &kit,
        format!("{text}\n[usual]\nthen = [\"attic\"]\n").as_bytes(),
    );
    // A mistake in the kit costs no copy, and is said.
    work.run(COPY).exits(0).says("there is no place `attic`");
    let ran = work.run("kit check");
    assert_ne!(ran.code, 0, "{ran}");
    ran.says("there is no place `attic`");
}

/// A copy that rotted since is not sent as good; the answer on the card stands.
#[test]
fn a_copy_that_rotted_is_found_while_it_is_sent() {
    let work = with_place("then-rot");
    work.run(COPY).exits(0);
    for drive in ["a", "b"] {
        flip(
            &work.path(drive).join("KITES/PRIVATE/CLIPS/C0001.MP4"),
            2_000_000,
        );
    }
    let ran = work.run(&format!("{COPY} --then nas"));
    assert_ne!(ran.code, 0, "{ran}");
    ran.is_silent_of("SENT.");
}

/// Ctrl-C while it is sent: the answer was given, and the same `send` goes on.
#[test]
fn an_interrupted_sending_is_gone_on_with() {
    if skip() {
        return;
    }
    let work = with_place("then-ctrl-c");
    let options = Options {
        write_mbps: 1.0,
        ..Options::default()
    };
    let slow = Mount::new(&work.folder("backing"), &work.path("place"), options).unwrap();
    let mut command = work.command();
    command.args(COPY.split(' ')).args(["--then", "nas"]);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    // A part file of a file of the card is there.
    let sent = work.path("backing/KITES/DCIM/100KITES");
    let ended = wait_until(&mut child, || {
        std::fs::read_dir(&sent).is_ok_and(|mut all| all.next().is_some())
    });
    assert_eq!(ended, None, "it ended before");
    let ran = interrupted(child);
    assert_eq!(ran.code, 130, "{ran}");
    ran.says("PROVEN. You may format").is_silent_of("SENT. nas");
    assert!(
        !work.path("backing/KITES/_unlade/manifest.json").exists(),
        "it is not whole"
    );
    slow.set_write_mbps(f64::INFINITY);
    work.run("send a/KITES --to nas").exits(0).says("SENT");
    assert_eq!(tree(&work.path("place/KITES")), tree(&work.path("card")));
}
