//! Owns the checks of what can be asked of the page cache, and of what lies below a drive.
#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use super::super::page_cache::*;
use super::*;
use crate::sys::linux::{mapped_pages_in_memory, pages_in_memory};
use rustix::io::Errno;
use std::io::{Seek as _, Write as _};
use std::path::PathBuf;

/// A file on the disk that this program lies on.
fn file_on_disk() -> File {
    let program = std::env::current_exe().unwrap();
    tempfile::tempfile_in(program.parent().unwrap()).unwrap()
}

/// As kernels before 6.5 answer.
fn not_known(_: &File, _: u64, _: u64) -> io::Result<u64> {
    Err(Errno::NOSYS.into())
}

/// A file of 100 kB, all of it on its device and none in memory; reads of it do not read ahead.
fn dropped_file() -> File {
    let mut file = file_on_disk();
    file.write_all(&vec![7; 100_000]).unwrap();
    file.rewind().unwrap();
    file.sync_all().unwrap();
    hint(&file, 0, 0, Advice::Random);
    drop_pages(&file, 0, 100_000);
    file
}

#[test]
fn what_is_in_memory_is_told_in_every_way() {
    let mut file = file_on_disk();
    file.write_all(&vec![7; 100_000]).unwrap();
    file.rewind().unwrap();
    // What was just written is there and stays until it is on the device.
    let count = pages_in_memory(&file, 0, 100_000);
    assert!(count.map_or_else(|e| e.kind() == io::ErrorKind::Unsupported, |n| n > 0));
    let (there, all) = mapped_pages_in_memory(&file, 0, 100_000).unwrap();
    assert!(
        there > 0 && there < all,
        "{there} of {all}: what is behind the end is not there"
    );
    assert_eq!(first_is_in_memory(&file, 0), Some(true));
    file.sync_all().unwrap();
    hint(&file, 0, 0, Advice::Random);
    drop_pages(&file, 0, 100_000);
    // Not the first byte: a read that may not wait can begin to read ahead, and a quick disk has
    // answered by then.
    for count in [pages_in_memory, not_known] {
        assert!(!stays_in_memory(&file, 0, 100_000, count));
    }
}

/// It has begun to be read back by then, and the date that it gets at its end hides what was
/// written.
#[test]
fn another_program_that_writes_into_a_long_part_is_seen_at_its_end() {
    use crate::disk::{Disk as _, EntryKind};
    let folder = tempfile::tempdir_in(std::env::current_exe().unwrap().parent().unwrap()).unwrap();
    let path = camino::Utf8Path::from_path(folder.path()).unwrap();
    let disk = crate::disk::os::OsDisk::default();
    let date = Stamp {
        seconds: 0,
        nanos: 0,
    };
    for (large, is_seen) in [(true, true), (false, false)] {
        let path = path.join(format!(".{large}.unlade-part"));
        let part = disk.create_part(&path, large).unwrap();
        assert_eq!(disk.look(&path).unwrap().unwrap().kind, EntryKind::File);
        // Readers are no writers, and neither is who looks.
        drop(File::open(&path).unwrap());
        let other = File::options().write(true).open(&path).unwrap();
        other.write_all_at(b"ZZ", 0).unwrap();
        drop(other);
        assert!(part.finish(2, date).is_ok());
        assert_eq!(part.had_other_writer(), is_seen);
        let path = path.with_extension("again");
        let part = disk.create_part(&path, large).unwrap();
        assert!(part.finish(0, date).is_ok());
        assert!(!part.had_other_writer(), "nobody else wrote");
    }
}

/// Every page counts, and not the first one alone.
#[test]
fn a_page_in_the_middle_is_seen_before_linux_6_5_as_well() {
    let file = dropped_file();
    file.read_at(&mut [0], 80_000).unwrap();
    let told = mapped_pages_in_memory(&file, 0, 100_000).unwrap();
    assert!(is_in_memory(Some(told), || Some(false)), "{told:?}");
}

/// tmpfs drops nothing and knows no read that may not wait: an error is no "not in memory".
#[test]
fn what_never_leaves_memory_is_seen_before_linux_6_5_as_well() {
    let mut file = tempfile::tempfile_in("/dev/shm").unwrap();
    file.write_all(&[7; 10_000]).unwrap();
    assert!(stays_in_memory(&file, 0, 10_000, not_known));
}

#[test]
fn who_cannot_be_told_takes_it_to_be_in_memory() {
    // Some pages and not others: that is an answer.
    assert!(is_in_memory(Some((1, 32)), || Some(false)));
    assert!(!is_in_memory(Some((0, 32)), || None));
    // All of them is what strangers are told; then the first byte decides.
    assert!(!is_in_memory(Some((32, 32)), || Some(false)));
    assert!(is_in_memory(Some((32, 32)), || Some(true)));
    assert!(is_in_memory(Some((32, 32)), || None));
    assert!(!is_in_memory(None, || Some(false)));
    assert!(is_in_memory(None, || None));
}

#[test]
fn a_read_back_that_only_memory_can_answer_is_known_before() {
    let with = |filesystem: &str, layers: &[Layer]| Volume {
        mount_point: "/media/KITES".into(),
        mount_root: "/".to_owned(),
        filesystem: filesystem.to_owned(),
        source: "/dev/sdz1".to_owned(),
        device_node: None,
        volume_id: None,
        label: None,
        read_only: false,
        backing: Backing::disk("sdz"),
        own_disk: None,
        rotational: None,
        layers: layers.to_vec(),
    };
    let why = |layers: &[Layer]| only_from_memory(Path::new("/"), &with("ext4", layers));
    let files = |filesystem: &str, node: Option<&Path>| Layer::Files {
        filesystem: filesystem.to_owned(),
        source: "/dev/sdz1".to_owned(),
        node: node.map(Path::to_path_buf),
    };
    assert_eq!(why(&[files("ext4", None)]), None);
    assert!(why(&[files("fuseblk", None)]).is_some());
    // Its device may not be opened, as by most people.
    let absent = Path::new("/dev/no-such-device");
    let told = why(&[files("fuseblk", Some(absent))]).unwrap();
    assert!(told.contains("no-such-device"), "{told}");
    let program = std::env::current_exe().unwrap();
    assert_eq!(why(&[files("fuseblk", Some(&program))]), None);
    // Deeper down as well: an image that lies on such a drive, or in memory.
    assert!(why(&[files("tmpfs", None), files("ext4", None)]).is_some());
    let image = |file: Option<PathBuf>| Layer::Image {
        device: "no-loop".to_owned(),
        file,
    };
    assert_eq!(why(&[image(Some(program))]), None);
    assert!(why(&[image(None)]).is_some());
    assert!(why(&[Layer::Hidden]).is_some());
    // A program that shows an image says where it lies as it was told, which may be from the folder
    // that it was started in.
    assert!(why(&[files("fuse.ext4", None)]).is_some());
    assert!(why(&[files("fuse.ntfs-3g", None)]).is_some());
    assert_eq!(
        why(&[files("fuse.sshfs", None)]),
        None,
        "the far end's memory"
    );
}
