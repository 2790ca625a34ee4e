//! Owns the parts that every byte of a copy goes through: their names in events and records and for
//! people, and what each allows a job.

use super::chain::Origin;
use super::links::{LABEL_USUAL, LinkRow, Usual};
use crate::hash_algorithm::Also;
use crate::name::shown;
use crate::units::{MegabytesPerS, float, whole};
use serde::{Serialize, Serializer};
use std::fmt;

/// A part of the way from a card to the drives. Drives are counted from 0, and from 1 in names.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ChainPart {
    /// The card itself.
    Card,
    /// The card's own bus.
    CardBus,
    /// The bus of the slot, where it is what limits the card's.
    ReaderSlot,
    /// Card and reader together, at earlier times.
    CardAndReader,
    /// The link that the reader was made with.
    ReaderLink,
    /// The port that the reader hangs on, as the system reports it.
    ReaderPort,
    /// A hub on the reader's way.
    Hub,
    /// A drive.
    Drive(usize),
    /// The port that a drive hangs on.
    DrivePort(usize),
    /// A hub on a drive's way.
    DriveHub(usize),
}

impl ChainPart {
    /// Returns the part with this name in events and records.
    pub fn from_name(name: &str) -> Option<Self> {
        const WITHOUT_NUMBER: [ChainPart; 7] = [
            ChainPart::Card,
            ChainPart::CardBus,
            ChainPart::ReaderSlot,
            ChainPart::CardAndReader,
            ChainPart::ReaderLink,
            ChainPart::ReaderPort,
            ChainPart::Hub,
        ];
        let numbered = || {
            let rest = name.strip_prefix("destination ")?;
            let number = rest.split(' ').next().unwrap_or(rest);
            let index = number.parse::<usize>().ok()?.checked_sub(1)?;
            let parts = [
                Self::Drive(index),
                Self::DrivePort(index),
                Self::DriveHub(index),
            ];
            parts.into_iter().find(|part| part.to_string() == name)
        };
        let plain = WITHOUT_NUMBER
            .into_iter()
            .find(|part| part.to_string() == name);
        plain.or_else(numbered)
    }

    /// Returns whether it is the card or its slot, which no port or hub changes.
    pub fn is_of_card(self) -> bool {
        matches!(self, Self::Card | Self::CardBus | Self::ReaderSlot)
    }

    /// Returns whether it is a drive or on the way to one.
    pub fn is_of_drive(self) -> bool {
        matches!(
            self,
            Self::Drive(_) | Self::DrivePort(_) | Self::DriveHub(_)
        )
    }

    /// Returns its name for people: `reader port`, `drive Attic`, `drive Attic port`; `drives` are
    /// the drives' names. One without a name has its number.
    pub fn words(self, drives: &[String]) -> String {
        let name = |at: usize| match drives.get(at) {
            Some(name) => format!("drive {}", shown(name)),
            None => format!("drive {}", at + 1),
        };
        match self {
            Self::Drive(at) => name(at),
            Self::DrivePort(at) => format!("{} port", name(at)),
            Self::DriveHub(at) => format!("{} hub", name(at)),
            other => other.to_string(),
        }
    }
}

/// The name in events and records; part of their formats.
impl fmt::Display for ChainPart {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Card => f.write_str("card"),
            Self::CardBus => f.write_str("card bus"),
            Self::ReaderSlot => f.write_str("reader slot"),
            Self::CardAndReader => f.write_str("card and reader"),
            Self::ReaderLink => f.write_str("reader link"),
            Self::ReaderPort => f.write_str("reader port"),
            Self::Hub => f.write_str("hub"),
            Self::Drive(index) => write!(f, "destination {}", index + 1),
            Self::DrivePort(index) => write!(f, "destination {} port", index + 1),
            Self::DriveHub(index) => write!(f, "destination {} hub", index + 1),
        }
    }
}

impl Serialize for ChainPart {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// What a link's figure is the figure of.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum LinkKind {
    /// A bus or link of the table, which cannot be exceeded.
    Bus(&'static LinkRow),
    /// What a card's label says.
    Label,
    /// What a drive sustains.
    Writes,
    /// What card and reader together gave at earlier times.
    Measured,
}

impl LinkKind {
    /// Returns its name in events and records; part of their formats.
    pub fn id(self) -> &'static str {
        match self {
            Self::Bus(row) => row.id,
            Self::Label => "label",
            Self::Writes => "writes",
            Self::Measured => "measured",
        }
    }
}

impl Serialize for LinkKind {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.id())
    }
}

/// One link of the chain with what it allows this job.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Link {
    /// Which part it is.
    pub part: ChainPart,
    /// What the figure is the figure of.
    #[serde(rename = "id")]
    pub kind: LinkKind,
    /// What it allows this job in MB/s, shares of others taken off.
    pub mbps: MegabytesPerS,
    /// Where the figure comes from.
    pub from: Origin,
}

