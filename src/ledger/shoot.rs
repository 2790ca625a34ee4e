//! Owns the count of a job's cards: which were proven, which were not, and which of those that were
//! announced nobody has seen. Pure.

use super::{Deed, Entry, Expected, Ledger, Place};
use crate::card::identity::CardIdentity;
use crate::units::{counted, len64};

/// Cards that one job may announce.
pub const CARDS_MAX: u64 = 10_000;
/// Names of cards that are told in one sentence.
const NAMES_TOLD: usize = 12;

/// One card of a job, however often it was in a reader.
#[derive(Clone, PartialEq, Debug, serde::Serialize)]
pub struct ShootCard {
    /// The name people know it by.
    pub label: String,
    /// When it was seen last, RFC 3339.
    pub at: String,
    /// What the last verdict on it said.
    pub proven: bool,
    /// Copies of that verdict.
    pub copies: u64,
    /// Why it is not proven.
    pub reasons: Vec<String>,
    /// Files on it.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// How often it was in a reader for this job.
    pub times_seen: u64,
    /// The card of this job that holds the very same files, where there is one.
    pub same_content_as: Option<String>,
    /// What the last verdict followed: a copy, or a question without one.
    #[serde(skip)]
    pub did: Deed,
    /// Where the last copy of it that the ledger knows lies.
    #[serde(skip)]
    pub places: Vec<Place>,
    #[serde(skip)]
    card: CardIdentity,
}

/// A job and its cards.
#[derive(Clone, PartialEq, Debug, serde::Serialize)]
pub struct Shoot {
    /// Its name.
    pub name: String,
    /// What was announced last.
    pub expected: Option<Expected>,
    /// Every card that was seen, in the order of the first time.
    pub cards: Vec<ShootCard>,
    /// Announced labels that nobody has seen.
    pub missing_labels: Vec<String>,
    /// Announced cards that nobody has seen.
    pub not_seen: u64,
}

impl Shoot {
    /// Gathers what the ledger knows of a job. `expected` is what is announced now; without it the
    /// last announcement counts.
    pub fn of(ledger: &Ledger, name: &str, expected: Option<&Expected>) -> Self {
        let mut cards: Vec<ShootCard> = Vec::new();
        let mut announced = None;
        for entry in &ledger.entries {
            let Some(part) = entry.shoot.as_ref().filter(|s| s.name == name) else {
                continue;
            };
            if part.expected.is_some() {
                announced.clone_from(&part.expected);
            }
            if entry.did != Deed::Rate {
                note(&mut cards, entry);
            }
        }
        for index in 0..cards.len() {
            let twin = (0..cards.len())
                .filter(|other| *other != index)
                .find(|other| cards[index].card.is_twin(&cards[*other].card));
            cards[index].same_content_as = twin.map(|other| cards[other].label.clone());
        }
        let expected = expected.cloned().or(announced);
        let missing_labels = missing(expected.as_ref(), &cards);
        let not_seen = match &expected {
            Some(Expected::Count(n)) => n.saturating_sub(len64(cards.len())),
            _ => len64(missing_labels.len()),
        };
        Self {
            name: name.to_owned(),
            expected,
            cards,
            missing_labels,
            not_seen,
        }
    }

    /// Returns whether every card that was announced was seen and is proven. A job without any card
    /// is not complete.
    pub fn is_complete(&self) -> bool {
        !self.cards.is_empty() && self.not_seen == 0 && self.cards.iter().all(|c| c.proven)
    }

    /// Returns the number of cards that were announced.
    pub fn announced(&self) -> Option<u64> {
        match &self.expected {
            Some(Expected::Count(n)) => Some(*n),
            Some(Expected::Labels(labels)) => Some(len64(labels.len())),
            None => None,
        }
    }

    /// Returns the state of the job in sentences.
    pub fn words(&self) -> Vec<String> {
        self.told("seen", "Not seen")
    }

