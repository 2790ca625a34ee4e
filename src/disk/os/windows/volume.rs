//! Owns what is behind a folder: its volume, the disks below that, and whether they rotate.

use super::look::{open_to_look, stat_of};
use crate::disk::backing::Backing;
use crate::disk::buffer::Aligned;
use crate::disk::os::windows_forms::{self as forms, Bus, plain};
use crate::sys::windows as sys;
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs::{File, OpenOptions};
use std::io;
use std::os::windows::fs::OpenOptionsExt as _;
use std::path::Path;
use windows_sys::Win32::Storage::FileSystem::{FileIdInfo, IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS};
use windows_sys::Win32::System::Ioctl::{
    IOCTL_STORAGE_GET_DEVICE_NUMBER, IOCTL_STORAGE_QUERY_PROPERTY,
};

/// Kinds of drives, as `GetDriveTypeW` numbers them.
const DRIVE_UNKNOWN: u32 = 0;
const DRIVE_NO_ROOT_DIR: u32 = 1;
const DRIVE_REMOTE: u32 = 4;
const DRIVE_RAMDISK: u32 = 6;
/// Properties that a disk can be asked for (`STORAGE_PROPERTY_ID`).
const DEVICE_PROPERTY: u32 = 0;
const SEEK_PENALTY_PROPERTY: u32 = 7;

/// The volume that a folder is on.
pub(super) struct VolumeRoot {
    /// Its root, with a backslash at the end.
    pub(super) root: String,
    /// A number that no other volume of this computer has at the moment.
    pub(super) number: u64,
}

/// Returns the volume of a folder in verbatim form.
pub(super) fn volume_of(folder: &Path) -> io::Result<VolumeRoot> {
    // Questions about volumes are described for plain roots, `C:\`.
    let root = plain(&sys::volume_root(folder.as_os_str())?);
    // Serial numbers are no help: some cameras give all cards the same. Network folders have no
    // name of this kind; their root is one.
    let name = sys::volume_name(OsStr::new(&root)).unwrap_or_else(|_| root.to_lowercase());
    let hash = blake3::hash(name.as_bytes());
    let number = hash
        .as_bytes()
        .first_chunk()
        .map_or(0, |bytes| u64::from_le_bytes(*bytes));
    Ok(VolumeRoot { root, number })
}

/// Opens the device below a volume or a disk by name, for questions only.
fn open_device(name: &str) -> io::Result<File> {
    OpenOptions::new().access_mode(0).open(name)
}

/// Asks a disk for one of its properties.
fn property(disk: &File, id: u32) -> io::Result<Vec<u8>> {
    let mut query = [0_u8; 12];
    query[..4].copy_from_slice(&id.to_le_bytes());
    let mut answer = vec![0; 1_024];
    let filled = sys::ask_device(disk, IOCTL_STORAGE_QUERY_PROPERTY, &query, &mut answer)?;
    answer.truncate(filled);
    Ok(answer)
}

/// What stands behind a volume, and whether it rotates.
pub(super) fn backing_of(volume: &VolumeRoot, is_wine: bool) -> (Backing, Option<bool>) {
    match sys::drive_type(OsStr::new(&volume.root)) {
        Ok(DRIVE_REMOTE) => {
            let why = format!(
                "{} is a network folder, its disk is in another machine",
                plain(&volume.root)
            );
            let known = plain(&volume.root).to_lowercase();
            return (Backing::unknown(why).with_known([known]), None);
        }
        Ok(DRIVE_RAMDISK) => return (Backing::Memory, None),
        _ => {}
    }
    if is_wine {
        let why = "this is Wine, which does not say on which disk a folder is";
        return (Backing::unknown(why), None);
    }
    match disks_of(volume) {
        Ok(found) => found,
        Err(cause) => {
            let why = format!("Windows does not say on which disk it is ({cause})");
            (Backing::unknown(why), None)
        }
    }
}

fn disks_of(volume: &VolumeRoot) -> io::Result<(Backing, Option<bool>)> {
    let odd = || io::Error::other("an answer in no known form");
    let name = sys::volume_name(OsStr::new(&volume.root))?;
    let device = open_device(name.trim_end_matches('\\'))?;
    let ask = |code| {
        let mut block = vec![0; 8 + 24 * 64];
        let filled = sys::ask_device(&device, code, &[], &mut block)?;
        block.truncate(filled);
        io::Result::Ok(block)
    };
    let numbers = match ask(IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS) {
        Ok(block) => forms::disks(&block).ok_or_else(odd)?,
        // A card without partitions is a disk and no volume on one.
        Err(cause) => match ask(IOCTL_STORAGE_GET_DEVICE_NUMBER) {
            Ok(block) => vec![forms::disk_number(&block).ok_or_else(odd)?],
            Err(_) => return Err(cause),
        },
    };
    let mut names = BTreeSet::new();
    let mut rotates = None;
    for number in numbers {
        let name = format!("PhysicalDrive{number}");
        let disk = open_device(&format!(r"\\.\{name}"))?;
        if let Bus::Elsewhere(why) =
            forms::bus(&property(&disk, DEVICE_PROPERTY)?).ok_or_else(odd)?
        {
            return Ok((Backing::unknown(why), None));
        }
        let seeks = property(&disk, SEEK_PENALTY_PROPERTY)
            .ok()
            .and_then(|answer| forms::has_seek_penalty(&answer));
        if let Some(seeks) = seeks {
            rotates = Some(seeks || rotates.unwrap_or(false));
        }
        names.insert(name);
    }
    if names.is_empty() {
        return Err(odd());
    }
    Ok((Backing::Disks(names), rotates))
}

/// Returns the serial number in 64 bits, where the file system has one.
pub(super) fn wide_serial(folder: &File) -> Option<u64> {
    let mut block = Aligned::new(24);
    sys::file_information(folder, FileIdInfo, &mut block.all_mut()[..24]).ok()?;
    forms::wide_serial(block.first(24))
}

/// (volume, number in it) of a folder and all above it.
pub(super) fn ancestors_of(canonical: &Path) -> io::Result<Vec<(u64, u64)>> {
    let mut found = Vec::new();
    for above in canonical.ancestors() {
        let number = stat_of(&open_to_look(above)?)?.inode;
        found.push((volume_of(above)?.number, number));
    }
    Ok(found)
}

/// Returns whether the volume of a path lies in memory; one that cannot be asked must not count as
/// a device.
pub(super) fn is_in_memory(path: &Path) -> bool {
    sys::volume_root(path.as_os_str())
        .and_then(|root| sys::drive_type(OsStr::new(&plain(&root))))
        .map_or(true, |kind| {
            matches!(kind, DRIVE_UNKNOWN | DRIVE_NO_ROOT_DIR | DRIVE_RAMDISK)
        })
}
