//! Owns the reading of a sample: files of a card or a drive that look like those on record are read
//! past memory where that is possible, each once, and compared. It writes nothing.

use crate::card::sample::Alike;
use crate::digest::Digest;
use crate::disk::Disk;
use crate::disk::hash_file::hash_whole;
use crate::name::{CardName, shown};
use camino::Utf8Path;
use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::{fmt, io};
use tracing::debug;

/// Whether samples are read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Sampling {
    /// They are.
    Read,
    /// They are taken to be equal: nothing is believed on that ground, it is only reckoned with.
    TakenAsEqual,
}

/// What was read of one tree for samples.
pub struct Sampled<'a> {
    disk: &'a dyn Disk,
    root: &'a Utf8Path,
    cancel: &'a AtomicBool,
    sampling: Sampling,
    /// Hears how many bytes are going to be read.
    tell: &'a mut dyn FnMut(u64),
    read: HashMap<String, Option<Digest>>,
}

impl fmt::Debug for Sampled<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut all = f.debug_struct("Sampled");
        all.field("root", &self.root).finish_non_exhaustive()
    }
}

impl<'a> Sampled<'a> {
    /// A tree of which nothing was read yet. Once `cancel` is set nothing more is read, and nothing
    /// that was not read is equal.
    pub fn new(
        disk: &'a dyn Disk,
        root: &'a Utf8Path,
        cancel: &'a AtomicBool,
        sampling: Sampling,
        tell: &'a mut dyn FnMut(u64),
    ) -> Self {
        Self {
            disk,
            root,
            cancel,
            sampling,
            tell,
            read: HashMap::new(),
        }
    }

    /// Whether each of these files holds what is on record; one that cannot be read does not. Reads
    /// no further once one differs.
    pub fn are_equal(&mut self, files: &[Alike<'_>]) -> bool {
        if self.sampling == Sampling::TakenAsEqual {
            return true;
        }
        let unread = files.iter().filter(|f| !self.read.contains_key(f.name));
        let bytes: u64 = unread.map(|f| f.bytes).sum();
        if bytes > 0 {
            (self.tell)(bytes);
        }
        let are_equal = files.iter().all(|file| {
            let known = self.read.get(file.name).copied();
            let now = known.unwrap_or_else(|| {
                let now = self.hash(file).ok();
                self.read.insert(file.name.to_owned(), now);
                now
            });
            now == Some(file.blake3)
        });
        if bytes > 0 {
            let files = files.len();
            debug!(tree = %shown(self.root.as_str()), files, bytes, are_equal, "sampled");
        }
        are_equal
    }

    /// The same of another tree, of which nothing was read yet.
    pub fn are_equal_in(
        &mut self,
        disk: &dyn Disk,
        root: &Utf8Path,
        cancel: &AtomicBool,
        files: &[Alike<'_>],
    ) -> bool {
        Sampled::new(disk, root, cancel, self.sampling, self.tell).are_equal(files)
    }

    fn hash(&self, file: &Alike<'_>) -> io::Result<Digest> {
        let mut go_on = |_| !self.cancel.load(Ordering::Relaxed);
        if !go_on(0) {
            return Err(io::ErrorKind::Interrupted.into());
        }
        let name = CardName::parse(file.name).map_err(|e| io::Error::other(e.to_string()))?;
        let mut source = self.disk.open_read_back(&name.under(self.root))?;
        match hash_whole(source.as_mut(), file.bytes, &mut go_on)? {
            Some((digest, n)) if n == file.bytes => Ok(digest),
            Some(_) => Err(io::ErrorKind::UnexpectedEof.into()),
            None => Err(io::ErrorKind::Interrupted.into()),
        }
    }
}
