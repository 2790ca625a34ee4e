//! `inspect --deep` judged from outside: what real encoders made is decoded without a hint; with
//! lost bytes in the picture or sound itself it gives one, wherever a decoder of others complains.

#![expect(
    clippy::disallowed_methods,
    reason = "the files are made once, by programs of others, in the build's own folder"
)]

use super::inspect_outside::{files, is_broken, name_of, put};
use crate::support::program::{Work, content, interrupt_after, skip, tell, tool};
use crate::support::sim::Chance;
use crate::support::{at_once, whole_sweeps};
use serde_json::{Value, json};
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::path::Path;
use std::sync::Mutex;
use std::time::Duration;
use unlade::inspect::deep::decode_still;
use unlade::inspect::deep::decoding::Decoding;
use unlade::inspect::kind::FileKind;

/// HEIF, and a TIFF with fewer values of colour than of light.
const NOT_DECODED: [&str; 3] = ["picture.heic", "picture.avif", "frame.tiff"];

/// TIFF of deflate streams, which end in a sum (RFC 1950, 2.2: ADLER32), and of LZW.
const COMPRESSED: [&str; 3] = ["zip.tif", "tiles.tif", "lzw.tif"];

#[test]
fn files_of_real_encoders_decode_without_a_hint() {
    let Some(files) = files() else {
        return;
    };
    let work = Work::new("deep-good");
    work.folder("card");
    for file in files {
        // A name that a program may take for an option.
        let name = format!("-i {}", name_of(file));
        std::fs::copy(file, work.path("card").join(name)).unwrap();
    }
    let ran = work.run("inspect --deep card --json");
    let events = ran.events();
    let told = events.last().unwrap();
    assert_eq!(told["hints"], 0, "{ran}");
    ran.exits(0);
    let odd = files
        .iter()
        .filter(|file| NOT_DECODED.contains(&name_of(file)));
    let odd = odd.count();
    assert_eq!(told["decoded"]["files"], files.len() - odd, "{ran}");
    let form = json!([{"why": "form", "files": odd}]);
    assert_eq!(told["decoded"]["not"], form, "{ran}");
}

/// Bytes that are lost within the picture: another bit, zeros, or what was there before.
fn damaged(bytes: &[u8], round: usize, chance: &mut Chance) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    // Behind the headers, and before the end marker.
    let at = bytes.len() / 4 + chance.below(bytes.len() / 2);
    let length = 1 + chance.below(4_096.min(bytes.len() / 8));
    match round % 3 {
        0 => bytes[at] ^= 1 << chance.below(8),
        1 => bytes[at..at + length].fill(0),
        _ => {
            let other = content(length, u64::try_from(round).unwrap());
            bytes[at..at + length].copy_from_slice(&other);
        }
    }
    bytes
}

/// `djpeg` (libjpeg-turbo) complains of what it fills up; `ImageMagick` of PNG and TIFF (libtiff).
#[test]
fn a_still_that_others_cannot_decode_whole_gives_a_hint() {
    let Some(files) = files() else {
        return;
    };
    let stills = files.iter().filter(|file| {
        let ending = file.extension().unwrap();
        let is_other = ending == "jpg" || ending == "png";
        (is_other || COMPRESSED.contains(&name_of(file))) && name_of(file) != "clipped.jpg"
    });
    let rounds = if whole_sweeps() { 18 } else { 5 };
    let told = Mutex::new((0, 0, Vec::new()));
    at_once(stills.enumerate().collect::<Vec<_>>(), |(number, file)| {
        let (name, whole) = (name_of(file), std::fs::read(file).unwrap());
        let kind = FileKind::by_name(name).unwrap();
        let mut chance = Chance::new(u64::try_from(number).unwrap());
        for round in 0..rounds {
            let bytes = damaged(&whole, round, &mut chance);
            let is_hinted = matches!(decode_still(kind, &bytes), Decoding::Broken(_));
            let is_broken = is_broken(&put(name, &bytes));
            let mut told = told.lock().unwrap();
            match (is_hinted, is_broken) {
                (true, true) => told.0 += 1,
                (true, false) => told.1 += 1,
                (false, true) => told.2.push(format!("{name} {round}")),
                (false, false) => {}
            }
        }
    });
    let (both, alone, missed) = told.into_inner().unwrap();
    let words = format!("{both} both, {alone} here alone, missed: {missed:?}");
    tell(&words);
    assert!(both > 6 * rounds && alone * 4 < both, "{words}");
    assert_eq!(missed, [""; 0]);
}

