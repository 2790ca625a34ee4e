//! Owns the programs that a person would use instead, and plain direct passes over the disk.

use super::work::{drop_caches, sync};
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

/// Copies twice, makes it durable, drops the cache and hashes all three trees.
pub(crate) const CP: &str = "cp twice + b3sum of three";
/// Copies twice, then lets rsync compare by content.
pub(crate) const RSYNC: &str = "rsync -a twice + rsync -nc";
/// One read of the card into two files each, then the hashes of both copies.
pub(crate) const TEE: &str = "tee into two + b3sum";

/// One copy to one drive, made durable, and nothing checked: not the same job, only its smallest
/// part.
pub(crate) const ONE: &str = "cp -r to one drive, unchecked";

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
    let mut programs = vec![(CP, Vec::new()), (TEE, Vec::new()), (ONE, Vec::new())];
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
                "cd '{card}' && find . -type d -exec mkdir -p '{root}/a/K/{{}}' \
                '{root}/b/K/{{}}' \\; && \
                 find . -type f -exec sh -c 'for f; do tee \"{root}/a/K/$f\" < \"$f\" \
                > \"{root}/b/K/$f\"; done' sh {{}} +",
                root = root.display()
            );
            sh(&copy, root);
            sync();
            assert!(drop_caches());
            for tree in [card, "a/K", "b/K"] {
                hash(tree, root);
            }
        }
        ONE => {
            sh(&format!("cp -r '{card}' a/K"), root);
            sync();
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

/// Writes the file that [`direct_passes`] reads in the card's place. It is as old as the card: what
/// was written a moment ago may come faster than the disk is, from the cache of whoever lends the
/// disk.
pub(crate) fn make_source(bytes: u64, root: &Path) {
    let count = bytes.div_ceil(4 << 20);
    sh(
        &format!(
            "dd if=/dev/urandom of=source bs=4M count={count} iflag=fullblock oflag=direct \
            status=none"
        ),
        root,
    );
}

/// The passes that the job makes over the disk at least, with direct reads and writes of 4 MiB and
/// nothing else: the card's bytes read once, two copies written, two read. Returns seconds.
pub(crate) fn direct_passes(bytes: u64, root: &Path) -> f64 {
    let count = bytes.div_ceil(4 << 20);
    let dd = |from: &str, to: &str, flags: &str| {
        sh(
            &format!("dd if={from} of={to} bs=4M count={count} {flags} status=none"),
            root,
        );
    };
    let start = Instant::now();
    dd("source", "/dev/null", "iflag=direct");
    for to in ["a/one", "b/two"] {
        dd("/dev/zero", to, "oflag=direct conv=fdatasync");
        dd(to, "/dev/null", "iflag=direct");
    }
    start.elapsed().as_secs_f64()
}

/// The same calls to the kernel that proven files need, made one by one and nothing else: every
/// file of the card read for each drive, created, written, flushed, read back past the cache and
/// renamed, by eight threads a drive, without a hash, a comparison or a record. Returns seconds.
pub(crate) fn bare_calls(card: &Path, root: &Path) -> f64 {
    let files: Vec<PathBuf> = walkdir::WalkDir::new(card)
        .sort_by_file_name()
        .into_iter()
        .map(|entry| entry.unwrap())
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| entry.path().strip_prefix(card).unwrap().to_owned())
        .collect();
    let next = [AtomicUsize::new(0), AtomicUsize::new(0)];
    let start = Instant::now();
    std::thread::scope(|scope| {
        for (to, next) in ["a/K", "b/K"].iter().zip(&next) {
            for _ in 0..8 {
                let files = &files;
                scope.spawn(move || {
                    while let Some(file) = files.get(next.fetch_add(1, Ordering::Relaxed)) {
                        bare(&card.join(file), &root.join(to).join(file));
                    }
                });
            }
        }
    });
    sync();
    start.elapsed().as_secs_f64()
}

fn bare(from: &Path, to: &Path) {
    use std::io::{Read as _, Write as _};
    use std::os::unix::fs::OpenOptionsExt as _;
    std::fs::create_dir_all(to.parent().unwrap()).unwrap();
    let content = std::fs::read(from).unwrap();
    let part = to.with_extension("part");
    let mut file = std::fs::File::create_new(&part).unwrap();
    file.write_all(&content).unwrap();
    file.sync_all().unwrap();
    let mut options = std::fs::OpenOptions::new();
    options.read(true).custom_flags(libc::O_DIRECT);
    let mut file = options.open(&part).unwrap();
    with_aligned(content.len().next_multiple_of(ALIGN), |buffer| {
        assert_eq!(
            file.read(buffer).unwrap(),
            content.len(),
            "{}",
            to.display()
        );
    });
    std::fs::rename(&part, to).unwrap();
}

/// Trees of several drives, each by a thread of its own. Returns seconds.
pub(crate) fn direct_reads(trees: &[PathBuf]) -> f64 {
    let start = Instant::now();
    std::thread::scope(|scope| {
        for tree in trees {
            scope.spawn(|| direct_read(tree));
        }
    });
    start.elapsed().as_secs_f64()
}

/// Every file of a tree with direct reads of 4 MiB, one after the other. Returns seconds.
pub(crate) fn direct_read(tree: &Path) -> f64 {
    use std::io::Read as _;
    use std::os::unix::fs::OpenOptionsExt as _;
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
        with_aligned(
            4 << 20,
            |buffer| {
                while file.read(buffer).unwrap() == buffer.len() {}
            },
        );
    }
    start.elapsed().as_secs_f64()
}

/// What direct reads want of addresses and lengths, on all disks in use.
const ALIGN: usize = 4_096;

/// Each thread has one buffer and keeps it.
fn with_aligned(bytes: usize, use_it: impl FnOnce(&mut [u8])) {
    thread_local!(static MEMORY: RefCell<Vec<u8>> = const { RefCell::new(Vec::new()) });
    MEMORY.with_borrow_mut(|memory| {
        if memory.len() < bytes + ALIGN {
            memory.resize(bytes + ALIGN, 0);
        }
        let from = memory.as_ptr().align_offset(ALIGN);
        use_it(&mut memory[from..from + bytes]);
    });
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
