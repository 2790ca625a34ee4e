//! What lies below a file system: whether a read past the cache is believed where layers of images,
//! of memory or a journal of data come between, on mounts that root makes.

#![expect(
    clippy::disallowed_methods,
    reason = "tests make their own files and wait for the clock of the system"
)]

use crate::support::mount::{Fault, Kind, Mount, Options};
use crate::support::program::{Card, Work, bytes_of, names_in, put, skip, tool};
use camino::Utf8Path;
use std::path::Path;
use std::process::Command;
use unlade::disk::backing::Backing;
use unlade::disk::buffer::Aligned;
use unlade::disk::os::OsDisk;
use unlade::disk::{Disk as _, ReadBackWay};
use unlade::units::{len_usize, len64};

/// Mounts by root, taken down at the end; what this machine cannot mount is skipped.
struct Mounts<'a> {
    work: &'a Work,
    mounted: Vec<String>,
}

impl<'a> Mounts<'a> {
    /// `None` when the machine lacks something.
    fn new(work: &'a Work) -> Option<Self> {
        let tools = ["mkfs.ext4", "mount", "umount", "losetup"].map(tool);
        let can = rustix::process::geteuid().is_root() && tools.iter().all(Option::is_some);
        can.then(|| Self {
            work,
            mounted: Vec::new(),
        })
    }

    fn run(&self, name: &str, arguments: &[&str]) -> bool {
        let status = Command::new(name)
            .args(arguments)
            .current_dir(self.work.path("."))
            .status();
        status.is_ok_and(|s| s.success())
    }

    /// Makes an image of so many MiB with an ext4 in it.
    fn image(&self, image: &str, mib: u64) {
        std::fs::File::create_new(self.work.path(image))
            .unwrap()
            .set_len(mib << 20)
            .unwrap();
        assert!(self.run("mkfs.ext4", &["-q", "-F", image]));
    }

    fn mount(&mut self, arguments: &[&str]) -> bool {
        let at = (*arguments.last().unwrap()).to_owned();
        std::fs::create_dir_all(self.work.path(&at)).unwrap();
        let is_mounted = self.run("mount", arguments);
        if is_mounted {
            self.mounted.push(at);
        }
        is_mounted
    }
}

impl Drop for Mounts<'_> {
    fn drop(&mut self) {
        for at in self.mounted.iter().rev() {
            if !self.run("umount", &[at]) {
                self.run("umount", &["-l", at]);
            }
        }
    }
}

fn utf8(path: &Path) -> &Utf8Path {
    Utf8Path::from_path(path).unwrap()
}

/// The way in which a file in this folder would be read back.
fn way_in(work: &Work, folder: &str) -> ReadBackWay {
    let path = work.path(folder).join("K.MOV");
    put(&path, &vec![7; 3 << 20]);
    let source = OsDisk::new().open_read_back(utf8(&path)).unwrap();
    source.way()
}

/// Linux accepts direct reads on an ext4 that journals its data and answers them from memory
/// (`ext4_should_use_dio` in the kernel's fs/ext4/file.c); `statx` tells so since Linux 6.1.
#[test]
fn a_file_system_that_only_claims_direct_reads_is_not_believed() {
    let work = Work::with_card("journalled");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting images needs root, losetup and mkfs.ext4");
    };
    mounts.image("plain.img", 32);
    mounts.image("data.img", 32);
    if !mounts.mount(&["-o", "loop,data=journal", "data.img", "d"])
        || !mounts.mount(&["-o", "loop", "plain.img", "p"])
    {
        return skip("this machine mounts no images");
    }
    for (image, at) in [("d", "data.img"), ("p", "plain.img")] {
        let (image, at) = (work.path(at), work.path(image));
        let node = loop_of(&at);
        if !mounts.run("losetup", &["--direct-io=on", &node]) {
            let why = format!("{} takes no direct reads", image.display());
            return skip(&why);
        }
    }
    assert_eq!(way_in(&work, "p"), ReadBackWay::Direct);
    assert_eq!(way_in(&work, "d"), ReadBackWay::Dropped);
    // And what is read comes from the device, part by part, though all of it was just written.
    let path = work.path("d/LATE.MOV");
    let file = std::fs::File::create_new(&path).unwrap();
    let mut source = OsDisk::new().open_read_back(utf8(&path)).unwrap();
    let bytes = 8_u64 << 20;
    std::os::unix::fs::FileExt::write_all_at(&file, &vec![9; len_usize(bytes)], 0).unwrap();
    file.sync_all().unwrap();
    let sectors = || sectors_read(&loop_of(&work.path("d")));
    let before = sectors();
    let mut buffer = Aligned::new(512 << 10);
    let mut at = 0;
    while at < bytes {
        let read = source.read_at(buffer.all_mut(), at).unwrap();
        assert!(read > 0);
        at += len64(read);
    }
    let from_device = (sectors() - before) * 512;
    assert!(from_device >= bytes, "{from_device} of {bytes} bytes");
}

