//! Owns recorded trees: a machine's own description of its devices, written down as text.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test makes its trees and fails by panicking"
)]

use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// A recorded tree, written out. Its lines are `file PATH = CONTENT`, `lines PATH = FIRST|SECOND`
/// (with `\\t` for tabs), `link PATH -> TARGET`, `dir PATH`, `mount MOUNT-TABLE-LINE` and `#
/// remark`.
pub(super) struct Recorded(TempDir);

impl Recorded {
    /// One of `fixtures/trees`.
    pub(super) fn load(name: &str) -> Self {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/trees/");
        let lines = fs::read_to_string(format!("{folder}{name}.txt")).unwrap();
        Self::write(&lines)
    }

    /// The tree that these lines describe.
    pub(super) fn write(lines: &str) -> Self {
        let made = Self(tempfile::tempdir().unwrap());
        let mut mounts = String::new();
        for line in lines.lines().filter(|l| !l.starts_with('#')) {
            match line.split_once(' ').unwrap() {
                ("file", rest) => {
                    let (path, content) = rest.split_once(" = ").unwrap_or((rest, ""));
                    fs::write(
                        made.place(path.trim_end_matches(" =")),
                        format!("{content}\n"),
                    )
                    .unwrap();
                }
                ("lines", rest) => {
                    let (path, content) = rest.split_once(" = ").unwrap();
                    let content = content.replace('|', "\n").replace("\\t", "\t");
                    fs::write(made.place(path), format!("{content}\n")).unwrap();
                }
                ("link", rest) => {
                    let (path, target) = rest.split_once(" -> ").unwrap();
                    symlink(target, made.place(path)).unwrap();
                }
                ("dir", path) => fs::create_dir_all(made.place(path)).unwrap(),
                ("mount", rest) => mounts.extend([rest, "\n"]),
                (other, _) => panic!("{other}"),
            }
        }
        fs::write(made.place("/proc/self/mountinfo"), mounts).unwrap();
        made
    }

    /// The top of the tree.
    pub(super) fn top(&self) -> &Path {
        self.0.path()
    }

    /// A path of the tree, its folder made.
    pub(super) fn place(&self, path: &str) -> PathBuf {
        let place = self.0.path().join(path.strip_prefix('/').unwrap());
        fs::create_dir_all(place.parent().unwrap()).unwrap();
        place
    }
}
