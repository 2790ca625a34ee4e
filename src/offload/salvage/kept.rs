//! Owns the bytes of a salvaged file that were read: the hash of each stretch, and the comparison
//! of what a drive gives back with it.

use crate::digest::Digest;
use crate::units::{len_usize, len64};

/// The stretches that were read, in any order.
#[derive(Debug, Default)]
pub(super) struct KeptStretches(Vec<(u64, u64, Digest)>);

impl KeptStretches {
    pub(super) fn add(&mut self, offset: u64, bytes: &[u8]) {
        self.0.push((offset, len64(bytes.len()), Digest::of(bytes)));
    }

    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Brings the stretches into the order of the file.
    pub(super) fn sort(&mut self) {
        self.0.sort_unstable_by_key(|(offset, ..)| *offset);
    }
}

/// The comparison of one drive's file, whose bytes come in order. Between the stretches it must
/// hold zeros.
#[derive(Debug)]
pub(super) struct Comparison<'a> {
    left: std::slice::Iter<'a, (u64, u64, Digest)>,
    current: Option<&'a (u64, u64, Digest)>,
    hasher: blake3::Hasher,
    at: u64,
    is_equal: bool,
}

impl<'a> Comparison<'a> {
    pub(super) fn new(kept: &'a KeptStretches) -> Self {
        let mut left = kept.0.iter();
        let current = left.next();
        Self {
            left,
            current,
            hasher: blake3::Hasher::new(),
            at: 0,
            is_equal: true,
        }
    }

    pub(super) fn take(&mut self, mut bytes: &[u8]) {
        while !bytes.is_empty() {
            let (until, is_hole) = match self.current {
                Some((offset, ..)) if self.at < *offset => (*offset, true),
                Some((offset, length, _)) => (offset + length, false),
                None => (u64::MAX, true),
            };
            let most = len_usize(until - self.at).min(bytes.len());
            let (piece, rest) = bytes.split_at(most);
            self.at += len64(piece.len());
            bytes = rest;
            if is_hole {
                self.is_equal &= piece.iter().all(|byte| *byte == 0);
                continue;
            }
            self.hasher.update(piece);
            if self.at == until {
                let hash = Digest::from(self.hasher.finalize());
                self.is_equal &= self.current.is_some_and(|kept| kept.2 == hash);
                self.hasher.reset();
                self.current = self.left.next();
            }
        }
    }

    /// Whether all `bytes` bytes of the file came by, and are as they were read.
    pub(super) fn is_equal(&self, bytes: u64) -> bool {
        self.is_equal && self.current.is_none() && self.at == bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_byte_counts_however_they_come() {
        let mut kept = KeptStretches::default();
        kept.add(20, b"tail");
        kept.add(4, b"kite");
        kept.sort();
        let whole = b"\0\0\0\0kite\0\0\0\0\0\0\0\0\0\0\0\0tail\0\0";
        let is_equal = |bytes: &[u8], piece: usize| {
            let mut comparison = Comparison::new(&kept);
            bytes.chunks(piece).for_each(|p| comparison.take(p));
            comparison.is_equal(len64(whole.len()))
        };
        for piece in 1..=whole.len() {
            assert!(is_equal(whole, piece), "{piece}");
            for at in 0..whole.len() {
                let mut other = *whole;
                other[at] ^= 1;
                assert!(!is_equal(&other, piece), "{piece} {at}");
            }
            assert!(!is_equal(&whole[..whole.len() - 1], piece));
        }
    }
}
