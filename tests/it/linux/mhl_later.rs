//! What becomes of a media hash list later: `verify --add-generation`, random trees and histories
//! that the checkers accept, and listed kinds of damage that they reject.

use super::mhl::{MHL, checked, is_accepted};
use crate::support::mount::{self, Fault, Kind, Mount, Options};
use crate::support::program::{
    Card, INTACT, Ran, Work, bytes_of, checkers, finish, flip, move_to, names_in, put, remove,
    skip, tool, whole_tree,
};
use crate::support::{at_once, sampled, whole_sweeps};
use std::path::{Path, PathBuf};
use std::process::Command;

pub(super) const ADD: &str = "verify a/KITES --add-generation";
pub(super) const STILL: &str = "DCIM/100KITES/KITE0001.JPG";

fn script(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/it/linux")
        .join(name)
}

/// The text of the last generation of an offload.
pub(super) fn last(offload: &Path) -> String {
    let names = names_in(&offload.join("ascmhl"));
    let last = names.iter().rfind(|name| name.contains("Z.mhl")).unwrap();
    String::from_utf8(bytes_of(&offload.join("ascmhl").join(last))).unwrap()
}

/// The action of a file's first hash.
pub(super) fn action(text: &str, path: &str) -> String {
    let rest = text.split(&format!(">{path}</path>")).nth(1).unwrap();
    rest.split("action=\"")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap()
        .to_owned()
}

#[test]
fn a_check_is_written_down_as_the_next_generation() {
    let work = Work::with_card("mhl-added");
    work.run(&format!("{MHL} --also md5,xxh3")).exits(0);
    let offload = work.path("a/KITES");
    let before = whole_tree(&offload);
    let ran = work.run(ADD);
    ran.exits(0)
        .says("The check is written down: `ascmhl/0002_KITES_");
    let after = whole_tree(&offload);
    let is_chain = |path: &Path| path.ends_with("ascmhl/ascmhl_chain.xml");
    for (path, node) in &before {
        assert!(after.get(path) == Some(node) || is_chain(path), "{path:?}");
    }
    assert_eq!(after.len(), before.len() + 1, "one file more");
    let text = last(&offload);
    assert!(text.contains("<process>in-place</process>"), "{text}");
    assert_eq!(text.matches("action=\"verified\"").count(), 14, "{text}");
    is_accepted(std::slice::from_ref(&offload));
    work.run("verify a/KITES").exits(0).says(INTACT);
    // What is damaged, new and moved is said, and is in the list as what it is.
    flip(&offload.join(STILL), 5);
    put(&offload.join("DCIM/NEW.JPG"), b"new");
    move_to(
        &offload.join("PRIVATE/CLIPS/C0001.MP4"),
        &offload.join("PRIVATE/CLIPS/C0002.MP4"),
    );
    let ran = work.run(&format!("{ADD} --json"));
    let verdict = ran.exits(1).verdict();
    assert!(
        verdict["generation"].as_str().unwrap().contains("0003_"),
        "{verdict}"
    );
    assert_eq!(
        [&verdict["changed"], &verdict["extra"], &verdict["moved"]],
        [1, 1, 1]
    );
    let text = last(&offload);
    assert_eq!(action(&text, STILL), "failed");
    assert_eq!(action(&text, "DCIM/NEW.JPG"), "original");
    assert_eq!(action(&text, "PRIVATE/CLIPS/C0002.MP4"), "verified");
    assert!(
        text.contains("<previousPath>PRIVATE/CLIPS/C0001.MP4</previousPath>"),
        "{text}"
    );
    is_accepted(std::slice::from_ref(&offload));
    // What failed is held against nothing; mended it is what it was at first.
    flip(&offload.join(STILL), 5);
    work.run(ADD).exits(0);
    assert_eq!(action(&last(&offload), STILL), "verified");
    is_accepted(&[offload]);
}

