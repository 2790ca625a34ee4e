//! `prove`, the question without a copy, on plain folders of a real disk: what it finds, on what it
//! rests, and that it is never talked into PROVEN. Both destinations are on one disk, so PROVEN
//! needs `--copies 1` here.

use crate::support::mount::{Mount, Options, skip};
use crate::support::program::{
    Card, Work, bytes_of, finish, flip, manifest, move_to, put, remove, store_manifest, tree,
    whole_tree,
};
use std::path::Path;
use std::time::Duration;

const PROVE: &str = "prove card --on a --on b --copies 1";
const STILL: &str = "DCIM/100KITES/KITE0001.JPG";

/// A work folder with a card that was copied to `a` and `b` as `KITES`.
fn copied(name: &str) -> Work {
    let work = Work::with_card(name);
    work.offload();
    work
}

#[test]
fn a_copied_card_is_proven_and_nothing_is_written() {
    let work = copied("prove");
    let before = (whole_tree(&work.path("a")), whole_tree(&work.path("card")));
    work.run(PROVE)
        .exits(0)
        .says("PROVEN")
        .says("7 of 7 files on the card")
        .says("checked on")
        .says("All that this card holds (3.4 MB) was read from it, and is equal.");
    work.run(&format!("{PROVE} --reread"))
        .exits(0)
        .says("checked just now (direct)")
        .is_silent_of("was read from it");
    // Found by the folders above as well, and by the offload itself; once each.
    work.run("prove card --on . --copies 1")
        .exits(0)
        .says("7 of 7 files");
    work.run("prove card --on a/KITES --on a --copies 1")
        .exits(0)
        .is_silent_of("Copy 2");
    work.run("prove card --on a --on b")
        .exits(1)
        .says("one file system");
    assert_eq!(
        (whole_tree(&work.path("a")), whole_tree(&work.path("card"))),
        before
    );
}

#[test]
fn each_shortcoming_has_its_own_reason() {
    type Change = fn(&Work);
    let cases: [(&str, Change, &str); 6] = [
        (
            "new",
            |w| {
                Card::new(&w.path("card")).file("DCIM/100KITES/NEW.JPG", 9, 9);
            },
            "in no offload that was found (missing)",
        ),
        (
            "rewritten",
            |w| put(&w.path(&format!("card/{STILL}")), &vec![1; 40_000]),
            "another size or date (changed-on-card)",
        ),
        (
            "gone",
            |w| {
                remove(&w.path(&format!("a/KITES/{STILL}")));
                remove(&w.path(&format!("b/KITES/{STILL}")));
            },
            "no longer on the drive (missing)",
        ),
        (
            "edited",
            |w| {
                for d in ["a", "b"] {
                    put(&w.path(&format!("{d}/KITES/{STILL}")), &vec![1; 40_000]);
                }
            },
            "changed since it was copied (changed)",
        ),
        (
            "damaged",
            |w| {
                for d in ["a", "b"] {
                    flip(&w.path(&format!("{d}/KITES/_unlade/manifest.json")), 900);
                }
            },
            "cannot be used: the manifest is damaged",
        ),
        (
            "unfinished",
            |w| {
                for d in ["a", "b"] {
                    let records = w.path(&format!("{d}/KITES/_unlade"));
                    move_to(
                        &records.join("manifest.json"),
                        &records.join("journal.jsonl"),
                    );
                }
            },
            "it is not finished",
        ),
    ];
    for (name, change, reason) in cases {
        let work = copied(name);
        change(&work);
        work.run(PROVE)
            .exits(1)
            .says("NOT PROVEN")
            .says(reason)
            .is_silent_of("You may format");
    }
}

#[test]
fn one_bad_copy_does_not_hide_a_good_one() {
    let work = copied("one-good");
    // One deleted file is one reason.
    remove(&work.path(&format!("a/KITES/{STILL}")));
    let ran = work.run("prove card --on a --copies 1");
    let reasons = ran.exits(1).out.matches("Reason ").count();
    assert_eq!(reasons, 1, "{ran}");
    let work = copied("one-good");
    flip(&work.path("b/KITES/_unlade/manifest.json"), 900);
    remove(&work.path(&format!("card/{STILL}")));
    work.run(PROVE)
        .exits(0)
        .says("the manifest is damaged")
        .says("1 file of the manifests no longer on the card");
}

