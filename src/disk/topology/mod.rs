//! Which physical disks stand behind a mounted folder on Linux.
//!
//! Owns: reading the mount table and the kernel's description of block devices, and following partitions,
//! device-mapper, RAID, loop files and multi-device file systems down to whole disks.
//!
//! Must not: write anything, or guess. What the system does not state is [`Backing::Unknown`] and stays so.
//! Which file a loop device shows is asked through [`AskLoop`]; nothing else is opened but text.
//!
//! Everything is read below a `root` path, as text, folder listings and symbolic links, so that
//! recorded trees can stand in for a machine. Absolute links are followed inside that root.
//!
//! Limits: two logical units of one USB bridge (a two-bay dock) are two disks here, and so are two
//! volumes of a RAID controller or virtual disks of a virtual machine; an f2fs file system made over several devices shows only its
//! first one.

use super::backing::{Backing, device_key};
use crate::name::{excerpt, word};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::MetadataExt as _;
use std::path::{Component, Path, PathBuf};
use std::{fmt, fs, io};

/// How many layers (mapping on RAID on loop file ...) are followed before giving up.
const MAX_DEPTH: usize = 16;

/// How many symbolic links one path may contain, as in the kernel.
const MAX_LINKS: usize = 40;

/// Where the mount table of this process is, seen from the root.
const MOUNT_TABLE: &str = "/proc/self/mountinfo";

/// What stands behind a mounted folder.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(
    clippy::struct_field_names,
    reason = "`id` alone would not say that it is the file system's"
)]
pub struct Volume {
    /// Folder on which the file system is mounted.
    pub mount_point: PathBuf,
    /// Folder inside the file system that is visible at the mount point; `/` unless it is a bind
    /// mount or a subvolume.
    pub mount_root: String,
    /// Type of the file system as the kernel names it, such as `ext4` or `fuseblk`.
    pub filesystem: String,
    /// What was mounted, as the mount table has it: a device node, a server and folder, or a mere word.
    pub source: String,
    /// Device node of the file system (a partition, mapping or array), where there is one.
    pub device_node: Option<PathBuf>,
    /// Identity of the file system, as in `/dev/disk/by-uuid`.
    pub volume_id: Option<String>,
    /// Name the person gave the file system.
    pub label: Option<String>,
    /// Whether the mount or the file system refuses writing.
    pub read_only: bool,
    /// Physical devices below it.
    pub backing: Backing,
    /// The whole disk of which the file system is a plain partition, or which it fills, by kernel
    /// name.
    pub own_disk: Option<String>,
    /// Whether a disk below it claims to rotate: `true` if any does, `None` if none says. USB bridges
    /// and virtual disks often claim it wrongly.
    pub rotational: Option<bool>,
    /// Everything from the file system down to the disks that may keep in memory what is read.
    pub layers: Vec<Layer>,
}

impl Volume {
    /// Returns the path of a folder from the root of the volume.
    pub fn within(&self, folder: &Path) -> Option<String> {
        let below = folder.strip_prefix(&self.mount_point).ok()?;
        let shown = Path::new(self.mount_root.trim_start_matches('/'));
        let whole: PathBuf = shown.join(below).components().collect();
        Some(whole.to_string_lossy().into_owned())
    }

    /// Returns whether the mount shows a folder of the volume and not its root.
    pub fn shows_folder(&self) -> bool {
        self.mount_root != "/"
    }
}

/// Something between a folder and its disks that may keep in memory what is read through it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Layer {
    /// A file system.
    Files {
        /// Type of the file system as the kernel names it.
        filesystem: String,
        /// What was mounted, as the mount table has it.
        source: String,
        /// Its device node, where there is one.
        node: Option<PathBuf>,
    },
    /// A loop device.
    Image {
        /// Its kernel name.
        device: String,
        /// The file that it shows; `None` where that is not certain or cannot be reached by its name.
        file: Option<PathBuf>,
    },
    /// Something that is not where it was when it was mounted.
    Hidden,
}

/// Asks the system for device and inode of the file that a loop device shows, by the device's kernel name;
/// `None` where it does not tell (it tells only root).
pub type AskLoop<'a> = &'a dyn Fn(&str) -> Option<(u64, u64)>;

