//! Owns the flags of `weigh` as they are written.

use camino::Utf8PathBuf;
use clap::{ArgGroup, Args, Subcommand};
use unlade::speed::classes::WriteClass;
use unlade::speed::quantity::{Bare, rate, size};

/// The questions that can be weighed.
#[derive(Clone, Debug, Subcommand)]
pub(crate) enum WeighCommand {
    /// How long a card records, and whether its write class sustains the bit rate.
    #[command(
        long_about = "Reckons minutes of footage from a capacity and a bit rate, and holds the bit rate against the write class printed on the card. A class is a guaranteed minimum of writing; the large figure on a card is how fast it reads and says nothing of writing, so it is not taken.\n\nTwo cards that record the same at once: give both classes, both capacities; the lesser one counts.",
        after_help = "Example:  unlade weigh footage --at 100Mb/s --room 128GB --class V30"
    )]
    Footage(FootageArgs),
    /// How many frames a burst has until the buffer is full, and how long it takes to clear.
    #[command(
        long_about = "Reckons when the buffer of a camera is full and how long the card then needs to take it all. --writes is what the card takes in that camera, not the figure on its label: time a clearing buffer, or use the card's write class as the least it can be.",
        after_help = "Example:  unlade weigh burst --fps 20 --frame 50MB --buffer 2GB --writes 250"
    )]
    Burst(BurstArgs),
}

/// `weigh footage`.
#[derive(Clone, Debug, Args)]
#[command(group(ArgGroup::new("asked").required(true).multiple(true).args(["room", "card", "class"])))]
pub(crate) struct FootageArgs {
    /// The bit rate of the recording: 100Mb/s (megabits) or 12.5MB/s (megabytes).
    #[arg(long, value_name = "RATE", value_parser = bit_rate)]
    pub(crate) at: f64,
    /// Capacity of the card, 128GB; of both cards if they record the same, 128GB,64GB.
    #[arg(long, value_name = "SIZE", value_delimiter = ',', value_parser = size, conflicts_with = "card")]
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
    #[arg(long, value_name = "SIZE", value_parser = size)]
    pub(crate) frame: u64,
    /// What the card takes in the camera, MB/s; of both cards if both get every frame, 250,90.
    #[arg(long, value_name = "MBPS", required = true, value_delimiter = ',', value_parser = write_rate)]
    pub(crate) writes: Vec<f64>,
    /// Size of the camera's buffer.
    #[arg(long, value_name = "SIZE", value_parser = size)]
    pub(crate) buffer: Option<u64>,
    /// Frames shot in one go.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=1_000_000))]
    pub(crate) frames: Option<u64>,
}

fn bit_rate(text: &str) -> Result<f64, String> {
    rate(text, Bare::Refused)
}

pub(crate) fn write_rate(text: &str) -> Result<f64, String> {
    rate(text, Bare::MegaBytes)
}

fn frames_per_s(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(n) if (0.01..=10_000.0).contains(&n) => Ok(n),
        _ => Err("frames per second are a number from 0.01 to 10000".to_owned()),
    }
}
