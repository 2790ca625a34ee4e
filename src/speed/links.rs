//! Owns the link table: every bus a card speaks and every link between a reader and a computer,
//! with how its ceiling comes about and what it usually gives.
//!
//! A ceiling is `transfers per second x bits per transfer x line code / 8`, in MB/s of 10^6 bytes.
//! It is what the link carries at most, never what a card, a reader or a drive delivers. The usual
//! share is what published measurements report of it; where nothing was published it says so.

use crate::units::{MegabitsPerS, MegabytesPerS};

/// What kind of link a row is; only links of one kind can meet in a slot or a plug.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Family {
    /// SD, Default and High Speed.
    Sd,
    /// SD, one row of pins at 1.8 V.
    UhsI,
    /// A maker's own faster mode on one row of pins; both sides must know it.
    UhsIVendor,
    /// SD, two rows of pins.
    UhsII,
    /// SD, two rows of pins, twice as fast.
    UhsIII,
    /// SD with `PCIe` lanes on the second row of pins.
    SdExpress,
    /// `CompactFlash`.
    CompactFlash,
    /// `CFast`.
    CFast,
    /// XQD.
    Xqd,
    /// `CFexpress`.
    CfExpress,
    /// USB.
    Usb,
    /// USB4.
    Usb4,
    /// Thunderbolt.
    Thunderbolt,
    /// SATA.
    Sata,
    /// `PCIe`.
    Pcie,
    /// A network.
    Ethernet,
}

impl Family {
    /// Returns whether a card speaks it; all others lead from a reader to a computer.
    pub fn is_card_bus(self) -> bool {
        self <= Self::CfExpress
    }

    /// Returns whether it is one of the SD Association's.
    pub fn is_sd(self) -> bool {
        self <= Self::SdExpress
    }
}

/// How much of a ceiling is usual, as shares of it, and who says so.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Usual {
    /// Less than this share is unusual.
    pub low: f64,
    /// More than this share is unusual.
    pub high: f64,
    /// Where the shares come from.
    pub source: &'static str,
}

/// One row of the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LinkRow {
    /// Its name in flags, records and events.
    pub id: &'static str,
    /// Other names that people give it; each leads to this row.
    pub also: &'static [&'static str],
    /// Its name on the screen.
    pub words: &'static str,
    /// Its kind.
    pub family: Family,
    /// Transfers per second on each wire pair or lane.
    pub per_s: f64,
    /// Bits in a transfer: wires, or lanes.
    pub wide: f64,
    /// Line code: payload bits, and bits on the wire for them.
    pub code: (f64, f64),
    /// Document and body that the derivation comes from.
    pub source: &'static str,
    /// What it usually gives.
    pub usual: Usual,
}

impl LinkRow {
    /// Returns the ceiling.
    pub fn mbps(&self) -> MegabytesPerS {
        MegabitsPerS(self.per_s * self.wide * self.code.0 / self.code.1 / 1e6).in_bytes()
    }
}

/// Returns the row with this name, in any spelling of capitals.
pub fn find(id: &str) -> Option<&'static LinkRow> {
    let wanted = id.trim().to_ascii_lowercase();
    LINKS
        .iter()
        .find(|row| row.id == wanted || row.also.contains(&wanted.as_str()))
}

/// Returns all buses of cards, or all links of readers, in the table's order.
pub fn rows(card_buses: bool) -> impl Iterator<Item = &'static LinkRow> {
    LINKS
        .iter()
        .filter(move |row| row.family.is_card_bus() == card_buses)
}

/// Returns the name of a bus or a link that is most like this one, if any is.
pub fn closest(id: &str, card_buses: bool) -> Option<&'static str> {
    let lower = id.trim().to_lowercase();
    let names = rows(card_buses).flat_map(|row| std::iter::once(&row.id).chain(row.also));
    let slips = |name: &'static str| {
        let slips = strsim::damerau_levenshtein(&lower, name);
        // More than half of a short name is another name.
        let is_like = slips <= SLIPS_MAX && slips * 2 < name.len().max(lower.len());
        is_like.then_some((slips, name))
    };
    names
        .filter_map(|name| slips(name))
        .min()
        .map(|(_, name)| name)
}

/// Letters that a name may have wrong to be taken for another.
const SLIPS_MAX: usize = 2;

/// What a card and a slot agree on.
#[derive(Clone, Copy, Debug)]
pub struct Met {
    /// The mode they use.
    pub row: &'static LinkRow,
    /// Whether such a card goes into such a slot without an adapter.
    pub fits: bool,
}

