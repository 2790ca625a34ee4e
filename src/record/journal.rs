//! Owns the journal of an offload: one JSON line for every file that was read back equal and is
//! durable under its final name; and where a pull can leave an empty file under such a name, one
//! line before a batch of files gets theirs. It is the ground for resuming, and it is forgiving of
//! one thing only: the end of a run that a power cut tore. Every line carries a check sum of
//! itself, so that a bit that flipped in it can't put a wrong hash into the next manifest.

use crate::digest::Digest;
pub use crate::disk::JOURNAL;
use crate::disk::ReadBackWay;
use crate::hash_algorithm::AlsoHashes;
use crate::name::{CardName, NameError};
use crate::record::earlier_run::{ProvenEntry, Records};
use crate::record::layout::{DestinationIdentity, Layout, RECORDS};
use std::io;
use std::sync::Arc;

/// The largest journal that is read, in bytes.
pub const JOURNAL_BYTES_MAX: u64 = 1 << 30;

/// The first line of every run.
#[derive(Clone, PartialEq, Debug, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JournalHead {
    /// Always `unlade-journal`.
    pub journal: String,
    /// [`JOURNAL_VERSION`]; 1 is read as well, whose lines have no check sums.
    pub version: u32,
    /// The offload's name.
    pub offload: String,
    /// When the run began, RFC 3339.
    pub started: String,
    /// Where the card was mounted.
    pub card_path: String,
    /// Identity of the card's volume, where known.
    pub card_volume_id: Option<String>,
    /// Fingerprint of the card's listing.
    pub listing_b3: Digest,
    /// All destinations of the run.
    pub destinations: Vec<DestinationIdentity>,
    /// Where the card's tree lies.
    #[serde(default, skip_serializing_if = "Layout::is_plain")]
    pub layout: Layout,
    /// Bytes that the offload will take up on this drive when the run is done, whole clusters
    /// counted. Another run reckons with what is still to come.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fills_to: Option<u64>,
}

/// One proven file.
#[derive(Clone, PartialEq, Debug, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JournalLine {
    /// Path below the offload.
    pub path: String,
    /// Size in bytes.
    pub bytes: u64,
    /// Date on the card, RFC 3339.
    pub modified: String,
    /// Hash of what the card delivered and the drive gave back.
    pub blake3: Digest,
    /// Further hashes of the same bytes.
    #[serde(default, skip_serializing_if = "AlsoHashes::is_empty")]
    pub also: AlsoHashes,
    /// How it was read back.
    pub way: ReadBackWay,
    /// Seconds inside reads of the card.
    pub read_s: f64,
    /// Seconds inside reads of the drive.
    pub readback_s: f64,
    /// It holds nothing but zeros.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub only_zeros: bool,
}

/// Files that are about to get their final names, durable before they do. An empty file that stands
/// under such a name later, and that no [`JournalLine`] is about, is unfinished work of that run:
/// see [`crate::disk::Settling`].
#[derive(Clone, PartialEq, Debug, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JournalNaming {
    /// Paths below the offload.
    pub naming: Vec<String>,
}

/// The name under which a head is recognised.
pub const JOURNAL_FORMAT: &str = "unlade-journal";
/// The version that is written.
pub const JOURNAL_VERSION: u32 = 2;
/// What stands between a line's content and its check sum.
const SUM_MARK: &[u8] = b",\"sum\":\"";
/// Hexadecimal digits of a check sum: the first of the BLAKE3 hash of what stands before the mark.
const SUM_DIGITS: usize = 16;

impl JournalHead {
    /// Appends the line to `out`.
    pub fn write_to(&self, out: &mut Vec<u8>) -> io::Result<()> {
        write_line(self, out)
    }
}

impl JournalLine {
    /// Appends the line to `out`.
    pub fn write_to(&self, out: &mut Vec<u8>) -> io::Result<()> {
        write_line(self, out)
    }
}

impl JournalNaming {
    /// Appends the line to `out`.
    pub fn write_to(&self, out: &mut Vec<u8>) -> io::Result<()> {
        write_line(self, out)
    }
}

fn write_line(value: &impl serde::Serialize, out: &mut Vec<u8>) -> io::Result<()> {
    let start = out.len();
    serde_json::to_writer(&mut *out, value)?;
    // The closing brace; it comes again behind the sum.
    out.pop();
    let sum = sum_of(out.get(start..).unwrap_or_default());
    out.extend_from_slice(SUM_MARK);
    out.extend_from_slice(sum.as_bytes());
    out.extend_from_slice(b"\"}\n");
    Ok(())
}

fn sum_of(content: &[u8]) -> String {
    let mut sum = Digest::of(content).to_string();
    sum.truncate(SUM_DIGITS);
    sum
}

