//! Offloads that somebody copied, moved or renamed by hand. The records come along, but nobody read
//! the new place back: only `unlade` can say that, and only after it has.

use crate::support::image::Image;
use crate::support::program::{
    Card, Work, bytes_of, flip, manifest, move_to, names_in, put, remove, skip, whole_tree,
};
use std::path::Path;
use std::process::Command;

const MAY_FORMAT: &str = "You may format";
const STILL: &str = "DCIM/100KITES/KITE0001.JPG";

/// `cp -a` keeps size and date of every file (GNU coreutils manual).
fn copy_by_hand(work: &Work, from: &str, to: &str) {
    let status = Command::new("cp")
        .args(["-a", from, to])
        .current_dir(work.path("."))
        .status();
    assert!(status.unwrap().success());
}

/// A copy with a wrong bit in it that has its size, its date and all its records.
#[test]
fn a_copy_made_by_hand_is_read_before_it_counts() {
    for (to, name) in [("c", "KITES"), ("a", "KITES-2")] {
        let work = Work::with_card("by-hand");
        work.folder("c");
        work.offload();
        let copied = format!("{to}/{name}");
        copy_by_hand(&work, "a/KITES", &copied);
        let again = format!("copy card --to {to} --name {name} --copies 1");
        // As it is: read back, compared, proven.
        work.run(&format!("prove card --on {copied} --copies 1"))
            .exits(1)
            .says("no manifest says that it was checked there")
            .is_silent_of(MAY_FORMAT);
        work.run(&format!("prove card --on {copied} --copies 1 --reread"))
            .exits(0);
        flip(&work.path(&copied).join(STILL), 100);
        let before = whole_tree(&work.path(&copied).join("DCIM"));
        work.run(&format!("prove card --on {copied} --copies 1"))
            .exits(1)
            .is_silent_of(MAY_FORMAT);
        work.run(&again)
            .exits(1)
            .says(STILL)
            .says("differs from the card's")
            .is_silent_of(MAY_FORMAT);
        assert_eq!(whole_tree(&work.path(&copied).join("DCIM")), before);
        work.run(&format!("prove card --on {copied} --copies 1"))
            .exits(1);
        // Put right again, and run again: now it has been read here.
        flip(&work.path(&copied).join(STILL), 100);
        work.run(&again).exits(0);
        work.run(&format!("prove card --on {copied} --copies 1"))
            .exits(0);
    }
}

/// The journal of a run that was cut off vouches for its own place only.
#[test]
fn a_journal_that_was_copied_by_hand_vouches_for_nothing() {
    let work = Work::with_card("journal-by-hand");
    work.folder("c");
    work.offload();
    // As if the first run had been killed before its records: a journal and no manifest.
    Card::new(&work.path("card")).file("DCIM/100KITES/KITE0009.JPG", 5_000, 90);
    work.run("copy card --to a --name OTHER --copies 1")
        .exits(0);
    let journal = manifest(&work.path("a/OTHER"));
    let destination = &journal["destinations"][0];
    let volume = destination["device"]
        .as_str()
        .unwrap()
        .split(" volume ")
        .nth(1);
    let identity = serde_json::json!({
        "path": destination["path"], "filesystem": destination["filesystem"],
        "volume_id": volume, "total_bytes": 0,
    });
    let mut text = serde_json::json!({
        "journal": "unlade-journal", "version": 1, "offload": "OTHER", "started": "",
        "card_path": journal["card"]["path"], "card_volume_id": journal["card"]["volume_id"],
        "listing_b3": journal["card"]["listing_b3"], "destinations": [identity],
    })
    .to_string();
    for file in journal["files"].as_array().unwrap() {
        let line = serde_json::json!({
            "path": file["path"], "bytes": file["bytes"], "modified": file["modified"],
            "blake3": file["blake3"], "way": "direct", "read_s": 0.0, "readback_s": 0.0,
        });
        text.push_str(&format!("\n{line}"));
    }
    text.push('\n');
    let records = work.path("a/OTHER/_unlade");
    for name in [
        "manifest.json",
        "manifest.json.b3",
        "checksums.b3",
        "report.html",
    ] {
        remove(&records.join(name));
    }
    put(&records.join("journal.jsonl"), text.as_bytes());
    copy_by_hand(&work, "a/OTHER", "c/OTHER");
    flip(&work.path("c/OTHER").join(STILL), 100);
    work.run("copy card --to c --name OTHER --copies 1")
        .exits(1)
        .says("differs from the card's")
        .is_silent_of(MAY_FORMAT);
    // In its own place it is what resuming rests on.
    work.run("copy card --to a --name OTHER --copies 1")
        .exits(0)
        .says("8 files already copied");
}

