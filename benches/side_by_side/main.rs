//! `unlade` beside what a person would use instead, in the same run: general-purpose programs only,
//! and the physical limit. Prints medians over interleaved rounds, their ratios, and the peak
//! memory and CPU time of `unlade`; `--json FILE` keeps all of it.
//!
//! Run by hand on an idle machine, as root (the page cache is dropped between runs):
//!
//! ```text
//! cargo bench --bench side_by_side -- [--in DIR] [--rounds N] [--only WORDS] [--json FILE]
//! ```
//!
//! `--only` picks rows by a part of their name: `stills`, `card at 260`, `slow drive`, `verify`,
//! `look`.
//! Needs `b3sum` on the PATH; what else is missing (`rsync`, FUSE, loop devices) is told and left
//! out. Room for three times 4.1 GB in `DIR` (default: the build's folder).
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    clippy::panic,
    reason = "a measurement that cannot go on has failed; it prints and times by hand"
)]

mod drives;
mod look;
mod media;
#[path = "../../tests/it/support/mount.rs"]
#[allow(dead_code, unused_imports, reason = "the tests use more of it")]
mod mount;
mod outside;
mod work;

use drives::Drives;
use mount::{Mount, Options};
use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};
use work::{Ran, WORKLOADS, Workload};

/// What was asked for on the command line.
struct Asked {
    root: PathBuf,
    rounds: usize,
    only: Option<String>,
    json: Option<PathBuf>,
}

fn asked() -> Asked {
    let mut asked = Asked {
        root: PathBuf::from(env!("CARGO_TARGET_TMPDIR")),
        rounds: 5,
        only: None,
        json: None,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut value = || {
            words
                .next()
                .unwrap_or_else(|| panic!("{word} wants a value"))
        };
        match word.as_str() {
            "--in" => asked.root = value().into(),
            "--rounds" => asked.rounds = value().parse().unwrap(),
            "--only" => asked.only = Some(value()),
            "--json" => asked.json = Some(value().into()),
            "--bench" => {}
            _ => panic!("unknown: {word}"),
        }
    }
    asked.root = asked.root.join("side-by-side");
    asked
}

fn main() {
    let asked = asked();
    fs::create_dir_all(&asked.root).unwrap();
    let root = asked.root.canonicalize().unwrap();
    if !work::drop_caches() {
        println!(
            "SKIPPED: the page cache cannot be dropped (not root), so nothing can be compared"
        );
        return;
    }
    let machine = work::machine(&root);
    println!("{machine}");
    println!(
        "in {}, medians of {} interleaved rounds",
        root.display(),
        asked.rounds
    );
    let mut rows = Vec::new();
    let mut row = |name: &str, measure: &mut dyn FnMut() -> Option<Value>| {
        if asked
            .only
            .as_ref()
            .is_none_or(|o| name.contains(o.as_str()))
            && let Some(found) = measure()
        {
            rows.push(json!({"row": name, "measured": found}));
        }
    };
    for workload in &WORKLOADS {
        let name = format!("disk: {}", workload.name);
        row(&name, &mut || {
            Some(on_disk(&name, workload, &root, asked.rounds))
        });
    }
    for rate in [90.0, 160.0, 260.0, 800.0] {
        for workload in WORKLOADS.iter().filter(|w| w.is_for_cards) {
            let name = format!("card at {rate} MB/s: {}", workload.name);
            row(&name, &mut || {
                throttled(&name, workload, rate, &root, asked.rounds)
            });
        }
    }
    for workload in &WORKLOADS {
        let name = format!("memory: {}", workload.name);
        row(&name, &mut || {
            in_memory(&name, workload, &root, asked.rounds)
        });
    }
    for workload in &WORKLOADS {
        let name = format!("two fast drives: {}", workload.name);
        row(&name, &mut || {
            on_fast_drives(&name, workload, &root, asked.rounds)
        });
    }
    let name = "slow drive: 40 MB/s beside a fast one, 1 GB";
    row(name, &mut || slow_drive(name, &root));
    for workload in WORKLOADS.iter().filter(|w| w.is_for_cards) {
        let name = format!("verify: {}", workload.name);
        row(&name, &mut || {
            Some(verify(&name, workload, &root, asked.rounds))
        });
    }
    let name = "look: clips and stills beside files nobody looks into";
    row(name, &mut || Some(look::look(name, &root, asked.rounds)));
    fs::remove_dir_all(&root).unwrap();
    if let Some(path) = asked.json {
        let all = json!({"machine": machine, "rounds": asked.rounds, "rows": rows});
        fs::write(path, serde_json::to_string_pretty(&all).unwrap()).unwrap();
    }
}

