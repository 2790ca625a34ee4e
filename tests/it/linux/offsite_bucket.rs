//! A place in a bucket, by a real server of the interface of S3 (`s3s-fs`), honest and lying: sent,
//! cut short, fetched, checked, listed, counted by `prove`, with the wrong key, and without a word
//! of the key anywhere. Whatever the server says: nothing is claimed that isn't so.

#![expect(
    clippy::disallowed_methods,
    reason = "the server's clock has to move between two changes"
)]

use crate::support::http::files_with;
use crate::support::program::{
    Card, Ran, Work, bytes_of, finish, flip, kill_after, names_in, peak, put, remove, tell, tree,
};
use crate::support::s3::{KEY, Lie, S3};
use crate::support::{at_once, sampled, whole_sweeps};
use std::time::Duration;

const STILL: &str = "DCIM/100KITES/KITE0001.JPG";
const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";
/// Of more than two parts.
const LONG: &str = "PRIVATE/CLIPS/C0002.MP4";

/// A card that was copied, with a clip that goes in parts, and the place `bay` at a server.
fn with_bucket(name: &str) -> Option<(Work, S3)> {
    let work = Work::with_card(name);
    let more = Card::new(&work.path("card")).file(LONG, 11_000_000, 8);
    drop(more);
    work.offload();
    work.folder("c");
    let s3 = S3::start(&work)?;
    Some((work, s3))
}

/// Nothing of it counts for `prove`, nor does `verify` call it intact.
fn counts_for_nothing(work: &Work, s3: &S3, when: &str) {
    let proven = s3.run(work, "prove card --on bay --copies 1");
    assert_ne!(proven.code, 0, "{when}: {proven}");
    let checked = s3.run(work, "verify bay/KITES");
    assert_ne!(checked.code, 0, "{when}: {checked}");
    assert!(!checked.out.contains("\nINTACT"), "{when}: {checked}");
}

/// All that is sent, by its path below the offload.
fn sent_files(work: &Work) -> Vec<String> {
    let root = work.path("a/KITES");
    let entries = walkdir::WalkDir::new(&root).into_iter().map(Result::unwrap);
    let files = entries.filter(|entry| entry.file_type().is_file());
    files
        .map(|entry| {
            entry
                .path()
                .strip_prefix(&root)
                .unwrap()
                .to_str()
                .unwrap()
                .to_owned()
        })
        .collect()
}

/// The server is honest again, and somebody has taken away what it spoilt, which nobody overwrites:
/// the same command goes on, and all is true.
fn goes_on(work: &Work, s3: &S3) {
    for path in sent_files(work) {
        let theirs = s3.object(&format!("KITES/{path}"));
        if theirs.is_file() && bytes_of(&theirs) != bytes_of(&work.path("a/KITES").join(&path)) {
            remove(&theirs);
        }
    }
    s3.run(work, "send a/KITES --to bay --proof fetched")
        .exits(0)
        .says("FETCHED.");
    s3.run(work, "verify bay/KITES").exits(0).says("INTACT");
    s3.run(work, "prove card --on bay --copies 1").exits(0);
    for (path, _) in tree(&work.path("card")) {
        let ours = work.path("card").join(&path);
        if ours.is_file() {
            let theirs = s3.object(&format!("KITES/{}", path.display()));
            assert!(bytes_of(&ours) == bytes_of(&theirs), "{}", path.display());
        }
    }
}

fn has_no_claim(ran: &Ran) {
    for claim in ["\nSENT.", "\nFETCHED.", "\nINTACT."] {
        assert!(!ran.out.contains(claim), "{ran}");
    }
    assert_eq!(ran.code, 1, "{ran}");
}

#[test]
fn a_bucket_gets_all_of_it_and_gives_it_back() {
    let Some((work, s3)) = with_bucket("offsite-s3") else {
        return;
    };
    s3.run(&work, "kit check bay").exits(0).says("bay works");
    assert!(!s3.object("").exists() || names_in(&s3.object("")).is_empty());
    s3.run(&work, "send a/KITES --to bay")
        .exits(0)
        .says("SENT.");
    s3.run(&work, "send --list bay")
        .exits(0)
        .says("KITES: SENT 20");
    counts_nothing_yet(&work, &s3);
    goes_on(&work, &s3);
    s3.run(&work, "send --list bay")
        .exits(0)
        .says("KITES: FETCHED 20");
    s3.run(&work, "fetch bay/KITES --to c")
        .exits(0)
        .says("FETCHED.");
    assert_eq!(tree(&work.path("c/KITES")), tree(&work.path("card")));
    work.run("verify c/KITES").exits(0).says("INTACT");
    // Replaced by the same bytes, gone, rotten.
    let still = s3.object(&format!("KITES/{STILL}"));
    let bytes = bytes_of(&still);
    std::thread::sleep(Duration::from_millis(1_100));
    put(&still, &bytes);
    s3.run(&work, "prove card --on bay --copies 1")
        .exits(1)
        .says(STILL);
    flip(&still, 9);
    s3.run(&work, "verify bay/KITES")
        .exits(1)
        .says(STILL)
        .says("NOT INTACT");
    s3.run(&work, "send a/KITES --to bay")
        .exits(1)
        .says("it was not touched");
    remove(&still);
    s3.run(&work, "prove card --on bay --copies 1")
        .exits(1)
        .says("not there any more");
    goes_on(&work, &s3);
}

