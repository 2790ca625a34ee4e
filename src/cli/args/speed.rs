//! Owns what the command line says of cards, readers and drives: from `--bus`, `--reads`, `--link`
//! and `--writes` to a chain. What the kit knows of a card or reader belongs into the same chain.

use crate::cli::args::group::SPEED;
use crate::cli::wrong_value::WrongValue;
use clap::Args;
use unlade::kit::{RATE_MAX, RATE_MIN};
use unlade::name::shown;
use unlade::speed::chain::{CardSpeed, Chain, DriveSpeed, Figure, ReaderSpeed};
use unlade::speed::links::{Family, LinkRow, closest, find};
use unlade::speed::quantity::{self, Bare};
use unlade::units::MegabytesPerS;

/// What is known of card, reader and drives; only the expected speed depends on it.
#[derive(Clone, Debug, Default, Args)]
#[command(next_help_heading = SPEED)]
pub(crate) struct SpeedArgs {
    /// The card's bus: uhs-i, uhs-ii, cfe2-b and others; `list` shows all.
    #[arg(long, value_name = "ID", hide_short_help = true)]
    pub(crate) bus: Option<BusArg>,
    /// The read rate on the card's label in MB/s.
    #[arg(
        long,
        value_name = "MBPS",
        allow_hyphen_values = true,
        hide_short_help = true
    )]
    pub(crate) reads: Option<ReadsArg>,
    /// The reader's link to the computer: usb2, usb3-5g and others; `list` shows all.
    #[arg(long, value_name = "ID", hide_short_help = true)]
    pub(crate) link: Option<LinkArg>,
    /// What each drive sustains when it is written, in MB/s, in the order of --to: 450,110.
    #[arg(
        long,
        value_name = "MBPS,MBPS",
        allow_hyphen_values = true,
        hide_short_help = true
    )]
    pub(crate) writes: Option<WritesArg>,
}

