//! Owns what `rate` is asked.

use super::names::KitNames;
use super::speed::{BusArg, LinkArg, ReadsArg, SpeedArgs};
use crate::cli::wrong_value::WrongValue;
use camino::Utf8PathBuf;
use clap::Args;

#[derive(Clone, Debug, Args)]
pub(crate) struct RateArgs {
    /// The mounted card.
    #[arg(value_name = "CARD")]
    pub(crate) card: Utf8PathBuf,
    /// Read for so many seconds at most, 600 at most.
    #[arg(
        long,
        value_name = "N",
        default_value_t = 20,
        value_parser = clap::value_parser!(u64).range(1..=unlade::measure::SECONDS_MAX),
    )]
    pub(crate) seconds: u64,
    /// Read so much at most, 100GB at most.
    #[arg(long, value_name = "SIZE", default_value = "8GB", value_parser = sample_size)]
    pub(crate) bytes: u64,
    #[command(flatten)]
    pub(crate) names: KitNames,
    /// The card's bus: uhs-i, uhs-ii, cfe2-b and others; `list` shows all.
    #[arg(long, value_name = "ID")]
    pub(crate) bus: Option<BusArg>,
    /// The read rate on the card's label in MB/s.
    #[arg(long, value_name = "MBPS", allow_hyphen_values = true)]
    pub(crate) reads: Option<ReadsArg>,
    /// The reader's link to the computer: usb2, usb3-5g and others; `list` shows all.
    #[arg(long, value_name = "ID")]
    pub(crate) link: Option<LinkArg>,
}

impl RateArgs {
    /// Returns what it says of card and reader.
    pub(crate) fn speed(&self) -> SpeedArgs {
        SpeedArgs {
            bus: self.bus.clone(),
            reads: self.reads.clone(),
            link: self.link.clone(),
            writes: None,
        }
    }
}

fn sample_size(text: &str) -> Result<u64, WrongValue> {
    match unlade::speed::quantity::size(text)? {
        bytes if bytes <= unlade::measure::BYTES_MAX => Ok(bytes),
        _ => Err(WrongValue::SampleSize),
    }
}