#[test]
fn a_clip_that_cannot_be_decoded_whole_gives_a_hint() {
    let Some(files) = files() else {
        return;
    };
    let work = Work::new("deep-clips");
    work.folder("card");
    let broken = [
        "h264.mp4",
        "mpeg4.avi",
        "mpeg2.mxf",
        "noise.flac",
        "h264.mts",
    ];
    for name in broken {
        let file = files.iter().find(|file| name_of(file) == name).unwrap();
        let mut bytes = std::fs::read(file).unwrap();
        let (at, lost) = (bytes.len() / 2, 3_000.min(bytes.len() / 4));
        bytes[at..at + lost].copy_from_slice(&content(lost, 7));
        assert!(is_broken(&put(name, &bytes)), "{name}");
        std::fs::write(work.path("card").join(name), &bytes).unwrap();
    }
    // A raw (here a TIFF by another name) and an odd form are counted, and no hint.
    for (from, to) in [
        ("plain.tif", "card/KITE0001.DNG"),
        ("picture.heic", "card/KITE0002.HEIC"),
    ] {
        let file = files.iter().find(|file| name_of(file) == from).unwrap();
        std::fs::copy(file, work.path(to)).unwrap();
    }
    let ran = work.run("inspect --deep card");
    ran.exits(1)
        .says("can't be decoded: ffmpeg says:")
        .says("Decoded 5 of 7 files");
    ran.says("1 file: raws are not decoded. The small picture in a raw is no proof of the raw");
    let events = work.run("inspect --deep card --json").exits(1).events();
    let hints = events.iter().filter(|event| event["event"] == "hint");
    let hints: Vec<&Value> = hints
        .filter(|hint| hint["kind"] == "unreadable-structure")
        .collect();
    assert_eq!(hints.len(), broken.len(), "{hints:?}");
    // Without it, the structure is all that is looked at.
    work.run("inspect card").is_silent_of("Decoded");
}

#[test]
fn without_ffmpeg_clips_are_counted_as_not_decoded() {
    let Some(files) = files() else {
        return;
    };
    let work = Work::new("deep-without");
    work.folder("card");
    for name in ["h264.mp4", "tone.flac", "plasma.jpg"] {
        let folder = files[0].parent().unwrap();
        std::fs::copy(folder.join(name), work.path("card").join(name)).unwrap();
    }
    let mut command = work.command();
    command
        .args(["inspect", "--deep", "card"])
        .env("PATH", "/nowhere");
    let ran = crate::support::program::finish(&mut command);
    ran.exits(0).says("Decoded 1 of 3 files").says(
        "2 files: clips and sound are decoded by ffmpeg, and none is found. Install it and run \
         this again.",
    );
    ran.says("No hints. 3 files looked at, 1 decoded; that is no proof that they play.");
}

/// In its place a program that never ends: Ctrl-C ends both.
#[test]
fn ctrl_c_ends_the_decoder_too() {
    if tool("sh").is_none() {
        skip("a program in the place of ffmpeg needs a shell");
        return;
    }
    let Some(files) = files() else {
        return;
    };
    let work = Work::new("deep-stop");
    for folder in ["card", "bin"] {
        work.folder(folder);
    }
    let clip = files
        .iter()
        .find(|file| name_of(file) == "h264.mp4")
        .unwrap();
    std::fs::copy(clip, work.path("card/C0001.MP4")).unwrap();
    let (script, note) = (work.path("bin/ffmpeg"), work.path("pid"));
    let lines = format!(
        "#!/bin/sh\n[ \"$1\" = -version ] && exit 0\necho $$ > {}\nexec sleep 300\n",
        note.display()
    );
    std::fs::write(&script, lines).unwrap();
    std::fs::set_permissions(&script, std::fs::Permissions::from_mode(0o755)).unwrap();
    symlink(tool("sleep").unwrap(), work.path("bin/sleep")).unwrap();
    let mut command = work.command();
    command
        .args(["inspect", "--deep", "card"])
        .env("PATH", work.path("bin"));
    let (ran, took) = interrupt_after(&mut command, Duration::from_secs(2));
    ran.exits(130);
    assert!(took < Duration::from_secs(20), "{took:?}");
    let pid = std::fs::read_to_string(note).unwrap();
    let gone = !Path::new("/proc").join(pid.trim()).exists();
    assert!(gone, "the decoder {pid} goes on");
}
