//! Owns which files have a structure that is known here: by the ending of the name and by the first
//! bytes, which have to agree.

use crate::card::media::{Media, ending};

/// A kind of file whose structure is known.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum FileKind {
    /// MP4, MOV, M4V, 3GP, M4A: the ISO base media file format or its parent, `QuickTime`.
    Movie,
    /// HEIF, HEIC, AVIF: stills in the ISO base media file format.
    Heif,
    /// Canon's CR3: a raw in the ISO base media file format.
    Cr3,
    /// AVI in RIFF.
    Avi,
    /// WAV in RIFF, RF64 or BW64.
    Wav,
    /// Material exchange format.
    Mxf,
    /// The transport stream of AVCHD.
    Avchd,
    /// JPEG.
    Jpeg,
    /// PNG.
    Png,
    /// TIFF.
    Tiff,
    /// A raw that is built like TIFF: DNG, NEF, ARW, CR2, ORF, RW2, PEF and others.
    Raw,
    /// Fujifilm's RAF.
    Raf,
    /// FLAC.
    Flac,
    /// MP3.
    Mp3,
}

/// The endings of each kind. Common practice, no source. A few more kinds of raw are built like
/// TIFF; these are the ones whose first bytes are known to be TIFF's.
const ENDINGS: [(FileKind, &[&str]); 14] = [
    (
        FileKind::Movie,
        &["mp4", "mov", "m4v", "3gp", "3g2", "m4a", "insv", "crm"],
    ),
    (FileKind::Heif, &["heic", "heif", "hif", "avif"]),
    (FileKind::Cr3, &["cr3"]),
    (FileKind::Avi, &["avi"]),
    (FileKind::Wav, &["wav", "bwf"]),
    (FileKind::Mxf, &["mxf"]),
    (FileKind::Avchd, &["mts", "m2ts"]),
    (FileKind::Jpeg, &["jpg", "jpeg", "jpe"]),
    (FileKind::Png, &["png"]),
    (FileKind::Tiff, &["tif", "tiff"]),
    (
        FileKind::Raw,
        &[
            "dng", "nef", "nrw", "arw", "sr2", "cr2", "orf", "rw2", "pef", "srw", "erf", "3fr",
            "gpr",
        ],
    ),
    (FileKind::Raf, &["raf"]),
    (FileKind::Flac, &["flac"]),
    (FileKind::Mp3, &["mp3"]),
];

/// Where in a packet of AVCHD the byte is that all begin with, and that byte (ISO/IEC 13818-1,
/// 2.4.3.3).
pub(super) const SYNC_AT: usize = 4;
pub(super) const SYNC: u8 = 0x47;

/// Bytes from the beginning of a file that tell its kind.
pub(super) const MAGIC_BYTES: usize = 16;

impl FileKind {
    /// Returns the kind that the ending of a name stands for.
    pub fn by_name(path: &str) -> Option<Self> {
        let ending = ending(path.as_bytes())?;
        let is_of = |(_, endings): &&(Self, &[&str])| {
            let mut endings = endings.iter();
            endings.any(|e| ending.eq_ignore_ascii_case(e.as_bytes()))
        };
        ENDINGS.iter().find(is_of).map(|&(kind, _)| kind)
    }

    /// Returns what a file of this kind is, as far as the kind alone says.
    pub fn media(self) -> Media {
        match self {
            Self::Movie | Self::Avi | Self::Mxf | Self::Avchd => Media::Clip,
            Self::Wav | Self::Flac | Self::Mp3 => Media::Sound,
            _ => Media::Still,
        }
    }

    /// Returns whether every file of this kind begins in one of the ways that are known here.
    pub(super) fn has_sure_beginning(self) -> bool {
        !matches!(
            self,
            Self::Raw | Self::Mxf | Self::Mp3 | Self::Movie | Self::Avchd
        )
    }

    /// Returns whether a file of this kind may begin with these bytes, [`MAGIC_BYTES`] of them
    /// where the file has as many.
    ///
    /// The sources: ISO/IEC 14496-12, 4.2 and the `QuickTime` File Format Specification (the name
    /// of the first box or atom); Multimedia Programming Interface and Data Specifications 1.0
    /// (RIFF), EBU Tech 3306 (RF64), ITU-R BS.2088 (BW64); ITU-T T.81, B.1.1.3 (SOI); PNG (third
    /// edition), 5.2; TIFF 6.0, section 2; RFC 9639, section 8. MXF may begin with a run-in of any
    /// bytes (SMPTE ST 377-1, 6.5), MP3 with any frame or tag. The variants of TIFF in ORF and RW2
    /// and the beginning of RAF are published by those who read them.
    pub(super) fn begins_with(self, first: &[u8]) -> bool {
        let is = |at: usize, what: &[u8]| first.get(at..at + what.len()) == Some(what);
        match self {
            Self::Movie => {
                let known: [&[u8]; 9] = [
                    b"ftyp", b"styp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot", b"uuid",
                ];
                known.iter().any(|name| is(4, name))
            }
            Self::Heif | Self::Cr3 => is(4, b"ftyp"),
            Self::Avi => is(0, b"RIFF") && is(8, b"AVI "),
            Self::Wav => {
                let forms: [&[u8]; 3] = [b"RIFF", b"RF64", b"BW64"];
                forms.iter().any(|form| is(0, form)) && is(8, b"WAVE")
            }
            Self::Jpeg => is(0, b"\xff\xd8\xff"),
            Self::Png => is(0, b"\x89PNG\r\n\x1a\n"),
            Self::Tiff => is(0, b"II*\0") || is(0, b"MM\0*"),
            Self::Raw => {
                let forms: [&[u8]; 6] = [b"II*\0", b"MM\0*", b"IIRO", b"IIRS", b"MMOR", b"IIU\0"];
                forms.iter().any(|form| is(0, form))
            }
            Self::Raf => is(0, b"FUJIFILMCCD-RAW "),
            Self::Flac => is(0, b"fLaC"),
            Self::Avchd => is(SYNC_AT, &[SYNC]),
            Self::Mxf | Self::Mp3 => true,
        }
    }
}
