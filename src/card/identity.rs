//! Owns what makes a card this card and no other: the volume's identity where the system tells one,
//! the place otherwise, and a sample of what it holds. Pure.

use crate::card::listing::Listing;
use crate::digest::Digest;
use crate::disk::FolderFacts;
use crate::units::len64;
use camino::Utf8Path;
use std::collections::BTreeSet;

/// Entries of a card that its sample holds. Enough to notice a card that holds ten times as much as
/// it did, small enough for one line of text.
const SAMPLE_MAX: usize = 64;
/// Up to this ratio of file counts two cards that are one must have something in common in their
/// samples: with 64 entries and a tenth, the chance to miss is below 0.2 % (0.9^64 = 0.0012).
const RATIO_MAX: u64 = 10;

/// A card as it was seen once.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize, serde::Deserialize)]
pub struct CardIdentity {
    /// The name people know it by.
    pub label: String,
    /// Its name in the kit, where the person gave it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Where it was mounted, links resolved.
    pub path: String,
    /// Identity of its volume, when the card is a whole volume and the system tells it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volume_id: Option<String>,
    /// What its maker wrote into it, which no format changes; only a slot that reads it tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub made_as: Option<String>,
    /// Fingerprint of its listing.
    pub listing_b3: Digest,
    /// Fingerprint of what its files hold, when all of them were read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub content_b3: Option<Digest>,
    /// Files on it.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Short hashes of paths and sizes, the smallest ones of all files.
    #[serde(default)]
    pub sample: BTreeSet<String>,
}

impl CardIdentity {
    /// Describes a card that was listed; nothing of its content is known yet.
    pub fn of(facts: &FolderFacts, label: &str, listing: &Listing) -> Self {
        let (files, bytes) = listing.totals();
        Self {
            label: label.to_owned(),
            name: None,
            path: facts.canonical.clone(),
            volume_id: facts.volume_id.clone().filter(|_| facts.is_mount_root),
            made_as: None,
            listing_b3: listing.fingerprint(),
            content_b3: None,
            files,
            bytes,
            sample: sample(listing),
        }
    }

