//! Owns the table of mounts as the kernel gives it, and which mount a folder lies on.

use super::error::TopologyError;
use super::text::{parse_number, text, unescape};
use super::tree::SystemRoot;
use std::collections::BTreeSet;
use std::ffi::OsString;
use std::fs;
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};

/// Where the mount table of this process is, seen from the root.
pub(super) const MOUNT_TABLE: &str = "/proc/self/mountinfo";

/// One line of the mount table.
#[derive(Debug)]
pub(super) struct Mount {
    pub(super) id: u32,
    pub(super) parent: u32,
    pub(super) number: (u32, u32),
    pub(super) root: String,
    pub(super) point: PathBuf,
    pub(super) filesystem: String,
    pub(super) source: String,
    pub(super) read_only: bool,
    /// Options of the file system, as opposed to those of this mount of it.
    pub(super) options: Vec<String>,
}

/// Reads the mount table of this process.
pub(super) fn read_mounts(tree: &SystemRoot<'_>) -> Result<Vec<Mount>, TopologyError> {
    let path = tree.real(Path::new(MOUNT_TABLE));
    let text = fs::read(&path).map_err(|source| TopologyError::Read {
        path: path.clone(),
        source,
    })?;
    text.split(|&byte| byte == b'\n')
        .enumerate()
        .filter(|(_, line)| !line.is_empty())
        .map(|(index, line)| {
            parse_mount(line).ok_or_else(|| TopologyError::MountTable {
                path: path.clone(),
                line: index + 1,
            })
        })
        .collect()
}

/// Parses one line of the mount table: id, parent, device, root, mount point, options, any number
/// of optional fields, a dash, type, source, options of the file system. Fields may be empty.
pub(super) fn parse_mount(line: &[u8]) -> Option<Mount> {
    let mut fields = line.split(|&byte| byte == b' ');
    let mut raw = || fields.next();
    let mut next = || raw().map(unescape);
    let id = text(&next()?).parse().ok()?;
    let parent = text(&next()?).parse().ok()?;
    let number = parse_number(&text(&next()?))?;
    let root = text(&next()?);
    let point = PathBuf::from(OsString::from_vec(next()?));
    let mount_options = text(&next()?);
    while next()? != b"-" {}
    let filesystem = text(&next()?);
    let source = text(&next()?);
    // A comma in an option is escaped.
    let options = raw().unwrap_or_default().split(|&byte| byte == b',');
    let options: Vec<String> = options.map(|option| text(&unescape(option))).collect();
    let read_only =
        mount_options.split(',').any(|o| o == "ro") || options.iter().any(|o| o == "ro");
    Some(Mount {
        id,
        parent,
        number,
        root,
        point,
        filesystem,
        source,
        read_only,
        options,
    })
}

/// The mount that holds a path, and whether its device number is the one asked for.
///
/// The mount that path walking ends in is taken if its number fits; else the longest mount point
/// whose number fits, the last line of equals; else the former without a fit.
pub(super) fn mount_of<'a>(
    mounts: &'a [Mount],
    path: &Path,
    dev: Option<(u32, u32)>,
) -> Option<(&'a Mount, bool)> {
    let holding = || mounts.iter().filter(|m| path.starts_with(&m.point));
    let length = |m: &&Mount| m.point.components().count();
    let seen = visible_mount(mounts, path).or_else(|| holding().max_by_key(length));
    let Some(dev) = dev else {
        return seen.map(|mount| (mount, true));
    };
    if let Some(mount) = seen.filter(|m| m.number == dev) {
        return Some((mount, true));
    }
    match holding().filter(|m| m.number == dev).max_by_key(length) {
        Some(mount) => Some((mount, true)),
        None => seen.map(|mount| (mount, false)),
    }
}

/// Walks a path from the root mount the way the kernel does: from each mount into the first of its
/// children on the way, so that a mount hidden below another is not taken.
pub(super) fn visible_mount<'a>(mounts: &'a [Mount], path: &Path) -> Option<&'a Mount> {
    let ids: BTreeSet<u32> = mounts.iter().map(|m| m.id).collect();
    let is_top =
        |m: &&Mount| m.point == Path::new("/") && (m.parent == m.id || !ids.contains(&m.parent));
    let mut current = mounts.iter().find(is_top)?;
    for _ in 0..mounts.len() {
        let next = mounts
            .iter()
            .rev()
            .filter(|m| m.parent == current.id && m.id != current.id)
            .filter(|m| path.starts_with(&m.point))
            .min_by_key(|m| m.point.components().count());
        match next {
            Some(mount) => current = mount,
            None => break,
        }
    }
    Some(current)
}
