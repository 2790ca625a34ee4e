//! What `copy`, `--only-new` and `prove` each believe of earlier records, of a card that looks the
//! same and of dates: one rule, on two simulated drives of their own. What must never be PROVEN
//! unread.

use crate::support::job::SMALL;
use crate::support::program::content;
use crate::support::sim::{
    Crash, Deed, Fault, FaultKind, Image, Meddler, Op, Prey, Sim, SimClock, Stage,
};
use crate::support::{sampled, whole_sweeps};
use crate::{support, truth};
use camino::Utf8PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use unlade::clock::Clock as _;
use unlade::disk::buffer::Pool;
use unlade::disk::progress::Progress;
use unlade::disk::{Disk as _, Stamp};
use unlade::error::{NOW_READ_ONLY, Problem, ProblemKind};
use unlade::event::{Event, Observer, Silent};
use unlade::name::part_name;
use unlade::proof::Proof;
use unlade::record::checksums;
use unlade::record::damage::KnownDamage;
use unlade::record::layout::Level;
use unlade::record::manifest::{MANIFEST, MANIFEST_HASH, Manifest};
use unlade::run::prove::{Ask, ProveOutcome, prove};
use unlade::run::{self, Job, Tools};
use unlade::verify::{Finding, Findings, path_of, verify};

const HOUR: i64 = 3_600;

fn at(seconds: i64) -> Stamp {
    Stamp {
        seconds: 1_795_600_000 + seconds,
        nanos: 0,
    }
}

fn frame(n: u64) -> String {
    format!("DCIM/100KITES/KITE{n:04}.RAW")
}

/// Shoots frames of one size, as a camera without compression does, one every 30 seconds.
fn shoot(sim: &Sim, frames: u64, seed: u64, later: i64) {
    for n in 0..frames {
        let date = at(later + 30 * i64::try_from(n).unwrap());
        let path = format!("/card/{}", frame(n));
        sim.put_file(&path, &content(5_000, seed + n), date);
    }
}

/// A card with so many frames and two empty drives.
fn world(frames: u64) -> Sim {
    let sim = Sim::default();
    sim.add_card("/card", &[], &["DCIM", "DCIM/100KITES"]);
    shoot(&sim, frames, 1_000, 0);
    for drive in ["/a", "/b"] {
        sim.add_volume(drive, "ext4", 1 << 30);
    }
    sim
}

fn job(name: &str, to: &[&str]) -> Job {
    Job {
        name: Some(name.to_owned()),
        ..support::job::job("/card", to)
    }
}

fn tools(sim: &Sim) -> Tools {
    Tools {
        limits: SMALL,
        ..support::job::tools(sim.clone())
    }
}

fn copy_with(sim: &Sim, job: &Job) -> Proof {
    let tools = tools(sim);
    let plan = run::prepare(job, &tools, &mut Silent).unwrap();
    truth::offload(sim, plan, &tools, &mut Silent).unwrap()
}

fn copy(sim: &Sim, name: &str, to: &[&str]) -> Proof {
    let proof = copy_with(sim, &job(name, to));
    sim.reboot();
    proof
}

/// Copies to both drives and is PROVEN.
fn copied(frames: u64) -> Sim {
    let sim = world(frames);
    assert!(copy(&sim, "KITES", &["/a", "/b"]).verdict().is_proven());
    sim
}

fn asked(sim: &Sim, change: impl FnOnce(&mut Ask)) -> ProveOutcome {
    let mut ask = Ask {
        card: "/card".into(),
        on: vec!["/a".into(), "/b".into()],
        has_places: false,
        ledger: None,
        damage: KnownDamage::default(),
        copies_needed: 2,
        separate: false,
        reread: false,
        by_content: false,
    };
    change(&mut ask);
    prove(&ask, sim, &SimClock::on_day(3), &Progress::default()).unwrap()
}

/// Stops the job when something was found.
struct StopAtTrouble(Arc<AtomicBool>);

impl Observer for StopAtTrouble {
    fn event(&mut self, event: &Event<'_>) {
        if matches!(event, Event::Problem(_)) {
            self.0.store(true, Ordering::SeqCst);
        }
    }
}

fn is_proven(sim: &Sim) -> bool {
    asked(sim, |_| {}).answer.verdict.is_proven()
}

fn checked(sim: &Sim, root: &str) -> Findings {
    let page = unlade::report::page::page;
    let clock = SimClock::on_day(3);
    verify(sim, &clock, root.into(), &Progress::default(), page).unwrap()
}

/// Returns whether `verify` finds an offload as it was recorded.
fn is_intact(sim: &Sim, root: &str) -> bool {
    checked(sim, root).is_clean()
}

/// Returns what `verify` finds missing, and nothing else may be found.
fn findings(sim: &Sim, root: &str) -> Vec<String> {
    let found = checked(sim, root).findings;
    let is_missing = |f: &Finding| matches!(f, Finding::Missing(_));
    assert!(found.iter().all(is_missing), "{found:?}");
    found.iter().map(|f| path_of(f).to_owned()).collect()
}

/// Changes what the manifest of an offload says, with a hash that fits.
fn tamper(sim: &Sim, root: &str, change: impl FnOnce(&mut Manifest)) {
    let records = format!("{root}/_unlade");
    let path = format!("{records}/{MANIFEST}");
    let bytes = sim.read_record(path.as_str().into(), 1 << 30).unwrap();
    let mut manifest = Manifest::from_bytes(&bytes).unwrap();
    change(&mut manifest);
    let bytes = manifest.to_bytes().unwrap();
    let line = checksums::line(unlade::digest::Digest::of(&bytes), MANIFEST).unwrap();
    sim.put_file(&path, &bytes, at(90_000));
    sim.put_file(
        &format!("{records}/{MANIFEST_HASH}"),
        line.as_bytes(),
        at(90_000),
    );
}

fn date_of(sim: &Sim, path: &str) -> Stamp {
    sim.look(path.into()).unwrap().unwrap().modified
}

/// Writes other bytes with the size and the date that a file has.
fn rewrite_unseen(sim: &Sim, path: &str, seed: u64) {
    let date = date_of(sim, path);
    sim.put_file(path, &content(5_000, seed), date);
}

/// Gives a file another date and leaves it as it is otherwise.
fn touch(sim: &Sim, path: &str, later: i64) {
    let then = date_of(sim, path);
    let bytes = sim.read_record(path.into(), 1 << 30).unwrap();
    let date = Stamp {
        seconds: then.seconds + later,
        ..then
    };
    sim.put_file(path, &bytes, date);
}

// ---- what a record doubts, and where two records disagree --------------------------------------

