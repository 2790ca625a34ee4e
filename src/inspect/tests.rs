//! Tests of the look at one file, by files of hand-made structure.

use super::*;
use crate::card::media::Media;
use crate::units::GB;

/// Looks at a whole file in pieces of a megabyte.
fn look(name: &str, file: &[u8]) -> Option<Inspected> {
    let mut look = Inspector::new(name, len64(file.len())).unwrap();
    file.chunks(1 << 20).for_each(|piece| look.feed(piece));
    look.finish()
}

/// The ids of the hints, with what was seen.
fn ids(name: &str, file: &[u8]) -> Vec<&'static str> {
    let hints = look(name, file).map(|seen| seen.hints).unwrap_or_default();
    hints.iter().map(|hint| hint.kind().id()).collect()
}

/// A file of the fuzz target's corpus. Its first byte says which kind of file follows.
macro_rules! fixture {
    ($name:literal) => {
        include_bytes!(concat!("../../fixtures/fuzz/inspect/", $name))
            .get(1..)
            .unwrap()
    };
}

/// Bytes in which no value comes twice in a row.
fn media(bytes: usize) -> Vec<u8> {
    (0..bytes)
        .map(|n| u8::try_from(n * 7 % 251).unwrap())
        .collect()
}

/// ISO/IEC 14496-12, 4.2: length, name, contents.
fn a_box(name: &str, contents: &[u8]) -> Vec<u8> {
    let length = u32::try_from(contents.len() + 8).unwrap();
    [&length.to_be_bytes(), name.as_bytes(), contents].concat()
}

fn movie_head() -> Vec<u8> {
    let mut mvhd = vec![0; 100];
    mvhd[4..8].copy_from_slice(&3_878_476_205_u32.to_be_bytes());
    mvhd[12..16].copy_from_slice(&30_000_u32.to_be_bytes());
    mvhd[16..20].copy_from_slice(&45_045_u32.to_be_bytes());
    a_box("moov", &a_box("mvhd", &mvhd))
}

fn file_type() -> Vec<u8> {
    a_box("ftyp", b"isom\0\0\0\0isom")
}

/// A chunk of RIFF: name, length, contents, and a byte that fills up.
fn chunk(name: &str, contents: &[u8]) -> Vec<u8> {
    let length = u32::try_from(contents.len()).unwrap();
    let fill = if contents.len() % 2 == 1 {
        &[0][..]
    } else {
        &[]
    };
    [name.as_bytes(), &length.to_le_bytes(), contents, fill].concat()
}

#[test]
fn a_movie_needs_its_index_and_its_media() {
    let (ftyp, moov, mdat) = (file_type(), movie_head(), a_box("mdat", &media(5_000)));
    let whole = |parts: &[&[u8]]| parts.concat();
    let long = |length: u64| {
        let head = [&1_u32.to_be_bytes()[..], b"mdat", &length.to_be_bytes()].concat();
        [head, media(5_000)].concat()
    };
    let to_end = [&0_u32.to_be_bytes()[..], b"mdat", &media(5_000)].concat();
    let empty = a_box("mdat", b"");
    let fragment = [a_box("moof", &[0; 40]), mdat.clone()].concat();
    let cases: [(&str, Vec<u8>, &[&str]); 16] = [
        ("index last", whole(&[&ftyp, &mdat, &moov]), &[]),
        ("index first", whole(&[&ftyp, &moov, &mdat]), &[]),
        // QuickTime before there was a type.
        ("no type", whole(&[&a_box("wide", b""), &mdat, &moov]), &[]),
        ("64 bits", whole(&[&ftyp, &long(5_016), &moov]), &[]),
        ("to the end", whole(&[&ftyp, &moov, &to_end]), &[]),
        ("fragments", whole(&[&ftyp, &moov, &fragment]), &[]),
        (
            "fragments alone",
            whole(&[&ftyp, &fragment, &fragment]),
            &[],
        ),
        (
            "filled up",
            whole(&[&ftyp, &mdat, &moov, &a_box("free", &[0; 90])]),
            &[],
        ),
        // What cameras and phones put behind is theirs.
        ("a trailer", whole(&[&ftyp, &mdat, &moov, &[0xee; 90]]), &[]),
        ("no index", whole(&[&ftyp, &mdat]), &["no-index"]),
        (
            "to the end, no index",
            whole(&[&ftyp, &to_end]),
            &["no-index"],
        ),
        ("no media", whole(&[&ftyp, &moov]), &["cut-off"]),
        (
            "no media at all",
            whole(&[&ftyp, &moov, &empty]),
            &["cut-off"],
        ),
        (
            "64 bits too far",
            whole(&[&ftyp, &moov, &long(5_017)]),
            &["cut-off"],
        ),
        (
            "not closed",
            whole(&[&ftyp, &empty, &media(5_000)]),
            &["cut-off"],
        ),
        ("no box", whole(&[&ftyp, &[1; 5_000]]), &["cut-off"]),
    ];
    for (what, file, hints) in cases {
        assert_eq!(ids("C0001.MP4", &file), hints, "{what}");
    }
}

