//! The same card again: `--only-new`, and what must never be left on its account. On plain folders
//! of a real disk, with both destinations on it, so that PROVEN needs `--copies 1` here; and on the
//! simulated disk where something has to happen between plan and verdict.

use crate::support::job::SMALL;
use crate::support::program::{
    Card, Work, bytes_of, content, flip, manifest, move_to, names_in, put, remove, store_manifest,
    tree, whole_tree,
};
use crate::support::sampled;
use crate::support::sim::Sim;
use crate::{support, truth};
use serde_json::{Value, json};
use std::fs::{self, File};
use std::path::Path;
use std::time::{Duration, SystemTime};
use unlade::disk::Stamp;
use unlade::error::ProblemKind;
use unlade::event::Silent;
use unlade::record::manifest::Manifest;
use unlade::run::{self, Job, Tools};

const STILL: &str = "DCIM/100KITES/KITE0001.JPG";
const RAW: &str = "DCIM/100KITES/KITE0002.DNG";
const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";
const NEW: &str = "DCIM/101KITES/KITE0004.JPG";
const AGAIN: &str = "copy card --to a --to b --name DAY2 --copies 1 --only-new";

fn date(path: &Path) -> SystemTime {
    path.metadata().unwrap().modified().unwrap()
}

/// Copies a file as a person would, with its date.
fn copy_by_hand(from: &Path, to: &Path) {
    fs::create_dir_all(to.parent().unwrap()).unwrap();
    put(to, &bytes_of(from));
    set_date(to, date(from));
}

fn set_date(path: &Path, date: SystemTime) {
    File::open(path).unwrap().set_modified(date).unwrap();
}

/// Every file of the card, relative to it.
fn files_of(work: &Work) -> Vec<String> {
    let names = tree(&work.path("card")).into_keys();
    names
        .map(|p| p.to_str().unwrap().to_owned())
        .filter(|p| work.path("card").join(p).is_file())
        .collect()
}

/// Shifts the dates of all files of the card.
fn shift(work: &Work, seconds: u64) {
    for path in files_of(work) {
        let path = work.path("card").join(path);
        set_date(&path, date(&path) + Duration::from_secs(seconds));
    }
}

/// Changes what a file holds and keeps its size and date.
fn rewrite_unseen(path: &Path) {
    let then = date(path);
    let bytes = usize::try_from(path.metadata().unwrap().len()).unwrap();
    put(path, &content(bytes, 4_242));
    set_date(path, then);
}

fn shoot(work: &Work, path: &str, seed: u64) {
    drop(Card::new(&work.path("card")).file(path, 50_000, seed));
    let later = date(&work.path("card").join(path)) + Duration::from_secs(86_461 + seed);
    set_date(&work.path("card").join(path), later);
}

/// So many more files that `RAW` is none of those that are read as a sample.
fn many(work: &Work) {
    for n in 0..150 {
        let path = format!("DCIM/100KITES/KITE1{n:03}.JPG");
        drop(Card::new(&work.path("card")).file(path, 9_000, 600 + n));
    }
}

/// A card that was copied to `a` and `b` as `KITES`, with one new shot since.
fn next_day(name: &str) -> Work {
    let work = Work::with_card(name);
    work.offload();
    shoot(&work, NEW, 90);
    work
}

/// The paths that an offload's manifest says lie in another one, and which.
fn elsewhere(offload: &Path) -> Vec<(String, String)> {
    let m = manifest(offload);
    let files = m["files"].as_array().unwrap().iter();
    files
        .filter_map(|f| {
            let within = f["copies"][0]["in"].as_str()?;
            Some((f["path"].as_str().unwrap().to_owned(), within.to_owned()))
        })
        .collect()
}

/// `--also` with `--only-new`: the lists tell of what lies in the new offload; the manifest carries
/// the further hashes that the earlier one has, and no others, for what is left.
#[test]
fn further_hashes_of_what_is_left_are_those_of_the_earlier_offload() {
    let work = Work::with_card("only-new-also");
    work.run("copy card --to a --to b --name KITES --copies 1 --also md5")
        .exits(0);
    shoot(&work, NEW, 90);
    work.run(&format!("{AGAIN} --also sha256"))
        .exits(0)
        .says("PROVEN");
    let offload = work.path("b/DAY2");
    let m = manifest(&offload);
    let then = manifest(&work.path("b/KITES"));
    for file in m["files"].as_array().unwrap() {
        let also = file["also"].as_object().unwrap();
        if file["path"] == NEW {
            assert_eq!(also.keys().collect::<Vec<_>>(), ["sha256"]);
        } else {
            let mut all = then["files"].as_array().unwrap().iter();
            let earlier = all.find(|f| f["path"] == file["path"]).unwrap();
            assert_eq!(also.keys().collect::<Vec<_>>(), ["md5"]);
            assert_eq!(file["also"], earlier["also"]);
        }
    }
    let list = String::from_utf8(bytes_of(&offload.join("_unlade/checksums.sha256"))).unwrap();
    assert!(list.lines().count() == 1 && list.contains(NEW), "{list}");
    assert!(!offload.join("_unlade/checksums.md5").exists());
    work.run("verify b/DAY2").exits(0);
    // A list that this manifest does not give was not stored by the run.
    put(&offload.join("_unlade/checksums.md5"), b"");
    work.run("verify b/DAY2")
        .exits(1)
        .says("_unlade/checksums.md5");
}

