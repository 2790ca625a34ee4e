//! The program against real mounts that misbehave: a card that cannot be read or changes, a drive
//! that fills up, lies, fails or goes away. After each, an independent walk with hashes makes sure
//! that no final name has wrong bytes.

use crate::support::at_once;
use crate::support::job::{job, tools};
use crate::support::mount::{Action, Cache, Direction, Fault, Kind, Mount, Options, skip};
use crate::support::program::{
    Card, Ran, Tree, Work, bytes_of, content, finish, is_part, manifest, move_to, names_in,
    no_wrong_bytes, put, tool, tree, wait_until,
};
use crate::truth;
use serde_json::Value;
use std::io::BufRead as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};
use unlade::clock::SystemClock;
use unlade::disk::os::OsDisk;
use unlade::error::ProblemKind;
use unlade::event::Silent;
use unlade::plan::terms::Terms;
use unlade::run::{self, Job, Tools};

const EIO: i32 = 5;
/// One clip of several stripes and a part, as the standard limits have it (64 MiB).
pub(super) const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";
const CLIP_BYTES: usize = (64 << 20) + (9 << 20) + 12_345;
/// Bytes of the whole card.
const TOTAL: u64 = 8 * 200_000 + 36 * 1_111 + 3_000_000 + 76_558_393;
/// A still in the middle of the card.
pub(super) const STILL: &str = "DCIM/100KITES/KITE0004.JPG";
pub(super) const JOB: &str = "copy card --to a --to b --separate --name KITES";

/// A card and two drives, all of them mounts. The mounts go before the folder they are in.
pub(super) struct Rig {
    card: Mount,
    a: Mount,
    b: Mount,
    listed: Tree,
    pub(super) work: Work,
}

pub(super) fn plain() -> Options {
    Options::default()
}

/// A drive whose writes stay in the page cache, as those of real drives do.
fn cached(faults: Vec<Fault>) -> Options {
    Options {
        cache: Cache::Through,
        faults,
        ..Options::default()
    }
}

pub(super) fn faulty(fault: Fault) -> Options {
    Options {
        faults: vec![fault],
        ..Options::default()
    }
}

impl Rig {
    fn new(name: &str, card: Options, a: Options, b: Options) -> Self {
        Self::with_clip(CLIP_BYTES, name, card, a, b)
    }

    /// With a clip of a few buffers, for tests that have nothing to do with stripes.
    pub(super) fn small(name: &str, card: Options, a: Options, b: Options) -> Self {
        Self::with_clip(5_000_000, name, card, a, b)
    }

    fn with_clip(clip_bytes: usize, name: &str, card: Options, a: Options, b: Options) -> Self {
        let work = Work::new(name);
        let mut made = Card::new(&work.path("back-card"));
        for n in 1..=8 {
            made = made.file(
                format!("DCIM/100KITES/KITE{n:04}.JPG"),
                200_000 + n * 1_111,
                10,
            );
        }
        made.file("DCIM/101KITES/KITE0009.DNG", 3_000_000, 9)
            .file("MISC/EMPTY.TXT", 0, 0)
            .file(CLIP, clip_bytes, 1)
            .folder("PRIVATE/CLIPS/THUMBS");
        let listed = tree(&work.path("back-card"));
        let mount = |name: &str, options| {
            let backing = work.folder(&format!("back-{name}"));
            Mount::new(&backing, &work.folder(name), options).unwrap()
        };
        let (card, a, b) = (mount("card", card), mount("a", a), mount("b", b));
        Self {
            card,
            a,
            b,
            listed,
            work,
        }
    }

    pub(super) fn run(&self, arguments: &str) -> Ran {
        let ran = self.work.run(arguments);
        self.nothing_wrong(&format!("after {ran}"));
        ran
    }

    /// What the drives hold, read from behind the mounts.
    fn held(&self, name: &str) -> Tree {
        let root = self.work.path(&format!("back-{name}/KITES"));
        if root.exists() {
            tree(&root)
        } else {
            Tree::new()
        }
    }

    #[track_caller]
    fn nothing_wrong(&self, when: &str) {
        for name in ["a", "b"] {
            no_wrong_bytes(&self.listed, &self.held(name), &format!("on {name} {when}"));
        }
    }

    #[track_caller]
    fn is_whole(&self, name: &str) {
        assert_eq!(self.held(name), self.listed, "{name}");
    }

    /// Everything but one entry.
    #[track_caller]
    pub(super) fn is_whole_but(&self, name: &str, missing: &str) {
        let mut expected = self.listed.clone();
        assert!(expected.remove(Path::new(missing)).is_some());
        assert_eq!(self.held(name), expected, "{name}");
    }

    fn kinds(&self) -> Vec<String> {
        let manifest = manifest(&self.work.path("back-a/KITES"));
        let problems = manifest["problems"].as_array().unwrap().clone();
        problems
            .iter()
            .map(|p| p["kind"].as_str().unwrap().to_owned())
            .collect()
    }
}

#[test]
fn two_drives_are_proven_and_every_copy_came_from_the_device() {
    if skip() {
        return;
    }
    let rig = Rig::new("proven", plain(), cached(vec![]), cached(vec![]));
    let ran = rig.run(JOB);
    ran.exits(0)
        .says("PROVEN")
        .says("2 complete copies on separate drives (you said --separate); 2 needed");
    for (name, mount) in [("a", &rig.a), ("b", &rig.b)] {
        rig.is_whole(name);
        let served = mount.read_since_write(&format!("KITES/{STILL}"));
        assert!(
            served >= 204_444,
            "{name}: {served} bytes of a still came from the device"
        );
        let served = mount.bytes_read();
        assert!(
            served >= TOTAL,
            "{name}: {served} of {TOTAL} came from the device"
        );
    }
    // The card is read once: its bytes, and no more than read-ahead beyond.
    let read = rig.card.bytes_read();
    assert!(
        (TOTAL..TOTAL + TOTAL / 10).contains(&read),
        "{read} bytes read of {TOTAL}"
    );
    // Without the person's word two FUSE mounts may be one device.
    rig.run("copy card --to a --to b --name KITES")
        .exits(1)
        .says("same-device")
        .says("--separate");
}

