//! What a media hash list must never say, or do: speak of more than was looked at, call good what
//! once failed, or take a list out of a history.

use super::mhl::{MHL, checked_with, is_accepted};
use super::mhl_later::{ADD, STILL, action, last};
use crate::support::mount::{self, Fault, Kind, Mount, Options};
use crate::support::program::{
    Card, INTACT, Work, bytes_of, flip, move_to, names_in, put, remove, wait_until, whole_tree,
};
use crate::support::{at_once, sampled};
use std::path::{Path, PathBuf};
use std::process::Stdio;

const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";
const NEW: &str = "DCIM/101KITES/KITE0009.JPG";

fn copied(name: &str) -> (Work, PathBuf) {
    let work = Work::with_card(name);
    work.run(MHL).exits(0);
    let offload = work.path("a/KITES");
    (work, offload)
}

fn chain(offload: &Path) -> PathBuf {
    offload.join("ascmhl/ascmhl_chain.xml")
}

/// The folders that have hashes in a generation; the root has an empty name.
fn hashed(text: &str) -> Vec<String> {
    let folders = text.split("<directoryhash>").skip(1);
    let path = |part: &str| {
        part.split("<path>")
            .nth(1)?
            .split('<')
            .next()
            .map(str::to_owned)
    };
    let root = text.contains("<roothash>").then(String::new);
    root.into_iter().chain(folders.filter_map(path)).collect()
}

/// Whoever checks alone what is listed finds nothing.
#[track_caller]
fn is_partial(offload: &Path) {
    if let Some(ran) = checked_with(&["--partial"], &[offload.to_path_buf()]) {
        ran.exits(0);
    }
}

/// Who takes the last generation out of the chain takes nobody in.
#[test]
fn an_old_chain_that_was_put_back_is_not_gone_on_with() {
    let (work, offload) = copied("mhl-old-chain");
    let old = bytes_of(&chain(&offload));
    Card::new(&work.path("card")).file(NEW, 999, 90);
    work.run(MHL).exits(0);
    let new = bytes_of(&chain(&offload));
    put(&chain(&offload), &old);
    let before = whole_tree(&work.path("a"));
    let why = "the chain does not name `ascmhl/0002_KITES_";
    let ran = work.run("verify a/KITES");
    ran.exits(1).says("NOT INTACT").says(why);
    ran.is_silent_of("cut short").is_silent_of("signature");
    ran.says("what differs is in `ascmhl`");
    work.run(ADD).exits(3).says(why);
    Card::new(&work.path("card")).file("DCIM/101KITES/KITE0010.JPG", 99, 91);
    for command in [MHL, "copy card --to a --to b --name KITES --copies 1"] {
        let ran = work.run(command);
        ran.exits(3).says("can't be gone on with").says(why);
        ran.says("Put its `ascmhl` back")
            .is_silent_of("Leave out --mhl");
    }
    assert_eq!(whole_tree(&work.path("a")), before);
    // So too where the list is all that there is.
    move_to(&offload.join("_unlade"), &work.path("away"));
    move_to(&offload, &work.folder("other").join("KITES"));
    let ran = work.run("verify other/KITES");
    ran.exits(1)
        .says("NOT INTACT")
        .says("the chain does not name it");
    put(&chain(&work.path("other/KITES")), &new);
    work.run("verify other/KITES").exits(0);
}

