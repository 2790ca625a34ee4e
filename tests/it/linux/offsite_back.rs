//! Offloads at a place elsewhere, seen and brought back: the list, `fetch` beside damage, hostile
//! manifests, kills and full drives, and `verify PLACE/NAME` with its samples.

#![expect(
    clippy::disallowed_methods,
    reason = "a second command has to begin while the first is at work"
)]

use crate::support::image::Image;
use crate::support::program::{
    Work, bytes_of, finish, flip, interrupt_after, is_part, kill_after, names_in, put, remove,
    tell, tree,
};
use crate::support::sshd::Sshd;
use crate::support::{at_once, sampled, whole_sweeps};
use std::path::Path;
use std::time::Duration;

const STILL: &str = "DCIM/100KITES/KITE0001.JPG";
const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";

/// A card that was copied as this says and sent to the place `nas` in the folder `place`, and a
/// drive `c` that has nothing of it.
fn sent_as(name: &str, copy: &str) -> Work {
    let work = Work::with_card(name);
    work.run(&format!("copy card --to a --to b --copies 1 {copy}"))
        .exits(0);
    work.folder("c");
    let add = format!(
        "kit add place nas --url file://{}",
        work.folder("place").display()
    );
    work.run(&add).exits(0);
    work.run("send a/KITES --to nas").exits(0);
    work
}

fn sent(name: &str) -> Work {
    sent_as(name, "--name KITES")
}

/// What is in `c` is what the card has, and `verify`, which knows nothing of places, says so.
fn is_back(work: &Work) {
    assert_eq!(tree(&work.path("c/KITES")), tree(&work.path("card")));
    work.run("verify c/KITES").exits(0).says("INTACT");
}

/// Whatever has its name on the drive is whole.
fn nothing_is_half_there(work: &Work, at: &str) {
    let ours = tree(&work.path("card"));
    let root = work.path(at);
    if !root.exists() {
        return;
    }
    for (path, entry) in tree(&root) {
        assert!(
            is_part(&path) || ours.get(&path) == Some(&entry),
            "{}",
            path.display()
        );
    }
}

#[test]
fn a_place_is_listed_with_what_is_sure_of_each() {
    let work = sent("offsite-list");
    work.folder("place/lunch");
    work.run("send --list nas")
        .exits(0)
        .says("KITES: SENT 20")
        .says("11 files, 3.4 MB")
        .says("1 folder there with something else");
    work.run("send a/KITES --to nas --proof fetched").exits(0);
    work.run("send --list nas")
        .exits(0)
        .says("KITES: FETCHED 20");
    // Of another manifest, and stopped.
    work.run("copy card --to a --copies 1 --name BAY").exits(0);
    let mut command = work.command();
    command.args("send a/BAY --to nas --limit 400kB/s".split(' '));
    kill_after(&mut command, Duration::from_millis(1_500));
    let list = work.run("send --list nas --json");
    let list = list.exits(0).first("place-listed");
    let offloads = list["offloads"].as_array().unwrap();
    let states: Vec<_> = offloads.iter().map(|o| (&o["name"], &o["state"])).collect();
    assert_eq!(states.len(), 2, "{list}");
    assert_eq!(offloads[0]["state"], "unfinished", "{list}");
    assert_eq!(offloads[1]["grade"], "fetched", "{list}");
    work.run("send --list nas")
        .says("BAY: not all there")
        .says("send it again to go on");
    for wrong in [
        "send --list nas a/KITES",
        "send --list nas --to nas",
        "send --list",
    ] {
        work.run(wrong).exits(2);
    }
}

