//! Owns the tests of decoding on small files that are made here by the standards.

use super::*;
use crate::inspect::hint::Clue;

/// A grey JPEG of so many blocks, all of them flat: of each block two bits, a difference of no bits
/// (code 0) and the end (code 0). By the forms of ITU-T T.81, B.2.
fn flat(blocks: u16, restart: Option<u16>, scan: &[u8]) -> Vec<u8> {
    let mut of = b"\xff\xd8".to_vec();
    let mut segment = |marker: u8, content: &[u8]| {
        let length = u16::try_from(content.len() + 2).unwrap();
        of.extend([0xff, marker]);
        of.extend(length.to_be_bytes());
        of.extend(content);
    };
    let table = |class: u8| [&[class, 1][..], &[0; 15], &[0]].concat();
    segment(0xc4, &table(0x00));
    segment(0xc4, &table(0x10));
    if let Some(units) = restart {
        segment(0xdd, &units.to_be_bytes());
    }
    let [high, low] = (blocks * 8).to_be_bytes();
    segment(0xc0, &[8, 0, 8, high, low, 1, 1, 0x11, 0]);
    segment(0xda, &[1, 1, 0, 0, 63, 0]);
    of.extend(scan);
    of.extend(b"\xff\xd9");
    of
}

fn why(bytes: &[u8]) -> String {
    match decode_still(FileKind::Jpeg, bytes) {
        Decoding::Broken(Clue::Undecodable { why, .. }) => why,
        other => format!("{other:?}"),
    }
}

// ITU-T T.81, F.1.2.3: what is left of the last byte is filled with ones.
#[test]
fn a_jpeg_has_just_the_bits_that_its_blocks_need() {
    assert_eq!(why(&flat(4, None, &[0])), "Whole");
    assert_eq!(why(&flat(6, None, &[0, 0x0f])), "Whole");
    let ends = "the picture's bits end too early";
    assert_eq!(why(&flat(5, None, &[0])), ends);
    assert_eq!(why(&flat(400, None, &[0; 20])), ends);
    // One bit code 1 stands for nothing in these tables.
    let none = "no code of the picture is there";
    assert_eq!(why(&flat(8, None, &[0, 0x80, 0, 0])), none);
    let over = "more bits follow where the picture ends";
    assert_eq!(why(&flat(4, None, &[0, 0x15])), over);
    // Some encoders fill with zeros; any number of 0xff may stand before a marker (B.1.1.2).
    assert_eq!(why(&flat(4, None, &[0, 0, 0])), "Whole");
    assert_eq!(why(&flat(4, None, &[0, 0xff, 0xff])), "Whole");
}

// ITU-T T.81, B.2.1 and F.1.2.3: RST0 to RST7 in turn between two intervals.
#[test]
fn restart_markers_come_in_turn() {
    let whole = b"\0\xff\xd0\0\xff\xd1\0";
    assert_eq!(why(&flat(12, Some(4), whole)), "Whole");
    let missing = "parts of the picture are missing";
    assert_eq!(why(&flat(12, Some(4), b"\0\xff\xd1\0\xff\xd2\0")), missing);
    assert_eq!(why(&flat(12, Some(4), b"\0\xff\xd0\0")), missing);
}

#[test]
fn a_jpeg_without_a_part_of_it_is_told() {
    let whole = flat(4, None, &[0]);
    let no_end = &whole[..whole.len() - 2];
    assert_eq!(why(no_end), "the picture's bits end too early");
    let no_picture = b"\xff\xd8\xff\xd9";
    assert_eq!(why(no_picture), "some of its colours are missing");
    for length in 2..whole.len() {
        assert_ne!(why(&whole[..length]), "Whole", "{length}");
    }
}

#[test]
fn what_is_too_large_or_of_another_form_is_not_decoded() {
    let mut large = flat(4, None, &[0]);
    let frame = large
        .windows(2)
        .position(|pair| pair == b"\xff\xc0")
        .unwrap();
    let mut other = large.clone();
    large[frame + 5..frame + 9].fill(0xff);
    assert_eq!(why(&large), "Not(TooLarge)");
    // SOF9: arithmetic coding.
    other[frame + 1] = 0xc9;
    assert_eq!(why(&other), "Not(Form)");
}

