//! Owns the made-up card of the demo: two people filmed a kite festival. All data is invented; the
//! files have the shape of stills, raws and clips, not their pictures.

use camino::Utf8Path;
use std::fs::File;
use std::io::{self, Write as _};
use std::time::{Duration, SystemTime};

/// Bytes that look like compressed pictures, the same on every run.
struct Noise(u64);

impl Noise {
    fn fill(&mut self, into: &mut [u8]) {
        for chunk in into.chunks_mut(8) {
            // splitmix64 (Steele, Lea, Flood 2014; constants from memory): any mixer would do.
            self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            let bytes = (z ^ (z >> 31)).to_le_bytes();
            if let Some(bytes) = bytes.get(..chunk.len()) {
                chunk.copy_from_slice(bytes);
            }
        }
    }
}

/// The beginnings of files, so that they have the structure of their kind: a JPEG up to its scan, a
/// TIFF with one entry.
const JPEG: &[u8] = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x02\x00\x00\x01\x00\x01\x00\x00\
    \xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00";
const JPEG_END: &[u8] = b"\xff\xd9";
const TIFF: &[u8] = b"II*\x00\x08\x00\x00\x00\x01\x00\x00\x01\x03\x00\x01\x00\x00\x00\
    \x00\x18\x00\x00\x00\x00\x00\x00";
/// What a file of the ISO base media file format begins with (ISO/IEC 14496-12, 4.3).
const FTYP: &[u8] = b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom";
/// Seconds from 1904, where such files begin to count, to 1970.
const FROM_1904_S: u64 = 2_082_844_800;
/// A Saturday morning in autumn.
const MORNING_S: u64 = 1_791_012_600;

/// Makes the card below `root`, which must be an empty folder.
pub(crate) fn make(root: &Utf8Path) -> io::Result<()> {
    for folder in [
        "DCIM/100KITES",
        "DCIM/101KITES",
        "PRIVATE/CLIPS",
        "PRIVATE/CLIPS/THUMBS",
        "MISC",
    ] {
        std::fs::create_dir_all(root.join(folder))?;
    }
    let mut noise = Noise(20_261_125);
    for n in 1..=18_u64 {
        let folder = if n <= 12 { "100KITES" } else { "101KITES" };
        let bytes = 280_000 + n * 37_411 % 300_000;
        write(
            root,
            &format!("DCIM/{folder}/KITE{n:04}.JPG"),
            &still(bytes, &mut noise),
            n,
        )?;
        if n % 3 == 0 {
            write(
                root,
                &format!("DCIM/{folder}/KITE{n:04}.DNG"),
                &made(TIFF, 3_100_000 + n * 11_003, b"", &mut noise),
                n,
            )?;
        }
    }
    for (n, bytes) in [(1_u64, 9_400_000_u64), (2, 31_700_000), (3, 18_250_000)] {
        write(
            root,
            &format!("PRIVATE/CLIPS/C{n:04}.MP4"),
            &clip(bytes, 40 + n, &mut noise),
            40 + n,
        )?;
        let text = format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<clip name=\"C{n:04}\" fps=\"25\" \
            scene=\"kite festival\" camera=\"{}\"/>\n",
            if n == 2 { "B" } else { "A" }
        );
        write(
            root,
            &format!("PRIVATE/CLIPS/C{n:04}.XML"),
            text.as_bytes(),
            40 + n,
        )?;
        write(
            root,
            &format!("PRIVATE/CLIPS/THUMBS/C{n:04}.JPG"),
            &still(11_000 + n, &mut noise),
            40 + n,
        )?;
    }
    write(root, "PRIVATE/CLIPS/.index", b"C0001\nC0002\nC0003\n", 44)?;
    write(root, "DCIM/100KITES/KITE0007.TXT", b"", 7)?;
    write(root, ".DS_Store", b"made by a computer\n", 50)
}

/// So many bytes of noise between a beginning and an end.
fn made(head: &[u8], bytes: u64, end: &[u8], noise: &mut Noise) -> Vec<u8> {
    let mut content = vec![0; unlade::units::len_usize(bytes)];
    noise.fill(&mut content);
    let from = content.len().saturating_sub(end.len());
    for (to, from) in content.iter_mut().zip(head) {
        *to = *from;
    }
    for (to, from) in content.iter_mut().skip(from).zip(end) {
        *to = *from;
    }
    content
}

fn still(bytes: u64, noise: &mut Noise) -> Vec<u8> {
    let mut content = made(JPEG, bytes, JPEG_END, noise);
    let scan = content.len().saturating_sub(JPEG_END.len());
    // In a scan 0xff begins a marker.
    for byte in content.iter_mut().take(scan).skip(JPEG.len()) {
        *byte = (*byte).min(0xfe);
    }
    content
}

/// A clip of so many bytes, at 50 Mb/s; what is in it is noise.
fn clip(bytes: u64, minute: u64, noise: &mut Noise) -> Vec<u8> {
    let milliseconds = bytes * 8 / 50_000;
    let created = MORNING_S + minute * 60 + FROM_1904_S;
    let mut head = FTYP.to_vec();
    head.extend(b"\x00\x00\x00\x74moov\x00\x00\x00\x6cmvhd\x00\x00\x00\x00");
    for field in [created, created, 1_000, milliseconds] {
        head.extend(u32::try_from(field).unwrap_or_default().to_be_bytes());
    }
    head.resize(FTYP.len() + 0x74, 0);
    let rest = bytes.saturating_sub(unlade::units::len64(head.len()));
    head.extend(u32::try_from(rest).unwrap_or_default().to_be_bytes());
    head.extend(b"mdat");
    made(&head, bytes, b"", noise)
}

fn write(root: &Utf8Path, path: &str, content: &[u8], minute: u64) -> io::Result<()> {
    let mut file = File::create_new(root.join(path))?;
    file.write_all(content)?;
    // On the drive, so that the offload reads it from there and not from memory.
    file.sync_data()?;
    // One minute after the other.
    file.set_modified(SystemTime::UNIX_EPOCH + Duration::from_secs(MORNING_S + minute * 60))
}
