//! The chain of a media hash list, the one file that is ever replaced: drives that are pulled while
//! that is done, and chains of which a pull has left nothing or a part. Nothing that its lists said
//! is forgotten then, a file that `failed` above all.

use crate::support::job::{job, tools};
use crate::support::sim::{Crash, Image, Op, Sim, SimClock};
use crate::support::{at_once, sampled};
use crate::truth;
use std::collections::BTreeSet;
use unlade::disk::Stamp;
use unlade::disk::progress::Progress;
use unlade::event::Silent;
use unlade::hash_algorithm::{Also, Hasher};
use unlade::record::media_hash_list::{
    HistoryError, MhlDraft, MhlFile, MhlProcess, StandingHistory, load_history, next_generation,
};
use unlade::record::others::mhl::MhlAction;
use unlade::record::others::{BrokenChain, WhyRefused};
use unlade::run;
use unlade::units::len64;
use unlade::verify::add_generation::verify_and_add;
use unlade::verify::others::{OthersError, OthersFindings, verify_others};

const ROOT: &str = "/d/KITES";
const CHAIN: &str = "/d/KITES/ascmhl/ascmhl_chain.xml";
const BAD: &str = "KITE0001.JPG";
const NOON: Stamp = Stamp {
    seconds: 1_795_608_000,
    nanos: 0,
};
const FILESYSTEMS: [&str; 4] = ["vfat", "exfat", "ntfs3", "ext4"];
/// What a run does to a drive.
const STEPS: [Op; 8] = [
    Op::CreatePart,
    Op::WriteChunk,
    Op::Finish,
    Op::FlushAll,
    Op::RenameNew,
    Op::Flush,
    Op::FlushEverything,
    Op::RemoveOwn,
];

fn file(path: &str, bytes: &[u8]) -> (String, Vec<u8>) {
    (path.to_owned(), bytes.to_vec())
}

/// A folder of somebody's with a first generation, begun on this file system.
fn begun(filesystem: &'static str) -> Sim {
    let sim = Sim::default();
    sim.add_volume("/d", filesystem, 1 << 30);
    let files = [file(BAD, b"a kite"), file("KITE0002.JPG", b"two kites")];
    for (path, bytes) in &files {
        sim.put_file(&format!("{ROOT}/{path}"), bytes, NOON);
    }
    let listed = files.iter().map(|(path, bytes)| {
        let mut hasher = Hasher::new(Also::Md5);
        hasher.update(bytes);
        MhlFile {
            path,
            bytes: len64(bytes.len()),
            modified: None,
            hashes: vec![(Also::Md5, hasher.finish())],
            action: MhlAction::Original,
            previous: None,
        }
    });
    let draft = MhlDraft {
        folder: "KITES",
        started: "2026-11-25T09:00:00.000Z",
        created: "2026-11-25T09:01:00.000Z",
        host: "kite",
        tool: ("by hand", "1"),
        process: MhlProcess::InPlace,
        ignore: vec!["ascmhl".to_owned()],
        files: listed.collect(),
        folders: BTreeSet::new(),
        unlisted: BTreeSet::new(),
        references: Vec::new(),
    };
    let next = next_generation(None, &draft);
    for (path, bytes) in [(&next.path, &next.list), (&next.chain_path, &next.chain)] {
        sim.put_file(&format!("{ROOT}/{path}"), bytes, NOON);
    }
    sim
}

/// The same with a second generation, in which a file failed that is mended since.
fn failed_once(filesystem: &'static str) -> Sim {
    let sim = begun(filesystem);
    let bad = format!("{ROOT}/{BAD}");
    sim.rot(&bad, 1);
    let found = added(&sim, 1).unwrap();
    assert!(matches!(found.added, Some(Ok(_))), "{found:?}");
    sim.rot(&bad, 1);
    let standing = load(&sim).unwrap();
    assert_eq!(standing.entries.len(), 2);
    assert!(knows_failed(&standing));
    sim
}

