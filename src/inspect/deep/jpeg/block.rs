//! Owns how the bits of one block are read, in each kind of scan (ITU-T T.81, F.2.2 and G.2). What
//! the values are is of no matter: only which bits belong to them.

use super::bits::{Bits, Codes};
use super::fault::JpegFault;

/// Which values of a block a scan holds, and how.
#[derive(Clone, Copy, Debug)]
pub(super) struct Band {
    pub(super) from: u8,
    pub(super) to: u8,
    /// Whether an earlier scan held their higher bits.
    pub(super) refines: bool,
    pub(super) is_progressive: bool,
}

/// The tables of one colour in a scan.
#[derive(Clone, Copy, Debug)]
pub(super) struct Tables<'t> {
    pub(super) dc: Option<&'t Codes>,
    pub(super) ac: Option<&'t Codes>,
}

/// Reads one block. `known` says which of its values are not zero by now, `run` how many blocks
/// from here on have no more in this scan.
pub(super) fn read(
    bits: &mut Bits<'_>,
    band: Band,
    tables: Tables<'_>,
    known: &mut u64,
    run: &mut u32,
) -> Result<(), JpegFault> {
    let none = JpegFault::NoTable(bits.at());
    if band.from == 0 {
        if band.refines {
            bits.take(1)?;
        } else {
            let size = bits.symbol(tables.dc.ok_or(none)?)?;
            value(bits, size)?;
        }
    }
    match (band.is_progressive, band.refines) {
        _ if band.to == 0 => Ok(()),
        (false, _) => whole(bits, tables.ac.ok_or(none)?),
        (true, false) => first(bits, band, tables.ac.ok_or(none)?, known, run),
        (true, true) => refine(bits, band, tables.ac.ok_or(none)?, known, run),
    }
}

/// Takes the bits of a value of so many.
fn value(bits: &mut Bits<'_>, size: u8) -> Result<(), JpegFault> {
    if size > 16 {
        return Err(JpegFault::NoCode(bits.at()));
    }
    bits.take(size).map(drop)
}

/// The values behind the first one, of a picture that comes in one go.
fn whole(bits: &mut Bits<'_>, codes: &Codes) -> Result<(), JpegFault> {
    let mut at = 1_u8;
    while at < 64 {
        let symbol = bits.symbol(codes)?;
        match (symbol >> 4, symbol & 15) {
            (15, 0) => at += 16,
            (_, 0) => return Ok(()),
            (zeros, size) => {
                at += zeros;
                if at > 63 {
                    return Err(JpegFault::NoCode(bits.at()));
                }
                value(bits, size)?;
                at += 1;
            }
        }
    }
    Ok(())
}

/// The first scan of a band.
fn first(
    bits: &mut Bits<'_>,
    band: Band,
    codes: &Codes,
    known: &mut u64,
    run: &mut u32,
) -> Result<(), JpegFault> {
    if *run > 0 {
        *run -= 1;
        return Ok(());
    }
    let mut at = band.from.max(1);
    while at <= band.to {
        let symbol = bits.symbol(codes)?;
        match (symbol >> 4, symbol & 15) {
            (15, 0) => at += 16,
            (zeros, 0) => {
                *run = (1 << zeros) - 1 + bits.take(zeros)?;
                return Ok(());
            }
            (zeros, size) => {
                at += zeros;
                if at > band.to {
                    return Err(JpegFault::NoCode(bits.at()));
                }
                value(bits, size)?;
                *known |= 1 << at;
                at += 1;
            }
        }
    }
    Ok(())
}

/// A later scan of a band: one bit for each value that is known, and new ones between them.
fn refine(
    bits: &mut Bits<'_>,
    band: Band,
    codes: &Codes,
    known: &mut u64,
    run: &mut u32,
) -> Result<(), JpegFault> {
    let mut at = band.from.max(1);
    while at <= band.to && *run == 0 {
        let symbol = bits.symbol(codes)?;
        let (zeros, size) = (symbol >> 4, symbol & 15);
        if size == 0 && zeros < 15 {
            *run = (1 << zeros) + bits.take(zeros)?;
            break;
        }
        if size > 1 {
            return Err(JpegFault::NoCode(bits.at()));
        }
        bits.take(size)?;
        // That many zeros are passed over, and every known value on the way has its bit.
        let mut left = zeros;
        while at <= band.to {
            if *known & (1 << at) != 0 {
                bits.take(1)?;
            } else if left == 0 {
                break;
            } else {
                left -= 1;
            }
            at += 1;
        }
        if size == 1 {
            if at > band.to {
                return Err(JpegFault::NoCode(bits.at()));
            }
            *known |= 1 << at;
        }
        at += 1;
    }
    if *run > 0 {
        for place in at..=band.to {
            if *known & (1 << place) != 0 {
                bits.take(1)?;
            }
        }
        *run -= 1;
    }
    Ok(())
}
