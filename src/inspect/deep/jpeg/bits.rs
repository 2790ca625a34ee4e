//! Owns the bits of a JPEG's scan (ITU-T T.81, F.2.2.5) and the codes that they are read by (annex
//! C). They end where a marker begins.

use super::fault::JpegFault;

/// Codes up to so many bits are looked up at once.
const FAST_BITS: u32 = 9;
/// The longest code.
const CODE_BITS: usize = 16;

/// One table of Huffman codes.
#[derive(Debug)]
pub(super) struct Codes {
    /// By the next [`FAST_BITS`] bits: length times 256 and symbol; 0 for longer codes.
    fast: Box<[u16]>,
    /// By length: the first code, how many there are, and where their symbols begin.
    by_length: [(u32, u32, usize); CODE_BITS + 1],
    symbols: Vec<u8>,
}

impl Codes {
    /// Reads a table at the beginning of `bytes`; returns it and its length, `None` where it is
    /// none.
    pub(super) fn read(bytes: &[u8]) -> Option<(Self, usize)> {
        let counts = bytes.get(..CODE_BITS)?;
        let all: usize = counts.iter().map(|&n| usize::from(n)).sum();
        let symbols = bytes.get(CODE_BITS..CODE_BITS + all)?.to_vec();
        let mut codes = Self {
            fast: vec![0; 1 << FAST_BITS].into(),
            by_length: [(0, 0, 0); CODE_BITS + 1],
            symbols,
        };
        let (mut code, mut at) = (0_u32, 0);
        for (length, &count) in (1_u32..).zip(counts) {
            let place = codes.by_length.get_mut(usize::try_from(length).ok()?)?;
            *place = (code, u32::from(count), at);
            for _ in 0..count {
                let symbol = *codes.symbols.get(at)?;
                if code >> length != 0 {
                    return None;
                }
                if length <= FAST_BITS {
                    let open = FAST_BITS - length;
                    let from = usize::try_from(code << open).ok()?;
                    let entry = u16::try_from(length).ok()? << 8 | u16::from(symbol);
                    codes.fast.get_mut(from..from + (1 << open))?.fill(entry);
                }
                code += 1;
                at += 1;
            }
            code <<= 1;
        }
        Some((codes, CODE_BITS + all))
    }
}

/// The bits of one stretch between two markers.
#[derive(Debug)]
pub(super) struct Bits<'a> {
    bytes: &'a [u8],
    at: usize,
    /// The lowest `count` bits are those that were read and not taken.
    held: u64,
    count: u32,
}

impl<'a> Bits<'a> {
    pub(super) fn new(bytes: &'a [u8], at: usize) -> Self {
        Self {
            bytes,
            at,
            held: 0,
            count: 0,
        }
    }

    /// Where in the file this is, to a few bytes.
    pub(super) fn at(&self) -> usize {
        self.at
    }

    fn fill(&mut self) {
        while self.count <= 48 {
            let Some(&byte) = self.bytes.get(self.at) else {
                return;
            };
            match (byte, self.bytes.get(self.at + 1)) {
                // A zero after it says that it is no marker.
                (0xff, Some(0)) => self.at += 2,
                (0xff, _) => return,
                _ => self.at += 1,
            }
            self.held = self.held << 8 | u64::from(byte);
            self.count += 8;
        }
    }

    /// Takes at most 16 bits.
    pub(super) fn take(&mut self, bits: u8) -> Result<u32, JpegFault> {
        let bits = u32::from(bits);
        if self.count < bits {
            self.fill();
        }
        let left = self
            .count
            .checked_sub(bits)
            .ok_or(JpegFault::Ends(self.at))?;
        self.count = left;
        let taken = self.held >> left & ((1 << bits) - 1);
        Ok(u32::try_from(taken).unwrap_or_default())
    }

    /// Takes one code.
    pub(super) fn symbol(&mut self, codes: &Codes) -> Result<u8, JpegFault> {
        if self.count < 16 {
            self.fill();
        }
        // At the end there are fewer; a code that needs more than there are is none.
        let next = match self.count.checked_sub(16) {
            Some(behind) => self.held >> behind,
            None => self.held << (16 - self.count),
        };
        let next = u32::try_from(next & 0xffff).unwrap_or_default();
        let fast = usize::try_from(next >> (16 - FAST_BITS)).unwrap_or_default();
        let (length, symbol) = match codes.fast.get(fast).copied().unwrap_or_default() {
            0 => self.long_symbol(codes, next)?,
            entry => (u32::from(entry >> 8), entry.to_be_bytes()[1]),
        };
        self.count = self
            .count
            .checked_sub(length)
            .ok_or(JpegFault::Ends(self.at))?;
        Ok(symbol)
    }

    fn long_symbol(&self, codes: &Codes, next: u32) -> Result<(u32, u8), JpegFault> {
        for (length, (first, count, at)) in (0_u32..).zip(codes.by_length).skip(10) {
            let code = next >> (16 - length);
            if let Some(offset) = code.checked_sub(first).filter(|offset| *offset < count) {
                let place = at + usize::try_from(offset).unwrap_or(usize::MAX);
                let symbol = codes.symbols.get(place).copied();
                return Ok((length, symbol.unwrap_or_default()));
            }
        }
        // Where the bits end, zeros were put behind them.
        Err(if self.count < 16 {
            JpegFault::Ends(self.at)
        } else {
            JpegFault::NoCode(self.at)
        })
    }

    /// Ends the stretch: returns where its marker begins. Fewer than eight bits are left in front
    /// of it, or nothing but zeros, which some encoders fill with.
    pub(super) fn marker(&mut self) -> Result<usize, JpegFault> {
        let mut is_clean = self.held & ((1 << (self.count & !7)) - 1) == 0;
        let from = self.at;
        loop {
            match (self.bytes.get(self.at), self.bytes.get(self.at + 1)) {
                (Some(0xff), Some(0)) => is_clean = false,
                // Any number of them may stand before a marker.
                (Some(0xff), Some(0xff)) => {}
                (Some(0xff), Some(_)) if is_clean => return Ok(self.at),
                (Some(0xff), Some(_)) => return Err(JpegFault::LeftOver(from)),
                (Some(byte), _) => is_clean &= *byte == 0,
                (None, _) => return Err(JpegFault::Ends(self.at)),
            }
            self.at += 1;
        }
    }
}