/// As a drive that was pulled can leave it: what the lists said is kept, what `failed` above all.
#[test]
fn a_chain_that_is_torn_or_gone_is_said_and_forgets_nothing() {
    let (work, offload) = copied("mhl-torn-chain");
    flip(&offload.join(STILL), 5);
    let bad = bytes_of(&offload.join(STILL));
    work.run(ADD).exits(1);
    flip(&offload.join(STILL), 5);
    let whole = bytes_of(&chain(&offload));
    let harms = [
        (
            &b""[..],
            "it is empty, as a drive that was pulled can leave it",
        ),
        (&whole[..whole.len() / 2], "it ends early"),
        (&[0; 600], "it is no ASC media hash list"),
    ];
    let lists = names_in(&offload.join("ascmhl"));
    let lists: Vec<_> = lists.iter().filter(|n| n.contains("Z.mhl")).collect();
    let is_said = |why: &str| {
        let before = whole_tree(&work.path("a"));
        let ran = work.run("verify a/KITES");
        ran.exits(1).says("NOT INTACT").is_silent_of("cut short");
        for list in &lists {
            ran.says(why).says("nobody vouches for 2 lists").says(list);
        }
        let ran = work.run(ADD);
        ran.exits(3)
            .says(why)
            .says("put what is missing or damaged");
        ran.is_silent_of("there is no `ascmhl`");
        for command in [MHL, "copy card --to a --to b --name KITES --copies 1"] {
            let ran = work.run(command);
            ran.exits(3).says("can't be gone on with").says(why);
        }
        assert_eq!(whole_tree(&work.path("a")), before);
    };
    for (harm, why) in harms {
        put(&chain(&offload), harm);
        is_said(why);
    }
    remove(&chain(&offload));
    is_said("it is not there");
    let part = offload.join("ascmhl/.ascmhl_chain-2.xml.unlade-part");
    put(&part, &whole);
    let why = "`.ascmhl_chain-2.xml.unlade-part` is that chain: name it `ascmhl_chain.xml`";
    is_said(why);
    // One that does not name all of them is none that helps.
    let short = offload.join("ascmhl/0003_by_hand.mhl");
    put(&short, b"<hashlist/>");
    let ran = work.run("verify a/KITES");
    ran.exits(1).says("3 lists").is_silent_of("is that chain");
    remove(&short);
    move_to(&part, &chain(&offload));
    work.run("verify a/KITES").exits(0).says(INTACT);
    put(&offload.join("DCIM/OTHER.JPG"), &bad);
    work.run(ADD).exits(1);
    assert_eq!(action(&last(&offload), "DCIM/OTHER.JPG"), "failed");
    // Where nobody has it any more: kept elsewhere, with a new one begun.
    let other = work.path("b/KITES");
    put(&chain(&other), b"");
    move_to(&other.join("ascmhl"), &work.path("kept"));
    work.run("copy card --to b --name KITES --copies 1 --mhl")
        .exits(0);
    is_accepted(&[other]);
    work.run("verify b/KITES").exits(0).says(INTACT);
}

/// On drives that can't hold what a Mac keeps with each file it writes that beside it, as
/// `._NAME` (from memory).
#[test]
fn what_a_mac_puts_beside_lists_is_no_list() {
    let (work, offload) = copied("mhl-mac");
    let list = names_in(&offload.join("ascmhl")).remove(0);
    for name in [list.as_str(), "ascmhl_chain.xml"] {
        put(
            &offload.join("ascmhl").join(format!("._{name}")),
            b"\x00\x05\x16\x07",
        );
    }
    let ran = work.run("verify a/KITES");
    ran.exits(0)
        .says(INTACT)
        .says("2 entries made by a computer");
    work.run(ADD).exits(0);
    Card::new(&work.path("card")).file(NEW, 999, 90);
    work.run(MHL).exits(0);
    let folder = bare(&work, &offload);
    work.run("verify other/KITES").exits(0);
    remove(&chain(&folder));
    work.run("verify other/KITES").exits(3).says("3 lists");
}

/// The same where the list is all that there is, beside a list of another kind, and further down.
#[test]
fn a_folder_of_lists_without_a_chain_is_not_one_without_a_history() {
    let (work, offload) = copied("mhl-no-chain");
    let folder = bare(&work, &offload);
    let whole = bytes_of(&chain(&folder));
    let is_said = |why: &str, path: &str| {
        let before = whole_tree(&work.path("other"));
        for command in ["verify other/KITES", "verify other/KITES --add-generation"] {
            let ran = work.run(command);
            ran.exits(3).says(why).says("0001_KITES_").says(path);
        }
        assert_eq!(whole_tree(&work.path("other")), before);
    };
    put(&chain(&folder), b"");
    is_said("it is empty", "`ascmhl/ascmhl_chain.xml`");
    remove(&chain(&folder));
    is_said("it is not there", "`ascmhl/ascmhl_chain.xml`");
    let empty = "d41d8cd98f00b204e9800998ecf8427e  DCIM/101KITES/KITE0002.TXT\n";
    put(&folder.join("MD5SUMS"), empty.as_bytes());
    is_said("it is not there", "`ascmhl/ascmhl_chain.xml`");
    remove(&folder.join("MD5SUMS"));
    put(&chain(&folder), &whole);
    work.run("verify other/KITES").exits(0);
    // One below: what its files should be is not known, and the history above leaves it out.
    let below = folder.join("DCIM/ascmhl");
    move_to(&folder.join("ascmhl"), &below);
    work.run("copy card --to b --name MORE --copies 1 --mhl")
        .exits(0);
    move_to(&work.path("b/MORE/ascmhl"), &folder.join("ascmhl"));
    remove(&below.join("ascmhl_chain.xml"));
    let ran = work.run("verify other/KITES");
    ran.exits(3)
        .says("`DCIM/ascmhl/ascmhl_chain.xml`: it is not there");
}

