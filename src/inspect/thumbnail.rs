//! Owns the look at a thumbnail before anybody is shown it: a small JPEG that is whole, and of it
//! only what its picture needs. Pure; no picture is made anew.
//!
//! CIPA DC-008, 4.5.5 (thumbnails) and 4.5.8 (they are baseline JPEG, without segments of
//! applications); ITU-T T.81, B.1.1 and B.2 (markers, segments, order).

use super::bytes::be16;
use super::deep::decode_still;
use super::deep::decoding::Decoding;
use super::kind::FileKind;

/// The most bytes of a thumbnail. EXIF as a whole has less: it is one segment of a JPEG.
pub const THUMBNAIL_BYTES_MAX: u64 = 64 * 1_024;
/// The longest side of a thumbnail in pixels. Whoever shows it has to hold the picture.
const SIDE_MAX: u16 = 1_024;
/// Scans of a thumbnail: all colours at once, or each in one of its own.
const SCANS_MAX: u32 = 4;

/// Returns a thumbnail without the segments that its picture does not need, and without what comes
/// after its end; `None` of what is no whole baseline JPEG, or is too large.
pub fn checked(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut rest = bytes.strip_prefix(b"\xff\xd8")?;
    let mut jpeg = b"\xff\xd8".to_vec();
    let (mut is_framed, mut scans) = (false, 0);
    loop {
        rest = rest.strip_prefix(b"\xff")?;
        // Any number of fill bytes may be before a marker.
        while let Some(after) = rest.strip_prefix(b"\xff") {
            rest = after;
        }
        let (&marker, after) = rest.split_first()?;
        if marker == 0xd9 {
            break;
        }
        let segment = after.get(..usize::from(be16(after, 0)?))?;
        rest = after.get(segment.len()..)?;
        match marker {
            0xc0 | 0xc1 if !is_framed && is_small(segment) => is_framed = true,
            0xda if is_framed && scans < SCANS_MAX => scans += 1,
            // Tables, and the distance of restart markers.
            0xc4 | 0xdb | 0xdd => {}
            // What the colours are (JFIF, without the picture that it can hold; Adobe).
            0xe0 if segment.len() == 16 => {}
            0xee if segment.len() == 14 => {}
            // Where it was taken may be in there.
            0xe0..=0xef | 0xfe => continue,
            _ => return None,
        }
        jpeg.extend([0xff, marker]);
        jpeg.extend(segment);
        if marker == 0xda {
            let scan = rest.get(..scan_length(rest)?)?;
            jpeg.extend(scan);
            rest = rest.get(scan.len()..)?;
        }
    }
    jpeg.extend(b"\xff\xd9");
    let is_whole = scans > 0 && decode_still(FileKind::Jpeg, &jpeg) == Decoding::Whole;
    is_whole.then_some(jpeg)
}

/// Whether a frame (B.2.2) has sides that can be shown.
fn is_small(frame: &[u8]) -> bool {
    let side = |at| be16(frame, at).is_some_and(|side| (1..=SIDE_MAX).contains(&side));
    side(3) && side(5)
}

/// The length of a scan, up to the marker after it; restart markers are part of it.
fn scan_length(bytes: &[u8]) -> Option<usize> {
    let mut pairs = bytes.windows(2);
    pairs.position(|pair| matches!(pair, [0xff, code] if !matches!(code, 0 | 0xd0..=0xd7)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A grey baseline JPEG of one flat block (see the tests of `deep`), with these segments after
    /// its beginning.
    fn small(before: &[u8], side: u16) -> Vec<u8> {
        let [high, low] = side.to_be_bytes();
        let table = |class: u8| [&[0xff, 0xc4, 0, 20, class, 1][..], &[0; 15], &[0]].concat();
        [
            b"\xff\xd8",
            before,
            &table(0x00),
            &table(0x10),
            &[0xff, 0xc0, 0, 11, 8, high, low, 0, 8, 1, 1, 0x11, 0],
            &[0xff, 0xda, 0, 8, 1, 1, 0, 0, 63, 0],
            // Two bits of the block; the rest of the byte is filled up.
            &[0x3f, 0xff, 0xd9],
        ]
        .concat()
    }

    // ITU-T T.81, B.1.1.2 (fill bytes), B.2.1 (nothing of the picture is behind the end marker).
    #[test]
    fn only_what_the_picture_needs_is_kept() {
        let plain = small(b"", 8);
        assert_eq!(checked(&plain).as_ref(), Some(&plain));
        let place = b"\xff\xe1\0\x10GPS 49.9 N 8.6";
        let comment = b"\xff\xff\xfe\0\x06Kite";
        let more = [&small(&[&place[..], comment].concat(), 8)[..], b"\0\0more"].concat();
        assert_eq!(checked(&more), Some(plain));
        // JFIF 1.02: 14 bytes behind the length, more with a picture in it.
        let jfif = b"\xff\xe0\0\x10JFIF\0\x01\x02\0\0\x01\0\x01\0\0";
        let with = small(jfif, 8);
        assert_eq!(checked(&with), Some(with.clone()));
    }

    #[test]
    fn what_is_not_whole_or_too_large_is_no_thumbnail() {
        let plain = small(b"", 8);
        for length in 0..plain.len() {
            assert_eq!(checked(&plain[..length]), None, "{length}");
        }
        assert_eq!(checked(&small(b"", 1_025)), None);
        assert_eq!(checked(&small(b"", 0)), None);
        let frame = plain.windows(2).position(|at| at == [0xff, 0xc0]).unwrap();
        // Progressive, arithmetic, and a marker that stands for nothing.
        for marker in [0xc2, 0xc9, 0x02] {
            let mut other = plain.clone();
            other[frame + 1] = marker;
            assert_eq!(checked(&other), None, "{marker:x}");
        }
        let scan = plain.windows(2).position(|at| at == [0xff, 0xda]).unwrap();
        let [head, tail] = [&plain[..scan], &plain[scan..plain.len() - 2]];
        let many = [head, &tail.repeat(5), b"\xff\xd9"].concat();
        assert_eq!(checked(&many), None);
        assert_eq!(checked(b"<script>alert(1)</script>"), None);
    }
}
