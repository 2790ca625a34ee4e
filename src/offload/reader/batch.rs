//! Owns the buffer that small files share on their way: handing over each by itself costs more than
//! writing it.

use crate::disk::buffer::{ALIGN, Aligned, Chunk};
use crate::offload::in_flight::InFlight;
use crate::offload::limits::Limits;
use crate::units::len_usize;
use std::sync::Arc;

/// Whole small files in one buffer, not handed over yet.
pub(super) struct SmallFileBatch {
    buffer: Aligned,
    /// Bytes in use; a multiple of the alignment.
    used: usize,
    /// Each file with the place of its bytes.
    files: Vec<(Arc<InFlight>, usize, usize)>,
}

impl SmallFileBatch {
    pub(super) fn new(buffer: Aligned) -> Self {
        Self {
            buffer,
            used: 0,
            files: Vec::new(),
        }
    }

    /// Returns whether a file of so many bytes has no place in it.
    pub(super) fn is_full(&self, limits: &Limits, bytes: u64) -> bool {
        self.files.len() >= limits.shared_files
            || self.used + len_usize(bytes) > self.buffer.capacity()
    }

    /// The place of the next file's bytes.
    pub(super) fn place(&mut self, bytes: usize) -> &mut [u8] {
        let from = self.used;
        &mut self.buffer.all_mut()[from..from + bytes]
    }

    /// Takes the file whose bytes were put in the next place.
    pub(super) fn add(&mut self, file: Arc<InFlight>, bytes: u64) {
        let from = self.used;
        let to = from + len_usize(bytes);
        self.buffer.pad(to);
        self.used = to.next_multiple_of(ALIGN);
        self.files.push((file, from, to));
    }

    /// Returns each file with its bytes, once the buffer is sealed.
    pub(super) fn split(
        self,
        seal: impl FnOnce(Aligned, usize) -> Chunk,
    ) -> Arc<[(Arc<InFlight>, Chunk)]> {
        let chunk = seal(self.buffer, self.used);
        let files = self.files.into_iter();
        let files = files.map(|(file, from, to)| (file, chunk.part(from, to)));
        files.collect()
    }
}
