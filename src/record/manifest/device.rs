//! Owns the field in which a record keeps which drive and which place on it a copy is on.

use crate::disk::FolderFacts;
use crate::disk::backing::Backing;

/// Between the disks and the volume's identity in the `device` field.
pub(super) const VOLUME_MARK: &str = " volume ";

/// Before the drive's own mark in it.
pub(super) const DRIVE_MARK: &str = " drive ";

/// Before the mark of the destination's place in the volume.
pub(super) const PLACE_MARK: &str = " place ";

/// Returns the disks and, where the system tells them, the drive's mark, the mark of the folder's
/// place in the volume and the volume's identity: `sdb volume 6234-ABCD`,
/// `sdb drive 0123456789abcdef place fedcba9876543210 volume 6234-ABCD`. The kernel names its disks
/// anew at every plug; the volume is what stays, and what a clone of it has as well.
pub(crate) fn device_field(facts: &FolderFacts) -> String {
    let mut disks = device_words(&facts.backing);
    let marks = [
        (DRIVE_MARK, facts.drive_mark()),
        (PLACE_MARK, facts.place_mark()),
    ];
    for (what, mark) in marks {
        disks.extend(mark.map(|mark| format!("{what}{mark}")));
    }
    match &facts.volume_id {
        Some(id) => format!("{disks}{VOLUME_MARK}{id}"),
        None => disks,
    }
}

/// Returns the disks behind a destination in words.
pub fn device_words(backing: &Backing) -> String {
    match backing {
        Backing::Disks(disks) => disks.iter().cloned().collect::<Vec<_>>().join("+"),
        Backing::Memory => "memory".to_owned(),
        Backing::Unknown { .. } => "unknown".to_owned(),
    }
}