/// Card and both destinations on one disk, against the outside programs and the disk's own limit.
fn on_disk(name: &str, workload: &Workload, root: &Path, rounds: usize) -> Value {
    let card = workload.make(&root.join("card"));
    let mut ours = Vec::new();
    let mut others: Vec<(&str, Vec<f64>)> = outside::all(root);
    let (mut limits, mut bare) = (Vec::new(), Vec::new());
    // The disk's limit is measured with bytes as old as the card's.
    outside::make_source(workload.bytes(), root);
    for round in 0..rounds {
        ours.push(fresh(root, || work::unlade_copy(&card, root)));
        for (program, times) in &mut others {
            // Once is enough for those that take longest.
            if [outside::TEE, outside::RSYNC].contains(program) && round > 0 {
                continue;
            }
            times.push(fresh(root, || outside::run(program, &card, root)));
        }
        limits.push(fresh(root, || {
            outside::direct_passes(workload.bytes(), root)
        }));
        if workload.is_small() {
            bare.push(fresh(root, || outside::bare_calls(&card, root)));
        }
    }
    fs::remove_dir_all(&card).unwrap();
    fs::remove_file(root.join("source")).unwrap();
    let limit = Some(("the disk's own passes", median(limits)));
    let mut value = tell(name, workload, &ours, &others, limit);
    if !bare.is_empty() {
        let bare = median(bare);
        println!("{:52}   the same calls one by one {bare:6.2} s", "");
        value["bare_calls_s"] = json!(bare);
    }
    value
}

/// A card that gives so many MB/s; the destinations on the disk.
fn throttled(name: &str, w: &Workload, rate: f64, root: &Path, rounds: usize) -> Option<Value> {
    if let Some(why) = mount::unavailable() {
        println!("SKIPPED {name}: {why}");
        return None;
    }
    // In memory, so that the card takes nothing of the disk's time.
    let back = w.make(&PathBuf::from("/dev/shm/unlade-bench-card"));
    let at = root.join("card");
    fs::create_dir_all(&at).unwrap();
    let options = Options {
        read_mbps: rate,
        // As with the file systems of real cards: a folder is not looked up again for every file.
        remembered: std::time::Duration::from_secs(60),
        ..Options::default()
    };
    let card = Mount::new(&back, &at, options).unwrap();
    let rounds = rounds.min(3);
    let mut ours = Vec::new();
    // One of the others is enough here: each of them reads the card at least twice.
    let mut others: Vec<(&str, Vec<f64>)> = vec![(outside::CP, Vec::new())];
    for round in 0..rounds {
        ours.push(fresh(root, || work::unlade_copy(card.path(), root)));
        if round == 0 {
            others[0]
                .1
                .push(fresh(root, || outside::run(outside::CP, card.path(), root)));
        }
    }
    drop(card);
    fs::remove_dir(&at).unwrap();
    fs::remove_dir_all(&back).unwrap();
    let limit = work::float(w.bytes()) / (rate * 1e6);
    Some(tell(name, w, &ours, &others, Some(("bytes / rate", limit))))
}