#[test]
fn a_bit_that_a_drive_flipped_is_found_past_the_cache() {
    if skip() {
        return;
    }
    let cases = [
        ("flip-clip", CLIP, 70_000_000),
        ("flip-still", STILL, 150_000),
    ];
    at_once(cases, |(name, path, off)| {
        let flip =
            Fault::new(Kind::BitflipWrite { off, bit: 3 }).path(&format!("*{}*", file_name(path)));
        let flips = cached(vec![flip.times(1)]);
        let rig = match path {
            CLIP => Rig::new(name, plain(), plain(), flips),
            _ => Rig::small(name, plain(), plain(), flips),
        };
        rig.run(JOB).exits(1).says("mismatch").says(path);
        assert_eq!(rig.b.fired("BitflipWrite"), 1);
        rig.is_whole("a");
        rig.is_whole_but("b", path);
        assert!(rig.kinds().contains(&"mismatch".to_owned()));
        // The drive behaves the second time; only this file is copied again.
        rig.run(JOB).exits(0).says("1 file to copy");
        rig.is_whole("b");
    });
}

#[test]
fn writes_that_never_arrived_are_found() {
    if skip() {
        return;
    }
    let lost = Fault::new(Kind::DropWrite {
        off: 3 << 20,
        len: 4_096,
    })
    .path("*C0001*");
    let rig = Rig::small("lost", plain(), plain(), cached(vec![lost]));
    rig.run(JOB).exits(1).says("mismatch");
    assert!(rig.b.fired("DropWrite") >= 1);
    rig.is_whole_but("b", CLIP);
}

#[test]
fn a_drive_that_fills_up_is_dropped_and_the_other_finishes() {
    if skip() {
        return;
    }
    let full = Fault::new(Kind::NoSpaceAfter { bytes: 40_000_000 });
    let rig = Rig::new("full", plain(), plain(), faulty(full));
    rig.run(JOB)
        .exits(1)
        .says("no-room")
        .says("No space left")
        .says("drive failed")
        .says("1 complete copy");
    assert!(rig.b.fired("NoSpaceAfter") >= 1);
    rig.is_whole("a");
    let manifest = manifest(&rig.work.path("back-a/KITES"));
    assert_eq!(manifest["verdict"]["proven"], false);
    assert_eq!(manifest["verdict"]["copies"], 1);
    // Too little room that shows before the first byte is a refusal, and leaves nothing.
    let small = Options {
        capacity: 60_000_000,
        ..plain()
    };
    let rig = Rig::new("small", plain(), plain(), small);
    rig.run(JOB).exits(3).says("no-room");
    assert!(names_in(rig.a.path()).is_empty() && names_in(rig.b.path()).is_empty());
}

/// What another run has yet to write is free now and will not be.
#[test]
fn two_runs_on_one_drive_add_up_their_room() {
    if skip() {
        return;
    }
    let small = Options {
        capacity: 14_000_000,
        write_mbps: 2.0,
        ..plain()
    };
    let rig = Rig::small("two-runs", plain(), plain(), small);
    Card::new(&rig.work.path("second")).file("DCIM/100KITES/KITE0101.DNG", 5_000_000, 5);
    let second = "plan second --to a --to b --separate --name OTHER";
    let mut child = rig
        .work
        .command()
        .args(JOB.split(' '))
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let journal = rig.work.path("back-b/KITES/_unlade/journal.jsonl");
    wait_until(&mut child, || journal.exists());
    // The first needs 10 MB, the second 5, and there are 14.
    rig.work
        .run(second)
        .exits(3)
        .says("another copy on it still needs")
        .says("no-room");
    interrupt(&child);
    child.wait().unwrap();
    // A run that has ended needs nothing until it is begun again.
    rig.work.run(second).exits(0);
}

/// Two runs that are planned at the same time do not see each other then; the later one looks again
/// before its first byte.
#[test]
fn two_runs_that_were_planned_together_add_up_their_room_too() {
    if skip() {
        return;
    }
    let small = Options {
        capacity: 14_000_000,
        write_mbps: 2.0,
        ..plain()
    };
    let rig = Rig::small("two-plans", plain(), plain(), small);
    Card::new(&rig.work.path("second")).file("DCIM/100KITES/KITE0101.DNG", 5_000_000, 5);
    let at = |name: &str| rig.work.path(name).into_os_string().into_string().unwrap();
    let job = job(&at("second"), &[&at("b")]);
    let terms = Terms {
        separate: true,
        ..job.terms
    };
    let job = Job {
        name: Some("OTHER".to_owned()),
        terms,
        ..job
    };
    let tools = Tools {
        clock: Arc::new(SystemClock::start()),
        ..tools(OsDisk::new())
    };
    let plan = run::prepare(&job, &tools, &mut Silent).unwrap();
    let mut child = rig
        .work
        .command()
        .args(JOB.split(' '))
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    // It has looked round and writes.
    let begun = rig.work.path("back-b/KITES/DCIM");
    wait_until(&mut child, || begun.exists());
    let refused = truth::refused(plan, &tools);
    let told = &refused.reasons[0];
    assert_eq!(told.kind, ProblemKind::NoRoom, "{refused:?}");
    assert!(told.detail.contains("another copy on it still needs"));
    assert!(!rig.work.path("back-b/OTHER").exists(), "nothing is left");
    interrupt(&child);
    child.wait().unwrap();
    rig.work
        .run("copy second --to b --copies 1 --name OTHER")
        .exits(0);
}

