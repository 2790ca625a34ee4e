//! Owns the way from a mount down to the disks: partitions, mappings, arrays, images, overlays.

use super::kind::{BlockDeviceKind, is_memory_type, kind_of, unknown_type};
use super::mounts::{Mount, mount_of};
use super::text::text;
use super::tree::SystemRoot;
use super::volume::{AskLoop, Layer};
use crate::disk::backing::Backing;
use crate::name::{excerpt, word};
use std::cell::RefCell;
use std::ffi::OsString;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::{fs, io};

/// How many layers (mapping on RAID on loop file ...) are followed before giving up.
pub(super) const MAX_DEPTH: usize = 16;

/// The device that was mounted, and what stands behind it.
pub(super) struct MountBacking {
    pub(super) backing: Backing,
    /// Kernel name of the device that was mounted.
    pub(super) node: Option<String>,
    /// Identity and label where the file system's own folder in the kernel's tree gives them.
    pub(super) id: Option<String>,
    pub(super) label: Option<String>,
}

impl MountBacking {
    /// A backing and, where there is one, the mounted device.
    pub(super) fn new(backing: Backing, node: Option<String>) -> Self {
        Self {
            backing,
            node,
            id: None,
            label: None,
        }
    }
}

/// Follows devices downwards in a tree with its mount table.
pub(super) struct Walk<'a> {
    pub(super) tree: &'a SystemRoot<'a>,
    pub(super) mounts: &'a [Mount],
    pub(super) ask_loop: AskLoop<'a>,
    /// What was met.
    pub(super) layers: RefCell<Vec<Layer>>,
}