// ---- what is left ------------------------------------------------------------------------------

#[test]
fn only_what_is_new_is_copied_and_the_verdict_covers_the_card() {
    let work = next_day("only-new");
    let first = [whole_tree(&work.path("a")), whole_tree(&work.path("b"))];
    let card = whole_tree(&work.path("card"));
    work.run(&AGAIN.replace("copy", "plan"))
        .exits(0)
        .says("7 files, 3.4 MB in the earlier offload `KITES`")
        .says("1 file to copy");
    assert_eq!(whole_tree(&work.path("a")), first[0]);
    work.run(AGAIN)
        .exits(0)
        .says("PROVEN")
        .says("8 files, 3.4 MB: 1 copied here, all checked")
        .says(
            "7 of 8 files are in earlier offloads (`KITES`): matched by path, size and date only, \
            not read but for a sample of 6 files (equal).",
        );
    work.run_short(&AGAIN.replace("DAY2", "SAME"))
        .exits(0)
        .says("a 8 files, all in earlier offloads, checked then");
    for (at, d) in ["a", "b"].iter().enumerate() {
        let offload = work.path(d).join("DAY2");
        let copied: Vec<_> = tree(&offload)
            .into_keys()
            .filter(|p| offload.join(p).is_file())
            .collect();
        assert_eq!(copied, [Path::new(NEW)]);
        let mut now = whole_tree(&work.path(d));
        now.retain(|path, _| !path.starts_with("DAY2"));
        assert_eq!(now, first[at], "the first offload is as it was");
        let list = String::from_utf8(bytes_of(&offload.join("_unlade/checksums.b3"))).unwrap();
        assert!(list.lines().count() == 1 && list.contains(NEW), "{list}");
    }
    assert_eq!(whole_tree(&work.path("card")), card);
    let m = manifest(&work.path("a/DAY2"));
    assert_eq!(m["totals"]["files"], 8);
    assert_eq!(m["files"].as_array().unwrap().len(), 8);
    assert_eq!(elsewhere(&work.path("a/DAY2")).len(), 7);
    assert_eq!(
        m["files"][0]["copies"][0],
        json!({"destination": 0, "proof": "earlier",
            "readback_s": m["files"][0]["copies"][0]["readback_s"], "in": "KITES"})
    );
    let bytes: u64 = m["files"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|f| f["path"] != NEW)
        .map(|f| f["bytes"].as_u64().unwrap())
        .sum();
    assert_eq!(
        m["proof"]["only_new"],
        json!({"left_files": 7, "left_bytes": bytes, "matched_by": "path-size-date",
            "sampled_files": 6})
    );
    let page = String::from_utf8(bytes_of(&work.path("a/DAY2/_unlade/report.html"))).unwrap();
    assert!(
        page.contains("7 of 8 files") && page.contains("size and date only, not read"),
        "{page}"
    );
}

#[test]
fn the_other_commands_understand_such_an_offload() {
    let work = next_day("only-new-others");
    work.run(AGAIN).exits(0);
    // All offloads of a drive together hold the card; the new one alone does not.
    work.run("prove card --on a --on b --copies 1")
        .exits(0)
        .says("7 of 8 files on the card")
        .says("1 of 8 files on the card");
    work.run("prove card --on a --on b --copies 1 --reread")
        .exits(0);
    for more in ["", " --reread", " --by-content"] {
        work.run(&format!(
            "prove card --on a/DAY2 --on b/DAY2 --copies 1{more}"
        ))
        .exits(1)
        .says("is in an earlier offload, which was not found here");
    }
    // A file that somebody put where none was copied is not taken for a copy.
    let put_by_hand = work.path("a/DAY2").join(STILL);
    copy_by_hand(&work.path("card").join(STILL), &put_by_hand);
    for more in ["", " --reread", " --by-content"] {
        work.run(&format!("prove card --on a/DAY2 --copies 1{more}"))
            .exits(1);
    }
    work.run("verify a/DAY2").exits(1).says("1 extra");
    remove(&put_by_hand);
    let ran = work.run("verify a/DAY2");
    ran.exits(0)
        .says("1 of 1 file match")
        .says("7 files are in the earlier offload `KITES`, not here; verify that as well");
    // Moved away from the other one it is checked all the same.
    let elsewhere = work.folder("elsewhere");
    move_to(&work.path("a/DAY2"), &elsewhere.join("moved"));
    work.run("verify elsewhere/moved")
        .exits(0)
        .says("7 files are in");
    let events = work.run("verify elsewhere/moved --json").exits(0).events();
    let last = events.last().unwrap();
    assert_eq!(
        (&last["unchanged"], &last["proven"], &last["elsewhere"]),
        (&true.into(), &false.into(), &json!({"KITES": 7}))
    );
    flip(&elsewhere.join("moved").join(NEW), 9);
    work.run("verify elsewhere/moved").exits(1).says(NEW);
}

