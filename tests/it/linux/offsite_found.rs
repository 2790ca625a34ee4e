//! What was once said wrongly of places elsewhere: records that nobody compared, files that can't
//! be read there, one place under two addresses, full and read-only places, earlier times, links,
//! the sorts of problems, part files, and commands for a secret that don't end.

#![expect(
    clippy::disallowed_methods,
    reason = "the clock has to move between two commands"
)]

use crate::support::image::Image;
use crate::support::mount::{Fault, Kind, Mount, Options, skip};
use crate::support::program::{
    Work, bytes_of, flip, interrupt_after, kill_after, move_to, names_in, put, remove, tree,
    whole_tree,
};
use serde_json::Value;
use std::time::Duration;

const STILL: &str = "DCIM/100KITES/KITE0001.JPG";
const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";

/// A card that was copied, and a place `nas` in the folder `place`.
fn with_place(name: &str) -> Work {
    let work = Work::with_card(name);
    work.offload();
    work.folder("c");
    let add = format!(
        "kit add place nas --url file://{}",
        work.folder("place").display()
    );
    work.run(&add).exits(0);
    work
}

fn sent(name: &str) -> Work {
    let work = with_place(name);
    work.run("send a/KITES --to nas --proof fetched").exits(0);
    work
}

/// Takes the receipts away, as whoever changes a record at a place would do.
fn without_receipts(work: &Work) {
    let records = work.path("place/KITES/_unlade");
    for name in names_in(&records) {
        if name.starts_with("place-") {
            remove(&records.join(name));
        }
    }
}

#[test]
fn a_record_that_is_fetched_is_held_to_the_manifest_or_said_not_to_be() {
    // With a receipt that speaks for it, and without one.
    for has_receipt in [true, false] {
        let work = sent(&format!("offsite-record-{has_receipt}"));
        let list = work.path("place/KITES/_unlade/checksums.b3");
        flip(&list, 3);
        if has_receipt {
            // Whoever changes the list can change the receipt.
            let records = work.path("place/KITES/_unlade");
            let names = names_in(&records);
            let receipt = names
                .iter()
                .find(|name| name.starts_with("place-"))
                .unwrap();
            let receipt = records.join(receipt);
            let was = blake3::hash(&bytes_of(&work.path("a/KITES/_unlade/checksums.b3")));
            let is = blake3::hash(&bytes_of(&list));
            let text = String::from_utf8(bytes_of(&receipt)).unwrap();
            let (was, is) = (was.to_string(), is.to_string());
            assert!(text.contains(&was));
            put(&receipt, text.replace(&was, &is).as_bytes());
        } else {
            without_receipts(&work);
        }
        work.run("fetch nas/KITES --to c")
            .exits(1)
            .says("_unlade/checksums.b3 came back from the place otherwise")
            .says("NOT FETCHED");
        assert!(!work.path("c/KITES/_unlade/checksums.b3").exists());
        assert!(!work.path("c/KITES/_unlade/manifest.json").exists());
        work.run("verify nas/KITES").exits(1).says("checksums.b3");
    }
    // What nobody can say anything of is said to be that.
    let work = sent("offsite-record-page");
    without_receipts(&work);
    work.run("fetch nas/KITES --to c")
        .exits(0)
        .says("compared with nothing, since neither the manifest nor a receipt says what they")
        .says("`_unlade/report.html`")
        .says("1 record compared with nothing, see above");
    work.run("verify c/KITES").exits(0).says("INTACT");
    let work = sent("offsite-record-all");
    work.run("fetch nas/KITES --to c")
        .exits(0)
        .is_silent_of("compared with nothing");
}

/// The manifest says every word of them.
#[test]
fn lists_that_a_place_has_lost_are_made_anew() {
    let work = sent("offsite-lost-lists");
    for name in ["checksums.b3", "manifest.json.b3"] {
        remove(&work.path("place/KITES/_unlade").join(name));
    }
    for again in [false, true] {
        let ran = work.run("fetch nas/KITES --to c");
        ran.exits(0).says("FETCHED.");
        if !again {
            ran.says("Not at the place any more, and made anew from the manifest")
                .says("`_unlade/checksums.b3` and `_unlade/manifest.json.b3`");
        }
        work.run("verify c/KITES").exits(0).says("INTACT");
    }
}

/// The kind of what is wrong, by `verify` with --json.
fn kind(work: &Work) -> Value {
    let ran = work.run("verify nas/KITES --json");
    ran.exits(1).first("problem")["kind"].clone()
}