/// A watch finds a drive and copies a moment later: what a pulled drive leaves in its place is no
/// drive of that name, and nothing is written there.
#[test]
fn what_a_pulled_drive_leaves_in_its_place_is_not_copied_to() {
    let sim = world(3);
    let facts = sim.facts("/a".as_ref()).unwrap();
    let meant = |volumes: &[&str]| {
        let mut job = job("KITES", &["/a"]);
        job.known.volumes = vec![volumes.iter().map(|v| (*v).to_owned()).collect()];
        run::prepare(&job, &tools(&sim), &mut Silent).map(|_| ())
    };
    let own = facts.volume_id.unwrap();
    assert_eq!(meant(&["SIM-other", &own.to_lowercase()]), Ok(()));
    assert_eq!(meant(&[]), Ok(()), "a folder");
    let refused = meant(&["SIM-other"]).unwrap_err();
    assert_eq!(refused.reasons.len(), 1, "{refused:?}");
    assert_eq!(refused.reasons[0].kind, ProblemKind::Vanished);
}

/// A reader that flips a bit, found by the second read: the copies hold what the card does not.
#[test]
fn after_a_flipping_reader_the_question_says_no_as_the_copy_did() {
    let sim = world(40);
    sim.arm(Fault {
        volume: "/card",
        op: Op::CardRead,
        call: 60,
        kind: FaultKind::FlipBitOnRead,
    });
    let mut job = job("KITES", &["/a", "/b"]);
    job.terms.level = Level::Reread;
    let proof = copy_with(&sim, &job);
    assert!(sim.fired() && !proof.verdict().is_proven());
    sim.reboot();
    let told = asked(&sim, |_| {});
    assert!(!told.answer.verdict.is_proven(), "{told:?}");
    assert!(
        !asked(&sim, |ask| ask.reread = true)
            .answer
            .verdict
            .is_proven()
    );
    // The same command again, and anew with only what is new: neither takes the file as it was.
    job.terms.level = Level::ReadBack;
    assert!(!copy_with(&sim, &job).verdict().is_proven());
    sim.reboot();
    job.name = Some("DAY2".to_owned());
    job.only_new = true;
    let proof = copy_with(&sim, &job);
    assert!(proof.verdict().is_proven(), "{:?}", proof.problems());
    assert_eq!(proof.offloaded().files.len(), 40);
    sim.reboot();
    assert!(is_proven(&sim));
}

/// Whatever a manifest doubts is read from the card before it counts, and all of it where the
/// manifest had more troubles than it lists.
#[test]
fn what_a_manifest_doubts_is_read_from_the_card() {
    let doubt = |kind, path: Option<&str>| Problem {
        path: path.map(str::to_owned),
        ..Problem::new(kind, "no longer what an earlier copy read")
    };
    let path = frame(7);
    let kinds = [
        ProblemKind::Mismatch,
        ProblemKind::Unreadable,
        ProblemKind::Vanished,
        ProblemKind::ChangedOnCard,
    ];
    for kind in kinds {
        for named in [true, false] {
            if kind == ProblemKind::Vanished && !named {
                continue;
            }
            let sim = copied(40);
            rewrite_unseen(&sim, &format!("/card/{path}"), 77);
            for drive in ["/a", "/b"] {
                tamper(&sim, &format!("{drive}/KITES"), |m| {
                    m.problems = vec![doubt(kind, named.then_some(path.as_str()))];
                });
            }
            let told = asked(&sim, |_| {});
            assert!(!told.answer.verdict.is_proven(), "{kind} {named}: {told:?}");
            // The same command again reads it as well.
            let again = copy(&sim, "KITES", &["/a", "/b"]);
            assert!(!again.verdict().is_proven(), "{kind} {named}");
            // Undoubted and as it was, it counts again once it was read.
            let sim = copied(40);
            for drive in ["/a", "/b"] {
                tamper(&sim, &format!("{drive}/KITES"), |m| {
                    m.problems = vec![doubt(kind, named.then_some(path.as_str()))];
                });
            }
            assert!(is_proven(&sim), "{kind} {named}");
        }
    }
}

/// Two copies that hold different bytes under one name, size and date are not two copies of
/// anything.
#[test]
fn two_copies_that_disagree_are_not_two() {
    let sim = world(40);
    assert!(copy(&sim, "KITES", &["/a"]).verdict().is_proven());
    rewrite_unseen(&sim, &format!("/card/{}", frame(7)), 77);
    assert!(copy(&sim, "KITES", &["/b"]).verdict().is_proven());
    let told = asked(&sim, |_| {});
    assert!(!told.answer.verdict.is_proven(), "{told:?}");
    assert_eq!(
        told.answer.verdict.copies(),
        1,
        "the later one is the card's"
    );
}

// ---- a card that looks the same ---------------------------------------------------------------

/// Frames of one size, deleted and shot again by a timer one hour later under the same names.
#[test]
fn a_shift_of_all_dates_is_not_believed_unread() {
    let sim = copied(20);
    shoot(&sim, 20, 9_000, HOUR);
    let told = asked(&sim, |_| {});
    assert!(!told.answer.verdict.is_proven(), "{told:?}");
    // A change of zone is one: the same files, one hour later.
    let sim = copied(20);
    shoot(&sim, 20, 1_000, HOUR);
    assert!(is_proven(&sim));
}

/// A card without identity: another one at its place, with the same names, sizes and dates.
#[test]
fn a_card_without_identity_is_not_believed_unread() {
    let sim = world(20);
    sim.hide_identity("/card");
    assert!(copy(&sim, "KITES", &["/a", "/b"]).verdict().is_proven());
    assert!(is_proven(&sim));
    shoot(&sim, 20, 9_000, 0);
    let told = asked(&sim, |_| {});
    assert!(!told.answer.verdict.is_proven(), "{told:?}");
    let again = copy(&sim, "KITES", &["/a", "/b"]);
    assert!(!again.verdict().is_proven(), "{:?}", again.problems());
}

/// A card of an identity that others have too, or a clock that stands still.
#[test]
fn equal_looks_are_sampled_also_where_the_card_is_known() {
    let sim = copied(200);
    shoot(&sim, 200, 9_000, 0);
    assert!(!is_proven(&sim));
    let again = copy(&sim, "KITES", &["/a", "/b"]);
    assert!(!again.verdict().is_proven(), "{:?}", again.problems());
}

// ---- dates ------------------------------------------------------------------------------------