#[test]
fn an_unreadable_spot_costs_its_file_only() {
    if skip() {
        return;
    }
    let cases = [
        ("eio-still", STILL, 100_000),
        ("eio-clip", CLIP, 66_000_000),
    ];
    at_once(cases, |(name, path, off)| {
        let bad = Fault::new(Kind::ReadError {
            off,
            len: 10,
            errno: EIO,
        })
        .path(path);
        let rig = match path {
            CLIP => Rig::new(name, faulty(bad), plain(), plain()),
            _ => Rig::small(name, faulty(bad), plain(), plain()),
        };
        rig.run(JOB)
            .exits(1)
            .says("unreadable")
            .says(path)
            .says("Stop using this card");
        assert!(rig.card.fired("ReadError") >= 2, "it is tried again");
        rig.is_whole_but("a", path);
        rig.is_whole_but("b", path);
        assert_eq!(
            rig.kinds().iter().filter(|k| *k == "unreadable").count(),
            1,
            "told once"
        );
    });
    // A spot that can be read on the second pass costs nothing.
    let shy = Fault::new(Kind::ReadError {
        off: 66_000_000,
        len: 10,
        errno: EIO,
    })
    .path(CLIP)
    .times(1);
    let rig = Rig::new("eio-once", faulty(shy), plain(), plain());
    let events = rig.run(&format!("{JOB} --json")).exits(0).events();
    assert_eq!(rig.card.fired("ReadError"), 1);
    // What was read in vain is no progress, on the card or on a drive.
    for tick in events.iter().filter(|e| e["event"] == "tick") {
        let most = |of: &Value, done: &str| of[done].as_u64() <= of["bytes_total"].as_u64();
        let drives = tick["destinations"].as_array().unwrap();
        assert!(
            most(tick, "bytes_read")
                && drives
                    .iter()
                    .all(|d| most(d, "bytes_written") && most(d, "bytes_read_back")),
            "{tick}"
        );
    }
    let last = events.iter().rfind(|e| e["event"] == "tick").unwrap();
    assert_eq!(last["bytes_read"], last["bytes_total"]);
    rig.is_whole("a");
    rig.is_whole("b");
}

#[test]
fn a_failing_step_of_a_drive_drops_it_alone() {
    if skip() {
        return;
    }
    let ops = ["create", "mkdir", "fsync", "fsyncdir", "rename", "setattr"];
    at_once(ops, |op| {
        // Let the run begin, so that it is no refusal.
        let fault = Fault::new(Kind::OpError { op, errno: EIO }).skip(3);
        let rig = Rig::small(&format!("op-{op}"), plain(), plain(), faulty(fault));
        let ran = rig.run(JOB);
        assert!(rig.b.fired(&format!("OpError:{op}")) >= 1, "{op} was met");
        ran.exits(1);
        rig.is_whole("a");
        if op != "setattr" {
            ran.says("write-failed").says("this drive failed");
        }
    });
    let fault = Fault::new(Kind::WriteError {
        off: 20_000_000,
        len: 1,
        errno: EIO,
    });
    // Slow enough that the files before this spot are finished when it is met.
    let drive = Options {
        write_mbps: 40.0,
        ..faulty(fault)
    };
    let rig = Rig::new("write-error", plain(), plain(), drive);
    rig.run(JOB)
        .exits(1)
        .says("write-failed")
        .says("the last good file on it is");
    rig.is_whole("a");
}

#[test]
fn a_drive_that_refuses_the_first_step_is_a_refusal_that_leaves_nothing() {
    if skip() {
        return;
    }
    let fault = Fault::new(Kind::OpError {
        op: "mkdir",
        errno: EIO,
    });
    let rig = Rig::small("first-step", plain(), plain(), faulty(fault));
    rig.run(JOB).exits(3).says("write-failed");
    assert!(
        names_in(rig.a.path()).is_empty(),
        "{:?}",
        names_in(rig.a.path())
    );
    let locked = Options {
        readonly: true,
        ..plain()
    };
    let rig = Rig::small("locked", plain(), plain(), locked);
    rig.run(JOB).exits(3).says("read-only");
    assert!(names_in(rig.a.path()).is_empty());
}

#[test]
fn a_drive_that_goes_away_is_dropped_and_goes_on_when_it_is_back() {
    if skip() {
        return;
    }
    let gone = Fault::new(Kind::VanishAfter {
        direction: Direction::Write,
        bytes: 30_000_000,
        errno: EIO,
    });
    let rig = Rig::new("gone", plain(), plain(), faulty(gone));
    rig.run(JOB).exits(1).says("this drive failed");
    rig.is_whole("a");
    rig.b.back();
    rig.run(JOB)
        .exits(0)
        .says("already copied (proven by an earlier copy");
    rig.is_whole("b");
    assert!(rig.held("b").keys().all(|p| !is_part(p)));
}

#[test]
fn a_card_that_goes_away_stops_the_job() {
    if skip() {
        return;
    }
    let gone = Fault::new(Kind::VanishAfter {
        direction: Direction::Read,
        bytes: 20_000_000,
        errno: EIO,
    });
    let rig = Rig::new("card-gone", faulty(gone), plain(), plain());
    rig.run(JOB)
        .exits(1)
        .says("vanished")
        .says("the card is gone");
    assert_eq!(rig.card.fired("VanishAfter"), 1);
    rig.card.back();
    rig.run(JOB).exits(0);
    rig.is_whole("a");
}

#[test]
fn a_card_that_changes_under_the_reader_is_noticed() {
    if skip() {
        return;
    }
    let cases = [
        (Action::Append, STILL, "changed-on-card"),
        (Action::Truncate, CLIP, "changed-on-card"),
        (Action::Touch, CLIP, "changed-on-card"),
        (Action::Delete, STILL, "vanished"),
    ];
    at_once(cases, |(action, path, kind)| {
        let name = format!("mutate-{action:?}");
        let change = Fault::new(Kind::Mutate {
            after: 65_536,
            action,
        })
        .path(path);
        let rig = Rig::small(&name, faulty(change), plain(), plain());
        let ran = rig.work.run(JOB);
        assert_eq!(rig.card.fired("Mutate"), 1, "{name}");
        ran.exits(1).says(kind).says(path);
        rig.nothing_wrong(&name);
    });
}

