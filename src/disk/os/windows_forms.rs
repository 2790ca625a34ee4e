//! Owns the forms in which Windows takes paths and tells of files, volumes and disks. Pure: it can
//! be tested on every system.

use crate::disk::Stamp;

/// Seconds from 1601-01-01, where Windows counts from, to 1970-01-01 ("File Times", Microsoft).
const SECONDS_1601_TO_1970: i64 = 11_644_473_600;
/// File times count units of 100 ns.
const PER_SECOND: u64 = 10_000_000;

/// Turns a path into the form that Windows takes as it stands: `\\?\C:\...`. Only so are names kept
/// that end in a dot or are those of devices, and paths of more than 259 units taken. `here` is the
/// current folder, a full path. Parts `.` and `..` are resolved as text, as Windows does it.
pub(super) fn verbatim(path: &str, here: &str) -> String {
    let path = path.replace('/', "\\");
    if let Some(rest) = path.strip_prefix(r"\\?\") {
        return format!(r"\\?\{rest}");
    }
    if path.starts_with(r"\\.\") {
        return path;
    }
    let here = plain(here).replace('/', "\\");
    let (drive, rest) = split_root(&path);
    let (root, rest) = match drive {
        Some(root) if rest.starts_with('\\') || root.starts_with(r"\\") => (root, rest.to_owned()),
        // `C:name` is relative to the current folder of that drive, which is known for this one
        // only; for others it is the root, as for a program that was just started.
        Some(root) => {
            let (own, own_rest) = split_root(&here);
            if own.is_some_and(|own| own.eq_ignore_ascii_case(&root)) {
                (root, format!(r"{own_rest}\{rest}"))
            } else {
                (root, rest.to_owned())
            }
        }
        None => {
            let (own, own_rest) = split_root(&here);
            let root = own.unwrap_or_default();
            if rest.starts_with('\\') {
                (root, rest.to_owned())
            } else {
                (root, format!(r"{own_rest}\{rest}"))
            }
        }
    };
    let mut parts: Vec<&str> = Vec::new();
    for part in rest.split('\\') {
        match part {
            "" | "." => {}
            ".." => drop(parts.pop()),
            part => parts.push(part),
        }
    }
    let tail = parts.join("\\");
    match root.strip_prefix(r"\\") {
        Some(share) if tail.is_empty() => format!(r"\\?\UNC\{share}"),
        Some(share) => format!(r"\\?\UNC\{share}\{tail}"),
        None => format!(r"\\?\{root}\{tail}"),
    }
}

/// Splits `C:` or `\\server\share` from the front of a path.
fn split_root(path: &str) -> (Option<String>, &str) {
    if let Some(rest) = path.strip_prefix(r"\\") {
        let end = rest
            .match_indices('\\')
            .nth(1)
            .map_or(rest.len(), |(at, _)| at);
        let (share, tail) = rest.split_at(end);
        return (Some(format!(r"\\{share}")), tail);
    }
    match path.as_bytes() {
        [letter, b':', ..] if letter.is_ascii_alphabetic() => {
            let (drive, tail) = path.split_at(2);
            (Some(drive.to_owned()), tail)
        }
        _ => (None, path),
    }
}

/// Takes `\\?\` off a path again, for people and records.
pub(super) fn plain(path: &str) -> String {
    if let Some(share) = path.strip_prefix(r"\\?\UNC\") {
        return format!(r"\\{share}");
    }
    match path.strip_prefix(r"\\?\") {
        Some(rest) if rest.as_bytes().get(1) == Some(&b':') => rest.to_owned(),
        _ => path.to_owned(),
    }
}

/// Returns the path of a folder from the root of its volume, with `/`; `root` ends with a
/// backslash.
pub(super) fn within(root: &str, folder: &str) -> Option<String> {
    let whole = format!("{}\\", folder.trim_end_matches('\\'));
    let (start, below) = whole.split_at_checked(root.len())?;
    let is_below = start.eq_ignore_ascii_case(root);
    is_below.then(|| below.trim_end_matches('\\').replace('\\', "/"))
}

