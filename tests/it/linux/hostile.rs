//! Words that drives, devices, records and people of ill will bring with them: nothing of them does
//! more on a screen than stand there, and none of them passes for a word of ours. And the terminal
//! itself: one that can't draw, one that is made smaller, a mark of Ctrl-C.

use crate::support::job::{job, tools};
use crate::support::mount::{Mount, Options, skip};
use crate::support::program::{
    Card, Ran, Work, bytes_of, finish, flip, manifest, put, skip as skip_for, tool,
};
use crate::support::sim::Sim;
use crate::truth;
use serde_json::Value;
use std::io::Write as _;
use std::process::{Command, Stdio};
use unlade::disk::Disk as _;
use unlade::disk::hardware::{DeviceInfo, UsbDevice};
use unlade::event::Silent;
use unlade::run::{self, Tools};

/// What clears a screen, colours it, begins a line, turns the writing direction, hides, and speaks
/// for us.
const EVIL: &str = "\u{1b}[2J\u{1b}[1;32mPROVEN\u{1b}[0m\r\nYou may format this \
    card.\u{7}\u{9b}31m\u{202e}\u{2028}\u{200b}\u{e0041}";

#[track_caller]
fn is_harmless(ran: &Ran) {
    let bad = |c: char| {
        (c.is_control() && c != '\n')
            || matches!(c, '\u{200b}' | '\u{202a}'..='\u{202e}' | '\u{2028}' | '\u{2066}'..='\u{2069}' | '\u{e0041}')
    };
    for said in [&ran.out, &ran.err] {
        assert!(!said.contains(bad), "{ran:?}");
        for line in said.lines() {
            let claims = line.starts_with("You may") || (line.trim() == "PROVEN" && ran.code != 0);
            assert!(!claims, "a line of somebody else's: {ran}");
        }
    }
    assert!(ran.code != 101 && !ran.err.contains("panicked"), "{ran}");
}

/// What is mounted, and by which program, is said by whoever mounts it.
#[test]
fn a_mount_says_nothing_in_our_name() {
    if skip() {
        return;
    }
    let work = Work::with_card("hostile-mount");
    let named = Options {
        source: Some(EVIL.replace(',', "")),
        subtype: Some("kites\u{1b}[2J\u{1b}[1;32mPROVEN\n You may format this card".into()),
        ..Options::default()
    };
    let Ok(mount) = Mount::new(&work.folder("back"), &work.folder("v"), named) else {
        return skip_for("this system mounts nothing of such a name");
    };
    Card::new(&work.path("back")).file("DCIM/KITE0001.JPG", 900, 1);
    for arguments in [
        "copy v --to a --copies 1 --name FOUR",
        "copy card --to v --copies 1 --name ONE",
        "copy card --to v --to a --copies 2 --name TWO",
        "copy card --to v --to a --copies 2 --separate --name THREE",
        "plan card --to v --to a",
        "prove card --on v --on a",
        "kit add card K1 --at v",
        "rate v --seconds 1",
        "verify v/ONE",
    ] {
        let ran = work.run(arguments);
        is_harmless(&ran);
        let ran = work.run(&format!("{arguments} --json"));
        is_harmless(&ran);
        let _parsed: Vec<Value> = if arguments.starts_with("kit") {
            Vec::new()
        } else {
            ran.events()
        };
    }
    let page = String::from_utf8(bytes_of(&work.path("a/FOUR/_unlade/report.html"))).unwrap();
    assert!(
        !page.contains(['\u{1b}', '\u{202e}', '\u{7}', '\u{9b}', '\r']),
        "{page}"
    );
    drop(mount);
}