/// A bad copy is no reason where others are enough, and is told all the same.
#[test]
fn what_a_copy_lacks_is_named_also_when_others_are_enough() {
    let work = copied("lacks");
    remove(&work.path(&format!("b/KITES/{STILL}")));
    let rotten = "DCIM/100KITES/KITE0002.DNG";
    flip(&work.path("b/KITES").join(rotten), 9);
    work.run(PROVE)
        .exits(0)
        .says("7 of 7 files on the card")
        .says(&format!("missing: `{STILL}`"));
    work.run(&format!("{PROVE} --reread"))
        .exits(0)
        .says("5 of 7 files on the card")
        .says(&format!("missing: `{STILL}`"))
        .says(&format!("changed since it was copied: `{rotten}`"));
    for path in whole_tree(&work.path("card")).into_keys() {
        let copy = work.path("b/KITES").join(path);
        if copy.is_file() {
            remove(&copy);
        }
    }
    let ran = work.run(&format!("{PROVE} --json")).exits(0).events();
    let lacks = &ran.last().unwrap()["holdings"][1]["lacks"][0];
    assert_eq!(
        (&lacks["kind"], &lacks["files"]),
        (&"missing".into(), &7.into())
    );
    assert_eq!(lacks["paths"].as_array().unwrap().len(), 5);
    work.run(PROVE).exits(0).says("and 2 more files");
}

/// Two copies on two devices, as far as the person's word goes.
fn on_two_mounts(name: &str) -> Option<(Mount, Mount, Work)> {
    if skip() {
        return None;
    }
    let work = Work::with_card(name);
    let mount = |name: &str| {
        let back = work.folder(&format!("back-{name}"));
        Mount::new(&back, &work.path(name), Options::default()).unwrap()
    };
    let (a, b) = (mount("a"), mount("b"));
    work.run("copy card --to a --to b --name KITES --separate")
        .exits(0);
    Some((a, b, work))
}

#[test]
fn an_offload_that_was_moved_is_to_be_read_not_copied() {
    let Some((_a, _b, work)) = on_two_mounts("moved") else {
        return;
    };
    work.folder("b/Kites2026");
    move_to(&work.path("b/KITES"), &work.path("b/Kites2026/Saturday"));
    let ask = "prove card --on a --on b --separate";
    let ran = work.run(ask);
    ran.exits(1)
        .says("7 of 7 files on the card")
        .says(
            "Copy 2 b/Kites2026/Saturday 7 files are there, never checked in this \
            place",
        )
        .says(
            "In b/Kites2026/Saturday this is there, and no manifest says that it was checked \
            there: all 7 files (not-read-back)",
        )
        .says("Ask again with --reread")
        .is_silent_of("0 of 7")
        .is_silent_of("too-few-copies")
        .is_silent_of("unlade copy");
    work.run(&format!("{ask} --reread")).exits(0);
}

#[test]
fn one_file_that_went_from_one_of_two_drives_is_one_reason() {
    let Some((_a, _b, work)) = on_two_mounts("one-gone") else {
        return;
    };
    remove(&work.path(&format!("b/KITES/{STILL}")));
    let ran = work.run("prove card --on a --on b --separate");
    ran.exits(1)
        .says("1 complete copy; 2 needed")
        .says(&format!("In b/KITES this is missing: `{STILL}` (missing)"));
    assert_eq!(ran.out.matches("Reason ").count(), 1, "{ran}");
    // Where there are too few drives anyway, that is told as well.
    let ran = work.run("prove card --on a --on b --separate --copies 3");
    ran.exits(1).says("(missing)").says("(too-few-copies)");
}

