//! What a person would use instead, in the same run: `cp` twice and `b3sum` of all three trees, against
//! one `unlade copy` to two folders with everything read back. Prints medians and their ratio.
//!
//! Run by hand on an idle machine, on the disk that is to be measured:
//! `cargo bench --bench side_by_side -- /mnt/disk/folder`. Needs `b3sum` on the PATH, room for three
//! times 2.6 GB, and root to drop the page cache between runs (without it the comparison is skipped,
//! since `b3sum` would read from memory).
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a measurement that cannot go on has failed; it prints and times by hand"
)]

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Interleaved rounds of each workload.
const ROUNDS: usize = 5;

/// One card of a kind.
struct Workload {
    name: &'static str,
    files: &'static [(usize, usize)],
}

/// (files, bytes each)
const WORKLOADS: [Workload; 3] = [
    Workload {
        name: "clips: 10 x 200 MB",
        files: &[(10, 200_000_000)],
    },
    Workload {
        name: "one clip of 2 GB",
        files: &[(1, 2_000_000_000)],
    },
    Workload {
        name: "stills: 5,000 x 100 kB + 250 x 8 MB",
        files: &[(5_000, 100_000), (250, 8_000_000)],
    },
];

fn main() {
    let folder = std::env::args().skip(1).find(|a| !a.starts_with("--"));
    let root = folder
        .map_or_else(|| PathBuf::from(env!("CARGO_TARGET_TMPDIR")), PathBuf::from)
        .join("side-by-side");
    fs::create_dir_all(&root).unwrap();
    if !drop_caches() {
        println!(
            "SKIPPED: the page cache cannot be dropped (not root), so nothing can be compared"
        );
        return;
    }
    println!(
        "in {}, medians of {ROUNDS} interleaved rounds",
        root.display()
    );
    for workload in &WORKLOADS {
        measure(workload, &root);
    }
    fs::remove_dir_all(&root).unwrap();
}

fn measure(workload: &Workload, root: &Path) {
    let card = root.join("card");
    make(workload, &card);
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        ours.push(timed(root, || {
            let mut unlade = Command::new(env!("CARGO_BIN_EXE_unlade"));
            unlade.args([
                "copy", "card", "--to", "a", "--to", "b", "--name", "K", "--copies", "1", "--quiet",
            ]);
            run(unlade.current_dir(root));
        }));
        theirs.push(timed(root, || pipeline(root)));
    }
    fs::remove_dir_all(&card).unwrap();
    let (ours, theirs) = (median(ours), median(theirs));
    println!(
        "{:40} unlade {:6.2} s   cp twice + b3sum of three {:6.2} s   ratio {:.2}",
        workload.name,
        ours.as_secs_f64(),
        theirs.as_secs_f64(),
        theirs.as_secs_f64() / ours.as_secs_f64()
    );
}

fn make(workload: &Workload, card: &Path) {
    let mut state = 1_u64;
    let mut block = vec![0; 1 << 20];
    for (group, (count, bytes)) in workload.files.iter().enumerate() {
        let folder = card.join(format!("DCIM/{}KITES", 100 + group));
        fs::create_dir_all(&folder).unwrap();
        for n in 0..*count {
            let mut file = fs::File::create(folder.join(format!("KITE{n:04}.DAT"))).unwrap();
            let mut left = *bytes;
            while left > 0 {
                for chunk in block.chunks_mut(8) {
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    chunk.copy_from_slice(&state.to_le_bytes());
                }
                let n = left.min(block.len());
                file.write_all(&block[..n]).unwrap();
                left -= n;
            }
        }
    }
}

/// Copies twice, makes it durable, drops the cache and hashes all three trees.
fn pipeline(root: &Path) {
    for to in ["a", "b"] {
        run(Command::new("cp")
            .args(["-r", "card", &format!("{to}/K")])
            .current_dir(root));
    }
    run(&mut Command::new("sync"));
    assert!(drop_caches());
    for tree in ["card", "a/K", "b/K"] {
        let hash = format!(
            "find {tree} -type f -print0 | sort -z | xargs -0 b3sum --num-threads 1 > /dev/null"
        );
        run(Command::new("sh").args(["-c", &hash]).current_dir(root));
    }
}

fn timed(root: &Path, work: impl FnOnce()) -> Duration {
    for to in ["a", "b"] {
        let folder = root.join(to);
        if folder.exists() {
            fs::remove_dir_all(&folder).unwrap();
        }
        fs::create_dir(&folder).unwrap();
    }
    run(&mut Command::new("sync"));
    assert!(drop_caches());
    let start = Instant::now();
    work();
    start.elapsed()
}

fn run(command: &mut Command) {
    let status = command.stdout(Stdio::null()).status().unwrap();
    assert!(status.success(), "{command:?}: {status}");
}

fn drop_caches() -> bool {
    fs::write("/proc/sys/vm/drop_caches", "3").is_ok()
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}
