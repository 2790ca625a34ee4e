//! Owns the count of a job's cards: which were proven, which were not, and which of those that were
//! announced nobody has seen. Pure.

use super::filling::SeenCards;
pub use super::filling::ShootCard;
use super::kin::{CardMarks, Kin, Marks};
use super::{Deed, ExpectedCards, Ledger, LedgerEntry};
use crate::card::identity::CardIdentity;
use crate::digest::Digest;
use crate::units::{counted, len64};
use std::collections::{BTreeSet, HashMap, HashSet};

/// Cards that one job may announce.
pub const CARDS_MAX: u64 = 10_000;
/// Names of cards that are told in one sentence.
const NAMES_TOLD: usize = 12;

/// A job and its cards.
#[derive(Clone, PartialEq, Debug, serde::Serialize)]
pub struct Shoot {
    /// Its name.
    pub name: String,
    /// What was announced last.
    pub expected: Option<ExpectedCards>,
    /// Every filling of a card that was seen, in the order of the first time.
    pub cards: Vec<ShootCard>,
    /// Announced labels that no card of the job has.
    pub missing_labels: Vec<String>,
    /// Cards that were seen; where labels are announced, those of them that were. Fillings that may
    /// be of one card count as one.
    pub seen: u64,
    /// Of those, the ones of which every filling is proven.
    pub proven: u64,
    /// Announced cards that nobody has seen.
    pub not_seen: u64,
    /// Names and fillings that count as one card, in sentences.
    #[serde(skip)]
    doubts: Vec<String>,
}

impl Shoot {
    /// Counts the cards of the job `name`. `expected` is what is announced now; without it the
    /// last announcement counts.
    pub fn of(ledger: &Ledger, name: &str, expected: Option<&ExpectedCards>) -> Self {
        Sightings::of(ledger).of_job(name, expected)
    }

    fn count(name: &str, expected: Option<ExpectedCards>, mut cards: Vec<ShootCard>) -> Self {
        let (mut marks, mut kin) = (Marks::default(), Kin::default());
        for (index, card) in cards.iter().enumerate() {
            kin.note(&marks.of_content(&card.card), index);
        }
        for index in 0..cards.len() {
            let same = kin.near(&marks.of_content(&cards[index].card)).into_iter();
            let twin = same
                .filter(|other| *other != index)
                .find(|other| cards[index].card.is_twin(&cards[*other].card));
            cards[index].same_content_as = twin.map(|other| cards[other].label.clone());
        }
        let groups = groups(&cards);
        let several_names = cards.iter().filter_map(under_several_names);
        let doubts = several_names.chain(groups.iter().filter_map(|g| doubt(g)));
        let doubts = doubts.collect();
        let is_proven = |group: &&Vec<&ShootCard>| group.iter().all(|c| c.proven);
        let mut missing_labels = Vec::new();
        let (seen, proven) = match &expected {
            Some(ExpectedCards::Labels(labels)) => {
                let mut of_label: Vec<Vec<&ShootCard>> = labels.iter().map(|_| vec![]).collect();
                for card in &cards {
                    let label = announced_as(labels, &card.card);
                    if let Some(all) = label.and_then(|label| of_label.get_mut(label)) {
                        all.push(card);
                    }
                }
                let unseen = labels
                    .iter()
                    .zip(&of_label)
                    .filter(|(_, all)| all.is_empty());
                missing_labels.extend(unseen.map(|(label, _)| label.clone()));
                let seen = || of_label.iter().filter(|all| !all.is_empty());
                (seen().count(), seen().filter(is_proven).count())
            }
            _ => (groups.len(), groups.iter().filter(is_proven).count()),
        };
        let (seen, proven) = (len64(seen), len64(proven));
        let not_seen = match &expected {
            Some(ExpectedCards::Count(n)) => n.saturating_sub(seen),
            _ => len64(missing_labels.len()),
        };
        Self {
            name: name.to_owned(),
            expected,
            missing_labels,
            seen,
            proven,
            not_seen,
            doubts,
            cards,
        }
    }

