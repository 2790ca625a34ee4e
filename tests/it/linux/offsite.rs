//! Copies elsewhere: sent to a folder and to a real server of OpenSSH, cut short and gone on with,
//! beside drives that rot, files that are gone or replaced there, and secrets that nobody may see.

use crate::support::program::Work;

#[cfg(not(feature = "offsite"))]
#[test]
fn a_build_without_places_says_how_to_get_them() {
    let work = Work::with_card("offsite-absent");
    let absent = "this unlade was built without places elsewhere. To have them: cargo install \
        --path . --locked --features offsite";
    work.run("kit add place nas --url file:///srv/kites")
        .exits(0);
    for line in [
        "send a/KITES --to nas",
        "send --list nas",
        "fetch nas/KITES --to a",
        "verify nas/KITES",
        "verify s3://kites/KITES",
        "kit check nas",
        "copy card --to a --copies 1 --then nas",
    ] {
        work.run(line).exits(3).says(absent);
    }
    work.run("kit check").exits(0).says("1 place");
    // What is usual stops no copy.
    let kit = work.path("home/.local/share/unlade/kit.toml");
    let mut text = crate::support::program::bytes_of(&kit);
    text.extend(b"\n[usual]\nthen = [\"nas\"]\n");
    crate::support::program::put(&kit, &text);
    work.run("copy card --to a --copies 1 --name KITES")
        .exits(0)
        .says("Nothing is sent to nas: this unlade was built without")
        .says("PROVEN");
    let ran = work.run("copy card --to b --copies 1 --name KITES --json");
    assert_eq!(ran.exits(0).first("not-sent")["place"], "nas");
    work.run("--version").says("offsite");
}

#[cfg(feature = "offsite")]
#[expect(
    clippy::disallowed_methods,
    reason = "the place's clock has to move between two changes"
)]
mod with_places {
    use super::*;
    use crate::support::program::{
        bytes_of, finish, flip, interrupt_after, kill_after, names_in, put, remove, tree,
    };
    use crate::support::sshd::Sshd;
    use crate::support::{at_once, sampled, whole_sweeps};
    use serde_json::Value;
    use std::io::{Read as _, Write as _};
    use std::net::TcpListener;
    use std::path::Path;
    use std::time::Duration;

    const STILL: &str = "DCIM/100KITES/KITE0001.JPG";
    const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";

    /// A card that was copied, and a place called `nas` in the folder `place`.
    fn with_place(name: &str) -> Work {
        let work = Work::with_card(name);
        work.offload();
        let place = work.folder("place");
        let add = format!("kit add place nas --url file://{}", place.display());
        work.run(&add).exits(0);
        work
    }

    fn receipts(offload: &Path) -> Vec<Value> {
        let folder = offload.join("_unlade");
        let names = names_in(&folder).into_iter();
        let names = names.filter(|name| name.starts_with("place-"));
        names
            .map(|name| serde_json::from_slice(&bytes_of(&folder.join(name))).unwrap())
            .collect()
    }

    /// Everything at the place is what the drive has, and `verify`, which knows nothing of places,
    /// says so.
    fn is_whole(work: &Work, at: &str) {
        assert_eq!(tree(&work.path(at)), tree(&work.path("card")));
        work.run(&format!("verify {at}")).exits(0).says("INTACT");
    }

