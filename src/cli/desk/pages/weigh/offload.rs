//! Owns how long an offload takes over the card's label, in each reader of the kit: where a dearer
//! card stops helping.

use super::inputs::{Inputs, read};
use crate::cli::command::weigh::saving::span;
use crate::cli::desk::pages::chart::{CURVES_MAX, Chart, Curve, figure, numbers};
use crate::cli::desk::pages::frame::foreign;
use maud::{Markup, html};
use unlade::kit::{Kit, KitCard, KitReader, fill, fill_drive};
use unlade::name::shown;
use unlade::speed::chain::{Chain, DriveSpeed};
use unlade::speed::links::{LinkRow, find, rows};
use unlade::speed::quantity;
use unlade::speed::upgrade::{Setup, SpinAssumption};
use unlade::units::{MegabytesPerS, float, size};

/// Points of a curve.
const STEPS: u64 = 120;
/// The least label that is drawn, in MB/s.
const LABEL_MIN: f64 = 20.0;
/// The most that SD cards of the older buses have on their labels, in MB/s: makers' own modes are
/// beyond the bus (from memory).
const LABEL_SD: f64 = 300.0;
/// What is less than this share faster helps nobody.
const HELPS: f64 = 0.01;
/// Labels in the table.
const ROWS: u64 = 6;

pub(super) fn section(inputs: &Inputs, kit: &Kit) -> Markup {
    let bytes = (
        "size",
        "Size of the offload",
        "What is on the card: 128GB.",
        "128GB",
    );
    let bytes = read(inputs, bytes, quantity::size);
    let of_kit = kit.cards.iter().find_map(|card| card.bus.as_deref());
    let help = "uhs-i, uhs-ii, cfe2-b and others; it bounds what the label can promise.";
    let bus = ("bus", "Bus of the card", help, of_kit.unwrap_or("uhs-ii"));
    let bus = read(inputs, bus, |id| {
        let known = find(id).filter(|row| row.family.is_card_bus());
        known.ok_or_else(|| format!("`{}` is no bus of a card that is known here", shown(id)))
    });
    let usual = kit.usual(None).map_or(&[][..], |set| &set.to);
    let usual: Vec<String> = usual.iter().map(ToString::to_string).collect();
    let is_ticked = |name: &str| {
        let asked = inputs.all("drive").any(|own| own == name);
        asked || (!inputs.is_sent() && usual.iter().any(|own| own == name))
    };
    let ticked = kit.drives.iter().filter(|drive| is_ticked(&drive.name));
    let speed = |drive: &unlade::kit::KitDrive| {
        let mut speed = DriveSpeed::default();
        fill_drive(&mut speed, drive);
        speed
    };
    let drives: Vec<DriveSpeed> = ticked.map(speed).collect();
    html! {
        section.card {
            h2 { "Which card is worth its price?" }
            div.inputs { (bytes.html) (bus.html) }
            datalist #buses { @for row in rows(true) { option value=(row.id) { (row.words) } } }
            @if !kit.drives.is_empty() {
                fieldset.boxes {
                    legend { "Drives" }
                    @for (number, drive) in kit.drives.iter().enumerate() {
                        div.choice {
                            input id={ "drive-" (number) } type="checkbox" name="drive"
                                value=(drive.name) checked[is_ticked(&drive.name)];
                            label for={ "drive-" (number) } { (foreign(&drive.name)) }
                        }
                    }
                }
            }
            p { button type="submit" { "Reckon" } }
            @if let (Some(bytes), Some(bus)) = (bytes.value, bus.value) {
                (answer(bytes, bus, &drives, kit))
            }
        }
    }
}

/// The readers that are drawn: those of the kit, else two to begin with.
fn readers(kit: &Kit) -> Vec<KitReader> {
    if !kit.readers.is_empty() {
        return kit.readers.iter().take(CURVES_MAX).cloned().collect();
    }
    let example = |name: &str, link: &str| KitReader {
        name: name.to_owned(),
        link: Some(link.to_owned()),
        ..KitReader::default()
    };
    vec![
        example("a reader on USB 2.0", "usb2"),
        example("a reader on USB 3 (5 Gb/s)", "usb3-5g"),
    ]
}

fn setup(reader: &KitReader, bus: &'static LinkRow, label: f64, drives: &[DriveSpeed]) -> Setup {
    let mut chain = Chain::default();
    fill(&mut chain, None, Some(reader));
    chain.card.bus = Some(bus);
    chain.card.reads = Some(MegabytesPerS(label));
    let mut setup = Setup {
        links: Vec::new(),
        drives: drives.to_vec(),
    };
    setup.add_chain(&chain);
    setup
}

/// The labels that are drawn, in MB/s, the least first.
fn labels(bus: &LinkRow, kit: &Kit) -> Vec<f64> {
    let of_kit = kit.cards.iter().filter_map(|card| card.reads);
    let most = of_kit.fold(bus.mbps().0.max(LABEL_SD), f64::max);
    let step = (most - LABEL_MIN) / float(STEPS);
    (0..=STEPS).map(|n| LABEL_MIN + step * float(n)).collect()
}

/// The least label from which a dearer card is not faster; `None` where all are.
fn enough(points: &[(f64, f64)]) -> Option<f64> {
    let (_, best) = points.last()?;
    let found = points
        .iter()
        .find(|(_, takes)| *takes <= best * (1.0 + HELPS));
    let (label, _) = found?;
    let (most, _) = points.last()?;
    (*label < most * (1.0 - HELPS)).then_some(*label)
}

