//! Owns how one file gets its name at a place. In a bucket it has it when it is whole, and only if
//! nobody else has it; elsewhere it is a part file until then, which is given the name once nothing
//! has it. What was sent of a part file before is compared and not sent again.

use super::error::{PlaceFault, StoreError};
use super::object::PlaceObject;
use super::store::{Store, cut_short};
use crate::units::len64;
use opendal::Writer;

/// Bytes of a part in a bucket: of no less than 5 MiB, and no more than 10,000 of them (both are
/// limits of S3).
const PART_MIN: u64 = 5 << 20;
const PARTS_MAX: u64 = 9_000;
/// Bytes of a small object that are handed on at a time.
const PIECE: usize = 1 << 20;

/// Returns the size of the parts of a file.
fn part_bytes(bytes: u64) -> u64 {
    PART_MIN.max(bytes.div_ceil(PARTS_MAX))
}

/// A file on its way.
pub(super) struct Upload<'a> {
    store: &'a Store,
    path: &'a str,
    /// Where it is until it is whole; none in a bucket.
    part: Option<String>,
    writer: Writer,
    bytes: u64,
    sent: u64,
}

/// The name of a part file of ours: nobody else's, and the same for the next try.
pub(super) fn part_path(path: &str, mark: &str) -> String {
    let (folder, name) = path.rsplit_once('/').unwrap_or(("", path));
    // As on drives.
    let name = crate::name::part_name(&format!("{mark}.{name}"));
    if folder.is_empty() {
        name
    } else {
        format!("{folder}/{name}")
    }
}

impl<'a> Upload<'a> {
    /// Returns how much of a file is in a part file of ours at the place already.
    pub(super) fn begun(store: &Store, path: &str, mark: &str) -> Result<u64, StoreError> {
        if store.ways.is_bucket {
            return Ok(0);
        }
        let object = store.look(&part_path(path, mark))?;
        Ok(object.map_or(0, |object| object.bytes))
    }

    /// Begins, or goes on after the first `from` bytes, which were compared.
    pub(super) fn begin(
        store: &'a Store,
        path: &'a str,
        mark: &str,
        (from, bytes): (u64, u64),
    ) -> Result<Self, StoreError> {
        const STEP: &str = "begin to send it";
        let part = (!store.ways.is_bucket).then(|| part_path(path, mark));
        let writer = match &part {
            None => {
                let key = store.key(path)?;
                let chunk = crate::units::len_usize(part_bytes(bytes));
                let writer = store.ways.again.writer_with(&key);
                store.wait(STEP, writer.if_not_exists(true).chunk(chunk))?
            }
            Some(part) => {
                let key = store.key(part)?;
                let writer = store.ways.once.writer_with(&key);
                store.wait(STEP, writer.append(from > 0))?
            }
        };
        Ok(Self {
            store,
            path,
            part,
            writer,
            bytes,
            sent: from,
        })
    }

    /// Sends the next bytes.
    pub(super) fn write(&mut self, piece: &[u8]) -> Result<(), StoreError> {
        self.sent = self.sent.saturating_add(len64(piece.len()));
        let piece = piece.to_vec();
        self.store.wait("send it", self.writer.write(piece))
    }

    /// Gives it its name, and looks what the place says of it.
    pub(super) fn finish(mut self) -> Result<PlaceObject, StoreError> {
        const STEP: &str = "end sending it";
        if self.sent != self.bytes {
            let why = format!("{} bytes were sent, not {}", self.sent, self.bytes);
            return Err(StoreError::new(STEP, PlaceFault::Other, &why));
        }
        match &self.part {
            None => {
                let closed = self.store.wait(STEP, self.writer.close());
                if let Err(e) = closed {
                    self.abort();
                    return Err(e);
                }
            }
            Some(part) => {
                self.store.wait(STEP, self.writer.close())?;
                name(self.store, part, self.path, self.bytes)?;
            }
        }
        let object = self.store.look(self.path)?;
        let object = object.ok_or_else(|| {
            let why = "the place accepted it, and hasn't got it";
            StoreError::new("look at it there", PlaceFault::Other, why)
        })?;
        if object.bytes == self.bytes {
            Ok(object)
        } else {
            Err(cut_short(object.bytes, self.bytes))
        }
    }

    /// Gives it up. A bucket drops the parts; a part file stays, and is gone on with.
    pub(super) fn abort(mut self) {
        if self.part.is_none() {
            self.store.wait_briefly(self.writer.abort());
        } else {
            // What it holds so far is whole then.
            self.store.wait_briefly(self.writer.close());
        }
    }
}

/// Gives a part file its name. A rename may replace what is there (SFTP's does where the server
/// can), so it is looked before, and what has the name is looked at after.
fn name(store: &Store, part: &str, path: &str, bytes: u64) -> Result<(), StoreError> {
    const STEP: &str = "give it its name";
    let there = store.look(part)?.map_or(0, |object| object.bytes);
    if there != bytes {
        return Err(cut_short(there, bytes));
    }
    if store.look(path)?.is_some() {
        return Err(StoreError::new(
            STEP,
            PlaceFault::Taken,
            "something has its name",
        ));
    }
    let (from, to) = (store.key(part)?, store.key(path)?);
    store.wait(STEP, store.ways.once.rename(&from, &to))
}

/// Puts a small object there under a name that nothing has.
pub(super) fn put_small(
    store: &Store,
    path: &str,
    mark: &str,
    bytes: &[u8],
) -> Result<PlaceObject, StoreError> {
    let mut upload = Upload::begin(store, path, mark, (0, len64(bytes.len())))?;
    for piece in bytes.chunks(PIECE) {
        if let Err(e) = upload.write(piece) {
            upload.abort();
            return Err(e);
        }
    }
    upload.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Amazon S3, "Multipart upload limits": 10,000 parts at most, of 5 MiB at least.
    #[test]
    fn parts_are_within_the_limits_of_a_bucket() {
        for bytes in [0, 1, 5 << 20, 1 << 32, 5 << 40] {
            let part = part_bytes(bytes);
            assert!(part >= 5 << 20 && bytes.div_ceil(part) <= 10_000, "{bytes}");
        }
    }

    #[test]
    fn a_part_file_is_beside_its_place_and_hidden() {
        assert_eq!(
            part_path("A/KITE.RAW", "0a1b"),
            "A/.0a1b.KITE.RAW.unlade-part"
        );
        assert!(part_path("KITE.RAW", "0a1b").starts_with(".0a1b"));
    }
}
