//! Owns how Linux tells of the thing behind a folder. Everything is read as text below a `root`
//! path, like the topology, so that recorded trees can stand in for a machine.

use super::device_info::{BusMode, DeviceInfo, PcieLink, Slot, UsbDevice};
use super::sd::{CardId, SdStatus};
use crate::disk::backing::Backing;
use crate::disk::topology::{SystemRoot, name_of, text};
use std::path::{Path, PathBuf};

/// Folders above a device that are looked at; deeper trees do not exist (USB allows five hubs).
const ABOVE_MAX: usize = 40;
/// Characters of a name that a device tells; USB allows 126.
const NAME_MAX: usize = 128;

/// Returns what the system says of the one disk behind a folder.
pub fn behind(root: &Path, backing: &Backing, rotational: Option<bool>) -> DeviceInfo {
    let mut info = DeviceInfo {
        rotational,
        ..DeviceInfo::default()
    };
    let Backing::Disks(disks) = backing else {
        return info;
    };
    let (Some(disk), 1) = (disks.first(), disks.len()) else {
        return info;
    };
    let look = Look {
        tree: SystemRoot { root },
    };
    info.disk = Some(disk.clone());
    let Some(folder) = look.tree.block_named(disk) else {
        return info;
    };
    let is_virtual = |part: &str| part.starts_with("virtio") || part.starts_with("vbd-");
    info.is_virtual = folder.iter().any(|p| p.to_str().is_some_and(is_virtual));
    info.model = look.words(&folder.join("device/model"));
    if disk.starts_with("mmcblk") {
        info.slot = look.slot(&folder);
    }
    info.usb = look.usb(&folder);
    if disk.starts_with("nvme") {
        info.pcie = look.pcie(&folder);
    }
    info
}

/// Returns what the one disk behind a folder says that tells it from all others: the number of its
/// maker, or the serial number of its USB device. Some say a number that all of their kind say, so
/// equal ones prove nothing.
pub fn hardware(root: &Path, backing: &Backing) -> Option<String> {
    let Backing::Disks(disks) = backing else {
        return None;
    };
    let (Some(disk), 1) = (disks.first(), disks.len()) else {
        return None;
    };
    let look = Look {
        tree: SystemRoot { root },
    };
    let folder = look.tree.block_named(disk)?;
    let of = |name: &str| look.words(&folder.join(name));
    let own = ["wwid", "device/wwid", "serial", "device/serial"];
    let cid = of("device/cid").map(|cid| format!("cid {cid}"));
    let own = cid.or_else(|| own.into_iter().find_map(of));
    let usb = || {
        let mut above = Look::above(&folder);
        let device = above.find(|p| look.tree.exists(&p.join("idVendor")))?;
        let parts = ["idVendor", "idProduct", "serial"].map(|name| look.words(&device.join(name)));
        let [Some(maker), Some(product), Some(serial)] = parts else {
            return None;
        };
        Some(format!("usb {maker}:{product} {serial}"))
    };
    own.or_else(usb)
}

struct Look<'a> {
    tree: SystemRoot<'a>,
}