/// Why the volume behind a folder could not be looked up at all.
#[derive(Debug)]
pub enum TopologyError {
    /// The folder was not given as an absolute path.
    NotAbsolute {
        /// Path as given.
        path: PathBuf,
    },
    /// The mount table could not be read.
    Read {
        /// File that was to be read.
        path: PathBuf,
        /// What the system answered.
        source: io::Error,
    },
    /// A line of the mount table is not in the form the kernel documents.
    MountTable {
        /// File that was read.
        path: PathBuf,
        /// Number of the line, from 1.
        line: usize,
    },
    /// No mount holds the folder.
    NoMount {
        /// Folder that was looked for.
        path: PathBuf,
    },
}

impl fmt::Display for TopologyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotAbsolute { path } => {
                write!(
                    f,
                    "{}: not a full path, so its drive cannot be found",
                    path.display()
                )
            }
            Self::Read { path, source } => {
                write!(f, "{}: cannot be read: {source}", path.display())
            }
            Self::MountTable { path, line } => {
                write!(
                    f,
                    "{}: line {line} is not a mount table line",
                    path.display()
                )
            }
            Self::NoMount { path } => {
                write!(f, "{}: no mounted drive holds this folder", path.display())
            }
        }
    }
}

impl std::error::Error for TopologyError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Read { source, .. } => Some(source),
            _ => None,
        }
    }
}

/// Looks up what stands behind a folder.
///
/// `root` is `/` on a real machine, or the top of a recorded tree. `canonical_path` is the folder as
/// an absolute path without links, seen from that root. `dev` is the major and minor number of the
/// folder's `st_dev`.
///
/// An error means that the mount table gives no answer; anything missing below it is a
/// [`Backing::Unknown`] instead.
pub fn volume_of(
    root: &Path,
    canonical_path: &Path,
    dev: (u32, u32),
    ask_loop: AskLoop<'_>,
) -> Result<Volume, TopologyError> {
    if !canonical_path.is_absolute() {
        return Err(TopologyError::NotAbsolute {
            path: canonical_path.to_path_buf(),
        });
    }
    let tree = Tree { root };
    let mounts = read_mounts(&tree)?;
    let Some((mount, exact)) = mount_of(&mounts, canonical_path, Some(dev)) else {
        return Err(TopologyError::NoMount {
            path: canonical_path.to_path_buf(),
        });
    };
    let walk = Walk {
        tree: &tree,
        mounts: &mounts,
        ask_loop,
        layers: RefCell::default(),
    };
    // Files of an overlay have the number of what they really lie on.
    let is_odd = !exact && mount.filesystem != "overlay";
    let found = if is_odd && (dev.0 != 0 || mount.number.0 != 0) {
        walk.note(Layer::of(mount, None));
        walk.disagreement(dev)
    } else {
        walk.mounted(mount, 0)
    };
    let node = found.node.as_deref();
    Ok(Volume {
        mount_point: mount.point.clone(),
        mount_root: mount.root.clone(),
        filesystem: mount.filesystem.clone(),
        source: mount.source.clone(),
        device_node: node.map(node_path),
        volume_id: found
            .id
            .or_else(|| tree.link_name("/dev/disk/by-uuid", node?)),
        label: found
            .label
            .or_else(|| tree.link_name("/dev/disk/by-label", node?)),
        read_only: mount.read_only,
        rotational: tree.rotational(&found.backing),
        own_disk: node.and_then(|name| walk.own_disk(name, &found.backing)),
        backing: found.backing,
        layers: walk.layers.take(),
    })
}

/// The device node of a block device, by its kernel name.
fn node_path(name: &str) -> PathBuf {
    Path::new("/dev").join(name.replace('!', "/"))
}

impl Layer {
    fn of(mount: &Mount, node: Option<&str>) -> Self {
        Self::Files {
            filesystem: mount.filesystem.clone(),
            source: mount.source.clone(),
            node: node.map(node_path),
        }
    }
}

/// One line of the mount table.
#[derive(Debug)]
struct Mount {
    id: u32,
    parent: u32,
    number: (u32, u32),
    root: String,
    point: PathBuf,
    filesystem: String,
    source: String,
    read_only: bool,
    /// Options of the file system, as opposed to those of this mount of it.
    options: Vec<String>,
}

