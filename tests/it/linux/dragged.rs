//! `prove` where somebody dragged a card's files into a folder by hand: no manifest is there, and
//! both are read and compared. What counts, what does not, and that nothing is talked into PROVEN.

use crate::support::mount::{Action, Cache, Fault, Kind, Mount, Options, skip};
use crate::support::program::{
    Card, Node, Work, bytes_of, content, flip, move_to, put, remove, wait_until, whole_tree,
};
use crate::support::sim::Chance;
use crate::support::{at_once, whole_sweeps};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io::{BufRead as _, BufReader};
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;
use unlade::clock::{Clock as _, SystemClock};

const ASK: &str = "prove card --on dragged --copies 1";
pub(super) const STILL: &str = "DCIM/100KITES/KITE0001.JPG";
const RAW: &str = "DCIM/100KITES/KITE0002.DNG";
const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";

/// Copies a tree as a person does, with nothing of ours.
pub(super) fn drag(from: &Path, to: &Path) {
    for (path, node) in whole_tree(from) {
        let there = to.join(&path);
        if node == Node::Folder {
            std::fs::create_dir_all(there).unwrap();
        } else {
            std::fs::create_dir_all(there.parent().unwrap()).unwrap();
            put(&there, &bytes_of(&from.join(path)));
        }
    }
}

/// A card, and all of it in `dragged`.
pub(super) fn dragged(name: &str) -> Work {
    let work = Work::with_card(name);
    drag(&work.path("card"), &work.folder("dragged"));
    work
}

#[test]
fn all_that_was_dragged_is_found_and_nothing_is_written() {
    let work = dragged("dragged");
    let before = (
        whole_tree(&work.path("card")),
        whole_tree(&work.path("dragged")),
    );
    work.run(ASK)
        .exits(0)
        .says("7 of 7 files on the card")
        .says("read just now (direct)")
        .says("dragged has no manifest: it counts in this answer only.")
        .says("PROVEN. You may format card")
        .is_silent_of("missing");
    // By itself it is one copy.
    work.run("prove card --on dragged")
        .exits(1)
        .says("7 of 7 files on the card")
        .says("1 complete copy, 2 needed on separate drives (too-few-copies)");
    // What computers and other cards left there is nobody's business.
    Card::new(&work.path("dragged"))
        .file(".DS_Store", 6_000, 1)
        .file("Thumbs.db", 6_000, 1)
        .file("other/LAST_WEEK.JPG", 40_000, 99);
    work.run(ASK).exits(0);
    remove(&work.path("dragged/.DS_Store"));
    remove(&work.path("dragged/Thumbs.db"));
    remove(&work.path("dragged/other/LAST_WEEK.JPG"));
    std::fs::remove_dir(work.path("dragged/other")).unwrap();
    assert_eq!(
        (
            whole_tree(&work.path("card")),
            whole_tree(&work.path("dragged"))
        ),
        before
    );
    let ledger = work.run("ledger --json").out;
    assert!(
        !ledger.contains("\"proven\":true"),
        "kept as proof: {ledger}"
    );
}

/// Nothing there can be asked again, so that a shoot does not count it.
#[test]
fn the_ledger_keeps_no_proof_of_it() {
    let work = dragged("dragged-ledger");
    work.run(&format!("{ASK} --shoot festival")).exits(0);
    work.run("ledger --shoot festival").exits(1);
    work.run("prove card")
        .exits(2)
        .says("the ledger knows no copy of this card");
    work.run("copy card --to a --name KITES --copies 1 --shoot festival")
        .exits(0);
    let ran = work.run("prove card --on a --on dragged --copies 1 --shoot festival");
    ran.exits(0).says("7 of 7 files on the card");
    work.run("ledger --shoot festival").exits(0);
}

