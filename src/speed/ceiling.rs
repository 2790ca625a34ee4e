//! Owns what a chain from a card to the drives allows at most: `ceiling = min` over its links.
//! Pure.

use super::chain::{CardSpeed, Chain, DriveSpeed, Hop, InUse, Origin, ReaderSpeed, Spin, in_turns};
use super::link::{ChainPart, Link, LinkKind, rounded};
use super::links::{Family, LinkRow, Met, Usual, find, meet};
use crate::units::{MegabytesPerS, float, len64};
use std::collections::{BTreeMap, BTreeSet};

/// Above this share of a ceiling the ceiling is wrong, not the measurement.
const ABOVE: f64 = 1.1;
/// Labels up to this many MB/s are seen on cards with one row of pins (common practice, no source).
pub const ONE_ROW_LABEL_MAX: f64 = 230.0;
/// Below this share of what is usual something is slow.
const BELOW: f64 = 0.7;

/// What a chain allows at most.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Ceiling {
    links: Vec<Link>,
    notes: Vec<String>,
    drives: DrivesKnown,
    spins: Vec<Spin>,
}

/// What the figures of a chain rest on where its drives are concerned. Destinations are counted
/// from 0.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct DrivesKnown {
    /// Destinations of which nobody knows how fast they are.
    pub unknown: Vec<usize>,
    /// Destinations that are read back and of which nobody knows whether they spin, with the MB/s
    /// that each takes if it does.
    pub may_spin: Vec<(usize, MegabytesPerS)>,
}

impl Ceiling {
    /// Returns what `chain` allows.
    pub fn of(chain: &Chain) -> Self {
        let mut ceiling = Self::default();
        for sentence in &chain.said {
            ceiling.note(sentence.clone());
        }
        ceiling.card(&chain.card, &chain.reader);
        if let Some(InUse { row, mbps }) = chain.reader.in_use {
            ceiling.add(ChainPart::ReaderSlot, row, mbps, Origin::Detected);
        }
        if let Some(row) = chain.reader.link {
            ceiling.reader_link(row, chain.reader.cards_at_once.max(1));
        }
        ceiling.paths(chain);
        ceiling.all_drives(chain);
        ceiling.spins = chain.drives.iter().map(DriveSpeed::spin).collect();
        ceiling
    }

    /// Returns every link about which something is known, from the card to the drives.
    pub fn links(&self) -> &[Link] {
        &self.links
    }

    /// Returns what is worth saying about the chain, in whole sentences.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Returns what is not known of the drives.
    pub fn drives(&self) -> &DrivesKnown {
        &self.drives
    }

    /// Returns whether card and reader can have given `mbps` over the links that lead from the
    /// reader into the computer now; else they hung on another port then.
    pub fn way_allows(&self, mbps: MegabytesPerS) -> bool {
        self.slowest_of_way()
            .is_none_or(|way| mbps.0 <= ABOVE * way.mbps.0)
    }

    fn slowest_of_way(&self) -> Option<&Link> {
        let way = |l: &&Link| !l.part.is_of_drive() && !l.part.is_of_card() && !is_measured(l);
        slowest(self.links.iter().filter(way))
    }

    /// Takes note of what this card gave in this reader before, which says more than what is
    /// printed on either or than the usual share of a bus. Over a slower port than then it counts
    /// for nothing.
    pub fn note_measured(&mut self, mbps: MegabytesPerS) {
        if !(mbps.0 > 0.0 && mbps.0.is_finite()) {
            return;
        }
        if !self.way_allows(mbps) {
            let way = self.slowest_of_way().copied();
            self.note(format!(
                "This card and reader gave {:.0} MB/s before, on another port it seems: {} allows \
                 {:.0}.",
                mbps.0,
                way.as_ref()
                    .map_or_else(String::new, |link| link.words(&[])),
                way.map_or(0.0, |w| w.mbps.0)
            ));
            return;
        }
        let is_refuted = |l: &Link| l.part.is_of_card() && mbps.0 > ABOVE * l.mbps.0;
        let refuted: Vec<String> = self
            .links
            .iter()
            .filter(|l| is_refuted(l))
            .map(|l| format!("{}: {:.0}", l.words(&[]), l.mbps.0))
            .collect();
        if !refuted.is_empty() {
            self.note(format!(
                "This card and reader gave {:.0} MB/s before, more than is known of them ({}); \
                 what was measured counts.",
                mbps.0,
                refuted.join(", ")
            ));
            self.links.retain(|l| !is_refuted(l));
        }
        let place = self.links.iter().position(|l| !l.part.is_of_card());
        let link = Link::new(
            ChainPart::CardAndReader,
            LinkKind::Measured,
            mbps,
            Origin::Measured,
        );
        self.links.insert(place.unwrap_or(self.links.len()), link);
    }

