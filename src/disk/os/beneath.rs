//! Owns the way to what lies below a folder: from a handle of that folder, through no link and onto
//! nothing that is mounted inside. A folder that is swapped for a link in the middle of a copy
//! leads nowhere then, and a drive that was unmounted is still the one that is written to.

#[cfg(target_os = "linux")]
use super::linux_calls as calls;
#[cfg(target_os = "macos")]
use super::macos_calls as calls;

use super::stat::{InodeId, stat_of};
use crate::disk::Stat;
use camino::{Utf8Path, Utf8PathBuf};
use rustix::fs::{CWD, Mode, OFlags, openat};
use rustix::io::{Errno, retry_on_intr};
use std::collections::VecDeque;
use std::fs::File;
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::path::{Component, Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Folders below a held one that are kept open, those used last; each is a handle of the process.
const NEAR_MAX: usize = 32;

/// Puts what may be met on the way into words.
pub(super) fn io_error(cause: Errno) -> io::Error {
    match cause {
        Errno::XDEV => io::Error::new(
            io::ErrorKind::CrossesDevices,
            "it is a mount of its own, or is in one, and is not counted as a part of what it is \
             mounted in",
        ),
        Errno::LOOP => io::Error::other("it is a link, or is behind one, which is not followed"),
        other => other.into(),
    }
}

/// Opens what lies at `path` below `from`, which is at `root`.
fn open_below(
    from: BorrowedFd<'_>,
    root: InodeId,
    path: &Path,
    flags: OFlags,
    mode: Mode,
) -> io::Result<OwnedFd> {
    let flags = flags | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    let opened = match calls::open_beneath(from, path, flags, mode) {
        Some(opened) => opened,
        None => by_steps(from, root, path, flags, mode),
    };
    opened.map_err(io_error)
}

/// Where the kernel has no call for it: one folder after the other.
fn by_steps(
    from: BorrowedFd<'_>,
    root: InodeId,
    path: &Path,
    flags: OFlags,
    mode: Mode,
) -> Result<OwnedFd, Errno> {
    let mut at: Option<OwnedFd> = None;
    let mut parts = path.components().peekable();
    while let Some(part) = parts.next() {
        if !matches!(part, Component::Normal(_) | Component::CurDir) {
            return Err(Errno::XDEV);
        }
        let folder = at.as_ref().map_or(from, AsFd::as_fd);
        let opened = if parts.peek().is_none() {
            retry_on_intr(|| openat(folder, part.as_os_str(), flags, mode))?
        } else {
            let step = HANDLE | OFlags::NOFOLLOW;
            retry_on_intr(|| openat(folder, part.as_os_str(), step, Mode::empty()))?
        };
        calls::stat_open(opened.as_fd())?.1.check_on(root)?;
        at = Some(opened);
    }
    at.ok_or(Errno::INVAL)
}

/// How a folder is opened only to start from it.
const HANDLE: OFlags = calls::START.union(OFlags::DIRECTORY).union(OFlags::CLOEXEC);

/// A folder that is held open, to start from.
#[derive(Clone, Debug)]
pub(super) struct Start {
    folder: Arc<OwnedFd>,
    pub(super) place: InodeId,
}

impl Start {
    /// Opens a folder by its name; a link that was given is followed.
    pub(super) fn by_name(path: &Utf8Path) -> io::Result<Self> {
        let folder = retry_on_intr(|| openat(CWD, path.as_str(), HANDLE, Mode::empty()))?;
        Ok(Self {
            place: calls::stat_open(folder.as_fd())?.1,
            folder: Arc::new(folder),
        })
    }

    /// Opens what lies below.
    pub(super) fn open(&self, path: &Path, flags: OFlags, mode: Mode) -> io::Result<OwnedFd> {
        open_below(self.folder.as_fd(), self.place, path, flags, mode)
    }
}

/// A folder that a job works in, held until the job ends.
#[derive(Debug)]
pub(super) struct HeldFolder {
    pub(super) path: Utf8PathBuf,
    pub(super) start: Start,
    /// The folders in work, those used last first. Whatever takes the place of one later, what is
    /// done through its handle stays in the folder that was found there.
    near: Mutex<VecDeque<(PathBuf, Arc<OwnedFd>)>>,
}

impl HeldFolder {
    pub(super) fn new(path: &Utf8Path) -> io::Result<Self> {
        Ok(Self {
            path: path.to_path_buf(),
            start: Start::by_name(path)?,
            near: Mutex::default(),
        })
    }

    /// Fails when the name of the folder leads elsewhere by now.
    pub(super) fn check_in_place(&self) -> io::Result<()> {
        let now = std::fs::metadata(&self.path)?;
        let now = stat_of(&now);
        if (now.device, now.inode) == (self.start.place.device, self.start.place.inode) {
            return Ok(());
        }
        Err(io::Error::new(
            io::ErrorKind::NotFound,
            "it was unmounted, or something else is mounted over it",
        ))
    }

    /// Returns the folder at `below`, to start from.
    pub(super) fn start_at(&self, below: &Path) -> io::Result<Start> {
        let folder = if below.as_os_str().is_empty() {
            Arc::clone(&self.start.folder)
        } else {
            Arc::new(self.start.open(below, HANDLE, Mode::empty())?)
        };
        let place = self.start.place;
        Ok(Start { folder, place })
    }

    /// Returns the place of `below`, in its folder.
    pub(super) fn at(&self, below: &Path) -> io::Result<At> {
        let (folder, name) = match (below.parent(), below.file_name()) {
            (Some(parent), Some(name)) if parent.as_os_str().is_empty() => {
                (Arc::clone(&self.start.folder), name.into())
            }
            (Some(parent), Some(name)) => (self.near(parent)?, name.into()),
            _ => (Arc::clone(&self.start.folder), PathBuf::from(".")),
        };
        let place = self.start.place;
        Ok(At {
            start: Some(Start { folder, place }),
            name,
        })
    }

    fn near(&self, folder: &Path) -> io::Result<Arc<OwnedFd>> {
        let mut near = self.near.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(at) = near.iter().position(|(path, _)| path == folder)
            && let Some(found) = near.remove(at)
        {
            let open = Arc::clone(&found.1);
            near.push_front(found);
            return Ok(open);
        }
        drop(near);
        let open = Arc::new(self.start.open(folder, HANDLE, Mode::empty())?);
        let mut near = self.near.lock().unwrap_or_else(PoisonError::into_inner);
        near.push_front((folder.to_path_buf(), Arc::clone(&open)));
        near.truncate(NEAR_MAX);
        Ok(open)
    }
}

/// A name in an open folder; or a path by name, where its folder is not held.
#[derive(Debug)]
pub(super) struct At {
    start: Option<Start>,
    pub(super) name: PathBuf,
}

impl At {
    /// A path by name.
    pub(super) fn by_name(path: &Utf8Path) -> Self {
        Self {
            start: None,
            name: path.as_std_path().to_path_buf(),
        }
    }

    /// The folder for the system's calls.
    pub(super) fn folder(&self) -> BorrowedFd<'_> {
        self.start.as_ref().map_or(CWD, |s| s.folder.as_fd())
    }

    pub(super) fn open(&self, flags: OFlags, mode: Mode) -> io::Result<File> {
        let open = match &self.start {
            Some(start) => start.open(&self.name, flags, mode)?,
            None => retry_on_intr(|| openat(CWD, &self.name, flags | OFlags::CLOEXEC, mode))?,
        };
        Ok(open.into())
    }

    /// Opens for reading without touching the access time where the system grants that (on Linux
    /// the owner or root; macOS has no such call); never follows a link.
    pub(super) fn open_quietly(&self, extra: OFlags) -> io::Result<File> {
        let open = |more| self.open(OFlags::NOFOLLOW | extra | more, Mode::empty());
        match open(calls::QUIETLY) {
            Err(e) if e.kind() == io::ErrorKind::PermissionDenied => open(OFlags::empty()),
            other => other,
        }
    }

    /// Makes a file that must not exist, for writing.
    pub(super) fn create(&self, extra: OFlags) -> io::Result<File> {
        let new = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW;
        self.open(new | extra, FOR_FILES)
    }

    /// Returns what stands there; a link is not followed.
    pub(super) fn stat(&self) -> io::Result<Stat> {
        let (stat, place) = calls::stat_at(self.folder(), &self.name)?;
        if let Some(start) = &self.start {
            place.check_on(start.place).map_err(io_error)?;
        }
        Ok(stat)
    }
}