#[test]
fn a_manifest_without_its_hash_proves_nothing() {
    let work = Work::with_card("no-hash");
    let offload = work.offload();
    work.run("prove card --on a --copies 1").exits(0);
    let hash = offload.join("_unlade/manifest.json.b3");
    let line = bytes_of(&hash);
    remove(&hash);
    work.run("prove card --on a --copies 1")
        .exits(1)
        .says("its hash, `manifest.json.b3`, is missing")
        .is_silent_of(MAY_FORMAT);
    put(&hash, &line);
    work.run("prove card --on a --copies 1").exits(0);
}

/// What lies on the card goes with it, be it as complete as it may: here in a folder that is not
/// copied, so that the card's listing does not tell of it either.
#[test]
fn a_copy_on_the_card_itself_is_none() {
    let work = Work::with_card("on-card");
    work.offload();
    work.folder("card/.Trashes/501");
    copy_by_hand(&work, "a/KITES", "card/.Trashes/501/KITES");
    for how in ["", " --reread", " --by-content"] {
        work.run(&format!("prove card --on card/.Trashes --copies 1{how}"))
            .exits(1)
            .says("it is on the card itself")
            .is_silent_of(MAY_FORMAT);
    }
    work.run("prove card --on card --on a --copies 1").exits(0);
}

/// A folder of offloads that was renamed on its drive: not known any more, and never worse than
/// that.
#[test]
fn an_offload_that_was_moved_is_checked_anew() {
    let work = Work::with_card("moved");
    work.folder("a/archive");
    work.offload();
    move_to(&work.path("a/KITES"), &work.path("a/archive/KITES"));
    assert!(!Path::new(&work.path("a/KITES")).exists());
    work.run("prove card --on a --copies 1")
        .exits(1)
        .is_silent_of(MAY_FORMAT);
    work.run("prove card --on a --copies 1 --reread").exits(0);
    work.run("verify a/archive/KITES").exits(0);
    work.run("copy card --to a/archive --name KITES --copies 1")
        .exits(0)
        .says("checked and compared with the card");
    work.run("prove card --on a --copies 1").exits(0);
}

/// The same path, the same records, another drive: the hand that copied one drive onto the other
/// read nothing back.
#[test]
fn another_drive_in_the_same_place_is_not_the_one_that_was_read() {
    let work = Work::with_card("other-drive");
    work.folder("spare");
    let Some(mut first) = Image::ext4(&work.path("1.img"), &work.path("a"), 64, "rw") else {
        return;
    };
    let Some(mut second) = Image::ext4(&work.path("2.img"), &work.path("spare"), 64, "rw") else {
        return;
    };
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0);
    work.run("prove card --on a --copies 1").exits(0);
    copy_by_hand(&work, "a/KITES", "spare/KITES");
    flip(&work.path("spare/KITES").join(STILL), 100);
    // The drive that was read is known wherever it is mounted.
    first.unmount();
    second.unmount();
    work.folder("elsewhere");
    let mut first = first.mounted_at(&work.path("elsewhere"));
    work.run("prove card --on elsewhere --copies 1").exits(0);
    first.unmount();
    let second = second.mounted_at(&work.path("a"));
    work.run("prove card --on a --copies 1")
        .exits(1)
        .says("no manifest says that it was checked there")
        .is_silent_of(MAY_FORMAT);
    let ran = work.run("copy card --to a --name KITES --copies 1");
    assert_ne!(ran.code, 0, "{ran}");
    ran.is_silent_of(MAY_FORMAT);
    drop(second);
}