/// A PNG of one grey pixel (PNG, third edition, 11.2.1 and 13.9: a filter byte before each row; RFC
/// 1950 and 1951: one stored block).
fn pixel() -> Vec<u8> {
    let mut of = b"\x89PNG\r\n\x1a\n".to_vec();
    let chunks: [(&[u8], &[u8]); 3] = [
        (b"IHDR", &[0, 0, 0, 1, 0, 0, 0, 1, 8, 0, 0, 0, 0]),
        (b"IDAT", b"\x78\x01\x01\x02\0\xfd\xff\0\x07\0\x09\0\x08"),
        (b"IEND", b""),
    ];
    for (name, content) in chunks {
        of.extend(u32::try_from(content.len()).unwrap().to_be_bytes());
        of.extend(name);
        of.extend(content);
        of.extend(crc(&[name, content].concat()).to_be_bytes());
    }
    of
}

/// PNG, third edition, annex D, bit by bit.
fn crc(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
            (crc >> 1) ^ (0xedb8_8320 * (crc & 1))
        })
    })
}

#[test]
fn any_flipped_byte_of_a_png_is_told() {
    let whole = pixel();
    assert_eq!(decode_still(FileKind::Png, &whole), Decoding::Whole);
    for at in 0..whole.len() {
        let mut bytes = whole.clone();
        bytes[at] ^= 0x20;
        let decoding = decode_still(FileKind::Png, &bytes);
        assert_ne!(decoding, Decoding::Whole, "{at}");
    }
}

/// A deflated TIFF of 24 by 20 pixels that `ImageMagick` wrote: a header, the strips, then the
/// directory (TIFF 6.0, section 2: bytes 4 to 7 say where).
fn deflated(tiled: bool) -> (Vec<u8>, usize) {
    let file: &[u8] = if tiled {
        include_bytes!("../../../fixtures/fuzz/deep/tiles.tif")
    } else {
        include_bytes!("../../../fixtures/fuzz/deep/zip.tif")
    };
    let file = file[1..].to_vec();
    let directory = u32::from_le_bytes(file[4..8].try_into().unwrap());
    (file, usize::try_from(directory).unwrap())
}

// RFC 1950, 2.2: a stream ends with a sum of what was in it.
#[test]
fn any_flipped_byte_of_a_deflated_tiff_is_told() {
    for tiled in [false, true] {
        let (whole, directory) = deflated(tiled);
        assert_eq!(decode_still(FileKind::Tiff, &whole), Decoding::Whole);
        // One byte may fill up before the directory, which begins at an even place. A bit alone can
        // be turned so that a code stands for the same pixels.
        for at in 8..directory - 1 {
            let mut bytes = whole.clone();
            bytes[at] ^= 0x55;
            let decoding = decode_still(FileKind::Tiff, &bytes);
            assert!(
                matches!(decoding, Decoding::Broken(_)),
                "{tiled} {at}: {decoding:?}"
            );
        }
    }
}

#[test]
fn a_text_without_end_in_a_tiff_is_told_before_a_decoder_sees_it() {
    let (mut bytes, directory) = deflated(false);
    // The first entry becomes a text (type 2) of four thousand million letters.
    bytes[directory + 4..directory + 10].copy_from_slice(b"\x02\0\xff\xff\xff\xff");
    let why = match decode_still(FileKind::Tiff, &bytes) {
        Decoding::Broken(Clue::Undecodable { why, .. }) => why,
        other => format!("{other:?}"),
    };
    assert_eq!(why, "a text in a directory is too long");
}

#[test]
fn hostile_bytes_end() {
    let whole = flat(12, Some(4), b"\0\xff\xd0\0\xff\xd1\0");
    for at in 2..whole.len() {
        for value in [0, 1, 0x7f, 0xc2, 0xd0, 0xff] {
            let mut bytes = whole.clone();
            bytes[at] = value;
            let decoding = decode_still(FileKind::Jpeg, &bytes);
            let broke_down = Decoding::Not(NotDecoded::BrokeDown);
            assert_ne!(decoding, broke_down, "{at} {value}");
        }
    }
    for kind in [FileKind::Tiff, FileKind::Png] {
        for bytes in [&b""[..], b"II*\0", b"\x89PNG\r\n\x1a\n", &whole] {
            let decoding = decode_still(kind, bytes);
            assert!(matches!(decoding, Decoding::Broken(_)), "{decoding:?}");
        }
    }
}