#[test]
fn a_folder_that_holds_nothing_of_this_card_is_named() {
    let work = copied("useless");
    work.folder("empty");
    Card::new(&work.path("second")).file("DCIM/OTHER.JPG", 5_000, 3);
    work.run("copy second --to empty --name OTHER --copies 1")
        .exits(0);
    work.folder("bare");
    work.run("prove card --on a --on bare --on empty --copies 1")
        .exits(0)
        .says("In `bare` is no offload, and no file of this card.")
        .says("The offload in `empty` is not of this card.")
        .is_silent_of("`a` ");
    // Found through two folders: of use in both.
    work.run("prove card --on a/KITES --on a --copies 1")
        .exits(0)
        .is_silent_of("no offload")
        .is_silent_of("not of this card");
}

/// `--on` is where one stands, too.
#[test]
fn the_question_can_be_put_inside_an_offload() {
    let work = copied("inside");
    for (folder, on) in [("a/KITES", "."), ("a/KITES/DCIM", ".."), ("a", "./KITES/.")] {
        let mut inside = work.command();
        inside.current_dir(work.path(folder));
        let card = work.path("card");
        inside.args(["prove", card.to_str().unwrap(), "--on", on, "--copies", "1"]);
        finish(&mut inside)
            .exits(0)
            .says("7 of 7 files on the card");
    }
}

#[test]
fn what_is_not_named_is_counted() {
    let work = copied("counted");
    for n in 0..734 {
        let path = format!("DCIM/102KITES/KITE{n:04}.JPG");
        drop(Card::new(&work.path("card")).file(path, 20, n));
    }
    let ran = work.run(PROVE);
    ran.exits(1).says("and 722 more files");
    assert_eq!(ran.out.matches("Reason ").count(), 12, "{ran}");
}

/// Drives in a drawer are not each a reason.
#[test]
fn copies_that_are_away_are_one_reason() {
    let work = Work::with_card("away");
    for drive in ["c", "d", "e", "f"] {
        work.folder(drive);
        work.run(&format!("copy card --to {drive} --name KITES --copies 1"))
            .exits(0);
    }
    for drive in ["d", "e", "f"] {
        move_to(&work.path(drive), &work.path(&format!("{drive}-away")));
    }
    let ran = work.run("prove card");
    ran.exits(1)
        .says("the same goes for 2 more copies that it knows")
        .says("Plug in the drives whose copies could not be looked at, and ask again.")
        .says("If one more drive holds a copy, name it with --on as well.")
        .is_silent_of("Run the same `unlade copy` again")
        .says("(too-few-copies)");
    assert_eq!(ran.out.matches("Reason ").count(), 2, "{ran}");
    work.run("prove card --copies 1")
        .exits(0)
        .says("the same goes for 2 more copies");
}

/// What the person said when the copies were made is in the manifest, for these two copies and no
/// others.
#[test]
fn that_drives_are_separate_is_said_once() {
    let Some((_a, b, work)) = on_two_mounts("said-once") else {
        return;
    };
    work.run("prove card --on a --on b").exits(0).says(
        "2 complete copies on separate drives (by their manifest you said --separate when \
            they were made)",
    );
    for drive in ["a", "b"] {
        let copy = format!("copy card --to {drive} --name ALONE --copies 1 --separate");
        work.run(&copy).exits(0);
    }
    work.run("prove card --on a/ALONE --on b/ALONE").exits(1);
    work.run("prove card --on a/ALONE --on b/ALONE --separate")
        .exits(0);
    // It was said of two drives: now one of them is seen in both places.
    drop(b);
    let again = Mount::new(&work.path("back-a"), &work.path("b"), Options::default()).unwrap();
    for how in ["", " --reread"] {
        work.run(&format!("prove card --on a/KITES --on b/KITES{how}"))
            .exits(1)
            .says("1 complete copy")
            .says("If you know that it is a drive of its own, say so with --separate");
        // Nor is it believed when it is said anew.
        work.run(&format!(
            "prove card --on a/KITES --on b/KITES --separate{how}"
        ))
        .exits(1)
        .says("1 complete copy")
        .says("--separate is not believed");
    }
    // A run on both is one run on one drive.
    let stands = tree(&work.path("a"));
    for more in ["--name KITES", "--name NEW", "--name NEW --only-new"] {
        work.run(&format!("copy card --to a --to b --separate {more}"))
            .exits(3)
            .says("one drive, seen in two places");
    }
    assert_eq!(tree(&work.path("a")), stands);
    drop(again);
}