/// The row of `--bus`, or what is wrong with it, which is told in our own words and not in those of
/// the parser.
#[derive(Clone, Debug)]
pub(crate) struct BusArg(Result<&'static LinkRow, FlagError>);

impl From<&str> for BusArg {
    fn from(id: &str) -> Self {
        Self(row("--bus", id, true))
    }
}

/// The row of `--link`, as [`BusArg`].
#[derive(Clone, Debug)]
pub(crate) struct LinkArg(Result<&'static LinkRow, FlagError>);

impl From<&str> for LinkArg {
    fn from(id: &str) -> Self {
        Self(row("--link", id, false))
    }
}

/// The rate of `--reads`, as [`BusArg`].
#[derive(Clone, Debug)]
pub(crate) struct ReadsArg(Result<RateArg, FlagError>);

impl From<&str> for ReadsArg {
    fn from(text: &str) -> Self {
        Self(rate("--reads", text))
    }
}

/// The rates of `--writes`, as [`BusArg`].
#[derive(Clone, Debug)]
pub(crate) struct WritesArg(Vec<Result<RateArg, FlagError>>);

impl From<&str> for WritesArg {
    fn from(text: &str) -> Self {
        Self(text.split(',').map(|text| rate("--writes", text)).collect())
    }
}

impl WritesArg {
    /// Returns one rate for each destination.
    fn each(self, drives: usize) -> Result<Vec<RateArg>, FlagError> {
        if self.0.len() != drives {
            return Err(FlagError(format!(
                "--writes: give one rate for each --to, in the same order: {drives}, not {}.",
                self.0.len()
            )));
        }
        self.0.into_iter().collect()
    }
}

/// Longest part of a wrong rate that is said again, in characters.
const WRONG_MAX: usize = 40;

/// A rate as a flag gives it: `170` and `170MB/s` are megabytes, `170Mb/s` is megabits.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct RateArg {
    /// The rate in MB/s.
    pub(crate) mbps: f64,
    /// A sentence where it was given in bits, which labels never are.
    pub(crate) note: Option<String>,
}

impl RateArg {
    /// Reads it.
    ///
    /// # Errors
    /// In plain words.
    pub(crate) fn read(text: &str) -> Result<Self, WrongValue> {
        let text = text.trim();
        let told: String = shown(text).chars().take(WRONG_MAX).collect();
        if !text.starts_with(|c: char| c.is_ascii_digit() || c == '.') {
            return Err(WrongValue::NoRate(told));
        }
        let mbps = quantity::rate(text, Bare::MegaBytes)? / 1e6;
        if !(RATE_MIN..=RATE_MAX).contains(&mbps) {
            return Err(WrongValue::RateRange(told));
        }
        let unit = text.strip_suffix("/s").or_else(|| text.strip_suffix("ps"));
        let in_bits = unit.is_some_and(|unit| unit.ends_with('b') || unit.ends_with("bit"));
        let exact = (mbps * 1e3).round() / 1e3;
        let note = format!("`{told}` is {exact} MB/s: a small b is a bit, an eighth of a byte.");
        Ok(Self {
            mbps,
            note: in_bits.then_some(note),
        })
    }
}

impl SpeedArgs {
    /// Returns the chain that the flags describe, for so many drives.
    ///
    /// # Errors
    /// What is wrong with them, in a sentence.
    pub(crate) fn chain(&self, destinations: usize) -> Result<Chain, FlagError> {
        let args = self.clone();
        let bus = args.bus.map(|arg| arg.0).transpose()?;
        let link = args.link.map(|arg| arg.0).transpose()?;
        let reads = args.reads.map(|arg| arg.0).transpose()?;
        let writes = args.writes.map(|arg| arg.each(destinations)).transpose()?;
        let writes = writes.unwrap_or_default();
        let said = reads.iter().chain(&writes);
        let said = said.filter_map(|rate| rate.note.clone()).collect();
        let drive = |rate: RateArg| DriveSpeed {
            writes: Some(Figure::label(MegabytesPerS(rate.mbps))),
            ..DriveSpeed::default()
        };
        // Who names a maker's faster mode says that the reader knows it too.
        let is_matched = bus.is_some_and(|row| row.family == Family::UhsIVendor);
        Ok(Chain {
            card: CardSpeed {
                reads: reads.map(|rate| MegabytesPerS(rate.mbps)),
                bus,
            },
            reader: ReaderSpeed {
                link,
                is_matched,
                ..ReaderSpeed::default()
            },
            drives: writes.into_iter().map(drive).collect(),
            said,
            ..Chain::default()
        })
    }
}

/// What is wrong with a flag, in a sentence.
#[derive(Clone, Debug, thiserror::Error)]
#[error("{0}")]
pub(crate) struct FlagError(String);

/// Finds a row of the link table: a card's bus, or a reader's link.
pub(crate) fn row(flag: &str, id: &str, card_bus: bool) -> Result<&'static LinkRow, FlagError> {
    let (what, other) = if card_bus {
        ("a card's bus", "a reader's link")
    } else {
        ("a reader's link", "a card's bus")
    };
    let why = match find(id) {
        Some(row) if row.family.is_card_bus() == card_bus => return Ok(row),
        Some(_) => format!("is {other}, not {what}"),
        None => format!("is not known as {what}"),
    };
    let close = closest(id, card_bus);
    let close = close.map_or_else(String::new, |close| format!(" Did you mean `{close}`?"));
    let id = shown(id);
    Err(FlagError(format!(
        "{flag}: `{id}` {why}.{close} `{flag} list` shows all."
    )))
}

