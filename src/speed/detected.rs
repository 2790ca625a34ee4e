//! Owns what the system's words about slots, readers and hubs mean for the chain. Pure. A word that
//! is not known here adds no link.

use super::ceiling::Ceiling;
use super::chain::{Chain, DriveSpeed, Hop, InUse};
use super::classes::WriteClass;
use super::links::{Family, LinkRow, find, pcie_lane, usb};
use crate::disk::hardware::{BusMode, DeviceInfo, PcieLink, UsbDevice};
use crate::units::MegabitsPerS;

/// Fills in what the system says of the card's way into the computer.
pub fn card(chain: &mut Chain, info: &DeviceInfo) {
    chain.path = path(info);
    let mode = info.slot.as_ref().and_then(|slot| slot.mode.as_ref());
    chain.reader.in_use = mode.and_then(in_use);
}

/// Fills in what the system says of a drive's way into the computer.
pub fn drive(drive: &mut DriveSpeed, info: &DeviceInfo) {
    drive.path = path(info);
    // What a person said of it counts more than what the system says, of a virtual disk too.
    drive.is_virtual = info.is_virtual && drive.spins.is_none();
    drive.spins = drive.spins.or(info.rotational);
}

/// Returns the links that a device hangs on, its own first. The computer's own hub is none: what
/// leads on from it is inside the computer.
pub fn path(info: &DeviceInfo) -> Vec<Hop> {
    let usb_hop = |(index, device): (usize, &UsbDevice)| {
        Some(Hop {
            row: usb(MegabitsPerS(device.megabits?), device.lanes)?,
            times: 1,
            key: device.name.clone(),
            is_hub: index > 0,
        })
    };
    let outside = info.usb.iter().enumerate().filter(|(_, d)| !d.is_root);
    let mut hops: Vec<Hop> = outside.filter_map(usb_hop).collect();
    if let Some(link) = &info.pcie
        && let Some((gts, lanes)) = lasting(link)
        && let Some(row) = pcie_lane(gts)
    {
        hops.push(Hop {
            row,
            times: lanes,
            key: link.name.clone(),
            is_hub: false,
        });
    }
    hops
}

/// What a `PCIe` link gives under load: as many lanes as are in use, at the most that both ends can
/// do, since an idle link slows its lanes down.
fn lasting(link: &PcieLink) -> Option<(f64, u32)> {
    let gts = match (link.device.0, link.port.0) {
        (Some(device), Some(port)) => device.min(port),
        _ => link.now_gts?,
    };
    Some((gts, link.now_lanes?))
}

/// The mode that the kernel says is in use, at the clock that it says.
fn in_use(mode: &BusMode) -> Option<InUse> {
    let (id, edges) = match mode.timing.as_str() {
        "legacy" => ("sd-ds", 1.0),
        "sd high-speed" => ("sd-hs", 1.0),
        "sd uhs SDR12" => ("sd-sdr12", 1.0),
        "sd uhs SDR25" => ("sd-sdr25", 1.0),
        "sd uhs SDR50" => ("sd-sdr50", 1.0),
        "sd uhs DDR50" => ("sd-ddr50", 2.0),
        "sd uhs SDR104" => ("sd-sdr104", 1.0),
        _ => return None,
    };
    let bits = mode.clock_hz * edges * f64::from(mode.wires);
    Some(InUse {
        row: find(id)?,
        mbps: MegabitsPerS(bits / 1e6).in_bytes(),
    })
}

/// Adds what is worth saying about the card's way into the computer.
pub fn card_notes(ceiling: &mut Ceiling, info: &DeviceInfo) {
    notes(ceiling, "The reader", info);
    if let Some(link) = &info.pcie
        && let (Some(now), Some((could, _))) = (link.now_gts, lasting(link))
        && now < could
    {
        ceiling.note(format!(
            "The reader's PCIe link runs at {now} GT/s now and could at {could}; idle links slow \
             down."
        ));
    }
    if let Some(slot) = &info.slot
        && let Some(status) = slot.status
    {
        let classes = status.classes();
        if !classes.is_empty() {
            ceiling.note(format!(
                "The card itself says that it is of {}: classes are least rates of writing, not \
                 of reading.",
                classes.join(", ")
            ));
        }
        note_of_slot(ceiling, &classes, slot.mode.as_ref());
    }
}

