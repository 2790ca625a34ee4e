//! `copy` alone: what is plugged in goes to the usual drives after one question, on real volumes
//! and a real terminal (script(1)). Other tests plug in cards too, so the program runs in a mount
//! namespace in which only this test's volumes are mounted (unshare(1)).
#![expect(
    clippy::disallowed_methods,
    reason = "tests play a person with an editor"
)]

use crate::support::image::{Image, alone, done};
use crate::support::program::{Card, Ran, Work, finish, names_in, skip, tool, tree};
use std::fs;
use std::io::{Read as _, Write as _};
use std::process::{Command, Stdio};

const DRIVES: [&str; 2] = ["ATTIC", "TRAVEL"];

/// Two drives of the kit and cards, all of them mounted.
struct World {
    /// Unmounted before their folder is removed.
    images: Vec<Image>,
    work: Work,
}

impl World {
    fn new(name: &str, cards: &[&str]) -> Option<Self> {
        let work = Work::new(name);
        let is_root = rustix::process::geteuid().is_root();
        if !is_root || ["unshare", "script", "stty"].map(tool).contains(&None) {
            skip("a mount namespace and a terminal need root, unshare, script and stty");
            return None;
        }
        let mut images = Vec::new();
        for name in cards.iter().chain(&DRIVES) {
            let at = work.folder(name);
            images.push(Image::ext4(
                &work.path(&format!("{name}.img")),
                &at,
                32,
                "rw",
            )?);
        }
        for (seed, card) in (1..).zip(cards) {
            Card::new(&work.path(card))
                .file("DCIM/100KITES/KITE0001.JPG", 40_000, seed)
                .file("DCIM/100KITES/KITE0002.JPG", 41_000, seed + 50);
        }
        for (name, at) in [("Attic", "ATTIC"), ("Travel", "TRAVEL")] {
            work.run(&format!("kit add drive {name} --at {at} --home h"))
                .exits(0);
        }
        Some(Self { images, work })
    }

    /// Puts what is usual above the kit.
    fn usual(&self, text: &str) {
        let kit = self.work.path("h/kit.toml");
        let all = fs::read_to_string(&kit).unwrap();
        let at = all.find("[[drive]]").unwrap();
        fs::write(&kit, format!("{text}\n{}", &all[at..])).unwrap();
    }

    fn alone(&self) -> Command {
        let mut command = alone(&self.work);
        command.env("UNLADE_HOME", self.work.path("h"));
        command
    }

    fn run(&self, arguments: &str) -> Ran {
        let mut command = self.alone();
        command
            .arg(env!("CARGO_BIN_EXE_unlade"))
            .args(arguments.split_whitespace());
        finish(&mut command)
    }

    /// Runs it on a terminal, and types this once the question is there. Returns what was on the
    /// screen before the question, the question, what came after it, and the exit code.
    fn asked(&self, arguments: &str, typed: &str) -> (Vec<String>, String, String, i32) {
        self.asked_after(arguments, "", typed, |_| {})
    }

    /// The same where something was typed before there was a question, and something happens while
    /// it stands; that is told the number of the process in whose mount namespace it runs.
    fn asked_after(
        &self,
        arguments: &str,
        early: &str,
        typed: &str,
        meanwhile: impl FnOnce(u32),
    ) -> (Vec<String>, String, String, i32) {
        let program = env!("CARGO_BIN_EXE_unlade");
        let script = format!("stty cols 80 rows 24; exec {program} {arguments}");
        let mut child = self
            .alone()
            .args(["script", "-q", "-e", "-c", &script, "/dev/null"])
            .env("TERM", "dumb")
            .env("SHELL", "/bin/sh")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut keys = child.stdin.take().unwrap();
        keys.write_all(early.as_bytes()).unwrap();
        let mut out = child.stdout.take().unwrap();
        let mut before = Vec::new();
        let mut byte = [0];
        while !before.ends_with(b"? [Y/n] ") {
            let n = out.read(&mut byte).unwrap();
            let text = String::from_utf8_lossy(&before);
            assert!(n == 1, "no question: {text}");
            before.extend(byte);
        }
        meanwhile(child.id());
        keys.write_all(typed.as_bytes()).unwrap();
        keys.flush().unwrap();
        let mut after = String::new();
        out.read_to_string(&mut after).unwrap();
        drop(keys);
        let code = child.wait().unwrap().code().unwrap();
        let text = String::from_utf8(before).unwrap();
        let mut lines: Vec<String> = text.lines().map(|l| l.trim_end().to_owned()).collect();
        let question = lines.pop().unwrap();
        (lines, question, after, code)
    }

