//! Owns the decoding of TIFF, by the `tiff` crate, strip by strip or tile by tile. What is not
//! compressed has nothing to decode: any bytes are a picture. That crate takes no more of a deflate
//! stream than a picture needs, so the sum at the stream's end is looked at here.

use super::decoding::{DECODED_BYTES_MAX, DECODER_BYTES_MAX, Decoding, NotDecoded};
use crate::inspect::bytes::ByteOrder;
use crate::inspect::hint::Clue;
use crate::units::{len_usize, len64};
use flate2::{Decompress, FlushDecompress, Status};
use std::io::{self, Cursor};
use tiff::decoder::{ChunkType, Decoder, Limits};
use tiff::tags::{CompressionMethod, Tag};
use tiff::{TiffError, TiffResult};

/// Pictures of a file that are decoded; cameras write one or two.
const PICTURES_MAX: usize = 16;
/// Strips and tiles of a picture.
const CHUNKS_MAX: u32 = 1_000_000;
/// Bytes that come out of a stream at once.
const PIECE: usize = 64 * 1_024;
/// The type of a text (TIFF 6.0, section 2).
const ASCII: u16 = 2;

/// Decodes the pictures.
pub(super) fn decode(bytes: &[u8]) -> Decoding {
    if has_endless_text(bytes).unwrap_or_default() {
        return broken("a text in a directory is too long".to_owned());
    }
    match pictures(bytes) {
        Ok(()) => Decoding::Whole,
        Err(TiffError::LimitsExceeded | TiffError::IntSizeError) => {
            Decoding::Not(NotDecoded::TooLarge)
        }
        Err(TiffError::UnsupportedError(_) | TiffError::UsageError(_)) => {
            Decoding::Not(NotDecoded::Form)
        }
        Err(e @ (TiffError::FormatError(_) | TiffError::IoError(_))) => broken(e.to_string()),
    }
}

fn broken(why: String) -> Decoding {
    Decoding::Broken(Clue::Undecodable { at: None, why })
}

/// Whether a text is said to be longer than the file, or than any text is (TIFF 6.0, section 2).
/// `tiff` 0.11.3 writes a line of its own to standard error over the longest ones.
fn has_endless_text(bytes: &[u8]) -> Option<bool> {
    let order = match bytes.get(..2)? {
        b"II" => ByteOrder::Little,
        _ => ByteOrder::Big,
    };
    let most = len64(bytes.len().min(DECODER_BYTES_MAX));
    let mut next = order.u32(bytes, 4)?;
    for _ in 0..=PICTURES_MAX {
        let at = usize::try_from(next).ok().filter(|at| *at > 0)?;
        let entries = usize::from(order.u16(bytes, at)?);
        let (from, length) = (at.checked_add(2)?, entries.saturating_mul(12));
        let (entries, _) = bytes.get(from..)?.as_chunks::<12>();
        let is_endless = |entry: &&[u8; 12]| {
            let count = order.u32(*entry, 4).map_or(0, u64::from);
            order.u16(*entry, 2) == Some(ASCII) && count > most
        };
        if entries.iter().take(length / 12).any(|e| is_endless(&e)) {
            return Some(true);
        }
        next = order.u32(bytes, from.checked_add(length)?)?;
    }
    Some(false)
}

fn pictures(bytes: &[u8]) -> TiffResult<()> {
    let mut limits = Limits::default();
    limits.decoding_buffer_size = DECODER_BYTES_MAX;
    limits.intermediate_buffer_size = DECODER_BYTES_MAX;
    let mut decoder = Decoder::new(Cursor::new(bytes))?.with_limits(limits);
    let mut left = DECODED_BYTES_MAX;
    for _ in 0..PICTURES_MAX {
        let method = decoder.find_tag_unsigned::<u16>(Tag::Compression)?;
        let method = method.map_or(
            CompressionMethod::None,
            CompressionMethod::from_u16_exhaustive,
        );
        if method != CompressionMethod::None {
            picture(&mut decoder, method, bytes, &mut left)?;
        }
        if !decoder.more_images() {
            break;
        }
        decoder.next_image()?;
    }
    Ok(())
}

/// Decodes one picture. So many bytes may still come out of the file.
fn picture(
    decoder: &mut Decoder<Cursor<&[u8]>>,
    method: CompressionMethod,
    bytes: &[u8],
    left: &mut u64,
) -> TiffResult<()> {
    let (chunks, offsets, counts) = match decoder.get_chunk_type() {
        ChunkType::Strip => (
            decoder.strip_count()?,
            Tag::StripOffsets,
            Tag::StripByteCounts,
        ),
        ChunkType::Tile => (decoder.tile_count()?, Tag::TileOffsets, Tag::TileByteCounts),
    };
    if chunks > CHUNKS_MAX {
        return Err(TiffError::LimitsExceeded);
    }
    for chunk in 0..chunks {
        let mut pixels = decoder.read_chunk(chunk)?;
        spend(left, len64(pixels.as_buffer(0).byte_len()))?;
    }
    let is_deflate = matches!(
        method,
        CompressionMethod::Deflate | CompressionMethod::OldDeflate
    );
    let offsets = decoder
        .find_tag_unsigned_vec::<u64>(offsets)?
        .unwrap_or_default();
    let counts = decoder
        .find_tag_unsigned_vec::<u64>(counts)?
        .unwrap_or_default();
    for (at, count) in offsets.into_iter().zip(counts).filter(|_| is_deflate) {
        let stream = bytes.get(len_usize(at)..).unwrap_or_default();
        let stream = stream.get(..len_usize(count)).unwrap_or(stream);
        inflate(stream, left)?;
    }
    Ok(())
}

/// Follows a stream to its end, and its sum (RFC 1950, 2.2).
fn inflate(stream: &[u8], left: &mut u64) -> TiffResult<()> {
    let mut inflate = Decompress::new(true);
    let mut piece = vec![0; PIECE];
    loop {
        let before = (inflate.total_in(), inflate.total_out());
        let rest = stream.get(len_usize(before.0)..).unwrap_or_default();
        let status = inflate.decompress(rest, &mut piece, FlushDecompress::None);
        let status = status.map_err(io::Error::from)?;
        spend(left, inflate.total_out().saturating_sub(before.1))?;
        if status == Status::StreamEnd {
            return Ok(());
        }
        if before == (inflate.total_in(), inflate.total_out()) {
            return Err(io::Error::from(io::ErrorKind::UnexpectedEof).into());
        }
    }
}

fn spend(left: &mut u64, bytes: u64) -> TiffResult<()> {
    *left = left.checked_sub(bytes).ok_or(TiffError::LimitsExceeded)?;
    Ok(())
}
