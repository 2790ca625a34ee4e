//! Owns the fault sweep: every kind of fault at every call of the disk seam, power cuts, kills and
//! stops. After each, an independent look at the simulated volumes decides whether the engine told
//! the truth; nothing that the engine counted is believed.
//!
//! Calls that the publisher makes in batches (folder flushes, journal appends) vary in number with
//! the interleaving of threads. Their call numbers are swept up to a fixed bound; a fault that is
//! never reached must leave a PROVEN run, which is checked too.
//!
//! A plain `cargo test` runs a sample of each sweep; `UNLADE_SWEEPS=whole` runs all of it.

use crate::support::job::SMALL;
use crate::support::sim::{Chance, Crash, EIO, Fault, FaultKind, Image, Op, Sim, SimClock};
use crate::support::{bag, sampled, whole_sweeps};
use crate::{support, truth};
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::Duration;
use unlade::digest::Digest;
use unlade::disk::progress::Progress;
use unlade::disk::{ReadBackWay, Stamp};
use unlade::error::{Problem, ProblemKind};
use unlade::event::Silent;
use unlade::existing::source::CardNow;
use unlade::hash_algorithm::AlsoHashes;
use unlade::name::{CardName, is_part_name};
use unlade::plan::destination::{BESIDE_PART, LEFT_EMPTY};
use unlade::plan::terms::Terms;
use unlade::plan::{Form, Plan, PlannedDestination, Refusal};
use unlade::proof::{Closing, Proof};
use unlade::record::journal::{
    JOURNAL, JOURNAL_FORMAT, JOURNAL_VERSION, JournalHead, JournalLine, JournalNaming,
};
use unlade::record::layout::{Layout, Level, RECORDS};
use unlade::record::manifest::{MANIFEST, MANIFEST_HASH, MANIFEST_SIGNATURE, Manifest};
use unlade::record::signature::Signer;
use unlade::record::{checksums, journal, signature};
use unlade::run::{self, CHECKSUMS, Job, REPORT, Tools};
use unlade::verify::{path_of, verify};

const NAME: &str = "20261125-KITES";
pub(crate) const CARD: &str = "/card";
pub(crate) const BOTH: [&str; 2] = ["/a", "/b"];
/// Longest time one run may take before it counts as hung; it takes milliseconds.
const HANG: Duration = Duration::from_secs(30);
/// Most call numbers of one operation that are swept for one kind of fault.
const CALLS_MAX: u64 = 40;

// ---- the card and its runs --------------------------------------------------------------------

/// Sizes around every bound: zero, one buffer, one stripe, one byte more; small files go through
/// the page cache, medium ones to a worker, the rest roll. The last job rolls too.
const FILES: [(&str, usize); 13] = [
    (".hidden", 100),
    ("DCIM/100KITES/EMPTY.DAT", 0),
    ("DCIM/100KITES/IMG_0001.JPG", 3_000),
    ("DCIM/100KITES/IMG_0002.JPG", 4_096),
    ("DCIM/100KITES/IMG_0003.JPG", 4_097),
    ("DCIM/100KITES/IMG_0004.RAW", 16_384),
    ("DCIM/100KITES/IMG_0005.RAW", 16_385),
    ("DCIM/100KITES/MVI_0006.MP4", 54_152),
    ("DCIM/101KITES/IMG_0007.JPG", 8_192),
    ("PRIVATE/CLIP/C0001.MP4", 20_000),
    ("PRIVATE/CLIP/C0001.XML", 700),
    ("PRIVATE/CLIP/C0002.MP4", 32_768),
    ("ZLAST.MOV", 40_001),
];
const FOLDERS: [&str; 6] = [
    "AVF_INFO",
    "DCIM",
    "DCIM/100KITES",
    "DCIM/101KITES",
    "PRIVATE",
    "PRIVATE/CLIP",
];

pub(crate) fn stamp(number: usize) -> Stamp {
    Stamp {
        seconds: 1_795_600_000 + i64::try_from(number).unwrap(),
        nanos: 120_000_000,
    }
}

/// A card and two empty drives.
pub(crate) fn fresh() -> Sim {
    fresh_on("ext4")
}

/// The same with drives of some file system.
fn fresh_on(filesystem: &'static str) -> Sim {
    let sim = Sim::default();
    let mut chance = Chance::new(7);
    let files: Vec<_> = FILES
        .iter()
        .enumerate()
        .map(|(n, (path, bytes))| (*path, chance.bytes(*bytes), stamp(n)))
        .collect();
    sim.add_card(CARD, &files, &FOLDERS);
    for drive in BOTH {
        sim.add_volume(drive, filesystem, 1 << 30);
    }
    sim
}

fn sim_file(sim: &Sim, path: &str) -> Vec<u8> {
    let (folder, name) = path.rsplit_once('/').unwrap();
    sim.files(folder, Image::Visible)[name].clone()
}

/// As after a run that was cut short, on both drives: a journal that vouches for the first five
/// files, one more file that stands there without a record, and a stale part.
fn half_done() -> Sim {
    half_done_on(fresh())
}

fn half_done_on(sim: Sim) -> Sim {
    let plan = plan(&sim, &BOTH).expect("the plan of an empty drive");
    sim.reboot();
    let head = JournalHead {
        layout: plan.layout,
        journal: JOURNAL_FORMAT.to_owned(),
        version: JOURNAL_VERSION,
        offload: NAME.to_owned(),
        started: "2026-11-25T11:00:00.000Z".to_owned(),
        card_path: "/card".into(),
        card_volume_id: plan.card.facts.volume_id.clone(),
        listing_b3: plan.listing.fingerprint(),
        destinations: plan
            .destinations
            .iter()
            .map(PlannedDestination::identity)
            .collect(),
        fills_to: None,
    };
    for drive in BOTH {
        let mut journal = Vec::new();
        head.write_to(&mut journal).unwrap();
        for (at, job) in plan.jobs.iter().take(6).enumerate() {
            let bytes = sim_file(&sim, &format!("{CARD}/{}", job.name.as_str()));
            let path = job.name.under(root(drive).as_ref());
            sim.put_file(path.as_str(), &bytes, job.modified);
            if at < 5 {
                let line = JournalLine {
                    path: job.name.as_str().to_owned(),
                    bytes: job.bytes,
                    modified: job.modified.rfc3339(),
                    blake3: Digest::of(&bytes),
                    also: AlsoHashes::default(),
                    way: ReadBackWay::Direct,
                    read_s: 0.1,
                    readback_s: 0.1,
                    only_zeros: false,
                };
                line.write_to(&mut journal).unwrap();
            }
        }
        let root = root(drive);
        sim.put_file(&format!("{root}/{RECORDS}/{JOURNAL}"), &journal, stamp(0));
        sim.put_file(&format!("{root}/.ZLAST.MOV.unlade-part"), b"torn", stamp(0));
    }
    sim
}

/// As after a finished offload, with one more file on the card since.
fn once_more(sim: Sim) -> Sim {
    assert!(is_proven(&plain(&sim)), "the first offload is proven");
    sim.reboot();
    let more = Chance::new(8).bytes(9_000);
    sim.put_file("/card/DCIM/101KITES/IMG_0008.JPG", &more, stamp(50));
    sim
}

/// The first and the last of these worlds with bags.
fn fresh_bag() -> Sim {
    let sim = fresh();
    sim.keep_bags();
    sim
}

/// How a run ended.
enum End {
    Refused(Refusal),
    Done(Box<Proof>),
}

pub(crate) fn tools(sim: &Sim, cancel: &Arc<AtomicBool>) -> Tools {
    Tools {
        limits: SMALL,
        cancel: Arc::clone(cancel),
        ..support::job::tools(sim.clone())
    }
}

pub(crate) fn job(to: &[&str], copies_needed: usize, layout: Layout) -> Job {
    let job = support::job::job(CARD, to);
    Job {
        name: Some(NAME.to_owned()),
        terms: Terms {
            copies_needed,
            ..job.terms
        },
        form: Form {
            // The plain one is what is there without a flag.
            layout: (layout != Layout::Plain).then_some(layout),
            ..Form::default()
        },
        ..job
    }
}

