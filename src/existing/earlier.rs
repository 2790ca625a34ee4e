//! Owns the look at the other offloads on a destination, for `--only-new`: which of them are of
//! this card, what their manifests say, what of it stands there now. It reads a few files of the
//! card to be sure that it is this card, and nothing else; it writes nothing.

use super::sample::Sampled;
use super::search;
use crate::card::dates::{Shift, parse};
use crate::card::identity::has_identity;
use crate::card::listing::Listing;
use crate::card::sample::{Alike, Ground, choose};
use crate::digest::Digest;
use crate::disk::{Disk, FolderFacts, ReadBackWay, Stamp, Stat, TreeKind};
use crate::existing::source::CardFacts;
use crate::hash_algorithm::AlsoHashes;
use crate::name::{CardName, shown};
use crate::record::damage::{CheckedCopy, KnownDamage};
use crate::record::doubt::Doubts;
use crate::record::load::load;
use crate::record::manifest::{FilePart, Manifest, ManifestError};
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::{BTreeSet, HashMap};
use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// What an earlier manifest says of one file.
#[derive(Clone, PartialEq, Debug)]
pub struct EarlierFile {
    /// Size in bytes.
    pub bytes: u64,
    /// Date on the card then.
    pub modified: Stamp,
    /// Hash of what the card delivered then.
    pub blake3: Digest,
    /// Further hashes of the same bytes, where they were made then.
    pub also: AlsoHashes,
    /// It holds nothing but zeros.
    pub only_zeros: bool,
    /// Seconds inside reads of the card then.
    pub read_s: f64,
    /// How it was read back on this destination and how many seconds that took; `None` where no
    /// record says so.
    pub read_back: Option<(ReadBackWay, f64)>,
    /// The manifest says that the copy lies in the offload's own tree, not in another offload.
    pub is_here: bool,
    /// The record itself doubts that this is what the card holds.
    pub is_doubted: bool,
}

/// An offload that stands on a destination beside the one that is to be made.
#[derive(Clone, Debug)]
pub struct EarlierOffload {
    /// Its folder relative to the destination, `/` between parts.
    pub within: String,
    /// Its folder.
    pub root: Utf8PathBuf,
    /// The folder of the card's tree in it.
    pub tree: Utf8PathBuf,
    /// When it was finished, RFC 3339.
    pub finished: String,
    /// Identity of the card's volume, where it was known.
    pub card_volume_id: Option<String>,
    /// Where the card was mounted, links resolved.
    pub card_path: String,
    /// Every file that its manifest lists.
    pub files: HashMap<Arc<str>, EarlierFile>,
    /// What stands in that tree, by the card's path.
    pub entries: HashMap<String, Stat>,
    /// A shift of the card's dates, or none, that was looked into: files read from the card were
    /// equal.
    pub confirmed: Option<Shift>,
    /// A shift of the drive's dates that was looked into: copies that were read are as they were.
    pub drive_confirmed: Option<Shift>,
    /// The files that were read from the card for that.
    pub sampled: BTreeSet<String>,
}

impl EarlierOffload {
    /// Returns the shift of all dates of the card since this offload was made.
    pub fn card_shift(&self, listing: &Listing) -> Shift {
        Shift::of(listing.files().filter_map(|f| {
            let then = self.files.get(f.name.as_str())?;
            (then.bytes == f.bytes).then_some((then.modified, f.modified))
        }))
    }

    /// Returns the shift of all dates of the copies since this offload was made.
    pub fn drive_shift(&self) -> Shift {
        Shift::of(self.files.iter().filter_map(|(path, then)| {
            let stands = self.entries.get(&**path)?;
            (then.is_here && stands.bytes == then.bytes).then_some((then.modified, stands.modified))
        }))
    }

    /// Returns files of the card that are to be read before any is left: some of those that would
    /// be.
    pub fn samples<'a>(
        &self,
        listing: &'a Listing,
        is_known: bool,
        shift: Shift,
    ) -> Vec<Alike<'a>> {
        let alike = listing.files().filter_map(|f| {
            let then = self.files.get(f.name.as_str())?;
            let same = then.bytes == f.bytes && shift.joins(then.modified, f.modified);
            same.then(|| Alike::of(f, then.blake3, then.modified, shift))
        });
        choose(alike, Ground { is_known, shift })
    }

    /// The same of the copies, where the dates on the drive are shifted.
    pub fn samples_of_drive(&self, shift: Shift) -> Vec<Alike<'_>> {
        let alike = self.files.iter().filter_map(|(path, then)| {
            let stands = self.entries.get(&**path)?;
            let same = then.is_here
                && stands.bytes == then.bytes
                && shift.joins(then.modified, stands.modified);
            same.then_some(Alike {
                name: path,
                bytes: then.bytes,
                modified: stands.modified,
                blake3: then.blake3,
                is_rounded: false,
            })
        });
        let is_known = true;
        choose(alike, Ground { is_known, shift })
    }
}

