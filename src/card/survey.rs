//! Owns the walk that turns a card into a [`Listing`]. What cannot be read becomes a row, never a
//! log line; nothing is followed, nothing is skipped without a row.

use super::account::{self, unexplained};
use super::hidden::{LeftFile, media_among, worth_a_look};
use super::left_out::{Inside, Litter, SkipReason, why_left_out};
use super::listing::{EntryTrouble, Listing, Row, RowKind};
use crate::disk::{Disk, EntryKind, FolderFacts, Sight, TreeKind, WalkEntry};
use crate::error::{Cause, Error, Step};
use crate::name::{CardName, PATH_BYTES_MAX};
use crate::units::size;
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::io;
use std::sync::atomic::AtomicBool;

/// Places inside a card that are told to be another volume.
const MOUNTS_TOLD: usize = 8;

/// Lists every entry of the card at `root`, of which the system says `facts`, and takes account of
/// its volume where the file system counts exactly.
///
/// # Errors
/// When the root itself cannot be listed, or when it holds more entries than the walk accepts or
/// more bytes than there can be.
pub fn survey(disk: &dyn Disk, root: &Utf8Path, facts: &FolderFacts) -> Result<Listing, Error> {
    let before = disk.count(root, facts);
    let found = disk
        .walk(root, TreeKind::Card)
        .map_err(|cause| Error::new(Step::List, root, cause))?;
    check_sum(root, &found)?;
    // Files are not asked: an overlay gives them numbers of the layers below it.
    let mounts: Vec<String> = found
        .iter()
        .filter(|f| match &f.stat {
            Ok(s) => s.kind == EntryKind::Folder && s.device != facts.entry_device,
            Err(cause) => is_mounted(cause),
        })
        .map(|f| f.path.to_string_lossy().into_owned())
        .take(MOUNTS_TOLD)
        .collect();
    let is_all = facts.is_mount_root && !facts.shows_folder && mounts.is_empty();
    // Counted twice: somebody may write to the card meanwhile.
    let counts = [before, disk.count(root, facts)];
    let left = counts
        .iter()
        .flatten()
        .map(|c| unexplained(c, sizes(&found)))
        .min();
    let left = left.filter(|bytes| *bytes > 0 && is_all);
    let listing = listing_of(found, &facts.filesystem);
    // What could not be listed is told already, and that something is missing follows from it.
    let left = left.filter(|_| !listing.has_unlisted());
    let left = left.map(|bytes| account::words(bytes, &disk.log_of(facts)));
    Ok(listing.with_account(left, mounts))
}

/// Adds to a listing of the card at `root` which of the files that are left out look like pictures.
pub fn look_at_left(
    disk: &dyn Disk,
    root: &Utf8Path,
    listing: Listing,
    stop: &AtomicBool,
) -> Listing {
    let media = media_among(disk, root, listing.left_files(), stop);
    listing.with_media_left(media)
}

/// Whether an entry is told to be a mount of its own.
fn is_mounted(cause: &io::Error) -> bool {
    cause.kind() == io::ErrorKind::CrossesDevices
}

/// The sizes in bytes of every file and folder, those left out included.
fn sizes(found: &[WalkEntry]) -> impl Iterator<Item = u64> {
    let stats = found.iter().filter_map(|f| f.stat.as_ref().ok());
    stats.map(|s| s.bytes)
}

/// Lists what stands in several trees of one file system as one: of each only what `belongs` to it,
/// by the number of the tree and the path in it.
///
/// # Errors
/// As [`survey`].
pub fn survey_parts(
    disk: &dyn Disk,
    trees: &[Utf8PathBuf],
    filesystem: &str,
    belongs: &dyn Fn(usize, &str) -> bool,
) -> Result<Listing, Error> {
    let mut all = Vec::new();
    for (index, tree) in trees.iter().enumerate() {
        let mut found = disk
            .walk(tree, TreeKind::Card)
            .map_err(|cause| Error::new(Step::List, tree, cause))?;
        found.retain(|f| belongs(index, &f.path.to_string_lossy()));
        all.append(&mut found);
    }
    let root = trees
        .first()
        .map_or(Utf8Path::new(""), Utf8PathBuf::as_path);
    check_sum(root, &all)?;
    Ok(listing_of(all, filesystem))
}

