//! Owns what an unattended station does while cards and drives come and go: which card is copied,
//! which waits and for what, and which is left alone. Pure: it is told what is seen and what came
//! of each copy, and says what is to be done. Must not look, copy or tell by itself.

use camino::Utf8PathBuf;

/// Cards that are copied at the same time at most, in turns of their own.
pub const AT_ONCE_MAX: usize = 4;
/// Cards that are kept in mind at most; no computer has so many readers.
const CARDS_MAX: usize = 64;

/// One card in one reader, from its being mounted until it is gone.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct PluggedCard {
    /// Where it is mounted.
    pub path: Utf8PathBuf,
    /// The device number of its file system.
    pub device: u64,
    /// The identity of its volume, where it has one.
    pub volume_id: Option<String>,
}

/// A card as one look sees it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SeenCard {
    /// Which it is.
    pub card: PluggedCard,
    /// The drives that its copies go to and that are not there, by name; `None` where nobody said
    /// that it is to be copied.
    pub missing: Option<Vec<String>>,
}

/// What came of a copy.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum CopyEnd {
    /// Every file is proven.
    Proven,
    /// It was proven before, and holds nothing else since.
    ProvenBefore,
    /// It is not proven, or was refused.
    Open,
    /// The same, because a drive had no room for it.
    Full,
}

/// What is to be told, once each.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum StationNews {
    /// A card that nobody said anything of; it is not touched.
    Unknown(PluggedCard),
    /// A card waits for these drives.
    Waiting(PluggedCard, Vec<String>),
    /// A card is gone that had not been begun.
    Gone(PluggedCard),
    /// More cards than are kept in mind.
    TooMany,
}

#[derive(Clone, PartialEq, Eq, Debug)]
enum CardStage {
    /// Nobody said anything of it.
    Unknown,
    /// Drives are missing.
    Waiting(Vec<String>),
    /// It waits for its turn.
    Ready,
    Running {
        /// It was gone at a look since: what is there now was put in again.
        was_gone: bool,
        /// A drive of it was gone at a look since.
        lost_drive: bool,
    },
    Proven,
    /// It ended without a proof, and is tried again when a drive comes back, or has room again.
    Open {
        lost_drive: bool,
        told: Vec<String>,
        lacks_room: bool,
    },
}

/// The cards that are plugged in, and how far each is.
#[derive(Debug, Default)]
pub struct Station {
    cards: Vec<(PluggedCard, CardStage)>,
    told_too_many: bool,
}

impl Station {
    /// Takes in one look; returns what is to be told of it.
    pub fn look(&mut self, seen: &[SeenCard]) -> Vec<StationNews> {
        let mut news = Vec::new();
        self.note_gone(seen, &mut news);
        for SeenCard { card, missing } in seen {
            let known = self.cards.iter_mut().find(|(known, _)| known == card);
            if let Some((_, stage)) = known {
                news.extend(stage.seen(card, missing.as_deref()));
                continue;
            }
            if self.cards.len() == CARDS_MAX {
                if !std::mem::replace(&mut self.told_too_many, true) {
                    news.push(StationNews::TooMany);
                }
                continue;
            }
            let (stage, told) = CardStage::of_new(card, missing.as_deref());
            news.extend(told);
            self.cards.push((card.clone(), stage));
        }
        news
    }

    fn note_gone(&mut self, seen: &[SeenCard], news: &mut Vec<StationNews>) {
        self.cards.retain_mut(|(card, stage)| {
            if seen.iter().any(|s| s.card == *card) {
                return true;
            }
            match stage {
                // Its copy finds out by itself, and ends.
                CardStage::Running { was_gone, .. } => {
                    *was_gone = true;
                    return true;
                }
                CardStage::Waiting(_) | CardStage::Ready => {
                    news.push(StationNews::Gone(card.clone()));
                }
                CardStage::Unknown | CardStage::Proven | CardStage::Open { .. } => {}
            }
            false
        });
    }

    /// Returns the card whose copy is to be begun now, the first in this order, and takes it for
    /// begun; one that is not among the [`Self::queued`] is passed over. `may_begin` says whether
    /// it can be read beside those that are.
    pub fn begin(
        &mut self,
        order: &[PluggedCard],
        mut may_begin: impl FnMut(&PluggedCard) -> bool,
    ) -> Option<PluggedCard> {
        if self.running().count() >= AT_ONCE_MAX {
            return None;
        }
        let is_ready = |card: &&PluggedCard| self.queued().any(|queued| queued == *card);
        let first = order.iter().filter(is_ready).find(|card| may_begin(card))?;
        let (card, stage) = self.cards.iter_mut().find(|(card, _)| card == first)?;
        *stage = CardStage::Running {
            was_gone: false,
            lost_drive: false,
        };
        Some(card.clone())
    }

