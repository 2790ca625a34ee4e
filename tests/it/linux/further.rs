//! A further copy of an existing offload: the card is long gone, one drive may be dead. On plain
//! folders of a real disk, with all of them on it, so that PROVEN needs `--copies 1` here; devices
//! of their own are simulated.

use crate::support::image::Image;
use crate::support::job::{job, tools};
use crate::support::program::{
    Card, Work, bytes_of, content, finish, flip, kill_after, manifest, move_to, put, remove, skip,
    store_manifest, tool, tree, whole_tree,
};
use crate::support::sim::{Fault, FaultKind, Op, Sim};
use crate::truth;
use serde_json::Value;
use std::path::Path;
use std::process::Command;
use std::time::Duration;
use unlade::disk::Stamp;
use unlade::error::ProblemKind;
use unlade::event::Silent;
use unlade::plan::terms::Terms;
use unlade::proof::Proof;
use unlade::run::{self, Job};

const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";
const STILL: &str = "DCIM/100KITES/KITE0001.JPG";
const FURTHER: &str = "copy a/KITES --to c --to d --copies 1";

/// An offload on `a` and `b` whose card is gone, and two new drives.
fn card_gone(name: &str, flags: &str) -> Work {
    let work = Work::with_card(name);
    work.run(&format!(
        "copy card --to a --to b --name KITES --copies 1 {flags}"
    ))
    .exits(0);
    move_to(&work.path("card"), &work.path("drawer"));
    work.folder("c");
    work.folder("d");
    work
}

/// `b3sum` on the list of an offload, where it is installed.
fn b3sum(offload: &Path) -> Option<bool> {
    let program = tool("b3sum")?;
    let ran = finish(
        Command::new(program)
            .args(["--check", "--quiet", "_unlade/checksums.b3"])
            .current_dir(offload),
    );
    Some(ran.code == 0)
}

fn is_good(work: &Work, offload: &str, card: &str) {
    let root = work.path(offload);
    assert_eq!(tree(&root), tree(&work.path(card)), "{offload}");
    work.run(&format!("verify {offload}")).exits(0);
    match b3sum(&root) {
        Some(is_good) => assert!(is_good, "{offload}"),
        None => skip("b3sum is not installed"),
    }
}

