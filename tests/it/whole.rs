//! Whether what was copied is the whole card, and whether a verdict is about the card that was
//! read: folders of a card, volumes mounted in it, room that nothing explains, and another card at
//! the end.

use crate::faults::{BOTH, CARD, fresh, job, stamp, tools};
use crate::support::sim::{Chance, Fault, FaultKind, Image, Op, Sim};
use crate::truth;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use unlade::card::listing::Listing;
use unlade::card::survey::survey;
use unlade::disk::Disk as _;
use unlade::disk::progress::Progress;
use unlade::error::ProblemKind;
use unlade::event::{Event, Observer};
use unlade::existing::source::CardNow;
use unlade::proof::Proof;
use unlade::proof::to_manifest::manifest_of;
use unlade::record::damage::KnownDamage;
use unlade::run;
use unlade::run::prove::{Ask, ProveOutcome, prove};

/// Does something when the card may leave the reader.
struct AtLeave<'a>(Option<Box<dyn FnOnce() + 'a>>);

impl Observer for AtLeave<'_> {
    fn event(&mut self, event: &Event<'_>) {
        if matches!(event, Event::CardRead)
            && let Some(then) = self.0.take()
        {
            then();
        }
    }
}

/// Copies the card; `then` is done when it may leave the reader.
fn copy(sim: &Sim, then: impl FnOnce()) -> Proof {
    let tools = tools(sim, &Arc::new(AtomicBool::new(false)));
    let job = job(&BOTH, 2, sim.layout());
    let mut eyes = AtLeave(Some(Box::new(then)));
    let plan = run::prepare(&job, &tools, &mut eyes).unwrap();
    let proof = truth::offload(sim, plan, &tools, &mut eyes).unwrap();
    assert!(eyes.0.is_none(), "the card never left");
    proof
}

fn ask(sim: &Sim) -> ProveOutcome {
    let tools = tools(sim, &Arc::new(AtomicBool::new(false)));
    let ask = Ask {
        card: CARD.into(),
        on: BOTH.map(Into::into).to_vec(),
        has_places: false,
        ledger: None,
        damage: KnownDamage::default(),
        copies_needed: 2,
        separate: false,
        reread: false,
        by_content: false,
    };
    prove(&ask, sim, tools.clock.as_ref(), &Progress::default()).unwrap()
}

fn listed(sim: &Sim) -> Listing {
    let facts = sim.facts(CARD.into()).unwrap();
    survey(sim, CARD.into(), &facts).unwrap()
}

/// What was dragged there a moment ago may be in the computer's memory alone.
#[test]
fn a_folder_by_hand_that_cannot_be_flushed_is_no_copy() {
    let by_hand = |sim: &Sim| {
        let tools = tools(sim, &Arc::new(AtomicBool::new(false)));
        let ask = Ask {
            card: CARD.into(),
            on: vec!["/a/dragged".into()],
            ledger: None,
            damage: KnownDamage::default(),
            copies_needed: 1,
            separate: false,
            reread: false,
            by_content: false,
            has_places: false,
        };
        prove(&ask, sim, tools.clock.as_ref(), &Progress::default()).unwrap()
    };
    for is_broken in [false, true] {
        let sim = fresh();
        for (path, bytes) in sim.files(CARD, Image::Visible) {
            let path = path.trim_start_matches(CARD).trim_start_matches('/');
            sim.put_file(&format!("/a/dragged/{path}"), &bytes, stamp(3));
        }
        if is_broken {
            sim.arm(Fault {
                volume: "/a",
                op: Op::FlushEverything,
                call: 1,
                kind: FaultKind::Errno(5),
            });
        }
        let told = by_hand(&sim).answer;
        assert_eq!(sim.fired(), is_broken);
        assert_eq!(told.verdict.is_proven(), !is_broken, "{:?}", told.reasons);
        let is_said = told.reasons.iter().any(|r| {
            r.kind == ProblemKind::Unreadable && r.detail.contains("`/a/dragged` cannot be used")
        });
        assert_eq!(is_said, is_broken, "{:?}", told.reasons);
    }
}

// ---- another card at the end ------------------------------------------------------------------

