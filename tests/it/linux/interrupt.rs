//! Ctrl-C and its kin where the work cannot stop by itself: a card that does not answer. The first
//! ends the program all the same, the second at once; what was finished is kept.

use crate::support::at_once;
use crate::support::mount::{Fault, Kind, Mount, Options, skip};
use crate::support::program::{Card, Ran, Work, ended, interrupt_after, move_to, tree, wait_until};
use rustix::process::{Pid, Signal, kill_process};
use std::process::{Command, Stdio};
use std::time::Duration;
use unlade::clock::{Clock as _, SystemClock};

const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";

/// A card that answers nothing for so long once a clip is read, and a plain drive.
fn stalling(name: &str, ms: u64) -> (Mount, Work) {
    let work = Work::new(name);
    Card::new(&work.path("back-card"))
        .file("DCIM/100KITES/KITE0001.JPG", 200_000, 1)
        .file(CLIP, 5_000_000, 2);
    work.folder("a");
    let stall = Fault::new(Kind::StallRead { off: 2_000_000, ms }).path(CLIP);
    let options = Options {
        faults: vec![stall.times(1)],
        ..Options::default()
    };
    let card = Mount::new(&work.path("back-card"), &work.folder("card"), options).unwrap();
    (card, work)
}

/// Sends signals once the card stalls, a while apart, and waits for the end.
fn signalled(
    card: &Mount,
    work: &Work,
    arguments: &str,
    signals: &[Signal],
    apart: Duration,
) -> Ran {
    let mut command = work.command();
    command.args(arguments.split_whitespace());
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let is_over = wait_until(&mut child, || card.fired("StallRead") > 0);
    assert_eq!(is_over, None, "it ended before the card stalled");
    for signal in signals {
        SystemClock::start().sleep(apart);
        kill_process(Pid::from_child(&child), *signal).unwrap();
    }
    ended(child)
}

#[test]
fn a_question_ends_although_the_card_does_not_answer() {
    if skip() {
        return;
    }
    at_once([Signal::INT, Signal::TERM, Signal::HUP], |signal| {
        let (card, work) = stalling("stalled-question", 4_000);
        let apart = Duration::from_millis(100);
        let ask = "prove card --on a --copies 1 --by-content";
        work.run("copy back-card --to a --name KITES --copies 1");
        let ran = signalled(&card, &work, ask, &[signal], apart);
        ran.exits(130)
            .says("unlade: interrupted, and nothing was proven")
            .is_silent_of("You may format");
    });
}

#[test]
fn the_last_event_of_a_question_that_was_ended_is_its_verdict() {
    if skip() {
        return;
    }
    let (card, work) = stalling("stalled-json", 4_000);
    work.run("copy back-card --to a --name KITES --copies 1");
    let ask = "prove card --on a --copies 1 --by-content --json";
    let apart = Duration::from_millis(100);
    let ran = signalled(&card, &work, ask, &[Signal::INT], apart);
    let verdict = ran.exits(130).verdict();
    assert_eq!(verdict["proven"], false);
    assert_eq!(verdict["exit_code"], 130);
}

#[test]
fn a_second_signal_ends_a_copy_at_once_and_what_is_done_is_kept() {
    if skip() {
        return;
    }
    let (card, work) = stalling("stalled-copy", 6_000);
    let copy = "copy card --to a --name KITES --copies 1";
    let twice = [Signal::INT, Signal::INT];
    let ran = signalled(&card, &work, copy, &twice, Duration::from_millis(300));
    ran.exits(130)
        .says("unlade: interrupted; what is done is kept. Run the same command again to go on.")
        .is_silent_of("You may format");
    work.run(copy).exits(0);
    assert_eq!(tree(&work.path("a/KITES")), tree(&work.path("back-card")));
}

/// A card and a drive that answers one kind of question late, once.
fn late(name: &str, op: &'static str, skip: u64, ms: u64) -> (Mount, Work) {
    let work = Work::with_card(name);
    let late = Fault::new(Kind::Stall { op, ms }).skip(skip).times(1);
    let options = Options {
        faults: vec![late],
        ..Options::default()
    };
    let drive = Mount::new(&work.folder("back"), &work.folder("drive"), options).unwrap();
    (drive, work)
}

/// Starts a program, sends signals once something stalls, and waits for its end.
fn signalled_at(mount: &Mount, fault: &str, mut command: Command, signals: &[Signal]) -> Ran {
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let is_over = wait_until(&mut child, || mount.fired(fault) > 0);
    assert_eq!(is_over, None, "it ended before anything stalled");
    for signal in signals {
        SystemClock::start().sleep(Duration::from_millis(100));
        kill_process(Pid::from_child(&child), *signal).unwrap();
    }
    ended(child)
}