/// Returns the mode that a card uses in a slot: the best that both know.
///
/// A second row of pins counts only if both have the same one: UHS-II in a slot with one row, SD
/// Express in a UHS-II slot and the reverse all run as UHS-I. A maker's faster mode counts only if
/// both know it.
pub fn meet(card: &'static LinkRow, slot: &'static LinkRow) -> Met {
    use Family::{CFast, CfExpress, CompactFlash, SdExpress, UhsII, UhsIII, UhsIVendor, Xqd};
    let (a, b) = (card.family, slot.family);
    let lanes = |fits| Met {
        row: fewest_lanes(card, slot),
        fits,
    };
    match (a, b) {
        (SdExpress, SdExpress) | (Xqd | CfExpress, Xqd | CfExpress) => {
            // Types A, B and C have shapes of their own; XQD has that of type B.
            lanes(a == SdExpress || shape(card) == shape(slot))
        }
        (UhsII | UhsIII, UhsII | UhsIII) | (UhsIVendor, UhsIVendor) => Met {
            row: lesser(card, slot),
            fits: true,
        },
        _ if a.is_sd() && b.is_sd() => Met {
            row: lesser(one_row(card), one_row(slot)),
            fits: true,
        },
        _ => Met {
            row: lesser(card, slot),
            fits: a == b && matches!(a, CompactFlash | CFast),
        },
    }
}

/// The mode of a side of the SD family on the first row of pins alone.
fn one_row(row: &'static LinkRow) -> &'static LinkRow {
    if row.family > Family::UhsI {
        find("sd-sdr104").unwrap_or(row)
    } else {
        row
    }
}

/// The slower row; of two that are as fast, the older family.
fn lesser(a: &'static LinkRow, b: &'static LinkRow) -> &'static LinkRow {
    if (a.mbps().0, a.family) <= (b.mbps().0, b.family) {
        a
    } else {
        b
    }
}

/// The slot's shape in the `CFexpress` family: its type, told by the end of its name.
fn shape(row: &LinkRow) -> &'static str {
    if row.family == Family::Xqd {
        return "b";
    }
    row.id.rsplit('-').next().unwrap_or(row.id)
}

/// The mode with the slower lanes and the fewer of them, if the table has it.
fn fewest_lanes(a: &'static LinkRow, b: &'static LinkRow) -> &'static LinkRow {
    let per_s = a.per_s.min(b.per_s);
    let wide = a.wide.min(b.wide);
    let is_it = |row: &&LinkRow| (row.per_s - per_s).abs() < 1.0 && (row.wide - wide).abs() < 0.5;
    let family = |row: &&'static LinkRow| row.family == a.family || row.family == b.family;
    [a, b]
        .into_iter()
        .chain(LINKS.iter().filter(family))
        .find(|row| is_it(row))
        .unwrap_or_else(|| lesser(a, b))
}

/// Returns the row of a USB link by its speed in Mb/s as the system reports it, and its lanes.
pub fn usb(megabits: MegabitsPerS, lanes: u32) -> Option<&'static LinkRow> {
    let speed = crate::units::whole(megabits.0);
    match (speed, lanes) {
        (12, _) => find("usb1-bulk"),
        (480, _) => find("usb2-bulk"),
        (5_000, _) => find("usb3-5g"),
        (10_000, 2) => find("usb3-gen1x2"),
        (10_000, _) => find("usb3-10g"),
        (20_000, _) => find("usb3-20g"),
        _ => None,
    }
}

/// Returns the row of one `PCIe` lane by its transfers per second in GT/s.
pub fn pcie_lane(gigatransfers: f64) -> Option<&'static LinkRow> {
    LINKS
        .iter()
        .filter(|row| row.family == Family::Pcie)
        .find(|row| (row.per_s / 1e9 - gigatransfers).abs() < 0.05)
}

/// Returns how much of a card's label is usual.
pub const LABEL_USUAL: Usual = Usual {
    low: 0.87,
    high: 1.0,
    source: "common practice, no source",
};

const SD_SLOW: Usual = Usual {
    low: 0.87,
    high: 0.94,
    source: "single measurements published by ROCKNIX and MicroPython developers",
};
const SD_104: Usual = Usual {
    low: 0.77,
    high: 0.923,
    source: "single measurements published by Linux, ROCKNIX and MicroPython developers",
};
const SD_TWO_ROWS: Usual = Usual {
    low: 0.80,
    high: 0.96,
    source: "reader tests in the press",
};
const PCIE_CARD: Usual = Usual {
    low: 0.80,
    high: 0.90,
    source: "card tests in the press",
};
const USB_2: Usual = Usual {
    low: 0.56,
    high: 0.79,
    source: "30 to 42 MB/s in tests in the press",
};
const USB_5: Usual = Usual {
    low: 0.80,
    high: 0.92,
    source: "USB 3.0 Specification, section 4.4.11 (USB-IF), for the lower share",
};
const USB_10: Usual = Usual {
    low: 0.58,
    high: 0.83,
    source: "700 to 1000 MB/s by makers of readers and bridges",
};
const SATA: Usual = Usual {
    low: 0.85,
    high: 0.92,
    source: "about 550 of 600 MB/s in tests in the press",
};
const UNKNOWN: Usual = Usual {
    low: 0.70,
    high: 0.95,
    source: "common practice, no source",
};

