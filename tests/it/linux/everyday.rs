//! What a person reads every day: few lines, the answer last and alone, one caution below it.

use crate::linux::hostile::{has_terminal, in_narrow_terminal, screen as terminal};
use crate::support::image::Image;
use crate::support::program::{
    Card, Ran, Work, bytes_of, finish, flip, manifest, names_in, put, remove, tree,
};
use crate::support::whole_sweeps;
use crate::tidy::words::{old_words, text_of_page};
use std::path::Path;

const STILL: &str = "DCIM/100KITES/KITE0001.JPG";

/// The lines of standard output, with what is measured taken out.
fn screen(ran: &Ran) -> Vec<String> {
    let measured = |line: &str| {
        let mut words: Vec<&str> = line.split(' ').collect();
        for at in 1..words.len() {
            if words.get(at - 1) == Some(&"in") && words[at].parse::<f64>().is_ok() {
                words[at] = "N";
            }
        }
        let line = words.join(" ");
        let line = line.split(" (").next().unwrap_or_default().to_owned();
        line.split("; needs ").next().unwrap_or_default().to_owned()
    };
    ran.out.lines().map(measured).collect()
}

/// What is on a terminal in the end, without what no two machines share: times, rates and room.
fn golden(written: &str) -> Vec<String> {
    let mut seen: Vec<String> = Vec::new();
    for line in terminal(written) {
        let line = line.trim_end();
        let is_time = line.ends_with(" s") && line.trim().starts_with(char::is_numeric);
        // What would be left is said of a drive that is nearly full.
        let is_room = [" free", " free, leaves "]
            .iter()
            .any(|room| line.contains(room))
            || line.trim_start().starts_with("leaves ");
        let is_measured = is_time || line.ends_with("/s)") || is_room;
        let is_followed = |at: &usize| line[at + 4..].starts_with(char::is_numeric);
        let cut = line
            .match_indices(" in ")
            .map(|(at, _)| at)
            .find(is_followed);
        let cut = cut.or_else(|| line.strip_suffix(" in").map(str::len));
        let cut = cut.or_else(|| line.find("; needs"));
        if line.starts_with("  ") && is_measured && cut.is_none() {
            // The rest of a line that was cut.
            continue;
        }
        let line = cut.map_or(line.to_owned(), |at| format!("{} ...", &line[..at]));
        let is_day = |w: &&str| w.len() == 10 && w.starts_with("20");
        let day = line.split([' ', ',']).find(is_day).unwrap_or("no day");
        seen.push(line.replace(day, "YYYY-MM-DD"));
    }
    seen.join("\n")
        .trim_end()
        .lines()
        .map(str::to_owned)
        .collect()
}

#[test]
fn a_copy_is_told_in_few_lines_and_answered_last() {
    let work = Work::with_card("everyday");
    let ran = work.run_short("copy card --to a --to b --name KITES --copies 1");
    ran.exits(0);
    assert_eq!(
        screen(&ran),
        [
            "card: 7 files, 3.4 MB, as KITES",
            "  a  7 files to copy, 3.4 MB",
            "  b  7 files to copy, 3.4 MB",
            "Card read. You can take it out. Don't format it yet.",
            "",
            "card: 7 files, 3.4 MB in N s",
            "  a  7 files checked",
            "  b  7 files checked",
            "  `a` and `b` are on one file system: they count as one.",
            "  It is one copy only: if this drive is lost or fails, the pictures are gone.",
            "",
            "PROVEN. You may format card, in the camera, but that leaves one copy only.",
            "Your contract or insurer comes first. Copies equal what the reader delivered.",
        ]
    );
    let ran = work.run_short("copy card --to a --to b --name KITES --copies 1");
    let again = "  a  7 files, all already copied, checked again";
    assert!(screen(ran.exits(0)).contains(&again.to_owned()), "{ran}");
}