/// Turns a file time into a date.
pub(super) fn stamp(file_time: u64) -> Stamp {
    let seconds = i64::try_from(file_time / PER_SECOND).unwrap_or(i64::MAX);
    Stamp {
        seconds: seconds.saturating_sub(SECONDS_1601_TO_1970),
        nanos: u32::try_from(file_time % PER_SECOND * 100).unwrap_or(0),
    }
}

/// Returns the kernel name that Linux has for a file system, so that a record means the same
/// everywhere.
pub(super) fn filesystem(told: &str) -> String {
    match told.to_ascii_lowercase().as_str() {
        "fat" | "fat12" | "fat16" | "fat32" => "vfat".to_owned(),
        "cdfs" => "iso9660".to_owned(),
        other => other.to_owned(),
    }
}

/// Returns a volume's identity in the form that Linux shows for the same volume: `1A2B-3C4D` for
/// FAT and exFAT, 16 hexadecimal digits for NTFS. `wide` is the serial number in 64 bits, where
/// told.
pub(super) fn volume_id(filesystem: &str, serial: u32, wide: Option<u64>) -> Option<String> {
    match (filesystem, wide) {
        ("vfat" | "exfat", _) => {
            (serial != 0).then(|| format!("{:04X}-{:04X}", serial >> 16, serial & 0xffff))
        }
        (_, Some(wide)) if wide != 0 => Some(format!("{wide:016X}")),
        _ => (serial != 0).then(|| format!("{serial:08X}")),
    }
}

fn number<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..at.checked_add(N)?)?.try_into().ok()
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    number(bytes, at).map(u32::from_le_bytes)
}

fn u64_at(bytes: &[u8], at: usize) -> Option<u64> {
    number(bytes, at).map(u64::from_le_bytes)
}

/// Reads names from a block of a folder's listing (`FILE_ID_BOTH_DIR_INFO`: the distance to the
/// next entry first, the length of the name at 60, the name at 104), as UTF-16, without `.` and
/// `..`.
pub(super) fn listed_names(block: &[u8]) -> Option<Vec<Vec<u16>>> {
    let mut names = Vec::new();
    let mut at = 0_usize;
    loop {
        let next = usize::try_from(u32_at(block, at)?).ok()?;
        let bytes = usize::try_from(u32_at(block, at + 60)?).ok()?;
        let name: Vec<u16> = block
            .get(at + 104..(at + 104).checked_add(bytes)?)?
            .chunks_exact(2)
            .filter_map(|pair| pair.try_into().ok().map(u16::from_le_bytes))
            .collect();
        let dot = u16::from(b'.');
        if name != [dot] && name != [dot, dot] {
            names.push(name);
        }
        if next == 0 {
            return Some(names);
        }
        at = at.checked_add(next)?;
    }
}

/// Reads `FILE_ID_INFO`: the volume's serial number in 64 bits.
pub(super) fn wide_serial(block: &[u8]) -> Option<u64> {
    u64_at(block, 0)
}

/// Reads `FILE_ATTRIBUTE_TAG_INFO`: whether a reparse point stands for another place (a symbolic
/// link or junction) rather than for the same content kept elsewhere.
pub(super) fn is_link(block: &[u8]) -> bool {
    // Bit 29, "name surrogate" (Microsoft, "Reparse Point Tags").
    u32_at(block, 4).is_some_and(|tag| tag & 0x2000_0000 != 0)
}

/// Reads `VOLUME_DISK_EXTENTS`: the numbers of the disks that a volume lies on.
pub(super) fn disks(block: &[u8]) -> Option<Vec<u32>> {
    let count = usize::try_from(u32_at(block, 0)?).ok()?.min(1_024);
    (0..count).map(|n| u32_at(block, 8 + 24 * n)).collect()
}

/// Reads `STORAGE_DEVICE_NUMBER`: the number of the disk, if it is one (`FILE_DEVICE_DISK` is 7).
pub(super) fn disk_number(block: &[u8]) -> Option<u32> {
    (u32_at(block, 0)? == 7).then(|| u32_at(block, 4)).flatten()
}