fn entries(work: &Work) -> Vec<Value> {
    let text = bytes_of(&work.path("home/.local/share/unlade/ledger.jsonl"));
    let text = String::from_utf8(text).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

#[test]
fn a_further_copy_is_proven_without_the_card_and_names_its_source() {
    let work = card_gone("further", "--also md5");
    let before = whole_tree(&work.path("a"));
    let plan = work.run(&FURTHER.replace("copy", "plan"));
    plan.exits(0)
        .says("the offload at a/KITES, of card card")
        .says("7 files to copy");
    let ran = work.run(&format!("{FURTHER} --also sha256"));
    ran.exits(0)
        .says("PROVEN")
        .says("7 read and equal to its manifest")
        .says("1 proven copy of KITES now")
        .says("The card was not read")
        .is_silent_of("may format")
        .is_silent_of("leave the reader");
    assert_eq!(
        whole_tree(&work.path("a")),
        before,
        "the source is as it was"
    );
    let then = manifest(&work.path("a/KITES"));
    for offload in ["c/KITES", "d/KITES"] {
        is_good(&work, offload, "drawer");
        let now = manifest(&work.path(offload));
        for same in ["card", "folders", "left_out"] {
            assert_eq!(now[same], then[same], "{same}");
        }
        assert_eq!(now["version"], 2);
        let record = bytes_of(&work.path("a/KITES/_unlade/manifest.json"));
        let hash = blake3::hash(&record).to_hex().to_string();
        assert_eq!(now["source"]["manifest_b3"], hash.as_str());
        assert_eq!(now["source"]["offload"], "KITES");
        assert_eq!(now["source"]["counted"], true);
        let path = now["destinations"][0]["path"].as_str().unwrap();
        assert!(path.ends_with("/c"), "its own destinations: {path}");
        for (now, then) in now["files"]
            .as_array()
            .unwrap()
            .iter()
            .zip(then["files"].as_array().unwrap())
        {
            for same in ["path", "bytes", "modified", "blake3"] {
                assert_eq!(now[same], then[same]);
            }
            assert_eq!(now["also"]["md5"], then["also"]["md5"]);
            assert!(now["also"]["sha256"].is_string());
        }
        let page = String::from_utf8(bytes_of(&work.path(offload).join("_unlade/report.html")));
        let page = page.unwrap();
        assert!(page.contains("Copied from") && !page.contains("Everything on card"));
    }
    // The same again has nothing to do and writes nothing new.
    let done = whole_tree(&work.path("c"));
    work.run(FURTHER).exits(0).says("PROVEN");
    assert_eq!(whole_tree(&work.path("c")), done);
}

/// The card turns up again: the new copy is a voucher like any other, and `prove` finds it without
/// being told.
#[test]
fn prove_counts_a_further_copy() {
    let work = card_gone("further-prove", "");
    work.run(FURTHER).exits(0);
    for drive in ["a", "b"] {
        move_to(&work.path(drive), &work.path(&format!("{drive}-dead")));
    }
    move_to(&work.path("drawer"), &work.path("card"));
    work.run("prove card --on c --copies 1")
        .exits(0)
        .says("PROVEN");
    work.run("prove card --copies 1").says("c/KITES");
    // One file of it gone, and it is a voucher no more.
    remove(&work.path("c/KITES").join(STILL));
    work.run("prove card --on c --copies 1").exits(1);
}

#[test]
fn the_ledger_does_not_take_a_further_copy_for_a_filling_of_the_card() {
    let work = card_gone("further-ledger", "--shoot festival --expect 1");
    work.run(FURTHER).exits(0);
    let entries = entries(&work);
    let did: Vec<&str> = entries.iter().map(|e| e["did"].as_str().unwrap()).collect();
    assert_eq!(did, ["copy", "further"]);
    assert_eq!(entries[1].get("reading"), None, "no card was read");
    assert_eq!(
        entries[1]["card"]["listing_b3"],
        entries[0]["card"]["listing_b3"]
    );
    work.run("ledger").exits(0).says("a further copy of KITES");
    work.run("ledger --shoot festival")
        .exits(0)
        .says("1 of 1")
        .is_silent_of("2 times");
}

// ---- what stands in the way ---------------------------------------------------------------------

/// One rotten byte in the source: all else is copied, that file never gets its name, and the person
/// hears where a good one may be. With that copy as the source the same drives are completed.
#[test]
fn a_rotten_file_is_never_copied_as_good() {
    for (file, at) in [(STILL, 39_000), (CLIP, 2_345_678)] {
        let work = card_gone("further-rot", "");
        let path = work.path("a/KITES").join(file);
        flip(&path, at);
        let ran = work.run(FURTHER);
        ran.exits(1)
            .says("NOT PROVEN. Keep every copy of KITES as it is.")
            .says(file)
            .says("mismatch")
            .says("b/KITES")
            .is_silent_of("this reader");
        for drive in ["c", "d"] {
            let root = work.path(drive).join("KITES");
            let mut expected = tree(&work.path("drawer"));
            expected.remove(Path::new(file)).unwrap();
            assert_eq!(tree(&root), expected);
            let now = manifest(&root);
            assert_eq!(now["source"]["counted"], false);
            assert_eq!(now["verdict"]["proven"], false);
        }
        work.run("copy b/KITES --to c --to d --copies 1")
            .exits(0)
            .says("PROVEN");
        is_good(&work, "c/KITES", "drawer");
    }
}

#[test]
fn a_missing_or_cut_file_blocks_and_the_rest_is_copied() {
    let work = card_gone("further-missing", "");
    remove(&work.path("a/KITES").join(STILL));
    put(&work.path("a/KITES").join(CLIP), b"cut short");
    let ran = work.run(FURTHER);
    ran.exits(1)
        .says("missing")
        .says("has 9 bytes where its manifest says 3,000,000");
    assert_eq!(
        manifest(&work.path("c/KITES"))["files"]
            .as_array()
            .unwrap()
            .len(),
        5
    );
    // What its manifest does not name is told and not copied.
    let work = card_gone("further-extra", "");
    put(&work.path("a/KITES/DCIM/LATER.TXT"), b"later");
    work.run(FURTHER).exits(0).says(
        "1 file is there that its manifest does not name, and is not copied: `DCIM/LATER.TXT`",
    );
    assert!(!work.path("c/KITES/DCIM/LATER.TXT").exists());
}

#[test]
fn damaged_records_and_parts_of_offloads_are_refused_with_a_way_out() {
    let work = card_gone("further-refused", "");
    let record = work.path("a/KITES/_unlade/manifest.json");
    let whole = bytes_of(&record);
    flip(&record, 300);
    work.run(FURTHER)
        .exits(3)
        .says("the manifest is damaged")
        .says("another copy of this offload")
        .is_silent_of("out of the way");
    put(&record, &whole);
    remove(&work.path("a/KITES/_unlade/manifest.json.b3"));
    work.run(FURTHER)
        .exits(3)
        .says("its hash, `manifest.json.b3`, is missing");
    store_manifest(&work.path("a/KITES"), &whole);
    work.run("copy a/KITES/DCIM --to c --copies 1")
        .exits(3)
        .says("it is a part of the offload");
    work.run("copy a --to c --copies 1")
        .exits(2)
        .says("it holds offloads (`KITES`)")
        .says("give its own folder");
    work.run("copy a/KITES --to a --copies 1")
        .exits(3)
        .says("holds this very offload");
    work.run("copy a/KITES --to a/KITES/DCIM --copies 1")
        .exits(3)
        .says("is in the offload");
    for flag in [
        "--only-new",
        "--proof reread",
        "--reads 90",
        "--bus uhs-i",
        "--shoot x",
    ] {
        work.run(&format!("{FURTHER} {flag}"))
            .exits(2)
            .says(
                flag.split(" 9")
                    .next()
                    .unwrap()
                    .split(" u")
                    .next()
                    .unwrap()
                    .split(" x")
                    .next()
                    .unwrap(),
            )
            .says("is an offload, not a card");
    }
    for drive in ["c", "d"] {
        assert!(tree(&work.path(drive)).is_empty(), "{drive}");
    }
    // A run that was cut short has no manifest yet.
    remove(&record);
    put(&work.path("a/KITES/_unlade/journal.jsonl"), b"");
    work.run(FURTHER).exits(3).says("it is not finished");
}

#[test]
fn a_record_that_doubts_itself_is_no_better_after_a_further_copy() {
    let work = card_gone("further-doubt", "");
    let root = work.path("a/KITES");
    let mut record = manifest(&root);
    record["problems"] = serde_json::json!([{
        "kind": "unreadable", "path": "DCIM/100KITES/KITE0009.JPG", "destination": null,
        "detail": "could not be read", "blocking": true
    }]);
    record["verdict"]["proven"] = false.into();
    store_manifest(&root, record.to_string().as_bytes());
    work.run(FURTHER)
        .exits(1)
        .says("NOT PROVEN")
        .says("KITE0009.JPG")
        .says("cannot be better");
    let problems = manifest(&work.path("c/KITES"))["problems"].clone();
    assert!(problems.to_string().contains("KITE0009.JPG"), "{problems}");
}

/// The device of the source and the new one are one here.
#[test]
fn the_device_of_the_source_is_no_second_one() {
    let work = card_gone("further-device", "");
    work.run("copy a/KITES --to c")
        .exits(1)
        .says("NOT PROVEN")
        .says("drive of the offload that is copied: together they count as one")
        .says("1 complete copy; 2 needed");
}

/// A card is only ever read, also when it is given as a drive.
#[test]
fn the_card_itself_is_no_place_for_a_further_copy() {
    let work = Work::with_card("further-onto-card");
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0);
    let before = whole_tree(&work.path("card"));
    for to in ["card", "card/DCIM"] {
        work.run(&format!("copy a/KITES --to {to} --copies 1 --separate"))
            .exits(3)
            .says("is on the card that this offload was made of");
    }
    assert!(before == whole_tree(&work.path("card")));
}