#[test]
fn a_file_that_could_not_be_read_there_does_not_count() {
    if skip() {
        return;
    }
    let faults = [
        Kind::ReadError {
            off: 1_000_000,
            len: 1,
            errno: rustix::io::Errno::IO.raw_os_error(),
        },
        Kind::EarlyEof { off: 1_000_000 },
    ];
    for (n, fault) in faults.into_iter().enumerate() {
        let work = with_place(&format!("offsite-unread-{n}"));
        let (backing, at) = (work.folder("backing"), work.path("place"));
        let mounted = |faults| {
            let options = Options {
                faults,
                ..Options::default()
            };
            Mount::new(&backing, &at, options).unwrap()
        };
        let bad = || vec![Fault::new(fault).path(&format!("KITES/{CLIP}"))];
        let good = mounted(Vec::new());
        work.run("send a/KITES --to nas --proof fetched").exits(0);
        work.run("prove card --on nas --copies 1").exits(0);
        drop(good);
        for by in ["verify nas/KITES", "fetch nas/KITES --to c"] {
            let broken = mounted(bad());
            work.run(by).exits(1).says(CLIP);
            assert_eq!(kind(&work), "unreadable");
            drop(broken);
            let good = mounted(Vec::new());
            work.run("prove card --on nas --copies 1")
                .exits(1)
                .says(CLIP)
                .says("a check could not read it");
            work.run("verify nas/KITES").exits(0);
            work.run("prove card --on nas --copies 1").exits(0);
            drop(good);
        }
    }
}

#[test]
fn one_place_under_two_addresses_is_one() {
    let work = sent("offsite-one");
    std::os::unix::fs::symlink(work.path("place"), work.path("link")).unwrap();
    let link = format!("file://{}/", work.path("link").display());
    let plain = format!("file://{}", work.path("place").display());
    // What was read back through one counts through the other, and what is damaged too.
    work.run(&format!("kit add place other --url {link}"))
        .exits(0);
    for on in ["nas", "other"] {
        work.run(&format!("prove card --on {on} --copies 1"))
            .exits(0);
    }
    let clip = work.path("place/KITES").join(CLIP);
    let date = clip.metadata().unwrap().modified().unwrap();
    flip(&clip, 1_000);
    let file = std::fs::File::options().write(true).open(&clip).unwrap();
    file.set_modified(date).unwrap();
    drop(file);
    work.run(&format!("verify {link}KITES")).exits(1).says(CLIP);
    for on in ["nas", "other"] {
        work.run(&format!("prove card --on {on} --copies 1"))
            .exits(1)
            .says("a check found it damaged");
    }
    work.run(&format!("send a/KITES --to {plain}"))
        .exits(1)
        .says(CLIP);
}

#[test]
fn a_full_or_read_only_place_is_said_to_be_that() {
    let work = with_place("offsite-full");
    let small = work.folder("small");
    let Some(image) = Image::ext4(&work.path("small.img"), &small, 2, "rw") else {
        return;
    };
    let to = format!("file://{}", small.display());
    work.run(&format!("send a/KITES --to {to}"))
        .exits(1)
        .says("Make room there")
        .says("NOT SENT")
        .is_silent_of("network");
    drop(image);
    let file = work.path("small.img");
    let at = [file.to_str().unwrap(), small.to_str().unwrap()];
    let mounted = std::process::Command::new("mount")
        .args(["-o", "loop,ro"])
        .args(at)
        .status();
    assert!(mounted.unwrap().success());
    let ran = work.run(&format!("send a/KITES --to {to}"));
    assert!(
        std::process::Command::new("umount")
            .arg(&small)
            .status()
            .unwrap()
            .success()
    );
    ran.exits(1)
        .says("mounted so that it can be written to")
        .is_silent_of("network");
}

#[test]
fn what_was_read_back_earlier_is_said_with_its_date() {
    let work = sent("offsite-earlier");
    std::thread::sleep(Duration::from_millis(1_100));
    work.run("send a/KITES --to nas --proof fetched")
        .exits(0)
        .says("were equal, the first on 20")
        .says("To read them back now: unlade verify nas/KITES");
    let sent = work.run("send a/KITES --to nas --proof fetched --json");
    assert!(sent.exits(0).first("sent")["fetched_since"].is_string());
    work.run("prove card --on nas --copies 1")
        .exits(0)
        .says("as then (the first on 20");
    let records = work.path("place/KITES/_unlade");
    let names = names_in(&records);
    let receipt = names
        .iter()
        .find(|name| name.starts_with("place-"))
        .unwrap();
    let receipt: Value = serde_json::from_slice(&bytes_of(&records.join(receipt))).unwrap();
    let files = receipt["files"].as_array().unwrap();
    assert!(
        files.iter().all(|file| file["read"].is_string()),
        "{receipt}"
    );
}

