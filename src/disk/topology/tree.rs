//! Owns reads of small files and links below the root of a system, with bounds.

use super::text::{text, unescape_hex};
use crate::disk::backing::Backing;
use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::OsStrExt;
use std::path::{Component, Path, PathBuf};
use std::{fs, io};

/// How many symbolic links one path may contain, as in the kernel.
pub(crate) const MAX_LINKS: usize = 40;

/// The root folder of a system: `/`, or a recorded one in tests.
pub(crate) struct SystemRoot<'a> {
    pub(crate) root: &'a Path,
}

impl SystemRoot<'_> {
    /// Path outside the tree for an absolute path inside it.
    pub(crate) fn real(&self, path: &Path) -> PathBuf {
        self.root.join(path.strip_prefix("/").unwrap_or(path))
    }

    /// Follows all symbolic links of a path without ever leaving the tree. Missing parts are kept
    /// as they are; `None` means too many links.
    pub(crate) fn resolve(&self, path: &Path) -> Option<PathBuf> {
        let mut todo: Vec<OsString> = parts(path);
        let mut done = PathBuf::from("/");
        let mut links = 0;
        while let Some(part) = todo.pop() {
            if part == ".." {
                done.pop();
                continue;
            }
            let next = done.join(&part);
            let Ok(target) = fs::read_link(self.real(&next)) else {
                done = next;
                continue;
            };
            links += 1;
            if links > MAX_LINKS {
                return None;
            }
            if target.is_absolute() {
                done = PathBuf::from("/");
            }
            todo.extend(parts(&target));
        }
        Some(done)
    }

    /// A folder with all links followed, if it is there.
    pub(crate) fn folder(&self, path: &Path) -> Option<PathBuf> {
        let path = self.resolve(path)?;
        let found = fs::symlink_metadata(self.real(&path)).ok()?;
        found.is_dir().then_some(path)
    }

    /// Whether something is at this path, which must be free of links. What may not be looked at is
    /// taken to be there.
    pub(crate) fn exists(&self, path: &Path) -> bool {
        match fs::symlink_metadata(self.real(path)) {
            Ok(_) => true,
            Err(error) => !matches!(
                error.kind(),
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
            ),
        }
    }

    /// Content of a small file without the newline at its end.
    pub(crate) fn read(&self, path: &Path) -> Option<Vec<u8>> {
        let mut bytes = fs::read(self.real(&self.resolve(path)?)).ok()?;
        if bytes.last() == Some(&b'\n') {
            bytes.pop();
        }
        Some(bytes)
    }

    /// Names in a folder, sorted; a folder that is not there has none.
    pub(crate) fn names(&self, folder: &Path) -> io::Result<Vec<OsString>> {
        let entries = match fs::read_dir(self.real(folder)) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(error) => return Err(error),
        };
        let mut names = entries
            .map(|entry| entry.map(|e| e.file_name()))
            .collect::<io::Result<Vec<_>>>()?;
        names.sort();
        Ok(names)
    }

    /// Name of the first link in a folder of `/dev/disk` that points to the device node `node`.
    pub(crate) fn link_name(&self, folder: &str, node: &str) -> Option<String> {
        let folder = Path::new(folder);
        let names = self.names(folder).ok()?;
        let name = names.into_iter().find(|name| {
            fs::read_link(self.real(&folder.join(name)))
                .is_ok_and(|target| target.file_name() == Some(OsStr::new(node)))
        })?;
        Some(text(&unescape_hex(name.as_bytes())))
    }

    /// Folder of a block device, found by its kernel name.
    pub(crate) fn block_named(&self, name: &str) -> Option<PathBuf> {
        self.folder(&Path::new("/sys/class/block").join(name))
    }

    /// Kernel name of the block device behind a device node such as `/dev/sdb1` or `/dev/mapper/x`.
    pub(crate) fn block_of_node(&self, node: &Path) -> Option<String> {
        let resolved = self.resolve(node)?;
        let below = resolved.strip_prefix("/dev").ok()?.to_str()?;
        let name = below.replace('/', "!");
        if !name.is_empty() && self.block_named(&name).is_some() {
            return Some(name);
        }
        let mapping = below.strip_prefix("mapper/")?.as_bytes();
        let class = Path::new("/sys/class/block");
        let names = self.names(class).ok()?;
        names
            .into_iter()
            .filter(|entry| entry.as_bytes().starts_with(b"dm-"))
            .find(|entry| {
                self.read(&class.join(entry).join("dm/name")).as_deref() == Some(mapping)
            })?
            .into_string()
            .ok()
    }

    /// Whether any of these disks says that it rotates.
    pub(crate) fn rotational(&self, backing: &Backing) -> Option<bool> {
        let Backing::Disks(disks) = backing else {
            return None;
        };
        disks
            .iter()
            .filter_map(|disk| {
                let value = self.read(&self.block_named(disk)?.join("queue/rotational"))?;
                Some(value != b"0")
            })
            .reduce(|a, b| a || b)
    }
}

/// Parts of a path in reverse order, without the leading slash and without `.`.
pub(crate) fn parts(path: &Path) -> Vec<OsString> {
    path.components()
        .rev()
        .filter(|part| matches!(part, Component::Normal(_) | Component::ParentDir))
        .map(|part| part.as_os_str().to_owned())
        .collect()
}
