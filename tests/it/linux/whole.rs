//! Whether what was copied is the whole card, with cards on mounts of their own: a folder of one,
//! volumes mounted in it, and a card that is gone or another at the end.

use crate::support::at_once;
use crate::support::mount::{Mount, Options, skip};
use crate::support::program::{Card, Ran, Work, content, interrupted, manifest, move_to, put};
use crossbeam_channel::{Receiver, unbounded};
use serde_json::Value;
use std::io::BufRead as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// So long after a loss it has to be told.
const TOLD: Duration = Duration::from_secs(5);
const JOB: &str = "copy card --to a --to b --copies 1 --name KITES";

/// `card` is a mount of its own.
fn mounted(name: &str) -> (Mount, Work) {
    let work = Work::with_card(name);
    move_to(&work.path("card"), &work.path("behind"));
    let card = mount(&work, "behind", "card", Options::default());
    (card, work)
}

fn mount(work: &Work, behind: &str, at: &str, options: Options) -> Mount {
    Mount::new(&work.folder(behind), &work.folder(at), options).unwrap()
}

fn is_of_a_folder(ran: &Ran) {
    ran.exits(0)
        .says("PROVEN for this folder, not the card.")
        .says("it is a folder of the volume at")
        .says("Every file in this folder")
        .is_silent_of("You may format");
}

#[test]
fn a_folder_of_a_card_is_proven_as_a_folder() {
    if skip() {
        return;
    }
    let (_card, work) = mounted("whole-part");
    let ran =
        work.run("copy card/DCIM --to a --to b --copies 1 --name PART --shoot festival --expect 1");
    is_of_a_folder(&ran);
    ran.says("Don't format the card");
    let made = manifest(&work.path("a/PART"));
    assert_eq!(
        (&made["version"], &made["card"]["read_whole"]),
        (&2.into(), &false.into())
    );
    assert_eq!(made["verdict"]["proven"], true);
    let page = std::fs::read_to_string(work.path("a/PART/_unlade/report.html")).unwrap();
    assert!(
        page.contains("PROVEN</strong> for this folder, not the card"),
        "{page}"
    );
    assert!(!page.contains("Before the card is formatted"));
    for how in ["", " --reread", " --by-content"] {
        is_of_a_folder(&work.run(&format!("prove card/DCIM --on a --copies 1{how}")));
    }
    for command in [
        "copy card/DCIM --to a --to b --copies 1 --name PART",
        "prove card/DCIM --on a --copies 1",
    ] {
        let ran = work.run(&format!("{command} --json"));
        let last = ran.exits(0).events().pop().unwrap();
        assert_eq!(
            (&last["event"], &last["read_whole"]),
            (&"verdict".into(), &false.into())
        );
    }
    work.run("verify a/PART").exits(0);
    // A job does not count it as a card.
    work.run("ledger --shoot festival")
        .is_silent_of("every card proven");
    // The whole card is one, and what was proven of the folder says nothing about it.
    work.run("prove card --on a --copies 1").exits(1);
    let ran = work.run(JOB);
    ran.exits(0)
        .says("You may format")
        .is_silent_of("folder of the volume");
    assert_eq!(
        manifest(&work.path("a/KITES"))["card"].get("read_whole"),
        None
    );
    // A plain folder of the computer's own disk is the card that the person calls it.
    work.run("copy behind --to a --to b --copies 1 --name PLAIN")
        .exits(0)
        .says("You may format");
}

#[test]
fn volumes_mounted_in_a_folder_are_no_part_of_it() {
    if skip() {
        return;
    }
    let work = Work::with_card("whole-two");
    for (n, name) in ["A001", "A002"].iter().enumerate() {
        Card::new(&work.path(&format!("behind-{name}"))).file("DCIM/KITE0001.JPG", 1_000 + n, 1);
    }
    let mounts = ["A001", "A002"].map(|name| {
        mount(
            &work,
            &format!("behind-{name}"),
            &format!("cards/{name}"),
            Options::default(),
        )
    });
    let ran = work.run("copy cards --to a --to b --copies 1 --name TWO");
    ran.exits(3)
        .says("other volumes are mounted in it: give these as cards");
    put(&work.path("cards/notes.txt"), b"day 1");
    let ran = work.run("copy cards --to a --to b --copies 1 --name TWO");
    ran.exits(1)
        .says("another volume that is mounted there")
        .is_silent_of("You may format")
        .is_silent_of("Stop using this card");
    assert_eq!(manifest(&work.path("a/TWO"))["card"]["read_whole"], false);
    work.run("prove cards --on a --copies 1").exits(1);
    drop(mounts);
}

#[test]
fn a_link_on_the_card_is_no_fault_of_the_card() {
    let work = Work::with_card("whole-link");
    std::os::unix::fs::symlink("KITE0001.JPG", work.path("card/DCIM/100KITES/LINK.JPG")).unwrap();
    let ran = work.run(&format!("{JOB} --json"));
    ran.exits(1);
    let events = ran.events();
    let told = events.iter().find(|e| e["event"] == "problem").unwrap();
    let next = told["next"].as_str().unwrap();
    assert!(next.contains("card and reader are not at fault"), "{next}");
    let page = std::fs::read_to_string(work.path("a/KITES/_unlade/report.html")).unwrap();
    assert!(page.contains("card and reader are not at fault"), "{page}");
    assert!(!page.contains("Stop using this card"), "{page}");
}