/// Whoever gives two drives means two: also where one copy is enough the answer itself says which
/// of them has not got all of it.
#[test]
fn the_answer_names_a_drive_that_has_not_got_all_of_it() {
    let work = Work::with_card("everyday-short");
    work.offload();
    flip(&work.path(&format!("a/KITES/{STILL}")), 100);
    let copy = "copy card --to a --to b --name KITES --copies 1";
    let ran = work.run_short(copy);
    ran.exits(0).says(
        "PROVEN on 1 of 2 drives (the drive of `a` hasn't got all of it). You may format card, in \
        the camera, but that leaves one copy only.",
    );
    let work = Work::with_card("everyday-short-json");
    work.offload();
    flip(&work.path(&format!("a/KITES/{STILL}")), 100);
    let verdict = work.run(&format!("{copy} --json")).verdict();
    assert_eq!(verdict["incomplete_on"][0], "a", "{verdict}");
    assert_eq!(verdict["proven"], true);
    // Of several cards too, where each was told above.
    Card::new(&work.path("second")).file("DCIM/100KITES/KITE0009.JPG", 5, 9);
    let two = "copy card second --to a --to b --copies 1";
    work.run_short(two).exits(0).is_silent_of("not on every");
    let today = names_in(&work.path("a"));
    let again = today.iter().find(|name| name.ends_with("-card")).unwrap();
    flip(&work.path(&format!("a/{again}/{STILL}")), 100);
    work.run_short(two)
        .exits(0)
        .says("card: proven, but not on every drive")
        .says("second: proven Both cards");
    work.run_short("copy card --to b --name KITES --copies 1")
        .exits(0)
        .says("PROVEN. You may");
}

#[test]
fn what_is_not_proven_is_numbered_and_the_answer_says_keep() {
    let work = Work::with_card("everyday-not");
    let ran = work.run_short("copy card --to a --to b --name KITES");
    ran.exits(1);
    let lines = screen(&ran);
    assert_eq!(
        lines[lines.len() - 4..],
        [
            "  1. `a` and `b` are on one file system: they count as one. Give a folder on",
            "     another physical drive.",
            "",
            "NOT PROVEN. Keep card as it is: don't format it, don't shoot on it.",
        ]
    );
}

/// Files of no bytes are copied too, and where the copy failed there was something to copy.
#[test]
fn nothing_to_copy_is_said_only_where_that_is_so() {
    let work = Work::new("everyday-empty");
    work.folder("card/DCIM");
    put(&work.path("card/DCIM/KITE0001.JPG"), b"");
    work.folder("a");
    let copy = "copy card --to a --name KITES --copies 1";
    let nothing = "nothing to copy";
    work.run_short(copy).exits(0).is_silent_of(nothing);
    work.run_short(copy).exits(0).says(nothing);
}

#[test]
fn prove_and_verify_answer_last_as_well() {
    let work = Work::with_card("everyday-ask");
    work.offload();
    let ran = work.run_short("prove card --on a --copies 1");
    let answer = "PROVEN. You may format card, in the camera, but that leaves one copy only.";
    let last = |ran: &Ran, from_end: usize| {
        let lines = screen(ran);
        lines[lines.len() - from_end].clone()
    };
    assert_eq!(last(ran.exits(0), 2), answer, "{ran}");
    let ran = work.run_short("verify a/KITES");
    let intact = "INTACT. a/KITES is what its manifest says.";
    assert_eq!(last(ran.exits(0), 1), intact, "{ran}");
    flip(&work.path(&format!("a/KITES/{STILL}")), 100);
    put(&work.path("a/KITES/NEW.JPG"), &[1; 10]);
    let ran = work.run_short("verify a/KITES b/KITES");
    ran.exits(1)
        .says("NOT INTACT. a/KITES: 1 changed, 1 extra.");
    assert_eq!(last(&ran, 1), "1 of 2 offloads is intact, not `a/KITES`.");
    let ran = work.run_short("prove card --on a --copies 1 --reread");
    let keep = "NOT PROVEN. Keep card as it is: don't format it, don't shoot on it.";
    assert_eq!(last(ran.exits(1), 1), keep, "{ran}");
}

