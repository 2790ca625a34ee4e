//! `--notify`: with a service on a bus of the test's own, with none, and with one that never
//! answers. No exit code depends on it, and nothing waits for it for long.

use crate::support::program::{Ran, Work};

/// What is said of notices.
fn said(ran: &Ran) -> String {
    ran.err.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(not(feature = "notices"))]
#[test]
fn a_build_without_notices_says_so_once_and_goes_on() {
    let work = Work::with_card("notice-absent");
    work.offload();
    let absent = "unlade: this unlade was built without notices; all else goes on. To have \
        them: cargo install --path . --locked --features notices";
    for (line, code) in [
        (
            "copy card --to a --to b --name KITES --copies 1 --notify",
            0,
        ),
        ("copy card --to a --name AGAIN --notify --json", 1),
        ("prove card --on a --copies 1 --notify", 0),
        ("verify a b --notify", 0),
    ] {
        let ran = work.run_short(line);
        assert_eq!(said(ran.exits(code)), absent, "{ran}");
    }
    for line in [
        "verify a",
        "plan card --to a --notify",
        "copy card --to a --notify --dry-run",
    ] {
        let ran = work.run_short(line);
        assert_eq!(ran.exits(0).err, "", "{ran}");
    }
    work.run("--version").says("not in this build: notices");
}

#[cfg(feature = "notices")]
pub(super) mod with_service {
    use super::*;
    use crate::support::mount::{self, Direction, Fault, Kind, Mount, Options};
    use crate::support::program::{Card, finish, flip, move_to, skip, tool};
    use serde_json::{Value, json};
    use std::io::{BufRead as _, BufReader, Read as _};
    use std::os::unix::net::UnixListener;
    use std::path::Path;
    use std::process::{Child, ChildStdout, Command, Stdio};
    use std::time::Duration;

    const COPY: &str = "copy card --to a --to b --name KITES --copies 1 --notify";

    /// A bus, and a service for notices on it.
    pub(in super::super) struct Desktop {
        bus: Child,
        pub(in super::super) address: String,
        service: Child,
        shown: BufReader<ChildStdout>,
    }

    impl Desktop {
        pub(in super::super) fn new(mode: &str) -> Option<Self> {
            // The libraries are Debian's, and so is their Python.
            let python = Path::new("/usr/bin/python3");
            let has_libraries = |python: &Path| {
                let mut import = Command::new(python);
                finish(import.args(["-c", "import dbus, gi"])).code == 0
            };
            let daemon = tool("dbus-daemon").filter(|_| python.exists() && has_libraries(python));
            let Some(daemon) = daemon else {
                skip("no dbus, python3-dbus or python3-gi; .ci/run installs them");
                return None;
            };
            let spawn = |command: &mut Command| {
                let command = command.stdin(Stdio::null()).stdout(Stdio::piped());
                let mut child = command.stderr(Stdio::null()).spawn().unwrap();
                let mut out = BufReader::new(child.stdout.take().unwrap());
                let mut first = String::new();
                out.read_line(&mut first).unwrap();
                (child, out, first.trim().to_owned())
            };
            let mut command = Command::new(daemon);
            command.args(["--session", "--nofork", "--nopidfile", "--print-address=1"]);
            let (bus, _, address) = spawn(&mut command);
            let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/it/linux/notice.py");
            let mut command = Command::new(python);
            command
                .args([script, mode])
                .env("DBUS_SESSION_BUS_ADDRESS", &address);
            let (service, shown, ready) = spawn(&mut command);
            assert_eq!(ready, "ready");
            Some(Self {
                bus,
                address,
                service,
                shown,
            })
        }

        fn run(&self, work: &Work, line: &str) -> Ran {
            run_on(&self.address, work, line)
        }

        /// What was shown until now; the service ends.
        pub(in super::super) fn shown(mut self) -> Vec<Value> {
            self.service.kill().unwrap();
            let mut text = String::new();
            self.shown.read_to_string(&mut text).unwrap();
            let lines = text.lines().map(|line| serde_json::from_str(line).unwrap());
            lines.collect()
        }
    }

    impl Drop for Desktop {
        fn drop(&mut self) {
            for child in [&mut self.service, &mut self.bus] {
                // It may have ended already.
                drop(child.kill());
                child.wait().unwrap();
            }
        }
    }