/// Everything in memory: what the processor can do. PROVEN it is not, and need not be.
fn in_memory(name: &str, workload: &Workload, root: &Path, rounds: usize) -> Option<Value> {
    let shm = PathBuf::from("/dev/shm/unlade-bench");
    if !work::fits_in_memory(name, 3 * workload.bytes()) {
        return None;
    }
    let card = workload.make(&shm.join("card"));
    let mut ours = Vec::new();
    let mut others: Vec<(&str, Vec<f64>)> = vec![(outside::CP, Vec::new())];
    for _ in 0..rounds {
        ours.push(fresh(&shm, || work::unlade_copy(&card, &shm)));
        others[0]
            .1
            .push(fresh(&shm, || outside::run(outside::CP, &card, &shm)));
    }
    fs::remove_dir_all(&shm).unwrap();
    let _ = root;
    Some(tell(name, workload, &ours, &others, None))
}

/// A card that is as fast as memory, and two drives with file systems of their own (ext4 on loop
/// devices, their images in memory): what the engine does when nothing outside holds it back. The
/// copies are read back past the cache of these file systems.
fn on_fast_drives(name: &str, w: &Workload, root: &Path, rounds: usize) -> Option<Value> {
    let images = 2 * Drives::room(w);
    if !work::fits_in_memory(name, w.bytes() + images) {
        return None;
    }
    let drives = match Drives::mounted(root, w) {
        Ok(drives) => drives,
        Err(why) => {
            println!("SKIPPED {name}: {why}");
            return None;
        }
    };
    let card = w.make(&PathBuf::from("/dev/shm/unlade-bench-card"));
    let (mut ours, mut verified, mut plain) = (Vec::new(), Vec::new(), Vec::new());
    let mut others: Vec<(&str, Vec<f64>)> =
        vec![(outside::CP, Vec::new()), (outside::ONE, Vec::new())];
    for _ in 0..rounds {
        for (program, times) in &mut others {
            drives.empty();
            times.push(outside::run(program, &card, root));
        }
        drives.empty();
        ours.push(work::unlade_copy(&card, root));
        assert!(work::drop_caches());
        verified.push(work::unlade(&["verify", "a/K", "b/K", "--quiet"], root, &[0]).seconds);
        assert!(work::drop_caches());
        plain.push(outside::direct_reads(&[root.join("a/K"), root.join("b/K")]));
    }
    drop(drives);
    fs::remove_dir_all(&card).unwrap();
    let mut value = tell(name, w, &ours, &others, None);
    let (verified, plain) = (median(verified), median(plain));
    println!(
        "{:52}   verify of both {verified:6.2} s, plain direct reads side by side {plain:6.2} s",
        ""
    );
    value["verify_both_s"] = json!(verified);
    value["direct_reads_s"] = json!(plain);
    Some(value)
}

/// One destination takes 40 MB/s: nobody waits longer than it needs, and memory stays bounded.
fn slow_drive(name: &str, root: &Path) -> Option<Value> {
    if let Some(why) = mount::unavailable() {
        println!("SKIPPED {name}: {why}");
        return None;
    }
    let clip = &WORKLOADS[0];
    let card = clip.make_part(&root.join("card"), 5);
    empty(root);
    fs::create_dir_all(root.join("back-b")).unwrap();
    let options = Options {
        write_mbps: 40.0,
        ..Options::default()
    };
    let slow = Mount::new(&root.join("back-b"), &root.join("b"), options).unwrap();
    assert!(work::drop_caches());
    let ran = work::unlade_copy(&card, root);
    drop(slow);
    let limit = 1_000.0 / 40.0;
    println!(
        "{name:52} unlade {:6.2} s, the slow drive alone needs {limit:.2} s; peak memory {} MB",
        ran.seconds,
        ran.peak_kb / 1_000
    );
    for folder in ["a", "b", "back-b", "card"] {
        fs::remove_dir_all(root.join(folder)).unwrap();
    }
    Some(json!({"unlade_s": ran.seconds, "limit_s": limit, "peak_kb": ran.peak_kb}))
}