    /// Returns of every destination whether it spins.
    pub fn spins(&self) -> &[Spin] {
        &self.spins
    }

    /// Adds a sentence to the notes, once.
    pub fn note(&mut self, sentence: String) {
        if !self.notes.contains(&sentence) {
            self.notes.push(sentence);
        }
    }

    /// Returns the slowest link, the first of those that are as slow; `None` if nothing is known.
    pub fn limiting(&self) -> Option<&Link> {
        slowest(self.links.iter())
    }

    /// Returns the ceiling; `None` if nothing is known.
    pub fn mbps(&self) -> Option<MegabytesPerS> {
        self.limiting().map(|link| link.mbps)
    }

    /// Returns the range that is usual under this ceiling, lower end first.
    pub fn usual(&self) -> Option<(MegabytesPerS, MegabytesPerS)> {
        usual_of(&self.links.iter())
    }

    /// Returns the slowest link between card and computer, or what they gave before if that is
    /// slower; `None` if nothing is known of them.
    pub fn on_cards_side(&self) -> Option<&Link> {
        slowest(self.links.iter().filter(|link| !link.part.is_of_drive()))
    }

    /// Returns the range that is usual for the links between card and computer, lower end first.
    pub fn usual_of_card(&self) -> Option<(MegabytesPerS, MegabytesPerS)> {
        usual_of(&self.links.iter().filter(|link| !link.part.is_of_drive()))
    }

    /// Returns what a measured read rate says against the links between card and computer, in a
    /// sentence: that it is far below what is usual for them, or above what they allow. With
    /// `is_least` the card was read at that rate at least, and only the latter can be said.
    pub fn compare(&self, read: MegabytesPerS, is_least: bool) -> Option<String> {
        // Against its own past it is held elsewhere.
        let allowed = |link: &&Link| !link.part.is_of_drive() && !is_measured(link);
        let slowest = slowest(self.links.iter().filter(allowed))?;
        let (low, high) = usual_of(&self.links.iter().filter(allowed))?;
        let allows = format!(
            "The card was read at {:.0} MB/s; what is known of it and its reader allows {:.0} ({})",
            read.0,
            slowest.mbps.0,
            slowest.words(&[])
        );
        if read.0 > ABOVE * slowest.mbps.0 {
            let why = if slowest.kind.id() == "sd-sdr104" && read.0 <= ONE_ROW_LABEL_MAX {
                "both seem to know a maker's faster mode"
            } else {
                "that cannot be right"
            };
            return Some(format!("{allows}: {why}."));
        }
        (!is_least && read.0 < BELOW * low.0).then(|| {
            format!(
                "{allows} and usually gives {:.0} to {:.0}. Try another reader, port or cable to \
                 see which part is slow.",
                low.0, high.0
            )
        })
    }

    fn add(&mut self, part: ChainPart, row: &'static LinkRow, mbps: MegabytesPerS, from: Origin) {
        let link = Link::new(part, LinkKind::Bus(row), mbps, from);
        self.links.push(link);
    }

    fn card(&mut self, card: &CardSpeed, reader: &ReaderSpeed) {
        if let Some(reads) = card.reads {
            self.links.push(Link::new(
                ChainPart::Card,
                LinkKind::Label,
                reads,
                Origin::Label,
            ));
        }
        let vendor = find("sd-ddr200-vendor").filter(|_| {
            let is_one_row =
                |row: &LinkRow| matches!(row.family, Family::UhsI | Family::UhsIVendor);
            reader.is_matched && card.bus.is_some_and(is_one_row)
        });
        let mode = match (card.bus, reader.slot) {
            _ if vendor.is_some() => vendor.map(|row| (ChainPart::CardBus, row)),
            (Some(bus), Some(slot)) => {
                let met = meet(bus, slot);
                self.note_of_slot(bus, slot, met);
                let part = if met.row == bus {
                    ChainPart::CardBus
                } else {
                    ChainPart::ReaderSlot
                };
                Some((part, met.row))
            }
            (Some(bus), None) => Some((ChainPart::CardBus, bus)),
            (None, slot) => slot.map(|row| (ChainPart::ReaderSlot, row)),
        };
        if card.bus.is_none() {
            self.note_of_label(card);
        }
        let Some((part, row)) = mode else { return };
        // Makers run the faster mode at clocks of their own; a label above it tells a faster one.
        let is_own_clock =
            row.family == Family::UhsIVendor && card.reads.is_some_and(|reads| reads >= row.mbps());
        if !is_own_clock {
            self.add(part, row, row.mbps(), Origin::Table);
        }
        if let Some(reads) = card.reads
            && row.family == Family::UhsI
            && reads > row.mbps()
            && card
                .bus
                .is_some_and(|bus| matches!(bus.family, Family::UhsI | Family::UhsIVendor))
        {
            self.note(format!(
                "A card with one row of pins reads its {:.0} MB/s only in a reader that knows the \
                 maker's faster mode; in any other it runs as {}, usually at {:.0} to {:.0} MB/s.",
                reads.0,
                row.words,
                row.mbps().0 * row.usual.low,
                row.mbps().0 * row.usual.high,
            ));
        }
    }

