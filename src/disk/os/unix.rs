//! Owns what Linux and macOS do alike: opening without following links, listing, names, flushing.
//! What they do differently is in `system`, the module of the one at hand.

#[cfg(target_os = "linux")]
use super::{linux as system, linux_calls as calls};
#[cfg(target_os = "macos")]
use super::{macos as system, macos_calls as calls};

use super::beneath::{At, FOR_FILES, FOR_FOLDERS, HeldFolder, Start, io_error};
use super::common::{
    Entries, OsJournal, check_chain, check_own, is_camera_volume, read_limited, walk,
};
use crate::disk::backing::Backing;
use crate::disk::{
    Anchor, Claim, Disk, FolderFacts, Journal, MountedFolder, PartFile, Settling, Source, Stat,
    TreeKind, WalkEntry,
};
use camino::Utf8Path;
use rustix::fs::{AtFlags, Mode, OFlags, RenameFlags};
use std::collections::HashMap;
use std::ffi::OsStr;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use system::Volume;

/// The computer's own file systems, seen from `root` (`/` outside tests).
#[derive(Debug)]
pub struct OsDisk {
    root: PathBuf,
    /// What stands behind each `st_dev`, so that thousands of small files are not each looked up.
    /// Used for the way of reading back only; identity is always asked afresh.
    volumes: Mutex<HashMap<u64, Arc<Volume>>>,
    /// The folders that jobs work in now.
    held: Arc<RwLock<Vec<Arc<HeldFolder>>>>,
}

impl OsDisk {
    /// The file systems of this computer.
    pub fn new() -> Self {
        Self {
            root: PathBuf::from("/"),
            volumes: Mutex::default(),
            held: Arc::default(),
        }
    }
}

impl Default for OsDisk {
    fn default() -> Self {
        Self::new()
    }
}

/// Lists one open folder. What is mounted in it is told as that, where it is asked on which mount
/// it has to be. The rest is left out where `go_on` says no.
fn list_folder(
    folder: OwnedFd,
    on: Option<&Start>,
    go_on: &dyn Fn() -> bool,
    entries: &mut Entries,
) -> io::Result<()> {
    let mut listed = rustix::fs::Dir::new(folder)?;
    while let Some(entry) = listed.read() {
        let entry = entry?;
        if !go_on() {
            break;
        }
        let name = entry.file_name().to_bytes();
        if matches!(name, b"." | b"..") {
            continue;
        }
        let name = OsStr::from_bytes(name);
        let stat = calls::stat_at(listed.fd()?, Path::new(name)).and_then(|(stat, place)| {
            on.map_or(Ok(()), |start| place.check_on(start.place))?;
            Ok(stat)
        });
        entries.push((name.to_owned(), stat.map_err(io_error)));
    }
    Ok(())
}

/// Opens a folder to be listed, so that its access time stays.
fn open_listing(start: &Start, path: &Path) -> io::Result<OwnedFd> {
    let open = |more| start.open(path, OFlags::DIRECTORY | more, Mode::empty());
    match open(calls::QUIETLY) {
        Err(e) if e.kind() == io::ErrorKind::PermissionDenied => open(OFlags::empty()),
        other => other,
    }
}

/// Lets go of a held folder.
#[derive(Debug)]
struct Hold {
    all: Arc<RwLock<Vec<Arc<HeldFolder>>>>,
    held: Arc<HeldFolder>,
}

impl Drop for Hold {
    fn drop(&mut self) {
        let mut all = self.all.write().unwrap_or_else(PoisonError::into_inner);
        if let Some(at) = all.iter().position(|held| Arc::ptr_eq(held, &self.held)) {
            all.swap_remove(at);
        }
    }
}

impl OsDisk {
    /// Returns the held folder that a path is in, the nearest one, and the way from there.
    fn held<'a>(&self, path: &'a Utf8Path) -> Option<(Arc<HeldFolder>, &'a Path)> {
        let all = self.held.read().unwrap_or_else(PoisonError::into_inner);
        let below = all.iter().filter_map(|held| {
            let below = path.strip_prefix(&held.path).ok()?;
            Some((held, below.as_std_path()))
        });
        let (held, below) = below.min_by_key(|(_, below)| below.components().count())?;
        Some((Arc::clone(held), below))
    }

    fn at(&self, path: &Utf8Path) -> io::Result<At> {
        match self.held(path) {
            Some((held, below)) => held.at(below),
            None => Ok(At::by_name(path)),
        }
    }

    /// Returns a folder to start a walk from. A link that was given as a root is followed once;
    /// below it, and below what is held, nothing is.
    fn start(&self, root: &Utf8Path) -> io::Result<Start> {
        match self.held(root) {
            Some((held, below)) => held.start_at(below),
            None => Start::by_name(root),
        }
    }

    fn known_volume(&self, path: &Utf8Path, device: u64) -> io::Result<Arc<Volume>> {
        let mut known = self.volumes.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(volume) = known.get(&device) {
            return Ok(Arc::clone(volume));
        }
        let is_folder = std::fs::symlink_metadata(path).is_ok_and(|m| m.is_dir());
        let folder = path.parent().filter(|_| !is_folder).unwrap_or(path);
        // A name alone is in the current folder.
        let folder = Some(folder).filter(|folder| !folder.as_str().is_empty());
        let parent = std::fs::canonicalize(folder.unwrap_or(Utf8Path::new(".")))?;
        let volume = Arc::new(system::volume_of(&self.root, &parent, device)?);
        known.insert(device, Arc::clone(&volume));
        Ok(volume)
    }
}

