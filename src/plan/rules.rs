//! Owns what each file system can hold: names, lengths, sizes, and whether it folds case. Facts by
//! the kernel's name of the file system; pure.

use crate::disk::far_end;
use crate::name::{CardName, is_device_name, unlike_windows};

/// The largest file on FAT32, in bytes: 2^32 - 1 (Microsoft, "File System Functionality
/// Comparison", which rounds it to 4 GiB).
pub const FAT32_FILE_BYTES_MAX: u64 = 4_294_967_295;

/// What a file system can hold.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Rules {
    /// Characters below U+0020 and `" * : < > ? \ |` are illegal, and a dot or blank at the end is
    /// lost (Microsoft, "exFAT file system specification", table 35; "Naming Files, Paths, and
    /// Namespaces").
    pub windows_names: bool,
    /// Longest name: 255 UTF-16 units, else 255 bytes.
    pub counts_utf16: bool,
    /// Two names that differ in case or normal form only are one name. `None`: not known.
    pub folds: Option<bool>,
    /// Largest file in bytes.
    pub file_bytes_max: u64,
    /// Whether that is certain: behind a server or a program there may be any file system.
    pub is_max_known: bool,
}

/// Returns the rules of a file system by its kernel name.
pub fn rules_of(filesystem: &str) -> Rules {
    let base = Rules {
        windows_names: false,
        counts_utf16: false,
        folds: Some(false),
        file_bytes_max: u64::MAX,
        is_max_known: true,
    };
    match filesystem {
        "vfat" | "msdos" | "fat" | "fat32" => Rules {
            windows_names: true,
            counts_utf16: true,
            folds: Some(true),
            file_bytes_max: FAT32_FILE_BYTES_MAX,
            ..base
        },
        // NTFS through FUSE may be set up to take more; what it takes, Windows might not open.
        "exfat" | "ntfs" | "ntfs3" | "refs" | "fuseblk" => Rules {
            windows_names: true,
            counts_utf16: true,
            folds: Some(true),
            ..base
        },
        "apfs" => Rules {
            folds: Some(true),
            ..base
        },
        "hfs" | "hfsplus" => Rules {
            folds: Some(true),
            counts_utf16: true,
            ..base
        },
        f if f == "overlay" || far_end(f).is_some() => Rules {
            folds: None,
            is_max_known: false,
            ..base
        },
        _ => base,
    }
}

impl Rules {
    /// Returns why one part of a path cannot be stored exactly, or `None`.
    pub fn refuses(&self, part: &str) -> Option<&'static str> {
        let length = if self.counts_utf16 {
            part.encode_utf16().count()
        } else {
            part.len()
        };
        if length > 255 {
            return Some(if self.counts_utf16 {
                "the name is longer than 255 UTF-16 units"
            } else {
                "the name is longer than 255 bytes"
            });
        }
        unlike_windows(part).filter(|_| self.windows_names)
    }

    /// Returns whether Windows would refuse to open a part of a path though the file system stores
    /// it.
    pub fn is_device_name(&self, part: &str) -> bool {
        self.windows_names && is_device_name(part)
    }

    /// Returns the first reason why a path cannot be stored exactly below `root_bytes` bytes of
    /// parent path, or `None`.
    pub fn refuses_path(&self, name: &CardName, root_bytes: usize) -> Option<&'static str> {
        // Linux PATH_MAX is 4,096 with the NUL; the part file's name adds 13 bytes.
        if root_bytes + name.as_str().len() + 16 > 4_095 {
            return Some("the whole path is longer than 4,095 bytes");
        }
        name.parts().find_map(|part| self.refuses(part))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_per_file_system() {
        let kana = "\u{98a8}".repeat(86); // 258 bytes, 86 UTF-16 units
        assert!(rules_of("ext4").refuses(&kana).is_some());
        assert_eq!(rules_of("exfat").refuses(&kana), None);
        assert!(rules_of("exfat").refuses(&"A".repeat(256)).is_some());
        // Microsoft, exFAT specification, table 35.
        for c in ['"', '*', ':', '<', '>', '?', '\\', '|', '\u{1}', '\u{1f}'] {
            let name = format!("KITE{c}1.JPG");
            assert!(rules_of("exfat").refuses(&name).is_some(), "{c:?}");
            assert_eq!(rules_of("ext4").refuses(&name), None, "{c:?}");
        }
        assert!(rules_of("vfat").refuses("a.").is_some());
        assert!(rules_of("vfat").refuses("a ").is_some());
        assert_eq!(rules_of("vfat").refuses("IMG_0001.JPG"), None);
        assert_eq!(rules_of("vfat").file_bytes_max, (1 << 32) - 1);
        assert_eq!(rules_of("exfat").file_bytes_max, u64::MAX);
        assert_eq!(rules_of("fuse.sshfs").folds, None);
        assert!(!rules_of("fuse.sshfs").is_max_known && rules_of("fuseblk").is_max_known);
        assert!(!rules_of("nfs4").is_max_known && rules_of("vfat").is_max_known);
        for name in [
            "CON",
            "con.JPG",
            "NUL.txt",
            "COM1",
            "lpt9.dat",
            "COM\u{b2}",
            "Nul .x",
        ] {
            assert!(rules_of("exfat").is_device_name(name), "{name}");
            assert!(!rules_of("ext4").is_device_name(name), "{name}");
        }
        for name in ["CONTENTS", "COM0", "COM10", "NULL", "AUXILIARY.JPG"] {
            assert!(!rules_of("exfat").is_device_name(name), "{name}");
        }
    }
}