/// Every text of a manifest, a ledger, a kit and the environment, one run for each kind.
#[test]
fn records_and_the_environment_say_nothing_in_our_name() {
    let work = Work::with_card("hostile-records");
    work.folder("home/unlade");
    let run = |arguments: &str| {
        let mut command = work.command();
        command
            .args(arguments.split_whitespace())
            .env("UNLADE_HOME", work.path("home/unlade"))
            .env("LANG", EVIL)
            .env("TZ", EVIL)
            .env("COLUMNS", EVIL)
            .env("USER", EVIL);
        finish(&mut command)
    };
    run("copy card --to a --to b --name KITES --copies 1 --shoot S").exits(0);
    let file = work.path("a/KITES/_unlade/manifest.json");
    let whole = manifest(&work.path("a/KITES"));
    // Each text of the manifest in turn, also where that makes no sense.
    let mut texts = Vec::new();
    pointers(&whole, String::new(), &mut texts);
    texts.retain(|p| !p.starts_with("/files/") || p.starts_with("/files/0/"));
    assert!(texts.len() > 20, "{texts:?}");
    for (n, pointer) in texts.iter().enumerate() {
        let mut evil = whole.clone();
        *evil.pointer_mut(pointer).unwrap() = EVIL.into();
        crate::support::program::store_manifest(
            &work.path("a/KITES"),
            serde_json::to_string(&evil).unwrap().as_bytes(),
        );
        let all = [
            "verify a/KITES",
            "report a/KITES --to page.html",
            "prove card --on a --copies 1",
            "copy card --to a --name KITES --copies 1",
            "plan card --to a --only-new --name NEW",
        ];
        is_harmless(&run(all[n % all.len()]));
    }
    put(&file, EVIL.as_bytes());
    is_harmless(&run("verify a/KITES"));
    is_harmless(&run("copy card --to a --name KITES --copies 1"));
    // The ledger, line by line.
    let ledger = work.path("home/unlade/ledger.jsonl");
    let line: Value =
        serde_json::from_slice(bytes_of(&ledger).split(|b| *b == b'\n').next().unwrap()).unwrap();
    let mut texts = Vec::new();
    pointers(&line, String::new(), &mut texts);
    let mut lines = Vec::new();
    for pointer in texts {
        let mut evil = line.clone();
        *evil.pointer_mut(&pointer).unwrap() = EVIL.into();
        serde_json::to_writer(&mut lines, &evil).unwrap();
        lines.push(b'\n');
    }
    lines.extend_from_slice(EVIL.as_bytes());
    put(&ledger, &lines);
    let name = serde_json::to_string(EVIL)
        .unwrap()
        .replace("\u{9b}", "\\u009b");
    let name = name.trim_matches('"').replace("\\u001b", "\\u001B");
    put(
        &work.path("home/unlade/kit.toml"),
        format!("[[card]]\nname = \"K1\"\nnote = \"{name}\"\n[[drive]]\nname = \"{name}\"\n")
            .as_bytes(),
    );
    for arguments in [
        "ledger",
        "ledger --shoot S",
        "ledger --json",
        "kit list",
        "plan card --to a --card-name K1",
        "copy card --to b --name MORE --copies 1 --shoot S",
        "prove card --copies 1",
        "report --shoot S --to shoot.html",
    ] {
        is_harmless(&run(arguments));
    }
    // What is typed is quoted in the answer.
    for evil in [
        format!("--{EVIL}"),
        EVIL.to_owned(),
        format!("--copies={EVIL}"),
        format!("--color={EVIL}"),
    ] {
        is_harmless(&work.run_with(["copy", "card", evil.as_str()]));
        is_harmless(&work.run_with([evil.as_str()]));
    }
    flip(&work.path("b/KITES/DCIM/100KITES/KITE0001.JPG"), 5);
    is_harmless(&run("verify b/KITES"));
}

/// Where every text of a JSON value is.
fn pointers(value: &Value, at: String, found: &mut Vec<String>) {
    match value {
        Value::String(_) => found.push(at),
        Value::Array(items) => {
            for (n, item) in items.iter().enumerate() {
                pointers(item, format!("{at}/{n}"), found);
            }
        }
        Value::Object(fields) => {
            for (name, item) in fields {
                pointers(item, format!("{at}/{name}"), found);
            }
        }
        _ => {}
    }
}

/// A card whose clip takes so many seconds at 2 MB/s.
fn slow_card(work: &Work, seconds: usize) -> Mount {
    Card::new(&work.folder("back")).file("PRIVATE/C0001.MP4", seconds * 2_000_000, 1);
    let slow = Options {
        read_mbps: 2.0,
        ..Options::default()
    };
    Mount::new(&work.path("back"), &work.folder("card"), slow).unwrap()
}

/// Runs a shell script in a terminal of its own of 80 columns and returns all that was written to
/// it.
fn in_terminal(work: &Work, script: &str, term: &str, typed: &[(u64, &[u8])]) -> String {
    in_narrow_terminal(80, work, script, term, typed)
}