/// Dates that were touched, on the card or on a drive: `copy`, `prove` and `verify` say the same.
#[test]
fn touched_dates_are_no_change_for_any_command() {
    for touched in ["/card", "/a/KITES", "/b/KITES"] {
        let sim = copied(40);
        touch(&sim, &format!("{touched}/{}", frame(3)), 86_407);
        assert!(is_proven(&sim), "{touched}");
        let again = copy(&sim, "KITES", &["/a", "/b"]);
        assert!(
            again.verdict().is_proven(),
            "{touched}: {:?}",
            again.problems()
        );
        assert!(is_proven(&sim), "{touched}, copied again");
        for drive in ["/a", "/b"] {
            assert!(is_intact(&sim, &format!("{drive}/KITES")), "{touched}");
        }
        // The same with other bytes is a change for all of them.
        let at = format!("{touched}/{}", frame(5));
        rewrite_unseen(&sim, &at, 55);
        touch(&sim, &at, 86_407);
        assert!(!is_proven(&sim), "{touched}");
        let again = copy(&sim, "KITES", &["/a", "/b"]);
        assert!(!again.verdict().is_proven(), "{touched}");
    }
}

/// One frame of a card is another now, with a date one second later: FAT might have rounded such a
/// date, but then it would have rounded others as well.
#[test]
fn a_date_that_is_rounded_alone_is_not_believed_unread() {
    for n in 0..20 {
        let sim = copied(20);
        let at = format!("/card/{}", frame(n));
        touch(&sim, &at, 1);
        assert!(is_proven(&sim), "{n}: only the date is another");
        rewrite_unseen(&sim, &at, 600 + n);
        assert!(!is_proven(&sim), "{n}: believed unread");
    }
}

/// A drive whose dates all moved by an hour, as FAT's do, and whose files are others as well.
#[test]
fn a_shift_of_all_dates_of_a_drive_is_not_believed_unread() {
    let shifted = |change: bool| {
        let sim = copied(20);
        for n in 0..20 {
            let path = format!("/b/KITES/{}", frame(n));
            if change {
                rewrite_unseen(&sim, &path, 400 + n);
            }
            touch(&sim, &path, HOUR);
        }
        sim
    };
    assert!(is_proven(&shifted(false)));
    assert!(!is_proven(&shifted(true)));
    let only_new = |sim: &Sim| {
        let mut job = job("DAY2", &["/a", "/b"]);
        job.only_new = true;
        let plan = run::prepare(&job, &tools(sim), &mut Silent).unwrap();
        plan.to_read().0
    };
    assert_eq!(only_new(&shifted(false)), 0);
    assert_eq!(only_new(&shifted(true)), 20);
}

// ---- a drive that is set read-only -------------------------------------------------------------

/// A system sets a drive read-only when it meets an error in its file system; the call that met it
/// fails with an error of its own, whichever call that is. The person is sent to have the drive
/// checked, not to its cable.
#[test]
fn a_drive_that_is_set_read_only_over_an_error_is_said_to_need_a_check() {
    for (op, call) in [
        (Op::WriteChunk, 3),
        (Op::JournalAppend, 1),
        (Op::FlushAll, 1),
        (Op::RenameNew, 2),
    ] {
        let sim = world(10);
        sim.arm(Fault {
            volume: "/b",
            op,
            call,
            kind: FaultKind::SetReadOnly,
        });
        let (job, tools) = (job("KITES", &["/a", "/b"]), tools(&sim));
        let plan = run::prepare(&job, &tools, &mut Silent).unwrap();
        let told = match truth::offload(&sim, plan, &tools, &mut Silent) {
            Ok(proof) => proof.problems().to_vec(),
            Err(refusal) => refusal.reasons,
        };
        assert!(sim.fired(), "{op:?}");
        let is_told = |p: &Problem| p.destination == Some(1) && p.detail.contains(NOW_READ_ONLY);
        let is_told = |p: &&Problem| p.kind == ProblemKind::WriteFailed && is_told(p);
        assert_eq!(told.iter().filter(is_told).count(), 1, "{op:?}: {told:?}");
    }
}

// ---- a drive more than is needed ---------------------------------------------------------------

/// One drive is enough, and the other one fails: `copy` and `prove` say the same, and which one
/// failed is told.
#[test]
fn a_drive_more_than_is_needed_may_fail() {
    for kind in [FaultKind::Errno(5), FaultKind::Full, FaultKind::Vanished] {
        let sim = world(10);
        sim.arm(Fault {
            volume: "/b",
            op: Op::WriteChunk,
            call: 3,
            kind,
        });
        let mut job = job("KITES", &["/a", "/b"]);
        job.terms.copies_needed = 1;
        let proof = copy_with(&sim, &job);
        assert!(sim.fired());
        assert!(proof.verdict().is_proven(), "{:?}", proof.problems());
        assert_eq!(proof.verdict().copies(), 1);
        let told = proof.problems().iter();
        let told: Vec<_> = told.filter(|p| p.destination == Some(1)).collect();
        assert!(
            !told.is_empty() && told.iter().all(|p| !p.blocking),
            "{told:?}"
        );
        sim.reboot();
        let one = |sim: &Sim, on: &str| {
            let told = asked(sim, |ask| {
                ask.copies_needed = 1;
                ask.on = vec![on.into()];
            });
            told.answer.verdict.is_proven()
        };
        assert!(one(&sim, "/a") && !one(&sim, "/b"), "{kind:?}");
        // Both needed: neither says PROVEN.
        job.terms.copies_needed = 2;
        job.name = Some("TWICE".to_owned());
        sim.arm(Fault {
            volume: "/b",
            op: Op::WriteChunk,
            call: 3,
            kind,
        });
        assert!(!copy_with(&sim, &job).verdict().is_proven());
        sim.reboot();
        assert!(!is_proven(&sim));
    }
}

/// What is wrong on a drive too many can be about the card: then it counts.
#[test]
fn a_copy_that_differs_from_the_card_counts_whatever_is_needed() {
    let sim = copied(40);
    rewrite_unseen(&sim, &format!("/card/{}", frame(7)), 77);
    touch(&sim, &format!("/b/KITES/{}", frame(7)), 86_407);
    let mut job = job("KITES", &["/a", "/b"]);
    job.terms.copies_needed = 1;
    let proof = copy_with(&sim, &job);
    assert!(!proof.verdict().is_proven(), "{:?}", proof.problems());
}

