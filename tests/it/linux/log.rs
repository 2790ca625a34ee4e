//! The debug log: off it says nothing; on it speaks on standard error alone, a harmless line each.

use crate::support::program::{Card, Ran, Work, finish, put};
use std::process::Stdio;

const COPY: &str = "copy card --to a --to b --name KITES --copies 1";

fn with_filter(work: &Work, filter: &str, arguments: &str) -> Ran {
    let mut command = work.command();
    finish(command.args(arguments.split(' ')).env("UNLADE_LOG", filter))
}

#[test]
fn without_being_asked_it_says_nothing() {
    let work = Work::with_card("log-off");
    for ran in [work.run(COPY), with_filter(&work, "", COPY)] {
        assert_eq!(ran.exits(0).err, "");
    }
}

#[test]
fn it_tells_what_was_decided_on_standard_error_alone() {
    let work = Work::with_card("log-on");
    let ran = work.run(&format!("{COPY} --verbose --json"));
    assert_eq!(ran.exits(0).verdict()["proven"], true);
    let events = ran.events();
    assert_eq!(events.last().unwrap()["event"], "verdict");
    for told in [
        "plan{card=card}:list: ",
        " listed files=7 ",
        " planned name=KITES ",
        "drive{number=2 role=\"verify\"}",
        " is read back drive=1 way=",
        ":records: ",
        " judged proven=true copies=1",
        " time.busy=",
    ] {
        assert!(ran.err.contains(told), "no `{told}` in {ran}");
    }
    // The same copy again reads a sample first.
    let ran = work.run(&format!("-v {COPY}"));
    ran.exits(0).says(" sampled tree=");
    assert!(!ran.out.contains("DEBUG"), "{ran}");
}

#[test]
fn a_filter_chooses_and_one_that_is_none_is_refused() {
    let work = Work::with_card("log-filter");
    let ran = with_filter(&work, "unlade::existing=debug", COPY);
    assert_eq!(ran.exits(0).err, "");
    let again = COPY.replace("KITES", "KITES-2");
    let files = with_filter(&work, "unlade::offload=trace", &again);
    files.exits(0).says(" TRACE ").says("file=DCIM/100KITES/");
    let refused = with_filter(&work, "unlade=loud", "plan card --to a");
    refused.exits(2).says("unlade: UNLADE_LOG: ");
}

#[test]
fn hostile_names_are_harmless_in_it_and_contents_are_not_told() {
    let work = Work::with_card("log-hostile");
    let name = "card/K\u{1b}[2J\u{202e}\n  0.1s DEBUG PROVEN.JPG";
    put(&work.path(name), b"what only the camera knows");
    let ran = with_filter(&work, "trace", COPY);
    ran.exits(0).says("file=K\\u{1b}[2J\\u{202e}\\u{a} 0.1s");
    let harmful = |c: char| (c.is_control() && c != '\n') || c == '\u{202e}';
    assert!(!ran.err.contains(harmful), "{ran}");
    let is_ours = |line: &str| line.contains("s DEBUG ") || line.contains("s TRACE ");
    assert!(ran.err.lines().all(is_ours), "{ran}");
    assert!(!ran.err.contains("only the camera"), "{ran}");
}

#[test]
fn a_reader_of_it_who_is_gone_costs_nothing() {
    let work = Work::new("log-gone");
    let card = Card::new(&work.path("card"));
    card.file("DCIM/100KITES/KITE0001.JPG", 40_000, 1);
    for drive in ["a", "b"] {
        work.folder(drive);
    }
    let mut command = work.command();
    command.args(COPY.split(' ')).arg("--verbose");
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    drop(child.stderr.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("\nPROVEN. You may format"), "{said}");
}
