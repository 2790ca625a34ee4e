//! What lies below a file system: whether a read past the cache is believed where layers of images, of
//! memory or a journal of data come between, on mounts that root makes.

use crate::support::program::{Work, put, skip, tool};
use camino::Utf8Path;
use std::path::Path;
use std::process::Command;
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

/// Sectors of 512 bytes that were read from a block device (Documentation/block/stat.rst of the kernel).
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
    assert!(crate::support::program::names_in(&work.path("a/KITES")).is_empty());
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