    fn mark(&self) -> CardMark<'_> {
        CardMark {
            volume_id: self.volume_id.as_deref(),
            path: Some(&self.path),
        }
    }

    /// Whether the volume, or the place where there is none, is the same. A volume is named here
    /// only where the card is all of it.
    fn has_mark_of(&self, other: &Self) -> bool {
        self.mark().is_same_card(other.mark(), true)
    }

    /// Adds what the files hold: path, size and hash of every one, in any order.
    #[must_use]
    pub fn holding<'a>(mut self, files: impl Iterator<Item = (&'a str, u64, Digest)>) -> Self {
        let lines: BTreeSet<String> = files
            .map(|(path, bytes, hash)| format!("{hash} {bytes} {path}\0"))
            .collect();
        let mut hasher = blake3::Hasher::new();
        for line in &lines {
            hasher.update(line.as_bytes());
        }
        self.content_b3 = Some(hasher.finalize().into());
        self
    }

    /// Returns whether both are one card, perhaps with more or fewer files on it now. Some cameras
    /// give every card the same volume identity, so cards that plainly have nothing in common are
    /// two. In doubt they are one: a set of cards is then incomplete rather than complete too soon.
    pub fn is_same_card(&self, other: &Self) -> bool {
        let has_one_mark = self.has_mark_of(other);
        if !has_one_mark || self.listing_b3 == other.listing_b3 {
            return has_one_mark;
        }
        let (few, many) = (self.files.min(other.files), self.files.max(other.files));
        let can_tell = !self.sample.is_empty()
            && !other.sample.is_empty()
            && many <= few.saturating_mul(RATIO_MAX);
        !(can_tell && self.sample.is_disjoint(&other.sample))
    }

    /// Returns whether this is the same volume, or place where the system tells none, with the same
    /// listing.
    pub fn is_unaltered(&self, other: &Self) -> bool {
        self.has_mark_of(other) && self.listing_b3 == other.listing_b3
    }

    /// Whether both are one card by what its maker wrote into it, by what it holds, or else by its
    /// name: whoever gives a name may give a second one to a card that was only shot on in between.
    /// `None` where nothing of that tells.
    fn is_known_as_same(&self, other: &Self) -> Option<bool> {
        let same = |a: &Option<String>, b: &Option<String>| Some(a.as_ref()? == b.as_ref()?);
        let was_shot_on = self.still_holds(other) || other.still_holds(self);
        same(&self.made_as, &other.made_as)
            .or_else(|| (self.is_unaltered(other) || was_shot_on).then_some(true))
            .or_else(|| same(&self.name, &other.name))
    }

    /// Of what the sample of `before` holds and this one can tell of: how much there is, and how
    /// much is still here.
    fn kept_of(&self, before: &Self) -> (u32, u32) {
        let top = self.sample_top();
        let can_tell = |hash: &&String| top.is_none_or(|top| *hash <= top);
        let mut own = self.sample.iter().peekable();
        // Both are in order, and are gone through side by side.
        let then = before.sample.iter().take_while(can_tell);
        then.fold((0, 0), |(all, kept), hash| {
            while own.next_if(|own| *own < hash).is_some() {}
            (all + 1, kept + u32::from(own.peek() == Some(&hash)))
        })
    }

    /// The sample holds the smallest hashes: above this one nothing is known of the rest. `None`
    /// where it holds all.
    pub(crate) fn sample_top(&self) -> Option<&String> {
        let is_whole = self.files <= len64(SAMPLE_MAX);
        self.sample.last().filter(|_| !is_whole)
    }

    /// Whether what `before` held is still here: on one volume most of it, in one place that says
    /// nothing of the card all of it. Some cameras give every card one identity, and the same few
    /// files of their own.
    fn still_holds(&self, before: &Self) -> bool {
        if !self.has_mark_of(before) {
            return false;
        }
        let (all, kept) = self.kept_of(before);
        match &self.volume_id {
            Some(_) => 2 * kept > all,
            None => all == kept && all > 0,
        }
    }

    /// Returns whether this card still holds what `before` held, so that a verdict on it is one on
    /// that as well. In doubt it does not: what is not proven is then still open.
    pub fn goes_on_from(&self, before: &Self) -> bool {
        let has_id = self.volume_id.is_some() && self.volume_id == before.volume_id;
        let is_same_place = match self.is_known_as_same(before) {
            Some(is_same) => is_same,
            None => self.has_mark_of(before),
        };
        if !is_same_place || self.listing_b3 == before.listing_b3 {
            return is_same_place;
        }
        let (all, kept) = self.kept_of(before);
        if has_id {
            all == 0 || 2 * kept > all
        } else {
            all == kept && (all > 0 || before.files == 0)
        }
    }

    /// Returns whether both may be one card, formatted in between. Only names, the maker's number
    /// and labels tell cards apart: a format gives a card a new volume identity.
    pub fn may_be_one_card(&self, other: &Self) -> bool {
        if let Some(is_same) = self.is_known_as_same(other) {
            return is_same;
        }
        let has_same_id = self.volume_id.is_some() && self.volume_id == other.volume_id;
        let are_mirrors = self.listing_b3 == other.listing_b3
            && self.volume_id.is_some()
            && other.volume_id.is_some();
        has_same_id || (self.label.to_lowercase() == other.label.to_lowercase() && !are_mirrors)
    }

    /// Returns whether another card holds the very same files.
    pub fn is_twin(&self, other: &Self) -> bool {
        self.content_b3.is_some()
            && self.content_b3 == other.content_b3
            && !self.is_same_card(other)
    }

    /// Returns the name that people know it by: that of the kit, else the label.
    pub fn known_as(&self) -> &str {
        self.name.as_deref().unwrap_or(&self.label)
    }
}

fn sample(listing: &Listing) -> BTreeSet<String> {
    let mut hashes = BTreeSet::new();
    for file in listing.files() {
        let text = format!("{} {}", file.bytes, file.name.as_str());
        let hash = Digest::of(text.as_bytes()).to_string();
        hashes.insert(hash.get(..12).unwrap_or(&hash).to_owned());
        if hashes.len() > SAMPLE_MAX {
            hashes.pop_last();
        }
    }
    hashes
}