/// A folder's hash speaks of all that is in it: where anything is not listed as good, that folder
/// has none, and none above it.
#[test]
fn only_folders_of_which_all_is_listed_have_hashes() {
    let (work, offload) = copied("mhl-per-folder");
    let first = hashed(&last(&offload));
    for folder in ["", "DCIM", "DCIM/100KITES", "PRIVATE", "PRIVATE/CLIPS"] {
        assert!(first.iter().any(|has| has == folder), "{first:?}");
    }
    let without = |gone: &[&str]| {
        let mut left = first.clone();
        left.retain(|folder| !gone.contains(&folder.as_str()));
        left
    };
    flip(&offload.join(STILL), 5);
    work.run(ADD).exits(1);
    let above = ["", "DCIM", "DCIM/100KITES"];
    assert_eq!(hashed(&last(&offload)), without(&above));
    is_accepted(std::slice::from_ref(&offload));
    flip(&offload.join(STILL), 5);
    work.run(ADD).exits(0);
    assert_eq!(hashed(&last(&offload)), first);
    // In a copy as well: what somebody put there is in no list.
    let other = work.path("b/KITES");
    put(&other.join("PRIVATE/CLIPS/notes.txt"), b"kites");
    Card::new(&work.path("card")).file(NEW, 999, 90);
    work.run(MHL).exits(0);
    let named = hashed(&last(&other));
    assert!(named.contains(&"DCIM/100KITES".to_owned()), "{named:?}");
    for folder in ["", "PRIVATE", "PRIVATE/CLIPS"] {
        assert!(!named.contains(&folder.to_owned()), "{named:?}");
    }
    is_partial(&other);
    assert_eq!(hashed(&last(&offload)).len(), first.len());
    is_accepted(&[offload]);
}

/// What failed once has failed, whatever it is called later.
#[test]
fn what_failed_is_not_good_under_another_name() {
    let (work, offload) = copied("mhl-failed-moved");
    flip(&offload.join(STILL), 5);
    work.run(ADD).exits(1);
    let copied = bytes_of(&offload.join(STILL));
    // A second one of it, then the first one is called otherwise.
    put(&offload.join("DCIM/SECOND.JPG"), &copied);
    work.run(ADD).exits(1);
    assert_eq!(action(&last(&offload), "DCIM/SECOND.JPG"), "failed");
    move_to(&offload.join(STILL), &offload.join("DCIM/OTHER.JPG"));
    work.run(ADD).exits(1);
    let text = last(&offload);
    for path in ["DCIM/OTHER.JPG", "DCIM/SECOND.JPG"] {
        assert_eq!(action(&text, path), "failed", "{text}");
    }
    let previous = format!("<previousPath>{STILL}</previousPath>");
    assert!(text.contains(&previous), "{text}");
    is_partial(&offload);
    // A card on which it has a further name: the copy is what the card holds, and the list says
    // what it said before.
    put(&work.path("card/DCIM/THIRD.JPG"), &copied);
    work.run(MHL).exits(0);
    assert_eq!(action(&last(&offload), "DCIM/THIRD.JPG"), "failed");
    is_partial(&offload);
}

/// A part is nobody's file, and an offload's own records are looked at.
#[test]
fn a_check_that_is_written_down_says_what_else_is_wrong() {
    let (work, offload) = copied("mhl-add-records");
    put(&offload.join("DCIM/.KITE0099.JPG.unlade-part"), b"half");
    work.run(ADD).exits(1).says("an unfinished part file");
    let text = last(&offload);
    assert!(!text.contains("unlade-part"), "{text}");
    assert!(!hashed(&text).contains(&"DCIM".to_owned()), "{text}");
    remove(&offload.join("DCIM/.KITE0099.JPG.unlade-part"));
    let sums = offload.join("_unlade/checksums.b3");
    flip(&sums, 5);
    let ran = work.run(ADD);
    ran.exits(1).says("NOT INTACT").says("_unlade/checksums.b3");
    flip(&sums, 5);
    work.run(ADD).exits(0);
    let before = whole_tree(&offload);
    flip(&offload.join("_unlade/manifest.json"), 50);
    let ran = work.run(ADD);
    ran.exits(3)
        .says("no generation can be added")
        .says("manifest");
    flip(&offload.join("_unlade/manifest.json"), 50);
    assert_eq!(whole_tree(&offload), before);
}