#[test]
fn only_a_copy_of_what_the_card_holds_now_is_recommended() {
    let work = copied("as-well");
    let well = "By the ledger this card was copied to";
    work.run("prove card --on a --copies 1").exits(0).says(well);
    Card::new(&work.path("card")).file("DCIM/100KITES/NEW.JPG", 9, 9);
    work.folder("c");
    work.run("copy card --to c --name DAY2 --copies 1").exits(0);
    work.run("prove card --on c --copies 1")
        .exits(0)
        .is_silent_of(well);
}

#[test]
fn rot_is_found_by_reread_only() {
    let work = copied("rot");
    for d in ["a", "b"] {
        flip(&work.path(&format!("{d}/KITES/{STILL}")), 9);
    }
    work.run(PROVE).exits(0);
    work.run(&format!("{PROVE} --reread"))
        .exits(1)
        .says(STILL)
        .says("(changed)");
}

/// Of many files a few are read, and the answer says how many and on what it rests for the others.
#[test]
fn what_was_read_of_the_card_is_said() {
    let work = Work::with_card("sampled");
    for n in 0..100 {
        let path = format!("DCIM/100KITES/KITE1{n:03}.JPG");
        drop(Card::new(&work.path("card")).file(path, 3_000 + n, 600));
    }
    work.offload();
    work.run(PROVE)
        .exits(0)
        .says("As a sample, 64 of 107 files on the card")
        .says("For the others the answer rests on their names, sizes and dates");
}

#[test]
fn rot_on_the_card_is_found_by_reread() {
    let work = copied("card-rot");
    flip(&work.path(&format!("card/{STILL}")), 9);
    work.run(&format!("{PROVE} --reread"))
        .exits(1)
        .says(STILL)
        .says("the card's content is not that of the copy (changed-on-card)")
        .is_silent_of("in no offload");
}

/// A copy of an offload that somebody made by hand was never read back: it counts only once it was.
#[test]
fn a_copy_made_by_hand_counts_when_it_was_read() {
    let work = copied("by-hand");
    let hand = work.folder("elsewhere");
    move_to(&work.path("a/KITES"), &hand.join("KITES"));
    work.run("prove card --on elsewhere --copies 1")
        .exits(1)
        .says("no manifest says that it was checked there");
    work.run("prove card --on elsewhere --copies 1 --reread")
        .exits(0);
}

/// FAT keeps local time: a change of zone shifts all dates by whole quarters of an hour (exFAT
/// specification, section 7.4.10). One file that shifts alone is another file.
#[test]
fn a_shift_of_all_dates_is_a_zone_and_of_one_is_not() {
    let shift = |work: &Work, path: &Path, by: Duration| {
        let file = std::fs::File::open(work.path("card").join(path)).unwrap();
        let date = file.metadata().unwrap().modified().unwrap();
        file.set_modified(date + by).unwrap();
    };
    let work = copied("zone");
    let files: Vec<_> = whole_tree(&work.path("card"))
        .into_keys()
        .filter(|p| work.path("card").join(p).is_file())
        .collect();
    for path in &files {
        shift(&work, path, Duration::from_secs(3_600));
    }
    work.run(PROVE)
        .exits(0)
        .says("differ from those")
        .says("60 min");
    // One that moved alone is read, and what it holds tells.
    shift(&work, Path::new(STILL), Duration::from_secs(3_600));
    work.run(PROVE).exits(0).is_silent_of(STILL);
    put(&work.path(&format!("card/{STILL}")), &vec![1; 40_000]);
    work.run(PROVE).exits(1).says(STILL).says("changed-on-card");
}

