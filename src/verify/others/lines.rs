//! Owns the reading of a record's lines from a drive, one after the other, with limits: a list may
//! have ten million of them.

use crate::disk::Source;
use crate::disk::buffer::Aligned;
use crate::record::others::WhyRefused;
use crate::units::len64;
use std::io;

/// The longest line that is read: a path of four bytes a character, escaped, and a hash.
const LINE_BYTES_MAX: usize = 64 << 10;
/// The largest record that is read. A line takes up to 430 bytes of memory, as measured.
pub(super) const RECORD_BYTES_MAX: u64 = 2 << 30;
/// The most lines of a record that are read.
const LINES_MAX: u64 = 20_000_000;
const CHUNK_BYTES: usize = 1 << 20;

/// Why the lines end early.
pub(super) enum LinesStopped {
    Io(io::Error),
    /// At this line.
    Refused(u64, WhyRefused),
    Interrupted,
}

impl From<io::Error> for LinesStopped {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

/// Somebody who takes lines and their numbers, and may refuse one.
pub(super) type TakeLine<'a> = &'a mut dyn FnMut(&[u8], u64) -> Result<(), WhyRefused>;

/// Calls `each` with every line of a file, without its line feed, and its number from 1. `go_on` is
/// asked at every read.
pub(super) fn each_line(
    source: &mut dyn Source,
    go_on: &dyn Fn() -> bool,
    each: TakeLine<'_>,
) -> Result<(), LinesStopped> {
    if source.stat()?.bytes > RECORD_BYTES_MAX {
        return Err(LinesStopped::Refused(1, WhyRefused::TooLarge));
    }
    let mut buffer = Aligned::new(CHUNK_BYTES);
    let (mut begun, mut number, mut at) = (Vec::new(), 0, 0);
    let mut tell = |line: &[u8], number: u64| {
        let told = if line.len() > LINE_BYTES_MAX {
            Err(WhyRefused::LongLine)
        } else if number > LINES_MAX {
            Err(WhyRefused::TooLarge)
        } else {
            each(line, number)
        };
        told.map_err(|why| LinesStopped::Refused(number, why))
    };
    loop {
        if !go_on() {
            return Err(LinesStopped::Interrupted);
        }
        let read = source.read_at(buffer.all_mut(), at)?;
        if read == 0 {
            break;
        }
        at += len64(read);
        let mut lines = buffer.first(read).split(|b| *b == b'\n').peekable();
        while let Some(line) = lines.next() {
            let is_whole = lines.peek().is_some();
            if !is_whole || !begun.is_empty() {
                begun.extend_from_slice(line);
            }
            if begun.len() > LINE_BYTES_MAX {
                return Err(LinesStopped::Refused(number + 1, WhyRefused::LongLine));
            }
            if is_whole {
                number += 1;
                tell(if begun.is_empty() { line } else { &begun }, number)?;
                begun.clear();
            }
        }
    }
    if begun.is_empty() {
        Ok(())
    } else {
        tell(&begun, number + 1)
    }
}
