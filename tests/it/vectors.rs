//! BLAKE3 against its published test vectors, in the library and through a whole copy.

use crate::support::program::{Card, Work, manifest};
use std::collections::BTreeMap;
use unlade::digest::Digest;

/// The rows of BLAKE3-team/BLAKE3 `test_vectors/test_vectors.json`; see the file's first line.
const VECTORS: &str = include_str!("../../fixtures/vectors.csv");

struct Vector {
    input: Vec<u8>,
    hex: &'static str,
}

/// The input of the published vectors: byte i is i mod 251.
fn counted_bytes(n: usize) -> Vec<u8> {
    (0..=250).cycle().take(n).collect()
}

fn vectors() -> Vec<Vector> {
    VECTORS
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            let [alg, kind, input, _seed, hex] = fields.as_slice() else {
                panic!("{line}");
            };
            assert_eq!(*alg, "blake3", "{line}");
            let input = match *kind {
                "mod251" => counted_bytes(input.parse().unwrap()),
                "text" => input.as_bytes().to_vec(),
                _ => panic!("{line}"),
            };
            Vector { input, hex }
        })
        .collect()
}

#[test]
fn the_library_hashes_as_published() {
    let vectors = vectors();
    assert_eq!(vectors.len(), 13);
    for vector in vectors {
        let digest = Digest::of(&vector.input);
        assert_eq!(digest.to_string(), vector.hex, "{}", vector.input.len());
        assert_eq!(Digest::parse(vector.hex), Some(digest));
    }
}

/// The borders are those of BLAKE3's tree: a chunk is 1,024 bytes, 2,049 is the first tree of two
/// levels (BLAKE3 specification, section 2.1).
#[cfg_attr(windows, ignore = "Wine reaches no device, so nothing is PROVEN")]
#[test]
fn a_copy_hashes_as_published() {
    let sizes = [0, 1, 1_023, 1_024, 1_025, 2_048, 2_049, 102_400];
    let work = Work::new("vectors");
    work.folder("a");
    let mut card = Card::new(&work.path("card"));
    for bytes in sizes {
        card = card.holding(format!("V{bytes:06}.BIN"), &counted_bytes(bytes));
    }
    work.run("copy card --to a --name V --copies 1").exits(0);

    let manifest = manifest(&work.path("a/V"));
    let recorded: BTreeMap<&str, &str> = manifest["files"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| (f["path"].as_str().unwrap(), f["blake3"].as_str().unwrap()))
        .collect();
    let published = vectors();
    for bytes in sizes {
        let vector = published.iter().find(|v| v.input.len() == bytes).unwrap();
        let path = format!("V{bytes:06}.BIN");
        assert_eq!(recorded.get(path.as_str()), Some(&vector.hex), "{bytes}");
    }
    assert_eq!(recorded.len(), sizes.len());
}