#[test]
fn a_movie_says_how_long_it_is_and_is_cut_anywhere() {
    let file = [file_type(), a_box("mdat", &media(5_000)), movie_head()].concat();
    let facts = look("C0001.MP4", &file).unwrap().facts;
    // 45,045 of 30,000 a second; creation_time as it was given.
    assert_eq!(
        facts.duration,
        Some(std::time::Duration::from_micros(1_501_500))
    );
    let recorded = media_facts::CameraTime::Since1904(3_878_476_205);
    assert_eq!(facts.recorded, Some(recorded));
    for cut in 1..file.len() {
        assert_ne!(
            ids("C0001.MP4", &file[..cut.max(16)]),
            [""; 0],
            "cut at {cut}"
        );
    }
}

/// `OpenDML` AVI File Format Extensions 1.02: RIFF chunks of a gigabyte, each but the first `AVIX`.
#[test]
fn a_large_avi_has_several_parts() {
    let list = |kind: &str, contents: &[u8]| chunk("LIST", &[kind.as_bytes(), contents].concat());
    let avih = [1_000_000_u32, 0, 0, 16, 50, 0, 1, 0, 640, 360]
        .map(u32::to_le_bytes)
        .concat();
    let dmlh = chunk("dmlh", &150_u32.to_le_bytes());
    let indx = chunk("indx", &[0; 24]);
    let stream = list("strl", &[chunk("strh", b"vidsMJPG"), indx].concat());
    let head = [chunk("avih", &avih), stream, list("odml", &dmlh)].concat();
    let head = list("hdrl", &head);
    let movi = u32::try_from(GB).unwrap();
    let begin = |kind: &str, before: &[u8]| {
        let length = 4 + u32::try_from(before.len()).unwrap() + 8 + movi;
        let length = length.to_le_bytes();
        let list = [&b"LIST"[..], &movi.to_le_bytes(), b"movi"].concat();
        [b"RIFF", &length, kind.as_bytes(), before, &list].concat()
    };
    let (first, next) = (begin("AVI ", &head), begin("AVIX", b""));
    let body = GB - 4;
    let size = len64(first.len() + next.len() * 2) + body * 3;
    for (missing, hints) in [(0, 0), (1, 1), (GB, 1)] {
        let mut look = Inspector::new("A.AVI", size - missing).unwrap();
        look.feed(&first);
        for _ in 0..2 {
            assert_eq!(look.wants().unwrap() % 2, 0);
            look.skip(body);
            look.feed(&next);
        }
        let seen = look.finish().unwrap();
        assert_eq!(seen.hints.len(), hints, "{missing}: {:?}", seen.hints);
        assert_eq!(
            seen.facts.duration,
            Some(std::time::Duration::from_secs(150))
        );
        assert_eq!(seen.facts.pixels, Some((640, 360)));
    }
}

#[test]
fn riff_is_closed_and_has_its_index() {
    let list = |kind: &str, contents: &[u8]| chunk("LIST", &[kind.as_bytes(), contents].concat());
    let form = |kind: &str, contents: &[u8]| chunk("RIFF", &[kind.as_bytes(), contents].concat());
    let head = list("hdrl", &chunk("avih", &[0; 56]));
    let movi = list("movi", &media(6_000));
    let idx1 = chunk("idx1", &[7; 32]);
    let whole = form("AVI ", &[head.clone(), movi.clone(), idx1].concat());
    assert_eq!(ids("A.AVI", &whole), [""; 0]);
    let no_index = form("AVI ", &[head.clone(), movi.clone()].concat());
    assert_eq!(ids("A.AVI", &no_index), ["no-index"]);
    assert_eq!(ids("A.AVI", &form("AVI ", &head)), ["cut-off"]);
    // As it is while it is recorded: no length is filled in.
    let mut open = form("AVI ", &[head, list("movi", b""), media(6_000)].concat());
    open[4..8].fill(0);
    assert_eq!(ids("A.AVI", &open), ["cut-off"]);
    let fmt = chunk(
        "fmt ",
        &[1_u16, 2, 48_000, 0, 0x1_u16, 0, 4, 16]
            .map(u16::to_le_bytes)
            .concat(),
    );
    let mut wav = form("WAVE", &[fmt, chunk("data", &media(9_000))].concat());
    assert_eq!(ids("S.WAV", &wav), [""; 0]);
    // EBU Tech 3306: the lengths are in `ds64`.
    let data = wav.len() - 9_000 - 4;
    let filled = wav[data..data + 4].to_vec();
    for open in [0, 0xff] {
        wav[data..data + 4].fill(open);
        let hints = look("S.WAV", &wav).unwrap().hints;
        let clue = &hints.first().unwrap().clue;
        assert!(matches!(clue, Clue::NeverClosed { .. }), "{open}: {clue:?}");
    }
    wav[data..data + 4].copy_from_slice(&filled);
    for cut in 60..wav.len() - 1 {
        assert_eq!(ids("S.WAV", &wav[..cut]), ["cut-off"], "{cut}");
    }
}

