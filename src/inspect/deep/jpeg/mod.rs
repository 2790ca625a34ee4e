//! Owns the reading of every code of a JPEG's picture (ITU-T T.81), without making the picture: a
//! scan must hold just as many codes as its blocks need, and then a marker. Decoders that are made
//! to show what they can don't tell of it: `zune-jpeg` 0.5.15, told to be strict, finds nothing in
//! most pictures that have 512 zeros in their midst, and `jpeg-decoder` is no longer worked on.

mod bits;
mod block;
mod fault;
mod frame;

use super::decoding::{Decoding, NotDecoded};
use crate::inspect::hint::Clue;
use crate::units::len64;
use bits::{Bits, Codes};
use block::{Band, Tables};
use fault::JpegFault;
use frame::Frame;

/// Blocks that all scans together may have; a picture of 100 million pixels in ten scans has 50
/// million.
const VISITS_MAX: u64 = 400_000_000;
/// Segments of a picture that are read; cameras write a few dozen.
const SEGMENTS_MAX: u32 = 20_000;

/// Reads all of a JPEG.
pub(super) fn decode(bytes: &[u8]) -> Decoding {
    let (at, why) = match JpegWalk::new(bytes).run() {
        Ok(()) => return Decoding::Whole,
        Err(JpegFault::Not(why)) => return Decoding::Not(why),
        Err(JpegFault::Ends(at)) => (at, "the picture's bits end too early"),
        Err(JpegFault::NoCode(at)) => (at, "no code of the picture is there"),
        Err(JpegFault::NoTable(at)) => (at, "a table is missing"),
        Err(JpegFault::LeftOver(at)) => (at, "more bits follow where the picture ends"),
        Err(JpegFault::Restart(at)) => (at, "parts of the picture are missing"),
        Err(JpegFault::Header(at)) => (at, "a header can't be read"),
        Err(JpegFault::NoScan) => (bytes.len(), "some of its colours are missing"),
    };
    Decoding::Broken(Clue::Undecodable {
        at: Some(len64(at)),
        why: why.to_owned(),
    })
}

/// A scan as its header tells it.
struct Scan {
    /// Each colour with the numbers of its two tables.
    of: Vec<(usize, usize, usize)>,
    band: Band,
}

/// How far the reading is.
struct JpegWalk<'a> {
    bytes: &'a [u8],
    at: usize,
    dc: [Option<Codes>; 4],
    ac: [Option<Codes>; 4],
    frame: Option<Frame>,
    /// Units between two restart markers; 0 where there are none.
    interval: usize,
    visits: u64,
}

impl<'a> JpegWalk<'a> {
    fn new(bytes: &'a [u8]) -> Self {
        Self {
            bytes,
            at: 2,
            dc: [const { None }; 4],
            ac: [const { None }; 4],
            frame: None,
            interval: 0,
            visits: 0,
        }
    }

    fn run(mut self) -> Result<(), JpegFault> {
        for _ in 0..SEGMENTS_MAX {
            let marker = self.marker()?;
            match marker {
                0xd9 => {
                    let components = self.frame.iter().flat_map(|f| &f.components);
                    let mut seen = components.map(|c| c.is_seen).peekable();
                    let is_whole = seen.peek().is_some() && seen.all(|seen| seen);
                    return is_whole.then_some(()).ok_or(JpegFault::NoScan);
                }
                // Markers without a length: one left behind a scan, and one of arithmetic coding.
                0xd0..=0xd7 | 0x01 => continue,
                _ => {}
            }
            let begins = self.at;
            let content = self.segment()?;
            match marker {
                0xc0..=0xc2 if self.frame.is_none() => {
                    self.frame = Some(Frame::read(content, marker == 0xc2, begins)?);
                }
                0xc4 => self.tables(content, begins)?,
                // Without loss, hierarchical, or coded arithmetically: no camera's form.
                0xc3 | 0xc5..=0xcf => return Err(JpegFault::Not(NotDecoded::Form)),
                0xc0..=0xc2 | 0xd8 => return Err(JpegFault::Header(begins)),
                0xdd => {
                    let pair = content
                        .try_into()
                        .map_err(|_wrong| JpegFault::Header(begins))?;
                    self.interval = usize::from(u16::from_be_bytes(pair));
                }
                0xda => {
                    let scan = self.scan_header(content, begins)?;
                    self.scan(&scan)?;
                }
                _ => {}
            }
        }
        Err(JpegFault::Not(NotDecoded::TooLarge))
    }

    /// Goes behind the next marker and returns it.
    fn marker(&mut self) -> Result<u8, JpegFault> {
        let here = JpegFault::Header(self.at);
        if self.bytes.get(self.at) != Some(&0xff) {
            return Err(if self.at < self.bytes.len() {
                here
            } else {
                JpegFault::Ends(self.at)
            });
        }
        while self.bytes.get(self.at) == Some(&0xff) {
            self.at += 1;
        }
        let marker = *self.bytes.get(self.at).ok_or(JpegFault::Ends(self.at))?;
        self.at += 1;
        if marker == 0 { Err(here) } else { Ok(marker) }
    }

