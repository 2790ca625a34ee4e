//! Owns the look at what stands on a destination before an offload: the entries below `DIR/NAME`
//! and what an earlier run's journal and manifest vouch for. It reads; it changes nothing.

pub mod as_card;
pub mod at_work;
pub mod earlier;
pub mod mounted;
pub mod original;
pub mod sample;
pub mod search;
pub mod source;
pub mod standing;

use crate::disk::{Disk, EntryKind, FolderFacts, ReadBackWay, Stat, TreeKind};
use crate::error::{DAMAGED, Step};
use crate::existing::standing::{HistoryThere, RecordsError, Standing};
use crate::hash_algorithm::Also;
use crate::name::fold;
use crate::record::doubt::Doubts;
use crate::record::earlier_run::{ProvenEntry, RecordedVerdict, Records};
use crate::record::journal;
use crate::record::journal::{JOURNAL, JOURNAL_BYTES_MAX, JournalHead};
use crate::record::layout::{DATA, DestinationIdentity, Layout, RECORDS};
use crate::record::load::{load_from, load_signed};
use crate::record::manifest::{DestinationPart, MANIFEST, Manifest};
use crate::record::media_hash_list::load_history;
use crate::record::store::{EARLIER_MAX, earlier_name};
use camino::Utf8Path;
use std::collections::{HashMap, HashSet};
use std::io;
use std::sync::Arc;

/// Looks at `DIR/NAME`, where the card's tree is expected in the layout `asked` unless records tell
/// another.
///
/// # Errors
/// When the folder is there and cannot be listed.
pub fn look(
    disk: &dyn Disk,
    given: &Utf8Path,
    facts: &FolderFacts,
    name: &str,
    asked: Layout,
) -> Result<Standing, LookError> {
    let root = given.join(name);
    let mut standing = Standing::default();
    match disk
        .look(&root)
        .map_err(|e| LookError::Look(root.to_string(), e))?
    {
        None => return Ok(standing),
        Some(stat) if stat.kind != EntryKind::Folder => {
            standing.exists = true;
            standing.entries.insert(String::new(), stat);
            return Ok(standing);
        }
        Some(_) => standing.exists = true,
    }
    // Through a link the records would land somewhere else, perhaps on the card.
    let is_folder = match disk.look(&root.join(RECORDS)) {
        Ok(found) => found.is_none_or(|stat| stat.kind == EntryKind::Folder),
        Err(e) => return Err(LookError::Look(format!("{root}/{RECORDS}"), e)),
    };
    match records(disk, facts, &root, name) {
        _ if !is_folder => standing.damaged = Some(RecordsError::NoFolder(RECORDS).into()),
        Ok(records) => standing.records = records,
        Err(why) => standing.damaged = Some(why.into()),
    }
    let found = disk
        .walk(&root, TreeKind::Drive)
        .map_err(|e| LookError::List(root.to_string(), e))?;
    let layout = standing.records.as_ref().map_or(asked, |r| r.layout);
    for entry in found {
        let path = entry.path.to_string_lossy().into_owned();
        let stat = entry
            .stat
            .map_err(|e| LookError::Unseen(format!("{root}/{path}"), e))?;
        if path == RECORDS || path.starts_with(&format!("{RECORDS}/")) {
            continue;
        }
        match layout.inside(&path) {
            Some(inside) => {
                standing.entries.insert(inside.to_owned(), stat);
            }
            // Through a link the copy would land somewhere else.
            None if path == DATA && stat.kind != EntryKind::Folder => {
                standing.damaged = Some(RecordsError::NoFolder(DATA).into());
            }
            // Without records nothing of ours can be there.
            None if standing.records.is_none() && stat.kind != EntryKind::Folder => {
                standing.entries.insert(path, stat);
            }
            None => {}
        }
    }
    if standing.records.is_some() && layout == Layout::Plain {
        standing.history = history(disk, &root);
    }
    if layout == Layout::Bag {
        standing.bag_sums = bag_sums(disk, &root, &standing);
    }
    Ok(standing)
}