#[test]
fn what_is_not_there_is_listed_with_the_command_to_type() {
    let work = dragged("dragged-less");
    remove(&work.path("dragged").join(STILL));
    flip(&work.path("dragged").join(CLIP), 2_000_000);
    put(&work.path("dragged").join(RAW), &content(1_000, 3));
    let ran = work.run_short(ASK);
    ran.exits(1)
        .says("4 of 7 files on the card")
        .says(&format!("missing: `{STILL}`"))
        .says(&format!("other content: `{RAW}` and `{CLIP}`"))
        .says("Copy the card, all of it: `unlade copy card --to dragged`.")
        .says("NOT PROVEN. Keep card")
        .is_silent_of("You may format");
    work.run(ASK)
        .says("is on the card, and no file that was compared holds the same (missing)")
        .says("is 1,000 bytes there and 300,000 on the card) (mismatch)")
        .says("(its content differs) (mismatch)");
    let ran = work.run(&format!("{ASK} --json"));
    let problems: Vec<_> = ran.exits(1).events();
    let of = |path: &str| {
        let mut all = problems.iter().filter(|e| e["event"] == "problem");
        all.find(|e| e["path"] == path)
            .map(|e| e["kind"].to_string())
    };
    assert_eq!(of(STILL).as_deref(), Some("\"missing\""));
    assert_eq!(of(RAW).as_deref(), Some("\"mismatch\""));
    assert_eq!(of(CLIP).as_deref(), Some("\"mismatch\""));
    // The command that was said is the one to type.
    work.run("copy card --to dragged --name KITES --copies 1")
        .exits(0);
    work.run(ASK).exits(0).says("checked on");
}

#[test]
fn files_that_were_moved_or_renamed_are_known_by_what_they_hold() {
    let work = Work::with_card("dragged-moved");
    drag(&work.path("card"), &work.folder("dragged/Saturday"));
    let ran = work.run(ASK);
    ran.exits(0)
        .says("in its folder `Saturday`")
        .is_silent_of("under other names");
    let below = |path: &str| work.path("dragged/Saturday").join(path);
    move_to(&below(STILL), &work.path("dragged/best.jpg"));
    // Two that took each other's names.
    move_to(&below(RAW), &below("swap"));
    move_to(&below(CLIP), &below(RAW));
    move_to(&below("swap"), &below(CLIP));
    work.run(ASK)
        .exits(0)
        .says(&format!("`{STILL}` is `best.jpg`"))
        .says(&format!("`{RAW}` is `Saturday/{CLIP}`"))
        .says("7 of 7 files");
    let verdict = work.run(&format!("{ASK} --json")).exits(0).verdict();
    assert_eq!(verdict["holdings"][0]["moved_files"], 3);
    assert_eq!(verdict["holdings"][0]["compared"], true);
    assert_eq!(verdict["recorded_copies"], 0);
}

/// One file stands for one name: who had two of them has to find two.
#[test]
fn one_of_two_identical_files_is_not_both() {
    let work = Work::with_card("dragged-twice");
    let again = "DCIM/101KITES/AGAIN.JPG";
    put(&work.path("card").join(again), &content(40_000, 1));
    drag(&work.path("card"), &work.folder("dragged"));
    work.run(ASK).exits(0);
    remove(&work.path("dragged").join(again));
    work.run(ASK).exits(1).says(&format!(
        "without a file of its own: `{again}` (what it holds is there once, and counted for \
         `{STILL}`)"
    ));
    // By a name of any kind.
    put(&work.path("dragged/more"), &content(40_000, 1));
    work.run(ASK).exits(0);
    // An empty file is told by its name: nothing holds nothing.
    remove(&work.path("dragged/DCIM/101KITES/KITE0002.TXT"));
    put(&work.path("dragged/EMPTY.TXT"), b"");
    work.run(ASK)
        .exits(1)
        .says("missing: `DCIM/101KITES/KITE0002.TXT`");
    put(&work.path("dragged/KITE0002.TXT"), b"");
    work.run(ASK).exits(0);
}