    #[test]
    fn what_is_sent_is_there_once_and_is_proven_by_being_read_back() {
        let work = with_place("offsite-sent");
        work.run("send a/KITES --to nas")
            .exits(0)
            .says("SENT. nas has accepted all 11 files of KITES. Nobody has read them back yet")
            .is_silent_of("FETCHED");
        is_whole(&work, "place/KITES");
        let first = receipts(&work.path("place/KITES"));
        assert_eq!(first.len(), 1);
        assert_eq!(first[0]["grade"], "sent");
        let files = first[0]["files"].as_array().unwrap();
        assert_eq!(files.len(), 11, "{files:?}");
        // Again: nothing is sent twice, and no further receipt says the same.
        let again = work.run("send a/KITES --to nas --json");
        let sent = again.exits(0).first("sent");
        assert_eq!((&sent["sent"], &sent["before"]), (&0.into(), &11.into()));
        assert_eq!(sent["receipt"], Value::Null);
        // The other drive's copy is the same offload.
        let other = work.run("send b/KITES --to nas --proof fetched --json");
        let sent = other.exits(0).first("sent");
        assert_eq!((&sent["sent"], &sent["fetched"]), (&0.into(), &11.into()));
        let all = receipts(&work.path("place/KITES"));
        assert_eq!(all.len(), 2, "the old one stays");
        assert!(all.iter().any(|receipt| receipt["grade"] == "fetched"));
        work.run("send a/KITES --to nas --proof fetched")
            .exits(0)
            .says("FETCHED. KITES is at nas: all 11 files were read back from there");
        is_whole(&work, "place/KITES");
    }

    #[test]
    fn a_drive_that_rotted_sends_nothing_wrong_and_the_other_drive_goes_on() {
        let work = with_place("offsite-rot");
        flip(&work.path("a/KITES").join(CLIP), 2_000_000);
        work.run("send a/KITES --to nas")
            .exits(1)
            .says(CLIP)
            .says("on the drive is not what the manifest says; it was not sent. Check that drive")
            .says("NOT SENT. 9 of 11 files");
        let there = work.path("place/KITES");
        assert!(!there.join(CLIP).exists() && !there.join("_unlade/manifest.json").exists());
        assert!(
            receipts(&there).is_empty(),
            "nothing says that it is all there"
        );
        let sent = work.run("send b/KITES --to nas --json");
        assert_eq!(sent.exits(0).first("sent")["sent"], 2);
        is_whole(&work, "place/KITES");
        // A manifest that was changed is believed in nothing.
        let manifest = work.path("a/KITES/_unlade/manifest.json");
        flip(&manifest, 40);
        work.run("send a/KITES --to nas")
            .exits(3)
            .says("its manifest can't be relied on");
    }

    #[test]
    fn nothing_at_the_place_is_overwritten_and_what_is_the_same_counts() {
        let work = with_place("offsite-taken");
        let there = work.folder("place/KITES/DCIM/100KITES");
        put(&there.join("KITE0001.JPG"), &vec![7; 40_000]);
        put(
            &there.join("KITE0002.JPG"),
            &bytes_of(&work.path("a/KITES/DCIM/100KITES/KITE0002.JPG")),
        );
        work.run("send a/KITES --to nas")
            .exits(1)
            .says(STILL)
            .says("at the place is another file of that name; it was not touched");
        assert_eq!(bytes_of(&there.join("KITE0001.JPG")), vec![7; 40_000]);
        remove(&there.join("KITE0001.JPG"));
        work.run("send a/KITES --to nas").exits(0);
        is_whole(&work, "place/KITES");
    }

    #[test]
    fn what_is_gone_or_replaced_there_is_seen() {
        let work = with_place("offsite-gone");
        work.run("send a/KITES --to nas --proof fetched").exits(0);
        remove(&work.path("place/KITES").join(STILL));
        work.run("send a/KITES --to nas")
            .exits(0)
            .says("1 file of an earlier command were gone from the place, and were sent anew");
        // Of the same size; the place's own clock tells.
        let clip = work.path("place/KITES").join(CLIP);
        let mut bytes = bytes_of(&clip);
        bytes[1_000] ^= 1;
        std::thread::sleep(Duration::from_millis(20));
        put(&clip, &bytes);
        work.run("send a/KITES --to nas")
            .exits(1)
            .says(CLIP)
            .says("at the place is another file of that name; it was not touched");
        assert_eq!(bytes_of(&clip), bytes);
        // What nobody can see without reading is found when it is read.
        let work = with_place("offsite-flip");
        work.run("send a/KITES --to nas").exits(0);
        flip(&work.path("place/KITES").join(CLIP), 1_000);
        work.run("send a/KITES --to nas --proof fetched")
            .exits(1)
            .says(CLIP)
            .says("came back from the place otherwise than it was sent")
            .is_silent_of("FETCHED. ");
    }

