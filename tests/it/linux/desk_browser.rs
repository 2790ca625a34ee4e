//! `unlade desk` in a browser: headless Chromium works with it through `tests/page/desk.mjs`, finds
//! everything by role and accessible name, and holds every view and state to axe-core, light and
//! dark, from 320 to 1920 px. Pictures are left in `target/tmp/desk` for eyes. Where sweeps do not
//! run whole, each state is judged at one width in light and one in dark, and some is not done.
#![cfg(feature = "desk")]

use crate::support::desk::Desk;
use crate::support::image::alone;
use crate::support::mount::{Mount, Options, skip as no_mounts};
use crate::support::program::{Card, Work, put, skip, tool};
use crate::support::whole_sweeps;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

const SCRIPT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/page/desk.mjs");
const LIBRARIES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/page/node_modules");

/// A card of [`CLIPS`], and two drives that the system can't tell apart.
struct Bench {
    /// Unmounted before their folders are removed.
    card: Mount,
    _drives: [Mount; 2],
    work: Work,
    to: [String; 2],
}

/// Of 1 MB each.
const CLIPS: u64 = 16;
/// In MB/s: more than a minute for the card.
const SLOW: f64 = 0.2;

impl Bench {
    /// The card is read at so many MB/s, until the browser's script asks for another pace.
    fn new(name: &str, read_mbps: f64) -> Option<Self> {
        let is_root = rustix::process::geteuid().is_root();
        if no_mounts() || !is_root || tool("unshare").is_none() {
            skip("a page of this test's cards alone needs FUSE, root and unshare");
            return None;
        }
        let work = Work::new(name);
        work.folder("h");
        let mut card = Card::new(&work.folder("back"));
        for clip in 0..CLIPS {
            card = card.file(format!("DCIM/100KITES/C{clip:04}.MP4"), 1_000_000, clip);
        }
        let slow = Options {
            read_mbps,
            ..Options::default()
        };
        let mount = |back: &str, at: &str, options| {
            Mount::new(&work.folder(back), &work.folder(at), options).unwrap()
        };
        let drive = |back: &str, at: &str| mount(back, at, Options::default());
        let path = |at: &str| work.path(at).to_str().unwrap().to_owned();
        Some(Self {
            to: [path("ATTIC"), path("TRAVEL")],
            card: mount("back", "KITES", slow),
            _drives: [drive("back-a", "ATTIC"), drive("back-b", "TRAVEL")],
            work,
        })
    }

    /// A desk that sees this test's mounts alone.
    fn desk(&self) -> Desk {
        let mut command = alone(&self.work);
        command.arg(env!("CARGO_BIN_EXE_unlade"));
        Desk::run(command.args(["desk", "--no-open", "--json", "--home", "h"]))
    }

    fn task(&self, does: &str, desk: &Desk, more: &Value) -> Value {
        let mut task = json!({
            "does": does, "url": desk.url, "card": self.work.path("KITES"), "label": "KITES",
            "to": self.to, "sample": !whole_sweeps(),
        });
        for (key, value) in more.as_object().unwrap() {
            task[key] = value.clone();
        }
        task
    }
}

/// The kit of somebody to whom one drive is enough.
fn one_is_enough(work: &Work) {
    put(&work.path("h/kit.toml"), b"[usual]\ncopies = 1\n");
}