/// Adds what is worth saying about a drive's way into the computer. `what` begins the sentence,
/// such as `Destination 2`.
pub fn notes(ceiling: &mut Ceiling, what: &str, info: &DeviceInfo) {
    if let Some(device) = info.usb.first() {
        note_of_usb(ceiling, what, device);
    }
    if let Some(link) = &info.pcie
        && let Some((_, lanes)) = lasting(link)
    {
        let most_lanes = link
            .device
            .1
            .unwrap_or(lanes)
            .min(link.port.1.unwrap_or(u32::MAX));
        if let Some(device) = link.device.1
            && device > lanes
        {
            ceiling.note(format!(
                "{what} could use {device} PCIe lanes and has {lanes}{}.",
                if most_lanes < device {
                    "; its port has no more"
                } else {
                    ""
                }
            ));
        }
    }
}

fn note_of_usb(ceiling: &mut Ceiling, what: &str, device: &UsbDevice) {
    // USB 3.2 Specification, section 9.6.1 (from memory): a device that can do USB 3 says 2.10 when
    // it has to run at 480 Mb/s.
    let can_more = device.release.is_some_and(|r| r >= 210);
    let Some(row) = find("usb2-bulk") else { return };
    if can_more && device.megabits.is_some_and(|m| m <= 480.0) {
        ceiling.note(format!(
            "{what} seems to be a USB 3 one on a USB 2 path: {:.0} MB/s at most, usually {:.0} to \
             {:.0}. Try another port, cable or hub.",
            row.mbps().0,
            row.mbps().0 * row.usual.low,
            row.mbps().0 * row.usual.high
        ));
    }
}