#[test]
fn a_reader_that_does_not_repeat_itself_is_found_by_reread_only() {
    if skip() {
        return;
    }
    let flip = || {
        Fault::new(Kind::BitflipRead {
            off: 1_000_000,
            bit: 2,
        })
        .path(CLIP)
        .times(1)
    };
    let rig = Rig::small("reread", faulty(flip()), plain(), plain());
    let ran = rig.work.run(&format!("{JOB} --proof reread"));
    assert_eq!(rig.card.fired("BitflipRead"), 1);
    ran.exits(1).says("mismatch").says("second read").says(CLIP);
    // The limit of the proof, as `docs/proof.md` has it: copies equal what the reader delivered.
    let rig = Rig::small("no-reread", faulty(flip()), plain(), plain());
    rig.work.run(JOB).exits(0);
    assert_ne!(rig.held("a"), rig.listed);
    let rig = Rig::small("reread-good", plain(), plain(), plain());
    rig.run(&format!("{JOB} --proof reread")).exits(0);
    let manifest = manifest(&rig.work.path("back-a/KITES"));
    assert_eq!(manifest["files"][0]["copies"][0]["proof"], "reread");
}

#[test]
fn a_card_that_cannot_be_written_is_enough() {
    if skip() {
        return;
    }
    let locked = Options {
        readonly: true,
        ..plain()
    };
    let rig = Rig::small("locked-card", locked, plain(), plain());
    rig.run(JOB).exits(0);
    rig.is_whole("a");
    rig.is_whole("b");
}

#[test]
fn twins_on_a_drive_that_folds_case_are_told_not_merged() {
    if skip() {
        return;
    }
    let work = Work::new("twins");
    Card::new(&work.folder("card"))
        .file("DCIM/A.JPG", 1_000, 1)
        .file("DCIM/a.jpg", 1_000, 2);
    let folding = Options {
        nocase: true,
        ..plain()
    };
    let backing = work.folder("back-a");
    let a = Mount::new(&backing, &work.folder("a"), folding).unwrap();
    let ran = work.run("copy card --to a --name KITES --copies 1");
    assert_ne!(ran.code, 0, "{ran}");
    ran.says("name-clash");
    let held = tree(&backing.join("KITES"));
    no_wrong_bytes(&tree(&work.path("card")), &held, "after a clash");
    drop(a);
}

#[test]
fn an_empty_mount_point_is_not_the_drive_that_was_meant() {
    if skip() {
        return;
    }
    let full = Fault::new(Kind::NoSpaceAfter { bytes: 3_000_000 });
    let Rig {
        card, a, b, work, ..
    } = Rig::small("unmounted", plain(), plain(), faulty(full));
    work.run(JOB).exits(1);
    drop(b);
    work.run(JOB)
        .exits(3)
        .says("vanished")
        .says("not the drive");
    assert!(
        names_in(&work.path("b")).is_empty(),
        "nothing on the system disk"
    );
    drop((card, a));
}

/// Starts the program and lets it run.
fn start(work: &Work, arguments: &str) -> Child {
    let mut command = work.command();
    command
        .args(arguments.split_whitespace())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command.spawn().unwrap()
}

fn interrupt(child: &Child) {
    let pid = i32::try_from(child.id())
        .ok()
        .and_then(rustix::process::Pid::from_raw)
        .unwrap();
    rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
}

#[expect(
    clippy::disallowed_methods,
    reason = "a test of an interruption has to wait for it"
)]
fn after(bytes: u64, mount: &Mount) {
    let start = Instant::now();
    while mount.bytes_read() < bytes {
        assert!(
            start.elapsed() < Duration::from_secs(60),
            "the card is not read"
        );
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
#[expect(
    clippy::disallowed_methods,
    reason = "how long a stop takes is what is asked for"
)]
fn ctrl_c_stops_soon_keeps_what_is_proven_and_goes_on() {
    if skip() {
        return;
    }
    let slow = Options {
        read_mbps: 40.0,
        ..plain()
    };
    let rig = Rig::new("ctrl-c", slow, plain(), plain());
    let mut child = start(&rig.work, JOB);
    after(20_000_000, &rig.card);
    interrupt(&child);
    let asked = Instant::now();
    assert_eq!(child.wait().unwrap().code(), Some(130));
    assert!(
        asked.elapsed() < Duration::from_secs(10),
        "a hang, not a slow machine"
    );
    rig.nothing_wrong("after Ctrl-C");
    let held = rig.held("a");
    assert!(
        held.contains_key(Path::new(STILL)),
        "what was finished is kept"
    );
    assert!(
        held.keys().all(|p| !is_part(p)),
        "no part is left: {held:?}"
    );
    rig.card.set_read_mbps(0.0);
    rig.run(JOB)
        .exits(0)
        .says("already copied (proven by an earlier copy");
    rig.is_whole("a");
    rig.is_whole("b");
}