/// Returns the name that people know a card by, fit for a folder's name: the volume's label, else
/// the folder's name, else `CARD`; at most 40 characters.
pub fn label_of(card: &Utf8Path, facts: &FolderFacts) -> String {
    let canonical = Utf8Path::new(&facts.canonical);
    let name = facts
        .label
        .as_deref()
        .filter(|_| facts.is_mount_root)
        .or_else(|| canonical.file_name())
        .or_else(|| card.file_name())
        .unwrap_or("CARD");
    fit_for_name(name, "CARD")
}

/// Returns a name fit for a folder on every file system; at most 40 characters, `otherwise` where
/// nothing is left.
pub fn fit_for_name(name: &str, otherwise: &str) -> String {
    let label: String = name
        .chars()
        .map(|c| {
            if c.is_alphanumeric() || matches!(c, '-' | '_' | '.') {
                c
            } else {
                '_'
            }
        })
        .take(40)
        .collect();
    let label = label.trim_matches(['.', '_', ' ']).to_owned();
    if label.is_empty() {
        otherwise.to_owned()
    } else {
        label
    }
}

/// By what a card is known again.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CardMark<'a> {
    /// Identity of its volume, where it is known.
    pub volume_id: Option<&'a str>,
    /// Where it was mounted, links resolved; `None` where no record says.
    pub path: Option<&'a str>,
}

impl CardMark<'_> {
    /// The same-card rule: two marks are of one card where both know a volume and it is the same
    /// one, wherever it was mounted. That needs a card that is a whole volume (`is_whole`). Of a
    /// folder, and where neither side knows a volume, the place has to be the same as well; a
    /// volume that only one side knows is another card.
    ///
    /// It says only that nothing speaks against it. Some cameras give all of their cards one
    /// identity, and any card may be put in a place: what is to be kept, proven or counted needs
    /// content that bears it out as well.
    pub fn is_same_card(self, other: Self, is_whole: bool) -> bool {
        match (self.volume_id, other.volume_id) {
            (Some(a), Some(b)) if is_whole => a == b,
            (a, b) => a == b && self.path.is_some() && self.path == other.path,
        }
    }

    /// Whether the card with these facts is known again by it.
    pub fn is_of(self, card: &FolderFacts) -> bool {
        let now = CardMark {
            volume_id: card.volume_id.as_deref(),
            path: Some(&card.canonical),
        };
        self.is_same_card(now, card.is_mount_root)
    }
}