fn plan(sim: &Sim, to: &[&str]) -> Result<Plan, Refusal> {
    run::prepare(
        &job(to, 2, sim.layout()),
        &tools(sim, &Arc::new(AtomicBool::new(false))),
        &mut Silent,
    )
}

fn offload(sim: &Sim, to: &[&str], copies: usize, cancel: &Arc<AtomicBool>) -> End {
    offload_job(sim, &job(to, copies, sim.layout()), cancel)
}

fn offload_job(sim: &Sim, job: &Job, cancel: &Arc<AtomicBool>) -> End {
    let tools = tools(sim, cancel);
    let end = run::prepare(job, &tools, &mut Silent)
        .and_then(|plan| truth::offload(sim, plan, &tools, &mut Silent));
    match end {
        Ok(proof) => End::Done(Box::new(proof)),
        Err(refusal) => End::Refused(refusal),
    }
}

fn plain(sim: &Sim) -> End {
    offload(sim, &BOTH, 2, &Arc::new(AtomicBool::new(false)))
}

fn is_proven(end: &End) -> bool {
    matches!(end, End::Done(proof) if proof.verdict().is_proven())
}

/// Every problem that stands in the way, and what kept a run from beginning.
fn problems(end: &End) -> &[Problem] {
    match end {
        End::Refused(refusal) => &refusal.reasons,
        End::Done(proof) => proof.problems(),
    }
}

fn words(end: &End) -> String {
    match end {
        End::Refused(refusal) => format!("refused: {:#?}", refusal.reasons),
        End::Done(proof) => format!("{:#?}\n{:#?}", proof.verdict(), proof.problems()),
    }
}

// ---- the independent look ---------------------------------------------------------------------

/// What the card delivered, file by file: what was read in this run, else what is stored.
fn source(sim: &Sim) -> BTreeMap<String, Vec<u8>> {
    let mut files = sim.files(CARD, Image::Visible);
    for (path, bytes) in &mut files {
        match sim.delivered(&format!("{CARD}/{path}")) {
            Some(delivered) if delivered.len() == bytes.len() => *bytes = delivered,
            _ => {}
        }
    }
    files
}

fn root(drive: &str) -> String {
    format!("{drive}/{NAME}")
}

/// Every file of the offload on a drive, by the path that it has in the plain layout.
fn kept(sim: &Sim, drive: &str, image: Image) -> Files {
    let files = sim.files(&root(drive), image).into_iter();
    match sim.layout() {
        Layout::Plain => files.collect(),
        Layout::Bag => files.map(|(p, b)| (bag::as_plain(&p), b)).collect(),
    }
}

/// What is wrong with the bag on a drive. Before its manifest stands it may not pass for one.
fn bag_faults(sim: &Sim, drive: &str, image: Image, is_proven: bool) -> Vec<String> {
    if sim.layout() == Layout::Plain {
        return Vec::new();
    }
    let files = sim.files(&root(drive), image);
    let faults = bag::faults(&files);
    let is_early = faults.is_empty() && !files.contains_key(&format!("{RECORDS}/{MANIFEST}"));
    match is_proven {
        true if !faults.is_empty() => {
            vec![format!("{drive}: no valid bag ({image:?}): {faults:?}")]
        }
        _ if is_early => vec![format!("{drive}: a valid bag before its end ({image:?})")],
        _ => Vec::new(),
    }
}

/// Whether a path is one of the tool's own beside the copies: records and unfinished parts.
fn is_own(path: &str) -> bool {
    path.split('/').next() == Some(RECORDS) || is_part_name(path.rsplit('/').next().unwrap_or(""))
}

/// Whether a drive holds every file and folder of the card, byte for byte.
fn is_complete(sim: &Sim, drive: &str, image: Image) -> bool {
    let copies = kept(sim, drive, image);
    let root = root(drive);
    let folders = sim.folders(sim.layout().payload(Utf8Path::new(&root)).as_str(), image);
    source(sim).iter().all(|(p, b)| copies.get(p) == Some(b))
        && sim.folders(CARD, Image::Visible).is_subset(&folders)
}

/// Unfinished parts that stand on a drive.
fn parts(sim: &Sim, drive: &str) -> Vec<String> {
    let files = sim.files(&root(drive), Image::Visible).into_keys();
    files
        .filter(|p| is_part_name(p.rsplit('/').next().unwrap_or("")))
        .map(|p| format!("{drive}: the part `{p}` was left behind"))
        .collect()
}

/// Whether a power cut leaves empty files on a drive, under names that were given in the last
/// moment.
fn leaves_empty_files(sim: &Sim, drive: &str) -> bool {
    sim.filesystem(drive) == "vfat"
}

/// Empty files where the card's are not empty.
fn left_empty(sim: &Sim, drive: &str) -> Vec<String> {
    let source = source(sim);
    let is_lost = |path: &str, bytes: &[u8]| {
        bytes.is_empty() && source.get(path).is_some_and(|s| !s.is_empty())
    };
    let files = kept(sim, drive, Image::Visible).into_iter();
    files
        .filter(|(path, bytes)| is_lost(path, bytes))
        .map(|(path, _)| format!("{}/{path}", root(drive)))
        .collect()
}

/// Final names that hold other bytes than the card delivered.
fn wrong_names(sim: &Sim, drive: &str, image: Image) -> Vec<String> {
    let source = source(sim);
    kept(sim, drive, image)
        .into_iter()
        .filter(|(path, bytes)| !is_own(path) && source.get(path) != Some(bytes))
        .filter(|(_, bytes)| !(bytes.is_empty() && leaves_empty_files(sim, drive)))
        .map(|(path, _)| format!("{drive}: `{path}` holds other bytes than the card delivered"))
        .collect()
}

/// Everything that is untrue in the records that stand on a drive.
fn untrue_records(sim: &Sim, drive: &str, to: &[&str], image: Image) -> Vec<String> {
    let mut wrong = Vec::new();
    let all: BTreeMap<&str, _> = to.iter().map(|d| (*d, kept(sim, d, image))).collect();
    let files = &all[drive];
    let stands = |name: &str| files.get(&format!("{RECORDS}/{name}"));
    // One that got its name in the last moment may be empty, and the journal stands then.
    let may_be_empty = leaves_empty_files(sim, drive) && stands(JOURNAL).is_some();
    let record = |name: &str| stands(name).filter(|b| !(b.is_empty() && may_be_empty));
    let holds = |on: &str, path: &str, hash: Digest| {
        let there = all[on].get(path);
        there.is_some_and(|b| Digest::of(b) == hash)
    };
    if let Some(bytes) = record(JOURNAL) {
        match journal::read(bytes, &|_| true) {
            Err(why) => wrong.push(format!("{drive}: {why}")),
            Ok(records) => {
                for (path, entry) in records.unwrap_or_default().proven {
                    if !holds(drive, &path, entry.blake3) {
                        wrong.push(format!("{drive}: the journal is wrong about `{path}`"));
                    }
                }
            }
        }
    }
    if let Some(bytes) = record(MANIFEST) {
        let hash = record(MANIFEST_HASH).map(|b| String::from_utf8_lossy(b).into_owned());
        let hash = hash.and_then(|line| checksums::parse_line(line.trim_end()));
        // While the journal stands, the manifest may have been moved alone.
        let is_done = record(JOURNAL).is_none();
        if hash.map_or(is_done, |h| h.0 != Digest::of(bytes)) {
            wrong.push(format!("{drive}: the manifest's own hash is not its hash"));
        }
        match Manifest::from_bytes(bytes) {
            Err(why) => wrong.push(format!("{drive}: {why}")),
            Ok(manifest) => {
                for file in &manifest.files {
                    for copy in file.copies.iter().filter(|c| c.proof.is_read_back()) {
                        let on = to[copy.destination];
                        if !holds(on, &file.path, file.blake3) {
                            wrong.push(format!(
                                "{drive}: the manifest is wrong about `{}` on {on}",
                                file.path
                            ));
                        }
                    }
                }
                // It may be of an earlier run, from before the card held what it holds now.
                let everywhere = manifest.files.iter().all(|f| {
                    f.copies.iter().filter(|c| c.proof.is_read_back()).count() == to.len()
                });
                if manifest.verdict.proven && !everywhere {
                    wrong.push(format!("{drive}: the manifest says PROVEN and is wrong"));
                }
            }
        }
    }
    if let Some(bytes) = record(CHECKSUMS) {
        for line in String::from_utf8_lossy(bytes).lines() {
            // Lists are checked from the offload's folder, so a bag's name `data/`.
            let is_true = |(hash, path): (_, String)| {
                let inside = sim.layout().inside(&path);
                inside.is_some_and(|path| holds(drive, path, hash))
            };
            if !checksums::parse_line(line).is_some_and(is_true) {
                wrong.push(format!("{drive}: the checksum list is wrong: {line}"));
            }
        }
    }
    if record(REPORT).is_some_and(|b| !b.ends_with(b"</html>")) {
        wrong.push(format!("{drive}: the page is cut short"));
    }
    for why in &mut wrong {
        why.push_str(&format!(" ({image:?})"));
    }
    wrong
}

