//! Owns what has to be read before the question can be answered.

use super::question::{FoundOffload, Question};
use super::usable::{Usable, usable};
use crate::card::listing::FileRow;
use crate::hash_algorithm::agree;
use std::collections::HashSet;

/// Files that have to be read before the question can be answered.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct ToRead {
    /// Of the card.
    pub card: Vec<String>,
    /// Of offloads: place among those that were found, and path by the card.
    pub drives: Vec<(usize, String)>,
}

/// Returns what has to be read next; nothing when the question can be answered. What was read
/// before may ask for more.
pub fn to_read(question: &Question<'_>, offloads: &[FoundOffload]) -> ToRead {
    let mut usable = Vec::new();
    for (index, found) in offloads.iter().enumerate() {
        let (mut troubles, mut notes, mut others) = Default::default();
        let of_one = self::usable(question, found, &mut troubles, &mut notes, &mut others);
        usable.extend(of_one.map(|u| (index, u)));
    }
    let mut wanted = ToRead::default();
    let is_unread = |path: &str| !question.is_card_read && !question.card_read.contains_key(path);
    for (index, offload) in &usable {
        let [card, drive] = &offload.samples;
        let card = card.iter().map(|f| f.name).filter(|path| is_unread(path));
        wanted.card.extend(card.map(str::to_owned));
        let drive = drive.iter().map(|f| f.name);
        let drive = drive.filter(|path| offload.is_unread(path));
        wanted
            .drives
            .extend(drive.map(|path| (*index, path.to_owned())));
    }
    if wanted.is_empty() {
        let (places, usable): (Vec<usize>, Vec<Usable<'_>>) = usable.into_iter().unzip();
        let doubted = doubted(question, &usable);
        for file in question.listing.files() {
            let path = file.name.as_str();
            let is_doubted = doubted.contains(path);
            if is_unread(path) && (is_doubted || has_other_date_only(question, &usable, file)) {
                wanted.card.push(path.to_owned());
            }
            for (offload, index) in usable.iter().zip(&places) {
                if offload.has_to_be_read(file) {
                    wanted.drives.push((*index, path.to_owned()));
                }
            }
        }
    }
    wanted.card.sort_unstable();
    wanted.card.dedup();
    wanted
}

impl ToRead {
    /// Returns whether it is nothing.
    pub fn is_empty(&self) -> bool {
        self.card.is_empty() && self.drives.is_empty()
    }
}

/// Whether offloads list this file with its size and under other dates alone: its content has to
/// tell whether it is the one.
pub(super) fn has_other_date_only(
    question: &Question<'_>,
    usable: &[Usable<'_>],
    file: FileRow<'_>,
) -> bool {
    let lists = |u: &Usable<'_>| {
        let part = u.files.get(file.name.as_str());
        part.is_some_and(|part| part.bytes == file.bytes)
    };
    let borne_out = || usable.iter().filter(|u| u.is_borne_out(question));
    borne_out().any(lists) && !borne_out().any(|u| u.looks_alike(file))
}

/// Files of the card that a manifest doubts, or of which manifests say different things, and that
/// were not read past memory since. A doubt of one is a doubt of all.
pub(super) fn doubted<'a>(question: &Question<'a>, usable: &[Usable<'_>]) -> HashSet<&'a str> {
    let is_doubted = |file: &FileRow<'_>| {
        let path = file.name.as_str();
        if let Some(Ok((_, way))) = question.card_read.get(path) {
            let reaches = way.reaches_device();
            return !reaches && usable.iter().any(|u| u.doubts.is_of_card(path));
        }
        let alike = || {
            let alike = usable.iter().filter(|u| u.looks_alike(*file));
            alike.filter(|u| u.is_borne_out(question))
        };
        let parts = alike().filter_map(|u| u.files.get(path));
        alike().any(|u| u.doubts.is_of_card(path)) || !agree(&parts.map(|p| (p.blake3, &p.also)))
    };
    let files = question.listing.files().filter(is_doubted);
    files.map(|f| f.name.as_str()).collect()
}

/// Counts files and bytes of the card that were read and are what some manifest says.
pub(super) fn sampled(question: &Question<'_>, usable: &[Usable<'_>]) -> (u64, u64) {
    let is_equal = |f: &FileRow<'_>| {
        let holds = question.holds(f.name.as_str());
        let mut parts = usable.iter().filter_map(|u| u.files.get(f.name.as_str()));
        holds.is_some() && parts.any(|part| Some(part.blake3) == holds)
    };
    let equal = question.listing.files().filter(is_equal);
    equal.fold((0, 0), |(n, bytes), f| (n + 1, bytes + f.bytes))
}
