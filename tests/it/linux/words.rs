//! What is said at the end of a run: every kind of trouble has a step of its own that names what it
//! is about, and no sentence claims more than was done.

use crate::support::image::Image;
use crate::support::mount::{Fault, Kind, Mount, Options, skip};
use crate::support::program::{Card, Work, content, flip, manifest, move_to, put, remove};

const STILL: &str = "DCIM/100KITES/KITE0001.JPG";
const COPY: &str = "copy card --to a --to b --name KITES --copies 1";
const DYING: &str = "Stop using this card";

/// The lines that begin with a label, each with its continuation lines.
fn labelled(text: &str, label: &str) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    let mut is_open = false;
    for line in text.lines() {
        if let Some(rest) = line.strip_prefix(label) {
            found.push(rest.trim().to_owned());
            is_open = true;
        } else if let (true, Some(rest)) = (is_open, line.strip_prefix("         ")) {
            let last = found.last_mut().unwrap();
            last.push(' ');
            last.push_str(rest);
        } else {
            is_open = false;
        }
    }
    found
}

/// Changes one bit of a file and leaves its date.
fn rot(path: &std::path::Path) {
    let date = path.metadata().unwrap().modified().unwrap();
    flip(path, 9);
    let file = std::fs::File::options().write(true).open(path).unwrap();
    file.set_modified(date).unwrap();
}

#[test]
fn each_kind_of_trouble_has_its_own_next_step() {
    let work = Work::with_card("steps");
    work.offload();
    std::os::unix::fs::symlink("KITE0001.JPG", work.path("card/DCIM/LINK.JPG")).unwrap();
    let ran = work.run(COPY);
    let next = labelled(&ran.exits(1).out, "Next     ");
    assert_eq!(next.len(), 1, "{next:?}");
    assert!(next[0].contains("`DCIM/LINK.JPG` on the card"), "{next:?}");
    assert!(next[0].ends_with("All else is copied."), "{next:?}");
    // A second trouble does not take the first one's place, and a link is no dying card.
    rot(&work.path("b/KITES").join(STILL));
    let ran = work.run(COPY);
    let next = labelled(&ran.exits(1).is_silent_of(DYING).out, "Next     ");
    assert_eq!(
        next,
        [
            "Move `DCIM/100KITES/KITE0001.JPG` out of `b/KITES` (keep what you move until all is \
            proven), then run the same command again: it is copied anew.",
            "Look at `DCIM/LINK.JPG` on the card and copy by hand what you need: no ordinary file, \
            too deep in folders, or with a name that no manifest can hold.",
        ]
    );
    // The steps lead there.
    move_to(
        &work.path("b/KITES").join(STILL),
        &work.path("kept-aside.JPG"),
    );
    remove(&work.path("card/DCIM/LINK.JPG"));
    work.run(COPY).exits(0);
}

/// In a bag the files lie one folder deeper, and the step says so.
#[test]
fn what_is_to_be_moved_is_named_where_it_lies() {
    let work = Work::with_card("steps-bag");
    let copy = format!("{COPY} --layout bag");
    work.run(&copy).exits(0);
    rot(&work.path("b/KITES/data").join(STILL));
    // The other drive is enough here, and the step is told all the same.
    work.run(&copy)
        .exits(0)
        .says(&format!("Move `{STILL}` out of `b/KITES/data` (keep"));
}

#[test]
fn one_drive_where_two_are_needed_is_told_beside_the_rest() {
    let work = Work::with_card("one-drive");
    std::os::unix::fs::symlink("KITE0001.JPG", work.path("card/DCIM/LINK.JPG")).unwrap();
    let ran = work.run("copy card --to a --name KITES");
    let next = labelled(&ran.exits(1).out, "Next     ");
    assert_eq!(next.len(), 2, "{next:?}");
    assert!(next[0].contains("LINK.JPG"), "{next:?}");
    assert!(
        next[1].contains("Give one more drive with --to"),
        "{next:?}"
    );
}