    /// A label that a card with one row of pins may carry as well as one with two.
    fn note_of_label(&mut self, card: &CardSpeed) {
        let Some(one_row) = find("sd-sdr104") else {
            return;
        };
        if let Some(reads) = card.reads
            && reads > one_row.mbps()
            && reads.0 <= ONE_ROW_LABEL_MAX
        {
            self.note(format!(
                "If the card has one row of pins, its {:.0} MB/s are reached only in a reader \
                 that knows the maker's faster mode; `--bus uhs-i` takes that into account.",
                reads.0
            ));
        }
    }

    fn note_of_slot(&mut self, bus: &LinkRow, slot: &LinkRow, met: Met) {
        if !met.fits {
            self.note(format!(
                "A {} card does not go into a {} slot; it is taken that an adapter is used.",
                bus.words, slot.words
            ));
        } else if met.row.mbps() < bus.mbps() && bus.family != Family::UhsIVendor {
            self.note(format!(
                "In a {} slot a {} card runs as {}: {:.0} MB/s at most instead of {:.0}.",
                slot.words,
                bus.words,
                met.row.words,
                met.row.mbps().0,
                bus.mbps().0
            ));
        }
    }

    fn reader_link(&mut self, row: &'static LinkRow, cards: u32) {
        let share = MegabytesPerS(row.mbps().0 / f64::from(cards));
        self.add(ChainPart::ReaderLink, row, share, Origin::Table);
        if cards > 1 {
            self.note(format!(
                "{cards} cards share the reader's link ({}): {:.0} MB/s for each.",
                row.words, share.0
            ));
        }
    }

    /// The links that the system reports: those of the reader, and those of the drives that the
    /// card does not use itself.
    fn paths(&mut self, chain: &Chain) {
        let own: BTreeSet<&str> = chain.path.iter().map(|hop| hop.key.as_str()).collect();
        for hop in &chain.path {
            let part = if hop.is_hub {
                ChainPart::Hub
            } else {
                ChainPart::ReaderPort
            };
            let share = self.share(hop, chain);
            self.add(part, hop.row, share, Origin::Detected);
        }
        let mut seen = BTreeSet::new();
        for (index, drive) in chain.drives.iter().enumerate() {
            for hop in &drive.path {
                if own.contains(hop.key.as_str()) || !seen.insert(hop.key.clone()) {
                    continue;
                }
                let part = if hop.is_hub {
                    ChainPart::DriveHub(index)
                } else {
                    ChainPart::DrivePort(index)
                };
                let share = self.share(hop, chain);
                self.add(part, hop.row, share, Origin::Detected);
            }
        }
    }

    /// What a link leaves for each byte of this card: it carries those of every card that comes
    /// through it, and those of every card again for each drive behind it, and once more when they
    /// are read back.
    fn share(&mut self, hop: &Hop, chain: &Chain) -> MegabytesPerS {
        let is_on = |path: &[Hop]| path.iter().any(|h| h.key == hop.key);
        let all_cards = 1 + len64(chain.other_cards.len());
        let others = chain.other_cards.iter().filter(|path| is_on(path));
        let cards = len64(others.count()) + u64::from(is_on(&chain.path));
        let drives = len64(chain.drives.iter().filter(|d| is_on(&d.path)).count());
        let outward = drives * all_cards;
        let inward = cards + if chain.reads_back { outward } else { 0 };
        let flows = if hop.takes_turns() {
            inward + outward
        } else {
            inward.max(outward)
        };
        let share = MegabytesPerS(hop.mbps().0 / float(flows.max(1)));
        if cards + drives > 1 {
            self.note(format!(
                "{} share one {} ({}): {:.0} MB/s for each stream.",
                parties_words(cards, drives),
                if hop.is_hub { "hub" } else { "link" },
                hop.row.words,
                share.0
            ));
        }
        share
    }