    #[test]
    fn a_folder_that_is_not_there_is_not_made() {
        let work = with_place("offsite-away");
        let away = work.path("place/away");
        work.run(&format!("send a/KITES --to file://{}", away.display()))
            .exits(3)
            .says("it is not there, and nothing is made in its place");
        assert!(!away.exists());
        work.run("send a/KITES --to studio")
            .exits(2)
            .says("there is no place `studio`");
        work.run("send a/KITES --to s3://kites:shh@bay/a")
            .exits(2)
            .says("holds a password, which no kit keeps");
    }

    #[test]
    fn a_place_is_tried_and_left_as_it_was() {
        let work = with_place("offsite-check");
        work.run("kit check nas")
            .exits(0)
            .says("nas works: 2 MB were written, read back, compared, listed and removed.")
            .is_silent_of("takes capitals");
        assert_eq!(names_in(&work.path("place")), [""; 0]);
        let json = work.run("kit check nas --json");
        let checked = json.exits(0).first("place-checked");
        assert_eq!(checked["best_grade"], "fetched");
        assert_eq!(
            (&checked["keeps_first"], &checked["folds_case"]),
            (&true.into(), &false.into())
        );
    }

    /// Whatever has its name at the place is whole, however the program ends.
    fn nothing_is_half_there(work: &Work) {
        let (ours, theirs) = (tree(&work.path("card")), tree(&work.path("place/KITES")));
        for (path, entry) in theirs {
            let is_part = path.to_string_lossy().ends_with(".unlade-part");
            assert!(
                is_part || ours.get(&path) == Some(&entry),
                "{}",
                path.display()
            );
        }
    }

    #[test]
    fn killed_at_any_moment_the_same_command_goes_on() {
        let points: Vec<u64> = (0..50).map(|n| n * 22).collect();
        let points = if whole_sweeps() {
            points
        } else {
            sampled(points, 4)
        };
        at_once(points, |ms| {
            let work = with_place("offsite-kill");
            work.folder("place/KITES");
            let mut command = work.command();
            command.args("send a/KITES --to nas --limit 3MB/s".split(' '));
            kill_after(&mut command, Duration::from_millis(ms));
            nothing_is_half_there(&work);
            let lines = |work: &Work| -> u64 {
                let folder = work.path("home/.local/share/unlade/places");
                let names = if folder.exists() {
                    names_in(&folder)
                } else {
                    Vec::new()
                };
                let text: String = names
                    .iter()
                    .map(|name| String::from_utf8(bytes_of(&folder.join(name))).unwrap())
                    .collect();
                text.matches("\"did\":\"sent\"").count().try_into().unwrap()
            };
            let remembered = lines(&work);
            let again = work.run("send a/KITES --to nas --json");
            let sent = again.exits(0).first("sent");
            let before = sent["before"].as_u64().unwrap();
            assert!(before >= remembered, "{before} of {remembered}: {sent}");
            is_whole(&work, "place/KITES");
            let names = names_in(&work.path("place/KITES/PRIVATE/CLIPS"));
            assert!(
                !names.iter().any(|name| name.ends_with("part")),
                "{names:?}"
            );
        });
    }

    #[test]
    fn ctrl_c_ends_it_at_once_and_says_how_to_go_on() {
        let work = with_place("offsite-ctrl-c");
        let mut command = work.command();
        command.args("send a/KITES --to nas --limit 1MB/s".split(' '));
        let (ran, ending) = interrupt_after(&mut command, Duration::from_millis(700));
        ran.exits(130).says("Run the same command to go on.");
        assert!(ending < Duration::from_secs(3), "{ending:?}");
        nothing_is_half_there(&work);
        work.run("send a/KITES --to nas").exits(0);
        is_whole(&work, "place/KITES");
    }

