//! A file system in an image file, mounted through a loop device: the nearest thing to a card that
//! a test can hash as a whole. Needs root, `mount` and the file system's own tools.

use super::program::{Work, hash, skip, tool};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Takes away every other image, and runs the rest.
const ALONE: &str = r#"
here=$1; shift
# Read whole before anything in it changes.
mounts=$(cat /proc/mounts)
while read -r from at rest; do
    case "$from$at" in
    *"$here"*) ;;
    /dev/loop*) umount -l "$(printf %s "$at" | sed 's/\\040/ /g')" ;;
    esac
done <<EOF
$mounts
EOF
exec "$@"
"#;

/// Returns a command that runs the rest of itself in a mount namespace in which of all images only
/// those of this test are mounted: other tests plug in cards too. Needs root and unshare(1).
pub(crate) fn alone(work: &Work) -> Command {
    let plain = work.command();
    let mut command = Command::new("unshare");
    command
        .args([
            "--mount",
            "--propagation",
            "private",
            "sh",
            "-c",
            ALONE,
            "sh",
        ])
        .arg(work.path(""))
        .current_dir(work.path(""))
        .env_clear()
        .envs(
            plain
                .get_envs()
                .filter_map(|(key, value)| Some((key, value?))),
        )
        .stdin(Stdio::null());
    command
}

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
        let make = "mkfs.ext4 -q -F -E lazy_itable_init=0,lazy_journal_init=0";
        Self::made(make, file, at, megabytes, options)
    }

    /// Makes an image with a command and mounts it at `at`. `None`, after saying so, where that is
    /// not possible.
    pub(crate) fn made(
        make: &str,
        file: &Path,
        at: &Path,
        megabytes: u64,
        options: &str,
    ) -> Option<Self> {
        let mut make = make.split(' ');
        let program = make.next().unwrap();
        let tools = [program, "mount", "umount"].map(tool);
        if !rustix::process::geteuid().is_root() || tools.iter().any(Option::is_none) {
            skip(&format!("mounting images needs root, mount and {program}"));
            return None;
        }
        std::fs::File::create_new(file)
            .unwrap()
            .set_len(megabytes << 20)
            .unwrap();
        let arguments: Vec<&str> = make.chain(file.to_str()).collect();
        assert!(done(program, &arguments));
        let mut image = Self {
            file: file.to_path_buf(),
            at: at.to_path_buf(),
            mounted: false,
        };
        if !image.mount(options) {
            skip(&format!("this machine mounts no images made by {program}"));
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

    #[expect(
        clippy::disallowed_methods,
        reason = "the mounts are the kernel's, which goes by no clock of a test"
    )]
    pub(crate) fn unmount(&mut self) {
        // Tests beside this one may be looking at every mount.
        let unmounted = (0..50).any(|_| {
            done("umount", &[self.at.to_str().unwrap()]) || {
                std::thread::sleep(std::time::Duration::from_millis(100));
                false
            }
        });
        assert!(unmounted, "{} is busy", self.at.display());
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

    /// Turns one bit wherever these bytes stand in the image, past the file system; returns how
    /// often they stood there.
    pub(crate) fn damage(&self, bytes: &[u8]) -> usize {
        use std::os::unix::fs::FileExt as _;
        self.sync();
        let all = super::program::bytes_of(&self.file);
        let file = std::fs::File::options()
            .write(true)
            .open(&self.file)
            .unwrap();
        let places = memchr::memmem::find_iter(&all, bytes);
        let places: Vec<usize> = places.collect();
        for at in &places {
            file.write_all_at(&[bytes[0] ^ 1], u64::try_from(*at).unwrap())
                .unwrap();
        }
        file.sync_all().unwrap();
        places.len()
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
