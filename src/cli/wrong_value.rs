//! Owns what can be wrong with a value of the command line, and the words for it.

use unlade::kit::{RATE_MAX, RATE_MIN};
use unlade::ledger::shoot::{CARDS_MAX, LabelsError};
use unlade::name::shown;
use unlade::speed::quantity::QuantityError;

/// What is wrong with a value. Where one flag alone takes it and tells it itself, its words are a
/// whole sentence.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub(crate) enum WrongValue {
    /// It is no size or rate.
    #[error(transparent)]
    Quantity(#[from] QuantityError),
    /// No camera's memory holds that much.
    #[error("a frame or a camera's buffer is 1TB at most")]
    InCamera,
    /// No camera shoots that many frames.
    #[error("frames per second are a number from 0.01 to 10000")]
    FramesPerS,
    /// A sample that is too large.
    #[error("a sample is 100GB at most")]
    SampleSize,
    /// No rates of a drive.
    #[error("{0}; a drive is given as WRITES/READS (110/115), or by its name in the kit")]
    Drive(#[source] QuantityError),
    /// No price.
    #[error("a price is an amount with its currency before or after: 60, \"60 EUR\"")]
    Price,
    /// A price with something in it that may be read in two ways.
    #[error(
        "a price is one amount above zero, decimals set off by a point and thousands by nothing: \
         1200.50"
    )]
    PriceDigits,
    /// This is no rate.
    #[error("`{0}` is no rate above zero; write 170 or 170MB/s")]
    NoRate(String),
    /// No card, reader or drive has this rate.
    #[error("`{0}` is out of range: a rate is from {RATE_MIN} to {RATE_MAX} MB/s")]
    RateRange(String),
    /// Neither yes nor no.
    #[error("yes or no is wanted")]
    YesOrNo,
    /// This is no time.
    #[error("`{}` is no time such as 14m, 90s or 1h30m", shown(.0))]
    NoTime(String),
    /// A time that no deadline is away.
    #[error("a deadline is between 1 second and 30 days from now")]
    Deadline,
    /// A name that no shoot has; the longest has this many bytes.
    #[error("--shoot takes a name of 1 to {0} bytes without control characters.")]
    ShootName(usize),
    /// More cards than a shoot has.
    #[error("--expect takes 1 to {CARDS_MAX} cards.")]
    Expect,
    /// Labels that cannot be announced.
    #[error("--expect-labels: {0}.")]
    ExpectLabels(#[source] LabelsError),
}
