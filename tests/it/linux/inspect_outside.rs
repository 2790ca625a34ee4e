//! The look at the structure of a file judged from outside: files that real encoders made
//! (`FFmpeg`, `ImageMagick`, libheif) give no hint; cut anywhere or with a hole they do, and where
//! they don't, a decoder of others has to find nothing wrong either.

#![expect(
    clippy::disallowed_methods,
    reason = "the files are made once, by programs of others, in the build's own folder"
)]

use crate::support::program::{finish, skip, tell, tool};
use crate::support::sim::Chance;
use crate::support::{at_once, whole_sweeps};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, OnceLock};
use unlade::inspect::{Inspected, Inspector};

/// Pictures and sound that are made first, because others are made of them.
const FIRST: &str = "
plasma.jpg convert -size 1200x800 -seed 1 plasma:fractal -quality 92
thumb.jpg convert -size 160x120 -seed 2 plasma:fractal -quality 80
";

/// The other files: `@V` and `@A` are a moving test picture and a tone, `@S` is silence, `@B` a
/// black picture, `@P` the picture above, `@H` an encoder, `@C` a constant rate, `@O` the file
/// where it is not last.
const THEN: &str = "
h264.mp4 ffmpeg @V @A @H -c:a aac
fast.mp4 ffmpeg @V @A @H -c:a aac -movflags +faststart
fragments.mp4 ffmpeg @V @A @H -c:a aac -movflags frag_keyframe+empty_moov
h265.mp4 ffmpeg @V -c:v libx265 -preset ultrafast -x265-params log-level=none -tag:v hvc1
filler.mp4 ffmpeg @B @H @C -x264-params nal-hrd=cbr:filler=1
mpeg4.m4v ffmpeg @V -c:v mpeg4 -q:v 3 -f mp4
h264.3gp ffmpeg @V @H
prores.mov ffmpeg @V @A -c:v prores_ks -c:a pcm_s16le
mjpeg.mov ffmpeg @V @S -c:v mjpeg -q:v 3 -c:a pcm_s24le
dnx.mov ffmpeg @B -c:v dnxhd -b:v 120M -s 1920x1080 -pix_fmt yuv422p
h264.mov ffmpeg @V @S @H -c:a pcm_s16le
h264.mts ffmpeg @V @A @H -c:a ac3 -f mpegts -mpegts_m2ts_mode 1
mpeg2.m2ts ffmpeg @V -c:v mpeg2video -q:v 3 -f mpegts -mpegts_m2ts_mode 1
mpeg4.avi ffmpeg @V @A -c:v mpeg4 -c:a libmp3lame
mjpeg.avi ffmpeg @V @S -c:v mjpeg -q:v 3 -c:a pcm_s16le
plain.avi ffmpeg @B -c:v rawvideo -pix_fmt yuv420p -s 160x120
h264.avi ffmpeg @V @H
mpeg2.mxf ffmpeg @V @A -c:v mpeg2video -b:v 8M -c:a pcm_s16le
dnx.mxf ffmpeg @B -c:v dnxhd -b:v 120M -s 1920x1080 -pix_fmt yuv422p
atom.mxf ffmpeg @V -c:v dnxhd -b:v 120M -s 1920x1080 -pix_fmt yuv422p -f mxf_opatom
silent.mxf ffmpeg @V @S -c:v mpeg2video -q:v 3 -c:a pcm_s24le
tone.wav ffmpeg @A -c:a pcm_s16le
tone24.wav ffmpeg @A -c:a pcm_s24le -write_bext 1
large.wav ffmpeg @A -c:a pcm_s24le -rf64 always
silence.wav ffmpeg @S -c:a pcm_s16le
tone.flac ffmpeg @A -c:a flac
silence.flac ffmpeg @S -c:a flac
noise.flac ffmpeg -f lavfi -i anoisesrc=d=3:a=0.3 -c:a flac
tone.mp3 ffmpeg @A -c:a libmp3lame
noise.mp3 ffmpeg -f lavfi -i anoisesrc=d=3:a=0.3 -c:a libmp3lame -b:a 256k
bare.mp3 ffmpeg @A -c:a libmp3lame -write_xing 0 -id3v2_version 0
tone.m4a ffmpeg @A -c:a aac
frame.jpg ffmpeg @V -frames:v 1 -q:v 2
progressive.jpg convert @P -interlace JPEG -quality 92
restart.jpg jpegtran -restart 8B -outfile @O @P
grey.jpg convert @P -colorspace Gray -quality 95
black.jpg convert -size 3000x2000 xc:black -quality 90 -define jpeg:optimize-coding=false
clipped.jpg convert -size 6000x4000 xc:white -quality 90
picture.png convert @P
interlaced.png convert @P -interlace PNG
colour.png convert -size 6000x4000 xc:orange
frame.png ffmpeg @V -frames:v 1
plain.tif convert @P -compress none
lzw.tif convert @P -compress lzw
zip.tif convert @P -compress zip -define tiff:predictor=2
tiles.tif convert @P -compress zip -define tiff:tile-geometry=256x256
big-endian.tif convert @P -compress none -endian MSB
black.tif convert -size 1500x1000 xc:black -compress none
frame.tiff ffmpeg @V -frames:v 1
picture.heic heif-enc -q 60 @P -o
picture.avif heif-enc -A -q 60 -p speed=8 @P -o
";

