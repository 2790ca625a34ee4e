//! Owns what a `[[rule]]` of the kit says: which cards an unattended station copies, where to and
//! how. Pure.

use super::usual::UsualSet;
use crate::name::shown;
use crate::record::layout::Level;
use std::fmt;

/// The word of the file.
pub const RULE: &str = "rule";
/// The word that takes every volume with a camera's layout.
pub const ANY_CAMERA_CARD: &str = "any-camera-card";
/// Longest pattern of a label in bytes.
pub const LABEL_BYTES_MAX: usize = 64;

/// Which cards a rule is for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum RuleMatch {
    /// A card of the kit, by its name there.
    Card(String),
    /// Volumes whose label is like this; `*` stands for any characters, `?` for one, and capitals
    /// don't count.
    Label(String),
    /// Every volume with a camera's layout that holds no offload and is no drive of the kit.
    AnyCameraCard,
}

impl fmt::Display for RuleMatch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Card(name) => write!(f, "card {}", shown(name)),
            Self::Label(pattern) => write!(f, "label {}", shown(pattern)),
            Self::AnyCameraCard => f.write_str(ANY_CAMERA_CARD),
        }
    }
}

/// A `[[rule]]` entry of the kit. What it does not say is as `[usual]` says.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct KitRule {
    /// Which cards it is for; any of these.
    pub matches: Vec<RuleMatch>,
    /// What it says of drives, copies, hashes and shoot.
    pub set: UsualSet,
    /// How sure the copies have to be.
    pub proof: Option<Level>,
    /// Only what no earlier offload on these drives holds is copied.
    pub only_new: bool,
    /// The reader that the card is in, by its name in the kit.
    pub reader: Option<String>,
}

/// What a volume is, as far as a rule asks.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct RuledVolume<'a> {
    /// Its name in the kit, of a card.
    pub kit_card: Option<&'a str>,
    /// Its label.
    pub label: Option<&'a str>,
    /// It has a camera's layout.
    pub is_of_camera: bool,
}

/// Whose word it is that a card is copied.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Ruling<'a> {
    /// This rule's, by its number in the file, counted from 1.
    Rule(usize, &'a KitRule),
    /// It is a card of the kit, and no rule is for it: as usual.
    Usual,
}

/// Returns whose word it is on a volume: the first rule's in the file that is for it; `None` for
/// one that nobody said anything of. A volume that holds offloads or is a drive is not asked for.
pub fn ruling<'k>(rules: &'k [KitRule], volume: RuledVolume<'_>) -> Option<Ruling<'k>> {
    let is_for = |(_, rule): &(usize, &KitRule)| rule.matches.iter().any(|m| m.is_for(volume));
    let found = (1..).zip(rules).find(is_for);
    match (found, volume.kit_card) {
        (Some((number, rule)), _) => Some(Ruling::Rule(number, rule)),
        (None, Some(_)) => Some(Ruling::Usual),
        (None, None) => None,
    }
}

impl RuleMatch {
    fn is_for(&self, volume: RuledVolume<'_>) -> bool {
        match self {
            Self::Card(name) => {
                let is_it = |card: &str| card.to_lowercase() == name.to_lowercase();
                volume.kit_card.is_some_and(is_it)
            }
            Self::Label(pattern) => volume.label.is_some_and(|label| is_like(pattern, label)),
            Self::AnyCameraCard => volume.is_of_camera,
        }
    }
}

impl KitRule {
    /// Returns what holds for its cards: what it says, and what is usual where it says nothing.
    pub fn over(&self, usual: Option<&UsualSet>) -> UsualSet {
        let (own, usual) = (self.set.clone(), usual.cloned().unwrap_or_default());
        UsualSet {
            name: None,
            to: or(own.to, usual.to),
            copies: own.copies.or(usual.copies),
            also: or(own.also, usual.also),
            mhl: own.mhl.or(usual.mhl),
            shoot: own.shoot.or(usual.shoot),
            pattern: usual.pattern,
            then: or(own.then, usual.then),
        }
    }
}

