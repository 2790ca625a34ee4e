//! Owns the decoding of PNG, by the `png` crate: it checks every chunk's sum and the stream of the
//! picture.

use super::decoding::{DECODER_BYTES_MAX, Decoding, NotDecoded};
use crate::inspect::hint::Clue;
use png::{DecodeOptions, Decoder, DecodingError, Limits};
use std::io::Cursor;

/// Decodes row by row: only two rows are held.
pub(super) fn decode(bytes: &[u8]) -> Decoding {
    let mut options = DecodeOptions::default();
    options.set_ignore_checksums(false);
    options.set_skip_ancillary_crc_failures(false);
    let mut decoder = Decoder::new_with_options(Cursor::new(bytes), options);
    decoder.set_limits(Limits {
        bytes: DECODER_BYTES_MAX,
    });
    let rows = decoder.read_info().and_then(|mut rows| {
        while rows.next_row()?.is_some() {}
        rows.finish()
    });
    match rows {
        Ok(()) => Decoding::Whole,
        Err(DecodingError::LimitsExceeded) => Decoding::Not(NotDecoded::TooLarge),
        Err(e) => Decoding::Broken(Clue::Undecodable {
            at: None,
            why: e.to_string(),
        }),
    }
}
