//! What every reader of foreign bytes has to keep, whatever the bytes are. The fuzz targets feed
//! these with made-up bytes, `tests/it/linux/fuzzed.rs` with the kept corpus.

use camino::{Utf8Component, Utf8Path};
use unlade::hash_algorithm::checksum::Checksum;
use unlade::inspect::deep::decode_still;
use unlade::inspect::deep::decoding::{Decoding, NotDecoded};
use unlade::inspect::hint::Hint;
use unlade::inspect::kind::FileKind;
use unlade::inspect::thumbnail;
use unlade::inspect::{Inspected, Inspector};
use unlade::kit::edit::{self, KitEntry};
use unlade::kit::text;
use unlade::kit::{KitEntryKind, KitReader};
use unlade::ledger::Ledger;
use unlade::ledger::shoot::Shoot;
use unlade::name::{CardName, PART_ENDING, PATH_BYTES_MAX, is_part_name, part_name, shown};
use unlade::record::journal::{JOURNAL_FORMAT, JournalHead, JournalLine};
use unlade::record::manifest::{INTEGER_MAX, Manifest};
use unlade::record::media_hash_list::unlike_folders;
use unlade::record::others::bag::{Declaration, Encoding, decoded, listed, payload_oxum, to_fetch};
use unlade::record::others::list::{ListHint, ListLine, hint, line};
use unlade::record::others::mhl::{Generation, History, chain, is_ignored};
use unlade::record::others::{Claims, inside, with_slashes};
use unlade::record::salvage::{self, SalvageList};
use unlade::record::{bag, checksums, journal};
use unlade::report::page;

/// A path that was accepted never leaves the root, and neither does its part file.
fn stays_inside(path: &str) {
    let name = CardName::parse(path).expect("an accepted path is a card's path");
    let root = Utf8Path::new("/root/of/the/offload");
    for full in [name.under(root), name.part_under(root)] {
        let below = full.strip_prefix(root).expect("below the root");
        assert!(
            below
                .components()
                .all(|c| matches!(c, Utf8Component::Normal(_))),
            "{full:?}"
        );
        assert_eq!(below.components().count(), name.parts().count(), "{full:?}");
    }
    assert_eq!(
        name.under(root).strip_prefix(root).map(Utf8Path::as_str),
        Ok(path)
    );
}

