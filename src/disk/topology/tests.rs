//! Owns the checks of the topology against recorded trees (`fixtures/trees`) and this machine.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test fails by panicking"
)]

use super::super::recorded::Recorded;
use super::error::TopologyError;
use super::kind::{BlockDeviceKind, kind_of};
use super::mounts::MOUNT_TABLE;
use super::text::{unescape, unescape_hex};
use super::tree::SystemRoot;
use super::volume::{Layer, MountedVolume};
use super::volume_of;
use crate::disk::backing::{Backing, IndependenceReason, device_key, independent};
use std::fs;
use std::io::Write as _;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

impl Recorded {
    fn ask(&self, path: &str, dev: (u32, u32)) -> MountedVolume {
        volume_of(self.top(), Path::new(path), dev, &|_| None).unwrap()
    }

    fn backing(&self, path: &str, dev: (u32, u32)) -> Backing {
        self.ask(path, dev).backing
    }

    /// Counts folders, without and with the person's word that they are separate.
    fn count(&self, folders: &[(&str, (u32, u32))]) -> (usize, usize) {
        let asked: Vec<(Backing, u64)> = folders
            .iter()
            .map(|(path, dev)| {
                let number = u64::from(dev.0) * 1_000_000 + u64::from(dev.1);
                (self.backing(path, *dev), number)
            })
            .collect();
        let asked: Vec<(&Backing, u64)> = asked.iter().map(|(b, n)| (b, *n)).collect();
        (
            independent(&asked, false).count,
            independent(&asked, true).count,
        )
    }
}

fn disks(names: &[&str]) -> Backing {
    Backing::Disks(names.iter().map(|&n| n.to_owned()).collect())
}

fn why(backing: &Backing) -> &str {
    match backing {
        Backing::Unknown { why, .. } => why,
        other => panic!("{other:?}"),
    }
}

#[test]
fn two_usb_disks_are_two() {
    let tree = Recorded::load("two-usb");
    let first = tree.ask("/media/field/KRILL/shots", (8, 17));
    assert_eq!(
        first,
        MountedVolume {
            mount_point: "/media/field/KRILL".into(),
            mount_root: "/".into(),
            filesystem: "exfat".into(),
            source: "/dev/sdb1".into(),
            device_node: Some("/dev/sdb1".into()),
            volume_id: Some("5C1E-90AB".into()),
            label: Some("KRILL two".into()),
            read_only: false,
            backing: disks(&["sdb"]),
            rotational: Some(true),
            own_disk: Some("sdb".into()),
            layers: vec![Layer::Files {
                filesystem: "exfat".into(),
                source: "/dev/sdb1".into(),
                node: Some("/dev/sdb1".into()),
            }],
        }
    );
    let second = tree.ask("/media/field/MOTH", (8, 33));
    assert_eq!(second.backing, disks(&["sdc"]));
    assert!(second.read_only);
    assert_eq!(second.label, None);
    assert_eq!(second.rotational, Some(false));
    let both = [
        ("/media/field/KRILL", (8, 17)),
        ("/media/field/MOTH", (8, 33)),
    ];
    assert_eq!(tree.count(&both), (2, 2));
}

#[test]
fn empty_mount_point_is_the_system_disk() {
    let tree = Recorded::load("two-usb");
    let volume = tree.ask("/media/field/NOT-MOUNTED", (259, 2));
    assert_eq!(volume.mount_point, Path::new("/"));
    assert_eq!(volume.backing, disks(&["nvme0n1"]));
    // Only whole names count as prefixes.
    let volume = tree.ask("/media/field/KRILLING", (259, 2));
    assert_eq!(volume.mount_point, Path::new("/"));
}

#[test]
fn two_partitions_are_one() {
    let tree = Recorded::load("two-partitions");
    let both = [("/media/field/ONE", (8, 17)), ("/media/field/TWO", (8, 18))];
    assert_eq!(tree.count(&both), (1, 1));
    // What is on the one goes when a camera formats the device for the other.
    for (path, dev) in both {
        assert_eq!(tree.ask(path, dev).own_disk.as_deref(), Some("sdb"));
    }
}

