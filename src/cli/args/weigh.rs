//! Owns the flags of `weigh` as they are written.

use crate::cli::wrong_value::WrongValue;
use camino::Utf8PathBuf;
use clap::{ArgGroup, Args, Subcommand};
use unlade::speed::chain::{DriveSpeed, Figure};
use unlade::speed::classes::WriteClass;
use unlade::speed::quantity::{Bare, QuantityError, rate, size};
use unlade::units::{GB, MegabytesPerS};

/// The questions that can be weighed.
#[derive(Clone, Debug, Subcommand)]
pub(crate) enum WeighCommand {
    /// How long a card records, and whether its write class sustains the bit rate.
    #[command(
        override_usage = "unlade weigh footage --at <RATE> --room <SIZE> [OPTIONS]",
        long_about = "Reckons minutes of footage from a capacity and a bit rate, and holds the bit \
            rate against the write class printed on the card. A class is a guaranteed minimum of \
            writing; the large figure on a card is how fast it reads and says nothing of writing, \
            so it is not taken. For the class the peak of the bit rate counts; what a camera \
            states is often an average.\n\nTwo cards that record the same at once: give both \
            classes, both capacities; the lesser one counts.",
        after_help = "Example:  unlade weigh footage --at 100Mb/s --room 128GB --class V30"
    )]
    Footage(FootageArgs),
    /// How many frames a burst has, and how long its buffer takes to clear.
    #[command(
        override_usage = "unlade weigh burst --fps <N> --frame <SIZE> --writes <MBPS> [OPTIONS]",
        long_about = "Reckons when the buffer of a camera is full and how long the card then needs \
            to take it all. --writes is what the card takes in that camera, not the figure on its \
            label: time a clearing buffer, or use the card's write class as the least it can be.",
        after_help = "Example:  unlade weigh burst --fps 20 --frame 50MB --buffer 2GB --writes 250"
    )]
    Burst(BurstArgs),
    /// What a faster card, reader, port or drive would save.
    #[command(
        override_usage = "unlade weigh upgrade --offload <SIZE> --new-... [OPTIONS]",
        long_about = "Reckons what a part would save per offload and per year. Every other link \
            counts: the slowest that remains takes over, which is why the figure on the box is \
            nearly always wrong. A part is given as the MB/s that it gives, by its name in the \
            kit, or by a name of the link table. unlade reads every copy back while it still \
            copies, and so the slowest stage sets the time of both; a hard disk writes and \
            reads back in turns. Of a drive in the kit, `spins` says which it is; where nobody \
            has said and it may, both cases are reckoned.\n\nWith --json, what is in neither \
            `if_spinning` nor `if_not_spinning` rests on the drives as they are known, and on \
            drives that do not spin where that is not known; `basis` says which it came to. \
            `copy_s` and `read_back_s` are the two one after the other, `rolled_s` is both at \
            once, and so are `a_year_h`, `helps` and the price.",
        after_help = "Example:  unlade weigh upgrade --offload 220GB --per-year 40 --reader 90 \
            --drives 110/115 --new-reader 250 --price 60"
    )]
    Upgrade(Box<UpgradeArgs>),
}

/// `weigh footage`.
#[derive(Clone, Debug, Args)]
#[command(
    group(ArgGroup::new("asked").required(true).multiple(true).args(["room", "card", "class"]))
)]
pub(crate) struct FootageArgs {
    /// The bit rate of the recording: 100Mb/s (megabits) or 12.5MB/s (megabytes).
    #[arg(long, value_name = "RATE", value_parser = bit_rate)]
    pub(crate) at: f64,
    /// Capacity of the card, 128GB; of both cards if they record the same, 128GB,64GB.
    #[arg(
        long,
        value_name = "SIZE",
        value_delimiter = ',',
        value_parser = size,
        conflicts_with = "card",
    )]
    pub(crate) room: Vec<u64>,
    /// Take the capacity from this mounted card.
    #[arg(long, value_name = "CARD")]
    pub(crate) card: Option<Utf8PathBuf>,
    /// Write class on the card: C10, U3, V30, E150, VPG400; of both cards, V30,V90.
    #[arg(long, value_name = "CLASS", value_delimiter = ',', value_parser = WriteClass::read)]
    pub(crate) class: Vec<WriteClass>,
}