/// Offloads that cannot be used and are told one by one; the rest are counted.
const TOLD: usize = 5;

/// The card that earlier offloads are looked for, and what of it was read for that.
#[derive(Debug)]
pub struct Known<'a> {
    card: &'a CardFacts,
    listing: &'a Listing,
    damage: &'a KnownDamage,
    cancel: &'a AtomicBool,
    read: Sampled<'a>,
}

impl<'a> Known<'a> {
    /// A card, what checks found damaged on copies of it or others, and what of it was read so far.
    pub fn new(
        card: &'a CardFacts,
        listing: &'a Listing,
        damage: &'a KnownDamage,
        cancel: &'a AtomicBool,
        read: Sampled<'a>,
    ) -> Self {
        Self {
            card,
            listing,
            damage,
            cancel,
            read,
        }
    }

    /// Reads a sample of the card, and of the drive where its dates are shifted.
    fn bear_out(&mut self, disk: &dyn Disk, offload: &mut EarlierOffload) {
        let shift = offload.card_shift(self.listing);
        let is_known = has_identity(&self.card.facts);
        let sample = offload.samples(self.listing, is_known, shift);
        if self.read.are_equal(&sample) {
            offload.confirmed = Some(shift);
            offload.sampled = sample.iter().map(|f| f.name.to_owned()).collect();
        }
        let shift = offload.drive_shift();
        if shift != Shift::default() {
            let sample = offload.samples_of_drive(shift);
            let is_equal = self
                .read
                .are_equal_in(disk, &offload.tree, self.cancel, &sample);
            offload.drive_confirmed = is_equal.then_some(shift);
        }
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
                "`{}` is an offload itself; earlier offloads are looked for below a drive's \
                 folder.",
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

/// Why an earlier offload is not used, in words that go on after a colon.
#[derive(Debug, thiserror::Error)]
enum NotUsed {
    #[error(transparent)]
    Unseen(#[from] io::Error),
    #[error(transparent)]
    Manifest(#[from] ManifestError),
    #[error("its manifest has no hash to be checked against")]
    NoHash,
    #[error("no manifest says that it was checked on this drive")]
    NotReadBack,
    #[error("its manifest says: {}", .0.trim_end_matches('.'))]
    Doubted(String),
    #[error("it could not be listed: {0}")]
    Unlisted(#[source] io::Error),
}

/// Looks at one offload; `None` if it is of another card.
fn look_at(
    disk: &dyn Disk,
    root: &Utf8Path,
    within: &str,
    facts: &FolderFacts,
    known: &mut Known<'_>,
) -> Result<Option<EarlierOffload>, NotUsed> {
    let here = disk.facts(root)?;
    if here.device != facts.device {
        // Another drive is mounted inside the destination.
        return Ok(None);
    }
    let (manifest, has_hash) = load(disk, root)?;
    if !manifest.card.mark().is_of(&known.card.facts) {
        return Ok(None);
    }
    if !has_hash {
        return Err(NotUsed::NoHash);
    }
    let Some(index) = search::destination_of(disk, &manifest, root) else {
        return Err(NotUsed::NotReadBack);
    };
    if let Some(why) = Doubts::of(&manifest, Some(index)).all {
        return Err(NotUsed::Doubted(why.to_owned()));
    }
    let layout = manifest.offload.layout;
    let entries = disk
        .walk(root, TreeKind::Drive)
        .map_err(NotUsed::Unlisted)?
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
        drive_confirmed: None,
        sampled: BTreeSet::new(),
    };
    let copy = manifest.own_b3.map(|b3| CheckedCopy::of(b3, &here));
    let damage = copy.map(|copy| known.damage.of(&copy)).unwrap_or_default();
    for (path, file) in &mut offload.files {
        if damage.of_file(path).is_some() {
            file.read_back = None;
        }
    }
    known.bear_out(disk, &mut offload);
    Ok(Some(offload))
}

fn files(manifest: &Manifest, index: usize) -> HashMap<Arc<str>, EarlierFile> {
    let doubts = Doubts::of(manifest, Some(index));
    let way = manifest.destinations.get(index).map(|d| d.readback);
    let read_back = |file: &FilePart| {
        let mut copies = file.copies.iter();
        let copy = copies.find(|c| c.destination == index && c.proof.is_read_back())?;
        Some((way?, copy.readback_s.unwrap_or(0.0)))
    };
    let each = manifest.files.iter().filter_map(|file| {
        let is_doubted = doubts.is_of(&file.path);
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