    /// Returns the state of the job before the cards of a plan are copied: a plan enters nothing in the ledger,
    /// but its cards are here and not missing.
    pub fn words_of_plan(&self, planned: &[CardIdentity]) -> Vec<String> {
        let is_new = |card: &&CardIdentity| !self.cards.iter().any(|c| c.card.is_same_card(card));
        let new: Vec<&CardIdentity> = planned.iter().filter(is_new).collect();
        let mut then = self.clone();
        for card in &new {
            let label = then.missing_labels.iter().position(|l| is_label(l, card));
            if let Some(label) = label {
                then.missing_labels.remove(label);
            }
        }
        then.not_seen = match &self.expected {
            Some(Expected::Count(_)) => self.not_seen.saturating_sub(len64(new.len())),
            _ => len64(then.missing_labels.len()),
        };
        let mut words = then.told("seen before", "Neither seen before nor in this plan");
        let here = match new.len() {
            0 => "Every card of this plan was seen before.".to_owned(),
            1 => "This plan has 1 card more; it counts when it is copied.".to_owned(),
            n => format!("This plan has {n} cards more; they count when they are copied."),
        };
        words.insert(1, here);
        words
    }

    fn told(&self, is_seen: &str, is_missing: &str) -> Vec<String> {
        let seen = len64(self.cards.len());
        let proven = len64(self.cards.iter().filter(|c| c.proven).count());
        let told = crate::name::shown(&self.name);
        let mut words = vec![match self.announced() {
            Some(n) => format!(
                "`{told}`: {} of {} {is_seen}, {proven} proven.",
                crate::units::count(seen),
                counted(n, "announced card"),
            ),
            None if seen == 0 => format!("`{told}`: the ledger knows no card of this job."),
            None => format!(
                "`{told}`: {} {is_seen}, {proven} proven. Announce how many there are with --expect.",
                counted(seen, "card")
            ),
        }];
        let open: Vec<&str> = self
            .cards
            .iter()
            .filter(|c| !c.proven)
            .map(|c| c.label.as_str())
            .collect();
        if !open.is_empty() {
            words.push(format!("Not proven: {}.", names(&open)));
        }
        match self.missing_labels.as_slice() {
            [] if self.not_seen > 0 => {
                words.push(format!("{is_missing}: {}.", counted(self.not_seen, "card")));
            }
            [] => {}
            missing => words.push(format!(
                "{is_missing}: {}.",
                names(&missing.iter().map(String::as_str).collect::<Vec<_>>())
            )),
        }
        let extra = self.extra();
        if !extra.is_empty() {
            words.push(format!("Not announced: {}.", names(&extra)));
        } else if let Some(Expected::Count(n)) = self.expected
            && seen > n
        {
            words.push(format!(
                "That is {} more than you announced.",
                counted(seen - n, "card")
            ));
        }
        words
    }

    /// Returns what is to be said of one card of the job: that it was there before, or that another
    /// one holds the same.
    pub fn words_on(&self, card: &CardIdentity) -> Vec<String> {
        let Some(seen) = self.cards.iter().find(|c| c.card.is_same_card(card)) else {
            return Vec::new();
        };
        let mut words = Vec::new();
        if seen.times_seen > 1 {
            words.push(format!(
                "This card was in a reader for this job before ({} times now); it counts once.",
                seen.times_seen
            ));
        }
        if let Some(twin) = &seen.same_content_as {
            words.push(format!("Same content as card {twin}, but another card."));
        }
        words
    }

    fn extra(&self) -> Vec<&str> {
        let Some(Expected::Labels(labels)) = &self.expected else {
            return Vec::new();
        };
        self.cards
            .iter()
            .filter(|c| !labels.iter().any(|l| is_label(l, &c.card)))
            .map(|c| c.label.as_str())
            .collect()
    }
}

