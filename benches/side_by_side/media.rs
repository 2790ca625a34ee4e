//! Owns made-up media files with the structure of real ones.

/// Bytes as they are in what is compressed, always the same.
pub(crate) fn noise(bytes: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes + 8);
    let mut state = 18_u64;
    while out.len() < bytes {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        out.extend_from_slice(&(state ^ (state >> 29)).to_le_bytes());
    }
    out.truncate(bytes);
    out
}

fn a_box(name: &str, contents: &[u8]) -> Vec<u8> {
    let length = u32::try_from(contents.len() + 8).unwrap();
    [&length.to_be_bytes(), name.as_bytes(), contents].concat()
}

pub(crate) fn clip(bytes: usize) -> Vec<u8> {
    let (ftyp, mvhd) = (a_box("ftyp", b"isom\0\0\0\0isom"), a_box("mvhd", &[1; 100]));
    [ftyp, a_box("mdat", &noise(bytes)), a_box("moov", &mvhd)].concat()
}

/// A JPEG: one table, the header of a scan, a scan (ITU-T T.81: each 0xff is followed by a zero).
pub(crate) fn jpeg(bytes: usize) -> Vec<u8> {
    let mut scan = noise(bytes);
    for at in 1..scan.len() {
        if scan[at - 1] == 0xff {
            scan[at] = 0;
        }
    }
    let head = b"\xff\xd8\xff\xdb\0\x05\0\x01\x02\xff\xda\0\x04\0\0";
    [head.as_slice(), &scan, b"\0\xff\xd9"].concat()
}