/// Whether a card can be told by its volume alone.
pub fn has_identity(card: &FolderFacts) -> bool {
    card.is_mount_root && card.volume_id.is_some()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::listing::{Row, RowKind};
    use crate::disk::{Sight, Stamp};
    use crate::name::CardName;

    fn listing(numbers: std::ops::Range<u64>) -> Listing {
        let row = |n: u64| {
            let path = format!("DCIM/100KITES/KITE{n:04}.JPG");
            Row {
                raw: path.as_bytes().into(),
                kind: RowKind::File {
                    name: CardName::parse(&path).unwrap(),
                    bytes: 1_000 + n,
                    modified: Stamp {
                        seconds: 0,
                        nanos: 0,
                    },
                    sight: Sight::default(),
                },
            }
        };
        Listing::new(numbers.map(row).collect())
    }

    fn card(volume: Option<&str>, path: &str, numbers: std::ops::Range<u64>) -> CardIdentity {
        let listing = listing(numbers);
        let (files, bytes) = listing.totals();
        CardIdentity {
            label: "KITES".to_owned(),
            name: None,
            path: path.to_owned(),
            volume_id: volume.map(str::to_owned),
            made_as: None,
            listing_b3: listing.fingerprint(),
            content_b3: None,
            files,
            bytes,
            sample: sample(&listing),
        }
    }

    #[test]
    fn more_shots_are_the_same_card_and_nothing_in_common_is_another() {
        let day_1 = card(Some("1A2B-3C4D"), "/m/K", 0..1_200);
        let day_2 = card(Some("1A2B-3C4D"), "/m/K2", 0..1_930);
        assert!(day_1.is_same_card(&day_2), "the place does not matter");
        let stranger = card(Some("1A2B-3C4D"), "/m/K", 5_000..6_000);
        assert!(!day_1.is_same_card(&stranger), "one serial for all cards");
        assert!(!day_1.is_same_card(&card(Some("9F9F-0000"), "/m/K", 0..1_200)));
        let grown = card(Some("1A2B-3C4D"), "/m/K", 0..40_000);
        let few = card(Some("1A2B-3C4D"), "/m/K", 0..5);
        assert!(few.is_same_card(&grown), "in doubt it is one card");
    }

    #[test]
    fn the_same_card_rule_asks_for_the_volume_and_of_a_folder_for_the_place_as_well() {
        let mark = |volume_id, path| CardMark { volume_id, path };
        let (a, b) = (Some("1A2B-3C4D"), Some("9F9F-0000"));
        let (here, there) = (Some("/m/A"), Some("/m/B"));
        for (then, now, whole, folder) in [
            (mark(a, here), mark(a, there), true, false),
            (mark(a, here), mark(a, here), true, true),
            (mark(a, here), mark(b, here), false, false),
            (mark(None, here), mark(a, here), false, false),
            (mark(a, here), mark(None, here), false, false),
            (mark(None, here), mark(None, here), true, true),
            (mark(None, here), mark(None, there), false, false),
            (mark(None, None), mark(None, None), false, false),
        ] {
            assert_eq!(then.is_same_card(now, true), whole, "{then:?} {now:?}");
            assert_eq!(then.is_same_card(now, false), folder, "{then:?} {now:?}");
        }
    }

    #[test]
    fn without_an_identity_the_place_decides() {
        let a = card(None, "/m/A", 0..10);
        assert!(a.is_same_card(&card(None, "/m/A", 0..20)));
        assert!(!a.is_same_card(&card(None, "/m/B", 0..10)));
        assert!(!a.is_same_card(&card(Some("1A2B-3C4D"), "/m/A", 0..10)));
    }

    #[test]
    fn a_look_goes_on_from_one_whose_files_are_still_there() {
        let id = Some("1A2B-3C4D");
        for id in [id, None] {
            let before = card(id, "/m/K", 0..200);
            assert!(card(id, "/m/K", 0..1_900).goes_on_from(&before), "{id:?}");
            assert!(
                !card(id, "/m/K", 150..2_000).goes_on_from(&before),
                "{id:?}"
            );
            assert!(!card(id, "/m/K", 900..990).goes_on_from(&before), "{id:?}");
        }
        // A file that was removed from a volume, and from a place that says nothing of the card.
        let fewer = |id| card(id, "/m/K", 1..30).goes_on_from(&card(id, "/m/K", 0..30));
        assert!(fewer(id) && !fewer(None));
        assert!(card(None, "/m/K", 0..3).goes_on_from(&card(None, "/m/K", 0..0)));
    }

    /// A second name for a card that was shot on in between; two cards of a camera that gives all
    /// one identity, and writes the same two files of its own on each.
    #[test]
    fn a_second_name_makes_no_second_card_of_one_that_was_shot_on() {
        let named = |name: &str, id, numbers| CardIdentity {
            name: Some(name.to_owned()),
            ..card(id, "/m/K", numbers)
        };
        for id in [Some("1A2B-3C4D"), None] {
            let (a, more) = (named("A1", id, 0..30), named("B1", id, 0..45));
            assert!(more.goes_on_from(&a) && a.may_be_one_card(&more), "{id:?}");
            let other = named("B1", id, 28..90);
            assert!(
                !other.goes_on_from(&a) && !a.may_be_one_card(&other),
                "{id:?}"
            );
        }
    }

    #[test]
    fn twins_hold_the_same_and_are_two() {
        let files = [("a", 1, Digest::of(b"a")), ("b", 2, Digest::of(b"b"))];
        let a = card(None, "/m/A", 0..10).holding(files.into_iter());
        let b = card(None, "/m/B", 0..10).holding(files.into_iter().rev());
        assert!(a.is_twin(&b) && b.is_twin(&a));
        assert!(!a.is_twin(&a), "a card is no twin of itself");
        let c = card(None, "/m/C", 0..10).holding(files.into_iter().take(1));
        assert!(!a.is_twin(&c));
        let unread = card(None, "/m/D", 0..10);
        assert!(!unread.is_twin(&card(None, "/m/E", 0..10)));
    }

    #[test]
    fn the_sample_is_bounded() {
        assert_eq!(card(None, "/m/A", 0..5_000).sample.len(), SAMPLE_MAX);
        assert_eq!(card(None, "/m/A", 0..3).sample.len(), 3);
    }
}