const SDA: &str = "SD Specifications Part 1, bus speed modes (SD Association)";
const SDA_EXPRESS: &str =
    "SD Specifications Part 1, SD Express (SD Association), over PCIe (PCI-SIG)";
const CFA: &str = "CF+ and CompactFlash Specification, Ultra DMA modes (CompactFlash Association)";
const CFA_CFAST: &str = "CFast Specification (CompactFlash Association), over SATA (SATA-IO)";
const CFA_XQD: &str = "XQD Specification (CompactFlash Association), over PCIe (PCI-SIG)";
const CFA_CFE: &str = "CFexpress Specification (CompactFlash Association), over PCIe (PCI-SIG)";
const USB_IF_2: &str = "USB 2.0 Specification, section 5.8.4, bulk transactions (USB-IF)";
const USB_IF_3: &str = "USB 3.2 Specification (USB-IF)";
const USB_IF_4: &str = "USB4 Specification (USB-IF)";
const INTEL_TB: &str = "Thunderbolt technology briefs (Intel)";
const SATA_IO: &str = "Serial ATA Specification (SATA-IO)";
const PCI_SIG: &str = "PCI Express Base Specification (PCI-SIG)";
const IEEE: &str = "IEEE 802.3, with the headers of RFC 9293 (TCP) and RFC 791 (IP)";

/// No line code: every bit on the wires is payload.
const PLAIN: (f64, f64) = (1.0, 1.0);
const B8_10: (f64, f64) = (8.0, 10.0);
const B128_130: (f64, f64) = (128.0, 130.0);
const B128_132: (f64, f64) = (128.0, 132.0);

const fn row(
    id: &'static str,
    words: &'static str,
    family: Family,
    (per_s, wide, code): (f64, f64, (f64, f64)),
    source: &'static str,
    usual: Usual,
) -> LinkRow {
    LinkRow {
        id,
        also: &[],
        words,
        family,
        per_s,
        wide,
        code,
        source,
        usual,
    }
}

const fn also(row: LinkRow, also: &'static [&'static str]) -> LinkRow {
    LinkRow { also, ..row }
}

use Family as F;