/// What a disk says of itself.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Bus {
    /// A disk of its own.
    Disk,
    /// Something that stands for a disk which is not known here, in plain words.
    Elsewhere(&'static str),
}

/// Reads the bus from `STORAGE_DEVICE_DESCRIPTOR` (at 28; numbers from `STORAGE_BUS_TYPE`).
pub(super) fn bus(block: &[u8]) -> Option<Bus> {
    Some(match u32_at(block, 28)? {
        0 => Bus::Elsewhere("its disk does not say how it is attached"),
        9 => Bus::Elsewhere("its disk is reached over a network (iSCSI)"),
        14 => Bus::Elsewhere("its disk is a virtual one"),
        15 => Bus::Elsewhere("its disk is an image file"),
        16 => Bus::Elsewhere("its disk is a storage space, which may be on several disks"),
        _ => Bus::Disk,
    })
}

/// Reads `DEVICE_SEEK_PENALTY_DESCRIPTOR`: whether the disk rotates.
pub(super) fn has_seek_penalty(block: &[u8]) -> Option<bool> {
    (u32_at(block, 4)? >= 9).then(|| block.get(8).is_some_and(|b| *b != 0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_in_a_volume_is_told_from_its_root() {
        for (root, folder, expected) in [
            (r"D:\", r"D:\", Some("")),
            (r"D:\", r"d:\kites\Day 1", Some("kites/Day 1")),
            (r"C:\mnt\drive\", r"C:\mnt\drive", Some("")),
            (r"C:\mnt\drive\", r"C:\mnt\drives", None),
            (r"D:\", r"\\server\share", None),
        ] {
            assert_eq!(within(root, folder).as_deref(), expected, "{folder}");
        }
    }

    #[test]
    fn paths_become_verbatim_and_plain_again() {
        // "Naming Files, Paths, and Namespaces" (Microsoft) describes the forms.
        let here = r"C:\Users\kite";
        for (given, full) in [
            (r"E:\", r"\\?\E:\"),
            ("E:", r"\\?\E:\"),
            (r"e:\DCIM/100KITES\.\A.JPG", r"\\?\e:\DCIM\100KITES\A.JPG"),
            ("card", r"\\?\C:\Users\kite\card"),
            (r"..\x", r"\\?\C:\Users\x"),
            (r"..\..\..\..\x", r"\\?\C:\x"),
            (r"c:card", r"\\?\c:\Users\kite\card"),
            (r"\card", r"\\?\C:\card"),
            (r"\\nas\kites\2026", r"\\?\UNC\nas\kites\2026"),
            (r"\\nas\kites", r"\\?\UNC\nas\kites"),
            (r"\\?\E:\a/b", r"\\?\E:\a\b"),
            (r"E:\NUL.TXT", r"\\?\E:\NUL.TXT"),
            (r"E:\dot.", r"\\?\E:\dot."),
        ] {
            assert_eq!(verbatim(given, here), full, "{given}");
        }
        assert_eq!(plain(r"\\?\E:\a"), r"E:\a");
        assert_eq!(plain(r"\\?\UNC\nas\kites"), r"\\nas\kites");
        let guid = r"\\?\Volume{00000000-0000-0000-0000-000000000001}\";
        assert_eq!(plain(guid), guid);
        assert_eq!(verbatim("x", r"\\?\D:\k"), r"\\?\D:\k\x");
    }

    #[test]
    fn dates_are_counted_from_1601() {
        // "File Times" (Microsoft): 1970-01-01 is 116,444,736,000,000,000.
        let epoch = Stamp {
            seconds: 0,
            nanos: 0,
        };
        assert_eq!(stamp(116_444_736_000_000_000), epoch);
        let earlier = stamp(116_444_736_000_000_000 - 1);
        assert_eq!((earlier.seconds, earlier.nanos), (-1, 999_999_900));
        assert_eq!(stamp(0).seconds, -SECONDS_1601_TO_1970);
    }

    #[test]
    fn identities_are_those_that_linux_shows() {
        // util-linux's libblkid prints FAT and exFAT serials so, NTFS's with 16 digits (from
        // memory).
        assert_eq!(
            volume_id("vfat", 0x1a2b_3c4d, None).as_deref(),
            Some("1A2B-3C4D")
        );
        assert_eq!(
            volume_id("ntfs", 0x3c4d_5e6f, Some(0x01d9_8a2b_3c4d_5e6f)).as_deref(),
            Some("01D98A2B3C4D5E6F")
        );
        assert_eq!(volume_id("exfat", 0, None), None);
        assert_eq!(filesystem("FAT32"), "vfat");
        assert_eq!(filesystem("exFAT"), "exfat");
    }

    fn entry(next: u32, name: &str) -> Vec<u8> {
        let units: Vec<u8> = name.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let mut bytes = vec![0; 104];
        bytes[..4].copy_from_slice(&next.to_le_bytes());
        bytes[60..64].copy_from_slice(&u32::try_from(units.len()).unwrap().to_le_bytes());
        bytes.extend(units);
        bytes.resize(usize::try_from(next).unwrap().max(bytes.len()), 0);
        bytes
    }

    #[test]
    fn listings_are_read_and_broken_ones_refused() {
        let mut block = entry(112, ".");
        block.extend(entry(112, ".."));
        block.extend(entry(136, "KITE0001.JPG"));
        block.extend(entry(0, "caf\u{e9}"));
        let names: Vec<String> = listed_names(&block)
            .unwrap()
            .iter()
            .map(|n| String::from_utf16(n).unwrap())
            .collect();
        assert_eq!(names, ["KITE0001.JPG", "caf\u{e9}"]);
        assert_eq!(listed_names(&block[..block.len() - 1]), None);
        assert_eq!(listed_names(&[]), None);
        let mut endless = entry(0, "a");
        endless[60..64].copy_from_slice(&u32::MAX.to_le_bytes());
        assert_eq!(listed_names(&endless), None);
    }

    #[test]
    fn disks_and_their_kind_are_read() {
        let mut block = vec![0; 8 + 48];
        block[0] = 2;
        block[8] = 1;
        block[32] = 3;
        assert_eq!(disks(&block), Some(vec![1, 3]));
        assert_eq!(disks(&block[..40]), Some(vec![1, 3]));
        assert_eq!(disks(&block[..20]), None);
        assert_eq!(disk_number(&[7, 0, 0, 0, 4, 0, 0, 0, 1, 0, 0, 0]), Some(4));
        assert_eq!(
            disk_number(&[2, 0, 0, 0, 4, 0, 0, 0]),
            None,
            "an optical drive"
        );
        let mut device = vec![0; 40];
        assert!(matches!(bus(&device), Some(Bus::Elsewhere(_))));
        device[28] = 7;
        assert_eq!(bus(&device), Some(Bus::Disk));
        device[28] = 16;
        assert!(matches!(bus(&device), Some(Bus::Elsewhere(_))));
        assert_eq!(bus(&device[..30]), None);
        assert_eq!(
            has_seek_penalty(&[1, 0, 0, 0, 12, 0, 0, 0, 1, 0, 0, 0]),
            Some(true)
        );
        assert_eq!(
            has_seek_penalty(&[1, 0, 0, 0, 12, 0, 0, 0, 0, 0, 0, 0]),
            Some(false)
        );
        assert_eq!(has_seek_penalty(&[0; 12]), None);
        assert_eq!(
            wide_serial(&[1, 2, 0, 0, 0, 0, 0, 128, 9]),
            Some(0x8000_0000_0000_0201)
        );
        assert_eq!(wide_serial(&[1; 7]), None);
        let mut tag = [0; 8];
        tag[4..].copy_from_slice(&0xa000_000c_u32.to_le_bytes());
        assert!(is_link(&tag), "IO_REPARSE_TAG_SYMLINK");
        tag[4..].copy_from_slice(&0x8000_0013_u32.to_le_bytes());
        assert!(!is_link(&tag), "IO_REPARSE_TAG_DEDUP");
    }
}