#[test]
fn the_same_command_again_changes_nothing_and_without_the_flag_all_is_copied() {
    let work = next_day("only-new-again");
    work.run(AGAIN).exits(0);
    let then = whole_tree(&work.path("a"));
    work.run(AGAIN)
        .exits(0)
        .says("7 of 8 files are in earlier offloads");
    assert_eq!(
        whole_tree(&work.path("a")),
        then,
        "nothing is written twice"
    );
    work.run(&AGAIN.replace(" --only-new", ""))
        .exits(0)
        .says("7 files to copy")
        .is_silent_of("are in earlier offloads");
    assert_eq!(tree(&work.path("a/DAY2")), tree(&work.path("card")));
    assert!(elsewhere(&work.path("a/DAY2")).is_empty());
    work.run("verify a/DAY2 b/DAY2")
        .exits(0)
        .is_silent_of("lie in the earlier offload");
    // And with the flag once more what stands here now is kept.
    work.run(AGAIN)
        .exits(0)
        .is_silent_of("are in earlier offloads");
    work.run("prove card --on a/DAY2 --copies 1").exits(0);
}

#[test]
fn a_third_day_leaves_each_file_where_it_lies() {
    let work = next_day("only-new-third");
    work.run(AGAIN).exits(0);
    shoot(&work, "DCIM/101KITES/KITE0005.JPG", 91);
    work.run(&AGAIN.replace("DAY2", "sub/../DAY3")).exits(3);
    work.run(&AGAIN.replace("DAY2", "DAY3"))
        .exits(0)
        .says("8 of 9 files are in earlier offloads")
        .says("`DAY2`")
        .says("`KITES`");
    let left = elsewhere(&work.path("b/DAY3"));
    let of = |offload: &str| left.iter().filter(|(_, w)| w == offload).count();
    assert_eq!((of("KITES"), of("DAY2")), (7, 1));
    work.run("prove card --on a --copies 1")
        .exits(0)
        .says("7 of 9 files on the card");
    // Without the first one the other two hold less than the card.
    work.folder("away");
    move_to(&work.path("a/KITES"), &work.path("away/KITES"));
    work.run("prove card --on a --copies 1").exits(1);
    work.run(&AGAIN.replace("DAY2", "DAY4"))
        .exits(0)
        .says("2 of 9 files are in earlier offloads")
        .says("7 files to copy");
}

#[test]
fn a_card_without_anything_new_makes_no_offload() {
    let work = Work::with_card("nothing-new");
    work.offload();
    let then = whole_tree(&work.path("a"));
    work.run(AGAIN)
        .exits(0)
        .says("PROVEN")
        .says("Offload none")
        .says("7 of 7 files are in earlier offloads")
        .says("in earlier offloads (`KITES`)");
    let events = work.run(&format!("{AGAIN} --json")).exits(0).events();
    let last = events.last().unwrap();
    assert_eq!(
        (&last["offload"], &last["proven"], &last["files"]),
        (&Value::Null, &true.into(), &7.into())
    );
    assert_eq!(last["only_new"]["left_in"], json!([["KITES"], ["KITES"]]));
    work.run(&format!("{AGAIN} --proof reread"))
        .exits(0)
        .says("read from the card and equal");
    assert_eq!(whole_tree(&work.path("a")), then);
    work.run("copy card --to a --to b --name DAY2 --only-new")
        .exits(1)
        .says("NOT PROVEN")
        .says("one file system");
    // A new empty folder is something new.
    work.folder("card/DCIM/102KITES");
    work.run(AGAIN).exits(0);
    assert!(work.path("a/DAY2/DCIM/102KITES").is_dir());
    work.run("verify a/DAY2 b/DAY2").exits(0);
}