/// Links are no copies, parts are not finished, and a Trash is emptied some day.
#[test]
fn what_does_not_stay_or_is_none_does_not_count() {
    type Change = fn(&Work);
    let cases: [(Change, &str); 6] = [
        (
            |w| {
                let link = w.path("dragged").join(STILL);
                remove(&link);
                symlink(w.path("card").join(STILL), link).unwrap();
            },
            "is a symbolic link there, which is not followed",
        ),
        (
            |w| {
                let file = w.path("dragged").join(STILL);
                remove(&file);
                std::fs::hard_link(w.path("card").join(STILL), file).unwrap();
            },
            "missing: `DCIM/100KITES/KITE0001.JPG`",
        ),
        (
            |w| {
                let part = w.path("dragged/DCIM/100KITES/.KITE0001.JPG.unlade-part");
                move_to(&w.path("dragged").join(STILL), &part);
            },
            "missing: `DCIM/100KITES/KITE0001.JPG`",
        ),
        (
            |w| {
                let bin = w.folder("dragged/.Trash-1000/files").join("KITE0001.JPG");
                move_to(&w.path("dragged").join(STILL), &bin);
            },
            "missing: `DCIM/100KITES/KITE0001.JPG`",
        ),
        (
            |w| {
                remove(&w.path("dragged").join(STILL));
                w.folder(&format!("dragged/{STILL}"));
            },
            "is a folder there",
        ),
        (
            |w| {
                let bin = w.folder("bin/.Trashes/501").join("dragged");
                move_to(&w.path("dragged"), &bin);
                symlink(bin, w.path("dragged")).unwrap();
            },
            "it is in a Trash folder",
        ),
    ];
    for (change, says) in cases {
        let work = dragged("dragged-none");
        work.run(ASK).exits(0);
        change(&work);
        work.run(ASK).exits(1).says(says);
    }
}

/// The card's own files are no copy of it, from wherever they are looked at.
#[test]
fn the_card_is_no_copy_of_itself() {
    let work = Work::with_card("dragged-itself");
    for on in ["card", "card/DCIM"] {
        work.run(&format!("prove card --on {on} --copies 1"))
            .exits(1)
            .says("is on the card itself");
    }
    symlink(work.path("card"), work.path("link")).unwrap();
    work.run("prove card --on link --copies 1")
        .exits(1)
        .says("is on the card itself");
    work.run("prove card --on . --copies 1").exits(1);
    drag(&work.path("card"), &work.folder("dragged"));
    remove(&work.path("dragged").join(STILL));
    work.run("prove card --on . --copies 1")
        .exits(1)
        .says("6 of 7 files on the card")
        .says(&format!("missing: `{STILL}`"));
}

#[test]
fn offloads_and_what_is_beside_them() {
    let work = dragged("dragged-beside");
    Card::new(&work.path("other")).file("DCIM/OTHER.JPG", 5_000, 3);
    work.folder("drive");
    work.run("copy other --to drive --name OTHER --copies 1")
        .exits(0);
    move_to(&work.path("dragged"), &work.path("drive/dragged"));
    work.run("prove card --on drive --copies 1")
        .exits(1)
        .says("Files beside offloads are not compared: name their own folder with --on.");
    work.run("prove card --on drive/dragged --copies 1")
        .exits(0);
    // A folder with nothing that could be of the card costs no read of it.
    work.folder("bare");
    let ran = work
        .run("prove card --on bare --copies 1 --json")
        .exits(1)
        .verdict();
    assert_eq!(ran["holdings"].as_array().map(Vec::len), Some(0));
    work.run("prove card --on bare --copies 1")
        .says("In `bare` is no offload, and no file of this card.");
}

/// A card is read whole for the answer, so that what is wrong with its recordings is seen.
#[test]
fn a_recording_that_was_never_finished_is_a_hint() {
    let work = Work::with_card("dragged-hint");
    // ISO/IEC 14496-12: a movie without its `moov` box.
    let mut clip = vec![0, 0, 0, 16];
    clip.extend(b"ftypmp42\0\0\0\0");
    clip.extend([0, 0, 0x20, 0]);
    clip.extend(b"mdat");
    clip.resize(8_208, 7);
    put(&work.path("card").join(CLIP), &clip);
    put(&work.path("card/DCIM/100KITES/ZERO.JPG"), &[0; 9_000]);
    drag(&work.path("card"), &work.folder("dragged"));
    work.run(ASK)
        .exits(0)
        .says(&format!("{CLIP} "))
        .says("besides the answer")
        .says("1 file of nothing but zeros (`DCIM/100KITES/ZERO.JPG`)")
        .is_silent_of("You may format");
    let events = work.run(&format!("{ASK} --json")).exits(0).events();
    assert!(
        events
            .iter()
            .any(|e| e["event"] == "hint" && e["path"] == CLIP)
    );
}