    /// Returns the names of all jobs, the one with the latest entry first.
    pub fn names(ledger: &Ledger) -> Vec<&str> {
        let latest = ledger.entries.iter().rev();
        let parts = latest.filter_map(|entry| entry.shoot.as_ref());
        let mut seen = HashSet::new();
        let names = parts.map(|part| part.name.as_str());
        names.filter(|name| seen.insert(*name)).collect()
    }

    /// Returns whether every card that was announced was seen and is proven. A job without any card
    /// is not complete.
    pub fn is_complete(&self) -> bool {
        !self.cards.is_empty() && self.not_seen == 0 && self.cards.iter().all(|c| c.proven)
    }

    /// Returns the number of cards that were announced.
    pub fn announced(&self) -> Option<u64> {
        match &self.expected {
            Some(ExpectedCards::Count(n)) => Some(*n),
            Some(ExpectedCards::Labels(labels)) => Some(len64(labels.len())),
            None => None,
        }
    }

    /// Returns the state of the job in sentences.
    pub fn words(&self) -> Vec<String> {
        self.told("seen", "Not seen")
    }

    /// Returns the state of the job before the cards of a plan are copied: a plan enters nothing in
    /// the ledger, but its cards are here and not missing.
    pub fn words_of_plan(&self, planned: &[LedgerEntry]) -> Vec<String> {
        let mut marks = Marks::default();
        let mut seen = SeenCards::default();
        for card in &self.cards {
            seen.add(card.clone(), &marks.of(&card.card));
        }
        for entry in planned {
            seen.note(ShootCard::of(entry, usize::MAX), &marks.of(&entry.card));
        }
        let then = Self::count(&self.name, self.expected.clone(), seen.cards);
        let new = then.cards.len() - self.cards.len();
        let now = Self {
            missing_labels: then.missing_labels,
            not_seen: then.not_seen,
            doubts: then.doubts,
            ..self.clone()
        };
        let mut words = now.told("seen before", "Neither seen before nor in this plan");
        let here = match new {
            0 => "Every card of this plan was seen before.".to_owned(),
            1 => "This plan has 1 card more; it counts when it is copied.".to_owned(),
            n => format!("This plan has {n} cards more; they count when they are copied."),
        };
        words.insert(1, here);
        words
    }

    fn told(&self, is_seen: &str, is_missing: &str) -> Vec<String> {
        let (seen, proven) = (self.seen, self.proven);
        let told = crate::name::shown(&self.name);
        let mut words = vec![match self.announced() {
            Some(n) => format!(
                "`{told}`: {} of {} {is_seen}, {proven} proven.",
                crate::units::count(seen),
                counted(n, "announced card"),
            ),
            None if seen == 0 => format!("`{told}`: the ledger knows no card of this shoot."),
            None => format!(
                "`{told}`: {} {is_seen}, {proven} proven. Announce how many there are with \
                --expect.",
                counted(seen, "card")
            ),
        }];
        let open = self.cards.iter().filter(|c| !c.proven);
        let open: Vec<&str> = each_once(open.map(|c| c.label.as_str()));
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
        } else if let Some(ExpectedCards::Count(n)) = self.expected
            && seen > n
        {
            words.push(format!(
                "That is {} more than you announced.",
                counted(seen - n, "card")
            ));
        }
        words.extend(self.doubts.iter().cloned());
        words
    }

    /// Returns what is to be said of one card of the job: that it was there before, or that another
    /// one holds the same.
    pub fn words_on(&self, card: &CardIdentity) -> Vec<String> {
        let is_it = |c: &&ShootCard| card.goes_on_from(&c.card);
        let Some(seen) = self.cards.iter().rfind(is_it) else {
            return Vec::new();
        };
        let mut words = Vec::new();
        if seen.times_seen > 1 {
            words.push(format!(
                "This card was in a reader for this shoot before ({} times now); it counts once.",
                seen.times_seen
            ));
        }
        if let Some(twin) = &seen.same_content_as {
            words.push(format!("Same content as card {twin}, but another card."));
        }
        words
    }

    /// Returns which card of the job this one is, counted from 1 in the order of the first time;
    /// `before` are those that come before it now.
    pub fn number_of(&self, card: &CardIdentity, before: &[CardIdentity]) -> u64 {
        let mut known: Vec<&CardIdentity> = self.cards.iter().map(|c| &c.card).collect();
        for seen in before.iter().chain([card]) {
            if !known.iter().any(|k| seen.goes_on_from(k)) {
                known.push(seen);
            }
        }
        let at = known.iter().rposition(|k| card.goes_on_from(k));
        len64(at.map_or(known.len(), |at| at + 1))
    }

    fn extra(&self) -> Vec<&str> {
        let Some(ExpectedCards::Labels(labels)) = &self.expected else {
            return Vec::new();
        };
        let cards = self.cards.iter();
        let extra = cards.filter(|c| announced_as(labels, &c.card).is_none());
        each_once(extra.map(|c| c.label.as_str()))
    }
}