/// Files by relative path.
type Files = BTreeMap<String, Vec<u8>>;

/// What stood on the drives before a run.
struct Before {
    card: Files,
    drives: BTreeMap<&'static str, (Files, BTreeSet<String>)>,
}

impl Before {
    fn of(sim: &Sim) -> Self {
        let drives = BOTH.map(|d| {
            let files = sim.files(d, Image::Visible);
            (d, (files, sim.folders(d, Image::Visible)))
        });
        Self {
            card: sim.files(CARD, Image::Visible),
            drives: drives.into(),
        }
    }
}

/// Everything that must hold whatever went wrong. Returns what does not.
fn violations(sim: &Sim, before: &Before, end: &End) -> Vec<String> {
    let mut wrong = sim.misuse();
    if sim.files(CARD, Image::Visible) != before.card {
        wrong.push("the card was changed".to_owned());
    }
    for drive in BOTH {
        let now = sim.files(drive, Image::Visible);
        let (then, _) = &before.drives[drive];
        for (path, bytes) in then {
            let inside = path.strip_prefix(&format!("{NAME}/")).unwrap_or(path);
            let is_tag = sim.layout() == Layout::Bag && bag::TAGS.contains(&inside);
            if !is_tag && !is_own(inside) && now.get(path) != Some(bytes) {
                wrong.push(format!(
                    "{drive}: `{path}` was there before and was changed"
                ));
            }
        }
        wrong.extend(wrong_names(sim, drive, Image::Visible));
        wrong.extend(untrue_records(sim, drive, &BOTH, Image::Visible));
        wrong.extend(bag_faults(sim, drive, Image::Visible, is_proven(end)));
    }
    wrong.extend(
        problems(end)
            .iter()
            .filter(|p| p.detail.contains("broke down"))
            .map(|p| p.detail.clone()),
    );
    let End::Done(proof) = end else { return wrong };
    for (at, drive) in BOTH.iter().enumerate() {
        let says = proof.tallies().get(at).is_some_and(|t| t.is_complete);
        if says && !is_complete(sim, drive, Image::Visible) {
            wrong.push(format!("{drive} is said to be complete and is not"));
        }
    }
    if proof.verdict().is_proven() {
        if proof.verdict().copies() != BOTH.len() {
            wrong.push(format!("PROVEN with {} copies", proof.verdict().copies()));
        }
        for drive in BOTH {
            for image in [Image::Visible, Image::Durable] {
                if !is_complete(sim, drive, image) {
                    wrong.push(format!(
                        "a false PROVEN: {drive} is not complete ({image:?})"
                    ));
                }
                wrong.extend(untrue_records(sim, drive, &BOTH, image));
                wrong.extend(bag_faults(sim, drive, image, true));
                let files = sim.files(&root(drive), image);
                let manifest = files.get(&format!("{RECORDS}/{MANIFEST}"));
                let manifest = manifest.and_then(|b| Manifest::from_bytes(b).ok());
                let of_all = manifest.is_some_and(|m| {
                    m.verdict.proven
                        && m.files
                            .iter()
                            .map(|f| &*f.path)
                            .eq(before.card.keys().map(String::as_str))
                });
                if !of_all {
                    wrong.push(format!(
                        "PROVEN without its manifest on {drive} ({image:?})"
                    ));
                }
            }
            wrong.extend(parts(sim, drive));
        }
    }
    wrong
}

// ---- the sweep --------------------------------------------------------------------------------

/// One fault on one state of the world.
#[derive(Clone, Debug)]
struct Case {
    world: &'static str,
    fault: Fault,
}

/// Every world; each is made once.
fn worlds() -> &'static [(&'static str, Sim)] {
    static WORLDS: OnceLock<[(&str, Sim); 9]> = OnceLock::new();
    WORLDS.get_or_init(|| {
        [
            ("fresh", fresh()),
            ("half done", half_done()),
            ("once more", once_more(fresh())),
            ("bag", fresh_bag()),
            ("bag once more", once_more(fresh_bag())),
            ("FAT", fresh_on("vfat")),
            ("FAT once more", once_more(fresh_on("vfat"))),
            ("NTFS", fresh_on("ntfs3")),
            ("NTFS once more", once_more(fresh_on("ntfs3"))),
        ]
    })
}

/// Returns a world of one's own.
fn world(name: &str) -> Sim {
    let (_, world) = worlds().iter().find(|w| w.0 == name).unwrap();
    world.fork()
}

/// The kinds of faults that an operation can meet.
fn kinds(op: Op) -> Vec<FaultKind> {
    let mut kinds = vec![FaultKind::Errno(EIO), FaultKind::Vanished, FaultKind::Slow];
    if op.takes_room() {
        kinds.push(FaultKind::Full);
    }
    match op {
        Op::WriteChunk => kinds.extend([
            FaultKind::ShortWrite,
            FaultKind::ShortWriteUntold,
            FaultKind::FlipBitOnWrite,
            FaultKind::LostWrite,
        ]),
        // The journal is not read back while it is written, so a silent fault there is out of
        // reach; the loud one must not cost more than the destination.
        Op::JournalAppend => kinds.push(FaultKind::ShortWrite),
        Op::CardRead | Op::ReadBackRead => {
            kinds.extend([FaultKind::FlipBitOnRead, FaultKind::ShortRead]);
        }
        _ => {}
    }
    kinds
}

/// Call numbers from 1 to `last`: all of them, or so many evenly spaced ones with both ends.
fn spread(last: u64, most: u64) -> Vec<u64> {
    if last <= most {
        return (1..=last).collect();
    }
    (0..most).map(|n| 1 + n * (last - 1) / (most - 1)).collect()
}

/// Every case on one world: what its own undisturbed run calls, each call with each fault.
fn cases(world_name: &'static str, most: u64, wanted: impl Fn(FaultKind) -> bool) -> Vec<Case> {
    let sim = world(world_name);
    assert!(is_proven(&plain(&sim)), "undisturbed: {world_name}");
    let mut cases = Vec::new();
    for volume in [CARD, "/a"] {
        for (op, count) in sim.calls(volume) {
            // Batched calls: see the head of this file.
            let last = match op {
                Op::Flush => 24,
                Op::FlushEverything | Op::JournalAppend => 8,
                _ => count,
            };
            for kind in kinds(op).into_iter().filter(|k| wanted(*k)) {
                let most = if kind == FaultKind::Slow { 4 } else { most };
                for call in spread(last, most) {
                    let fault = Fault {
                        volume,
                        op,
                        call,
                        kind,
                    };
                    cases.push(Case {
                        world: world_name,
                        fault,
                    });
                }
            }
        }
    }
    cases
}

