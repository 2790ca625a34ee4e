//! Owns what is known beforehand of how long a job takes. Data only; no verdict rests on it.

use super::beside::Beside;
use crate::speed::ceiling::Ceiling;
use crate::speed::forecast::Prior;

/// What is known of a job's gear and rate before the first byte. By default nothing is.
#[derive(Clone, Debug, Default)]
pub struct Estimate {
    /// The reader that the card is in, as far as the kit or the system says.
    pub reader: Option<String>,
    /// The card's name in the kit.
    pub card_name: Option<String>,
    /// What the card's maker wrote into it, where the slot reads that.
    pub card_made_as: Option<String>,
    /// What the links between card and drives allow, as far as anything is known of them.
    pub ceiling: Ceiling,
    /// What ceiling and ledger let expect. Its `growth` is left to the plan, which knows how far
    /// the drive fills.
    pub prior: Prior,
    /// The spinning disk that holds the others back, by its place among the destinations: it gets
    /// slower as it fills.
    pub slows: Option<usize>,
    /// What the card that is read at the same time still has to read.
    pub beside: Beside,
}
