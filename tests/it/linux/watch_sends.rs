//! What a watch proves is sent to the places of its rule by itself, after its answer, and across
//! restarts of the watch; at the station of `watch`.
#![expect(
    clippy::disallowed_methods,
    reason = "tests play a person with an editor"
)]

use super::watch::Place;
use crate::support::program::{flip, tree};
use crate::support::sshd::Sshd;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};

/// A station whose rule sends to a place on a volume that can be pulled.
fn station(name: &str) -> Option<Place> {
    let mut place = Place::new(name, 1, "")?;
    place.add_place("[[rule]]\nmatch = \"A1\"\nto = [\"Attic\", \"Travel\"]\ncopies = 1\n");
    place.plug("ATTIC");
    place.plug("TRAVEL");
    Some(place)
}

/// What is at the place, as the namespace sees it.
fn sent(place: &Place) -> Vec<String> {
    let files = place.offloads("NAS/kites").into_values().flatten();
    let mut files: Vec<String> = files.collect();
    files.sort();
    files
}

fn on_card(place: &Place) -> Vec<String> {
    let made = tree(&place.work.path("made/A1"));
    let names = made.keys().map(|path| path.display().to_string());
    names.filter(|name| name.contains('.')).collect()
}

fn to_send(place: &Place) -> PathBuf {
    place.work.path("h/watch-to-send.jsonl")
}

#[test]
fn what_is_proven_is_sent_and_only_once() {
    let Some(mut place) = station("watch-sends") else {
        return;
    };
    place.plug("A1");
    let told = place.ask(&["watch", "--explain", place.at("A1").to_str().unwrap()]);
    assert!(
        told.contains("Then sent to nas, once it is PROVEN."),
        "{told}"
    );
    place.watch(&["--once"]);
    let code = place.watch.take().unwrap().wait().unwrap().code();
    assert_eq!(code, Some(0), "{}", place.log());
    let log = place.log();
    let answer = log.find("A1: PROVEN.").unwrap();
    let is_sent = log.find("A1: SENT. nas has accepted all").unwrap();
    assert!(answer < is_sent, "{log}");
    assert_eq!(sent(&place), on_card(&place));
    // It is not owed any more.
    place.watch(&[]);
    place.waits_for("it was proven on", 1);
    let told = place.ask(&["watch", "--status"]);
    assert!(!told.contains("nas"), "{told}");
    place.end_watch("TERM");
    assert_eq!(place.log().matches("SENT.").count(), 1, "{}", place.log());
}

/// The place is away, then the watch is killed, then the drives are away: it is sent in the end.
#[test]
fn what_is_owed_is_sent_across_kills_and_pulls() {
    let Some(mut place) = station("watch-owes") else {
        return;
    };
    place.pull("NAS");
    place.plug("A1");
    place.watch(&[]);
    place.waits_for("A1: PROVEN.", 1);
    place.waits_for("is not sent to nas yet: ", 1);
    place.waits_until("status", |_| {
        let told = place.ask(&["watch", "--status"]);
        told.contains("A1: ") && told.contains("is to be sent to nas yet: ")
    });
    place.end_watch("KILL");
    for name in ["A1", "ATTIC", "TRAVEL"] {
        place.pull(name);
    }
    place.plug("NAS");
    place.watch(&[]);
    place.waits_for("is to be sent to nas yet, from an earlier watch.", 1);
    let is_away = |log: &str| {
        ["Attic and Travel", "Travel and Attic"]
            .iter()
            .any(|both| log.contains(&format!("it is on {both}, and no such drive is plugged in")))
    };
    place.waits_until("the drives are away", is_away);
    place.plug("TRAVEL");
    place.waits_for("SENT. nas has accepted all", 1);
    assert_eq!(sent(&place), on_card(&place));
    // A drive that is waited for is said once.
    assert_eq!(
        place.log().matches("no such drive is plugged in").count(),
        1
    );
    assert_eq!(place.end_watch("TERM"), Some(0));
}

/// The watch was killed before it could note how its copy ended: the records on the drive say it.
#[test]
fn a_kill_between_proof_and_note_loses_nothing() {
    let Some(mut place) = station("watch-notes") else {
        return;
    };
    place.pull("NAS");
    place.plug("A1");
    place.watch(&[]);
    place.waits_for("is not sent to nas yet: ", 1);
    place.end_watch("KILL");
    let list = fs::read_to_string(to_send(&place)).unwrap();
    let begun = list.lines().next().unwrap();
    assert!(begun.contains("\"did\":\"begun\""), "{list}");
    // Another, whose copy never ended: no records of it are there.
    let never = begun.replace("-A1", "-A2");
    fs::write(to_send(&place), format!("{begun}\n{never}\n")).unwrap();
    place.plug("NAS");
    place.watch(&[]);
    place.waits_for("SENT. nas has accepted all", 1);
    assert_eq!(sent(&place), on_card(&place));
    place.waits_until("the end of both", |_| {
        let list = fs::read_to_string(to_send(&place)).unwrap();
        list.matches("\"did\":\"ended\"").count() >= 2
    });
    // The kill may have come before the ledger had it: then it is looked at anew.
    place.waits_until("the card's answer", |log| {
        log.contains("it was proven on") || log.matches("A1: PROVEN.").count() == 2
    });
    place.end_watch("TERM");
    assert!(!place.log().contains("-A2"), "{}", place.log());
}

