//! Owns the look at what stands on a destination before an offload: the entries below `DIR/NAME`
//! and what an earlier run's journal and manifest vouch for. It reads; it changes nothing.

use crate::disk::{Disk, ReadBackWay, Tree};
use crate::offload::journal::{self, JOURNAL, JOURNAL_BYTES_MAX};
use crate::plan::{DestinationIdentity, ProvenEntry, RECORDS, RecordedVerdict, Records, Standing};
use crate::proof::manifest::{MANIFEST, Manifest, load};
use camino::Utf8Path;

/// Looks at `DIR/NAME`.
///
/// # Errors
/// In plain words, when the folder is there and cannot be listed.
pub fn look(
    disk: &dyn Disk,
    given: &Utf8Path,
    canonical: &str,
    name: &str,
) -> Result<Standing, String> {
    let root = given.join(name);
    let mut standing = Standing::default();
    match disk
        .look(&root)
        .map_err(|e| format!("`{root}` could not be looked at: {e}"))?
    {
        None => return Ok(standing),
        Some(stat) if stat.kind != crate::disk::EntryKind::Folder => {
            standing.exists = true;
            standing.entries.insert(String::new(), stat);
            return Ok(standing);
        }
        Some(_) => standing.exists = true,
    }
    let found = disk
        .walk(&root, Tree::Drive)
        .map_err(|e| format!("`{root}` could not be listed: {e}"))?;
    for entry in found {
        let path = entry.path.to_string_lossy().into_owned();
        let stat = entry
            .stat
            .map_err(|e| format!("`{root}/{path}` could not be looked at: {e}"))?;
        if !path.starts_with(&format!("{RECORDS}/")) {
            standing.entries.insert(path, stat);
        }
    }
    standing.entries.remove(RECORDS);
    match records(disk, canonical, &root) {
        Ok(records) => standing.records = records,
        Err(why) => standing.damaged = Some(why),
    }
    Ok(standing)
}

fn records(disk: &dyn Disk, canonical: &str, root: &Utf8Path) -> Result<Option<Records>, String> {
    let folder = root.join(RECORDS);
    let mut merged: Option<Records> = None;
    let manifest = folder.join(MANIFEST);
    if disk
        .look(&manifest)
        .map_err(|e| format!("the manifest could not be looked at: {e}"))?
        .is_some()
    {
        let (manifest, _) = load(disk, root).map_err(|e| e.to_string())?;
        merged = Some(from_manifest(&manifest, canonical));
    }
    let path = folder.join(JOURNAL);
    if disk
        .look(&path)
        .map_err(|e| format!("the journal could not be looked at: {e}"))?
        .is_some()
    {
        let bytes = disk
            .read_record(&path, JOURNAL_BYTES_MAX)
            .map_err(|e| format!("the journal could not be read: {e}"))?;
        if let Some(newer) = journal::read(&bytes)? {
            let records = merged.get_or_insert_default();
            records.recorded = None;
            records.card_path = newer.card_path;
            records.card_volume_id = newer.card_volume_id;
            records.listing_b3 = newer.listing_b3;
            records.destinations = newer.destinations;
            records.card_files.extend(newer.card_files);
            records.proven.extend(newer.proven);
        }
    }
    Ok(merged)
}

/// Returns what a manifest vouches for on the destination at `canonical`. Where it does not know that
/// path, only what it proves on every destination counts.
fn from_manifest(manifest: &Manifest, canonical: &str) -> Records {
    let here = manifest
        .destinations
        .iter()
        .position(|d| d.path == canonical);
    let all = manifest.destinations.len();
    let mut records = Records {
        card_volume_id: manifest.card.volume_id.clone(),
        listing_b3: Some(manifest.card.listing_b3),
        card_path: Some(manifest.card.path.clone()),
        recorded: Some(RecordedVerdict {
            proven: manifest.verdict.proven,
            copies: manifest.verdict.copies,
            reasons: manifest.verdict.reasons.clone(),
        }),
        destinations: manifest
            .destinations
            .iter()
            .map(|d| DestinationIdentity {
                path: d.path.clone(),
                filesystem: d.filesystem.clone(),
                volume_id: d.volume_id().map(str::to_owned),
                total_bytes: 0,
            })
            .collect(),
        ..Records::default()
    };
    for file in &manifest.files {
        records
            .card_files
            .insert(file.path.clone(), (file.bytes, file.modified.clone()));
        let proven: Vec<_> = file
            .copies
            .iter()
            .filter(|c| c.proof.is_read_back())
            .collect();
        let copy = match here {
            Some(index) => proven.iter().find(|c| c.destination == index),
            None if proven.len() == all => proven.first(),
            None => None,
        };
        let way = copy
            .and_then(|c| manifest.destinations.get(c.destination))
            .map_or(ReadBackWay::None, |d| d.readback);
        if let Some(copy) = copy {
            let entry = ProvenEntry {
                bytes: file.bytes,
                modified: file.modified.clone(),
                blake3: file.blake3,
                way,
                read_s: file.read_s,
                readback_s: copy.readback_s.unwrap_or(0.0),
            };
            records.proven.insert(file.path.clone(), entry);
        }
    }
    records
}
