//! A computer that withholds something: no further thread, no larger file, a pipe where a file
//! should be, dates that no calendar has. Told, never a hang, a crash or a word that is not so.

use crate::support::at_once;
use crate::support::program::{
    Card, Node, Ran, Work, finish, move_to, names_in, put, skip, tool, tree,
};
use rustix::fs::{AtFlags, CWD, FileType, Mode, Timespec, Timestamps};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;
use unlade::disk::Disk as _;
use unlade::disk::os::OsDisk;

/// What runs longer than this beside a pipe waits for it.
const HANGS_AFTER: Duration = Duration::from_secs(20);

fn pipe(at: &Path) {
    rustix::fs::mknodat(CWD, at, FileType::Fifo, Mode::from_raw_mode(0o600), 0).unwrap();
}

/// Runs the program beside a pipe.
#[track_caller]
fn ends(work: &Work, arguments: &str) -> Ran {
    let program = work.command();
    let mut command = Command::new("timeout");
    command
        .args(["-s", "KILL", &HANGS_AFTER.as_secs().to_string()])
        .arg(program.get_program())
        .args(arguments.split_whitespace())
        .env("HOME", work.path("home"))
        .env("UNLADE_HOME", work.path("home/unlade"))
        .current_dir(work.path("."));
    let ran = finish(&mut command);
    assert!(!matches!(ran.code, -1 | 137), "waits for a pipe: {ran}");
    assert!(ran.code != 101 && !ran.err.contains("panicked"), "{ran}");
    ran
}

/// A pipe waits for somebody at its other end; nobody is there.
#[test]
fn a_pipe_in_the_place_of_the_ledger_or_kit_is_told_and_not_waited_for() {
    let work = Work::with_card("pipe-home");
    work.offload();
    work.folder("home/unlade");
    pipe(&work.path("home/unlade/ledger.jsonl"));
    ends(&work, "copy card --to a --to b --name NEW --copies 1")
        .exits(0)
        .says("ledger.jsonl` could not be read: it is not a plain file")
        .says("Nothing could be entered in the ledger")
        .says("You may format");
    ends(&work, "prove card --on a --on b --copies 1").exits(0);
    ends(&work, "plan card --to a --copies 1").exits(0);
    ends(&work, "ledger").says("not a plain file");
    ends(&work, "report --shoot KITES").exits(3);
    pipe(&work.path("home/unlade/kit.toml"));
    ends(&work, "kit list").exits(3).says("not a plain file");
    ends(&work, "kit add card K1")
        .exits(3)
        .says("not a plain file");
    ends(&work, "copy card --to a --name OTHER --copies 1").says("not a plain file");
}

#[test]
fn a_pipe_in_the_place_of_anything_in_an_offload_is_told_and_not_waited_for() {
    let cases = [
        "_unlade/manifest.json",
        "_unlade/manifest.json.b3",
        "_unlade/manifest.json.sig",
        "_unlade/checksums.b3",
        "_unlade/journal.jsonl",
        "_unlade/report.html",
        "_unlade",
        "DCIM/100KITES/KITE0001.JPG",
        "DCIM/100KITES/.KITE0001.JPG.unlade-part",
        "DCIM",
        ".",
    ];
    at_once(cases, |taken| {
        let work = Work::with_card("pipe-records");
        let card = tree(&work.path("card"));
        work.run("copy card --to a --name KITES --copies 1")
            .exits(0);
        let at: PathBuf = work.path("a/KITES").join(taken).components().collect();
        if at.exists() {
            move_to(&at, &work.path("aside"));
        }
        pipe(&at);
        for arguments in [
            "verify a/KITES",
            "report a/KITES",
            "prove card --on a --copies 1 --by-content",
            "copy card --to a --name NEW --only-new --copies 1",
            "copy card --to a --name KITES --copies 1",
        ] {
            let ran = ends(&work, arguments);
            let claims = ran.out.contains("You may format");
            // Whatever it makes of the pipe: what it calls proven is there.
            let stands = |(path, node): (&PathBuf, &Node)| {
                ["a/KITES", "a/NEW"]
                    .iter()
                    .any(|at| tree(&work.path(at)).get(path) == Some(node))
            };
            assert!(!claims || card.iter().all(stands), "{taken}: {ran}");
        }
    });
}