#[test]
fn what_does_not_answer_is_named_while_a_copy_is_planned_or_begun() {
    if skip() {
        return;
    }
    // The last two meet what is being written: that is waited for.
    let ops = ["readdir", "statfs", "getattr", "open", "fsync"];
    at_once(ops, |op| {
        let (drive, work) = late(&format!("late-{op}"), op, 0, 3_000);
        let mut command = work.command();
        command.args("copy card --to drive --name KITES --copies 1".split(' '));
        let ran = signalled_at(&drive, "Stall", command, &[Signal::INT]);
        ran.exits(130)
            .says("drive")
            .says("does not answer")
            .is_silent_of("You may format");
        drop(drive);
        let was_begun = work.path("back/KITES").exists();
        assert_eq!(was_begun, matches!(op, "open" | "fsync"), "{op}");
    });
}

#[test]
fn a_second_signal_is_heard_while_a_drive_does_not_answer() {
    if skip() {
        return;
    }
    at_once(["statfs", "fsync"], |op| {
        let (drive, work) = late(&format!("late-twice-{op}"), op, 0, 2_000);
        let mut command = work.command();
        command.args("copy card --to drive --name KITES --copies 1".split(' '));
        let ran = signalled_at(&drive, "Stall", command, &[Signal::INT, Signal::INT]);
        ran.exits(130)
            .says("unlade: interrupted")
            // It was ended before it could tell more.
            .is_silent_of("PROVEN");
    });
}

#[test]
fn a_copy_ends_although_its_card_does_not_answer_and_keeps_what_is_done() {
    if skip() {
        return;
    }
    let (card, work) = stalling("stalled-first", 4_000);
    let copy = "copy card --to a --name KITES --copies 1";
    let apart = Duration::from_millis(100);
    let ran = signalled(&card, &work, copy, &[Signal::TERM], apart);
    ran.exits(130)
        .says("C0001.MP4` does not answer")
        .says("what is done is kept");
    work.run(copy).exits(0);
    assert_eq!(tree(&work.path("a/KITES")), tree(&work.path("back-card")));
}

/// A card whose listing takes long although every answer comes.
fn slow_to_list(name: &str) -> (Mount, Work) {
    let work = Work::new(name);
    work.folder("a");
    let mut card = Card::new(&work.path("back-card"));
    for n in 0..400 {
        card = card.file(format!("DCIM/100KITES/KITE{n:04}.JPG"), 100, n);
    }
    let slow = Fault::new(Kind::Stall {
        op: "lookup",
        ms: 25,
    });
    let options = Options {
        faults: vec![slow.path("DCIM/100KITES/*")],
        ..Options::default()
    };
    let card = Mount::new(&work.path("back-card"), &work.folder("card"), options).unwrap();
    (card, work)
}

#[test]
fn a_listing_stops_at_the_next_entry() {
    if skip() {
        return;
    }
    let asked = [
        ("copy card --to a --copies 1", "was not begun"),
        ("plan card --to a", "unlade: interrupted."),
        ("prove card --on a", "nothing was proven"),
        ("rate card", "unlade: interrupted."),
        ("verify card", "it was interrupted"),
    ];
    at_once(asked, |(arguments, said)| {
        let (card, work) = slow_to_list(&format!("slow-{}", &arguments[..4]));
        if arguments.starts_with("verify") {
            work.run("copy back-card --to a --name KITES --copies 1");
            move_to(
                &work.path("a/KITES/_unlade"),
                &work.path("back-card/_unlade"),
            );
        }
        let mut command = work.command();
        command.args(arguments.split(' '));
        let ran = signalled_at(&card, "Stall", command, &[Signal::INT]);
        ran.exits(130).says(said).is_silent_of("does not answer");
        let looked_at = card.fired("Stall");
        assert!(looked_at < 60, "{looked_at} entries were looked at");
    });
}

#[test]
fn the_demo_takes_its_folder_along_whenever_it_is_stopped() {
    at_once([100, 400, 800, 1_200], |ms| {
        let work = Work::new(&format!("stopped-demo-{ms}"));
        let mut command = work.command();
        command.arg("demo");
        let (ran, _) = interrupt_after(&mut command, Duration::from_millis(ms));
        assert!(matches!(ran.code, 0 | 1 | 130), "{ran}");
        for signals in [1, 2] {
            let mut command = work.command();
            command
                .arg("demo")
                .stdout(Stdio::piped())
                .stderr(Stdio::piped());
            let mut child = command.spawn().unwrap();
            let has_begun = || std::fs::read_dir(work.path("tmp")).unwrap().count() > 0;
            if wait_until(&mut child, has_begun).is_none() {
                for _ in 0..signals {
                    SystemClock::start().sleep(Duration::from_millis(ms / 4));
                    // It may have ended by itself.
                    if kill_process(Pid::from_child(&child), Signal::TERM).is_err() {}
                }
            }
            ended(child);
        }
        let left = std::fs::read_dir(work.path("tmp")).unwrap().count();
        assert_eq!(left, 0, "after {ms} ms");
    });
}