#[test]
fn the_other_slots_card_is_compared_by_content() {
    let work = copied("slot-2");
    let mirror = |name: &str| {
        Card::new(&work.path(name))
            .file("DCIM/100KITES/KITE0001.JPG", 40_000, 1)
            .file("DCIM/100KITES/KITE0002.JPG", 41_000, 2)
            .file("DCIM/100KITES/KITE0002.DNG", 300_000, 3)
            .file("DCIM/101KITES/KITE0001.JPG", 1, 4)
            .file("DCIM/101KITES/KITE0002.TXT", 0, 5)
            .file("PRIVATE/CLIPS/C0001.MP4", 3_000_000, 6)
            .file("PRIVATE/CLIPS/.index", 12, 7)
    };
    let ask = |card: &str, more: &str| work.run(&format!("prove {card} --on a --copies 1{more}"));
    drop(mirror("other"));
    ask("other", "")
        .exits(1)
        .says("of another card that uses the same names");
    ask("other", " --by-content")
        .exits(0)
        .says("until it is formatted it is one more copy")
        .says("Beside this card there is one copy only")
        .is_silent_of("It is one copy only");
    // Nothing differs where there are too few copies.
    work.run_short("prove other --on a --by-content")
        .exits(1)
        .says("name it with --on as well")
        .is_silent_of("what differs");
    // One that differs and one that is missing are both named.
    flip(&work.path(&format!("other/{STILL}")), 77);
    remove(&work.path("other/DCIM/100KITES/KITE0002.DNG"));
    ask("other", " --by-content")
        .exits(1)
        .says(STILL)
        .says("(mismatch)")
        .says("KITE0002.DNG` is in the offload and not on this card");
    for n in 0..7 {
        let name = format!("DCIM/102KITES/MORE{n}.JPG");
        Card::new(&work.path("other")).file(name, 900 + n, 60);
    }
    let short = work.run_short("prove other --on a --copies 1 --by-content");
    short
        .exits(1)
        .says(&format!("Other content than in the offload: `{STILL}`."))
        .says("On this card and in no offload: `DCIM/102KITES/MORE0.JPG`,")
        .says("`DCIM/102KITES/MORE4.JPG` and 2 more files.")
        .says("In the offload and not on this card: `DCIM/100KITES/KITE0002.DNG`.")
        .is_silent_of("more like it");
    ask("other", " --by-content").says("MORE6.JPG");
    // A second camera with the same names and other pictures has no offload here.
    Card::new(&work.path("twin")).file(STILL, 40_000, 100);
    ask("twin", " --by-content")
        .exits(1)
        .says("No offload of this card was found");
}

#[test]
fn what_cannot_be_asked_is_refused() {
    let work = copied("prove-refused");
    work.folder("empty");
    Card::new(&work.path("emptied")).file(".Trashes/501/KITE0009.JPG", 9_000, 60);
    for (arguments, text) in [
        ("prove emptied --on a", "`.Trashes` on the card is a"),
        ("prove nowhere --on a", "is not there"),
        ("prove empty --on a", "holds no files"),
        ("prove card --on nowhere", "could not be looked into"),
    ] {
        work.run(arguments).exits(3).says(text);
    }
    work.run("prove card --no-ledger").exits(2);
    work.run("prove card --on empty --copies 1")
        .exits(1)
        .says("No offload of this card was found");
}

#[test]
fn answers_for_programs() {
    let work = copied("prove-json");
    let events = work.run(&format!("{PROVE} --json")).exits(0).events();
    let last = events.last().unwrap();
    assert_eq!(last["event"], "verdict");
    assert_eq!(
        (&last["proven"], &last["exit_code"], &last["copies"]),
        (&true.into(), &0.into(), &1.into())
    );
    assert_eq!(last["holdings"].as_array().unwrap().len(), 2);
    remove(&work.path(&format!("a/KITES/{STILL}")));
    let events = work
        .run("prove card --on a --copies 1 --json")
        .exits(1)
        .events();
    assert!(
        events
            .iter()
            .any(|e| e["event"] == "problem" && e["path"] == STILL),
        "{events:?}"
    );
}