/// A pipe that takes a file's place after all was looked at.
#[test]
fn no_call_of_the_seam_waits_for_a_pipe() {
    let work = Work::new("pipe-seam");
    pipe(&work.path("pipe"));
    let path = camino::Utf8PathBuf::from_path_buf(work.path("pipe")).unwrap();
    let (done, ended) = crossbeam_channel::unbounded();
    std::thread::spawn(move || {
        let disk = OsDisk::new();
        let all = [
            ("open_card", disk.open_card(&path).is_err()),
            ("open_read_back", disk.open_read_back(&path).is_err()),
            ("read_record", disk.read_record(&path, 100).is_err()),
            ("flush", disk.flush(&path).is_err()),
            ("open_journal", disk.open_journal(&path).is_err()),
            ("create_part", disk.create_part(&path, true).is_err()),
            ("create_part", disk.create_part(&path, false).is_err()),
            ("claim", disk.claim(&path).is_err()),
            ("facts", disk.facts(&path).is_err()),
            ("children", disk.children(&path).is_err()),
        ];
        done.send(all).unwrap();
    });
    let all = ended.recv_timeout(HANGS_AFTER).expect("a call waits");
    // A flush of a pipe says that there is nothing to flush, on some systems.
    let good = all
        .iter()
        .filter(|(call, is_refused)| !is_refused && *call != "flush");
    assert_eq!(good.count(), 0, "{all:?}");
}

/// A user of the test's own, so that a limit on threads counts nobody else's.
const USER: &str = "61234";

/// Runs the program where so many threads may be started, with files that are that user's.
fn with_threads(work: &Work, threads: u32, arguments: &str) -> Ran {
    let program = work.command();
    let limit = format!("--nproc={threads}:{threads}");
    let user = [format!("--reuid={USER}"), format!("--regid={USER}")];
    let mut command = Command::new("setpriv");
    command
        .args(user)
        .args(["--clear-groups", "prlimit", &limit])
        .arg(program.get_program())
        .args(arguments.split_whitespace())
        .env("HOME", work.path("home"))
        .current_dir(work.path("."));
    finish(&mut command)
}

/// `RLIMIT_NPROC`, setrlimit(2): threads count too, and it binds everybody but root.
#[test]
fn without_threads_it_copies_as_asked_or_refuses_and_leaves_nothing() {
    let has_tools = tool("setpriv").is_some() && tool("prlimit").is_some();
    if !rustix::process::geteuid().is_root() || !has_tools {
        return skip("a limit on threads needs root, setpriv and prlimit");
    }
    let work = Work::with_card("threads");
    // Larger than one buffer, so that hashing would take a thread.
    let card = Card::new(&work.path("card")).file("PRIVATE/CLIPS/C0002.MP4", 5_000_000, 9);
    drop(card);
    let owner = format!("{USER}:{USER}");
    finish(
        Command::new("chown")
            .args(["-R", &owner])
            .arg(work.path(".")),
    )
    .exits(0);
    if with_threads(&work, 100, "--version").code != 0 {
        return skip("the program can't be run by another user here");
    }
    let mut proven = 0;
    let mut refused = 0;
    for threads in (1..=40).step_by(3).chain([41, 42, 43]) {
        let ran = with_threads(
            &work,
            threads,
            "copy card --to a --to b --name KITES --copies 1",
        );
        assert!(!ran.err.contains("panicked"), "{threads}: {ran}");
        match ran.code {
            0 => {
                proven += 1;
                for drive in ["a/KITES", "b/KITES"] {
                    assert_eq!(tree(&work.path(drive)), tree(&work.path("card")));
                    move_to(
                        &work.path(drive),
                        &work.path(&format!("done-{threads}-{}", &drive[..1])),
                    );
                }
            }
            3 => {
                refused += 1;
                ran.says("Refused; nothing was written")
                    .says("no further thread")
                    .says("ulimit -u");
                for drive in ["a", "b"] {
                    assert_eq!(names_in(&work.path(drive)), [""; 0], "{threads}: {ran}");
                }
            }
            _ => panic!("{threads}: {ran}"),
        }
    }
    assert!(
        proven > 0 && refused > 1,
        "{proven} proven, {refused} refused"
    );
    work.run("copy card --to a --to b --name KITES --copies 1")
        .exits(0);
    for (arguments, answer) in [
        ("verify a/KITES b/KITES", "Both offloads are intact"),
        (
            "prove card --on a --on b --copies 1 --reread",
            "You may format",
        ),
        ("rate card --seconds 1", "MB/s"),
    ] {
        for threads in [1, 2, 3, 4] {
            let ran = with_threads(&work, threads, arguments);
            ran.exits(0).says(answer).is_silent_of("panicked");
        }
    }
}