#[test]
fn namespaces_are_one_and_remote_ones_unknown() {
    let tree = Recorded::load("namespaces");
    let both = [("/mnt/one", (259, 5)), ("/mnt/two", (259, 6))];
    assert_eq!(tree.backing("/mnt/one", (259, 5)), disks(&["nvme1n1"]));
    assert_eq!(tree.count(&both), (1, 1));
    let far = tree.backing("/mnt/far", (259, 7));
    assert!(why(&far).contains("network"), "{far:?}");
}

#[test]
fn bind_mount_is_one() {
    let tree = Recorded::load("bind");
    let second = tree.ask("/srv/second/deep", (8, 17));
    assert_eq!(second.mount_point, Path::new("/srv/second"));
    assert_eq!(second.mount_root, "/jobs/second");
    let both = [("/media/field/KRILL", (8, 17)), ("/srv/second", (8, 17))];
    assert_eq!(tree.count(&both), (1, 1));
}

#[test]
fn encrypted_volume_is_on_its_disk() {
    let tree = Recorded::load("luks-lvm");
    let locked = tree.ask("/media/field/LOCKED", (253, 1));
    assert_eq!(locked.backing, disks(&["sdb"]));
    assert_eq!(locked.device_node, Some("/dev/dm-1".into()));
    assert_eq!(locked.own_disk, None);
    assert_eq!(
        locked.volume_id.as_deref(),
        Some("6f2f4a0e-3a0c-4f0b-8f5e-d1b3a8a1c001")
    );
    let both = [
        ("/media/field/LOCKED", (253, 1)),
        ("/media/field/PLAIN", (8, 17)),
    ];
    assert_eq!(tree.count(&both), (1, 1));
}

#[test]
fn mirror_shares_each_of_its_disks() {
    let tree = Recorded::load("md-mirror");
    let mirror = ("/mnt/mirror", (259, 9));
    assert_eq!(tree.backing(mirror.0, mirror.1), disks(&["sdb", "sdc"]));
    assert_eq!(tree.count(&[mirror, ("/mnt/rest", (8, 34))]), (1, 1));
    assert_eq!(tree.count(&[mirror, ("/mnt/other", (8, 49))]), (2, 2));
}

#[test]
fn log_on_another_disk_counts() {
    let tree = Recorded::load("xfs-log");
    let both = [("/mnt/big", (8, 17)), ("/mnt/rest", (8, 33))];
    assert_eq!(tree.backing("/mnt/big", (8, 17)), disks(&["sdb", "sdc"]));
    assert_eq!(tree.count(&both), (1, 1));
}

#[test]
fn loop_files_are_where_their_file_is() {
    let tree = Recorded::load("loops");
    assert_eq!(tree.backing("/mnt/inner", (7, 0)), disks(&["sdb"]));
    assert_eq!(tree.backing("/mnt/deeper", (259, 11)), disks(&["sdb"]));
    assert_eq!(tree.backing("/mnt/other", (7, 2)), disks(&["sdc"]));
    assert_eq!(tree.backing("/mnt/raw", (7, 5)), disks(&["sdb"]));
    assert_eq!(tree.backing("/mnt/quick", (7, 6)), Backing::Memory);
    // A disk's image does not go with another volume on the disk that holds it.
    assert_eq!(tree.ask("/mnt/inner", (7, 0)).own_disk, None);
    let outer = ("/media/field/KRILL", (8, 17));
    let deeper = ("/mnt/deeper", (259, 11));
    assert_eq!(tree.count(&[outer, ("/mnt/inner", (7, 0))]), (1, 1));
    assert_eq!(tree.count(&[outer, deeper]), (1, 1));
    assert_eq!(tree.count(&[outer, ("/mnt/other", (7, 2))]), (2, 2));
}

#[test]
fn loop_files_that_cannot_be_found_are_unknown() {
    let tree = Recorded::load("loops");
    let gone = tree.backing("/mnt/gone1", (259, 12));
    assert!(why(&gone).contains("has been deleted"), "{gone:?}");
    let absent = tree.backing("/mnt/absent", (7, 4));
    assert!(why(&absent).contains("absent.img"), "{absent:?}");
    // Two partitions of one unknown thing are one, whatever the person says.
    let both = [("/mnt/gone1", (259, 12)), ("/mnt/gone2", (259, 13))];
    assert_eq!(tree.count(&both), (1, 1));
    let mixed = [("/mnt/gone1", (259, 12)), ("/mnt/absent", (7, 4))];
    assert_eq!(tree.count(&mixed), (1, 2));
}

