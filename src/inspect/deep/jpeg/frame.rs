//! Owns the sizes of a JPEG's picture (ITU-T T.81, B.2.2 and A.1 to A.2): how many blocks a scan
//! must hold.

use super::fault::JpegFault;
use crate::inspect::deep::decoding::NotDecoded;

/// Blocks of eight by eight that a picture may have: 340 million pixels in full colour.
const BLOCKS_MAX: usize = 16 << 20;

/// One colour of the picture.
#[derive(Debug)]
pub(super) struct Colour {
    pub(super) id: u8,
    /// Blocks of one unit of an interleaved scan, across and down.
    pub(super) across: usize,
    pub(super) down: usize,
    /// Blocks of a scan of this colour alone.
    pub(super) wide: usize,
    pub(super) high: usize,
    /// Blocks in a row of all units.
    pub(super) row: usize,
    /// Of a progressive picture: which values of each block are not zero by now.
    pub(super) known: Vec<u64>,
    /// Whether a scan had it.
    pub(super) is_seen: bool,
}

/// The picture.
#[derive(Debug)]
pub(super) struct Frame {
    pub(super) is_progressive: bool,
    pub(super) components: Vec<Colour>,
    /// Units of an interleaved scan.
    pub(super) units_wide: usize,
    pub(super) units_high: usize,
}

impl Frame {
    /// Reads the content of a frame's header.
    pub(super) fn read(content: &[u8], is_progressive: bool, at: usize) -> Result<Self, JpegFault> {
        let broken = || JpegFault::Header(at);
        let two = |at: usize| {
            let pair = content.get(at..at + 2)?;
            Some(usize::from(u16::from_be_bytes(pair.try_into().ok()?)))
        };
        let (high, wide) = (two(1).ok_or_else(broken)?, two(3).ok_or_else(broken)?);
        let count = usize::from(*content.get(5).ok_or_else(broken)?);
        let told = content.get(6..6 + 3 * count).ok_or_else(broken)?;
        if high == 0 {
            // Its height is told behind the first scan; no camera does so.
            return Err(JpegFault::Not(NotDecoded::Form));
        }
        if wide == 0 || !(1..=4).contains(&count) {
            return Err(broken());
        }
        let factors: Vec<(u8, usize, usize)> = told
            .chunks_exact(3)
            .map(|c| (c[0], usize::from(c[1] >> 4), usize::from(c[1] & 15)))
            .collect();
        let is_fit = |factor: usize| (1..=4).contains(&factor);
        if !factors.iter().all(|&(_, h, v)| is_fit(h) && is_fit(v)) {
            return Err(broken());
        }
        let most_across = factors.iter().map(|f| f.1).max().unwrap_or(1);
        let most_down = factors.iter().map(|f| f.2).max().unwrap_or(1);
        let units_wide = wide.div_ceil(8 * most_across);
        let units_high = high.div_ceil(8 * most_down);
        let blocks: usize = factors
            .iter()
            .map(|(_, h, v)| units_wide * h * units_high * v)
            .sum();
        if blocks > BLOCKS_MAX {
            return Err(JpegFault::Not(NotDecoded::TooLarge));
        }
        let components = factors.into_iter().map(|(id, across, down)| Colour {
            id,
            across,
            down,
            wide: (wide * across).div_ceil(most_across).div_ceil(8),
            high: (high * down).div_ceil(most_down).div_ceil(8),
            row: units_wide * across,
            known: if is_progressive {
                vec![0; units_wide * across * units_high * down]
            } else {
                Vec::new()
            },
            is_seen: false,
        });
        Ok(Self {
            is_progressive,
            components: components.collect(),
            units_wide,
            units_high,
        })
    }
}
