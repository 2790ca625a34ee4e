//! Ctrl-C and its kin where the work cannot stop by itself: a card that does not answer. The first
//! ends the program all the same, the second at once; what was finished is kept.

use crate::support::at_once;
use crate::support::mount::{Fault, Kind, Mount, Options, skip};
use crate::support::program::{Card, Ran, Work, ended, tree, wait_until};
use rustix::process::{Pid, Signal, kill_process};
use std::process::Stdio;
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
