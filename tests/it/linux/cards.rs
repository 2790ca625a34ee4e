//! The card is never written: an ext4 image, mounted read-write, has the same hash before and after
//! every command.

use crate::support::image::Image;
use crate::support::program::{Card, Work, age, bytes_of, hash, move_to, names_in, tell, tree};
use std::process::Command;

/// A card in an image, with an offload of another card on it, and everything read long ago, so that
/// any ordinary read on a mount with `relatime` would renew an access time (mount(8)).
fn card_in_image(work: &Work, options: &str) -> Option<Image> {
    for folder in ["a", "b", "mnt"] {
        work.folder(folder);
    }
    // An offload, made before, that is moved onto the card.
    Card::new(&work.path("other")).file("DCIM/100KITES/KITE0009.JPG", 70_000, 9);
    let image = Image::ext4(&work.path("card.img"), &work.path("mnt"), 32, options)?;
    work.run("copy other --to a --name OLDER --copies 1")
        .exits(0);
    let status = Command::new("cp")
        .args(["-a", "a/OLDER", "mnt/OLDER"])
        .current_dir(work.path("."))
        .status();
    assert!(status.unwrap().success());
    move_to(&work.path("a/OLDER"), &work.path("older"));
    Card::new(&work.path("mnt"))
        .file("DCIM/100KITES/KITE0001.JPG", 40_000, 1)
        .file("DCIM/100KITES/KITE0002.JPG", 41_000, 2)
        .file("PRIVATE/CLIPS/C0001.MP4", 9_000_000, 3)
        .file(".Trashes/501/KITE0003.JPG", 9_000, 4)
        .folder("PRIVATE/CLIPS/EMPTY");
    age(&work.path("mnt"));
    Some(image)
}

/// Every command that takes a card or an offload, and its exit code. A card that holds an offload
/// has `_unlade` below its root only, which is copied like all else.
const COMMANDS: [(&str, i32); 12] = [
    ("plan mnt --to a --to b --name KITES", 0),
    ("copy mnt --to a --to b --name KITES --dry-run", 0),
    ("copy mnt --to a --to b --name KITES --copies 1", 0),
    ("copy mnt --to a --to b --name KITES --copies 1", 0),
    ("copy mnt --to a --name AGAIN --copies 1 --proof reread", 0),
    ("copy mnt --to a --name FAST --proof written", 1),
    ("prove mnt --on a --on b --copies 1", 0),
    ("prove mnt --on a --on b --copies 1 --reread", 0),
    ("prove mnt --on a --by-content --copies 1", 0),
    ("prove mnt --on mnt", 1),
    ("verify mnt/OLDER", 0),
    ("verify a/KITES b/KITES", 0),
];

fn nothing_is_written(name: &str, options: &str) {
    let work = Work::new(name);
    let Some(mut image) = card_in_image(&work, options) else {
        return;
    };
    let before = image.hash();
    let mut commands: Vec<(&str, i32)> = COMMANDS.to_vec();
    // A command that this version does not have ends with 2 and reads nothing.
    if work.run("rate --help").code == 0 {
        commands.push(("rate mnt", 0));
    }
    for (command, code) in commands {
        work.run(command).exits(code);
        assert_eq!(image.hash(), before, "`{command}` wrote to the card");
    }
    assert_eq!(tree(&work.path("a/KITES/DCIM")).len(), 3);

    // What the mount itself writes when it goes is told by an image that nobody looked at: the
    // superblock and the journal, no block of a file, folder or inode.
    let mounted = image.bytes();
    image.unmount();
    let gone = image.bytes();
    let changed: Vec<usize> = mounted
        .chunks(4_096)
        .zip(gone.chunks(4_096))
        .enumerate()
        .filter_map(|(block, (then, now))| (then != now).then_some(block))
        .collect();
    tell(&format!("{name}: unmounting wrote the blocks {changed:?}"));
    assert!(changed.len() <= 4, "blocks {changed:?} at unmounting");

    // The control: any other reader shows.
    if options == "relatime" {
        assert!(image.mount(options));
        let before = image.hash();
        let read = bytes_of(&work.path("mnt/PRIVATE/CLIPS/C0001.MP4"));
        assert_eq!(read.len(), 9_000_000);
        assert_ne!(
            image.hash(),
            before,
            "an ordinary reader left no trace, so that this test can show nothing"
        );
    }
}

#[test]
fn no_command_writes_to_a_card_that_is_mounted_read_write() {
    nothing_is_written("card-default", "relatime");
}

#[test]
fn no_command_writes_to_a_card_that_is_mounted_without_access_times() {
    nothing_is_written("card-noatime", "noatime");
}

/// The strictest mount there is: every read renews the access time unless the reader asks not to.
#[test]
fn no_command_writes_to_a_card_whose_access_times_are_strict() {
    nothing_is_written("card-strict", "strictatime");
}

#[test]
fn a_card_that_is_mounted_read_only_is_enough_for_every_command() {
    let work = Work::new("card-ro");
    let Some(mut image) = card_in_image(&work, "relatime") else {
        return;
    };
    image.unmount();
    let before = hash(&work.path("card.img"));
    assert!(image.mount("ro"));
    for (command, code) in COMMANDS {
        work.run(command).exits(code);
    }
    image.unmount();
    assert_eq!(hash(&work.path("card.img")), before);
    assert!(names_in(&work.path("a")).len() > 1);
}