fn added(sim: &Sim, day: i64) -> Result<OthersFindings, OthersError> {
    let page = unlade::report::page::page;
    let clock = SimClock::on_day(day);
    verify_and_add(sim, &clock, ROOT.into(), "kite", &Progress::default(), page)
}

fn checked(sim: &Sim) -> Result<OthersFindings, OthersError> {
    let clock = SimClock::on_day(9);
    verify_others(sim, &clock, ROOT.into(), None, &[], &Progress::default())
}

fn load(sim: &Sim) -> Result<StandingHistory, HistoryError> {
    load_history(sim, ROOT.into()).map(Option::unwrap)
}

fn knows_failed(standing: &StandingHistory) -> bool {
    let failed = standing.history.failed().unwrap();
    !failed.kinds().is_empty() && standing.history.generations.len() >= 2
}

/// What is said of the chain, where it is not whole.
fn broken(error: &HistoryError) -> &BrokenChain {
    match error {
        HistoryError::Refused(refused) => match &refused.why {
            WhyRefused::Chain(broken) => broken,
            other => panic!("{other:?}"),
        },
        other => panic!("{other}"),
    }
}

fn lists(sim: &Sim) -> Vec<String> {
    let names = sim
        .files(&format!("{ROOT}/ascmhl"), Image::Visible)
        .into_keys();
    names.filter(|name| name.contains("Z.mhl")).collect()
}

/// The history as it is found after a pull: whole, or once a person has done what is said of it.
fn recovered(sim: &Sim, what: &str) -> (StandingHistory, bool) {
    let error = match load(sim) {
        Ok(standing) => return (standing, false),
        Err(error) => error,
    };
    let told = broken(&error);
    assert_eq!(told.lists, lists(sim), "{what}");
    let part = told.part.as_ref();
    let part = part.unwrap_or_else(|| panic!("{what}: {error}"));
    assert!(added(sim, 3).is_err(), "{what}");
    let part = format!("ascmhl/{part}");
    let bytes = sim.files(ROOT, Image::Visible)[&part].clone();
    sim.take_file(&format!("{ROOT}/{part}"));
    sim.put_file(CHAIN, &bytes, NOON);
    (load(sim).unwrap(), true)
}

/// Every step at which the power can go, and what is left then.
fn cuts(world: &Sim, most: usize, run: impl Fn(&Sim)) -> Vec<(u64, Crash)> {
    let whole = world.fork();
    whole.reboot();
    run(&whole);
    let calls = whole.calls("/d");
    let calls: u64 = STEPS.iter().filter_map(|op| calls.get(op)).sum();
    let crashes = (0..6).map(Crash::Torn).chain([Crash::Strict]);
    let all = (1..=calls).flat_map(|step| crashes.clone().map(move |crash| (step, crash)));
    sampled(all.collect(), most)
}

/// The old chain is never given up before the new one is durable, under its name or as a part
/// (common practice, no source).
#[test]
fn a_pull_leaves_the_old_chain_or_the_new_one() {
    let mut met = BTreeSet::new();
    for filesystem in FILESYSTEMS {
        let world = failed_once(filesystem);
        for (step, crash) in cuts(&world, 60, |sim| drop(added(sim, 2))) {
            let what = format!("{filesystem}, step {step}, {crash:?}");
            let sim = world.fork();
            sim.reboot();
            sim.cut_power_at(&STEPS, step);
            drop(added(&sim, 2));
            sim.crash(crash);
            let (standing, was_broken) = recovered(&sim, &what);
            met.extend(was_broken.then_some(filesystem));
            assert!(knows_failed(&standing), "{what}");
            let found = added(&sim, 4).unwrap();
            assert!(found.is_clean(), "{what}: {found:?}");
            let after = load(&sim).unwrap();
            assert!(after.entries.starts_with(&standing.entries), "{what}");
            assert!(!after.is_cut_short(), "{what}");
        }
    }
    assert_eq!(met, BTreeSet::from(["vfat"]), "where a pull left no chain");
}