#[test]
fn the_verdict_is_on_the_card_that_was_read_wherever_that_is_now() {
    let sim = fresh();
    let stays = copy(&sim, || ());
    assert!(stays.verdict().is_proven(), "{:?}", stays.problems());
    assert_eq!(stays.card_now(), CardNow::Unchanged);
    assert_eq!(stays.plan().card.volume_id(), Some("SIM-100"));

    let sim = fresh();
    let leaves = copy(&sim, || drop(sim.unplug(CARD)));
    assert!(leaves.verdict().is_proven(), "{:?}", leaves.problems());
    assert_eq!(leaves.card_now(), CardNow::Gone);
    assert!(leaves.notes()[0].contains("no longer at `/card` at the end"));

    let sim = fresh();
    let other = copy(&sim, || {
        drop(sim.unplug(CARD));
        sim.add_card(CARD, &[("DCIM/OTHER.JPG", vec![1; 9], stamp(1))], &[]);
    });
    assert!(other.verdict().is_proven(), "{:?}", other.problems());
    assert_eq!(other.card_now(), CardNow::Other);
    let manifest = manifest_of(&other, "sim");
    assert_eq!(manifest.card.volume_id.as_deref(), Some("SIM-100"));
    assert!(manifest.verdict.notes[0].contains("not about that"));
    let text = String::from_utf8(manifest.to_bytes().unwrap()).unwrap();
    assert!(
        !text.contains("OTHER.JPG"),
        "of another card nothing is told"
    );
}

#[test]
fn what_came_onto_the_card_after_it_was_read_is_told_and_not_formatted_away() {
    for path in ["DCIM/101KITES/IMG_0009.JPG", "DCIM/100KITES/IMG_0001.JPG"] {
        let sim = fresh();
        let content = Chance::new(5).bytes(3_000);
        let changed = copy(&sim, || {
            sim.put_file(&format!("{CARD}/{path}"), &content, stamp(99));
        });
        assert!(!changed.verdict().is_proven(), "{path}");
        assert_eq!(changed.card_now(), CardNow::Changed);
        let told: Vec<_> = changed
            .problems()
            .iter()
            .map(|p| (p.kind, p.path.as_deref()))
            .collect();
        assert_eq!(told, [(ProblemKind::ChangedOnCard, Some(path))]);
    }
}

// ---- the account of the volume ----------------------------------------------------------------

#[test]
fn room_that_no_entry_explains_keeps_a_card_from_being_formatted() {
    for filesystem in ["vfat", "exfat"] {
        let sim = Sim::default();
        sim.add_volume(CARD, filesystem, 0);
        let mut chance = Chance::new(3);
        for n in 1..=34 {
            let path = format!("{CARD}/DCIM/100KITES/KITE{n:04}.JPG");
            sim.put_file(&path, &chance.bytes(9_000), stamp(n));
        }
        let trash = format!("{CARD}/.Trashes/501/OLD.JPG");
        sim.put_file(&trash, &chance.bytes(50_000), stamp(50));
        sim.put_file(&format!("{CARD}/._x"), &chance.bytes(5_000), stamp(50));
        for drive in BOTH {
            sim.add_volume(drive, "ext4", 1 << 30);
        }
        // What is left out is accounted for as well.
        assert_eq!(listed(&sim).unexplained(), None, "{filesystem}");
        for n in 19..=34 {
            sim.hide(&format!("{CARD}/DCIM/100KITES/KITE{n:04}.JPG"));
        }
        let listing = listed(&sim);
        assert_eq!(listing.totals().0, 18);
        let told = listing.unexplained().unwrap();
        // 16 files of three clusters; exFAT's table may take up to 30 more than the two that it
        // does.
        let megabytes = if filesystem == "vfat" {
            "196.6 kB"
        } else {
            "73.7 kB"
        };
        assert!(
            told.starts_with(&format!("{megabytes} in use on the card")),
            "{told}"
        );
        let proof = copy(&sim, || ());
        assert!(!proof.verdict().is_proven());
        let problems: Vec<_> = proof.problems().iter().filter(|p| p.blocking).collect();
        assert_eq!(problems.len(), 1, "{problems:?}");
        assert!(problems[0].is_unexplained() && problems[0].path.is_none());
        assert!(
            problems[0]
                .next_step()
                .starts_with("Do not format this card")
        );
        let manifest = manifest_of(&proof, "sim");
        assert!(
            manifest
                .problems
                .iter()
                .any(unlade::error::Problem::is_unexplained)
        );
        // The copies are complete by what was listed, and the question is answered no all the same.
        let asked = ask(&sim);
        assert!(!asked.answer.verdict.is_proven());
        assert_eq!(asked.answer.verdict.copies(), 2);
        assert!(
            asked.answer.reasons[0]
                .detail
                .contains("in use on the card")
        );
    }
}

#[test]
fn the_account_is_taken_again_at_the_end() {
    // The same listing at the end, and something is in use that was not there.
    let sim = fresh();
    let proof = copy(&sim, || {
        let secret = format!("{CARD}/DCIM/SECRET.MOV");
        sim.put_file(&secret, &vec![7; 1 << 20], stamp(1));
        sim.hide(&secret);
    });
    assert!(!proof.verdict().is_proven());
    assert!(
        proof
            .problems()
            .iter()
            .any(unlade::error::Problem::is_unexplained)
    );
}
