//! Owns the reading of numbers and short texts from foreign bytes: what is not there is `None`.

/// The order of the bytes of a number.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum ByteOrder {
    Big,
    Little,
}

/// Returns `N` bytes.
pub(super) fn some<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..)?.first_chunk().copied()
}

pub(super) fn be16(bytes: &[u8], at: usize) -> Option<u16> {
    some(bytes, at).map(u16::from_be_bytes)
}

pub(super) fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    some(bytes, at).map(u32::from_be_bytes)
}

pub(super) fn be64(bytes: &[u8], at: usize) -> Option<u64> {
    some(bytes, at).map(u64::from_be_bytes)
}

pub(super) fn le16(bytes: &[u8], at: usize) -> Option<u16> {
    some(bytes, at).map(u16::from_le_bytes)
}

pub(super) fn le32(bytes: &[u8], at: usize) -> Option<u32> {
    some(bytes, at).map(u32::from_le_bytes)
}

pub(super) fn le64(bytes: &[u8], at: usize) -> Option<u64> {
    some(bytes, at).map(u64::from_le_bytes)
}

impl ByteOrder {
    pub(super) fn u16(self, bytes: &[u8], at: usize) -> Option<u16> {
        match self {
            Self::Big => be16(bytes, at),
            Self::Little => le16(bytes, at),
        }
    }

    pub(super) fn u32(self, bytes: &[u8], at: usize) -> Option<u32> {
        match self {
            Self::Big => be32(bytes, at),
            Self::Little => le32(bytes, at),
        }
    }
}

/// Returns a big-endian number of up to eight bytes.
pub(super) fn be_sized(bytes: &[u8], at: usize, size: usize) -> Option<u64> {
    let part = bytes.get(at..at.checked_add(size)?)?;
    (size <= 8).then(|| part.iter().fold(0, |n, &b| n << 8 | u64::from(b)))
}

/// Returns the text before the first zero, without blanks around it, of at most `most` characters;
/// `None` where none is left.
pub(super) fn text(bytes: &[u8], most: usize) -> Option<String> {
    let end = bytes.iter().position(|&b| b == 0).unwrap_or(bytes.len());
    let text = String::from_utf8_lossy(bytes.get(..end)?);
    let text: String = text.trim().chars().take(most).collect();
    (!text.is_empty()).then_some(text)
}

/// Returns a name of four bytes (of a box, chunk or list) as people can read it.
pub(super) fn four(name: [u8; 4]) -> String {
    crate::name::readable(&name)
}
