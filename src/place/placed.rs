//! Owns an offload as it is at a place: its manifest, checked as one on a drive is, the newest
//! receipt that is about it, and the records beside them.

use super::error::{PlaceFault, StoreError};
use super::receipt::{RECEIPT_BYTES_MAX, Receipt, ReceiptFile};
use super::store::Store;
use crate::digest::Digest;
use crate::name::is_part_name;
use crate::record::checksums::{List, line};
use crate::record::layout::{
    Layout, MANIFEST, MANIFEST_HASH, MANIFEST_SIGNATURE, RECORDS, TAG_FILES, is_receipt,
};
use crate::record::load::{checked, trusted};
use crate::record::manifest::{HASH_FILE_BYTES_MAX, MANIFEST_BYTES_MAX, Manifest, ManifestError};
use crate::record::others::mhl::MHL_FOLDER;
use crate::record::signature::{SIGNATURE_BYTES_MAX, SignedBy};
use std::collections::BTreeMap;
use std::io;

/// An offload at a place.
#[derive(Debug)]
pub struct PlacedOffload {
    /// Its folder there.
    pub name: String,
    /// Its manifest, which is good.
    pub manifest: Manifest,
    /// The manifest's bytes.
    pub manifest_bytes: Vec<u8>,
    /// Who signed it.
    pub signed_by: Option<SignedBy>,
    /// The hashes of what stands beside the manifest and was held to it.
    beside: Vec<(&'static str, Digest)>,
    /// The newest receipt that is about this manifest.
    pub receipt: Option<Receipt>,
    /// The records but for the manifest and receipts, by their path below the offload.
    pub records: Vec<String>,
}

/// Why an offload at a place is not relied on.
#[derive(Debug, thiserror::Error)]
pub enum NoPlacedOffload {
    /// The place did not do something.
    #[error("{0}. {advice}", advice = .0.kind.advice())]
    Place(#[from] StoreError),
    /// There is none of that name.
    #[error("there is no offload `{0}`: no manifest is in it")]
    Missing(String),
    /// Its manifest is damaged or hostile.
    #[error("its manifest can't be relied on ({0})")]
    Manifest(#[from] ManifestError),
}

/// Returns the names of the receipts among those in a folder of records, newest first.
pub(super) fn receipts(names: &[String]) -> Vec<&str> {
    let mut found: Vec<&str> = names.iter().map(String::as_str).collect();
    found.retain(|name| is_receipt(name));
    found.sort_unstable();
    found.reverse();
    found
}

impl PlacedOffload {
    /// Looks at an offload of a place.
    ///
    /// # Errors
    /// Why it is not relied on.
    pub fn look(store: &Store, name: &str) -> Result<Self, NoPlacedOffload> {
        let found = Self::look_if(store, name, &|_| true)?;
        found.ok_or_else(|| NoPlacedOffload::Missing(crate::name::shown(name)))
    }

    /// The same of one whose manifest is asked for; of any other nothing more is read.
    ///
    /// # Errors
    /// As [`Self::look`].
    pub fn look_if(
        store: &Store,
        name: &str,
        is_wanted: &dyn Fn(&Manifest) -> bool,
    ) -> Result<Option<Self>, NoPlacedOffload> {
        let folder = format!("{name}/{RECORDS}");
        let missing = || NoPlacedOffload::Missing(crate::name::shown(name));
        let names = match store.list(&folder) {
            Err(e) if e.kind == PlaceFault::NotFound => return Err(missing()),
            other => other?,
        };
        let read = |file: &str, limit| store.read_small(&format!("{folder}/{file}"), limit);
        let bytes = read(MANIFEST, MANIFEST_BYTES_MAX)?.ok_or_else(missing)?;
        let hash = read(MANIFEST_HASH, HASH_FILE_BYTES_MAX)?;
        let signature = read(MANIFEST_SIGNATURE, SIGNATURE_BYTES_MAX)?;
        let beside = [(MANIFEST_HASH, &hash), (MANIFEST_SIGNATURE, &signature)];
        let beside = beside
            .into_iter()
            .filter_map(|(name, read)| Some((name, Digest::of(read.as_deref()?))))
            .collect();
        let (manifest, _, signed) = checked(&bytes, or_missing(hash), or_missing(signature))?;
        let signed_by = trusted(signed)?;
        if !is_wanted(&manifest) {
            return Ok(None);
        }
        let own = manifest.own_b3;
        let receipt = receipts(&names).into_iter().find_map(|file| {
            let receipt = read_receipt(store, &folder, file).transpose()?;
            let is_of_it = |receipt: &Receipt| Some(receipt.manifest_b3) == own;
            match receipt {
                Ok(receipt) => is_of_it(&receipt).then_some(Ok(receipt)),
                Err(e) => Some(Err(e)),
            }
        });
        let records = records(store, name, &manifest, &names)?;
        Ok(Some(Self {
            name: name.to_owned(),
            manifest,
            manifest_bytes: bytes,
            signed_by,
            beside,
            receipt: receipt.transpose()?,
            records,
        }))
    }

    /// Returns what the receipt says of its files.
    pub fn receipted(&self) -> BTreeMap<&str, &ReceiptFile> {
        let files = self.receipt.iter().flat_map(|receipt| &receipt.files);
        files.map(|file| (file.path.as_str(), file)).collect()
    }

    /// Returns what a record must hold by the manifest, one of these where there are any: the
    /// lists of every drive, the manifest's hash and signature as they were read with it.
    pub(super) fn by_manifest(&self, path: &str) -> Vec<Digest> {
        let name = path
            .strip_prefix(RECORDS)
            .and_then(|rest| rest.strip_prefix('/'));
        let Some(name) = name else {
            return Vec::new();
        };
        if let Some(list) = List::all().find(|list| list.file_name() == name) {
            let all = 0..self.manifest.destinations.len();
            let texts = all.map(|d| self.manifest.list_of(list, d));
            let texts = texts.filter(|text| !text.is_empty());
            return texts.map(|text| Digest::of(text.as_bytes())).collect();
        }
        let beside = self.beside.iter().filter(|(of, _)| *of == name);
        beside.map(|(_, digest)| *digest).collect()
    }

    /// Returns the lists that every drive has and the place has lost, as the manifest gives them,
    /// and its hash.
    pub(super) fn lost_lists(&self) -> Vec<(String, Vec<u8>)> {
        let lists = List::all().filter(|list| self.manifest.always_has(*list));
        let lists = lists.map(|list| (list.file_name(), self.manifest.list_of(list, 0)));
        let hash = self.manifest.own_b3.and_then(|b3| line(b3, MANIFEST));
        let all = lists.chain(hash.map(|hash| (MANIFEST_HASH, hash)));
        all.filter(|(_, text)| !text.is_empty())
            .map(|(name, text)| (format!("{RECORDS}/{name}"), text.into_bytes()))
            .filter(|(path, _)| !self.records.contains(path))
            .collect()
    }

    /// Returns the path of something of it at the place.
    pub fn at(&self, path: &str) -> String {
        format!("{}/{path}", self.name)
    }
}

fn or_missing(read: Option<Vec<u8>>) -> io::Result<Vec<u8>> {
    read.ok_or_else(|| io::ErrorKind::NotFound.into())
}

/// Reads a receipt; `None` where it is none, or one of another version.
pub(super) fn read_receipt(
    store: &Store,
    folder: &str,
    file: &str,
) -> Result<Option<Receipt>, StoreError> {
    let bytes = store.read_small(&format!("{folder}/{file}"), RECEIPT_BYTES_MAX)?;
    Ok(bytes.and_then(|bytes| Receipt::from_bytes(&bytes).ok()))
}

/// The records that `verify` asks for, but for the manifest.
fn records(
    store: &Store,
    name: &str,
    manifest: &Manifest,
    names: &[String],
) -> Result<Vec<String>, StoreError> {
    let is_record = |name: &&String| {
        **name != MANIFEST && !name.ends_with('/') && !is_receipt(name) && !is_part_name(name)
    };
    let found = names.iter().filter(is_record);
    let mut found: Vec<String> = found.map(|name| format!("{RECORDS}/{name}")).collect();
    if manifest.offload.layout == Layout::Bag {
        found.extend(TAG_FILES.map(str::to_owned));
    } else if manifest.mhl.is_some() {
        let lists = store.list(&format!("{name}/{MHL_FOLDER}"))?;
        let lists = lists
            .iter()
            .filter(|name| !name.ends_with('/') && !is_part_name(name));
        found.extend(lists.map(|name| format!("{MHL_FOLDER}/{name}")));
    }
    found.sort();
    Ok(found)
}