/// The loop device that is mounted in a folder.
fn loop_of(folder: &Path) -> String {
    let mounts = std::fs::read_to_string("/proc/mounts").unwrap();
    let at = folder.canonicalize().unwrap();
    let line = mounts
        .lines()
        .find(|l| l.split(' ').nth(1) == at.to_str())
        .unwrap();
    line.split(' ').next().unwrap().to_owned()
}

/// Sectors of 512 bytes that were read from a block device (Documentation/block/stat.rst of the
/// kernel).
fn sectors_read(node: &str) -> u64 {
    let name = node.strip_prefix("/dev/").unwrap();
    let text = std::fs::read_to_string(format!("/sys/block/{name}/stat")).unwrap();
    text.split_whitespace().nth(2).unwrap().parse().unwrap()
}

/// An image in an image: the outer one is read through the page cache, whatever the inner one does.
#[test]
fn images_are_seen_however_deep_they_lie() {
    let work = Work::with_card("nested");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting images needs root, losetup and mkfs.ext4");
    };
    mounts.image("outer.img", 96);
    if !mounts.mount(&["-o", "loop", "outer.img", "o"]) {
        return skip("this machine mounts no images");
    }
    mounts.image("o/inner.img", 48);
    assert!(mounts.mount(&["-o", "loop", "o/inner.img", "i"]));
    let direct = |at: &str, on: &str| {
        let node = loop_of(&work.path(at));
        mounts.run("losetup", &[&format!("--direct-io={on}"), &node])
    };
    if !direct("i", "on") || !direct("o", "off") {
        return skip("this machine's loop devices take no direct reads");
    }
    assert_eq!(way_in(&work, "i"), ReadBackWay::Dropped);
    assert!(direct("o", "on"));
    assert_eq!(way_in(&work, "i"), ReadBackWay::Direct);
}

/// What is mounted where the offload would lie is another device than the folder it is in.
#[test]
fn a_mount_in_the_offloads_place_is_refused() {
    let work = Work::with_card("mounted-inside");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting needs root");
    };
    if !mounts.mount(&["-t", "tmpfs", "memory", "a/KITES"]) {
        return skip("this machine mounts no tmpfs");
    }
    work.run("copy card --to a --to b --name KITES --copies 1")
        .exits(3)
        .says("is a mount of its own");
    assert!(names_in(&work.path("a/KITES")).is_empty());
    work.run("copy card --to a --to b --name KITES2 --copies 1")
        .exits(0);
}

/// A live system lays a folder in memory over its disk.
#[test]
fn an_overlay_in_memory_proves_nothing() {
    let work = Work::with_card("overlay");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting an overlay needs root");
    };
    let is_up = mounts.mount(&["-t", "tmpfs", "memory", "m"]);
    for folder in ["m/up", "m/work", "low"] {
        std::fs::create_dir_all(work.path(folder)).unwrap();
    }
    let options = format!(
        "lowerdir={},upperdir={},workdir={}",
        work.path("low").display(),
        work.path("m/up").display(),
        work.path("m/work").display()
    );
    if !is_up || !mounts.mount(&["-t", "overlay", "overlay", "-o", &options, "v"]) {
        return skip("this machine mounts no overlay");
    }
    assert_eq!(way_in(&work, "v"), ReadBackWay::Cached);
    work.run("copy card --to v --copies 1 --name KITES")
        .exits(1)
        .says("NOT PROVEN");
    // On a disk it is that disk.
    std::fs::create_dir_all(work.path("up2")).unwrap();
    std::fs::create_dir_all(work.path("work2")).unwrap();
    let options = format!(
        "lowerdir={},upperdir={},workdir={}",
        work.path("low").display(),
        work.path("up2").display(),
        work.path("work2").display()
    );
    if !mounts.mount(&["-t", "overlay", "overlay", "-o", &options, "v2"]) {
        return skip("this machine's disk takes no overlay");
    }
    work.run("copy card --to v2 --to a --separate --name KITES")
        .exits(1)
        .says("one physical disk");
}