impl Look<'_> {
    /// A short text file in one line, trimmed; `None` if it is not there or empty.
    fn words(&self, path: &Path) -> Option<String> {
        let bytes = self.tree.read(path)?;
        let line: String = text(&bytes).trim().chars().take(NAME_MAX).collect();
        (!line.is_empty()).then_some(line)
    }

    fn number(&self, path: &Path) -> Option<u32> {
        self.words(path)?.parse().ok()
    }

    /// The folders above a device's, nearest first, all below `/sys/devices`.
    fn above(folder: &Path) -> impl Iterator<Item = PathBuf> {
        folder
            .ancestors()
            .skip(1)
            .take(ABOVE_MAX)
            .filter(|p| p.starts_with("/sys/devices"))
            .map(Path::to_path_buf)
    }

    fn usb(&self, folder: &Path) -> Vec<UsbDevice> {
        Self::above(folder)
            .filter(|p| self.tree.exists(&p.join("idVendor")) && self.tree.exists(&p.join("speed")))
            .filter_map(|p| self.usb_device(&p))
            .collect()
    }

    fn usb_device(&self, folder: &Path) -> Option<UsbDevice> {
        let name = name_of(folder)?;
        let lanes = ["rx_lanes", "tx_lanes"].map(|f| self.number(&folder.join(f)));
        Some(UsbDevice {
            megabits: self
                .words(&folder.join("speed"))
                .and_then(|s| s.parse().ok()),
            lanes: lanes.into_iter().flatten().min().unwrap_or(1).max(1),
            release: self
                .words(&folder.join("version"))
                .and_then(|v| release(&v)),
            product: self.words(&folder.join("product")),
            maker: self.words(&folder.join("manufacturer")),
            is_root: name
                .strip_prefix("usb")
                .is_some_and(|n| n.parse::<u32>().is_ok()),
            name,
        })
    }

    fn pcie(&self, folder: &Path) -> Option<PcieLink> {
        let device =
            Self::above(folder).find(|p| self.tree.exists(&p.join("current_link_speed")))?;
        let most = |folder: &Path| {
            let speed = self.words(&folder.join("max_link_speed"));
            (
                speed.and_then(|s| gigatransfers(&s)),
                self.lanes(&folder.join("max_link_width")),
            )
        };
        Some(PcieLink {
            name: name_of(&device)?,
            now_gts: self
                .words(&device.join("current_link_speed"))
                .and_then(|s| gigatransfers(&s)),
            now_lanes: self.lanes(&device.join("current_link_width")),
            device: most(&device),
            port: device.parent().map_or((None, None), most),
        })
    }

    /// A number of lanes; 0, 63 and 255 are how the kernel says that it does not know.
    fn lanes(&self, path: &Path) -> Option<u32> {
        self.number(path).filter(|n| (1..=32).contains(n))
    }

    fn slot(&self, folder: &Path) -> Option<Slot> {
        let card = self.tree.folder(&folder.join("device"))?;
        let name = Self::above(&card.join("x"))
            .filter_map(|p| name_of(&p))
            .find(|n| {
                n.strip_prefix("mmc")
                    .is_some_and(|d| d.parse::<u32>().is_ok())
            })?;
        let is_sd = self.words(&card.join("type")).is_some_and(|t| t == "SD");
        let ios = Path::new("/sys/kernel/debug").join(&name).join("ios");
        Some(Slot {
            is_sd,
            status: self
                .words(&card.join("ssr"))
                .filter(|_| is_sd)
                .and_then(|hex| SdStatus::from_hex(&hex)),
            id: self
                .words(&card.join("cid"))
                .filter(|_| is_sd)
                .and_then(|hex| CardId::from_hex(&hex)),
            mode: self.tree.read(&ios).and_then(|t| bus_mode(&text(&t))),
            name,
        })
    }
}

/// Reads ` 2.10` as 210.
fn release(words: &str) -> Option<u32> {
    let (whole, hundredths) = words.trim().split_once('.')?;
    if hundredths.len() != 2 {
        return None;
    }
    let whole: u32 = whole.parse().ok()?;
    whole
        .checked_mul(100)?
        .checked_add(hundredths.parse().ok()?)
}

/// Reads `8.0 GT/s PCIe` and `8 GT/s`.
fn gigatransfers(words: &str) -> Option<f64> {
    let (number, rest) = words.split_once(' ')?;
    let number: f64 = number.parse().ok()?;
    (rest.starts_with("GT/s") && number > 0.0 && number < 1e3).then_some(number)
}

/// Reads the kernel's account of a slot: `clock:`, `actual clock:`, `bus width:`, `timing spec:`.
fn bus_mode(account: &str) -> Option<BusMode> {
    let field = |name: &str| {
        account
            .lines()
            .find_map(|line| line.strip_prefix(name)?.strip_prefix(':'))
            .map(str::trim)
    };
    let in_brackets = |words: &str| {
        let (_, rest) = words.split_once('(')?;
        Some(rest.strip_suffix(')')?.to_owned())
    };
    let clock = field("actual clock").or_else(|| field("clock"))?;
    let wires = in_brackets(field("bus width")?)?;
    let clock_hz: f64 = clock.strip_suffix("Hz")?.trim().parse().ok()?;
    (clock_hz > 0.0).then_some(BusMode {
        timing: in_brackets(field("timing spec")?)?,
        clock_hz,
        wires: wires.strip_suffix("bits")?.trim().parse().ok()?,
    })
}

#[cfg(test)]
#[path = "tests.rs"]
mod tests;