/// The table; cards first.
#[rustfmt::skip]
pub static LINKS: [LinkRow; 63] = [
    row("sd-ds", "SD Default Speed", F::Sd, (25e6, 4.0, PLAIN), SDA, SD_SLOW),
    row("sd-hs", "SD High Speed", F::Sd, (50e6, 4.0, PLAIN), SDA, SD_SLOW),
    row("sd-sdr12", "UHS-I SDR12", F::UhsI, (25e6, 4.0, PLAIN), SDA, SD_SLOW),
    row("sd-sdr25", "UHS-I SDR25", F::UhsI, (50e6, 4.0, PLAIN), SDA, SD_SLOW),
    row("sd-sdr50", "UHS-I SDR50", F::UhsI, (100e6, 4.0, PLAIN), SDA, SD_SLOW),
    row("sd-ddr50", "UHS-I DDR50", F::UhsI, (2.0 * 50e6, 4.0, PLAIN), SDA, SD_SLOW),
    also(row("sd-sdr104", "UHS-I", F::UhsI, (208e6, 4.0, PLAIN), SDA, SD_104), &["uhs-i", "uhs-1"]),
    row("sd-ddr200-vendor", "a maker's faster UHS-I mode", F::UhsIVendor, (2.0 * 200e6, 4.0, PLAIN),
        "no standard: 200 MHz on both edges, as laboratory reviews in the press report it",
        UNKNOWN),
    row("sd-uhs2-fd156", "UHS-II FD156", F::UhsII, (1.56e9, 1.0, B8_10), SDA, SD_TWO_ROWS),
    also(row("sd-uhs2-hd312", "UHS-II", F::UhsII, (1.56e9, 2.0, B8_10), SDA, SD_TWO_ROWS),
        &["uhs-ii", "uhs-2"]),
    row("sd-uhs3-fd312", "UHS-III FD312", F::UhsIII, (3.12e9, 1.0, B8_10), SDA, SD_TWO_ROWS),
    also(row("sd-uhs3-fd624", "UHS-III", F::UhsIII, (6.24e9, 1.0, B8_10), SDA, SD_TWO_ROWS),
        &["uhs-iii", "uhs-3"]),
    also(row("sdex-3x1", "SD Express, PCIe 3", F::SdExpress,
        (8e9, 1.0, B128_130), SDA_EXPRESS, PCIE_CARD),
        &["sd-express"]),
    row("sdex-3x2", "SD Express, PCIe 3 x2", F::SdExpress,
        (8e9, 2.0, B128_130), SDA_EXPRESS, PCIE_CARD),
    row("sdex-4x1", "SD Express, PCIe 4", F::SdExpress,
        (16e9, 1.0, B128_130), SDA_EXPRESS, PCIE_CARD),
    row("sdex-4x2", "SD Express, PCIe 4 x2", F::SdExpress,
        (16e9, 2.0, B128_130), SDA_EXPRESS, PCIE_CARD),
    row("cf-udma0", "CompactFlash UDMA 0", F::CompactFlash,
        (1e9 / 120.0, 16.0, PLAIN), CFA, UNKNOWN),
    row("cf-udma1", "CompactFlash UDMA 1", F::CompactFlash,
        (1e9 / 80.0, 16.0, PLAIN), CFA, UNKNOWN),
    row("cf-udma2", "CompactFlash UDMA 2", F::CompactFlash,
        (1e9 / 60.0, 16.0, PLAIN), CFA, UNKNOWN),
    row("cf-udma3", "CompactFlash UDMA 3", F::CompactFlash,
        (1e9 / 45.0, 16.0, PLAIN), CFA, UNKNOWN),
    row("cf-udma4", "CompactFlash UDMA 4", F::CompactFlash,
        (1e9 / 30.0, 16.0, PLAIN), CFA, UNKNOWN),
    row("cf-udma5", "CompactFlash UDMA 5", F::CompactFlash,
        (1e9 / 20.0, 16.0, PLAIN), CFA, UNKNOWN),
    row("cf-udma6", "CompactFlash UDMA 6", F::CompactFlash,
        (1e9 / 15.0, 16.0, PLAIN), CFA, UNKNOWN),
    also(row("cf-udma7", "CompactFlash UDMA 7", F::CompactFlash,
        (1e9 / 12.0, 16.0, PLAIN), CFA, UNKNOWN),
        &["compactflash"]),
    row("cfast1", "CFast 1", F::CFast, (3e9, 1.0, B8_10), CFA_CFAST, SATA),
    row("cfast2", "CFast 2.0", F::CFast, (6e9, 1.0, B8_10), CFA_CFAST, SATA),
    row("xqd1-g1", "XQD, PCIe 1", F::Xqd, (2.5e9, 1.0, B8_10), CFA_XQD, PCIE_CARD),
    row("xqd1-g2", "XQD, PCIe 2", F::Xqd, (5e9, 1.0, B8_10), CFA_XQD, PCIE_CARD),
    row("xqd2", "XQD 2", F::Xqd, (8e9, 1.0, B128_130), CFA_XQD, PCIE_CARD),
    row("cfe1-b", "CFexpress 1.0", F::CfExpress, (8e9, 2.0, B128_130), CFA_CFE, PCIE_CARD),
    row("cfe2-a", "CFexpress 2.0 type A", F::CfExpress, (8e9, 1.0, B128_130), CFA_CFE, PCIE_CARD),
    row("cfe2-b", "CFexpress 2.0 type B", F::CfExpress, (8e9, 2.0, B128_130), CFA_CFE, PCIE_CARD),
    row("cfe2-c", "CFexpress 2.0 type C", F::CfExpress, (8e9, 4.0, B128_130), CFA_CFE, PCIE_CARD),
    row("cfe4-a", "CFexpress 4.0 type A", F::CfExpress, (16e9, 1.0, B128_130), CFA_CFE, PCIE_CARD),
    row("cfe4-b", "CFexpress 4.0 type B", F::CfExpress, (16e9, 2.0, B128_130), CFA_CFE, PCIE_CARD),
    row("cfe4-c", "CFexpress 4.0 type C", F::CfExpress, (16e9, 4.0, B128_130), CFA_CFE, PCIE_CARD),
    // 1000 frames a second, 19 packets of 64 bytes each (USB 2.0 Specification, table 5-9).
    row("usb1-bulk", "USB 1, 12 Mb/s", F::Usb,
        (1_000.0, 19.0 * 64.0 * 8.0, PLAIN), USB_IF_2, UNKNOWN),
    row("usb2-raw", "USB 2.0 on the wire", F::Usb, (480e6, 1.0, PLAIN), USB_IF_2,
        Usual { low: 0.5, high: 0.7, source: USB_2.source }),
    // 8000 microframes a second, 13 packets of 512 bytes each (table 5-10).
    also(row("usb2-bulk", "USB 2.0", F::Usb, (8_000.0, 13.0 * 512.0 * 8.0, PLAIN), USB_IF_2, USB_2),
        &["usb2", "usb-2", "usb2.0"]),
    also(row("usb3-5g", "USB 5 Gb/s", F::Usb, (5e9, 1.0, B8_10), USB_IF_3, USB_5),
        &["usb3", "usb-3", "usb-5g"]),
    row("usb3-gen1x2", "USB 2 x 5 Gb/s", F::Usb, (5e9, 2.0, B8_10), USB_IF_3, UNKNOWN),
    also(row("usb3-10g", "USB 10 Gb/s", F::Usb, (10e9, 1.0, B128_132), USB_IF_3, USB_10),
        &["usb-10g"]),
    also(row("usb3-20g", "USB 20 Gb/s", F::Usb, (10e9, 2.0, B128_132), USB_IF_3, UNKNOWN),
        &["usb-20g"]),
    row("usb4-20g", "USB4 20 Gb/s", F::Usb4, (10e9, 2.0, (64.0, 66.0)), USB_IF_4, UNKNOWN),
    row("usb4-40g", "USB4 40 Gb/s", F::Usb4, (20e9, 2.0, B128_132), USB_IF_4, UNKNOWN),
    row("usb4-80g", "USB4 80 Gb/s", F::Usb4, (40e9, 2.0, PLAIN), USB_IF_4, UNKNOWN),
    also(row("tb3-data", "Thunderbolt 3", F::Thunderbolt, (22e9, 1.0, PLAIN), INTEL_TB, UNKNOWN),
        &["tb3"]),
    also(row("tb4-pcie", "Thunderbolt 4", F::Thunderbolt, (8e9, 4.0, B128_130), INTEL_TB, UNKNOWN),
        &["tb4"]),
    also(row("tb5-pcie", "Thunderbolt 5", F::Thunderbolt, (16e9, 4.0, B128_130), INTEL_TB, UNKNOWN),
        &["tb5"]),
    row("sata1", "SATA 1.5 Gb/s", F::Sata, (1.5e9, 1.0, B8_10), SATA_IO, SATA),
    row("sata2", "SATA 3 Gb/s", F::Sata, (3e9, 1.0, B8_10), SATA_IO, SATA),
    row("sata3", "SATA 6 Gb/s", F::Sata, (6e9, 1.0, B8_10), SATA_IO, SATA),
    row("pcie1-lane", "PCIe 1", F::Pcie, (2.5e9, 1.0, B8_10), PCI_SIG, PCIE_CARD),
    row("pcie2-lane", "PCIe 2", F::Pcie, (5e9, 1.0, B8_10), PCI_SIG, PCIE_CARD),
    row("pcie3-lane", "PCIe 3", F::Pcie, (8e9, 1.0, B128_130), PCI_SIG, PCIE_CARD),
    row("pcie4-lane", "PCIe 4", F::Pcie, (16e9, 1.0, B128_130), PCI_SIG, PCIE_CARD),
    row("pcie5-lane", "PCIe 5", F::Pcie, (32e9, 1.0, B128_130), PCI_SIG, PCIE_CARD),
    row("eth-1g", "1 Gb/s network", F::Ethernet, (1e9, 1.0, PLAIN), IEEE, UNKNOWN),
    // Frames of 1500 bytes take 1538 on the wire; the headers of IP and TCP leave 1460 of them,
    // 1448 with time stamps.
    row("eth-1g-tcp", "1 Gb/s network, TCP", F::Ethernet,
        (1e9, 1.0, (1_460.0, 1_538.0)), IEEE, UNKNOWN),
    row("eth-1g-tcp-ts", "1 Gb/s network, TCP with time stamps", F::Ethernet,
        (1e9, 1.0, (1_448.0, 1_538.0)), IEEE, UNKNOWN),
    row("eth-2.5g-tcp-ts", "2.5 Gb/s network, TCP", F::Ethernet,
        (2.5e9, 1.0, (1_448.0, 1_538.0)), IEEE, UNKNOWN),
    row("eth-10g-tcp-ts", "10 Gb/s network, TCP", F::Ethernet,
        (10e9, 1.0, (1_448.0, 1_538.0)), IEEE, UNKNOWN),
    row("eth-10g-tcp-jumbo", "10 Gb/s network, TCP, large frames", F::Ethernet,
        (10e9, 1.0, (8_948.0, 9_038.0)), IEEE, UNKNOWN),
];