impl Walk<'_> {
    /// What stands behind a mount, found `depth` layers down. Whatever is unknown about it, two
    /// things in it are in the same file system.
    pub(super) fn mounted(&self, mount: &Mount, depth: usize) -> MountBacking {
        let (major, minor) = mount.number;
        let mut found = self.file_system(mount, depth);
        self.note(Layer::of(mount, found.node.as_deref()));
        found.backing = found
            .backing
            .with_known([format!("file system {major}:{minor}")]);
        found
    }

    /// Notes what was met on the way down, once.
    pub(super) fn note(&self, layer: Layer) {
        let mut layers = self.layers.borrow_mut();
        if !layers.contains(&layer) {
            layers.push(layer);
        }
    }

    /// What stands behind the file system of a mount.
    pub(super) fn file_system(&self, mount: &Mount, depth: usize) -> MountBacking {
        if is_memory_type(&mount.filesystem) {
            return MountBacking::new(Backing::Memory, None);
        }
        if mount.filesystem == "btrfs" {
            return self.btrfs(&mount.source, depth);
        }
        if let Some(backing) = unknown_type(mount) {
            return MountBacking::new(self.below_overlay(mount, depth).unwrap_or(backing), None);
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
        MountBacking::new(backing, node)
    }

    /// Where the folders of an overlay lie, all of them: the upper one takes what is written, what
    /// was there before comes from one below. In a container they are out of sight, and nothing is
    /// known.
    pub(super) fn below_overlay(&self, mount: &Mount, depth: usize) -> Option<Backing> {
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
    pub(super) fn part_of_overlay(
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

    /// Whether an overlay still shows this folder as its upper one: something else may be mounted
    /// over its path by now. The top of an overlay has the dates and owner of its upper folder's
    /// top.
    pub(super) fn is_shown_in(&self, mount: &Mount, upper: &Path) -> bool {
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

    /// Whether two things are mounted in one place, so that a path there need not lead to what it
    /// did.
    pub(super) fn is_stacked(&self, mount: &Mount) -> bool {
        let here = self.mounts.iter().filter(|m| m.point == mount.point);
        here.count() > 1
    }

    /// The answer when the mount table does not list the device a folder is on.
    pub(super) fn disagreement(&self, dev: (u32, u32)) -> MountBacking {
        let why = format!(
            "the system's mount table does not list disk {}:{}, which this folder is on",
            dev.0, dev.1
        );
        let below = if dev.0 == 0 {
            None
        } else {
            self.numbered(dev, 0).0.names().cloned()
        };
        MountBacking::new(
            Backing::unknown(why).with_known(below.unwrap_or_default()),
            None,
        )
    }

    /// A block device by its number, with its kernel name.
    pub(super) fn numbered(
        &self,
        (major, minor): (u32, u32),
        depth: usize,
    ) -> (Backing, Option<String>) {
        let link = format!("/sys/dev/block/{major}:{minor}");
        if let Some(folder) = self.tree.folder(Path::new(&link)) {
            return (self.block(&folder, depth), name_of(&folder));
        }
        let why = format!("the system does not describe disk {major}:{minor}");
        (Backing::unknown(why), None)
    }

    /// A block device by its device node, with its kernel name.
    pub(super) fn node(&self, node: &Path, depth: usize) -> (Backing, Option<String>) {
        let name = self.tree.block_of_node(node);
        let folder = name.as_deref().and_then(|name| self.tree.block_named(name));
        if let Some(folder) = folder {
            return (self.block(&folder, depth), name);
        }
        let why = format!(
            "the system does not describe disk {}",
            word(&node.to_string_lossy())
        );
        (Backing::unknown(why), None)
    }

    /// All devices of the btrfs file system that contains `source`.
    pub(super) fn btrfs(&self, source: &str, depth: usize) -> MountBacking {
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
                "the system does not list the disks of the btrfs at {}",
                word(source)
            );
            let known = own.names().cloned().unwrap_or_default();
            return MountBacking::new(Backing::unknown(why).with_known(known), node);
        };
        let backing = own.and(self.members(&home.join("devices"), depth));
        let label = self.tree.read(&home.join("label"));
        MountBacking {
            backing,
            node,
            id: name_of(&home),
            label: label.filter(|l| !l.is_empty()).map(|l| text(&l)),
        }
    }

    /// Everything a folder of links to block devices names.
    pub(super) fn members(&self, folder: &Path, depth: usize) -> Backing {
        let Ok(names) = self.tree.names(folder) else {
            return Backing::unknown(format!("{} cannot be read", folder.display()));
        };
        let each = names
            .iter()
            .map(|name| match self.tree.folder(&folder.join(name)) {
                Some(member) => self.block(&member, depth + 1),
                None => Backing::unknown(format!(
                    "the system does not describe disk {}",
                    name.display()
                )),
            });
        each.reduce(Backing::and).unwrap_or_else(|| {
            let owner = folder.parent().and_then(name_of).unwrap_or_default();
            Backing::unknown(format!("the system names no disk below {owner}"))
        })
    }

    /// The whole disk of a file system's device, where nothing lies between the two.
    pub(super) fn own_disk(&self, node: &str, backing: &Backing) -> Option<String> {
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
    pub(super) fn block(&self, folder: &Path, depth: usize) -> Backing {
        if depth > MAX_DEPTH {
            return Backing::unknown("there are too many layers between this folder and a disk");
        }
        let folder = match folder.parent() {
            Some(parent) if self.tree.exists(&folder.join("partition")) => parent,
            _ => folder,
        };
        let Some(name) = name_of(folder) else {
            return Backing::unknown("the system names a disk in a way that cannot be read");
        };
        self.whole(folder, &name, depth).with_known([name])
    }

    /// Whole disks below a block device that is not a partition.
    pub(super) fn whole(&self, folder: &Path, name: &str, depth: usize) -> Backing {
        let slaves = folder.join("slaves");
        match kind_of(name) {
            BlockDeviceKind::Loop => self.loop_file(folder, name, depth),
            BlockDeviceKind::Memory => Backing::Memory,
            BlockDeviceKind::Elsewhere(what) => {
                let below = self.members(&slaves, depth).names().cloned();
                Backing::unknown(format!("{name} is {what}")).with_known(below.unwrap_or_default())
            }
            BlockDeviceKind::Layer => self.members(&slaves, depth),
            _ if self.tree.names(&slaves).is_ok_and(|n| !n.is_empty()) => {
                self.members(&slaves, depth)
            }
            BlockDeviceKind::Disk => self.transport(folder, name),
            BlockDeviceKind::Other => {
                Backing::unknown(format!("{name} is a kind of drive not known here"))
            }
        }
    }

    /// A disk by name, unless the way it is attached says that it is not really one.
    pub(super) fn transport(&self, folder: &Path, name: &str) -> Backing {
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
    pub(super) fn nvme_is_remote(&self, folder: &Path) -> bool {
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
    pub(super) fn loop_file(&self, folder: &Path, name: &str, depth: usize) -> Backing {
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
    pub(super) fn mount_on(&self, device: u64) -> Option<&Mount> {
        let number = (rustix::fs::major(device), rustix::fs::minor(device));
        self.mounts.iter().find(|m| m.number == number)
    }

    /// Whether a loop device is as large as it would be if it showed a file of so many bytes. What
    /// is not told speaks against nothing.
    pub(super) fn may_be_shown(&self, folder: &Path, bytes: u64) -> bool {
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

/// The folders of an overlay's option for those below: one, or a list with colons, in which a
/// backslash makes the next character a plain one.
pub(super) fn laid_below(name: &str, value: &str) -> Vec<(PathBuf, bool)> {
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
pub(super) const OVERLAY: &str =
    "overlay is laid over other folders and does not say where they are";

/// Last part of a path as text.
pub(crate) fn name_of(path: &Path) -> Option<String> {
    Some(path.file_name()?.to_str()?.to_owned())
}