fn counts_nothing_yet(work: &Work, s3: &S3) {
    s3.run(work, "prove card --on bay --copies 1")
        .exits(1)
        .says("never checked in this place");
}

/// Whatever has its name at the place is whole.
fn nothing_is_half_there(work: &Work, s3: &S3) {
    for path in sent_files(work) {
        let theirs = s3.object(&format!("KITES/{path}"));
        if theirs.is_file() {
            let ours = bytes_of(&work.path("a/KITES").join(&path));
            assert!(ours == bytes_of(&theirs), "{path}");
        }
    }
}

#[test]
fn a_bucket_goes_on_after_kills_and_has_nothing_half() {
    let points = sampled((0..50).map(|n| n * 64).collect(), 3);
    at_once(points, |ms| {
        let Some((work, s3)) = with_bucket(&format!("offsite-s3-kill-{ms}")) else {
            return;
        };
        let mut slow = s3.command(&work, "send a/KITES --to bay --limit 5MB/s");
        let (ended, _) = kill_after(&mut slow, Duration::from_millis(ms));
        nothing_is_half_there(&work, &s3);
        if ended.is_none() {
            let list = s3.run(&work, "send --list bay");
            let list = list.exits(0);
            if list.out.contains("not all there") {
                list.says("Parts of files that were cut short may be in the bucket");
            }
            counts_for_nothing(&work, &s3, "killed");
        }
        goes_on(&work, &s3);
    });
}

#[test]
fn a_wrong_key_is_said_and_the_right_one_is_nowhere() {
    let Some((work, s3)) = with_bucket("offsite-s3-key") else {
        return;
    };
    let mut said = String::new();
    for line in [
        "kit check bay",
        "kit list",
        "send a/KITES --to bay --proof fetched --verbose",
        "send a/KITES --to bay --json",
        "send --list bay --json",
        "verify bay/KITES --verbose",
        "prove card --on bay --copies 1 --verbose",
        "fetch bay/KITES --to c --json",
    ] {
        let mut command = s3.command(&work, line);
        let ran = finish(command.env("UNLADE_LOG", "trace"));
        ran.exits(0);
        said.push_str(&ran.words());
    }
    for (id, key) in [("KITE0001", "another-string"), ("KITE0002", KEY)] {
        let mut wrong = s3.command(&work, "send b/KITES --to bay --proof fetched");
        wrong
            .env("AWS_ACCESS_KEY_ID", id)
            .env("AWS_SECRET_ACCESS_KEY", key);
        let ran = finish(&mut wrong);
        ran.exits(1)
            .says("Look at the key")
            .is_silent_of("FETCHED.");
        said.push_str(&ran.words());
        let mut wrong = s3.command(&work, "prove card --on bay --copies 1");
        wrong
            .env("AWS_ACCESS_KEY_ID", id)
            .env("AWS_SECRET_ACCESS_KEY", key);
        let ran = finish(&mut wrong);
        assert_ne!(ran.code, 0, "{ran}");
        said.push_str(&ran.words());
    }
    // Without any key.
    let none = work.run("send a/KITES --to bay");
    assert_ne!(none.code, 0, "{none}");
    none.says("Look at the key");
    assert!(!said.contains(KEY), "{said}");
    assert!(!said.contains("another-string"), "{said}");
    let found = files_with(&work.path("."), KEY.as_bytes());
    assert!(found.is_empty(), "{found:?}");
}

