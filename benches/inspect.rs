//! What the look at the structure of a file costs beside the hash of its bytes, piece by piece as
//! the engine has them. Prints both for some kinds of files and the share of the look.
//!
//! Run by hand on an idle machine: `cargo bench --bench inspect`. Needs 600 MB of memory.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a measurement that cannot go on has failed; it prints and times by hand"
)]

#[path = "side_by_side/media.rs"]
mod media;

use media::{clip, jpeg, noise};
use std::time::{Duration, Instant};
use unlade::inspect::Inspector;
use unlade::units::{GB, float, len64};

/// Bytes of a piece: a buffer of the engine.
const PIECE: usize = 2 << 20;
const ROUNDS: usize = 9;

/// A PNG with chunks of 8 kB, the smallest that are usual.
fn png(bytes: usize) -> Vec<u8> {
    let mut out =
        b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR\0\0\x10\0\0\0\x10\0\x08\x02\0\0\0\0\0\0\0".to_vec();
    for piece in noise(bytes).chunks(8_192) {
        out.extend_from_slice(&u32::try_from(piece.len()).unwrap().to_be_bytes());
        out.extend_from_slice(b"IDAT");
        out.extend_from_slice(piece);
        out.extend_from_slice(&[0; 4]);
    }
    out.extend_from_slice(b"\0\0\0\0IEND\0\0\0\0");
    out
}

/// An MXF of frames with a picture of 200 kB and eight pieces of sound of 6 kB.
fn mxf(bytes: usize) -> Vec<u8> {
    let item = |key: [u8; 16], value: &[u8]| {
        let length = u32::try_from(value.len()).unwrap().to_be_bytes();
        [&key[..], &[0x83], &length[1..], value].concat()
    };
    let header = [6, 14, 43, 52, 2, 5, 1, 1, 13, 1, 2, 1, 1, 2, 4, 0];
    let element = |kind| [6, 14, 43, 52, 1, 2, 1, 1, 13, 1, 3, 1, kind, 1, 5, 1];
    let mut out = item(header, &[0; 88]);
    for frame in noise(bytes).chunks_exact(248_000) {
        let (picture, sound) = frame.split_at(200_000);
        out.extend_from_slice(&item(element(0x15), picture));
        for piece in sound.chunks(6_000) {
            out.extend_from_slice(&item(element(0x16), piece));
        }
    }
    out
}

/// Hashes some files and looks at them, and returns the time of each.
fn both(name: &str, file: &[u8], files: usize) -> (Duration, Duration) {
    let (mut hashed, mut looked) = (Duration::ZERO, Duration::ZERO);
    for _ in 0..files {
        let mut sum = blake3::Hasher::new();
        let start = Instant::now();
        let mut look = Inspector::new(name, len64(file.len())).unwrap();
        looked += start.elapsed();
        for piece in file.chunks(PIECE) {
            let start = Instant::now();
            sum.update(piece);
            let between = Instant::now();
            look.feed(piece);
            looked += between.elapsed();
            hashed += between - start;
        }
        let start = Instant::now();
        std::hint::black_box(sum.finalize());
        let between = Instant::now();
        assert_eq!(look.finish().unwrap().hints, [], "{name}");
        looked += between.elapsed();
        hashed += between - start;
    }
    (hashed, looked)
}

fn main() {
    println!("the least of {ROUNDS} rounds, seconds a GB");
    for (name, file, files) in [
        ("clip of 400 MB.MP4", clip(400_000_000), 1),
        ("clip of 400 MB.MXF", mxf(400_000_000), 1),
        ("still of 12 MB.JPG", jpeg(12_000_000), 30),
        ("still of 3 MB.JPG", jpeg(3_000_000), 100),
        ("still of 12 MB.PNG", png(12_000_000), 30),
    ] {
        let rounds: Vec<_> = (0..ROUNDS).map(|_| both(name, &file, files)).collect();
        // What else the machine does only adds.
        let hashed = rounds.iter().map(|round| round.0).min().unwrap();
        let looked = rounds.iter().map(|round| round.1).min().unwrap();
        let gigabytes = float(len64(file.len() * files)) / float(GB);
        let share = looked.as_secs_f64() / hashed.as_secs_f64() * 100.0;
        println!(
            "{name:20} BLAKE3 {:.3} s, look {:.4} s: {share:.2} %",
            hashed.as_secs_f64() / gigabytes,
            looked.as_secs_f64() / gigabytes,
        );
    }
}