    fn is_untouched(&self) -> bool {
        DRIVES.iter().all(|drive| self.offloads(drive).is_empty())
    }

    fn offloads(&self, drive: &str) -> Vec<String> {
        let mut names = names_in(&self.work.path(drive));
        names.retain(|name| name != "lost+found");
        names
    }

    fn at(&self, below: &str) -> String {
        self.work.path(below).to_str().unwrap().to_owned()
    }
}

const USUAL: &str = "[usual]\nto = [\"Attic\", \"Travel\"]\ncopies = 1\nalso = [\"md5\"]\n\
    shoot = \"kites\"\nname = \"{date}-{shoot}-{card}\"\n";

#[test]
fn one_question_and_the_plugged_in_card_is_on_the_usual_drives() {
    let Some(world) = World::new("usual-one", &["KITES"]) else {
        return;
    };
    world.usual(USUAL);
    let (lines, question, after, code) = world.asked("copy", "n\n");
    assert_eq!(
        question, "Copy KITES to Attic and Travel? [Y/n]",
        "{lines:?}"
    );
    assert!((1..=6).contains(&lines.len()), "{lines:?}");
    assert!(
        lines.iter().all(|line| line.chars().count() <= 80),
        "{lines:?}"
    );
    let said = lines.join(" ");
    let said: Vec<&str> = said.split_whitespace().collect();
    let said = said.join(" ");
    for part in [
        "KITES: 2 files, 81.0 kB, as 2",
        "-kites-KITES (has DCIM, no offload on it)",
        "to Attic (",
        "As usual: shoot kites, copies needed: 1, md5 too",
    ] {
        assert!(said.contains(part), "no `{part}` in {said}");
    }
    assert_eq!(code, 3, "{after}");
    assert!(after.contains("Nothing was copied."), "{after}");
    // The end of the input, and another word, are no yes.
    for typed in ["\u{4}", "what\n"] {
        assert_eq!(world.asked("copy", typed).3, 3);
    }
    // Nor is what was typed before the question, nor Ctrl-C.
    assert_eq!(world.asked_after("copy", "\ny\n\n", "n\n", |_| {}).3, 3);
    let (_, _, after, code) = world.asked("copy", "\u{3}");
    assert_eq!(code, 130, "{after}");
    assert!(
        after.contains("interrupted, and nothing was proven."),
        "{after}"
    );
    assert!(world.is_untouched());
    let (_, _, after, code) = world.asked("copy", "\n");
    assert_eq!(code, 0, "{after}");
    assert!(after.contains("PROVEN. You may format KITES"), "{after}");
    let names = DRIVES.map(|drive| world.offloads(drive));
    assert_eq!(names[0], names[1]);
    let [name] = names[0].as_slice() else {
        panic!("{names:?}")
    };
    assert!(name.ends_with("-kites-KITES") && name.len() == 20, "{name}");
    for drive in DRIVES {
        let offload = world.work.path(&format!("{drive}/{name}"));
        let card = world.work.path("KITES");
        assert_eq!(tree(&offload), tree(&card));
        assert!(offload.join("_unlade/checksums.md5").exists());
    }
    // The same command again goes on with it; --yes is the answer.
    let ran = world.run("copy --yes");
    ran.exits(0)
        .says("KITES: has DCIM, no offload on it")
        .says("already copied")
        .says("`kites`: 1 card seen");
    assert_eq!(world.offloads("ATTIC").len(), 1);
    world
        .run("")
        .exits(0)
        .says("To copy to Attic and Travel, as usual: unlade copy");
}

