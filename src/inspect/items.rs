//! Owns the reading of the items of a HEIF: where their bytes are, and which of them is EXIF.
//!
//! ISO/IEC 14496-12, 8.11.3 (`iloc`), 8.11.6 (`iinf`, `infe`); ISO/IEC 23008-12, annex A (EXIF).

use super::bytes::{be_sized, be16, be32, some};

/// Items that are looked at.
const ITEMS_MAX: u32 = 4_096;

/// Pieces of all items together that are looked at.
const EXTENTS_MAX: usize = 4_096;

/// A piece of an item in the file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Extent {
    pub item: u32,
    pub at: u64,
    pub bytes: u64,
}

/// `iloc`: the pieces that are in the file itself.
pub(super) fn iloc(bytes: &[u8]) -> Option<Vec<Extent>> {
    let version = *bytes.first()?;
    let sizes = be16(bytes, 4)?;
    let nibble = |shift: u32| usize::from(sizes >> shift & 15);
    let (offset, length, base) = (nibble(12), nibble(8), nibble(4));
    let index = if version == 0 { 0 } else { nibble(0) };
    let (count, mut at) = if version < 2 {
        (u32::from(be16(bytes, 6)?), 8)
    } else {
        (be32(bytes, 6)?, 10)
    };
    let (mut found, mut left) = (Vec::new(), EXTENTS_MAX);
    let mut next = |size: usize| {
        let value = be_sized(bytes, at, size)?;
        at += size;
        Some(value)
    };
    for _ in 0..count.min(ITEMS_MAX) {
        let item = next(if version < 2 { 2 } else { 4 })?;
        // 0: in the file; 1: in this box's sibling; 2: in another item.
        let method = if version == 0 { 0 } else { next(2)? & 15 };
        let reference = next(2)?;
        let from = next(base)?;
        for _ in 0..next(2)? {
            // Where all sizes are zero nothing else ends this.
            left = left.checked_sub(1)?;
            next(index)?;
            let extent = Extent {
                item: u32::try_from(item).ok()?,
                at: from.saturating_add(next(offset)?),
                bytes: next(length)?,
            };
            if method == 0 && reference == 0 {
                found.push(extent);
            }
        }
    }
    Some(found)
}

/// `iinf`: the number of the item that is EXIF.
pub(super) fn exif_item(bytes: &[u8]) -> Option<u32> {
    let mut at = if bytes.first() == Some(&0) { 6 } else { 8 };
    for _ in 0..ITEMS_MAX {
        let length = usize::try_from(be32(bytes, at)?).ok()?;
        let entry = bytes.get(at..at.checked_add(length)?)?;
        let kind = |at| some::<4>(entry, at);
        match entry.get(8)? {
            2 if kind(16)? == *b"Exif" => return be16(entry, 12).map(u32::from),
            3 if kind(18)? == *b"Exif" => return be32(entry, 12),
            _ => at = at.checked_add(length.max(8))?,
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn items_are_read_and_what_is_cut_is_none() {
        // ISO/IEC 14496-12, 8.11.3: version 1, sizes 4, 4, 0, 0; item 7, method 0, one extent.
        let mut box_bytes = b"\x01\0\0\0\x44\0\0\x01\0\x07\0\0\0\0\0\x01".to_vec();
        box_bytes.extend_from_slice(&1_000_u32.to_be_bytes());
        box_bytes.extend_from_slice(&50_u32.to_be_bytes());
        let extent = Extent {
            item: 7,
            at: 1_000,
            bytes: 50,
        };
        assert_eq!(iloc(&box_bytes), Some(vec![extent]));
        for cut in 0..box_bytes.len() {
            assert_eq!(iloc(&box_bytes[..cut]), None, "{cut}");
        }
        // Sizes of zero and as many extents as there can be.
        let endless = [
            b"\x02\0\0\0\0\0\xff\xff\xff\xff".as_slice(),
            &vec![0xff; 60_000],
        ]
        .concat();
        assert_eq!(iloc(&endless), None);
        // 8.11.6: version 0, one entry of version 2.
        let infe = b"\0\0\0\x15infe\x02\0\0\0\0\x07\0\0Exif\0";
        let iinf = [b"\0\0\0\0\0\x01".as_slice(), infe].concat();
        assert_eq!(exif_item(&iinf), Some(7));
        assert_eq!(exif_item(&iinf[..20]), None);
    }
}
