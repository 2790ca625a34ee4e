//! Owns the journal of an offload: one JSON line for every file that was read back equal and is
//! durable under its final name. It is the ground for resuming, and it is forgiving of one thing
//! only: the end of a run that a power cut tore.

use crate::also::AlsoHashes;
use crate::digest::Digest;
use crate::disk::ReadBackWay;
use crate::name::CardName;
use crate::plan::{DestinationIdentity, ProvenEntry, RECORDS, Records};
use std::io;

pub use crate::disk::JOURNAL;
/// The largest journal that is read, in bytes.
pub const JOURNAL_BYTES_MAX: u64 = 1 << 30;

/// The first line of every run.
#[derive(Clone, PartialEq, Debug, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JournalHead {
    /// Always `unlade-journal`.
    pub journal: String,
    /// Always 1.
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
}

/// The name under which a head is recognised.
pub const JOURNAL_FORMAT: &str = "unlade-journal";

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

fn write_line(value: &impl serde::Serialize, out: &mut Vec<u8>) -> io::Result<()> {
    serde_json::to_writer(&mut *out, value)?;
    out.push(b'\n');
    Ok(())
}

/// Reads a journal back. `is_here` tells of a run's head whether it was written in the place at
/// hand: a journal that was copied along with its offload vouches for nothing there.
///
/// # Errors
/// In plain words, when it holds what no run writes: an unknown version, a path that leads out, a
/// line without a head. Such a journal vouches for nothing.
pub fn read(
    bytes: &[u8],
    is_here: &dyn Fn(&JournalHead) -> bool,
) -> Result<Option<Records>, String> {
    let mut records: Option<Records> = None;
    // What stands behind the last line feed is torn, however whole it looks.
    let whole = bytes
        .iter()
        .rposition(|&b| b == b'\n')
        .map_or(&[][..], |end| bytes.get(..end).unwrap_or_default());
    let lines = whole.split(|&b| b == b'\n').filter(|l| !l.is_empty());
    // A power cut damages only what was being appended, but that may be many lines, and any sector
    // of them: nothing between the first damage and the next run's head counts. The files those
    // lines name are compared with the card again.
    let mut is_damaged = false;
    let mut was_here = false;
    for (at, line) in lines.enumerate() {
        if let Ok(head) = serde_json::from_slice::<JournalHead>(line) {
            if head.journal != JOURNAL_FORMAT || head.version != 1 {
                return Err(format!(
                    "line {} of the journal is of an unknown version",
                    at + 1
                ));
            }
            was_here = is_here(&head);
            let records = records.get_or_insert_default();
            records.card_path = Some(head.card_path);
            records.card_volume_id = head.card_volume_id;
            records.listing_b3 = Some(head.listing_b3);
            records.destinations = head.destinations;
            is_damaged = false;
            continue;
        }
        let entry = serde_json::from_slice::<JournalLine>(line).ok();
        let Some(entry) = entry.filter(|_| !is_damaged) else {
            is_damaged = true;
            continue;
        };
        let Some(records) = records.as_mut() else {
            return Err("the journal has no head".to_owned());
        };
        match CardName::parse(&entry.path) {
            Err(why) => return Err(format!("line {} of the journal holds {why}", at + 1)),
            Ok(name) if name.parts().next() == Some(RECORDS) => {
                return Err(format!(
                    "line {} of the journal holds a path inside the records",
                    at + 1
                ));
            }
            Ok(_) => {}
        }
        records
            .card_files
            .insert(entry.path.clone(), (entry.bytes, entry.modified.clone()));
        if !was_here {
            continue;
        }
        let proven = ProvenEntry {
            bytes: entry.bytes,
            modified: entry.modified,
            blake3: entry.blake3,
            also: entry.also,
            way: entry.way,
            read_s: entry.read_s,
            readback_s: entry.readback_s,
        };
        records.proven.insert(entry.path, proven);
    }
    Ok(records)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(bytes: &[u8]) -> Result<Option<Records>, String> {
        super::read(bytes, &|_| true)
    }

    fn sample() -> Vec<u8> {
        let mut out = Vec::new();
        JournalHead {
            journal: JOURNAL_FORMAT.into(),
            version: 1,
            offload: "20261125-KITES".into(),
            started: "2026-11-25T09:00:00.000Z".into(),
            card_path: "/media/KITES".into(),
            card_volume_id: None,
            listing_b3: Digest::of(b"listing"),
            destinations: vec![],
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
        assert!(read(text.replace("DCIM/a", "../a").as_bytes()).is_err());
        assert!(read(text.replace("DCIM/a", "_unlade/a").as_bytes()).is_err());
        assert!(
            read(text.split_once('\n').unwrap().1.as_bytes()).is_err(),
            "no head"
        );
    }

    #[test]
    fn a_run_in_another_place_vouches_for_nothing_here() {
        let other = String::from_utf8(sample()).unwrap();
        let here = other.replace("KITES\"", "HERE\"").replace("b.JPG", "c.JPG");
        let both = format!("{other}{here}{other}");
        let records = super::read(both.as_bytes(), &|head| head.offload.ends_with("HERE"));
        let records = records.unwrap().unwrap();
        let mut proven: Vec<_> = records.proven.keys().collect();
        proven.sort();
        assert_eq!(proven, ["DCIM/a.JPG", "DCIM/c.JPG"]);
        assert_eq!(
            records.card_files.len(),
            3,
            "what the card held is known all the same"
        );
    }
}