#[test]
fn what_was_moved_and_moved_back_is_no_fault_of_the_list() {
    let (work, offload) = copied("mhl-moved-back");
    let away = offload.join("PRIVATE/CLIPS/C0002.MP4");
    move_to(&offload.join(CLIP), &away);
    work.run(ADD).exits(1).says("1 moved");
    // Moved it is, and the list is whole.
    let ran = work.run("verify a/KITES");
    ran.exits(1).says("1 moved").is_silent_of("changed");
    move_to(&away, &offload.join(CLIP));
    work.run("verify a/KITES").exits(0).says(INTACT);
    Card::new(&work.path("card")).file(NEW, 999, 90);
    work.run(MHL).exits(0);
    let text = last(&offload);
    assert_eq!(action(&text, CLIP), "verified");
    assert!(
        text.contains("<previousPath>PRIVATE/CLIPS/C0002.MP4<"),
        "{text}"
    );
    is_accepted(std::slice::from_ref(&offload));
    for _ in 0..2 {
        move_to(&offload.join(CLIP), &away);
        work.run(ADD).exits(1);
        move_to(&away, &offload.join(CLIP));
        work.run(ADD).exits(1);
        is_accepted(std::slice::from_ref(&offload));
        work.run("verify a/KITES").exits(0).says(INTACT);
    }
    work.run(ADD).exits(0);
}

/// A copy that brings a damaged file anew says so: it is good again.
#[test]
fn what_failed_and_was_copied_anew_is_said() {
    let (work, offload) = copied("mhl-anew");
    flip(&offload.join(STILL), 5);
    work.run(ADD).exits(1);
    assert_eq!(action(&last(&offload), STILL), "failed");
    move_to(&offload.join(STILL), &work.path("damaged"));
    work.run(MHL).exits(0);
    let text = last(&offload);
    assert!(text.contains("<process>transfer</process>"), "{text}");
    assert_eq!(action(&text, STILL), "verified");
    is_accepted(std::slice::from_ref(&offload));
    let lists = names_in(&offload.join("ascmhl")).len();
    work.run(MHL).exits(0);
    assert_eq!(names_in(&offload.join("ascmhl")).len(), lists, "said once");
}

// ---- several at once, and killed ---------------------------------------------------------------

/// Makes a folder of somebody else's of an offload, which has nothing but a list.
fn bare(work: &Work, offload: &Path) -> PathBuf {
    move_to(&offload.join("_unlade"), &work.path("away"));
    let bare = work.folder("other").join("KITES");
    move_to(offload, &bare);
    bare
}

#[test]
fn checks_that_are_written_down_at_once_do_not_harm_each_other() {
    let (work, offload) = copied("mhl-at-once");
    let offload = bare(&work, &offload);
    for number in 0..3 {
        let mut all = Vec::new();
        for _ in 0..3 {
            let mut command = work.command();
            command.args("verify other/KITES --add-generation".split(' '));
            let command = command.stdout(Stdio::null()).stderr(Stdio::null());
            all.push(command.spawn().unwrap());
        }
        let ends: Vec<_> = all.iter_mut().map(|c| c.wait().unwrap().code()).collect();
        let good = ends.iter().filter(|code| **code == Some(0)).count();
        assert!(good >= 1, "{number}: {ends:?}");
        assert!(
            ends.iter().all(|code| [Some(0), Some(3)].contains(code)),
            "{ends:?}"
        );
        is_accepted(std::slice::from_ref(&offload));
    }
    work.run("verify other/KITES").exits(0);
}