/// A camera's database is another file after every shot: with a name that nobody gave, a second run
/// on one day goes into an offload of its own.
#[test]
fn a_second_time_on_one_day_goes_beside_the_first() {
    let work = Work::with_card("only-new-twice");
    let shoot_and_note = |n: u64| {
        shoot(&work, &format!("DCIM/101KITES/KITE10{n:02}.JPG"), 90 + n);
        shoot(&work, "MISC/CAMERA.DB", 1_000 * (1 + n));
    };
    let run = "copy card --to a --to b --copies 1 --only-new";
    shoot_and_note(0);
    work.run(run).exits(0);
    let first = names_in(&work.path("a")).remove(0);
    let then = whole_tree(&work.path("a").join(&first));
    for n in [2, 3] {
        shoot_and_note(n);
        work.run(run)
            .exits(0)
            .says("2 files to copy")
            .says("PROVEN");
        let next = work.path(&format!("b/{first}-{n}"));
        assert!(next.join("MISC/CAMERA.DB").is_file());
        work.run(run).exits(0);
        assert_eq!(names_in(&work.path("a")).len(), usize::try_from(n).unwrap());
    }
    assert_eq!(whole_tree(&work.path("a").join(&first)), then);
    work.run("prove card --on a --copies 1").exits(0);
}

/// Walkthrough of a card on its second day: 300 files, then 480, three deleted, one rewritten
/// under its name, and the computer's clock in another zone.
#[test]
fn the_second_day_of_a_large_card() {
    let work = Work::new("second-day");
    let (a, b) = (work.folder("a"), work.folder("b"));
    let name = |n: u64| format!("DCIM/1{:02}KITES/IMG_{n:04}.JPG", n / 225);
    let mut card = Card::new(&work.path("card"));
    for n in 1..=300 {
        card = card.file(name(n), 3_000 + usize::try_from(n % 7).unwrap(), n);
    }
    work.run("copy card --to a --to b --name DAY1 --copies 1")
        .exits(0);
    shift(&work, 3_600);
    for n in [17, 75, 194] {
        remove(&work.path("card").join(name(n)));
    }
    let old = bytes_of(&work.path("card").join(name(103)));
    put(&work.path("card").join(name(103)), &content(3_005, 9_103));
    for n in 301..=483 {
        drop(Card::new(&work.path("card")).file(name(n), 3_000, n));
        let path = work.path("card").join(name(n));
        set_date(&path, date(&path) + Duration::from_secs(90_000 + n));
    }
    assert_eq!(files_of(&work).len(), 480);
    work.run(AGAIN)
        .exits(0)
        .says("184 files to copy")
        .says(
            "296 of 480 files are in earlier offloads (`DAY1`): matched by path, size and date \
            only, not read",
        )
        .says(
            "1 file had its name before with other content; both are there \
            (`DCIM/100KITES/IMG_0103.JPG`)",
        )
        .says(
            "3 files of earlier offloads are no longer on the card; they stay on the drives as \
            before",
        )
        .says("by 60 min");
    for d in [a, b] {
        assert_eq!(
            bytes_of(&d.join("DAY1").join(name(103))),
            old,
            "both are kept"
        );
        assert_ne!(bytes_of(&d.join("DAY2").join(name(103))), old);
        assert!(d.join("DAY1").join(name(17)).is_file());
    }
    work.run("prove card --on a --on b --copies 1")
        .exits(0)
        .says("296 of 480 files")
        .says("184 of 480 files");
    work.run("verify a/DAY1 a/DAY2").exits(0);
}

// ---- what is never left ------------------------------------------------------------------------

/// Changes what the manifest of the first offload says on one drive, with a hash that fits.
fn tamper(w: &Work, d: &str, change: fn(&mut Value)) {
    let root = w.path(d).join("KITES");
    let mut m = manifest(&root);
    change(&mut m);
    store_manifest(&root, m.to_string().as_bytes());
}

fn both(w: &Work, change: fn(&mut Value)) {
    tamper(w, "a", change);
    tamper(w, "b", change);
}

fn still(m: &mut Value) -> &mut Value {
    let files = m["files"].as_array_mut().unwrap();
    files.iter_mut().find(|f| f["path"] == STILL).unwrap()
}