/// What a line says of itself.
enum Line {
    /// Its content, closed again; and whether a check sum vouches for it.
    Whole(Vec<u8>, bool),
    /// Its check sum is not that of its content.
    Damaged,
}

impl Line {
    fn of(line: &[u8]) -> Self {
        let bare = || Self::Whole(line.to_vec(), false);
        let tail = SUM_MARK.len() + SUM_DIGITS + 2;
        let Some((content, rest)) = line.len().checked_sub(tail).map(|at| line.split_at(at)) else {
            return bare();
        };
        let sum = rest
            .strip_prefix(SUM_MARK)
            .and_then(|rest| rest.strip_suffix(b"\"}"));
        match sum {
            None => bare(),
            Some(sum) if sum == sum_of(content).as_bytes() => {
                let mut whole = content.to_vec();
                whole.push(b'}');
                Self::Whole(whole, true)
            }
            Some(_) => Self::Damaged,
        }
    }
}

/// Why a journal vouches for nothing.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("line {line} of the journal {fault}")]
pub struct JournalError {
    /// The line, counted from 1.
    pub line: usize,
    /// What is the matter with it.
    #[source]
    pub fault: LineFault,
}

/// What no run writes into a journal.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum LineFault {
    /// A version that is not known here.
    #[error("is of an unknown version")]
    Version,
    /// A line that no run's head stands before.
    #[error("has no head before it")]
    NoHead,
    /// A path that is not allowed.
    #[error("holds {0}")]
    Name(#[from] NameError),
    /// A path inside the records.
    #[error("holds a path inside `_unlade`")]
    InRecords,
}

/// Reads a journal back. `is_here` tells of a run's head whether it was written in the place at
/// hand: a journal that was copied along with its offload vouches for nothing there.
///
/// # Errors
/// When it holds what no run writes: an unknown version, a path that leads out, a line without a
/// head. Such a journal vouches for nothing.
pub fn read(
    bytes: &[u8],
    is_here: &dyn Fn(&JournalHead) -> bool,
) -> Result<Option<Records>, JournalError> {
    // What stands behind the last line feed is torn, however whole it looks.
    let whole = bytes
        .iter()
        .rposition(|&b| b == b'\n')
        .map_or(&[][..], |end| bytes.get(..end).unwrap_or_default());
    let lines = whole.split(|&b| b == b'\n').filter(|l| !l.is_empty());
    let mut replay = JournalReplay::default();
    for (at, line) in lines.enumerate() {
        replay.line(line, is_here).map_err(|fault| JournalError {
            line: at + 1,
            fault,
        })?;
    }
    Ok(replay.records)
}

/// Returns the head of the last run that a journal tells of.
pub fn last_head(bytes: &[u8]) -> Option<JournalHead> {
    let lines = bytes.split(|&b| b == b'\n').rev();
    let mut whole = lines.filter_map(|line| match Line::of(line) {
        Line::Whole(line, true) => Some(line),
        Line::Whole(_, false) | Line::Damaged => None,
    });
    whole.find_map(|line| serde_json::from_slice(&line).ok())
}

/// How far a journal was read.
#[derive(Default)]
struct JournalReplay {
    records: Option<Records>,
    /// A power cut damages only what was being appended, but that may be many lines, and any sector
    /// of them: nothing between the first damage and the next run's head counts. The files those
    /// lines name are compared with the card again.
    is_damaged: bool,
    /// The run was in the place at hand.
    was_here: bool,
    /// The run's lines have no check sums.
    is_first_version: bool,
}

impl JournalReplay {
    fn line(
        &mut self,
        line: &[u8],
        is_here: &dyn Fn(&JournalHead) -> bool,
    ) -> Result<(), LineFault> {
        let Line::Whole(line, has_sum) = Line::of(line) else {
            self.is_damaged = true;
            return Ok(());
        };
        if let Ok(head) = serde_json::from_slice::<JournalHead>(&line) {
            return self.head(head, has_sum, is_here);
        }
        let vouched = (has_sum || self.is_first_version) && !self.is_damaged;
        if let Some(entry) = serde_json::from_slice(&line).ok().filter(|_| vouched) {
            return self.entry(entry);
        }
        if let Some(naming) = serde_json::from_slice(&line).ok().filter(|_| vouched) {
            return self.naming(naming);
        }
        self.is_damaged = true;
        Ok(())
    }

    fn head(
        &mut self,
        head: JournalHead,
        has_sum: bool,
        is_here: &dyn Fn(&JournalHead) -> bool,
    ) -> Result<(), LineFault> {
        if head.journal != JOURNAL_FORMAT || !(1..=JOURNAL_VERSION).contains(&head.version) {
            return Err(LineFault::Version);
        }
        self.is_first_version = head.version == 1;
        self.is_damaged = !(has_sum || self.is_first_version);
        if self.is_damaged {
            return Ok(());
        }
        self.was_here = is_here(&head);
        let records = self.records.get_or_insert_default();
        records.card_path = Some(head.card_path);
        records.card_volume_id = head.card_volume_id;
        records.listing_b3 = Some(head.listing_b3);
        records.destinations = head.destinations;
        records.layout = head.layout;
        Ok(())
    }

