//! Owns what a forecast is asked with and what it tells: amounts, the time left, a change of the
//! rate, what a job taught.

use super::bank::Load;
use super::prior::RatePrior;
use crate::units::float;

/// A forecast above this many seconds is shown as this many.
pub const SECONDS_MAX: f64 = 359_999.0;

/// Time left in seconds; `low_s <= likely_s <= high_s`, all finite and not negative. The true time
/// is within the range four times out of five.
#[derive(Clone, Copy, PartialEq, Debug, serde::Serialize)]
pub struct Remaining {
    /// Sooner than this is unlikely.
    pub low_s: f64,
    /// The best guess, as it is shown.
    pub likely_s: f64,
    /// Later than this is unlikely.
    pub high_s: f64,
}

/// An amount of work: whole files and bytes.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Amount {
    /// Files.
    pub files: u64,
    /// Bytes.
    pub bytes: u64,
}

impl Amount {
    pub(super) fn load(self) -> Load {
        Load {
            files: float(self.files),
            mb: float(self.bytes) / 1e6,
        }
    }
}

/// Which part of the job is going on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stage {
    /// Reading the card and writing; with it any read-back that runs behind the writer.
    Copy,
    /// A read-back that began when everything was copied.
    ReadBack,
}

/// A rate that changed and stayed changed.
#[derive(Clone, Copy, PartialEq, Debug, serde::Serialize)]
pub struct Change {
    /// Measured bytes per second before.
    pub from_bytes_per_s: f64,
    /// Measured bytes per second since.
    pub to_bytes_per_s: f64,
    /// When it began, in seconds since the start of the work.
    pub at_s: f64,
}

/// What a job taught, for the next one.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Learned {
    /// MB (10^6 bytes) per second of the slowest stage, files' own cost taken off.
    pub mbps: f64,
    /// Seconds that a file costs beyond its bytes; `None` where files hardly mattered.
    pub file_s: Option<f64>,
}

/// What the present number rests on.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub enum Basis {
    /// Nothing yet.
    #[default]
    Nothing,
    /// A rate known beforehand; hardly anything was measured.
    Known(RatePrior),
    /// Mostly what was measured.
    Measured,
}
