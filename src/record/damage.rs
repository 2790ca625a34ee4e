//! Owns what checks of copies found damaged, and when a copy was last read whole, as the person's
//! own folder remembers it: one line of JSON for each check, only ever appended to, and what of it
//! still stands. A manifest can't say
//! it: a check writes nothing on a drive. Pure: `disk::home` reads and appends the file.
//!
//! A mark is on one copy, by the manifest's own hash and the place in the volume, wherever that is
//! mounted: a drive that was formatted and copied anew has another manifest, and the same offload
//! on another drive is another copy.

use crate::clock::rfc3339;
use crate::digest::Digest;
use crate::disk::FolderFacts;
use crate::record::manifest::Manifest;
use crate::units::len64;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, HashMap};

/// The file's name in the home folder.
pub const DAMAGE: &str = "damage.jsonl";
/// Bytes of it that are read, from its end: some 200,000 checks that found a file or two.
pub const DAMAGE_BYTES_MAX: u64 = 64 << 20;
/// A line above this many bytes is not one of ours.
const LINE_MAX: usize = 256 << 10;
/// Bytes of names and reasons that one line holds, some 300 files; further ones are counted. JSON
/// may take six bytes for each.
const NAMES_MAX: usize = 40 << 10;
/// Characters of a reason that are kept.
const WHY_MAX: usize = 200;
/// Version of the lines.
const VERSION: u64 = 1;
/// What is said of a file of which only the count is remembered.
const MANY: &str = "more files than are remembered one by one were found damaged";

/// The folder of a copy, and the volume that it is on, where the system tells it.
pub type PathAndVolume<'a> = (&'a str, Option<&'a str>);

/// What a check found of a file.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DamageKind {
    /// It could not be looked at or read.
    Unreadable,
    /// It is not there.
    Missing,
    /// It holds something else.
    Changed,
}

/// A copy of an offload that was checked.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct CheckedCopy {
    /// BLAKE3 of its manifest.
    pub manifest_b3: Digest,
    /// Identity of the volume, where the system tells it.
    pub volume_id: Option<String>,
    /// Mark of the place in the volume, where the system tells it.
    pub place: Option<String>,
    /// The offload's folder, links resolved.
    pub path: String,
}

impl CheckedCopy {
    /// The copy in a folder that has this manifest.
    pub fn of(manifest_b3: Digest, root: &FolderFacts) -> Self {
        Self {
            manifest_b3,
            volume_id: root.volume_id.clone(),
            place: root.place_mark(),
            path: root.canonical.clone(),
        }
    }

    /// Whether it is certainly the same copy.
    fn is(&self, other: &Self) -> bool {
        let is_place = match (&self.place, &other.place) {
            (Some(a), Some(b)) if self.volume_id.is_some() => a == b,
            _ => self.path == other.path,
        };
        self.manifest_b3 == other.manifest_b3 && self.volume_id == other.volume_id && is_place
    }

    /// Whether it can be the same copy: where the system doesn't tell the place in a volume, any
    /// place of that volume can.
    fn may_be(&self, other: &Self) -> bool {
        let is_one_volume = self.volume_id.is_some() && self.volume_id == other.volume_id;
        let is_untold = self.place.is_none() || other.place.is_none();
        let is_same = self.manifest_b3 == other.manifest_b3;
        self.is(other) || (is_same && is_one_volume && is_untold)
    }
}

/// A file that was found damaged.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct DamagedFile {
    /// Its path on the card.
    pub path: String,
    /// What was found.
    pub kind: DamageKind,
    /// How it differs, or why it could not be read.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub why: String,
}

/// What one check of a copy found: a line.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct CheckNote {
    /// Version of the line.
    pub damage: u64,
    /// When, RFC 3339, UTC.
    pub at: String,
    /// The offload's name.
    pub offload: String,
    /// The copy.
    pub copy: CheckedCopy,
    /// All of the copy was read from its device: what is not named here is as it was copied.
    #[serde(default)]
    pub whole: bool,
    /// What was found damaged.
    #[serde(default)]
    pub found: Vec<DamagedFile>,
    /// Further files that were, and are not named.
    #[serde(default)]
    pub more: u64,
    /// Files that were read whole from the device and are as they were copied.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub equal: Vec<String>,
}

impl CheckNote {
    /// A check that looked at nothing yet.
    pub fn new(at: Timestamp, offload: &str, copy: CheckedCopy) -> Self {
        Self {
            damage: VERSION,
            at: rfc3339(at),
            offload: offload.to_owned(),
            copy,
            whole: false,
            found: Vec::new(),
            more: 0,
            equal: Vec::new(),
        }
    }

