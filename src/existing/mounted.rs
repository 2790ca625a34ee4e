//! Owns the question whether the drive that a person means is mounted: an unmounted drive leaves an
//! empty folder behind, which is on the system's own disk and takes a copy as willingly. It looks
//! and judges; refusing is the plan's business.

use crate::disk::{Disk, FolderFacts};
use crate::name::shown;
use camino::Utf8Path;

/// Returns in words why a destination is not the drive that is meant. `other_volume` is the
/// volume that the latest copy into this folder went to, where it is known and not this one; it may
/// have no identity. Both signs count only on the volume that the system itself runs from.
pub fn unmounted(
    disk: &dyn Disk,
    given: &Utf8Path,
    facts: &FolderFacts,
    other_volume: Option<Option<&str>>,
) -> Option<String> {
    if !facts.is_system_volume {
        return None;
    }
    let told = shown(given.as_str());
    let is_mount_place = is_where_drives_are_mounted(&facts.canonical);
    // A new folder where drives are mounted would be taken for another that is not.
    let instead = if is_mount_place {
        "give one that is not where drives are mounted"
    } else {
        "make a new one in it and give that"
    };
    let other = format!(
        "A drive formatted as NTFS that was pulled may first have to be checked on Windows \
         (chkdsk). If you do mean a folder on this disk, {instead}."
    );
    if let Some(id) = other_volume {
        let volume = id.map_or(String::new(), |id| format!(" (volume {})", shown(id)));
        return Some(format!(
            "`{told}` is not the drive that the last copy there went to{volume}, but a folder on \
             the system's own disk: that drive is not mounted. {other}"
        ));
    }
    let is_empty = || {
        disk.children(given)
            .is_ok_and(|children| children.is_empty())
    };
    (is_mount_place && is_empty()).then(|| {
        format!(
            "`{told}` is an empty folder on the system's own disk, where drives are mounted: no \
             drive is. {other}"
        )
    })
}

/// Folders in which systems mount drives: udisks, the Filesystem Hierarchy Standard 3.0 (sections
/// 3.11 and 3.12), macOS.
const MOUNT_PLACES: [&str; 4] = ["/media/", "/mnt/", "/run/media/", "/Volumes/"];

/// Returns whether a folder lies where drives are mounted, by its path with links resolved.
pub fn is_where_drives_are_mounted(canonical: &str) -> bool {
    MOUNT_PLACES
        .iter()
        .any(|place| canonical.starts_with(place))
}