/// Everything after which a file (`STILL`, or all) has to be copied anew.
#[test]
fn what_is_not_certain_is_copied() {
    type Change = fn(&Work);
    let cases: [(&str, Change, usize); 20] = [
        (
            "its copy is gone from one drive",
            |w| remove(&w.path("b/KITES").join(STILL)),
            1,
        ),
        (
            "its copy has another size",
            |w| put(&w.path("a/KITES").join(STILL), b"short"),
            1,
        ),
        (
            "its copy has another date",
            |w| {
                let copy = w.path("b/KITES").join(STILL);
                set_date(&copy, date(&copy) + Duration::from_secs(61));
            },
            1,
        ),
        (
            "its copy is a link now",
            |w| {
                let copy = w.path("a/KITES").join(STILL);
                move_to(&copy, &w.path("a/moved"));
                std::os::unix::fs::symlink(w.path("a/moved"), &copy).unwrap();
            },
            1,
        ),
        (
            "its copy was only written on one drive",
            |w| {
                tamper(w, "b", |m| {
                    still(m)["copies"][1]["proof"] = "written".into();
                });
            },
            1,
        ),
        (
            "its hash is another one on the other drive",
            |w| {
                tamper(w, "b", |m| still(m)["blake3"] = "0".repeat(64).into());
            },
            7,
        ),
        (
            "the record doubts it",
            |w| {
                both(
                    w,
                    |m| m["problems"] = json!([{"kind": "mismatch", "path": STILL, "destination": null, "detail": "the card delivered other bytes on the second read", "blocking": true}]),
                );
            },
            1,
        ),
        (
            "the record says that it lies elsewhere",
            |w| {
                both(w, |m| {
                    for copy in still(m)["copies"].as_array_mut().unwrap() {
                        copy["proof"] = "earlier".into();
                        copy["in"] = "GONE".into();
                    }
                });
            },
            1,
        ),
        (
            "its date on the card moved by an hour, alone",
            |w| {
                let path = w.path("card").join(STILL);
                set_date(&path, date(&path) + Duration::from_secs(3_600));
            },
            1,
        ),
        (
            "the card's file was rewritten with its size",
            |w| put(&w.path("card").join(STILL), &content(40_000, 7_777)),
            1,
        ),
        (
            "one manifest is damaged",
            |w| flip(&w.path("a/KITES/_unlade/manifest.json"), 900),
            7,
        ),
        (
            "one manifest has no hash",
            |w| remove(&w.path("a/KITES/_unlade/manifest.json.b3")),
            7,
        ),
        (
            "one manifest is gone",
            |w| {
                let records = w.path("b/KITES/_unlade");
                move_to(
                    &records.join("manifest.json"),
                    &records.join("journal.jsonl"),
                );
            },
            7,
        ),
        (
            "the read-back came from memory",
            |w| both(w, |m| m["destinations"][1]["readback"] = "cached".into()),
            7,
        ),
        (
            "it is another card's offload",
            |w| both(w, |m| m["card"]["path"] = "/media/OTHER".into()),
            7,
        ),
        (
            "it is another volume's offload",
            |w| both(w, |m| m["card"]["volume_id"] = "0000-0000".into()),
            7,
        ),
        (
            "the record had more troubles than it lists",
            |w| {
                both(
                    w,
                    |m| m["problems"] = json!([{"kind": "unreadable", "path": null, "destination": null, "detail": "and 7 more problems that are not listed one by one", "blocking": true}]),
                );
            },
            7,
        ),
        ("all dates moved by a whole day", |w| shift(w, 86_400), 7),
        // Cards of some cameras all have one identity: another one, from a camera on the same rig.
        (
            "every name, size and date is the same and the content is not",
            |w| {
                for path in files_of(w).iter().filter(|p| *p != NEW) {
                    rewrite_unseen(&w.path("card").join(path));
                }
            },
            7,
        ),
        // The counter was set back, every file has its old size, and a timer shot them one hour
        // later.
        (
            "all dates moved by an hour and so did the content",
            |w| {
                for path in files_of(w).iter().filter(|p| *p != NEW) {
                    rewrite_unseen(&w.path("card").join(path));
                }
                shift(w, 3_600);
            },
            7,
        ),
    ];
    for (name, change, copied) in sampled(cases.to_vec(), 4) {
        let work = next_day("not-certain");
        change(&work);
        let first = whole_tree(&work.path("a/KITES"));
        let ran = work.run(AGAIN);
        ran.exits(0).says(&format!(
            "{} to copy",
            if copied == 7 { "8 files" } else { "2 files" }
        ));
        let offload = work.path("b/DAY2");
        let card = tree(&work.path("card"));
        let copies = tree(&offload);
        let files: Vec<_> = copies
            .iter()
            .filter(|(p, _)| offload.join(p).is_file())
            .collect();
        assert_eq!(files.len(), copied + 1, "{name}: {ran}");
        for (path, node) in files {
            assert_eq!(card.get(path), Some(node), "{name}");
        }
        assert_eq!(whole_tree(&work.path("a/KITES")), first, "{name}");
        let here = manifest(&offload);
        for file in here["files"].as_array().unwrap() {
            let is_here = file["copies"][0]["in"].is_null();
            let path = file["path"].as_str().unwrap();
            assert_eq!(is_here, offload.join(path).is_file(), "{name}: {path}");
        }
    }
}

