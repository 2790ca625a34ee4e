//! Owns what may be somebody's pictures, clips or sound among what is left out because computers
//! leave such names behind: told by how a file begins, or else by its name.

use super::media::media_of;
use crate::disk::Disk;
use crate::name::hex;
use camino::Utf8Path;
use std::cmp::Reverse;
use std::sync::atomic::{AtomicBool, Ordering};

/// Files that are kept for a look: the largest ones.
const KEPT_MAX: usize = 10_000;
/// Files of which the beginning is read, the largest ones; the others go by their names. Each costs
/// a card some milliseconds.
const READ_MAX: usize = 256;
/// So much of a file is read: two packets of a transport stream (ISO/IEC 13818-1, section 2.4.3.2;
/// with four bytes before each on cards of camcorders, from memory).
const BEGINNING: usize = 4 + 188 + 4 + 1;

/// How files begin that hold pictures, clips or sound: where, and with what. ITU-T T.81 (SOI and
/// the next marker); TIFF 6.0 and what is built like it; PNG (ISO/IEC 15948); ISO/IEC 14496-12
/// (`ftyp`) and its forerunner; RIFF and RF64; AIFF; Matroska; MXF (SMPTE ST 377-1); program
/// streams (ISO/IEC 13818-1); ISO/IEC 15444-1; FLAC (RFC 9639); Ogg (RFC 3533); the rest from
/// memory.
const BEGINNINGS: [(usize, &[u8]); 23] = [
    (0, b"\xff\xd8\xff"),
    (0, b"II*\0"),
    (0, b"MM\0*"),
    (0, b"II+\0"),
    (0, b"MM\0+"),
    (0, b"IIU\0"),
    (0, b"IIR"),
    (0, b"\x89PNG"),
    (0, b"GIF8"),
    (4, b"ftyp"),
    (4, b"moov"),
    (4, b"mdat"),
    (4, b"wide"),
    (0, b"RIFF"),
    (0, b"RF64"),
    (0, b"FORM"),
    (0, b"\x1a\x45\xdf\xa3"),
    (0, b"\x06\x0e\x2b\x34"),
    (0, b"\0\0\x01\xba"),
    (4, b"jP  "),
    (0, b"fLaC"),
    (0, b"OggS"),
    (0, b"ID3"),
];

/// How a side file begins that a computer made beside another file (`AppleDouble`, RFC 1740,
/// appendix B).
const SIDE_FILE: &[u8] = b"\0\x05\x16\x07";

/// A file that is left out, or that lies in a folder that is.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct LeftFile {
    /// Its path on the card, as raw bytes with `/` between parts.
    pub raw: Vec<u8>,
    /// Its size in bytes.
    pub bytes: u64,
}

/// Keeps the files that are worth a look, the largest first.
pub fn worth_a_look(mut files: Vec<LeftFile>) -> Vec<LeftFile> {
    files.retain(|f| f.bytes > 0);
    files.sort_by(|a, b| (Reverse(a.bytes), &a.raw).cmp(&(Reverse(b.bytes), &b.raw)));
    files.truncate(KEPT_MAX);
    files
}

/// Returns the paths of those that look like pictures, clips or sound, in order. Reads how the
/// largest begin, until `stop` is set or one cannot be read: a card that is in trouble is not asked
/// again and again.
pub fn media_among(
    disk: &dyn Disk,
    root: &Utf8Path,
    files: &[LeftFile],
    stop: &AtomicBool,
) -> Vec<String> {
    let mut is_read = true;
    let mut media: Vec<String> = Vec::new();
    for (index, file) in files.iter().enumerate() {
        let path = std::str::from_utf8(&file.raw).ok();
        let mut beginning = None;
        if let Some(path) = path.filter(|_| is_read && index < READ_MAX) {
            beginning = begins_with(disk, &root.join(path));
            is_read = beginning.is_some() && !stop.load(Ordering::Relaxed);
        }
        if is_media(&file.raw, beginning.as_deref()) {
            let in_hex = || format!("hex:{}", hex(&file.raw));
            media.push(path.map_or_else(in_hex, str::to_owned));
        }
    }
    media.sort();
    media
}

/// The first bytes of a file of the card; `None` where they cannot be read.
fn begins_with(disk: &dyn Disk, path: &Utf8Path) -> Option<Vec<u8>> {
    let mut source = disk.open_card(path).ok()?;
    let mut bytes = vec![0; BEGINNING];
    let read = source.read_at(&mut bytes, 0).ok()?;
    bytes.truncate(read);
    Some(bytes)
}

fn is_media(path: &[u8], beginning: Option<&[u8]>) -> bool {
    let name = path.rsplit(|&b| b == b'/').next().unwrap_or(path);
    if let Some(beginning) = beginning {
        if beginning.starts_with(SIDE_FILE) {
            return false;
        }
        let is_at = |(at, begin): &(usize, &[u8])| {
            let there = beginning.get(*at..at + begin.len());
            there == Some(*begin)
        };
        // Packets of 188 bytes, or of 192, each with its mark (ISO/IEC 13818-1, section 2.4.3.3).
        let has_mark = |at: usize| beginning.get(at) == Some(&0x47);
        let is_stream = (has_mark(0) && has_mark(188)) || (has_mark(4) && has_mark(196));
        if is_stream || BEGINNINGS.iter().any(is_at) {
            return true;
        }
    } else if name.starts_with(b"._") {
        // A side file has the ending of the file that it is beside.
        return false;
    }
    media_of(path).is_some()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_are_told_by_how_they_begin_or_by_their_names() {
        let mut stream = vec![0; BEGINNING];
        (stream[4], stream[196]) = (0x47, 0x47);
        let side_file: &[u8] = b"\0\x05\x16\x07\0\x02\0\0Mac OS X";
        for (path, beginning, is) in [
            ("DCIM/._KITE0001.JPG", Some(side_file), false),
            ("DCIM/._KITE0001.JPG", Some(&b"\xff\xd8\xff\xe1"[..]), true),
            ("DCIM/._KITE0001", Some(b"II*\0\x08"), true),
            // Not read: most of these are side files.
            ("DCIM/._KITE0001.JPG", None, false),
            ("System Volume Information/KITE0001.jpg", None, true),
            ("System Volume Information/KITE0001.RAF", Some(b"odd"), true),
            (
                "System Volume Information/IndexerVolumeGuid",
                Some(b"{\0"),
                false,
            ),
            (".Spotlight-V100/0001", Some(b"\0\0\0\x18ftypmp42"), true),
            (".Spotlight-V100/0002", Some(&stream), true),
            (".Spotlight-V100/0002", Some(&stream[..190]), false),
            (".fseventsd/0000000000a1", Some(b"\x1f\x8b\x08"), false),
            (".fseventsd/jpg", Some(b"x"), false),
            (".DS_Store", Some(b"\0\0\0\x01Bud1"), false),
        ] {
            assert_eq!(is_media(path.as_bytes(), beginning), is, "{path}");
        }
    }

    #[test]
    fn the_largest_are_looked_at() {
        let file = |bytes: u64| LeftFile {
            raw: format!("._{bytes}").into_bytes(),
            bytes,
        };
        let kept = worth_a_look((0..20_000).map(file).collect());
        assert_eq!(kept.len(), KEPT_MAX);
        assert_eq!((kept[0].bytes, kept[1].bytes), (19_999, 19_998));
        assert!(worth_a_look(vec![file(0)]).is_empty());
    }
}