// ---- drives -------------------------------------------------------------------------------------

/// A drive; in its root what is a card's would look like one, so that it is in a folder.
pub(super) fn mount(work: &Work, back: &str, at: &str, options: Options) -> Mount {
    if back != "card" && work.path(back).join("DCIM").exists() {
        move_to(&work.path(back), &work.path("moved"));
        move_to(&work.path("moved"), &work.folder(back).join("KITES"));
    }
    Mount::new(&work.path(back), &work.folder(at), options).unwrap()
}

#[test]
fn two_folders_are_two_copies_where_the_drives_are_two() {
    if skip() {
        return;
    }
    let work = dragged("dragged-drives");
    drag(&work.path("card"), &work.folder("back-b"));
    let ask = "prove card --on m/a --on m/b";
    work.folder("m");
    {
        let _a = mount(&work, "dragged", "m/a", Options::default());
        let _b = mount(&work, "back-b", "m/b", Options::default());
        work.run(ask)
            .exits(1)
            .says("1 complete copy; 2 needed")
            .says("If you know that it is a drive of its own, say so with --separate");
        work.run(&format!("{ask} --separate"))
            .exits(0)
            .says("2 complete copies on separate drives (you said --separate)")
            .says("m/a and m/b have no manifest: they count in this answer only.");
        // One that a copy made, and one that somebody did by hand.
        work.run("copy card --to a --name KITES --copies 1")
            .exits(0);
        work.run("prove card --on a --on m/b --separate").exits(0);
        remove(&work.path("back-b/KITES").join(STILL));
        work.run(&format!("{ask} --separate"))
            .exits(1)
            .says(&format!("In m/b this is missing: `{STILL}`"))
            .is_silent_of("too-few-copies");
    }
    // One drive that is seen in both places is one, whatever is said.
    let _a = mount(&work, "dragged", "m/a", Options::default());
    let _b = mount(&work, "dragged", "m/b", Options::default());
    work.run(&format!("{ask} --separate"))
        .exits(1)
        .says("--separate is not believed");
    // Half here and half there is one copy on one drive.
    let (one, two) = (work.folder("h/one"), work.folder("h/two"));
    drag(&work.path("card/DCIM"), &one.join("DCIM"));
    drag(&work.path("card/PRIVATE"), &two.join("PRIVATE"));
    work.run("prove card --on h/one --on h/two --copies 1")
        .exits(0)
        .says("1 complete copy");
    work.run("prove card --on h/one --on h/two").exits(1);
}

#[test]
fn what_memory_answers_is_no_copy() {
    if skip() {
        return;
    }
    let work = dragged("dragged-memory");
    let cached = Options {
        cache: Cache::Through,
        subtype: Some("exfat".to_owned()),
        ..Options::default()
    };
    let _mount = mount(&work, "dragged", "m", cached);
    let ran = work.run("prove card --on m --copies 1 --json");
    let verdict = ran.verdict();
    let basis = verdict["holdings"][0]["basis"].as_str().unwrap();
    // Whoever may drop the pages reads past them; who may not has to say so.
    assert_eq!(verdict["proven"], !basis.contains("cached"), "{ran}");
    let memory = Path::new("/dev/shm");
    if memory.is_dir() {
        let shm = Work::below(memory, "dragged-memory");
        drag(&work.path("card"), &shm.folder("dragged"));
        let on = shm.path("dragged");
        work.run_with([
            "prove",
            "card",
            "--copies",
            "1",
            "--on",
            on.to_str().unwrap(),
        ])
        .exits(1)
        .says("is in memory, not on a drive");
    }
}