    /// Takes in what came of a copy.
    pub fn end(&mut self, card: &PluggedCard, end: CopyEnd) {
        let Some(at) = self.cards.iter().position(|(known, _)| known == card) else {
            return;
        };
        let Some((_, stage)) = self.cards.get_mut(at) else {
            return;
        };
        let CardStage::Running {
            was_gone,
            lost_drive,
        } = *stage
        else {
            return;
        };
        *stage = match end {
            _ if was_gone => {
                // The next look takes what is there for another card.
                self.cards.remove(at);
                return;
            }
            CopyEnd::Proven | CopyEnd::ProvenBefore => CardStage::Proven,
            CopyEnd::Open | CopyEnd::Full => CardStage::Open {
                lost_drive,
                told: Vec::new(),
                lacks_room: end == CopyEnd::Full,
            },
        };
    }

    /// Takes in that there is room for a card again; returns whether it waited for that.
    pub fn has_room(&mut self, card: &PluggedCard) -> bool {
        let found = self.cards.iter_mut().find(|(known, _)| known == card);
        let Some((_, stage)) = found.filter(|(_, stage)| stage.lacks_room()) else {
            return false;
        };
        *stage = CardStage::Ready;
        true
    }

    /// Returns the cards that wait for room on a drive.
    pub fn full(&self) -> impl Iterator<Item = &PluggedCard> {
        self.of(CardStage::lacks_room)
    }

    /// Returns the cards that are being copied.
    pub fn running(&self) -> impl Iterator<Item = &PluggedCard> {
        self.of(|stage| matches!(stage, CardStage::Running { .. }))
    }

    /// Returns the cards that wait for their turn.
    pub fn queued(&self) -> impl Iterator<Item = &PluggedCard> {
        self.of(|stage| *stage == CardStage::Ready)
    }

    /// Returns the cards that wait for drives, and for which.
    pub fn waiting(&self) -> impl Iterator<Item = (&PluggedCard, &[String])> {
        self.cards.iter().filter_map(|(card, stage)| match stage {
            CardStage::Waiting(missing) => Some((card, missing.as_slice())),
            CardStage::Open { told, .. } if !told.is_empty() => Some((card, told.as_slice())),
            _ => None,
        })
    }

    fn of(&self, is_it: impl Fn(&CardStage) -> bool) -> impl Iterator<Item = &PluggedCard> {
        let cards = self.cards.iter().filter(move |(_, stage)| is_it(stage));
        cards.map(|(card, _)| card)
    }
}

impl CardStage {
    fn of_new(card: &PluggedCard, missing: Option<&[String]>) -> (Self, Option<StationNews>) {
        match missing {
            None => (Self::Unknown, Some(StationNews::Unknown(card.clone()))),
            Some([]) => (Self::Ready, None),
            Some(missing) => {
                let told = StationNews::Waiting(card.clone(), missing.to_vec());
                (Self::Waiting(missing.to_vec()), Some(told))
            }
        }
    }

    fn lacks_room(&self) -> bool {
        matches!(self, Self::Open { lacks_room: true, told, .. } if told.is_empty())
    }

    /// Takes in that a card is still there.
    fn seen(&mut self, card: &PluggedCard, missing: Option<&[String]>) -> Option<StationNews> {
        let is_anew = match (&*self, missing) {
            // Somebody has said something of it, or nothing any more, since.
            (Self::Unknown, Some(_)) | (Self::Waiting(_) | Self::Ready, None) => true,
            (Self::Waiting(then), Some(now)) => then.as_slice() != now,
            (Self::Ready, Some(now)) => !now.is_empty(),
            _ => false,
        };
        if is_anew {
            let (stage, told) = Self::of_new(card, missing);
            *self = stage;
            return told;
        }
        match (&mut *self, missing) {
            (Self::Running { lost_drive, .. }, Some([_, ..])) => {
                *lost_drive = true;
                None
            }
            (
                Self::Open {
                    lost_drive: true, ..
                },
                Some([]),
            ) => {
                *self = Self::Ready;
                None
            }
            (
                Self::Open {
                    lost_drive, told, ..
                },
                Some(now @ [_, ..]),
            ) => {
                *lost_drive = true;
                let differs = told.as_slice() != now;
                *told = now.to_vec();
                differs.then(|| StationNews::Waiting(card.clone(), now.to_vec()))
            }
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests;
