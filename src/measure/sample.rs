//! Owns which parts of a card are read for a measurement, and in which order. Pure.

use crate::card::listing::{FileRow, Listing};
use crate::name::CardName;
use std::ops::Range;

/// Bytes of one window on the card: long enough that moving to the next hardly counts, short enough
/// that a sample of seconds visits many places.
const WINDOW_BYTES: u64 = 64 << 20;
/// Files are cut between windows at multiples of this, as reads past the memory need it.
const CUT_BYTES: u64 = 1 << 20;

/// A part of a file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Piece<'a> {
    /// The file's number among the card's files.
    pub(super) index: usize,
    /// The file.
    pub(super) name: &'a CardName,
    /// First byte, a multiple of 1 MiB.
    pub(super) start: u64,
    /// One past the last byte.
    pub(super) end: u64,
}

/// The card's bytes, all files behind one another, cut into windows and these put in an order that
/// spreads any beginning of it evenly over the card: the binary digits of the order are those of
/// the place, read backwards (the sequence of van der Corput, 1935). Within a window the files come
/// one after the other, so that small and large ones weigh as they do on the card.
#[derive(Debug)]
pub(super) struct Sample<'a> {
    files: Vec<FileRow<'a>>,
    /// Bytes on the card before each file.
    before: Vec<u64>,
    windows: u64,
    /// Windows that were put in order so far.
    turn: u64,
    /// Files of the window that is being handed out, and its bytes.
    files_left: Range<usize>,
    window: Range<u64>,
}

impl<'a> Sample<'a> {
    pub(super) fn of(listing: &'a Listing) -> Self {
        let files: Vec<FileRow<'a>> = listing.files().filter(|f| f.bytes > 0).collect();
        let mut total = 0_u64;
        let before = files
            .iter()
            .map(|f| {
                let at = total;
                total = total.saturating_add(f.bytes);
                at
            })
            .collect();
        Self {
            files,
            before,
            windows: total.div_ceil(WINDOW_BYTES),
            turn: 0,
            files_left: 0..0,
            window: 0..0,
        }
    }

    /// Goes to the next window; `false` when there is none.
    fn advance(&mut self) -> bool {
        let digits = self.windows.max(2).next_power_of_two().trailing_zeros();
        while self.turn >> digits == 0 {
            let window = self.turn.reverse_bits() >> (u64::BITS - digits);
            self.turn += 1;
            if window < self.windows {
                let start = window * WINDOW_BYTES;
                self.window = start..start.saturating_add(WINDOW_BYTES);
                let first = self.before.partition_point(|b| *b <= self.window.start);
                let end = self.before.partition_point(|b| *b < self.window.end);
                self.files_left = first.saturating_sub(1)..end;
                return true;
            }
        }
        false
    }

    /// Returns what of a file lies in the window.
    fn piece(&self, index: usize) -> Option<Piece<'a>> {
        let file = self.files.get(index)?;
        let before = *self.before.get(index)?;
        // Both windows that share a file cut it at the same place.
        let cut = |at: u64| match at.checked_sub(before) {
            None => 0,
            Some(inside) if inside >= file.bytes => file.bytes,
            Some(inside) => inside - inside % CUT_BYTES,
        };
        let (start, end) = (cut(self.window.start), cut(self.window.end));
        (start < end).then_some(Piece {
            index,
            name: file.name,
            start,
            end,
        })
    }
}

impl<'a> Iterator for Sample<'a> {
    type Item = Piece<'a>;

    fn next(&mut self) -> Option<Piece<'a>> {
        loop {
            while let Some(index) = self.files_left.next() {
                if let Some(piece) = self.piece(index) {
                    return Some(piece);
                }
            }
            if !self.advance() {
                return None;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::listing::{Row, RowKind};
    use crate::disk::{Sight, Stamp};

    fn listing(sizes: &[u64]) -> Listing {
        let row = |(n, bytes): (usize, &u64)| {
            let path = format!("DCIM/{n:06}");
            Row {
                raw: path.as_bytes().into(),
                kind: RowKind::File {
                    name: CardName::parse(&path).unwrap(),
                    bytes: *bytes,
                    modified: Stamp {
                        seconds: 1,
                        nanos: 0,
                    },
                    sight: Sight::default(),
                },
            }
        };
        Listing::new(sizes.iter().enumerate().map(row).collect())
    }

    #[test]
    fn windows_come_in_the_published_order() {
        // van der Corput, "Verteilungsfunktionen", 1935, base 2, in eighths: 0, 4, 2, 6, 1, 5, 3,
        // 7.
        let listing = listing(&[8 * WINDOW_BYTES]);
        let order: Vec<u64> = Sample::of(&listing)
            .map(|p| p.start / WINDOW_BYTES)
            .collect();
        assert_eq!(order, [0, 4, 2, 6, 1, 5, 3, 7]);
    }

    #[test]
    fn every_byte_is_handed_out_once() {
        for sizes in [
            vec![],
            vec![0, 0],
            vec![1],
            vec![WINDOW_BYTES],
            vec![WINDOW_BYTES + 1, 0, 3, 7 * WINDOW_BYTES - 5],
            vec![WINDOW_BYTES - 1, 3, 2 * WINDOW_BYTES],
            vec![1; 700],
            vec![CUT_BYTES + 1; 200],
            [vec![9; 50], vec![40 * WINDOW_BYTES + 77], vec![5; 50]].concat(),
        ] {
            let listing = listing(&sizes);
            let mut pieces: Vec<(usize, u64, u64)> = Sample::of(&listing)
                .map(|p| {
                    let n = p.name.as_str()[5..].parse().unwrap();
                    assert_eq!(p.start % CUT_BYTES, 0);
                    (n, p.start, p.end)
                })
                .collect();
            pieces.sort_unstable();
            let mut next = vec![0_u64; sizes.len()];
            for (n, start, end) in pieces {
                assert_eq!(next[n], start, "a hole or an overlap in file {n}");
                assert!(start < end);
                next[n] = end;
            }
            assert_eq!(next, sizes);
        }
    }

    #[test]
    fn a_beginning_weighs_small_and_large_files_as_the_card_does() {
        let mut sizes = vec![8_000_000_u64; 1_000];
        sizes.push(8_000_000_000);
        let listing = listing(&sizes);
        let (mut small, mut large) = (0_u64, 0_u64);
        for piece in Sample::of(&listing) {
            if small + large > 1_600_000_000 {
                break;
            }
            if piece.index < 1_000 {
                small += piece.end - piece.start;
            } else {
                large += piece.end - piece.start;
            }
        }
        assert!(small.abs_diff(large) < 2 * WINDOW_BYTES, "{small} {large}");
    }
}