    fn all_drives(&mut self, chain: &Chain) {
        let mut together: BTreeMap<&BTreeSet<String>, Vec<usize>> = BTreeMap::new();
        for (index, drive) in chain.drives.iter().enumerate() {
            if !drive.disks.is_empty() {
                together.entry(&drive.disks).or_default().push(index);
            }
        }
        for (index, drive) in chain.drives.iter().enumerate() {
            let Some(writes) = drive.writes else {
                self.drives.unknown.push(index);
                continue;
            };
            // Two figures for one device are meant for each folder as it is; one figure is the
            // device's.
            let sharers = together.get(&drive.disks).map_or(1, |all| {
                let figure = |i: &usize| chain.drives.get(*i).and_then(|d| d.writes);
                if all.iter().all(|i| figure(i) == Some(writes)) {
                    all.len()
                } else {
                    1
                }
            });
            // Every card that is read at the same time is written to every drive.
            let all_cards = 1 + chain.other_cards.len();
            let share = |mbps: f64| MegabytesPerS(mbps / float(len64(sharers * all_cards)));
            let turns = share(in_turns(writes, drive.reads));
            if chain.reads_back && drive.may_spin() && !drive.is_spinning() {
                self.drives.may_spin.push((index, turns));
            }
            let mbps = if chain.reads_back && drive.is_spinning() {
                self.note(format!(
                    "Drive {} is a hard disk: it writes and reads back in turns, which leaves \
                     {:.0} of its {:.0} MB/s.",
                    index + 1,
                    turns.0,
                    share(writes.mbps.0).0
                ));
                turns
            } else {
                share(writes.mbps.0)
            };
            self.links.push(Link::new(
                ChainPart::Drive(index),
                LinkKind::Writes,
                mbps,
                writes.from,
            ));
            if sharers > 1 {
                self.note(format!(
                    "{sharers} drives are on one disk and share what it writes."
                ));
            }
            if all_cards > 1 {
                self.note(format!(
                    "Drive {} takes {all_cards} cards at the same time: {:.0} MB/s for each.",
                    index + 1,
                    mbps.0
                ));
            }
        }
    }
}

/// The range that is usual for some links together.
fn usual_of<'a>(
    links: &(impl Iterator<Item = &'a Link> + Clone),
) -> Option<(MegabytesPerS, MegabytesPerS)> {
    let least = |share: fn(&Usual) -> f64| {
        links
            .clone()
            .map(|link| rounded(MegabytesPerS(link.mbps.0 * share(&link.usual()))))
            .reduce(MegabytesPerS::least)
    };
    Some((least(|u| u.low)?, least(|u| u.high)?))
}

/// Whether it is what card and reader gave before, instead of what they allow.
fn is_measured(link: &Link) -> bool {
    link.kind == LinkKind::Measured
}

/// The slowest link, the first of those that are as slow.
fn slowest<'a>(links: impl Iterator<Item = &'a Link>) -> Option<&'a Link> {
    links.reduce(|least, link| if link.mbps < least.mbps { link } else { least })
}

fn parties_words(cards: u64, drives: u64) -> String {
    let word = |n: u64, one: &str, many: &str| match n {
        0 => None,
        1 => Some(one.to_owned()),
        n => Some(format!("{n} {many}")),
    };
    let parts: Vec<String> = [
        word(cards, "the card", "cards"),
        word(drives, "one drive", "drives"),
    ]
    .into_iter()
    .flatten()
    .collect();
    let text = parts.join(" and ");
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| {
        first.to_uppercase().collect::<String>() + chars.as_str()
    })
}

#[cfg(test)]
mod tests {
    use super::super::chain::Figure;
    use super::super::classes::WriteClass;
    use super::*;

    fn chain(reads: f64, bus: &str, slot: &str, link: &str) -> Chain {
        let known = |id: &str| (!id.is_empty()).then(|| find(id).unwrap());
        Chain {
            card: CardSpeed {
                reads: (reads > 0.0).then_some(MegabytesPerS(reads)),
                bus: known(bus),
            },
            reader: ReaderSpeed {
                slot: known(slot),
                link: known(link),
                ..ReaderSpeed::default()
            },
            ..Chain::default()
        }
    }

    fn drive(mbps: f64) -> DriveSpeed {
        DriveSpeed {
            writes: Some(Figure::label(MegabytesPerS(mbps))),
            ..DriveSpeed::default()
        }
    }

    fn hop(id: &str, key: &str, is_hub: bool) -> Hop {
        Hop {
            row: find(id).unwrap(),
            times: 1,
            key: key.to_owned(),
            is_hub,
        }
    }