/// What a fault that took effect must have come to, beyond what must always hold.
fn expectations(sim: &Sim, before: &Before, case: &Case, end: &End) -> Vec<String> {
    let mut wrong = Vec::new();
    let Fault {
        volume,
        op,
        kind,
        call,
    } = case.fault;
    let on_card = volume == CARD;
    let before_fault = |op| sim.calls_before_fault(volume, op);
    // What is listed of a drive once something got its name says what is in place; before that, and
    // once more when the journals have their heads, how much room others need.
    let is_planning = before_fault(Op::JournalAppend) <= 1 && before_fault(Op::RenameNew) == 0;
    let all_was_read =
        before_fault(Op::CardRead) == sim.calls(CARD).get(&Op::CardRead).copied().unwrap_or(0);
    // A card that fails once is healed by the second pass; a bit that the reader flips cannot be
    // seen without reading the card twice, and the copies equal what was delivered.
    let harmless = !sim.fired()
        || matches!(kind, FaultKind::Slow | FaultKind::ShortRead)
        || (op == Op::CardRead && kind == FaultKind::FlipBitOnRead)
        || (matches!(op, Op::CardRead | Op::OpenCard) && kind == FaultKind::Errno(EIO))
        // Where a sample cannot be read, or differs, nothing is kept unread: all of it is compared.
        || (on_card
            && matches!(op, Op::OpenReadBack | Op::ReadBackRead)
            && matches!(kind, FaultKind::FlipBitOnRead | FaultKind::Errno(EIO)))
        // Room that others need is not known then; where it lacks a write will say so.
        || (!on_card
            && op == Op::Walk
            && kind == FaultKind::Errno(EIO)
            && is_planning
            && matches!(end, End::Done(_)))
        // A look on the timer that fails once is made again before anything is told.
        || (op == Op::Facts && kind == FaultKind::Errno(EIO) && sim.fault_met_by() == "watch")
        // Where the card is when all of it was read and listed again is told beside the verdict,
        // which is about what was read.
        || (on_card
            && (op == Op::Facts || (op == Op::Walk && kind == FaultKind::Vanished))
            && all_was_read
            && matches!(end, End::Done(proof) if proof.verdict().is_proven()
                && (proof.card_now() == CardNow::Gone
                    // It failed once, and the last look found the card and all that is on it.
                    || (kind == FaultKind::Errno(EIO) && proof.card_now() == CardNow::Unchanged))))
        // The looks before each file; one that fails is followed by a full look.
        || (on_card && op == Op::Look && kind == FaultKind::Errno(EIO) && call > 1);
    if harmless != is_proven(end) {
        wrong.push(format!("PROVEN was expected to be {harmless}"));
    }
    if harmless {
        return wrong;
    }
    let allowed: &[ProblemKind] = match kind {
        FaultKind::Full => &[ProblemKind::NoRoom],
        FaultKind::ShortWriteUntold
        | FaultKind::FlipBitOnWrite
        | FaultKind::LostWrite
        | FaultKind::FlipBitOnRead => &[ProblemKind::Mismatch],
        _ if on_card => &[ProblemKind::Unreadable, ProblemKind::Vanished],
        // Records that cannot be read cannot be trusted.
        _ if matches!(op, Op::Look | Op::ReadRecord) => &[
            ProblemKind::WriteFailed,
            ProblemKind::Vanished,
            ProblemKind::ManifestDamaged,
        ],
        _ => &[ProblemKind::WriteFailed, ProblemKind::Vanished],
    };
    let place = (!on_card).then_some(0);
    let told = problems(end)
        .iter()
        .any(|p| p.blocking && p.destination == place && allowed.contains(&p.kind));
    if !told {
        wrong.push(format!("none of {allowed:?} is told about {volume}"));
    }
    let blamed = problems(end).iter().find(|p| p.destination == Some(1));
    if let Some(problem) = blamed {
        wrong.push(format!("/b had no part in it: {problem:?}"));
    }
    match end {
        End::Refused(_) => {
            for drive in BOTH {
                let gone = drive == volume && kind == FaultKind::Vanished;
                let files = sim.files(drive, Image::Visible);
                let (then, folders) = &before.drives[drive];
                if !gone
                    && (!files.keys().eq(then.keys())
                        || sim.folders(drive, Image::Visible) != *folders)
                {
                    wrong.push(format!("refused, and something is left behind on {drive}"));
                }
            }
        }
        End::Done(proof) if !on_card => {
            let tally = proof.tallies().get(1);
            let manifest = format!("{RECORDS}/{MANIFEST}");
            for image in [Image::Visible, Image::Durable] {
                if !is_complete(sim, "/b", image)
                    || !sim.files(&root("/b"), image).contains_key(&manifest)
                {
                    wrong.push(format!("/b did not finish ({image:?})"));
                }
            }
            if !tally.is_some_and(|t| t.is_complete) || proof.verdict().copies() != 1 {
                wrong.push(format!("/b is not counted: {tally:?}"));
            }
        }
        End::Done(proof) => {
            if let Some(d) = proof.offloaded().destinations.iter().find(|d| d.failed) {
                wrong.push(format!("a destination was dropped for the card: {d:?}"));
            }
        }
    }
    wrong
}

/// Runs a piece of work with a bound on its time; a hang or a panic is told with the case.
fn guarded<T: Send + 'static>(case: &str, work: impl FnOnce() -> T + Send + 'static) -> T {
    let (tx, rx) = crossbeam_channel::bounded(1);
    let thread = std::thread::spawn(move || drop(tx.send(work())));
    match rx.recv_timeout(HANG) {
        Ok(result) => {
            thread.join().unwrap();
            result
        }
        Err(why) => panic!("{case}: did not end ({why})"),
    }
}

/// What came of the cases of a sweep.
#[derive(Default)]
struct Swept {
    fired: usize,
    bad: Vec<String>,
}

/// Runs every case, two at a time, each on a world of its own, and every `again`-th a second time
/// without its fault.
fn sweep(cases: &[Case], again: usize, prepare: fn(&Sim)) -> Swept {
    let next = AtomicUsize::new(0);
    let swept = Mutex::new(Swept::default());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    let Some(case) = cases.get(at) else { break };
                    let (one, twice) = (case.clone(), at.is_multiple_of(again));
                    let (fired, bad) =
                        guarded(&format!("{case:?}"), move || run_case(&one, twice, prepare));
                    let mut swept = swept.lock().unwrap();
                    swept.fired += usize::from(fired);
                    swept.bad.extend(bad);
                }
            });
        }
    });
    swept.into_inner().unwrap()
}

fn run_case(case: &Case, twice: bool, prepare: fn(&Sim)) -> (bool, Option<String>) {
    let sim = world(case.world);
    prepare(&sim);
    let before = Before::of(&sim);
    sim.arm(case.fault.clone());
    let end = plain(&sim);
    let fired = sim.fired();
    let mut wrong = violations(&sim, &before, &end);
    wrong.extend(expectations(&sim, &before, case, &end));
    // What a reader flipped is proven and stays; every other case must heal.
    if twice && !(case.fault.op == Op::CardRead && case.fault.kind == FaultKind::FlipBitOnRead) {
        sim.reboot();
        wrong.extend(
            resume(&sim)
                .into_iter()
                .map(|w| format!("the same command again: {w}")),
        );
    }
    let bad = (!wrong.is_empty()).then(|| format!("{case:?}\n{wrong:#?}\n{}\n", words(&end)));
    (fired, bad)
}

fn assert_clean(swept: &Swept) {
    assert!(
        swept.bad.is_empty(),
        "{} cases went wrong:\n{}",
        swept.bad.len(),
        swept.bad.iter().take(8).cloned().collect::<String>()
    );
}

#[test]
fn an_undisturbed_run_is_proven_and_calls_everything() {
    let mut called: BTreeSet<Op> = BTreeSet::new();
    for (name, _) in worlds() {
        let sim = world(name);
        let before = Before::of(&sim);
        let end = plain(&sim);
        assert!(is_proven(&end), "{name}: {}", words(&end));
        assert_eq!(violations(&sim, &before, &end), [""; 0], "{name}");
        for volume in [CARD, "/a", "/b"] {
            called.extend(sim.calls(volume).keys());
        }
    }
    // The one call that only a refusal makes: what was begun on /a is undone.
    let sim = fresh();
    let before = Before::of(&sim);
    sim.arm(Fault {
        volume: "/b",
        op: Op::OpenJournal,
        call: 1,
        kind: FaultKind::Errno(EIO),
    });
    let end = plain(&sim);
    assert!(matches!(end, End::Refused(_)), "{}", words(&end));
    let now = Before::of(&sim);
    assert!(now.drives == before.drives, "a refusal leaves nothing");
    called.extend(sim.calls("/a").keys());
    let missed: Vec<Op> = Op::ALL
        .into_iter()
        .filter(|o| !called.contains(o))
        .collect();
    assert_eq!(missed, [], "every kind of call is made");
}