/// 24 rows of 80 columns.
#[test]
fn forty_damaged_files_leave_the_answer_on_the_screen() {
    let work = Work::new("everyday-damage");
    work.folder("card/DCIM");
    for n in 0..40 {
        put(
            &work.path(&format!("card/DCIM/KITE{n:04}.JPG")),
            &[7; 2_000],
        );
    }
    work.folder("a");
    work.folder("b");
    work.offload();
    for n in 0..40 {
        remove(&work.path(&format!("a/KITES/DCIM/KITE{n:04}.JPG")));
    }
    for arguments in ["verify a/KITES", "prove card --on a --copies 1"] {
        let ran = work.run_short(arguments);
        let rows = ran.exits(1).out.lines().count();
        assert!(rows <= 24, "{rows} rows: {ran}");
        assert!(
            ran.says("KITE0000.JPG")
                .out
                .lines()
                .all(|line| line.len() <= 80)
        );
    }
}

#[test]
fn a_drive_without_its_flag_is_not_copied_as_a_card() {
    let work = Work::with_card("everyday-guard");
    let without = "--to says which drives to copy to, and there is none: unlade copy card";
    for (line, told) in [
        ("copy card", "--to DRIVE --to DRIVE"),
        ("copy card a b", "--to a --to b"),
        ("plan card a", "--to a"),
    ] {
        let ran = work.run_short(line);
        ran.exits(2).says(&format!("{without} {told}"));
        assert!(ran.err.lines().all(|line| line.len() <= 80), "{ran}");
    }
    work.offload();
    work.run_short("copy card a b --json")
        .exits(2)
        .says("no camera's folder is on it, and it holds offloads (`KITES`). To copy to it:")
        .says("unlade copy card --to a --to b");
    let ran = work.run_short("copy a card -t b -n AGAIN");
    ran.exits(2).says("unlade copy card --to b --to a");
    assert!(!work.path("b/AGAIN").exists(), "nothing was written");
}

#[test]
fn paths_are_taken_as_they_are_pasted() {
    let work = Work::new("everyday-pasted");
    Card::new(&work.path("KITE DAY")).file("DCIM/100KITES/KITE0001.JPG", 40_000, 1);
    work.folder("a");
    work.folder("b");
    let root = work.path("").to_str().unwrap().to_owned();
    let card = format!("file://{root}KITE%20DAY/");
    let ran = work.run_with([
        "copy", &card, "-t", "'a'", "-t", "b/", "-n", "K", "--copies", "1", "-s", "kites",
    ]);
    ran.exits(0).says("`kites`: 1 card seen");
    let ran = work.run_with(["prove", r"KITE\ DAY", "--on", "\"a\"", "--copies", "1"]);
    ran.exits(0).says("PROVEN");
    work.run_with(["verify", &format!("file://{root}a/K/")])
        .exits(0);
    // As typed it is there.
    work.folder("'a'");
    work.run_with(["verify", "'a'"]).exits(3);
    work.run_with(["verify", "file:///no/such%20place"])
        .exits(3)
        .says("`/no/such place` cannot be checked");
}

#[test]
fn verify_takes_a_drive_and_the_folder_of_a_manifest() {
    let work = Work::with_card("everyday-verify");
    work.offload();
    work.run("copy card --to a/more --to b --name AGAIN --copies 1")
        .exits(3);
    work.folder("a/more");
    work.run("copy card --to a/more --to b --name AGAIN --copies 1")
        .exits(0);
    let ran = work.run_short("verify a");
    ran.exits(0).says("INTACT a/KITES: 7 of 7 files match");
    ran.says("a/more/AGAIN").says("Both offloads are intact.");
    let ran = work.run_short("verify a/KITES/_unlade");
    ran.exits(0).says("INTACT. a/KITES is what");
    flip(&work.path(&format!("a/KITES/{STILL}")), 100);
    work.run_short("verify a b")
        .exits(1)
        .says("3 of 4 offloads are intact, not `a/KITES`.");
    work.folder("empty");
    work.run_short("verify empty").exits(3);
}

