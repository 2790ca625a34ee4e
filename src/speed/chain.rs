//! Owns what is known of everything between a card and the drives. Whoever knows something (the
//! command line, the kit, the system) fills in the same [`Chain`], and what nobody knows is left
//! out instead of guessed.
//!
//! Guaranteed classes are write rates and have no place here (see [`super::classes`]).

use super::links::LinkRow;
use crate::units::MegabytesPerS;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Where a figure comes from. The names are part of the manifest's format.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Origin {
    /// Printed on the thing, or said by the person.
    Label,
    /// The link table, for a bus or link that the person named.
    Table,
    /// The system says which link it is.
    Detected,
    /// Measured by this program.
    Measured,
}

impl Origin {
    /// Returns the manifest's word.
    pub fn id(self) -> &'static str {
        match self {
            Self::Label => "label",
            Self::Table => "table",
            Self::Detected => "detected",
            Self::Measured => "measured",
        }
    }
}

/// A rate and where it comes from.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Figure {
    /// The rate.
    pub mbps: MegabytesPerS,
    /// Where it comes from.
    pub from: Origin,
}

impl Figure {
    /// A figure that is printed on the thing or that the person gave.
    pub fn label(mbps: MegabytesPerS) -> Self {
        Self {
            mbps,
            from: Origin::Label,
        }
    }
}

/// What is known of a card.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct CardSpeed {
    /// Read rate on its label.
    pub reads: Option<MegabytesPerS>,
    /// Its own bus.
    pub bus: Option<&'static LinkRow>,
}

/// What is known of a reader.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct ReaderSpeed {
    /// The best bus of the slot.
    pub slot: Option<&'static LinkRow>,
    /// Whether reader and card know the same maker's faster mode.
    pub is_matched: bool,
    /// Its own link to the computer.
    pub link: Option<&'static LinkRow>,
    /// The mode that card and slot use at the moment, where the system says so.
    pub in_use: Option<InUse>,
    /// Cards that are read in its slots at the same time, this one included; 0 counts as 1.
    pub cards_at_once: u32,
}

/// The mode that a card and a slot use, at the clock that they use.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct InUse {
    /// The mode.
    pub row: &'static LinkRow,
    /// What it gives at this clock.
    pub mbps: MegabytesPerS,
}

/// One link on the way into the computer, as the system reports it.
#[derive(Clone, PartialEq, Debug)]
pub struct Hop {
    /// The kind of link.
    pub row: &'static LinkRow,
    /// How often the row's rate: the number of `PCIe` lanes, else 1.
    pub times: u32,
    /// Name of the device whose uplink it is; equal names are one link.
    pub key: String,
    /// The link of a hub, not that of the reader or drive itself.
    pub is_hub: bool,
}

impl Hop {
    /// Returns its ceiling for all that goes through it.
    pub fn mbps(&self) -> MegabytesPerS {
        MegabytesPerS(self.row.mbps().0 * f64::from(self.times.max(1)))
    }

    /// Up to USB 2.0 both directions take turns; later links have a pair of wires for each.
    pub(super) fn takes_turns(&self) -> bool {
        matches!(self.row.id, "usb1-bulk" | "usb2-bulk" | "usb2-raw")
    }
}

/// What is known of a destination.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct DriveSpeed {
    /// What it sustains when it is written.
    pub writes: Option<Figure>,
    /// What it sustains when it is read.
    pub reads: Option<Figure>,
    /// Names of the disks behind it; equal names are one device. Empty where the system does not
    /// say, or the person says that the drives are separate.
    pub disks: BTreeSet<String>,
    /// It spins, and so does one thing at a time; `None` where nobody knows.
    pub spins: Option<bool>,
    /// It is a disk of a virtual machine, which often calls itself spinning and is not.
    pub is_virtual: bool,
    /// The links it hangs on, its own first.
    pub path: Vec<Hop>,
}

/// Whether a drive is a hard disk, by all that is known of it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Spin {
    /// It is one.
    Yes,
    /// It is none.
    No,
    /// Nobody tells.
    Unknown,
}

impl DriveSpeed {
    /// Returns the one judgement on whether it spins.
    pub fn spin(&self) -> Spin {
        match (self.is_spinning(), self.may_spin()) {
            (true, _) => Spin::Yes,
            (false, true) => Spin::Unknown,
            (false, false) => Spin::No,
        }
    }

    /// Returns whether it spins: the system says so, and it is not too fast for that. Of a virtual
    /// disk that is believed only where somebody gave both rates, and so means that drive.
    pub fn is_spinning(&self) -> bool {
        let is_meant = !self.is_virtual || self.reads.is_some();
        self.spins == Some(true) && self.may_spin() && is_meant
    }

    /// Returns whether it spins for all that is known: nobody says that it does not, and it is not
    /// too fast.
    pub(super) fn may_spin(&self) -> bool {
        let is_slow = self.writes.is_none_or(|w| w.mbps.0 <= SPINNING_MAX);
        self.spins != Some(false) && is_slow
    }
}

/// Everything between a card and the drives.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Chain {
    /// The card.
    pub card: CardSpeed,
    /// The reader.
    pub reader: ReaderSpeed,
    /// The links that the reader hangs on, its own first.
    pub path: Vec<Hop>,
    /// The destinations, in order.
    pub drives: Vec<DriveSpeed>,
    /// The links that other cards hang on that are read at the same time.
    pub other_cards: Vec<Vec<Hop>>,
    /// Every copy is read back while the card is still being read.
    pub reads_back: bool,
    /// How a card, reader or drive was recognised, in whole sentences; they become the first notes.
    pub said: Vec<String>,
}

impl Chain {
    /// Returns whether no other card is read at the same time.
    pub fn is_alone(&self) -> bool {
        self.other_cards.is_empty() && self.reader.cards_at_once <= 1
    }
}

/// No spinning disk writes faster than so many MB/s (common practice, no source); some USB bridges
/// and virtual disks call themselves spinning and are not.
const SPINNING_MAX: f64 = 300.0;

/// MB/s of a drive with one head, which does not write while it reads back. Where only its writing
/// is known it reads at that rate (common practice, no source: the two are the same tracks at the
/// same speed).
pub(super) fn in_turns(writes: Figure, reads: Option<Figure>) -> f64 {
    let reads = reads.map_or(writes.mbps.0, |r| r.mbps.0);
    1.0 / (1.0 / writes.mbps.0 + 1.0 / reads)
}