/// Mounts a folder over others.
fn overlay(mounts: &mut Mounts<'_>, lower: &str, upper: &str, work: &str, at: &str) -> bool {
    for folder in [lower, upper, work] {
        std::fs::create_dir_all(mounts.work.path(folder)).unwrap();
    }
    let [l, u, w] = [lower, upper, work].map(|folder| mounts.work.path(folder));
    let (l, u, w) = (l.display(), u.display(), w.display());
    let options = format!("lowerdir={l},upperdir={u},workdir={w}");
    mounts.mount(&["-t", "overlay", "overlay", "-o", &options, at])
}

fn backing(work: &Work, folder: &str) -> Backing {
    OsDisk::new()
        .facts(utf8(&work.path(folder)))
        .unwrap()
        .backing
}

#[test]
fn images_are_seen_below_an_overlay() {
    let work = Work::with_card("overlay-image");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting images needs root, losetup and mkfs.ext4");
    };
    mounts.image("up.img", 48);
    mounts.image("low.img", 48);
    for at in ["up", "low"] {
        if !mounts.mount(&["-o", "loop", &format!("{at}.img"), at]) {
            return skip("this machine mounts no images");
        }
    }
    let direct = |at: &str, on: &str| {
        let node = loop_of(&work.path(at));
        mounts.run("losetup", &[&format!("--direct-io={on}"), &node])
    };
    if !direct("up", "on") || !direct("low", "on") {
        return skip("this machine's loop devices take no direct reads");
    }
    if !overlay(&mut mounts, "low/l", "up/u", "up/w", "v") {
        return skip("this machine mounts no overlay");
    }
    assert_eq!(way_in(&work, "v"), ReadBackWay::Direct);
    for through_cache in ["up", "low"] {
        let direct = |on: &str| {
            let node = loop_of(&work.path(through_cache));
            mounts.run("losetup", &[&format!("--direct-io={on}"), &node])
        };
        assert!(direct("off"));
        assert_eq!(way_in(&work, "v"), ReadBackWay::Dropped, "{through_cache}");
        assert!(direct("on"));
    }
}

/// Files that were there before come from the folder below.
#[test]
fn an_overlay_over_memory_proves_nothing_either() {
    let work = Work::with_card("overlay-low");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting an overlay needs root");
    };
    if !mounts.mount(&["-t", "tmpfs", "memory", "m"])
        || !overlay(&mut mounts, "m/low", "up", "work", "v")
    {
        return skip("this machine mounts no overlay");
    }
    assert_eq!(backing(&work, "v"), Backing::Memory);
    assert_eq!(way_in(&work, "v"), ReadBackWay::Cached);
    // It is said before the first byte.
    work.run("plan card --to v --copies 1")
        .exits(0)
        .says("will not count");
}

/// The path of an overlay's upper folder leads elsewhere when something is mounted over it.
#[test]
fn an_overlays_folder_that_is_covered_is_not_taken_for_another() {
    let work = Work::with_card("overlay-covered");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting an overlay needs root");
    };
    if !mounts.mount(&["-t", "tmpfs", "memory", "m"])
        || !overlay(&mut mounts, "low", "m/up", "m/work", "v")
    {
        return skip("this machine mounts no overlay");
    }
    assert_eq!(backing(&work, "v"), Backing::Memory);
    // Dates within one tick of the clock are equal.
    std::thread::sleep(std::time::Duration::from_millis(50));
    work.folder("disk/up");
    assert!(mounts.mount(&["--bind", "disk", "m"]));
    assert!(matches!(backing(&work, "v"), Backing::Unknown { .. }));
    assert_eq!(way_in(&work, "v"), ReadBackWay::Cached);
}