#[test]
fn circle_ends_as_unknown() {
    let tree = Recorded::load("loop-circle");
    let backing = tree.backing("/mnt/self", (7, 0));
    assert!(why(&backing).contains("layers"), "{backing:?}");
    let backing = tree.backing("/mnt/turn", (253, 0));
    assert!(why(&backing).contains("layers"), "{backing:?}");
}

#[test]
fn subvolumes_are_one_and_cover_all_devices() {
    let tree = Recorded::load("btrfs");
    // st_dev of a subvolume is in no line of the mount table.
    let first = tree.ask("/mnt/first/a", (0, 44));
    assert_eq!(first.backing, disks(&["sdb", "sdc"]));
    assert_eq!(first.mount_root, "/@first");
    assert_eq!(first.label.as_deref(), Some("pair"));
    assert_eq!(
        first.volume_id.as_deref(),
        Some("9d0f6f0c-6a55-4f6e-8a53-2f1a6f8ce001")
    );
    let subvolume = ("/mnt/first", (0, 44));
    assert_eq!(tree.count(&[subvolume, ("/mnt/second", (0, 45))]), (1, 1));
    assert_eq!(tree.count(&[subvolume, ("/mnt/rest", (8, 34))]), (1, 1));
    assert_eq!(tree.count(&[subvolume, ("/mnt/alone", (0, 47))]), (2, 2));
    let alone = tree.ask("/mnt/alone", (0, 47));
    assert_eq!((alone.backing, alone.label), (disks(&["sdd"]), None));
}

#[test]
fn unlisted_btrfs_is_unknown_but_not_free_of_its_source() {
    let tree = Recorded::load("btrfs");
    let unlisted = ("/mnt/unlisted", (0, 52));
    assert!(why(&tree.backing(unlisted.0, unlisted.1)).contains("btrfs"));
    assert_eq!(tree.count(&[unlisted, ("/mnt/e", (8, 64))]), (1, 1));
    assert_eq!(tree.count(&[unlisted, ("/mnt/rest", (8, 34))]), (1, 2));
    let twice = [unlisted, ("/mnt/unlisted/sub", (0, 53))];
    assert_eq!(tree.count(&twice), (1, 1));
}

#[test]
fn programs_are_unknown_except_on_a_block_device() {
    let tree = Recorded::load("fuse");
    let windows = tree.ask("/media/field/WIN", (8, 17));
    assert_eq!(windows.backing, disks(&["sdb"]));
    assert_eq!(windows.filesystem, "fuseblk");
    let by_source = tree.ask("/media/field/WIN0", (0, 70));
    assert_eq!(by_source.backing, disks(&["sdb"]));
    assert_eq!(by_source.device_node, Some("/dev/sdb1".into()));
    let pass = ("/mnt/pass", (0, 52));
    assert!(why(&tree.backing(pass.0, pass.1)).contains("passthrough"));
    assert!(why(&tree.backing("/mnt/union", (0, 53))).contains("program"));
    assert_eq!(tree.count(&[pass, ("/media/field/EXT", (8, 18))]), (1, 2));
    // A loop file inside is still in the same place as its folder.
    assert_eq!(tree.count(&[pass, ("/mnt/inpass", (7, 0))]), (1, 1));
}

