//! Owns what comes of decoding a file.

use crate::inspect::hint::Clue;

/// What a decoder may hold beside the file, in bytes.
pub(super) const DECODER_BYTES_MAX: usize = 128 << 20;
/// What may come out of one file in all, in bytes: ten times the largest picture of a camera. A few
/// bytes can stand for more than anybody would wait for.
pub(super) const DECODED_BYTES_MAX: u64 = 8 << 30;

/// Why a file was not decoded.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum NotDecoded {
    /// A raw: only its maker knows all of it, and the small picture in it is no proof.
    Raw,
    /// A still of a form that nothing here decodes.
    Form,
    /// Too large to be held in memory, or its picture is.
    TooLarge,
    /// There is no `ffmpeg`, or it can't be started.
    NoFfmpeg,
    /// `ffmpeg` knows no decoder for it.
    NoDecoder,
    /// `ffmpeg` stood still over it, and was ended.
    StoodStill,
    /// The look at it broke down.
    BrokeDown,
}

impl NotDecoded {
    /// Returns the name used in events.
    pub fn id(self) -> &'static str {
        match self {
            Self::Raw => "raw",
            Self::Form => "form",
            Self::TooLarge => "too-large",
            Self::NoFfmpeg => "no-ffmpeg",
            Self::NoDecoder => "no-decoder",
            Self::StoodStill => "stood-still",
            Self::BrokeDown => "broke-down",
        }
    }
}

/// What came of decoding a file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Decoding {
    /// It was decoded to its end, and nothing was found.
    Whole,
    /// Something in it can't be decoded.
    Broken(Clue),
    /// It was not decoded.
    Not(NotDecoded),
}