/// What is reckoned: so many bytes, off a card of this bus, onto these drives.
struct OffloadQuestion<'a> {
    bytes: u64,
    bus: &'static LinkRow,
    drives: &'a [DriveSpeed],
    /// The most on a label, in MB/s.
    most: f64,
}

/// A drive of which nobody knows whether it spins is reckoned as one that does not.
const SPINS: SpinAssumption = SpinAssumption::NotSpinning;

impl OffloadQuestion<'_> {
    fn takes(&self, reader: &KitReader, label: f64) -> Option<f64> {
        setup(reader, self.bus, label, self.drives).takes_s(self.bytes, SPINS)
    }

    fn curve(&self, reader: &KitReader, labels: &[f64]) -> Curve {
        let point = |label: &f64| Some((*label, self.takes(reader, *label)? / 60.0));
        let points: Vec<(f64, f64)> = labels.iter().filter_map(point).collect();
        let last = setup(reader, self.bus, self.most, self.drives).limiting(SPINS);
        let held = last.map_or_else(String::new, |part| format!(", held back by {}", part.name));
        let said = match enough(&points) {
            Some(label) => {
                format!("from {label:.0} MB/s on, a dearer card saves nothing{held}.")
            }
            None => format!("a faster card helps up to {:.0} MB/s.", self.most),
        };
        Curve {
            name: shown(&reader.name),
            said,
            points,
        }
    }

    /// The numbers in a table, for some labels and those of the kit's cards.
    fn table(&self, readers: &[KitReader], kit: &Kit) -> Markup {
        let step = (self.most - LABEL_MIN) / float(ROWS - 1);
        let labels = (0..ROWS).map(|n| (LABEL_MIN + step * float(n)).round());
        let of_kit = kit.cards.iter().filter_map(|card| card.reads);
        let mut labels: Vec<f64> = labels.chain(of_kit).collect();
        labels.sort_by(f64::total_cmp);
        labels.dedup();
        let row = |label: &f64| {
            let cell = |reader: &KitReader| {
                let takes = self.takes(reader, *label);
                takes.map_or_else(|| "-".to_owned(), span)
            };
            let first = format!("{} MB/s", figure(*label));
            let cells = readers.iter().map(cell);
            [first].into_iter().chain(cells).collect()
        };
        let rows: Vec<Vec<String>> = labels.iter().map(row).collect();
        let names = readers.iter().map(|reader| reader.name.clone());
        let heads: Vec<String> = ["Label".to_owned()].into_iter().chain(names).collect();
        let caption = format!("How long an offload of {} takes", size(self.bytes));
        numbers(&caption, &heads, &rows)
    }
}

fn answer(bytes: u64, bus: &'static LinkRow, drives: &[DriveSpeed], kit: &Kit) -> Markup {
    let (readers, labels) = (readers(kit), labels(bus, kit));
    let question = OffloadQuestion {
        bytes,
        bus,
        drives,
        most: labels.last().copied().unwrap_or(LABEL_SD),
    };
    let curves = readers.iter().map(|reader| question.curve(reader, &labels));
    let of_card = |card: &KitCard| Some((card.reads?, shown(&card.name)));
    let chart = Chart {
        id: "offload",
        title: "Minutes of an offload, over the card's label",
        x: "label, MB/s",
        y: "minutes",
        curves: curves.collect(),
        marks: kit.cards.iter().filter_map(of_card).collect(),
    };
    let may_spin = Setup {
        links: Vec::new(),
        drives: drives.to_vec(),
    }
    .may_spin();
    html! {
        @if kit.readers.is_empty() {
            p.soft { "Your kit has no readers: these two are examples. Add yours under Kit." }
        }
        (chart.html())
        @if !kit.cards.is_empty() {
            p.soft { "The lines across are the labels of your cards." }
        }
        (question.table(&readers, kit))
        p.soft {
            "With its read-back, at the middle of what each part usually gives. "
            @if drives.is_empty() { "No drive holds it back here. " }
            @else if may_spin {
                "A drive that may be a hard disk is reckoned as none: one writes and reads back in \
                 turns and takes longer. "
            }
            "Many small files take longer than their bytes; the plan on Now counts them."
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reader(link: &str) -> KitReader {
        KitReader {
            name: "blue".to_owned(),
            link: Some(link.to_owned()),
            ..KitReader::default()
        }
    }

    /// The published usual range of USB 2.0 is far below the label (`docs/kit-and-speed.md`).
    #[test]
    fn a_dearer_card_stops_helping_where_the_reader_is_the_slowest_part() {
        let bus = find("uhs-ii").unwrap();
        let points = |link: &str| -> Vec<(f64, f64)> {
            let labels = labels(bus, &Kit::default());
            let of = |label: &f64| {
                let takes = setup(&reader(link), bus, *label, &[]);
                (
                    *label,
                    takes
                        .takes_s(1_000_000_000, SpinAssumption::NotSpinning)
                        .unwrap(),
                )
            };
            labels.iter().map(of).collect()
        };
        let slow = points("usb2");
        let label = enough(&slow).unwrap();
        assert!((30.0..60.0).contains(&label), "{label}");
        // With a link far above every label each card is faster than the one before.
        let fast = points("usb3-10g");
        assert!(enough(&fast).is_none_or(|label| label > 280.0), "{fast:?}");
        assert!(fast.windows(2).all(|two| two[1].1 <= two[0].1), "{fast:?}");
    }
}