/// Reads the mount table of this process.
fn read_mounts(tree: &Tree<'_>) -> Result<Vec<Mount>, TopologyError> {
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

/// Parses one line of the mount table: id, parent, device, root, mount point, options, any number of
/// optional fields, a dash, type, source, options of the file system. Fields may be empty.
fn parse_mount(line: &[u8]) -> Option<Mount> {
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

/// Bytes as text; what is not UTF-8 is replaced.
pub(super) fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// `8:17` as two numbers.
fn parse_number(text: &str) -> Option<(u32, u32)> {
    let (major, minor) = text.split_once(':')?;
    Some((major.parse().ok()?, minor.parse().ok()?))
}

/// Undoes the mount table's octal escapes, such as `\040` for a blank.
fn unescape(field: &[u8]) -> Vec<u8> {
    decode(field, |rest| {
        let digits = rest.get(1..4)?;
        let value = digits.iter().try_fold(0u16, |sum, digit| match digit {
            b'0'..=b'7' => Some(sum * 8 + u16::from(digit - b'0')),
            _ => None,
        })?;
        Some((u8::try_from(value).ok()?, 4))
    })
}

/// Undoes the hexadecimal escapes of link names under `/dev/disk`, such as `\x20` for a blank.
fn unescape_hex(field: &[u8]) -> Vec<u8> {
    decode(field, |rest| {
        let digits = std::str::from_utf8(rest.strip_prefix(b"\\x")?.get(..2)?).ok()?;
        Some((u8::from_str_radix(digits, 16).ok()?, 4))
    })
}

/// Copies bytes, replacing what `escape` recognises at a backslash by the byte it means; `escape`
/// also gives the length of the escape.
fn decode(field: &[u8], escape: impl Fn(&[u8]) -> Option<(u8, usize)>) -> Vec<u8> {
    let mut out = Vec::with_capacity(field.len());
    let mut rest = field;
    while let Some((&first, tail)) = rest.split_first() {
        let found = if first == b'\\' { escape(rest) } else { None };
        if let Some((byte, length)) = found {
            out.push(byte);
            rest = rest.get(length..).unwrap_or_default();
        } else {
            out.push(first);
            rest = tail;
        }
    }
    out
}

/// The mount that holds a path, and whether its device number is the one asked for.
///
/// The mount that path walking ends in is taken if its number fits; else the longest mount point
/// whose number fits, the last line of equals; else the former without a fit.
fn mount_of<'a>(
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
fn visible_mount<'a>(mounts: &'a [Mount], path: &Path) -> Option<&'a Mount> {
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

/// A file system tree below some root.
pub(super) struct Tree<'a> {
    pub(super) root: &'a Path,
}

