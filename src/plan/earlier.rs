//! Owns the decision which files of a card stay out of a new offload because earlier offloads hold
//! them on every destination (`--only-new`). Pure: it weighs what others looked up.
//!
//! A file is left only if on **every** destination an earlier offload of this very card lists it
//! with the same path, size and date, says that it was read back there from the device, and the
//! copy still stands there with its size and date, on the destination's own file system. Whatever
//! is not certain is copied.

use super::candidate::Candidate;
use crate::card::dates::Shift;
use crate::card::identity::CardMark;
use crate::card::listing::{FileRow, Listing};
use crate::digest::Digest;
use crate::disk::{EntryKind, Stat};
use crate::existing::earlier::{EarlierFile, EarlierOffload};
use crate::existing::source::CardFacts;
use crate::hash_algorithm::agree;
use crate::name::shown;
use crate::record::earlier_run::ProvenEntry;
use crate::units::{counted, len64};
use camino::Utf8PathBuf;
use std::collections::HashSet;

/// Where a file lies that is not copied again.
#[derive(Clone, PartialEq, Debug)]
pub struct Left {
    /// What was proven there.
    pub entry: ProvenEntry,
    /// The earlier offload, relative to the destination.
    pub within: String,
    /// The folder of the card's tree in it.
    pub tree: Utf8PathBuf,
    /// What stands there; it has to be the same at the end.
    pub stands: Stat,
}

/// What the earlier offloads mean for a card.
#[derive(Clone, Debug, Default)]
pub(super) struct Leaving {
    /// For every file of the listing: where it lies on each destination, or `None` if it has to be
    /// copied.
    pub(super) left: Vec<Option<Vec<Left>>>,
    /// Files that are copied although their name was seen before: place in the listing, and the
    /// hashes that the name had.
    pub(super) seen_before: Vec<(usize, Vec<Digest>)>,
    /// Files of earlier offloads that stand on a drive and are no longer on the card.
    pub(super) gone_files: u64,
    /// What should be told.
    pub(super) notes: Vec<String>,
}

/// An offload of this very card, with the dates made comparable.
struct Voucher<'a> {
    offload: &'a EarlierOffload,
    /// `None`: the card's content did not bear it out.
    card_shift: Option<Shift>,
    drive_shift: Shift,
    /// The destination's file system.
    device: u64,
}

impl Voucher<'_> {
    /// Returns what the manifest says of this very file: same path, size and date.
    fn lists(&self, file: FileRow<'_>) -> Option<&EarlierFile> {
        let then = self.offload.files.get(file.name.as_str())?;
        let shift = self.card_shift?;
        (then.bytes == file.bytes && shift.joins(then.modified, file.modified)).then_some(then)
    }

    /// Returns where the file lies, if it stands there proven.
    fn holds(&self, file: FileRow<'_>) -> Option<Left> {
        let then = self.lists(file).filter(|then| then.is_here)?;
        let (way, readback_s) = then.read_back.filter(|(way, _)| way.reaches_device())?;
        let stands = self.offload.entries.get(file.name.as_str())?;
        // Another drive that is mounted inside the destination is not the destination.
        let is_it = stands.kind == EntryKind::File
            && stands.bytes == file.bytes
            && stands.device == self.device
            && self.drive_shift.joins(then.modified, stands.modified);
        is_it.then(|| Left {
            entry: ProvenEntry {
                bytes: then.bytes,
                modified: then.modified.rfc3339().into(),
                blake3: then.blake3,
                also: then.also.clone(),
                way,
                read_s: then.read_s,
                readback_s,
                only_zeros: then.only_zeros,
            },
            within: self.offload.within.clone(),
            tree: self.offload.tree.clone(),
            stands: *stands,
        })
    }
}

/// Decides for every file of the card whether it may be left.
pub(super) fn leave(listing: &Listing, card: &CardFacts, candidates: &[Candidate]) -> Leaving {
    let mut out = Leaving::default();
    let vouchers: Vec<Vec<Voucher<'_>>> = candidates
        .iter()
        .map(|candidate| vouchers(candidate, card, listing, &mut out.notes))
        .collect();
    let mut again = 0_u64;
    for (at, file) in listing.files().enumerate() {
        let left = leave_one(file, candidates, &vouchers);
        if left.is_none() {
            again += u64::from(vouchers.iter().flatten().any(|v| v.lists(file).is_some()));
            let mut hashes = seen_before(file, &vouchers);
            hashes.sort_unstable();
            hashes.dedup();
            if !hashes.is_empty() {
                out.seen_before.push((at, hashes));
            }
        }
        out.left.push(left);
    }
    if again > 0 {
        out.notes.push(format!(
            "{} that earlier offloads list {} copied again: on some drive the copy is not there as \
             it was checked, or the manifests do not agree.",
            counted(again, "file"),
            if again == 1 { "is" } else { "are" }
        ));
    }
    let now: HashSet<&str> = listing.files().map(|f| f.name.as_str()).collect();
    let gone: HashSet<&str> = vouchers
        .iter()
        .flatten()
        .flat_map(|v| v.offload.files.keys().map(move |path| (v, &**path)))
        .filter(|(v, path)| !now.contains(path) && v.offload.entries.contains_key(*path))
        .map(|(_, path)| path)
        .collect();
    out.gone_files = len64(gone.len());
    out
}