/// What a rule says itself, else what is usual.
fn or<T>(own: Vec<T>, usual: Vec<T>) -> Vec<T> {
    if own.is_empty() { usual } else { own }
}

/// Whether a label is like a pattern. Time is at most the product of both lengths, which are short.
fn is_like(pattern: &str, label: &str) -> bool {
    let pattern: Vec<char> = pattern.to_lowercase().chars().collect();
    let label: Vec<char> = label.to_lowercase().chars().collect();
    // Where the last star stands, and what it has taken so far.
    let (mut p, mut l, mut star) = (0, 0, None);
    while let Some(&c) = label.get(l) {
        match pattern.get(p) {
            Some('*') => {
                star = Some((p, l));
                p += 1;
            }
            Some(&wanted) if wanted == '?' || wanted == c => (p, l) = (p + 1, l + 1),
            _ => match star {
                Some((at, taken)) => {
                    star = Some((at, taken + 1));
                    (p, l) = (at + 1, taken + 1);
                }
                None => return false,
            },
        }
    }
    pattern.iter().skip(p).all(|c| *c == '*')
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hash_algorithm::Also;
    use crate::kit::usual::UsualDrive;

    fn rule(matches: &[RuleMatch]) -> KitRule {
        KitRule {
            matches: matches.to_vec(),
            ..KitRule::default()
        }
    }

    #[test]
    fn a_label_is_like_its_pattern_in_any_case() {
        for (pattern, label, expected) in [
            ("KITES", "kites", true),
            ("KITES", "KITES2", false),
            ("kite*", "KITES-A", true),
            ("*-a", "KITES-A", true),
            ("*-a", "KITES-AB", false),
            ("k?te*s", "KITES OF SUMMERS", true),
            ("k??tes", "kites", false),
            ("*", "", true),
            ("?", "", false),
            ("a*b*c", "axxbyybzc", true),
            ("Ä*", "ärmel", true),
        ] {
            assert_eq!(is_like(pattern, label), expected, "{pattern} {label}");
        }
    }

    #[test]
    fn the_first_rule_that_is_for_a_card_has_the_word() {
        let label = |text: &str| RuleMatch::Label(text.into());
        let rules = [
            rule(&[label("zoom*"), label("sound*")]),
            rule(&[RuleMatch::Card("a1".into())]),
            rule(&[RuleMatch::AnyCameraCard]),
        ];
        let number = |kit_card, label, is_of_camera| {
            let volume = RuledVolume {
                kit_card,
                label,
                is_of_camera,
            };
            match ruling(&rules, volume) {
                Some(Ruling::Rule(number, _)) => Some(number),
                Some(Ruling::Usual) => Some(0),
                None => None,
            }
        };
        assert_eq!(number(Some("A1"), Some("EOS"), true), Some(2));
        assert_eq!(number(Some("A1"), Some("SOUND-1"), true), Some(1));
        assert_eq!(number(None, Some("EOS"), true), Some(3));
        assert_eq!(number(None, Some("EOS"), false), None, "nobody's card");
        assert_eq!(number(Some("B7"), None, false), Some(0), "as usual");
    }

    #[test]
    fn what_a_rule_does_not_say_is_as_usual() {
        let usual = UsualSet {
            to: vec![UsualDrive::Kit("Attic".into())],
            copies: Some(3),
            also: vec![Also::Md5],
            mhl: Some(true),
            shoot: Some("kites".into()),
            then: vec!["Studio".into()],
            ..UsualSet::default()
        };
        let rule = KitRule {
            set: UsualSet {
                to: vec![UsualDrive::Kit("Travel".into())],
                copies: Some(1),
                ..UsualSet::default()
            },
            ..rule(&[RuleMatch::AnyCameraCard])
        };
        let both = rule.over(Some(&usual));
        assert_eq!(both.to, [UsualDrive::Kit("Travel".into())]);
        assert_eq!((both.copies, both.also), (Some(1), vec![Also::Md5]));
        assert_eq!(both.shoot.as_deref(), Some("kites"));
        assert_eq!(both.mhl, Some(true));
        assert_eq!(both.then, ["Studio"]);
        assert!(rule.over(None).shoot.is_none());
    }
}
