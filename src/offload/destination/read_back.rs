//! Owns one file being read back from its drive, and the comparison with what the card delivered.

use super::context::DestinationContext;
use super::message::{OpenPart, Publishable};
use crate::digest::Digest;
use crate::disk::buffer::{ALIGN, Aligned};
use crate::disk::{ReadBackWay, Source, Stat};
use crate::error::{ProblemKind, Step};
use crate::offload::in_flight::{GivenUp, InFlight};
use crate::record::layout::Level;
use crate::units::{len_usize, len64};
use camino::{Utf8Path, Utf8PathBuf};
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tracing::trace;

/// Takes a file as it was written, where nothing is to be read back. `None`: it was given up, or
/// the job stops.
pub(super) fn as_written(destination: &DestinationContext, open: &OpenPart) -> Option<Publishable> {
    let digest = open.file.wait_whole(&destination.context.cancel).ok()?;
    Some(Publishable {
        file: Arc::clone(&open.file),
        digest,
        also: open.file.also(),
        way: ReadBackWay::None,
        level: Level::Written,
        time: Duration::ZERO,
        seen: None,
        part: Some(open.path.clone()),
    })
}

/// One file being read back.
pub(super) struct ReadingBack {
    destination: Arc<DestinationContext>,
    pub(super) file: Arc<InFlight>,
    source: Box<dyn Source>,
    hasher: blake3::Hasher,
    at: u64,
    time: Duration,
    /// What the open file was, all written, before its end was read: what is written to it from
    /// then on shows later.
    seen: Option<Stat>,
    /// It could not be read, or differs; told already.
    pub(super) is_bad: bool,
}

impl ReadingBack {
    /// Opens a file; a drive on which that fails is dropped.
    pub(super) fn open(
        destination: &Arc<DestinationContext>,
        file: &Arc<InFlight>,
        path: &Utf8Path,
    ) -> Option<Self> {
        match destination.context.disk.open_read_back(path) {
            Ok(source) => Some(Self {
                destination: Arc::clone(destination),
                file: Arc::clone(file),
                source,
                hasher: blake3::Hasher::new(),
                at: 0,
                time: Duration::ZERO,
                seen: None,
                is_bad: false,
            }),
            Err(e) => {
                destination.drop_out_on(Step::ReadBack, file, &e);
                None
            }
        }
    }

    /// Bytes that were read.
    pub(super) fn at(&self) -> u64 {
        self.at
    }

    fn hash_so_far(&self) -> Digest {
        self.hasher.finalize().into()
    }

    /// Reads on to `end`. At the end of the file one more read makes sure that nothing follows.
    ///
    /// # Errors
    /// What the drive says; `Interrupted` when the job stops.
    pub(super) fn read_to(&mut self, end: u64, buffer: &mut Aligned) -> io::Result<()> {
        let destination = &self.destination;
        let clock = &destination.context.clock;
        let total = destination.job(&self.file).bytes;
        if end == total {
            self.seen = Some(self.source.stat()?);
        }
        while self.at < end {
            if destination.stops() {
                return Err(io::ErrorKind::Interrupted.into());
            }
            // Whole blocks keep direct reads aligned; the count is what matters. Beyond the end of
            // the file nothing may follow.
            let left = len_usize(end - self.at);
            let want = if end < total {
                left
            } else {
                left.saturating_add(1).next_multiple_of(ALIGN)
            };
            let want = want.min(buffer.capacity());
            let start = clock.elapsed();
            let n = self
                .source
                .read_at(&mut buffer.all_mut()[..want], self.at)?;
            let took = clock.elapsed().saturating_sub(start);
            self.time += took;
            destination.meter().read_back_ns.add_time(took);
            if n == 0 {
                // Shorter than it should be: the hash will differ.
                return Ok(());
            }
            self.hasher.update(buffer.first(n));
            self.at += len64(n);
            destination.meter().read_back.add(len64(n));
        }
        if end == total {
            let bytes = self.source.stat()?.bytes;
            if bytes != total {
                self.at = bytes;
            }
        }
        Ok(())
    }

    /// Compares the hash so far with the source's up to `end`.
    pub(super) fn compare_mark(&mut self, end: u64) {
        let source = self.file.wait_mark(end, &self.destination.context.cancel);
        if source.is_ok_and(|source| source != self.hash_so_far()) {
            self.is_bad = true;
            self.mismatch(Some(end));
        }
    }

    /// Compares the whole file, which is `part` or was there already. `None`: it differs, which
    /// is told, was given up, or the job stops.
    pub(super) fn compare(&self, part: Option<Utf8PathBuf>) -> Option<Publishable> {
        let destination = &self.destination;
        let source = match self.file.wait_whole(&destination.context.cancel) {
            Ok(source) => source,
            // Given up by the reader, who tells why, or stopped.
            Err(GivenUp) => return None,
        };
        if self.at != destination.job(&self.file).bytes || self.hash_so_far() != source {
            if part.is_some() {
                self.mismatch(None);
            } else if destination.was_found_damaged(&self.file, source) {
                let why = "what is there is no longer what an earlier copy read back, as a check \
                    found before; nothing was changed there";
                destination.file_problem(&self.file, ProblemKind::Changed, why.to_owned());
            } else {
                let detail = "a file of this name was there already and differs from the card's; \
                    nothing was changed there";
                destination.file_problem(&self.file, ProblemKind::NameClash, detail.to_owned());
            }
            return None;
        }
        let way = self.source.way();
        let name = &destination.job(&self.file).name;
        trace!(file = %name, way = way.id(), took = ?self.time, "equal");
        Some(Publishable {
            file: Arc::clone(&self.file),
            digest: source,
            also: self.file.also(),
            way,
            level: Level::ReadBack,
            time: self.time,
            seen: self.seen,
            part,
        })
    }

    fn mismatch(&self, before: Option<u64>) {
        let place = before.map_or(String::new(), |end| format!(" before byte {end}"));
        let detail = format!(
            "what the drive gave back ({}) differs from what the card delivered{place}; \
            the copy was removed",
            self.source.way().id()
        );
        self.destination
            .file_problem(&self.file, ProblemKind::Mismatch, detail);
    }
}