/// A later check against a plain direct read of the same bytes.
fn verify(name: &str, workload: &Workload, root: &Path, rounds: usize) -> Value {
    let card = workload.make(&root.join("card"));
    empty(root);
    work::unlade_copy(&card, root);
    let (mut ours, mut plain) = (Vec::new(), Vec::new());
    for _ in 0..rounds {
        assert!(work::drop_caches());
        ours.push(work::unlade(&["verify", "a/K", "--quiet"], root, &[0]).seconds);
        assert!(work::drop_caches());
        plain.push(outside::direct_read(&root.join("a/K")));
    }
    for folder in ["a", "b", "card"] {
        fs::remove_dir_all(root.join(folder)).unwrap();
    }
    let (ours, plain) = (median(ours), median(plain));
    println!(
        "{name:52} unlade {ours:6.2} s   plain direct read {plain:6.2} s   {:.0} % of it",
        100.0 * plain / ours
    );
    json!({"unlade_s": ours, "direct_read_s": plain})
}

/// Empty destinations, an empty cache; then the work. Returns what it returns.
fn fresh<T>(root: &Path, work: impl FnOnce() -> T) -> T {
    empty(root);
    work::sync();
    assert!(work::drop_caches());
    work()
}

/// Makes empty destinations.
///
/// What the run before has left is cut to nothing and put aside, not removed: an ext4 without a
/// journal steps over every inode that was freed within the last minute or five (`recently_deleted`
/// in the kernel's fs/ext4/ialloc.c), and that would be measured, of all programs alike.
fn empty(root: &Path) {
    let aside = root.join("aside");
    fs::create_dir_all(&aside).unwrap();
    for to in ["a", "b"] {
        let folder = root.join(to);
        if folder.exists() {
            let number = fs::read_dir(&aside).unwrap().count();
            let old = aside.join(number.to_string());
            fs::rename(&folder, &old).unwrap();
            for entry in walkdir::WalkDir::new(old) {
                let entry = entry.unwrap();
                if entry.file_type().is_file() {
                    fs::File::create(entry.path()).unwrap();
                }
            }
        }
        fs::create_dir(&folder).unwrap();
    }
}

fn tell(
    name: &str,
    workload: &Workload,
    ours: &[Ran],
    others: &[(&str, Vec<f64>)],
    limit: Option<(&str, f64)>,
) -> Value {
    let wall = median(ours.iter().map(|r| r.seconds).collect());
    let cpu = median(ours.iter().map(|r| r.cpu_s).collect());
    let peak = ours.iter().map(|r| r.peak_kb).max().unwrap_or(0);
    let gb = work::float(workload.bytes()) / 1e9;
    println!(
        "{name:52} unlade {wall:6.2} s, CPU {:.2} s per GB, peak memory {} MB",
        cpu / gb,
        peak / 1_000
    );
    if let Some((what, limit)) = limit {
        println!(
            "{:52}   {what} {limit:6.2} s: {:.1} % of the limit",
            "",
            100.0 * limit / wall
        );
    }
    let mut beside = serde_json::Map::new();
    for (program, times) in others.iter().filter(|(_, t)| !t.is_empty()) {
        let theirs = median(times.clone());
        println!(
            "{:52}   {program} {theirs:6.2} s: ratio {:.2}",
            "",
            theirs / wall
        );
        beside.insert(
            (*program).to_owned(),
            json!({"median_s": theirs, "ratio": theirs / wall}),
        );
    }
    json!({
        "bytes": workload.bytes(), "files": workload.count(), "unlade_s": wall,
            "cpu_s_per_gb": cpu / gb,
        "peak_kb": peak, "limit_s": limit.map(|l| l.1), "beside": beside,
        "all_s": ours.iter().map(|r| r.seconds).collect::<Vec<_>>(),
    })
}

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_unstable_by(f64::total_cmp);
    times[times.len() / 2]
}