#[cfg(test)]
mod tests {
    use super::*;

    const SDA_PAGE: &str = "SD Association, Bus Speed page";
    const CFA_UDMA: &str = "CompactFlash Association, CF 6.0, Ultra DMA modes 0 to 7";
    const CFA_PAGE: &str = "CompactFlash Association, CFexpress page";
    const USB_NAMES: &str = "USB-IF, USB 3.2 language and product guidelines";
    const PCI_PAGE: &str = "PCI-SIG, PCI Express base specifications";
    const SATA_PAGE: &str = "SATA-IO, naming guidelines";
    const FRAMES: &str = "IEEE 802.3 frame arithmetic";

    /// What the bodies publish, in MB/s, and where.
    const PUBLISHED: [(&str, f64, &str); 57] = [
        ("sd-ds", 12.5, SDA_PAGE),
        ("sd-hs", 25.0, SDA_PAGE),
        ("sd-sdr12", 12.5, "Arm, CMSIS-Driver, MCI bus speed modes"),
        ("sd-sdr25", 25.0, "Arm, CMSIS-Driver, MCI bus speed modes"),
        ("sd-sdr50", 50.0, SDA_PAGE),
        ("sd-ddr50", 50.0, SDA_PAGE),
        ("sd-sdr104", 104.0, SDA_PAGE),
        ("sd-uhs2-fd156", 156.0, SDA_PAGE),
        ("sd-uhs2-hd312", 312.0, SDA_PAGE),
        ("sd-uhs3-fd312", 312.0, SDA_PAGE),
        ("sd-uhs3-fd624", 624.0, SDA_PAGE),
        ("sdex-3x1", 985.0, SDA_PAGE),
        ("sdex-3x2", 1_970.0, SDA_PAGE),
        ("sdex-4x1", 1_970.0, SDA_PAGE),
        ("sdex-4x2", 3_940.0, SDA_PAGE),
        ("cf-udma0", 16.7, CFA_UDMA),
        ("cf-udma1", 25.0, CFA_UDMA),
        ("cf-udma2", 33.3, CFA_UDMA),
        ("cf-udma3", 44.4, CFA_UDMA),
        ("cf-udma4", 66.7, CFA_UDMA),
        ("cf-udma5", 100.0, CFA_UDMA),
        ("cf-udma6", 133.0, CFA_UDMA),
        ("cf-udma7", 167.0, CFA_UDMA),
        ("cfast1", 300.0, "CompactFlash Association, CFast 1.1"),
        ("cfast2", 600.0, "CompactFlash Association, CFast 2.0"),
        (
            "xqd1-g1",
            250.0,
            "CompactFlash Association, XQD announcement 2011",
        ),
        (
            "xqd1-g2",
            500.0,
            "CompactFlash Association, XQD announcement 2011",
        ),
        (
            "xqd2",
            1_000.0,
            "CompactFlash Association, XQD 2.0 announcement 2012",
        ),
        ("cfe1-b", 2_000.0, CFA_PAGE),
        ("cfe2-a", 1_000.0, CFA_PAGE),
        ("cfe2-b", 2_000.0, CFA_PAGE),
        ("cfe2-c", 4_000.0, CFA_PAGE),
        ("cfe4-a", 2_000.0, CFA_PAGE),
        ("cfe4-b", 4_000.0, CFA_PAGE),
        ("cfe4-c", 8_000.0, CFA_PAGE),
        (
            "usb1-bulk",
            1.216,
            "USB-IF, USB 2.0 Specification, table 5-9 (from memory)",
        ),
        ("usb2-raw", 60.0, "USB-IF, USB 2.0: 480 Mb/s"),
        (
            "usb2-bulk",
            53.248,
            "USB-IF, USB 2.0 Specification, table 5-10",
        ),
        ("usb3-5g", 500.0, USB_NAMES),
        ("usb3-gen1x2", 1_000.0, USB_NAMES),
        ("usb3-10g", 1_200.0, USB_NAMES),
        ("usb3-20g", 2_400.0, USB_NAMES),
        ("usb4-80g", 10_000.0, "USB-IF, USB4 Version 2.0: 80 Gb/s"),
        ("sata1", 150.0, SATA_PAGE),
        ("sata2", 300.0, SATA_PAGE),
        ("sata3", 600.0, SATA_PAGE),
        ("pcie1-lane", 250.0, PCI_PAGE),
        ("pcie2-lane", 500.0, PCI_PAGE),
        ("pcie3-lane", 985.0, PCI_PAGE),
        ("pcie4-lane", 1_969.0, PCI_PAGE),
        ("pcie5-lane", 3_938.0, PCI_PAGE),
        ("eth-1g", 125.0, "IEEE 802.3: 1000 Mb/s"),
        ("eth-1g-tcp", 118.7, FRAMES),
        ("eth-1g-tcp-ts", 117.7, FRAMES),
        ("eth-2.5g-tcp-ts", 294.2, FRAMES),
        ("eth-10g-tcp-ts", 1_177.0, FRAMES),
        ("eth-10g-tcp-jumbo", 1_238.0, FRAMES),
    ];