#[test]
fn a_server_that_lies_is_never_believed() {
    let lies = [
        (
            Lie::FlipGet,
            STILL,
            "came back from the place otherwise than it was sent",
        ),
        (
            Lie::FlipGet,
            LONG,
            "came back from the place otherwise than it was sent",
        ),
        (Lie::CutGet, CLIP, "read it back"),
        (Lie::ShortGet, CLIP, "C0001.MP4"),
        (Lie::DropPart, LONG, "C0002.MP4"),
        (Lie::ForgetPart, LONG, "bytes came, not"),
        (Lie::Lose, STILL, "the place accepted it, and hasn't got it"),
        (Lie::Lose, LONG, "the place accepted it, and hasn't got it"),
        (
            Lie::Lose,
            "_unlade/manifest.json",
            "the place accepted it, and hasn't got it",
        ),
        (
            Lie::OtherCase,
            STILL,
            "the place accepted it, and hasn't got it",
        ),
        (
            Lie::OldVersion,
            STILL,
            "came back from the place otherwise than it was sent",
        ),
    ];
    // What ends a connection again and again is asked for again and again, for a minute each.
    let is_slow = |lie: &Lie| matches!(lie, Lie::CutGet | Lie::ShortGet);
    let lies = lies
        .into_iter()
        .filter(|(lie, ..)| whole_sweeps() || !is_slow(lie));
    at_once(lies.enumerate(), |(n, (lie, about, said))| {
        let Some((work, s3)) = with_bucket(&format!("offsite-lie-{n}")) else {
            return;
        };
        s3.lies(lie, about, u64::MAX);
        let ran = s3.run(&work, "send a/KITES --to bay --proof fetched");
        has_no_claim(&ran);
        ran.says(said);
        counts_for_nothing(&work, &s3, &format!("{lie:?} {about}"));
        assert!(s3.is_honest() > 0, "{lie:?} was not told");
        goes_on(&work, &s3);
        // The same of what was good before: reading sees it, and what was seen is remembered.
        if matches!(
            lie,
            Lie::FlipGet | Lie::CutGet | Lie::ShortGet | Lie::OldVersion
        ) {
            s3.lies(lie, about, u64::MAX);
            has_no_claim(&s3.run(&work, "verify bay/KITES"));
            has_no_claim(&s3.run(&work, "fetch bay/KITES --to c"));
            assert!(!work.path("c/KITES/_unlade/manifest.json").exists());
            s3.is_honest();
            let proven = s3.run(&work, "prove card --on bay --copies 1");
            assert_eq!(proven.code, 1, "{lie:?} {about}: {proven}");
            goes_on(&work, &s3);
        }
    });
}

/// Once, it can be overcome; for ever, it ends, and is said.
#[test]
fn a_server_that_is_busy_or_hangs_up_is_asked_again_and_not_for_ever() {
    let Some((work, s3)) = with_bucket("offsite-busy") else {
        return;
    };
    s3.lies(Lie::Busy, "", 3);
    s3.run(&work, "send a/KITES --to bay")
        .exits(0)
        .says("The place was busy or away, and was asked again");
    let Some((work, s3)) = with_bucket("offsite-hangs-up") else {
        return;
    };
    s3.lies(Lie::HangUp, LONG, 2);
    s3.run(&work, "send a/KITES --to bay")
        .exits(0)
        .says("SENT.");
    let Some((work, s3)) = with_bucket("offsite-busy-for-ever") else {
        return;
    };
    s3.lies(Lie::Busy, STILL, u64::MAX);
    let ran = s3.run(&work, "send a/KITES --to bay");
    has_no_claim(&ran);
    ran.says("Look at the network");
    let asked = s3.is_honest();
    assert!((5..=60).contains(&asked), "{asked} times");
    assert!(s3.requests() < 200);
    goes_on(&work, &s3);
}

/// To a folder 2 GB where the sweeps run whole. Elsewhere, and to the server, which is not
/// optimised and takes its time, 200 MB: many times what it may take.
#[test]
fn a_large_file_goes_and_comes_within_64_mb() {
    let long = if whole_sweeps() {
        2_000_000_000
    } else {
        200_000_000
    };
    for (place, bytes) in [("bay", 200_000_000), ("nas", long)] {
        let work = Work::new(&format!("offsite-large-{place}"));
        work.folder("card/DCIM");
        let clip = std::fs::File::create_new(work.path("card/DCIM/KITE.MOV")).unwrap();
        clip.set_len(bytes).unwrap();
        work.folder("a");
        work.folder("c");
        work.run("copy card --to a --copies 1 --name KITES")
            .exits(0);
        let Some(s3) = S3::start(&work) else {
            return;
        };
        let folder = work.folder("place");
        work.run(&format!(
            "kit add place nas --url file://{}",
            folder.display()
        ))
        .exits(0);
        let (idle, _) = peak(&s3.command(&work, "kit list"));
        let mut peaks = Vec::new();
        for line in [
            format!("send a/KITES --to {place} --proof fetched"),
            format!("fetch {place}/KITES --to c"),
        ] {
            let (peak, said) = peak(&s3.command(&work, &line));
            assert!(said.contains("FETCHED."), "{said}");
            peaks.push((line, (peak - idle) / 1_000));
        }
        tell(&format!("{bytes} bytes; MB above {idle} kB: {peaks:?}"));
        assert!(peaks.iter().all(|(_, mb)| *mb < 64), "{peaks:?}");
    }
}
