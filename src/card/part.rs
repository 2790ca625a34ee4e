//! Owns whether what is called a card is all of one. A folder of a card can be copied and proven
//! like a card; it is only never said that the card may be formatted for it. Pure.

use super::listing::Listing;
use crate::disk::FolderFacts;
use crate::name::shown;

/// Returns why a listing is not that of a whole card, in words that go on after a colon; `None`
/// where it is.
pub fn part_of(facts: &FolderFacts, listing: &Listing) -> Option<String> {
    if let Some(path) = listing.mounts().first() {
        return Some(format!(
            "another volume is mounted in it, at `{}`",
            shown(path)
        ));
    }
    facts.is_part_of_volume().then(|| {
        if facts.shows_folder && facts.is_mount_root {
            return "it shows a folder of a volume".to_owned();
        }
        format!(
            "it is a folder of the volume at `{}`",
            shown(facts.volume_root().as_str())
        )
    })
}

/// Returns that as a sentence.
pub fn part_note(why: &str) -> String {
    format!(
        "This is a folder, not a whole card: {why}. What is said here is about the folder only."
    )
}