#[test]
fn a_drive_is_found_by_its_name_in_the_kit_wherever_it_is_mounted() {
    let work = Work::with_card("everyday-name");
    let (one, other) = (work.folder("one"), work.folder("other"));
    let Some(mut image) = Image::ext4(&work.path("drive.img"), &one, 64, "rw") else {
        return;
    };
    work.folder("one/photos/2026");
    work.run("kit add drive Attic --at one/photos").exits(0);
    work.run("kit list").says("in photos");
    image.unmount();
    let ran = work.run_short("copy card -t attic -t b -n KITES --copies 1");
    ran.exits(3)
        .says("drive `Attic` of the kit is not plugged in. Plug it in and run the same");
    assert!(ran.err.lines().all(|line| line.len() <= 80), "{ran}");
    let ran = work.run("copy card --to Attic --to b --copies 1 --json");
    assert_eq!(ran.exits(3).events().last().unwrap()["proven"], false);
    assert!(tree(&work.path("b")).is_empty(), "nothing was written");
    let _image = image.mounted_at(&other);
    let ran = work.run_short("copy card -t attic -t b -n KITES --copies 1");
    ran.exits(0);
    assert!(
        work.path("other/photos/KITES/_unlade/manifest.json")
            .exists()
    );
    let lines = screen(&ran);
    assert!(
        lines.contains(&"  Attic  7 files checked".to_owned()),
        "{ran}"
    );
    let ran = work.run_short("verify Attic");
    ran.exits(0).says("KITES on Attic, ");
    ran.says("other/photos/KITES: 7 of 7 files match");
    ran.says("INTACT. KITES on Attic is what its manifest says.");
    let ran = work.run_short("prove card --on ATTIC --copies 1");
    let lines = screen(ran.exits(0));
    assert!(
        lines[1].starts_with("  KITES on Attic  7 of 7 files"),
        "{ran}"
    );
    // Whoever gets the drive reads the same name, though its path says nothing of it.
    let record = manifest(&work.path("b/KITES"));
    assert_eq!(record["version"], 2);
    let names = [0, 1].map(|at| record["destinations"][at].get("name").cloned());
    assert_eq!(names, [Some("Attic".into()), None]);
    let page = bytes_of(&work.path("b/KITES/_unlade/report.html"));
    let page = String::from_utf8(page).unwrap();
    assert!(page.contains("<h3><bdi>Attic</bdi></h3>"), "{page}");
    work.run("verify b/KITES").exits(0);
    let ledger = work.run("ledger --json").events();
    assert_eq!(ledger[0]["entry"]["places"][0]["drive"], "Attic");
    // A folder of that name wins.
    work.folder("attic");
    work.run("copy card -t attic -t b -n FOLDER --copies 1")
        .exits(0);
    assert!(work.path("attic/FOLDER").exists());
    // The top is told once more.
    work.run("kit add drive Attic --update --at other").exits(0);
    work.run("copy card -t Attic -t b -n TOP --copies 1")
        .exits(0);
    assert!(work.path("other/TOP").exists());
}

#[test]
fn a_drive_of_the_kit_that_is_the_computers_own_disk_needs_its_folder() {
    let work = Work::with_card("everyday-own");
    work.run("kit add drive Home --at a").exits(0);
    let ran = work.run_short("copy card -t Home -t b -n KITES --copies 1");
    ran.exits(0)
        .says("Home 7 files checked")
        .says("b 7 files checked");
    assert!(work.path("a/KITES").exists());
    // Nothing else on the computer's disk is that drive.
    let ran = work.run_short("verify Home b");
    ran.exits(0).says("INTACT KITES on Home, ");
    ran.says("INTACT b/KITES: 7 of 7 files match");
    let kit = work.path("home/.local/share/unlade/kit.toml");
    let text = std::fs::read_to_string(&kit).unwrap();
    let without: Vec<&str> = text.lines().filter(|l| !l.starts_with("folder")).collect();
    remove(&kit);
    put(&kit, without.join("\n").as_bytes());
    work.run("copy card -t Home --copies 1")
        .exits(3)
        .says("is this computer's own disk. Say once which folder: unlade kit add drive Home");
    work.run("kit add drive Bare").exits(0);
    work.run("copy card -t bare")
        .exits(3)
        .says("doesn't know drive `Bare` by its volume");
    remove(&kit);
    put(&kit, b"[[drive]]\nname = \"x\"\nfolder = \"../up\"\n");
    work.run("kit list")
        .exits(3)
        .says("line 3, drive `x`, `folder`: must be the way from the top of the drive");
}