/// `weigh burst`.
#[derive(Clone, Debug, Args)]
#[command(group(ArgGroup::new("length").required(true).multiple(true).args(["buffer", "frames"])))]
pub(crate) struct BurstArgs {
    /// Frames per second.
    #[arg(long, value_name = "N", value_parser = frames_per_s)]
    pub(crate) fps: f64,
    /// Size of a frame; raw and JPEG together if both are recorded.
    #[arg(long, value_name = "SIZE", value_parser = in_camera)]
    pub(crate) frame: u64,
    /// What the card takes in the camera, MB/s; of both cards if both get every frame, 250,90.
    #[arg(
        long,
        value_name = "MBPS",
        required = true,
        value_delimiter = ',',
        value_parser = write_rate,
    )]
    pub(crate) writes: Vec<f64>,
    /// Size of the camera's buffer.
    #[arg(long, value_name = "SIZE", value_parser = in_camera)]
    pub(crate) buffer: Option<u64>,
    /// Frames shot in one go.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=1_000_000))]
    pub(crate) frames: Option<u64>,
}

fn bit_rate(text: &str) -> Result<f64, QuantityError> {
    rate(text, Bare::Refused)
}

/// A frame or a buffer: no camera's memory holds more than 1 TB.
fn in_camera(text: &str) -> Result<u64, WrongValue> {
    match size(text)? {
        bytes if bytes <= 1_000 * GB => Ok(bytes),
        _ => Err(WrongValue::InCamera),
    }
}

pub(crate) fn write_rate(text: &str) -> Result<f64, QuantityError> {
    rate(text, Bare::MegaBytes)
}

fn frames_per_s(text: &str) -> Result<f64, WrongValue> {
    match text.parse::<f64>() {
        Ok(n) if (0.01..=10_000.0).contains(&n) => Ok(n),
        _ => Err(WrongValue::FramesPerS),
    }
}

/// `weigh upgrade`.
#[derive(Clone, Debug, Args)]
#[command(
    group(
        ArgGroup::new("new")
            .required(true)
            .multiple(true)
            .args(["new_card", "new_reader", "new_port", "new_drives"])
    )
)]
pub(crate) struct UpgradeArgs {
    /// Size of one offload.
    #[arg(long, value_name = "SIZE", value_parser = size)]
    pub(crate) offload: u64,
    /// Offloads in a year.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub(crate) per_year: Option<u32>,
    /// Card as it is: MB/s, name in the kit, or bus.
    #[arg(long, value_name = "CARD")]
    pub(crate) card: Option<PartArg>,
    /// Reader as it is: MB/s, kit name, slot or link.
    #[arg(long, value_name = "READER")]
    pub(crate) reader: Option<PartArg>,
    /// Port as it is: MB/s, or link (usb2, usb3-5g).
    #[arg(long, value_name = "PORT")]
    pub(crate) port: Option<PartArg>,
    /// Drives as they are: MB/s (110/115) or kit names.
    ///
    /// What each writes and reads back, set apart by commas.
    #[arg(long, value_name = "DRIVE", value_delimiter = ',')]
    pub(crate) drives: Vec<DriveArg>,
    /// Card to be weighed.
    #[arg(long, value_name = "CARD")]
    pub(crate) new_card: Option<PartArg>,
    /// Reader to be weighed.
    #[arg(long, value_name = "READER")]
    pub(crate) new_reader: Option<PartArg>,
    /// Port to be weighed.
    #[arg(long, value_name = "PORT")]
    pub(crate) new_port: Option<PartArg>,
    /// Drives to be weighed, with those that stay.
    #[arg(long, value_name = "DRIVE", value_delimiter = ',', requires = "drives")]
    pub(crate) new_drives: Vec<DriveArg>,
    /// Price of it all, in any currency: 60.
    #[arg(long, value_name = "PRICE", requires = "per_year", value_parser = Price::parse)]
    pub(crate) price: Option<Price>,
}