/// ISO/IEC 13818-1, 2.4.3.2: packets of one size, each with the same first byte.
#[test]
fn a_transport_stream_is_of_whole_packets() {
    let file = fixture!("a.mts");
    let seen = look("00000.MTS", file).unwrap();
    assert_eq!((seen.hints.len(), seen.facts.media), (0, Media::Clip));
    assert!(
        seen.facts
            .duration
            .is_some_and(|time| time.as_secs_f64() > 0.5)
    );
    for cut in 20..file.len() {
        let hints: &[&str] = if cut % 192 == 0 { &[] } else { &["cut-off"] };
        assert_eq!(ids("00000.MTS", &file[..cut]), hints, "{cut}");
    }
    let mut broken = file.to_vec();
    broken[192 * 7 + 4] = 0;
    assert_eq!(ids("00000.MTS", &broken), ["unreadable-structure"]);
}

/// SMPTE ST 377-1: the header partition, and the footer where it says that it is.
#[test]
fn mxf_is_closed_or_has_a_footer() {
    let key = |end: [u8; 4]| {
        let start = [6, 14, 43, 52, 2, 5, 1, 1, 13, 1, 2, 1];
        [&start[..], &end[..]].concat()
    };
    let item = |key: &[u8], value: &[u8]| {
        let length = u32::try_from(value.len()).unwrap().to_be_bytes();
        [key, &[0x83], &length[1..], value].concat()
    };
    let pack = |kind: u8, status: u8, footer: u64| {
        let mut value = vec![0; 88];
        value[24..32].copy_from_slice(&footer.to_be_bytes());
        item(&key([1, kind, status, 0]), &value)
    };
    let picture = [6, 14, 43, 52, 1, 2, 1, 1, 13, 1, 3, 1, 0x15, 1, 5, 1];
    let essence = item(&picture, &media(5_000));
    let footer_at = len64(pack(2, 4, 0).len() + essence.len());
    let whole = [
        pack(2, 4, footer_at),
        essence.clone(),
        pack(4, 4, footer_at),
    ]
    .concat();
    assert_eq!(ids("A.MXF", &whole), [""; 0]);
    for cut in 20..whole.len() {
        assert_eq!(ids("A.MXF", &whole[..cut]), ["cut-off"], "{cut}");
    }
    let open = [pack(2, 1, 0), essence.clone()].concat();
    assert_eq!(ids("A.MXF", &open), ["no-index"]);
    let closed = [pack(2, 2, 0), essence.clone()].concat();
    assert_eq!(ids("A.MXF", &closed), [""; 0]);
    let broken = [pack(2, 2, 0), essence, vec![0; 90]].concat();
    assert_eq!(ids("A.MXF", &broken), ["unreadable-structure"]);
    // 6.5: bytes before the first key, from which offsets count.
    let run_in = [vec![9; 700], whole].concat();
    assert_eq!(ids("A.MXF", &run_in), [""; 0]);
    let end = usize::try_from(footer_at).unwrap() + 700;
    assert_eq!(ids("A.MXF", &run_in[..end]), ["cut-off"]);
    assert_eq!(look("A.MXF", &media(90_000)), None);
}