/// What is on a terminal in the end, at its usual width and at half of it: `fixtures/screens`.
#[test]
fn screens_are_the_same_in_every_width() {
    if !has_terminal() {
        return;
    }
    for columns in [80, 40] {
        let work = Work::with_card("everyday-golden");
        put(&work.path("card/DCIM/.DS_Store"), b"Bud1");
        let mut seen = String::new();
        for script in [
            "unlade copy card -t a -t b -n KITES --copies 1",
            "unlade copy card -t a -n KITES",
            "unlade prove card --on a --on b --copies 1",
            "unlade verify a/KITES b/KITES",
            "rm b/KITES/DCIM/100KITES/KITE0001.JPG; unlade prove card --on a --on b",
            "unlade copy card -t b -n ONE -q; rm b/ONE/DCIM/101KITES/*; unlade verify b/ONE",
        ] {
            let (before, command) = script.rsplit_once("; ").unwrap_or(("", script));
            if !before.is_empty() {
                in_narrow_terminal(columns, &work, before, "dumb", &[]);
            }
            let written = in_narrow_terminal(columns, &work, command, "xterm", &[]);
            let lines = golden(&written);
            let is_fit = |line: &String| line.chars().count() <= columns;
            let wide: Vec<&String> = lines.iter().filter(|l| !is_fit(l)).collect();
            assert_eq!(wide, [""; 0], "{columns} columns: {command}");
            seen.push_str(&format!("$ {command}\n{}\n\n", lines.join("\n")));
        }
        let stored = format!("fixtures/screens/{columns}.txt");
        let now = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("screen-{columns}.txt"));
        put(&now, seen.as_bytes());
        let stored = Path::new(env!("CARGO_MANIFEST_DIR")).join(stored);
        let stored = String::from_utf8(bytes_of(&stored)).unwrap();
        assert_eq!(seen, stored, "{columns} columns: see {}", now.display());
    }
}

/// What every day's screens do without is there for whoever asks.
#[test]
fn the_long_form_has_what_the_short_one_does_without() {
    let work = Work::with_card("everyday-verbose");
    for (command, code, only_long) in [
        (
            "copy card -t a -t b -n KITES --copies 1 --reads 95 --also md5",
            0,
            &[
                "Hashes BLAKE3, and md5",
                "(direct)",
                "ext4)",
                "Copies 1 complete copy",
                "Basis",
            ][..],
        ),
        (
            "prove card --on a --on b --copies 1",
            0,
            &[
                "Card card at card",
                "Copies 1 complete copy; 1 needed",
                "Basis",
            ],
        ),
        ("prove card --on a --on b", 1, &["(too-few-copies)", "Next"]),
        ("verify a/KITES", 0, &["(direct)"]),
    ] {
        let short = work.run_short(command);
        let long = work.run_short(&format!("{command} --verbose"));
        short.exits(code);
        long.exits(code);
        if command.starts_with("copy") {
            // It was copied by the short form already.
            long.says("all checked by an earlier copy");
        }
        for said in only_long {
            short.is_silent_of(said);
            long.says(said);
        }
    }
}