/// Files in which nothing says where the end should be: no encoder's tag; a scan of zeros.
const ENDLESS: [&str; 2] = ["bare.mp3", "clipped.jpg"];

/// Sound without compression among these: only longer silence means something.
const SILENT: [&str; 4] = ["prores.mov", "mjpeg.mov", "h264.mov", "mjpeg.avi"];

/// What is stored in these is not compressed: a run of one value means nothing.
const PLAIN: [&str; 9] = [
    "tone.wav",
    "tone24.wav",
    "large.wav",
    "silence.wav",
    "plain.avi",
    "plain.tif",
    "big-endian.tif",
    "black.tif",
    "frame.tiff",
];

const TOOLS: [&str; 6] = [
    "ffmpeg", "convert", "heif-enc", "exiftool", "djpeg", "jpegtran",
];

/// Runs a program of others: whether it was content, and what it complained of.
fn run(program: &str, args: &[&str]) -> (bool, String) {
    let ran = finish(Command::new(program).args(args));
    (ran.code == 0, ran.err)
}

/// Makes one file by its line.
fn make(folder: &Path, line: &str) {
    let (name, line) = line.split_once(' ').unwrap();
    let (program, line) = line.split_once(' ').unwrap();
    let picture = folder.join("plasma.jpg").display().to_string();
    let line = line
        .replace("@V", "-f lavfi -i testsrc2=size=640x360:rate=25:duration=2")
        .replace(
            "@B",
            "-f lavfi -i color=black:size=640x360:rate=25:duration=2",
        )
        .replace(
            "@A",
            "-f lavfi -i sine=frequency=440:sample_rate=48000:duration=2",
        )
        .replace("@S", "-f lavfi -i anullsrc=r=48000:cl=stereo -t 2")
        .replace("@H", "-c:v libx264 -preset ultrafast")
        .replace("@C", "-b:v 8M -minrate 8M -maxrate 8M -bufsize 2M")
        .replace("@P", &picture);
    let file = folder.join(name).display().to_string();
    let is_last = !line.contains("@O");
    let line = line.replace("@O", &file);
    let mut args: Vec<&str> = line.split(' ').collect();
    if program == "ffmpeg" {
        args.splice(0..0, ["-hide_banner", "-loglevel", "error", "-y"]);
    }
    args.extend(is_last.then_some(file.as_str()));
    let (is_made, words) = run(program, &args);
    assert!(is_made, "{name}: {words}");
}

fn lines(recipe: &str) -> impl Iterator<Item = &str> {
    recipe.lines().filter(|line| !line.is_empty())
}

/// The files, made once for each form of the recipes; `None` where the programs are not there.
pub(super) fn files() -> Option<&'static [PathBuf]> {
    static FILES: OnceLock<Option<Vec<PathBuf>>> = OnceLock::new();
    let made = FILES.get_or_init(|| {
        if let Some(missing) = TOOLS.iter().find(|name| tool(name).is_none()) {
            skip(&format!(
                "the look at files of real encoders needs {missing}"
            ));
            return None;
        }
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("inspect-files");
        let (stamp, recipe) = (folder.join("recipe"), [FIRST, THEN].concat());
        if std::fs::read_to_string(&stamp).ok().as_deref() != Some(recipe.as_str()) {
            std::fs::create_dir_all(&folder).unwrap();
            at_once(lines(FIRST), |line| make(&folder, line));
            at_once(lines(THEN), |line| make(&folder, line));
            with_exif(&folder);
            std::fs::write(&stamp, &recipe).unwrap();
        }
        let names = lines(THEN).map(|line| line.split(' ').next().unwrap());
        let names = names.chain(["exif.jpg", "exif.tif", "exif.png"]);
        Some(names.map(|name| folder.join(name)).collect())
    });
    made.as_deref()
}