/// A copy of an earlier run that rotted or went is held against a job where it is needed, by `copy`
/// and `prove` alike.
#[test]
fn a_lost_copy_counts_where_it_is_needed_and_nowhere_else() {
    for gone in [false, true] {
        for needed in [1, 2] {
            let sim = copied(10);
            let lost = format!("/b/KITES/{}", frame(4));
            if gone {
                sim.take_file(&lost);
            } else {
                sim.rot(&lost, 7);
            }
            let ask = |on: &[&str], reread| {
                let told = asked(&sim, |ask| {
                    ask.copies_needed = needed;
                    ask.on = on.iter().map(Into::into).collect();
                    ask.reread = reread;
                });
                told.answer.verdict.is_proven()
            };
            let is_enough = needed == 1;
            assert_eq!(ask(&["/a", "/b"], true), is_enough, "{gone} {needed}");
            if gone {
                // Stored anew, it would be copied again.
                continue;
            }
            let mut job = job("KITES", &["/a", "/b"]);
            job.terms.copies_needed = needed;
            let proof = copy_with(&sim, &job);
            assert_eq!(proof.verdict().is_proven(), is_enough, "{needed}");
            assert_eq!(proof.verdict().copies(), 1);
            let mut told = proof.problems().iter();
            assert!(told.any(|p| p.kind == ProblemKind::Changed && p.blocking != is_enough));
            sim.reboot();
            for reread in [false, true] {
                assert_eq!(ask(&["/a", "/b"], reread), is_enough, "{needed} {reread}");
                assert!(!ask(&["/b"], reread), "{needed} {reread}");
            }
        }
    }
}

/// A record whose BLAKE3 fits and whose further hash does not is told, and doubted until it was
/// read once more.
#[test]
fn a_further_hash_that_differs_from_the_one_on_record_is_told_and_a_doubt() {
    use unlade::hash_algorithm::{Also, AlsoHashes};
    let path = frame(2);
    let lie = |m: &mut Manifest| {
        for file in m.files.iter_mut().filter(|f| *f.path == *frame(2)) {
            file.also = AlsoHashes::default();
            assert!(file.also.insert(Also::Md5, &"0".repeat(32)));
        }
    };
    let hashed = |kinds: &[Also]| {
        let mut job = job("KITES", &["/a", "/b"]);
        job.form.also = kinds.iter().copied().collect();
        job
    };
    // A hash more is wanted; one drive's manifest says another one; the copies were touched and are
    // read again; and the offload is copied further.
    for case in 0..4 {
        let sim = world(10);
        sim.add_volume("/c", "ext4", 1 << 30);
        let first = copy_with(&sim, &hashed(&[Also::Md5]));
        assert!(first.verdict().is_proven());
        sim.reboot();
        tamper(&sim, "/a/KITES", lie);
        let mut job = hashed(&[Also::Md5]);
        match case {
            0 => {
                tamper(&sim, "/b/KITES", lie);
                job.form.also.insert(Also::Sha256);
            }
            1 => {}
            2 => {
                tamper(&sim, "/b/KITES", lie);
                touch(&sim, &format!("/a/KITES/{path}"), 86_407);
            }
            _ => {
                job.card = "/a/KITES".into();
                job.to = vec!["/c".into()];
                job.terms.copies_needed = 1;
                job.name = None;
            }
        }
        let proof = copy_with(&sim, &job);
        let told = proof.problems().iter();
        let told: Vec<_> = told
            .filter(|p| p.kind == ProblemKind::ManifestDamaged)
            .collect();
        assert_eq!(told.len(), 1, "{case}: {:?}", proof.problems());
        assert_eq!(told[0].path.as_deref(), Some(path.as_str()));
        assert!(told[0].detail.contains("its md5 is not"), "{told:?}");
        assert!(!proof.verdict().is_proven(), "{case}");
        if case == 3 {
            continue;
        }
        sim.reboot();
        let to_read = |sim: &Sim| {
            let plan = run::prepare(&job, &tools(sim), &mut Silent).unwrap();
            let read = plan.jobs.iter().filter(|j| j.is_read());
            read.map(|j| j.name.as_str().to_owned()).collect::<Vec<_>>()
        };
        assert_eq!(to_read(&sim), [path.as_str()], "{case}: it is doubted");
        let again = copy_with(&sim, &job);
        assert!(
            again.verdict().is_proven(),
            "{case}: {:?}",
            again.problems()
        );
        sim.reboot();
        // A copy of another date is read every time.
        assert_eq!(to_read(&sim).is_empty(), case < 2, "{case}");
        assert!(is_proven(&sim), "{case}");
    }
}

/// What becomes of a copy after it was read, and before the answer, is seen: by `prove --reread`
/// while it reads another drive, and by `verify` while it reads the rest.
#[test]
fn what_happens_to_a_copy_that_was_read_already_is_in_the_answer() {
    let deeds = [
        Deed::Write,
        Deed::WriteUnseen,
        Deed::Truncate,
        Deed::Append,
        Deed::Replace,
        Deed::Redate,
        Deed::Delete,
    ];
    let meddler = |volume, call, deed| Meddler {
        stage: Stage::Any,
        volume,
        op: Op::ReadBackRead,
        call,
        on: "/a",
        prey: Prey::Copies,
        deed,
        seed: call,
    };
    for deed in deeds {
        let sim = copied(10);
        sim.let_meddle(meddler("/b", 4, deed));
        let told = asked(&sim, |ask| ask.reread = true);
        assert!(sim.meddled().is_some(), "{deed:?}");
        assert!(!told.answer.verdict.is_proven(), "{deed:?}");
        let mut seen = 0;
        for call in 2..9 {
            let sim = copied(10);
            sim.let_meddle(meddler("/a", call, deed));
            let findings = checked(&sim, "/a/KITES");
            assert!(sim.meddled().is_some(), "{deed:?} {call}");
            // What is written before a file's turn comes, its date or a byte put back, is read as
            // it is then.
            assert!(!findings.is_clean(), "{deed:?} {call}");
            seen += findings.findings.len();
        }
        assert_eq!(seen, 7, "one file each time: {deed:?}");
    }
}

/// What becomes of a card's file after it was read is in the answer too, also with size and date
/// put back where the card keeps numbers and dates of entries.
#[test]
fn what_happens_to_a_card_that_was_read_already_is_in_the_answer() {
    for ((deed, _), call) in DEEDS
        .iter()
        .flat_map(|deed| (2..7).map(move |n| (*deed, n)))
    {
        let sim = world_of_ext4(6);
        assert!(copy(&sim, "KITES", &["/a", "/b"]).verdict().is_proven());
        sim.let_meddle(Meddler {
            stage: Stage::Any,
            volume: "/card",
            op: Op::ReadBackRead,
            call,
            on: "/card",
            prey: Prey::Copies,
            deed,
            seed: call,
        });
        let told = asked(&sim, |ask| ask.reread = true);
        assert!(sim.meddled().is_some(), "{deed:?} {call}");
        assert!(!told.answer.verdict.is_proven(), "{deed:?} {call}");
    }
}