/// Sparse files can claim any length; no sum of it would be right.
fn check_sum(root: &Utf8Path, found: &[WalkEntry]) -> Result<(), Error> {
    if sizes(found).fold(0, u64::saturating_add) <= BYTES_MAX {
        return Ok(());
    }
    let why = format!(
        "its files claim more than {}, which no card holds",
        size(BYTES_MAX)
    );
    Err(Error::new(Step::List, root, io::Error::other(why)))
}

/// The most that a manifest can say: whole numbers that every reader of JSON takes exactly (RFC
/// 8259, section 6).
const BYTES_MAX: u64 = (1 << 53) - 1;

/// Sorts what a walk met into rows, by the Linux name of the file system.
pub fn listing_of(found: Vec<WalkEntry>, filesystem: &str) -> Listing {
    let mut left_out: BTreeMap<Vec<u8>, (Litter, Inside)> = BTreeMap::new();
    for entry in &found {
        let raw = raw_bytes(&entry.path);
        let is_folder = matches!(&entry.stat, Ok(s) if s.kind == EntryKind::Folder);
        if is_folder && let Some(why) = why_left_out(&raw, true) {
            left_out.insert(raw, (why, Inside::default()));
        }
    }
    let mut rows: BTreeMap<Vec<u8>, RowKind> = BTreeMap::new();
    let mut left_files = Vec::new();
    for entry in found {
        let raw = raw_bytes(&entry.path);
        let file = entry.stat.as_ref().ok();
        let file = file.filter(|s| s.kind == EntryKind::File);
        let left = |raw: &[u8]| {
            file.map(|s| LeftFile {
                raw: raw.to_vec(),
                bytes: s.bytes,
            })
        };
        let top = raw.split(|&b| b == b'/').next().unwrap_or(&raw);
        if let Some((why, inside)) = left_out.get_mut(top) {
            // What is in the Trash was put there by a person, and is counted.
            left_files.extend(left(&raw).filter(|_| *why != Litter::Trash));
            match &entry.stat {
                Ok(s) if s.kind == EntryKind::File => {
                    inside.files += 1;
                    inside.bytes += s.bytes;
                }
                Ok(_) => {}
                Err(_) => inside.unreadable = true,
            }
            continue;
        }
        let kind = kind_of(&raw, &entry, filesystem);
        if matches!(kind, RowKind::LeftOut { .. }) {
            left_files.extend(left(&raw));
        }
        // A folder that cannot be listed is met twice; the trouble is what counts.
        if !matches!(rows.get(&raw), Some(RowKind::Trouble { .. })) {
            rows.insert(raw, kind);
        }
    }
    for (raw, (why, inside)) in left_out {
        rows.insert(
            raw,
            RowKind::LeftOut {
                why: SkipReason::Litter(why, inside),
            },
        );
    }
    Listing::new(
        rows.into_iter()
            .map(|(raw, kind)| Row::new(raw, kind))
            .collect(),
    )
    .with_left_files(worth_a_look(left_files))
}