#[test]
fn an_offload_comes_back_whole_and_again_without_being_sent_twice() {
    for (n, copy) in [
        "--name KITES",
        "--name KITES --also sha256,xxh3 --layout bag",
        "--name KITES --mhl",
    ]
    .into_iter()
    .enumerate()
    {
        let work = sent_as(&format!("offsite-fetch-{n}"), copy);
        let first = work.run("fetch nas/KITES --to c --json");
        let done = first.exits(0).first("fetched");
        assert_eq!((&done["done"], &done["before"]), (&true.into(), &0.into()));
        if copy.contains("bag") {
            assert_eq!(tree(&work.path("c/KITES/data")), tree(&work.path("card")));
        }
        work.run("verify c/KITES").exits(0).says("INTACT");
        let again = work.run("fetch nas/KITES --to c --json");
        let again = again.exits(0).first("fetched");
        assert_eq!(again["fetched"], 0, "{again}");
        assert_eq!(again["before"], done["fetched"], "{again}");
    }
    // The dates are those of the card.
    let work = sent("offsite-dates");
    work.run("fetch nas/KITES --to c")
        .exits(0)
        .says("FETCHED. c/KITES is the offload again: 10 files read back from the drive");
    is_back(&work);
    let date = |at: &str| {
        work.path(at)
            .join(STILL)
            .metadata()
            .unwrap()
            .modified()
            .unwrap()
    };
    assert_eq!(date("c/KITES"), date("card"));
    // It was read back here by no copy: prove asks for it to be read.
    work.run("prove card --on c --copies 1").exits(1);
    work.run("prove card --on c --copies 1 --reread").exits(0);
}

#[test]
fn single_files_come_back_without_being_taken_for_an_offload() {
    let work = sent("offsite-only");
    work.run(&format!(
        "fetch nas/KITES --to c --only {STILL} --only PRIVATE/"
    ))
    .exits(0)
    .says("3 files in c/KITES")
    .says("Without the rest and the manifest this is no offload");
    assert!(!work.path("c/KITES/_unlade").exists());
    assert_eq!(
        bytes_of(&work.path("c/KITES").join(STILL)),
        bytes_of(&work.path("card").join(STILL))
    );
    work.run("fetch nas/KITES --to c --only DCIM/100 --only LUNCH.JPG")
        .exits(3)
        .says("DCIM/100 is not in the offload")
        .says("LUNCH.JPG is not in the offload");
    // The rest of it goes on from there.
    let rest = work.run("fetch nas/KITES --to c --json");
    assert_eq!(rest.exits(0).first("fetched")["before"], 3);
    is_back(&work);
}

#[test]
fn what_is_damaged_cut_or_gone_at_the_place_never_gets_its_name() {
    type Harm = fn(&Path);
    let harms: [(Harm, &str); 3] = [
        (
            |at| flip(at, 1_000),
            "came back from the place otherwise than it was sent",
        ),
        (
            |at| put(at, &bytes_of(at)[..2_000_000]),
            "2000000 bytes came, not 3000000",
        ),
        (remove, "is not at the place any more"),
    ];
    for (n, (harm, said)) in harms.into_iter().enumerate() {
        let work = sent(&format!("offsite-harm-{n}"));
        harm(&work.path("place/KITES").join(CLIP));
        work.run("fetch nas/KITES --to c")
            .exits(1)
            .says(CLIP)
            .says(said)
            .says("NOT FETCHED. 9 of 10 files");
        assert!(!work.path("c/KITES").join(CLIP).exists());
        assert!(!work.path("c/KITES/_unlade/manifest.json").exists());
        nothing_is_half_there(&work, "c/KITES");
        work.run("verify nas/KITES")
            .exits(1)
            .says(CLIP)
            .says("NOT INTACT. 10 of 11 files");
        work.run("verify nas/KITES --sample 100%")
            .exits(1)
            .says("NOT INTACT");
        put(
            &work.path("place/KITES").join(CLIP),
            &bytes_of(&work.path("card").join(CLIP)),
        );
        work.run("verify nas/KITES")
            .exits(0)
            .says("INTACT. nas/KITES: all 11 files");
        work.run("fetch nas/KITES --to c").exits(0);
        is_back(&work);
    }
    let work = sent("offsite-harm-long");
    let clip = work.path("place/KITES").join(CLIP);
    put(&clip, &[bytes_of(&clip), vec![0]].concat());
    work.run("verify nas/KITES")
        .exits(1)
        .says(CLIP)
        .says("NOT INTACT");
}