impl Tree<'_> {
    /// Path outside the tree for an absolute path inside it.
    fn real(&self, path: &Path) -> PathBuf {
        self.root.join(path.strip_prefix("/").unwrap_or(path))
    }

    /// Follows all symbolic links of a path without ever leaving the tree. Missing parts are kept as
    /// they are; `None` means too many links.
    fn resolve(&self, path: &Path) -> Option<PathBuf> {
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
    pub(super) fn folder(&self, path: &Path) -> Option<PathBuf> {
        let path = self.resolve(path)?;
        let found = fs::symlink_metadata(self.real(&path)).ok()?;
        found.is_dir().then_some(path)
    }

    /// Whether something is at this path, which must be free of links. What may not be looked at is
    /// taken to be there.
    pub(super) fn exists(&self, path: &Path) -> bool {
        match fs::symlink_metadata(self.real(path)) {
            Ok(_) => true,
            Err(error) => !matches!(
                error.kind(),
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
            ),
        }
    }

    /// Content of a small file without the newline at its end.
    pub(super) fn read(&self, path: &Path) -> Option<Vec<u8>> {
        let mut bytes = fs::read(self.real(&self.resolve(path)?)).ok()?;
        if bytes.last() == Some(&b'\n') {
            bytes.pop();
        }
        Some(bytes)
    }

    /// Names in a folder, sorted; a folder that is not there has none.
    pub(super) fn names(&self, folder: &Path) -> io::Result<Vec<OsString>> {
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
    fn link_name(&self, folder: &str, node: &str) -> Option<String> {
        let folder = Path::new(folder);
        let names = self.names(folder).ok()?;
        let name = names.into_iter().find(|name| {
            fs::read_link(self.real(&folder.join(name)))
                .is_ok_and(|target| target.file_name() == Some(OsStr::new(node)))
        })?;
        Some(text(&unescape_hex(name.as_bytes())))
    }

    /// Folder of a block device, found by its kernel name.
    pub(super) fn block_named(&self, name: &str) -> Option<PathBuf> {
        self.folder(&Path::new("/sys/class/block").join(name))
    }

    /// Kernel name of the block device behind a device node such as `/dev/sdb1` or `/dev/mapper/x`.
    fn block_of_node(&self, node: &Path) -> Option<String> {
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
    fn rotational(&self, backing: &Backing) -> Option<bool> {
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
fn parts(path: &Path) -> Vec<OsString> {
    path.components()
        .rev()
        .filter(|part| matches!(part, Component::Normal(_) | Component::ParentDir))
        .map(|part| part.as_os_str().to_owned())
        .collect()
}

/// What was found below a mount.
struct Found {
    backing: Backing,
    /// Kernel name of the device that was mounted.
    node: Option<String>,
    /// Identity and label where the file system's own folder in the kernel's tree gives them.
    id: Option<String>,
    label: Option<String>,
}

impl Found {
    /// A backing and, where there is one, the mounted device.
    fn new(backing: Backing, node: Option<String>) -> Self {
        Self {
            backing,
            node,
            id: None,
            label: None,
        }
    }
}

/// Follows devices downwards in a tree with its mount table.
struct Walk<'a> {
    tree: &'a Tree<'a>,
    mounts: &'a [Mount],
    ask_loop: AskLoop<'a>,
    /// What was met.
    layers: RefCell<Vec<Layer>>,
}

impl Walk<'_> {
    /// What stands behind a mount, found `depth` layers down. Whatever is unknown about it, two
    /// things in it are in the same file system.
    fn mounted(&self, mount: &Mount, depth: usize) -> Found {
        let (major, minor) = mount.number;
        let mut found = self.file_system(mount, depth);
        self.note(Layer::of(mount, found.node.as_deref()));
        found.backing = found
            .backing
            .with_known([format!("file system {major}:{minor}")]);
        found
    }

    /// Notes what was met on the way down, once.
    fn note(&self, layer: Layer) {
        let mut layers = self.layers.borrow_mut();
        if !layers.contains(&layer) {
            layers.push(layer);
        }
    }

    /// What stands behind the file system of a mount.
    fn file_system(&self, mount: &Mount, depth: usize) -> Found {
        if is_memory_type(&mount.filesystem) {
            return Found::new(Backing::Memory, None);
        }
        if mount.filesystem == "btrfs" {
            return self.btrfs(&mount.source, depth);
        }
        if let Some(backing) = unknown_type(mount) {
            return Found::new(self.below_overlay(mount, depth).unwrap_or(backing), None);
        }
        let (mut backing, node) = if mount.number.0 != 0 {
            self.numbered(mount.number, depth)
        } else if mount.filesystem == "fuseblk" {
            self.node(Path::new(&mount.source), depth)
        } else {
            let why = format!(
                "{} does not say which disk it is on",
                word(&mount.filesystem)
            );
            (Backing::unknown(why), None)
        };
        for option in &mount.options {
            if let Some(("logdev" | "rtdev" | "journal_path", path)) = option.split_once('=') {
                backing = backing.and(self.node(Path::new(path), depth).0);
            }
        }
        Found::new(backing, node)
    }

    /// Where the folders of an overlay lie, all of them: the upper one takes what is written, what was there
    /// before comes from one below. In a container they are out of sight, and nothing is known.
    fn below_overlay(&self, mount: &Mount, depth: usize) -> Option<Backing> {
        if mount.filesystem != "overlay" || depth > MAX_DEPTH {
            return None;
        }
        let lower = ["lowerdir+", "datadir+", "lowerdir"];
        let folders = mount.options.iter().filter_map(|o| o.split_once('='));
        let each = folders.flat_map(|(name, value)| match name {
            "upperdir" => vec![(PathBuf::from(value), true)],
            name if lower.contains(&name) => laid_below(name, value),
            _ => Vec::new(),
        });
        each.map(|(folder, is_upper)| self.part_of_overlay(mount, &folder, is_upper, depth))
            .reduce(Backing::and)
    }

    /// Where one folder of an overlay lies.
    fn part_of_overlay(
        &self,
        mount: &Mount,
        folder: &Path,
        is_upper: bool,
        depth: usize,
    ) -> Backing {
        let found = self.tree.folder(folder).filter(|_| folder.is_absolute());
        let is_hidden = |at: &PathBuf| is_upper && !self.is_shown_in(mount, at);
        if found.as_ref().is_some_and(is_hidden) {
            self.note(Layer::Hidden);
            return Backing::unknown("something else is mounted over a folder of this overlay");
        }
        let below = found
            .as_deref()
            .and_then(|at| Some(mount_of(self.mounts, at, None)?.0))
            .filter(|below| below.id != mount.id && (is_upper || !self.is_stacked(below)));
        match below {
            Some(below) => self.mounted(below, depth + 1).backing,
            None => Backing::unknown(OVERLAY),
        }
    }

    /// Whether an overlay still shows this folder as its upper one: something else may be mounted over its path
    /// by now. The top of an overlay has the dates and owner of its upper folder's top.
    fn is_shown_in(&self, mount: &Mount, upper: &Path) -> bool {
        let upper = upper.join(mount.root.trim_start_matches('/'));
        let looks = |path: &Path| {
            let meta = fs::symlink_metadata(self.tree.real(path))?;
            let dates = (
                meta.ctime(),
                meta.ctime_nsec(),
                meta.mtime(),
                meta.mtime_nsec(),
            );
            Ok::<_, io::Error>((dates, meta.mode(), meta.uid(), meta.gid(), meta.size()))
        };
        // Twice: somebody may make something in it between two looks.
        (0..2).any(|_| match (looks(&mount.point), looks(&upper)) {
            (Ok(shown), Ok(own)) => shown == own,
            // A recorded tree has no such folder.
            (Err(e), Ok(_)) => e.kind() == io::ErrorKind::NotFound,
            _ => false,
        })
    }

    /// Whether two things are mounted in one place, so that a path there need not lead to what it did.
    fn is_stacked(&self, mount: &Mount) -> bool {
        let here = self.mounts.iter().filter(|m| m.point == mount.point);
        here.count() > 1
    }

    /// The answer when the mount table does not list the device a folder is on.
    fn disagreement(&self, dev: (u32, u32)) -> Found {
        let why = format!(
            "the system's mount table does not list the device {}:{} that this folder is on",
            dev.0, dev.1
        );
        let below = if dev.0 == 0 {
            None
        } else {
            self.numbered(dev, 0).0.names().cloned()
        };
        Found::new(
            Backing::unknown(why).with_known(below.unwrap_or_default()),
            None,
        )
    }

    /// A block device by its number, with its kernel name.
    fn numbered(&self, (major, minor): (u32, u32), depth: usize) -> (Backing, Option<String>) {
        let link = format!("/sys/dev/block/{major}:{minor}");
        if let Some(folder) = self.tree.folder(Path::new(&link)) {
            return (self.block(&folder, depth), name_of(&folder));
        }
        let why = format!("the system does not describe the device {major}:{minor}");
        (Backing::unknown(why), None)
    }

    /// A block device by its device node, with its kernel name.
    fn node(&self, node: &Path, depth: usize) -> (Backing, Option<String>) {
        let name = self.tree.block_of_node(node);
        let folder = name.as_deref().and_then(|name| self.tree.block_named(name));
        if let Some(folder) = folder {
            return (self.block(&folder, depth), name);
        }
        let why = format!(
            "the system does not describe the device {}",
            word(&node.to_string_lossy())
        );
        (Backing::unknown(why), None)
    }

    /// All devices of the btrfs file system that contains `source`.
    fn btrfs(&self, source: &str, depth: usize) -> Found {
        let (own, node) = self.node(Path::new(source), depth);
        let all = Path::new("/sys/fs/btrfs");
        let home = self.tree.names(all).unwrap_or_default().into_iter();
        let home = home.map(|id| all.join(id)).find(|home| {
            node.as_ref().is_some_and(|name| {
                let link = home.join("devices").join(name);
                self.tree.folder(&link).is_some()
            })
        });
        let Some(home) = home else {
            let why = format!(
                "the system does not list the devices of the btrfs at {}",
                word(source)
            );
            let known = own.names().cloned().unwrap_or_default();
            return Found::new(Backing::unknown(why).with_known(known), node);
        };
        let backing = own.and(self.members(&home.join("devices"), depth));
        let label = self.tree.read(&home.join("label"));
        Found {
            backing,
            node,
            id: name_of(&home),
            label: label.filter(|l| !l.is_empty()).map(|l| text(&l)),
        }
    }

    /// Everything a folder of links to block devices names.
    fn members(&self, folder: &Path, depth: usize) -> Backing {
        let Ok(names) = self.tree.names(folder) else {
            return Backing::unknown(format!("{} cannot be read", folder.display()));
        };
        let each = names
            .iter()
            .map(|name| match self.tree.folder(&folder.join(name)) {
                Some(member) => self.block(&member, depth + 1),
                None => Backing::unknown(format!(
                    "the system does not describe the device {}",
                    name.display()
                )),
            });
        each.reduce(Backing::and).unwrap_or_else(|| {
            let owner = folder.parent().and_then(name_of).unwrap_or_default();
            Backing::unknown(format!("the system names no device below {owner}"))
        })
    }

    /// The whole disk of a file system's device, where nothing lies between the two.
    fn own_disk(&self, node: &str, backing: &Backing) -> Option<String> {
        let folder = self.tree.block_named(node)?;
        let whole = match folder.parent() {
            Some(parent) if self.tree.exists(&folder.join("partition")) => parent,
            _ => &folder,
        };
        let name = name_of(whole)?;
        let is_plain = matches!(backing, Backing::Disks(names) if names.len() == 1);
        (is_plain && backing.names()?.contains(&name)).then_some(name)
    }

    /// Whole disks below a block device, given by its folder with all links followed.
    fn block(&self, folder: &Path, depth: usize) -> Backing {
        if depth > MAX_DEPTH {
            return Backing::unknown("there are too many layers between this folder and a disk");
        }
        let folder = match folder.parent() {
            Some(parent) if self.tree.exists(&folder.join("partition")) => parent,
            _ => folder,
        };
        let Some(name) = name_of(folder) else {
            return Backing::unknown("the system gives a device without a readable name");
        };
        self.whole(folder, &name, depth).with_known([name])
    }

    /// Whole disks below a block device that is not a partition.
    fn whole(&self, folder: &Path, name: &str, depth: usize) -> Backing {
        let slaves = folder.join("slaves");
        match kind_of(name) {
            Kind::Loop => self.loop_file(folder, name, depth),
            Kind::Memory => Backing::Memory,
            Kind::Elsewhere(what) => {
                let below = self.members(&slaves, depth).names().cloned();
                Backing::unknown(format!("{name} is {what}")).with_known(below.unwrap_or_default())
            }
            Kind::Layer => self.members(&slaves, depth),
            _ if self.tree.names(&slaves).is_ok_and(|n| !n.is_empty()) => {
                self.members(&slaves, depth)
            }
            Kind::Disk => self.transport(folder, name),
            Kind::Other => Backing::unknown(format!("{name} is a kind of device not known here")),
        }
    }

    /// A disk by name, unless the way it is attached says that it is not really one.
    fn transport(&self, folder: &Path, name: &str) -> Backing {
        for part in folder.components() {
            let part = part.as_os_str().to_string_lossy();
            if part.starts_with("pseudo_") {
                return Backing::Memory;
            }
            let far = [
                ("session", "reached over a network (iSCSI)"),
                ("rport-", "reached over a storage network"),
                ("nvme-fabrics", "reached over a network (NVMe)"),
                ("vhci_hcd", "reached over a network (USB)"),
                ("tcm_loop", "made by software from something else"),
                ("dummy_hcd", "made by software from something else"),
            ];
            if let Some((_, what)) = far.iter().find(|(prefix, _)| part.starts_with(prefix)) {
                return Backing::unknown(format!("{name} is {what}"));
            }
        }
        if name.starts_with("nvme") && self.nvme_is_remote(folder) {
            return Backing::unknown(format!("{name} is reached over a network (NVMe)"));
        }
        Backing::disk(name)
    }

    /// Whether a controller of this `NVMe` disk is attached over a network.
    fn nvme_is_remote(&self, folder: &Path) -> bool {
        let Some(above) = folder.parent() else {
            return false;
        };
        let controllers = self.tree.names(above).unwrap_or_default().into_iter();
        controllers
            .filter(|name| name.as_bytes().starts_with(b"nvme"))
            .map(|name| above.join(name))
            .chain([above.to_path_buf()])
            .filter_map(|controller| self.tree.read(&controller.join("transport")))
            .any(|kind| matches!(kind.as_slice(), b"tcp" | b"rdma" | b"fc" | b"loop"))
    }

    /// What stands behind the file (or device) that a loop device shows as a disk.
    fn loop_file(&self, folder: &Path, name: &str, depth: usize) -> Backing {
        let image = |file: Option<&Path>| {
            self.note(Layer::Image {
                device: name.to_owned(),
                file: file.map(Path::to_path_buf),
            });
        };
        let asked = (self.ask_loop)(name);
        let Some(bytes) = self.tree.read(&folder.join("loop/backing_file")) else {
            image(None);
            return Backing::unknown(format!("the system does not say which file {name} shows"));
        };
        let is_deleted = bytes.ends_with(b" (deleted)");
        let file = PathBuf::from(OsString::from_vec(bytes));
        if let Some(parent) = file.parent()
            && (parent == Path::new("/dev") || parent == Path::new("/dev/mapper"))
        {
            image(Some(&file));
            return self.node(&file, depth + 1).0;
        }
        let place = fs::metadata(self.tree.real(&file));
        let place = place.ok().filter(|_| file.is_absolute());
        let is_it = match (asked, &place) {
            (Some(asked), Some(place)) => asked == (place.dev(), place.ino()),
            (None, Some(place)) => self.may_be_shown(folder, place.len()),
            (_, None) => false,
        };
        let mount = match mount_of(self.mounts, &file, None) {
            Some((mount, _)) if is_it && (asked.is_some() || !self.is_stacked(mount)) => {
                image(Some(&file));
                Some(mount)
            }
            _ => {
                image(None);
                let device = asked.map(|(device, _)| device);
                device.and_then(|device| self.mount_on(device))
            }
        };
        match mount {
            Some(mount) if depth < MAX_DEPTH => self.mounted(mount, depth + 1).backing,
            Some(_) => Backing::unknown("there are too many layers between this folder and a disk"),
            None if is_deleted => {
                Backing::unknown(format!("the file behind {name} has been deleted"))
            }
            None if place.is_some() => Backing::unknown(format!(
                "{name} need not show the file that is now at the path it was given"
            )),
            None => {
                let shown = excerpt(&file.to_string_lossy());
                Backing::unknown(format!("the file behind {name} is not at {shown}"))
            }
        }
    }

    /// A mount of the file system with this `st_dev`.
    fn mount_on(&self, device: u64) -> Option<&Mount> {
        let number = (rustix::fs::major(device), rustix::fs::minor(device));
        self.mounts.iter().find(|m| m.number == number)
    }

    /// Whether a loop device is as large as it would be if it showed a file of so many bytes. What is not told
    /// speaks against nothing.
    fn may_be_shown(&self, folder: &Path, bytes: u64) -> bool {
        let number = |name: &str| {
            let told = self.tree.read(&folder.join(name))?;
            text(&told).trim().parse::<u64>().ok()
        };
        let limit = number("loop/sizelimit").filter(|limit| *limit > 0);
        let rest = bytes.saturating_sub(number("loop/offset").unwrap_or(0));
        let shown = limit.map_or(rest, |limit| limit.min(rest));
        number("size").is_none_or(|sectors| sectors == shown / 512)
    }
}

/// The folders of an overlay's option for those below: one, or a list with colons, in which a backslash makes
/// the next character a plain one.
fn laid_below(name: &str, value: &str) -> Vec<(PathBuf, bool)> {
    if name != "lowerdir" {
        return vec![(value.into(), false)];
    }
    let mut folders = vec![String::new()];
    let mut rest = value.chars();
    while let Some(c) = rest.next() {
        match (c, folders.last_mut()) {
            (':', _) => folders.push(String::new()),
            (c, Some(folder)) => folder.extend(if c == '\\' { rest.next() } else { Some(c) }),
            (_, None) => {}
        }
    }
    // Two colons stand before folders that hold data only.
    let named = folders.into_iter().filter(|folder| !folder.is_empty());
    named.map(|folder| (folder.into(), false)).collect()
}

/// Why it is not known where an overlay's files lie.
const OVERLAY: &str = "overlay is laid over other folders and does not say where they are";

/// Last part of a path as text.
pub(super) fn name_of(path: &Path) -> Option<String> {
    Some(path.file_name()?.to_str()?.to_owned())
}

/// What the name of a block device says about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// A whole disk.
    Disk,
    /// A file shown as a disk.
    Loop,
    /// Working memory shown as a disk.
    Memory,
    /// Made of other block devices.
    Layer,
    /// Something whose place is not known here, in plain words.
    Elsewhere(&'static str),
    /// None of these.
    Other,
}

/// Tells the kind of a whole block device from its kernel name. Only names that are known to be
/// disks are taken for disks.
fn kind_of(name: &str) -> Kind {
    let digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    let letters = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_lowercase());
    let numbered = |prefix: &str| name.strip_prefix(prefix).is_some_and(digits);
    let lettered = |prefix: &str| name.strip_prefix(prefix).is_some_and(letters);
    if numbered("loop") {
        return Kind::Loop;
    }
    if ["zram", "ram", "nullb"].into_iter().any(numbered) {
        return Kind::Memory;
    }
    let elsewhere = [
        ("nbd", "reached over a network"),
        ("rbd", "reached over a network"),
        ("drbd", "shared with another machine over a network"),
        ("ublkb", "made by a program"),
        ("zd", "a volume of a ZFS pool"),
        ("pmem", "memory that may or may not last"),
    ];
    if let Some((_, what)) = elsewhere.into_iter().find(|(prefix, _)| numbered(prefix)) {
        return Kind::Elsewhere(what);
    }
    if name.starts_with("dm-") || name.starts_with("md") || numbered("bcache") {
        return Kind::Layer;
    }
    let controller_disk = name
        .strip_prefix("nvme")
        .and_then(|rest| rest.split_once('n'))
        .is_some_and(|(controller, space)| digits(controller) && digits(space));
    let flash = device_key(name) != name && name.starts_with("mmcblk");
    let named = ["sd", "hd", "vd", "xvd", "dasd"].into_iter().any(lettered);
    if controller_disk || flash || named || ["mmcblk", "mspblk", "sr"].into_iter().any(numbered) {
        return Kind::Disk;
    }
    Kind::Other
}

/// Whether a type of file system keeps its files in working memory.
fn is_memory_type(filesystem: &str) -> bool {
    matches!(filesystem, "tmpfs" | "ramfs" | "devtmpfs" | "rootfs")
}

/// The backing of a file system whose type alone says that its disks cannot be found.
fn unknown_type(mount: &Mount) -> Option<Backing> {
    let Mount {
        filesystem, source, ..
    } = mount;
    let shown_source = word(source);
    let why = match filesystem.as_str() {
        "nfs" | "nfs4" | "cifs" | "smb3" | "smbfs" | "ncpfs" | "afs" | "ceph" | "coda" => {
            let why = format!("{shown_source} is a network folder, its disk is in another machine");
            return Some(Backing::unknown(why).with_known([source.clone()]));
        }
        "zfs" => {
            let pool = source.split(['/', '@']).next().unwrap_or(source);
            let why = format!("the disks of the ZFS pool {} are not looked up", word(pool));
            return Some(Backing::unknown(why).with_known([format!("ZFS pool {pool}")]));
        }
        "9p" | "virtiofs" | "vboxsf" | "vmhgfs" | "prl_fs" => {
            format!("{shown_source} is a folder shared by the machine that runs this one")
        }
        "overlay" | "aufs" | "ecryptfs" | "wrapfs" => {
            format!("{filesystem} is laid over other folders and does not say where they are")
        }
        "bcachefs" => "bcachefs may span several disks and does not list them".to_owned(),
        "fuse" => format!("{shown_source} is shown by a program, which may keep it anywhere"),
        other => {
            let program = word(other.strip_prefix("fuse.")?);
            format!("{shown_source} is shown by a program ({program}), which may keep it anywhere")
        }
    };
    Some(Backing::unknown(why))
}

#[cfg(test)]
mod tests;
