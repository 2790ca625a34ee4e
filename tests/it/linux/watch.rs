//! A station at which cards and drives come and go: images that are mounted and unmounted in a
//! mount namespace of its own (unshare(1), nsenter(1)), so that no other test's volumes are there.
#![expect(
    clippy::disallowed_methods,
    reason = "tests play a person with an editor, and wait for a program"
)]

use crate::support::image::{alone, done};
use crate::support::program::{Card, Work, finish, skip, tool};
use crate::support::sim::Chance;
use crate::support::whole_sweeps;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsString;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

const HOOKS: [&str; 5] = ["card-read", "proven", "not-proven", "waiting", "all-seen"];

/// A station with volumes that can be plugged in.
pub(super) struct Place {
    pub(super) work: Work,
    /// Keeps the namespace.
    holder: Child,
    pub(super) watch: Option<Child>,
    /// What its programs find in their environment besides.
    pub(super) env: Vec<(OsString, OsString)>,
    plugged: BTreeSet<String>,
}

impl Drop for Place {
    fn drop(&mut self) {
        self.end_watch("KILL");
        for name in self.plugged.clone() {
            self.pull(&name);
        }
        drop(self.holder.kill());
        drop(self.holder.wait());
    }
}

impl Place {
    /// Makes cards A1, A2 and so on, a lent one that nobody knows, and two drives. The kit knows
    /// the first and the drives; `more` is its further text.
    pub(super) fn new(name: &str, cards: usize, more: &str) -> Option<Self> {
        let work = Work::new(name);
        let is_root = rustix::process::geteuid().is_root();
        if !is_root
            || ["unshare", "nsenter", "mkfs.ext4"]
                .map(tool)
                .contains(&None)
        {
            skip("a mount namespace needs root, unshare, nsenter and mkfs.ext4");
            return None;
        }
        let own: Vec<String> = (1..=cards).map(|n| format!("A{n}")).collect();
        for (seed, name) in (1..).zip(own.iter().map(String::as_str).chain(["LENT"])) {
            let made = work.path(&format!("made/{name}"));
            Card::new(&made)
                .file("DCIM/100KITES/KITE0001.JPG", 300_000, seed)
                .file("DCIM/100KITES/KITE0002.JPG", 310_000, seed + 50)
                .file("DCIM/100KITES/KITE0003.MP4", 900_000, seed + 90);
        }
        // It says that the others are gone, and stays.
        let mut holder = alone(&work)
            .args(["sh", "-c", "echo ready; exec cat"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut ready = [0; 6];
        std::io::Read::read_exact(holder.stdout.as_mut().unwrap(), &mut ready).unwrap();
        let mut place = Self {
            work,
            holder,
            watch: None,
            env: Vec::new(),
            plugged: BTreeSet::new(),
        };
        let drives = ["ATTIC".to_owned(), "TRAVEL".to_owned()];
        for name in own.iter().chain(["LENT".to_owned()].iter()).chain(&drives) {
            place.make(name);
        }
        for name in &own {
            place.plug(name);
            place.ask(&[
                "kit",
                "add",
                "card",
                name,
                "--at",
                place.at(name).to_str().unwrap(),
            ]);
            place.pull(name);
        }
        for (name, at) in [("Attic", "ATTIC"), ("Travel", "TRAVEL")] {
            place.plug(at);
            place.ask(&[
                "kit",
                "add",
                "drive",
                name,
                "--at",
                place.at(at).to_str().unwrap(),
            ]);
            place.pull(at);
        }
        place.add_to_kit(more);
        place.add_hooks();
        Some(place)
    }

    pub(super) fn make(&self, name: &str) {
        let image = self.work.path(&format!("{name}.img"));
        fs::File::create_new(&image)
            .unwrap()
            .set_len(24 << 20)
            .unwrap();
        let mut arguments = vec!["-q", "-F", "-m", "0", "-L", name];
        let made = self.work.path(&format!("made/{name}"));
        if made.exists() {
            arguments.extend(["-d", made.to_str().unwrap()]);
        }
        arguments.push(image.to_str().unwrap());
        assert!(done("mkfs.ext4", &arguments), "{name}");
        self.work.folder(&format!("media/{name}"));
    }

    pub(super) fn at(&self, name: &str) -> PathBuf {
        self.work.path(&format!("media/{name}"))
    }

    pub(super) fn add_to_kit(&self, text: &str) {
        let kit = self.work.path("h/kit.toml");
        let all = fs::read_to_string(&kit).unwrap();
        fs::write(&kit, format!("{all}\n{text}")).unwrap();
    }

    /// A place `nas` on a volume that can be pulled, which gets what is proven as `more` says.
    pub(super) fn add_place(&mut self, more: &str) {
        self.make("NAS");
        self.plug("NAS");
        let folder = self.at("NAS").join("kites");
        let made = self.inside("mkdir").arg(&folder).status();
        assert!(made.unwrap().success());
        self.add_to_kit(&format!(
            "{more}then = [\"NAS\"]\n[[place]]\nname = \"nas\"\nurl = \"file://{}\"\n",
            folder.display()
        ));
    }

    /// Hooks that write down what they are told.
    fn add_hooks(&self) {
        let hooks = self.work.folder("h/hooks");
        for name in HOOKS {
            let told = self.work.path(&format!("told-{name}"));
            let path = hooks.join(name);
            fs::write(&path, format!("#!/bin/sh\ncat >> '{}'\n", told.display())).unwrap();
            fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
        }
    }

    /// What the hooks of one name were told.
    fn told(&self, hook: &str) -> Vec<Value> {
        let text = fs::read_to_string(self.work.path(&format!("told-{hook}")));
        let text = text.unwrap_or_default();
        text.lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect()
    }

    /// A program in the namespace.
    pub(super) fn inside(&self, program: &str) -> Command {
        let plain = self.work.command();
        let mut command = Command::new("nsenter");
        let folder = self.work.path("");
        command
            .args(["-t", &self.holder.id().to_string(), "-m"])
            .arg(format!("--wd={}", folder.display()))
            .args(["--", program])
            .env_clear()
            .envs(
                plain
                    .get_envs()
                    .filter_map(|(key, value)| Some((key, value?))),
            )
            .envs(self.env.iter().map(|(key, value)| (key, value)))
            .env("UNLADE_HOME", self.work.path("h"))
            .stdin(Stdio::null());
        command
    }

    pub(super) fn ask(&self, arguments: &[&str]) -> String {
        let mut command = self.inside(env!("CARGO_BIN_EXE_unlade"));
        let ran = finish(command.args(arguments));
        format!("{}{}", ran.out, ran.err)
    }

    pub(super) fn plug(&mut self, name: &str) {
        if self.plugged.insert(name.to_owned()) {
            let image = self.work.path(&format!("{name}.img"));
            let status = self
                .inside("mount")
                .args(["-o", "loop"])
                .arg(image)
                .arg(self.at(name))
                .status();
            assert!(status.unwrap().success(), "{name}");
        }
    }

    /// Takes it away as a pull does: at once, whatever is open on it.
    pub(super) fn pull(&mut self, name: &str) {
        if self.plugged.remove(name) {
            let status = self.inside("umount").arg("-l").arg(self.at(name)).status();
            assert!(status.unwrap().success(), "{name}");
        }
    }

    pub(super) fn log(&self) -> String {
        fs::read_to_string(self.work.path("log")).unwrap_or_default()
    }

    pub(super) fn watch(&mut self, more: &[&str]) {
        let log = fs::File::options()
            .create(true)
            .append(true)
            .open(self.work.path("log"))
            .unwrap();
        let mut command = self.inside(env!("CARGO_BIN_EXE_unlade"));
        let out = log.try_clone().unwrap();
        command.arg("watch").args(more).stdout(out).stderr(log);
        self.watch = Some(command.spawn().unwrap());
    }

    /// Ends the watch by a signal, and returns its exit code.
    pub(super) fn end_watch(&mut self, signal: &str) -> Option<i32> {
        let mut watch = self.watch.take()?;
        assert!(done(
            "kill",
            &[&format!("-{signal}"), &watch.id().to_string()]
        ));
        watch.wait().unwrap().code()
    }

    /// Waits until the log has this so often.
    #[track_caller]
    pub(super) fn waits_for(&self, text: &str, times: usize) {
        self.waits_until(text, |log| log.matches(text).count() >= times);
    }

    #[track_caller]
    pub(super) fn waits_until(&self, what: &str, is_so: impl Fn(&str) -> bool) {
        let begun = Instant::now();
        while !is_so(&self.log()) {
            let waited = begun.elapsed();
            assert!(
                waited < Duration::from_secs(60),
                "no `{what}` in\n{}",
                self.log()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// The offloads on a drive that is plugged in, as the namespace sees them.
    pub(super) fn offloads(&self, drive: &str) -> BTreeMap<String, Vec<String>> {
        let list = self
            .inside("find")
            .arg(self.at(drive))
            .args(["-type", "f"])
            .output()
            .unwrap();
        let list = String::from_utf8(list.stdout).unwrap();
        let mut offloads: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for path in list.lines() {
            let below = Path::new(path).strip_prefix(self.at(drive)).unwrap();
            let mut parts = below.iter().map(|part| part.to_str().unwrap());
            let name = parts.next().unwrap().to_owned();
            let rest: Vec<_> = parts.collect();
            if rest.first() != Some(&"_unlade") {
                offloads.entry(name).or_default().push(rest.join("/"));
            }
        }
        offloads
    }
}

/// The notice on the bus of the test's own, which `notice.rs` has.
#[cfg(feature = "notices")]
#[test]
fn a_proven_card_is_told_by_a_notice_unless_nobody_wants_it() {
    use super::notice::with_service::Desktop;
    for (more, expected) in [(&["--once"][..], 1), (&["--once", "--no-notify"], 0)] {
        let Some(mut place) = Place::new("watch-notice", 1, USUAL) else {
            return;
        };
        let Some(desktop) = Desktop::new("markup") else {
            return;
        };
        for name in ["ATTIC", "TRAVEL", "A1"] {
            place.plug(name);
        }
        let mut command = place.inside(env!("CARGO_BIN_EXE_unlade"));
        command.env("DBUS_SESSION_BUS_ADDRESS", &desktop.address);
        let ran = finish(command.arg("watch").args(more));
        ran.exits(0);
        let shown = desktop.shown();
        assert_eq!(shown.len(), expected, "{shown:?} {ran}");
        for notice in shown {
            assert_eq!(notice["summary"], "A1: PROVEN");
            assert_eq!(notice["hints"]["sound-name"][1], "complete");
        }
    }
}

const USUAL: &str = "[usual]\nto = [\"Attic\", \"Travel\"]\ncopies = 1\n";

#[test]
fn a_known_card_is_copied_within_three_seconds_and_an_unknown_one_is_not_touched() {
    let Some(mut place) = Place::new("watch-known", 1, USUAL) else {
        return;
    };
    place.plug("ATTIC");
    place.plug("TRAVEL");
    place.watch(&[]);
    place.waits_for("watching for cards", 1);
    let told = place.ask(&["watch", "--status"]);
    assert!(told.contains("waits for a card"), "{told}");
    let second = place.ask(&["watch", "--once"]);
    assert!(second.contains("a watch runs already"), "{second}");
    place.plug("LENT");
    place.waits_for(
        "LENT: not touched. It is no card of the kit, and no rule takes it.",
        1,
    );
    let begun = Instant::now();
    place.plug("A1");
    place.waits_for("A1: copying 3 files", 1);
    let took = begun.elapsed();
    assert!(took < Duration::from_secs(3), "{took:?}");
    place.waits_for("A1: PROVEN. You may format A1", 1);
    place.waits_until("both hooks", |_| place.told("proven").len() == 1);
    let read = &place.told("card-read")[0];
    assert_eq!(
        (&read["hook"], &read["label"]),
        (&"card-read".into(), &"A1".into())
    );
    let proven = &place.told("proven")[0];
    assert_eq!(proven["verdict"]["proven"], true);
    assert_eq!(proven["drives"], serde_json::json!(["Attic", "Travel"]));
    let schema: Value = serde_json::from_str(&place.work.run("schema hooks").out).unwrap();
    let schema = jsonschema::validator_for(&schema).unwrap();
    assert!(
        schema.is_valid(read) && schema.is_valid(proven),
        "{read} {proven}"
    );
    // Put in again it is no other card.
    place.pull("A1");
    std::thread::sleep(Duration::from_millis(1_500));
    place.plug("A1");
    place.waits_for("A1: it was proven on 20", 1);
    assert_eq!(place.end_watch("INT"), Some(0));
    for drive in ["ATTIC", "TRAVEL"] {
        let offloads = place.offloads(drive);
        assert_eq!(offloads.len(), 1, "{offloads:?}");
        assert!(
            offloads.keys().all(|name| name.ends_with("-A1")),
            "{offloads:?}"
        );
    }
    assert_eq!(place.told("proven").len(), 1);
    assert!(place.told("not-proven").is_empty());
    // It is the next card all the same: a script that waits for one does not wait for ever.
    place.watch(&["--once"]);
    let code = place.watch.take().unwrap().wait().unwrap().code();
    assert_eq!(code, Some(0), "{}", place.log());
    place.waits_for("A1: it was proven on 20", 2);
}

/// A1 and A2 hold files of the same names, sizes and dates, A3 one more. Beside the ballast there
/// is room for two of them, and without it for all three.
#[test]
fn only_copies_come_first_and_what_will_not_fit_is_said_before_its_turn() {
    let Some(mut place) = Place::new("watch-turns", 3, USUAL) else {
        return;
    };
    place.plug("A3");
    let more = place.work.path("made/A1/DCIM/100KITES/KITE0001.JPG");
    let to = place.at("A3").join("DCIM/100KITES/KITE0009.JPG");
    assert!(
        place
            .inside("cp")
            .arg(more)
            .arg(to)
            .status()
            .unwrap()
            .success()
    );
    place.plug("TRAVEL");
    let free = place
        .inside("stat")
        .args(["-f", "-c", "%a %S"])
        .arg(place.at("TRAVEL"))
        .output();
    let free = String::from_utf8(free.unwrap().stdout).unwrap();
    let (blocks, size) = free.trim().split_once(' ').unwrap();
    let free = blocks.parse::<u64>().unwrap() * size.parse::<u64>().unwrap();
    let mut fill = place.inside("fallocate");
    fill.args(["-l", &(free - 5_000_000).to_string()])
        .arg(place.at("TRAVEL").join("ballast"));
    assert!(fill.status().unwrap().success());
    for name in ["ATTIC", "A1", "A2", "A3"] {
        place.plug(name);
    }
    place.watch(&["--json"]);
    place.waits_until("three verdicts", |log| {
        log.matches("\"event\":\"verdict\"").count() == 3
    });
    place.waits_for("it is copied once there is room on Travel", 1);
    place.waits_until("status", |_| {
        let status = place.ask(&["watch", "--status"]);
        status.contains("A2: waits for room on Travel")
    });
    let ballast = place.at("TRAVEL").join("ballast");
    assert!(place.inside("rm").arg(ballast).status().unwrap().success());
    place.waits_until("a fourth verdict", |log| {
        log.matches("\"event\":\"verdict\"").count() == 4
    });
    assert_eq!(place.end_watch("TERM"), Some(0));
    let log = place.log();
    let events: Vec<Value> = log
        .lines()
        .filter(|line| line.starts_with('{'))
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let schema: Value = serde_json::from_str(&place.work.run("schema events").out).unwrap();
    let schema = jsonschema::validator_for(&schema).unwrap();
    assert!(events.iter().all(|event| schema.is_valid(event)), "{log}");
    let at = |what: &str, card: &str| {
        let is_it = |e: &Value| (&e["what"], &e["card"]) == (&what.into(), &card.into());
        events
            .iter()
            .position(is_it)
            .unwrap_or_else(|| panic!("no {what} of {card}\n{log}"))
    };
    let why = events[at("turn", "A3")]["detail"].as_str().unwrap();
    assert_eq!(
        why,
        "its turn comes before those of 2 other cards: no other card here holds all its files.",
        "{log}"
    );
    let told = &events[at("no-room", "A2")];
    assert_eq!(told["drives"], serde_json::json!(["Travel"]));
    let detail = told["detail"].as_str().unwrap();
    assert!(
        detail.contains("will be free after what is copied before it: "),
        "{detail}"
    );
    assert!(at("no-room", "A2") < at("turn", "A3"), "{log}");
    let verdicts = events.iter().filter(|e| e["event"] == "verdict");
    let verdicts: Vec<(bool, &str)> = verdicts
        .map(|e| (e["proven"] == true, e["card"].as_str().unwrap_or_default()))
        .collect();
    let ends: Vec<(bool, bool)> = verdicts
        .iter()
        .zip(["A3", "A1", "A2", "A2"])
        .map(|((proven, path), name)| (*proven, path.ends_with(name)))
        .collect();
    assert_eq!(
        ends,
        [(true, true), (true, true), (false, true), (true, true)],
        "{verdicts:?}\n{log}"
    );
    let again = "there is room on Travel again.";
    assert_eq!(log.matches(again).count(), 1, "{log}");
}

#[test]
fn neither_watch_nor_desk_keeps_its_own_files_on_a_card() {
    let Some(mut place) = Place::new("watch-home", 1, USUAL) else {
        return;
    };
    for name in ["LENT", "A1", "ATTIC", "TRAVEL"] {
        place.plug(name);
    }
    let on_card = place.at("LENT").join("h");
    for command in [&["watch", "--once"][..], &["desk", "--no-open"]] {
        let told = place.ask(&[command, &["--home", on_card.to_str().unwrap()]].concat());
        assert!(told.contains("nothing is written to a card"), "{told}");
    }
    let there = place.inside("find").arg(&on_card).output().unwrap();
    assert!(
        !there.status.success(),
        "something is on the card: {there:?}"
    );
    // A card of the kit need not look like a camera's: its copy is refused.
    let own = place.at("A1").join("h");
    let camera = place.at("A1").join("DCIM");
    place
        .inside("mv")
        .arg(&camera)
        .arg(place.at("A1").join("TRACKS"))
        .status()
        .unwrap();
    let status = place
        .inside("cp")
        .arg("-r")
        .arg(place.work.path("h"))
        .arg(&own)
        .status();
    assert!(status.unwrap().success());
    place.watch(&["--once", "--home", own.to_str().unwrap()]);
    let code = place.watch.take().unwrap().wait().unwrap().code();
    assert_eq!(code, Some(3), "{}", place.log());
    assert!(
        place.log().contains("nothing is written to a card"),
        "{}",
        place.log()
    );
    assert!(
        place
            .offloads("ATTIC")
            .keys()
            .all(|name| name == "lost+found")
    );
}

#[test]
fn a_missing_drive_is_waited_for_and_a_rule_says_where_to() {
    let rules = "[usual]\nto = [\"Attic\", \"Travel\"]\ncopies = 1\n\
        [[rule]]\nmatch = \"LEN*\"\nto = [\"Travel\"]\nshoot = \"kites\"\n";
    let Some(mut place) = Place::new("watch-rule", 1, rules) else {
        return;
    };
    place.plug("ATTIC");
    place.plug("LENT");
    let told = place.ask(&["watch", "--explain", place.at("LENT").to_str().unwrap()]);
    assert!(told.contains("rule 1 takes it: to Travel"), "{told}");
    assert!(told.contains("It would wait for Travel"), "{told}");
    let told = place.ask(&["watch", "--explain", place.at("ATTIC").to_str().unwrap()]);
    assert!(
        told.contains("no card: it is the drive Attic of the kit"),
        "{told}"
    );
    place.watch(&["--once"]);
    place.waits_for("LENT: waits for Travel.", 1);
    let status = place.ask(&["watch", "--status"]);
    assert!(status.contains("LENT: waits for Travel"), "{status}");
    place.plug("TRAVEL");
    place.waits_for("LENT: PROVEN.", 1);
    let code = place.watch.take().unwrap().wait().unwrap().code();
    assert_eq!(code, Some(0), "--once ends as a copy does");
    assert!(place.offloads("ATTIC").is_empty());
    assert_eq!(place.offloads("TRAVEL").len(), 1);
    assert_eq!(place.told("waiting").len(), 1);
    assert_eq!(
        place.told("waiting")[0]["waits_for"],
        serde_json::json!(["Travel"])
    );
}

#[test]
fn a_hook_that_fails_or_hangs_changes_nothing_and_all_events_fit_the_schema() {
    let usual = format!("{USUAL}shoot = \"kites\"\n");
    let Some(mut place) = Place::new("watch-hooks", 1, &usual) else {
        return;
    };
    let hooks = place.work.path("h/hooks");
    // Half a minute is waited for where the sweeps run whole.
    let hangs = if whole_sweeps() { "sleep 600" } else { "false" };
    let text = format!("#!/bin/sh\necho at work; exec {hangs}\n");
    fs::write(hooks.join("card-read"), text).unwrap();
    fs::write(hooks.join("proven"), "#!/bin/sh\nexit 7\n").unwrap();
    for name in ["ATTIC", "TRAVEL", "A1", "LENT"] {
        place.plug(name);
    }
    let begun = Instant::now();
    place.watch(&["--once", "--json"]);
    place.waits_for("\"event\":\"verdict\"", 1);
    assert!(
        begun.elapsed() < Duration::from_secs(20),
        "a hook held it up"
    );
    place.waits_for("hook proven failed", 1);
    let code = place.watch.take().unwrap().wait().unwrap().code();
    assert_eq!(code, Some(0));
    let expected = if whole_sweeps() {
        "hook card-read took longer than 30 s and was ended"
    } else {
        "hook card-read failed"
    };
    assert!(place.log().contains(expected), "{}", place.log());
    let events: Vec<Value> = place
        .log()
        .lines()
        // Beside them: that no notices can be shown here.
        .filter(|line| line.starts_with('{'))
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let schema: Value = serde_json::from_str(&place.work.run("schema events").out).unwrap();
    let schema = jsonschema::validator_for(&schema).unwrap();
    for event in &events {
        let faults: Vec<String> = schema.iter_errors(event).map(|e| e.to_string()).collect();
        assert!(faults.is_empty(), "{event}: {faults:?}");
    }
    // What runs beside others is told apart.
    let of_copy = events
        .iter()
        .filter(|e| e["event"] == "file" || e["event"] == "tick");
    assert!(of_copy.clone().count() > 0);
    for event in of_copy {
        let offload = event["offload"].as_str().unwrap_or_default();
        assert!(offload.ends_with("-A1"), "{event}");
    }
}

#[test]
fn a_hook_that_runs_ends_with_the_watch_and_holds_it_up_for_a_moment_only() {
    let Some(mut place) = Place::new("watch-stop", 1, USUAL) else {
        return;
    };
    let number = place.work.path("hook-process");
    let text = format!(
        "#!/bin/sh\necho $$ > '{}'; exec sleep 600\n",
        number.display()
    );
    fs::write(place.work.path("h/hooks/proven"), text).unwrap();
    for name in ["ATTIC", "TRAVEL", "A1"] {
        place.plug(name);
    }
    place.watch(&[]);
    place.waits_until("the hook", |_| {
        fs::read_to_string(&number).is_ok_and(|n| n.ends_with('\n'))
    });
    let begun = Instant::now();
    assert_eq!(place.end_watch("TERM"), Some(0), "{}", place.log());
    let took = begun.elapsed();
    assert!(took < Duration::from_secs(3), "{took:?}");
    assert!(
        place.log().contains("hook proven was ended with the watch"),
        "{}",
        place.log()
    );
    let number = fs::read_to_string(number).unwrap();
    assert!(!done("kill", &["-0", number.trim()]), "it runs on");
}

/// The files for the three systems, against their own readers: systemd-analyze(1), and for the
/// form of XML Python's `expat`; the property list is read by the crate `plist` beside the code.
#[test]
fn the_service_files_are_sound() {
    let work = Work::new("watch-service");
    let printed = |system: &str| {
        let ran = work.run(&format!("watch --print-service {system} --home h"));
        assert_eq!(ran.code, 0);
        let path = work.path(&format!("unlade-{system}.service"));
        fs::write(&path, &ran.out).unwrap();
        path
    };
    let script = "import sys, xml.dom.minidom; xml.dom.minidom.parse(sys.argv[1])";
    for system in ["launchd", "windows"] {
        let file = printed(system);
        assert!(
            done("python3", &["-c", script, file.to_str().unwrap()]),
            "{system}"
        );
    }
    let unit = printed("systemd");
    is_sound(&work, &fs::read_to_string(unit).unwrap());
}

/// Checks a unit with systemd's own tools.
pub(super) fn is_sound(work: &Work, text: &str) {
    if tool("systemd-analyze").is_none() {
        skip("systemd-analyze is not installed; .ci/run does it");
        return;
    }
    let unit = work.path("unlade-sound.service");
    fs::write(&unit, text).unwrap();
    let analyze = |arguments: &[&str]| {
        let mut command = Command::new("systemd-analyze");
        command.env("XDG_RUNTIME_DIR", work.path("tmp"));
        finish(command.args(arguments).arg(&unit))
    };
    let ran = analyze(&["--user", "verify", "--man=no"]);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""), "{}", ran.out);
    let ran = analyze(&["security", "--offline=true", "--no-pager"]);
    let level = ran
        .out
        .lines()
        .find_map(|line| line.split_once("Overall exposure level for"));
    let level = level.and_then(|(_, rest)| rest.split(": ").nth(1));
    let level = level.and_then(|rest| rest.split(' ').next());
    let level: f64 = level.and_then(|n| n.parse().ok()).unwrap_or(f64::MAX);
    assert!(level < 5.0, "{level}: {}", ran.out);
}

/// What packages bring is what is printed by the program of a package where no kit names a folder:
/// for another text, print it so.
#[test]
fn the_unit_of_packages_is_the_one_that_is_printed() {
    let work = Work::new("watch-unit");
    let ran = work.run("watch --print-service systemd");
    let program = env!("CARGO_BIN_EXE_unlade");
    assert!(
        ran.out.contains(&format!("ExecStart={program} watch\n")),
        "{ran}"
    );
    let expected = ran.exits(0).out.replace(program, "/usr/bin/unlade");
    let file = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/man/service/unlade-watch.service"
    );
    assert_eq!(fs::read_to_string(file).unwrap(), expected);
}

/// One story: what is plugged in, pulled, killed and filled up by chance. Then all is plugged in
/// anew and left alone: each known card has one offload on each drive, whole, and nobody else has.
fn story(seed: u64) {
    let Some(mut place) = Place::new(&format!("watch-story-{seed}"), 2, "") else {
        return;
    };
    place.add_place(USUAL);
    let mut dice = Chance::new(seed * 7_919 + 11);
    let all = ["A1", "A2", "LENT", "ATTIC", "TRAVEL", "NAS"];
    place.watch(&[]);
    let mut full = false;
    for _ in 0..8 {
        let name = all[dice.below(all.len())];
        match dice.below(8) {
            0..=3 => place.plug(name),
            4 => place.pull(name),
            5 => {
                place.end_watch("KILL");
                place.watch(&[]);
            }
            6 if place.plugged.contains("TRAVEL") => {
                // It is as good as full, or has room again.
                let ballast = place.at("TRAVEL").join("ballast");
                let (program, how): (_, &[&str]) = if full {
                    ("rm", &["-f"])
                } else {
                    ("fallocate", &["-l", "19M"])
                };
                let mut change = place.inside(program);
                change.args(how).arg(&ballast).stderr(Stdio::null());
                drop(change.status());
                full = !full;
            }
            _ => {}
        }
        std::thread::sleep(Duration::from_millis(
            200 + unlade::units::len64(dice.below(1_200)),
        ));
    }
    for name in all {
        place.pull(name);
    }
    place.end_watch("TERM");
    for name in ["ATTIC", "TRAVEL", "NAS"] {
        place.plug(name);
    }
    place
        .inside("rm")
        .arg("-f")
        .arg(place.at("TRAVEL").join("ballast"))
        .status()
        .unwrap();
    for name in ["A1", "A2", "LENT"] {
        place.plug(name);
    }
    let before = place.log().len();
    place.watch(&[]);
    let is_done = |log: &str, card: &str| {
        let since = log.get(before..).unwrap_or_default();
        since.contains(&format!("{card}: PROVEN"))
            || since.contains(&format!("{card}: it was proven"))
    };
    place.waits_until(&format!("proof, seed {seed}"), |log| {
        is_done(log, "A1") && is_done(log, "A2")
    });
    if cfg!(feature = "offsite") {
        place.waits_until(&format!("sent, seed {seed}"), |_| {
            !place.ask(&["watch", "--status"]).contains("nas")
        });
    }
    assert_eq!(
        place.end_watch("TERM"),
        Some(0),
        "seed {seed}\n{}",
        place.log()
    );
    let log = place.log();
    let placed = cfg!(feature = "offsite").then_some("NAS/kites");
    for drive in ["ATTIC", "TRAVEL"].into_iter().chain(placed) {
        let offloads = place.offloads(drive);
        let mut files: Vec<_> = offloads
            .iter()
            .filter(|(name, _)| *name != "lost+found")
            .collect();
        files.sort();
        assert_eq!(files.len(), 2, "seed {seed}, {drive}: {offloads:?}\n{log}");
        for ((name, _), card) in files.iter().zip(["A1", "A2"]) {
            assert!(
                name.ends_with(&format!("-{card}")),
                "seed {seed}: {name}\n{log}"
            );
            let copy = place.at(drive).join(name);
            let made = place.work.path(&format!("made/{card}"));
            let different = place
                .inside("diff")
                .args(["-r", "-x", "_unlade", "-x", "lost+found"])
                .args([&copy, &made])
                .output()
                .unwrap();
            assert!(
                different.status.success(),
                "seed {seed}: {different:?}\n{log}"
            );
        }
    }
    for card in ["A1", "A2"] {
        let proven = place.told("proven");
        // Proven on one drive, and later on the other one too, are two causes.
        let is_whole = |told: &&Value| told["verdict"]["incomplete_on"] == serde_json::json!([]);
        let of_card = proven.iter().filter(|told| told["label"] == card);
        let times = of_card.filter(is_whole).count();
        assert!(times <= 1, "seed {seed}, {card}: {proven:?}\n{log}");
    }
    assert!(!log.contains("LENT: copying"), "seed {seed}\n{log}");
}

#[test]
fn no_card_is_copied_twice_none_is_forgotten_and_no_unknown_one_is_touched() {
    let seeds = if whole_sweeps() { 200 } else { 2 };
    // They wait more than they work.
    let next = AtomicU64::new(0);
    std::thread::scope(|scope| {
        for _ in 0..8 {
            scope.spawn(|| {
                let seed = || Some(next.fetch_add(1, Ordering::SeqCst)).filter(|s| *s < seeds);
                while let Some(seed) = seed() {
                    story(seed);
                }
            });
        }
    });
}
