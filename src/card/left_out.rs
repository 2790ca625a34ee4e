//! Owns the rule for what computers leave behind on a card. Such entries are listed with their
//! reason and not copied; nothing is ever left out by file type.

use crate::units::{counted, size};
use std::fmt;

/// Folders that computers make in the root of a volume.
const ROOT_FOLDERS: [(&str, Litter); 7] = [
    (".Trashes", Litter::Trash),
    ("$RECYCLE.BIN", Litter::Trash),
    (".Spotlight-V100", Litter::SearchIndex),
    (".fseventsd", Litter::EventLog),
    (".TemporaryItems", Litter::TemporaryFolder),
    (".DocumentRevisions-V100", Litter::VersionStore),
    ("System Volume Information", Litter::SystemFolder),
];

/// What a computer leaves behind on a card.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[expect(missing_docs, reason = "the words below say what each is")]
pub enum Litter {
    Trash,
    SearchIndex,
    EventLog,
    TemporaryFolder,
    VersionStore,
    SystemFolder,
    WindowSettings,
    SideFile,
}

impl fmt::Display for Litter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Trash => "Trash folder of a computer",
            Self::SearchIndex => "search index of a computer",
            Self::EventLog => "event log of a computer",
            Self::TemporaryFolder => "temporary folder of a computer",
            Self::VersionStore => "version store of a computer",
            Self::SystemFolder => "system folder of a computer",
            Self::WindowSettings => "window settings of a computer",
            Self::SideFile => "side file of a computer",
        })
    }
}

/// Counts of what lies inside a folder that is left out; of a file that is, none.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Inside {
    /// Files at any depth.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Whether a part of it could not be listed.
    pub unreadable: bool,
}

/// Why an entry is left out. Its words are those of a manifest.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum SkipReason {
    /// It is what a computer leaves behind.
    Litter(Litter, Inside),
    /// The manifest of the offload that is copied says so, in these words. Other versions may word
    /// it otherwise.
    Recorded(String),
}

/// How the words end of a Trash folder that holds files.
const NOT_COPIED: &str = "not copied";

impl SkipReason {
    /// Returns whether it is a Trash folder that holds files.
    pub fn is_full_trash(&self) -> bool {
        match self {
            Self::Litter(what, inside) => *what == Litter::Trash && inside.files > 0,
            // A manifest has no more than the words.
            Self::Recorded(words) => words.contains(NOT_COPIED),
        }
    }
}

impl fmt::Display for SkipReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (what, inside) = match self {
            Self::Litter(what, inside) => (what, inside),
            Self::Recorded(words) => return f.write_str(words),
        };
        write!(f, "{what}")?;
        if self.is_full_trash() {
            let (files, bytes) = (counted(inside.files, "file"), size(inside.bytes));
            write!(f, "; it holds {files}, {bytes}, {NOT_COPIED}")?;
        }
        if inside.unreadable {
            f.write_str("; parts of it could not be listed")?;
        }
        Ok(())
    }
}

/// Returns what makes an entry one that is left out, or `None` for everything that is to be copied.
/// `path` is relative to the card's root with `/` between parts.
pub fn why_left_out(path: &[u8], is_folder: bool) -> Option<Litter> {
    let name = path.rsplit(|&b| b == b'/').next().unwrap_or(path);
    let in_root = name.len() == path.len();
    if is_folder && in_root {
        return ROOT_FOLDERS
            .iter()
            .find(|(folder, _)| name.eq_ignore_ascii_case(folder.as_bytes()))
            .map(|(_, why)| *why);
    }
    if is_folder {
        return None;
    }
    if name == b".DS_Store" {
        return Some(Litter::WindowSettings);
    }
    if name.starts_with(b"._") && name.len() > 2 {
        return Some(Litter::SideFile);
    }
    None
}

/// Returns whether an entry of an offload that no record names is what computers put into folders
/// later on: what is left out on cards, and what lies in its root in a folder that is; indexes of
/// thumbnails, window settings, Trash folders and the like at any depth. On a card these are copied
/// like all else. `path` is relative to the offload's tree.
pub fn came_later(path: &str, is_folder: bool) -> bool {
    let top = path.split('/').next().unwrap_or(path);
    if why_left_out(path.as_bytes(), is_folder).is_some()
        || why_left_out(top.as_bytes(), true).is_some()
    {
        return true;
    }
    // Names from memory: of Windows, of the Trash specification of freedesktop.org, of network
    // storage.
    let is_file = |name: &str| {
        ["Thumbs.db", "ehthumbs.db", "desktop.ini"]
            .iter()
            .any(|file| name.eq_ignore_ascii_case(file))
    };
    let is_of_computer = |name: &str| name == "@eaDir" || name.starts_with(".Trash-");
    let name = path.rsplit('/').next().unwrap_or(path);
    let mut above = path.split('/');
    if !is_folder {
        above.next_back();
    }
    (!is_folder && is_file(name)) || above.any(is_of_computer)
}