/// A copy that is written to right after it got its name, the date put back, before its folder is
/// flushed and its line is in the journal.
#[test]
fn what_is_written_to_a_copy_that_just_got_its_name_is_in_the_verdict() {
    let mut met = 0;
    for call in 1..20 {
        let sim = world(10);
        sim.let_meddle(Meddler {
            stage: Stage::Any,
            volume: "/a",
            op: Op::Flush,
            call,
            on: "/a",
            prey: Prey::Copies,
            deed: Deed::WriteUnseen,
            seed: call,
        });
        let proof = copy_with(&sim, &job("KITES", &["/a", "/b"]));
        // After the last look nothing is seen any more.
        if sim.meddled().is_some() && !sim.meddled_unseen() {
            met += 1;
            assert!(!proof.verdict().is_proven(), "{call}");
        }
    }
    assert!(met > 2, "{met}");
}

/// All that another program may do to a file, and whether it is the file that it was after it.
const DEEDS: [(Deed, bool); 9] = [
    (Deed::Write, false),
    (Deed::WriteUnseen, false),
    (Deed::Truncate, false),
    (Deed::Append, false),
    (Deed::Replace, false),
    (Deed::ReplaceUnseen, false),
    (Deed::Redate, true),
    (Deed::Touch, true),
    (Deed::Delete, false),
];

/// A card whose file system keeps numbers and dates of its entries, and two drives.
fn world_of_ext4(frames: u64) -> Sim {
    let sim = Sim::default();
    sim.add_card_with("/card", "ext4", &[], &["DCIM", "DCIM/100KITES"]);
    shoot(&sim, frames, 1_000, 0);
    for drive in ["/a", "/b"] {
        sim.add_volume(drive, "ext4", 1 << 30);
    }
    sim
}

/// What the manifest of an offload says, with nothing left of how it got there.
fn recorded(sim: &Sim, root: &str) -> Manifest {
    let records = sim.files(&format!("{root}/_unlade"), Image::Visible);
    let odd = |name: &&String| name.contains("part") || name.contains("journal");
    assert_eq!(records.keys().find(odd), None, "{root}");
    Manifest::from_bytes(&records[MANIFEST]).unwrap()
}

/// What is copied in the tests of the last looks: a card, what is new on it, or an offload.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Kind {
    Card,
    OnlyNew,
    Further,
}

/// A world in which it can be copied, the job, the places of all that counts, and the offloads that
/// get records.
fn prepared(kind: Kind) -> (Sim, Job, Vec<&'static str>, Vec<&'static str>) {
    let sim = world_of_ext4(6);
    let mut job = job("KITES", &["/a", "/b"]);
    let (all, both) = (vec!["/card", "/a", "/b"], vec!["/a/KITES", "/b/KITES"]);
    match kind {
        Kind::Card => (sim, job, all, both),
        Kind::OnlyNew => {
            assert!(copy_with(&sim, &job).verdict().is_proven());
            sim.reboot();
            shoot(&sim, 9, 1_000, 0);
            (job.name, job.only_new) = (Some("LATER".to_owned()), true);
            (sim, job, all, vec!["/a/LATER", "/b/LATER"])
        }
        Kind::Further => {
            (job.to, job.terms.copies_needed) = (vec!["/a".into()], 1);
            assert!(copy_with(&sim, &job).verdict().is_proven());
            sim.reboot();
            (job.card, job.to) = ("/a/KITES".into(), vec!["/b".into()]);
            job.terms.copies_needed = 2;
            (sim, job, vec!["/a", "/b"], vec!["/b/KITES"])
        }
    }
}

/// Making the records takes a while on slow drives. What becomes of the card, of an offload that is
/// copied further, or of a copy meanwhile is in the verdict and in every manifest, also when it
/// comes between the name of a manifest and the end.
#[test]
fn what_happens_while_the_records_are_made_is_in_them() {
    let moments = [
        (Stage::Staged, Op::ReadBackRead, "/b"),
        // The records get their names on the first drive before they do on the second.
        (Stage::Staged, Op::RenameNew, "/a"),
        (Stage::Named, Op::Flush, "/a"),
        (Stage::Named, Op::Flush, "/b"),
        // They are read back under their names.
        (Stage::Named, Op::ReadBackRead, "/b"),
    ];
    for kind in [Kind::Card, Kind::OnlyNew, Kind::Further] {
        let (ready, job, places, roots) = prepared(kind);
        for (stage, op, volume) in moments {
            let cases = places.iter().flat_map(|on| DEEDS.map(|deed| (*on, deed)));
            for (on, (deed, is_as_it_was)) in sampled(cases.collect(), 5) {
                let volume = if kind == Kind::Further { "/b" } else { volume };
                let case = format!("{kind:?}: {deed:?} on {on} at {op:?} of {volume}, {stage:?}");
                let sim = ready.fork();
                sim.let_meddle(Meddler {
                    stage,
                    volume,
                    op,
                    call: 1,
                    on,
                    prey: Prey::Copies,
                    deed,
                    seed: 7,
                });
                let proof = copy_with(&sim, &job);
                let path = sim.meddled().expect(&case).path;
                // The date is part of what is believed unread: on the card, of the original, in an
                // earlier offload.
                let is_copy = roots.iter().any(|r| format!("{on}/{path}").starts_with(r));
                let is_proven = is_as_it_was && (is_copy || deed == Deed::Touch);
                let reasons = proof.verdict().reasons();
                assert_eq!(
                    proof.verdict().is_proven(),
                    is_proven,
                    "{case}: {reasons:?}"
                );
                let told = reasons.join(" ");
                let is_named = told.contains(path.split_once('/').unwrap().1);
                let is_told = is_named || told.contains("files are there at the end");
                assert!(is_proven || is_told, "{case}: {told}");
                for root in &roots {
                    let manifest = recorded(&sim, root);
                    assert_eq!(manifest.verdict.proven, is_proven, "{case}: {root}");
                    assert_eq!(manifest.verdict.reasons, reasons, "{case}");
                }
                assert!(sim.misuse().is_empty(), "{:?}", sim.misuse());
            }
        }
    }
}