impl Disk for OsDisk {
    fn anchor(&self, folder: &Utf8Path, facts: &FolderFacts) -> io::Result<Anchor> {
        let held = Arc::new(HeldFolder::new(folder)?);
        let place = held.start.place;
        let mut all = self.held.write().unwrap_or_else(PoisonError::into_inner);
        let other = all.iter().find(|other| other.path == folder).cloned();
        let is_same = other.as_ref().is_none_or(|o| o.start.place == place);
        if (place.device, place.inode) != (facts.device, facts.inode) || !is_same {
            return Err(io::Error::new(
                io::ErrorKind::NotFound,
                "another folder or drive is in its place by now",
            ));
        }
        let held = other.unwrap_or(held);
        all.push(Arc::clone(&held));
        let all = Arc::clone(&self.held);
        Ok(Box::new(Hold { all, held }))
    }

    fn check_in_place(&self, folder: &Utf8Path) -> io::Result<()> {
        match self.held(folder) {
            Some((held, _)) => held.check_in_place(),
            None => Ok(()),
        }
    }

    fn walk(&self, root: &Utf8Path, tree: TreeKind) -> io::Result<Vec<WalkEntry>> {
        self.walk_while(root, tree, &|| true)
    }

    fn walk_while(
        &self,
        root: &Utf8Path,
        _tree: TreeKind,
        go_on: &dyn Fn() -> bool,
    ) -> io::Result<Vec<WalkEntry>> {
        let start = self.start(root)?;
        walk(Path::new(""), go_on, &|at, entries| {
            let at = if at.as_os_str().is_empty() {
                Path::new(".")
            } else {
                at
            };
            list_folder(open_listing(&start, at)?, Some(&start), go_on, entries)
        })
    }

    fn children(&self, folder: &Utf8Path) -> io::Result<Vec<WalkEntry>> {
        self.children_while(folder, &|| true)
    }

    fn children_while(
        &self,
        folder: &Utf8Path,
        go_on: &dyn Fn() -> bool,
    ) -> io::Result<Vec<WalkEntry>> {
        let mut entries = Entries::new();
        let start = self.start(folder)?;
        // Drives may be mounted in a folder that is searched for them.
        let on = self.held(folder).map(|_| &start);
        let listing = open_listing(&start, Path::new("."))?;
        list_folder(listing, on, go_on, &mut entries)?;
        if !go_on() {
            return Err(io::Error::other(crate::error::Interruption));
        }
        let found = |(path, stat)| WalkEntry { path, stat };
        Ok(entries.into_iter().map(found).collect())
    }

    #[cfg(target_os = "linux")]
    fn device_info(&self, facts: &FolderFacts) -> crate::disk::hardware::DeviceInfo {
        crate::disk::hardware::behind(&self.root, &facts.backing, facts.rotational)
    }

    fn mounted(&self) -> io::Result<Option<Vec<MountedFolder>>> {
        system::mounted(&self.root).map(Some)
    }