#[test]
#[expect(
    clippy::disallowed_methods,
    reason = "how long a stop takes is what is asked for"
)]
fn ctrl_c_does_not_wait_for_a_card_that_hangs() {
    if skip() {
        return;
    }
    let hangs = Fault::new(Kind::StallRead {
        off: 1_000_000,
        ms: 60_000,
    })
    .path(CLIP);
    let rig = Rig::small("hang", faulty(hangs), plain(), plain());
    let mut command = rig.work.command();
    command
        .args(JOB.split_whitespace())
        .arg("--json")
        .stdout(Stdio::piped())
        .stderr(Stdio::null());
    let mut child = command.spawn().unwrap();
    let began = Instant::now();
    while rig.card.fired("StallRead") == 0 {
        assert!(
            began.elapsed() < Duration::from_secs(60),
            "the card never hung"
        );
        std::thread::sleep(Duration::from_millis(5));
    }
    interrupt(&child);
    let asked = Instant::now();
    let lines = std::io::BufReader::new(child.stdout.take().unwrap()).lines();
    let told = lines
        .map(Result::unwrap)
        .any(|line| line.contains("\"verdict\""));
    assert!(
        told && asked.elapsed() < Duration::from_secs(8),
        "it waited for the card"
    );
    // The process itself can end only when the system lets go of the read, as it does once the card
    // is pulled.
    assert!(child.try_wait().unwrap().is_none());
    rig.card.vanish(libc::ENODEV);
    assert_eq!(child.wait().unwrap().code(), Some(130));
    rig.nothing_wrong("after Ctrl-C");
}

#[test]
fn a_slow_drive_is_named_and_does_not_show_as_a_slow_card() {
    if skip() {
        return;
    }
    let slow = Options {
        write_mbps: 30.0,
        ..plain()
    };
    let rig = Rig::new("slow", plain(), plain(), slow);
    let ran = rig.run(&format!("{JOB} --json"));
    ran.exits(0);
    let events = ran.events();
    let ticks: Vec<_> = events.iter().filter(|e| e["event"] == "tick").collect();
    let late = &ticks[ticks.len() / 2];
    assert_eq!(late["limiting_link"], "destination 2", "{late}");
    // The drive's own burst is over at the end; a busy computer makes the card slower at times.
    let delivered = ticks[ticks.len() - 1]["delivered_rate"].as_f64().unwrap();
    let later = ticks.iter().skip(ticks.len() / 2);
    let live = later.filter_map(|t| t["live_rate"].as_f64());
    let live = live.fold(0.0, f64::max);
    assert!(live > 1.2 * delivered, "live {live}, delivered {delivered}");
    // The record names it as well, with the rate that it was measured to take.
    let manifest = manifest(&rig.work.path("back-a/KITES"));
    assert_eq!(manifest["limiting_link"], "destination 2");
    let links = manifest["links"].as_array().unwrap();
    assert_eq!(
        (&links[0]["part"], &links[0]["id"], &links[0]["from"]),
        (
            &"destination 2".into(),
            &"writes".into(),
            &"measured".into()
        ),
        "{links:?}"
    );
    let measured = links[0]["mbps"].as_f64().unwrap();
    assert!(measured > 0.0 && measured <= 33.0, "{measured}, held to 30");
}

#[test]
fn a_card_that_stalls_behind_a_slow_drive_is_named() {
    if skip() {
        return;
    }
    let slow = Options {
        write_mbps: 30.0,
        ..plain()
    };
    let (off, ms) = (60_000_000, 8_000);
    let stall = Fault::new(Kind::StallRead { off, ms }).path(CLIP).times(1);
    let rig = Rig::new("stall-slow", faulty(stall), plain(), slow);
    let events = rig.run(&format!("{JOB} --json")).exits(0).events();
    let ticks = events.iter().filter(|e| e["event"] == "tick");
    let stalled: Vec<_> = ticks
        .filter(|t| t["stalled_s"].as_f64() > Some(2.5))
        .collect();
    assert!(!stalled.is_empty(), "it stalls for 8 s");
    for tick in stalled {
        assert_eq!(
            tick["waiting_for"].as_str().unwrap_or("card"),
            "card",
            "{tick}"
        );
        assert_eq!(tick["limiting_link"], "card", "{tick}");
    }
}

/// The rule itself is held by the tests of `card_rate`, on a clock of their own.
#[test]
#[ignore = "judges by the clock, so it says something on an idle machine only"]
fn a_card_behind_a_slow_drive_never_shows_faster_than_it_is() {
    if skip() {
        return;
    }
    let card = Options {
        read_mbps: 160.0,
        ..plain()
    };
    let slow = Options {
        write_mbps: 20.0,
        ..plain()
    };
    let rig = Rig::new("never-faster", card, plain(), slow);
    let ran = rig.run(&format!("{JOB} --json"));
    ran.exits(0);
    let events = ran.events();
    let ticks = events.iter().filter(|e| e["event"] == "tick");
    let live: Vec<f64> = ticks.filter_map(|t| t["live_rate"].as_f64()).collect();
    // A busy computer can make the card slower than it is held to, never faster.
    assert!(live.iter().all(|l| *l < 170e6), "held to 160: {live:?}");
    assert!(live.iter().any(|l| *l > 40e6), "{live:?}");
}

/// The system's helper is asked for as long as the program lives, even if it is killed.
#[test]
#[expect(
    clippy::disallowed_methods,
    reason = "a test of a request that ends has to wait for the end"
)]
fn the_computer_is_kept_awake_while_a_copy_runs() {
    if skip() {
        return;
    }
    let slow = Options {
        read_mbps: 40.0,
        ..plain()
    };
    let rig = Rig::new("awake", slow, plain(), plain());
    let helpers = rig.work.folder("helpers");
    let script = "#!/bin/sh\necho \"$*\" > \"$HOME/asked\"\ncat\necho > \"$HOME/ended\"\n";
    put(&helpers.join("systemd-inhibit"), script.as_bytes());
    let run = std::os::unix::fs::PermissionsExt::from_mode(0o755);
    std::fs::set_permissions(helpers.join("systemd-inhibit"), run).unwrap();
    let mut command = rig.work.command();
    command.args(JOB.split_whitespace()).stdout(Stdio::null());
    let path = format!("{}:/bin:/usr/bin", helpers.display());
    let mut child = command.env("PATH", path).spawn().unwrap();
    after(20_000_000, &rig.card);
    let asked = String::from_utf8(bytes_of(&rig.work.path("home/asked"))).unwrap();
    assert!(
        asked.contains("idle:sleep") && asked.contains("unlade"),
        "{asked}"
    );
    assert!(!rig.work.path("home/ended").exists(), "held while it runs");
    child.kill().unwrap();
    child.wait().unwrap();
    let killed = Instant::now();
    while !rig.work.path("home/ended").exists() {
        assert!(
            killed.elapsed() < Duration::from_secs(20),
            "held after the end"
        );
        std::thread::sleep(Duration::from_millis(5));
    }
    // Where nobody can be asked, one line says so.
    let mut command = rig.work.command();
    command
        .args(JOB.split_whitespace())
        .env("PATH", rig.work.folder("nothing"));
    finish(&mut command)
        .exits(0)
        .says("Nothing keeps this computer awake");
}