/// What rotted on one drive is sent from the other; what rotted on both never is.
#[test]
fn a_copy_that_rotted_is_not_sent() {
    for drives in [&["ATTIC"][..], &["ATTIC", "TRAVEL"]] {
        let Some(mut place) = station(&format!("watch-rot-{}", drives.len())) else {
            return;
        };
        place.pull("NAS");
        place.plug("A1");
        place.watch(&["--once", "--json"]);
        let code = place.watch.take().unwrap().wait().unwrap().code();
        assert_eq!(code, Some(1), "it is not sent: {}", place.log());
        let first = fs::read_to_string(to_send(&place)).unwrap();
        // The one that would be taken first.
        let proven: Value = serde_json::from_str(first.lines().nth(1).unwrap()).unwrap();
        let fastest = proven["copies"][0]["drive"]
            .as_str()
            .unwrap()
            .to_uppercase();
        let drives = if drives.len() == 1 {
            vec![fastest]
        } else {
            drives.iter().map(ToString::to_string).collect()
        };
        for drive in &drives {
            let image = place.work.path(&format!("{drive}.img"));
            place.pull(drive);
            rot(&place, &image);
            place.plug(drive);
        }
        place.pull("A1");
        place.plug("NAS");
        place.watch(&["--json"]);
        if drives.len() == 1 {
            place.waits_for("\"event\":\"sent\"", 1);
            assert_eq!(sent(&place), on_card(&place));
        } else {
            place.waits_for("\"event\":\"not-sent\"", 1);
        }
        place.waits_for("\"what\":\"send-failed\"", drives.len());
        assert!(
            place
                .log()
                .contains("is not what the manifest says; it was not sent"),
            "{}",
            place.log()
        );
        place.end_watch("TERM");
        fits_the_schema(&place);
    }
}

/// Changes a byte of the clip in the image of a drive.
fn rot(place: &Place, image: &Path) {
    let clip = fs::read(place.work.path("made/A1/DCIM/100KITES/KITE0003.MP4")).unwrap();
    let all = fs::read(image).unwrap();
    let part = &clip[500_000..500_064];
    let at = all.windows(64).position(|bytes| bytes == part).unwrap();
    flip(image, at.try_into().unwrap());
}

fn fits_the_schema(place: &Place) {
    let schema: Value = serde_json::from_str(&place.work.run("schema events").out).unwrap();
    let schema = jsonschema::validator_for(&schema).unwrap();
    for line in place.log().lines().filter(|line| line.starts_with('{')) {
        let event: Value = serde_json::from_str(line).unwrap();
        let faults: Vec<String> = schema.iter_errors(&event).map(|e| e.to_string()).collect();
        assert!(faults.is_empty(), "{event}: {faults:?}");
    }
}

/// A server of OpenSSH that is away at first: no copy waits for it, and all of it is there once it
/// is back.
#[test]
fn a_server_that_is_away_gets_it_when_it_is_back() {
    let Some(mut place) = Place::new("watch-far", 1, "") else {
        return;
    };
    let Some(mut sshd) = Sshd::start(&place.work) else {
        return;
    };
    let ways = sshd.command(&place.work, "");
    let ways = ways.get_envs().filter_map(|(key, value)| {
        let value = value?;
        ["HOME", "PATH"]
            .contains(&key.to_str()?)
            .then(|| (key.to_owned(), value.to_owned()))
    });
    place.env = ways.collect();
    let far = place.work.folder("far");
    place.add_to_kit(&format!(
        "[usual]\nto = [\"Attic\"]\ncopies = 1\nthen = [\"studio\"]\n[[place]]\nname = \
         \"studio\"\nurl = \"sftp://127.0.0.1:{}{}\"\n",
        sshd.port,
        far.display()
    ));
    sshd.vanish();
    place.plug("ATTIC");
    place.plug("A1");
    place.watch(&[]);
    place.waits_for("A1: PROVEN.", 1);
    place.waits_for("is not sent to studio yet: ", 1);
    assert!(!place.log().contains("same command"), "{}", place.log());
    sshd.come_back(&place.work);
    place.waits_for("SENT. studio has accepted all", 1);
    assert_eq!(place.end_watch("TERM"), Some(0));
    let offload = fs::read_dir(&far).unwrap().next().unwrap().unwrap();
    let mut there = tree(&offload.path());
    // The card's file system made it.
    there.remove(Path::new("lost+found"));
    assert_eq!(there, tree(&place.work.path("made/A1")));
}

/// The unit has the network only where the kit sends somewhere far, and is sound then too.
#[test]
fn the_unit_has_a_network_for_places_alone() {
    let Some(place) = station("watch-unit-far") else {
        return;
    };
    let near = place.ask(&["watch", "--print-service", "systemd"]);
    assert!(near.contains("PrivateNetwork=yes"), "{near}");
    assert!(
        near.contains("media/NAS/kites"),
        "it may write there: {near}"
    );
    place.add_to_kit(
        "[[place]]\nname = \"studio\"\nurl = \"sftp://kites@studio.example.org/srv/kites\"\n\
         [usual]\nthen = [\"studio\"]\n",
    );
    let far = place.ask(&["watch", "--print-service", "systemd"]);
    assert!(!far.contains("PrivateNetwork"), "{far}");
    assert!(far.contains("AF_INET AF_INET6"), "{far}");
    super::watch::is_sound(&place.work, &far);
}