    /// A check of the copy in a folder; `None` where its manifest was not read from there.
    pub fn of(manifest: &Manifest, root: &FolderFacts, at: Timestamp) -> Option<Self> {
        let copy = CheckedCopy::of(manifest.own_b3?, root);
        Some(Self::new(at, &manifest.offload.name, copy))
    }

    /// Adds a file that was found damaged.
    pub fn add(&mut self, path: &str, kind: DamageKind, why: &str) {
        self.found.push(DamagedFile {
            path: path.to_owned(),
            kind,
            why: why.chars().take(WHY_MAX).collect(),
        });
    }

    /// Returns the line, its end included, shortened to what a reader takes: what is not named is
    /// counted, and then no file of the copy counts.
    pub fn line(&self) -> Option<String> {
        let mut short = self.clone();
        let mut room = NAMES_MAX;
        let mut fits = |bytes: usize| {
            let left = room.checked_sub(bytes + 64);
            room = left.unwrap_or(0);
            left.is_some()
        };
        short.found.retain(|f| fits(f.path.len() + f.why.len()));
        short.more += len64(self.found.len() - short.found.len());
        // What is lifted for fewer files is no harm.
        short.equal.retain(|path| fits(path.len()));
        let mut line = serde_json::to_string(&short).ok()?;
        line.push('\n');
        (line.len() <= LINE_MAX).then_some(line)
    }
}

/// What stands of a file that was found damaged.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Damaged {
    /// What was found.
    pub kind: DamageKind,
    /// How it differs, or why it could not be read; may be empty.
    pub why: String,
    /// When, RFC 3339, UTC.
    pub at: String,
}

impl Damaged {
    /// Returns the day and what was found there: `2026-11-25: its content differs`.
    pub fn words(&self) -> String {
        let day = self.at.get(..10).unwrap_or(&self.at);
        match self.why.as_str() {
            "" => day.to_owned(),
            why => format!("{day}: {why}"),
        }
    }
}

/// What stands against one copy.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct CopyDamage {
    files: BTreeMap<String, Damaged>,
    /// Nothing of the copy counts, since this moment.
    all: Option<String>,
}

impl CopyDamage {
    /// Returns whether nothing stands against it.
    pub fn is_empty(&self) -> bool {
        self.files.is_empty() && self.all.is_none()
    }

    /// Returns what stands against a file, by its path on the card.
    pub fn of_file(&self, path: &str) -> Option<Damaged> {
        let of_all = |at: &String| Damaged {
            kind: DamageKind::Changed,
            why: MANY.to_owned(),
            at: at.clone(),
        };
        let known = self.files.get(path).cloned();
        known.or_else(|| self.all.as_ref().map(of_all))
    }

    /// Returns the files that are known by name.
    pub fn files(&self) -> impl Iterator<Item = (&str, &Damaged)> {
        self.files
            .iter()
            .map(|(path, found)| (path.as_str(), found))
    }

    /// Returns whether there were more than are known by name.
    pub fn has_more(&self) -> bool {
        self.all.is_some()
    }

    fn take(&mut self, note: &CheckNote, is_certain: bool) {
        if is_certain && note.whole {
            *self = Self::default();
        }
        for path in note.equal.iter().filter(|_| is_certain) {
            self.files.remove(path);
        }
        for file in &note.found {
            let found = Damaged {
                kind: file.kind,
                why: file.why.clone(),
                at: note.at.clone(),
            };
            self.files.insert(file.path.clone(), found);
        }
        if note.more > 0 {
            self.all = Some(note.at.clone());
        }
    }
}

/// All that is remembered of checks.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct KnownDamage {
    by_manifest: HashMap<Digest, Vec<CheckNote>>,
    /// Lines that could not be understood: torn by a crash, or of a newer version.
    pub damaged_lines: u64,
}

impl KnownDamage {
    /// Reads the lines. One that can't be understood is counted and costs no other.
    pub fn from_text(text: &[u8]) -> Self {
        let mut known = Self::default();
        for line in text.split(|b| *b == b'\n') {
            if line.iter().all(u8::is_ascii_whitespace) {
                continue;
            }
            let note = (line.len() <= LINE_MAX)
                .then(|| serde_json::from_slice::<CheckNote>(line).ok())
                .flatten();
            match note {
                Some(note) if note.damage == VERSION => known.push(note),
                _ => known.damaged_lines += 1,
            }
        }
        known
    }

    /// Adds what a check found.
    pub fn push(&mut self, note: CheckNote) {
        let of_manifest = self.by_manifest.entry(note.copy.manifest_b3).or_default();
        of_manifest.push(note);
    }