/// Folders that are emptied some day, or that a system keeps for itself. Names from memory: of
/// Windows, macOS, Linux, the Trash specification of freedesktop.org and network storage.
const TRASH: [&str; 15] = [
    ".Trashes",
    ".Trash",
    "Trash",
    "$RECYCLE.BIN",
    ".Recycle.Bin",
    "RECYCLER",
    "RECYCLED",
    ".recycle",
    "#recycle",
    "@Recycle",
    "lost+found",
    ".TemporaryItems",
    ".Spotlight-V100",
    ".DocumentRevisions-V100",
    "System Volume Information",
];

/// Whether nothing in a folder of this name is there to stay.
pub fn is_trash(name: &str) -> bool {
    let begins = name.get(..7).unwrap_or_default();
    begins.eq_ignore_ascii_case(".Trash-") || TRASH.iter().any(|t| name.eq_ignore_ascii_case(t))
}

/// Whether a file lies in such a folder.
pub fn is_in_trash(path: &str) -> bool {
    path.rsplit('/').skip(1).any(is_trash)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn litter_by_rule_only() {
        // Names: Apple and Microsoft volume litter as described at eclecticlight.co (2021);
        // Windows names from memory.
        for (path, folder) in [
            (".Trashes", true),
            (".Spotlight-V100", true),
            ("System Volume Information", true),
            ("$RECYCLE.BIN", true),
            ("$Recycle.Bin", true),
            (".DS_Store", false),
            ("DCIM/.DS_Store", false),
            ("DCIM/100KITES/._KITE0001.JPG", false),
        ] {
            assert!(why_left_out(path.as_bytes(), folder).is_some(), "{path}");
        }
        for (path, folder) in [
            ("DCIM", true),
            ("DCIM/.Trashes", true),
            (".Trashes", false),
            (".hidden", false),
            ("._", false),
            ("DCIM/._folder", true),
            ("THUMBS.DB", false),
            ("MISC/KITE0001.XMP", false),
        ] {
            assert_eq!(why_left_out(path.as_bytes(), folder), None, "{path}");
        }
        for (path, folder) in [
            ("Thumbs.db", false),
            ("DCIM/100KITES/thumbs.db", false),
            ("DCIM/Desktop.ini", false),
            (".Trash-1000", true),
            (".Trash-1000/files/KITE0001.JPG", false),
            ("DCIM/@eaDir", true),
            ("DCIM/@eaDir/KITE0001.JPG/thumb.jpg", false),
            (".Trashes/501/x", false),
            ("DCIM/._KITE0001.JPG", false),
        ] {
            assert!(came_later(path, folder), "{path}");
        }
        for (path, folder) in [
            ("DCIM/KITE0001.JPG", false),
            ("Thumbs.db", true),
            ("Thumbs.db/KITE0001.JPG", false),
            ("DCIM/my desktop.ini", false),
            (".Trash-1000", false),
            ("@eaDir", false),
            ("DCIM/.Trashes/x", false),
        ] {
            assert!(!came_later(path, folder), "{path}");
        }
    }

    #[test]
    fn a_full_trash_folder_is_told_from_the_rest_and_from_its_words_in_a_manifest() {
        use Litter::*;
        let full = Inside {
            files: 2,
            bytes: 5_000_000,
            unreadable: true,
        };
        for (what, words) in [
            (Trash, "Trash folder of a computer"),
            (SearchIndex, "search index of a computer"),
            (EventLog, "event log of a computer"),
            (TemporaryFolder, "temporary folder of a computer"),
            (VersionStore, "version store of a computer"),
            (SystemFolder, "system folder of a computer"),
            (WindowSettings, "window settings of a computer"),
            (SideFile, "side file of a computer"),
        ] {
            let empty = SkipReason::Litter(what, Inside::default());
            assert_eq!(empty.to_string(), words);
            let full = SkipReason::Litter(what, full);
            let held = match what {
                Trash => "; it holds 2 files, 5.0 MB, not copied",
                _ => "",
            };
            let listed = "; parts of it could not be listed";
            assert_eq!(full.to_string(), format!("{words}{held}{listed}"));
            assert!(!empty.is_full_trash());
            assert_eq!(full.is_full_trash(), what == Trash);
            for reason in [empty, full] {
                let recorded = SkipReason::Recorded(reason.to_string());
                assert_eq!(recorded.is_full_trash(), reason.is_full_trash());
                assert_eq!(recorded.to_string(), reason.to_string());
            }
        }
    }
}