    fn told(chain: &Chain) -> (f64, String) {
        let ceiling = Ceiling::of(chain);
        let limiting = ceiling.limiting().unwrap();
        assert_eq!(ceiling.mbps(), Some(limiting.mbps));
        assert!(ceiling.links().iter().all(|l| l.mbps >= limiting.mbps));
        (limiting.mbps.0, limiting.name())
    }

    #[test]
    fn nothing_known_is_nothing_said() {
        let ceiling = Ceiling::of(&Chain {
            drives: vec![DriveSpeed::default(); 2],
            ..Chain::default()
        });
        assert!(ceiling.links().is_empty() && ceiling.notes().is_empty());
        assert_eq!(ceiling.drives().unknown, [0, 1]);
        assert_eq!(
            (ceiling.mbps(), ceiling.limiting(), ceiling.usual()),
            (None, None, None)
        );
    }

    #[test]
    fn the_slowest_link_rules_and_is_named() {
        for (c, mbps, name) in [
            (
                chain(300.0, "sd-uhs2-hd312", "", "usb3-5g"),
                300.0,
                "card label",
            ),
            (
                chain(0.0, "sd-uhs2-hd312", "", "usb3-5g"),
                312.0,
                "card bus sd-uhs2-hd312",
            ),
            (
                chain(300.0, "sd-uhs2-hd312", "", "usb2-bulk"),
                53.248,
                "reader link usb2-bulk",
            ),
            (
                chain(300.0, "sd-uhs2-hd312", "sd-sdr104", "usb3-5g"),
                104.0,
                "reader slot sd-sdr104",
            ),
            (
                chain(880.0, "sdex-3x1", "sd-uhs2-hd312", "usb3-10g"),
                104.0,
                "reader slot sd-sdr104",
            ),
            (
                chain(0.0, "", "sd-sdr104", ""),
                104.0,
                "reader slot sd-sdr104",
            ),
            (
                chain(95.0, "sd-sdr104", "sd-uhs2-hd312", "usb3-5g"),
                95.0,
                "card label",
            ),
            (
                chain(1_700.0, "cfe2-b", "cfe4-b", "usb3-10g"),
                1_212.121,
                "reader link usb3-10g",
            ),
            (
                chain(0.0, "cfe4-b", "xqd2", "usb3-20g"),
                984.615,
                "reader slot xqd2",
            ),
        ] {
            assert_eq!(told(&c), (mbps, name.to_owned()));
        }
    }

    #[test]
    fn a_label_above_uhs_i_is_reached_in_a_matched_reader_only() {
        // Common practice, no source: labelled 170, such a card gives 92 to 95 in any but its
        // matched reader and 165 in that one.
        let mut c = chain(170.0, "sd-sdr104", "sd-uhs2-hd312", "usb3-5g");
        assert_eq!(told(&c), (104.0, "card bus sd-sdr104".to_owned()));
        let ceiling = Ceiling::of(&c);
        let (low, high) = ceiling.usual().unwrap();
        assert!(
            (low.0 - 80.0).abs() < 0.2 && (high.0 - 96.0).abs() < 0.2,
            "{low:?} {high:?}"
        );
        assert!(low.0 < 92.0 && 95.0 < high.0);
        assert!(
            ceiling.notes()[0].contains("usually at 80 to 96 MB/s"),
            "{ceiling:?}"
        );

        c.reader.is_matched = true;
        assert_eq!(told(&c), (170.0, "card label".to_owned()));
        let ceiling = Ceiling::of(&c);
        let (low, high) = ceiling.usual().unwrap();
        assert!(low.0 <= 165.0 && 165.0 <= high.0, "{low:?} {high:?}");
        assert!(ceiling.notes().is_empty());
        assert!(
            ceiling
                .links()
                .iter()
                .any(|l| l.kind.id() == "sd-ddr200-vendor")
        );
        // A label above the table's guess of that mode tells that the mode is a faster one.
        c.card.reads = Some(MegabytesPerS(225.0));
        assert_eq!(told(&c), (225.0, "card label".to_owned()));
        // Without a bus it can't be told which kind of card it is, so both are mentioned.
        let unknown = Ceiling::of(&chain(170.0, "", "", "usb3-5g"));
        assert_eq!(unknown.mbps(), Some(MegabytesPerS(170.0)));
        assert!(unknown.notes()[0].contains("--bus uhs-i"), "{unknown:?}");
        assert!(Ceiling::of(&chain(95.0, "", "", "")).notes().is_empty());
        // A card with a second row of pins has no such mode.
        c.card = CardSpeed {
            reads: Some(MegabytesPerS(300.0)),
            bus: find("sd-uhs2-hd312"),
        };
        assert_eq!(told(&c), (300.0, "card label".to_owned()));
        // Common practice, no source: labelled 300, one gave 263.
        let (low, high) = Ceiling::of(&c).usual().unwrap();
        assert!(low.0 <= 263.0 && 263.0 <= high.0, "{low:?} {high:?}");
    }