/// What `ExifTool` adds to files of others.
fn with_exif(folder: &Path) {
    let thumbnail = format!("-ThumbnailImage<={}", folder.join("thumb.jpg").display());
    for (from, to) in [
        ("plasma.jpg", "exif.jpg"),
        ("lzw.tif", "exif.tif"),
        ("picture.png", "exif.png"),
    ] {
        let to = folder.join(to);
        std::fs::copy(folder.join(from), &to).unwrap();
        let to = to.display().to_string();
        let taken = "-DateTimeOriginal=2026:11:25 18:30:05";
        let mut args = vec![
            "-q",
            "-overwrite_original",
            "-Make=KiteWorks",
            "-Model=Kite 7",
            taken,
        ];
        if from == "plasma.jpg" {
            args.push(&thumbnail);
        }
        args.push(&to);
        let (is_made, words) = run("exiftool", &args);
        assert!(is_made, "{words}");
    }
}

pub(super) fn name_of(path: &Path) -> &str {
    path.file_name().unwrap().to_str().unwrap()
}

/// Looks at bytes that come in pieces as those of a card do.
fn look(name: &str, bytes: &[u8]) -> Option<Inspected> {
    let mut look = Inspector::new(name, u64::try_from(bytes.len()).unwrap()).unwrap();
    bytes.chunks(1 << 20).for_each(|piece| look.feed(piece));
    look.finish()
}

fn hints(name: &str, bytes: &[u8]) -> Vec<String> {
    let seen = look(name, bytes).map(|seen| seen.hints).unwrap_or_default();
    seen.iter()
        .map(|hint| format!("{}: {}", hint.kind().id(), hint.seen()))
        .collect()
}

#[test]
fn files_of_real_encoders_give_no_hint() {
    let Some(files) = files() else {
        return;
    };
    let kinds: std::collections::BTreeSet<_> =
        files.iter().map(|f| f.extension().unwrap()).collect();
    assert!(
        files.len() >= 40 && kinds.len() >= 12,
        "{} of {kinds:?}",
        files.len()
    );
    for file in files {
        let (name, bytes) = (name_of(file), std::fs::read(file).unwrap());
        assert!(!bytes.is_empty(), "{name}");
        assert!(look(name, &bytes).is_some(), "{name} is of its kind");
        assert_eq!(hints(name, &bytes), [""; 0], "{name}");
    }
}

/// Asks a decoder of others whether a file is broken.
pub(super) fn is_broken(file: &Path) -> bool {
    let path = file.display().to_string();
    let decoded = |(is_content, words): (bool, String)| !is_content || !words.trim().is_empty();
    match file.extension().unwrap().to_str().unwrap() {
        "jpg" => decoded(run("djpeg", &["-outfile", "/dev/null", &path])),
        "png" | "tif" | "tiff" => decoded(run("convert", &[&path, "null:"])),
        "heic" | "avif" => decoded(run("heif-convert", &[&path, &format!("{path}.png")])),
        _ => decoded(run(
            "ffmpeg",
            &["-v", "warning", "-i", &path, "-f", "null", "-"],
        )),
    }
}

/// A piece of a file in a place of its own.
pub(super) fn put(name: &str, bytes: &[u8]) -> PathBuf {
    static COUNT: Mutex<u32> = Mutex::new(0);
    let number = {
        let mut count = COUNT.lock().unwrap();
        *count += 1;
        *count
    };
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("inspect-pieces");
    std::fs::create_dir_all(&folder).unwrap();
    let path = folder.join(format!("{number}-{name}"));
    std::fs::write(&path, bytes).unwrap();
    path
}

