//! Owns the full reading of stills: every code of a picture, not only the structure around it.
//! Pure; what it finds is a hint, never part of a verdict. Who decodes clips is not known here.

pub mod decoding;
mod jpeg;
mod png;
mod tiff;

use super::kind::FileKind;
use crate::card::media::Media;
use decoding::{Decoding, NotDecoded};
use std::panic::catch_unwind;

/// The largest still that is decoded, in bytes: it is held in memory as a whole.
pub const STILL_BYTES_MAX: u64 = 256 << 20;
/// Who can decode a kind of file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum DecodedBy {
    /// This program.
    Here,
    /// `FFmpeg`, with the name that it has for the form.
    Ffmpeg(&'static str),
    /// Nobody, and why.
    Nobody(NotDecoded),
}

/// Returns who can decode a kind of file.
pub fn decoded_by(kind: FileKind) -> DecodedBy {
    match kind {
        FileKind::Jpeg | FileKind::Png | FileKind::Tiff => DecodedBy::Here,
        FileKind::Raw | FileKind::Raf | FileKind::Cr3 => DecodedBy::Nobody(NotDecoded::Raw),
        FileKind::Heif => DecodedBy::Nobody(NotDecoded::Form),
        FileKind::Movie => DecodedBy::Ffmpeg("mov"),
        FileKind::Avi => DecodedBy::Ffmpeg("avi"),
        FileKind::Mxf => DecodedBy::Ffmpeg("mxf"),
        FileKind::Avchd => DecodedBy::Ffmpeg("mpegts"),
        FileKind::Wav => DecodedBy::Ffmpeg("wav"),
        FileKind::Flac => DecodedBy::Ffmpeg("flac"),
        FileKind::Mp3 => DecodedBy::Ffmpeg("mp3"),
    }
}

/// Decodes a still. A decoder that breaks down over foreign bytes costs the look at this file, no
/// more.
pub fn decode_still(kind: FileKind, bytes: &[u8]) -> Decoding {
    debug_assert_eq!(kind.media(), Media::Still);
    let decode = match kind {
        FileKind::Jpeg => jpeg::decode,
        FileKind::Png => png::decode,
        FileKind::Tiff => tiff::decode,
        _ => return Decoding::Not(NotDecoded::Form),
    };
    catch_unwind(|| decode(bytes)).unwrap_or(Decoding::Not(NotDecoded::BrokeDown))
}

#[cfg(test)]
mod tests;
