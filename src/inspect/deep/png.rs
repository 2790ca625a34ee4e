//! Owns the decoding of PNG, by the `png` crate: it checks every chunk's sum and the stream of the
//! picture.

use super::decoding::{DECODED_BYTES_MAX, DECODER_BYTES_MAX, Decoding, NotDecoded};
use crate::inspect::hint::Clue;
use crate::units::len64;
use png::{DecodeOptions, Decoder, DecodingError, Limits};
use std::io::Cursor;

/// Decodes row by row: only two rows are held.
pub(super) fn decode(bytes: &[u8]) -> Decoding {
    match rows(bytes) {
        Ok(()) => Decoding::Whole,
        Err(DecodingError::LimitsExceeded) => Decoding::Not(NotDecoded::TooLarge),
        Err(e) => Decoding::Broken(Clue::Undecodable {
            at: None,
            why: e.to_string(),
        }),
    }
}

fn rows(bytes: &[u8]) -> Result<(), DecodingError> {
    let mut options = DecodeOptions::default();
    options.set_ignore_checksums(false);
    options.set_skip_ancillary_crc_failures(false);
    let mut decoder = Decoder::new_with_options(Cursor::new(bytes), options);
    decoder.set_limits(Limits {
        bytes: DECODER_BYTES_MAX,
    });
    let mut rows = decoder.read_info()?;
    let mut left = DECODED_BYTES_MAX;
    while let Some(row) = rows.next_row()? {
        let rest = left.checked_sub(len64(row.data().len()));
        left = rest.ok_or(DecodingError::LimitsExceeded)?;
    }
    rows.finish()
}
