//! Owns the decoding of TIFF, by the `tiff` crate, strip by strip or tile by tile. What is not
//! compressed has nothing to decode: any bytes are a picture.

use super::decoding::{DECODER_BYTES_MAX, Decoding, NotDecoded};
use crate::inspect::hint::Clue;
use std::io::Cursor;
use tiff::decoder::{ChunkType, Decoder, Limits};
use tiff::tags::{CompressionMethod, Tag};
use tiff::{TiffError, TiffResult};

/// Pictures of a file that are decoded; cameras write one or two.
const PICTURES_MAX: usize = 16;

/// Decodes the pictures.
pub(super) fn decode(bytes: &[u8]) -> Decoding {
    match pictures(bytes) {
        Ok(()) => Decoding::Whole,
        Err(TiffError::LimitsExceeded | TiffError::IntSizeError) => {
            Decoding::Not(NotDecoded::TooLarge)
        }
        Err(TiffError::UnsupportedError(_) | TiffError::UsageError(_)) => {
            Decoding::Not(NotDecoded::Form)
        }
        Err(e @ (TiffError::FormatError(_) | TiffError::IoError(_))) => {
            Decoding::Broken(Clue::Undecodable {
                at: None,
                why: e.to_string(),
            })
        }
    }
}

fn pictures(bytes: &[u8]) -> TiffResult<()> {
    let mut limits = Limits::default();
    limits.decoding_buffer_size = DECODER_BYTES_MAX;
    limits.intermediate_buffer_size = DECODER_BYTES_MAX;
    let mut decoder = Decoder::new(Cursor::new(bytes))?.with_limits(limits);
    for _ in 0..PICTURES_MAX {
        let method = decoder.find_tag_unsigned::<u16>(Tag::Compression)?;
        let plain = CompressionMethod::None.to_u16();
        if method.unwrap_or(plain) != plain {
            let chunks = match decoder.get_chunk_type() {
                ChunkType::Strip => decoder.strip_count()?,
                ChunkType::Tile => decoder.tile_count()?,
            };
            for chunk in 0..chunks {
                decoder.read_chunk(chunk)?;
            }
        }
        if !decoder.more_images() {
            break;
        }
        decoder.next_image()?;
    }
    Ok(())
}