/// What is left out by its name or place may be somebody's picture all the same.
#[test]
fn pictures_among_what_is_left_out_are_named() {
    let work = Work::with_card("left-out");
    let picture = [&b"\xff\xd8\xff\xe1"[..], &vec![7; 40_000]].concat();
    let side_file = [&b"\0\x05\x16\x07\0\x02"[..], &[7; 4_000]].concat();
    work.folder("card/System Volume Information");
    work.folder("card/.Spotlight-V100/Store");
    put(&work.path("card/DCIM/100KITES/._KITE0001.JPG"), &side_file);
    put(&work.path("card/.Spotlight-V100/Store/0001"), b"index");
    work.run(COPY)
        .exits(0)
        .says("system file")
        .is_silent_of("look like")
        .says("You may format");
    put(&work.path("card/DCIM/._KITE0013.JPG"), &picture);
    put(
        &work.path("card/System Volume Information/KITE0014.jpg"),
        b"",
    );
    put(
        &work.path("card/System Volume Information/KITE0015.MOV"),
        b"x",
    );
    put(&work.path("card/.Spotlight-V100/Store/0002"), &picture);
    let said = "`.Spotlight-V100/Store/0002`, `DCIM/._KITE0013.JPG` and `System Volume \
        Information/KITE0015.MOV` look like pictures, clips or sound, and were skipped";
    let look = "Look at what was skipped and looks like pictures before you format";
    for command in [
        COPY,
        "copy card --to a --to b --name NEW --copies 1",
        "prove card --on a --copies 1",
    ] {
        work.run(command)
            .exits(0)
            .says(said)
            .says(look)
            .is_silent_of("made by a computer")
            .is_silent_of("You may format");
    }
    work.run("plan card --to a --name OTHER")
        .exits(0)
        .says(said);
    let notes = manifest(&work.path("a/NEW"))["verdict"]["notes"].to_string();
    assert!(notes.contains("KITE0013"), "{notes}");
}

#[test]
fn what_this_user_may_not_read_is_no_dying_card() {
    if skip() {
        return;
    }
    let work = Work::with_card("denied");
    move_to(&work.path("card"), &work.path("back"));
    let mount = |faults| {
        let options = Options {
            faults,
            ..Options::default()
        };
        Mount::new(&work.path("back"), &work.folder("card"), options).unwrap()
    };
    drop((mount(vec![]), work.run(COPY).exits(0)));
    let denied = Fault::new(Kind::OpError {
        op: "open",
        errno: 13,
    });
    let card = mount(vec![denied.path("*C0001.MP4").times(u64::MAX)]);
    let ran = work.run("copy card --to a --name NEW --copies 1");
    let next = labelled(&ran.exits(1).is_silent_of(DYING).out, "Next     ");
    let said = "You may not read `PRIVATE/CLIPS/C0001.MP4`; card and reader are not at fault. Run \
        the same";
    assert!(next[0].starts_with(said), "{next:?}");
    work.run("prove card --on a/KITES --copies 1 --reread")
        .exits(1)
        .says("mount the card so that you may read it")
        .is_silent_of("try another reader");
    drop(card);
}

#[test]
fn a_full_drive_is_told_beside_a_link_on_the_card() {
    if skip() {
        return;
    }
    let work = Work::with_card("full-and-link");
    std::os::unix::fs::symlink("KITE0001.JPG", work.path("card/DCIM/LINK.JPG")).unwrap();
    let full = Options {
        faults: vec![Fault::new(Kind::NoSpaceAfter { bytes: 1_000_000 })],
        ..Options::default()
    };
    let b = Mount::new(&work.folder("back-b"), &work.path("b"), full).unwrap();
    let ran = work.run("copy card --to a --to b --name KITES --separate");
    let next = labelled(&ran.exits(1).is_silent_of(DYING).out, "Next     ");
    assert!(b.fired("NoSpaceAfter") >= 1);
    assert_eq!(next.len(), 2, "{next:?}");
    assert!(
        next[0].contains("Free some room on the drive of `b`"),
        "{next:?}"
    );
    assert!(next[1].contains("LINK.JPG"), "{next:?}");
}

/// Which of the two is good nobody knows: no advice leads to the only copy of a picture being moved
/// away, at the first run or at the second.
#[test]
fn what_may_be_the_only_copy_of_a_picture_is_never_to_be_moved() {
    let told = |work: &Work| {
        for run in ["first", "second"] {
            let ran = work.run(COPY);
            assert_ne!(ran.code, 0, "{run}: {ran}");
            ran.says("another --name");
            let moves = ran.out.contains("Move `") || ran.out.contains("out of `");
            assert!(!moves, "{run}: {ran}");
        }
    };
    // The camera wrote another picture under the old name.
    let work = Work::with_card("both-stay");
    work.offload();
    put(&work.path("card").join(STILL), &content(40_500, 77));
    told(&work);
    // The card lost some bytes, and kept size and date.
    let work = Work::with_card("both-stay-rotten");
    work.offload();
    rot(&work.path("card").join(STILL));
    told(&work);
}