#[test]
fn a_check_that_is_killed_while_it_is_written_down_is_gone_on_with() {
    if mount::skip() {
        return;
    }
    let cases = [
        ("create", "*.mhl.unlade-part"),
        ("create", "*ascmhl_chain*part"),
        ("rename", "*Z.mhl"),
        ("rename", "*ascmhl_chain.xml"),
    ];
    let all = cases
        .into_iter()
        .flat_map(|case| [(case, false), (case, true)]);
    let all = sampled(all.collect(), 4);
    at_once(all, |((op, path), has_records)| {
        let (work, mut offload) = copied("mhl-add-killed");
        let mut folder = "a";
        if !has_records {
            (folder, offload) = ("other", bare(&work, &offload));
        }
        let fault = Fault::new(Kind::Stall { op, ms: 400 }).path(path);
        let options = Options {
            faults: vec![fault],
            ..Options::default()
        };
        let name = format!("Stall:{op}");
        let mounted = Mount::new(&work.path(folder), &work.folder("m"), options).unwrap();
        let mut check = work.command();
        check.args("verify m/KITES --add-generation".split(' '));
        let check = check.stdout(Stdio::null()).stderr(Stdio::null());
        let mut child = check.spawn().unwrap();
        let fired = || mounted.fired(&name) + mounted.fired("Stall") > 0;
        assert_eq!(wait_until(&mut child, fired), None, "{op} {path}");
        child.kill().unwrap();
        child.wait().unwrap();
        drop(mounted);
        let before = names_in(&offload.join("ascmhl"));
        let (verify, note) = (format!("verify {folder}/KITES"), "cut short");
        let ran = work.run(&verify);
        ran.exits(0);
        // The last call may have come to its end.
        if before.iter().any(|name| name.ends_with(".unlade-part")) {
            ran.says(note);
        }
        work.run(&format!("{verify} --add-generation")).exits(0);
        is_accepted(std::slice::from_ref(&offload));
        let after = names_in(&offload.join("ascmhl"));
        for list in before.iter().filter(|name| name.ends_with("Z.mhl")) {
            assert!(after.contains(list), "{before:?}: {after:?}");
        }
        work.run(&verify).exits(0).is_silent_of(note);
    });
}

/// Cut off just before the chain has its name: by its part the list is known to be a whole one.
#[test]
fn a_list_that_had_its_name_before_its_chain_is_gone_on_with() {
    for (has_records, again) in [(true, ADD), (true, MHL), (false, "")] {
        let (work, mut offload) = copied("mhl-begun");
        let mut folder = "a";
        if !has_records {
            (folder, offload) = ("other", bare(&work, &offload));
        }
        let (verify, old) = (format!("verify {folder}/KITES"), bytes_of(&chain(&offload)));
        let add = format!("{verify} --add-generation");
        work.run(&add).exits(0);
        let part = offload.join("ascmhl/.ascmhl_chain.xml.unlade-part");
        move_to(&chain(&offload), &part);
        put(&chain(&offload), &old);
        let lists = whole_tree(&offload);
        work.run(&verify).exits(0).says("cut short");
        // The same where the list is not what that chain says: nobody vouches for it.
        let second = names_in(&offload.join("ascmhl"));
        let second = second
            .into_iter()
            .find(|name| name.starts_with("0002_"))
            .unwrap();
        let second = offload.join("ascmhl").join(second);
        flip(&second, 300);
        let ran = work.run(&verify);
        ran.exits(1).says("the chain does not name");
        work.run(&add).exits(3).says("the chain does not name");
        flip(&second, 300);
        assert_eq!(whole_tree(&offload), lists);
        if again == MHL {
            Card::new(&work.path("card")).file(NEW, 999, 90);
        }
        work.run(if again.is_empty() { &add } else { again })
            .exits(0);
        is_accepted(std::slice::from_ref(&offload));
        assert_eq!(
            names_in(&offload.join("ascmhl")).len(),
            4,
            "three lists and their chain"
        );
        work.run(&verify).exits(0).is_silent_of("cut short");
    }
}

// ---- what to type -----------------------------------------------------------------------------

#[test]
fn what_is_said_to_be_done_can_be_done() {
    let (work, offload) = copied("mhl-advice");
    // Nobody typed --mhl: the offload has a list.
    let ran = work.run("copy card --to a --to b --name KITES --copies 1 --proof written");
    ran.exits(3).says("--name").is_silent_of("Leave out --mhl");
    let list = names_in(&offload.join("ascmhl")).remove(0);
    let given = format!("verify --list a/KITES/ascmhl/{list}");
    work.run(&given).exits(0).says("7 of 7 files");
    flip(&offload.join(STILL), 5);
    work.run(&given).exits(1).says("1 changed");
    flip(&offload.join(STILL), 5);
    let elsewhere = work.path("mailed.mhl");
    put(&elsewhere, &bytes_of(&offload.join("ascmhl").join(&list)));
    work.run("verify --list mailed.mhl --base b/KITES").exits(0);
    let ran = work.run("verify --list a/KITES/ascmhl/ascmhl_chain.xml");
    ran.exits(3)
        .says("give `unlade verify` the folder that `ascmhl` is in");
}
