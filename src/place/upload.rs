//! Owns how one file gets its name at a place. In a bucket it has it when it is whole, and only if
//! nobody else has it; elsewhere it is a part file until then, which is given the name once nothing
//! has it. What was sent of a part file before is compared and not sent again, but by `WebDAV`,
//! which takes files whole.

use super::dav::put::DavPut;
use super::error::{PlaceFault, StoreError};
use super::object::PlaceObject;
use super::open::PlaceCalls;
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

/// Where its bytes go.
enum Sink {
    Crate(Writer),
    Dav(DavPut),
}

/// Whether it is looked first what has a name.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum FirstLook {
    Always,
    /// Not where the place is to refuse what is taken: a trial sees whether it does.
    NotBeforeDav,
}

/// A file on its way.
pub(super) struct Upload<'a> {
    store: &'a Store,
    path: &'a str,
    /// Where it is until it is whole; none in a bucket.
    part: Option<String>,
    sink: Sink,
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
        if store.ways.is_bucket || matches!(store.ways.calls, PlaceCalls::Dav(_)) {
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
        let sink = match (&store.ways.calls, &part) {
            (PlaceCalls::Crate { again, .. }, None) => {
                let key = store.key(path)?;
                let chunk = crate::units::len_usize(part_bytes(bytes));
                let writer = again.writer_with(&key);
                Sink::Crate(store.wait(STEP, writer.if_not_exists(true).chunk(chunk))?)
            }
            (PlaceCalls::Crate { once, .. }, Some(part)) => {
                let key = store.key(part)?;
                let writer = once.writer_with(&key);
                Sink::Crate(store.wait(STEP, writer.append(from > 0))?)
            }
            (PlaceCalls::Dav(dav), part) => {
                Sink::Dav(store.put(dav, part.as_deref().unwrap_or(path), bytes)?)
            }
        };
        Ok(Self {
            store,
            path,
            part,
            sink,
            bytes,
            sent: from,
        })
    }

    /// Sends the next bytes.
    pub(super) fn write(&mut self, piece: &[u8]) -> Result<(), StoreError> {
        const STEP: &str = "send it";
        self.sent = self.sent.saturating_add(len64(piece.len()));
        match &mut self.sink {
            Sink::Crate(writer) => self.store.wait(STEP, writer.write(piece.to_vec())),
            Sink::Dav(put) => self.store.wait_for(STEP, put.write(piece)),
        }
    }

    /// Gives it its name, and looks what the place says of it.
    pub(super) fn finish(mut self, first: FirstLook) -> Result<PlaceObject, StoreError> {
        const STEP: &str = "end sending it";
        if self.sent != self.bytes {
            let why = format!("{} bytes were sent, not {}", self.sent, self.bytes);
            return Err(StoreError::new(STEP, PlaceFault::Other, &why));
        }
        let ended = match &mut self.sink {
            Sink::Crate(writer) => self.store.wait(STEP, writer.close()).map(drop),
            Sink::Dav(put) => self.store.wait_for(STEP, put.finish()),
        };
        let named = ended.and_then(|()| match &self.part {
            None => Ok(()),
            Some(part) => name(self.store, (part, self.path), self.bytes, first),
        });
        if let Err(e) = named {
            let is_over = match (&self.sink, &self.part) {
                // Its part may have the name already: whoever tries again looks.
                (Sink::Dav(_), _) => e.kind != PlaceFault::Away,
                (Sink::Crate(_), part) => part.is_none(),
            };
            if is_over {
                self.abort();
            }
            return Err(e);
        }
        let object = self.store.look(self.path)?;
        let object = object.ok_or_else(lost)?;
        if object.bytes == self.bytes {
            Ok(object)
        } else {
            Err(cut_short(object.bytes, self.bytes))
        }
    }

    /// Gives it up. A bucket drops the parts, and by `WebDAV` nobody goes on with a part file;
    /// elsewhere that stays, and is gone on with.
    pub(super) fn abort(self) {
        let Self {
            store, part, sink, ..
        } = self;
        match (sink, part) {
            (Sink::Crate(mut writer), None) => {
                store.wait_briefly(writer.abort());
            }
            // What it holds so far is whole then.
            (Sink::Crate(mut writer), Some(_)) => {
                store.wait_briefly(writer.close());
            }
            (Sink::Dav(put), part) => {
                drop(put);
                store.drop_part(part.as_deref());
            }
        }
    }
}

fn lost() -> StoreError {
    let why = "the place accepted it, and hasn't got it";
    StoreError::new("look at it there", PlaceFault::Other, why)
}

/// Gives a part file its name. A rename may replace what is there (SFTP's does where the server
/// can), so it is looked before, and what has the name is looked at after.
fn name(
    store: &Store,
    (part, path): (&str, &str),
    bytes: u64,
    first: FirstLook,
) -> Result<(), StoreError> {
    const STEP: &str = "give it its name";
    let there = store.look(part)?.ok_or_else(lost)?.bytes;
    if there != bytes {
        return Err(cut_short(there, bytes));
    }
    let is_dav = matches!(store.ways.calls, PlaceCalls::Dav(_));
    let looks = first == FirstLook::Always || !is_dav;
    if looks && store.look(path)?.is_some() {
        return Err(StoreError::new(
            STEP,
            PlaceFault::Taken,
            "something has its name",
        ));
    }
    store.give_name(part, path)
}

/// Puts a small object there under a name that nothing has.
pub(super) fn put_small(
    store: &Store,
    path: &str,
    mark: &str,
    (bytes, first): (&[u8], FirstLook),
) -> Result<PlaceObject, StoreError> {
    let mut upload = Upload::begin(store, path, mark, (0, len64(bytes.len())))?;
    for piece in bytes.chunks(PIECE) {
        if let Err(e) = upload.write(piece) {
            upload.abort();
            return Err(e);
        }
    }
    upload.finish(first)
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