    fn facts(&self, folder: &Utf8Path) -> io::Result<FolderFacts> {
        let canonical = std::fs::canonicalize(folder)?;
        let meta = std::fs::metadata(&canonical)?;
        if !meta.is_dir() {
            return Err(io::Error::new(
                io::ErrorKind::NotADirectory,
                "is not a folder",
            ));
        }
        let mut ancestors = Vec::new();
        for above in canonical.ancestors() {
            let m = std::fs::metadata(above)?;
            ancestors.push((m.dev(), m.ino()));
        }
        let volume = system::volume_of(&self.root, &canonical, meta.dev())?;
        system::check_present(&self.root, meta.dev(), &volume.backing)?;
        let room = system::room(&canonical, &volume)?;
        let above_device = ancestors.get(1).map(|a| a.0);
        let is_on = |place: &Path| std::fs::metadata(place).is_ok_and(|m| m.dev() == meta.dev());
        let mut roots = system::SYSTEM_ROOTS.iter().map(|r| self.root.join(r));
        let is_system_volume = roots.any(|root| is_on(&root));
        let is_own_volume = is_system_volume
            || volume.backing == Backing::Memory
            || std::env::home_dir().is_some_and(|home| is_on(&home));
        Ok(FolderFacts {
            is_mount_root: canonical == volume.mount_point || above_device != Some(meta.dev()),
            shows_folder: volume.shows_folder(),
            within: volume.within(&canonical),
            canonical: canonical.to_string_lossy().into_owned(),
            device: meta.dev(),
            entry_device: meta.dev(),
            inode: meta.ino(),
            ancestors,
            only_from_memory: system::only_from_memory(&self.root, &volume),
            images: system::images(&self.root, &volume),
            hardware: system::hardware(&self.root, &volume.backing),
            volume_id: volume.volume_id.or(room.identity),
            label: volume.label,
            filesystem: volume.filesystem,
            total_bytes: room.total_bytes,
            free_bytes: room.free_bytes,
            cluster_bytes: room.cluster_bytes,
            read_only: volume.read_only,
            backing: volume.backing,
            own_disk: volume.own_disk,
            rotational: volume.rotational,
            is_camera_volume: is_camera_volume(&volume.mount_point),
            is_system_volume,
            is_own_volume,
        })
    }

    #[cfg(target_os = "linux")]
    fn count(&self, root: &Utf8Path, facts: &FolderFacts) -> Option<crate::disk::Count> {
        super::count::count(root.as_std_path(), facts)
    }

    #[cfg(target_os = "linux")]
    fn log_of(&self, facts: &FolderFacts) -> Vec<String> {
        super::count::log_of(&self.root, facts)
    }

    fn look(&self, path: &Utf8Path) -> io::Result<Option<Stat>> {
        let stat = match self.held(path) {
            // What its name leads to is asked, and not what is held.
            Some((_, below)) if below.as_os_str().is_empty() => At::by_name(path).stat(),
            _ => self.at(path).and_then(|at| at.stat()),
        };
        match stat {
            Ok(stat) => Ok(Some(stat)),
            Err(e)
                if matches!(
                    e.kind(),
                    io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
                ) =>
            {
                Ok(None)
            }
            Err(e) => Err(e),
        }
    }

    fn open_card(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        // O_NONBLOCK: a pipe that took the place of a file must not hang the reader.
        let file = self.at(path)?.open_quietly(OFlags::NONBLOCK)?;
        let meta = file.metadata()?;
        if !meta.is_file() {
            return Err(io::Error::other("is no longer a file"));
        }
        let volume = self.known_volume(path, meta.dev())?;
        Ok(system::card_source(file, &volume))
    }

    fn open_read_back(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        let file = system::open_past_cache(&self.at(path)?)?;
        let meta = file.metadata()?;
        if !meta.is_file() {
            return Err(io::Error::other("is not a file"));
        }
        let volume = self.known_volume(path, meta.dev())?;
        system::read_back_source(&self.root, file, &volume)
    }

    fn read_record(&self, path: &Utf8Path, limit: u64) -> io::Result<Vec<u8>> {
        let file = self.at(path)?.open_quietly(OFlags::NONBLOCK)?;
        read_limited(file, limit)
    }

    fn claim(&self, folder: &Utf8Path) -> io::Result<Claim> {
        use rustix::fs::{FlockOperation, flock};
        let folder = self.at(folder)?.open_quietly(OFlags::DIRECTORY)?;
        match flock(&folder, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => Ok(Some(Box::new(folder))),
            Err(rustix::io::Errno::WOULDBLOCK) => Err(io::ErrorKind::WouldBlock.into()),
            // Some network file systems have no locks.
            Err(_) => Ok(None),
        }
    }

    fn create_folder(&self, path: &Utf8Path) -> io::Result<()> {
        let at = self.at(path)?;
        Ok(rustix::fs::mkdirat(at.folder(), &at.name, FOR_FOLDERS)?)
    }

    fn create_part(&self, path: &Utf8Path, large: bool) -> io::Result<Box<dyn PartFile>> {
        let on = |device| self.known_volume(path, device);
        system::create_part(self.at(path)?, large, &on)
    }