/// Most of a long part has been read back by the time, and its date is that of the card in the end:
/// only that somebody else wrote to it is seen.
#[test]
fn another_program_that_writes_into_a_long_part_is_in_the_verdict() {
    let mut told = 0;
    for (deed, call) in [Deed::Write, Deed::WriteUnseen]
        .into_iter()
        .flat_map(|deed| (2..12).map(move |call| (deed, call)))
    {
        let sim = Sim::default();
        sim.add_card_with("/card", "ext4", &[], &["DCIM", "DCIM/100KITES"]);
        let clip = "/card/DCIM/100KITES/CLIP0001.MOV";
        sim.put_file(clip, &content(200_000, 9), at(0));
        for drive in ["/a", "/b"] {
            sim.add_volume(drive, "ext4", 1 << 30);
        }
        sim.let_meddle(Meddler {
            stage: Stage::Any,
            volume: "/a",
            op: Op::ReadBackRead,
            call,
            on: "/a",
            prey: Prey::Parts,
            deed,
            seed: 7,
        });
        let job = job("KITES", &["/a", "/b"]);
        let proof = copy_with(&sim, &job);
        let is_met = sim.meddled().is_some_and(|m| m.path.contains("DCIM"));
        let reasons = proof.verdict().reasons().join(" ");
        assert_eq!(
            proof.verdict().is_proven(),
            !is_met,
            "{deed:?} {call}: {reasons}"
        );
        told += usize::from(reasons.contains("another program has written into it"));
        if is_met {
            assert!(
                copy_with(&sim, &job).verdict().is_proven(),
                "{deed:?} {call}"
            );
        }
    }
    assert!(told > 4, "{told}");
}

/// A record that another program removes or writes to before the end is told: whoever asks later
/// goes by it. The copies stand in the journals, and where a record was removed the same command
/// makes new ones.
#[test]
fn what_happens_to_a_record_that_has_its_name_is_in_the_verdict() {
    let deeds = DEEDS.iter().filter(|(_, is_as_it_was)| !is_as_it_was);
    let mut met = 0;
    for ((deed, _), seed) in deeds.flat_map(|deed| (0..3).map(move |seed| (deed, seed))) {
        let sim = world_of_ext4(6);
        let job = job("KITES", &["/a", "/b"]);
        sim.let_meddle(Meddler {
            stage: Stage::Named,
            volume: "/b",
            op: Op::Flush,
            call: 1,
            on: "/a",
            prey: Prey::Records,
            deed: *deed,
            seed,
        });
        let proof = copy_with(&sim, &job);
        let path = sim.meddled().unwrap().path;
        let verdict = proof.verdict();
        if path.ends_with("journal.jsonl") {
            continue;
        }
        met += 1;
        let told = verdict.reasons().join(" ");
        assert!(!verdict.is_proven(), "{deed:?} of {path}");
        let what = match deed {
            Deed::Delete => "another program has removed it",
            _ => "differs from what was written",
        };
        assert!(told.contains(what), "{deed:?}: {told}");
        assert!(
            told.contains(path.split_once('/').unwrap().1),
            "{deed:?}: {told}"
        );
        assert!(!recorded(&sim, "/b/KITES").verdict.proven);
        sim.reboot();
        if *deed == Deed::Delete {
            assert!(
                copy_with(&sim, &job).verdict().is_proven(),
                "{deed:?} of {path}"
            );
        }
    }
    assert!(met > 6, "{met}");
}

/// The records of an earlier run stand for the same verdict only as long as they are there.
#[test]
fn records_that_go_while_all_is_found_to_be_as_it_was_are_made_again() {
    let sim = world_of_ext4(6);
    let job = job("KITES", &["/a", "/b"]);
    assert!(copy_with(&sim, &job).verdict().is_proven());
    sim.reboot();
    sim.let_meddle(Meddler {
        stage: Stage::Any,
        volume: "/card",
        op: Op::Walk,
        call: 2,
        on: "/a",
        prey: Prey::Records,
        deed: Deed::Delete,
        seed: 1,
    });
    assert!(copy_with(&sim, &job).verdict().is_proven());
    assert!(sim.meddled().unwrap().path.contains(MANIFEST));
    assert!(recorded(&sim, "/a/KITES").verdict.proven);
    assert!(is_intact(&sim, "/a/KITES"));
}

/// A drive that takes no more writes keeps the record that it has, which says more than the answer:
/// that is told.
#[test]
fn a_record_that_cannot_be_put_right_is_not_to_be_gone_by() {
    let sim = world_of_ext4(6);
    sim.arm(Fault {
        volume: "/b",
        op: Op::RemoveOwn,
        call: 1,
        kind: FaultKind::SetReadOnly,
    });
    let proof = copy_with(&sim, &job("KITES", &["/a", "/b"]));
    assert!(sim.fired());
    assert!(!proof.verdict().is_proven());
    let records = sim.files("/b/KITES/_unlade", Image::Visible);
    assert!(
        Manifest::from_bytes(&records[MANIFEST])
            .unwrap()
            .verdict
            .proven
    );
    let told = proof.verdict().reasons().join(" ");
    assert!(told.contains("do not rely on it"), "{told}");
    assert!(!recorded(&sim, "/a/KITES").verdict.proven);
}

/// A drive that lacks one file for a reason that was told may lose another at the end, which is
/// told as well: the record says of neither that it stands there.
#[test]
fn a_copy_that_goes_at_the_end_is_told_beside_what_else_is_wrong() {
    for deed in [Deed::Delete, Deed::Truncate, Deed::Append] {
        let sim = world_of_ext4(6);
        let job = job("KITES", &["/a"]);
        assert!(copy_with(&sim, &job).verdict().is_proven());
        sim.reboot();
        rewrite_unseen(&sim, &format!("/card/{}", frame(0)), 70);
        touch(&sim, &format!("/card/{}", frame(0)), 86_407);
        sim.let_meddle(Meddler {
            stage: Stage::Staged,
            volume: "/a",
            op: Op::ReadBackRead,
            call: 1,
            on: "/a",
            prey: Prey::Copies,
            deed,
            seed: 5,
        });
        let proof = copy_with(&sim, &job);
        assert!(!proof.verdict().is_proven());
        let path = sim.meddled().unwrap().path;
        assert!(!path.ends_with(&frame(0)), "another file than {path}");
        let told = proof.verdict().reasons().join(" ");
        assert!(
            told.contains("is left as it was") || told.contains(&frame(0)),
            "{told}"
        );
        assert!(
            told.contains("4 of 5 files are there at the end"),
            "{deed:?}: {told}"
        );
        assert_eq!(
            recorded(&sim, "/a/KITES").verdict.reasons,
            proof.verdict().reasons()
        );
    }
}

