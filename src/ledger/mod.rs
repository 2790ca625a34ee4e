//! Owns what the ledger says: one line of JSON for every verdict and every measured rate, only ever
//! appended to. Pure: `disk::home` reads and appends the file. The ledger helps to remember; no
//! verdict rests on it, and none is changed by losing it.

mod filling;
pub mod history;
mod kin;
pub mod shoot;
pub mod shot;

use crate::card::identity::CardIdentity;
use crate::card::part::part_note;
use crate::clock::rfc3339;
use crate::disk::FolderFacts;
use crate::proof::Proof;
use crate::units::len64;
use camino::Utf8Path;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use shot::ShotSum;

/// The ledger's file name in the home folder.
pub const LEDGER: &str = "ledger.jsonl";
/// Bytes of the ledger that are read, from its end: some 50,000 entries.
pub const READ_MAX: u64 = 64 << 20;
/// A line above this many bytes is not one of ours.
pub const LINE_MAX: usize = 256 << 10;
/// Reasons that an entry keeps.
const REASONS_MAX: usize = 8;
/// Version of the lines.
const VERSION: u64 = 1;

/// How many cards a job has, as the person announced it.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ExpectedCards {
    /// That many.
    Count(u64),
    /// These labels or kit names.
    Labels(Vec<String>),
}

/// The job that a card belongs to.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct ShootPart {
    /// Its name.
    pub name: String,
    /// What was announced with this card, if anything.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected: Option<ExpectedCards>,
}

/// The folder and volume of one copy of a card.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct CopyLocation {
    /// The offload's folder, links resolved.
    pub path: String,
    /// What the drive is called, where it has a name of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drive: Option<String>,
    /// File system type.
    pub filesystem: String,
    /// Identity of the volume, where the system tells it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volume_id: Option<String>,
    /// Everything on the card was read back there.
    pub complete: bool,
}

impl CopyLocation {
    /// Returns whether a folder's volume may be the one that this place was on.
    pub fn may_be_on(&self, facts: &FolderFacts) -> bool {
        self.volume_id == facts.volume_id && self.filesystem == facts.filesystem
    }
}

/// Sizes and rates of one read of a card.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct ReadStats {
    /// Bytes read.
    pub bytes: u64,
    /// Files read.
    pub files: u64,
    /// Seconds from the first byte to the last copy read back.
    pub took_s: f64,
    /// Bytes per second of reading time, where it could be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read_bytes_per_s: Option<f64>,
    /// MB/s of the whole chain that the forecast learned, files' own cost taken off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub learned_mbps: Option<f64>,
    /// Seconds that a file costs beyond its bytes, where files mattered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub learned_file_s: Option<f64>,
}

/// A place where a drive slowed down for good: its fast cache was full, or it got hot.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct DriveStep {
    /// Identity of the drive's volume.
    pub volume_id: String,
    /// Bytes of the job that were written to it by then.
    pub bytes: u64,
    /// MB/s since.
    pub mbps_after: f64,
}

/// What was done.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Deed {
    /// A copy of a card.
    Copy,
    /// A further copy of an offload; no card was read, so it is no filling of one.
    Further,
    /// The question without a copy.
    Prove,
    /// A measurement only; it says nothing of safety.
    Rate,
}

impl Deed {
    /// Returns whether copies were made.
    pub fn makes_copies(self) -> bool {
        matches!(self, Self::Copy | Self::Further)
    }
}

/// One line of the ledger.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct LedgerEntry {
    /// Version of the line.
    pub ledger: u64,
    /// When it was done, RFC 3339, UTC.
    pub at: String,
    /// What was done.
    pub did: Deed,
    /// The card.
    pub card: CardIdentity,
    /// The reader it was in, as far as known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reader: Option<String>,
    /// The offload's name, for a copy.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offload: Option<String>,
    /// The job it belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shoot: Option<ShootPart>,
    /// The command that several cards were copied with: those were plugged in at the same time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub command: Option<String>,
    /// The verdict.
    pub proven: bool,
    /// Complete copies on independent devices.
    pub copies: u64,
    /// Why it is not proven, the first ones.
    #[serde(default)]
    pub reasons: Vec<String>,
    /// Where the copies are.
    #[serde(default)]
    pub places: Vec<CopyLocation>,
    /// How the card was read, when it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<ReadStats>,
    /// What was shot on it, for a copy.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shot: Option<ShotSum>,
    /// Where a drive slowed down.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub steps: Vec<DriveStep>,
}