impl Link {
    pub(super) fn new(part: ChainPart, kind: LinkKind, mbps: MegabytesPerS, from: Origin) -> Self {
        let mbps = rounded(mbps);
        Self {
            part,
            kind,
            mbps,
            from,
        }
    }

    /// The link that is what drive `index`, counted from 0, was measured to sustain.
    pub fn measured(index: usize, mbps: MegabytesPerS) -> Self {
        Self::new(
            ChainPart::Drive(index),
            LinkKind::Writes,
            mbps,
            Origin::Measured,
        )
    }

    /// Returns whether it can't be exceeded: a bus or a link. What a label says, what somebody says
    /// of a drive and what was reached before are no limits.
    pub fn is_limit(&self) -> bool {
        matches!(self.kind, LinkKind::Bus(_))
    }

    /// Returns its name in events and records: `reader port usb2-bulk`, `destination 2`.
    pub fn name(&self) -> String {
        Bottleneck::from(*self).to_string()
    }

    /// Returns its name for people: `reader port, USB 2.0`, `drive Attic`.
    pub fn words(&self, drives: &[String]) -> String {
        let part = self.part.words(drives);
        match self.kind {
            LinkKind::Bus(row) => format!("{part}, {}", row.words),
            LinkKind::Measured => format!("{part}, as measured before"),
            LinkKind::Label => format!("{part} label"),
            LinkKind::Writes => part,
        }
    }

    /// Returns the shortest name that says what it is: `USB 2.0`, `hub, USB 2.0`, `its label`.
    pub fn short(&self) -> String {
        match self.kind {
            LinkKind::Bus(row) if !self.part.is_of_drive() && self.part != ChainPart::Hub => {
                row.words.to_owned()
            }
            LinkKind::Bus(_) | LinkKind::Writes => self.words(&[]),
            LinkKind::Label => "its label".to_owned(),
            LinkKind::Measured => "what it gave before".to_owned(),
        }
    }

    /// Returns the shares of `mbps` that are usual.
    pub fn usual(&self) -> Usual {
        const AS_SAID: Usual = Usual {
            low: 1.0,
            high: 1.0,
            source: "as measured or said",
        };
        match self.kind {
            LinkKind::Bus(row) => row.usual,
            LinkKind::Label => LABEL_USUAL,
            LinkKind::Writes | LinkKind::Measured => AS_SAID,
        }
    }
}

/// What holds a job back.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub enum Bottleneck {
    /// The card or its reader, slower than any known link explains.
    #[default]
    Card,
    /// A link.
    Link(ChainPart, LinkKind),
    /// The computing of one further hash.
    Hash(Also),
    /// A drive, counted from 0.
    Drive(usize),
}

impl Bottleneck {
    /// Returns whether it is neither the card nor anything on its way into the computer.
    pub fn is_beyond_card(self) -> bool {
        match self {
            Self::Card => false,
            Self::Link(part, _) => part.is_of_drive(),
            Self::Hash(_) | Self::Drive(_) => true,
        }
    }

    /// Returns its name for people: `drive Attic`, `hash md5`.
    pub fn words(self, drives: &[String]) -> String {
        match self {
            Self::Drive(index) => ChainPart::Drive(index).words(drives),
            other => other.to_string(),
        }
    }
}

impl From<Link> for Bottleneck {
    fn from(link: Link) -> Self {
        match (link.part, link.kind) {
            (ChainPart::Drive(index), LinkKind::Writes) => Self::Drive(index),
            (part, kind) => Self::Link(part, kind),
        }
    }
}

/// The name in events and records; part of their formats.
impl fmt::Display for Bottleneck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Card => ChainPart::Card.fmt(f),
            Self::Link(part, kind) => write!(f, "{part} {}", kind.id()),
            Self::Hash(also) => write!(f, "hash {also}"),
            Self::Drive(index) => ChainPart::Drive(*index).fmt(f),
        }
    }
}

impl Serialize for Bottleneck {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// Thousandths are more than anyone knows.
pub(super) fn rounded(mbps: MegabytesPerS) -> MegabytesPerS {
    MegabytesPerS(float(whole(mbps.0 * 1e3)) / 1e3)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_part_is_found_by_its_name_and_nothing_else_is() {
        let numbered = [0, 1, 11].into_iter().flat_map(|n| {
            [
                ChainPart::Drive(n),
                ChainPart::DrivePort(n),
                ChainPart::DriveHub(n),
            ]
        });
        let plain = [
            ChainPart::Card,
            ChainPart::CardBus,
            ChainPart::ReaderSlot,
            ChainPart::CardAndReader,
            ChainPart::ReaderLink,
            ChainPart::ReaderPort,
            ChainPart::Hub,
        ];
        for part in plain.into_iter().chain(numbered) {
            assert_eq!(ChainPart::from_name(&part.to_string()), Some(part));
        }
        for name in [
            "",
            "cards",
            "destination",
            "destination 0",
            "destination 01",
            "destination 1 ports",
            "destination -1",
            "destination 99999999999999999999999",
        ] {
            assert_eq!(ChainPart::from_name(name), None, "{name}");
        }
    }
}