/// A file that was written anew on the card while its earlier copy is proven: the copy may be the
/// only one of that picture, so nobody is told to clear it away.
#[test]
fn the_earlier_copy_of_a_rewritten_file_is_to_be_kept() {
    let work = Work::with_card("rewritten");
    work.folder("mnt");
    let Some(_image) = Image::ext4(&work.path("card.img"), &work.path("mnt"), 64, "rw") else {
        return;
    };
    let card = |bytes, seed| {
        Card::new(&work.path("mnt")).file(STILL, bytes, seed);
    };
    card(40_000, 1);
    let copy = "copy mnt --to a --name KITES --copies 1";
    work.run(copy).exits(0);
    remove(&work.path("mnt").join(STILL));
    card(50_000, 2);
    work.run(copy)
        .exits(3)
        .says("the copy that an earlier copy proved")
        .says("under another --name")
        .is_silent_of("out of the way")
        .is_silent_of("out of `a/KITES`");
    // The same size, another date: that is only found out by comparing.
    put(&work.path("mnt").join(STILL), &vec![7; 40_000]);
    let ran = work.run(copy);
    let next = labelled(&ran.exits(1).out, "Next     ");
    assert_eq!(next.len(), 1, "{next:?}");
    assert!(
        next[0].starts_with("Copy this card under another --name: what is in `a/KITES`"),
        "{next:?}"
    );
    work.run("copy mnt --to a --name KITES2 --only-new --copies 1")
        .exits(0);
    let m = manifest(&work.path("a/KITES2"));
    assert_eq!(m["verdict"]["proven"], true);
}

/// What the second read of the card showed is said and kept, once.
#[test]
fn a_second_read_of_a_finished_offload_is_told_and_recorded() {
    let work = Work::with_card("reread");
    let equal = "The card was read a second time and is equal.";
    let records = || {
        let file = work.path("a/KITES/_unlade/manifest.json");
        (
            manifest(&work.path("a/KITES")),
            file.metadata().unwrap().modified().unwrap(),
        )
    };
    let level = || {
        let mut levels: Vec<String> = Vec::new();
        for file in records().0["files"].as_array().unwrap() {
            for copy in file["copies"].as_array().unwrap() {
                levels.push(copy["proof"].as_str().unwrap().to_owned());
            }
        }
        levels.sort();
        levels.dedup();
        levels
    };
    work.run(COPY).exits(0).is_silent_of(equal);
    assert_eq!(level(), ["readback"]);
    let first = records();
    work.run(COPY).exits(0).is_silent_of(equal);
    assert_eq!(records(), first);
    work.run(&format!("{COPY} --proof reread"))
        .exits(0)
        .says(equal);
    assert_eq!(level(), ["reread"]);
    assert_eq!(records().0["proof"]["asked"], "reread");
    let second = records();
    // The same answer is not written twice, nor a lesser one over it.
    for again in [format!("{COPY} --proof reread"), COPY.to_owned()] {
        work.run(&again).exits(0);
        assert_eq!(records(), second, "{again}");
    }
    work.run("verify a/KITES b/KITES").exits(0);
    work.run("prove card --on a --copies 1").exits(0);
    // A card that changed since is not said to be equal.
    rot(&work.path("card").join(STILL));
    work.run(&format!("{COPY} --proof reread"))
        .exits(1)
        .says(STILL)
        .is_silent_of(equal);
}

/// Nobody copied what was there already.
#[test]
fn what_was_only_compared_is_not_said_to_be_copied() {
    let work = Work::with_card("compared");
    work.offload();
    work.folder("c");
    move_to(&work.path("a/KITES"), &work.path("c/KITES"));
    let copy = "copy card --to c --name KITES --copies 1";
    let plan = work.run(&copy.replace("copy card", "plan card"));
    plan.exits(0)
        .says("7 files there already, in no manifest that fits");
    work.run(copy)
        .exits(0)
        .says(
            "7 files, 3.4 MB were there already, all checked (direct) and compared with the \
            card",
        )
        .is_silent_of("copied, all read back");
    // One of them is copied, the others are not.
    move_to(&work.path("c/KITES"), &work.path("a/KITES"));
    remove(&work.path("a/KITES").join(STILL));
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0)
        .says("7 files, 3.4 MB: 1 copied, ");
}

