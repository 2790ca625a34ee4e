//! Owns what every system does alike: walks, the limit of a record, what may be removed, journals.

use crate::disk::{CAMERA_FOLDERS, CHAIN, EntryKind, JOURNAL, Journal, Stat, WalkEntry};
use std::ffi::{OsStr, OsString};
use std::fs::File;
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};

/// Folders below folders that a walk follows; deeper trees are told as unreadable.
const DEPTH_MAX: usize = 128;
/// Entries that one walk accepts.
const ENTRIES_MAX: usize = 5_000_000;

/// Returns whether the root of a volume holds folders that only cameras make.
pub(super) fn is_camera_volume(root: &Path) -> bool {
    CAMERA_FOLDERS.iter().any(|f| root.join(f).is_dir())
}

/// Entries of one folder by name.
pub(super) type Entries = Vec<(OsString, io::Result<Stat>)>;

/// A folder that is still to be listed.
struct Ahead {
    at: PathBuf,
    below_root: OsString,
    depth: usize,
}

/// Walks a tree below `root` with a system's own way of listing one folder. Paths are told with `/`
/// between their parts on every system. It ends where `go_on` says no.
pub(super) fn walk(
    root: &Path,
    go_on: &dyn Fn() -> bool,
    list: &dyn Fn(&Path, &mut Entries) -> io::Result<()>,
) -> io::Result<Vec<WalkEntry>> {
    let mut found = Vec::new();
    let mut ahead = vec![Ahead {
        at: root.to_path_buf(),
        below_root: OsString::new(),
        depth: 0,
    }];
    while let Some(folder) = ahead.pop() {
        let mut entries = Entries::new();
        let mut too_deep = Vec::new();
        let listed = list(&folder.at, &mut entries);
        if !go_on() {
            return Err(io::Error::other(crate::error::Interruption));
        }
        for (name, stat) in entries {
            let path = below(&folder.below_root, &name);
            if matches!(&stat, Ok(s) if s.kind == EntryKind::Folder) {
                if folder.depth < DEPTH_MAX {
                    ahead.push(Ahead {
                        at: folder.at.join(&name),
                        below_root: path.clone(),
                        depth: folder.depth + 1,
                    });
                } else {
                    too_deep.push(WalkEntry {
                        path: path.clone(),
                        stat: Err(io::Error::other(crate::error::TooDeep)),
                    });
                }
            }
            found.push(WalkEntry { path, stat });
        }
        // Met once as folders and once more with the error.
        found.append(&mut too_deep);
        match listed {
            Ok(()) => {}
            Err(cause) if folder.below_root.is_empty() => return Err(cause),
            Err(cause) => found.push(WalkEntry {
                path: folder.below_root,
                stat: Err(cause),
            }),
        }
        if found.len() > ENTRIES_MAX {
            return Err(io::Error::other("holds more than 5,000,000 entries"));
        }
    }
    Ok(found)
}

fn below(parent: &OsString, name: &OsString) -> OsString {
    if parent.is_empty() {
        return name.clone();
    }
    let mut path = parent.clone();
    path.push("/");
    path.push(name);
    path
}

/// Reads a record that was opened; refuses what is no file or larger than `limit` bytes.
pub(super) fn read_limited(file: File, limit: u64) -> io::Result<Vec<u8>> {
    let meta = file.metadata()?;
    if !meta.is_file() {
        return Err(io::Error::other("is not a file"));
    }
    if meta.len() > limit {
        return Err(io::Error::other(format!(
            "is {}, more than the {} that are read",
            crate::units::size(meta.len()),
            crate::units::size(limit)
        )));
    }
    let mut bytes = Vec::new();
    // Asked for, not taken: too little memory is an error here, not the end of the program.
    bytes
        .try_reserve_exact(crate::units::len_usize(meta.len().saturating_add(1)))
        .map_err(io::Error::other)?;
    file.take(limit + 1).read_to_end(&mut bytes)?;
    if crate::units::len64(bytes.len()) > limit {
        return Err(io::Error::other("grew while it was read"));
    }
    Ok(bytes)
}

/// Refuses to remove anything but a part file or a journal.
pub(super) fn check_own(name: &str) -> io::Result<()> {
    if crate::name::is_part_name(name) || name == JOURNAL {
        return Ok(());
    }
    Err(io::Error::other(
        "is neither a part file nor a journal of unlade",
    ))
}

/// Refuses to replace anything but the chain of a media hash list, and by anything but a part file.
pub(super) fn check_chain(part: impl AsRef<Path>, to: impl AsRef<Path>) -> io::Result<()> {
    let name = |path: &Path| path.file_name().and_then(OsStr::to_str).map(str::to_owned);
    let is_part = name(part.as_ref()).is_some_and(|name| crate::name::is_part_name(&name));
    if is_part && name(to.as_ref()).as_deref() == Some(CHAIN) {
        return Ok(());
    }
    Err(io::Error::other("is not the chain of a media hash list"))
}

/// A journal open for appending.
#[derive(Debug)]
pub(super) struct OsJournal {
    pub(super) file: File,
}

impl Journal for OsJournal {
    fn append(&mut self, lines: &[u8]) -> io::Result<()> {
        self.file.write_all(lines)?;
        self.file.sync_data()
    }
}
