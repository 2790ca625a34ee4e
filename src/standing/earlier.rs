//! Owns the look at the other offloads on a destination, for `--only-new`: which of them are of
//! this card, what their manifests say, what of it stands there now. It reads a few files of the
//! card to be sure that it is this card, and nothing else; it writes nothing.

use super::{doubted_paths, doubts, search};
use crate::card::dates::{Shift, parse};
use crate::card::listing::Listing;
use crate::digest::Digest;
use crate::disk::whole::hash_whole;
use crate::disk::{Disk, FolderFacts, Tree};
use crate::name::{CardName, shown};
use crate::plan::CardFacts;
use crate::plan::earlier::{EarlierFile, EarlierOffload, is_known_card};
use crate::proof::manifest::{FilePart, Manifest, load};
use camino::Utf8Path;
use std::collections::{BTreeSet, HashMap};
use std::io;
use std::sync::Arc;

/// Offloads that cannot be used and are told one by one; the rest are counted.
const TOLD: usize = 5;

/// The card that earlier offloads are looked for, and what of it was read for that.
#[derive(Debug)]
pub struct Known<'a> {
    card: &'a CardFacts,
    listing: &'a Listing,
    read: HashMap<String, Option<Digest>>,
}

impl<'a> Known<'a> {
    /// A card of which nothing was read yet.
    pub fn new(card: &'a CardFacts, listing: &'a Listing) -> Self {
        Self {
            card,
            listing,
            read: HashMap::new(),
        }
    }

    /// Whether a few files of the card hold what an earlier offload read, and which. One that cannot
    /// be read bears nothing out.
    fn bears_out(
        &mut self,
        disk: &dyn Disk,
        offload: &EarlierOffload,
        shift: Shift,
    ) -> Option<BTreeSet<String>> {
        let samples = offload.samples(self.listing, shift);
        if samples.is_empty() && shift != Shift::default() {
            return None;
        }
        let mut equal = BTreeSet::new();
        for (name, bytes, then) in samples {
            let path = name.under(&self.card.given);
            let now = self
                .read
                .entry(name.as_str().to_owned())
                .or_insert_with(|| hash(disk, &path, bytes).ok());
            if *now != Some(then) {
                return None;
            }
            equal.insert(name.as_str().to_owned());
        }
        Some(equal)
    }
}

/// Looks for the other offloads of this card on a destination. The second value tells which could
/// not be used, and why: nothing is left on their account.
pub fn look(
    disk: &dyn Disk,
    given: &Utf8Path,
    facts: &FolderFacts,
    name: &str,
    known: &mut Known<'_>,
) -> (Vec<EarlierOffload>, Vec<String>) {
    let roots = match search::find_offloads(disk, given) {
        Ok(roots) => roots,
        Err(e) => {
            let why = format!(
                "Earlier offloads on `{}` could not be looked for: {e}. Everything is copied.",
                shown(given.as_str())
            );
            return (Vec::new(), vec![why]);
        }
    };
    let (mut found, mut told) = (Vec::new(), Vec::new());
    for root in roots {
        if root == given {
            told.push(format!(
                "`{}` is an offload itself; earlier offloads are looked for below a destination.",
                shown(given.as_str())
            ));
            continue;
        }
        let within = root.strip_prefix(given).map(Utf8Path::as_str);
        let Some(within) = within.ok().filter(|w| CardName::parse(w).is_ok()) else {
            continue;
        };
        if within == name || within.starts_with(&format!("{name}/")) {
            continue;
        }
        match look_at(disk, &root, within, facts, known) {
            Ok(Some(offload)) => found.push(offload),
            Ok(None) => {}
            Err(why) => told.push(format!(
                "The earlier offload in `{}` was not used: {why}.",
                shown(root.as_str())
            )),
        }
    }
    let more = told.len().saturating_sub(TOLD);
    told.truncate(TOLD);
    if more > 0 {
        told.push(format!("And {more} more earlier offloads were not used."));
    }
    (found, told)
}

/// Looks at one offload; `None` if it is of another card.
fn look_at(
    disk: &dyn Disk,
    root: &Utf8Path,
    within: &str,
    facts: &FolderFacts,
    known: &mut Known<'_>,
) -> Result<Option<EarlierOffload>, String> {
    let here = disk.facts(root).map_err(|e| e.to_string())?;
    if here.device != facts.device {
        // Another drive is mounted inside the destination.
        return Ok(None);
    }
    let (manifest, has_hash) = load(disk, root).map_err(|e| e.to_string())?;
    let card = &manifest.card;
    if !is_known_card(card.volume_id.as_deref(), Some(&card.path), known.card) {
        return Ok(None);
    }
    if !has_hash {
        return Err("its manifest has no hash to be checked against".to_owned());
    }
    let Some(index) = search::destination_of(disk, &manifest, root) else {
        return Err("no record says that it was read back on this drive".to_owned());
    };
    if let Some(why) = doubts(&manifest, index) {
        return Err(why);
    }
    let layout = manifest.offload.layout;
    let entries = disk
        .walk(root, Tree::Drive)
        .map_err(|e| format!("it could not be listed: {e}"))?
        .into_iter()
        .filter_map(|e| Some((e.path.into_string().ok()?, e.stat.ok()?)))
        .filter_map(|(path, stat)| Some((layout.inside(&path)?.to_owned(), stat)))
        .collect();
    let mut offload = EarlierOffload {
        within: within.to_owned(),
        root: root.to_path_buf(),
        tree: layout.payload(root),
        finished: manifest.offload.finished.clone(),
        card_volume_id: manifest.card.volume_id.clone(),
        card_path: manifest.card.path.clone(),
        files: files(&manifest, index),
        entries,
        confirmed: None,
        sampled: BTreeSet::new(),
    };
    let shift = offload.card_shift(known.listing);
    if let Some(sampled) = known.bears_out(disk, &offload, shift) {
        offload.confirmed = Some(shift);
        offload.sampled = sampled;
    }
    Ok(Some(offload))
}

fn files(manifest: &Manifest, index: usize) -> HashMap<Arc<str>, EarlierFile> {
    let doubted = doubted_paths(manifest, Some(index));
    let way = manifest.destinations.get(index).map(|d| d.readback);
    let read_back = |file: &FilePart| {
        let mut copies = file.copies.iter();
        let copy = copies.find(|c| c.destination == index && c.proof.is_read_back())?;
        Some((way?, copy.readback_s.unwrap_or(0.0)))
    };
    let each = manifest.files.iter().filter_map(|file| {
        let is_doubted = doubted.contains(&*file.path);
        let earlier = EarlierFile {
            bytes: file.bytes,
            modified: parse(&file.modified)?,
            blake3: file.blake3,
            also: file.also.clone(),
            only_zeros: file.only_zeros,
            read_s: file.read_s,
            read_back: read_back(file),
            is_here: !file.is_elsewhere(),
            is_doubted,
        };
        Some((file.path.clone(), earlier))
    });
    each.collect()
}

fn hash(disk: &dyn Disk, path: &Utf8Path, bytes: u64) -> io::Result<Digest> {
    let mut source = disk.open_read_back(path)?;
    let read = hash_whole(source.as_mut(), bytes, &mut |_| true)?;
    read.filter(|(_, n)| *n == bytes)
        .map(|(digest, _)| digest)
        .ok_or_else(|| io::ErrorKind::UnexpectedEof.into())
}