    /// Returns what stands against a copy.
    pub fn of(&self, copy: &CheckedCopy) -> CopyDamage {
        let mut damage = CopyDamage::default();
        let notes = self.by_manifest.get(&copy.manifest_b3);
        for note in notes.into_iter().flatten() {
            if note.copy.may_be(copy) {
                damage.take(note, note.copy.is(copy));
            }
        }
        damage
    }

    /// Returns what of a check is worth a line: damage, that what stood against the copy does so no
    /// more, or that all of it was read.
    pub fn worth(&self, mut note: CheckNote) -> Option<CheckNote> {
        let stands = self.of(&note.copy);
        note.equal.retain(|path| stands.files.contains_key(path));
        let lifts = !stands.is_empty() && (note.whole || !note.equal.is_empty());
        (!note.found.is_empty() || lifts || note.whole).then_some(note)
    }

    /// Returns when each copy was last read whole, RFC 3339, UTC.
    pub fn last_whole(&self) -> HashMap<PathAndVolume<'_>, &str> {
        let notes = self.by_manifest.values().flatten();
        let mut last: HashMap<PathAndVolume<'_>, &str> = HashMap::new();
        for note in notes.filter(|note| note.whole) {
            let copy = &note.copy;
            let of = (copy.path.as_str(), copy.volume_id.as_deref());
            let at = last.entry(of).or_default();
            *at = note.at.as_str().max(at);
        }
        last
    }

    /// Returns every copy that something stands against, by the last check of it, the latest last.
    pub fn standing(&self) -> Vec<(&CheckNote, CopyDamage)> {
        let mut all: Vec<(&CheckNote, CopyDamage)> = Vec::new();
        for notes in self.by_manifest.values() {
            let last = notes.iter().enumerate().filter(|(n, note)| {
                let later = notes.get(n + 1..).unwrap_or_default();
                !later.iter().any(|other| other.copy.is(&note.copy))
            });
            all.extend(last.map(|(_, note)| (note, self.of(&note.copy))));
        }
        all.retain(|(_, damage)| !damage.is_empty());
        all.sort_by(|(a, _), (b, _)| (&a.at, &a.copy.path).cmp(&(&b.at, &b.copy.path)));
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn copy(volume: Option<&str>, place: Option<&str>, path: &str) -> CheckedCopy {
        CheckedCopy {
            manifest_b3: Digest::of(b"manifest"),
            volume_id: volume.map(str::to_owned),
            place: place.map(str::to_owned),
            path: path.to_owned(),
        }
    }

    fn note(second: i64, copy: &CheckedCopy) -> CheckNote {
        let at = Timestamp::from_second(second).unwrap();
        CheckNote::new(at, "KITES", copy.clone())
    }

    fn bad(second: i64, copy: &CheckedCopy, path: &str) -> CheckNote {
        let mut note = note(second, copy);
        note.add(path, DamageKind::Changed, "its content differs");
        note
    }

    fn known(notes: impl IntoIterator<Item = CheckNote>) -> KnownDamage {
        let lines: Vec<String> = notes.into_iter().map(|n| n.line().unwrap()).collect();
        let read = KnownDamage::from_text(lines.concat().as_bytes());
        assert_eq!(read.damaged_lines, 0);
        read
    }

    #[test]
    fn damage_stands_until_the_file_was_read_equal_in_that_copy() {
        let a = copy(Some("A"), Some("place"), "/media/a/KITES");
        let moved = copy(Some("A"), Some("place"), "/mnt/KITES");
        let other = copy(Some("B"), Some("place"), "/media/a/KITES");
        let elsewhere = copy(Some("A"), Some("other"), "/media/a/hand/KITES");
        let anew = CheckedCopy {
            manifest_b3: Digest::of(b"another"),
            ..a.clone()
        };
        let found = bad(1, &a, "K1.JPG");
        let stands = known([found.clone()]);
        assert_eq!(
            stands.of(&moved).of_file("K1.JPG").unwrap().words(),
            "1970-01-01: its content differs"
        );
        assert_eq!(stands.of(&a).of_file("K2.JPG"), None);
        for free in [&other, &elsewhere, &anew] {
            assert!(stands.of(free).is_empty(), "{free:?}");
        }
        let equal = |at: &CheckedCopy, path: &str| {
            let mut note = note(2, at);
            note.equal.push(path.to_owned());
            note
        };
        assert!(
            known([found.clone(), equal(&moved, "K1.JPG")])
                .of(&a)
                .is_empty()
        );
        for no_lift in [
            equal(&a, "K2.JPG"),
            equal(&other, "K1.JPG"),
            equal(&elsewhere, "K1.JPG"),
        ] {
            let still = known([found.clone(), no_lift]);
            assert!(still.of(&a).of_file("K1.JPG").is_some());
        }
        let whole = |at: &CheckedCopy| CheckNote {
            whole: true,
            ..bad(3, at, "K3.JPG")
        };
        let replaced = known([found.clone(), whole(&a)]).of(&a);
        assert_eq!(
            replaced.files().map(|f| f.0).collect::<Vec<_>>(),
            ["K3.JPG"]
        );
        assert_eq!(known([found, whole(&other)]).of(&a).files().count(), 1);
    }

    #[test]
    fn where_the_volume_is_not_known_the_path_is_the_copy() {
        let a = copy(None, None, "/net/a/KITES");
        let b = copy(None, None, "/net/b/KITES");
        let mut equal = note(2, &b);
        equal.whole = true;
        let marks = known([bad(1, &a, "K1.JPG"), equal]);
        assert!(!marks.of(&a).is_empty());
        assert!(marks.of(&b).is_empty());
        // A known volume whose places nobody tells: a mark is believed of all, a lift of its own.
        let (here, there) = (copy(Some("A"), None, "/a/K"), copy(Some("A"), None, "/b/K"));
        let mut lifted = note(2, &there);
        lifted.whole = true;
        let marks = known([bad(1, &here, "K1.JPG"), lifted]);
        assert!(!marks.of(&here).is_empty());
    }

    #[test]
    fn torn_and_newer_lines_cost_nothing_but_themselves() {
        let a = copy(Some("A"), None, "/a/K");
        let line = bad(1, &a, "K1.JPG").line().unwrap();
        let newer = line.replace("\"damage\":1", "\"damage\":2");
        let further = line
            .replace("K1.JPG", "K2.JPG")
            .replace("{\"damage\"", "{\"new\":[],\"damage\"");
        let torn = &line[..line.len() / 2];
        let read = KnownDamage::from_text(format!("{torn}\n{newer}{further}\n{line}").as_bytes());
        assert_eq!(read.damaged_lines, 2);
        assert_eq!(
            read.of(&a).files().count(),
            2,
            "what is new in a line costs nothing"
        );
    }

    #[test]
    fn what_is_too_much_for_a_line_is_counted_and_stands_against_all() {
        let a = copy(Some("A"), None, "/a/K");
        let mut many = note(1, &a);
        for n in 0..5_000 {
            many.add(&format!("DCIM/{n:0>60}"), DamageKind::Missing, "");
        }
        let marks = known([many]).of(&a);
        assert!(marks.files().count() < 5_000 && marks.has_more());
        assert_eq!(marks.of_file("any").unwrap().kind, DamageKind::Changed);
        // Long names, and such as take six bytes for each of theirs.
        let mut long = note(1, &a);
        for n in 0..500 {
            long.add(
                &format!("{n}{}", "\u{1}".repeat(4_000)),
                DamageKind::Changed,
                &"\u{1}".repeat(9_000),
            );
        }
        assert!(known([long]).of(&a).has_more());
    }

    #[test]
    fn only_what_changes_something_is_worth_a_line() {
        let a = copy(Some("A"), None, "/a/K");
        let mut clean = note(2, &a);
        clean.whole = true;
        clean.equal = vec!["K1.JPG".to_owned(), "K2.JPG".to_owned()];
        let read = known([]).worth(clean.clone()).unwrap();
        assert_eq!(
            (read.whole, read.equal.len()),
            (true, 0),
            "that all was read"
        );
        let at = known([read.clone(), note(9, &a)]);
        let last = at.last_whole();
        assert_eq!(last.get(&("/a/K", Some("A"))), Some(&&*read.at));
        assert_eq!(last.get(&("/a/K", None)), None, "another volume");
        assert_eq!(last.get(&("/a/L", Some("A"))), None);
        let mut later = read.clone();
        later.at = "2027-01-01T00:00:00Z".to_owned();
        let at = known([later, read]);
        let last = at.last_whole()[&("/a/K", Some("A"))].to_owned();
        assert_eq!(last, "2027-01-01T00:00:00Z");
        clean.whole = false;
        assert_eq!(known([]).worth(clean.clone()), None, "single files");
        let worth = known([bad(1, &a, "K1.JPG")]).worth(clean).unwrap();
        assert_eq!(worth.equal, ["K1.JPG"]);
        let standing = known([bad(1, &a, "K1.JPG")]);
        assert_eq!(standing.standing().len(), 1);
        assert!(known([bad(1, &a, "K1.JPG"), worth]).standing().is_empty());
    }
}