/// A lying card gives zeros back. Neither the record nor any later answer may pass over that,
/// though every copy is equal; not even when the copying run was stopped in between.
#[test]
fn files_of_nothing_but_zeros_are_pointed_out_each_time() {
    let work = Work::with_card("zeros");
    for n in 0..3 {
        put(
            &work.path(&format!("card/DCIM/ZERO{n}.JPG")),
            &vec![0; 50_000],
        );
    }
    // None of nothing is a sign of nothing.
    put(&work.path("card/DCIM/EMPTY.JPG"), b"");
    work.offload();
    let note = "3 files of nothing but zeros (`DCIM/ZERO0.JPG`,";
    let manifest = manifest(&work.path("a/KITES"));
    let notes = manifest["verdict"]["notes"].to_string();
    assert!(notes.contains(note), "{notes}");
    let zeros = manifest["files"].as_array().unwrap().iter();
    let zeros: Vec<_> = zeros.filter(|f| f["only_zeros"] == true).collect();
    assert_eq!(zeros.len(), 3, "{zeros:?}");
    let page = String::from_utf8(bytes_of(&work.path("a/KITES/_unlade/report.html"))).unwrap();
    assert!(page.contains(note));
    for more in ["", " --reread"] {
        work.run(&format!("{PROVE}{more}"))
            .exits(0)
            .says(note)
            .says("before you format")
            .is_silent_of("You may format");
    }
    // Nothing is read any more, and the note stands.
    work.run("copy card --to a --to b --copies 1 --name KITES")
        .exits(0)
        .says(note);
}

#[test]
fn many_identical_files_are_pointed_out() {
    let work = Work::with_card("alike");
    for n in 0..10 {
        put(
            &work.path(&format!("card/DCIM/SAME{n}.JPG")),
            &vec![7; 50_000],
        );
    }
    work.offload();
    work.run(PROVE)
        .exits(0)
        .says("10 files on the card are identical")
        .says("`DCIM/SAME0.JPG` among them");
}

/// What was there before, in a file's place, was never a copy that could change.
#[test]
fn what_was_never_copied_to_a_drive_is_not_called_changed() {
    let work = copied("never-copied");
    let record = manifest(&work.path("b/KITES"));
    let mut without = record.clone();
    for file in without["files"].as_array_mut().unwrap() {
        if file["path"] == STILL {
            let copies = file["copies"].as_array_mut().unwrap();
            copies.retain(|copy| copy["destination"] == 0);
        }
    }
    assert_ne!(record, without);
    put(&work.path(&format!("b/KITES/{STILL}")), &vec![1; 40_000]);
    let ask = "prove card --on b --copies 1";
    for (manifest, says, is_silent_of) in [
        (&record, "changed since it was copied", "no record says"),
        (
            &without,
            "no manifest says that it was checked there",
            "what was copied",
        ),
    ] {
        store_manifest(&work.path("b/KITES"), manifest.to_string().as_bytes());
        for how in ["", " --reread"] {
            work.run(&format!("{ask}{how}"))
                .exits(1)
                .says(says)
                .is_silent_of(is_silent_of);
        }
    }
}

/// What is wrong with an offload is told, and not that there is none.
#[test]
fn an_offload_that_cannot_be_used_was_found() {
    let none = "No offload of this card was found";
    let work = copied("unusable");
    work.folder("c");
    work.run("prove card --on c --copies 1").exits(1).says(none);
    let record = work.path("a/KITES/_unlade/manifest.json");
    flip(&record, 200);
    work.run("prove card --on a --copies 1")
        .exits(1)
        .says("manifest-damaged")
        .is_silent_of(none);
    // Without any it is a folder as any other, and what it holds is compared.
    remove(&record);
    work.run("prove card --on a --copies 1")
        .exits(0)
        .says("a has no manifest: it counts in this answer only.");
}