/// Other volumes of this machine are shown as well.
#[test]
fn without_a_command_it_says_what_is_plugged_in_and_what_to_type() {
    let work = Work::new("everyday-plugged");
    let mount = |name: &str| {
        let at = work.folder(name);
        Image::ext4(&work.path(&format!("{name}.img")), &at, 32, "rw")
    };
    let names = ["KITES 1", "ATTIC", "TRAVEL", "OTHER"];
    let images: Option<Vec<Image>> = names.iter().map(|name| mount(name)).collect();
    let Some(mut images) = images else { return };
    Card::new(&work.path("KITES 1")).file("DCIM/100KITES/KITE0001.JPG", 40_000, 1);
    for (name, at) in [("Roof", "ATTIC"), ("Road", "TRAVEL")] {
        work.run(&format!("kit add drive {name} --at {at}"))
            .exits(0);
    }
    let card = work.path("KITES 1").to_str().unwrap().to_owned();
    let copied = work.run_with(["copy", &card, "-t", "OTHER", "-t", "TRAVEL", "-n", "K"]);
    assert!(
        work.path("OTHER/K/_unlade/manifest.json").exists(),
        "{copied}"
    );
    // A phone's pictures on a drive with offloads make no card of it.
    work.folder("OTHER/DCIM");
    let before = tree(&work.path("ATTIC"));
    let plugged = |work: &Work| {
        let ran = work.run("--json");
        let all = ran.exits(0).events();
        assert_eq!(
            (all.len(), &all[0]["event"]),
            (1, &"plugged".into()),
            "{ran}"
        );
        all[0].clone()
    };
    let why = |all: &serde_json::Value, kind: &str, name: &str| {
        let path = work.path(name).to_str().unwrap().to_owned();
        let all = all[kind].as_array().unwrap();
        let one = all.iter().find(|one| one["path"] == path.as_str());
        one.map(|one| one["why"].as_str().unwrap().to_owned())
    };
    let all = plugged(&work);
    let of = |kind: &str| names.map(|name| why(&all, kind, name).unwrap_or_default());
    let camera = "a camera's folder is on it (DCIM)";
    assert_eq!(of("cards"), [camera, "", "", ""]);
    let kit = "a drive of your kit";
    assert_eq!(of("drives"), ["", kit, kit, "offloads are on it"]);
    let command = all["command"].as_str().unwrap();
    assert!(command.contains(&format!(" '{card}' ")), "{command}");
    assert!(command.ends_with(" --to Road --to Roof"), "{command}");
    let ran = work.run_short("");
    ran.exits(0).says("Cards").says(camera).says("To copy:");
    // A path that is longer than the screen stays whole.
    let is_fit = |line: &str| line.len() <= 80 || line.contains('/');
    assert!(ran.out.lines().all(is_fit), "{ran}");
    assert_eq!(tree(&work.path("ATTIC")), before, "nothing is written");
    // The kit's word comes first.
    work.run_with(["kit", "add", "card", "A1", "--at", &card])
        .exits(0);
    let all = plugged(&work);
    assert_eq!(why(&all, "cards", "KITES 1").unwrap(), "a card of your kit");
    images[0].unmount();
    assert_eq!(why(&plugged(&work), "cards", "KITES 1"), None);
    // A broken kit hides nothing.
    let kit = work.path("home/.local/share/unlade/kit.toml");
    remove(&kit);
    put(&kit, b"[[drive]\n");
    let ran = work.run_short("");
    ran.exits(0).says("cannot be used as it is").says("TRAVEL");
}

/// Those who know only version 1 refuse what it does not have, so nothing needs more than it must.
#[test]
fn a_plain_copy_has_a_manifest_of_version_1_and_one_elsewhere_its_clock() {
    let work = Work::with_card("everyday-clock");
    let plain = manifest(&work.offload());
    assert_eq!(plain["version"], 1);
    let mut command = work.command();
    // POSIX, Base Definitions, 8.3: two hours east of UTC.
    command.env("TZ", "KITE-2");
    command.args("copy card -t a -n LATER --copies 1".split(' '));
    finish(&mut command).exits(0);
    let later = manifest(&work.path("a/LATER"));
    assert_eq!(later["version"], 2);
    assert_eq!(later["offload"]["utc_offset"], "+02:00");
    let page = bytes_of(&work.path("a/LATER/_unlade/report.html"));
    let page = String::from_utf8(page).unwrap();
    let utc = later["offload"]["finished"].as_str().unwrap();
    assert!(page.contains(" UTC+02:00 ("), "{page}");
    assert!(page.contains(&format!("{} UTC)", &utc[11..19])), "{page}");
    // Wherever it is checked.
    work.run("verify a/LATER").exits(0);
    work.run("report a/LATER")
        .exits(0)
        .says("is already what the manifest says");
}