#[test]
fn what_is_elsewhere_is_unknown_with_a_reason() {
    let tree = Recorded::load("elsewhere");
    for (path, dev, word) in [
        ("/mnt/nas", (0, 55), "network folder"),
        ("/mnt/win", (0, 56), "network folder"),
        ("/mnt/layer", (0, 57), "laid over"),
        ("/mnt/layer", (0, 157), "laid over"),
        ("/tank/one", (0, 58), "pool tank"),
        ("/mnt/host", (0, 61), "runs this one"),
        ("/mnt/odd", (0, 62), "strangefs does not say"),
        ("/mnt/iscsi", (8, 16), "iSCSI"),
        ("/mnt/nbd", (43, 0), "network"),
        ("/mnt/odd0", (240, 0), "odd0 is a kind"),
        ("/mnt/nosys", (8, 240), "does not describe disk 8:240"),
        ("/mnt/nas", (8, 16), "does not list disk 8:16"),
    ] {
        let backing = tree.backing(path, dev);
        assert!(why(&backing).contains(word), "{path}: {backing:?}");
    }
    assert_eq!(tree.backing("/mnt/made", (8, 32)), Backing::Memory);
    let nas = ("/mnt/nas", (0, 55));
    assert_eq!(tree.count(&[nas, ("/", (259, 2))]), (1, 2));
    assert_eq!(tree.count(&[nas, ("/mnt/win", (0, 56))]), (1, 2));
    // The same pool is the same pool.
    let pool = [("/tank/one", (0, 58)), ("/tank/two", (0, 59))];
    assert_eq!(tree.count(&pool), (1, 1));
}

#[test]
fn memory_counts_as_nothing() {
    let tree = Recorded::load("memory");
    let disk = ("/mnt/disk", (8, 17));
    for (path, dev) in [
        ("/run/quick", (0, 60)),
        ("/mnt/squeezed", (252, 1)),
        ("/mnt/half", (9, 0)),
    ] {
        assert_eq!(tree.backing(path, dev), Backing::Memory, "{path}");
        assert_eq!(tree.count(&[(path, dev), disk]), (1, 1));
        assert_eq!(tree.count(&[(path, dev)]), (0, 0));
    }
}

#[test]
fn layers_of_caches_and_network_mirrors() {
    let tree = Recorded::load("bcache");
    let cached = tree.backing("/mnt/cached", (251, 0));
    assert_eq!(cached, disks(&["nvme0n1", "sdb"]));
    let both = [("/mnt/drbd", (147, 0)), ("/mnt/rest", (8, 34))];
    assert_eq!(tree.count(&both), (1, 1));
    let bare = tree.backing("/mnt/bare", (251, 128));
    assert!(why(&bare).contains("bcache1"), "{bare:?}");
}

#[test]
fn mount_points_are_unescaped() {
    let tree = Recorded::load("blanks");
    let first = tree.ask("/media/field/Krill two\tx/day", (8, 17));
    assert_eq!(first.mount_point, Path::new("/media/field/Krill two\tx"));
    assert_eq!(first.mount_root, "/a b");
    let second = tree.ask("/media/field/back\\slash", (8, 33));
    assert_eq!(second.backing, disks(&["sdc"]));
    assert_eq!(tree.ask("/mnt/empty", (0, 80)).source, "");
}

#[test]
fn visible_mount_wins() {
    let tree = Recorded::load("over-mounted");
    let top = tree.ask("/mnt/x", (8, 33));
    assert_eq!(top.backing, disks(&["sdc"]));
    // The device of the folder decides when it is that of the hidden one.
    assert_eq!(tree.backing("/mnt/x/in", (8, 33)), disks(&["sdc"]));
    assert_eq!(tree.backing("/mnt/x", (8, 17)), disks(&["sdb"]));
}