#[test]
fn a_file_that_is_cut_anywhere_gives_a_hint() {
    let Some(files) = files() else {
        return;
    };
    let told = Mutex::new((0_u32, 0_u32, 0_u32, 0_u32, Vec::new()));
    let files = files.iter().enumerate();
    let rounds = if whole_sweeps() { 20_u32 } else { 8 };
    at_once(files.collect::<Vec<_>>(), |(number, file)| {
        let (name, bytes) = (name_of(file), std::fs::read(file).unwrap());
        if ENDLESS.contains(&name) {
            return;
        }
        let mut chance = Chance::new(u64::try_from(number).unwrap());
        for round in 0..rounds {
            let at = 1 + chance.below(bytes.len() - 1);
            let is_hinted = !hints(name, &bytes[..at]).is_empty();
            // Where no hint is given, and of each file once where one is.
            let asked = (!is_hinted || round == 0).then(|| is_broken(&put(name, &bytes[..at])));
            let mut told = told.lock().unwrap();
            match (is_hinted, asked) {
                (true, None) => told.0 += 1,
                (true, Some(true)) => told.1 += 1,
                (true, Some(false)) => told.2 += 1,
                (false, Some(false)) => told.3 += 1,
                (false, _) => told
                    .4
                    .push(format!("{name} of {}, cut at {at}", bytes.len())),
            }
        }
    });
    let (hinted, agreed, alone, none, missed) = told.into_inner().unwrap();
    let all = hinted + agreed + alone;
    tell(&format!(
        "cut: {all} hinted ({agreed} of {} that were asked about are broken for a decoder too), \
         {none} for nobody, {} missed: {missed:?}",
        agreed + alone,
        missed.len()
    ));
    assert!(all > rounds * 35, "{all}");
    assert!(
        missed.len() * 99 <= usize::try_from(all).unwrap(),
        "{missed:?}"
    );
    assert!(agreed > alone * 4, "{agreed} and {alone}");
}