    /// Goes behind a segment and returns its content.
    fn segment(&mut self) -> Result<&'a [u8], JpegFault> {
        let here = JpegFault::Header(self.at);
        let length = self.bytes.get(self.at..self.at + 2);
        let length = length.and_then(|pair| pair.try_into().ok());
        let length = usize::from(u16::from_be_bytes(length.ok_or(JpegFault::Ends(self.at))?));
        let content = self.at + 2..self.at + length;
        if length < 2 {
            return Err(here);
        }
        self.at = content.end;
        self.bytes.get(content).ok_or(JpegFault::Ends(self.at))
    }

    fn tables(&mut self, mut content: &[u8], at: usize) -> Result<(), JpegFault> {
        while let Some((&of, rest)) = content.split_first() {
            let (codes, length) = Codes::read(rest).ok_or(JpegFault::Header(at))?;
            let tables = match of >> 4 {
                0 => &mut self.dc,
                1 => &mut self.ac,
                _ => return Err(JpegFault::Header(at)),
            };
            let table = tables.get_mut(usize::from(of & 15));
            *table.ok_or(JpegFault::Header(at))? = Some(codes);
            content = rest.get(length..).unwrap_or_default();
        }
        Ok(())
    }

    fn scan_header(&self, content: &[u8], at: usize) -> Result<Scan, JpegFault> {
        let broken = JpegFault::Header(at);
        let frame = self.frame.as_ref().ok_or(broken)?;
        let count = usize::from(*content.first().ok_or(broken)?);
        let told = content.get(1..1 + 2 * count).ok_or(broken)?;
        let rest = content.get(1 + 2 * count..).unwrap_or_default();
        let &[from, to, bits] = rest else {
            return Err(broken);
        };
        let of: Option<Vec<(usize, usize, usize)>> = told
            .chunks_exact(2)
            .map(|c| {
                let place = frame.components.iter().position(|known| known.id == c[0]);
                Some((place?, usize::from(c[1] >> 4), usize::from(c[1] & 15)))
            })
            .collect();
        let of = of.filter(|of| !of.is_empty()).ok_or(broken)?;
        let band = if frame.is_progressive {
            let is_fit = from <= to && to < 64 && (from > 0) == (to > 0);
            if !is_fit || (from > 0 && of.len() > 1) {
                return Err(broken);
            }
            Band {
                from,
                to,
                refines: bits >> 4 != 0,
                is_progressive: true,
            }
        } else {
            Band {
                from: 0,
                to: 63,
                refines: false,
                is_progressive: false,
            }
        };
        Ok(Scan { of, band })
    }

    /// Reads the bits of a scan, up to the marker behind it.
    fn scan(&mut self, scan: &Scan) -> Result<(), JpegFault> {
        let frame = self.frame.as_mut().ok_or(JpegFault::Header(self.at))?;
        let alone = match scan.of.as_slice() {
            [(one, ..)] => frame.components.get(*one),
            _ => None,
        };
        let (wide, high) = match alone {
            Some(component) => (component.wide, component.high),
            None => (frame.units_wide, frame.units_high),
        };
        let is_alone = alone.is_some();
        self.visits += len64(wide * high * scan.of.len());
        if self.visits > VISITS_MAX {
            return Err(JpegFault::Not(NotDecoded::TooLarge));
        }
        let mut bits = Bits::new(self.bytes, self.at);
        let (mut run, mut since, mut next) = (0, 0, 0xd0);
        for unit in 0..wide * high {
            if self.interval > 0 && since == self.interval {
                let at = bits.marker()?;
                if run > 0 || self.bytes.get(at + 1) != Some(&next) {
                    return Err(JpegFault::Restart(at));
                }
                bits = Bits::new(self.bytes, at + 2);
                next = if next == 0xd7 { 0xd0 } else { next + 1 };
                since = 0;
            }
            since += 1;
            let (x, y) = (unit % wide, unit / wide);
            for &(place, dc, ac) in &scan.of {
                let tables = Tables {
                    dc: self.dc.get(dc).and_then(Option::as_ref),
                    ac: self.ac.get(ac).and_then(Option::as_ref),
                };
                let component = frame.components.get_mut(place);
                let component = component.ok_or(JpegFault::Header(self.at))?;
                let (across, down) = if is_alone {
                    (1, 1)
                } else {
                    (component.across, component.down)
                };
                for block in 0..across * down {
                    let row = y * down + block / across;
                    let at = row * component.row + x * across + block % across;
                    let mut none = 0;
                    let known = component.known.get_mut(at).unwrap_or(&mut none);
                    block::read(&mut bits, scan.band, tables, known, &mut run)?;
                }
            }
        }
        self.at = bits.marker()?;
        if run > 0 {
            return Err(JpegFault::Restart(self.at));
        }
        for (place, ..) in &scan.of {
            if let Some(component) = frame.components.get_mut(*place) {
                component.is_seen = true;
            }
        }
        Ok(())
    }
}