    #[test]
    fn a_server_of_openssh_gets_all_of_it_and_goes_on_where_it_was_cut() {
        let work = with_place("offsite-ssh");
        let Some(sshd) = Sshd::start(&work) else {
            return;
        };
        let place = work.folder("server");
        let add = format!(
            "kit add place server --url sftp://root@127.0.0.1:{}{}",
            sshd.port,
            place.display()
        );
        let run = |line: &str| finish(&mut sshd.command(&work, line));
        run(&add).exits(0);
        run("kit check server").exits(0).says("server works");
        assert_eq!(names_in(&place), [""; 0]);
        let mut slow = sshd.command(&work, "send a/KITES --to server --limit 1MB/s");
        kill_after(&mut slow, Duration::from_millis(2_500));
        let again = run("send a/KITES --to server --json");
        let sent = again.exits(0).first("sent");
        let total: u64 = tree(&work.path("a/KITES")).len().try_into().unwrap();
        assert!(
            sent["sent_bytes"].as_u64().unwrap() > 0 && total > 0,
            "{sent}"
        );
        is_whole(&work, "server/KITES");
        run("send a/KITES --to server --proof fetched")
            .exits(0)
            .says("FETCHED. KITES is at server");
        flip(&place.join("KITES").join(CLIP), 99);
        run(&format!(
            "kit add place away --url sftp://root@127.0.0.1:{}/nowhere/kites",
            sshd.port
        ))
        .exits(0);
        run("send a/KITES --to away")
            .exits(3)
            .says("nothing is made in its place");
        assert!(!Path::new("/nowhere").exists());
        sshd.forget();
        run("send a/KITES --to server")
            .exits(3)
            .says("Host key verification failed")
            .says("Look at the key");
    }

    /// A service that knows nobody, and quotes what it was given.
    fn refusing(secret: &'static str) -> u16 {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let mut stream = stream.unwrap();
                let mut head = [0; 4_096];
                drop(stream.read(&mut head));
                let body = format!(
                    "<Error><Code>InvalidAccessKeyId</Code><Message>nobody is called {secret}\
                     </Message><Resource>/</Resource><RequestId>1</RequestId></Error>"
                );
                let answer = format!(
                    "HTTP/1.1 403 Forbidden\r\nContent-Length: {}\r\nConnection: \
                     close\r\n\r\n{body}",
                    body.len()
                );
                drop(stream.write_all(answer.as_bytes()));
            }
        });
        port
    }

    #[test]
    fn a_secret_is_in_no_output_and_no_file() {
        const SECRET: &str = "kite-string-4711";
        let work = with_place("offsite-secret");
        let port = refusing(SECRET);
        put(
            &work.path("home/secret"),
            format!("KITE0001\n{SECRET}\n").as_bytes(),
        );
        let file = work.path("home/secret");
        work.run_with([
            "kit",
            "add",
            "place",
            "bay",
            "--url",
            "s3://kites/2026",
            "--endpoint",
            &format!("http://127.0.0.1:{port}"),
            "--region",
            "auto",
            "--secret-command",
            &format!("cat {}", file.display()),
        ])
        .exits(0);
        for line in [
            "kit list",
            "kit list --json",
            "kit check bay",
            "kit check bay --json",
            "send a/KITES --to bay",
            "send a/KITES --to bay --json",
            "send a/KITES --to bay --verbose",
        ] {
            let ran = work.run(line);
            assert!(!ran.words().contains(SECRET), "{ran}");
        }
        work.run("kit check bay")
            .exits(1)
            .says("InvalidAccessKeyId")
            .says("Look at the key");
        remove(&file);
        for entry in walkdir::WalkDir::new(work.path(".")) {
            let path = entry.unwrap().into_path();
            if path.is_file() {
                let bytes = bytes_of(&path);
                let found = bytes
                    .windows(SECRET.len())
                    .any(|part| part == SECRET.as_bytes());
                assert!(!found, "{}", path.display());
            }
        }
        let wrong = work.run("kit add place lake --url s3://k:s@kites/a");
        wrong.exits(3).says("holds a password");
    }
}