/// Starts the program and returns it with its standard output.
fn start_heard(work: &Work, arguments: &str) -> (Child, impl Iterator<Item = String> + use<>) {
    let mut command = work.command();
    command
        .args(arguments.split_whitespace())
        .stdout(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let lines = std::io::BufReader::new(child.stdout.take().unwrap()).lines();
    (child, lines.map(Result::unwrap))
}

/// Obeying the announcement must not cost the verdict: from then on the card is not needed.
#[test]
fn the_card_may_really_leave_when_it_is_said() {
    if skip() {
        return;
    }
    let slow = Options {
        write_mbps: 60.0,
        ..plain()
    };
    let rig = Rig::new("leave", plain(), plain(), slow);
    let (mut child, mut lines) = start_heard(&rig.work, JOB);
    assert!(lines.any(|l| l.contains("Card read. You can take it out.")));
    rig.card.vanish(EIO);
    let rest: Vec<String> = lines.collect();
    assert!(rest.iter().any(|l| l.starts_with("PROVEN. ")), "{rest:?}");
    assert_eq!(child.wait().unwrap().code(), Some(0));
    rig.is_whole("b");
    // Nothing of the kind is said when a file could not be read.
    let bad = Fault::new(Kind::ReadError {
        off: 100_000,
        len: 10,
        errno: EIO,
    });
    let rig = Rig::new("stay", faulty(bad.path(STILL)), plain(), plain());
    rig.run(JOB).exits(1).is_silent_of("You can take it out");
}

#[test]
fn a_stop_in_the_second_read_accuses_nobody() {
    if skip() {
        return;
    }
    let slow = Options {
        read_mbps: 200.0,
        ..plain()
    };
    let rig = Rig::new("stop-reread", slow, plain(), plain());
    let mut child = start(&rig.work, &format!("{JOB} --proof reread"));
    // The first read is over; the second is in the clip.
    after(TOTAL + 30_000_000, &rig.card);
    interrupt(&child);
    assert_eq!(child.wait().unwrap().code(), Some(130));
    assert!(!rig.work.path("back-a/KITES/_unlade/manifest.json").exists());
    let ran = rig.run(&format!("{JOB} --proof reread"));
    ran.exits(0).is_silent_of("mismatch");
}

#[test]
fn cards_that_were_not_begun_are_named() {
    if skip() {
        return;
    }
    let slow = Options {
        read_mbps: 40.0,
        ..plain()
    };
    let rig = Rig::new("two-cards", slow, plain(), plain());
    Card::new(&rig.work.path("second")).file("DCIM/A.JPG", 1_000, 1);
    let mut command = rig.work.command();
    command.args("copy card second --to a --to b --separate".split(' '));
    command.stdout(Stdio::piped()).stderr(Stdio::null());
    let child = command.spawn().unwrap();
    after(10_000_000, &rig.card);
    interrupt(&child);
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130));
    let told = String::from_utf8(output.stdout).unwrap();
    let last = told.rsplit("NOT PROVEN - ").next().unwrap();
    assert!(last.contains("card `second` was not begun"), "{told}");
    assert!(last.contains("Run the same command again"), "{told}");
}

/// Somebody writes into the offload while it runs: under a name that is still to come, and into a
/// file that stands there already.
#[test]
fn what_others_do_to_the_offload_meanwhile_is_noticed() {
    if skip() {
        return;
    }
    let slow = Options {
        read_mbps: 40.0,
        ..plain()
    };
    let rig = Rig::new("meddled", slow, plain(), plain());
    let child = rig
        .work
        .command()
        .args(JOB.split_whitespace())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    after(20_000_000, &rig.card);
    let behind = rig.work.path("back-a/KITES");
    put(&behind.join(CLIP), b"not ours");
    std::fs::File::options()
        .write(true)
        .open(behind.join(STILL))
        .unwrap()
        .set_len(5)
        .unwrap();
    let output = child.wait_with_output().unwrap();
    let told = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert_eq!(bytes_of(&behind.join(CLIP)), b"not ours", "never replaced");
    assert!(
        told.contains("name-clash") && told.contains("taken by another file"),
        "{told}"
    );
    let manifest = manifest(&behind);
    assert_eq!(manifest["verdict"]["copies"], 1, "{manifest}");
    rig.is_whole("b");
    // Cut short after it was proven, and nothing else wrong: the last count finds it.
    let rig = Rig::new("cut-short", slow_card(), plain(), plain());
    let child = rig
        .work
        .command()
        .args(JOB.split_whitespace())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    after(20_000_000, &rig.card);
    let still = rig.work.path("back-a/KITES").join(STILL);
    std::fs::File::options()
        .write(true)
        .open(still)
        .unwrap()
        .set_len(5)
        .unwrap();
    let output = child.wait_with_output().unwrap();
    let told = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(
        told.contains("10 of 11 files are there at the end"),
        "{told}"
    );
}

