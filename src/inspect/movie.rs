//! Owns the reading of the few boxes of a movie that say what it is. Each takes the beginning of a
//! box's contents.

use super::bytes::{be16, be32, be64, some};
use super::media_facts::{CameraTime, duration};
use super::runs::RUN_BYTES;
use crate::units::whole;
use std::time::Duration;

/// Returns from how many bytes on a run of zeros means something in a file with sound that is not
/// compressed, of so many bytes a second: silence is zeros, and sound is stored in pieces of a
/// second at most (common practice, no source).
pub(super) fn silence(bytes_per_s: u64) -> u64 {
    (bytes_per_s.min(50_000_000) / 2 * 3).max(RUN_BYTES)
}

/// Bytes of `mvhd`, `tkhd` and `stsd` that are looked at.
pub(super) const HEAD_BYTES: u64 = 96;

/// What a box said.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct MovieHead {
    pub recorded: Option<CameraTime>,
    pub duration: Option<Duration>,
}

/// `mvhd`: ISO/IEC 14496-12, 8.2.2.
pub(super) fn mvhd(bytes: &[u8]) -> MovieHead {
    let is_long = bytes.first() == Some(&1);
    let number = |at| be32(bytes, at).map(u64::from);
    let (created, units, length) = if is_long {
        // All ones stand for what is not known.
        let length = be64(bytes, 24).filter(|&n| n != u64::MAX);
        (be64(bytes, 4), number(20), length)
    } else {
        let length = number(16).filter(|&n| n != u64::from(u32::MAX));
        (number(4), number(12), length)
    };
    let length = length.zip(units);
    MovieHead {
        recorded: created.filter(|&s| s > 0).map(CameraTime::Since1904),
        duration: length.and_then(|(length, units)| duration(length, units)),
    }
}

/// `tkhd`: width and height in whole pixels (8.3.2).
pub(super) fn tkhd(bytes: &[u8]) -> Option<(u32, u32)> {
    let is_long = bytes.first() == Some(&1);
    let at = if is_long { 88 } else { 76 };
    let (width, height) = (be32(bytes, at)? >> 16, be32(bytes, at + 4)? >> 16);
    (width > 0 && height > 0).then_some((width, height))
}

/// `hdlr`: what a track is for (8.4.3).
pub(super) fn hdlr(bytes: &[u8]) -> Option<[u8; 4]> {
    some(bytes, 8)
}

/// How the samples of a track are stored.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Coding {
    /// Sound without compression, of so many bytes a second.
    Pcm(u64),
    /// Pictures without compression.
    Plain,
    Other,
}

/// `stsd`: the name of the first sample entry (8.5.2) and the rate of sound (12.2.3). The names are
/// those of the `QuickTime` File Format Specification (sound and video sample descriptions) and of
/// ISO/IEC 23003-5 (`ipcm`, `fpcm`).
pub(super) fn stsd(bytes: &[u8]) -> Coding {
    let Some(name) = some::<4>(bytes, 12) else {
        return Coding::Other;
    };
    let number = |at| be16(bytes, at).map_or(0, u64::from);
    // The second version has the true figures behind the entry of the first one.
    let (channels, bits, rate) = match number(24) {
        2 => {
            let rate = some(bytes, 48).map(f64::from_be_bytes);
            let long = |at| be32(bytes, at).map_or(0, u64::from);
            (long(56), long(64), rate.map_or(0, whole))
        }
        _ => (number(32), number(34), number(40)),
    };
    let bytes_per_s = channels.min(64) * bits.min(64) / 8;
    let bytes_per_s = bytes_per_s.saturating_mul(rate);
    match &name {
        b"sowt" | b"twos" | b"lpcm" | b"in24" | b"in32" | b"fl32" | b"fl64" | b"ipcm" | b"fpcm"
        | b"NONE" | b"ulaw" | b"alaw" => Coding::Pcm(bytes_per_s),
        // Both are called so: sound has channels where pictures have zeros.
        b"raw " if channels > 0 => Coding::Pcm(bytes_per_s),
        b"raw " | b"2vuy" | b"2Vuy" | b"yuv2" | b"yuvs" | b"v210" | b"v216" | b"v308" | b"v408"
        | b"v410" | b"r210" | b"R10k" | b"b16g" | b"b48r" | b"b64a" => Coding::Plain,
        _ => Coding::Other,
    }
}
