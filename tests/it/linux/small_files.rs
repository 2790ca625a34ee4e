//! Checks that small files are read back from their device on file systems that keep them within
//! their own records: one that is damaged there is seen, and what nobody could read from the device
//! is not said to be read from it.

use crate::support::at_once;
use crate::support::image::Image;
use crate::support::program::{Card, INTACT, Work, bytes_of, content};
use std::path::Path;

/// A file of NTFS is kept within its record up to about 700 bytes, one of btrfs up to 2,048.
const SIZES: [usize; 2] = [300, 900];
const OF_EACH: usize = 40;

/// No two files are alike.
fn seed(size: usize, number: usize) -> u64 {
    u64::try_from(size * 1_000 + number).unwrap()
}

fn name(size: usize, number: usize) -> String {
    format!("DCIM/100KITES/K{size}-{number:03}.XMP")
}

/// A mounted drive in `drive`, made by a command, and a card with small files only.
fn world(make: &str, options: &str) -> Option<(Work, Image)> {
    let work = Work::new(&format!("small-{}", make.split(' ').next().unwrap()));
    for folder in ["drive", "card"] {
        std::fs::create_dir(work.path(folder)).unwrap();
    }
    let image = Image::made(
        make,
        &work.path("drive.img"),
        &work.path("drive"),
        128,
        options,
    )?;
    let mut card = Card::new(&work.path("card"));
    for size in SIZES {
        for number in 0..OF_EACH {
            card = card.file(name(size, number), size, seed(size, number));
        }
    }
    Some((work, image))
}

fn damage_is_seen(make: &str, options: &str) {
    let Some((work, image)) = world(make, options) else {
        return;
    };
    work.run("copy card --to drive --copies 1 --name KITES")
        .exits(0)
        .says("PROVEN");
    work.run("verify drive/KITES").exits(0).says(INTACT);
    // The last ones: what was read long ago may have left the memory of whoever shows the file
    // system.
    for size in SIZES {
        let damaged = image.damage(&content(size, seed(size, OF_EACH - 1))[..64]);
        assert!(
            damaged > 0,
            "{make}: {size} bytes are not found on the device"
        );
    }
    let said = work.run("verify drive/KITES");
    said.exits(1);
    for size in SIZES {
        said.says(&name(size, OF_EACH - 1));
    }
    work.run("copy card --to drive --copies 1 --name KITES")
        .exits(1)
        .says("NOT PROVEN");
}

#[test]
fn damage_below_a_small_file_is_seen_on_btrfs() {
    damage_is_seen("mkfs.btrfs -q", "rw");
}

#[test]
fn damage_below_a_small_file_is_seen_on_btrfs_that_compresses() {
    damage_is_seen("mkfs.btrfs -q -M", "rw,compress=zstd");
}

#[test]
fn damage_below_a_small_file_is_seen_on_ext4_with_inline_data() {
    damage_is_seen("mkfs.ext4 -q -F -O inline_data -I 1024", "rw");
}

#[test]
fn damage_below_a_small_file_is_seen_on_ntfs_through_fuse() {
    damage_is_seen("mkfs.ntfs -q -Q -F", "rw,-t,ntfs-3g");
}

/// What other programs wrote lies within the records, and no read of it can be told from one of the
/// computer's memory.
#[test]
fn what_lies_within_the_records_of_a_file_system_is_not_said_to_be_read_from_the_device() {
    let cases = [
        ("mkfs.btrfs -q", "rw"),
        ("mkfs.ext4 -q -F -O inline_data -I 1024", "rw"),
        ("mkfs.ntfs -q -Q -F", "rw"),
    ];
    at_once(cases, |(make, options)| {
        let Some((work, _image)) = world(make, options) else {
            return;
        };
        work.run("copy card --to drive --copies 1 --name KITES")
            .exits(0);
        again(&work.path("drive/KITES"), &work.path("drive/AGAIN"));
        work.run("verify drive/AGAIN").exits(1).says("NOT CHECKED");
        work.run("verify drive/KITES").exits(0).says(INTACT);
    });
}

/// Copies an offload by plain reads and writes.
fn again(from: &Path, to: &Path) {
    for entry in walkdir::WalkDir::new(from) {
        let entry = entry.unwrap();
        let at = to.join(entry.path().strip_prefix(from).unwrap());
        if entry.file_type().is_dir() {
            std::fs::create_dir(&at).unwrap();
        } else {
            // Not `fs::copy`: a clone would lie where the original lies.
            Card::new(to).holding(
                entry.path().strip_prefix(from).unwrap(),
                &bytes_of(entry.path()),
            );
        }
    }
}