/// The top of a drive, or what a mount shows of it, is another place than the folder that was
/// copied to, wherever the drive is mounted: what lies there was copied there by hand.
#[test]
fn another_folder_of_the_same_drive_is_not_the_one_that_was_read() {
    let work = Work::with_card("other-folder");
    let Some(mut drive) = Image::ext4(&work.path("1.img"), &work.path("a"), 64, "rw") else {
        return;
    };
    work.folder("a/kites");
    work.folder("a/old/kites");
    work.run("copy card --to a/kites --name KITES --copies 1")
        .exits(0);
    let not_read = |on: &str| {
        let told = "no manifest says that it was checked there";
        work.run(&format!("prove card --on {on} --copies 1"))
            .exits(1)
            .says(told)
            .is_silent_of(MAY_FORMAT);
        work.run(&format!(
            "plan card --to {on} --name NEW --only-new --copies 1"
        ))
        .is_silent_of("left in");
    };
    for by_hand in ["a/KITES", "a/old/kites/KITES"] {
        copy_by_hand(&work, "a/kites/KITES", by_hand);
        flip(&work.path(by_hand).join(STILL), 100);
    }
    // A mount of one folder of the drive, at the very path that was copied to.
    let (old, kites) = (work.path("a/old/kites"), work.path("a/kites"));
    let mount = |arguments: &[&str]| {
        let status = Command::new("mount").args(arguments).status();
        status.is_ok_and(|s| s.success())
    };
    let [old, kites] = [&old, &kites].map(|p| p.to_str().unwrap());
    if mount(&["--bind", old, kites]) {
        not_read("a/kites");
        assert!(
            Command::new("umount")
                .arg(kites)
                .status()
                .unwrap()
                .success()
        );
        // The folder that was read is the place, however it is shown.
        work.folder("shown");
        let shown = work.path("shown");
        let shown = shown.to_str().unwrap();
        assert!(mount(&["--bind", kites, shown]));
        work.run("prove card --on shown --copies 1").exits(0);
        let gone = Command::new("umount").arg(shown).status();
        assert!(gone.unwrap().success());
    }
    work.run("prove card --on a/kites --copies 1").exits(0);
    move_to(&work.path("a/kites/KITES"), &work.path("a/gone"));
    drive.unmount();
    work.folder("elsewhere");
    let drive = drive.mounted_at(&work.path("elsewhere"));
    for on in ["elsewhere/KITES", "elsewhere/old/kites/KITES"] {
        not_read(on);
    }
    drop(drive);
}

/// A drive that tells `KITES` from `kites` has two folders there, and only one of them was read
/// back.
#[test]
fn a_copy_under_a_name_in_other_letters_is_another_one() {
    let work = Work::with_card("other-letters");
    work.offload();
    copy_by_hand(&work, "a/KITES", "a/Kites");
    if names_in(&work.path("a")).len() < 2 {
        skip("this file system takes both names for one");
        return;
    }
    flip(&work.path("a/Kites").join(STILL), 100);
    let not_read = || {
        work.run("prove card --on a/Kites --copies 1")
            .exits(1)
            .says("no manifest says that it was checked there")
            .is_silent_of(MAY_FORMAT);
    };
    not_read();
    work.folder("hidden");
    move_to(&work.path("a/KITES"), &work.path("hidden/KITES"));
    not_read();
    work.run("copy card --to a --name NEW --only-new --copies 1")
        .exits(0)
        .is_silent_of("left in");
    assert!(work.path("a/NEW").join(STILL).exists(), "left on its word");
}