/// The entries of a ledger, and by what the card of each is known: made once for several jobs.
#[derive(Debug)]
pub struct Sightings<'a> {
    ledger: &'a Ledger,
    marks: Vec<CardMarks>,
}

impl<'a> Sightings<'a> {
    /// Looks at a ledger.
    pub fn of(ledger: &'a Ledger) -> Self {
        let mut marks = Marks::default();
        let entries = ledger.entries.iter();
        Self {
            ledger,
            marks: entries.map(|entry| marks.of(&entry.card)).collect(),
        }
    }

    /// Those that say something of a card's filling, with their places.
    fn of_cards(&self) -> impl Iterator<Item = (usize, &'a LedgerEntry, &CardMarks)> {
        let all = self.ledger.entries.iter().zip(&self.marks).enumerate();
        let all = all.map(|(at, (entry, marks))| (at, entry, marks));
        all.filter(|(_, entry, _)| !matches!(entry.did, Deed::Rate | Deed::Further))
    }

    /// Counts the cards of a job, as [`Shoot::of`] does.
    pub fn of_job(&self, name: &str, expected: Option<&ExpectedCards>) -> Shoot {
        let parts = self.ledger.entries.iter().rev();
        let mut parts = parts.filter_map(|entry| entry.shoot.as_ref());
        let announced = parts.find_map(|part| part.expected.as_ref().filter(|_| part.name == name));
        let mut seen = SeenCards::default();
        for (at, entry, marks) in self.of_cards() {
            match &entry.shoot {
                Some(part) if part.name == name => seen.note(ShootCard::of(entry, at), marks),
                other_job => seen.note_outside(entry, at, other_job.is_some(), marks),
            }
        }
        Shoot::count(name, expected.or(announced).cloned(), seen.cards)
    }

    /// Counts the cards that belong to no job, as if they were one without a name.
    pub fn of_no_job(&self) -> Shoot {
        let mut of_jobs: HashMap<Digest, Vec<&CardIdentity>> = HashMap::new();
        let entries = self.ledger.entries.iter();
        for entry in entries.filter(|e| e.shoot.is_some()) {
            let card = &entry.card;
            of_jobs.entry(card.listing_b3).or_default().push(card);
        }
        let is_of_job = |card: &CardIdentity| {
            let mut alike = of_jobs.get(&card.listing_b3).into_iter().flatten();
            alike.any(|other| card.is_unaltered(other))
        };
        let mut seen = SeenCards::default();
        // What was asked later of a job's card is no other card.
        let rest = |entry: &LedgerEntry| entry.shoot.is_none() && !is_of_job(&entry.card);
        for (at, entry, marks) in self.of_cards().filter(|(_, entry, _)| rest(entry)) {
            seen.note(ShootCard::of(entry, at), marks);
        }
        Shoot::count("", None, seen.cards)
    }
}

