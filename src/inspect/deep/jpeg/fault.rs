//! Owns the reasons why a JPEG can't be read to its end.

use crate::inspect::deep::decoding::NotDecoded;

/// Why a picture can't be read to its end; with the place, where one is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum JpegFault {
    /// The bits end before the picture does.
    Ends(usize),
    /// Bits that are no code, or stand for a value that has no place.
    NoCode(usize),
    /// A table is missing.
    NoTable(usize),
    /// Bits are left where the picture has ended.
    LeftOver(usize),
    /// The mark between two stretches is not the next one.
    Restart(usize),
    /// A header is none.
    Header(usize),
    /// Some of the colours have no scan.
    NoScan,
    /// It is of a kind that is not read here.
    Not(NotDecoded),
}
