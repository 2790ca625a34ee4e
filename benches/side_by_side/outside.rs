//! Owns the programs that a person would use instead, and plain direct passes over the disk.

use super::work::{drop_caches, sync};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

/// Copies twice, makes it durable, drops the cache and hashes all three trees.
pub(crate) const CP: &str = "cp twice + b3sum of three";
/// Copies twice, then lets rsync compare by content.
pub(crate) const RSYNC: &str = "rsync -a twice + rsync -nc";
/// One read of the card into two files each, then the hashes of both copies.
pub(crate) const TEE: &str = "tee into two + b3sum";

/// Returns those that are installed, each without a time.
pub(crate) fn all(root: &Path) -> Vec<(&'static str, Vec<f64>)> {
    let has = |program: &str| {
        let looked = Command::new(program)
            .arg("--version")
            .current_dir(root)
            .output();
        let there = looked.is_ok_and(|o| o.status.success());
        if !there {
            println!("SKIPPED: {program} is not installed");
        }
        there
    };
    assert!(has("b3sum"), "b3sum is needed: cargo install b3sum");
    let mut programs = vec![(CP, Vec::new()), (TEE, Vec::new())];
    if has("rsync") {
        programs.push((RSYNC, Vec::new()));
    }
    programs
}

/// Runs one of them from `card` to `a/K` and `b/K` and returns its seconds.
pub(crate) fn run(program: &str, card: &Path, root: &Path) -> f64 {
    let start = Instant::now();
    let card = card.to_str().unwrap();
    match program {
        CP => {
            for to in ["a", "b"] {
                sh(&format!("cp -r '{card}' {to}/K"), root);
            }
            sync();
            assert!(drop_caches());
            for tree in [card, "a/K", "b/K"] {
                hash(tree, root);
            }
        }
        RSYNC => {
            for to in ["a", "b"] {
                sh(&format!("rsync -a '{card}/' {to}/K/"), root);
            }
            sync();
            assert!(drop_caches());
            for to in ["a", "b"] {
                sh(
                    &format!("rsync -anc --itemize-changes '{card}/' {to}/K/"),
                    root,
                );
            }
        }
        TEE => {
            let copy = format!(
                "cd '{card}' && find . -type d -exec mkdir -p '{root}/a/K/{{}}' '{root}/b/K/{{}}' \\; && \
                 find . -type f -exec sh -c 'for f; do tee \"{root}/a/K/$f\" < \"$f\" > \"{root}/b/K/$f\"; done' sh {{}} +",
                root = root.display()
            );
            sh(&copy, root);
            sync();
            assert!(drop_caches());
            for tree in [card, "a/K", "b/K"] {
                hash(tree, root);
            }
        }
        other => panic!("unknown: {other}"),
    }
    start.elapsed().as_secs_f64()
}

fn hash(tree: &str, root: &Path) {
    let hash = format!(
        "find '{tree}' -type f -print0 | sort -z | xargs -0 b3sum --num-threads 1 > /dev/null"
    );
    sh(&hash, root);
}

/// The passes that the job makes over the disk at least, with direct reads and writes of 4 MiB and
/// nothing else: the card read once, two copies written, two read. Returns seconds.
pub(crate) fn direct_passes(bytes: u64, root: &Path) -> f64 {
    let count = bytes.div_ceil(4 << 20);
    let dd = |from: &str, to: &str, flags: &str| {
        sh(
            &format!("dd if={from} of={to} bs=4M count={count} {flags} status=none"),
            root,
        );
    };
    // Not counted: the card's own bytes are there already in a real job.
    dd("/dev/zero", "a/source", "oflag=direct");
    assert!(drop_caches());
    let start = Instant::now();
    dd("a/source", "/dev/null", "iflag=direct");
    for to in ["a/one", "b/two"] {
        dd("/dev/zero", to, "oflag=direct conv=fdatasync");
        dd(to, "/dev/null", "iflag=direct");
    }
    start.elapsed().as_secs_f64()
}

/// Every file of a tree with direct reads of 4 MiB, one after the other. Returns seconds.
pub(crate) fn direct_read(tree: &Path) -> f64 {
    use std::io::Read as _;
    use std::os::unix::fs::OpenOptionsExt as _;
    const ALIGN: usize = 4_096;
    let memory = vec![0_u8; (4 << 20) + ALIGN];
    let from = memory.as_ptr().align_offset(ALIGN);
    let mut memory = memory;
    let buffer = &mut memory[from..from + (4 << 20)];
    let start = Instant::now();
    for entry in walkdir::WalkDir::new(tree).sort_by_file_name() {
        let entry = entry.unwrap();
        if !entry.file_type().is_file() || entry.path().starts_with(tree.join("_unlade")) {
            continue;
        }
        let mut options = std::fs::OpenOptions::new();
        let mut file = options
            .read(true)
            .custom_flags(libc::O_DIRECT)
            .open(entry.path())
            .unwrap();
        while file.read(buffer).unwrap() == buffer.len() {}
    }
    start.elapsed().as_secs_f64()
}

fn sh(line: &str, root: &Path) {
    let status = Command::new("sh")
        .args(["-c", line])
        .current_dir(root)
        .stdout(Stdio::null())
        .status()
        .unwrap();
    assert!(status.success(), "{line}: {status}");
}