/// The kernel is asked which file a loop device shows: its path may lead to another by now.
#[test]
fn an_image_whose_path_is_covered_is_where_it_really_is() {
    let work = Work::with_card("covered");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting images needs root, losetup and mkfs.ext4");
    };
    if !mounts.mount(&["-t", "tmpfs", "memory", "m"]) {
        return skip("this machine mounts no tmpfs");
    }
    work.folder("x");
    mounts.image("m/k.img", 32);
    mounts.image("x/k.img", 32);
    for (image, at) in [("m/k.img", "in-memory"), ("x/k.img", "on-disk")] {
        if !mounts.mount(&["-o", "loop", image, at]) {
            return skip("this machine mounts no images");
        }
    }
    let disk = backing(&work, "on-disk");
    assert!(matches!(disk, Backing::Disks(_)), "{disk:?}");
    assert_eq!(backing(&work, "in-memory"), Backing::Memory);
    // Each path now leads to the other's kind of place.
    assert!(mounts.mount(&["-t", "tmpfs", "memory", "y"]));
    mounts.image("y/k.img", 32);
    assert!(mounts.mount(&["--bind", "x", "m"]));
    assert!(mounts.mount(&["--bind", "y", "x"]));
    assert_eq!(backing(&work, "in-memory"), Backing::Memory);
    assert_eq!(backing(&work, "on-disk"), disk);
    // It can't be reached to be dropped from memory.
    assert_eq!(way_in(&work, "on-disk"), ReadBackWay::Cached);
}

/// Another program that has a file's pages in use keeps them in memory, however often they are
/// dropped.
#[test]
fn pages_that_somebody_keeps_in_memory_are_no_read_from_the_device() {
    let work = Work::with_card("kept-in-memory");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting images needs root, losetup and mkfs.ext4");
    };
    mounts.image("data.img", 32);
    if !mounts.mount(&["-o", "loop,data=journal", "data.img", "d"]) {
        return skip("this machine mounts no images");
    }
    let Some(sleep) = tool("sleep") else {
        return skip("a program to run is missing");
    };
    let path = work.path("d/sleep");
    std::fs::copy(sleep, &path).unwrap();
    let mut buffer = Aligned::new(1 << 20);
    let mut read = || {
        let mut source = OsDisk::new().open_read_back(utf8(&path)).unwrap();
        assert!(source.read_at(buffer.all_mut(), 0).unwrap() > 10_000);
        source.way()
    };
    assert_eq!(read(), ReadBackWay::Dropped);
    // A program that runs has its own file mapped, once it has got so far.
    let mut running = Command::new(&path).arg("60").spawn().unwrap();
    let mut ways = (0..100).map(|_| {
        std::thread::sleep(std::time::Duration::from_millis(20));
        read()
    });
    let way = ways.find(|way| *way == ReadBackWay::Cached);
    running.kill().unwrap();
    running.wait().unwrap();
    assert_eq!(way, Some(ReadBackWay::Cached));
    assert_eq!(read(), ReadBackWay::Dropped);
}

/// The card's device decides, not what its folders are called.
#[test]
fn a_destination_on_the_cards_own_device_is_refused() {
    let work = Work::with_card("on-the-card");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting images needs root, losetup and mkfs.ext4");
    };
    mounts.image("card.img", 32);
    if !mounts.mount(&["-o", "loop", "card.img", "c"]) {
        return skip("this machine mounts no images");
    }
    work.folder("c/A001.RDM");
    work.folder("c/bk");
    put(&work.path("c/A001.RDM/A001_C001.R3D"), &[7; 5_000]);
    work.run("copy c/A001.RDM --to c/bk --to a --copies 1")
        .exits(3)
        .says("is on the card itself");
    assert!(names_in(&work.path("c/bk")).is_empty());
    assert!(names_in(&work.path("a")).is_empty());
}