    fn naming(&mut self, line: JournalNaming) -> Result<(), LineFault> {
        let was_here = self.was_here;
        for path in line.naming {
            let (records, path) = self.about(path)?;
            if was_here {
                records.naming.insert(path);
            }
        }
        Ok(())
    }

    /// Checks the path that a line is about.
    fn about(&mut self, path: String) -> Result<(&mut Records, Arc<str>), LineFault> {
        let Some(records) = self.records.as_mut() else {
            return Err(LineFault::NoHead);
        };
        let name = CardName::parse(&path)?;
        if name.parts().next() == Some(RECORDS) {
            return Err(LineFault::InRecords);
        }
        Ok((records, path.into()))
    }

    fn entry(&mut self, entry: JournalLine) -> Result<(), LineFault> {
        let was_here = self.was_here;
        let (records, path) = self.about(entry.path)?;
        let modified: Arc<str> = entry.modified.into();
        let then = (entry.bytes, Arc::clone(&modified));
        records.card_files.insert(Arc::clone(&path), then);
        if was_here {
            records.naming.remove(&path);
            let proven = ProvenEntry {
                bytes: entry.bytes,
                modified,
                blake3: entry.blake3,
                also: entry.also,
                way: entry.way,
                read_s: entry.read_s,
                readback_s: entry.readback_s,
                only_zeros: entry.only_zeros,
            };
            records.proven.insert(path, Arc::new(proven));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(bytes: &[u8]) -> Result<Option<Records>, JournalError> {
        super::read(bytes, &|_| true)
    }

    /// The sample with other words in it, and with check sums that fit them.
    fn edited(changes: &[(&str, &str)]) -> String {
        let mut out = String::new();
        for line in sample().split(|&b| b == b'\n').filter(|l| !l.is_empty()) {
            let Line::Whole(mut content, true) = Line::of(line) else {
                panic!("no check sum");
            };
            content.pop();
            let mut content = String::from_utf8(content).unwrap();
            for (from, to) in changes {
                content = content.replace(from, to);
            }
            let sum = sum_of(content.as_bytes());
            out += &format!("{content},\"sum\":\"{sum}\"}}\n");
        }
        out
    }

    fn sample() -> Vec<u8> {
        let mut out = Vec::new();
        JournalHead {
            journal: JOURNAL_FORMAT.into(),
            version: JOURNAL_VERSION,
            offload: "20261125-KITES".into(),
            started: "2026-11-25T09:00:00.000Z".into(),
            card_path: "/media/KITES".into(),
            card_volume_id: None,
            listing_b3: Digest::of(b"listing"),
            destinations: vec![],
            layout: Layout::Plain,
            fills_to: None,
        }
        .write_to(&mut out)
        .unwrap();
        for path in ["DCIM/a.JPG", "DCIM/b.JPG"] {
            JournalLine {
                path: path.into(),
                bytes: 3,
                modified: "2026-11-25T08:00:00.000000000Z".into(),
                blake3: Digest::of(path.as_bytes()),
                also: AlsoHashes::default(),
                way: ReadBackWay::Direct,
                read_s: 0.1,
                readback_s: 0.1,
                only_zeros: false,
            }
            .write_to(&mut out)
            .unwrap();
        }
        out
    }

    #[test]
    fn whole_and_torn_journals() {
        let whole = sample();
        let records = read(&whole).unwrap().unwrap();
        assert_eq!(records.proven.len(), 2);
        for cut in 1..60 {
            let records = read(&whole[..whole.len() - cut]).unwrap().unwrap();
            assert_eq!(
                records.proven.len(),
                1,
                "the torn line does not count (cut {cut})"
            );
        }
        assert!(read(b"").unwrap().is_none());
    }

    #[test]
    fn a_run_after_a_torn_line_goes_on() {
        let whole = sample();
        let head_end = whole.iter().position(|&b| b == b'\n').unwrap() + 1;
        let mut bytes = whole[..whole.len() - 20].to_vec();
        bytes.push(b'\n');
        bytes.extend_from_slice(&whole[..head_end]);
        assert_eq!(read(&bytes).unwrap().unwrap().proven.len(), 1);
        let mut zeros = whole.clone();
        zeros.extend_from_slice(&[0; 300]);
        zeros.push(b'\n');
        zeros.extend_from_slice(&whole[..head_end]);
        assert_eq!(read(&zeros).unwrap().unwrap().proven.len(), 2);
    }

    #[test]
    fn damage_in_the_middle_ends_the_trust_in_its_run() {
        let mut bytes = sample();
        let second = bytes.iter().position(|&b| b == b'\n').unwrap() + 5;
        bytes[second] = b'{';
        assert!(read(&bytes).unwrap().unwrap().proven.is_empty());
        bytes.extend_from_slice(&sample());
        assert_eq!(read(&bytes).unwrap().unwrap().proven.len(), 2);
        let text = String::from_utf8(sample()).unwrap();
        assert!(read(edited(&[("DCIM/a", "../a")]).as_bytes()).is_err());
        assert!(read(edited(&[("DCIM/a", "_unlade/a")]).as_bytes()).is_err());
        assert!(
            read(text.split_once('\n').unwrap().1.as_bytes()).is_err(),
            "no head"
        );
    }

    #[test]
    fn a_run_in_another_place_vouches_for_nothing_here() {
        let other = String::from_utf8(sample()).unwrap();
        let here = edited(&[("KITES\"", "HERE\""), ("b.JPG", "c.JPG")]);
        let both = format!("{other}{here}{other}");
        let records = super::read(both.as_bytes(), &|head| head.offload.ends_with("HERE"));
        let records = records.unwrap().unwrap();
        let mut proven: Vec<_> = records.proven.keys().map(|path| &**path).collect();
        proven.sort_unstable();
        assert_eq!(proven, ["DCIM/a.JPG", "DCIM/c.JPG"]);
        assert_eq!(
            records.card_files.len(),
            3,
            "what the card held is known all the same"
        );
    }

    #[test]
    fn what_was_about_to_be_named_is_known_until_it_is_proven() {
        let naming = |paths: &[&str]| {
            let mut out = Vec::new();
            let naming = paths.iter().map(|&path| path.to_owned()).collect();
            JournalNaming { naming }.write_to(&mut out).unwrap();
            out
        };
        let whole = sample();
        let (head, entries) = whole.split_at(whole.iter().position(|&b| b == b'\n').unwrap() + 1);
        let named = |bytes: &[u8], here: bool| {
            let records = super::read(bytes, &|_| here).unwrap().unwrap();
            let mut named: Vec<_> = records.naming.iter().map(ToString::to_string).collect();
            named.sort_unstable();
            named.join(" ")
        };
        let three = naming(&["DCIM/a.JPG", "DCIM/b.JPG", "DCIM/c.JPG"]);
        let before = [head, &three].concat();
        assert_eq!(named(&before, true), "DCIM/a.JPG DCIM/b.JPG DCIM/c.JPG");
        assert_eq!(named(&before, false), "", "of another place");
        let after = [head, &three, entries].concat();
        assert_eq!(read(&after).unwrap().unwrap().proven.len(), 2);
        assert_eq!(named(&after, true), "DCIM/c.JPG");
        assert_eq!(
            named(&[&after, head].concat(), true),
            "DCIM/c.JPG",
            "the next run"
        );
        for at in 0..three.len() {
            let mut flipped = before.clone();
            flipped[head.len() + at] ^= 1;
            assert_eq!(named(&flipped, true), "", "byte {at}");
        }
        for path in ["../a", "_unlade/a"] {
            assert!(read(&[head, &naming(&[path])].concat()).is_err());
        }
        assert!(read(&three).is_err(), "no head");
    }

    /// Every single bit: nothing is vouched for that was not written.
    #[test]
    fn a_flipped_bit_takes_trust_away_and_never_puts_other_words_in() {
        let whole = sample();
        let written = read(&whole).unwrap().unwrap();
        for at in 0..whole.len() {
            for bit in 0..8 {
                let mut bytes = whole.clone();
                bytes[at] ^= 1 << bit;
                let Ok(Some(records)) = read(&bytes) else {
                    continue;
                };
                assert!(
                    records.proven.len() < 2,
                    "byte {at}, bit {bit} was not noticed"
                );
                for (path, entry) in &records.proven {
                    assert_eq!(
                        Some(entry),
                        written.proven.get(path),
                        "byte {at}, bit {bit}"
                    );
                }
            }
        }
    }

    #[test]
    fn journals_without_check_sums_are_read() {
        let without = |version: &str| {
            let mut out = Vec::new();
            for line in sample().split(|&b| b == b'\n').filter(|l| !l.is_empty()) {
                let Line::Whole(content, true) = Line::of(line) else {
                    panic!("no check sum");
                };
                out.extend_from_slice(&content);
                out.push(b'\n');
            }
            String::from_utf8(out)
                .unwrap()
                .replace("\"version\":2", &format!("\"version\":{version}"))
        };
        let first = read(without("1").as_bytes()).unwrap().unwrap();
        assert_eq!(first.proven, read(&sample()).unwrap().unwrap().proven);
        assert!(read(without("2").as_bytes()).unwrap().is_none());
        assert!(read(without("3").as_bytes()).is_err());
    }
}