/// A history that was begun by others, with what they chose.
#[test]
fn a_history_of_others_is_gone_on_with() {
    let (Some(python), work) = (checkers(), Work::with_card("mhl-others")) else {
        return skip("python is not installed");
    };
    let mut make = Command::new(python);
    make.arg("-B")
        .arg(script("mhl.py"))
        .arg("make")
        .arg(work.path("card"))
        .arg("md5");
    finish(&mut make).exits(0);
    put(&work.path("card/NEW.JPG"), b"new");
    work.run("verify card --add-generation")
        .exits(1)
        .says("1 extra")
        .says("written down");
    assert_eq!(action(&last(&work.path("card")), STILL), "verified");
    assert_eq!(action(&last(&work.path("card")), "NEW.JPG"), "original");
    is_accepted(&[work.path("card")]);
    work.run("verify card --add-generation").exits(0);
    is_accepted(&[work.path("card")]);
}

#[test]
fn where_no_generation_can_be_added_nothing_is_written() {
    let refused = |work: &Work, given: &str, why: &str| {
        let before = whole_tree(&work.path(given));
        let ran = work.run(&format!("verify {given} --add-generation"));
        ran.exits(3).says("no generation can be added").says(why);
        assert_eq!(whole_tree(&work.path(given)), before, "{ran}");
    };
    let work = Work::with_card("mhl-not-added");
    work.offload();
    refused(&work, "a/KITES", "there is no `ascmhl`");
    work.run("copy card --to a --name BAG --copies 1 --layout bag")
        .exits(0);
    refused(&work, "a/BAG", "it is a bag");
    work.run(MHL).exits(0);
    let offload = work.path("a/KITES");
    let list = names_in(&offload.join("ascmhl")).remove(0);
    let list = offload.join("ascmhl").join(list);
    flip(&list, 300);
    refused(&work, "a/KITES", "it is not what the chain says");
    flip(&list, 300);
    put(&offload.join("ascmhl/0002_x.mhl"), b"<hashlist/>");
    refused(&work, "a/KITES", "the chain does not name");
    remove(&offload.join("ascmhl/0002_x.mhl"));
    // One further down, as of a card that was put into this folder.
    Card::new(&offload.join("DCIM")).file("ascmhl/ascmhl_chain.xml", 9, 1);
    refused(&work, "a/KITES", "there is a list further down");
    // A card's own one, of which the manifest says what it holds.
    let own = Work::with_card("mhl-own");
    own.run("copy card --to b --name MADE --copies 1 --mhl")
        .exits(0);
    move_to(&own.path("b/MADE/ascmhl"), &own.path("card/ascmhl"));
    own.run("copy card --to a --name KITES --copies 1").exits(0);
    refused(&own, "a/KITES", "the list is the card's own");
    own.run("verify a/KITES").exits(0).says(INTACT);
}

#[test]
fn a_drive_that_takes_no_generation_keeps_what_was_there() {
    if mount::skip() {
        return;
    }
    let bit = |path| Fault::new(Kind::BitflipWrite { off: 300, bit: 2 }).path(path);
    let no = |path| {
        Fault::new(Kind::OpError {
            op: "rename",
            errno: 5,
        })
        .path(path)
    };
    let cases = [
        (Some(bit("*.mhl.unlade-part")), false),
        (Some(bit("*ascmhl_chain*part")), false),
        (Some(no("*ascmhl_chain.xml")), false),
        (None, true),
    ];
    at_once(cases, |(fault, readonly)| {
        let work = Work::with_card("mhl-add-lies");
        work.run("copy card --to a --name KITES --copies 1 --mhl --separate")
            .exits(0);
        let chain = bytes_of(&work.path("a/KITES/ascmhl/ascmhl_chain.xml"));
        let options = Options {
            faults: fault.into_iter().collect(),
            readonly,
            ..Options::default()
        };
        let mounted = Mount::new(&work.path("a"), &work.folder("m"), options).unwrap();
        let ran = work.run("verify m/KITES --add-generation");
        if readonly {
            ran.exits(3).says("the drive is mounted read-only");
        } else {
            ran.exits(1).says("could not be written down");
        }
        drop(mounted);
        assert_eq!(
            bytes_of(&work.path("a/KITES/ascmhl/ascmhl_chain.xml")),
            chain
        );
        let parts = whole_tree(&work.path("a/KITES")).into_keys();
        let parts: Vec<_> = parts
            .filter(|p| crate::support::program::is_part(p))
            .collect();
        assert_eq!(parts, [""; 0].map(PathBuf::from));
        work.run("verify a/KITES").exits(0).says(INTACT);
    });
}