/// Reading takes its time, and somebody may be at work on card or drive meanwhile.
#[test]
fn what_changes_while_it_is_read_is_not_counted() {
    if skip() {
        return;
    }
    let actions = [
        (Action::Append, "dragged"),
        (Action::Truncate, "dragged"),
        (Action::Touch, "dragged"),
        (Action::Delete, "dragged"),
        (Action::Append, "card"),
        (Action::Truncate, "card"),
        (Action::Touch, "card"),
        (Action::Delete, "card"),
    ];
    at_once(actions, |(action, of)| {
        let work = dragged("dragged-meanwhile");
        let mutate = Kind::Mutate {
            after: 1_000_000,
            action,
        };
        let options = Options {
            faults: vec![Fault::new(mutate).path("**/C0001.MP4")],
            ..Options::default()
        };
        let mounted = mount(&work, of, "m", options);
        let (card, on) = match of {
            "card" => ("m", "dragged"),
            _ => ("card", "m"),
        };
        let ran = work.run(&format!("prove {card} --on {on} --copies 1"));
        assert_eq!(mounted.fired("Mutate"), 1, "{ran}");
        assert_ne!(ran.code, 0, "{of} {action:?}: {ran}");
        ran.says(CLIP).is_silent_of("You may format");
    });
}

#[test]
fn what_cannot_be_read_is_neither_there_nor_missing() {
    if skip() {
        return;
    }
    let work = dragged("dragged-unread");
    move_to(
        &work.path("dragged").join(CLIP),
        &work.path("dragged/clip.mp4"),
    );
    let bad = |path: &str, kind| Options {
        faults: vec![Fault::new(kind).path(path)],
        ..Options::default()
    };
    let error = Kind::ReadError {
        off: 1_500_000,
        len: 4_096,
        errno: 5,
    };
    {
        let _drive = mount(&work, "dragged", "m", bad("KITES/clip.mp4", error));
        work.run("prove card --on m --copies 1")
            .exits(1)
            .says(&format!(
                "could not be read: `{CLIP}` (`KITES/clip.mp4` may be it, and"
            ))
            .says("(unreadable)")
            .is_silent_of("missing:");
    }
    {
        // Its size is what it was, and its end is gone.
        let early = Kind::EarlyEof { off: 1_500_000 };
        let _drive = mount(&work, "dragged", "m", bad("KITES/clip.mp4", early));
        work.run("prove card --on m --copies 1").exits(1).says(CLIP);
    }
    {
        let _card = mount(&work, "card", "m", bad(CLIP, error));
        work.run("prove m --on dragged --copies 1")
            .exits(1)
            .says("What could not be read from the card: try another reader");
    }
    {
        let early = Kind::EarlyEof { off: 1_500_000 };
        let _card = mount(&work, "card", "m", bad(CLIP, early));
        work.run("prove m --on dragged --copies 1")
            .exits(1)
            .says(CLIP);
    }
    let flip = Kind::BitflipRead {
        off: 1_500_000,
        bit: 3,
    };
    let _drive = mount(&work, "dragged", "m", bad("KITES/clip.mp4", flip));
    work.run("prove card --on m --copies 1")
        .exits(1)
        .says(&format!("missing: `{CLIP}`"));
}

/// Each is read once, and what only has the size of something is read no further than it begins.
#[test]
fn card_and_folder_are_read_once() {
    if skip() {
        return;
    }
    let work = Work::new("dragged-once");
    let card = (0..6).fold(Card::new(&work.path("card")), |card, n| {
        card.file(format!("DCIM/KITE{n}.RAW"), 1_000_000, n)
    });
    drop(card);
    drag(&work.path("card"), &work.folder("back/KITES"));
    // Of another day, as large as each raw of this camera.
    let others = (0..20).fold(Card::new(&work.path("back")), |other, n| {
        other.file(format!("LAST/KITE{n}X.RAW"), 1_000_000, 500 + n)
    });
    drop(others);
    remove(&work.path("back/KITES/DCIM/KITE3.RAW"));
    let card = mount(&work, "card", "m", Options::default());
    let drive = mount(&work, "back", "drive", Options::default());
    work.run("prove m --on drive --copies 1")
        .exits(1)
        .says("5 of 6 files on the card")
        .says("missing: `DCIM/KITE3.RAW`");
    assert_eq!(card.bytes_read(), 6_000_000);
    let read = drive.bytes_read();
    assert!(read < 5_000_000 + 20 * 200_000, "{read} bytes of the drive");
}

