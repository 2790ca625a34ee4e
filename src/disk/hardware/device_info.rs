//! Owns what can be said of the device behind a folder, whichever system says it.

use super::sd::{CardId, SdStatus};

/// What the system says of the device behind a folder.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct DeviceInfo {
    /// Kernel name of the one disk; `None` if there are several or none is known.
    pub disk: Option<String>,
    /// The built-in slot that the card is in.
    pub slot: Option<Slot>,
    /// The USB device, then every hub above it, the computer's own last. Empty if it is not on USB.
    pub usb: Vec<UsbDevice>,
    /// The `PCIe` link of an `NVMe` card or drive.
    pub pcie: Option<PcieLink>,
    /// It is a disk of a virtual machine, and what it says of itself need not be so.
    pub is_virtual: bool,
    /// A spinning disk. Some USB bridges and virtual disks say so wrongly.
    pub rotational: Option<bool>,
    /// What the disk calls itself, in a USB reader usually the reader's slot.
    pub model: Option<String>,
}

impl DeviceInfo {
    /// Returns the identities of a card: the one in its identification register first, which no
    /// format changes and only a slot that reads it tells, then that of its volume.
    pub fn card_ids(&self, volume_id: Option<&str>) -> Vec<String> {
        self.made_as()
            .into_iter()
            .chain(volume_id.map(str::to_owned))
            .collect()
    }

    /// Returns the identity in a card's identification register, where the slot reads it.
    pub fn made_as(&self) -> Option<String> {
        let own = self.slot.as_ref().and_then(|slot| slot.id.as_ref());
        own.map(CardId::identity)
    }

    /// Returns what a reader is remembered by: what it says of itself and the speed of its link,
    /// as the same reader in a slower port is another matter. `None` where nothing is known.
    pub fn reader(&self) -> Option<String> {
        if let Some(device) = self.usb.iter().find(|d| !d.is_root) {
            let names = [&device.maker, &device.product];
            let names: Vec<&str> = names.into_iter().flatten().map(String::as_str).collect();
            let name = if names.is_empty() {
                "USB reader".to_owned()
            } else {
                names.join(" ")
            };
            return Some(match device.megabits {
                Some(megabits) => format!("{name}, {megabits} Mb/s"),
                None => name,
            });
        }
        if let Some(slot) = &self.slot {
            return Some(format!("slot {}", slot.name));
        }
        let pcie = self.pcie.as_ref()?;
        Some(format!("PCIe {}", pcie.name))
    }
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