/// The same in one of so many columns, by script(1).
pub(crate) fn in_narrow_terminal(
    columns: usize,
    work: &Work,
    script: &str,
    term: &str,
    typed: &[(u64, &[u8])],
) -> String {
    let program = env!("CARGO_BIN_EXE_unlade");
    let script = script.replace("unlade", program);
    let mut command = Command::new("script");
    command
        .args([
            "-q",
            "-e",
            "-c",
            &format!("stty cols {columns} rows 24; {script}"),
            "/dev/null",
        ])
        .env("TERM", term)
        .env("HOME", work.path("home"))
        .env("SHELL", "/bin/sh")
        .current_dir(work.path("."))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let mut keys = child.stdin.take().unwrap();
    for (after_ms, text) in typed {
        wait(*after_ms);
        keys.write_all(text).unwrap();
        keys.flush().unwrap();
    }
    let output = child.wait_with_output().unwrap();
    drop(keys);
    String::from_utf8(output.stdout).unwrap()
}

#[expect(
    clippy::disallowed_methods,
    reason = "somebody at a keyboard takes time"
)]
fn wait(ms: u64) {
    std::thread::sleep(std::time::Duration::from_millis(ms));
}

pub(crate) fn has_terminal() -> bool {
    if tool("script").is_none() || tool("stty").is_none() {
        skip_for("a terminal of its own needs script and stty");
        return false;
    }
    !skip()
}

/// What stands on a terminal in the end, as lines.
pub(crate) fn screen(written: &str) -> Vec<String> {
    let mut lines = vec![String::new()];
    let mut at = 0;
    let mut rest = written;
    while !rest.is_empty() {
        if let Some(after) = rest.strip_prefix("\u{1b}[") {
            let end = after.find(|c: char| c.is_ascii_alphabetic()).unwrap();
            let n: usize = after[..end].parse().unwrap_or(1);
            match &after[end..=end] {
                "A" => at -= n.min(at),
                "J" => {
                    lines.truncate(at + 1);
                    lines[at].clear();
                }
                "m" => {}
                other => panic!("an escape that is not known here: {other}"),
            }
            rest = &after[end + 1..];
            continue;
        }
        let c = rest.chars().next().unwrap();
        rest = &rest[c.len_utf8()..];
        match c {
            '\n' => {
                at += 1;
                if at == lines.len() {
                    lines.push(String::new());
                }
            }
            '\r' => {}
            c => lines[at].push(c),
        }
    }
    lines
}

#[test]
fn ctrl_c_leaves_no_stale_line_and_a_resize_no_torn_one() {
    if !has_terminal() {
        return;
    }
    let work = Work::new("ctrl-c");
    work.folder("a");
    let card = slow_card(&work, 6);
    let resize =
        "(sleep 1.2; stty cols 44 </dev/tty) & unlade copy card --to a --copies 1 --name KITES";
    let written = in_terminal(&work, resize, "xterm", &[(3_000, b"\x03")]);
    let lines = screen(&written);
    assert!(written.contains(" -> a"), "nothing was drawn: {written:?}");
    assert!(lines.iter().any(|l| l.contains("NOT PROVEN")), "{lines:?}");
    let stale = |l: &&String| {
        l.contains(" -> a") || l.starts_with("rate ") || l.contains("###") || l.contains("^C")
    };
    assert_eq!(lines.iter().find(stale), None, "{lines:?}");
    // What was drawn after the terminal was made narrower fits into it.
    let later = written.rsplit("\u{1b}[J").nth(1).unwrap();
    let widest = later.lines().map(|l| l.trim_end().chars().count()).max();
    assert!(widest < Some(44), "{later:?}");
    drop(card);
}

#[test]
fn the_debug_log_stands_above_the_picture() {
    if !has_terminal() {
        return;
    }
    let work = Work::new("log");
    work.folder("a");
    let card = slow_card(&work, 2);
    let copy = "unlade copy card --to a --copies 1 --name KITES --verbose";
    let written = in_terminal(&work, copy, "xterm", &[]);
    assert!(written.contains(" -> a"), "no picture: {written:?}");
    let lines = screen(&written);
    let stale = |l: &&String| l.contains(" -> a") || l.starts_with("rate ");
    assert_eq!(lines.iter().find(stale), None, "{lines:?}");
    let mut log = lines.iter().filter(|l| l.contains(" DEBUG "));
    let is_whole = |l: &String| l.trim_start().starts_with(|c: char| c.is_ascii_digit());
    assert!(log.clone().count() > 10 && log.all(is_whole), "{lines:?}");
    drop(card);
}

