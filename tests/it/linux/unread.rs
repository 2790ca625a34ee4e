//! A copy that cannot be opened, read or looked at is neither good nor changed, and what lies in a
//! folder that cannot be listed is not missing: `verify` and `prove` say what could not be done and
//! why.

use crate::support::mount::{Fault, Kind, Mount, Options, skip};
use crate::support::program::{INTACT, Ran, Work, move_to, put};
use std::os::unix::fs::symlink;

const STILL: &str = "DCIM/100KITES/KITE0001.JPG";
const PROVE: &str = "prove card --on a --copies 1";

/// A card that was copied to a drive, which is then mounted with these faults.
fn drive(work: &Work, faults: Vec<Fault>) -> Mount {
    let mount = |faults| {
        let options = Options {
            faults,
            ..Options::default()
        };
        Mount::new(&work.folder("back"), &work.folder("a"), options).unwrap()
    };
    let whole = mount(Vec::new());
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0);
    drop(whole);
    mount(faults)
}

fn fails(op: &'static str, errno: i32, path: &str) -> Fault {
    Fault::new(Kind::OpError { op, errno }).path(path)
}

/// What `verify` must say of an offload of which one thing could not be read.
#[track_caller]
fn says_unread(work: &Work, offload: &str, cause: &str) -> Ran {
    let told = work.run(&format!("verify {offload}"));
    told.exits(1)
        .says("NOT CHECKED")
        .says("could not be")
        .says(cause)
        .says("")
        .says("neither good nor changed")
        .is_silent_of("NOT INTACT")
        .is_silent_of(INTACT);
    let verdict = work.run(&format!("verify {offload} --json"));
    let problem = verdict.exits(1).first("problem");
    assert_eq!(problem["kind"], "unreadable", "{verdict}");
    let verdict = verdict.verdict();
    assert_eq!(
        (
            &verdict["proven"],
            &verdict["unchanged"],
            &verdict["changed"]
        ),
        (&false.into(), &false.into(), &0.into()),
        "{verdict}"
    );
    assert!(verdict["unread"].as_u64().unwrap() > 0, "{verdict}");
    told
}

#[test]
fn a_copy_that_could_not_be_read_is_neither_changed_nor_good() {
    if skip() {
        return;
    }
    for (op, errno, cause) in [
        ("open", 13, "Permission denied"),
        ("open", 24, "limit of this computer"),
        ("open", 40, "it is a link, or is behind one"),
        ("read", 5, "Input/output error"),
    ] {
        let work = Work::with_card("unread");
        let at = format!("KITES/{STILL}");
        let fault = match op {
            "read" => Fault::new(Kind::ReadError {
                off: 0,
                len: 40_000,
                errno,
            })
            .path(&at),
            _ => fails(op, errno, &at),
        };
        let _a = drive(&work, vec![fault]);
        says_unread(&work, "a/KITES", cause).says(&format!("unread `{STILL}`"));
        let asked = work.run(&format!("{PROVE} --reread"));
        asked
            .exits(1)
            .says(STILL)
            .says(cause)
            .says("(unreadable)")
            .says("could not be read just now")
            .says("who may read the files")
            .is_silent_of("changed since it was copied")
            .is_silent_of("(changed)")
            .is_silent_of("from the card");
        let lacks = work.run(&format!("{PROVE} --reread --json")).verdict();
        let lacks = &lacks["holdings"][0]["lacks"][0];
        assert_eq!(lacks["kind"], "unreadable", "{lacks}");
    }
}

/// Nothing is known of what lies in a folder that cannot be listed, nor of records that cannot be.
#[test]
fn what_lies_in_a_folder_that_cannot_be_listed_is_not_missing() {
    if skip() {
        return;
    }
    for at in ["KITES/DCIM/100KITES", "KITES/DCIM"] {
        let work = Work::with_card("unlisted");
        let _a = drive(&work, vec![fails("readdir", 5, at)]);
        says_unread(&work, "a/KITES", "Input/output error").is_silent_of("missing  `");
        work.run(PROVE)
            .exits(1)
            .says("(unreadable)")
            .says("Input/output error")
            .is_silent_of("(missing)");
    }
    let work = Work::with_card("unlisted-records");
    let _a = drive(&work, vec![fails("readdir", 5, "KITES/_unlade")]);
    says_unread(&work, "a/KITES", "Input/output error").says("unread `_unlade`");
}

#[test]
fn records_that_could_not_be_read_are_not_called_damaged() {
    if skip() {
        return;
    }
    let work = Work::with_card("unread-list");
    let list = "KITES/_unlade/checksums.b3";
    let _a = drive(&work, vec![fails("open", 5, list)]);
    says_unread(&work, "a/KITES", "Input/output error").says("unread `_unlade/checksums.b3`");
    for name in ["manifest.json", "manifest.json.b3"] {
        let work = Work::with_card("unread-manifest");
        let _a = drive(
            &work,
            vec![fails("open", 5, &format!("KITES/_unlade/{name}"))],
        );
        let told = work.run("verify a/KITES --json").exits(3).first("refused");
        assert_eq!(told["reasons"][0]["kind"], "unreadable", "{told}");
        work.run("verify a/KITES")
            .says("Input/output error")
            .says("who may read the files");
        work.run(PROVE)
            .exits(1)
            .says("Input/output error")
            .says("(unreadable)")
            .says("who may read the files")
            .is_silent_of("damaged");
    }
}

/// An offload whose records are a link, or no folder, is not unfinished.
#[test]
fn records_that_are_no_folder_are_said_to_be_that() {
    let work = Work::with_card("records-link");
    work.offload();
    let records = work.path("a/KITES/_unlade");
    move_to(&records, &work.path("aside"));
    symlink(work.path("aside"), &records).unwrap();
    let asked = |says: &str| {
        work.run(PROVE)
            .exits(1)
            .says(says)
            .says("put its own folder in its place")
            .is_silent_of("not finished")
            .is_silent_of("no offload was found");
    };
    asked("is a symbolic link, which is not followed");
    std::fs::remove_file(&records).unwrap();
    symlink(work.path("nowhere"), &records).unwrap();
    asked("is a symbolic link, which is not followed");
    std::fs::remove_file(&records).unwrap();
    put(&records, b"x");
    asked("is not a folder");
}

/// A folder of the drive that cannot be listed may hold an offload: it is not passed over without a
/// word.
#[test]
fn a_folder_that_cannot_be_looked_into_is_named() {
    if skip() {
        return;
    }
    let work = Work::with_card("unlooked");
    work.folder("back/Old");
    let _a = drive(&work, vec![fails("readdir", 5, "Old")]);
    work.run(PROVE)
        .exits(3)
        .says("a/Old")
        .says("Input/output error")
        .says("give the offload's own folder");
    work.run("prove card --on a/KITES --copies 1").exits(0);
}
