//! Owns how the kernel writes names and numbers in its text files.

/// Bytes as text; what is not UTF-8 is replaced.
pub(crate) fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// `8:17` as two numbers.
pub(super) fn parse_number(text: &str) -> Option<(u32, u32)> {
    let (major, minor) = text.split_once(':')?;
    Some((major.parse().ok()?, minor.parse().ok()?))
}

/// Undoes the mount table's octal escapes, such as `\040` for a blank.
pub(super) fn unescape(field: &[u8]) -> Vec<u8> {
    decode(field, |rest| {
        let digits = rest.get(1..4)?;
        let value = digits.iter().try_fold(0u16, |sum, digit| match digit {
            b'0'..=b'7' => Some(sum * 8 + u16::from(digit - b'0')),
            _ => None,
        })?;
        Some((u8::try_from(value).ok()?, 4))
    })
}

/// Undoes the hexadecimal escapes of link names under `/dev/disk`, such as `\x20` for a blank.
pub(super) fn unescape_hex(field: &[u8]) -> Vec<u8> {
    decode(field, |rest| {
        let digits = std::str::from_utf8(rest.strip_prefix(b"\\x")?.get(..2)?).ok()?;
        Some((u8::from_str_radix(digits, 16).ok()?, 4))
    })
}

/// Copies bytes, replacing what `escape` recognises at a backslash by the byte it means; `escape`
/// also gives the length of the escape.
pub(super) fn decode(field: &[u8], escape: impl Fn(&[u8]) -> Option<(u8, usize)>) -> Vec<u8> {
    let mut out = Vec::with_capacity(field.len());
    let mut rest = field;
    while let Some((&first, tail)) = rest.split_first() {
        let found = if first == b'\\' { escape(rest) } else { None };
        if let Some((byte, length)) = found {
            out.push(byte);
            rest = rest.get(length..).unwrap_or_default();
        } else {
            out.push(first);
            rest = tail;
        }
    }
    out
}