// ---- taken away while everything waits ----------------------------------------------------

/// A running copy and the lines of its events, each with the moment when it came.
struct Running {
    child: Child,
    lines: Receiver<Value>,
}

impl Running {
    fn start(work: &Work, arguments: &str) -> Self {
        let mut child = work
            .command()
            .args(arguments.split_whitespace())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let out = std::io::BufReader::new(child.stdout.take().unwrap());
        let (tell, lines) = unbounded();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let event = serde_json::from_str(&line).unwrap_or(Value::String(line));
                if tell.send(event).is_err() {
                    return;
                }
            }
        });
        Self { child, lines }
    }

    /// Waits for a line.
    #[expect(clippy::disallowed_methods, reason = "it is real time that is waited")]
    #[track_caller]
    fn until(&self, within: Duration, mut is_it: impl FnMut(&Value) -> bool) -> Value {
        let end = Instant::now() + within;
        loop {
            let left = end.saturating_duration_since(Instant::now());
            let line = self.lines.recv_timeout(left).expect("not told in time");
            if is_it(&line) {
                return line;
            }
        }
    }
}

fn unmount(at: &Path) {
    let way = if rustix::process::geteuid().is_root() {
        ("umount", "-l")
    } else {
        ("fusermount3", "-uz")
    };
    let status = Command::new(way.0).arg(way.1).arg(at).status();
    assert!(status.unwrap().success());
}

#[test]
fn a_card_or_drive_unmounted_while_everything_waits_is_told_within_five_seconds() {
    if skip() {
        return;
    }
    at_once(["card", "a"], |lost| {
        let (_card, work) = mounted("whole-gone");
        put(
            &work.path("behind/PRIVATE/CLIPS/LONG.MOV"),
            &content(60 << 20, 9),
        );
        // So slow that nothing moves for the whole test once the buffers are full.
        let slow = Options {
            write_mbps: 0.2,
            ..Options::default()
        };
        let _a = mount(&work, "behind-a", "a", slow);
        let running = Running::start(&work, &format!("{JOB} --json"));
        running.until(Duration::from_secs(60), |e| {
            e["event"] == "tick" && e["stalled_s"].as_f64() > Some(0.0)
        });
        unmount(&work.path(lost));
        let told = running.until(TOLD, |e| e["event"] == "problem");
        assert_eq!(told["kind"], "vanished", "{told}");
        let destination = if lost == "a" { 0.into() } else { Value::Null };
        assert_eq!(told["destination"], destination, "{told}");
        if lost == "card" {
            let ran = interrupted(running.child);
            drop(ran);
            // Told once.
            assert!(
                !running
                    .lines
                    .iter()
                    .any(|e| e["event"] == "problem" && e["kind"] == "vanished")
            );
        } else {
            // The other drive takes all of it.
            drop(interrupted(running.child));
        }
    });
}

#[test]
fn words_tell_which_card_was_read_and_where_it_is() {
    if skip() {
        return;
    }
    let cases = [
        ("stays", "", "PROVEN. You may format card, in the camera"),
        (
            "gone",
            "card is no longer in the reader: if it was used since, keep it.",
            "PROVEN. You may format card, in the camera",
        ),
        (
            "other",
            "Something else is in the reader now; this is not about that.",
            "PROVEN for the card card that was read, and no other. You may format card",
        ),
    ];
    at_once(cases, |(what, warns, answers)| {
        let (_card, work) = mounted("whole-words");
        put(
            &work.path("behind/PRIVATE/CLIPS/LONG.MOV"),
            &content(6 << 20, 9),
        );
        let slow = Options {
            write_mbps: 2.0,
            ..Options::default()
        };
        let _a = mount(&work, "behind-a", "a", slow);
        let running = Running::start(&work, JOB);
        running.until(Duration::from_secs(60), |line| {
            line.as_str()
                .is_some_and(|l| l.contains("Card read. You can take it out."))
        });
        let other = match what {
            "gone" => {
                unmount(&work.path("card"));
                None
            }
            "other" => Some(mount(&work, "behind-other", "card", Options::default())),
            _ => None,
        };
        let lines: Vec<String> = running
            .lines
            .iter()
            .filter_map(|l| Some(l.as_str()?.to_owned()))
            .collect();
        let text = lines
            .join(" ")
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ");
        assert!(text.contains(answers), "{what}: {text}");
        assert!(text.contains(warns), "{what}: {text}");
        let is_warned = text.contains("the reader now") || text.contains("no longer in the reader");
        assert_eq!(is_warned, !warns.is_empty(), "{what}: {text}");
        let mut child = running.child;
        assert!(child.wait().unwrap().success());
        drop(other);
    });
}