/// Somebody who never leaves off is told, and nothing is PROVEN.
#[test]
fn what_goes_on_changing_is_not_proven() {
    let meddler = |deed, seed| Meddler {
        stage: Stage::Staged,
        volume: "/b",
        op: Op::ReadBackRead,
        call: 1,
        on: "/a",
        prey: Prey::Copies,
        deed,
        seed,
    };
    let mut spared = job("KITES", &["/a", "/b"]);
    spared.terms.copies_needed = 1;
    for (times, proven) in [(1, true), (2, true), (12, false)] {
        let sim = world_of_ext4(6);
        for seed in 0..times {
            sim.let_meddle(meddler(Deed::Append, seed));
        }
        let proof = copy_with(&sim, &spared);
        let reasons = proof.verdict().reasons();
        assert_eq!(proof.verdict().is_proven(), proven, "{times}: {reasons:?}");
        let is_told = reasons.iter().any(|r| r.contains("went on changing"));
        assert_eq!(is_told, !proven, "{times}: {reasons:?}");
        for root in ["/a/KITES", "/b/KITES"] {
            assert_eq!(recorded(&sim, root).verdict.proven, proven, "{times}");
        }
    }
}

/// A copy whose date became another is read again at the end, which takes its time on a slow drive:
/// what becomes of the other drive and of the card meanwhile is seen, also where no records are
/// made since they stand already.
#[test]
fn what_happens_while_a_touched_copy_is_read_again_is_in_the_verdict() {
    for on in ["/card", "/a", "/b"] {
        for (deed, is_as_it_was) in DEEDS {
            let sim = world_of_ext4(6);
            let job = job("KITES", &["/a", "/b"]);
            assert!(copy_with(&sim, &job).verdict().is_proven());
            sim.reboot();
            let calls = {
                let calm = sim.fork();
                assert!(copy_with(&calm, &job).verdict().is_proven());
                calm.calls("/b")
            };
            let meddler = |op, call, on, deed, seed| Meddler {
                stage: Stage::Any,
                volume: "/b",
                op,
                call,
                on,
                prey: Prey::Copies,
                deed,
                seed,
            };
            // At the flush before the last walk.
            let flush = calls[&Op::Flush];
            sim.let_meddle(meddler(Op::Flush, flush, "/b", Deed::Redate, 1));
            let read = 1 + calls[&Op::ReadBackRead];
            sim.let_meddle(meddler(Op::ReadBackRead, read, on, deed, 2));
            let proof = copy_with(&sim, &job);
            let case = format!("{deed:?} on {on}");
            assert_eq!(sim.meddled().map(|m| m.by.deed), Some(deed), "{case}");
            let is_proven = is_as_it_was && !(on == "/card" && deed == Deed::Redate);
            let reasons = proof.verdict().reasons();
            assert_eq!(
                proof.verdict().is_proven(),
                is_proven,
                "{case}: {reasons:?}"
            );
        }
    }
}

/// A card's file that is written to or replaced after it was read, with size and date put back, is
/// found by the numbers and dates of its entry where the file system keeps them, and read again.
/// The same in an offload that is copied further.
#[test]
fn a_source_that_is_written_to_unseen_after_it_was_read_is_not_proven() {
    let all = [Op::CardRead, Op::WriteChunk, Op::FlushAll, Op::RenameNew];
    let mut met = [0, 0];
    let mut cases = Vec::new();
    for further in [false, true] {
        for deed in DEEDS {
            for op in all {
                cases.extend((4..7).map(|call| (further, deed, op, call)));
            }
        }
    }
    for (further, (deed, is_as_it_was), op, call) in sampled(cases, 24) {
        let sim = world_of_ext4(8);
        let (mut job, mut on) = (job("KITES", &["/a"]), "/card");
        if further {
            assert!(copy_with(&sim, &job).verdict().is_proven());
            sim.reboot();
            (job.card, job.to) = ("/a/KITES".into(), vec!["/b".into()]);
            (job.terms.copies_needed, on) = (2, "/a");
        }
        let volume = match op {
            Op::CardRead if further => continue,
            Op::CardRead => on,
            _ if further => "/b",
            _ => "/a",
        };
        sim.let_meddle(Meddler {
            stage: Stage::Any,
            volume,
            op,
            call,
            on,
            prey: Prey::Copies,
            deed,
            seed: call,
        });
        let proof = copy_with(&sim, &job);
        let case = format!("{deed:?} at {op:?} {call}, further {further}");
        let path = sim.meddled().expect(&case).path;
        let source = &sim.files(on, Image::Visible).remove(&path);
        let copy = path.trim_start_matches("KITES/");
        let drive = if further { "/b/KITES" } else { "/a/KITES" };
        let copy = &sim.files(drive, Image::Visible).remove(copy);
        // What was done before it was read is read, and on record as such.
        if proof.verdict().is_proven() {
            assert_eq!(source, copy, "{case}");
        } else {
            met[usize::from(further)] += 1;
        }
        assert!(proof.verdict().is_proven() || !(is_as_it_was && deed == Deed::Touch));
    }
    let least = if whole_sweeps() { 20 } else { 2 };
    assert!(met.iter().all(|n| *n > least), "{met:?}");
}

// ---- what a drive cannot hold ------------------------------------------------------------------

/// A name that a drive cannot store, two names that are one there, in files and in folders: the
/// rest is copied, what is not is told, and nobody says PROVEN of it but where other drives are
/// enough.
#[test]
fn what_a_drive_cannot_hold_is_left_out_there_and_the_rest_is_copied() {
    let odd = [
        "DCIM/100KITES/wind: strong.RAW",
        "DCIM/100KITES/kite0001.raw",
        "DCIM/100kites",
        "DCIM/100kites/KITE0900.RAW",
    ];
    for filesystem in ["exfat", "vfat", "ntfs3"] {
        let sim = world(6);
        sim.add_volume("/x", filesystem, 1 << 30);
        for (path, seed) in odd.iter().zip(500..).filter(|(path, _)| path.contains('.')) {
            if let Some((folder, _)) = path.rsplit_once('/') {
                sim.put_folder(&format!("/card/{folder}"));
            }
            sim.put_file(&format!("/card/{path}"), &content(3_000, seed), at(9_000));
        }
        let ask = |on: &[&str], needed| {
            let told = asked(&sim, |ask| {
                ask.copies_needed = needed;
                ask.on = on.iter().map(Into::into).collect();
            });
            told.answer.verdict.is_proven()
        };
        let proof = copy(&sim, "KITES", &["/a", "/x"]);
        assert!(!proof.verdict().is_proven(), "{filesystem}");
        assert_eq!(proof.verdict().copies(), 1, "{filesystem}");
        let told = proof.problems().iter();
        let told: Vec<_> = told
            .filter(|p| p.kind == ProblemKind::NameNotStorable)
            .inspect(|p| assert_eq!(p.destination, Some(1)))
            .filter_map(|p| p.path.as_deref())
            .collect();
        let mut expected = odd.to_vec();
        expected.sort_unstable();
        assert_eq!(told, expected, "{filesystem}");
        let copied = proof.tallies().iter().map(|t| t.read_back);
        assert_eq!(copied.collect::<Vec<_>>(), [9, 6], "{filesystem}");
        assert!(is_intact(&sim, "/a/KITES"));
        let missing = findings(&sim, "/x/KITES");
        assert_eq!(missing, expected, "{filesystem}");
        assert!(!ask(&["/a", "/x"], 2) && !ask(&["/x"], 1), "{filesystem}");
        assert!(ask(&["/a", "/x"], 1), "{filesystem}");
        // The same again changes nothing of that, and one drive more makes it good.
        assert!(!copy(&sim, "KITES", &["/a", "/x"]).verdict().is_proven());
        let mut three = job("KITES", &["/a", "/x", "/b"]);
        three.terms.copies_needed = 2;
        let proof = copy_with(&sim, &three);
        assert!(proof.verdict().is_proven(), "{:?}", proof.problems());
        sim.reboot();
        assert!(ask(&["/a", "/x", "/b"], 2), "{filesystem}");
        assert!(sim.misuse().is_empty(), "{:?}", sim.misuse());
    }
}