// ---- random trees -----------------------------------------------------------------------------

struct Dice(u64);

impl Dice {
    fn below(&mut self, limit: u64) -> u64 {
        // SplitMix64 (Steele, Lea, Flood 2014), from memory.
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % limit
    }

    fn pick<'a>(&mut self, all: &[&'a str]) -> &'a str {
        all[usize::try_from(self.below(u64::try_from(all.len()).unwrap())).unwrap()]
    }
}

/// A few files in a few folders, with names of odd pieces.
fn random_card(root: &Path, dice: &mut Dice, folder: &str) {
    let pieces = [
        "KITE",
        "0001",
        ".JPG",
        " ",
        "&",
        "<",
        "\u{e9}",
        "*",
        "[",
        "\\",
        "'",
        "\n",
        "#",
        "!",
        "%",
        "\u{1f3aa}",
        "._",
        "~x",
    ];
    let mut card = Card::new(root);
    for seed in 0..=dice.below(9) {
        let mut path = folder.to_owned();
        for _ in 0..dice.below(3) {
            path.push_str(&format!("F{}{}/", dice.below(3), dice.pick(&pieces).trim()));
        }
        let name: String = (0..=dice.below(4)).map(|_| dice.pick(&pieces)).collect();
        path.push_str(&format!("N{name}{seed}"));
        let bytes = [0, 1, 500, 70_000][usize::try_from(dice.below(4)).unwrap()];
        card = card.file(path, bytes, seed + 1);
    }
    card.folder(&format!("{folder}EMPTY{}", dice.below(3)));
}

/// A random card is copied, shot on, copied again and checked; the list is accepted every time.
#[test]
fn lists_of_random_trees_are_accepted() {
    let trees = if whole_sweeps() { 500 } else { 8 };
    at_once(
        (0..trees)
            .collect::<Vec<u64>>()
            .chunks(8)
            .map(<[u64]>::to_vec),
        |seeds| {
            let work = Work::new("mhl-random");
            let mut offloads = Vec::new();
            for seed in seeds {
                let mut dice = Dice(20_261_130 + seed);
                let (card, name) = (work.path(&format!("card{seed}")), format!("K{seed}"));
                work.folder("a");
                random_card(&card, &mut dice, "");
                let also = [
                    "",
                    "--also c4",
                    "--also md5,xxh64",
                    "--also sha1,xxh3,xxh128",
                    "--also sha256",
                ];
                let copy = |more: &str| {
                    let line =
                        format!("copy card{seed} --to a --name {name} --copies 1 --mhl {more} -q");
                    work.run(&line).exits(0);
                };
                copy(dice.pick(&also));
                for round in 0..dice.below(3) {
                    if dice.below(2) == 0 {
                        random_card(&card, &mut dice, &format!("MORE{round}/"));
                        copy("");
                    } else {
                        work.run(&format!("verify a/{name} --add-generation"))
                            .exits(0);
                    }
                }
                work.run(&format!("verify a/{name}")).exits(0).says(INTACT);
                offloads.push(work.path(&format!("a/{name}")));
            }
            is_accepted(&offloads);
        },
    );
}

// ---- damage -----------------------------------------------------------------------------------

/// What no check of files can see, and the reading side leaves to others: what the list itself says
/// of its making, hashes of folders that are not there or of another kind than those of files, and
/// an action that fits no history.
const UNSEEN: [&str; 8] = [
    "date without a zone",
    "no computer",
    "no tool",
    "own folder not left out",
    "verified at first",
    "hash in capitals",
    "a folder less",
    "folder hashes of two kinds",
];