#[test]
fn nothing_that_is_on_the_drive_is_changed() {
    let work = sent("offsite-standing");
    let there = work.folder("c/KITES/DCIM/100KITES");
    put(&there.join("KITE0001.JPG"), &vec![7; 40_000]);
    work.run("fetch nas/KITES --to c")
        .exits(1)
        .says("on the drive is another file of that name; it was not touched");
    assert_eq!(bytes_of(&there.join("KITE0001.JPG")), vec![7; 40_000]);
    assert!(!work.path("c/KITES/_unlade/manifest.json").exists());
    remove(&there.join("KITE0001.JPG"));
    work.run("fetch nas/KITES --to c").exits(0);
    is_back(&work);
    // Another offload of that name, something else in the place of a folder, a card.
    work.folder("d");
    work.run("copy card/DCIM --to d --copies 1 --name KITES --separate");
    let before = tree(&work.path("d"));
    work.run("fetch nas/KITES --to d")
        .exits(3)
        .says("with another manifest is there already");
    assert_eq!(tree(&work.path("d")), before);
    work.folder("e");
    put(&work.path("e/KITES"), b"lunch");
    work.run("fetch nas/KITES --to e")
        .exits(3)
        .says("no folder has its name");
    work.folder("f/KITES");
    std::os::unix::fs::symlink(work.path("a"), work.path("f/KITES/DCIM")).unwrap();
    work.run("fetch nas/KITES --to f")
        .exits(3)
        .says("DCIM: something that is no folder has its name");
    work.run("fetch nas/KITES --to nowhere").exits(3);
    work.run("fetch nas/LUNCH --to c")
        .exits(3)
        .says("there is no offload `LUNCH`");
    work.run("fetch nas --to c")
        .exits(2)
        .says("is not PLACE/NAME");
    work.run("fetch nas/.. --to c")
        .exits(2)
        .says("no name of an offload");
}

#[test]
fn a_hostile_manifest_is_refused_before_anything_is_made() {
    for (n, (from, to)) in [
        (STILL, "../../outside.JPG"),
        (STILL, "/tmp/outside.JPG"),
        (STILL, "_unlade/manifest.json"),
        ("\"format\": \"unlade-manifest\"", "\"format\": \"lunch\""),
    ]
    .into_iter()
    .enumerate()
    {
        let work = sent(&format!("offsite-hostile-{n}"));
        let records = work.path("place/KITES/_unlade");
        let text = String::from_utf8(bytes_of(&records.join("manifest.json"))).unwrap();
        assert!(text.contains(from), "{from}");
        let text = text.replace(from, to);
        put(&records.join("manifest.json"), text.as_bytes());
        // Damaged only, and then as whoever forges it would do.
        work.run("fetch nas/KITES --to c")
            .exits(3)
            .says("can't be relied on");
        let hash = blake3::hash(text.as_bytes());
        put(
            &records.join("manifest.json.b3"),
            format!("{hash}  manifest.json\n").as_bytes(),
        );
        work.run("fetch nas/KITES --to c")
            .exits(3)
            .says("can't be relied on");
        work.run("verify nas/KITES")
            .exits(3)
            .says("can't be relied on");
        assert_eq!(names_in(&work.path("c")), [""; 0]);
        assert!(!work.path("outside.JPG").exists());
    }
    // A record that is a link at the place, or too odd to be one.
    let work = sent("offsite-hostile-record");
    put(&work.path("place/KITES/_unlade/a:b\n.txt"), b"lunch");
    work.run("fetch nas/KITES --to c").exits(0);
    work.run("verify c/KITES").exits(1);
}

#[test]
fn a_drive_that_cannot_hold_it_is_refused_before_the_first_byte() {
    let work = Work::with_card("offsite-small");
    put(&work.path("card/DCIM/100KITES/KITE:3.JPG"), b"kite");
    put(&work.path("card/DCIM/100KITES/kite0001.jpg"), b"kite");
    work.offload();
    let place = format!("file://{}", work.folder("place").display());
    work.run_with(["kit", "add", "place", "nas", "--url", &place])
        .exits(0);
    work.run("send a/KITES --to nas").exits(0);
    let small = work.folder("small");
    let Some(_image) = Image::ext4(&work.path("small.img"), &small, 4, "rw") else {
        return;
    };
    work.run("fetch nas/KITES --to small")
        .exits(3)
        .says("short");
    // Here the kernel may lack it; nothing that CI could install brings it.
    let known = std::fs::read_to_string("/proc/filesystems").unwrap();
    if !known.contains("vfat") {
        tell("SKIPPED, NOT CHECKED: names on FAT; the kernel has no vfat");
        return;
    }
    let fat = work.folder("fat");
    let Some(_fat) = Image::made("mkfs.vfat", &work.path("fat.img"), &fat, 64, "rw") else {
        return;
    };
    let before = names_in(&fat);
    work.run("fetch nas/KITES --to fat")
        .exits(3)
        .says("KITE:3.JPG: the name holds a character")
        .says("is the same as that of");
    assert_eq!(names_in(&fat), before);
    // What it can hold comes.
    work.run(&format!("fetch nas/KITES --to fat --only {CLIP}"))
        .exits(0);
}

