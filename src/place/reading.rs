//! Owns what is read back from a place to be compared, and the look afterwards that it is still
//! the object that was read.

use super::error::PlaceFault;
use super::object::PlaceObject;
use super::outcome::SendFault;
use super::store::{Store, cut_short};
use crate::digest::Digest;
use crate::units::len64;

/// Returns the hash of so many bytes at the place, and whether they came from there; `go_on` hears
/// of every piece.
pub(super) fn hash_at(
    store: &Store,
    path: &str,
    bytes: u64,
    go_on: &mut dyn FnMut(u64),
) -> Result<(Digest, bool), SendFault> {
    let mut hasher = blake3::Hasher::new();
    let take = &mut |piece: &[u8]| {
        hasher.update(piece);
        go_on(len64(piece.len()));
        true
    };
    let (done, is_read) = store.read(path, bytes, take).map_err(SendFault::Place)?;
    if done == bytes {
        Ok((hasher.finalize().into(), is_read))
    } else {
        Err(SendFault::Place(cut_short(done, bytes)))
    }
}

/// What the place says of an object that it did not give, though it is there to be asked: none
/// where it is away, lets nobody in, or has no such object.
pub(super) fn unread(store: &Store, path: &str, why: &SendFault) -> Option<PlaceObject> {
    match why {
        SendFault::Place(e) if !matches!(e.kind, PlaceFault::Interrupted | PlaceFault::Denied) => {
            store.look(path).ok().flatten()
        }
        _ => None,
    }
}

/// Fails where the place says something else of an object than before it was read.
pub(super) fn still(store: &Store, path: &str, object: &PlaceObject) -> Result<(), SendFault> {
    match store.look(path).map_err(SendFault::Place)? {
        Some(now) if now == *object => Ok(()),
        Some(_) => Err(SendFault::Changed("it was replaced meanwhile".to_owned())),
        None => Err(SendFault::Changed("it is gone".to_owned())),
    }
}