#[test]
fn nothing_is_sent_through_a_link_at_a_place() {
    let work = with_place("offsite-through");
    work.folder("place/KITES");
    work.folder("elsewhere");
    std::os::unix::fs::symlink(work.path("elsewhere"), work.path("place/KITES/DCIM")).unwrap();
    work.run("send a/KITES --to nas --proof fetched")
        .exits(1)
        .says("would be behind a link at the place")
        .says("NOT SENT");
    assert_eq!(names_in(&work.path("elsewhere")), [""; 0]);
    remove(&work.path("place/KITES/DCIM"));
    work.run("send a/KITES --to nas --proof fetched").exits(0);
    // One that comes to be later.
    let inside = work.path("place/KITES/PRIVATE");
    std::fs::rename(&inside, work.path("elsewhere/PRIVATE")).unwrap();
    std::os::unix::fs::symlink(work.path("elsewhere/PRIVATE"), &inside).unwrap();
    work.run("send a/KITES --to nas --proof fetched")
        .exits(1)
        .says(CLIP)
        .says("behind a link");
    work.run("prove card --on nas --copies 1")
        .exits(1)
        .says("it is a link");
}

#[test]
fn programs_hear_of_which_sort_a_problem_is() {
    let work = sent("offsite-sorts");
    let still = work.path("place/KITES").join(STILL);
    flip(&still, 9);
    assert_eq!(kind(&work), "changed");
    remove(&still);
    assert_eq!(kind(&work), "missing");
}

#[test]
fn part_files_at_a_place_are_listed() {
    let work = with_place("offsite-parts");
    let mut command = work.command();
    command.args("send a/KITES --to nas --limit 400kB/s".split(' '));
    kill_after(&mut command, Duration::from_millis(5_500));
    let has_part = walkdir::WalkDir::new(work.path("place"))
        .into_iter()
        .any(|entry| {
            entry
                .unwrap()
                .file_name()
                .to_string_lossy()
                .ends_with(".unlade-part")
        });
    assert!(has_part);
    work.run("send --list nas")
        .exits(0)
        .says("KITES: not all there")
        .says("1 part file with")
        .says("PRIVATE/CLIPS/.")
        .says("can be removed by hand");
    let list = work.run("send --list nas --json");
    let list = list.exits(0).first("place-listed");
    let parts = list["offloads"][0]["parts"].as_array().unwrap();
    assert!(parts[0]["bytes"].is_u64(), "{list}");
    work.run("send a/KITES --to nas").exits(0);
    work.run("send --list nas")
        .exits(0)
        .is_silent_of("part file");
}

#[test]
fn a_command_for_a_secret_is_ended_with_the_program() {
    let work = with_place("offsite-endless");
    work.run_with([
        "kit",
        "add",
        "place",
        "bay",
        "--url",
        "s3://kites/a",
        "--region",
        "auto",
        "--endpoint",
        "http://127.0.0.1:9",
        "--secret-command",
        "sleep 4721 & sleep 4722",
    ])
    .exits(0);
    let mut command = work.command();
    command.args("send a/KITES --to bay".split(' '));
    let (ran, ending) = interrupt_after(&mut command, Duration::from_millis(500));
    ran.exits(130).says("its command was interrupted");
    assert!(ending < Duration::from_secs(3), "{ending:?}");
    let running = std::process::Command::new("ps")
        .args(["-eo", "args"])
        .output()
        .unwrap();
    let running = String::from_utf8_lossy(&running.stdout).into_owned();
    assert!(
        !running.lines().any(|line| line.starts_with("sleep 472")),
        "{running}"
    );
}

/// An offload that has more than when it was sent: nothing at the place is touched, nothing comes
/// beside what is there, and under a name of its own all of it can be sent, and counts.
#[test]
fn what_has_more_than_when_it_was_sent_goes_beside_it() {
    let work = sent("found-grown");
    put(&work.path("card/DCIM/100KITES/KITE0009.JPG"), b"late kite");
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0);
    let before = whole_tree(&work.path("place"));
    work.run("send a/KITES --to nas")
        .exits(1)
        .says("of this one before it had more")
        .says("--as NAME");
    assert_eq!(whole_tree(&work.path("place")), before);
    work.run("send a/KITES --to nas --as ../KITES").exits(2);
    work.run("send a/KITES a/KITES --to nas --as KITES-2")
        .exits(2);
    work.run("send a/KITES --to nas --as KITES-2 --proof fetched")
        .exits(0)
        .says("FETCHED. KITES-2 is at nas");
    work.run("verify nas/KITES-2").exits(0).says("INTACT");
    work.run("prove card --on nas --copies 1").exits(0);
    // A copy of that, made by hand, was read by nobody.
    move_to(&work.path("place/KITES-2"), &work.path("place/KITES-3"));
    work.run("prove card --on nas --copies 1").exits(1);
    work.run("fetch nas/KITES-3 --to b").exits(0);
    assert_eq!(tree(&work.path("b/KITES-3")), tree(&work.path("card")));
}
