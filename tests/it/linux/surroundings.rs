//! The program among others: whoever reads its output may be slow or stop reading, and the computer
//! may run on its battery.
#![expect(
    clippy::disallowed_methods,
    reason = "a test of slow readers has to be slow"
)]

use crate::support::program::{Card, Ran, Work, finish, manifest, skip, tool, tree};
use serde_json::Value;
use std::io::Read as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Files of the card: their events are several times what a pipe holds (64 KiB, pipe(7)).
const FILES: usize = 400;
const JOB: &str = "copy card --to a --to b --name KITES --copies 1 --json";

fn many_files(name: &str) -> Work {
    let work = Work::new(name);
    work.folder("a");
    work.folder("b");
    let mut card = Card::new(&work.path("card"));
    for n in 0..FILES {
        let path = format!("DCIM/100KITES/KITE{n:04}.JPG");
        card = card.file(path, 100 + n, u64::try_from(n).unwrap());
    }
    work
}

/// A window that was left in the middle of its output, say: nobody reads, and the pictures are safe
/// all the same.
#[test]
fn a_reader_who_never_reads_does_not_keep_the_files_from_being_proven() {
    let work = many_files("stuck");
    let mut child = work
        .command()
        .args(JOB.split_whitespace())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let is_recorded = |drive: &str| {
        work.path(&format!("{drive}/KITES/_unlade/manifest.json"))
            .exists()
            && !work
                .path(&format!("{drive}/KITES/_unlade/journal.jsonl"))
                .exists()
    };
    let start = Instant::now();
    while !(is_recorded("a") && is_recorded("b")) {
        assert!(
            start.elapsed() < Duration::from_secs(90),
            "the copy waits for its reader"
        );
        assert!(
            child.try_wait().unwrap().is_none(),
            "it ended, and was not stuck"
        );
        std::thread::sleep(Duration::from_millis(10));
    }
    let ended = child.try_wait().unwrap();
    child.kill().unwrap();
    let mut said = String::new();
    child
        .stdout
        .take()
        .unwrap()
        .read_to_string(&mut said)
        .unwrap();
    child.wait().unwrap();
    assert!(
        ended.is_none() && !said.contains("\"verdict\""),
        "the pipe held everything: {ended:?}"
    );
    for drive in ["a/KITES", "b/KITES"] {
        assert_eq!(manifest(&work.path(drive))["verdict"]["proven"], true);
        assert_eq!(tree(&work.path(drive)), tree(&work.path("card")));
    }
    work.run("verify a/KITES b/KITES").exits(0);
}

/// Slower than the program, with a pause that is longer than it waits for anybody.
#[test]
fn a_slow_reader_gets_every_line() {
    let work = many_files("slow-reader");
    let mut child = work
        .command()
        .args(JOB.split_whitespace())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut out = child.stdout.take().unwrap();
    let mut said = Vec::new();
    let mut piece = [0; 4_096];
    let mut reads = 0;
    loop {
        let n = out.read(&mut piece).unwrap();
        if n == 0 {
            break;
        }
        said.extend_from_slice(&piece[..n]);
        reads += 1;
        std::thread::sleep(Duration::from_millis(if reads == 4 { 4_000 } else { 10 }));
    }
    assert_eq!(child.wait().unwrap().code(), Some(0));
    let said = String::from_utf8(said).unwrap();
    let events: Vec<Value> = said
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    let of = |name: &str| events.iter().filter(|e| e["event"] == name).count();
    assert_eq!((of("listed"), of("file"), of("verdict")), (1, 2 * FILES, 1));
    let last = events.last().unwrap();
    assert_eq!(
        (&last["event"], &last["proven"]),
        (&"verdict".into(), &true.into())
    );
}

/// Runs the program where `/sys/class/power_supply` shows what this shell script makes there, in a
/// mount namespace of its own (unshare(1)).
fn powered_by(work: &Work, script: &str, arguments: &str) -> Option<Ran> {
    let supplies = Path::new("/sys/class/power_supply");
    if !rustix::process::geteuid().is_root() || tool("unshare").is_none() || !supplies.is_dir() {
        return None;
    }
    let script = format!(
        "mount -t tmpfs none {0} && cd {0} && {script} && cd {1} && exec {2} {arguments}",
        supplies.display(),
        work.path(".").display(),
        env!("CARGO_BIN_EXE_unlade")
    );
    let mut command = Command::new("unshare");
    command
        .args(["-m", "sh", "-c", &script])
        .env("HOME", work.path("home"));
    let ran = finish(&mut command);
    // unshare and mount end with 1 and 32 where they are not permitted, before anything was said.
    (!ran.err.contains("unshare:") && !ran.err.contains("mount:")).then_some(ran)
}

#[test]
fn a_copy_on_battery_says_so_once() {
    const UNPLUGGED: &str = "mkdir AC BAT0 && echo Mains > AC/type && echo 0 > AC/online && \
        echo Battery > BAT0/type && echo Discharging > BAT0/status";
    const PLUGGED: &str = "mkdir AC BAT0 && echo Mains > AC/type && echo 1 > AC/online && \
        echo Battery > BAT0/type && echo Charging > BAT0/status";
    let work = Work::with_card("battery");
    let plain = "copy card --to a --copies 1 --name ONE";
    let Some(ran) = powered_by(&work, UNPLUGGED, plain) else {
        return skip("another /sys/class/power_supply needs root and unshare");
    };
    ran.exits(0).says("This computer runs on battery");
    assert_eq!(ran.out.matches("battery").count(), 1, "{ran}");
    let told = powered_by(
        &work,
        UNPLUGGED,
        "copy card --to a --copies 1 --name TWO --json",
    )
    .unwrap();
    let notes: Vec<Value> = told
        .exits(0)
        .events()
        .iter()
        .filter(|e| e["event"] == "planned")
        .flat_map(|e| e["notes"].as_array().unwrap().clone())
        .collect();
    assert!(
        notes
            .iter()
            .any(|n| n.as_str().unwrap().contains("battery")),
        "{notes:?}"
    );
    for (power, arguments) in [
        (PLUGGED, "copy card --to a --copies 1 --name THREE"),
        ("true", "copy card --to a --copies 1 --name FOUR"),
        (UNPLUGGED, "copy card --to a --copies 1 --name FIVE --quiet"),
        (UNPLUGGED, "plan card --to a"),
    ] {
        let ran = powered_by(&work, power, arguments).unwrap();
        ran.exits(0).is_silent_of("battery");
    }
}
