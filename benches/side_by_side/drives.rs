//! Owns two drives that are faster than any disk: ext4 on loop devices, the images in memory.

use super::work::{Workload, drop_caches, sync};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Mounted at `a` and `b`; unmounted and gone when dropped.
pub(crate) struct Drives {
    at: Vec<PathBuf>,
    images: Vec<PathBuf>,
}

impl Drives {
    /// Bytes of one image: the files, a block more for each, and the file system's own.
    pub(crate) fn room(workload: &Workload) -> u64 {
        workload.bytes() + workload.count() * 8_192 + workload.bytes() / 10 + 200_000_000
    }

    /// # Errors
    ///
    /// Why they cannot be had here, in words.
    pub(crate) fn mounted(root: &Path, workload: &Workload) -> Result<Self, String> {
        let mut drives = Self {
            at: Vec::new(),
            images: Vec::new(),
        };
        for letter in ["a", "b"] {
            let image = PathBuf::from(format!("/dev/shm/unlade-bench-{letter}.img"));
            let at = root.join(letter);
            fs::create_dir_all(&at).unwrap();
            drives.images.push(image.clone());
            // Written through, so that no page of it has to be found while something is timed.
            let megabytes = Self::room(workload) / 1_000_000 + 1;
            let (image, place) = (image.display(), at.display());
            did(&format!(
                "dd if=/dev/zero of={image} bs=1M count={megabytes} status=none"
            ))?;
            did(&format!(
                "mkfs.ext4 -q -F -m 0 -i 8192 -E nodiscard,lazy_itable_init=0 {image}"
            ))?;
            did(&format!("mount -o loop {image} {place}"))?;
            drives.at.push(at);
        }
        Ok(drives)
    }

    /// Takes away what a run has left, and what is cached of it.
    pub(crate) fn empty(&self) {
        for at in &self.at {
            let left = at.join("K");
            if left.exists() {
                fs::remove_dir_all(left).unwrap();
            }
        }
        sync();
        assert!(drop_caches());
    }
}

impl Drop for Drives {
    fn drop(&mut self) {
        for at in &self.at {
            let gone = did(&format!("umount {}", at.display()));
            assert!(gone.is_ok() || std::thread::panicking(), "{gone:?}");
        }
        for image in &self.images {
            drop(fs::remove_file(image));
        }
    }
}

fn did(line: &str) -> Result<(), String> {
    let done = Command::new("sh").args(["-c", line]).output();
    let done = done.map_err(|e| e.to_string())?;
    if done.status.success() {
        return Ok(());
    }
    Err(String::from_utf8_lossy(&done.stderr).trim().to_owned())
}