impl LedgerEntry {
    /// An entry that holds no more than a card and a verdict.
    pub fn new(did: Deed, at: Timestamp, card: CardIdentity) -> Self {
        Self {
            ledger: VERSION,
            at: rfc3339(at),
            did,
            card,
            reader: None,
            offload: None,
            shoot: None,
            command: None,
            proven: false,
            copies: 0,
            reasons: Vec::new(),
            places: Vec::new(),
            reading: None,
            shot: None,
            steps: Vec::new(),
        }
    }

    /// Describes a finished copy.
    pub fn of_copy(proof: &Proof) -> Self {
        let plan = proof.plan();
        let offloaded = proof.offloaded();
        let mut card = plan.card_identity();
        let read: Option<Vec<_>> = plan
            .jobs
            .iter()
            .zip(&offloaded.files)
            .map(|(job, file)| Some((job.name.as_str(), job.bytes, file.blake3?)))
            .collect();
        if let Some(read) = read.filter(|read| len64(read.len()) == card.files) {
            card = card.holding(read.into_iter());
        }
        let is_card = plan.original().is_none();
        let did = if is_card { Deed::Copy } else { Deed::Further };
        let places = plan.destinations.iter().zip(proof.tallies());
        let files = plan.jobs.iter().filter(|j| j.is_read());
        Self {
            reader: plan.estimate.reader.clone(),
            offload: (!plan.has_nothing_new()).then(|| plan.name.clone()),
            // A folder of a card is not the card, which a job would count as seen and proven.
            proven: proof.verdict().is_proven() && proof.part().is_none(),
            copies: len64(proof.verdict().copies()),
            places: places
                .flat_map(|(d, tally)| {
                    let own = (!plan.has_nothing_new()).then_some(&plan.name);
                    // Where files were left in earlier offloads only all together are complete.
                    let all = own.into_iter().chain(d.left_in.iter().map(|l| &l.within));
                    all.map(|within| CopyLocation {
                        path: Utf8Path::new(&d.facts.canonical).join(within).into_string(),
                        drive: d.own_name().map(str::to_owned),
                        filesystem: d.facts.filesystem.clone(),
                        volume_id: d.facts.volume_id.clone(),
                        complete: tally.is_complete,
                    })
                })
                .collect(),
            reading: (offloaded.bytes_read > 0 && is_card).then(|| ReadStats {
                bytes: offloaded.bytes_read,
                files: len64(files.count()),
                took_s: offloaded.took.as_secs_f64(),
                read_bytes_per_s: offloaded.read_rate,
                learned_mbps: offloaded.learned.map(|l| l.mbps),
                learned_file_s: offloaded.learned.and_then(|l| l.file_s),
            }),
            shot: is_card.then(|| ShotSum::of(&proof.recordings().contents)),
            steps: steps(proof),
            ..Self::new(did, proof.times().1, card)
        }
        .because(&reasons(proof))
    }

    /// Keeps the first reasons.
    #[must_use]
    pub fn because(mut self, reasons: &[String]) -> Self {
        self.reasons = reasons.iter().take(REASONS_MAX).cloned().collect();
        self
    }

    /// Returns the line, its end included; `None` when it would be longer than a reader takes.
    pub fn line(&self) -> Option<String> {
        let mut line = serde_json::to_string(self).ok()?;
        line.push('\n');
        (line.len() <= LINE_MAX).then_some(line)
    }
}

fn reasons(proof: &Proof) -> Vec<String> {
    let part = proof.part().map(part_note);
    let verdict = proof.verdict().reasons().iter().cloned();
    verdict.chain(part).collect()
}

/// Where known drives slowed down in this job.
fn steps(proof: &Proof) -> Vec<DriveStep> {
    let on = |index: usize| {
        let destination = proof.plan().destinations.get(index)?;
        destination.facts.volume_id.clone()
    };
    let steps = proof.offloaded().steps.iter();
    steps
        .filter_map(|s| {
            Some(DriveStep {
                volume_id: on(s.destination)?,
                bytes: s.bytes,
                mbps_after: s.to_bytes_per_s / 1e6,
            })
        })
        .collect()
}

/// A ledger that was read.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Ledger {
    /// Its entries, oldest first.
    pub entries: Vec<LedgerEntry>,
    /// Lines that could not be understood: torn by a crash, or of a newer version.
    pub damaged: u64,
}

impl Ledger {
    /// Reads the lines of a ledger. One that cannot be understood is counted and costs no other.
    pub fn from_text(text: &[u8]) -> Self {
        let mut ledger = Self::default();
        for line in text.split(|b| *b == b'\n') {
            if line.iter().all(u8::is_ascii_whitespace) {
                continue;
            }
            let entry = (line.len() <= LINE_MAX)
                .then(|| serde_json::from_slice::<LedgerEntry>(line).ok())
                .flatten();
            match entry {
                Some(entry) if entry.ledger == VERSION => ledger.entries.push(entry),
                _ => ledger.damaged += 1,
            }
        }
        ledger
    }