#[test]
fn killed_at_any_moment_only_part_files_are_left_and_the_same_command_goes_on() {
    let points: Vec<u64> = (0..50).map(|n| n * 24).collect();
    let points = if whole_sweeps() {
        points
    } else {
        sampled(points, 4)
    };
    at_once(points, |ms| {
        let work = sent("offsite-fetch-kill");
        let mut command = work.command();
        command.args("fetch nas/KITES --to c --limit 3MB/s".split(' '));
        kill_after(&mut command, Duration::from_millis(ms));
        nothing_is_half_there(&work, "c/KITES");
        work.run("fetch nas/KITES --to c").exits(0);
        is_back(&work);
        let names = walkdir::WalkDir::new(work.path("c")).into_iter();
        let parts = names.filter(|entry| is_part(entry.as_ref().unwrap().path()));
        assert_eq!(parts.count(), 0);
    });
}

#[test]
fn ctrl_c_ends_it_and_two_at_once_do_not_meet() {
    let work = sent("offsite-fetch-stop");
    let mut command = work.command();
    command.args("fetch nas/KITES --to c --limit 1MB/s".split(' '));
    let (ran, ending) = interrupt_after(&mut command, Duration::from_millis(900));
    ran.exits(130).says("Run the same command to go on.");
    assert!(ending < Duration::from_secs(3), "{ending:?}");
    nothing_is_half_there(&work, "c/KITES");
    let mut first = work.command();
    first.args("fetch nas/KITES --to c --limit 1MB/s".split(' '));
    std::thread::scope(|scope| {
        let first = scope.spawn(|| finish(&mut first));
        std::thread::sleep(Duration::from_millis(1_200));
        work.run("fetch nas/KITES --to c")
            .exits(1)
            .says("another command is at work there");
        first.join().unwrap().exits(0);
    });
    is_back(&work);
}

#[test]
fn a_sample_says_what_it_leaves_open() {
    let work = sent("offsite-sample");
    work.run("verify nas/KITES --sample 30%")
        .exits(0)
        .says("NO DAMAGE SEEN. 4 of 11 files")
        .says("this sample would miss it with a chance of 64 %")
        .says("takes for granted that damage strikes files at random")
        .is_silent_of("INTACT");
    let json = work.run("verify nas/KITES --sample 30% --json");
    let told = json.exits(0).first("place-verified");
    assert_eq!(
        (&told["complete"], &told["equal"]),
        (&false.into(), &4.into())
    );
    let whole = work.run("verify nas/KITES --json");
    let told = whole.exits(0).first("place-verified");
    assert_eq!(
        (&told["complete"], &told["equal"]),
        (&true.into(), &11.into())
    );
    // One damaged file of 11 is not among 4 in 7 of 11 draws, and is seen in the others.
    flip(&work.path("place/KITES").join(STILL), 9);
    let ends: Vec<_> = (0..40)
        .map(|_| work.run("verify nas/KITES --sample 30%").words())
        .collect();
    let seen = ends
        .iter()
        .filter(|said| said.contains("NOT INTACT"))
        .count();
    // Outside these bounds in less than one of 100,000 runs.
    assert!((2..=29).contains(&seen), "{ends:?}");
    for wrong in ["--sample 0%", "--sample 5", "--sample 101%"] {
        work.run(&format!("verify nas/KITES {wrong}")).exits(2);
    }
    work.run("verify a/KITES --sample 5%")
        .exits(2)
        .says("--sample is for offloads at places");
    work.run("verify nas/LUNCH")
        .exits(3)
        .says("there is no offload");
    // What was read back is remembered: nothing of it is read twice for the grade.
    let work = sent("offsite-sample-known");
    work.run("verify nas/KITES").exits(0);
    remove(&work.path("b/KITES").join(STILL));
    work.run("send a/KITES --to nas --proof fetched")
        .exits(0)
        .says("FETCHED");
}