/// Groups fillings that may be of one card. There are at least as many cards as groups: the first
/// of each is certainly on another card than those of the others. Named ones come first, since they
/// tell most.
fn groups(cards: &[ShootCard]) -> Vec<Vec<&ShootCard>> {
    let is_named = |c: &&ShootCard| c.card.name.is_some() || c.card.made_as.is_some();
    let (named, others): (Vec<_>, Vec<_>) = cards.iter().partition(is_named);
    let mut groups: Vec<Vec<&ShootCard>> = Vec::new();
    let (mut marks, mut kin) = (Marks::default(), Kin::default());
    for card in named.into_iter().chain(others) {
        let own = marks.of_filling(&card.card);
        let is_of = |at: &usize| {
            let first = groups.get(*at).and_then(|group| group.first());
            first.is_some_and(|first| !first.is_another_card(card))
        };
        let found = kin.near(&own).into_iter().find(is_of);
        if let Some(group) = found.and_then(|at| groups.get_mut(at)) {
            group.push(card);
        } else {
            kin.note(&own, groups.len());
            groups.push(vec![card]);
        }
    }
    groups
}

/// Says that a card was given several names.
fn under_several_names(card: &ShootCard) -> Option<String> {
    let earlier: Vec<&str> = card.earlier_names.iter().map(String::as_str).collect();
    let label = crate::name::shown(&card.label);
    (!earlier.is_empty()).then(|| {
        format!(
            "{} and {label} are one card under {} names; it counts once, as {label}. If another \
            card was meant, put that into the reader and copy it.",
            names(&earlier),
            earlier.len() + 1
        )
    })
}

/// Says that several fillings count as one card.
fn doubt(group: &[&ShootCard]) -> Option<String> {
    let (first, others) = group.split_first()?;
    let n = group.len();
    if others.is_empty() {
        return None;
    }
    let label = crate::name::shown(&first.label);
    let is_named = |c: &&ShootCard| c.card.name.is_some() && c.card.name == first.card.name;
    Some(if others.iter().all(is_named) {
        format!("{label} was filled {n} times; it counts once.")
    } else {
        format!(
            "{label} was seen with {n} fillings: one card that was formatted and used again, or \
            several of one label. It counts once. To count each card, copy it again with its kit \
            name (--as)."
        )
    })
}

/// Returns which announced label a card answers to: its kit name says more than its label.
fn announced_as(labels: &[String], card: &CardIdentity) -> Option<usize> {
    let find = |name: &str| {
        let name = name.to_lowercase();
        labels.iter().position(|l| l.to_lowercase() == name)
    };
    find(card.known_as()).or_else(|| find(&card.label))
}

fn each_once<'a>(labels: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let mut seen = BTreeSet::new();
    labels.filter(|label| seen.insert(*label)).collect()
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

/// Why labels cannot be announced.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum LabelsError {
    /// One is empty.
    #[error("an announced label is empty")]
    Empty,
    /// There are more than [`CARDS_MAX`].
    #[error("more than {CARDS_MAX} cards are announced")]
    TooMany,
    /// This one comes twice; capitals don't count.
    #[error("`{0}` is announced twice")]
    Twice(String),
}

/// Reads announced labels: set apart by commas, at most [`CARDS_MAX`], none empty, none twice.
///
/// # Errors
/// When there are more, or one is empty or comes twice.
pub fn parse_labels(text: &str) -> Result<ExpectedCards, LabelsError> {
    let labels: Vec<String> = text.split(',').map(|l| l.trim().to_owned()).collect();
    if labels.iter().any(String::is_empty) {
        return Err(LabelsError::Empty);
    }
    if len64(labels.len()) > CARDS_MAX {
        return Err(LabelsError::TooMany);
    }
    for (index, label) in labels.iter().enumerate() {
        let twice = labels
            .iter()
            .take(index)
            .any(|l| l.to_lowercase() == label.to_lowercase());
        if twice {
            return Err(LabelsError::Twice(label.clone()));
        }
    }
    Ok(ExpectedCards::Labels(labels))
}

#[cfg(test)]
mod tests {
    use super::super::ShootPart;
    use super::super::tests::copy;
    use super::*;
    use crate::digest::Digest;