/// Reads a rate; what is to be said of it names its flag.
fn rate(flag: &str, text: &str) -> Result<RateArg, FlagError> {
    let rate = RateArg::read(text).map_err(|why| FlagError(format!("{flag}: {why}.")))?;
    Ok(RateArg {
        note: rate.note.map(|note| format!("{flag}: {note}")),
        ..rate
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use unlade::speed::ceiling::Ceiling;

    fn args(bus: &str, reads: &str, link: &str, writes: &str) -> SpeedArgs {
        fn some<'a, T: From<&'a str>>(text: &'a str) -> Option<T> {
            (!text.is_empty()).then(|| text.into())
        }
        SpeedArgs {
            bus: some(bus),
            reads: some(reads),
            link: some(link),
            writes: some(writes),
        }
    }

    #[test]
    fn flags_become_a_chain() {
        let chain = args("UHS-II", "300", "usb3-5g", "450, 110.5")
            .chain(2)
            .ok()
            .unwrap();
        let ceiling = Ceiling::of(&chain);
        let told: Vec<String> = ceiling
            .links()
            .iter()
            .map(|l| format!("{} {}", l.name(), l.mbps.0))
            .collect();
        assert_eq!(
            told,
            [
                "card label 300",
                "card bus sd-uhs2-hd312 312",
                "reader link usb3-5g 500",
                "destination 1 450",
                "destination 2 110.5"
            ]
        );
    }

    /// 170 Mb/s are 21.25 MB/s: a byte is eight bits (IEC 80000-13).
    #[test]
    fn rates_are_read_with_their_unit_and_bits_are_told() {
        let rate = |text| RateArg::read(text).unwrap();
        for text in ["170", "170MB/s", " 170 MB/s", "170MBps", "0.17GB/s"] {
            assert!((rate(text).mbps - 170.0).abs() < 1e-9, "{text}");
            assert_eq!(rate(text).note, None, "{text}");
        }
        let bits = rate("170Mb/s");
        assert_eq!(
            bits.note.unwrap(),
            "`170Mb/s` is 21.25 MB/s: a small b is a bit, an eighth of a byte."
        );
        assert!(rate("1360Mbit/s").note.is_some() && rate("1360Mbps").note.is_some());
        for (text, told) in [
            ("999999", "out of range"),
            ("0.01", "out of range"),
            ("-5", "no rate above zero"),
            ("-5MB/s", "no rate above zero"),
            ("170mb/s", "Mb/s for megabits or MB/s for megabytes"),
            ("170MB", "a rate ends in /s"),
        ] {
            let said = RateArg::read(text).unwrap_err().to_string();
            assert!(said.contains(told), "{text}: {said}");
        }
        let chain = args("", "170MB/s", "", "450MB/s,880Mb/s").chain(2);
        let chain = chain.ok().unwrap();
        assert_eq!(Ceiling::of(&chain).mbps(), Some(MegabytesPerS(110.0)));
        assert!(Ceiling::of(&chain).notes()[0].starts_with("--writes: `880Mb/s` is 110 MB/s"));
    }

    #[test]
    fn naming_a_makers_faster_mode_says_that_the_reader_knows_it() {
        let chain = args("sd-ddr200-vendor", "170", "", "")
            .chain(1)
            .ok()
            .unwrap();
        assert_eq!(Ceiling::of(&chain).mbps(), Some(MegabytesPerS(170.0)));
    }

    #[test]
    fn what_is_wrong_is_said_with_what_is_like_it() {
        for (wrong, words) in [
            (
                args("uhs-9", "", "", ""),
                "`uhs-9` is not known as a card's bus. Did you mean `uhs-1`? `--bus list` shows \
                all.",
            ),
            (
                args("usb2-bulk", "", "", ""),
                "`usb2-bulk` is a reader's link, not a card's bus. `--bus list`",
            ),
            (
                args("", "", "sd-hs", ""),
                "`sd-hs` is a card's bus, not a reader's link. `--link list`",
            ),
            (args("", "fast", "", ""), "--reads: `fast`"),
            (args("", "0", "", ""), "--reads: `0`"),
            (args("", "-5", "", ""), "--reads: `-5`"),
            (args("", "NaN", "", ""), "--reads: `NaN`"),
            (args("", "inf", "", ""), "--reads: `inf`"),
            (
                args("", "", "", "40"),
                "one rate for each --to, in the same order: 2, not 1",
            ),
            (args("", "", "", "40,"), "--writes: ``"),
            (args("", "", "", "40,50,60"), "2, not 3"),
        ] {
            let told = wrong.chain(2).err().unwrap().to_string();
            assert!(told.contains(words), "{told}");
        }
    }
}
