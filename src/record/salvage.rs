//! Owns the list that lies beside the readable part of a file with unreadable spots
//! (`copy --salvage`): what it is of, which spots are missing, and the hash of what is there. Such
//! a file is no copy, and no manifest lists it. Pure.

use crate::digest::Digest;
use crate::disk::ReadBackWay;
use crate::record::manifest::INTEGER_MAX;
use serde::{Deserialize, Serialize};

/// The format's name in every list.
const FORMAT: &str = "unlade-salvaged";
/// The version of the format.
const VERSION: u32 = 1;
/// The largest list that is read, in bytes.
pub const LIST_BYTES_MAX: u64 = 4 << 20;
/// Holes in one list; reading is given up long before there are so many.
const HOLES_MAX: usize = 20_000;
/// What stands before the ending of a salvaged file's name.
const MARK: &str = ".salvaged";
/// The ending of a list's name.
const LIST_ENDING: &str = ".json";

/// A spot that could not be read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hole {
    /// Where it begins, in bytes.
    pub offset: u64,
    /// How long it is, in bytes; the salvaged file has zeros there.
    pub bytes: u64,
    /// How often a read of it failed; 0 where the time was up before one was tried.
    pub tries: u32,
}

impl Hole {
    /// Returns where it ends.
    pub fn end(&self) -> u64 {
        self.offset.saturating_add(self.bytes)
    }
}

/// What is known of a salvaged file.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SalvageList {
    format: String,
    version: u32,
    /// The path of the file on the card.
    pub file: String,
    /// The name of the salvaged file, in the same folder.
    pub salvaged: String,
    /// The size of both.
    pub bytes: u64,
    /// Bytes that were read.
    pub read: u64,
    /// BLAKE3 of the salvaged file, with zeros in the holes.
    pub blake3: Digest,
    /// How it was read back from the drive.
    pub readback: String,
    /// When it was made, RFC 3339.
    pub made: String,
    /// The spots that are missing, in their order.
    pub holes: Vec<Hole>,
}

impl SalvageList {
    /// Makes the list of a salvaged file of `bytes` bytes.
    pub fn new(
        file: &str,
        bytes: u64,
        blake3: Digest,
        readback: ReadBackWay,
        made: String,
        holes: Vec<Hole>,
    ) -> Self {
        let name = file.rsplit('/').next().unwrap_or(file);
        let missing = holes.iter().map(|hole| hole.bytes).sum();
        Self {
            format: FORMAT.to_owned(),
            version: VERSION,
            file: file.to_owned(),
            salvaged: salvaged_name(name),
            bytes,
            read: bytes.saturating_sub(missing),
            blake3,
            readback: readback.id().to_owned(),
            made,
            holes,
        }
    }

    /// Returns it as it is stored.
    pub fn to_json(&self) -> Vec<u8> {
        let mut text = serde_json::to_vec_pretty(self).unwrap_or_default();
        text.push(b'\n');
        text
    }

    /// Reads the list at this path; `None` where it is none, or not of the file beside it.
    pub fn read(path: &str, text: &[u8]) -> Option<Self> {
        let list: Self = serde_json::from_slice(text).ok()?;
        let is_known = list.format == FORMAT && list.version == VERSION;
        let is_beside = path
            .rsplit('/')
            .next()
            .and_then(|name| name.strip_suffix(LIST_ENDING))
            .is_some_and(|name| name == list.salvaged);
        let of = list.file.rsplit('/').next().unwrap_or_default();
        let is_of = salvaged_name(of) == list.salvaged;
        let (mut end, mut missing) = (0_u64, 0_u64);
        let in_order = list.holes.iter().all(|hole| {
            let is_after = hole.offset >= end && hole.bytes > 0;
            end = hole.end();
            missing = missing.saturating_add(hole.bytes);
            is_after && end <= list.bytes
        });
        let is_counted =
            list.bytes <= INTEGER_MAX && list.read.checked_add(missing) == Some(list.bytes);
        let is_fit = list.holes.len() <= HOLES_MAX && in_order && is_counted;
        (is_known && is_beside && is_of && is_fit).then_some(list)
    }
}

/// Returns the name that the readable part of a file gets: `KITE0412.salvaged.JPG`.
pub fn salvaged_name(name: &str) -> String {
    match name.rsplit_once('.') {
        Some((stem, ending)) if !stem.is_empty() => format!("{stem}{MARK}.{ending}"),
        _ => format!("{name}{MARK}"),
    }
}

/// Returns the name of the list beside a salvaged file.
pub fn list_name(salvaged: &str) -> String {
    format!("{salvaged}{LIST_ENDING}")
}

/// Returns the path of the salvaged file that the list at this path is of, if it may be one.
pub fn salvaged_of(list: &str) -> Option<&str> {
    let path = list.strip_suffix(LIST_ENDING)?;
    let name = path.rsplit('/').next()?;
    let is_one = name.ends_with(MARK) || name.contains(".salvaged.");
    is_one.then_some(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list(holes: &[(u64, u64)]) -> SalvageList {
        let holes = holes.iter().map(|&(offset, bytes)| Hole {
            offset,
            bytes,
            tries: 4,
        });
        let (digest, way) = (Digest::of(b"kite"), ReadBackWay::Direct);
        let made = "2026-11-25T18:30:05Z".to_owned();
        SalvageList::new(
            "DCIM/KITE0412.JPG",
            10_000,
            digest,
            way,
            made,
            holes.collect(),
        )
    }

    #[test]
    fn names_stand_beside_the_file_and_lead_back() {
        for (name, salvaged) in [
            ("KITE0412.JPG", "KITE0412.salvaged.JPG"),
            ("KITE", "KITE.salvaged"),
            (".index", ".index.salvaged"),
            ("A.tar.gz", "A.tar.salvaged.gz"),
        ] {
            assert_eq!(salvaged_name(name), salvaged);
            let list = format!("DCIM/{}", list_name(salvaged));
            assert_eq!(salvaged_of(&list), Some(&*format!("DCIM/{salvaged}")));
        }
        assert_eq!(salvaged_of("DCIM/KITE0412.json"), None);
    }

    #[test]
    fn a_list_is_read_beside_its_file_only() {
        let good = list(&[(0, 4_096), (8_192, 1_808)]);
        assert_eq!(good.read, 10_000 - 5_904);
        let path = "a/DCIM/KITE0412.salvaged.JPG.json";
        assert_eq!(SalvageList::read(path, &good.to_json()), Some(good.clone()));
        let elsewhere = "a/DCIM/KITE0413.salvaged.JPG.json";
        assert_eq!(SalvageList::read(elsewhere, &good.to_json()), None);
        for bad in [&[(0, 0)][..], &[(9_000, 2_000)], &[(4_096, 9), (0, 4_096)]] {
            assert_eq!(
                SalvageList::read(path, &list(bad).to_json()),
                None,
                "{bad:?}"
            );
        }
        assert_eq!(SalvageList::read(path, b"{}"), None);
        let mut other = good.clone();
        other.read += 1;
        assert_eq!(SalvageList::read(path, &other.to_json()), None);
        // An end that no number holds.
        let mut far = list(&[(u64::MAX - 8, 9)]);
        (far.bytes, far.read) = (u64::MAX, u64::MAX - 9);
        assert_eq!(SalvageList::read(path, &far.to_json()), None);
    }
}