    /// Returns where the latest copy into this folder went, by its path with links resolved.
    pub fn last_in(&self, folder: &str) -> Option<&CopyLocation> {
        let copies = self.entries.iter().rev().filter(|e| e.did.makes_copies());
        let above = |path: &str| Utf8Path::new(path).parent().map(Utf8Path::to_path_buf);
        copies
            .flat_map(|e| &e.places)
            .find(|p| above(&p.path).is_some_and(|above| above == folder))
    }

    /// Returns the last verdict on a card as it is now: of a copy, or of the question without one.
    pub fn last_verdict_on(&self, card: &CardIdentity) -> Option<&LedgerEntry> {
        let is_verdict = |e: &LedgerEntry| matches!(e.did, Deed::Copy | Deed::Prove);
        let mut latest = self.entries.iter().rev();
        latest.find(|e| is_verdict(e) && e.card.is_unaltered(card))
    }

    /// Returns every place where a complete copy of this card was made, newest first, each once.
    pub fn places_of(&self, card: &CardIdentity) -> Vec<&CopyLocation> {
        let mut places: Vec<&CopyLocation> = Vec::new();
        let copies = self.entries.iter().rev().filter(|e| e.did.makes_copies());
        // A manifest does not tell whether a card was a whole volume, so a further copy goes by the
        // listing too.
        let is_of = |e: &&LedgerEntry| {
            let is_same_listing = e.card.listing_b3 == card.listing_b3;
            e.card.is_same_card(card) || (e.did == Deed::Further && is_same_listing)
        };
        for entry in copies.filter(is_of) {
            for place in entry.places.iter().filter(|p| p.complete) {
                if !places.iter().any(|p| p.path == place.path) {
                    places.push(place);
                }
            }
        }
        places
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::digest::Digest;

    pub(crate) fn card(label: &str) -> CardIdentity {
        CardIdentity {
            label: label.to_owned(),
            name: None,
            path: format!("/media/{label}"),
            volume_id: None,
            made_as: None,
            listing_b3: Digest::of(label.as_bytes()),
            content_b3: None,
            files: 3,
            bytes: 30,
            sample: ["0a".to_owned()].into(),
        }
    }

    pub(crate) fn copy(label: &str, proven: bool) -> LedgerEntry {
        LedgerEntry {
            proven,
            copies: if proven { 2 } else { 1 },
            ..LedgerEntry::new(Deed::Copy, Timestamp::UNIX_EPOCH, card(label))
        }
    }

    #[test]
    fn lines_come_back_as_they_were() {
        let mut entry = copy("KITES", true);
        entry.shoot = Some(ShootPart {
            name: "festival".to_owned(),
            expected: Some(ExpectedCards::Labels(vec![
                "A1".to_owned(),
                "ünïcode\n".to_owned(),
            ])),
        });
        entry.reading = Some(ReadStats {
            bytes: 1,
            files: 1,
            took_s: 0.5,
            read_bytes_per_s: Some(94.2e6),
            learned_mbps: None,
            learned_file_s: None,
        });
        let line = entry.line().unwrap();
        assert_eq!(line.matches('\n').count(), 1, "one entry is one line");
        let read = Ledger::from_text(line.as_bytes());
        assert_eq!((read.entries, read.damaged), (vec![entry], 0));
    }

    #[test]
    fn torn_and_foreign_lines_cost_nothing_but_themselves() {
        let line = copy("KITES", true).line().unwrap();
        let newer = line.replace("\"ledger\":1", "\"ledger\":2");
        let torn = &line[..line.len() / 2];
        let text = format!("{line}{torn}\n{newer}\n\n{line}not json\n\u{0}\n{torn}");
        let read = Ledger::from_text(text.as_bytes());
        assert_eq!((read.entries.len(), read.damaged), (2, 5));
        // Every possible place where a crash can cut the last line.
        for cut in 0..line.len() {
            let text = format!("{line}{}", &line[..cut]);
            let read = Ledger::from_text(text.as_bytes());
            let whole = usize::from(cut == line.len() - 1);
            assert_eq!(read.entries.len(), 1 + whole, "cut at {cut}");
        }
    }

    #[test]
    fn a_line_that_is_too_long_is_not_made_and_not_read() {
        let mut entry = copy("KITES", true);
        entry.card.path = "k".repeat(LINE_MAX);
        assert_eq!(entry.line(), None);
        let text = serde_json::to_string(&entry).unwrap();
        assert_eq!(Ledger::from_text(text.as_bytes()).damaged, 1);
    }
}