#[test]
fn no_fault_at_any_call_makes_a_false_proven() {
    let mut all = cases("fresh", CALLS_MAX, |_| true);
    // The other worlds add the paths of resuming and of earlier records.
    let loud = |kind| matches!(kind, FaultKind::Errno(_) | FaultKind::Vanished);
    all.extend(cases("half done", 8, loud));
    all.extend(cases("once more", 8, loud));
    all.extend(cases("bag", 5, loud));
    all.extend(cases("bag once more", 5, loud));
    all.extend(cases("FAT", 3, loud));
    all.extend(cases("NTFS", 3, loud));
    assert!(all.len() >= CASES, "the sweep shrank to {}", all.len());
    let all = sampled(all, 40);
    let swept = sweep(&all, 12, |_| {});
    assert_clean(&swept);
    assert!(
        swept.fired * 10 >= all.len() * 9,
        "only {} of {} faults took effect",
        swept.fired,
        all.len()
    );
}

/// Cases of the sweep when it was written; more calls make more cases.
const CASES: usize = 1_470;

/// The negative control: read-backs that are answered from what was handed over for writing, as a
/// page cache would, must be caught lying. If they are not, the sweep proves nothing.
#[test]
fn the_sweep_bites_a_read_back_from_memory() {
    let flips = |kind| {
        matches!(
            kind,
            FaultKind::FlipBitOnWrite | FaultKind::LostWrite | FaultKind::ShortWriteUntold
        )
    };
    let all = sampled(cases("fresh", 20, flips), 16);
    let swept = sweep(&all, usize::MAX, Sim::read_back_from_memory);
    let caught = swept.bad.iter().filter(|b| b.contains("a false PROVEN"));
    assert!(
        caught.count() * 2 > all.len(),
        "most of {} lies must show: {}",
        all.len(),
        swept.bad.len()
    );
}

#[test]
fn a_file_that_cannot_be_read_costs_only_itself() {
    let sim = fresh();
    let lost = "DCIM/100KITES/MVI_0006.MP4";
    sim.make_unreadable(&format!("{CARD}/{lost}"));
    let end = plain(&sim);
    assert!(!is_proven(&end));
    let found: Vec<_> = problems(&end)
        .iter()
        .filter(|p| p.kind == ProblemKind::Unreadable)
        .map(|p| p.path.as_deref())
        .collect();
    assert_eq!(found, [Some(lost)], "{}", words(&end));
    for drive in BOTH {
        assert_eq!(wrong_names(&sim, drive, Image::Visible), [""; 0]);
        let copies = sim.files(&root(drive), Image::Durable);
        for (path, _) in FILES.iter().filter(|(p, _)| *p != lost) {
            assert!(copies.contains_key(*path), "{drive}: {path}");
        }
        assert_eq!(parts(&sim, drive), [""; 0]);
    }
}

/// What a drive stores wrong in a long file is known at the end of its stripe, not at the file's.
#[test]
fn a_mismatch_is_known_at_its_stripe() {
    let sim = Sim::default();
    let clip = ("C0001.MP4", Chance::new(7).bytes(54_152), stamp(0));
    sim.add_card(CARD, &[clip], &[]);
    for drive in BOTH {
        sim.add_volume(drive, "ext4", 1 << 30);
    }
    sim.arm(Fault {
        volume: "/a",
        op: Op::WriteChunk,
        call: 6,
        kind: FaultKind::FlipBitOnWrite,
    });
    let end = plain(&sim);
    assert!(sim.fired() && !is_proven(&end));
    // The sixth buffer ends at 24,576, the second stripe at 32,768.
    let found = problems(&end).iter();
    let mut found = found.filter(|p| p.kind == ProblemKind::Mismatch);
    let is_placed = |p: &Problem| p.detail.contains("before byte 32768;");
    assert!(found.next().is_some_and(is_placed), "{}", words(&end));
    assert_eq!(found.next(), None, "it is told once");
}

/// Two runs to one drive each may have met different bytes under one name, size and date. Together
/// they are not two copies of one card.
#[test]
fn copies_that_differ_are_never_two_proven_copies() {
    let sim = fresh();
    let idle = Arc::new(AtomicBool::new(false));
    sim.arm(Fault {
        volume: CARD,
        op: Op::CardRead,
        call: 5,
        kind: FaultKind::FlipBitOnRead,
    });
    assert!(is_proven(&offload(&sim, &["/a"], 1, &idle)));
    assert!(sim.fired());
    sim.reboot();
    assert!(is_proven(&offload(&sim, &["/b"], 1, &idle)));
    sim.reboot();
    let end = plain(&sim);
    assert!(
        !is_proven(&end) || is_complete(&sim, "/a", Image::Visible),
        "/a holds a file that differs from /b's: {}",
        words(&end)
    );
}

/// Every file of a proven offload, flipped one at a time at its first, middle or last byte.
#[test]
fn a_bit_that_rots_later_is_found_by_verify() {
    let done = fresh();
    assert!(is_proven(&plain(&done)));
    let at = Utf8PathBuf::from(root("/b"));
    let check = |sim: &Sim| {
        verify(
            sim,
            &SimClock::on_day(1_800),
            &at,
            &Progress::default(),
            unlade::report::page::page,
        )
    };
    assert!(check(&done).unwrap().is_clean());
    for (n, (path, bytes)) in FILES.iter().enumerate().filter(|(_, f)| f.1 > 0) {
        let sim = done.fork();
        sim.rot(&format!("{at}/{path}"), [0, bytes / 2, bytes - 1][n % 3]);
        let findings = check(&sim).unwrap();
        assert_eq!(findings.counts(), (0, 1, 0), "{path}");
        assert_eq!(path_of(&findings.findings[0]), *path);
    }
    for (record, byte) in [(MANIFEST, 700), (MANIFEST_HASH, 10)] {
        let sim = done.fork();
        sim.rot(&format!("{at}/{RECORDS}/{record}"), byte);
        assert!(check(&sim).is_err(), "{record}");
    }
}

/// One thing that is changed before the verdict.
type Change = fn(&mut Plan, &mut unlade::offload::Offloaded, &mut Closing);

/// A sound job, weighed again with one thing short of sound: each alone is enough for NOT PROVEN,
/// whether anybody told a problem or not.
#[test]
fn the_verdict_takes_nothing_for_granted() {
    let sim = fresh();
    let End::Done(proof) = plain(&sim) else {
        panic!("refused");
    };
    let cases: [(&str, bool, Change); 12] = [
        ("as it is", true, |_, _, _| {}),
        ("read a second time", true, |plan, _, closing| {
            (plan.terms.level, closing.reread_equal) = (Level::Reread, true);
        }),
        ("not read a second time", false, |plan, _, _| {
            plan.terms.level = Level::Reread;
        }),
        ("written only", false, |plan, _, _| {
            plan.terms.level = Level::Written;
        }),
        ("too few copies", false, |plan, _, _| {
            plan.terms.copies_needed = 3;
        }),
        ("stopped", false, |_, offloaded, _| {
            offloaded.interrupted = true;
        }),
        ("a file without a hash", false, |_, offloaded, _| {
            offloaded.files[3].blake3 = None;
        }),
        ("a file without a copy", false, |_, offloaded, _| {
            offloaded.files[3].copies[1] = unlade::offload::CopyState::None;
        }),
        ("a file that was flushed only", false, |_, offloaded, _| {
            offloaded.files[3].copies[1] = unlade::offload::CopyState::Written;
        }),
        (
            "a file of which nothing is known",
            false,
            |_, offloaded, _| {
                offloaded.files.pop();
            },
        ),
        (
            "a file that nobody was to copy",
            false,
            |plan, offloaded, _| {
                plan.jobs.pop();
                offloaded.files.pop();
            },
        ),
        ("a folder that is not in place", false, |_, _, closing| {
            closing.destinations[0].as_mut().unwrap().folders -= 1;
        }),
    ];
    for (what, proven, change) in cases {
        let (mut plan, mut offloaded) = (proof.plan().clone(), proof.offloaded().clone());
        let mut closing = Closing {
            listing: Ok(plan.listing.clone()),
            destinations: proof.tallies().iter().map(|t| Ok(t.in_place)).collect(),
            card_now: proof.card_now(),
            changed: Vec::new(),
            reread_equal: false,
            times: proof.times(),
        };
        change(&mut plan, &mut offloaded, &mut closing);
        let again = Proof::judge(Arc::new(plan), offloaded, closing);
        let verdict = again.verdict();
        assert_eq!(
            verdict.is_proven(),
            proven,
            "{what}: {:?}",
            verdict.reasons()
        );
        assert_eq!(verdict.reasons().is_empty(), proven, "{what}");
    }
}