#[test]
fn a_server_of_openssh_gives_it_back() {
    let work = Work::with_card("offsite-back-ssh");
    let Some(sshd) = Sshd::start(&work) else {
        return;
    };
    work.offload();
    work.folder("c");
    let place = work.folder("remote");
    let url = format!("sftp://root@127.0.0.1:{}{}", sshd.port, place.display());
    let run = |line: &str| finish(&mut sshd.command(&work, line));
    run(&format!("kit add place server --url {url}")).exits(0);
    run("send a/KITES --to server").exits(0);
    run("send --list server").exits(0).says("KITES: SENT");
    run(&format!("send --list {url}"))
        .exits(0)
        .says("KITES: SENT");
    run("verify server/KITES")
        .exits(0)
        .says("INTACT. server/KITES: all 11 files");
    run(&format!("verify {url}/KITES")).exits(0).says("INTACT");
    let mut slow = sshd.command(&work, "fetch server/KITES --to c --limit 1MB/s");
    kill_after(&mut slow, Duration::from_millis(2_500));
    nothing_is_half_there(&work, "c/KITES");
    run("fetch server/KITES --to c").exits(0).says("FETCHED.");
    is_back(&work);
    flip(&place.join("KITES").join(CLIP), 99);
    run("verify server/KITES")
        .exits(1)
        .says(CLIP)
        .says("NOT INTACT");
    // Gone in the middle.
    work.folder("d");
    let mut slow = sshd.command(&work, "fetch server/KITES --to d --limit 1MB/s");
    std::thread::scope(|scope| {
        let slow = scope.spawn(|| finish(&mut slow));
        std::thread::sleep(Duration::from_millis(1_500));
        sshd.vanish();
        let ran = slow.join().unwrap();
        ran.exits(1).says("NOT FETCHED").says("Look at the network");
    });
    nothing_is_half_there(&work, "d/KITES");
}

#[test]
fn only_what_was_read_back_there_counts_and_only_as_long_as_it_is_as_it_was() {
    let work = sent("offsite-prove");
    work.run("prove card --on nas --copies 1")
        .exits(1)
        .says("NOT PROVEN")
        .says("never checked in this place");
    work.run("send a/KITES --to nas --proof fetched").exits(0);
    for at in ["nas", "nas/KITES"] {
        work.run(&format!("prove card --on {at} --copies 1"))
            .exits(0)
            .says("read back from there, and the place says the same of each file as then");
    }
    // The place is on the drive that the other copy is on.
    work.run("prove card --on a --copies 1").exits(0);
    let both = work.run("prove card --on a --on nas --json");
    assert_eq!(both.exits(1).verdict()["copies"], 1);
    let both = work.run("prove card --on a --on nas --separate --json");
    assert_eq!(
        both.exits(1).verdict()["copies"],
        1,
        "nobody's word makes two of one drive"
    );
    // Replaced by the same bytes: nobody has read those.
    let clip = work.path("place/KITES").join(CLIP);
    let bytes = bytes_of(&clip);
    put(&clip, &bytes);
    work.run("prove card --on nas --copies 1")
        .exits(1)
        .says(CLIP)
        .says("it was written since it was read back");
    work.run("verify nas/KITES").exits(0);
    work.run("prove card --on nas --copies 1").exits(0);
    put(&clip, &bytes[1..]);
    work.run("prove card --on nas --copies 1")
        .exits(1)
        .says("it has another size");
    remove(&clip);
    work.run("prove card --on nas --copies 1")
        .exits(1)
        .says("not there any more");
    put(&clip, &bytes);
    // Asked for, all of it is read back now.
    work.run("prove card --on nas --copies 1").exits(1);
    work.run("prove card --on nas --copies 1 --reread").exits(0);
    // Rotten under the date that it had.
    let date = clip.metadata().unwrap().modified().unwrap();
    flip(&clip, 1_000);
    let file = std::fs::File::options().write(true).open(&clip).unwrap();
    file.set_modified(date).unwrap();
    drop(file);
    work.run("verify nas/KITES").exits(1).says(CLIP);
    work.run("prove card --on nas --copies 1")
        .exits(1)
        .says(CLIP)
        .says("a check found it damaged");
    work.run("prove card --on nas --copies 1 --reread").exits(1);
    work.run("prove card --on a --on nowhere").exits(3);
    // Another card's offloads are none of this one's.
    work.folder("empty");
    let add = format!(
        "kit add place bare --url file://{}",
        work.path("empty").display()
    );
    work.run(&add).exits(0);
    work.run("prove card --on bare --copies 1")
        .exits(1)
        .says("At `bare` is no offload of this card that counts");
}