/// A class that needs the second row of pins tells a card that could be faster than a one-row mode.
fn note_of_slot(ceiling: &mut Ceiling, classes: &[String], mode: Option<&BusMode>) {
    let needs: Option<&LinkRow> = classes
        .iter()
        .filter_map(|class| WriteClass::parse(class)?.needs_bus())
        .reduce(|a, b| if a.mbps() >= b.mbps() { a } else { b });
    let Some(bus) = needs else { return };
    if mode.is_none() && bus.family > Family::UhsI {
        ceiling.note(
            "The card's class is one of cards with a second row of pins; the system does not say \
             whether this slot uses it (only to root), and `unlade rate` measures it."
                .to_owned(),
        );
    }
    if let Some(used) = mode.and_then(in_use)
        && bus.family > used.row.family
    {
        ceiling.note(format!(
            "The card's class is one of cards with a second row of pins; this slot runs it as {}.",
            used.row.words
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::hardware::Slot;
    use crate::disk::hardware::sd::SdStatus;
    use crate::units::MegabytesPerS;

    fn device(name: &str, megabits: f64, release: u32) -> UsbDevice {
        UsbDevice {
            name: name.into(),
            megabits: Some(megabits),
            lanes: 1,
            release: Some(release),
            is_root: name.starts_with("usb"),
            ..UsbDevice::default()
        }
    }

    fn ceiling(info: &DeviceInfo) -> Ceiling {
        let mut chain = Chain::default();
        card(&mut chain, info);
        let mut ceiling = Ceiling::of(&chain);
        card_notes(&mut ceiling, info);
        ceiling
    }

    fn limiting(info: &DeviceInfo) -> Option<String> {
        ceiling(info).limiting().map(super::super::link::Link::name)
    }

    #[test]
    fn a_usb_3_reader_on_a_usb_2_path_is_told() {
        let mut info = DeviceInfo {
            usb: vec![
                device("1-2.1", 480.0, 210),
                device("1-2", 480.0, 210),
                device("usb1", 480.0, 200),
            ],
            ..DeviceInfo::default()
        };
        let told = ceiling(&info);
        assert_eq!(limiting(&info).unwrap(), "reader port usb2-bulk");
        assert_eq!(told.links().len(), 2, "the computer's own hub is no link");
        assert_eq!(
            told.notes(),
            [
                "The reader seems to be a USB 3 one on a USB 2 path: 53 MB/s at most, usually 30 \
                 to 42. Try another port, cable or hub."
            ]
        );
        info.usb[0].release = Some(200);
        assert!(
            ceiling(&info).notes().is_empty(),
            "a USB 2 reader can't do more"
        );
        info.usb[0] = device("1-2.1", 5_000.0, 320);
        assert!(ceiling(&info).notes().is_empty());
    }

    #[test]
    fn a_hub_holds_back_what_hangs_on_it() {
        let info = DeviceInfo {
            usb: vec![device("2-1.4", 10_000.0, 320), device("2-1", 5_000.0, 320)],
            ..DeviceInfo::default()
        };
        assert_eq!(limiting(&info).unwrap(), "hub usb3-5g");
    }

    #[test]
    fn an_unknown_speed_adds_no_link() {
        let mut info = DeviceInfo {
            usb: vec![device("2-1", 5_000.0, 320)],
            ..DeviceInfo::default()
        };
        info.usb[0].megabits = None;
        assert_eq!(limiting(&info), None);
        info.usb[0].megabits = Some(1.5);
        assert_eq!(limiting(&info), None);
        assert_eq!(limiting(&DeviceInfo::default()), None);
    }

    #[test]
    fn a_pcie_link_gives_what_both_ends_can_do_on_the_lanes_in_use() {
        let mut info = DeviceInfo {
            pcie: Some(PcieLink {
                name: "0000:03:00.0".into(),
                now_gts: Some(2.5),
                now_lanes: Some(1),
                device: (Some(16.0), Some(2)),
                port: (Some(8.0), Some(4)),
            }),
            ..DeviceInfo::default()
        };
        let told = ceiling(&info);
        // PCI-SIG: 984.6 MB/s a lane at 8 GT/s with 128b/130b.
        assert_eq!(told.mbps(), Some(MegabytesPerS(984.615)));
        assert_eq!(
            told.notes(),
            [
                "The reader could use 2 PCIe lanes and has 1.",
                "The reader's PCIe link runs at 2.5 GT/s now and could at 8; idle links slow down."
            ]
        );
        let mut drive = Ceiling::default();
        notes(&mut drive, "Destination 1", &info);
        assert_eq!(
            drive.notes().len(),
            1,
            "an idle drive is nothing to talk about"
        );
        if let Some(link) = &mut info.pcie {
            link.port = (None, None);
        }
        assert_eq!(
            ceiling(&info).mbps(),
            Some(MegabytesPerS(250.0)),
            "all that is known"
        );
        if let Some(link) = &mut info.pcie {
            link.now_lanes = None;
        }
        assert_eq!(ceiling(&info).mbps(), None);
    }

    fn slot(status: &str, timing: &str, clock_hz: f64) -> DeviceInfo {
        DeviceInfo {
            slot: Some(Slot {
                name: "mmc0".into(),
                is_sd: true,
                status: SdStatus::from_hex(&format!("{status:0<128}")),
                mode: (!timing.is_empty()).then(|| BusMode {
                    timing: timing.into(),
                    clock_hz,
                    wires: 4,
                }),
                id: None,
            }),
            ..DeviceInfo::default()
        }
    }

    const V30: &str = "8000000005000000040090000f05391e0008000000021f0003000000";
    const V90: &str = "8000000000000000040090000000395a0020";

    #[test]
    fn a_built_in_slot_gives_what_its_clock_gives() {
        // Kernel logs of real slots run SDR104 at 200 MHz: 100 MB/s of the standard's 104.
        let told = ceiling(&slot(V30, "sd uhs SDR104", 200e6));
        assert_eq!(told.mbps(), Some(MegabytesPerS(100.0)));
        assert_eq!(told.limiting().unwrap().name(), "reader slot sd-sdr104");
        let ddr = ceiling(&slot(V30, "sd uhs DDR50", 50e6));
        assert_eq!(ddr.mbps(), Some(MegabytesPerS(50.0)));
        assert_eq!(ceiling(&slot(V30, "mmc HS400", 200e6)).mbps(), None);
        assert_eq!(ceiling(&slot(V30, "", 0.0)).mbps(), None);
    }

    #[test]
    fn a_class_never_moves_a_read_ceiling() {
        // Guaranteed classes are write minima (SD Association, Speed Class page).
        for timing in ["sd uhs SDR104", "sd high-speed", ""] {
            let slow = ceiling(&slot(V30, timing, 50e6));
            let fast = ceiling(&slot(V90, timing, 50e6));
            assert_eq!(slow.links(), fast.links(), "{timing}");
        }
        let told = ceiling(&slot(V90, "sd uhs SDR104", 200e6));
        assert!(told.notes()[0].contains("C10, U3, V90"), "{told:?}");
        assert!(told.notes()[1].contains("runs it as UHS-I"), "{told:?}");
        let told = ceiling(&slot(V30, "sd uhs SDR104", 200e6));
        assert!(
            told.notes()[0].contains("least rates of writing"),
            "{told:?}"
        );
        assert_eq!(told.notes().len(), 1, "one row is what it has");
        // Only root is told how card and slot talk.
        let told = ceiling(&slot(V90, "", 0.0));
        assert!(told.notes()[1].contains("does not say"), "{told:?}");
    }
}