fn damage(python: &Path, arguments: &[&str]) -> Ran {
    let mut command = Command::new(python);
    let script = script("mhl_damage.py");
    finish(command.arg("-B").arg(script).args(arguments))
}

/// A folder's hash is compared where each file in it was read and is what the list says, and
/// nothing else is there; it is told of the folder itself, and of none above it (specification
/// 1.0, appendix G).
#[test]
fn a_folder_that_is_not_what_its_hash_says_is_told_once() {
    let Some(python) = tool("python3") else {
        return skip("python3 is not installed");
    };
    for (kind, of, path) in [
        ("another content", "xxh128 of the whole folder", "`DCIM/`"),
        ("another structure", "xxh128 of its names", "`DCIM/`"),
        ("another root", "xxh128 of the whole folder", "`./`"),
    ] {
        let work = Work::with_card("mhl-folder-hash");
        work.run("copy card --to a --name KITES --copies 1 --mhl")
            .exits(0);
        move_to(&work.path("a/KITES"), &work.folder("other").join("KITES"));
        let folder = work.path("other/KITES");
        move_to(&folder.join("_unlade"), &work.path("apart"));
        work.run("verify other/KITES").exits(0);
        damage(&python, &[kind, folder.to_str().unwrap()]).exits(0);
        let ran = work.run("verify other/KITES");
        ran.exits(1)
            .says("7 of 7 files")
            .says("1 changed")
            .says(path);
        ran.says("each file in it is what the list says").says(of);
        let list = names_in(&folder.join("ascmhl")).remove(0);
        let given = format!("verify --list other/KITES/ascmhl/{list}");
        work.run(&given).exits(1).says(of);
        // Where that alone is not sure, what is sure is said.
        let harms = [
            (STILL, "1 changed"),
            ("DCIM/NEW.JPG", "1 extra"),
            ("DCIM/100KITES/.NEW.JPG.unlade-part", "1 extra"),
        ];
        for (path, says) in harms {
            let path = folder.join(path);
            let before = path.exists().then(|| bytes_of(&path));
            put(&path, b"new");
            let ran = work.run("verify other/KITES");
            ran.exits(1).says(says).is_silent_of("each file in it");
            match before {
                Some(bytes) => put(&path, &bytes),
                None => remove(&path),
            }
        }
        // What a computer put there since is none of it.
        put(&folder.join("DCIM/.DS_Store"), b"Mac");
        work.run("verify other/KITES").exits(1).says(of);
        // The next generation has hashes of its own.
        work.run("verify other/KITES --add-generation").exits(1);
        work.run("verify other/KITES").exits(0);
    }
}

/// The checker finds each of 43 kinds, so that what it accepts means something; and `verify` each
/// that it says it looks at.
#[test]
fn every_kind_of_damage_is_found() {
    let Some(python) = tool("python3") else {
        return skip("python3 is not installed");
    };
    let run = |arguments: &[&str]| damage(&python, arguments);
    let kinds = run(&["list"]).exits(0).out.clone();
    let kinds: Vec<String> = kinds.lines().map(str::to_owned).collect();
    assert_eq!(kinds.len(), 43);
    at_once(
        sampled(kinds, 12).chunks(3).map(<[String]>::to_vec),
        |kinds| {
            for kind in kinds {
                let work = Work::with_card("mhl-kind");
                work.run("copy card --to a --name KITES --copies 1 --mhl")
                    .exits(0);
                let offload = work.path("a/KITES");
                run(&[&kind, offload.to_str().unwrap()]).exits(0);
                if let Some(ran) = checked(std::slice::from_ref(&offload)) {
                    ran.exits(1).is_silent_of("Traceback");
                }
                // Somebody else's, for whom the list is all that there is.
                move_to(&offload.join("_unlade"), &work.path("apart"));
                move_to(&offload, &work.folder("other").join("KITES"));
                let found = work.run("verify other/KITES").code != 0;
                assert_eq!(found, !UNSEEN.contains(&kind.as_str()), "{kind}");
            }
        },
    );
}