/// A twin: another card at another place with the same names, sizes and dates.
#[test]
fn another_card_that_looks_the_same_is_copied_whole() {
    let work = next_day("only-new-twin");
    for path in files_of(&work) {
        let (from, to) = (work.path("card").join(&path), work.path("twin").join(&path));
        copy_by_hand(&from, &to);
        let then = date(&from);
        if path == STILL {
            put(&to, &content(40_000, 31));
        }
        set_date(&to, then);
    }
    work.folder("twin/PRIVATE/CLIPS/EMPTY");
    work.run(&AGAIN.replace("card", "twin"))
        .exits(0)
        .says("8 files to copy");
    assert_eq!(tree(&work.path("a/DAY2")), tree(&work.path("twin")));
}

/// A copy of an offload that somebody made by hand was never read back.
#[test]
fn a_copy_made_by_hand_is_no_ground() {
    let work = next_day("only-new-hand");
    work.folder("c");
    let hand = work.folder("c/KITES");
    for path in whole_tree(&work.path("a/KITES")).keys() {
        let (from, to) = (work.path("a/KITES").join(path), hand.join(path));
        if from.is_dir() {
            fs::create_dir_all(&to).unwrap();
        } else {
            copy_by_hand(&from, &to);
        }
    }
    // Nor for going on with the same offload: it is read back and compared with the card.
    work.run("plan card --to a --to c --name KITES --copies 1")
        .exits(0)
        .says("7 files there already, in no manifest that fits: checked and compared");
    work.run("copy card --to a --to c --name DAY2 --copies 1 --only-new")
        .exits(0)
        .says("8 files to copy")
        .says("no manifest says that it was checked on this drive");
}

#[test]
fn a_second_read_of_the_card_is_compared_with_the_earlier_offload() {
    let work = next_day("only-new-reread");
    work.run(&format!("{AGAIN} --proof reread"))
        .exits(0)
        .says("read from the card and equal");
    let work = Work::with_card("only-new-reread-2");
    many(&work);
    work.offload();
    shoot(&work, NEW, 90);
    // One of those that are not read as a sample.
    rewrite_unseen(&work.path("card").join(RAW));
    // The limit of path, size and date, which the verdict names.
    work.run(&AGAIN.replace("copy", "plan"))
        .exits(0)
        .says("157 files, 4.7 MB in the earlier offload `KITES`")
        .says("path, size and date are the same, a sample of the content read");
    let ran = work.run(&format!("{AGAIN} --proof reread"));
    ran.exits(1)
        .says("NOT PROVEN")
        .says(RAW)
        .says("changed-on-card")
        .says("without --only-new and under another --name");
    let m = manifest(&work.path("a/DAY2"));
    assert_eq!(m["verdict"]["proven"], false);
    // From now on no offload is ground enough to leave that file.
    work.run(&AGAIN.replace("DAY2", "DAY3")).exits(0);
    let left = elsewhere(&work.path("a/DAY3"));
    assert_eq!(left.len(), 157, "{left:?}");
    assert!(!left.iter().any(|(path, _)| path == RAW), "{left:?}");
    assert_eq!(
        bytes_of(&work.path("a/DAY3").join(RAW)),
        bytes_of(&work.path("card").join(RAW))
    );
}

/// After a second read that differed, the same offload without that level must not be PROVEN.
#[test]
fn a_doubt_survives_a_weaker_question() {
    let work = Work::with_card("doubt");
    let root = work.offload();
    for d in ["a", "b"] {
        flip(&work.path(d).join("KITES").join(CLIP), 77);
        let root = work.path(d).join("KITES");
        let mut m = manifest(&root);
        let hash = blake3::hash(&bytes_of(&root.join(CLIP)))
            .to_hex()
            .to_string();
        let files = m["files"].as_array_mut().unwrap();
        files.iter_mut().find(|f| f["path"] == CLIP).unwrap()["blake3"] = hash.into();
        m["problems"] = json!([{"kind": "mismatch", "path": CLIP, "destination": null,
            "detail": "the card delivered other bytes on the second read", "blocking": true}]);
        m["verdict"] = json!({"proven": false, "copies": 1, "reasons": ["mismatch"]});
        store_manifest(&root, m.to_string().as_bytes());
    }
    let held = whole_tree(&root.join("PRIVATE"));
    work.run("copy card --to a --to b --name KITES --copies 1")
        .exits(1)
        .says("NOT PROVEN")
        .says(CLIP);
    assert_eq!(whole_tree(&root.join("PRIVATE")), held);
}

