//! Owns what the system says of the thing behind a mounted folder: the slot and the card in it, the
//! USB reader or drive with every hub above it, the `PCIe` link of a card, whether a disk spins.
//!
//! Everything is read as text below a `root` path, like the topology, so that recorded trees can stand
//! in for a machine. Nothing is guessed and no list of products is kept: a name is what the device says
//! of itself, and what the system does not say is `None`. No device is opened.

pub mod sd;

use super::topology::{Backing, Tree, name_of, text};
use sd::{CardId, SdStatus};
use std::path::{Path, PathBuf};

/// Folders above a device that are looked at; deeper trees do not exist (USB allows five hubs).
const ABOVE_MAX: usize = 40;
/// Characters of a name that a device tells; USB allows 126.
const NAME_MAX: usize = 128;

/// What the system says of the thing behind a folder.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Gear {
    /// Kernel name of the one disk; `None` if there are several or none is known.
    pub disk: Option<String>,
    /// The built-in slot that the card is in.
    pub slot: Option<Slot>,
    /// The USB device, then every hub above it, the computer's own last. Empty if it is not on USB.
    pub usb: Vec<UsbDevice>,
    /// The `PCIe` link of an `NVMe` card or drive.
    pub pcie: Option<PcieLink>,
    /// A spinning disk. Some USB bridges and virtual disks say so wrongly.
    pub rotational: Option<bool>,
    /// What the disk calls itself, in a USB reader usually the reader's slot.
    pub model: Option<String>,
}

/// A card in a built-in slot.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Slot {
    /// Kernel name of the slot, such as `mmc0`.
    pub name: String,
    /// An SD card; memory soldered to the board (`MMC`) sits in such a "slot" as well.
    pub is_sd: bool,
    /// The card's SD Status register.
    pub status: Option<SdStatus>,
    /// The card's identification register.
    pub id: Option<CardId>,
    /// How card and slot talk at the moment; only root is told.
    pub mode: Option<BusMode>,
}

/// How card and slot talk, as the kernel reports it.
#[derive(Clone, PartialEq, Debug)]
pub struct BusMode {
    /// The kernel's word, such as `sd uhs SDR104`.
    pub timing: String,
    /// Clock in Hz.
    pub clock_hz: f64,
    /// Data wires.
    pub wires: u32,
}

/// A USB device or hub.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct UsbDevice {
    /// Kernel name, such as `2-1.3`; it is the name of its link upward as well.
    pub name: String,
    /// Negotiated speed in Mb/s (10^6 bits).
    pub megabits: Option<f64>,
    /// Lanes of the link; 2 on some links of 10 and 20 Gb/s.
    pub lanes: u32,
    /// The USB release that the device says it follows, in hundredths: 210 is 2.10. From 2.10 on it
    /// can also do USB 3 (USB 3.2 Specification, section 9.6.1).
    pub release: Option<u32>,
    /// What it calls itself.
    pub product: Option<String>,
    /// Whom it says it is made by.
    pub maker: Option<String>,
    /// The computer's own hub.
    pub is_root: bool,
}

/// A `PCIe` link.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct PcieLink {
    /// Kernel name of the device at its lower end.
    pub name: String,
    /// Speed now, in GT/s; idle links slow down.
    pub now_gts: Option<f64>,
    /// Lanes now.
    pub now_lanes: Option<u32>,
    /// The most that the device can do.
    pub device: (Option<f64>, Option<u32>),
    /// The most that the port above it can do.
    pub port: (Option<f64>, Option<u32>),
}

/// Returns what the system says of the one disk behind a folder.
pub fn behind(root: &Path, backing: &Backing, rotational: Option<bool>) -> Gear {
    let mut gear = Gear {
        rotational,
        ..Gear::default()
    };
    let Backing::Disks(disks) = backing else {
        return gear;
    };
    let (Some(disk), 1) = (disks.first(), disks.len()) else {
        return gear;
    };
    let look = Look {
        tree: Tree { root },
    };
    gear.disk = Some(disk.clone());
    let Some(folder) = look.tree.block_named(disk) else {
        return gear;
    };
    gear.model = look.words(&folder.join("device/model"));
    if disk.starts_with("mmcblk") {
        gear.slot = look.slot(&folder);
    }
    gear.usb = look.usb(&folder);
    if disk.starts_with("nvme") {
        gear.pcie = look.pcie(&folder);
    }
    gear
}

struct Look<'a> {
    tree: Tree<'a>,
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
mod tests;
