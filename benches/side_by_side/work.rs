//! Owns the made-up cards, the runs of `unlade`, and what is measured of a process.

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// One kind of card.
pub(crate) struct Workload {
    pub(crate) name: &'static str,
    /// (files, bytes each)
    files: &'static [(u64, u64)],
    /// Measured on throttled cards as well.
    pub(crate) is_for_cards: bool,
}

pub(crate) const WORKLOADS: [Workload; 5] = [
    Workload {
        name: "clips, 20 x 200 MB",
        files: &[(20, 200_000_000)],
        is_for_cards: false,
    },
    Workload {
        name: "one clip of 4 GB",
        files: &[(1, 4_000_000_000)],
        is_for_cards: true,
    },
    Workload {
        name: "stills, 5,000 x 100 kB + 250 x 8 MB",
        files: &[(5_000, 100_000), (250, 8_000_000)],
        is_for_cards: true,
    },
    Workload {
        name: "small, 50,000 x 20 kB",
        files: &[(50_000, 20_000)],
        is_for_cards: false,
    },
    Workload {
        name: "mixed video card",
        files: &[
            (6, 250_000_000),
            (6, 300_000),
            (12, 2_000),
            (200, 40_000),
            (40, 6_000_000),
        ],
        is_for_cards: false,
    },
];

impl Workload {
    pub(crate) fn bytes(&self) -> u64 {
        self.files.iter().map(|(n, bytes)| n * bytes).sum()
    }

    pub(crate) fn count(&self) -> u64 {
        self.files.iter().map(|(n, _)| n).sum()
    }

    /// Whether what a file costs counts more than what its bytes do.
    pub(crate) fn is_small(&self) -> bool {
        self.bytes() / self.count() < 1_000_000
    }

    /// Writes the card and returns its folder.
    pub(crate) fn make(&self, card: &Path) -> PathBuf {
        self.make_part(card, u64::MAX)
    }

    /// The same with at most so many files of a kind.
    pub(crate) fn make_part(&self, card: &Path, most: u64) -> PathBuf {
        let mut state = 1_u64;
        let mut block = vec![0; 1 << 20];
        for (group, (count, bytes)) in self.files.iter().enumerate() {
            for n in 0..(*count).min(most) {
                // As a camera does: a new folder after so many files.
                let folder = card.join(format!(
                    "DCIM/{}KITES",
                    100 + 10 * group + usize::try_from(n / 5_000).unwrap()
                ));
                fs::create_dir_all(&folder).unwrap();
                let mut file = fs::File::create(folder.join(format!("KITE{n:05}.DAT"))).unwrap();
                let mut left = usize::try_from(*bytes).unwrap();
                while left > 0 {
                    let n = left.min(block.len());
                    for chunk in block[..n.next_multiple_of(8)].chunks_mut(8) {
                        state ^= state << 13;
                        state ^= state >> 7;
                        state ^= state << 17;
                        chunk.copy_from_slice(&state.to_le_bytes());
                    }
                    file.write_all(&block[..n]).unwrap();
                    left -= n;
                }
            }
        }
        sync();
        card.to_path_buf()
    }
}

/// Whether so many bytes leave a quarter of the free memory alone; says so if not.
pub(crate) fn fits_in_memory(name: &str, bytes: u64) -> bool {
    let text = fs::read_to_string("/proc/meminfo").unwrap_or_default();
    let line = text.lines().find(|l| l.starts_with("MemAvailable:"));
    let available = line
        .and_then(|l| l.split_whitespace().nth(1)?.parse::<u64>().ok())
        .unwrap_or(0)
        * 1_024;
    // A quarter stays free for the programs and what they cache.
    let fits = bytes <= available / 4 * 3;
    if !fits {
        println!(
            "SKIPPED {name}: it needs {} MB of memory, {} MB are free",
            bytes / 1_000_000,
            available / 1_000_000
        );
    }
    fits
}

/// What a run took.
pub(crate) struct Ran {
    pub(crate) seconds: f64,
    pub(crate) cpu_s: f64,
    /// Largest resident set, in kB of 1,024 bytes as the kernel counts.
    pub(crate) peak_kb: u64,
}

/// One copy to `a` and `b`; on one disk or in memory it is not PROVEN, and need not be.
pub(crate) fn unlade_copy(card: &Path, root: &Path) -> Ran {
    let card = card.to_str().unwrap();
    let arguments = [
        "copy",
        card,
        "--to",
        "a",
        "--to",
        "b",
        "--name",
        "K",
        "--copies",
        "1",
        "--quiet",
        "--no-ledger",
    ];
    unlade(&arguments, root, &[0, 1])
}

pub(crate) fn unlade(arguments: &[&str], root: &Path, codes: &[i32]) -> Ran {
    let start = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_unlade"))
        .args(arguments)
        .current_dir(root)
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let (mut peak_kb, mut cpu_s) = (0, 0.0);
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        // The last look before the end: short of the truth by what happens in 5 ms.
        peak_kb = peak(child.id()).unwrap_or(peak_kb);
        cpu_s = cpu(child.id()).unwrap_or(cpu_s);
        std::thread::sleep(Duration::from_millis(5));
    };
    let seconds = start.elapsed().as_secs_f64();
    assert!(
        status.code().is_some_and(|c| codes.contains(&c)),
        "{arguments:?}: {status}"
    );
    Ran {
        seconds,
        cpu_s,
        peak_kb,
    }
}

/// `VmHWM` of /proc/PID/status: the largest resident set so far.
fn peak(pid: u32) -> Option<u64> {
    let text = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = text.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// User and system time from /proc/PID/stat, fields 14 and 15, in hundredths of a second.
fn cpu(pid: u32) -> Option<f64> {
    let text = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    let fields: Vec<&str> = text.rsplit(')').next()?.split_whitespace().collect();
    let ticks = fields.get(11)?.parse::<u64>().ok()? + fields.get(12)?.parse::<u64>().ok()?;
    Some(float(ticks) / 100.0)
}

pub(crate) fn sync() {
    assert!(Command::new("sync").status().unwrap().success());
}

pub(crate) fn drop_caches() -> bool {
    fs::write("/proc/sys/vm/drop_caches", "3").is_ok()
}

/// Exact below 2^53.
#[expect(
    clippy::cast_precision_loss,
    clippy::as_conversions,
    reason = "a figure for people"
)]
pub(crate) fn float(n: u64) -> f64 {
    n as f64
}

/// Processor, cores, memory, kernel, file system: what the figures depend on.
pub(crate) fn machine(root: &Path) -> String {
    let read = |path: &str| fs::read_to_string(path).unwrap_or_default();
    let after = |text: &str, key: &str| -> String {
        let line = text.lines().find(|l| l.starts_with(key)).unwrap_or("");
        line.split(':').nth(1).unwrap_or("?").trim().to_owned()
    };
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let kernel = read("/proc/sys/kernel/osrelease");
    let df = Command::new("df")
        .args(["--output=fstype"])
        .arg(root)
        .output();
    let filesystem = df.map_or_else(
        |_| "?".to_owned(),
        |o| {
            String::from_utf8_lossy(&o.stdout)
                .lines()
                .last()
                .unwrap_or("?")
                .trim()
                .to_owned()
        },
    );
    format!(
        "{}, {cores} cores, {} memory, Linux {}, {filesystem}",
        after(&read("/proc/cpuinfo"), "model name"),
        after(&read("/proc/meminfo"), "MemTotal"),
        kernel.trim(),
    )
}