    /// Rows without a published figure in MB/s: the raw rate in Gb/s that is published instead, and
    /// what their line code leaves of it.
    const RAW_ONLY: [(&str, f64, f64, &str); 6] = [
        (
            "sd-ddr200-vendor",
            1.6,
            200.0,
            "no standard; 4 bits at 200 MHz, both edges",
        ),
        (
            "usb4-20g",
            20.0,
            2_424.242,
            "USB-IF, USB4: 20 Gb/s, 64b/66b",
        ),
        (
            "usb4-40g",
            40.0,
            4_848.485,
            "USB-IF, USB4: 40 Gb/s, 128b/132b",
        ),
        (
            "tb3-data",
            22.0,
            2_750.0,
            "Intel, Thunderbolt 3: 22 Gb/s of data",
        ),
        (
            "tb4-pcie",
            32.0,
            3_938.462,
            "Intel, Thunderbolt 4: 32 Gb/s of PCIe",
        ),
        (
            "tb5-pcie",
            64.0,
            7_876.923,
            "Intel, Thunderbolt 5: 64 Gb/s of PCIe",
        ),
    ];

    #[test]
    fn every_ceiling_is_what_its_body_publishes() {
        for (id, published, source) in PUBLISHED {
            let got = find(id).unwrap().mbps().0;
            assert!(
                (got - published).abs() <= 0.02 * published,
                "{id}: derived {got}, published {published} ({source})"
            );
        }
        for (id, raw_gbps, mbps, source) in RAW_ONLY {
            let row = find(id).unwrap();
            let raw = row.per_s * row.wide / 1e9;
            assert!((raw - raw_gbps).abs() < 1e-9, "{id}: {raw} ({source})");
            assert!((row.mbps().0 - mbps).abs() < 0.01, "{id}: {:?}", row.mbps());
        }
        let mut checked: Vec<&str> = PUBLISHED.iter().map(|p| p.0).collect();
        checked.extend(RAW_ONLY.iter().map(|r| r.0));
        let unchecked: Vec<&str> = LINKS
            .iter()
            .map(|row| row.id)
            .filter(|id| !checked.contains(id))
            .collect();
        assert!(unchecked.is_empty(), "{unchecked:?}");
        assert_eq!(checked.len(), LINKS.len());
    }

