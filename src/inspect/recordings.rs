//! Owns what is said of a card's recordings as a whole: hints for the person, and what was shot.
//! Pure; no verdict rests on it.

use super::card::{CardFile, card_hints};
use super::contents::{Contents, Shot, contents};
use super::look::CardLook;
use super::observation::Observation;
use crate::disk::Stamp;

/// What was seen of a card's recordings.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Recordings {
    /// First of single files, then of the files together.
    pub hints: Vec<Observation>,
    /// What was shot.
    pub contents: Contents,
}

impl Recordings {
    /// Puts together what was seen of files. `now` is the time of this computer.
    pub fn of(files: &[Shot<'_>], look: &CardLook, now: Stamp) -> Self {
        let mut hints = Vec::new();
        for file in files {
            let found = file.look.iter().flat_map(|look| look.hints.iter());
            hints.extend(found.map(|hint| Observation::of_file(file.path, hint)));
        }
        let together: Vec<CardFile<'_>> = files.iter().map(Shot::of_card).collect();
        hints.extend(card_hints(&together, now).iter().map(Observation::of_card));
        let contents = contents(files, look);
        Self { hints, contents }
    }

    /// The same without the cameras' names.
    #[must_use]
    pub fn without_cameras(mut self) -> Self {
        self.contents.cameras.clear();
        self
    }
}
