//! What an offload is called by a pattern of the person's own, on simulated drives: the same card
//! finds its offload again whatever the time is, and no two cards ever share a folder.

use crate::support::job::SMALL;
use crate::support::program::content;
use crate::support::sim::{Image, Sim, SimClock};
use crate::{support, truth};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use unlade::clock::Clock as _;
use unlade::disk::Stamp;
use unlade::event::{Event, Observer, Silent};
use unlade::kit::pattern::NamePattern;
use unlade::ledger::{Ledger, LedgerEntry};
use unlade::plan::first::Aim;
use unlade::proof::Proof;
use unlade::run::{self, Job, KnownBefore, Naming, Tools};

const DATE: Stamp = Stamp {
    seconds: 1_795_600_000,
    nanos: 0,
};

/// Two drives, and a card with a few frames.
fn world() -> Sim {
    let sim = Sim::default();
    card(&sim, "/card", 1);
    for drive in ["/a", "/b"] {
        sim.add_volume(drive, "ext4", 1 << 30);
    }
    sim
}

fn card(sim: &Sim, at: &str, seed: u64) {
    let file = |n: u64| {
        (
            format!("DCIM/K{seed}_{n}.JPG"),
            content(9_000, seed * 10 + n),
        )
    };
    let files: Vec<_> = (0..5).map(file).collect();
    let files: Vec<_> = files
        .iter()
        .map(|(path, bytes)| (path.as_str(), bytes.clone(), DATE))
        .collect();
    sim.add_card(at, &files, &["DCIM"]);
}

/// A job that nobody gave a name.
fn job(card: &str, pattern: &str, ledger: &Arc<Ledger>) -> Job {
    Job {
        name: None,
        known: KnownBefore {
            ledger: Arc::clone(ledger),
            naming: Naming {
                pattern: NamePattern::read(pattern).unwrap(),
                shoot: Some("kites".to_owned()),
                before: Vec::new(),
            },
            ..KnownBefore::default()
        },
        ..support::job::job(card, &["/a", "/b"])
    }
}

/// So many hours after noon.
fn tools(sim: &Sim, hours: u64) -> Tools {
    let clock = SimClock::on_day(2);
    clock.sleep(Duration::from_secs(hours * 3_600));
    Tools {
        limits: SMALL,
        clock: Arc::new(clock),
        ..support::job::tools(sim.clone())
    }
}

fn copy(sim: &Sim, job: &Job, hours: u64) -> Proof {
    let tools = tools(sim, hours);
    let plan = run::prepare(job, &tools, &mut Silent).unwrap();
    truth::offload(sim, plan, &tools, &mut Silent).unwrap()
}

/// Stops at the first file that is done.
struct Stop(Arc<AtomicBool>);

impl Observer for Stop {
    fn event(&mut self, event: &Event<'_>) {
        if matches!(event, Event::File { .. }) {
            self.0.store(true, Ordering::SeqCst);
        }
    }
}

fn interrupted(sim: &Sim, job: &Job, hours: u64) -> String {
    let tools = tools(sim, hours);
    let mut stop = Stop(Arc::clone(&tools.cancel));
    let plan = run::prepare(job, &tools, &mut Silent).unwrap();
    let name = plan.name.clone();
    let proof = truth::offload(sim, plan, &tools, &mut stop).unwrap();
    assert!(proof.offloaded().interrupted && !proof.verdict().is_proven());
    name
}

#[test]
fn an_unfinished_offload_is_gone_on_with_whatever_the_time_is() {
    let none = Arc::new(Ledger::default());
    for pattern in [
        "{date}-{time}-{card}",
        "{time}",
        "{shoot}_{number}",
        "{number} {label}",
    ] {
        let sim = world();
        let job = job("/card", pattern, &none);
        let begun = interrupted(&sim, &job, 0);
        let done = copy(&sim, &job, 1);
        assert_eq!(done.plan().name, begun, "{pattern}");
        assert!(done.verdict().is_proven(), "{:?}", done.problems());
        let folders = sim.folders("/a", Image::Visible).into_iter();
        let tops: Vec<String> = folders.filter(|f| !f.contains('/')).collect();
        assert_eq!(tops.join(" "), begun, "{pattern}: one offload");
        let again = copy(&sim, &job, 2);
        assert_eq!(again.plan().name, begun, "{pattern}");
        assert_eq!(
            again.plan().to_read().0,
            0,
            "{pattern}: all is copied already"
        );
    }
}

#[test]
fn another_card_never_goes_into_an_offload_that_is_there() {
    let none = Arc::new(Ledger::default());
    for (pattern, later) in [
        ("{date}-{time}-{label}", "20261127-1300-card"),
        ("{date}-{time}", "20261127-1300"),
        ("{date}-{shoot}", "20261127-kites-2"),
        ("{shoot}_{number}", "kites_02"),
        ("{date}-{label}", "20261127-card-2"),
    ] {
        let sim = world();
        let job = job("/card", pattern, &none);
        let first = interrupted(&sim, &job, 0);
        drop(sim.unplug("/card"));
        card(&sim, "/card", 7);
        let other = copy(&sim, &job, 1);
        assert_ne!(other.plan().name, first, "{pattern}");
        // The clock's own zone is that of the machine.
        let hours: String = tools(&sim, 1).clock.time_of_day();
        assert_eq!(
            other.plan().name,
            later.replace("1300", &hours),
            "{pattern}"
        );
        assert!(other.verdict().is_proven(), "{:?}", other.problems());
    }
}