    #[test]
    fn lanes_multiply_and_families_are_consistent() {
        // The CompactFlash Association counts 1000 MB/s a lane of PCIe 3; the lane itself gives
        // 984.6.
        let lane = find("pcie3-lane").unwrap().mbps().0;
        assert!((find("cfe2-b").unwrap().mbps().0 - 2.0 * lane).abs() < 1e-9);
        assert!((find("sdex-4x2").unwrap().mbps().0 - 4.0 * lane).abs() < 1e-9);
        for row in &LINKS {
            assert!(
                row.usual.low > 0.0 && row.usual.low <= row.usual.high,
                "{}",
                row.id
            );
            assert!(
                row.usual.high <= 1.0 && !row.usual.source.is_empty(),
                "{}",
                row.id
            );
            assert!(row.source.len() > 10 && row.words.len() < 40, "{}", row.id);
        }
    }

    #[test]
    fn every_name_leads_to_one_row() {
        let names: Vec<&str> = LINKS
            .iter()
            .flat_map(|row| std::iter::once(row.id).chain(row.also.iter().copied()))
            .collect();
        let once: std::collections::BTreeSet<&&str> = names.iter().collect();
        assert_eq!(once.len(), names.len(), "a name stands twice");
        for name in &names {
            assert!(
                find(name).is_some() && *name == name.to_lowercase(),
                "{name}"
            );
        }
        assert_eq!(find(" UHS-II ").unwrap().id, "sd-uhs2-hd312");
        assert_eq!(find("uhs"), None);
        assert_eq!(rows(true).count() + rows(false).count(), LINKS.len());
        assert!(rows(true).all(|row| row.family.is_card_bus()));
        assert_eq!(rows(false).next().map(|row| row.id), Some("usb1-bulk"));
        assert!(find("list").is_none(), "the word that asks for all of them");
    }

    #[test]
    fn a_slip_of_typing_is_known_for_what_was_meant() {
        for (typed, card_bus, meant) in [
            ("uhs-9", true, Some("uhs-1")),
            ("UHS-IIII", true, Some("uhs-iii")),
            ("sd-srd104", true, Some("sd-sdr104")),
            ("usb3-5", false, Some("usb3-5g")),
            ("cfe2", true, Some("cfe2-a")),
            ("sdxc", true, None),
            ("cable", false, None),
            ("", true, None),
        ] {
            assert_eq!(closest(typed, card_bus), meant, "{typed}");
        }
    }