    fn try_size(&self, folder: &Utf8Path, bytes: u64) -> io::Result<()> {
        let path = folder.join(format!(".size{}", crate::name::PART_ENDING));
        let at = self.at(&path)?;
        let file = match at.create(OFlags::empty()) {
            // Left by a run that was killed.
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                self.remove_own(&path)?;
                at.create(OFlags::empty())?
            }
            other => other?,
        };
        let taken = file.set_len(bytes);
        self.remove_own(&path)?;
        taken
    }

    fn rename_new(&self, from: &Utf8Path, to: &Utf8Path) -> io::Result<()> {
        use rustix::fs::renameat_with;
        let (from, to) = (self.at(from)?, self.at(to)?);
        match renameat_with(
            from.folder(),
            &from.name,
            to.folder(),
            &to.name,
            RenameFlags::NOREPLACE,
        ) {
            Ok(()) => Ok(()),
            // Some FUSE and network file systems lack RENAME_NOREPLACE. A hard link never replaces
            // either; where even that is missing, nothing is published.
            Err(
                rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS | rustix::io::Errno::NOTSUP,
            ) => rename_by_link(&from, &to),
            Err(e) => Err(e.into()),
        }
    }

    fn replace_chain(&self, part: &Utf8Path, to: &Utf8Path) -> io::Result<()> {
        let (part, to) = (self.at(part)?, self.at(to)?);
        check_chain(&part.name, &to.name)?;
        let renamed = rustix::fs::renameat(part.folder(), &part.name, to.folder(), &to.name);
        Ok(renamed?)
    }

    fn flush(&self, path: &Utf8Path) -> io::Result<()> {
        let open = self.at(path)?.open(OFlags::NONBLOCK, Mode::empty())?;
        match system::flush_all(&open) {
            // Some network and FUSE file systems have no such call for folders; their own protocol
            // decides when an entry is durable.
            Err(e)
                if matches!(
                    e.kind(),
                    io::ErrorKind::InvalidInput | io::ErrorKind::Unsupported
                ) =>
            {
                Ok(())
            }
            other => other,
        }
    }

    fn flush_everything(&self, folder: &Utf8Path) -> io::Result<()> {
        system::flush_everything(&self.at(folder)?.open_quietly(OFlags::DIRECTORY)?)
    }

    fn settling(&self, folder: &Utf8Path) -> io::Result<Settling> {
        let open = self.at(folder)?.open_quietly(OFlags::DIRECTORY)?;
        let volume = self.known_volume(folder, open.metadata()?.dev())?;
        Ok(system::settling(&volume.filesystem))
    }

    fn remove_own(&self, path: &Utf8Path) -> io::Result<()> {
        check_own(path.file_name().unwrap_or_default())?;
        let at = self.at(path)?;
        Ok(rustix::fs::unlinkat(
            at.folder(),
            &at.name,
            AtFlags::empty(),
        )?)
    }

    fn remove_empty_folder(&self, path: &Utf8Path) -> io::Result<()> {
        let at = self.at(path)?;
        Ok(rustix::fs::unlinkat(
            at.folder(),
            &at.name,
            AtFlags::REMOVEDIR,
        )?)
    }

    fn open_journal(&self, path: &Utf8Path) -> io::Result<Box<dyn Journal>> {
        let append = OFlags::WRONLY | OFlags::APPEND | OFlags::CREATE;
        let flags = append | OFlags::NOFOLLOW | OFlags::NONBLOCK;
        let file = self.at(path)?.open(flags, FOR_FILES)?;
        if !file.metadata()?.is_file() {
            return Err(io::Error::other("is not a file"));
        }
        // After a pull FAT can have more clusters to a file than its size says; the next write to
        // it makes the kernel set the drive read-only (seen). To cut it where it ends gives them
        // back, and is nothing elsewhere.
        drop(file.metadata().and_then(|meta| file.set_len(meta.len())));
        Ok(Box::new(OsJournal { file }))
    }
}

/// For file systems without `RENAME_NOREPLACE`: a hard link never replaces either. Where links are
/// missing too (exFAT through FUSE), the place is looked at and then taken; only another program
/// that writes this very name into the offload at the same instant could come between.
fn rename_by_link(from: &At, to: &At) -> io::Result<()> {
    use rustix::fs::{linkat, renameat, unlinkat};
    let none = AtFlags::empty();
    match linkat(from.folder(), &from.name, to.folder(), &to.name, none) {
        Ok(()) => return Ok(unlinkat(from.folder(), &from.name, none)?),
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists => return Err(e.into()),
        Err(_) => {}
    }
    // Only where it is certain that nothing stands there.
    match to.stat() {
        Ok(_) => Err(io::ErrorKind::AlreadyExists.into()),
        Err(e) if e.kind() == io::ErrorKind::NotFound => {
            Ok(renameat(from.folder(), &from.name, to.folder(), &to.name)?)
        }
        Err(e) => Err(e),
    }
}

/// Returns the name of this computer, for the record.
pub fn host_name() -> String {
    rustix::system::uname()
        .nodename()
        .to_string_lossy()
        .into_owned()
}