/// The path of a loop device's file is that of the day it was set up. Only the kernel knows what it
/// shows.
#[test]
fn a_loop_file_is_where_the_kernel_says() {
    let tree = Recorded::load("over-mounted");
    let ask = |mounted: &str, dev, asked: Option<(u64, u64)>| {
        volume_of(tree.top(), Path::new(mounted), dev, &|_| asked).unwrap()
    };
    let at = |path: &str| {
        let meta = fs::metadata(tree.place(path)).unwrap();
        Some((meta.dev(), meta.ino()))
    };
    // It is what its path shows: the walk must not enter the hidden mount.
    let shown = ask("/mnt/loop", (7, 0), at("/mnt/x/in/disk.img"));
    assert_eq!(shown.backing, disks(&["sdc"]));
    let file = Some("/mnt/x/in/disk.img".into());
    let device = "loop0".to_owned();
    assert!(shown.layers.contains(&Layer::Image { device, file }));
    // Of two mounts side by side on one folder the later line counts.
    let shown = ask("/mnt/loop2", (7, 1), at("/mnt/y/disk.img"));
    assert_eq!(shown.backing, disks(&["sdb"]));
    // It is another file: its own device decides, and it can't be reached by its path.
    let hidden = ask("/mnt/loop", (7, 0), Some((rustix::fs::makedev(8, 49), 7)));
    assert_eq!(hidden.backing, disks(&["sdd"]));
    let (device, file) = ("loop0".to_owned(), None);
    assert!(hidden.layers.contains(&Layer::Image { device, file }));
    let away = ask("/mnt/loop", (7, 0), Some((rustix::fs::makedev(8, 99), 7)));
    assert!(why(&away.backing).contains("need not show"), "{away:?}");
    // Nobody may ask: where two things are mounted in one place, it may be either.
    for (mounted, dev) in [("/mnt/loop", (7, 0)), ("/mnt/loop2", (7, 1))] {
        let told = ask(mounted, dev, None).backing;
        assert!(why(&told).contains("need not show"), "{told:?}");
    }
    // And a device of another size shows another file.
    let tree = Recorded::load("loops");
    assert_eq!(tree.backing("/mnt/inner", (7, 0)), disks(&["sdb"]));
    let size = tree.place("/sys/devices/virtual/block/loop0/size");
    let mut size = fs::OpenOptions::new()
        .create(true)
        .write(true)
        .truncate(true)
        .open(size)
        .unwrap();
    size.write_all(b"131072\n").unwrap();
    let told = tree.backing("/mnt/inner", (7, 0));
    assert!(why(&told).contains("need not show"), "{told:?}");
}

/// An image below any member of a btrfs is one that has to be dropped from memory.
#[test]
fn images_below_every_member_are_met() {
    let fixture = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/trees/loops.txt");
    let lines = fs::read_to_string(fixture).unwrap();
    let members = "/sys/fs/btrfs/9d0f6f0c-6a55-4f6e-8a53-2f1a6f8ce001/devices";
    let sdb2 = "/sys/class/block/sdb2";
    let tree = Recorded::write(&format!(
        "{lines}link {members}/sdb2 -> {sdb2}\nlink {members}/loop0 -> /sys/class/block/loop0\n\
         mount 90 1 0:43 / /mnt/pair rw - btrfs /dev/sdb2 rw\n"
    ));
    let volume = tree.ask("/mnt/pair", (0, 44));
    let of_loop =
        |l: &&Layer| matches!(l, Layer::Image { device, file: Some(_) } if device == "loop0");
    assert_eq!(
        volume.layers.iter().filter(of_loop).count(),
        1,
        "{volume:?}"
    );
    // The file system that the image is in may keep it in memory as well.
    let of_image =
        |l: &&Layer| matches!(l, Layer::Files { filesystem, .. } if filesystem != "btrfs");
    assert_eq!(
        volume.layers.iter().filter(of_image).count(),
        1,
        "{volume:?}"
    );
}