/// What the computer's memory answers says nothing of the drive, also when all of it fits.
#[test]
fn a_check_that_did_not_reach_the_drive_is_not_clean() {
    let sim = fresh();
    assert!(is_proven(&plain(&sim)));
    let check = || {
        let at = Utf8PathBuf::from(root("/b"));
        let page = unlade::report::page::page;
        verify(&sim, &SimClock::on_day(9), &at, &Progress::default(), page).unwrap()
    };
    assert!(check().is_clean());
    sim.cache_all_reads();
    let findings = check();
    assert_eq!(
        (findings.counts(), findings.way),
        ((0, 0, 0), ReadBackWay::Cached)
    );
    assert!(!findings.is_clean() && !findings.reached_device());
}

// ---- power cuts, kills and stops --------------------------------------------------------------

/// The calls that make something durable or give it its name: between any two of them a power cut
/// leaves another state.
const STEPS: [Op; 6] = [
    Op::RenameNew,
    Op::Flush,
    Op::FlushEverything,
    Op::FlushData,
    Op::FlushAll,
    Op::JournalAppend,
];

fn steps_of_a_run(sim: &Sim) -> u64 {
    let sim = sim.fork();
    assert!(is_proven(&plain(&sim)));
    let calls = BOTH.map(|d| sim.calls(d));
    let steps = calls
        .iter()
        .flat_map(|c| STEPS.map(|op| c.get(&op).copied().unwrap_or(0)));
    steps.sum()
}

/// How a run is cut short.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Cut {
    /// The power goes; see [`Crash`].
    Power(Crash),
    /// The program is killed; what is visible stays.
    Kill,
}

fn cut_short(sim: &Sim, step: u64, cut: Cut) -> Vec<String> {
    sim.cut_power_at(&STEPS, step);
    let mut wrong = Vec::new();
    if is_proven(&plain(sim)) {
        // The whole run made fewer steps than were bargained for.
        wrong.extend(
            BOTH.iter()
                .filter(|d| !is_complete(sim, d, Image::Durable))
                .map(|d| format!("a false PROVEN on {d}")),
        );
    }
    match cut {
        Cut::Power(crash) => sim.crash(crash),
        Cut::Kill => sim.reboot(),
    }
    for drive in BOTH {
        wrong.extend(wrong_names(sim, drive, Image::Visible));
        wrong.extend(untrue_records(sim, drive, &BOTH, Image::Visible));
        wrong.extend(bag_faults(sim, drive, Image::Visible, false));
    }
    wrong
}

/// Runs the same job again and says what is wrong with it.
fn resume(sim: &Sim) -> Vec<String> {
    let mut wrong = Vec::new();
    let mut before = Before::of(sim);
    // What a pull left of this very job is set right; see `what_somebody_else_left_empty_stays`.
    for drive in BOTH {
        for path in left_empty(sim, drive) {
            let (files, _) = before.drives.get_mut(drive).unwrap();
            files.remove(path.strip_prefix(&format!("{drive}/")).unwrap());
        }
    }
    let journalled: Vec<usize> = BOTH.iter().map(|d| journalled(sim, d)).collect();
    match plan(sim, &BOTH) {
        Err(refusal) => return vec![format!("resuming was refused: {:#?}", refusal.reasons)],
        Ok(plan) => {
            for (planned, vouched) in plan.destinations.iter().zip(journalled) {
                if usize::try_from(planned.kept_files).unwrap() < vouched {
                    wrong.push(format!(
                        "the journal on {} vouches for {vouched} files, {} are kept",
                        planned.given, planned.kept_files
                    ));
                }
            }
        }
    }
    let end = plain(sim);
    wrong.extend(violations(sim, &before, &end));
    if !is_proven(&end) {
        wrong.push(format!("not PROVEN after resuming: {}", words(&end)));
    }
    wrong
}

/// Returns for how many files the journal on a drive vouches.
fn journalled(sim: &Sim, drive: &str) -> usize {
    let files = sim.files(&root(drive), Image::Visible);
    let journal = files.get(&format!("{RECORDS}/{JOURNAL}"));
    journal.map_or(0, |bytes| {
        let records = journal::read(bytes, &|_| true).ok().flatten();
        records.map_or(0, |r| r.proven.len())
    })
}

fn cut_of(n: u64) -> Cut {
    match n % 4 {
        0 => Cut::Power(Crash::Strict),
        1 | 2 => Cut::Power(Crash::Torn(n)),
        _ => Cut::Kill,
    }
}

#[test]
fn a_power_cut_or_kill_at_any_step_can_be_resumed() {
    let steps = steps_of_a_run(&fresh());
    let mut points: Vec<(u64, Cut)> = (0..)
        .zip(spread(steps, 84))
        .map(|(n, step)| (step, cut_of(n)))
        .collect();
    let powered = points.iter().filter(|(_, cut)| *cut != Cut::Kill);
    assert!(powered.count() >= 60, "{} points", points.len());
    // Every kill while the folders are made: what stands there then is not yet durable.
    points.extend((1..=24).map(|step| (step, Cut::Kill)));
    // The records take the journal's place in the last steps: one of them must survive.
    for step in steps - 9..=steps {
        points.extend((0..5).map(|seed| (step, Cut::Power(Crash::Torn(seed)))));
    }
    for (step, cut) in sampled(points, 10) {
        let case = format!("step {step}, {cut:?}");
        let wrong = guarded(&case, move || {
            let sim = fresh();
            let mut wrong = cut_short(&sim, step, cut);
            wrong.extend(resume(&sim));
            wrong
        });
        assert!(wrong.is_empty(), "{case}: {wrong:#?}");
    }
}

/// The same with drives of other habits, also where earlier records are moved aside meanwhile.
#[test]
fn a_cut_on_fat_or_ntfs_at_any_step_can_be_resumed() {
    let mut empty = 0;
    for name in ["FAT", "FAT once more", "NTFS", "NTFS once more"] {
        let steps = steps_of_a_run(&world(name));
        let points = (0..).zip(spread(steps, 48));
        let points = points.map(|(n, step)| (step, cut_of(n)));
        let last = (steps - 14..=steps).flat_map(|step| {
            (0..4).map(move |seed| match seed {
                0 => (step, Cut::Power(Crash::Strict)),
                _ => (step, Cut::Power(Crash::Torn(seed))),
            })
        });
        for (step, cut) in sampled(points.chain(last).collect(), 6) {
            let case = format!("{name}, step {step} of {steps}, {cut:?}");
            let (wrong, left) = guarded(&case, move || {
                let sim = world(name);
                let mut wrong = cut_short(&sim, step, cut);
                let left = BOTH.iter().flat_map(|d| left_empty(&sim, d)).count();
                wrong.extend(resume(&sim));
                (wrong, left)
            });
            assert!(wrong.is_empty(), "{case}: {wrong:#?}");
            empty += left;
        }
    }
    // A sample may miss it.
    assert!(
        empty > 0 || !whole_sweeps(),
        "no cut fell between a name and its settling"
    );
}

/// Every step at which a FAT drive can be left with empty files, and then a second cut while the
/// next run sets them right.
#[test]
fn empty_files_that_a_pull_left_are_copied_anew() {
    let steps = steps_of_a_run(&world("FAT"));
    let mut left = 0;
    for step in (1..=steps).step_by(2) {
        let case = format!("step {step} of {steps}");
        let (wrong, empty) = guarded(&case, move || {
            let sim = world("FAT");
            let mut wrong = cut_short(&sim, step, Cut::Power(Crash::Strict));
            let empty = BOTH.iter().flat_map(|d| left_empty(&sim, d)).count();
            if empty > 0 {
                let second = sim.fork();
                wrong.extend(cut_short(&second, 1 + step % 12, cut_of(step)));
                wrong.extend(resume(&second));
                wrong.extend(resume(&sim));
            }
            (wrong, empty)
        });
        assert!(wrong.is_empty(), "{case}: {wrong:#?}");
        left += usize::from(empty > 0);
    }
    assert!(left > 1, "{left} cuts left empty files");
}

