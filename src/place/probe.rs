//! Owns the trial of a place: a probe of this tool's own is written, read, compared, listed and
//! removed, and it is seen what the place can be relied on for.

use super::error::{PlaceFault, StoreError};
use super::store::Store;
use super::upload::{FirstLook, part_path, put_small};
use crate::clock::Clock;
use crate::digest::Digest;
use crate::units::{len64, rate};
use std::time::Duration;

/// Bytes of the probe: enough to say how fast a place is, and little for a slow one.
const PROBE_BYTES: usize = 2 << 20;

/// What a trial found.
#[derive(Clone, PartialEq, Debug)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a finding of its own"
)]
pub struct Probed {
    /// Bytes a second there.
    pub send_rate: f64,
    /// Bytes a second back.
    pub read_rate: f64,
    /// What comes back is read past this computer's memory.
    pub is_read: bool,
    /// A second object of the same name is refused.
    pub keeps_first: bool,
    /// Names in capitals and in small letters are one.
    pub folds: bool,
    /// It says when an object was modified.
    pub has_time: bool,
    /// It keeps versions.
    pub has_versions: bool,
    /// A probe that could not be removed.
    pub stays: Option<String>,
}

/// Tries a place.
///
/// # Errors
/// What it did not do. The probe is removed as far as that can be done.
pub fn probe(store: &Store, clock: &dyn Clock, host: &str) -> Result<Probed, StoreError> {
    let about = format!("{host} {} {}", clock.now(), std::process::id());
    let mark = format!("{:016x}", Digest::of(about.as_bytes()).short());
    let path = format!(".unlade-probe-{mark}");
    let mut bytes = vec![0; PROBE_BYTES];
    // No compression makes anything of it.
    blake3::Hasher::new()
        .update(about.as_bytes())
        .finalize_xof()
        .fill(&mut bytes);
    let tried = try_all(store, clock, (&path, &mark), &bytes);
    let is_gone = store.remove_own(&path).is_ok() && matches!(store.look(&path), Ok(None));
    let mut probed = tried?;
    probed.stays = (!is_gone).then_some(path);
    Ok(probed)
}

fn try_all(
    store: &Store,
    clock: &dyn Clock,
    (path, mark): (&str, &str),
    bytes: &[u8],
) -> Result<Probed, StoreError> {
    let started = clock.elapsed();
    let object = put_small(store, path, mark, (bytes, FirstLook::Always))?;
    let sent = clock.elapsed();
    let (back, is_read) = read_all(store, path, bytes.len())?;
    let read = clock.elapsed();
    if back != Digest::of(bytes) {
        let why = "what came back is not what was sent";
        return Err(StoreError::new("compare the probe", PlaceFault::Other, why));
    }
    let names = store.list("")?;
    if !names.iter().any(|name| name == path) {
        let why = "the probe is not in the list of the place";
        return Err(StoreError::new("list it", PlaceFault::Other, why));
    }
    let second = put_small(
        store,
        path,
        mark,
        (b"another kite", FirstLook::NotBeforeDav),
    );
    let is_first = second.is_err() && read_all(store, path, bytes.len())?.0 == back;
    let part = part_path(path, mark);
    if second.is_err() && store.look(&part)?.is_some() {
        store.remove_own(&part)?;
    }
    let folds = store.look(&path.to_uppercase())?.is_some();
    let of = |time: Duration| rate(len64(bytes.len()), time);
    Ok(Probed {
        send_rate: of(sent.saturating_sub(started)),
        read_rate: of(read.saturating_sub(sent)),
        is_read,
        keeps_first: is_first,
        folds,
        has_time: object.modified.is_some(),
        has_versions: object.version.is_some(),
        stays: None,
    })
}

fn read_all(store: &Store, path: &str, bytes: usize) -> Result<(Digest, bool), StoreError> {
    let mut hasher = blake3::Hasher::new();
    let (_, is_read) = store.read(path, len64(bytes), &mut |piece| {
        hasher.update(piece);
        true
    })?;
    Ok((hasher.finalize().into(), is_read))
}
