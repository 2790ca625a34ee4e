//! Owns what is on the cards that a watch began, for the turns of those that wait.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use unlade::card::mirror::CardFiles;
use unlade::station::PluggedCard;

/// What is on the cards that were begun, by the plans of their copies.
#[derive(Clone, Debug, Default)]
pub(super) struct SeenFiles(Arc<Mutex<BTreeMap<PluggedCard, NamedFiles>>>);

/// What a card is called, and what is on it.
type NamedFiles = (String, CardFiles);

impl SeenFiles {
    pub(super) fn note(&self, card: &PluggedCard, name: &str, files: CardFiles) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.insert(card.clone(), (name.to_owned(), files));
    }

    pub(super) fn keep(&self, is_here: impl Fn(&PluggedCard) -> bool) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.retain(|card, _| is_here(card));
    }

    pub(super) fn all(&self) -> BTreeMap<PluggedCard, NamedFiles> {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.clone()
    }
}