/// FAT drives that were pulled while a file got its name: `/a` is left with an empty one.
fn pulled_fat() -> Sim {
    let sim = half_done_on(fresh_on("vfat"));
    let jobs = plan(&sim, &BOTH).unwrap().jobs;
    sim.reboot();
    let path = jobs[5].name.as_str().to_owned();
    let at = format!("{}/{path}", root("/a"));
    sim.take_file(&at);
    sim.put_file(&at, b"", stamp(0));
    let place = format!("{}/{RECORDS}/{JOURNAL}", root("/a"));
    let mut journal = sim_file(&sim, &place);
    let naming = vec![path];
    JournalNaming { naming }.write_to(&mut journal).unwrap();
    sim.take_file(&place);
    sim.put_file(&place, &journal, stamp(0));
    sim
}

/// On the same drive, beside such files: an empty file of which the journal says nothing is not
/// ours.
#[test]
fn what_somebody_else_left_empty_stays() {
    let sim = pulled_fat();
    let ours = left_empty(&sim, "/a");
    let stands = kept(&sim, "/a", Image::Visible);
    let source = source(&sim);
    let mut free = source.keys().filter(|path| !stands.contains_key(*path));
    let other = free.find(|path| !source[*path].is_empty()).unwrap().clone();
    let at = format!("{}/{other}", root("/a"));
    sim.put_file(&at, b"", stamp(0));
    let before = sim.files("/a", Image::Visible);
    let told = |sim: &Sim| -> Vec<(String, Option<String>)> {
        let reasons = plan(sim, &BOTH).unwrap_err().reasons.into_iter();
        let of_files = reasons.filter(|r| r.path.is_some());
        of_files.map(|r| (r.detail, r.path)).collect()
    };
    assert_eq!(told(&sim), [(LEFT_EMPTY.to_owned(), Some(other))]);
    assert!(matches!(plain(&sim), End::Refused(_)));
    let now = sim.files("/a", Image::Visible);
    assert_eq!(now, before, "nothing was changed");
    sim.reboot();
    sim.take_file(&at);
    // In another place the journal speaks of nothing: the offload was copied there by hand.
    let elsewhere = sim.fork();
    let files = elsewhere.files("/a", Image::Visible);
    elsewhere.unplug("/a");
    elsewhere.add_volume("/a", "vfat", 1 << 30);
    for (path, bytes) in &files {
        elsewhere.put_file(&format!("/a/{path}"), bytes, stamp(0));
    }
    let told = told(&elsewhere);
    let is_ours = |path: &Option<String>| {
        let path = path.as_deref().unwrap();
        ours.contains(&format!("{}/{path}", root("/a")))
    };
    let is_left = |(why, path): &(String, _)| why == LEFT_EMPTY && is_ours(path);
    assert!(!told.is_empty() && told.iter().all(is_left), "{told:?}");
    assert_eq!(resume(&sim), [""; 0]);
}

/// On FAT what a pull left of parts may lie in room that is shown as free: it goes before the
/// journal grows.
#[test]
fn left_parts_go_before_anything_new_takes_room() {
    let sim = half_done_on(fresh_on("vfat"));
    assert!(BOTH.iter().all(|drive| !parts(&sim, drive).is_empty()));
    sim.cut_power_at(&[Op::JournalAppend], 1);
    plain(&sim);
    sim.reboot();
    assert_eq!(parts(&sim, BOTH[0]), [""; 0]);
    assert_eq!(resume(&sim), [""; 0]);
}

/// Old and new name of a file at once lead to the same clusters of a FAT drive; neither is removed.
#[test]
fn a_file_that_stands_beside_its_part_after_a_pull_is_left_alone() {
    let sim = pulled_fat();
    let empty = left_empty(&sim, "/a").swap_remove(0);
    let path = empty.strip_prefix(&format!("{}/", root("/a"))).unwrap();
    let bytes = source(&sim)[path].clone();
    let part = CardName::parse(path)
        .unwrap()
        .part_under(root("/a").as_ref());
    sim.take_file(&empty);
    sim.put_file(&empty, &bytes, stamp(0));
    sim.put_file(part.as_str(), &bytes, stamp(0));
    let before = sim.files("/a", Image::Visible);
    let reasons = plan(&sim, &BOTH).unwrap_err().reasons;
    assert!(
        reasons
            .iter()
            .any(|r| r.detail == BESIDE_PART && r.path.as_deref() == Some(path)),
        "{reasons:?}"
    );
    assert!(matches!(plain(&sim), End::Refused(_)));
    assert_eq!(sim.files("/a", Image::Visible), before);
    // After a check of the drive, and the part deleted.
    sim.reboot();
    sim.take_file(part.as_str());
    assert_eq!(resume(&sim), [""; 0]);
}

/// The power goes right after PROVEN, and on one drive in three ways.
#[test]
fn what_was_proven_outlives_a_power_cut() {
    for (name, _) in worlds() {
        let sim = world(name);
        assert!(is_proven(&plain(&sim)), "{name}");
        for crash in [Crash::Strict, Crash::Torn(1), Crash::Torn(2)] {
            let sim = sim.fork();
            sim.crash(crash);
            for drive in BOTH {
                assert!(
                    is_complete(&sim, drive, Image::Visible),
                    "{name}, {drive}, {crash:?}"
                );
                let untrue = untrue_records(&sim, drive, &BOTH, Image::Visible);
                assert_eq!(untrue, [""; 0], "{name}, {crash:?}");
            }
        }
    }
}

/// The same with bags: at no step anything passes for a bag that is none, and after the same
/// command again both are valid. In the second world an earlier bag's tag files are moved aside
/// meanwhile.
#[test]
fn a_bag_that_is_cut_short_at_any_step_can_be_resumed() {
    for name in ["bag", "bag once more"] {
        let steps = steps_of_a_run(&world(name));
        let points = (0..)
            .zip(spread(steps, 40))
            .map(|(n, step)| (step, cut_of(n)));
        let mut points: Vec<(u64, Cut)> = points.collect();
        // The tag files and records get their names in the last steps.
        for step in steps - 40..=steps {
            points.push((step, Cut::Kill));
            points.push((step, Cut::Power(Crash::Strict)));
            points.extend((0..2).map(|seed| (step, Cut::Power(Crash::Torn(seed)))));
        }
        for (step, cut) in sampled(points, 10) {
            let case = format!("{name}, step {step} of {steps}, {cut:?}");
            let wrong = guarded(&case, move || {
                let sim = world(name);
                let mut wrong = cut_short(&sim, step, cut);
                wrong.extend(resume(&sim));
                wrong
            });
            assert!(wrong.is_empty(), "{case}: {wrong:#?}");
        }
    }
}

#[test]
fn two_cuts_in_a_row_can_be_resumed() {
    let steps = steps_of_a_run(&fresh());
    for n in sampled((0..48).collect(), 8) {
        let mut chance = Chance::new(n);
        let mut step = || 1 + chance.next() % steps;
        let (first, second) = (step(), step() / 2 + 1);
        let case = format!("seed {n}: steps {first} and {second}, {:?}", cut_of(n));
        let wrong = guarded(&case, move || {
            let sim = fresh();
            let mut wrong = cut_short(&sim, first, cut_of(n));
            wrong.extend(cut_short(&sim, second, cut_of(n + 1)));
            wrong.extend(resume(&sim));
            wrong
        });
        assert!(wrong.is_empty(), "{case}: {wrong:#?}");
    }
}

fn signed(sim: &Sim, signer: Option<&Arc<Signer>>) -> End {
    let mut job = job(&BOTH, 2, Layout::Plain);
    job.signer = signer.cloned();
    offload_job(sim, &job, &Arc::new(AtomicBool::new(false)))
}