fn kind_of(raw: &[u8], entry: &WalkEntry, filesystem: &str) -> RowKind {
    let stat = match &entry.stat {
        Ok(stat) => stat,
        Err(cause) if is_mounted(cause) => {
            return RowKind::Trouble {
                why: EntryTrouble::Mounted,
            };
        }
        Err(cause) => {
            return RowKind::Trouble {
                why: EntryTrouble::Unlisted(cause.to_string(), Cause::of(cause)),
            };
        }
    };
    let is_folder = stat.kind == EntryKind::Folder;
    if let Some(why) = why_left_out(raw, is_folder) {
        return RowKind::LeftOut {
            why: SkipReason::Litter(why, Inside::default()),
        };
    }
    let Ok(text) = std::str::from_utf8(raw) else {
        return RowKind::NotText;
    };
    let name = match CardName::parse(text) {
        Ok(name) => name,
        Err(why) => {
            return RowKind::Trouble {
                why: EntryTrouble::Unrecordable(why),
            };
        }
    };
    match stat.kind {
        EntryKind::File => RowKind::File {
            name,
            bytes: stat.bytes,
            modified: stat.modified,
            sight: Sight::of(stat, filesystem),
        },
        EntryKind::Folder => RowKind::Folder { name },
        EntryKind::Link => RowKind::Trouble {
            why: EntryTrouble::Link,
        },
        EntryKind::Special => RowKind::Trouble {
            why: EntryTrouble::Special,
        },
    }
}

/// The bytes of a path: on Unix as the system has them, on Windows as UTF-8, where a lone half of a
/// pair of UTF-16 units stays what is no UTF-8.
fn raw_bytes(path: &OsStr) -> Vec<u8> {
    let bytes = path.as_encoded_bytes();
    bytes
        .get(..bytes.len().min(PATH_BYTES_MAX * 4))
        .unwrap_or(bytes)
        .to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::{Stamp, Stat};
    use std::io;

    fn entry(path: &str, kind: EntryKind, bytes: u64) -> WalkEntry {
        let modified = Stamp {
            seconds: 1,
            nanos: 0,
        };
        WalkEntry {
            path: path.into(),
            stat: Ok(Stat {
                kind,
                bytes,
                modified,
                device: 1,
                inode: 1,
                changed: modified,
            }),
        }
    }

    #[test]
    fn every_entry_becomes_a_row() {
        let listing = listing_of(
            vec![
                entry("DCIM", EntryKind::Folder, 0),
                entry("DCIM/b.JPG", EntryKind::File, 5),
                entry("DCIM/a.JPG", EntryKind::File, 0),
                entry("DCIM/link", EntryKind::Link, 3),
                entry("DCIM/sock", EntryKind::Special, 0),
                entry("LOCKED", EntryKind::Folder, 0),
                WalkEntry {
                    path: "LOCKED".into(),
                    stat: Err(io::Error::from_raw_os_error(13)),
                },
                entry(".DS_Store", EntryKind::File, 6_148),
            ],
            "ext4",
        );
        assert_eq!(listing.rows().len(), 7);
        assert_eq!(listing.totals(), (2, 5));
        assert_eq!(
            listing.files().map(|f| f.name.as_str()).collect::<Vec<_>>(),
            ["DCIM/a.JPG", "DCIM/b.JPG"]
        );
        let troubles = listing
            .rows()
            .iter()
            .filter(|r| matches!(r.kind, RowKind::Trouble { .. }))
            .count();
        assert_eq!(troubles, 3, "link, socket, locked folder");
        assert_eq!(listing.left_out().count(), 1);
    }

    #[test]
    fn pictures_in_a_trash_folder_are_told() {
        let listing = listing_of(
            vec![
                entry(".Trashes/501/KITE0007.JPG", EntryKind::File, 2_000_000),
                entry(".Trashes", EntryKind::Folder, 0),
                entry(".Trashes/501", EntryKind::Folder, 0),
            ],
            "ext4",
        );
        let (path, why) = listing.left_out().next().unwrap();
        assert_eq!(path, ".Trashes");
        assert!(why.to_string().contains("1 file, 2.0 MB"), "{why}");
    }

    #[cfg(unix)]
    #[test]
    fn names_that_are_not_text_are_rows_in_hex() {
        use std::os::unix::ffi::OsStrExt as _;
        let mut odd = entry("x", EntryKind::File, 1);
        odd.path = OsStr::from_bytes(b"KITE\xff.JPG").to_owned();
        let listing = listing_of(vec![odd], "ext4");
        assert_eq!(listing.rows()[0].kind, RowKind::NotText);
        assert_eq!(listing.rows()[0].path(), "hex:4b495445ff2e4a5047");
    }
}