/// Given as a folder, a card is still the whole volume that will be formatted.
#[test]
fn a_copy_beside_a_folder_of_the_card_is_none() {
    let work = Work::with_card("beside");
    work.folder("mnt");
    let Some(_image) = Image::ext4(&work.path("card.img"), &work.path("mnt"), 64, "rw") else {
        return;
    };
    copy_by_hand(&work, "card/DCIM", "mnt/DCIM");
    work.run("copy mnt/DCIM --to a --name KITES --copies 1")
        .exits(0);
    copy_by_hand(&work, "a", "mnt/BACKUP");
    for how in ["", " --reread"] {
        work.run(&format!("prove mnt/DCIM --on mnt/BACKUP --copies 1{how}"))
            .exits(1)
            .says("it is on the card itself")
            .is_silent_of(MAY_FORMAT);
    }
    work.run("prove mnt/DCIM --on a --copies 1").exits(0);
}

/// A drive that is not mounted leaves its empty folder behind, and that lies on the system's disk.
/// The ledger remembers that copies into it went elsewhere.
#[test]
fn an_unmounted_drives_folder_is_refused_and_stays_empty() {
    let work = Work::with_card("unmounted");
    let Some(mut drive) = Image::ext4(&work.path("b.img"), &work.path("b"), 64, "rw") else {
        return;
    };
    let copy = "copy card --to a --to b --separate --copies 1";
    work.run(&format!("{copy} --name FIRST")).exits(0);
    drive.unmount();
    let before = whole_tree(&work.path("a"));
    // Another name, so that no record on the other drive tells.
    work.run(&format!("{copy} --name SECOND"))
        .exits(3)
        .says("that drive is not mounted");
    assert_eq!(whole_tree(&work.path("a")), before);
    let left = std::fs::read_dir(work.path("b")).unwrap().count();
    assert_eq!(
        left, 0,
        "something was made in the unmounted drive's folder"
    );
    // The person means the folder: then one inside it is as good as any.
    work.folder("b/here");
    work.run("copy card --to a --to b/here --copies 1 --name SECOND")
        .exits(0);
    let drive = drive.mounted_at(&work.path("b"));
    work.run(&format!("{copy} --name THIRD")).exits(0);
    drop(drive);
}

/// Nothing is remembered of it, but it is empty and lies where drives are mounted.
#[test]
fn an_empty_folder_where_drives_are_mounted_is_refused() {
    let work = Work::with_card("mnt");
    let folder = format!("/mnt/unlade-test-{}", std::process::id());
    if std::fs::create_dir(&folder).is_err() {
        skip("no folder can be made in /mnt");
        return;
    }
    let ran = work.run(&format!(
        "copy card --to a --to {folder} --copies 1 --name K"
    ));
    let left = std::fs::read_dir(&folder).unwrap().count();
    std::fs::remove_dir(&folder).unwrap();
    // A new folder in it would be refused as well.
    ran.exits(3)
        .says("no drive is")
        .says("give one that is not where drives are mounted")
        .is_silent_of("make a new one in it");
    assert_eq!(left, 0);
    assert!(!work.path("a/K").exists());
}

/// Records that cannot be read are told. Nothing is copied a second time beside them unasked.
#[test]
fn a_damaged_manifest_is_told_and_nothing_is_copied_beside_it() {
    let work = Work::with_card("damaged-unnamed");
    let copy = "copy card --to a --to b --copies 1";
    work.run(copy).exits(0);
    let names = names_in(&work.path("a"));
    let name = names.first().unwrap();
    let manifest = work.path("b").join(name).join("_unlade/manifest.json");
    flip(&manifest, 900);
    work.run(copy)
        .exits(3)
        .says("the manifest is damaged")
        .says("another name with --name");
    assert_eq!(names_in(&work.path("a")), names);
    assert_eq!(names_in(&work.path("b")), names);
    work.run(&format!("{copy} --name AGAIN")).exits(0);
    // One of another card is none of this one's business.
    flip(&manifest, 900);
    Card::new(&work.path("second/card")).file("DCIM/OTHER.JPG", 5_000, 3);
    work.run("copy second/card --to a --to b --copies 1")
        .exits(0);
    assert!(work.path(&format!("a/{name}-2")).is_dir());
}
