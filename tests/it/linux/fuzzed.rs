//! Feeds the kept corpus of the fuzz targets (`fuzz/`) to the properties that the targets assert,
//! and every file of it once more, cut and with a byte changed at places all over it.

use crate::support::whole_sweeps;
use std::path::Path;

#[path = "../../../fuzz/properties.rs"]
mod properties;

fn corpus(target: &str) -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/fuzz")
        .join(target);
    let mut inputs: Vec<_> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|entry| {
            let path = entry.unwrap().path();
            (path.display().to_string(), std::fs::read(&path).unwrap())
        })
        .collect();
    inputs.sort();
    assert!(inputs.len() > 1, "{}", folder.display());
    inputs
}

fn replay(target: &str, property: fn(&[u8])) {
    for (name, bytes) in corpus(target) {
        let run = |what: &str, bytes: &[u8]| {
            let outcome = std::panic::catch_unwind(|| property(bytes));
            assert!(outcome.is_ok(), "{name}, {what}");
        };
        run("as it is", &bytes);
        let places = if whole_sweeps() { 400 } else { 40 };
        let step = (bytes.len() / places).max(1);
        for at in (0..bytes.len()).step_by(step) {
            run(&format!("cut at {at}"), &bytes[..at]);
            let mut changed = bytes.clone();
            changed[at] = changed[at].wrapping_mul(31).wrapping_add(7);
            run(&format!("changed at {at}"), &changed);
        }
    }
}

#[test]
fn the_manifest_reader_keeps_its_word() {
    replay("manifest", properties::manifest);
    let sound = corpus("manifest");
    let accepted = |(_, bytes): &&(String, Vec<u8>)| {
        unlade::record::manifest::Manifest::from_bytes(bytes).is_ok()
    };
    assert!(
        sound.iter().filter(accepted).count() > 1,
        "the corpus holds sound manifests"
    );
}

#[test]
fn the_reader_of_bags_keeps_its_word() {
    replay("bag", properties::bag);
    let sound = corpus("bag");
    let accepted = |(_, bytes): &&(String, Vec<u8>)| {
        unlade::record::bag::read_manifest(bytes).is_ok_and(|sums| !sums.is_empty())
    };
    assert_eq!(sound.iter().filter(accepted).count(), 2);
}

#[test]
fn the_journal_reader_keeps_its_word() {
    replay("journal", properties::journal);
    let accepted = |(_, bytes): &&(String, Vec<u8>)| {
        unlade::record::journal::read(bytes, &|_| true)
            .is_ok_and(|r| r.is_some_and(|r| !r.proven.is_empty()))
    };
    assert!(corpus("journal").iter().any(|input| accepted(&input)));
}

#[test]
fn the_reader_of_checksum_lists_keeps_its_word() {
    replay("checksums", properties::checksums);
}

#[test]
fn paths_and_names_keep_their_word() {
    replay("paths", properties::paths);
}

#[test]
fn the_kit_reader_keeps_its_word() {
    replay("kit", properties::kit);
    let is_sound = |bytes: &[u8]| {
        std::str::from_utf8(bytes)
            .is_ok_and(|text| unlade::kit::text::read(text).is_ok_and(|kit| !kit.cards.is_empty()))
    };
    assert!(corpus("kit").iter().any(|(_, bytes)| is_sound(bytes)));
}

#[test]
fn the_ledger_reader_keeps_its_word() {
    replay("ledger", properties::ledger);
    let taken = |bytes: &[u8]| unlade::ledger::Ledger::from_text(bytes).entries.len();
    assert!(corpus("ledger").iter().any(|(_, bytes)| taken(bytes) > 1));
}

#[test]
fn the_look_at_a_file_keeps_its_word() {
    replay("inspect", properties::inspect);
}

#[test]
fn the_reader_of_the_list_beside_a_salvaged_file_keeps_its_word() {
    replay("salvaged", properties::salvaged);
    let path = "KITE0412.salvaged.JPG.json";
    let read = |(_, bytes): &&(String, Vec<u8>)| {
        unlade::record::salvage::SalvageList::read(path, bytes).is_some()
    };
    assert_eq!(corpus("salvaged").iter().filter(read).count(), 2);
}

#[test]
fn the_decoders_of_stills_keep_their_word() {
    replay("deep", properties::deep);
}

/// Small files of real encoders with a few bytes changed, taken out and put in by chance.
fn with_chance(target: &str, property: fn(&[u8]), rounds: usize) {
    let files = corpus(target);
    let mut chance = crate::support::sim::Chance::new(18);
    for round in 0..rounds {
        let (name, file) = &files[chance.below(files.len())];
        let changed = changed(file, &mut chance);
        let outcome = std::panic::catch_unwind(|| property(&changed));
        assert!(outcome.is_ok(), "{name}, round {round}");
    }
}

fn changed(file: &[u8], chance: &mut crate::support::sim::Chance) -> Vec<u8> {
    let mut changed = file.to_vec();
    for _ in 0..=chance.below(4) {
        let at = 1 + chance.below(changed.len() - 1);
        match chance.below(4) {
            0 => changed.truncate(at + 1),
            1 => changed[at] = [0, 0xff, 0x80, 1][chance.below(4)],
            2 => changed[at] ^= 1 << chance.below(8),
            _ => {
                let end = (at + 1 + chance.below(64)).min(changed.len());
                let piece = changed[at..end].to_vec();
                let to = 1 + chance.below(changed.len() - 1);
                changed.splice(to..to, piece);
            }
        }
    }
    changed
}

#[test]
fn readers_of_media_keep_their_word_whatever_happens_to_the_file() {
    let rounds = if whole_sweeps() { 20_000 } else { 2_000 };
    with_chance("inspect", properties::inspect, rounds);
    with_chance("deep", properties::deep, rounds / 4);
}

#[test]
fn the_readers_of_records_of_others_keep_their_word() {
    replay("lists", properties::lists);
    replay("tags", properties::tags);
    replay("mhl", properties::mhl);
    let generations = corpus("mhl");
    let accepted = |(_, bytes): &&(String, Vec<u8>)| {
        let text = std::str::from_utf8(bytes).unwrap();
        unlade::record::others::mhl::Generation::parse(text).is_ok()
    };
    assert_eq!(generations.iter().filter(accepted).count(), 2);
}