fn vouchers<'a>(
    candidate: &'a Candidate,
    card: &CardFacts,
    listing: &Listing,
    notes: &mut Vec<String>,
) -> Vec<Voucher<'a>> {
    let Ok(facts) = &candidate.facts else {
        return Vec::new();
    };
    notes.extend(candidate.earlier_notes.iter().cloned());
    let is_of_it = |o: &&EarlierOffload| {
        let mark = CardMark {
            volume_id: o.card_volume_id.as_deref(),
            path: Some(&o.card_path),
        };
        mark.is_of(&card.facts)
    };
    let mut found: Vec<Voucher<'a>> = Vec::new();
    for offload in candidate.earlier.iter().filter(is_of_it) {
        let shift = offload.card_shift(listing);
        let is_believed = offload.confirmed == Some(shift);
        let root = shown(offload.root.as_str());
        if !is_believed {
            notes.push(format!(
                "The earlier offload in `{root}` was not used: files of the card that look the \
                 same hold other bytes than it read, or could not be read. It may be of another \
                 card of the same identity."
            ));
        } else if shift != Shift::default() {
            notes.push(format!(
                "All dates on the card differ from those in `{root}` by {} min, as after a change \
                 of zone; a sample that was read from the card is equal.",
                shift.seconds / 60
            ));
        }
        found.push(Voucher {
            offload,
            card_shift: is_believed.then_some(shift),
            // Unless it was looked into, another date is another file.
            drive_shift: offload.drive_confirmed.unwrap_or_default(),
            device: facts.entry_device,
        });
    }
    // The latest first: that is where a person looks.
    found.sort_by(|a, b| b.offload.finished.cmp(&a.offload.finished));
    found
}

fn leave_one(
    file: FileRow<'_>,
    candidates: &[Candidate],
    vouchers: &[Vec<Voucher<'_>>],
) -> Option<Vec<Left>> {
    let path = file.name.as_str();
    // What stands in the new offload already is the business of that offload.
    if candidates
        .iter()
        .any(|c| c.standing.entries.contains_key(path))
    {
        return None;
    }
    let mut listed = vouchers.iter().flatten().filter_map(|v| v.lists(file));
    // A doubt of one is a doubt of all.
    if !agree(&listed.clone().map(|then| (then.blake3, &then.also)))
        || listed.any(|then| then.is_doubted)
    {
        return None;
    }
    vouchers
        .iter()
        .map(|on_one| on_one.iter().find_map(|v| v.holds(file)))
        .collect()
}

/// Returns the hashes that this name had with another size or date.
fn seen_before(file: FileRow<'_>, vouchers: &[Vec<Voucher<'_>>]) -> Vec<Digest> {
    let all = || vouchers.iter().flatten();
    if all().any(|v| v.lists(file).is_some()) {
        return Vec::new();
    }
    all()
        .filter_map(|v| v.offload.files.get(file.name.as_str()))
        .map(|then| then.blake3)
        .collect()
}

/// One earlier offload that files are left in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct LeftIn {
    /// The earlier offload, relative to the destination.
    pub within: String,
    /// The folder of the card's tree in it.
    pub tree: Utf8PathBuf,
    /// Files of the card that lie there.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
}

/// What `--only-new` came to.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct OnlyNew {
    /// Files that are not copied again.
    pub left_files: u64,
    /// Their bytes.
    pub left_bytes: u64,
    /// Files that are copied although their name was seen before: place among the jobs, and the
    /// hashes that the name had.
    pub seen_before: Vec<(usize, Vec<Digest>)>,
    /// Files of earlier offloads that stand on a drive and are no longer on the card.
    pub gone_files: u64,
    /// Of the files that are left, those that were read from the card as a sample, and are equal.
    pub sampled_files: u64,
    /// Every file and folder of the card lies in earlier offloads: no new one is made.
    pub nothing_new: bool,
}