/// Every signature that stands beside a manifest, of this run or an earlier one, and is not of it;
/// and how many are.
fn false_signatures(sim: &Sim) -> (Vec<String>, usize) {
    let (mut wrong, mut good) = (Vec::new(), 0);
    for drive in BOTH {
        let files = sim.files(&root(drive), Image::Visible);
        for (path, signature) in &files {
            let Some(of) = path.strip_suffix(".sig") else {
                continue;
            };
            match files.get(of).map(|m| signature::check(signature, m)) {
                // It was moved alone, or stands alone: it vouches for nothing.
                None => {}
                Some(Ok(_)) => good += 1,
                Some(Err(why)) => wrong.push(format!("{drive}: {path}: {why:?}")),
            }
        }
    }
    (wrong, good)
}

/// A signature that stands without a manifest.
fn alone(sim: &Sim, drive: &str) -> Option<Vec<u8>> {
    let mut files = sim.files(&format!("{}/{RECORDS}", root(drive)), Image::Visible);
    let signature = files.remove(MANIFEST_SIGNATURE);
    signature.filter(|_| !files.contains_key(MANIFEST))
}

/// A signed offload goes on with one more file, signed again or not, and is cut at any of the steps
/// in which its records change places.
#[test]
fn a_power_cut_or_kill_leaves_no_signature_beside_another_manifest() {
    let key = include_bytes!("../../fixtures/keys/tests_only_ed25519");
    let signer = Arc::new(Signer::from_bytes(key).unwrap());
    let world = fresh();
    assert!(is_proven(&signed(&world, Some(&signer))));
    assert_eq!(false_signatures(&world), (vec![], 2));
    world.reboot();
    let more = Chance::new(8).bytes(9_000);
    world.put_file("/card/DCIM/101KITES/IMG_0008.JPG", &more, stamp(50));
    let cuts = [Cut::Power(Crash::Strict), Cut::Kill].into_iter();
    let cuts: Vec<Cut> = cuts
        .chain((0..4).map(|seed| Cut::Power(Crash::Torn(seed))))
        .collect();
    let at = format!("/a/{NAME}/{RECORDS}/{MANIFEST_SIGNATURE}");
    let old = Some(sim_file(&world, &at));
    let mut unsigned_meanwhile = 0;
    for by in [Some(&signer), None] {
        let whole = world.fork();
        assert!(is_proven(&signed(&whole, by)));
        assert_eq!(
            false_signatures(&whole),
            (vec![], if by.is_some() { 4 } else { 2 })
        );
        let calls = BOTH.map(|d| whole.calls(d));
        let steps = calls
            .iter()
            .flat_map(|c| STEPS.map(|op| c.get(&op).copied().unwrap_or(0)));
        let steps: u64 = steps.sum();
        let points = (steps - 35..=steps).flat_map(|s| cuts.iter().map(move |cut| (s, *cut)));
        for (step, cut) in sampled(points.collect(), 8) {
            let sim = world.fork();
            sim.cut_power_at(&STEPS, step);
            drop(signed(&sim, by));
            match cut {
                Cut::Power(crash) => sim.crash(crash),
                Cut::Kill => sim.reboot(),
            }
            let case = format!("signed again: {}, step {step}, {cut:?}", by.is_some());
            let (wrong, good) = false_signatures(&sim);
            assert!(wrong.is_empty(), "{case}: {wrong:#?}");
            for drive in BOTH {
                // A file system that keeps no order may leave the old one alone, and never the new
                // one.
                let alone = alone(&sim, drive);
                let is_torn = matches!(cut, Cut::Power(Crash::Torn(_)));
                assert!(
                    alone.is_none() || is_torn && alone == old,
                    "{case}, {drive}"
                );
            }
            unsigned_meanwhile += usize::from(good < 2);
            // The same command again finishes it, and the signature with it.
            assert!(is_proven(&signed(&sim, by)), "{case}");
            let (wrong, _) = false_signatures(&sim);
            assert!(wrong.is_empty(), "{case}, resumed: {wrong:#?}");
            for drive in BOTH {
                let files = sim.files(&root(drive), Image::Visible);
                let stands = files.contains_key(&format!("{RECORDS}/{MANIFEST_SIGNATURE}"));
                assert_eq!(stands, by.is_some(), "{case}, {drive}");
                let clock = SimClock::on_day(1);
                let root = Utf8PathBuf::from(root(drive));
                let page = unlade::report::page::page;
                let found = verify(&sim, &clock, &root, &Progress::default(), page).unwrap();
                assert!(found.is_clean(), "{case}, {drive}: {:?}", found.findings);
            }
        }
    }
    assert!(
        unsigned_meanwhile > 0,
        "no cut fell between a manifest and its signature"
    );
}

/// A batch of lines that was not yet durable may lose any sector of it, not only the last.
#[test]
fn a_journal_that_lost_a_sector_can_be_resumed() {
    let half = half_done();
    let path = |drive| format!("{}/{RECORDS}/{JOURNAL}", root(drive));
    let journal = sim_file(&half, &path("/a"));
    let head = journal.iter().position(|&b| b == b'\n').unwrap() + 1;
    for start in (head..journal.len()).step_by(100) {
        let sim = half.fork();
        let mut torn = journal.clone();
        let end = torn.len().min(start + 512);
        torn[start..end].fill(0);
        sim.put_file(&path("/a"), &torn, stamp(0));
        // Stopped once more, so that the damage lies before the head of a later run.
        let cancel = Arc::new(AtomicBool::new(false));
        sim.set_at(&cancel, Op::CardRead, 1);
        drop(offload(&sim, &BOTH, 2, &cancel));
        sim.reboot();
        let wrong = resume(&sim);
        assert!(wrong.is_empty(), "sector at {start}: {wrong:#?}");
    }
}

#[test]
fn a_stop_keeps_what_is_proven_and_can_be_resumed() {
    let on_card = [1, 2, 8, 13, 20, 27, 34, 41, 48].map(|n| (Op::CardRead, n));
    // Between two reads of a stripe that is being read back.
    let on_drives = [3, 9, 14, 19, 23, 28, 33, 38, 43].map(|n| (Op::ReadBackRead, n));
    for (op, call) in sampled(on_card.into_iter().chain(on_drives).collect(), 8) {
        let case = format!("stop at {op:?} {call}");
        let wrong = guarded(&case, move || {
            let sim = fresh();
            let before = Before::of(&sim);
            let cancel = Arc::new(AtomicBool::new(false));
            sim.set_at(&cancel, op, call);
            let end = offload(&sim, &BOTH, 2, &cancel);
            let mut wrong = violations(&sim, &before, &end);
            match &end {
                End::Done(proof) if proof.offloaded().interrupted => {
                    if !problems(&end)
                        .iter()
                        .all(|p| p.kind == ProblemKind::TooFewCopies)
                    {
                        wrong.push(format!("a stop is no problem of a drive: {}", words(&end)));
                    }
                }
                End::Done(_) | End::Refused(_) => {
                    wrong.push(format!("not told as interrupted: {}", words(&end)));
                }
            }
            sim.reboot();
            wrong.extend(resume(&sim));
            wrong
        });
        assert!(wrong.is_empty(), "{case}: {wrong:#?}");
    }
}

/// Another card takes the place of the one that was listed: the job stops at the next file, with
/// one word on the cause, instead of copying what the other card holds.
#[test]
fn a_card_that_was_swapped_stops_the_job() {
    let sim = fresh();
    let cancel = Arc::new(AtomicBool::new(false));
    let (job, tools) = (job(&BOTH, 2, sim.layout()), tools(&sim, &cancel));
    let planned = run::prepare(&job, &tools, &mut Silent).unwrap();
    let other = fresh();
    let before = sim.device(CARD);
    let old = sim.unplug(CARD);
    sim.add_volume(CARD, "exfat", 0);
    assert_ne!(sim.device(CARD), before, "another card");
    for (path, bytes) in source(&other) {
        sim.put_file(&format!("{CARD}/{path}"), &bytes, stamp(0));
    }
    let refusal = truth::offload(&sim, planned, &tools, &mut Silent).unwrap_err();
    let kinds: Vec<_> = refusal.reasons.iter().map(|p| p.kind).collect();
    assert_eq!(kinds, [ProblemKind::Vanished], "{refusal:?}");
    for drive in BOTH {
        assert!(sim.files(drive, Image::Visible).is_empty());
        assert!(sim.folders(drive, Image::Visible).is_empty());
    }
    drop(old);
}