    fn seen(label: &str, proven: bool, expected: Option<ExpectedCards>) -> LedgerEntry {
        LedgerEntry {
            shoot: Some(ShootPart {
                name: "festival".to_owned(),
                expected,
            }),
            ..copy(label, proven)
        }
    }

    fn shoot(entries: Vec<LedgerEntry>, expected: Option<&ExpectedCards>) -> Shoot {
        let ledger = Ledger {
            entries,
            damaged: 0,
        };
        Shoot::of(&ledger, "festival", expected)
    }

    /// Half of the cards lie in readers and are not copied yet.
    #[test]
    fn cards_of_a_plan_are_not_missing() {
        let card = |label: &str| copy(label, true);
        let begun = shoot(vec![seen("A1", true, Some(ExpectedCards::Count(4)))], None);
        assert_eq!(
            begun.words_of_plan(&["A1", "A2", "B1"].map(card)),
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
    fn cards_of_no_job_are_counted_apart_and_jobs_have_names() {
        let entries = vec![
            seen("A1", true, None),
            copy("C7", false),
            // Asked about later, with no job named.
            copy("A1", true),
        ];
        let ledger = Ledger {
            entries,
            damaged: 0,
        };
        assert_eq!(Shoot::names(&ledger), ["festival"]);
        let rest = Sightings::of(&ledger).of_no_job();
        let labels: Vec<&str> = rest.cards.iter().map(|c| c.label.as_str()).collect();
        assert_eq!((labels, rest.proven), (vec!["C7"], 0));
    }

    #[test]
    fn a_card_that_nobody_saw_is_told() {
        let entries = vec![
            seen("A1", true, Some(ExpectedCards::Count(4))),
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
        let two = ExpectedCards::Count(2);
        let shoot_now = shoot(entries(), Some(&two));
        assert_eq!((shoot_now.cards.len(), shoot_now.not_seen), (1, 1));
        assert!(!shoot_now.cards[0].proven, "the last word counts");
        let words = shoot_now.words_on(&entries()[0].card);
        assert_eq!(
            words,
            ["This card was in a reader for this shoot before (2 times now); it counts once."]
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
        let one = ExpectedCards::Count(1);
        assert!(shoot(vec![seen("A1", true, None)], Some(&one)).is_complete());
        assert!(!shoot(vec![seen("A1", false, None)], Some(&one)).is_complete());
        assert!(!shoot(Vec::new(), None).is_complete());
        let rate_only = LedgerEntry {
            did: Deed::Rate,
            ..seen("A1", true, None)
        };
        assert!(
            shoot(vec![rate_only], None).cards.is_empty(),
            "a measurement says nothing of a card's copies"
        );
    }

    #[test]
    fn a_card_keeps_its_number() {
        let card = |label: &str| seen(label, true, None).card;
        let shoot = shoot(vec![seen("A1", true, None), seen("A2", false, None)], None);
        let number = |label, before: &[&str]| {
            let before: Vec<_> = before.iter().map(|label| card(label)).collect();
            shoot.number_of(&card(label), &before)
        };
        assert_eq!((number("A1", &[]), number("A2", &["B1"])), (1, 2));
        assert_eq!(number("B1", &[]), 3);
        assert_eq!(
            number("B1", &["A2", "B2"]),
            4,
            "one of the two before is new"
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

    /// Whoever forgets to change the card copies it again under the name of the next.
    #[test]
    fn one_card_under_two_names_counts_once() {
        let named = |name: &str, id: &str| {
            let mut entry = volume("KITES", id, None);
            entry.card.name = Some(name.to_owned());
            entry
        };
        let entries = vec![named("A1", "1"), named("B1", "1")];
        let two = shoot(entries.clone(), Some(&ExpectedCards::Count(2)));
        assert_eq!((two.seen, two.not_seen), (1, 1));
        let words = two.words().join(" ");
        let said = "A1 and B1 are one card under 2 names; it counts once, as B1.";
        assert!(words.contains(said), "{words}");
        let labels = parse_labels("A1,B1").unwrap();
        assert_eq!(shoot(entries, Some(&labels)).missing_labels, ["A1"]);
        // The maker's number says more than what it holds.
        let mut numbered = [named("A1", "1"), named("B1", "1")];
        for (entry, number) in numbered.iter_mut().zip(["n1", "n2"]) {
            entry.card.made_as = Some(number.to_owned());
        }
        assert_eq!(shoot(numbered.to_vec(), None).seen, 2);
    }

    #[test]
    fn the_last_verdict_counts_whatever_it_was_asked_for() {
        let of_nothing = |proven| LedgerEntry {
            shoot: None,
            proven,
            ..volume("KITES", "1", None)
        };
        let of_wedding = |proven| {
            let mut entry = of_nothing(proven);
            entry.shoot = Some(ShootPart {
                name: "wedding".to_owned(),
                expected: None,
            });
            entry
        };
        let then = |later: LedgerEntry| {
            let entries = vec![of_nothing(false), volume("KITES", "1", None), later];
            shoot(entries, None)
        };
        let is_proven = |later| then(later).cards[0].proven;
        assert!(!is_proven(of_nothing(false)) && !is_proven(of_wedding(false)));
        assert!(is_proven(of_nothing(true)));
        assert_eq!(then(of_nothing(false)).cards[0].times_seen, 1);
        // More was shot on it, for another job; and another card.
        let grown = |mut entry: LedgerEntry| {
            entry.card.listing_b3 = Digest::of(b"more");
            entry.card.sample.insert("more".to_owned());
            entry
        };
        assert!(!is_proven(grown(of_nothing(false))));
        assert!(is_proven(grown(of_wedding(false))));
        assert!(is_proven(LedgerEntry {
            shoot: None,
            proven: false,
            ..volume("KITES", "2", None)
        }));
        // Alone it makes no card of the job.
        assert!(shoot(vec![of_nothing(true)], None).cards.is_empty());
    }

    fn volume(label: &str, id: &str, command: Option<&str>) -> LedgerEntry {
        let mut entry = seen(label, true, None);
        entry.card.volume_id = Some(id.to_owned());
        entry.card.listing_b3 = Digest::of(id.as_bytes());
        entry.card.sample = [id.to_owned()].into();
        entry.command = command.map(str::to_owned);
        entry
    }

    /// A format gives a card a new volume, so one label is one card until something says otherwise.
    #[test]
    fn cards_of_one_label_are_told_apart_by_what_cannot_be_one_card() {
        let count = |entries| shoot(entries, None).seen;
        let two = || vec![volume("KITES", "1", None), volume("KITES", "2", None)];
        assert_eq!(count(two()), 1, "it may have been formatted");
        let together = ["1", "2"].map(|id| volume("KITES", id, Some("command")));
        assert_eq!(count(together.to_vec()), 2, "both were plugged in");
        let mut again = two();
        again.push(volume("KITES", "1", None));
        assert_eq!(count(again), 2, "the first still held what it held");
        let named = |names: [&str; 2]| {
            let mut entries = two();
            for (entry, name) in entries.iter_mut().zip(names) {
                entry.card.name = Some(name.to_owned());
            }
            shoot(entries, None)
        };
        assert_eq!(named(["A1", "A2"]).seen, 2);
        let filled_twice = named(["A1", "A1"]);
        assert_eq!(filled_twice.seen, 1);
        let words = filled_twice.words().join(" ");
        assert!(
            words.contains("A1 was filled 2 times; it counts once."),
            "{words}"
        );
        let mut made = two();
        made.push(volume("OTHER", "3", None));
        for (entry, number) in made.iter_mut().zip(["n1", "n2", "n1"]) {
            entry.card.made_as = Some(number.to_owned());
        }
        assert_eq!(count(made), 2, "the maker's number knows no format");
    }

    #[test]
    fn a_kit_name_answers_before_a_label() {
        let labels = parse_labels("A1,A2").unwrap();
        let mut card = seen("A1", true, Some(labels));
        card.card.name = Some("A2".to_owned());
        let shoot = shoot(vec![card], None);
        assert_eq!(
            (shoot.seen, shoot.missing_labels),
            (1, vec!["A1".to_owned()])
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