#[test]
fn a_receipt_is_the_word_of_the_place_and_no_proof() {
    let work = sent("offsite-receipt");
    work.run("send a/KITES --to nas --proof fetched").exits(0);
    let home = work.path("home/.local/share/unlade/places");
    std::fs::remove_dir_all(&home).unwrap();
    work.run("prove card --on nas --copies 1")
        .exits(1)
        .says("never checked in this place");
    work.run("prove card --on nas --copies 1 --reread").exits(0);
    work.run("prove card --on nas --copies 1").exits(0);
}

/// What was copied beside it at the place was read by nobody, and what is a link to another drive
/// is no copy there.
#[test]
fn a_copy_of_the_offload_at_the_place_and_links_do_not_count() {
    let work = sent("offsite-links");
    work.run("send a/KITES --to nas --proof fetched").exits(0);
    let place = work.path("place");
    let beside = std::process::Command::new("cp")
        .args(["-a", "KITES", "BESIDE"])
        .current_dir(&place)
        .status();
    assert!(beside.unwrap().success());
    work.run("prove card --on nas/BESIDE --copies 1")
        .exits(1)
        .says("never checked in this place");
    work.run("prove card --on nas --copies 1").exits(0);
    let memory = tempfile::tempdir_in("/dev/shm").unwrap();
    let moved = std::process::Command::new("cp")
        .args(["-a", "KITES/PRIVATE"])
        .arg(memory.path())
        .current_dir(&place)
        .status();
    assert!(moved.unwrap().success());
    std::fs::remove_dir_all(place.join("KITES/PRIVATE")).unwrap();
    let link = place.join("KITES/PRIVATE");
    std::os::unix::fs::symlink(memory.path().join("PRIVATE"), link).unwrap();
    work.run("prove card --on nas --copies 1")
        .exits(1)
        .says("it is a link, or on another drive than its folder");
}

/// A place that lost a list, or where it was edited, is as little intact as a drive.
#[test]
fn lists_are_held_to_the_manifest_at_a_place() {
    let work = sent("offsite-lists");
    work.run("verify nas/KITES").exits(0).says("INTACT");
    let list = work.path("place/KITES/_unlade/checksums.b3");
    let bytes = bytes_of(&list);
    flip(&list, 3);
    work.run("verify nas/KITES").exits(1).says("checksums.b3");
    remove(&list);
    work.run("verify nas/KITES").exits(1).says("checksums.b3");
    put(&list, &bytes);
    let hash = work.path("place/KITES/_unlade/manifest.json.b3");
    remove(&hash);
    work.run("verify nas/KITES")
        .exits(1)
        .says("manifest.json.b3");
}

/// Two at once would write one part file.
#[test]
fn two_sends_of_one_offload_are_kept_apart() {
    let work = sent("offsite-two-sends");
    let locks = work.path("home/.local/share/unlade/places");
    let lock = names_in(&locks)
        .into_iter()
        .find(|name| Path::new(name).extension().is_some_and(|end| end == "lock"));
    let lock = std::fs::File::open(locks.join(lock.unwrap())).unwrap();
    lock.lock().unwrap();
    work.run("send a/KITES --to nas")
        .exits(3)
        .says("another command is sending this offload to this place");
    drop(lock);
    work.run("send a/KITES --to nas").exits(0);
}