/// What no drive takes is not read from the card in vain.
#[test]
fn what_no_drive_can_hold_is_not_read() {
    let sim = world(3);
    sim.add_volume("/x", "exfat", 1 << 30);
    let odd = "DCIM/100KITES/wind?.RAW";
    sim.put_file(&format!("/card/{odd}"), &content(9_000, 5), at(9_000));
    let proof = copy(&sim, "KITES", &["/x"]);
    assert!(!proof.verdict().is_proven());
    assert_eq!(proof.offloaded().bytes_read, 15_000);
    assert!(sim.delivered(&format!("/card/{odd}")).is_none());
}

// ---- what another program wrote just now -------------------------------------------------------

/// A copy that another program made a moment ago may be in memory alone; where `verify` says that
/// it is there, a pull of the drive leaves it.
#[test]
fn what_verify_found_is_on_the_drive() {
    for filesystem in ["ext4", "vfat", "ntfs3", "fuse.kites"] {
        let sim = copied(6);
        sim.add_volume("/x", filesystem, 1 << 30);
        let mut pool = Pool::new(1, 0, 1 << 20);
        sim.create_folder("/x/KITES".into()).unwrap();
        for folder in sim.folders("/a/KITES", Image::Visible) {
            sim.create_folder(format!("/x/KITES/{folder}").as_str().into())
                .unwrap();
        }
        for (path, bytes) in sim.files("/a/KITES", Image::Visible) {
            let to = Utf8PathBuf::from(format!("/x/KITES/{path}"));
            let part = to.with_file_name(part_name(to.file_name().unwrap()));
            let file = sim.create_part(&part, false).unwrap();
            let mut buffer = pool.take(Duration::from_secs(1)).unwrap();
            buffer.all_mut()[..bytes.len()].copy_from_slice(&bytes);
            let chunk = pool.seal(buffer, bytes.len());
            file.write_chunk(&chunk, 0).unwrap();
            file.finish(u64::try_from(bytes.len()).unwrap(), at(0))
                .unwrap();
            sim.rename_new(&part, &to).unwrap();
        }
        let stands = sim.files("/x/KITES", Image::Visible);
        assert_ne!(
            sim.files("/x/KITES", Image::Durable),
            stands,
            "{filesystem}"
        );
        assert!(is_intact(&sim, "/x/KITES"), "{filesystem}");
        sim.crash(Crash::Strict);
        sim.reboot();
        assert_eq!(
            sim.files("/x/KITES", Image::Visible),
            stands,
            "{filesystem}"
        );
    }
}

// ---- what checks found damaged ----------------------------------------------------------------

/// What `verify` is remembered by.
fn found_by_verify(sim: &Sim, root: &str) -> KnownDamage {
    let mut known = KnownDamage::default();
    known.push(checked(sim, root).note(SimClock::on_day(3).now()).unwrap());
    known
}

fn is_proven_knowing(sim: &Sim, damage: &KnownDamage) -> bool {
    let outcome = asked(sim, |ask| ask.damage = damage.clone());
    outcome.answer.verdict.is_proven()
}

#[test]
fn damage_that_a_stopped_copy_found_is_remembered_beside_the_old_manifest() {
    let sim = copied(4);
    sim.rot(&format!("/a/KITES/{}", frame(1)), 7);
    assert!(is_proven(&sim), "names, sizes and dates say nothing of it");
    let tools = tools(&sim);
    let mut eyes = StopAtTrouble(Arc::clone(&tools.cancel));
    let plan = run::prepare(&job("KITES", &["/a", "/b"]), &tools, &mut eyes).unwrap();
    let proof = truth::offload(&sim, plan, &tools, &mut eyes).unwrap();
    assert!(proof.offloaded().interrupted);
    let mut known = KnownDamage::default();
    for note in run::checks_of_copy(&proof, &sim) {
        known.push(note);
    }
    sim.reboot();
    assert!(is_proven(&sim), "the manifests are those of the first copy");
    assert!(!is_proven_knowing(&sim, &known));
}

#[test]
fn what_was_found_damaged_is_not_proven_by_memory() {
    let sim = copied(4);
    let path = format!("/a/KITES/{}", frame(1));
    sim.rot(&path, 7);
    let known = found_by_verify(&sim, "/a/KITES");
    assert!(!is_proven_knowing(&sim, &known));
    // The same bit again: the copy is good, and nobody has read it.
    sim.rot(&path, 7);
    assert!(!is_proven_knowing(&sim, &known));
    let again = || {
        let mut job = job("KITES", &["/a", "/b"]);
        job.known.damage = Arc::new(known.clone());
        job
    };
    let cached = sim.fork();
    cached.cache_all_reads();
    assert!(!copy_with(&cached, &again()).verdict().is_proven());
    let proof = copy_with(&sim, &again());
    assert!(proof.verdict().is_proven());
    sim.reboot();
    // A manifest of its own says so now.
    assert!(is_proven_knowing(&sim, &known));
    // Nor does a check that was answered from memory lift what stands.
    let sim = copied(4);
    sim.rot(&path, 7);
    let mut known = found_by_verify(&sim, "/a/KITES");
    sim.rot(&path, 7);
    let cached = sim.fork();
    cached.cache_all_reads();
    known.push(
        checked(&cached, "/a/KITES")
            .note(SimClock::on_day(4).now())
            .unwrap(),
    );
    assert!(!is_proven_knowing(&sim, &known));
    known.push(
        checked(&sim, "/a/KITES")
            .note(SimClock::on_day(5).now())
            .unwrap(),
    );
    assert!(is_proven_knowing(&sim, &known));
}