/// The same card in another reader: its own volume tells it, whatever the camera calls its folders.
#[test]
fn the_card_is_no_place_for_a_further_copy_wherever_it_is_mounted() {
    let work = Work::new("further-onto-card-elsewhere");
    for folder in ["a", "card", "elsewhere"] {
        work.folder(folder);
    }
    let Some(mut card) = Image::ext4(&work.path("card.img"), &work.path("card"), 32, "rw") else {
        return;
    };
    Card::new(&work.path("card")).file("STEREO/FOLDER01/ZOOM0001.WAV", 300_000, 1);
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0);
    card.unmount();
    let card = card.mounted_at(&work.path("elsewhere"));
    let before = whole_tree(&work.path("elsewhere"));
    work.run("copy a/KITES --to elsewhere --copies 1 --separate")
        .exits(3)
        .says("is on the card that this offload was made of");
    assert!(before == whole_tree(&work.path("elsewhere")));
    drop(card);
}

// ---- other forms --------------------------------------------------------------------------------

#[test]
fn bags_stay_bags() {
    let work = card_gone("further-bag", "--layout bag");
    work.run(FURTHER).exits(0).says("PROVEN");
    let data = work.path("c/KITES/data");
    assert_eq!(tree(&data), tree(&work.path("drawer")));
    work.run("verify c/KITES").exits(0);
    assert!(b3sum(&work.path("c/KITES")).unwrap_or(true));
    work.run("copy a/KITES --to c --copies 1 --layout plain --name TREE")
        .exits(0);
    is_good(&work, "c/TREE", "drawer");
}