/// A drive that is pulled between the look and the first write leaves its mount point: a bare
/// folder of another file system, that would take the copy as willingly.
#[test]
fn what_a_pulled_drive_leaves_in_its_place_is_not_copied_to() {
    let Some(world) = World::new("usual-pulled", &["KITES"]) else {
        return;
    };
    if tool("nsenter").is_none() {
        return skip("a drive is pulled in the program's own namespace with nsenter");
    }
    world.usual("[usual]\nto = [\"Attic\", \"Travel\"]\ncopies = 1\n");
    let travel = world.at("TRAVEL");
    let pull = |id: u32| {
        let namespace = format!("--mount=/proc/{id}/ns/mnt");
        assert!(done("nsenter", &[&namespace, "umount", &travel]));
    };
    // By what is usual, by its name, and by its folder.
    for to in ["", " -t Attic -t Travel", " -t ATTIC -t TRAVEL"] {
        let (_, _, after, code) = world.asked_after(&format!("copy{to}"), "", "y\n", pull);
        assert_eq!(code, 3, "{after}");
        let said: Vec<&str> = after.split_whitespace().collect();
        let said = said.join(" ");
        assert!(said.contains("Refused; nothing was written."), "{after}");
        assert!(
            said.contains("the drive that is meant is not plugged in there any more"),
            "{after}"
        );
        assert!(world.is_untouched(), "{after}");
    }
    // What was mounted is there again: its mount point holds nothing, and so it was all along.
    let bare = Command::new("unshare")
        .args([
            "--mount",
            "sh",
            "-c",
            "umount \"$0\" && ls -A \"$0\"",
            &travel,
        ])
        .output()
        .unwrap();
    assert!(bare.status.success() && bare.stdout.is_empty(), "{bare:?}");
}

#[test]
fn nothing_is_copied_where_nobody_can_be_asked() {
    let Some(world) = World::new("usual-nobody", &["KITES"]) else {
        return;
    };
    let card = world.at("KITES");
    world
        .run("copy")
        .exits(2)
        .says("the kit has no [usual], so it isn't clear where to copy to. Say it:")
        .says(&format!("unlade copy {card} --to Attic --to Travel"))
        .says("Or say once in kit.toml, below a line [usual], what is usual:")
        .says("to = [\"Attic\", \"Travel\"]");
    world.usual(USUAL);
    let [attic, travel] = DRIVES.map(|drive| world.at(drive));
    let whole = format!("unlade copy {card} --only-new --to {attic} --to {travel}");
    world
        .run("copy --only-new")
        .exits(2)
        .says("nobody can be asked here. Add --yes to the same command, or say all of it:")
        .says(&whole);
    for arguments in ["copy --json", "copy KITES --json", "copy --to ATTIC --json"] {
        let ran = world.run(arguments);
        let last = ran.exits(2).events().pop().unwrap();
        assert_eq!(
            (&last["event"], &last["exit_code"]),
            (&"refused".into(), &2.into())
        );
    }
    assert!(world.is_untouched());
    // What is typed in full asks nothing, and still goes by the set; what is typed wins.
    world
        .run("copy KITES --to ATTIC --name MINE{x}")
        .exits(0)
        .says("As usual: shoot kites, copies needed: 1, md5 too");
    assert_eq!(world.offloads("ATTIC"), ["MINE{x}"]);
    world
        .run("copy KITES --to ATTIC --copies 2 --also sha256 --shoot other")
        .exits(1)
        .is_silent_of("As usual");
    let other = world.offloads("ATTIC").pop();
    assert!(
        world
            .offloads("ATTIC")
            .iter()
            .any(|name| name.ends_with("-other-KITES")),
        "{other:?}"
    );
    world
        .run("plan")
        .exits(0)
        .says("KITES: has DCIM, no offload on it")
        .says("Nothing was written.");
    world
        .run("copy --dry-run")
        .exits(0)
        .says("Nothing was written.");
    assert!(world.offloads("TRAVEL").is_empty());
    let ran = world.run("copy --json --yes");
    assert_eq!(ran.exits(0).verdict()["proven"], true);
}