/// Within a second, wherever it is, and with no word on what was not read.
#[test]
fn it_ends_when_the_person_wants_to() {
    if skip() {
        return;
    }
    at_once(["card", "dragged"], |of| {
        let work = dragged("dragged-stop");
        let stall = Kind::StallRead {
            off: 2_000_000,
            ms: 4_000,
        };
        let options = Options {
            faults: vec![Fault::new(stall).path("**/C0001.MP4").times(1)],
            ..Options::default()
        };
        let mounted = mount(&work, of, "m", options);
        let (card, on) = if of == "card" {
            ("m", "dragged")
        } else {
            ("card", "m")
        };
        let mut command = work.command();
        command.args(["prove", card, "--on", on, "--copies", "1", "--json"]);
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let is_over = wait_until(&mut child, || mounted.fired("StallRead") > 0);
        assert_eq!(is_over, None, "it ended before {of} stalled");
        let clock = SystemClock::start();
        let then = clock.elapsed();
        kill_process(Pid::from_child(&child), Signal::INT).unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
        let verdict = said.find_map(|line| {
            let event: Value = serde_json::from_str(&line.unwrap()).unwrap();
            assert_ne!(event["event"], "problem", "{event}");
            (event["event"] == "verdict").then_some(event)
        });
        // The system lets a program go only when the read that it is in has ended.
        let took = clock.elapsed().saturating_sub(then);
        assert!(took < Duration::from_secs(2), "{took:?}");
        assert_eq!(verdict.unwrap()["proven"], false);
        assert_eq!(child.wait().unwrap().code(), Some(130));
    });
}

// ---- against a model ----------------------------------------------------------------------------

type Model = BTreeMap<String, Vec<u8>>;

fn pick(chance: &mut Chance, from: &Model) -> Option<String> {
    let at = chance.below(from.len());
    from.keys().nth(at).cloned()
}

/// A card by chance, with names, sizes and contents that meet.
fn card_by_chance(chance: &mut Chance) -> Model {
    let mut card = Model::new();
    for n in 0..=chance.below(14) {
        let folder = ["", "DCIM/100K/", "DCIM/101K/", "P/"][chance.below(4)];
        let path = format!("{folder}K{}.RAW", chance.below(8));
        // Two of 70 kB that differ behind the beginning only.
        let bytes = match chance.below(6) {
            0 => Vec::new(),
            1 => vec![7; 1 + chance.below(3)],
            2 => content(70_000, 1 + len(chance.below(3))),
            3 => {
                let mut bytes = content(70_000, 1);
                bytes[69_000] ^= u8::try_from(1 + chance.below(2)).unwrap();
                bytes
            }
            _ => content(300 + chance.below(3), 100 + len(n)),
        };
        card.insert(path, bytes);
    }
    card
}

fn len(n: usize) -> u64 {
    u64::try_from(n).unwrap()
}

/// What somebody made of it in a folder.
fn folder_by_chance(chance: &mut Chance, card: &Model) -> Model {
    let base = ["", "", "KITES/", "a/b/"][chance.below(4)];
    let deep = card
        .iter()
        .map(|(path, bytes)| (format!("{base}{path}"), bytes.clone()));
    let mut folder: Model = deep.collect();
    for n in 0..chance.below(9) {
        let Some(path) = pick(chance, &folder) else {
            break;
        };
        let bytes = folder.get(&path).cloned().unwrap();
        match chance.below(9) {
            0 | 1 => drop(folder.remove(&path)),
            2 if !bytes.is_empty() => {
                let at = chance.below(bytes.len());
                folder.get_mut(&path).unwrap()[at] ^= 1;
            }
            3 => {
                let all = folder.get_mut(&path).unwrap();
                all.truncate(bytes.len() / 2);
            }
            4 => {
                folder.remove(&path);
                folder.insert(format!("renamed{n}.bin"), bytes);
            }
            5 => drop(folder.insert(format!("again/{n}.bin"), bytes)),
            6 => {
                let Some(other) = pick(chance, &folder) else {
                    break;
                };
                let moved = folder.insert(other, bytes).unwrap();
                folder.insert(path, moved);
            }
            7 => {
                // In a Trash it is as good as gone.
                folder.remove(&path);
                folder.insert(format!(".Trash-1000/files/{n}"), bytes);
            }
            _ => {
                let name = path.rsplit('/').next().unwrap().to_owned();
                folder.remove(&path);
                folder.insert(format!("deeper/{n}/{name}"), bytes);
            }
        }
    }
    folder
}