/// A recorder whose battery is empty: an encoder that is killed in the middle.
#[test]
fn a_recording_that_was_never_ended_gives_a_hint() {
    if files().is_none() {
        return;
    }
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("inspect-ended");
    std::fs::create_dir_all(&folder).unwrap();
    let kinds = [
        (
            "died.mp4",
            "no-index",
            "-c:v libx264 -preset ultrafast -c:a aac",
        ),
        ("died.mov", "no-index", "-c:v mjpeg -c:a pcm_s16le"),
        ("died.avi", "cut-off", "-c:v mjpeg -c:a pcm_s16le"),
        ("died.mxf", "no-index", "-c:v mpeg2video -c:a pcm_s16le"),
        ("died.wav", "cut-off", "-vn -c:a pcm_s16le"),
    ];
    at_once(kinds, |(name, id, how)| {
        let path = folder.join(name);
        let mut command = Command::new("ffmpeg");
        command.args("-hide_banner -loglevel quiet -y -re".split(' '));
        command.args("-f lavfi -i testsrc2=size=640x360:rate=25".split(' '));
        command.args("-f lavfi -i sine=sample_rate=48000".split(' '));
        command.args(how.split(' ')).args(["-flush_packets", "1"]);
        drop(std::fs::remove_file(&path));
        let mut child = command.arg(&path).spawn().unwrap();
        let size = || std::fs::metadata(&path).map_or(0, |file| file.len());
        for _ in 0..600 {
            if size() > 60_000 {
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        child.kill().unwrap();
        child.wait().unwrap();
        let hints = hints(name, &std::fs::read(&path).unwrap());
        let is_so = matches!(hints.as_slice(), [hint] if hint.starts_with(id));
        assert!(is_so, "{name}: {hints:?}");
    });
}

const BLOCK: usize = 64 * 1_024;

/// A block as a card loses one: 64 kB of zeros or of ones from a border on.
#[test]
fn a_lost_block_gives_a_hint() {
    let Some(files) = files() else {
        return;
    };
    let (mut all, mut missed) = (0, Vec::new());
    for (number, file) in files.iter().enumerate() {
        let (name, mut bytes) = (name_of(file), std::fs::read(file).unwrap());
        if PLAIN.contains(&name) || bytes.len() < 4 * BLOCK {
            continue;
        }
        let mut chance = Chance::new(u64::try_from(number).unwrap());
        for value in [0, 0xff, 0, 0xff] {
            let blocks = if value == 0 && SILENT.contains(&name) {
                7
            } else {
                1
            };
            let Some(last) = (bytes.len() / BLOCK).checked_sub(blocks + 1) else {
                continue;
            };
            let at = BLOCK * (1 + chance.below(last));
            let end = at + BLOCK * blocks;
            // What is filled up with the value anyway has no hole.
            let around = [&bytes[at - 8..at], &bytes[end..end + 8]];
            if around.iter().any(|bytes| bytes.iter().all(|&b| b == value)) {
                continue;
            }
            let kept = bytes[at..end].to_vec();
            bytes[at..end].fill(value);
            all += 1;
            if hints(name, &bytes).is_empty() {
                missed.push(format!("{name} of {}: {value} at {at}", bytes.len()));
            }
            bytes[at..end].copy_from_slice(&kept);
        }
    }
    tell(&format!(
        "lost blocks: {all}, {} missed: {missed:?}",
        missed.len()
    ));
    assert!(all > 60, "{all}");
    assert!(missed.is_empty(), "{missed:?}");
}

/// What a file says of itself, beside what `ffprobe` and `ExifTool` say of it.
#[test]
fn what_files_say_of_themselves_is_what_others_read() {
    let Some(files) = files() else {
        return;
    };
    let lengths = Mutex::new(0);
    at_once(files, |file| {
        let seen = look(name_of(file), &std::fs::read(file).unwrap()).unwrap();
        let Some(duration) = seen.facts.duration else {
            return;
        };
        let asked = [
            "-v",
            "error",
            "-show_entries",
            "format=duration",
            "-of",
            "csv=p=0",
        ];
        let probed = finish(Command::new("ffprobe").args(asked).arg(file)).out;
        let probed: f64 = probed.trim().parse().unwrap();
        // Sound is told in whole frames by one and in samples by the other; the clock of a
        // transport stream comes ten times a second.
        let apart = (duration.as_secs_f64() - probed).abs();
        let most = if name_of(file).ends_with("ts") {
            0.3
        } else {
            0.1
        };
        assert!(apart < most, "{}: {duration:?}, {probed}", file.display());
        *lengths.lock().unwrap() += 1;
    });
    let lengths = *lengths.lock().unwrap();
    assert!(lengths > 20, "{lengths}");
    let asked = [
        "-json",
        "-n",
        "-ImageWidth",
        "-ImageHeight",
        "-ThumbnailOffset",
        "-Make",
        "-Model",
        "-DateTimeOriginal",
    ];
    let read = finish(Command::new("exiftool").args(asked).args(files)).out;
    let read: Vec<serde_json::Value> = serde_json::from_str(&read).unwrap();
    assert_eq!(read.len(), files.len());
    let (mut pictures, mut cameras) = (0, 0);
    for (file, read) in files.iter().zip(read) {
        let name = name_of(file);
        let facts = look(name, &std::fs::read(file).unwrap()).unwrap().facts;
        let number = |key: &str| read[key].as_u64();
        let told = number("ImageWidth").zip(number("ImageHeight"));
        if let (Some((width, height)), Some(told)) = (facts.pixels, told) {
            // MXF stores whole macroblocks.
            let step = if name.ends_with("mxf") { 16 } else { 1 };
            let told = (told.0.next_multiple_of(step), told.1.next_multiple_of(step));
            assert_eq!((u64::from(width), u64::from(height)), told, "{name}");
            pictures += 1;
        }
        let camera = facts.camera.as_ref();
        assert_eq!(
            camera.map(|c| c.make.as_str()),
            read["Make"].as_str(),
            "{name}"
        );
        assert_eq!(
            camera.map(|c| c.model.as_str()),
            read["Model"].as_str(),
            "{name}"
        );
        if let Some(taken) = read["DateTimeOriginal"]
            .as_str()
            .filter(|_| camera.is_some())
        {
            assert_eq!(taken, "2026:11:25 18:30:05");
            let recorded = format!("{:?}", facts.recorded.unwrap());
            assert_eq!(recorded, "Local(2026-11-25T18:30:05)", "{name}");
            cameras += 1;
        }
        let thumbnail = facts.thumbnail.map(|range| range.start);
        if name == "exif.jpg" || thumbnail.is_some() {
            assert_eq!(thumbnail, number("ThumbnailOffset"), "{name}");
        }
    }
    assert!(pictures > 25 && cameras >= 3, "{pictures}, {cameras}");
}