fn note(cards: &mut Vec<ShootCard>, entry: &Entry) {
    let seen = ShootCard {
        label: entry.card.known_as().to_owned(),
        at: entry.at.clone(),
        proven: entry.proven,
        copies: entry.copies,
        reasons: entry.reasons.clone(),
        files: entry.card.files,
        bytes: entry.card.bytes,
        times_seen: 1,
        same_content_as: None,
        did: entry.did,
        places: entry.places.clone(),
        card: entry.card.clone(),
    };
    match cards.iter_mut().find(|c| c.card.is_same_card(&entry.card)) {
        // The last verdict counts: a card that was proven and then got new shots is not proven.
        Some(before) => {
            let content = before.card.content_b3;
            let is_same_listing = before.card.listing_b3 == seen.card.listing_b3;
            // A question names no places; those of the copy before it are still the last known.
            let places = if seen.places.is_empty() {
                std::mem::take(&mut before.places)
            } else {
                seen.places.clone()
            };
            *before = ShootCard {
                times_seen: before.times_seen + 1,
                places,
                ..seen
            };
            if before.card.content_b3.is_none() && is_same_listing {
                before.card.content_b3 = content;
            }
        }
        None => cards.push(seen),
    }
}

fn is_label(announced: &str, card: &CardIdentity) -> bool {
    let announced = announced.to_lowercase();
    card.label.to_lowercase() == announced
        || card
            .name
            .as_ref()
            .is_some_and(|n| n.to_lowercase() == announced)
}

/// Every announced label takes one card; what finds none is missing.
fn missing(expected: Option<&Expected>, cards: &[ShootCard]) -> Vec<String> {
    let Some(Expected::Labels(labels)) = expected else {
        return Vec::new();
    };
    let mut free: Vec<&ShootCard> = cards.iter().collect();
    labels
        .iter()
        .filter(
            |label| match free.iter().position(|c| is_label(label, &c.card)) {
                Some(index) => {
                    free.remove(index);
                    false
                }
                None => true,
            },
        )
        .cloned()
        .collect()
}

fn names(names: &[&str]) -> String {
    let mut text = names
        .iter()
        .take(NAMES_TOLD)
        .map(|n| crate::name::shown(n))
        .collect::<Vec<_>>()
        .join(", ");
    if names.len() > NAMES_TOLD {
        text.push_str(&format!(" and {} more", names.len() - NAMES_TOLD));
    }
    text
}

/// Reads announced labels: set apart by commas, at most [`CARDS_MAX`], none empty, none twice.
///
/// # Errors
/// In plain words.
pub fn parse_labels(text: &str) -> Result<Expected, String> {
    let labels: Vec<String> = text.split(',').map(|l| l.trim().to_owned()).collect();
    if labels.iter().any(String::is_empty) {
        return Err("an announced label is empty".to_owned());
    }
    if len64(labels.len()) > CARDS_MAX {
        return Err(format!("more than {CARDS_MAX} cards are announced"));
    }
    for (index, label) in labels.iter().enumerate() {
        let twice = labels
            .iter()
            .take(index)
            .any(|l| l.to_lowercase() == label.to_lowercase());
        if twice {
            return Err(format!("`{label}` is announced twice"));
        }
    }
    Ok(Expected::Labels(labels))
}

#[cfg(test)]
mod tests {
    use super::super::ShootPart;
    use super::super::tests::copy;
    use super::*;
    use crate::digest::Digest;

    fn seen(label: &str, proven: bool, expected: Option<Expected>) -> Entry {
        Entry {
            shoot: Some(ShootPart {
                name: "festival".to_owned(),
                expected,
            }),
            ..copy(label, proven)
        }
    }

    fn shoot(entries: Vec<Entry>, expected: Option<&Expected>) -> Shoot {
        let ledger = Ledger {
            entries,
            damaged: 0,
        };
        Shoot::of(&ledger, "festival", expected)
    }

