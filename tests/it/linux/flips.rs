//! Bits, flipped one at a time at random places of an offload, records included: `verify` finds
//! every one and names the file that it is in. 10,000 of them, and 3,000 of a bag, where sweeps run
//! whole; else the first of these.

use crate::support::job::{job, tools};
use crate::support::sim::{Chance, Image, Sim, SimClock};
use crate::support::{bag, whole_sweeps};
use crate::truth;
use camino::Utf8PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use unlade::disk::Stamp;
use unlade::disk::progress::Progress;
use unlade::event::Silent;
use unlade::hash_algorithm::Also;
use unlade::record::layout::Layout;
use unlade::record::signature::Signer;
use unlade::report::page::page;
use unlade::run::{self, Job};
use unlade::verify::{VerifyError, path_of, verify};

const FLIPS: u64 = 10_000;
const FLIPS_OF_A_BAG: u64 = 3_000;
/// Of so many only one is looked at where sweeps do not run whole.
const SHARE: u64 = 100;
const SEED: u64 = 20_261_125;
const ROOT: &str = "/a/KITES";

fn stamp(second: i64) -> Stamp {
    Stamp {
        seconds: 1_795_600_000 + second,
        nanos: 0,
    }
}

fn copy(sim: &Sim) {
    let tools = tools(sim.clone());
    let key = include_bytes!("../../../fixtures/keys/tests_only_ed25519");
    let signer = Signer::from_bytes(key).unwrap();
    let job = Job {
        signer: Some(Arc::new(signer)),
        form: unlade::plan::Form {
            also: [Also::Md5, Also::Xxh3].into_iter().collect(),
            layout: Some(sim.layout()),
            ..unlade::plan::Form::default()
        },
        ..job("/card", &["/a", "/b"])
    };
    let plan = run::prepare(&job, &tools, &mut Silent).expect("a plan");
    let proof = truth::offload(sim, plan, &tools, &mut Silent).expect("a proof");
    assert!(proof.verdict().is_proven(), "{:?}", proof.problems());
    sim.reboot();
}

/// An offload of two runs: the second added files, and one of the first left the card, so that the
/// records of the first run are still needed.
fn offload(layout: Layout) -> Sim {
    let sim = Sim::default();
    if layout == Layout::Bag {
        sim.keep_bags();
    }
    let mut chance = Chance::new(SEED);
    let files = [
        ("DCIM/100KITES/KITE0001.JPG", 3_000),
        ("DCIM/100KITES/KITE0002.JPG", 1),
        ("DCIM/100KITES/\u{98a8}.JPG", 700),
        ("DCIM/100KITES/back\\slash.TXT", 90),
        ("PRIVATE/CLIPS/C0001.MP4", 9_000),
    ]
    .map(|(path, bytes)| (path, chance.bytes(bytes), stamp(0)));
    sim.add_card(
        "/card",
        &files,
        &["DCIM", "DCIM/100KITES", "PRIVATE", "PRIVATE/CLIPS"],
    );
    for drive in ["/a", "/b"] {
        sim.add_volume(drive, "ext4", 1 << 30);
    }
    copy(&sim);
    sim.take_file("/card/DCIM/100KITES/KITE0001.JPG");
    sim.put_file(
        "/card/DCIM/100KITES/KITE0003.JPG",
        &chance.bytes(2_000),
        stamp(9),
    );
    copy(&sim);
    sim
}

fn check(sim: &Sim) -> Result<Vec<String>, VerifyError> {
    let root = Utf8PathBuf::from(ROOT);
    let found = verify(sim, &SimClock::on_day(9), &root, &Progress::default(), page)?;
    assert_eq!(found.is_clean(), found.findings.is_empty());
    Ok(found
        .findings
        .iter()
        .map(|f| path_of(f).to_owned())
        .collect())
}