    fn run_on(address: &str, work: &Work, line: &str) -> Ran {
        let mut command = work.command();
        command.args(line.split_whitespace());
        finish(command.env("DBUS_SESSION_BUS_ADDRESS", address))
    }

    /// The hints are those of the Desktop Notifications Specification 1.2, the sounds those of the
    /// Sound Naming Specification (freedesktop.org): a byte, and names.
    fn hints(urgency: u8, sound: &str, category: &str) -> Value {
        json!({
            "urgency": ["Byte", urgency], "sound-name": ["String", sound],
            "category": ["String", category],
        })
    }

    fn good() -> Value {
        hints(1, "complete", "transfer.complete")
    }

    fn bad() -> Value {
        hints(2, "dialog-error", "transfer.error")
    }

    #[test]
    fn the_answer_is_shown_once_in_its_own_words_with_a_sound() {
        let work = Work::with_card("notice-answer");
        let one = "PROVEN. You may format card, in the camera, but that leaves one copy only.";
        let keep = "NOT PROVEN. Keep card as it is: don't format it, don't shoot on it.";
        let root = work.path("a/KITES");
        let cases = [
            (COPY, 0, "card: PROVEN", one, good()),
            (
                "copy card --to a --name TWO --notify --json",
                1,
                "card: NOT PROVEN",
                keep,
                bad(),
            ),
            (
                "prove card --on a --copies 1 --notify",
                0,
                "card: PROVEN",
                one,
                good(),
            ),
            (
                "verify a/KITES --notify --quiet",
                0,
                "a/KITES: INTACT",
                "INTACT. a/KITES is what its manifest says.",
                good(),
            ),
            (
                "verify a/KITES b/KITES --notify",
                0,
                "Both offloads: INTACT",
                "Both offloads are intact.",
                good(),
            ),
            (
                "verify b --notify",
                1,
                "b/KITES: NOT INTACT",
                "NOT INTACT. b/KITES: 1 changed.",
                bad(),
            ),
            (
                "copy nope --to a --notify",
                3,
                "unlade: refused",
                "Refused: the terminal says why, and what to do.",
                bad(),
            ),
        ];
        for (line, code, summary, body, hints) in cases {
            let Some(desktop) = Desktop::new("markup") else {
                return;
            };
            if code == 1 && line.starts_with("verify") {
                flip(&work.path("b/KITES/DCIM/100KITES/KITE0001.JPG"), 9);
            }
            let ran = desktop.run(&work, line);
            ran.exits(code);
            let notice = json!({"app": "unlade", "summary": summary, "body": body, "hints": hints});
            assert_eq!(desktop.shown(), [notice], "{ran}");
        }
        assert!(root.exists());
    }

    #[test]
    fn several_cards_have_one_notice_for_all() {
        let Some(desktop) = Desktop::new("markup") else {
            return;
        };
        let work = Work::with_card("notice-cards");
        Card::new(&work.path("more")).file("DCIM/100KITES/KITE0001.JPG", 40_000, 1);
        let ran = desktop.run(&work, "copy card more --to a --copies 1 --notify");
        ran.exits(0);
        let shown = desktop.shown();
        assert_eq!(shown.len(), 1, "{shown:?}");
        assert_eq!(shown[0]["summary"], "Both cards: PROVEN");
        let body = shown[0]["body"].as_str().unwrap();
        assert!(
            body.starts_with("Both cards are proven. Format each only"),
            "{body}"
        );
        // Without the flag there is none.
        let desktop = Desktop::new("markup").unwrap();
        desktop.run(&work, "verify a").exits(0);
        assert!(desktop.shown().is_empty());
    }

