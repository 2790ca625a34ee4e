//! Owns the order in which a file with unreadable spots is read: large blocks first, and what is
//! next to a bad spot last, in small ones. Pure but for the read itself, which the caller does.

use crate::record::salvage::Hole;

/// The block of each pass, in bytes. A block that can't be read is tried again in the next one; the
/// last is that of a page of memory, in which systems read.
const PASSES: [u64; 4] = [LARGEST, 64 << 10, 4 << 10, 4 << 10];
/// The largest block.
pub(super) const LARGEST: u64 = 1 << 20;
/// The first pass leaps over at most so much where spots are bad one after the other: elsewhere is
/// more to be had, and the card may not live long.
const LEAP_MAX: u64 = 64 << 20;

/// What came of a read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum BlockRead {
    /// So many bytes are there, one at least.
    Good(u64),
    /// It can't be read.
    Bad,
    /// Nothing more is to be read: the time is up, or nobody wants it any more.
    Enough,
}

/// Reads a file of `size` bytes as far as that goes, and returns what is missing. `read` gets the
/// offset and length of each block.
pub(super) fn read_around(size: u64, read: &mut dyn FnMut(u64, u64) -> BlockRead) -> Vec<Hole> {
    let mut holes = vec![Hole {
        offset: 0,
        bytes: size,
        tries: 0,
    }];
    holes.retain(|hole| hole.bytes > 0);
    let mut is_over = false;
    for (pass, block) in PASSES.into_iter().enumerate() {
        let mut missing = Missing(Vec::new());
        for hole in std::mem::take(&mut holes) {
            let (mut at, mut leap) = (hole.offset, 0);
            while at < hole.end() {
                let rest = hole.end() - at;
                let length = (block - at % block).min(rest);
                let result = if is_over {
                    BlockRead::Enough
                } else {
                    read(at, length)
                };
                match result {
                    BlockRead::Good(bytes) => {
                        at += bytes.clamp(1, length);
                        leap = 0;
                    }
                    BlockRead::Bad => {
                        missing.add(at, length, hole.tries + 1);
                        at += length;
                        if pass == 0 {
                            leap = (leap * 2).clamp(block, LEAP_MAX);
                            let over = leap.min(hole.end() - at);
                            missing.add(at, over, hole.tries);
                            at += over;
                        }
                    }
                    BlockRead::Enough => {
                        is_over = true;
                        missing.add(at, rest, hole.tries);
                        at = hole.end();
                    }
                }
            }
        }
        holes = missing.0;
    }
    holes
}

/// What is missing so far, in order.
struct Missing(Vec<Hole>);

impl Missing {
    fn add(&mut self, offset: u64, bytes: u64, tries: u32) {
        if bytes == 0 {
            return;
        }
        match self.0.last_mut() {
            Some(last) if last.end() == offset && last.tries == tries => last.bytes += bytes,
            _ => self.0.push(Hole {
                offset,
                bytes,
                tries,
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reads around bad bytes; returns the holes, and the reads that were made.
    fn around(size: u64, bad: &[u64], most: usize) -> (Vec<Hole>, Vec<(u64, u64)>) {
        let mut reads = Vec::new();
        let holes = read_around(size, &mut |at, length| {
            if reads.len() == most {
                return BlockRead::Enough;
            }
            reads.push((at, length));
            if bad.iter().any(|b| (at..at + length).contains(b)) {
                BlockRead::Bad
            } else {
                BlockRead::Good(length)
            }
        });
        (holes, reads)
    }

    #[test]
    fn all_but_the_bad_pages_is_read() {
        let size = (5 << 20) + 123;
        assert!(around(size, &[], 999).0.is_empty());
        assert!(around(0, &[], 999).0.is_empty());
        let (holes, reads) = around(size, &[1_500_000, size - 1], 9_999);
        let at = 1_500_000 / 4_096 * 4_096;
        let end = size / 4_096 * 4_096;
        let told: Vec<_> = holes.iter().map(|h| (h.offset, h.bytes, h.tries)).collect();
        assert_eq!(told, [(at, 4_096, 4), (end, size - end, 4)]);
        // What is good far from a bad spot comes before anything near one is tried again.
        let far = reads.iter().position(|r| r.0 == 4 << 20).unwrap();
        let near = reads.iter().position(|r| r.1 == 64 << 10).unwrap();
        assert!(far < near, "{reads:?}");
        // No page is read once it is there.
        let pages = |r: &(u64, u64)| r.0 / 4_096..(r.0 + r.1).div_ceil(4_096);
        let good = reads.iter().filter(|r| !pages(r).contains(&(at / 4_096)));
        let good: Vec<u64> = good.filter(|r| r.0 + r.1 < size).flat_map(pages).collect();
        let once: std::collections::BTreeSet<_> = good.iter().collect();
        assert_eq!(good.len(), once.len());
    }

    #[test]
    fn what_nobody_had_time_for_is_a_hole_without_a_try() {
        let size = 10 << 20;
        let (holes, _) = around(size, &[], 3);
        let told: Vec<_> = holes.iter().map(|h| (h.offset, h.bytes, h.tries)).collect();
        assert_eq!(told, [(3 << 20, 7 << 20, 0)]);
    }

    #[test]
    fn a_file_that_is_bad_all_over_is_leapt_over_first() {
        let all: Vec<u64> = (0..1_000).map(|n| n << 20).collect();
        let mut tried = 0_u32;
        let holes = read_around(1_000 << 20, &mut |at, length| {
            tried += u32::from(length == LARGEST);
            if all.contains(&at) || length > 4_096 {
                BlockRead::Bad
            } else {
                BlockRead::Good(length)
            }
        });
        assert_eq!(holes.len(), 1_000);
        assert!(tried < 30, "{tried}");
    }
}