#[test]
fn one_copy_is_said_to_be_one() {
    let work = Work::with_card("one-copy");
    let one = "It is one copy only";
    let may = "You may format";
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0)
        .says(&format!(
            "{one}: if this drive is lost or fails, the pictures are gone."
        ))
        .says(may);
    work.run("prove card --on a --copies 1")
        .exits(0)
        .says(one)
        .says(may);
    // Where it is not proven there is no such comfort to take back.
    work.run("prove card --on a").exits(1).is_silent_of(one);
}

#[test]
fn the_persons_word_is_told_as_that() {
    if skip() {
        return;
    }
    let work = Work::with_card("word");
    let mount = |name: &str| {
        let back = work.folder(&format!("back-{name}"));
        Mount::new(&back, &work.path(name), Options::default()).unwrap()
    };
    let _mounts = (mount("a"), mount("b"));
    let told = "2 complete copies on separate drives (you said --separate); 2 needed";
    work.run("copy card --to a --to b --name KITES --separate")
        .exits(0)
        .says(told)
        .is_silent_of("It is one copy only");
    work.run("prove card --on a --on b --separate")
        .exits(0)
        .says(told);
    // A drive that this job nearly fills.
    let small = Options {
        capacity: 60_000_000,
        ..Options::default()
    };
    let c = Mount::new(&work.folder("back-c"), &work.folder("c"), small).unwrap();
    let ran = work.run("plan card --to c");
    assert!(ran.exits(0).words().contains("MB free, leaves 5"), "{ran}");
    drop(c);
}

#[test]
fn the_short_names_of_links_are_told_with_the_long_ones() {
    let work = Work::with_card("ids");
    work.run("plan card --to a --bus list")
        .exits(0)
        .says("uhs-i (sd-sdr104)")
        .says("uhs-ii (sd-uhs2-hd312)");
    work.run("plan card --to a --link list")
        .exits(0)
        .says("usb2 (usb2-bulk)")
        .says("usb3 (usb3-5g)");
    for id in ["uhs-i", "uhs-ii", "sd-sdr104"] {
        work.run(&format!("plan card --to a --bus {id}")).exits(0);
    }
}

/// What is said of one card does not run into what is said of the next.
#[test]
fn several_cards_have_a_heading_each() {
    let work = Work::with_card("headings");
    Card::new(&work.path("second")).file("DCIM/OTHER.JPG", 5_000, 3);
    let ran = work.run("copy card second --to a --copies 1");
    let out = &ran.exits(0).out;
    let all: Vec<&str> = out.lines().collect();
    let at = |head: &str| all.iter().position(|line| *line == head).unwrap();
    let (first, second) = (at("Card 1 of 2: card"), at("Card 2 of 2: second"));
    assert!(first < second, "{ran}");
    assert_eq!(all[second - 1], "", "{ran}");
    assert!(all[second - 2].contains("Your contract"), "{ran}");
    work.run("copy card --to a --copies 1 --name ALONE")
        .exits(0)
        .is_silent_of("Card 1 of");
}

#[test]
fn what_is_missing_from_a_command_is_told_line_by_line() {
    let work = Work::new("words-usage");
    for command in [
        "kit", "weigh", "kit add", "prove", "verify", "rate", "report", "copyy",
    ] {
        let ran = work.run(command);
        ran.exits(2).says("Usage: unlade").is_silent_of("\\u{");
    }
    for command in ["copy", "plan"] {
        let ran = work.run(command);
        ran.exits(2)
            .says("the kit has no [usual]")
            .is_silent_of("\\u{");
    }
}

/// What was proven once is not said to have been proven never.
#[test]
fn a_later_verdict_takes_no_earlier_one_back() {
    let work = Work::with_card("last-run");
    work.run(COPY).exits(0);
    work.run("copy card --to a --to b --name KITES").exits(1);
    work.run("verify a/KITES")
        .exits(0)
        .says("the last copy into this offload was NOT PROVEN: keep the card.")
        .is_silent_of("never");
}

