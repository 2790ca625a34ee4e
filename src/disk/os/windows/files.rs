//! Owns open files: one that is read past the cache, and a part file being written past it.

use super::look::{is_error, stat_of};
use crate::disk::buffer::{ALIGN, Aligned, Chunk};
use crate::disk::{PartFile, ReadBackWay, Source, Stamp, Stat};
use crate::units::{len_usize, len64};
use std::fs::{File, FileTimes, OpenOptions};
use std::io;
use std::os::windows::fs::FileExt as _;
use std::path::PathBuf;
use std::sync::OnceLock;
use std::time::{Duration, SystemTime};
use windows_sys::Win32::Foundation::ERROR_INVALID_PARAMETER;

/// A file open for reading.
#[derive(Debug)]
pub(super) struct OsSource {
    pub(super) file: File,
    pub(super) way: ReadBackWay,
    pub(super) is_unbuffered: bool,
    /// For reads that do not begin and end where unbuffered ones must.
    pub(super) scratch: Option<Aligned>,
}

impl OsSource {
    /// Reads the blocks around a place and takes what was asked for.
    fn read_around(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        let scratch = self.scratch.get_or_insert_with(|| Aligned::new(ALIGN));
        let start = offset / len64(ALIGN) * len64(ALIGN);
        let skip = len_usize(offset - start);
        let filled = self.file.seek_read(scratch.all_mut(), start)?;
        let found = scratch.first(filled).get(skip..).unwrap_or(&[]);
        let n = found.len().min(into.len());
        into[..n].copy_from_slice(&found[..n]);
        Ok(n)
    }
}

impl Source for OsSource {
    fn read_at(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        if !self.is_unbuffered {
            return self.file.seek_read(into, offset);
        }
        let fits = into.as_ptr().align_offset(ALIGN) == 0 && offset.is_multiple_of(len64(ALIGN));
        let whole = into.len() / ALIGN * ALIGN;
        if fits && whole > 0 {
            return self.file.seek_read(&mut into[..whole], offset);
        }
        self.read_around(into, offset)
    }

    fn expect(&self, _offset: u64, _bytes: u64) {}

    fn forget(&self, _offset: u64) {}

    fn stat(&self) -> io::Result<Stat> {
        stat_of(&self.file)
    }

    fn way(&self) -> ReadBackWay {
        self.way
    }
}

/// A part file being written.
#[derive(Debug)]
pub(super) struct OsPart {
    pub(super) file: File,
    pub(super) path: PathBuf,
    pub(super) is_unbuffered: bool,
    /// Opened when the file system took an unbuffered open and refused an unbuffered write.
    pub(super) buffered: OnceLock<File>,
}

impl OsPart {
    fn open_buffered(&self) -> io::Result<&File> {
        if self.buffered.get().is_none() {
            let file = OpenOptions::new().write(true).open(&self.path)?;
            drop(self.buffered.set(file));
        }
        self.buffered
            .get()
            .ok_or_else(|| io::Error::other("could not be opened again"))
    }
}

fn write_all_at(file: &File, mut bytes: &[u8], mut offset: u64) -> io::Result<()> {
    while !bytes.is_empty() {
        let n = file.seek_write(bytes, offset)?;
        if n == 0 {
            return Err(io::ErrorKind::WriteZero.into());
        }
        bytes = bytes.get(n..).unwrap_or(&[]);
        offset += len64(n);
    }
    Ok(())
}

impl PartFile for OsPart {
    fn write_chunk(&self, chunk: &Chunk, offset: u64) -> io::Result<()> {
        if !self.is_unbuffered {
            return write_all_at(&self.file, chunk.bytes(), offset);
        }
        if let Some(file) = self.buffered.get() {
            return write_all_at(file, chunk.bytes(), offset);
        }
        match write_all_at(&self.file, chunk.padded(), offset) {
            Err(e) if is_error(&e, &[ERROR_INVALID_PARAMETER]) => {
                write_all_at(self.open_buffered()?, chunk.bytes(), offset)
            }
            other => other,
        }
    }

    fn flush_data(&self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn finish(&self, bytes: u64, modified: Stamp) -> io::Result<bool> {
        if self.is_unbuffered {
            match self.file.set_len(bytes) {
                Err(e) if is_error(&e, &[ERROR_INVALID_PARAMETER]) => {
                    self.open_buffered()?.set_len(bytes)?;
                }
                other => other?,
            }
        }
        let nanos = Duration::from_nanos(u64::from(modified.nanos));
        let seconds = Duration::from_secs(modified.seconds.unsigned_abs());
        let whole = if modified.seconds < 0 {
            SystemTime::UNIX_EPOCH.checked_sub(seconds)
        } else {
            SystemTime::UNIX_EPOCH.checked_add(seconds)
        };
        let Some(time) = whole.and_then(|t| t.checked_add(nanos)) else {
            return Ok(false);
        };
        let times = FileTimes::new().set_modified(time).set_accessed(time);
        Ok(self.file.set_times(times).is_ok())
    }

    fn flush_all(&self) -> io::Result<()> {
        self.file.sync_all()
    }

    fn had_other_writer(&self) -> bool {
        false
    }
}