#[test]
fn a_manifest_that_leads_out_of_its_drive_is_refused() {
    let work = next_day("only-new-hostile");
    work.run(AGAIN).exits(0);
    let root = work.path("a/DAY2");
    let sound = manifest(&root);
    for (within, ok) in [
        ("KITES", true),
        ("2026/november/KITES", true),
        ("../KITES", false),
        ("/a/KITES", false),
        ("", false),
        ("KITES/../..", false),
        ("KITES/_unlade", false),
        ("./KITES", false),
    ] {
        let mut m = sound.clone();
        for copy in m["files"][0]["copies"].as_array_mut().unwrap() {
            copy["in"] = within.into();
        }
        assert_eq!(
            Manifest::from_bytes(m.to_string().as_bytes()).is_ok(),
            ok,
            "{within}"
        );
        store_manifest(&root, m.to_string().as_bytes());
        work.run("verify a/DAY2").exits(if ok { 0 } else { 3 });
        if !ok {
            work.run("prove card --on a --copies 1")
                .exits(1)
                .says("the manifest is damaged");
        }
        // Elsewhere and here at the same time, or elsewhere without a proof, is neither.
        let mut mixed = manifest(&work.path("b/DAY2"));
        mixed["files"][0]["copies"][0]["proof"] = "readback".into();
        assert!(Manifest::from_bytes(mixed.to_string().as_bytes()).is_err());
        let mut mixed = manifest(&work.path("b/DAY2"));
        mixed["files"][0]["copies"][0]
            .as_object_mut()
            .unwrap()
            .remove("in");
        assert!(Manifest::from_bytes(mixed.to_string().as_bytes()).is_err());
    }
}

/// A zone that was set since is no change, and is not called "as they were".
#[test]
fn dates_that_moved_together_are_said_to_have() {
    let work = Work::with_card("moved-alike");
    work.offload();
    work.run(AGAIN)
        .exits(0)
        .says("sizes and dates are as they were then")
        .is_silent_of("moved alike");
    shift(&work, 3_600);
    work.run(AGAIN)
        .exits(0)
        .says("sizes are as they were then, and all dates have moved alike")
        .is_silent_of("sizes and dates are as they were");
}

// ---- dates without the flag ---------------------------------------------------------------------

/// Whole-hour and 2-second differences never make a file new, and never make two files the same:
/// the content decides.
#[test]
fn shifted_dates_recopy_nothing_and_hide_nothing() {
    for seconds in [1, 2, 3_600, 7_200] {
        let work = Work::with_card("shifted");
        work.offload();
        let then = tree(&work.path("a/KITES"));
        shift(&work, seconds);
        work.run("copy card --to a --to b --name KITES --copies 1")
            .exits(0)
            .says("nothing to copy")
            .says("7 files there already, in no manifest that fits");
        let names = |t: &support::program::Tree| t.keys().cloned().collect::<Vec<_>>();
        assert_eq!(
            names(&tree(&work.path("a/KITES"))),
            names(&then),
            "{seconds} s"
        );
        // Same size, the date shifted like all others, other bytes.
        rewrite_unseen(&work.path("card").join(RAW));
        shift(&work, seconds);
        let held = bytes_of(&work.path("a/KITES").join(RAW));
        work.run("copy card --to a --to b --name KITES --copies 1")
            .exits(1)
            .says("NOT PROVEN")
            .says(RAW);
        assert_eq!(
            bytes_of(&work.path("a/KITES").join(RAW)),
            held,
            "never overwritten"
        );
    }
}

/// A file with its old name, size and date and other bytes: told as matched only, and found by the
/// second read.
#[test]
fn a_file_rewritten_unseen_is_never_taken_for_read() {
    let work = Work::with_card("unseen");
    many(&work);
    work.offload();
    rewrite_unseen(&work.path("card").join(RAW));
    let held = bytes_of(&work.path("a/KITES").join(RAW));
    truth::rewritten_unseen(&work.path("card").join(RAW), held.clone());
    work.run("copy card --to a --to b --name KITES --copies 1")
        .exits(0)
        .says("on the card size and date checked, a sample of the content read")
        .says("sizes and dates are as they were then");
    work.run("copy card --to a --to b --name KITES --copies 1 --proof reread")
        .exits(1)
        .says(RAW)
        .says("mismatch");
    assert_eq!(bytes_of(&work.path("a/KITES").join(RAW)), held);
}

/// A counter that was set back: the same names, other pictures.
#[test]
fn a_restarted_counter_never_overwrites_and_never_passes_as_known() {
    let work = Work::with_card("counter");
    work.offload();
    let held = tree(&work.path("a/KITES"));
    for (seed, path) in (500..).zip(files_of(&work)) {
        let path = work.path("card").join(path);
        let bytes = usize::try_from(path.metadata().unwrap().len()).unwrap();
        put(&path, &content(bytes, seed));
        let then = SystemTime::UNIX_EPOCH + Duration::from_secs(1_796_000_000 + seed * 61);
        set_date(&path, then);
    }
    // The empty file is the same in both.
    let ran = work.run("copy card --to a --to b --name KITES --copies 1");
    assert!([1, 3].contains(&ran.code), "{ran}");
    assert_eq!(tree(&work.path("a/KITES")), held);
    work.run("prove card --on a --copies 1").exits(1);
    work.run(AGAIN)
        .exits(0)
        .says("6 files had their names before with other content; both are there");
    assert_eq!(tree(&work.path("a/KITES")), held);
    assert_eq!(tree(&work.path("a/DAY2")), tree(&work.path("card")));
    assert!(elsewhere(&work.path("a/DAY2")).is_empty());
}