#[test]
fn an_offload_is_no_card_and_one_that_was_begun_no_finished_one() {
    let work = Work::with_card("no-card");
    work.run(COPY).exits(0);
    for flags in ["--on b", "--on b --by-content", ""] {
        work.run(&format!("prove a/KITES {flags} --copies 1"))
            .exits(3)
            .says("`a/KITES` is an offload and no card")
            .says("`unlade verify OFFLOAD` checks an offload")
            .is_silent_of("another card");
    }
    remove(&work.path("a/KITES/_unlade/manifest.json"));
    work.run("verify a/KITES")
        .exits(3)
        .says("check another copy");
    put(&work.path("a/KITES/_unlade/journal.jsonl"), b"{}\n");
    work.run("verify a/KITES")
        .exits(3)
        .says("run the same copy again, which goes on with it")
        .is_silent_of("give the folder that holds");
}

#[test]
fn a_folder_in_memory_is_not_to_be_unplugged() {
    let mounts = std::fs::read_to_string("/proc/mounts").unwrap();
    if !mounts.lines().any(|l| l.contains(" /dev/shm tmpfs ")) {
        return crate::support::program::skip("/dev/shm is no tmpfs");
    }
    let work = Work::with_card("memory");
    let memory = Work::below(std::path::Path::new("/dev/shm"), "memory");
    let memory = memory.folder("a");
    let memory = memory.to_str().unwrap();
    let ran = work.run(&format!("copy card --to {memory} --to b --name KITES"));
    let next = labelled(&ran.exits(1).is_silent_of("nplug").out, "Next     ");
    let said = format!(
        "Give a folder on a drive in the place of `{memory}`, which is in this computer's memory"
    );
    assert!(next.len() == 1 && next[0].starts_with(&said), "{next:?}");
}

/// The plan of a second read does not say that nothing is read.
#[test]
fn what_is_read_of_the_card_is_said_as_it_is() {
    let work = Work::with_card("as-it-is");
    work.run(COPY).exits(0);
    work.run(COPY)
        .exits(0)
        .says("size and date checked, a sample of the content read")
        .says("nothing had to be copied from the card; a sample of it was read")
        .is_silent_of("not read again")
        .is_silent_of("nothing had to be read");
    let again = COPY.replace("copy", "plan");
    work.run(&format!("{again} --proof reread"))
        .exits(0)
        .says("size and date checked, content to be read a second time at the end")
        .is_silent_of("not read again");
}

#[test]
fn flags_stand_under_their_own_heading() {
    let work = Work::new("headings");
    let help = work.run("copy --help").out.clone();
    let at = |text: &str| help.find(text).unwrap_or_else(|| panic!("no {text}"));
    let groups = ["What:", "Where:", "How sure:", "Output:", "Speed ("];
    assert!(
        groups.windows(2).all(|two| at(two[0]) < at(two[1])),
        "{help}"
    );
    for (flag, group, next) in [
        ("--shoot", "What:", "Where:"),
        ("--to", "Where:", "How sure:"),
        ("--copies", "How sure:", "Output:"),
    ] {
        let rows = &help[at(group)..at(next)];
        assert!(rows.contains(&format!("{flag} ")), "{flag}: {help}");
    }
    assert!(at("--writes") > at("Speed ("), "{help}");
    work.run("schema --help").says("versions 1 and 2");
}

/// With `2>&1` into a file what is told of trouble stands after what was said before it.
#[test]
fn output_and_errors_in_one_file_keep_their_order() {
    let work = Work::with_card("one-file");
    let file = std::fs::File::create_new(work.path("both")).unwrap();
    let mut command = work.command();
    command.args("copy card GONE --to a --copies 1".split(' '));
    command.stdout(file.try_clone().unwrap()).stderr(file);
    assert_eq!(command.status().unwrap().code(), Some(1));
    let both = std::fs::read_to_string(work.path("both")).unwrap();
    let at = |text: &str| {
        both.find(text)
            .unwrap_or_else(|| panic!("no {text}: {both}"))
    };
    let order = [
        "Card 1 of 2: card",
        "You may format",
        "Card 2 of 2: GONE",
        "Refused; nothing of `GONE` was copied.",
        "Next: Check that the card",
        "Both cards:",
    ];
    assert!(
        order.windows(2).all(|two| at(two[0]) < at(two[1])),
        "{both}"
    );
}
