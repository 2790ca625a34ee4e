//! What is printed: where it cannot be written, for programs, and when help is asked for.

use crate::support::program::{Ran, Work, finish};
use crate::tidy::words::old_words;
use std::fs::OpenOptions;
use std::process::Stdio;

/// Runs the program with its standard output on a device that is always full.
fn on_full(work: &Work, arguments: &str) -> Ran {
    let mut command = work.command();
    let shell = format!("exec \"$0\" {arguments} > /dev/full");
    let program = command.get_program().to_owned();
    command = {
        let mut shell_command = std::process::Command::new("/bin/sh");
        shell_command.arg("-c").arg(shell).arg(program);
        shell_command.current_dir(work.path(""));
        shell_command.env("HOME", work.path("home"));
        shell_command.env("TMPDIR", work.path("tmp"));
        shell_command.stdin(Stdio::null());
        shell_command
    };
    finish(&mut command)
}

#[test]
fn a_result_that_could_not_be_written_is_no_good_one() {
    let work = Work::with_card("full-output");
    let copy = "copy card --to a --name KITES --copies 1";
    for arguments in [copy.to_owned(), format!("{copy} --json")] {
        let ran = on_full(&work, &arguments);
        ran.exits(1)
            .says("could not be written whole: No space left on device")
            .says("the verdict was PROVEN, as the manifest on each drive says");
        assert_eq!(ran.err.lines().count(), 1, "{ran}");
    }
    for arguments in ["prove card --on a --copies 1", "schema events", "--help"] {
        on_full(&work, arguments)
            .exits(1)
            .says("without that the exit code would be 0");
    }
    // What is no good result by itself keeps its code.
    on_full(&work, "prove card --on a --copies 2 --json")
        .exits(1)
        .says("No space left on device");
    on_full(&work, "verify b --json").exits(3);
}

#[test]
fn a_reader_that_went_away_is_no_fault() {
    let work = Work::with_card("closed-output");
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    let mut command = work.command();
    command.args(["schema", "events"]).stdout(writer);
    let output = command.stderr(Stdio::piped()).output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    let null = OpenOptions::new().write(true).open("/dev/null").unwrap();
    let status = work.command().arg("help").stdout(null).status().unwrap();
    assert_eq!(status.code(), Some(0));
}

#[test]
fn a_wrong_command_line_is_an_event_for_programs() {
    let work = Work::with_card("wrong-for-programs");
    for arguments in [
        "copy card --json",
        "copy card --to a --no-such-flag --json",
        "copy card card --to a --json",
        "copy card --to a --name A --also md5,md5 --json",
        "copy card a --to b a --json",
        "plan card --to a --reads fast --json",
        "rate card --reads fast --json",
        "prove card --shoot S --no-ledger --on a --json",
        "kit add card A1 --reads fast --json",
    ] {
        let ran = work.run(arguments);
        let last = ran.exits(2).events().pop().unwrap();
        assert_eq!(last["event"], "refused", "{ran}");
        assert_eq!(last["exit_code"], 2, "{ran}");
        let why = last["reasons"][0].as_str().unwrap();
        assert!(!why.is_empty() && !why.starts_with("error"), "{ran}");
    }
    assert_eq!(work.run("copy card").exits(2).out, "");
}

#[test]
fn help_can_be_asked_for_as_a_command() {
    let work = Work::new("help");
    let all = work.run("help");
    assert_eq!(all.exits(0).out, work.run("--help").out);
    let copy = work.run("help copy");
    assert_eq!(copy.exits(0).out, work.run("copy --help").out);
    work.run("help kit add").exits(0).says("unlade kit add");
    work.run("help no-such-command").exits(2);
}

#[test]
fn help_names_what_is_written_by_hand_and_shows_no_flag_that_it_hides() {
    let work = Work::new("help-usual");
    for how in ["kit -h", "kit --help", "help kit"] {
        work.run(how)
            .exits(0)
            .says("[usual] to = [\"Attic\", \"Travel\"]");
    }
    work.run("rate -h").exits(0).is_silent_of("--as");
    work.run("rate --help").exits(0).says("--as A1 --in blue");
}

/// 24 rows of 80 columns: what a terminal shows at once.
#[test]
fn short_help_is_on_one_screen() {
    let work = Work::new("short-help");
    let commands = [
        "",
        "copy",
        "plan",
        "prove",
        "verify",
        "rate",
        "ledger",
        "desk",
        "report",
        "demo",
        "schema",
        "completions",
        "man",
        "kit",
        "kit list",
        "kit check",
        "kit add",
        "kit add card",
        "kit add reader",
        "kit add drive",
        "kit remove",
        "weigh",
        "weigh footage",
        "weigh burst",
        "weigh upgrade",
    ];
    for command in commands {
        let ran = work.run(format!("{command} -h").trim());
        let lines: Vec<&str> = ran.exits(0).out.lines().collect();
        assert!(lines.len() <= 24, "{} rows: {ran}", lines.len());
        let is_wide = |line: &&&str| line.chars().count() > 80;
        assert_eq!(lines.iter().find(is_wide), None, "{ran}");
        let all = work.run(format!("{command} --help").trim());
        assert!(all.exits(0).out.lines().count() >= lines.len(), "{all}");
        for said in [&ran, all.exits(0)] {
            let lines: Vec<&str> = said.out.lines().map(str::trim).collect();
            let text = lines.join("\n");
            assert_eq!(old_words(&[(command.into(), text)]), [""; 0], "{said}");
        }
    }
}
