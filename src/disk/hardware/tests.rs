//! Owns the checks of what is told of devices against recorded trees (`fixtures/trees`).
#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use super::*;
use crate::disk::recorded::Recorded;
use std::collections::BTreeSet;

fn look(tree: &Recorded, disk: &str) -> DeviceInfo {
    let disks = Backing::Disks(BTreeSet::from([disk.to_owned()]));
    behind(tree.top(), &disks, None)
}

fn names(info: &DeviceInfo) -> Vec<&str> {
    info.usb.iter().map(|d| d.name.as_str()).collect()
}

#[test]
fn a_usb_reader_with_every_hub_above_it() {
    let tree = Recorded::load("reader-usb2-path");
    let info = look(&tree, "sdb");
    assert_eq!(names(&info), ["1-2.1", "1-2", "usb1"]);
    assert_eq!(
        info.usb[0],
        UsbDevice {
            name: "1-2.1".into(),
            megabits: Some(480.0),
            lanes: 1,
            release: Some(210),
            product: Some("Kite Reader".into()),
            maker: Some("Two Kites".into()),
            is_root: false,
        }
    );
    assert!(info.usb[2].is_root && !info.usb[1].is_root);
    assert_eq!(info.model.as_deref(), Some("STORAGE DEVICE"));
    assert_eq!((info.slot, info.pcie), (None, None));
    // From the mount to the reader: what stands behind the folder is what is described.
    let volume =
        crate::disk::topology::volume_of(tree.top(), Path::new("/media/KITES"), (8, 17), &|_| None);
    let volume = volume.unwrap();
    let info = behind(tree.top(), &volume.backing, volume.rotational);
    assert_eq!((info.usb.len(), info.rotational), (3, Some(true)));
}

#[test]
fn slots_of_one_reader_and_drives_of_one_hub_have_the_same_names_above_them() {
    let tree = Recorded::load("reader-two-slots");
    let (one, two, drive) = (look(&tree, "sdb"), look(&tree, "sdc"), look(&tree, "sdd"));
    assert_eq!(names(&one), ["2-1.4", "2-1", "usb2"]);
    assert_eq!(one.usb, two.usb);
    assert_eq!(names(&drive), ["2-1.2", "2-1", "usb2"]);
    assert_eq!(
        (drive.usb[0].lanes, drive.usb[0].megabits),
        (2, Some(10_000.0))
    );
    assert_eq!(
        drive.usb[0].product, None,
        "what is not told is not invented"
    );
}

#[test]
fn a_built_in_slot_tells_card_and_mode() {
    let tree = Recorded::load("slot-built-in");
    let slot = look(&tree, "mmcblk0").slot.unwrap();
    assert_eq!(slot.name, "mmc0");
    assert_eq!(slot.status.unwrap().classes(), ["C10", "U3", "V30", "A2"]);
    assert_eq!(slot.id.unwrap().product, "SKITE");
    assert_eq!(
        slot.mode.unwrap(),
        BusMode {
            timing: "sd uhs SDR104".into(),
            clock_hz: 200e6,
            wires: 4
        }
    );
    let quiet = look(&tree, "mmcblk2").slot.unwrap();
    assert_eq!((quiet.mode, quiet.id), (None, None));
    assert_eq!(quiet.status.unwrap().video_class, 90);
    let soldered = look(&tree, "mmcblk1").slot.unwrap();
    assert!(!soldered.is_sd && soldered.status.is_none() && soldered.id.is_none());
}

#[test]
fn a_pcie_card_tells_its_link_and_its_ports() {
    let tree = Recorded::load("card-pcie");
    let info = look(&tree, "nvme0n1");
    assert_eq!(
        info.pcie.unwrap(),
        PcieLink {
            name: "0000:03:00.0".into(),
            now_gts: Some(2.5),
            now_lanes: Some(2),
            device: (Some(16.0), Some(2)),
            port: (Some(8.0), Some(4)),
        }
    );
    assert_eq!(info.model.as_deref(), Some("Card of ours"));
    let old = look(&tree, "nvme1n1").pcie.unwrap();
    assert_eq!((old.now_gts, old.now_lanes), (Some(8.0), None));
    assert_eq!((old.device, old.port), ((None, None), (None, None)));
}

#[test]
fn what_is_not_told_stays_unknown() {
    let tree = Recorded::load("two-usb");
    let info = look(&tree, "sdb");
    assert!(info.usb.is_empty(), "no attributes are recorded there");
    assert_eq!(info.disk.as_deref(), Some("sdb"));
    assert_eq!(look(&tree, "sdz").usb, []);
    let both = Backing::Disks(["sdb", "sdc"].map(str::to_owned).into());
    assert_eq!(behind(tree.top(), &both, Some(true)).disk, None);
    let unknown = behind(tree.top(), &Backing::unknown("fuse"), Some(true));
    assert_eq!(
        unknown,
        DeviceInfo {
            rotational: Some(true),
            ..DeviceInfo::default()
        }
    );
}

#[test]
fn odd_words_are_unknown() {
    assert_eq!(
        (release(" 2.10"), release("3.20"), release("1.1")),
        (Some(210), Some(320), None)
    );
    assert_eq!(
        (release(""), release("x.10"), release("99999999999.00")),
        (None, None, None)
    );
    assert_eq!(gigatransfers("8.0 GT/s PCIe"), Some(8.0));
    for bad in ["Unknown", "", "GT/s", "-8 GT/s", "NaN GT/s", "8 MT/s"] {
        assert_eq!(gigatransfers(bad), None, "{bad}");
    }
    for bad in [
        "",
        "clock: 0 Hz",
        "clock:\t0 Hz\nbus width:\t2 (4 bits)\ntiming spec:\t0 (legacy)",
    ] {
        assert_eq!(bus_mode(bad), None, "{bad}");
    }
}