/// The rights of a new file, before the person's own mask.
pub(super) const FOR_FILES: Mode = Mode::from_raw_mode(0o666);
/// The rights of a new folder, before the person's own mask.
pub(super) const FOR_FOLDERS: Mode = Mode::from_raw_mode(0o777);

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    /// Both ways: with the kernel's own call where it has one, and step by step.
    #[test]
    fn nothing_leads_out_of_a_folder() {
        let top = tempfile::tempdir().unwrap();
        let root = Utf8Path::from_path(top.path()).unwrap();
        let folder = root.join("drive/a/b");
        std::fs::create_dir_all(&folder).unwrap();
        File::create_new(folder.join("file")).unwrap();
        File::create_new(root.join("secret")).unwrap();
        symlink(root, folder.join("out")).unwrap();
        symlink("file", folder.join("link")).unwrap();
        let start = Start::by_name(&root.join("drive")).unwrap();
        let read = OFlags::RDONLY;
        for path in ["a/b/file", "a/b", "."] {
            start.open(Path::new(path), read, Mode::empty()).unwrap();
            let flags = read | OFlags::NOFOLLOW;
            let from = start.folder.as_fd();
            by_steps(from, start.place, Path::new(path), flags, Mode::empty()).unwrap();
        }
        for path in ["a/b/out/secret", "a/b/link", "a/b/out", "../secret", "/"] {
            let path = Path::new(path);
            assert!(start.open(path, read, Mode::empty()).is_err(), "{path:?}");
            let flags = read | OFlags::NOFOLLOW;
            let from = start.folder.as_fd();
            let by_steps = by_steps(from, start.place, path, flags, Mode::empty());
            assert!(by_steps.is_err(), "{path:?}");
        }
    }

    #[test]
    fn a_folder_that_is_swapped_for_a_link_takes_nothing_with_it() {
        let top = tempfile::tempdir().unwrap();
        let root = Utf8Path::from_path(top.path()).unwrap();
        std::fs::create_dir_all(root.join("drive/a")).unwrap();
        std::fs::create_dir(root.join("card")).unwrap();
        let held = HeldFolder::new(&root.join("drive")).unwrap();
        let create = |name: &str| held.at(Path::new(name))?.create(OFlags::empty());
        create("a/one").unwrap();
        #[expect(clippy::disallowed_methods, reason = "a test's own folder")]
        std::fs::rename(root.join("drive/a"), root.join("drive/was-a")).unwrap();
        symlink(root.join("card"), root.join("drive/a")).unwrap();
        // It is held open: what is written goes on into the folder that was there.
        create("a/two").unwrap();
        assert!(root.join("drive/was-a/two").exists());
        // Found anew, it is refused.
        held.near.lock().unwrap().clear();
        assert!(create("a/three").is_err());
        assert_eq!(std::fs::read_dir(root.join("card")).unwrap().count(), 0);
        held.check_in_place().unwrap();
        #[expect(clippy::disallowed_methods, reason = "a test's own folder")]
        std::fs::rename(root.join("drive"), root.join("gone")).unwrap();
        assert!(held.check_in_place().is_err());
        symlink(root.join("gone"), root.join("drive")).unwrap();
        held.check_in_place().unwrap();
    }

    #[test]
    fn few_folders_are_kept_open() {
        let top = tempfile::tempdir().unwrap();
        let root = Utf8Path::from_path(top.path()).unwrap();
        let held = HeldFolder::new(root).unwrap();
        for n in 0..NEAR_MAX * 2 {
            std::fs::create_dir(root.join(format!("{n}"))).unwrap();
            held.at(Path::new(&format!("{n}/x"))).unwrap();
        }
        assert_eq!(held.near.lock().unwrap().len(), NEAR_MAX);
    }
}