/// What is written goes to the upper folder, what was there before comes from the lower ones.
#[test]
fn an_overlay_is_on_all_of_its_folders() {
    let with = |options: &str| {
        let two = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/trees/two-usb.txt");
        let lines = fs::read_to_string(two).unwrap();
        let memory = "mount 8 1 0:60 / /run rw - tmpfs tmpfs rw\n";
        let folders = [
            "dir /media/field/KRILL/up",
            "dir /media/field/KRILL/a:b, c",
            "dir /media/field/MOTH/low",
            "dir /run/low",
        ]
        .join("\n");
        let overlay = format!("mount 9 1 0:70 / /mnt/v rw - overlay overlay rw,{options}\n");
        Recorded::write(&format!("{lines}{folders}\n{memory}{overlay}"))
    };
    let on = |options: &str| with(options).backing("/mnt/v", (0, 70));
    let up = "upperdir=/media/field/KRILL/up,workdir=/media/field/KRILL/work";
    let both = with(&format!("lowerdir=/media/field/MOTH/low,{up}"));
    assert_eq!(both.backing("/mnt/v", (0, 70)), disks(&["sdb", "sdc"]));
    let lower_too = [("/mnt/v", (0, 70)), ("/media/field/MOTH", (8, 33))];
    assert_eq!(both.count(&lower_too), (1, 1));
    // A file has the number of what it lies on.
    let file = both.ask("/mnt/v", (0, 71));
    assert_eq!(file.backing, disks(&["sdb", "sdc"]));
    let plain = r"lowerdir=/media/field/KRILL/a\134:b\054\040c";
    assert_eq!(on(plain), disks(&["sdb"]));
    let kinds = "lowerdir=/media/field/MOTH/low::/media/field/KRILL/up";
    assert_eq!(on(kinds), disks(&["sdb", "sdc"]));
    let each = "lowerdir+=/media/field/MOTH/low,datadir+=/media/field/KRILL/up";
    assert_eq!(on(each), disks(&["sdb", "sdc"]));
    assert_eq!(on(&format!("lowerdir=/run/low,{up}")), Backing::Memory);
    // A folder out of sight, or a path that was not a full one.
    for lower in ["/nowhere", "media/field/MOTH/low"] {
        let told = on(&format!("lowerdir={lower},{up}"));
        assert!(why(&told).contains("laid over"), "{told:?}");
        assert!(told.names().unwrap().contains("sdb"), "{told:?}");
    }
    // Something else is mounted over the upper folder: its dates are not those that are shown.
    let covered = with(&format!("lowerdir=/media/field/MOTH/low,{up}"));
    fs::create_dir_all(covered.place("/mnt/v/new")).unwrap();
    let told = covered.ask("/mnt/v", (0, 70));
    assert!(why(&told.backing).contains("mounted over"), "{told:?}");
    assert!(told.layers.contains(&Layer::Hidden));
}

#[test]
fn longest_and_last_mount_without_a_root_line() {
    let tree = Recorded::load("no-top");
    let volume = tree.ask("/mnt/x/y", (8, 33));
    assert_eq!(volume.source, "/dev/sdc1");
    assert_eq!(tree.ask("/mnt/x/y", (8, 17)).source, "/dev/sdb1");
    assert_eq!(tree.ask("/mnt/z", (8, 17)).mount_point, Path::new("/mnt"));
    let missing = volume_of(tree.top(), Path::new("/srv"), (8, 17), &|_| None);
    assert!(matches!(missing, Err(TopologyError::NoMount { .. })));
}

#[test]
fn errors_name_their_path() {
    let empty = tempfile::tempdir().unwrap();
    let error = volume_of(empty.path(), Path::new("/a"), (8, 1), &|_| None).unwrap_err();
    assert!(error.to_string().contains(MOUNT_TABLE), "{error}");
    let error = volume_of(empty.path(), Path::new("a"), (8, 1), &|_| None).unwrap_err();
    assert!(matches!(error, TopologyError::NotAbsolute { .. }));
    for bad in ["nonsense", "1 0 8:1 / / rw shared:1 ext4 /dev/sda1 rw"] {
        let lines = format!("mount 1 0 8:1 / / rw - ext4 /dev/sda1 rw\nmount {bad}");
        let error = volume_of(
            Recorded::write(&lines).top(),
            Path::new("/"),
            (8, 1),
            &|_| None,
        );
        assert!(matches!(
            error,
            Err(TopologyError::MountTable { line: 2, .. })
        ));
    }
}

#[test]
fn links_stay_inside_the_root() {
    let tree = Recorded::write(
        "dir /real/inner\nlink /a/absolute -> /real\nlink /a/up -> ../../../../../real/inner\n\
         link /a/self -> self\nlink /a/etc -> /etc\nlink /a/chain -> ./absolute/../a/up/.",
    );
    let root = tree.top();
    let tree = SystemRoot { root };
    let to = |path: &str| tree.resolve(Path::new(path));
    assert_eq!(to("/a/absolute/inner"), Some("/real/inner".into()));
    assert_eq!(to("/a/up"), Some("/real/inner".into()));
    assert_eq!(to("/a/chain"), Some("/real/inner".into()));
    assert_eq!(to("/../../missing/x"), Some("/missing/x".into()));
    assert_eq!(to("/a/self"), None);
    assert_eq!(tree.folder(Path::new("/a/etc")), None);
}