/// One word for one thing on the screens too, in short and in full.
#[test]
fn screens_have_the_words_of_the_glossary() {
    let work = Work::with_card("everyday-words");
    put(&work.path("card/DCIM/.DS_Store"), b"Bud1");
    let copy = "copy card --to a --to b --name KITES --copies 1";
    let mut said = Vec::new();
    let mut run = |arguments: &str| {
        // Where sweeps do not run whole, each has one length only.
        let is_turn = |length| whole_sweeps() || said.len() % 2 == length;
        let short = is_turn(0).then(|| work.run_short(arguments));
        let long = is_turn(1).then(|| work.run(arguments));
        for ran in short.into_iter().chain(long) {
            said.push(format!("{}\n{}", ran.out, ran.err));
        }
    };
    run(&format!("plan {}", copy.trim_start_matches("copy ")));
    run("copy card --to a --name KITES");
    run(copy);
    run("copy card --to card/DCIM --copies 1");
    run("copy a/KITES --to b --copies 1");
    run("prove card --on a --on b");
    run("prove card --on a --copies 1 --reread");
    run("verify a/KITES b/KITES");
    // The next day.
    put(&work.path("card/DCIM/100KITES/KITE0009.JPG"), &[9; 9_000]);
    run("prove card --on a --on b --copies 1");
    let next = "copy card --to a --to b --copies 1 --only-new -s festival --expect 2";
    for name in [
        "DAY2",
        "DAY3 --proof reread",
        "DAY4 --reads 95 --writes 200,90",
    ] {
        run(&format!("{next} --name {name}"));
    }
    run("prove card --on a/DAY2 --copies 1");
    run("verify a/DAY2");
    for at in ["a", "b"] {
        let copy = work.path(&format!("{at}/KITES/{STILL}"));
        remove(&copy);
        put(&copy, &[1; 100]);
    }
    run(&format!("{next} --name DAY5"));
    remove(&work.path("a/KITES/PRIVATE/CLIPS/C0001.MP4"));
    run("verify a");
    run("prove card --on a --copies 1 --reread");
    run(copy);
    // Kit, speed and what is remembered.
    for kit in [
        "list",
        "add reader blue --bus uhs-ii --link usb3-5g",
        "add card A1 --reads 170 --class V30 --reader blue",
        "add card A1",
        "add card C1 --class V90 --bus uhs-i",
        "add drive Attic --writes 110 --reads 115 --at a",
        "add drive Sun --writes 999999",
        "list",
        "remove card Z9",
        "remove card C1",
    ] {
        run(&format!("kit {kit}"));
    }
    run("rate card");
    run("rate card --as A1 --in blue");
    run("rate nowhere");
    run("plan card --to Attic --to b --as A1 --in blue --copies 1 --deadline 1s");
    for question in [
        "footage --at 600Mb/s --room 256GB,128GB --class V90,V30",
        "footage --at 100Mb/s --card nowhere",
        "burst --fps 20 --frame 50MB --buffer 2GB --writes 250 --frames 200",
        "upgrade --offload 220GB --per-year 40 --reader 90 --drives 110/115 --new-reader 250 \
        --price 60",
        "upgrade --offload 64GB --card A1 --reader blue --drives Attic --new-drives 400/400",
        "upgrade --offload 64GB --reader 90 --new-reader old",
    ] {
        run(&format!("weigh {question}"));
    }
    run("ledger");
    run("ledger --shoot festival --expect-labels A1,B9");
    run("report a/DAY2");
    run("report card");
    run("report --shoot festival --to shoot.html");
    run("report --shoot winter");
    // What is mistyped.
    for wrong in [
        "",
        "help",
        "help copy",
        "copy",
        "copy card",
        "copy card -t a -t a",
        "prove card",
        "verify",
        "copi card",
        "copy card -t a --copies 99",
        "copy card -t a --bus list",
        "rate",
        "kit add",
        "weigh",
        "desk --port x",
        "ledger --last x",
        "report",
        "copy nowhere -t a",
        "verify nowhere",
        "copy card -t nowhere",
        "prove nowhere --on a",
        "prove card --on nowhere",
        "copy card -t a --writes 1,2",
        "copy card -t a --as Z9",
        "copy card -t a --name a/b",
        "copy card -t a --sign nokey -n S",
        "verify a/KITES --signed-by nokey",
        "schema",
        "copy card second -t a --name ONE",
        "copy card a b",
        "kit list --home a/KITES/none",
    ] {
        run(wrong);
    }
    run("demo");
    for page in ["shoot.html", "a/DAY2/_unlade/report.html"] {
        let page = String::from_utf8(bytes_of(&work.path(page))).unwrap();
        said.push(text_of_page(&page));
    }
    for text in said {
        // Indented lines are code in a document.
        let lines: Vec<&str> = text.lines().map(str::trim).collect();
        let text = lines.join("\n");
        assert_eq!(
            old_words(&[("screen".into(), text.clone())]),
            [""; 0],
            "{text}"
        );
    }
}
