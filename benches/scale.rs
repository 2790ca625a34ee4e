//! What the number of files costs: plan, copy, manifest and check of 1,000 to 500,000 tiny files,
//! and a plan of one 200 GB sparse file. Prints seconds and peak memory; cost against size should
//! be a straight line.
//!
//! Run by hand on an idle machine: `cargo bench --bench scale -- [DIR] [LARGEST]` (default: the
//! build's folder, 500,000). Needs some 2 million inodes and 8 GB of room for the largest row.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a measurement that cannot go on has failed; it prints and times by hand"
)]

#[path = "side_by_side/work.rs"]
#[allow(dead_code, reason = "the other bench uses more of it")]
mod work;

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use work::{Ran, unlade};

const SIZES: [u64; 4] = [1_000, 10_000, 100_000, 500_000];
/// Bytes of each file: enough to have a cluster of its own, no more.
const BYTES: usize = 100;

fn main() {
    let mut words = std::env::args().skip(1).filter(|a| !a.starts_with("--"));
    let root = words
        .next()
        .map_or_else(|| PathBuf::from(env!("CARGO_TARGET_TMPDIR")), PathBuf::from)
        .join("scale");
    let largest: u64 = words.next().map_or(500_000, |n| n.parse().unwrap());
    fs::create_dir_all(&root).unwrap();
    println!("{}", work::machine(&root));
    for files in SIZES.into_iter().filter(|n| *n <= largest) {
        measure(files, &root);
    }
    sparse(&root);
    fs::remove_dir_all(&root).unwrap();
}

fn measure(files: u64, root: &Path) {
    let card = root.join("card");
    for n in 0..files {
        let folder = card.join(format!("DCIM/{}KITES", 100 + n / 10_000));
        if n % 10_000 == 0 {
            fs::create_dir_all(&folder).unwrap();
        }
        let mut file = fs::File::create(folder.join(format!("KITE{n:07}.JPG"))).unwrap();
        file.write_all(&n.to_le_bytes().repeat(BYTES / 8)).unwrap();
    }
    for to in ["a", "b"] {
        fs::create_dir(root.join(to)).unwrap();
    }
    work::sync();
    let copy = [
        "copy",
        "card",
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
    let mut plan = copy;
    plan[0] = "plan";
    let rows = [
        ("plan", &plan[..]),
        ("copy", &copy[..]),
        ("copy again", &copy[..]),
        (
            "prove",
            &[
                "prove",
                "card",
                "--on",
                "a",
                "--copies",
                "1",
                "--quiet",
                "--no-ledger",
            ],
        ),
        ("verify", &["verify", "a/K", "--quiet"]),
    ];
    for (name, arguments) in rows {
        tell(files, name, &unlade(arguments, root, &[0]));
    }
    let manifest = fs::metadata(root.join("a/K/_unlade/manifest.json"))
        .unwrap()
        .len();
    println!("{files:>9} files  manifest    {manifest} bytes");
    for folder in ["card", "a", "b"] {
        fs::remove_dir_all(root.join(folder)).unwrap();
    }
}

fn sparse(root: &Path) {
    let card = root.join("card");
    fs::create_dir_all(card.join("PRIVATE/CLIPS")).unwrap();
    fs::create_dir(root.join("a")).unwrap();
    let file = fs::File::create(card.join("PRIVATE/CLIPS/C0001.MP4")).unwrap();
    file.set_len(200_000_000_000).unwrap();
    // Refused where there is no room for it: that is a plan too.
    let ran = unlade(&["plan", "card", "--to", "a", "--quiet"], root, &[0, 3]);
    println!(
        "200 GB in one sparse file: plan {:.2} s, peak memory {} MB",
        ran.seconds,
        ran.peak_kb / 1_000
    );
}

fn tell(files: u64, name: &str, ran: &Ran) {
    println!(
        "{files:>9} files  {name:10} {:8.2} s  {:7.1} us a file  CPU {:6.2} s  peak memory {:4} MB",
        ran.seconds,
        ran.seconds * 1e6 / work::float(files),
        ran.cpu_s,
        ran.peak_kb / 1_000
    );
}