/// A card, reader or port as the command line gives it.
#[derive(Clone, Debug)]
pub(crate) enum PartArg {
    /// What it gives, in bytes per second.
    Rate(f64),
    /// A name in the kit or of the link table, then.
    Name {
        /// As it was written.
        text: String,
        /// Why it is no rate.
        why: QuantityError,
    },
}

impl From<&str> for PartArg {
    fn from(text: &str) -> Self {
        match rate(text, Bare::MegaBytes) {
            Ok(bytes_per_s) => Self::Rate(bytes_per_s),
            Err(why) => Self::Name {
                text: text.to_owned(),
                why,
            },
        }
    }
}

/// A drive as the command line gives it.
#[derive(Clone, Debug)]
pub(crate) struct DriveArg {
    /// As it was written: it may be a name in the kit.
    pub(crate) text: String,
    /// What it writes and reads back, or why it is no rates.
    pub(crate) speed: Result<DriveSpeed, WrongValue>,
}

impl From<&str> for DriveArg {
    fn from(text: &str) -> Self {
        Self {
            text: text.to_owned(),
            speed: drive_speed(text),
        }
    }
}

fn drive_speed(text: &str) -> Result<DriveSpeed, WrongValue> {
    let (writes, reads) = match text.split_once('/') {
        // `110MB/s` holds a stroke of its own.
        Some((writes, reads)) if !reads.starts_with('s') => (writes, Some(reads)),
        _ => (text, None),
    };
    let read = |text: &str| {
        let bytes_per_s = rate(text, Bare::MegaBytes).map_err(WrongValue::Drive)?;
        Ok::<_, WrongValue>(Figure::label(MegabytesPerS(bytes_per_s / 1e6)))
    };
    Ok(DriveSpeed {
        writes: Some(read(writes)?),
        reads: reads.map(read).transpose()?,
        ..DriveSpeed::default()
    })
}

/// A price as it was given: an amount, and what stands before and after it.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Price {
    before: String,
    amount_text: String,
    after: String,
    /// The amount.
    pub(crate) amount: f64,
}

impl Price {
    /// Reads an amount with anything short around it.
    pub(crate) fn parse(text: &str) -> Result<Self, WrongValue> {
        let text = text.trim();
        if text.len() > 40 || unlade::name::shown(text) != text {
            return Err(WrongValue::Price);
        }
        let is_amount = |c: char| c.is_ascii_digit() || c == '.';
        let start = text
            .find(|c: char| c.is_ascii_digit())
            .ok_or(WrongValue::Price)?;
        let (before, rest) = text.split_at(start);
        let end = rest.find(|c| !is_amount(c)).unwrap_or(rest.len());
        let (amount_text, after) = rest.split_at(end);
        if before.contains('-') || after.contains(|c: char| c.is_ascii_digit()) {
            return Err(WrongValue::PriceDigits);
        }
        match amount_text.parse::<f64>() {
            Ok(amount) if amount > 0.0 && amount < 1e12 => Ok(Self {
                before: before.to_owned(),
                amount_text: amount_text.to_owned(),
                after: after.to_owned(),
                amount,
            }),
            _ => Err(WrongValue::Price),
        }
    }

    /// Returns another amount in the same currency.
    pub(crate) fn with(&self, amount: &str) -> String {
        format!("{}{amount}{}", self.before, self.after)
    }

    /// Returns it as it was given.
    pub(crate) fn given(&self) -> String {
        self.with(&self.amount_text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prices_are_read_in_any_currency() {
        for (text, amount, again) in [
            ("60", 60.0, "12.2"),
            ("60 EUR", 60.0, "12.2 EUR"),
            ("Fr. 1200.50", 1_200.5, "Fr. 12.2"),
            ("£60", 60.0, "£12.2"),
            ("60,- kr", 60.0, "12.2,- kr"),
        ] {
            let price = Price::parse(text).unwrap();
            assert!((price.amount - amount).abs() < 1e-9, "{text}");
            assert_eq!(price.with("12.2"), again);
            assert_eq!(price.given(), text);
        }
        for text in [
            "",
            "EUR",
            "-60",
            "1,200",
            "1.2.3",
            "0",
            "60\u{1b}[2J",
            &"9".repeat(50),
        ] {
            assert!(Price::parse(text).is_err(), "{text}");
        }
    }
}