/// What `--only-new` left in an earlier offload beside it is read from there, and the new copy is
/// whole.
#[test]
fn an_offload_that_left_files_elsewhere_is_copied_whole_or_not_at_all() {
    let work = Work::with_card("further-only-new");
    work.offload();
    put(&work.path("card/DCIM/101KITES/KITE0009.JPG"), b"a new one");
    work.run("copy card --to a --to b --name DAY2 --copies 1 --only-new")
        .exits(0);
    move_to(&work.path("card"), &work.path("drawer"));
    work.folder("c");
    work.run("copy a/DAY2 --to c --copies 1")
        .exits(0)
        .says("8 read and equal");
    is_good(&work, "c/DAY2", "drawer");
    assert_eq!(
        manifest(&work.path("c/DAY2"))["files"][0]["copies"][0].get("in"),
        None
    );
    move_to(&work.path("a/KITES"), &work.path("a/ELSEWHERE"));
    work.run("copy a/DAY2 --to c --copies 1 --name MORE")
        .exits(3)
        .says("it needs 7 files of the earlier offload `KITES`");
    assert!(!work.path("c/MORE").exists());
}

#[test]
fn a_killed_run_goes_on() {
    let work = card_gone("further-killed", "");
    let whole = work.path("drawer");
    for after in [5, 15, 30, 60, 90] {
        let mut command = work.command();
        command.args(FURTHER.split(' ')).arg("--quiet");
        kill_after(&mut command, Duration::from_millis(after));
        for drive in ["c", "d"] {
            let root = work.path(drive).join("KITES");
            if root.exists() {
                crate::support::program::no_wrong_bytes(&tree(&whole), &tree(&root), "killed");
            }
        }
    }
    work.run(FURTHER).exits(0).says("PROVEN");
    is_good(&work, "c/KITES", "drawer");
    is_good(&work, "d/KITES", "drawer");
}

// ---- devices ------------------------------------------------------------------------------------

/// An offload on `/a` and `/b`, each a disk of its own; then the card and `/b` are gone.
fn simulated() -> Sim {
    let sim = Sim::default();
    let at = |seconds: i64| Stamp {
        seconds: 1_795_600_000 + seconds,
        nanos: 0,
    };
    let files: Vec<(&str, Vec<u8>, Stamp)> = vec![
        ("DCIM/A.JPG", content(9_000, 1), at(1)),
        ("DCIM/B.JPG", content(700, 2), at(2)),
        ("DCIM/C.MP4", content(400_000, 3), at(3)),
    ];
    sim.add_card("/card", &files, &["DCIM"]);
    for drive in ["/a", "/b", "/c"] {
        sim.add_volume(drive, "ext4", 1 << 30);
    }
    assert!(copy(&sim, "/card", &["/a", "/b"]).verdict().is_proven());
    drop(sim.unplug("/card"));
    drop(sim.unplug("/b"));
    sim.reboot();
    sim
}

fn copy(sim: &Sim, from: &str, to: &[&str]) -> Proof {
    let job = job(from, to);
    let terms = Terms {
        copies_needed: 2,
        ..job.terms
    };
    let job = Job { terms, ..job };
    let tools = tools(sim.clone());
    let plan = run::prepare(&job, &tools, &mut Silent).unwrap();
    truth::offload(sim, plan, &tools, &mut Silent).unwrap()
}