/// What `verify` must say of a flip in this file: a damaged manifest cannot be gone by at all.
fn is_found(layout: Layout, path: &str, said: &Result<Vec<String>, VerifyError>) -> bool {
    match (path, said) {
        // Of a hash that does not fit nobody can say which of the two was flipped.
        ("tagmanifest-sha256.txt", Ok(found)) => found.len() == 1 && !found[0].starts_with("data/"),
        ("_unlade/earlier-1/tagmanifest-sha256.txt", Ok(found)) => {
            found.len() == 1 && found[0].starts_with("_unlade/earlier-1/")
        }
        ("_unlade/manifest.json" | "_unlade/manifest.json.b3", said) => {
            matches!(said, Err(VerifyError::Manifest(_)))
        }
        // Told as the manifest that does not fit; what only it vouched for is then a stranger.
        ("_unlade/earlier-1/manifest.json" | "_unlade/earlier-1/manifest.json.b3", Ok(found)) => {
            let mut expected = [
                layout.outside("DCIM/100KITES/KITE0001.JPG"),
                "_unlade/earlier-1/manifest.json".to_owned(),
            ];
            expected.sort();
            found == &expected
        }
        (path, Ok(found)) => found == &[path],
        (_, Err(_)) => false,
    }
}

#[test]
fn every_flipped_bit_is_found() {
    flip_and_look(Layout::Plain, FLIPS);
}

#[test]
fn every_flipped_bit_of_a_bag_is_found() {
    flip_and_look(Layout::Bag, FLIPS_OF_A_BAG);
}

fn flip_and_look(layout: Layout, all: u64) {
    let flips = if whole_sweeps() { all } else { all / SHARE };
    let sim = offload(layout);
    let files: Vec<(String, usize)> = sim
        .files(ROOT, Image::Durable)
        .into_iter()
        .map(|(path, bytes)| (path, bytes.len()))
        .collect();
    let names: Vec<&str> = files.iter().map(|(path, _)| path.as_str()).collect();
    for record in [
        "checksums.b3",
        "checksums.md5",
        "checksums.xxh3",
        "manifest.json",
        "manifest.json.b3",
        "manifest.json.sig",
        "report.html",
    ] {
        for folder in ["_unlade", "_unlade/earlier-1"] {
            let path = format!("{folder}/{record}");
            assert!(names.contains(&path.as_str()), "{path} in {names:?}");
        }
    }
    let tags = names
        .iter()
        .filter(|n| bag::TAGS.contains(&n.rsplit('/').next().unwrap_or(n)))
        .count();
    let expected = if layout == Layout::Bag {
        2 * bag::TAGS.len()
    } else {
        0
    };
    assert_eq!(tags, expected, "{names:?}");
    assert_eq!(check(&sim).expect("a sound offload"), [""; 0]);
    let total: usize = files.iter().map(|f| f.1).sum();
    let (next, missed) = (AtomicU64::new(0), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..4 {
            let sim = sim.fork();
            let (files, next, missed) = (&files, &next, &missed);
            scope.spawn(move || {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    if n >= flips {
                        return;
                    }
                    let mut chance = Chance::new(SEED + n);
                    // Half of them anywhere by size, half in any file alike: small ones count too.
                    let (path, at) = if chance.coin() {
                        anywhere(files, chance.below(total))
                    } else {
                        let (path, bytes) = &files[chance.below(files.len())];
                        (path.as_str(), chance.below(*bytes))
                    };
                    let bit = u32::try_from(chance.below(8)).unwrap();
                    let full = format!("{ROOT}/{path}");
                    sim.rot_bit(&full, at, bit);
                    let said = check(&sim);
                    if !is_found(layout, path, &said) {
                        missed.lock().unwrap().push(format!(
                            "seed {}: bit {bit} of byte {at} of {path}: {said:?}",
                            SEED + n
                        ));
                    }
                    sim.rot_bit(&full, at, bit);
                }
            });
        }
    });
    let missed = missed.into_inner().unwrap();
    assert!(
        missed.is_empty(),
        "{} missed: {:#?}",
        missed.len(),
        &missed[..missed.len().min(10)]
    );
    assert_eq!(check(&sim).expect("sound again"), [""; 0]);
}

fn anywhere(files: &[(String, usize)], mut at: usize) -> (&str, usize) {
    for (path, bytes) in files {
        if at < *bytes {
            return (path, at);
        }
        at -= bytes;
    }
    unreachable!("below the total")
}