    #[test]
    fn the_chain_has_no_place_for_a_write_class() {
        // Guaranteed classes are write minima (SD Association, Speed Class page). A field added
        // here must be thought about: see also the example that does not compile in `classes`.
        let Chain {
            card: CardSpeed { reads, bus },
            reader,
            path,
            drives,
            other_cards,
            reads_back,
            said,
        } = Chain::default();
        let ReaderSpeed {
            slot,
            is_matched,
            link,
            in_use,
            cards_at_once,
        } = reader;
        let class = WriteClass::parse("V90").unwrap().floor();
        let as_label: Option<MegabytesPerS> = Some(class.written_at_least());
        assert_ne!(reads, as_label, "nothing fills it by itself");
        assert!(bus.is_none() && slot.is_none() && link.is_none() && in_use.is_none());
        assert!(other_cards.is_empty() && cards_at_once == 0);
        assert!(
            said.is_empty() && !is_matched && !reads_back && path.is_empty() && drives.is_empty()
        );
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "as given")]
    fn what_was_measured_counts_for_more_than_what_is_printed() {
        let measured = |c: &Chain, mbps| {
            let mut ceiling = Ceiling::of(c);
            ceiling.note_measured(MegabytesPerS(mbps));
            let limiting = ceiling.limiting().unwrap();
            let notes = ceiling.notes().join(" ");
            ((limiting.mbps.0, limiting.name()), notes, ceiling)
        };
        // Below the label: it is what is to be expected, exactly.
        let c = chain(170.0, "sd-sdr104", "", "usb3-5g");
        let (limit, _, ceiling) = measured(&c, 93.0);
        assert_eq!(limit, (93.0, "card and reader measured".to_owned()));
        assert_eq!(ceiling.usual().unwrap().1.0, 93.0);
        assert_eq!(ceiling.limiting().unwrap().from, Origin::Measured);
        // A rate is still held against what is printed.
        let far = ceiling.compare(MegabytesPerS(30.0), false).unwrap();
        assert!(far.contains("allows 104"), "{far}");
        // Above the bus: both know a faster mode, or the kit is wrong.
        let (limit, notes, _) = measured(&c, 165.0);
        assert_eq!(limit.0, 165.0);
        assert!(notes.contains("gave 165 MB/s before, more than"), "{notes}");
        // Above the port: it was another port then.
        let c = chain(170.0, "sd-sdr104", "", "usb2-bulk");
        let (limit, notes, ceiling) = measured(&c, 93.0);
        assert_eq!(limit, (53.248, "reader link usb2-bulk".to_owned()));
        assert!(notes.contains("on another port it seems"), "{notes}");
        assert!(!ceiling.way_allows(MegabytesPerS(93.0)));
        assert!(ceiling.way_allows(MegabytesPerS(50.0)));
        let (_, notes, ceiling) = measured(&c, f64::NAN);
        assert_eq!(notes, Ceiling::of(&c).notes().join(" "));
        assert_eq!(ceiling.links().len(), 3);
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "the rows are exact to the third decimal")]
    fn slots_of_one_reader_share_its_link() {
        let mut c = chain(300.0, "sd-uhs2-hd312", "", "usb3-5g");
        c.reader.cards_at_once = 2;
        assert_eq!(told(&c), (250.0, "reader link usb3-5g".to_owned()));
        c.reader.cards_at_once = 1;
        assert_eq!(told(&c).0, 300.0);
    }

    #[test]
    fn two_readers_on_one_hub_share_its_uplink() {
        let mut c = chain(300.0, "sd-uhs2-hd312", "", "");
        c.path = vec![hop("usb3-5g", "2-1.1", false), hop("usb3-5g", "2-1", true)];
        c.other_cards = vec![vec![hop("usb3-5g", "2-2", false)]];
        assert_eq!(told(&c), (300.0, "card label".to_owned()), "another port");
        c.other_cards.push(vec![
            hop("usb3-5g", "2-1.2", false),
            hop("usb3-5g", "2-1", true),
        ]);
        assert_eq!(told(&c), (250.0, "hub usb3-5g".to_owned()));
        assert!(Ceiling::of(&c).notes()[0].starts_with("2 cards share one hub"));
        // A drive elsewhere takes what all three cards bring.
        c.drives = vec![DriveSpeed {
            path: vec![hop("usb3-5g", "2-3", false)],
            ..drive(900.0)
        }];
        assert_eq!(told(&c), (166.667, "destination 1 port usb3-5g".to_owned()));
        // So it writes a third of what it can for each of them.
        c.drives[0] = DriveSpeed {
            path: vec![hop("usb3-5g", "2-3", false)],
            ..drive(300.0)
        };
        assert_eq!(told(&c), (100.0, "destination 1".to_owned()));
        let notes = Ceiling::of(&c);
        let shared = notes.notes().iter().find(|n| n.contains("3 cards"));
        assert_eq!(
            shared.unwrap(),
            "Drive 1 takes 3 cards at the same time: 100 MB/s for each."
        );
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "the rows are exact to the third decimal")]
    fn readers_and_drives_on_one_hub_share_its_uplink() {
        let mut c = chain(300.0, "sd-uhs2-hd312", "", "");
        c.path = vec![hop("usb3-5g", "2-1.1", false), hop("usb3-5g", "2-1", true)];
        assert_eq!(told(&c).0, 300.0);
        // One drive on the same hub: its read-back comes up the same wires as the card.
        c.drives = vec![DriveSpeed {
            path: vec![hop("usb3-5g", "2-1.2", false), hop("usb3-5g", "2-1", true)],
            ..drive(900.0)
        }];
        assert_eq!(told(&c).0, 300.0, "written the other way, it takes nothing");
        c.reads_back = true;
        assert_eq!(told(&c), (250.0, "hub usb3-5g".to_owned()));
        c.drives.push(DriveSpeed {
            path: vec![hop("usb3-5g", "2-1.3", false), hop("usb3-5g", "2-1", true)],
            ..drive(900.0)
        });
        assert_eq!(told(&c), (166.667, "hub usb3-5g".to_owned()));
        assert!(
            Ceiling::of(&c).notes()[0].starts_with("The card and 2 drives share one hub"),
            "{:?}",
            Ceiling::of(&c).notes()
        );
        // On USB 2.0 both directions take turns: card + write + read-back.
        c.drives.truncate(1);
        c.path = vec![
            hop("usb2-bulk", "1-1.1", false),
            hop("usb2-bulk", "1-1", true),
        ];
        c.drives[0].path = vec![
            hop("usb2-bulk", "1-1.2", false),
            hop("usb2-bulk", "1-1", true),
        ];
        assert_eq!(told(&c), (17.749, "hub usb2-bulk".to_owned()));
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "the rows are exact to the third decimal")]
    fn destinations_hold_back_by_what_they_sustain() {
        let mut c = chain(250.0, "sd-uhs2-hd312", "", "usb3-5g");
        c.drives = vec![drive(450.0), drive(110.0)];
        assert_eq!(told(&c), (110.0, "destination 2".to_owned()));
        assert!(Ceiling::of(&c).limiting().unwrap().part.is_of_drive());
        assert_eq!(
            Ceiling::of(&c).on_cards_side().unwrap().name(),
            "card label"
        );
        // A spinning disk that reads back what it writes does one after the other.
        c.reads_back = true;
        c.drives[1].reads = Some(Figure::label(MegabytesPerS(115.0)));
        // Nobody knows whether they spin: that is kept for whoever makes a promise.
        assert_eq!(told(&c), (110.0, "destination 2".to_owned()));
        let may_spin = &Ceiling::of(&c).drives().may_spin.clone();
        assert_eq!(
            (may_spin.len(), may_spin[0].0),
            (1, 1),
            "450 MB/s do not spin"
        );
        assert!((may_spin[0].1.0 - 56.222).abs() < 0.001, "{may_spin:?}");
        c.drives[0].spins = Some(true);
        c.drives[1].spins = Some(true);
        assert_eq!(told(&c), (56.222, "destination 2".to_owned()));
        assert_eq!(*Ceiling::of(&c).drives(), DrivesKnown::default());
        let notes = Ceiling::of(&c).notes().join(" ");
        assert!(notes.contains("Drive 2 is a hard disk"), "{notes}");
        // Only its writing is known: it reads as fast. A virtual disk may only say that it spins.
        c.drives[1].is_virtual = true;
        assert_eq!(told(&c), (56.222, "destination 2".to_owned()));
        let reads = c.drives[1].reads.take();
        assert_eq!(told(&c), (110.0, "destination 2".to_owned()));
        assert_eq!(
            Ceiling::of(&c).drives().may_spin,
            [(1, MegabytesPerS(55.0))]
        );
        c.drives[1].is_virtual = false;
        assert_eq!(told(&c), (55.0, "destination 2".to_owned()));
        c.drives[1].reads = reads;
        // 160 GB: 24.2 min to write and 23.2 to read back, one after the other or mixed.
        assert!((160_000.0 / 56.222 / 60.0 - 47.4_f64).abs() < 0.1);
        c.reads_back = false;
        // Both folders on one device share it, unless it is not known to be one.
        let disks: BTreeSet<String> = ["sdb".to_owned()].into();
        for d in &mut c.drives {
            *d = DriveSpeed {
                disks: disks.clone(),
                ..drive(200.0)
            };
        }
        assert_eq!(told(&c), (100.0, "destination 1".to_owned()));
        c.drives[1].disks.clear();
        assert_eq!(told(&c), (200.0, "destination 1".to_owned()));
        c.drives[1].disks = ["sdc".to_owned()].into();
        assert_eq!(told(&c).0, 200.0);
    }

    /// Common practice, no source: no spinning disk writes faster than 300 MB/s, and virtual disks
    /// call themselves spinning.
    #[test]
    fn what_is_too_fast_does_not_spin_whatever_the_system_says() {
        let spins = |mbps, spins, is_virtual| {
            let drive = DriveSpeed {
                spins,
                is_virtual,
                ..drive(mbps)
            };
            Ceiling::of(&Chain {
                drives: vec![drive],
                ..Chain::default()
            })
            .spins()[0]
        };
        assert_eq!(spins(110.0, Some(true), false), Spin::Yes);
        assert_eq!(spins(450.0, Some(true), false), Spin::No);
        assert_eq!(spins(450.0, None, false), Spin::No);
        assert_eq!(spins(110.0, None, false), Spin::Unknown);
        assert_eq!(spins(110.0, Some(true), true), Spin::Unknown);
        assert_eq!(spins(110.0, Some(false), false), Spin::No);
        assert_eq!(DriveSpeed::default().spin(), Spin::Unknown);
    }

    #[test]
    fn a_drive_on_a_slow_port_is_named() {
        let mut c = chain(90.0, "sd-sdr104", "", "usb3-5g");
        c.reads_back = true;
        c.drives = vec![DriveSpeed {
            path: vec![hop("usb2-bulk", "1-2", false)],
            ..DriveSpeed::default()
        }];
        assert_eq!(
            told(&c),
            (26.624, "destination 1 port usb2-bulk".to_owned())
        );
    }

    #[test]
    fn lanes_multiply_and_links_have_the_manifests_form() {
        let mut c = chain(0.0, "", "", "");
        c.path = vec![Hop {
            times: 2,
            ..hop("pcie3-lane", "nvme0", false)
        }];
        let ceiling = Ceiling::of(&c);
        assert_eq!(
            serde_json::to_value(ceiling.links()).unwrap(),
            serde_json::json!([
                {"part": "reader port", "id": "pcie3-lane", "mbps": 1969.231, "from": "detected"}
            ])
        );
        assert_eq!(
            ceiling.limiting().unwrap().words(&[]),
            "reader port, PCIe 3"
        );
        assert_eq!(ceiling.limiting().unwrap().short(), "PCIe 3");
    }

    #[test]
    fn a_measured_rate_is_compared_with_what_is_usual() {
        let mut c = chain(170.0, "sd-sdr104", "", "usb3-5g");
        c.drives = vec![drive(20.0)];
        let told = |mbps| Ceiling::of(&c).compare(MegabytesPerS(mbps), false);
        assert_eq!(told(92.0), None);
        assert_eq!(told(60.0), None, "a little slow is nothing to talk about");
        let slow = told(36.0).unwrap();
        assert!(
            slow.contains(
                "36 MB/s; what is known of it and its reader allows 104 (card bus, \
                UHS-I) and usually gives 80 to 96"
            ),
            "{slow}"
        );
        let fast = told(165.0).unwrap();
        assert!(
            fast.contains("allows 104 (card bus, UHS-I): both seem to know"),
            "{fast}"
        );
        assert!(told(400.0).unwrap().ends_with("that cannot be right."));
        assert_eq!(Ceiling::default().compare(MegabytesPerS(5.0), false), None);
    }

    #[test]
    fn impossible_pairs_are_told() {
        let ceiling = Ceiling::of(&chain(0.0, "cfe2-b", "sd-sdr104", ""));
        assert!(ceiling.notes()[0].contains("adapter"), "{ceiling:?}");
        let ceiling = Ceiling::of(&chain(0.0, "sd-uhs2-hd312", "sd-sdr104", ""));
        assert_eq!(
            ceiling.notes(),
            ["In a UHS-I slot a UHS-II card runs as UHS-I: 104 MB/s at most instead of 312."]
        );
    }
}