    /// A body is markup where the service says so, and what a name says is none of it.
    #[test]
    fn hostile_names_are_no_markup_and_no_commands_to_a_terminal() {
        let work = Work::with_card("notice-hostile");
        work.offload();
        let name = "a/<i>K&\u{1b}[31m";
        move_to(&work.path("a/KITES"), &work.path(name));
        for (mode, told) in [
            (
                "markup",
                r"INTACT. a/&lt;i&gt;K&amp;\u{1b}[31m is what its manifest says.",
            ),
            (
                "plain",
                r"INTACT. a/<i>K&\u{1b}[31m is what its manifest says.",
            ),
        ] {
            let Some(desktop) = Desktop::new(mode) else {
                return;
            };
            let ran = desktop.run(&work, &format!("verify {name} --notify"));
            ran.exits(0);
            let shown = desktop.shown();
            assert_eq!(shown[0]["body"], told);
            // A summary is never markup.
            assert_eq!(shown[0]["summary"], r"a/<i>K&\u{1b}[31m: INTACT");
        }
    }

    #[test]
    fn no_bus_is_said_once_and_all_goes_on() {
        let work = Work::with_card("notice-no-bus");
        for address in ["unix:path=/nonexistent/bus", "nonsense", ""] {
            let ran = run_on(address, &work, COPY);
            let said = said(ran.exits(0));
            assert!(
                said.starts_with("unlade: no notices here, all else goes on: "),
                "{ran}"
            );
            assert_eq!(said.matches("unlade: ").count(), 1, "{ran}");
        }
        // A bus without such a service.
        let Some(mut desktop) = Desktop::new("markup") else {
            return;
        };
        desktop.service.kill().unwrap();
        desktop.service.wait().unwrap();
        let ran = desktop.run(&work, "verify a --notify");
        assert!(
            said(ran.exits(0)).contains("no notices here, all else goes on"),
            "{ran}"
        );
    }

    /// Two seconds are waited at the very end, and no longer.
    #[test]
    fn a_service_that_never_answers_holds_nothing_up() {
        let work = Work::with_card("notice-silent");
        let told = "unlade: the notice was not shown: the desktop's service for notices does not \
            answer";
        let quick = |ran: &Ran, took: Duration| {
            assert_eq!(said(ran.exits(0)), told, "{ran}");
            assert!(took > Duration::from_millis(1_900), "{took:?}");
            assert!(took < Duration::from_secs(8), "{took:?}");
        };
        let clock = unlade::clock::SystemClock::start();
        let time = |run: &dyn Fn() -> Ran| {
            use unlade::clock::Clock as _;
            let begun = clock.elapsed();
            let ran = run();
            (ran, clock.elapsed().saturating_sub(begun))
        };
        for mode in ["silent", "stuck"] {
            let Some(desktop) = Desktop::new(mode) else {
                return;
            };
            let (ran, took) = time(&|| desktop.run(&work, COPY));
            quick(&ran, took);
        }
        // A bus that never greets.
        let socket = work.path("bus");
        let _bus = UnixListener::bind(&socket).unwrap();
        let address = format!("unix:path={}", socket.display());
        let (ran, took) = time(&|| run_on(&address, &work, COPY));
        quick(&ran, took);
    }

    /// A drive that is lost, and a card that is gone, are told while the copy goes on.
    #[test]
    fn trouble_is_shown_when_it_happens() {
        if mount::skip() {
            return;
        }
        let vanish = |direction| {
            let kind = Kind::VanishAfter {
                direction,
                bytes: 1_000_000,
                errno: 5,
            };
            Options {
                faults: vec![Fault::new(kind)],
                ..Options::default()
            }
        };
        let warning = hints(2, "dialog-warning", "transfer.error");
        for (place, options, summary) in [
            ("b", vanish(Direction::Write), "b "),
            ("card", vanish(Direction::Read), "card is gone"),
        ] {
            let Some(desktop) = Desktop::new("markup") else {
                return;
            };
            let work = Work::with_card(&format!("notice-trouble-{place}"));
            let backing = work.path(&format!("back-{place}"));
            move_to(&work.path(place), &backing);
            let _mount = Mount::new(&backing, &work.folder(place), options).unwrap();
            let ran = desktop.run(
                &work,
                "copy card --to a --to b --name K --separate --notify",
            );
            ran.exits(1);
            let shown = desktop.shown();
            assert_eq!(shown.len(), 2, "{shown:?} {ran}");
            let told = shown[0]["summary"].as_str().unwrap();
            assert!(told.starts_with(summary), "{told}");
            assert_eq!(shown[0]["hints"], warning);
            assert_eq!(shown[1]["summary"], "card: NOT PROVEN");
        }
    }
}