/// A clone made block by block has everything that its drive had, also the record that all was read
/// back.
#[test]
fn a_clone_of_a_drive_was_never_read_back() {
    let work = Work::with_card("clone");
    let Some(mut mounts) = Mounts::new(&work) else {
        return skip("mounting images needs root, losetup and mkfs.ext4");
    };
    mounts.image("one.img", 48);
    if !mounts.mount(&["-o", "loop", "one.img", "one"]) {
        return skip("this machine mounts no images");
    }
    work.run("copy card --to one --copies 1 --name KITES")
        .exits(0);
    work.run("prove card --on one --copies 1").exits(0);
    assert!(mounts.run("umount", &["one"]));
    mounts.mounted.pop();
    put(&work.path("two.img"), &bytes_of(&work.path("one.img")));
    for (image, at) in [("one.img", "one"), ("two.img", "two")] {
        assert!(mounts.mount(&["-o", "loop", image, at]));
    }
    for on in ["--on two", "--on one --on two"] {
        work.run(&format!("prove card {on} --copies 1"))
            .exits(1)
            .says("have one identity");
    }
    work.run("prove card --on two --copies 1 --reread").exits(0);
    // Nobody is told to do what was just done.
    work.run("prove card --on one --on two --copies 2 --reread")
        .exits(1)
        .says("have one identity")
        .says("what was read now")
        .is_silent_of("again with --reread");
}

/// Behind a mount of an unknown kind there may be a FAT32; that is found out before the first byte.
#[test]
fn a_drive_that_takes_no_large_file_is_refused_before_the_first_byte() {
    if crate::support::mount::skip() {
        return;
    }
    let work = Work::with_card("fat32-behind");
    Card::new(&work.path("card")).file("PRIVATE/CLIPS/C0002.MP4", 1, 1);
    let clip = work.path("card/PRIVATE/CLIPS/C0002.MP4");
    let clip = std::fs::File::options().write(true).open(clip).unwrap();
    clip.set_len((1 << 32) + 1).unwrap();
    let (file_too_large, part) = (27, "*.size.unlade-part");
    let kind = Kind::OpError {
        op: "setattr",
        errno: file_too_large,
    };
    let options = Options {
        faults: vec![Fault::new(kind).path(part)],
        ..Options::default()
    };
    let drive = Mount::new(&work.folder("back"), &work.folder("drive"), options).unwrap();
    work.run("plan card --to drive --copies 1")
        .exits(0)
        .says("4 GiB and more");
    assert!(
        names_in(&work.path("back")).is_empty(),
        "a plan writes nothing"
    );
    // What a run that was killed left is taken away.
    put(&work.path("drive/.size.unlade-part"), b"");
    work.run("copy card --to drive --copies 1 --name KITES")
        .exits(3)
        .says("cannot hold a file of");
    assert!(names_in(&work.path("back")).is_empty());
    assert_eq!(drive.fired("OpError"), 1);
    drop(drive);
    // Where it is taken, nothing stays of the try.
    let disk = OsDisk::new();
    disk.try_size(utf8(&work.path("a")), (1 << 32) + 1).unwrap();
    assert!(names_in(&work.path("a")).is_empty());
}

/// Past this computer's memory is the program's, or the server's.
#[test]
fn how_far_a_read_back_reaches_is_said() {
    if crate::support::mount::skip() {
        return;
    }
    let work = Work::with_card("far");
    let drive = Mount::new(
        &work.folder("back"),
        &work.folder("drive"),
        Options::default(),
    );
    let _drive = drive.unwrap();
    work.run("copy card --to drive --copies 1 --name KITES")
        .exits(0)
        .says("to the program that shows it at best");
    work.run("verify drive/KITES")
        .exits(0)
        .says("to the program that shows it at best");
    let page = bytes_of(&work.path("back/KITES/_unlade/report.html"));
    let page = String::from_utf8(page).unwrap();
    assert!(page.contains("from the program that shows it at best"));
    work.run("copy card --to a --copies 1 --name KITES")
        .exits(0)
        .is_silent_of("at best");
}
