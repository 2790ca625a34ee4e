//! Owns what the system says of the thing behind a mounted folder: the slot and the card in it, the
//! USB reader or drive with every hub above it, the `PCIe` link of a card, whether a disk spins.
//!
//! Nothing is guessed and no list of products is kept: a name is what the device says of itself,
//! and what the system does not say is `None`. No device is opened. Only Linux is asked so far.

mod device_info;
#[cfg(target_os = "linux")]
mod linux;
pub mod sd;

pub use device_info::{BusMode, DeviceInfo, PcieLink, Slot, UsbDevice};
#[cfg(target_os = "linux")]
pub use linux::{behind, hardware};
