//! What a check found damaged is remembered until the file was read whole and equal: no command
//! takes that copy of it for proven meanwhile. Both destinations are on one disk, so PROVEN needs
//! `--copies 1` here.

use crate::support::program::{
    Work, bytes_of, content, flip, manifest, move_to, put, remove, store_manifest,
};
use std::fs::File;
use std::path::Path;
use std::time::SystemTime;

const PROVE_A: &str = "prove card --on a --copies 1";
const AGAIN: &str = "copy card --to a --name KITES --copies 1";
const NEXT_DAY: &str = "copy card --to a --to b --name DAY2 --copies 1 --only-new";
const STILL: &str = "DCIM/100KITES/KITE0001.JPG";
const RAW: &str = "DCIM/100KITES/KITE0002.DNG";

fn copied(name: &str) -> Work {
    let work = Work::with_card(name);
    work.offload();
    work
}

fn date(path: &Path) -> SystemTime {
    path.metadata().unwrap().modified().unwrap()
}

/// Rots the still in `a` and has that found.
fn found(name: &str) -> (Work, Vec<u8>) {
    let work = copied(name);
    let still = work.path("a/KITES").join(STILL);
    let good = bytes_of(&still);
    flip(&still, 5);
    // Names, sizes and dates say nothing of it.
    work.run(PROVE_A).exits(0);
    work.run("verify a/KITES").exits(1).says("NOT INTACT");
    (work, good)
}

/// Puts the good bytes back, with the date that they had.
fn mend(work: &Work, good: &[u8]) {
    let still = work.path("a/KITES").join(STILL);
    let then = date(&still);
    put(&still, good);
    File::open(&still).unwrap().set_modified(then).unwrap();
}

#[test]
fn what_verify_found_damaged_is_not_proven_until_it_was_read_equal() {
    let (work, good) = found("damage-verify");
    work.run(PROVE_A)
        .exits(1)
        .says("NOT PROVEN")
        .says(&format!("`{STILL}`"))
        .says("found changed when its copy was checked")
        .says("its content differs")
        .says("Check that copy with `unlade verify`");
    let told = work.run(&format!("{PROVE_A} --json"));
    assert_eq!(told.verdict()["proven"], false, "{told}");
    assert_eq!(told.first("problem")["kind"], "changed");
    // The other copy of the file counts all the same, and so does a second look at this one alone.
    work.run("prove card --on b --copies 1").exits(0);
    work.run("prove card --on a --on b --copies 1").exits(0);
    work.run("prove card --on a --on b --separate")
        .exits(1)
        .says("was found changed by a check");
    // Where it is mounted and what its folder is reached by is no matter.
    move_to(&work.path("a"), &work.path("c"));
    move_to(&work.path("c"), &work.path("a"));
    work.run(PROVE_A).exits(1);
    work.run("ledger")
        .exits(0)
        .says("Damage")
        .says(&format!("`{STILL}` found damaged"));
    let told = work.run("ledger --json").first("damage");
    assert_eq!(told["files"][0]["path"], STILL);
    assert_eq!(told["files"][0]["kind"], "changed");
    // Mended by hand it only looks as it did before.
    mend(&work, &good);
    work.run(PROVE_A).exits(1);
    work.run("verify a/KITES").exits(0);
    work.run(PROVE_A).exits(0);
    work.run("ledger").exits(0).is_silent_of("Damage");
}

#[test]
fn what_was_missing_is_not_believed_because_something_is_there_again() {
    let work = copied("damage-missing");
    let raw = work.path("a/KITES").join(RAW);
    let then = date(&raw);
    remove(&raw);
    work.run("verify a").exits(1).says("1 missing");
    put(&raw, &content(300_000, 99));
    File::open(&raw).unwrap().set_modified(then).unwrap();
    work.run(PROVE_A)
        .exits(1)
        .says("was missing when its copy was checked");
}

#[test]
fn prove_with_reread_remembers_and_lifts() {
    let work = copied("damage-reread");
    let still = work.path("a/KITES").join(STILL);
    let good = bytes_of(&still);
    flip(&still, 5);
    work.run(&format!("{PROVE_A} --reread")).exits(1);
    work.run(PROVE_A).exits(1).says("when its copy was checked");
    mend(&work, &good);
    work.run(&format!("{PROVE_A} --reread")).exits(0);
    work.run(PROVE_A).exits(0);
}

#[test]
fn a_mark_is_on_one_copy_of_one_offload() {
    let (work, _) = found("damage-one");
    // Formatted and copied anew, the drive has another manifest.
    for drive in ["a", "b"] {
        move_to(&work.path(drive), &work.path(&format!("old-{drive}")));
        work.folder(drive);
    }
    work.offload();
    work.run(PROVE_A).exits(0);
    // So has an offload of this name whose manifest somebody made anew.
    let (work, _) = found("damage-other");
    let mut text = manifest(&work.path("a/KITES"));
    text["offload"]["host"] = "another".into();
    let text = serde_json::to_vec(&text).unwrap();
    store_manifest(&work.path("a/KITES"), &text);
    work.run(PROVE_A).exits(0);
}

#[test]
fn a_further_run_reads_what_was_found_damaged_and_says_what_to_do() {
    let (work, good) = found("damage-copy");
    work.run(AGAIN.replace("copy", "plan").as_str())
        .exits(0)
        .says(&format!("`{STILL}` on `a` was found damaged by a check"));
    work.run(AGAIN)
        .says("NOT PROVEN")
        .exits(1)
        .says("as a check found before")
        .says("Move");
    mend(&work, &good);
    work.run(AGAIN).exits(0);
    work.run(PROVE_A).exits(0);
    work.run("ledger").is_silent_of("Damage");
}

#[test]
fn a_further_run_that_reads_nothing_back_hides_no_damage() {
    let (work, _) = found("damage-written");
    work.run(&format!("{AGAIN} --proof written")).exits(1);
    work.run(PROVE_A).exits(1);
}

#[test]
fn a_damaged_file_is_not_left_by_only_new() {
    let (work, good) = found("damage-only-new");
    work.run(NEXT_DAY).exits(0).says("1 file");
    for drive in ["a", "b"] {
        let anew = work.path(drive).join("DAY2").join(STILL);
        assert_eq!(bytes_of(&anew), good, "{drive}");
        assert!(!work.path(drive).join("DAY2").join(RAW).exists());
    }
}

#[test]
fn what_a_further_run_finds_is_not_proven_afterwards() {
    let work = copied("damage-second");
    flip(&work.path("a/KITES").join(STILL), 5);
    work.run(AGAIN).exits(1);
    work.run(PROVE_A).exits(1);
}

#[test]
fn a_damaged_original_of_a_further_copy_is_remembered() {
    let work = copied("damage-further");
    work.folder("c");
    flip(&work.path("a/KITES").join(STILL), 5);
    work.run("copy a/KITES --to c --copies 1").exits(1);
    work.run(PROVE_A).exits(1).says("when its copy was checked");
}

#[test]
fn without_a_ledger_it_is_said_that_nothing_remembers() {
    let work = copied("damage-no-ledger");
    flip(&work.path("a/KITES").join(STILL), 5);
    work.run("verify a/KITES --no-ledger")
        .exits(1)
        .says("This damage is not remembered");
    work.run(PROVE_A).exits(0);
    work.run(&format!("{PROVE_A} --reread --no-ledger"))
        .exits(1)
        .says("This damage is not remembered");
    work.run("verify b/KITES --no-ledger")
        .exits(0)
        .is_silent_of("not remembered");
}