/// `RLIMIT_NOFILE`, setrlimit(2): neither card nor drive is at fault, and nobody is sent to look at
/// a cable for it.
#[test]
fn a_limit_on_open_files_is_told_as_the_computers_own() {
    if tool("prlimit").is_none() {
        return skip("a limit on open files needs prlimit");
    }
    let work = Work::with_card("open-files");
    let card = tree(&work.path("card"));
    let (mut refused, mut failed, mut proven) = (0, 0, 0);
    for limit in (4..=40).step_by(2).chain([256]) {
        let program = work.command();
        let mut command = Command::new("prlimit");
        command
            .arg(format!("--nofile={limit}:{limit}"))
            .arg(program.get_program())
            .args("copy card --to a --to b --copies 1".split_whitespace())
            .args(["--name", &format!("KITES-{limit}")])
            .env("HOME", work.path("home"))
            .current_dir(work.path("."));
        let ran = finish(&mut command);
        let root = |drive: &str| work.path(&format!("{drive}/KITES-{limit}"));
        match ran.code {
            0 => {
                proven += 1;
                let roots = [root("a"), root("b")];
                let is_whole = roots.iter().any(|r| r.exists() && tree(r) == card);
                assert!(is_whole, "{limit}: {ran}");
                continue;
            }
            1 => failed += 1,
            3 => {
                refused += 1;
                let is_left = root("a").exists() || root("b").exists();
                assert!(!is_left, "{limit}: {ran}");
            }
            _ => panic!("{limit}: {ran}"),
        }
        ran.says("Too many open files")
            .says("raise the limit on open files")
            .is_silent_of("You may format")
            .is_silent_of("is gone")
            .is_silent_of("its cable")
            .is_silent_of("Check that");
    }
    let all = [refused, failed, proven];
    assert!(all.iter().all(|n| *n > 0), "{all:?}");
}

/// `RLIMIT_FSIZE`, setrlimit(2): such a write ends a program by SIGXFSZ unless that is ignored.
#[test]
fn a_limit_on_file_sizes_is_told_and_ends_nothing() {
    if tool("prlimit").is_none() {
        return skip("a limit on file sizes needs prlimit");
    }
    let work = Work::with_card("file-size");
    for limit in [100_u32, 45_000, 1_000_000] {
        let program = work.command();
        let mut command = Command::new("prlimit");
        command
            .arg(format!("--fsize={limit}:{limit}"))
            .arg(program.get_program())
            .args("copy card --to a --to b --copies 1 --name KITES".split_whitespace())
            .env("HOME", work.path("home"))
            .current_dir(work.path("."));
        let ran = finish(&mut command);
        assert!(matches!(ran.code, 1 | 3), "{ran}");
        ran.says("ulimit -f").is_silent_of("You may format");
    }
    // What it left is no obstacle.
    work.run("copy card --to a --to b --copies 1 --name KITES")
        .exits(0);
    assert_eq!(tree(&work.path("a/KITES")), tree(&work.path("card")));
}