#[test]
fn stills_of_cameras_are_whole_or_cut() {
    for (name, bytes, camera, pixels) in [
        ("A.CR3", fixture!("made.cr3"), true, None),
        ("A.RAF", fixture!("made.raf"), true, None),
        ("A.DNG", fixture!("made.dng"), true, Some((64, 48))),
        ("A.RW2", fixture!("made.rw2"), false, None),
        ("A.JPG", fixture!("made-two.jpg"), true, Some((64, 48))),
        ("A.HEIC", fixture!("a.heic"), true, Some((64, 64))),
    ] {
        let seen = look(name, bytes).unwrap();
        assert_eq!(seen.hints, [], "{name}");
        assert_eq!(seen.facts.media, Media::Still);
        assert_eq!(seen.facts.camera.is_some(), camera, "{name}");
        assert_eq!(seen.facts.pixels, pixels, "{name}");
        let recorded = seen.facts.recorded.map(|time| format!("{time:?}"));
        let told = camera.then(|| "Local(2026-11-25T18:30:05)".to_owned());
        assert_eq!(recorded, told, "{name}");
        // RW2 has no length of what its one offset leads to.
        let first = if name == "A.RW2" {
            100
        } else {
            bytes.len() - 1
        };
        for cut in [1, 16, 90, first] {
            let hints = ids(name, &bytes[..bytes.len().min(cut).max(16)]);
            assert_eq!(hints, ["cut-off"], "{name} cut at {cut}");
        }
    }
    // CIPA DC-008: the thumbnail is a JPEG of its own.
    let jpeg = fixture!("a.jpg");
    let range = look("A.JPG", jpeg).unwrap().facts.thumbnail.unwrap();
    let from = usize::try_from(range.start).unwrap();
    let to = usize::try_from(range.end).unwrap();
    assert!(jpeg[from..to].starts_with(b"\xff\xd8") && jpeg[from..to].ends_with(b"\xff\xd9"));
}

/// Common practice, no source: bytes behind the end of a picture are usual.
#[test]
fn what_is_behind_a_jpeg_does_not_matter() {
    let jpeg = fixture!("a.jpg");
    for trailer in [
        vec![0; 200_000],
        [0xff, 0x11, 7].repeat(50_000),
        media(3_000),
    ] {
        let file = [jpeg, &trailer].concat();
        assert_eq!(ids("A.JPG", &file), [""; 0], "{}", file.len());
    }
    // The main picture of two is whole, and the other one is not: CIPA DC-007, 5.2.3.
    let two = fixture!("made-two.jpg");
    let seen = look("A.JPG", &two[..two.len() - 30]).unwrap();
    assert_eq!(seen.hints.len(), 1, "{:?}", seen.hints);
}

/// A hole is seen where it begins and ends as clusters of a card do.
#[test]
fn holes_are_seen_and_padding_is_not() {
    let page = 4_096;
    let movie = |hole: std::ops::Range<usize>, value: u8| {
        let mut bytes = media(100 * page);
        bytes[hole].fill(value);
        [file_type(), a_box("mdat", &bytes), movie_head()].concat()
    };
    let head = file_type().len() + 8;
    let at = |page_number: usize| page_number * page - head;
    for (hole, value, hints) in [
        (at(10)..at(26), 0, ["zeros"].as_slice()),
        (at(10)..at(90), 0xff, &["one-value"]),
        // Shorter, or from within a page, or to within one.
        (at(10)..at(25), 0, &[]),
        (at(10) - 9..at(40), 0, &[]),
        (at(10)..at(40) + 9, 0, &[]),
    ] {
        let file = movie(hole.clone(), value);
        assert_eq!(ids("A.MP4", &file), hints, "{hole:?}");
        for pieces in [1, 100, 4_095, 4_097] {
            let mut look = Inspector::new("A.MP4", len64(file.len())).unwrap();
            file.chunks(pieces).for_each(|piece| look.feed(piece));
            assert_eq!(look.finish().unwrap().hints.len(), hints.len(), "{pieces}");
        }
    }
    let file = movie(at(10)..at(26), 0);
    let seen = look("A.MP4", &file).unwrap();
    let (at, bytes, runs) = (40_960, 65_536, 1);
    let value = 0;
    let run = Clue::Run {
        value,
        at,
        bytes,
        runs,
    };
    assert_eq!(seen.hints.first().unwrap().clue, run);
    // Nothing but zeros, of any length.
    for bytes in [1, 16, 4_095, 70_000] {
        assert_eq!(ids("A.MP4", &vec![0; bytes]), ["zeros"], "{bytes}");
    }
    // A box that is there to be empty.
    let free = [
        file_type(),
        a_box("free", &vec![0; 200_000]),
        a_box("mdat", &media(90)),
        movie_head(),
    ];
    assert_eq!(ids("A.MP4", &free.concat()), [""; 0]);
}