    /// Half of the cards lie in readers and are not copied yet.
    #[test]
    fn cards_of_a_plan_are_not_missing() {
        let card = |label: &str| copy(label, true).card;
        let begun = shoot(vec![seen("A1", true, Some(Expected::Count(4)))], None);
        assert_eq!(
            begun.words_of_plan(&[card("A1"), card("A2"), card("B1")]),
            [
                "`festival`: 1 of 4 announced cards seen before, 1 proven.",
                "This plan has 2 cards more; they count when they are copied.",
                "Neither seen before nor in this plan: 1 card.",
            ]
        );
        let labels = parse_labels("A1,A2,B1").unwrap();
        let none = shoot(Vec::new(), Some(&labels));
        assert_eq!(
            none.words_of_plan(&[card("a2")]),
            [
                "`festival`: 0 of 3 announced cards seen before, 0 proven.",
                "This plan has 1 card more; it counts when it is copied.",
                "Neither seen before nor in this plan: A1, B1.",
            ]
        );
        let all = begun.words_of_plan(&[card("A1")]).join(" ");
        assert!(
            all.contains("Every card of this plan was seen before."),
            "{all}"
        );
    }

    #[test]
    fn a_card_that_nobody_saw_is_told() {
        let entries = vec![
            seen("A1", true, Some(Expected::Count(4))),
            seen("A2", false, None),
            seen("B1", true, None),
            copy("OTHER-JOB", true),
        ];
        let shoot = shoot(entries, None);
        assert_eq!((shoot.cards.len(), shoot.not_seen), (3, 1));
        assert!(!shoot.is_complete());
        assert_eq!(
            shoot.words(),
            [
                "`festival`: 3 of 4 announced cards seen, 2 proven.",
                "Not proven: A2.",
                "Not seen: 1 card.",
            ]
        );
    }

    #[test]
    fn the_same_card_twice_counts_once_and_its_last_verdict_counts() {
        let entries = || vec![seen("A1", true, None), seen("A1", false, None)];
        let two = Expected::Count(2);
        let shoot_now = shoot(entries(), Some(&two));
        assert_eq!((shoot_now.cards.len(), shoot_now.not_seen), (1, 1));
        assert!(!shoot_now.cards[0].proven, "the last word counts");
        let words = shoot_now.words_on(&entries()[0].card);
        assert_eq!(
            words,
            ["This card was in a reader for this job before (2 times now); it counts once."]
        );
        let mut entries = entries();
        entries.reverse();
        assert!(shoot(entries, None).cards[0].proven);
    }

    #[test]
    fn labels_are_matched_one_by_one() {
        let labels = parse_labels("a1, A2,B1").unwrap();
        let entries = vec![
            seen("A1", true, Some(labels)),
            seen("B1", true, None),
            seen("C9", true, None),
        ];
        let shoot = shoot(entries, None);
        assert_eq!(shoot.missing_labels, ["A2"]);
        assert_eq!(shoot.not_seen, 1);
        let words = shoot.words();
        assert!(words.contains(&"Not seen: A2.".to_owned()), "{words:?}");
        assert!(
            words.contains(&"Not announced: C9.".to_owned()),
            "{words:?}"
        );
    }

    #[test]
    fn a_complete_job_and_an_empty_one() {
        let one = Expected::Count(1);
        assert!(shoot(vec![seen("A1", true, None)], Some(&one)).is_complete());
        assert!(!shoot(vec![seen("A1", false, None)], Some(&one)).is_complete());
        assert!(!shoot(Vec::new(), None).is_complete());
        let rate_only = Entry {
            did: Deed::Rate,
            ..seen("A1", true, None)
        };
        assert!(
            shoot(vec![rate_only], None).cards.is_empty(),
            "a measurement says nothing of a card's copies"
        );
    }

    #[test]
    fn mirrors_are_two_cards_with_one_content() {
        let content = Some(Digest::of(b"all of it"));
        let mut a = seen("A1", true, None);
        let mut b = seen("A2", true, None);
        a.card.content_b3 = content;
        b.card.content_b3 = content;
        let shoot = shoot(vec![a, b.clone()], None);
        assert_eq!(shoot.cards.len(), 2);
        assert_eq!(
            shoot.words_on(&b.card),
            ["Same content as card A1, but another card."]
        );
    }

    #[test]
    fn bad_announcements() {
        assert!(parse_labels("A1,,B1").is_err());
        assert!(parse_labels("").is_err());
        assert!(parse_labels("A1,a1").is_err());
        assert!(parse_labels(&"x,".repeat(20_000)).is_err());
    }
}