/// Copies the card, and says what was wrong.
fn copy(sim: &Sim) -> String {
    let mut job = job("/card", &["/d"]);
    job.form.has_mhl = true;
    let tools = tools(sim.clone());
    let plan = run::prepare(&job, &tools, &mut Silent);
    match plan.and_then(|plan| truth::offload(sim, plan, &tools, &mut Silent)) {
        Ok(proof) => format!("{:?}", proof.problems()),
        Err(refusal) => format!("refused: {:?}", refusal.reasons),
    }
}

/// The same of a copy, of its first list as of further ones. The same command ends the first one by
/// itself: nothing was said before it.
#[test]
fn a_pull_of_a_copy_loses_no_list() {
    at_once(FILESYSTEMS, |filesystem| {
        let empty = Sim::default();
        empty.add_volume("/d", filesystem, 1 << 30);
        empty.add_card("/card", &[("KITE0001.JPG", b"a kite".to_vec(), NOON)], &[]);
        let first = empty.fork();
        assert_eq!(copy(&first), "[]");
        first.put_file("/card/KITE0002.JPG", b"two kites", NOON);
        for world in [empty, first] {
            let known = load_history(&world, ROOT.into()).unwrap();
            let known = known.unwrap_or_default().entries;
            for (step, crash) in cuts(&world, 16, |sim| drop(copy(sim))) {
                let what = format!("{filesystem}, step {step}, {crash:?}");
                let sim = world.fork();
                sim.reboot();
                sim.cut_power_at(&STEPS, step);
                drop(copy(&sim));
                sim.crash(crash);
                if !known.is_empty() {
                    let (standing, _) = recovered(&sim, &what);
                    assert!(standing.entries.starts_with(&known), "{what}");
                }
                assert_eq!(copy(&sim), "[]", "{what}");
                let after = load(&sim).unwrap();
                assert!(after.entries.starts_with(&known), "{what}");
                assert!(!after.is_cut_short(), "{what}");
                assert!(checked(&sim).unwrap().is_clean(), "{what}");
            }
        }
    });
}

/// Where the chain is not whole nothing is believed, nothing written, and each list named.
#[test]
fn a_chain_of_every_length() {
    let world = failed_once("ext4");
    let whole = world.files(ROOT, Image::Visible)["ascmhl/ascmhl_chain.xml"].clone();
    let is_said = |sim: &Sim, what: &str| {
        let before = sim.files(ROOT, Image::Visible);
        let error = load(sim).expect_err(what);
        assert_eq!(broken(&error).lists, lists(sim), "{what}");
        let names = lists(sim);
        let tells = |error: OthersError| {
            let text = error.to_string();
            assert!(
                names.iter().all(|name| text.contains(name.as_str())),
                "{what}: {text}"
            );
        };
        tells(checked(sim).expect_err(what));
        tells(added(sim, 3).expect_err(what));
        assert_eq!(sim.files(ROOT, Image::Visible), before, "{what}");
    };
    for length in 0..whole.len() {
        let sim = world.fork();
        sim.put_file(CHAIN, &whole[..length], NOON);
        // What is cut off of the last line may be its end alone.
        if whole[length..].iter().all(u8::is_ascii_whitespace) {
            assert!(knows_failed(&load(&sim).unwrap()));
        } else {
            is_said(&sim, &format!("{length} bytes"));
        }
    }
    for tail in [&[0; 512][..], b"\xff\xfe", b"<ascmhldirectory/>"] {
        let sim = world.fork();
        sim.put_file(CHAIN, &[&whole, tail].concat(), NOON);
        is_said(&sim, "with a tail");
        sim.put_file(CHAIN, &tail.repeat(3), NOON);
        is_said(&sim, "with something else");
    }
    let sim = world.fork();
    sim.take_file(CHAIN);
    is_said(&sim, "without one");
    // One list alone, of which it is not known that it is the first one.
    let sim = begun("ext4");
    sim.put_file(CHAIN, b"", NOON);
    is_said(&sim, "empty");
    sim.take_file(CHAIN);
    is_said(&sim, "gone");
}