#[test]
fn of_other_files_nothing_is_said() {
    assert!(Inspector::new("C0001.XML", 90).is_none());
    assert!(Inspector::new("MP4", 90).is_none());
    for name in [
        "A.JPG", "A.MP4", "A.AVI", "A.WAV", "A.PNG", "A.TIF", "A.CR2", "A.RAF", "A.FLAC",
    ] {
        assert_eq!(look(name, &media(9_000)), None, "{name}");
        assert_eq!(ids(name, b""), ["cut-off"], "{name}");
    }
    // A picture under the name of another kind.
    assert_eq!(look("A.PNG", fixture!("a.jpg")), None);
    let unread = Inspector::new("A.JPG", 90).unwrap();
    assert_eq!(unread.finish(), None);
}

#[test]
fn a_file_of_the_smallest_parts_is_given_up() {
    let boxes = a_box("free", b"").repeat(100_000);
    let file = [file_type(), boxes].concat();
    assert_eq!(look("A.MP4", &file), None);
    let tables = b"\xff\xfe\0\x02".repeat(100_000);
    assert_eq!(
        look("A.JPG", &[b"\xff\xd8", tables.as_slice()].concat()),
        None
    );
}

#[test]
fn each_hint_has_its_words() {
    let part = || "mdat".to_owned();
    let (at, end, size) = (48, 1_234_567, 1_000_000);
    let beyond = Clue::PastEnd {
        part: part(),
        at,
        end,
        size,
    };
    let before = Clue::EndsBefore { part: part(), size };
    let run = |value| Clue::Run {
        value,
        at,
        bytes: 131_072,
        runs: 2,
    };
    for (clue, id, seen) in [
        (Clue::Empty, "cut-off", "is empty"),
        (
            beyond,
            "cut-off",
            "ends too early: its part `mdat` at byte 48 should go on to byte 1,234,567, but the \
             file has 1,000,000 bytes",
        ),
        (
            before,
            "cut-off",
            "ends too early: it has 1,000,000 bytes, and no `mdat`, which every whole file has",
        ),
        (
            Clue::NeverClosed { part: part(), at },
            "cut-off",
            "was never closed: the length of its part `mdat` at byte 48 is not filled in",
        ),
        (
            Clue::NoIndex { part: part() },
            "no-index",
            "has no index (`mdat`): nothing says where picture and sound are in it",
        ),
        (
            run(0),
            "zeros",
            "holds 131.1 kB of nothing but zeros in 2 places, from byte 48 on",
        ),
        (
            run(7),
            "one-value",
            "holds 131.1 kB of nothing but the value 7 in 2 places, from byte 48 on",
        ),
        (
            Clue::Unreadable { part: part(), at },
            "unreadable-structure",
            "can't be followed from byte 48 on: a mdat should be there",
        ),
    ] {
        let hint = Hint {
            file: FileKind::Movie,
            clue,
        };
        assert_eq!((hint.kind().id(), hint.seen().as_str()), (id, seen));
        let json = serde_json::to_string(&hint.kind()).unwrap();
        assert_eq!(json, format!("\"{id}\""));
        assert!(hint.meaning().ends_with('.'));
        assert!(hint.next_step().contains("in the camera"));
        assert!(
            hint.next_step()
                .contains("Don't repair the card on a computer.")
        );
    }
}

// The sources of the first bytes stand with `FileKind::begins_with`.
#[test]
fn a_name_that_does_not_fit_the_first_bytes_is_told_where_that_is_certain() {
    let looked = |name: &str, bytes: &[u8]| {
        let mut look = guarded::FileInspection::begin(name, len64(bytes.len())).unwrap();
        look.feed(bytes);
        let seen = look.end_by_name();
        seen.map(|seen| seen.hints.iter().map(|h| h.kind().id()).collect::<Vec<_>>())
    };
    let other = b"a kite is no picture of a kite";
    for name in [
        "A.JPG", "A.png", "A.TIF", "A.WAV", "A.flac", "A.avi", "A.HEIC", "A.RAF",
    ] {
        assert_eq!(
            looked(name, other),
            Some(vec!["unreadable-structure"]),
            "{name}"
        );
        // Whatever it is called, its zeros are told as such.
        let zeros = looked(name, &vec![0; 200_000]);
        assert_ne!(zeros, Some(vec!["unreadable-structure"]), "{name}");
    }
    for name in ["A.NEF", "A.MP3", "A.MXF", "A.MOV", "A.MTS"] {
        let seen = looked(name, other);
        assert!(
            seen.is_none_or(|all| all != ["unreadable-structure"]),
            "{name}"
        );
    }
}
