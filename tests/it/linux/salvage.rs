//! `copy --salvage` on a card with unreadable spots: what can be read is kept beside, without the
//! spots, and is never a copy; `verify`, `prove` and the same command again know it.

use super::mounts::{CLIP, JOB, Rig, STILL, faulty, plain};
use crate::support::mount::{Fault, Kind, Options, skip};
use crate::support::program::{bytes_of, flip, manifest, names_in, put, remove};
use serde_json::{Value, json};
use std::path::Path;

const EIO: i32 = 5;
/// Where the still is unreadable, and how much of it is lost with that: pages of 4 KiB.
const SPOT: u64 = 100_000;
const SPOT_PAGE: usize = 98_304;

fn bad(path: &str, off: u64, len: u64) -> Fault {
    let kind = Kind::ReadError {
        off,
        len,
        errno: EIO,
    };
    Fault::new(kind).path(path)
}

/// A card with a bad spot in a still, and one in a clip at its very end.
fn rig(name: &str) -> Rig {
    let faults = vec![bad(STILL, SPOT, 10), bad(CLIP, 4_999_990, 10)];
    let card = Options {
        faults,
        ..Options::default()
    };
    Rig::small(name, card, plain(), plain())
}

const OF_STILL: &str = "DCIM/100KITES/KITE0004.salvaged.JPG";
const OF_CLIP: &str = "PRIVATE/CLIPS/C0001.salvaged.MP4";

#[test]
fn what_can_be_read_is_kept_beside_and_is_no_copy() {
    if skip() {
        return;
    }
    let rig = rig("salvage");
    let job = format!("{JOB} --salvage");
    let ran = rig.work.run_short(&job);
    ran.exits(1).says(
        "DCIM/100KITES/KITE0004.JPG: what could be read of it is beside it as \
         `KITE0004.salvaged.JPG`, without 4.1 kB in 1 place: no copy.",
    );
    for drive in ["a", "b"] {
        let kites = rig.work.path(&format!("back-{drive}/KITES"));
        for (file, salvaged, from, to) in [
            (STILL, OF_STILL, SPOT_PAGE, SPOT_PAGE + 4_096),
            (CLIP, OF_CLIP, 4_997_120, 5_000_000),
        ] {
            let mut expected = bytes_of(&rig.work.path("back-card").join(file));
            expected[from..to].fill(0);
            let kept = bytes_of(&kites.join(salvaged));
            assert!(kept == expected, "{drive} {salvaged}");
            assert!(
                !kites.join(file).exists(),
                "nothing has the file's own name"
            );
            let list = bytes_of(&kites.join(format!("{salvaged}.json")));
            let list: Value = serde_json::from_slice(&list).unwrap();
            let hole = json!([{"offset": from, "bytes": to - from, "tries": 4}]);
            assert_eq!(list["holes"], hole, "{list}");
            assert_eq!(list["blake3"], blake3::hash(&kept).to_string());
            assert_eq!(list["file"], file);
            let schema = rig.work.run("schema salvaged").out;
            let schema: Value = serde_json::from_str(&schema).unwrap();
            assert!(jsonschema::is_valid(&schema, &list), "{list}");
        }
        let record = manifest(&kites);
        assert_eq!(record["verdict"]["proven"], false);
        let text = record["files"].to_string();
        assert!(!text.contains("salvaged"), "no manifest lists it as a file");
        let mut problems = record["problems"].as_array().unwrap().iter();
        let told = problems.find(|p| p["path"] == STILL).unwrap();
        let detail = told["detail"].as_str().unwrap();
        assert!(
            detail.contains("without 4.1 kB in 1 place: no copy"),
            "{detail}"
        );
    }
    // Nothing of it is noise or a copy.
    let verified = rig.work.run("verify a/KITES");
    verified
        .is_silent_of("extra")
        .says("2 salvaged files as the lists beside them say");
    rig.work
        .run("prove card --on a --on b --separate")
        .exits(1)
        .is_silent_of("salvaged");
    // The same command again changes nothing that is there.
    let before = bytes_of(&rig.work.path("back-a/KITES").join(OF_STILL));
    rig.work
        .run(&job)
        .exits(1)
        .says("is there already, and is not changed");
    assert!(before == bytes_of(&rig.work.path("back-a/KITES").join(OF_STILL)));
    // One that changed, and one without its list.
    flip(&rig.work.path("back-a/KITES").join(OF_STILL), 5_000);
    remove(
        &rig.work
            .path("back-a/KITES")
            .join(format!("{OF_CLIP}.json")),
    );
    let changed = rig.work.run("verify a/KITES --json").exits(1).verdict();
    assert_eq!(
        (&changed["changed"], &changed["extra"]),
        (&json!(1), &json!(1)),
        "{changed}"
    );
}

#[test]
fn without_the_flag_nothing_is_kept_and_nothing_that_stands_is_replaced() {
    if skip() {
        return;
    }
    let spot = faulty(bad(STILL, SPOT, 10));
    let rig = Rig::small("salvage-not", spot, plain(), plain());
    rig.run(JOB).exits(1).is_silent_of("salvaged");
    rig.is_whole_but("a", STILL);
    // Somebody's own file has the name on one drive.
    put(&rig.work.path("back-a/KITES").join(OF_STILL), b"mine");
    let ran = rig.work.run(&format!("{JOB} --salvage --json"));
    ran.exits(1);
    assert_eq!(
        bytes_of(&rig.work.path("back-a/KITES").join(OF_STILL)),
        b"mine"
    );
    assert!(Path::new(&rig.work.path("back-b/KITES").join(OF_STILL)).exists());
    let told = ran.first("salvaged");
    let detail = told["detail"].as_str().unwrap();
    assert!(detail.contains("is there already"), "{detail}");
    let last = ran.verdict();
    assert_eq!(last["proven"], false);
}

#[test]
fn a_drive_that_stores_other_bytes_or_none_gets_no_salvaged_file() {
    if skip() {
        return;
    }
    let part = "*KITE0004.salvaged*";
    let cases = [
        (
            "salvage-flip",
            Kind::BitflipWrite { off: 9_000, bit: 3 },
            "differs",
        ),
        (
            "salvage-drop",
            Kind::DropWrite { off: 0, len: 4_096 },
            "differs",
        ),
        (
            "salvage-full",
            Kind::NoSpaceAfter { bytes: 50_000 },
            "No space left",
        ),
    ];
    for (name, kind, why) in cases {
        let lying = faulty(Fault::new(kind).path(part));
        let rig = Rig::small(name, faulty(bad(STILL, SPOT, 10)), plain(), lying);
        let ran = rig.work.run(&format!("{JOB} --salvage --json"));
        ran.exits(1);
        let told = ran.first("salvaged");
        let detail = told["detail"].as_str().unwrap().to_owned();
        let is_told = detail.contains("nothing of it was salvaged to b now");
        assert!(is_told && detail.contains(why), "{name}: {detail}");
        assert!(rig.work.path("back-a/KITES").join(OF_STILL).exists());
        let all = names_in(&rig.work.path("back-b/KITES/DCIM/100KITES"));
        assert!(
            !all.iter().any(|n| n.contains("salvaged")),
            "{name}: {all:?}"
        );
    }
}