    #[test]
    fn a_card_and_a_slot_use_the_best_mode_that_both_know() {
        // SD Association, Bus Speed page and its notes on falling back; the reverse combinations of
        // SD Express and UHS-II from the press (the second row of pins is another one).
        for (card, slot, mode, fits) in [
            ("sd-uhs2-hd312", "sd-sdr104", "sd-sdr104", true),
            ("sd-uhs2-hd312", "sd-uhs2-fd156", "sd-uhs2-fd156", true),
            ("sd-uhs2-hd312", "sd-uhs3-fd624", "sd-uhs2-hd312", true),
            ("sd-uhs3-fd624", "sd-uhs2-hd312", "sd-uhs2-hd312", true),
            ("sd-uhs3-fd312", "sd-uhs2-hd312", "sd-uhs2-hd312", true),
            ("sdex-3x1", "sd-uhs2-hd312", "sd-sdr104", true),
            ("sd-uhs2-hd312", "sdex-3x1", "sd-sdr104", true),
            ("sdex-4x1", "sdex-3x2", "sdex-3x1", true),
            ("sdex-4x2", "sdex-4x1", "sdex-4x1", true),
            ("sdex-3x1", "sd-hs", "sd-hs", true),
            ("sd-sdr104", "sd-uhs2-hd312", "sd-sdr104", true),
            ("sd-sdr50", "sdex-4x2", "sd-sdr50", true),
            ("sd-hs", "sd-sdr104", "sd-hs", true),
            (
                "sd-ddr200-vendor",
                "sd-ddr200-vendor",
                "sd-ddr200-vendor",
                true,
            ),
            ("sd-ddr200-vendor", "sd-sdr104", "sd-sdr104", true),
            ("sd-ddr200-vendor", "sd-uhs2-hd312", "sd-sdr104", true),
            ("sd-sdr104", "sd-ddr200-vendor", "sd-sdr104", true),
            ("cf-udma7", "cf-udma4", "cf-udma4", true),
            ("cfast2", "cfast1", "cfast1", true),
            ("cfe4-b", "cfe2-b", "cfe2-b", true),
            ("cfe4-b", "xqd2", "xqd2", true),
            ("xqd1-g2", "cfe2-b", "xqd1-g2", true),
            ("cfe4-a", "cfe2-b", "cfe2-a", false),
            ("cfast2", "cf-udma7", "cf-udma7", false),
            ("sd-sdr104", "cfe2-b", "sd-sdr104", false),
        ] {
            let met = meet(find(card).unwrap(), find(slot).unwrap());
            assert_eq!((met.row.id, met.fits), (mode, fits), "{card} in {slot}");
        }
    }

    #[test]
    fn no_mode_is_faster_than_either_side() {
        let buses: Vec<&LinkRow> = LINKS.iter().filter(|r| r.family.is_card_bus()).collect();
        for (card, slot) in buses
            .iter()
            .flat_map(|a| buses.iter().map(move |b| (*a, *b)))
        {
            let (one, other) = (meet(find(card.id).unwrap(), find(slot.id).unwrap()), {
                meet(find(slot.id).unwrap(), find(card.id).unwrap())
            });
            let least = card.mbps().least(slot.mbps()).0;
            assert!(
                one.row.mbps().0 <= least + 1e-9,
                "{} in {}",
                card.id,
                slot.id
            );
            assert!((one.row.mbps().0 - other.row.mbps().0).abs() < 1e-9);
            assert_eq!(one.fits, other.fits);
            if card.id == slot.id {
                assert!(one.row.id == card.id && one.fits);
            }
        }
    }

    #[test]
    fn what_the_system_reports_finds_its_row() {
        for (speed, lanes, id) in [
            (12.0, 1, "usb1-bulk"),
            (480.0, 1, "usb2-bulk"),
            (5_000.0, 1, "usb3-5g"),
            (10_000.0, 1, "usb3-10g"),
            (10_000.0, 2, "usb3-gen1x2"),
            (20_000.0, 2, "usb3-20g"),
        ] {
            assert_eq!(usb(MegabitsPerS(speed), lanes).unwrap().id, id);
        }
        assert_eq!(usb(MegabitsPerS(1.5), 1), None);
        for (speed, id) in [
            (2.5, "pcie1-lane"),
            (8.0, "pcie3-lane"),
            (32.0, "pcie5-lane"),
        ] {
            assert_eq!(pcie_lane(speed).unwrap().id, id);
        }
        assert_eq!(pcie_lane(3.0), None);
    }
}