/// The source was read whole from its device and is equal: it is as good as what is read back now,
/// and counts.
#[test]
fn the_source_is_one_of_the_copies_where_it_was_read_from_a_device_of_its_own() {
    let proof = copy(&simulated(), "/a/KITES", &["/c"]);
    assert!(proof.verdict().is_proven(), "{:?}", proof.verdict());
    assert_eq!(proof.verdict().copies(), 2);
    assert!(proof.original_counts());

    let sim = simulated();
    sim.share_disk("/c", "/a");
    let proof = copy(&sim, "/a/KITES", &["/c"]);
    assert_eq!(proof.verdict().copies(), 1, "one disk is one copy");

    // What may have come from memory says nothing of the device.
    let sim = simulated();
    sim.cache_all_reads();
    let proof = copy(&sim, "/a/KITES", &["/c"]);
    assert!(!proof.original_counts());
    assert_eq!(proof.verdict().copies(), 0);

    let sim = simulated();
    sim.rot("/a/KITES/DCIM/C.MP4", 399_999);
    let proof = copy(&sim, "/a/KITES", &["/c"]);
    assert!(!proof.original_counts());
    assert_eq!(proof.verdict().copies(), 0);
    let problem = &proof.problems()[0];
    assert_eq!(problem.kind, ProblemKind::Mismatch);
    assert!(problem.detail.contains("`/b/KITES`"), "{}", problem.detail);
}

/// It counts as it is at the end: a drive that was taken away at any moment before is no copy.
#[test]
fn a_source_that_is_taken_away_is_none_of_the_copies() {
    let mut begun = 0;
    for call in 1..200 {
        let sim = simulated();
        sim.arm(Fault {
            volume: "/a",
            op: Op::Facts,
            call,
            kind: FaultKind::Vanished,
        });
        let job = job("/a/KITES", &["/c"]);
        let tools = tools(sim.clone());
        let Ok(plan) = run::prepare(&job, &tools, &mut Silent) else {
            continue;
        };
        let Ok(proof) = truth::offload(&sim, plan, &tools, &mut Silent) else {
            continue;
        };
        if !sim.fired() {
            assert!(begun > 3, "{begun}");
            assert!(proof.original_counts());
            return;
        }
        begun += 1;
        // After the last look there is one at where it is.
        let last = sim.calls("/a").get(&Op::Facts) == Some(&call);
        assert!(last || !proof.original_counts(), "{call}");
        let notes = format!("{:?}", proof.notes());
        assert!(!notes.contains("The card was no longer"), "{notes}");
    }
    panic!("it is looked at all the time");
}

/// Where the source has lost a file, a copy that is there now is named before one that is not.
#[test]
fn a_lost_file_is_to_be_taken_from_a_copy_that_is_there() {
    let work = Work::with_card("other-copy");
    for drive in ["c", "d"] {
        work.folder(drive);
    }
    work.run("copy card --to a --to b --to c --name KITES --copies 1")
        .exits(0);
    flip(&work.path("a/KITES").join(STILL), 7);
    work.run("verify a/KITES")
        .exits(1)
        .says("b/KITES` has this file");
    move_to(&work.path("b/KITES"), &work.path("drawer"));
    work.run("verify a/KITES")
        .exits(1)
        .says("c/KITES` has this file")
        .says("/b/KITES` (volume")
        .says("It is not there now, though the drive is plugged in");
    let ran = work.run("copy a/KITES --to d --copies 1");
    ran.exits(1)
        .says(&format!("such as `{}`", work.path("c/KITES").display()));
}

/// Sparse files claim any length; a sum that no number holds is refused as it is for a card.
#[test]
fn files_that_claim_more_than_any_drive_holds_are_refused() {
    let memory = Path::new("/dev/shm");
    let mounts = std::fs::read_to_string("/proc/mounts").unwrap();
    if !mounts.lines().any(|l| l.contains(" /dev/shm tmpfs ")) {
        return skip("/dev/shm is no tmpfs");
    }
    let work = Work::with_card("sparse-offload");
    work.folder("c");
    let here = Work::below(memory, "sparse-offload");
    let to = here.path("to");
    std::fs::create_dir_all(&to).unwrap();
    let to = to.to_str().unwrap().to_owned();
    work.run_with([
        "copy", "card", "--to", &to, "--name", "KITES", "--copies", "1",
    ]);
    for n in 0..4 {
        let path = here.path(&format!("to/KITES/DCIM/{n}.MP4"));
        let file = std::fs::File::create_new(path).unwrap();
        file.set_len(u64::try_from(i64::MAX).unwrap() - 4_096)
            .unwrap();
    }
    let source = format!("{to}/KITES");
    work.run_with(["copy", &source, "--to", "c", "--copies", "1"])
        .exits(3)
        .says("which no card holds");
}
