//! What is said of folders that were filled by hand: in how many words, of how many drives, and
//! what a person can really do. And what lies in a Trash, for `verify` as well.

use super::dragged::{STILL, drag, dragged, mount};
use crate::support::image::Image;
use crate::support::mount::{Options, skip};
use crate::support::program::{Card, Work, bytes_of, content, flip, move_to, put, remove};
use std::fs;

/// Only what is alike is counted as that, and every file of it.
#[test]
fn more_like_it_are_those_that_are() {
    let work = dragged("more-refused");
    let bin = work.folder("bin/.Trashes/501").join("dragged");
    move_to(&work.path("dragged"), &bin);
    let ran = work.run_short("prove card --on bin/.Trashes/501/dragged --on card/DCIM");
    ran.exits(1)
        .says("it is in a Trash folder")
        .says("it is on the card itself")
        .is_silent_of("more like it");
    let work = dragged("more-like");
    let mut card = Card::new(&work.path("card"));
    for n in 0..600 {
        card = card.file(format!("DCIM/102KITES/MORE{n:03}.JPG"), 20 + n, 7);
    }
    flip(&work.path("dragged").join(STILL), 9);
    work.run_short("prove card --on dragged --copies 1")
        .exits(1)
        .says("And 599 more like it.")
        .says(&format!(
            "`{STILL}` has its name in a folder that was compared"
        ));
}

/// Half on one drive and half on another: each of them is needed.
#[test]
fn one_copy_on_two_drives_is_lost_with_either() {
    if skip() {
        return;
    }
    let work = Work::with_card("more-split");
    let (one, two) = (work.folder("one/half"), work.folder("two/half"));
    drag(&work.path("card/DCIM"), &one.join("DCIM"));
    drag(&work.path("card/PRIVATE"), &two.join("PRIVATE"));
    // Two folders on one drive.
    work.run("prove card --on one --on two --copies 1")
        .exits(0)
        .says("It is one copy only: if this drive is lost or fails");
    let _two = mount(&work, "two", "m", Options::default());
    work.run("prove card --on one --on m --copies 1 --separate")
        .exits(0)
        .says("It is one copy only, in parts on 2 drives: if one of them is lost or fails")
        .says("m was read through the program that shows it, which may have answered from its own")
        .is_silent_of("if this drive is lost");
    // Where a drive has all of it, it is that one.
    drag(&work.path("card/PRIVATE"), &one.join("PRIVATE"));
    work.run("prove card --on one --on m --copies 1 --separate")
        .exits(0)
        .says("if this drive is lost");
}

/// What a file system keeps within its own records is not read from the drive, however often the
/// drive is plugged in again. Sizes as in `small_files`.
#[test]
fn what_to_do_about_small_files_helps() {
    let work = Work::new("more-small");
    work.folder("drive");
    let file = work.path("drive.img");
    let Some(_image) = Image::made("mkfs.btrfs -q", &file, &work.path("drive"), 160, "rw") else {
        return;
    };
    let mut card = Card::new(&work.path("card"));
    card = card.file("DCIM/KITE0001.JPG", 400_000, 1);
    for n in 0..4 {
        card = card.file(format!("DCIM/KITE000{n}.XMP"), 300, 10 + n);
    }
    drag(&work.path("card"), &work.folder("drive/dragged"));
    work.run_short("prove card --on drive/dragged --copies 1")
        .exits(1)
        .says("too small to be read past the computer's memory there: `DCIM/KITE0000.XMP`")
        .says("Copy the card, all of it: `unlade copy card --to drive/dragged`.")
        .says("stores small files so that they can be read from the drive")
        .is_silent_of("Unplug");
    work.run("copy card --to drive/dragged --name KITES --copies 1")
        .exits(0);
    work.run("prove card --on drive/dragged --copies 1")
        .exits(0);
}

#[test]
fn a_folder_in_memory_is_told_as_that_alone() {
    let memory = std::path::Path::new("/dev/shm");
    if !memory.is_dir() {
        return crate::support::program::skip("there is no /dev/shm");
    }
    let work = Work::with_card("more-memory");
    let shm = Work::below(memory, "more-memory");
    drag(&work.path("card"), &shm.folder("dragged"));
    let on = shm.path("dragged");
    let line = [
        "prove",
        "card",
        "--copies",
        "1",
        "--on",
        on.to_str().unwrap(),
    ];
    work.run_with(line)
        .exits(1)
        .says("is in memory, not on a drive")
        .says("copy this card to one more drive")
        .is_silent_of("Unplug");
}

/// One file stands for one name, and what is said of the other is true of it.
#[test]
fn a_second_name_that_is_not_there_is_said_to_be_that() {
    let work = Work::with_card("more-names");
    let again = "DCIM/101KITES/AGAIN.JPG";
    put(&work.path("card").join(again), &content(40_000, 1));
    drag(&work.path("card"), &work.folder("dragged"));
    remove(&work.path("dragged").join(again));
    work.run_short("prove card --on dragged --copies 1")
        .exits(1)
        .says("7 of 8 files on the card")
        .says(&format!(
            "what it holds is there once, and counted for `{STILL}`"
        ));
}

/// `verify` of an offload and of a folder of others.
#[test]
fn what_is_in_a_trash_is_not_safe_there() {
    for bin in [".Trash-1000/files", "DCIM/.Trashes/501", "RECYCLER"] {
        let work = Work::with_card("more-trash");
        work.run("copy card --to a --name OFF --copies 1").exits(0);
        let offload = work.path("a/OFF");
        fs::create_dir_all(offload.join(bin)).unwrap();
        move_to(
            &offload.join(STILL),
            &offload.join(bin).join("KITE0001.JPG"),
        );
        work.run("verify a/OFF")
            .exits(1)
            .says(&format!(
                "is in a Trash, at `{bin}/KITE0001.JPG`: not safe there"
            ))
            .says("bring it back")
            .is_silent_of("or keep it so");
    }
    let Some(work) = super::page_of_check::listed("more-trash-list", &["A.JPG", "B.JPG"]) else {
        return;
    };
    let bin = work.folder("K/.Trash-1000/files").join("A.JPG");
    move_to(&work.path("K/A.JPG"), &bin);
    work.run("report K --to check.html")
        .exits(1)
        .says("is in a Trash, at `.Trash-1000/files/A.JPG`: not safe there")
        .says("bring it back");
    let page = String::from_utf8(bytes_of(&work.path("check.html"))).unwrap();
    assert!(page.contains("is in a Trash, at "), "{page}");
}
