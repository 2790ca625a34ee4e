//! Owns what is at a place: its offloads, how sure each is by its newest receipt, and what was
//! begun and not ended.

use super::error::{PlaceFault, StoreError};
use super::journal::BegunOffload;
use super::object::Grade;
use super::placed::{read_receipt, receipts};
use super::store::Store;
use crate::name::is_part_name;
use crate::record::layout::{MANIFEST, RECORDS};
use crate::units::len64;

/// An offload in the list of a place.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ListedOffload {
    /// Its folder there.
    pub name: String,
    /// How it is.
    pub state: ListedState,
    /// Part files in it and their bytes, of an offload that is not all there.
    pub parts: Vec<(String, u64)>,
}

/// How an offload at a place is.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum ListedState {
    /// All of it was sent; what its newest receipt says.
    Whole {
        /// When that was, RFC 3339.
        made: String,
        /// The least of its grades.
        grade: Grade,
        /// Its files, records among them.
        files: u64,
        /// Their bytes.
        bytes: u64,
    },
    /// Its manifest is there, and no receipt that can be read.
    NoReceipt,
    /// This computer began to send it, and so many files and bytes are there.
    Unfinished(u64, u64),
}

/// What is at a place.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct PlaceList {
    /// Its offloads, by name.
    pub offloads: Vec<ListedOffload>,
    /// Folders that are no offload, as far as can be seen from here.
    pub others: u64,
    /// It is a bucket, which may hold parts of files that never became one.
    pub is_bucket: bool,
}

/// Lists a place; `begun` is what this computer began to send there.
///
/// # Errors
/// What the place says.
pub fn list_place(store: &Store, begun: &[BegunOffload]) -> Result<PlaceList, StoreError> {
    let mut list = PlaceList {
        is_bucket: store.is_bucket(),
        ..PlaceList::default()
    };
    for folder in store.list("")? {
        let Some(name) = folder.strip_suffix('/') else {
            continue;
        };
        let state = match look(store, name)? {
            Some(state) => Some(state),
            None => unfinished(name, begun),
        };
        match state {
            Some(state) => list.offloads.push(ListedOffload {
                parts: parts(store, name, &state)?,
                name: name.to_owned(),
                state,
            }),
            None => list.others += 1,
        }
    }
    // Of what was only begun there may be nothing in sight: parts in a bucket are no files yet.
    for BegunOffload { offload, .. } in begun {
        let is_listed = list.offloads.iter().any(|found| found.name == *offload);
        if !is_listed && let Some(state) = unfinished(offload, begun) {
            list.offloads.push(ListedOffload {
                name: offload.clone(),
                state,
                parts: Vec::new(),
            });
        }
    }
    list.offloads.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(list)
}

/// Lists the part files of an offload that is not all there. A bucket has none: what of a file is
/// in it before all of it is, its crate can't list.
fn parts(store: &Store, name: &str, state: &ListedState) -> Result<Vec<(String, u64)>, StoreError> {
    if store.is_bucket() || !matches!(state, ListedState::Unfinished(..)) {
        return Ok(Vec::new());
    }
    let is_part = |path: &String| is_part_name(path.rsplit('/').next().unwrap_or(path));
    let mut parts = Vec::new();
    for path in store.list_all(name)?.into_iter().filter(is_part) {
        let bytes = store.look(&format!("{name}/{path}"))?;
        parts.push((path, bytes.map_or(0, |object| object.bytes)));
    }
    Ok(parts)
}

/// The most that was sent of an offload that this computer began.
fn unfinished(name: &str, begun: &[BegunOffload]) -> Option<ListedState> {
    let of_it = begun.iter().filter(|begun| begun.offload == name);
    let most = of_it.max_by_key(|begun| begun.files)?;
    Some(ListedState::Unfinished(most.files, most.bytes))
}

fn look(store: &Store, name: &str) -> Result<Option<ListedState>, StoreError> {
    let folder = format!("{name}/{RECORDS}");
    let names = match store.list(&folder) {
        Err(e) if e.kind == PlaceFault::NotFound => return Ok(None),
        // A name that nothing of ours has.
        Err(e) if e.kind == PlaceFault::Other && store.key(&folder).is_err() => return Ok(None),
        other => other?,
    };
    if !names.iter().any(|name| name == MANIFEST) {
        return Ok(None);
    }
    for file in receipts(&names) {
        if let Some(receipt) = read_receipt(store, &folder, file)? {
            let bytes = receipt.files.iter().map(|file| file.object.bytes);
            return Ok(Some(ListedState::Whole {
                bytes: bytes.fold(0, u64::saturating_add),
                files: len64(receipt.files.len()),
                made: receipt.made,
                grade: receipt.grade,
            }));
        }
    }
    Ok(Some(ListedState::NoReceipt))
}
