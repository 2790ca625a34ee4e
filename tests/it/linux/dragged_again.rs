//! What looks like a copy by hand and is none: the card seen a second time, one drive seen twice,
//! another card, a Trash. And what an answer by hand leaves as it was.

use super::dragged::{STILL, drag, dragged, mount};
use crate::support::mount::{Options, skip};
use crate::support::program::{Work, bytes_of, move_to, put, remove};

/// Bind mounts, pools and the like: the system doesn't say what is below.
#[test]
fn the_card_through_another_mount_is_no_copy_of_it() {
    if skip() {
        return;
    }
    let work = Work::with_card("again-card");
    move_to(&work.path("card"), &work.folder("pool").join("KITES"));
    let _pool = mount(&work, "pool", "m", Options::default());
    for ask in [
        "prove pool/KITES --on m --copies 1",
        "prove pool/KITES --on m/KITES --copies 1",
        "prove pool/KITES --on m --copies 1 --separate",
        "prove m/KITES --on pool --copies 1",
        "prove m/KITES --on pool/KITES --copies 1",
    ] {
        work.run(ask)
            .exits(1)
            .says("its files are the card's own, seen a second time")
            .is_silent_of("You may format");
    }
    // A copy in there does count, and what is the card's is said to be.
    drag(&work.path("pool/KITES"), &work.folder("pool/copy"));
    work.run("prove pool/KITES --on m --copies 1")
        .exits(0)
        .says("is the card's own, seen a second time: not counted");
    remove(&work.path("pool/copy").join(STILL));
    work.run("prove pool/KITES --on m --copies 1")
        .exits(1)
        .says("6 of 7 files on the card");
}

/// Once by its device, and once through a program: whatever is said.
#[test]
fn one_drive_by_its_device_and_through_a_program_is_one() {
    if skip() {
        return;
    }
    let work = dragged("again-drive");
    move_to(&work.path("dragged"), &work.folder("drive").join("KITES"));
    let _view = mount(&work, "drive", "m", Options::default());
    work.run("prove card --on drive --on m --separate")
        .exits(1)
        .says("--separate is not believed");
    // A copy of it is one more: only the person knows of the drive.
    drag(&work.path("drive/KITES"), &work.folder("other/KITES"));
    let _other = mount(&work, "other", "n", Options::default());
    work.run("prove card --on drive --on n --separate").exits(0);
}

#[test]
fn an_offload_by_its_device_and_through_a_program_is_one() {
    if skip() {
        return;
    }
    let work = Work::with_card("again-offload");
    work.run("copy card --to a --name OFF --copies 1").exits(0);
    let _view = mount(&work, "a", "m", Options::default());
    for ask in [
        "prove card --on a --on m --separate",
        "prove card --on a --on m --separate --reread",
        // Below the offload no manifest is seen: a folder as any other.
        "prove card --on a --on m/OFF/DCIM --separate",
    ] {
        work.run(ask).exits(1).is_silent_of("You may format");
    }
}

/// A drive that was made the second one by nobody's word is none, also where it is the only one
/// that the system doesn't know.
#[test]
fn nobody_said_that_an_unknown_drive_is_another_one() {
    if skip() {
        return;
    }
    let work = Work::with_card("again-unsaid");
    let _drive = mount(&work, "b", "m", Options::default());
    work.run("copy card --to a --to m --name OFF").exits(1);
    work.run("prove card --on a --on m").exits(1);
    work.run("prove card --on a --on m --separate").exits(0);
}

/// `copy` refuses such a drive as well. Folders of DCF (JEITA CP-3461) and of public manuals.
#[test]
fn another_card_is_no_copy() {
    if skip() {
        return;
    }
    let work = dragged("again-cards");
    let _other = mount(&work, "card", "m", Options::default());
    for ask in [
        "prove dragged --on m --copies 1",
        "prove dragged --on m/DCIM --copies 1",
    ] {
        work.run(ask)
            .exits(1)
            .says("folders in its root that only cameras make")
            .says("On a drive, move these into a folder of their own")
            .is_silent_of("copy dragged --to m")
            .is_silent_of("You may format");
    }
    // What is said to do helps.
    move_to(
        &work.path("card/DCIM"),
        &work.folder("card/Saturday").join("DCIM"),
    );
    move_to(
        &work.path("card/PRIVATE"),
        &work.path("card/Saturday/PRIVATE"),
    );
    work.run("prove dragged --on m/Saturday --copies 1")
        .exits(0);
}

/// Names from memory: of Windows, macOS, Linux and network storage.
#[test]
fn what_is_in_a_trash_does_not_stay() {
    for bin in [
        "Trash/files",
        ".recycle",
        ".Recycle.Bin",
        "RECYCLER/S-1",
        "deep/er/$recycle.bin",
        "lost+found",
        ".TemporaryItems",
        "System Volume Information",
        "_unlade",
        ".trash-1000/files",
    ] {
        let work = dragged("again-trash");
        let there = work.folder(&format!("dragged/{bin}")).join("KITE0001.JPG");
        move_to(&work.path("dragged").join(STILL), &there);
        work.run("prove card --on dragged --copies 1")
            .exits(1)
            .says(&format!("missing: `{STILL}`"))
            .says("is in a Trash, or where a system keeps what is its own: not counted");
    }
    // What the card has there, it has there in the folder too.
    let work = Work::with_card("again-trash");
    work.folder("card/.Trash-1000");
    put(&work.path("card/.Trash-1000/KITE.JPG"), &[7; 9_000]);
    drag(&work.path("card"), &work.folder("dragged"));
    work.run("prove card --on dragged --copies 1").exits(0);
}

/// One inode with two names is lost at once.
#[test]
fn two_names_of_one_file_are_one_file() {
    let work = Work::with_card("again-names");
    let same = bytes_of(&work.path("card").join(STILL));
    put(&work.path("card/DCIM/100KITES/KITE0009.JPG"), &same);
    drag(&work.path("card"), &work.folder("dragged"));
    let ask = "prove card --on dragged --copies 1";
    work.run(ask).exits(0);
    let second = work.path("dragged/DCIM/100KITES/KITE0009.JPG");
    remove(&second);
    std::fs::hard_link(work.path("dragged").join(STILL), second).unwrap();
    work.run(ask)
        .exits(1)
        .says("without a file of its own")
        .is_silent_of("You may format");
}

#[test]
fn an_answer_by_hand_undoes_no_proof_on_record() {
    let work = dragged("again-ledger");
    work.run("copy card --to a --name OFF --copies 1 --shoot festival")
        .exits(0);
    work.run("ledger --shoot festival").exits(0);
    work.run("prove card --on dragged --copies 1 --shoot festival")
        .exits(0);
    work.run("ledger --shoot festival").exits(0);
    remove(&work.path("dragged").join(STILL));
    for more in ["", " --shoot festival", " --shoot other"] {
        work.run(&format!("prove card --on dragged --copies 1{more}"))
            .exits(1);
        work.run("ledger --shoot festival").exits(0);
    }
    // What is found wrong with the copy on record is said.
    remove(&work.path("a/OFF").join(STILL));
    work.run("prove card --on a --on dragged --copies 1 --shoot festival")
        .exits(1);
    work.run("ledger --shoot festival").exits(1);
}
