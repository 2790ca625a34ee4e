//! Owns what the command line says of cards, readers and drives: from `--bus`, `--reads`, `--link` and
//! `--writes` to a chain. What the kit knows of a card or reader belongs into the same chain.

use super::args::SpeedArgs;
use super::out::{Out, wrap};
use unlade::speed::ceiling::{CardSpeed, Chain, DriveSpeed, Figure, ReaderSpeed};
use unlade::speed::links::{Family, LinkRow, find, ids};
use unlade::units::MegabytesPerS;

/// More than any link of the table, and than any to come soon, in MB/s.
const RATE_MAX: f64 = 100_000.0;

/// Returns the chain that the flags describe.
///
/// # Errors
/// What is wrong with them, in a sentence, and the ids to choose from.
pub(crate) fn chain(args: &SpeedArgs, destinations: usize) -> Result<Chain, Wrong> {
    let bus = args.bus.as_deref().map(|id| row("--bus", id, true));
    let link = args.link.as_deref().map(|id| row("--link", id, false));
    let (bus, link) = (bus.transpose()?, link.transpose()?);
    let reads = args.reads.as_deref().map(|text| rate("--reads", text));
    let writes = args
        .writes
        .as_deref()
        .map(|text| writes(text, destinations));
    // Who names a maker's faster mode says that the reader knows it too.
    let is_matched = bus.is_some_and(|row| row.family == Family::UhsIVendor);
    Ok(Chain {
        card: CardSpeed {
            reads: reads.transpose()?,
            bus,
        },
        reader: ReaderSpeed {
            link,
            is_matched,
            ..ReaderSpeed::default()
        },
        drives: writes.transpose()?.unwrap_or_default(),
        ..Chain::default()
    })
}

/// What is wrong with a flag.
pub(crate) struct Wrong {
    sentence: String,
    ids: Vec<String>,
}

impl Wrong {
    fn new(sentence: String) -> Self {
        Self {
            sentence,
            ids: Vec::new(),
        }
    }

    /// Says it.
    pub(crate) fn tell(&self, out: Out) {
        for line in wrap(&self.sentence, out.width, "unlade: ", "  ") {
            out.error(&line);
        }
        if !self.ids.is_empty() {
            for line in wrap(&self.ids.join(", "), out.width, "  ", "  ") {
                out.error(&line);
            }
        }
    }
}

fn row(flag: &str, id: &str, card_bus: bool) -> Result<&'static LinkRow, Wrong> {
    let what = if card_bus {
        "a card's bus"
    } else {
        "a reader's link"
    };
    let why = match find(id) {
        Some(row) if row.family.is_card_bus() == card_bus => return Ok(row),
        Some(_) => "is not",
        None => "is not known as",
    };
    Err(Wrong {
        sentence: format!("{flag}: `{id}` {why} {what}; the ids are:"),
        ids: ids(card_bus),
    })
}

fn rate(flag: &str, text: &str) -> Result<MegabytesPerS, Wrong> {
    match text.trim().parse::<f64>() {
        Ok(mbps) if mbps > 0.0 && mbps <= RATE_MAX => Ok(MegabytesPerS(mbps)),
        _ => Err(Wrong::new(format!(
            "{flag}: `{text}` is not a rate in MB/s above 0 and up to {RATE_MAX}; write 170, for instance."
        ))),
    }
}

fn writes(text: &str, destinations: usize) -> Result<Vec<DriveSpeed>, Wrong> {
    let given: Vec<&str> = text.split(',').collect();
    if given.len() != destinations {
        return Err(Wrong::new(format!(
            "--writes: give one rate for each --to, in the same order: {destinations}, not {}.",
            given.len()
        )));
    }
    let drive = |text: &str| {
        Ok(DriveSpeed {
            writes: Some(Figure::label(rate("--writes", text)?)),
            ..DriveSpeed::default()
        })
    };
    given.into_iter().map(drive).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use unlade::speed::ceiling::Ceiling;

    fn args(bus: &str, reads: &str, link: &str, writes: &str) -> SpeedArgs {
        let some = |text: &str| (!text.is_empty()).then(|| text.to_owned());
        SpeedArgs {
            bus: some(bus),
            reads: some(reads),
            link: some(link),
            writes: some(writes),
        }
    }

    #[test]
    fn flags_become_a_chain() {
        let chain = chain(&args("UHS-II", "300", "usb3-5g", "450, 110.5"), 2)
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

    #[test]
    fn naming_a_makers_faster_mode_says_that_the_reader_knows_it() {
        let chain = chain(&args("sd-ddr200-vendor", "170", "", ""), 1)
            .ok()
            .unwrap();
        assert_eq!(Ceiling::of(&chain).mbps(), Some(MegabytesPerS(170.0)));
    }

    #[test]
    fn what_is_wrong_is_said_with_the_ids() {
        for (wrong, word, ids) in [
            (
                args("uhs-9", "", "", ""),
                "`uhs-9` is not known as a card's bus",
                true,
            ),
            (
                args("usb2-bulk", "", "", ""),
                "`usb2-bulk` is not a card's bus",
                true,
            ),
            (
                args("", "", "sd-hs", ""),
                "`sd-hs` is not a reader's link",
                true,
            ),
            (args("", "fast", "", ""), "--reads: `fast`", false),
            (args("", "0", "", ""), "--reads: `0`", false),
            (args("", "-5", "", ""), "--reads: `-5`", false),
            (args("", "NaN", "", ""), "--reads: `NaN`", false),
            (args("", "inf", "", ""), "--reads: `inf`", false),
            (
                args("", "", "", "40"),
                "one rate for each --to, in the same order: 2, not 1",
                false,
            ),
            (args("", "", "", "40,"), "--writes: ``", false),
            (args("", "", "", "40,50,60"), "2, not 3", false),
        ] {
            let told = chain(&wrong, 2).err().unwrap();
            assert!(told.sentence.contains(word), "{}", told.sentence);
            assert_eq!(!told.ids.is_empty(), ids, "{}", told.sentence);
        }
    }
}
