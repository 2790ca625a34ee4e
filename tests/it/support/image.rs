//! A file system in an image file, mounted through a loop device: the nearest thing to a card that
//! a test can hash as a whole. Needs root, `mount` and the file system's own tools.

use super::program::{hash, skip, tool};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A mounted image; unmounted at the end.
#[derive(Debug)]
pub(crate) struct Image {
    file: PathBuf,
    at: PathBuf,
    mounted: bool,
}

/// Runs a tool and tells whether it succeeded.
pub(crate) fn done(name: &str, arguments: &[&str]) -> bool {
    let status = Command::new(name)
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    status.is_ok_and(|s| s.success())
}

impl Image {
    /// Makes an ext4 image whose tables are all written at once, so that the kernel has nothing to
    /// finish later, and mounts it at `at`. `None`, after saying so, where that is not possible.
    pub(crate) fn ext4(file: &Path, at: &Path, megabytes: u64, options: &str) -> Option<Self> {
        let tools = ["mkfs.ext4", "mount", "umount"].map(tool);
        if !rustix::process::geteuid().is_root() || tools.iter().any(Option::is_none) {
            skip("mounting images needs root, mount and mkfs.ext4");
            return None;
        }
        std::fs::File::create_new(file)
            .unwrap()
            .set_len(megabytes << 20)
            .unwrap();
        let name = file.to_str().unwrap();
        let whole = "lazy_itable_init=0,lazy_journal_init=0";
        assert!(done("mkfs.ext4", &["-q", "-F", "-E", whole, name]));
        let mut image = Self {
            file: file.to_path_buf(),
            at: at.to_path_buf(),
            mounted: false,
        };
        if !image.mount(options) {
            skip("this machine mounts no images");
            return None;
        }
        Some(image)
    }

    pub(crate) fn mount(&mut self, options: &str) -> bool {
        let (file, at) = (self.file.to_str().unwrap(), self.at.to_str().unwrap());
        self.mounted = done("mount", &["-o", &format!("loop,{options}"), file, at]);
        self.mounted
    }

    /// Mounts an unmounted image at another place.
    pub(crate) fn mounted_at(mut self, at: &Path) -> Self {
        at.clone_into(&mut self.at);
        assert!(self.mount("rw"), "it was mounted before");
        self
    }

    pub(crate) fn unmount(&mut self) {
        assert!(done("umount", &[self.at.to_str().unwrap()]));
        self.mounted = false;
    }

    /// Hash of the whole image, after everything that the kernel holds back was written to it.
    pub(crate) fn hash(&self) -> blake3::Hash {
        self.sync();
        hash(&self.file).1
    }

    /// The same as bytes.
    pub(crate) fn bytes(&self) -> Vec<u8> {
        self.sync();
        super::program::bytes_of(&self.file)
    }

    fn sync(&self) {
        if self.mounted {
            rustix::fs::syncfs(std::fs::File::open(&self.at).unwrap()).unwrap();
        }
    }
}

impl Drop for Image {
    fn drop(&mut self) {
        if self.mounted && !done("umount", &["-l", self.at.to_str().unwrap()]) {
            super::program::tell(&format!("{} stays mounted", self.at.display()));
        }
    }
}