/// What stands there of a media hash list. One without a generation is none yet.
fn history(disk: &dyn Disk, root: &Utf8Path) -> HistoryThere {
    let unusable = |why| HistoryThere::Unusable(Arc::new(why));
    match load_history(disk, root) {
        Ok(None) => HistoryThere::None,
        Ok(Some(standing)) => match standing.check_strays() {
            // What a run left that was cut off is ended first.
            Ok(()) if standing.entries.is_empty() || standing.is_cut_short() => HistoryThere::None,
            Ok(()) => HistoryThere::Whole,
            Err(why) => unusable(why),
        },
        Err(why) => unusable(why),
    }
}

/// Why it is not known what stands on a destination: a path, and what the system said of it.
#[derive(Debug, thiserror::Error)]
pub enum LookError {
    /// It could not be looked at.
    #[error("`{0}` could not be looked at: {1}")]
    Look(String, #[source] io::Error),
    /// It could not be listed.
    #[error("`{0}` could not be listed: {1}")]
    List(String, #[source] io::Error),
    /// It was listed and could not be looked at.
    #[error("`{0}` could not be looked at: {1}{damage}", damage = damage_words(.1))]
    Unseen(String, #[source] io::Error),
}

impl LookError {
    /// Returns whether the file system may be damaged.
    pub fn is_damage(&self) -> bool {
        matches!(self, Self::Unseen(_, cause) if is_damage(cause))
    }
}

/// ntfs3 lists files that it cannot find after a pull (seen).
fn is_damage(cause: &io::Error) -> bool {
    use io::ErrorKind::{CrossesDevices, PermissionDenied};
    cause.raw_os_error().is_some() && !matches!(cause.kind(), PermissionDenied | CrossesDevices)
}

fn damage_words(cause: &io::Error) -> String {
    if is_damage(cause) {
        format!("; {DAMAGED}")
    } else {
        String::new()
    }
}

/// Returns what the manifests of a bag say, the latest last, of files that stand in it and that its
/// records do not vouch for here. They have to be listed: a bag lists all of its payload. A
/// manifest that is damaged says nothing; then its files are told as not listed.
fn bag_sums(
    disk: &dyn Disk,
    root: &Utf8Path,
    standing: &Standing,
) -> HashMap<Arc<str>, (u64, String)> {
    let mut sums = HashMap::new();
    let files = standing.entries.iter();
    let unknown: HashSet<&str> = files
        .filter(|(path, stat)| stat.kind == EntryKind::File && standing.bag_sum(path).is_none())
        .map(|(path, _)| path.as_str())
        .collect();
    if unknown.is_empty() {
        return sums;
    }
    let records = root.join(RECORDS);
    let sets = (1..=EARLIER_MAX).map(|n| records.join(earlier_name(n)));
    let sets = sets.take_while(|set| matches!(disk.look(set), Ok(Some(_))));
    for folder in sets.chain([records.clone()]) {
        let Ok((manifest, _)) = load_from(disk, &folder) else {
            continue;
        };
        let here = manifest.files.into_iter().filter(|f| !f.is_elsewhere());
        for file in here.filter(|f| unknown.contains(&*f.path)) {
            if let Some(sha256) = file.also.get(Also::Sha256) {
                sums.insert(file.path, (file.bytes, sha256.to_owned()));
            }
        }
    }
    sums
}

fn records(
    disk: &dyn Disk,
    facts: &FolderFacts,
    root: &Utf8Path,
    name: &str,
) -> Result<Option<Records>, RecordsError> {
    let unread = |what, step| move |cause| RecordsError::Unread { what, step, cause };
    let folder = root.join(RECORDS);
    let mut merged: Option<Records> = None;
    let manifest = disk
        .look(&folder.join(MANIFEST))
        .map_err(unread("manifest", Step::Look))?;
    let path = folder.join(JOURNAL);
    let journal = disk.look(&path).map_err(unread("journal", Step::Look))?;
    // The journal goes when the manifest is durable. Beside it an empty one is what FAT leaves of a
    // name that was given in the last moment: the journal says all that it would have said.
    let is_torn = |stat: &Stat| stat.bytes == 0 && journal.is_some();
    if manifest.is_some_and(|stat| !is_torn(&stat)) {
        let (manifest, by) = load_signed(disk, root)?;
        let mut records = from_manifest(disk, manifest, facts, name);
        records.signed_by = by.map(|by| by.fingerprint());
        merged = Some(records);
    }
    if journal.is_some() {
        let bytes = disk
            .read_record(&path, JOURNAL_BYTES_MAX)
            .map_err(unread("journal", Step::Read))?;
        let is_here = |head: &JournalHead| was_here(disk, head, facts, name);
        if let Some(newer) = journal::read(&bytes, &is_here)? {
            let records = merged.get_or_insert_default();
            records.recorded = None;
            records.card_path = newer.card_path;
            records.card_volume_id = newer.card_volume_id;
            records.listing_b3 = newer.listing_b3;
            records.destinations = newer.destinations;
            records.layout = newer.layout;
            records.naming = newer.naming;
            records.card_files.extend(newer.card_files);
            for path in newer.proven.keys() {
                records.elsewhere.remove(path);
            }
            records.proven.extend(newer.proven);
        }
    }
    Ok(merged)
}

/// How sure it is that a recorded place is the folder at hand.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum PlaceMatch {
    /// The same path on the same volume.
    Same,
    /// The same place in the same volume, which is mounted elsewhere now.
    Moved,
    /// Another place, or none that can be told.
    Other,
}

/// Compares a recorded place with a folder. Another folder of the same volume is another place:
/// what lies there may have been copied by hand, and nobody read that back. A record that does not
/// tell the place in the volume (0.3 and before) is of its very path only.
fn place(then: &DestinationIdentity, facts: &FolderFacts) -> PlaceMatch {
    if then.volume_id != facts.volume_id {
        return PlaceMatch::Other;
    }
    let is_there = then.path == facts.canonical;
    match (&then.place, facts.place_mark()) {
        (Some(then), Some(now)) if *then != now => PlaceMatch::Other,
        _ if is_there => PlaceMatch::Same,
        (Some(_), Some(_)) if facts.volume_id.is_some() => PlaceMatch::Moved,
        _ => PlaceMatch::Other,
    }
}

/// Returns whether the folder `now` in `above` is the one that a record calls `then`: by that name,
/// or by one that differs in form and that the drive takes for the same. Where it tells the two
/// apart, the folder may be a copy.
fn is_called(disk: &dyn Disk, above: &FolderFacts, now: &str, then: &str) -> bool {
    let above = Utf8Path::new(&above.canonical);
    let number = |name| {
        let found = disk.look(&above.join(name)).ok().flatten();
        found.map(|stat| (stat.device, stat.inode))
    };
    now == then || (fold(now) == fold(then) && number(now).is_some_and(|n| number(then) == Some(n)))
}

/// Returns which of a manifest's destinations this folder is: the one at this path on this volume,
/// or the one place in this volume wherever that is mounted.
/// `offload` is the name of the offload's folder: one that has another name now may be a copy.
pub fn which_destination(
    disk: &dyn Disk,
    manifest: &Manifest,
    facts: &FolderFacts,
    offload: &str,
) -> Option<usize> {
    if !is_called(disk, facts, offload, &manifest.offload.name) {
        return None;
    }
    let places: Vec<PlaceMatch> = manifest
        .destinations
        .iter()
        .map(|d| {
            if d.is_other_drive(facts) {
                return PlaceMatch::Other;
            }
            place(&d.identity(), facts)
        })
        .collect();
    let only = |wanted: PlaceMatch| {
        let mut all = places.iter().enumerate().filter(|(_, p)| **p == wanted);
        let first = all.next().map(|(index, _)| index);
        first.filter(|_| wanted == PlaceMatch::Same || all.next().is_none())
    };
    only(PlaceMatch::Same).or_else(|| only(PlaceMatch::Moved))
}

/// Returns whether a run's journal was written in this place.
fn was_here(disk: &dyn Disk, head: &JournalHead, facts: &FolderFacts, offload: &str) -> bool {
    let mut all = head.destinations.iter();
    all.any(|d| place(d, facts) != PlaceMatch::Other)
        && is_called(disk, facts, offload, &head.offload)
}

/// Returns what a manifest vouches for on the destination at hand: nothing where it does not know
/// that place, for somebody may have copied the offload there by hand, and nobody read that back.
fn from_manifest(
    disk: &dyn Disk,
    mut manifest: Manifest,
    facts: &FolderFacts,
    offload: &str,
) -> Records {
    let here = which_destination(disk, &manifest, facts, offload);
    let mut records = Records {
        card_volume_id: manifest.card.volume_id.clone(),
        layout: manifest.offload.layout,
        has_mhl: manifest.mhl.is_some(),
        manifest_b3: manifest.own_b3,
        listing_b3: Some(manifest.card.listing_b3),
        card_path: Some(manifest.card.path.clone()),
        recorded: here.map(|_| RecordedVerdict {
            proven: manifest.verdict.proven,
            copies: manifest.verdict.copies,
            reasons: manifest.verdict.reasons.clone(),
            reread: manifest.is_reread(),
        }),
        destinations: manifest
            .destinations
            .iter()
            .map(DestinationPart::identity)
            .collect(),
        ..Records::default()
    };
    // Taken apart while it is gone through: of a card of 100,000 files it is large.
    let files = std::mem::take(&mut manifest.files);
    let doubts = Doubts::of(&manifest, here);
    for file in files {
        let then = (file.bytes, Arc::clone(&file.modified));
        records.card_files.insert(Arc::clone(&file.path), then);
        if file.is_elsewhere() {
            let mut copies = file.copies.iter();
            let copy = copies.find(|c| Some(c.destination) == here);
            if let Some(within) = copy.and_then(|c| c.within.as_deref().map(str::to_owned)) {
                records.elsewhere.insert(file.path.clone(), within);
            }
            continue;
        }
        if doubts.is_of(&file.path) {
            continue;
        }
        let mut copies = file.copies.iter();
        let copy = copies.find(|c| Some(c.destination) == here && c.proof.is_read_back());
        let way = copy
            .and_then(|c| manifest.destinations.get(c.destination))
            .map_or(ReadBackWay::None, |d| d.readback);
        if let Some(copy) = copy {
            let entry = ProvenEntry {
                bytes: file.bytes,
                modified: file.modified,
                blake3: file.blake3,
                also: file.also,
                way,
                read_s: file.read_s,
                readback_s: copy.readback_s.unwrap_or(0.0),
                only_zeros: file.only_zeros,
            };
            records.proven.insert(file.path, Arc::new(entry));
        }
    }
    records
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::ReadBackWay;
    use crate::disk::backing::Backing;
    use crate::record::manifest::{DestinationPart, device_field};

    /// A folder at `path`, which is `within` in its volume.
    fn at(path: &str, volume: Option<&str>, within: &str) -> FolderFacts {
        let all = Utf8Path::new(path).ancestors().count();
        let below = Utf8Path::new(within).components().count();
        FolderFacts {
            canonical: path.to_owned(),
            device: 7,
            entry_device: 7,
            inode: 1,
            ancestors: (0..all)
                .map(|n| (if n <= below { 7 } else { 1 }, 1))
                .collect(),
            is_mount_root: below == 0,
            filesystem: "ext4".to_owned(),
            volume_id: volume.map(str::to_owned),
            label: None,
            total_bytes: 0,
            free_bytes: 0,
            cluster_bytes: 1,
            read_only: false,
            backing: Backing::unknown("a test"),
            rotational: None,
            shows_folder: false,
            within: Some(within.to_owned()),
            is_camera_volume: false,
            is_system_volume: false,
            own_disk: None,
            is_own_volume: false,
            hardware: None,
            only_from_memory: None,
            images: Vec::new(),
        }
    }

    #[cfg(unix)]
    #[test]
    fn what_is_listed_and_not_found_is_told_as_damage() {
        // ENOENT, EIO and EACCES, as numbers of the system.
        for (cause, is_damage) in [(2, true), (5, true), (13, false)] {
            let cause = io::Error::from_raw_os_error(cause);
            let told = LookError::Unseen("/b/KITES/x".to_owned(), cause);
            assert_eq!(told.is_damage(), is_damage, "{told}");
            assert_eq!(told.to_string().contains(DAMAGED), is_damage, "{told}");
        }
        let link = LookError::Unseen("/b/x".to_owned(), io::Error::other("is a link"));
        assert!(!link.is_damage());
    }

    #[test]
    fn a_place_is_a_volume_and_a_path_on_it() {
        let id = Some("6234-ABCD");
        let drive = at("/media/drive", id, "");
        let folder = at("/media/drive/kites", id, "kites");
        for (recorded, expected) in [
            (
                at("/media/drive", id, ""),
                [PlaceMatch::Same, PlaceMatch::Other],
            ),
            (
                at("/media/drive/kites", id, "kites"),
                [PlaceMatch::Other, PlaceMatch::Same],
            ),
            // Another volume, or one that cannot be told, at the same path.
            (
                at("/media/drive", Some("0000-0001"), ""),
                [PlaceMatch::Other; 2],
            ),
            (at("/media/drive", None, ""), [PlaceMatch::Other; 2]),
            // The volume was mounted elsewhere.
            (
                at("/run/drive", id, ""),
                [PlaceMatch::Moved, PlaceMatch::Other],
            ),
            (
                at("/run/drive/kites", id, "kites"),
                [PlaceMatch::Other, PlaceMatch::Moved],
            ),
            // Another folder of it, now at the top of what a mount shows, or in another folder of
            // one name.
            (at("/run/drive/old", id, "old"), [PlaceMatch::Other; 2]),
            (
                at("/run/drive/old/kites", id, "old/kites"),
                [PlaceMatch::Other; 2],
            ),
            // Another folder of it at this very path: a mount shows only a part.
            (
                at("/media/drive", id, "kites"),
                [PlaceMatch::Other, PlaceMatch::Moved],
            ),
        ] {
            let then = crate::record::layout::identity(&recorded);
            let told = [place(&then, &drive), place(&then, &folder)];
            assert_eq!(told, expected, "{recorded:?}");
            // Records of old do not tell the place: their very path counts.
            let old = DestinationIdentity {
                place: None,
                ..then
            };
            for facts in [&drive, &folder] {
                let is_there =
                    recorded.canonical == facts.canonical && recorded.volume_id == facts.volume_id;
                let expected = if is_there {
                    PlaceMatch::Same
                } else {
                    PlaceMatch::Other
                };
                assert_eq!(place(&old, facts), expected, "{recorded:?}");
            }
        }
        // A clone of the drive has all of that; only the drive itself can say that it is another.
        let mut drive = at("/media/drive", id, "");
        let recorded = |facts: &FolderFacts| DestinationPart {
            name: None,
            path: facts.canonical.clone(),
            device: device_field(facts),
            filesystem: facts.filesystem.clone(),
            readback: ReadBackWay::Direct,
        };
        let unmarked = recorded(&drive);
        drive.hardware = Some("naa.5000c500a1b2c3d4".to_owned());
        let marked = recorded(&drive);
        assert_eq!(marked.volume_id(), id, "{}", marked.device);
        assert!(!marked.device.contains("5000c500"), "{}", marked.device);
        let mut clone = drive.clone();
        clone.hardware = Some("naa.5000c500a1b2c3d5".to_owned());
        assert!(marked.is_other_drive(&clone) && !marked.is_other_drive(&drive));
        assert!(!unmarked.is_other_drive(&clone));
        // A number of an enclosure says nothing.
        clone.hardware = Some("usb 1d6b:0104 0123456789".to_owned());
        assert!(!marked.is_other_drive(&clone));
        // The marks do not get into each other's way.
        assert_eq!(marked.place_mark(), drive.place_mark().as_deref());
        assert_eq!(unmarked.place_mark(), marked.place_mark());
        // Where volumes have no identity only the very path counts.
        let nameless = at("/mnt/share", None, "");
        let then = |path: &str| crate::record::layout::identity(&at(path, None, ""));
        assert_eq!(place(&then("/mnt/share"), &nameless), PlaceMatch::Same);
        assert_eq!(place(&then("/mnt/other"), &nameless), PlaceMatch::Other);
    }
}
