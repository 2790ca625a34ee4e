//! Owns whether a card holds all files of another one, as the card in a camera's other slot does:
//! by paths, sizes and dates. An order rests on it, and no verdict. Pure.

use crate::card::listing::{FileRow, Listing};
use crate::digest::Digest;

/// Seconds that the dates of one file may be apart on two cards: FAT keeps two, and a camera closes
/// the one after the other. Our choice, not measured.
const DATES_APART_MAX_S: u64 = 10;

/// Which files a card holds, in 16 bytes each.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct CardFiles {
    /// A hash of path and size, and the date in seconds since 1970; sorted.
    marks: Vec<(u64, i64)>,
    /// What else is on the card is not known.
    is_part: bool,
}

impl CardFiles {
    /// Takes them from a listing.
    pub fn of(listing: &Listing) -> Self {
        let mut marks: Vec<(u64, i64)> = listing.files().map(mark).collect();
        marks.sort_unstable();
        Self {
            marks,
            is_part: listing.has_unlisted(),
        }
    }

    /// Returns whether the other card holds each of these files. Of a card without files, or one
    /// that could not be listed whole, it says no.
    pub fn are_all_on(&self, other: &Self) -> bool {
        let mut theirs = other.marks.as_slice();
        let mut is_there = |(mark, date): &(u64, i64)| {
            while let [(first, _), rest @ ..] = theirs
                && first < mark
            {
                theirs = rest;
            }
            let found = theirs.first().filter(|(first, _)| first == mark);
            found.is_some_and(|(_, theirs)| theirs.abs_diff(*date) <= DATES_APART_MAX_S)
        };
        !self.is_part && !self.marks.is_empty() && self.marks.iter().all(&mut is_there)
    }
}

fn mark(file: FileRow<'_>) -> (u64, i64) {
    let text = format!("{} {}", file.bytes, file.name.as_str());
    (Digest::of(text.as_bytes()).short(), file.modified.seconds)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::listing::{EntryTrouble, Row, RowKind};
    use crate::disk::{Sight, Stamp};
    use crate::name::CardName;

    fn rows(files: &[(&str, u64, i64)]) -> Vec<Row> {
        let row = |(path, bytes, seconds): &(&str, u64, i64)| {
            let kind = RowKind::File {
                name: CardName::parse(path).unwrap(),
                bytes: *bytes,
                modified: Stamp {
                    seconds: *seconds,
                    nanos: 0,
                },
                sight: Sight::default(),
            };
            Row::new(path.as_bytes().to_vec(), kind)
        };
        files.iter().map(row).collect()
    }

    fn files(files: &[(&str, u64, i64)]) -> CardFiles {
        CardFiles::of(&Listing::new(rows(files)))
    }

    #[test]
    fn the_other_slot_holds_the_same_names_sizes_and_dates() {
        let slot_1 = files(&[("DCIM/A.CR3", 40, 1_000), ("DCIM/B.CR3", 41, 1_100)]);
        let slot_2 = files(&[("DCIM/A.CR3", 40, 1_002), ("DCIM/B.CR3", 41, 1_099)]);
        assert!(slot_1.are_all_on(&slot_2) && slot_2.are_all_on(&slot_1));
        // It went on when the other slot was full.
        let more = files(&[
            ("DCIM/A.CR3", 40, 1_000),
            ("DCIM/B.CR3", 41, 1_100),
            ("DCIM/C.CR3", 42, 1_200),
        ]);
        assert!(slot_1.are_all_on(&more) && !more.are_all_on(&slot_1));
        // Two cameras that count alike and make raws of one size, at another time.
        let twin = files(&[("DCIM/A.CR3", 40, 1_000), ("DCIM/B.CR3", 41, 1_111)]);
        assert!(!slot_1.are_all_on(&twin) && !twin.are_all_on(&slot_1));
        let sizes = files(&[("DCIM/A.CR3", 40, 1_000), ("DCIM/B.CR3", 42, 1_100)]);
        assert!(!slot_1.are_all_on(&sizes));
    }

    #[test]
    fn nothing_and_what_is_not_known_is_on_no_other_card() {
        let (none, some) = (files(&[]), files(&[("A", 1, 1)]));
        assert!(!none.are_all_on(&some) && !some.are_all_on(&none));
        let mut rows = rows(&[("A", 1, 1)]);
        let why = EntryTrouble::Unlisted("input/output error".into(), None);
        rows.push(Row::new(b"DCIM".to_vec(), RowKind::Trouble { why }));
        let part = CardFiles::of(&Listing::new(rows));
        assert!(!part.are_all_on(&some), "there is more on it");
        assert!(some.are_all_on(&part));
    }
}