/// What comes onto the card while `prove` reads it is on no drive.
#[test]
fn a_picture_that_is_taken_while_the_card_is_proven_is_noticed() {
    if skip() {
        return;
    }
    let rig = Rig::new("proven-meanwhile", plain(), plain(), plain());
    rig.work.run(JOB).exits(0);
    let ask = "prove card --on a --on b --separate --reread";
    rig.work.run(ask).exits(0);
    rig.card.set_read_mbps(40.0);
    let child = rig
        .work
        .command()
        .args(ask.split_whitespace())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let read = rig.card.bytes_read();
    after(read + 20_000_000, &rig.card);
    Card::new(&rig.work.path("back-card")).file("DCIM/100KITES/KITE9999.JPG", 5_000, 9);
    let output = child.wait_with_output().unwrap();
    let told = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(told.contains("KITE9999.JPG"), "{told}");
    assert!(
        told.contains("came onto the card during the copy"),
        "{told}"
    );
}

fn slow_card() -> Options {
    Options {
        read_mbps: 40.0,
        ..plain()
    }
}

/// A finished destination is exchanged for another folder while a slower one is still written.
#[test]
fn a_drive_that_was_exchanged_before_the_verdict_is_noticed() {
    if skip() {
        return;
    }
    let slow = Options {
        write_mbps: 40.0,
        ..plain()
    };
    let rig = Rig::new("exchanged", plain(), slow, plain());
    rig.work.folder("c");
    let job = "copy card --to a --to c --separate --name KITES";
    let (mut child, lines) = start_heard(&rig.work, &format!("{job} --json"));
    let mut exchanged = false;
    let mut said = String::new();
    for line in lines {
        // The last file of the card stands on c while a is still behind.
        if !exchanged && line.contains("C0001.MP4") && line.contains("\"destination\":1") {
            exchanged = true;
            move_to(&rig.work.path("c"), &rig.work.path("c-taken"));
            rig.work.folder("c");
        }
        said = line;
    }
    assert!(exchanged, "{said}");
    assert_eq!(child.wait().unwrap().code(), Some(1));
    assert!(
        said.contains("vanished") && said.contains("another drive"),
        "{said}"
    );
    assert!(
        names_in(&rig.work.path("c")).is_empty(),
        "nothing is written to it"
    );
}

/// Two file systems in image files on one disk are one device: the loop devices say where they lie.
#[test]
fn two_images_on_one_disk_are_one_copy() {
    let tools = ["mkfs.ext4", "mount", "umount"].map(tool);
    if !rustix::process::geteuid().is_root() || tools.iter().any(Option::is_none) {
        return crate::support::program::skip("mounting images needs root, mount and mkfs.ext4");
    }
    let work = Work::with_card("images");
    let run = |name: &str, arguments: &[&str]| {
        let status = Command::new(name)
            .args(arguments)
            .current_dir(work.path("."))
            .status();
        status.is_ok_and(|s| s.success())
    };
    let mut mounted = Vec::new();
    for name in ["a", "b"] {
        let image = format!("{name}.img");
        std::fs::File::create_new(work.path(&image))
            .unwrap()
            .set_len(64 << 20)
            .unwrap();
        assert!(run("mkfs.ext4", &["-q", "-F", &image]));
        if run("mount", &["-o", "loop", &image, name]) {
            mounted.push(name);
        }
    }
    let ran =
        (mounted.len() == 2).then(|| work.run("copy card --to a --to b --name KITES --separate"));
    for name in &mounted {
        assert!(run("umount", &[name]));
    }
    match ran {
        None => crate::support::program::skip("this machine mounts no images"),
        Some(ran) => {
            ran.exits(1)
                .says("one physical disk")
                .says("1 complete copy");
        }
    }
}

fn file_name(path: &str) -> &str {
    path.rsplit('/').next().unwrap()
}

/// The content of a made-up card follows from its seed; two seeds differ.
#[test]
fn made_up_content_differs() {
    assert_ne!(content(100, 1), content(100, 2));
    assert_eq!(content(100, 1), content(100, 1));
}

/// The power goes right after exit 0 on drives whose renamed files are empty until they are flushed
/// again.
#[test]
fn what_was_proven_on_a_drive_with_the_habits_of_fat_outlives_a_power_cut() {
    if skip() {
        return;
    }
    let fat = || Options {
        cut_undoes_renames: true,
        cut_empties_renamed: true,
        ..cached(vec![])
    };
    let rig = Rig::new("habits", plain(), fat(), fat());
    rig.run(JOB).exits(0);
    for (name, mount) in [("a", &rig.a), ("b", &rig.b)] {
        mount.power_cut();
        rig.is_whole(name);
        let root = rig.work.path(&format!("back-{name}/KITES"));
        assert!(!manifest(&root).is_null(), "{name}");
    }
}

/// On a file system that has no rename without replacing, and no links, the place is looked at
/// first. A look that fails says nothing of what stands there.
#[test]
fn nothing_is_replaced_where_the_look_before_fails() {
    use unlade::disk::Disk as _;
    const ENOENT: i32 = 2;
    if skip() {
        return;
    }
    let work = Work::new("replaces");
    let lookup = |errno| {
        Fault::new(Kind::OpError {
            op: "lookup",
            errno,
        })
        .path("KITE.JPG")
    };
    // What stands there is seen by the look itself, by nothing before it, or by nothing at all.
    for (unseen, fails, renamed) in [(0, false, false), (2, true, false), (2, false, false)] {
        let (back, at) = (work.folder("back"), work.folder("drive"));
        put(&back.join("KITE.JPG"), b"what stands there");
        put(&back.join(".KITE.JPG.unlade-part"), b"what is new");
        let mut faults = vec![lookup(ENOENT).times(unseen)];
        faults.retain(|_| unseen > 0);
        if fails {
            faults.push(lookup(EIO).times(1));
        }
        let options = Options {
            only_plain_rename: true,
            faults,
            ..Options::default()
        };
        let mount = Mount::new(&back, &at, options).unwrap();
        let at = camino::Utf8PathBuf::from_path_buf(at).unwrap();
        let result =
            OsDisk::new().rename_new(&at.join(".KITE.JPG.unlade-part"), &at.join("KITE.JPG"));
        assert_eq!(result.is_ok(), renamed, "{unseen} {fails}: {result:?}");
        assert_eq!(bytes_of(&back.join("KITE.JPG")), b"what stands there");
        if fails {
            assert_eq!(mount.fired("OpError:lookup"), 3);
        }
        drop(mount);
    }
}

