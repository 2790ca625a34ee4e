//! Owns the rule for what computers leave behind on a card. Such entries are listed with their
//! reason and not copied; nothing is ever left out by file type.

/// Folders that computers make in the root of a volume.
const ROOT_FOLDERS: [(&str, &str); 6] = [
    (".Trashes", "Trash folder of a computer"),
    (".Spotlight-V100", "search index of a computer"),
    (".fseventsd", "event log of a computer"),
    (".TemporaryItems", "temporary folder of a computer"),
    (".DocumentRevisions-V100", "version store of a computer"),
    ("System Volume Information", "system folder of a computer"),
];

/// Returns why an entry is left out, or `None` for everything that is to be copied. `path` is
/// relative to the card's root with `/` between parts.
pub fn why_left_out(path: &[u8], is_folder: bool) -> Option<&'static str> {
    let name = path.rsplit(|&b| b == b'/').next().unwrap_or(path);
    let in_root = name.len() == path.len();
    if is_folder && in_root {
        if name.eq_ignore_ascii_case(b"$RECYCLE.BIN") {
            return Some("Trash folder of a computer");
        }
        return ROOT_FOLDERS
            .iter()
            .find(|(folder, _)| name.eq_ignore_ascii_case(folder.as_bytes()))
            .map(|(_, why)| *why);
    }
    if is_folder {
        return None;
    }
    if name == b".DS_Store" {
        return Some("window settings of a computer");
    }
    if name.starts_with(b"._") && name.len() > 2 {
        return Some("side file of a computer");
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

/// Returns whether a reason is that of a Trash folder, whose content may be somebody's pictures.
pub fn is_trash(why: &str) -> bool {
    why.starts_with("Trash folder")
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
        assert!(is_trash(why_left_out(b".Trashes", true).unwrap()));
    }
}