#[test]
fn cards_of_one_command_get_a_folder_and_a_number_each() {
    let sim = world();
    card(&sim, "/second", 3);
    let seen = copy(&sim, &job("/card", "{shoot}_{number}", &Arc::default()), 0);
    let mut entry = LedgerEntry::of_copy(&seen);
    entry.shoot = Some(unlade::ledger::ShootPart {
        name: "kites".to_owned(),
        expected: None,
    });
    let ledger = Arc::new(Ledger {
        entries: vec![entry],
        ..Ledger::default()
    });
    card(&sim, "/third", 4);
    let named = |pattern: &str| {
        let jobs = ["/second", "/card", "/third"].map(|card| job(card, pattern, &ledger));
        let found = run::look_together(&jobs, Aim::Given, &tools(&sim, 1));
        assert!(found.reasons.is_empty(), "{:?}", found.reasons);
        found
            .names
            .into_iter()
            .map(Option::unwrap)
            .collect::<Vec<_>>()
    };
    assert_eq!(
        named("{shoot}_{number}"),
        ["kites_02", "kites_01", "kites_03"]
    );
    assert_eq!(
        named("{number}-{label}"),
        ["02-second", "01-card", "03-third"]
    );
    assert_eq!(
        named("{date}-{shoot}"),
        ["20261127-kites", "20261127-kites-2", "20261127-kites-3"]
    );
}

/// Formats the card in the camera: the same volume, and nothing of what was on it.
fn format_card(sim: &Sim) {
    for path in sim.files("/card", Image::Visible).keys() {
        sim.take_file(&format!("/card/{path}"));
    }
}

/// Shoots frames of one size with these numbers, a minute apart, about so many hours later.
fn shoot(sim: &Sim, numbers: std::ops::Range<u64>, hour: i64) {
    for n in numbers {
        let minute = i64::try_from(n).unwrap();
        let date = Stamp {
            seconds: DATE.seconds + hour * 3_617 + minute * 61,
            nanos: 0,
        };
        let bytes = content(9_000, 1_000 * u64::try_from(hour).unwrap() + n);
        sim.put_file(&format!("/card/DCIM/KITE{n:04}.RAW"), &bytes, date);
    }
}

/// The same card twice on one day, formatted in between: some cameras count on, others from one
/// again, and the second filling may be small.
#[test]
fn a_card_that_was_formatted_and_shot_again_gets_a_folder_of_its_own() {
    let none = Arc::new(Ledger::default());
    for second in [0..6, 6..12, 12..13] {
        for pattern in ["{date}-{label}", "{date}-{time}-{label}"] {
            let sim = world();
            format_card(&sim);
            shoot(&sim, 0..6, 1);
            let job = job("/card", pattern, &none);
            let first = copy(&sim, &job, 0);
            assert!(first.verdict().is_proven(), "{:?}", first.problems());
            let before = sim.files(&format!("/a/{}", first.plan().name), Image::Visible);
            // Shot on, some deleted: the same filling.
            shoot(&sim, 20..22, 1);
            sim.take_file("/card/DCIM/KITE0001.RAW");
            let grown = copy(&sim, &job, 1);
            assert_eq!(grown.plan().name, first.plan().name);
            assert_eq!(grown.plan().to_read().0, 2);
            format_card(&sim);
            shoot(&sim, second.clone(), 3);
            let anew = copy(&sim, &job, 2);
            assert_ne!(anew.plan().name, first.plan().name, "{second:?}");
            assert!(anew.verdict().is_proven(), "{:?}", anew.problems());
            let is_told = |note: &String| note.contains("as after a format");
            assert!(pattern.contains("time") || anew.plan().notes.iter().any(is_told));
            // It goes on where it is, begun or finished.
            shoot(&sim, 30..31, 3);
            let later = copy(&sim, &job, 3);
            assert_eq!(later.plan().name, anew.plan().name, "{second:?}");
            assert_eq!(later.plan().to_read().0, 1);
            assert!(!later.plan().notes.iter().any(is_told));
            let after = sim.files(&format!("/a/{}", first.plan().name), Image::Visible);
            for (path, bytes) in before.iter().filter(|(path, _)| !path.contains("_unlade")) {
                assert_eq!(after.get(path), Some(bytes), "{path}");
            }
        }
    }
}

#[test]
fn under_a_given_name_a_card_that_was_formatted_is_refused() {
    let sim = world();
    format_card(&sim);
    shoot(&sim, 0..6, 1);
    let mut job = job("/card", "{date}", &Arc::default());
    job.name = Some("KITES".to_owned());
    assert!(copy(&sim, &job, 0).verdict().is_proven());
    format_card(&sim);
    shoot(&sim, 6..9, 3);
    let refused = run::prepare(&job, &tools(&sim, 1), &mut Silent).unwrap_err();
    let told = |r: &unlade::error::Problem| r.detail.contains("formatted since");
    assert!(refused.reasons.iter().all(told), "{refused:?}");
    assert_eq!(refused.reasons.len(), 2, "one for each drive");
}