/// Another program writes to what was published while the rest is still copied. One file is written
/// over with its date kept, one is replaced by another of its size and date, one only gets another
/// mode.
#[test]
#[expect(clippy::disallowed_methods, reason = "it is the other program")]
fn what_others_change_after_the_read_back_is_noticed() {
    use std::fs;
    use std::os::unix::fs::PermissionsExt as _;
    if skip() {
        return;
    }
    let stall = Kind::StallRead {
        off: 5 << 20,
        ms: 2_500,
    };
    let card = faulty(Fault::new(stall).path(CLIP).times(1));
    let rig = Rig::new("others", card, plain(), plain());
    let (c, d) = (rig.work.folder("c"), rig.work.folder("d"));
    let photo = |n: usize| format!("KITES/DCIM/100KITES/KITE{n:04}.JPG");
    let ran = std::thread::scope(|scope| {
        let ran = scope.spawn(|| {
            rig.work
                .run("copy card --to c --to d --copies 1 --name KITES")
        });
        let start = Instant::now();
        while !d.join(photo(8)).exists() || !c.join(photo(8)).exists() {
            assert!(
                start.elapsed() < Duration::from_secs(60),
                "nothing was published"
            );
            std::thread::sleep(Duration::from_millis(2));
        }
        // The batch that it came with is looked at under its names meanwhile.
        std::thread::sleep(Duration::from_millis(300));
        let date = |path: &Path| fs::metadata(path).unwrap().modified().unwrap();
        let keep = |path: &Path, then| {
            fs::File::options()
                .write(true)
                .open(path)
                .unwrap()
                .set_modified(then)
                .unwrap();
        };
        let over = c.join(photo(1));
        let (then, mut bytes) = (date(&over), bytes_of(&over));
        bytes[1_000] ^= 1;
        put(&over, &bytes);
        keep(&over, then);
        let replaced = c.join(photo(2));
        let (then, other) = (date(&replaced), c.join("other"));
        put(&other, &vec![7; bytes_of(&replaced).len()]);
        keep(&other, then);
        move_to(&other, &replaced);
        fs::set_permissions(c.join(photo(3)), fs::Permissions::from_mode(0o600)).unwrap();
        ran.join().unwrap()
    });
    // The other drive is enough for what was asked; this one is not counted.
    ran.exits(0).says("1 complete copy");
    let manifest = manifest(&rig.work.path("d/KITES"));
    let told: Vec<_> = manifest["problems"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|p| p["kind"] == "changed")
        .map(|p| {
            (
                p["destination"].as_u64().unwrap(),
                p["path"].as_str().unwrap(),
            )
        })
        .collect();
    let expected = [
        (0, "DCIM/100KITES/KITE0001.JPG"),
        (0, "DCIM/100KITES/KITE0002.JPG"),
    ];
    assert_eq!(told, expected, "{ran}");
}

/// What is read as a sample is read once, also where several cards are looked at first, and it is
/// said.
#[test]
fn a_sample_is_read_once_and_told() {
    if skip() {
        return;
    }
    let work = Work::new("sampled-once");
    work.folder("a");
    Card::new(&work.folder("back-card")).file("PRIVATE/C0001.MP4", 60_000_000, 1);
    Card::new(&work.folder("other")).file("DCIM/100KITES/KITE0001.JPG", 4_000, 2);
    let card = Mount::new(&work.path("back-card"), &work.folder("card"), plain()).unwrap();
    work.run("copy card --to a --copies 1")
        .exits(0)
        .is_silent_of("as a sample");
    let before = card.bytes_read();
    for command in ["plan", "copy"] {
        let before = card.bytes_read();
        let said = "Reading 60.0 MB as a sample";
        work.run(&format!("{command} card other --to a --copies 1"))
            .exits(0)
            .says(said);
        let read = card.bytes_read() - before;
        assert!(
            (60_000_000..70_000_000).contains(&read),
            "{command}: {read}"
        );
    }
    let json = work
        .run("plan card --to a --copies 1 --json")
        .exits(0)
        .events();
    assert!(!json.is_empty() && card.bytes_read() > before);
}

/// A page that can't be written whole leaves nothing, and can be asked for again.
#[test]
fn a_page_that_finds_no_room_leaves_nothing_behind() {
    if skip() {
        return;
    }
    let work = Work::with_card("half-a-page");
    work.offload();
    let (back, to) = (work.folder("back"), work.folder("full"));
    let full = Fault::new(Kind::OpError {
        op: "fsync",
        errno: 28,
    })
    .times(1);
    let options = Options {
        faults: vec![full],
        ..Options::default()
    };
    let drive = Mount::new(&back, &to, options).unwrap();
    work.run("report a/KITES --to full/page.html")
        .exits(3)
        .says("No space left");
    assert_eq!(std::fs::read_dir(&back).unwrap().count(), 0);
    work.run("report a/KITES --to full/page.html").exits(0);
    work.run("report a/KITES --to full/page.html")
        .exits(3)
        .says("is there already and is not replaced");
    drop(drive);
    let stored = work.path("a/KITES/_unlade/report.html");
    assert_eq!(
        std::fs::read(back.join("page.html")).unwrap(),
        std::fs::read(stored).unwrap()
    );
}