#[test]
fn what_is_not_plugged_in_is_named() {
    let Some(mut world) = World::new("usual-away", &["KITES"]) else {
        return;
    };
    world.usual(USUAL);
    let travel = world.images.len() - 1;
    world.images[travel].unmount();
    let [card, attic] = ["KITES", "ATTIC"].map(|name| world.at(name));
    for arguments in ["copy --yes", "plan", "copy KITES --yes"] {
        world.run(arguments).exits(3).says(
            "drive `Travel` of the kit is not plugged in. Plug it in and run the same command",
        );
    }
    world.run("copy --yes").exits(3).says(&format!(
        "To copy to the others only: unlade copy {card} --yes --to {attic}"
    ));
    assert!(world.is_untouched(), "no copy on fewer drives");
    world.run("copy --to Attic --yes").exits(0);
    world.images[0].unmount();
    for arguments in ["copy --to Attic --yes", "plan --to Attic"] {
        world.run(arguments).exits(3).says("no card is plugged in");
    }
    world.usual("[usual]\nto = [\"Attic\", \"/no/such/place\"]\n");
    world
        .run("copy KITES --yes")
        .exits(3)
        .says("`/no/such/place`, which is usual, is not there. Is the drive plugged in?");
    // A kit that can't be read is told, and nothing else is taken for what is usual.
    world.usual("[usual]\nto = [\"Atic\"]\n");
    world
        .run("copy --yes")
        .exits(3)
        .says("line 2, `usual`, `to`: there is no drive `Atic`");
    world.run("copy KITES --yes").exits(3);
}

#[test]
fn several_cards_and_several_sets() {
    let Some(world) = World::new("usual-several", &["KITES-1", "KITES-2"]) else {
        return;
    };
    world.usual(&format!(
        "{USUAL}[usual.Home]\nto = [\"Travel\", \"{}\"]\ncopies = 1\n\
        name = \"{{number}}-{{card}}\"\n",
        world.at("home")
    ));
    let (lines, question, after, code) = world.asked("copy", "y\n");
    assert_eq!(
        question,
        "Copy KITES-1 and KITES-2 to Attic and Travel? [Y/n]"
    );
    let of_all = lines.iter().position(|line| line.starts_with("  KITES-1:"));
    assert!(lines.len() - of_all.unwrap() <= 6, "{lines:?}");
    assert_eq!(code, 0, "{after}");
    assert_eq!(world.offloads("ATTIC").len(), 2, "a folder each");
    world
        .run("copy --usual Studio --yes")
        .exits(2)
        .says("the kit has no [usual.Studio]; with --usual there is Home.");
    world
        .run("copy --usual home --yes")
        .exits(2)
        .says("[usual.Home] calls offloads {number}-{card}, and there is no shoot.");
    world
        .run("copy KITES-1 --usual home --shoot kites --yes")
        .exits(0);
    assert_eq!(world.offloads("TRAVEL")[0], "01-KITES-1");
    assert!(world.work.path("home/01-KITES-1").exists());
    assert_eq!(world.offloads("ATTIC").len(), 2);
    world
        .run("copy KITES-2 --usual home --shoot kites --yes --no-ledger")
        .exits(2)
        .says("cards are numbered in the ledger: leave out --no-ledger");
    // A drive behind a card is no card, though a set says where to copy to.
    world.work.folder("drive");
    world
        .run("copy KITES-1 drive --yes")
        .exits(2)
        .says("unlade copy KITES-1 --to drive");
    let offload = format!("TRAVEL/{}", world.offloads("TRAVEL")[0]);
    world
        .run(&format!("copy {offload} --yes"))
        .exits(2)
        .says("--to says which drives");
    world
        .run(&format!("copy {offload} --to ATTIC --usual home"))
        .exits(2)
        .says("--usual cannot be used for a further copy of it");
}