fn pictures(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .join("desk")
        .join(name);
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// Done where sweeps run whole.
const IN_SWEEPS: [&str; 4] = ["refused", "checking", "stopped", "many"];

/// Does this in a browser; what is to be faulted, or `None` where this cannot be asked here.
fn faults(name: &str, bench: &Bench, tasks: &[Value]) -> Option<Vec<String>> {
    let (Some(node), Some(chromium)) = (tool("node"), tool("chromium")) else {
        skip("node or chromium is not installed");
        return None;
    };
    if !Path::new(LIBRARIES).join("puppeteer-core").is_dir() {
        skip("the page's checkers are missing: npm ci in tests/page");
        return None;
    }
    let is_done =
        |task: &&Value| whole_sweeps() || !IN_SWEEPS.contains(&task["does"].as_str().unwrap());
    let tasks: Vec<&Value> = tasks.iter().filter(is_done).collect();
    let folder = pictures(name);
    let list = folder.join("desk.json");
    drop(std::fs::remove_file(&list));
    put(&list, json!(tasks).to_string().as_bytes());
    let mut command = Command::new(node);
    command.arg(SCRIPT).arg(&folder).arg(chromium);
    let mut ran = command
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut faults: Option<Vec<Value>> = None;
    for line in BufReader::new(ran.stdout.take().unwrap()).lines() {
        let line = line.unwrap();
        match line.strip_prefix("pace ") {
            Some(mbps) => bench.card.set_read_mbps(mbps.parse().unwrap()),
            None => faults = Some(serde_json::from_str(&line).unwrap()),
        }
    }
    assert!(ran.wait().unwrap().success(), "{name}: see above");
    let faults = faults.unwrap();
    Some(faults.iter().map(ToString::to_string).collect())
}

const NONE: [&str; 0] = [];

#[test]
fn a_whole_copy_in_every_view_and_state() {
    // It runs for as long as it is looked at in every width.
    let pace = if whole_sweeps() { 0.1 } else { SLOW };
    let Some(bench) = Bench::new("desk-whole", pace) else {
        return;
    };
    let desk = bench.desk();
    let checked = format!("{CLIPS} files checked");
    let more = json!({"separate": true, "says": ["You may format KITES", checked]});
    let Some(faults) = faults("whole", &bench, &[bench.task("whole", &desk, &more)]) else {
        return;
    };
    assert_eq!(faults, NONE);
    let state = desk.state();
    assert_eq!(state["view"], "now", "{state}");
}

#[test]
fn by_the_keyboard_alone_and_stopped_and_gone_on_with() {
    let Some(bench) = Bench::new("desk-keyboard", SLOW) else {
        return;
    };
    one_is_enough(&bench.work);
    let desk = bench.desk();
    let stopped = json!({"says": []});
    let Some(found) = faults(
        "stopped",
        &bench,
        &[
            bench.task("stopped", &desk, &stopped),
            bench.task("keyboard", &bench.desk(), &json!({})),
        ],
    ) else {
        return;
    };
    assert_eq!(found, NONE);
}

/// A copy whose check takes half a minute, and a desk that knows of it.
fn slow_copy(bench: &Bench) -> (Mount, Desk) {
    let work = &bench.work;
    Card::new(&work.path("clip")).file("DCIM/100KITES/C0001.MP4", 30_000_000, 7);
    let (back, at) = (work.folder("back-slow"), work.folder("SLOW"));
    let fast = Mount::new(&back, &at, Options::default()).unwrap();
    work.run("copy clip --to SLOW --copies 1 --home slow")
        .exits(0);
    drop(fast);
    let slow = Options {
        read_mbps: 1.0,
        ..Options::default()
    };
    let slow = Mount::new(&back, &at, slow).unwrap();
    let mut command = alone(work);
    command.arg(env!("CARGO_BIN_EXE_unlade"));
    let desk = Desk::run(command.args(["desk", "--no-open", "--json", "--home", "slow"]));
    (slow, desk)
}

/// What can't be copied, twice the same; and names that would act if they could.
#[test]
fn refusals_and_hostile_names() {
    let Some(bench) = Bench::new("desk-refused", 0.0) else {
        return;
    };
    one_is_enough(&bench.work);
    let hostile = "<img src=x onerror=alert(1)>'\"&\u{202e}gpj";
    let odd = Card::new(&bench.work.folder(hostile));
    odd.file(
        "DCIM/100KITES/<script>alert(1)<\u{200b}script>.JPG",
        4_000,
        1,
    )
    .file("DCIM/100KITES/KITE0001.JPG", 5_000, 2);
    let link = bench.work.path(hostile).join("DCIM/<b>link\u{202e}</b>");
    drop(std::os::unix::fs::symlink("nowhere", &link));
    let link = bench.work.path(hostile).join("DCIM/<b>link\u{202e}<i>");
    std::os::unix::fs::symlink("nowhere", link).unwrap();
    let drives = ["<script>alert(2)", "b\u{2066}&amp;"].map(|name| bench.work.folder(name));
    let (desk, second) = (bench.desk(), bench.desk());
    let (_slow, third) = slow_copy(&bench);
    let nowhere = json!({"to": [bench.work.path("KITES/DCIM")], "before": "can't be copied"});
    let acting = json!({"card": bench.work.path(hostile), "to": drives});
    // The check would be over before it was looked at in every width.
    let one_width = json!({"sample": true});
    let tasks = [
        bench.task("refused", &desk, &nowhere),
        bench.task("hostile", &second, &acting),
        bench.task("checking", &third, &one_width),
    ];
    let Some(faults) = faults("refused", &bench, &tasks) else {
        return;
    };
    assert_eq!(faults, NONE);
}

#[test]
fn two_browsers_many_pages_another_page_and_a_kill() {
    let Some(bench) = Bench::new("desk-many", SLOW) else {
        return;
    };
    one_is_enough(&bench.work);
    let (desk, second) = (bench.desk(), bench.desk());
    let other = bench.work.path("other.html");
    put(
        &other,
        b"<!DOCTYPE html><title>kites</title><p>Another page",
    );
    let there = json!({"other": format!("file://{}", other.display())});
    let onto = |drives: &[&str]| -> Vec<PathBuf> {
        drives
            .iter()
            .map(|drive| bench.work.folder(drive))
            .collect()
    };
    let many = json!({"pages": 20, "reloads": 100, "to": onto(&["c", "d"])});
    let tasks = [
        bench.task("elsewhere", &desk, &there),
        bench.task("two", &desk, &json!({})),
        bench.task("many", &desk, &many),
        bench.task("lost", &second, &json!({"pid": second.pid()})),
    ];
    let Some(faults) = faults("many", &bench, &tasks) else {
        return;
    };
    assert_eq!(faults, NONE);
}