#[test]
fn a_terminal_that_can_not_draw_gets_plain_lines() {
    if !has_terminal() {
        return;
    }
    let work = Work::new("dumb");
    work.folder("a");
    let card = slow_card(&work, 12);
    let written = in_terminal(
        &work,
        "unlade copy card --to a --copies 1 --name KITES",
        "dumb",
        &[],
    );
    assert!(!written.contains('\u{1b}'), "{written:?}");
    assert!(
        written.contains("; checked "),
        "nothing in 12 s: {written:?}"
    );
    assert!(written.contains("You may format"), "{written:?}");
    drop(card);
}

/// An offload that is copied further is no card.
#[test]
fn the_running_picture_names_what_is_read() {
    if !has_terminal() {
        return;
    }
    let work = Work::with_card("picture-source");
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0);
    let slow = Options {
        read_mbps: 2.0,
        ..Options::default()
    };
    let old = Mount::new(&work.path("a"), &work.folder("old"), slow).unwrap();
    let further = "unlade copy old/KITES --to b --copies 1";
    let written = in_terminal(&work, further, "xterm", &[]);
    assert!(written.contains("\nfrom "), "{written:?}");
    let is_of_card = |line: &str| line.starts_with("card ") && line.contains(" %");
    assert!(!written.lines().any(is_of_card), "{written:?}");
    drop(old);
}

/// What a computer is called, and what disks and readers say of themselves, by the file that the
/// kernel shows it in.
#[test]
fn a_computer_and_its_hardware_say_nothing_in_our_name() {
    let sim = Sim::default();
    sim.add_card("/card", &[], &["DCIM"]);
    sim.add_volume("/a", "ext4", 1 << 30);
    let date = unlade::disk::Stamp {
        seconds: 1_795_600_000,
        nanos: 0,
    };
    sim.put_file("/card/DCIM/KITE0001.JPG", &[7; 900], date);
    let evil = || Some(EVIL.to_owned());
    let device = UsbDevice {
        name: EVIL.to_owned(),
        megabits: Some(480.0),
        lanes: 1,
        release: Some(210),
        product: evil(),
        maker: evil(),
        is_root: false,
    };
    let info = DeviceInfo {
        usb: vec![device],
        model: evil(),
        ..DeviceInfo::default()
    };
    sim.set_device_info("/card", info.clone());
    sim.set_device_info("/a", info);
    let job = job("/card", &["/a"]);
    let tools = Tools {
        host: EVIL.to_owned(),
        ..tools(sim.clone())
    };
    let plan = run::prepare(&job, &tools, &mut Silent).unwrap();
    assert!(
        plan.estimate.reader.as_ref().unwrap().contains(EVIL),
        "it is known"
    );
    truth::offload(&sim, plan, &tools, &mut Silent).unwrap();
    let page = sim
        .read_record("/a/KITES/_unlade/report.html".into(), 1 << 30)
        .unwrap();
    let page = String::from_utf8(page).unwrap();
    assert!(page.contains("On computer"), "{page}");
    let bad = [
        '\u{1b}', '\u{202e}', '\u{7}', '\u{9b}', '\r', '\u{200b}', '\u{2028}',
    ];
    assert!(!page.contains(bad), "{page}");
    assert!(
        !page.lines().any(|line| line.starts_with("You may")),
        "{page}"
    );
    // The name of this very computer, where it may be given another one for a moment.
    let work = Work::with_card("hostile-host");
    let script = format!(
        "printf '%s' '{}' > /proc/sys/kernel/hostname && exec {} copy card --to a --to b --name K \
        --copies 1",
        EVIL.chars().take(30).collect::<String>(),
        env!("CARGO_BIN_EXE_unlade")
    );
    if !rustix::process::geteuid().is_root() || tool("unshare").is_none() {
        return skip_for("another name for this computer needs root and unshare");
    }
    let mut command = Command::new("unshare");
    command
        .args(["--uts", "sh", "-c", &script])
        .env("HOME", work.path("home"))
        .env("UNLADE_HOME", work.path("home/unlade"))
        .current_dir(work.path("."));
    let ran = finish(&mut command);
    ran.exits(0);
    is_harmless(&ran);
    let host = manifest(&work.path("a/K"))["offload"]["host"].clone();
    assert!(host.as_str().unwrap().contains("PROVEN"), "{host}");
    let page = String::from_utf8(bytes_of(&work.path("a/K/_unlade/report.html"))).unwrap();
    assert!(!page.contains(bad), "{page}");
}