/// Nothing that could move a cursor, turn the writing direction or end a line is left.
fn is_harmless(text: &str) {
    let bad = |c: char| {
        c.is_control()
            || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    assert!(!text.contains(bad), "{text:?}");
}

/// The manifest reader: what it accepts it writes again as the same manifest, in a stable form; its
/// paths stay inside, its integers are exact everywhere, its page is harmless.
pub(crate) fn manifest(data: &[u8]) {
    let manifest = match Manifest::from_bytes(data) {
        Ok(manifest) => manifest,
        Err(why) => return is_harmless(&why.to_string()),
    };
    for path in manifest
        .files
        .iter()
        .map(|f| &*f.path)
        .chain(manifest.folders.iter().map(String::as_str))
    {
        stays_inside(path);
        assert_ne!(path.split('/').next(), Some("_unlade"));
    }
    assert!(manifest.files.iter().all(|f| f.bytes <= INTEGER_MAX));
    let written = manifest
        .to_bytes()
        .expect("what was accepted can be written");
    let again = Manifest::from_bytes(&written).expect("what was written can be read");
    assert_eq!(again, manifest);
    assert_eq!(again.to_bytes().expect("once more"), written);
    let page = page::page(&manifest);
    let lines = page.replace('\n', "");
    is_harmless(&lines);
    assert!(!page.to_ascii_lowercase().contains("<script"), "{page}");
    for destination in 0..manifest.destinations.len() {
        let (files, _) = manifest.count_on(destination);
        assert!(files <= u64::try_from(manifest.files.len()).expect("64 bits"));
    }
}

/// The journal reader: what it vouches for lies inside, and a journal that is written anew from
/// what it read vouches for the same.
pub(crate) fn journal(data: &[u8]) {
    let records = match journal::read(data, &|_| true) {
        Ok(Some(records)) => records,
        Ok(None) => return,
        Err(why) => return is_harmless(&why.to_string()),
    };
    let mut written = Vec::new();
    let head = JournalHead {
        journal: JOURNAL_FORMAT.to_owned(),
        version: journal::JOURNAL_VERSION,
        offload: "KITES".to_owned(),
        started: String::new(),
        card_path: records.card_path.clone().expect("a head names the card"),
        card_volume_id: records.card_volume_id.clone(),
        listing_b3: records.listing_b3.expect("a head holds the listing"),
        destinations: records.destinations.clone(),
        layout: records.layout,
        fills_to: None,
    };
    head.write_to(&mut written).expect("written");
    for (path, entry) in &records.proven {
        stays_inside(path);
        assert_ne!(path.split('/').next(), Some("_unlade"));
        assert!(records.card_files.contains_key(path));
        let line = JournalLine {
            path: path.to_string(),
            bytes: entry.bytes,
            modified: entry.modified.to_string(),
            blake3: entry.blake3,
            also: entry.also.clone(),
            way: entry.way,
            read_s: entry.read_s,
            readback_s: entry.readback_s,
            only_zeros: entry.only_zeros,
        };
        line.write_to(&mut written).expect("written");
    }
    let again = journal::read(&written, &|_| true)
        .expect("readable")
        .expect("a head");
    assert_eq!(again.proven, records.proven);
    assert_eq!(again.destinations, records.destinations);
    // A tear anywhere never adds anything.
    let cut = data.len() / 2;
    if let Ok(Some(torn)) = journal::read(data.get(..cut).unwrap_or_default(), &|_| true) {
        assert!(torn.proven.len() <= lines_in(data), "{torn:?}");
    }
}

fn lines_in(data: &[u8]) -> usize {
    data.split(|&b| b == b'\n').count()
}

/// The reader of checksum lists: a line that it accepts is written again as it was, and one line
/// stays one line.
pub(crate) fn checksums(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    for line in text.split('\n') {
        let Some((digest, path)) = checksums::parse_line(line) else {
            continue;
        };
        let Some(written) = checksums::line(digest, &path) else {
            continue;
        };
        assert_eq!(written.strip_suffix('\n'), Some(line));
        assert_eq!(written.matches('\n').count(), 1);
    }
    // The other way round: whatever the path, its line comes back as the path.
    let digest = unlade::digest::Digest::of(data);
    if let Some(written) = checksums::line(digest, &text) {
        let line = written.strip_suffix('\n').expect("a line ends");
        assert!(!line.contains(['\n', '\r']), "{line:?}");
        assert_eq!(
            checksums::parse_line(line),
            Some((digest, text.into_owned()))
        );
    }
}

/// The reader of a bag's manifests: what it accepts lies inside and is read the same when it is
/// written again; and every name is one line that is read back as the name.
pub(crate) fn bag(data: &[u8]) {
    match bag::read_manifest(data) {
        Err(why) => is_harmless(&why.to_string()),
        Ok(sums) => {
            let mut written = String::new();
            for (path, hex) in &sums {
                stays_inside(path);
                written.push_str(&format!("{hex}  {}\n", bag::encode(path)));
            }
            assert_eq!(bag::read_manifest(written.as_bytes()), Ok(sums));
        }
    }
    let text = String::from_utf8_lossy(data);
    let line = bag::encode(&text);
    assert!(!line.contains(['\n', '\r']), "{line:?}");
    assert_eq!(bag::decode(&line), text);
}

/// Paths and names: what is accepted stays inside, the part file lies beside its file under a name
/// that fits, no two names of a folder share one, and nothing is shown raw.
pub(crate) fn paths(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    is_harmless(&shown(text));
    let mut names = Vec::new();
    for path in text.split('\u{1}') {
        let leads_out =
            path.starts_with('/') || path.split('/').any(|part| matches!(part, "" | "." | ".."));
        let Ok(name) = CardName::parse(path) else {
            assert!(
                leads_out || path.len() > PATH_BYTES_MAX || path.contains('\0'),
                "{path:?}"
            );
            continue;
        };
        assert!(!leads_out && path.len() <= PATH_BYTES_MAX, "{path:?}");
        stays_inside(path);
        let part = part_name(name.file_name());
        assert!(is_part_name(&part) && part.ends_with(PART_ENDING) && !part.contains('/'));
        assert!(
            name.file_name().len() > 255 || part.len() <= 255,
            "{part:?}"
        );
        assert_eq!(
            name.part_under(Utf8Path::new("")).file_name(),
            Some(part.as_str())
        );
        assert_eq!(name.parts().collect::<Vec<_>>().join("/"), path);
        // Folding is a projection: folded once or twice, it is the same.
        let folded = name.folded();
        assert_eq!(unlade::name::fold(&folded), folded, "{path:?}");
        names.push((name.file_name().to_owned(), part));
    }
    for (at, (one, part)) in names.iter().enumerate() {
        for (other, other_part) in names.iter().skip(at + 1) {
            assert_eq!(one == other, part == other_part, "{one:?} {other:?}");
        }
    }
}

/// The kit reader: a fault is told harmlessly and in bounds; of a sound kit every entry can be
/// taken out or is still needed, one more can be added, and no edit touches the other entries.
pub(crate) fn kit(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    let kit = match text::read(text) {
        Ok(kit) => kit,
        Err(faults) => {
            assert!((1..=20).contains(&faults.len()));
            for fault in faults {
                assert!(fault.line >= 1 && fault.line <= text.split('\n').count());
                let told = fault.to_string();
                is_harmless(&told);
                assert!(told.len() < 10_000, "{} bytes", told.len());
            }
            return;
        }
    };
    for kind in KitEntryKind::ALL {
        for name in kit.names(kind) {
            is_harmless(name);
            if let Ok(without) = edit::remove(text, kind, name) {
                let rest = text::read(&without).expect("an edited kit is sound");
                assert_eq!(rest.names(kind).len() + 1, kit.names(kind).len());
                assert!(!rest.names(kind).contains(&name));
            }
        }
    }
    let reader = KitReader {
        name: "one-more-reader".to_owned(),
        ..KitReader::default()
    };
    if let Ok(with) = edit::add(text, &KitEntry::Reader(reader)) {
        let more = text::read(&with).expect("an edited kit is sound");
        assert_eq!(more.readers.len(), kit.readers.len() + 1);
        assert_eq!((&more.cards, &more.drives), (&kit.cards, &kit.drives));
        assert!(with.starts_with(text));
    }
}

/// The ledger reader: no line costs another, what it takes is written again as it was, and every
/// job can be counted, whatever the numbers are.
pub(crate) fn ledger(data: &[u8]) {
    let ledger = Ledger::from_text(data);
    let damaged = usize::try_from(ledger.damaged).expect("64 bits");
    assert!(ledger.entries.len() + damaged <= lines_in(data));
    let mut written = String::new();
    for entry in &ledger.entries {
        written.push_str(&entry.line().unwrap_or_default());
        if let Some(part) = &entry.shoot {
            for sentence in Shoot::of(&ledger, &part.name, None).words() {
                is_harmless(&sentence);
            }
        }
    }
    let again = Ledger::from_text(written.as_bytes());
    assert_eq!(again.damaged, 0);
    if written.lines().count() == ledger.entries.len() {
        assert_eq!(again.entries, ledger.entries);
    }
}

/// A name of each kind of file that is looked into.
pub(crate) const INSPECTED: [&str; 14] = [
    "A.MP4", "A.HEIC", "A.CR3", "A.AVI", "A.WAV", "A.MXF", "A.JPG", "A.PNG", "A.TIF", "A.DNG",
    "A.RAF", "A.FLAC", "A.MP3", "A.MTS",
];

/// Looks at a file in pieces of these sizes, over and over.
fn looked_at(name: &str, file: &[u8], pieces: &[usize]) -> Option<Inspected> {
    let size = u64::try_from(file.len()).expect("64 bits");
    let mut look = Inspector::new(name, size).expect("a known kind");
    let mut rest = file;
    for piece in pieces.iter().cycle() {
        if rest.is_empty() {
            break;
        }
        let (now, later) = rest.split_at(rest.len().min((*piece).max(1)));
        look.feed(now);
        rest = later;
    }
    look.finish()
}

/// Looks at the parts of a file only that its structure needs.
fn skipped_through(name: &str, file: &[u8]) -> Option<Inspected> {
    let size = u64::try_from(file.len()).expect("64 bits");
    let mut look = Inspector::new(name, size).expect("a known kind");
    let mut at = 0;
    while let Some(wanted) = look.wants() {
        let from = usize::try_from(wanted).expect("within the file");
        assert!(from >= at && from < file.len(), "{from} after {at}");
        look.skip(u64::try_from(from - at).expect("64 bits"));
        let to = file.len().min(from + 512);
        look.feed(&file[from..to]);
        at = to;
    }
    look.finish()
}

/// The look at one file, whose kind is the first byte: whatever it holds, what was seen does not
/// depend on the pieces in which it came; hints are few and harmless, and what it says of itself
/// lies inside.
pub(crate) fn inspect(data: &[u8]) {
    let Some((&first, file)) = data.split_first() else {
        return;
    };
    let name = INSPECTED[usize::from(first) % INSPECTED.len()];
    let whole = looked_at(name, file, &[usize::MAX]);
    for pieces in [&[1][..], &[7, 64, 3], &[4_096], &[5_000, 11]] {
        assert_eq!(looked_at(name, file, pieces), whole, "{name} in {pieces:?}");
    }
    let skipped = skipped_through(name, file);
    let structure = |seen: &Inspected| {
        let hints = seen.hints.iter().map(|hint| hint.kind().id());
        let hints = hints.filter(|id| !matches!(*id, "zeros" | "one-value"));
        (hints.collect::<Vec<_>>(), seen.facts.clone())
    };
    assert_eq!(
        skipped.as_ref().map(structure),
        whole.as_ref().map(structure),
        "{name}"
    );
    // What a file is said to be never is more than it can be; nobody need read to its end.
    let mut endless = Inspector::new(name, u64::MAX).expect("a known kind");
    endless.feed(file);
    drop(endless.finish());
    let Some(seen) = whole else {
        return;
    };
    assert_eq!(FileKind::by_name(name), Some(seen.kind));
    assert!(seen.hints.len() <= 3, "{:?}", seen.hints);
    for hint in &seen.hints {
        is_harmless(&hint.seen());
        assert!(hint.seen().len() < 400, "{}", hint.seen());
    }
    let size = u64::try_from(file.len()).expect("64 bits");
    if let Some(thumbnail) = &seen.facts.thumbnail {
        assert!(
            thumbnail.start < thumbnail.end && thumbnail.end <= size,
            "{thumbnail:?}"
        );
    }
    if let Some(camera) = &seen.facts.camera {
        assert!(camera.make.chars().count() <= 64 && camera.model.chars().count() <= 64);
    }
}

/// The decoders of stills and the look at a thumbnail, of which the first byte is the one: whatever
/// the file holds, each comes to an end and breaks down over nothing, what it says is harmless, and
/// of a thumbnail only what a second look takes as it is remains.
pub(crate) fn deep(data: &[u8]) {
    let Some((&first, file)) = data.split_first() else {
        return;
    };
    let stills = [FileKind::Jpeg, FileKind::Png, FileKind::Tiff];
    let Some(&kind) = stills.get(usize::from(first) % 4) else {
        let Some(small) = thumbnail::checked(file) else {
            return;
        };
        assert!(small.len() <= file.len());
        assert!(small.starts_with(b"\xff\xd8") && small.ends_with(b"\xff\xd9"));
        assert_eq!(decode_still(FileKind::Jpeg, &small), Decoding::Whole);
        return assert_eq!(thumbnail::checked(&small), Some(small));
    };
    match decode_still(kind, file) {
        Decoding::Whole => assert!(!file.is_empty()),
        Decoding::Not(why) => assert_ne!(why, NotDecoded::BrokeDown),
        Decoding::Broken(clue) => {
            let seen = Hint { file: kind, clue }.seen();
            is_harmless(&shown(&seen));
            assert!(seen.len() < 400, "{seen}");
        }
    }
}

/// The reader of the list beside a salvaged file: what it accepts is of the file beside it, its
/// holes are in order and inside, and it is the same when it is written again.
pub(crate) fn salvaged(data: &[u8]) {
    let path = "DCIM/100KITES/KITE0412.salvaged.JPG.json";
    let Some(list) = SalvageList::read(path, data) else {
        return;
    };
    let name = list.file.rsplit('/').next().expect("a part");
    assert_eq!(salvage::salvaged_name(name), "KITE0412.salvaged.JPG");
    assert_eq!(salvage::salvaged_of(path), path.strip_suffix(".json"));
    let mut end = 0;
    for hole in &list.holes {
        assert!(hole.offset >= end && hole.bytes > 0, "{hole:?}");
        end = hole.offset.checked_add(hole.bytes).expect("no overflow");
    }
    let missing: u64 = list.holes.iter().map(|hole| hole.bytes).sum();
    assert!(end <= list.bytes && list.bytes <= INTEGER_MAX);
    assert_eq!(list.read + missing, list.bytes);
    assert_eq!(SalvageList::read(path, &list.to_json()), Some(list));
}

/// What a record of others says of a path is believed only inside its folder.
fn is_placed(path: &str) {
    for place in [inside(path), with_slashes(path)].into_iter().flatten() {
        stays_inside(place.as_str());
        assert!(!place.as_str().starts_with("~/"), "{path:?}");
        assert_eq!(inside(place.as_str()).as_ref(), Ok(&place), "{path:?}");
    }
}

/// The reader of checksum lists: what it accepts is a hash of a kind with so many digits, whatever
/// the name of the list says. The first line is that name.
pub(crate) fn lists(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    let (name, lines) = text.split_once('\n').unwrap_or(("", text));
    let hint = hint(name).unwrap_or(ListHint::None);
    for text in lines.split('\n') {
        match line(text, hint) {
            ListLine::Nothing | ListLine::None => {}
            ListLine::Unknown(path, _) => is_placed(&path),
            ListLine::Sums(path, sums) => {
                is_placed(&path);
                assert!(!sums.is_empty(), "{text:?}");
                for sum in sums {
                    assert!(!sum.kinds.is_empty(), "{text:?}");
                    let is_hex = |b: u8| matches!(b, b'0'..=b'9' | b'a'..=b'f');
                    assert!(sum.hex.bytes().all(is_hex), "{text:?}");
                    let fits = |kind: &Checksum| kind.digits() == sum.hex.len();
                    assert!(sum.kinds.iter().all(fits), "{text:?}");
                }
            }
        }
    }
}

/// The readers of bags that others made: the declaration, and lines of every tag file.
pub(crate) fn tags(data: &[u8]) {
    let declared = match Declaration::parse(data) {
        Ok(declared) => {
            assert!(declared.version <= (1, 0), "{declared:?}");
            declared.version
        }
        Err(_) => (0, 97),
    };
    for encoding in [Encoding::Utf8, Encoding::Latin1, Encoding::Utf16] {
        let Some(text) = encoding.text(data) else {
            continue;
        };
        if let Some(Ok(oxum)) = payload_oxum(&text) {
            assert!(text.contains(&oxum.1.to_string()), "{text:?}");
        }
        let md5 = Checksum::named("md5").expect("a known kind");
        for line in text.lines() {
            if let Ok(Some((path, sum))) = listed(line, Some(md5)) {
                let sum = sum.expect("a known kind has its hash");
                assert_eq!(sum.kinds.as_slice(), [md5], "{line:?}");
                assert!(line.contains(path), "{line:?}");
                is_placed(&decoded(path, declared));
            }
            if let Ok(Some(path)) = to_fetch(line) {
                is_placed(&decoded(path, (1, 0)));
            }
        }
    }
}

/// The readers of media hash lists: what they accept names only what lies inside, by hashes of the
/// right length, and what they say of the rest is harmless.
pub(crate) fn mhl(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    match chain(text) {
        Err(why) => is_harmless(&why.to_string()),
        Ok(entries) => {
            for (entry, number) in entries.iter().zip(1..) {
                assert_eq!(entry.number, number);
                assert!(!entry.path.contains('/'), "{entry:?}");
                assert_eq!(entry.sha512.len(), 128);
            }
        }
    }
    let generation = match Generation::parse(text) {
        Err(why) => return is_harmless(&why.to_string()),
        Ok(generation) => generation,
    };
    for file in &generation.files {
        is_placed(&file.path);
        is_ignored(&generation.ignore, &file.path, false);
    }
    for folder in unlike_folders(&generation) {
        assert!(folder.files > 0, "{folder:?}");
        if !folder.path.is_empty() {
            stays_inside(&folder.path);
        }
    }
    let history = History {
        folder: "K".into(),
        generations: vec![generation.clone(), generation],
    };
    let mut claims = Claims::default();
    match history.claims(&mut claims) {
        Err(_) => {}
        Ok((files, _)) => {
            let all = claims.into_sorted();
            assert_eq!(files, unlade::units::len64(all.len()));
            for (path, claim) in all {
                stays_inside(path.as_str());
                assert!(path.as_str().starts_with("K/"));
                assert!(!claim.sums.is_empty() || claim.unknown().is_some());
            }
        }
    }
}