/// Seconds of 64 bits, as some file systems keep them; `touch` sets what a clock that was never set
/// says.
#[test]
fn dates_that_no_calendar_has_end_nothing() {
    let memory = Path::new("/dev/shm");
    if !memory.is_dir() {
        return skip("dates of 64 bits need a file system that keeps them");
    }
    let work = Work::with_card("dates");
    // A card in memory keeps such dates; the drives clamp them.
    let card = Work::below(memory, "dates");
    let names = ["A.JPG", "B.JPG", "C.JPG", "D.JPG"];
    let mut kept = 0;
    for far in [
        i64::MIN,
        i64::MIN + 1,
        253_402_300_799,
        253_402_214_400,
        i64::MAX,
    ] {
        for (name, seconds) in names.into_iter().zip([far, far, far, 0]) {
            let path = card.folder("card/DCIM").join(name);
            put(&path, &[7; 3_000]);
            let time = Timespec {
                tv_sec: seconds,
                tv_nsec: 0,
            };
            let times = Timestamps {
                last_access: time,
                last_modification: time,
            };
            rustix::fs::utimensat(CWD, &path, &times, AtFlags::empty()).unwrap();
            let stat = rustix::fs::stat(&path).unwrap();
            kept += usize::from(stat.st_mtime == far);
        }
        let at = card.path("card");
        let at = at.display();
        for arguments in [
            format!("copy {at} --to a --to b --copies 1 --name FAR{far}"),
            format!("copy {at} --to a --to b --copies 1 --name FAR{far}"),
            format!("copy {at} --to a --copies 1 --only-new --name NEW{far}"),
            format!("prove {at} --on a --on b --copies 1"),
            format!("verify a/FAR{far}"),
            "report a/FAR --to page.html".to_owned(),
            "ledger".to_owned(),
        ] {
            let ran = work.run(&arguments);
            assert!(matches!(ran.code, 0 | 1 | 3), "{ran}");
            ran.is_silent_of("panicked").is_silent_of("fault of unlade");
        }
    }
    assert!(kept > 5, "the file system kept {kept} of these dates");
}

/// A sparse file has any length that it is given, and so many of them have more than can be
/// counted.
#[test]
fn a_card_that_claims_more_than_can_be_counted_is_refused() {
    let memory = Path::new("/dev/shm");
    if !memory.is_dir() {
        return skip("files of 8 EiB need a file system that has them");
    }
    let work = Work::with_card("claims");
    let card = Work::below(memory, "claims");
    card.folder("card");
    for name in ["1.MOV", "2.MOV", "3.MOV"] {
        let file = std::fs::File::create_new(card.path("card").join(name)).unwrap();
        file.set_len(u64::MAX >> 1).unwrap();
    }
    let at = card.path("card");
    let at = at.display();
    for arguments in [
        format!("copy {at} --to a --copies 1 --name HUGE"),
        format!("plan {at} --to a --to b"),
        format!("copy {at} card --to a --copies 1"),
        format!("prove {at} --on a"),
        format!("rate {at} --seconds 1"),
    ] {
        let ran = work.run(&arguments);
        ran.says("which no card holds").is_silent_of("panicked");
        assert!(matches!(ran.code, 1 | 3), "{ran}");
    }
    assert!(!work.path("a/HUGE").exists());
}

/// A second copy inside the first would be no file of its card, and `verify` would say so.
#[test]
fn a_destination_inside_the_offload_of_another_is_refused() {
    let work = Work::with_card("inside");
    work.folder("a/KITES/deep");
    for to in [
        "--to a --to a/KITES",
        "--to a/KITES --to a",
        "--to a --to a/KITES/deep",
    ] {
        work.run(&format!("copy card {to} --name KITES --copies 1"))
            .exits(3)
            .says("is inside the offload `KITES`");
    }
    assert_eq!(names_in(&work.path("a/KITES")), ["deep"]);
    work.run("copy card --to a --to a/KITES --name OTHER --copies 1")
        .exits(0);
    work.run("verify a/OTHER a/KITES/OTHER").exits(0);
}