// ---- between plan and verdict -------------------------------------------------------------------

fn at(seconds: i64) -> Stamp {
    Stamp {
        seconds: 1_795_600_000 + seconds,
        nanos: 0,
    }
}

/// A card and two drives of their own, copied once; then one new file.
fn simulated() -> Sim {
    let sim = Sim::default();
    let old: Vec<(&str, Vec<u8>, Stamp)> = vec![
        ("DCIM/A.JPG", content(9_000, 1), at(1)),
        ("DCIM/B.JPG", content(700, 2), at(2)),
        ("DCIM/C.MP4", content(40_000, 3), at(3)),
    ];
    sim.add_card("/card", &old, &["DCIM"]);
    for drive in ["/a", "/b"] {
        sim.add_volume(drive, "ext4", 1 << 30);
    }
    let (job, tools) = (job("DAY1", false), tools(&sim));
    let plan = run::prepare(&job, &tools, &mut Silent).unwrap();
    let proof = truth::offload(&sim, plan, &tools, &mut Silent).unwrap();
    assert!(proof.verdict().is_proven());
    sim.reboot();
    sim
}

fn job(name: &str, only_new: bool) -> Job {
    Job {
        name: Some(name.to_owned()),
        only_new,
        ..support::job::job("/card", &["/a", "/b"])
    }
}

fn tools(sim: &Sim) -> Tools {
    Tools {
        limits: SMALL,
        ..support::job::tools(sim.clone())
    }
}

#[test]
fn what_happens_to_a_left_file_meanwhile_is_in_the_verdict() {
    type Change = fn(&Sim);
    let cases: [(&str, Change); 5] = [
        ("vanishes", |s| s.take_file("/b/DAY1/DCIM/B.JPG")),
        ("shrinks", |s| s.put_file("/b/DAY1/DCIM/B.JPG", b"x", at(2))),
        ("is edited with its size kept", |s| {
            s.put_file("/b/DAY1/DCIM/B.JPG", &content(700, 9), at(77));
        }),
        ("vanishes from both", |s| {
            s.take_file("/a/DAY1/DCIM/C.MP4");
            s.take_file("/b/DAY1/DCIM/C.MP4");
        }),
        ("is another drive's", |s| {
            drop(s.unplug("/b"));
            s.add_volume("/b", "ext4", 1 << 30);
        }),
    ];
    for with_new in [true, false] {
        for (name, change) in cases {
            let sim = simulated();
            if with_new {
                sim.put_file("/card/DCIM/D.JPG", &content(5_000, 4), at(90_000));
            }
            let (job, tools) = (job("DAY2", true), tools(&sim));
            let plan = run::prepare(&job, &tools, &mut Silent).unwrap();
            assert_eq!(plan.has_nothing_new(), !with_new);
            assert_eq!(plan.to_read().0, u64::from(with_new));
            change(&sim);
            let told = match truth::offload(&sim, plan, &tools, &mut Silent) {
                Ok(proof) => {
                    assert!(!proof.verdict().is_proven(), "{name}");
                    proof.problems().to_vec()
                }
                Err(refusal) => refusal.reasons,
            };
            let kinds = [
                ProblemKind::Missing,
                ProblemKind::Vanished,
                ProblemKind::WriteFailed,
            ];
            assert!(
                told.iter().any(|p| kinds.contains(&p.kind)),
                "{name}: {told:?}"
            );
        }
        // The control: undisturbed it is proven.
        let sim = simulated();
        if with_new {
            sim.put_file("/card/DCIM/D.JPG", &content(5_000, 4), at(90_000));
        }
        let (job, tools) = (job("DAY2", true), tools(&sim));
        let plan = run::prepare(&job, &tools, &mut Silent).unwrap();
        let proof = truth::offload(&sim, plan, &tools, &mut Silent).unwrap();
        assert!(proof.verdict().is_proven(), "{:?}", proof.problems());
    }
}

/// A drive that is mounted inside a destination is not the destination.
#[test]
fn an_offload_on_a_drive_mounted_inside_is_no_ground() {
    let sim = simulated();
    let inner = sim.unplug("/b");
    sim.add_volume("/b", "ext4", 1 << 30);
    sim.put_folder("/b/inner");
    sim.plug("/b/inner", inner);
    let (job, tools) = (job("DAY2", true), tools(&sim));
    let plan = run::prepare(&job, &tools, &mut Silent).unwrap();
    assert_eq!(plan.to_read().0, 3, "everything is copied");
}