#[test]
fn escapes() {
    assert_eq!(unescape(br"a\040b\134c\011"), b"a b\\c\t");
    assert_eq!(unescape(br"\04 \999 \777 \"), br"\04 \999 \777 \");
    assert_eq!(unescape_hex(br"a\x20b\x2fc\xzz\x2"), br"a b/c\xzz\x2");
}

#[test]
fn kinds_of_names() {
    for disk in [
        "sda",
        "sdaa",
        "vda",
        "xvdb",
        "nvme10n2",
        "mmcblk0",
        "mmcblk0boot1",
        "sr0",
        "dasda",
    ] {
        assert_eq!(kind_of(disk), BlockDeviceKind::Disk, "{disk}");
    }
    for (name, kind) in [
        ("loop12", BlockDeviceKind::Loop),
        ("zram0", BlockDeviceKind::Memory),
        ("ram3", BlockDeviceKind::Memory),
        ("md_d0", BlockDeviceKind::Layer),
        ("dm-3", BlockDeviceKind::Layer),
        ("nvme0c0n1", BlockDeviceKind::Other),
        ("sda1", BlockDeviceKind::Other),
        ("cciss!c0d0", BlockDeviceKind::Other),
    ] {
        assert_eq!(kind_of(name), kind, "{name}");
    }
    assert_eq!(device_key("nvme10n2"), "nvme10");
    assert_eq!(device_key("mmcblk0boot0"), device_key("mmcblk0"));
    assert_ne!(device_key("mmcblk1"), device_key("mmcblk10"));
    assert_eq!(device_key("sdb"), "sdb");
}

#[test]
fn unknown_merges_all_unless_the_person_says_otherwise() {
    let (a, b) = (disks(&["sda"]), disks(&["sdb"]));
    let unknown = Backing::unknown("no idea");
    let all = [(&a, 1), (&unknown, 2), (&b, 3), (&Backing::Memory, 4)];
    let merged = independent(&all, false);
    assert_eq!(merged.groups, [Some(0), Some(0), Some(0), None]);
    assert_eq!(merged.count, 1);
    let why = "no idea".to_owned();
    assert_eq!(
        merged.reasons,
        [
            IndependenceReason::Unknown { index: 1, why },
            IndependenceReason::Memory { index: 3 }
        ]
    );
    let stated = independent(&all, true);
    assert_eq!(stated.groups, [Some(0), Some(1), Some(2), None]);
    assert_eq!(stated.count, 3);
    assert!(stated.reasons[0].to_string().contains("you said so"));
    // Two unknown ones in one file system stay one.
    let twins = [(&unknown, 2), (&a, 1), (&unknown, 2)];
    assert_eq!(
        independent(&twins, true).groups,
        [Some(0), Some(1), Some(0)]
    );
    assert_eq!(independent(&[], true).count, 0);
}

#[test]
fn overlaps_chain() {
    let (a, b, c) = (disks(&["x", "y"]), disks(&["z"]), disks(&["y", "z"]));
    let chained = independent(&[(&a, 1), (&b, 2), (&c, 3)], true);
    assert_eq!(chained.count, 1);
    let disk = "y".to_owned();
    assert!(
        chained
            .reasons
            .contains(&IndependenceReason::SameDisk { a: 0, b: 2, disk })
    );
    // A partly unknown one cannot be talked away from what is known of it.
    let partly = Backing::unknown("half").with_known(["z".to_owned()]);
    assert_eq!(independent(&[(&partly, 1), (&b, 2)], true).count, 1);
    assert_eq!(independent(&[(&partly, 1), (&a, 2)], true).count, 2);
}

#[test]
fn memory_then_unknown_dominate() {
    let unknown = || Backing::unknown("u").with_known(["n".to_owned()]);
    assert_eq!(unknown().and(Backing::Memory), Backing::Memory);
    let mixed = disks(&["sda"]).and(unknown());
    assert_eq!(mixed, unknown().with_known(["sda".to_owned()]));
}

/// Major and minor number of a device as Linux packs them.
fn numbers(dev: u64) -> (u32, u32) {
    let major = ((dev >> 8) & 0xfff) | ((dev >> 32) & 0xffff_f000);
    let minor = (dev & 0xff) | ((dev >> 12) & 0xffff_ff00);
    (u32::try_from(major).unwrap(), u32::try_from(minor).unwrap())
}

#[test]
fn this_machine_is_consistent() {
    let root = Path::new("/");
    let here = fs::canonicalize(env!("CARGO_MANIFEST_DIR")).unwrap();
    let one = fs::metadata(&here).unwrap().dev();
    let two = fs::metadata(here.join("src")).unwrap().dev();
    assert_eq!(one, two);
    let first = volume_of(root, &here, numbers(one), &|_| None).unwrap();
    let second = volume_of(root, &here.join("src"), numbers(two), &|_| None).unwrap();
    assert_eq!(first, second);
    let pair = [(&first.backing, one), (&second.backing, two)];
    for separate in [false, true] {
        let answer = independent(&pair, separate);
        assert_eq!(answer.groups[0], answer.groups[1]);
        assert!(answer.count <= 1);
    }
    let top = volume_of(
        root,
        root,
        numbers(fs::metadata(root).unwrap().dev()),
        &|_| None,
    )
    .unwrap();
    assert_eq!(top.mount_point, root);
}

#[test]
fn mounted_volumes_are_those_of_disks_and_say_whether_they_can_be_unplugged() {
    let found = |trees: &str| -> Vec<(String, Option<bool>)> {
        let tree = Recorded::write(trees);
        let found = super::mounted(tree.top()).unwrap();
        let found = found
            .into_iter()
            .map(|m| (m.path.into_string(), m.is_removable));
        found.collect()
    };
    let host = "/sys/devices/pci0000:00/0000:00:14.0";
    let block = |folder: &str, name: &str, removable: u8| {
        format!(
            "file {folder}/block/{name}/removable = {removable}\n\
             link /sys/class/block/{name} -> {folder}/block/{name}\n\
             file /dev/{name} =\n"
        )
    };
    let trees = [
        block(&format!("{host}/ata1"), "sda", 0),
        block(&format!("{host}/usb2/2-1/host4"), "sdb", 0),
        format!("file {host}/usb2/2-1/idVendor = 1209\n"),
        block(&format!("{host}/mmc_host/mmc0/mmc0:aaaa"), "mmcblk0", 0),
        format!("file {host}/mmc_host/mmc0/mmc0:aaaa/type = SD\n"),
        block(&format!("{host}/mmc_host/mmc1/mmc1:0001"), "mmcblk1", 0),
        format!("file {host}/mmc_host/mmc1/mmc1:0001/type = MMC\n"),
        block(&format!("{host}/0000:05:00.0/nvme"), "nvme1n1", 0),
        format!("file {host}/0000:05:00.0/removable = removable\n"),
        block("/sys/devices/virtual", "loop0", 0),
        "mount 1 0 8:0 / / rw - ext4 /dev/sda rw\n".to_owned(),
        "mount 2 1 8:16 / /media/KITE\\040DAY rw - exfat /dev/sdb rw\n".to_owned(),
        "mount 3 1 179:0 / /media/A1 ro - vfat /dev/mmcblk0 ro\n".to_owned(),
        "mount 4 1 179:8 / /media/BOARD rw - ext4 /dev/mmcblk1 rw\n".to_owned(),
        "mount 5 1 259:0 / /media/EXPRESS rw - exfat /dev/nvme1n1 rw\n".to_owned(),
        "mount 6 1 7:0 / /snap/kite ro - squashfs /dev/loop0 ro\n".to_owned(),
        "mount 7 1 7:0 / /mnt/image rw - ext4 /dev/loop0 rw\n".to_owned(),
        "mount 8 1 0:4 / /proc rw - proc proc rw\n".to_owned(),
        "mount 9 1 0:50 / /mnt/server rw - nfs4 server:/kites rw\n".to_owned(),
    ];
    let expected = [
        ("/", Some(false)),
        ("/media/KITE DAY", Some(true)),
        ("/media/A1", Some(true)),
        ("/media/BOARD", Some(false)),
        ("/media/EXPRESS", Some(true)),
        ("/mnt/image", None),
    ];
    let expected = expected.map(|(path, removable)| (path.to_owned(), removable));
    assert_eq!(found(&trees.concat()), expected);
}