/// What is one content: of nothing also its name.
fn kind_of(path: &str, bytes: &[u8]) -> (blake3::Hash, String) {
    let name = path.rsplit('/').next().unwrap();
    let name = if bytes.is_empty() { name } else { "" };
    (blake3::hash(bytes), name.to_owned())
}

/// The answer of a model that knows nothing of how it is found: of each content as many files of
/// the card are there as there are files of it in the folder, those with the same path first.
fn holds_by_model(seed: u64) {
    let mut chance = Chance::new(seed);
    let card = card_by_chance(&mut chance);
    let folder = folder_by_chance(&mut chance, &card);
    let work = Work::new("dragged-model");
    for (root, model) in [("card", &card), ("dragged", &folder)] {
        work.folder(root);
        for (path, bytes) in model {
            let path = work.path(root).join(path);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            put(&path, bytes);
        }
    }
    let stays = |path: &&String| !path.starts_with(".Trash-");
    let mut there: HashMap<_, BTreeSet<&str>> = HashMap::new();
    for path in folder.keys().filter(stays) {
        let kind = kind_of(path, &folder[path]);
        there.entry(kind).or_default().insert(path);
    }
    let mut on_card: HashMap<_, BTreeSet<&str>> = HashMap::new();
    for (path, bytes) in &card {
        on_card
            .entry(kind_of(path, bytes))
            .or_default()
            .insert(path);
    }
    let ran = work.run(&format!("{ASK} --json"));
    let verdict = ran.verdict();
    let problems = ran.events();
    let problems = problems.iter().filter(|e| e["event"] == "problem");
    let told: BTreeMap<&str, &str> = problems
        .filter_map(|e| Some((e["path"].as_str()?, e["kind"].as_str()?)))
        .collect();
    let mut held = 0;
    for (kind, paths) in &on_card {
        let others = there.get(kind).cloned().unwrap_or_default();
        let lacking = paths.len().saturating_sub(others.len());
        held += paths.len() - lacking;
        let lacks: Vec<_> = paths
            .iter()
            .filter(|path| told.contains_key(**path))
            .collect();
        let is_any_there = folder.keys().filter(stays).any(|path| {
            card.iter().any(|(of, bytes)| {
                let one = (bytes.len(), folder[path].len());
                let is_named = of.rsplit('/').next() == path.rsplit('/').next();
                one.0 == one.1 && (one.0 > 0 || is_named)
            })
        });
        if !is_any_there {
            // Nothing could be of the card, and nothing was read.
            assert_eq!(
                verdict["holdings"].as_array().map(Vec::len),
                Some(0),
                "{seed}: {ran}"
            );
            assert_eq!(ran.code, 1);
            return;
        }
        assert_eq!(lacks.len(), lacking, "seed {seed}, {paths:?}: {ran}");
        for path in paths.intersection(&others) {
            assert!(!told.contains_key(path), "seed {seed}: {path}: {ran}");
        }
        for path in lacks {
            let kind = told[path];
            let own = folder.get(*path);
            if own.is_some_and(|own| *own != card[*path]) {
                assert_eq!(kind, "mismatch", "seed {seed}: {path}: {ran}");
            }
        }
    }
    assert_eq!(ran.code == 0, held == card.len(), "seed {seed}: {ran}");
    assert_eq!(verdict["proven"], held == card.len(), "seed {seed}: {ran}");
    assert_eq!(
        verdict["holdings"][0]["files"],
        len(held),
        "seed {seed}: {ran}"
    );
    let mut used = BTreeSet::new();
    for moved in verdict["holdings"][0]["moved"].as_array().unwrap() {
        let (path, to) = (
            moved["path"].as_str().unwrap(),
            moved["to"].as_str().unwrap(),
        );
        assert_eq!(card[path], folder[to], "seed {seed}: {path} is no {to}");
        assert!(used.insert(to.to_owned()), "seed {seed}: {to} twice");
    }
}

#[test]
fn what_is_found_is_what_a_model_finds() {
    let seeds = if whole_sweeps() { 0..2_000 } else { 0..24 };
    at_once(seeds, holds_by_model);
}
