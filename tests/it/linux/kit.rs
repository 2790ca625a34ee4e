//! `kit` as it is called: what is stored where, what is refused, and that nothing is lost.
#![expect(
    clippy::disallowed_methods,
    reason = "tests play a person with an editor"
)]

use crate::support::image::Image;
use crate::support::program::{Work, put};
use std::fs;

fn kit_of(work: &Work) -> String {
    fs::read_to_string(work.path("h/kit.toml")).unwrap()
}

#[test]
fn a_kit_grows_is_shown_and_shrinks() {
    let work = Work::with_card("kit");
    work.run("kit list --home h")
        .exits(0)
        .says("The kit is empty");
    assert!(!work.path("h").exists(), "showing makes nothing");
    work.run("kit add reader blue --bus uhs-ii --link usb3-5g --home h")
        .exits(0);
    work.run("kit add card A1 --reads 170 --class V30 --reader blue --home h")
        .exits(0)
        .says("card `A1` added");
    work.run("kit add drive Attic --writes 110 --reads 115 --home h")
        .exits(0);
    work.run("kit list --home h")
        .exits(0)
        .says("A1: label 170 MB/s, V30 (writing), matched reader blue")
        .says("Attic: writes 110 MB/s, reads 115 MB/s");
    let events = work.run("kit list --home h --json").exits(0).events();
    assert_eq!(events[0]["event"], "kit");
    assert_eq!(events[0]["cards"][0]["reads_mbps"], 170.0);
    assert_eq!(events[0]["readers"][0]["link"], "usb3-5g");
    work.run("kit add card a1 --home h")
        .exits(2)
        .says("already");
    work.run("kit add card a1 --reads 95 --update --home h")
        .exits(0);
    work.run("kit remove card Z9 --home h")
        .exits(2)
        .says("there is A1");
    work.run("kit remove reader blue --home h")
        .exits(3)
        .says("`A1`, `readers`");
    work.run("kit remove card A1 --home h").exits(0);
    work.run("kit list --home h").exits(0).is_silent_of("A1");
}

#[test]
fn a_hand_edited_kit_keeps_what_the_hand_wrote() {
    let work = Work::new("kit-hand");
    fs::create_dir(work.path("h")).unwrap();
    let mine = "# mine\n\n[[card]]\nname = \"A1\"  # yellow\n\n# end\n";
    fs::write(work.path("h/kit.toml"), mine).unwrap();
    work.run("kit add card A2 --home h").exits(0);
    assert!(kit_of(&work).starts_with(mine));
    work.run("kit remove card A2 --home h").exits(0);
    assert_eq!(kit_of(&work).trim_end(), mine.trim_end());
    let wrong = "[[card]]\nname = \"A1\"\nreeds = 170\n";
    fs::write(work.path("h/kit.toml"), wrong).unwrap();
    for arguments in ["kit list", "kit add card A2", "kit remove card A1"] {
        work.run(&format!("{arguments} --home h"))
            .exits(3)
            .says("line 3, card `A1`, `reeds`")
            .says("did you mean `reads`")
            .says("nothing was changed");
        assert_eq!(kit_of(&work), wrong);
    }
    assert_eq!(fs::read_dir(work.path("h")).unwrap().count(), 1);
}

#[test]
fn what_is_usual_is_shown_judged_and_left_alone_by_edits() {
    let work = Work::new("kit-usual");
    fs::create_dir(work.path("h")).unwrap();
    let mine = "# mine\n[usual]\nto = [\"Attic\", \"/srv/kites\"]  # both\ncopies = 3\n\
        also = [\"md5\"]\nshoot = \"kites\"\nname = \"{date}-{card}\"\n\n\
        [usual.One]\ncopies = 1\n\n[[drive]]\nname = \"Attic\"\n";
    fs::write(work.path("h/kit.toml"), mine).unwrap();
    work.run("kit list --home h")
        .exits(0)
        .says("to Attic, /srv/kites; 3 copies; md5; shoot kites; as {date}-{card}")
        .says("One: 1 copy");
    let events = work.run("kit list --home h --json").exits(0).events();
    let usual = &events[0]["usual"];
    assert_eq!(usual[0]["to"][1], "/srv/kites");
    assert_eq!(usual[0]["name"], "{date}-{card}");
    assert_eq!(
        (&usual[1]["set"], usual[1]["copies"].as_u64()),
        (&"One".into(), Some(1))
    );
    work.run("kit check --home h")
        .exits(1)
        .says("1 drive, 2 usual sets.")
        .says("[usual]: drive `Attic` isn't found by its name")
        .says("[usual]: `to` has 2 drives, and PROVEN needs 3 copies.");
    work.run("kit add card A1 --home h").exits(0);
    work.run("kit remove card A1 --home h").exits(0);
    assert_eq!(kit_of(&work).trim_end(), mine.trim_end());
    work.run("kit remove drive Attic --home h")
        .exits(3)
        .says("`usual`, `to`: there is no drive `Attic` in the kit");
    assert_eq!(kit_of(&work).trim_end(), mine.trim_end());
    let wrong = mine.replace("{card}", "{crad}");
    fs::write(work.path("h/kit.toml"), &wrong).unwrap();
    work.run("kit check --home h")
        .exits(3)
        .says("line 7, `usual`, `name`: `{crad}` is no field; did you mean `{card}`?");
    assert_eq!(kit_of(&work), wrong);
    fs::write(work.path("h/kit.toml"), "[[drive]]\nname = \"Attic\"\n").unwrap();
    work.run("kit check --home h").exits(0);
}

/// A person whose rule is three copies is not told PROVEN with two.
#[test]
fn the_usual_number_of_copies_is_asked_for_by_copy_and_by_prove() {
    let work = Work::with_card("kit-usual-copies");
    work.folder("home");
    put(&work.path("home/kit.toml"), b"[usual]\ncopies = 3\n");
    let home = "--home home";
    let ran = work.run(&format!("copy card --to a --name KITES {home} --json"));
    assert_eq!(ran.exits(1).verdict()["copies_needed"], 3);
    let ran = work.run(&format!("prove card --on a {home} --json"));
    assert_eq!(ran.exits(1).verdict()["copies_needed"], 3);
    work.run(&format!("prove card --on a --copies 1 {home}"))
        .exits(0);
}

#[test]
fn the_folder_is_the_flags_the_environments_or_the_platforms() {
    let work = Work::new("kit-home");
    let mut command = work.command();
    command
        .env("UNLADE_HOME", work.path("env"))
        .args(["kit", "add", "card", "A1"]);
    assert!(command.status().unwrap().success());
    assert!(work.path("env/kit.toml").is_file());
    let mut command = work.command();
    command
        .env("XDG_DATA_HOME", work.path("xdg"))
        .args(["kit", "add", "card", "A1"]);
    assert!(command.status().unwrap().success());
    assert!(work.path("xdg/unlade/kit.toml").is_file());
    if cfg!(target_os = "linux") {
        work.run("kit add card A1").exits(0);
        assert!(work.path("home/.local/share/unlade/kit.toml").is_file());
    }
}

#[test]
fn a_plugged_in_volume_is_remembered_and_belongs_to_one_thing() {
    let work = Work::with_card("kit-volume");
    // Where the test folder's own disk tells no identity, that is told and nothing is stored.
    let ran = work.run("kit add card A1 --at card --home h");
    if ran.code == 3 {
        ran.says("no identity")
            .says("nothing was changed")
            .says("with --as");
        // --as names cards; a drive has no such flag.
        work.run("kit add drive D --at a --home h")
            .exits(3)
            .says("with --writes")
            .is_silent_of("--as");
        assert!(!work.path("h/kit.toml").exists());
        return;
    }
    ran.exits(0)
        .says("until the camera formats it")
        .says("is on this computer's own disk, and every folder there is recognised as this card");
    let events = work.run("kit list --home h --json").exits(0).events();
    assert_eq!(
        events[0]["cards"][0]["volumes"].as_array().unwrap().len(),
        1
    );
    // The folder `a` is on the same volume.
    work.run("kit add drive Attic --at a --home h")
        .exits(3)
        .says("listed for card `A1` already");
    work.run("kit add card B1 --at nowhere --home h")
        .exits(3)
        .says("could not be looked at");
}

/// By the identity of a folder on a drive all of that drive would be a card, and a watch copies
/// cards by themselves.
#[test]
fn a_folder_on_a_drive_is_no_card() {
    let work = Work::new("kit-no-card");
    let at = work.folder("ATTIC");
    let Some(_drive) = Image::ext4(&work.path("attic.img"), &at, 16, "rw") else {
        return;
    };
    work.folder("ATTIC/old/DCIM");
    for update in ["", " --update"] {
        work.run(&format!("kit add card A1 --at ATTIC/old --home h{update}"))
            .exits(3)
            .says("is a folder on a drive, and no card")
            .says("nothing was changed. Give the top of the card with --at.");
    }
    assert!(!work.path("h/kit.toml").exists());
    work.run("kit add card A1 --at ATTIC --home h")
        .exits(0)
        .is_silent_of("own disk");
}

#[test]
fn what_cannot_be_a_kit_is_refused() {
    let work = Work::new("kit-bad");
    for (arguments, code) in [
        ("kit add card A1 --reads 0", 2),
        ("kit add card A1 --reads 170Mb", 2),
        ("kit add card A1 --class 170", 2),
        ("kit add drive D --writes 999999", 2),
        ("kit add card A1 --reads -5", 2),
        ("kit add card A1 --bus sdxc", 2),
        ("kit add card A1 --bus usb2", 2),
        ("kit add reader blue --link cable", 2),
        ("kit", 2),
        ("kit add", 2),
        ("kit remove shelf A1", 2),
    ] {
        work.run(&format!("{arguments} --home h")).exits(code);
        assert!(!work.path("h/kit.toml").exists(), "{arguments}");
    }
    // The same words wherever the same thing is wrong.
    work.run("kit add drive D --writes 999999 --home h")
        .exits(2)
        .says("is out of range");
    for command in ["kit add card A1 --home h", "plan card --to a"] {
        work.run(&format!("{command} --reads=-5"))
            .exits(2)
            .says("`-5` is no rate above zero");
        work.run(&format!("{command} --bus sdxc"))
            .exits(2)
            .says("--bus: `sdxc` is not known as a card's bus. `--bus list` shows all.");
    }
    fs::create_dir_all(work.path("h/kit.toml")).unwrap();
    work.run("kit list --home h")
        .exits(3)
        .says("not a plain file");
}

/// V60 and V90 need the second row of pins (SD Association, Video Speed Class): a card of one row
/// that says so is told, and still added.
#[test]
fn a_class_that_its_bus_does_not_reach_is_told() {
    let work = Work::with_card("kit-class");
    work.run("kit add card A1 --reads 95 --bus uhs-i --class V90 --home h")
        .exits(0)
        .says("V90 is a class of cards that run as UHS-II at least");
    for fits in [
        "--bus uhs-ii --class V90",
        "--bus uhs-i --class V30",
        "--class V90",
    ] {
        work.run(&format!("kit add card A1 --update {fits} --home h"))
            .exits(0)
            .is_silent_of("class of cards");
    }
}

/// A byte is eight bits (IEC 80000-13); labels are in megabytes, so that bits are told.
#[test]
fn rates_have_one_form_everywhere() {
    let work = Work::with_card("kit-units");
    work.run("kit add card A1 --reads 170MB/s --home h")
        .exits(0)
        .is_silent_of("small b");
    let note = "`170Mb/s` is 21.25 MB/s: a small b is a bit";
    let words = |line: &str| work.run(line).exits(0).words();
    let told = words("kit add card A2 --reads 170Mb/s --home h");
    assert!(told.contains(&format!("--reads: {note}")), "{told}");
    assert!(kit_of(&work).contains("reads = 170\n") && kit_of(&work).contains("reads = 21.25\n"));
    let events = work.run("kit add drive D --writes 170Mb/s --home h --json");
    let event = events.exits(0).events().remove(0);
    assert!(
        event["notes"][0].as_str().unwrap().contains(note),
        "{event}"
    );
    let event = planned(&work, "--reads 170MB/s --writes 450MB/s,90MB/s");
    assert_eq!(event["ceiling_mbps"], 90.0, "{event}");
    let told = words("plan card --to a --reads 170Mb/s --home h");
    assert!(told.contains(&format!("--reads: {note}")), "{told}");
    let told = words("rate card --reads 170MB/s --home h");
    assert!(told.contains("170"), "{told}");
}

// ---- the kit in copy and plan -----------------------------------------------------------------

const TO: &str = "card --to a --to b --name KITES --copies 1 --home h";

fn planned(work: &Work, flags: &str) -> serde_json::Value {
    let events = work
        .run(&format!("plan {TO} --json {flags}"))
        .exits(0)
        .events();
    let mut planned = events.into_iter().filter(|e| e["event"] == "planned");
    planned.next().unwrap()
}

fn with_kit(name: &str) -> Work {
    let work = Work::with_card(name);
    for add in [
        "kit add reader blue --bus uhs-ii --link usb3-5g",
        "kit add reader old --bus uhs-i --link usb2",
        "kit add card A1 --reads 170 --bus uhs-i --class V90 --reader blue",
    ] {
        work.run(&format!("{add} --home h")).exits(0);
    }
    work
}

#[test]
fn names_of_the_kit_make_the_ceiling() {
    let work = with_kit("kit-names");
    // Common practice, no source: such a card reaches its label in its matched reader only.
    let event = planned(&work, "--as A1 --in blue");
    assert_eq!(event["limiting_link"], "card label", "{event}");
    let event = planned(&work, "--as a1");
    assert_eq!(event["limiting_link"], "card bus sd-sdr104", "{event}");
    let event = planned(&work, "--as A1 --in old");
    assert_eq!(event["limiting_link"], "reader link usb2-bulk", "{event}");
    // What the command line says goes first; and V90 is a write class, so it is nowhere.
    let event = planned(&work, "--as A1 --in blue --reads 90");
    assert_eq!(event["ceiling_mbps"], 90.0, "{event}");
    let links = event["links"].as_array().unwrap();
    assert!(
        links
            .iter()
            .all(|l| l["mbps"].as_f64() >= Some(90.0) && l["id"] != "V90")
    );
    // The manifest keeps the links.
    work.run(&format!("copy {TO} --as A1 --in blue")).exits(0);
    let text = fs::read_to_string(work.path("a/KITES/_unlade/manifest.json")).unwrap();
    let manifest: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(manifest["links"][0]["mbps"], 170.0);
    assert_eq!(manifest["links"][0]["from"], "label");
}

#[test]
fn names_that_are_not_in_the_kit_stop_before_anything_is_written() {
    let work = with_kit("kit-unknown");
    work.run(&format!("copy {TO} --as B2"))
        .exits(2)
        .says("--as: there is no card `B2`")
        .says("there is A1");
    work.run(&format!("copy {TO} --in red"))
        .exits(2)
        .says("there is blue, old");
    work.folder("card2");
    work.run(&format!("copy card2 {TO} --as A1").replace(" --name KITES", ""))
        .exits(2)
        .says("--as names one card");
    assert_eq!(fs::read_dir(work.path("a")).unwrap().count(), 0);
}

#[test]
fn a_damaged_kit_costs_no_copy() {
    let work = with_kit("kit-damaged");
    fs::write(work.path("h/kit.toml"), "[[card]]\n").unwrap();
    work.run(&format!("copy {TO} --as A1"))
        .exits(3)
        .says("line 1, card, `name`");
    assert_eq!(fs::read_dir(work.path("a")).unwrap().count(), 0);
    work.run(&format!("copy {TO}"))
        .exits(0)
        .says("line 1, card, `name`")
        .says("Nothing of the kit is used")
        .says("PROVEN");
}

#[test]
fn drives_and_cards_are_recognised_by_their_volume() {
    let work = with_kit("kit-recognised");
    let ran = work.run("kit add drive Attic --writes 40 --at a --home h");
    if ran.code == 3 {
        ran.says("no identity");
        return;
    }
    // Both folders are on the one disk of the tests.
    let event = planned(&work, "");
    assert_eq!(event["limiting_link"], "destination 1", "{event}");
    assert_eq!(event["ceiling_mbps"], 20.0, "one disk, two copies: {event}");
    let notes = event["notes"].to_string();
    assert!(
        notes.contains("is on drive `Attic` of the kit, recognised by its volume"),
        "{notes}"
    );
    let event = planned(&work, "--writes 90,90");
    assert_eq!(
        event["ceiling_mbps"], 45.0,
        "the command line goes first: {event}"
    );
    work.run("kit remove drive Attic --home h").exits(0);
    work.run("kit add card B1 --reads 33 --at card --home h")
        .exits(0);
    let event = planned(&work, "");
    assert_eq!(event["ceiling_mbps"], 33.0, "{event}");
    assert!(
        event["notes"]
            .to_string()
            .contains("Card `B1` of the kit, recognised by its volume")
    );
}

#[test]
fn a_drive_spins_when_its_owner_says_so() {
    let work = with_kit("kit-spins");
    let ran = work.run("kit add drive Attic --writes 110 --reads 110 --spins yes --at a --home h");
    if ran.code == 3 {
        ran.says("no identity");
        return;
    }
    work.run("kit list --home h")
        .exits(0)
        .says("Attic: writes 110 MB/s, reads 110 MB/s, spins");
    let turns = "is a hard disk: it writes and reads back in turns";
    let one = |flags: &str| {
        let ran = work.run(&format!(
            "plan card --to a --name KITES --copies 1 --home h --json {flags}"
        ));
        ran.exits(0)
            .events()
            .into_iter()
            .find(|e| e["event"] == "planned")
            .unwrap()
    };
    let event = one("");
    assert!(event["notes"].to_string().contains(turns), "{event}");
    assert_eq!(event["ceiling_mbps"], 55.0, "1 / (1/110 + 1/110): {event}");
    work.run("kit add drive Attic --spins no --update --home h")
        .exits(0);
    assert!(kit_of(&work).contains("spins = false"));
    let event = one("");
    assert!(!event["notes"].to_string().contains(turns), "{event}");
    assert_eq!(event["ceiling_mbps"], 110.0, "{event}");
    work.run("kit add drive Attic --spins maybe --update --home h")
        .exits(2)
        .says("yes or no");
    let wrong = kit_of(&work).replace("spins = false", "spins = \"no\"");
    fs::write(work.path("h/kit.toml"), wrong).unwrap();
    work.run("kit list --home h")
        .exits(3)
        .says("must be true or false, without quotes, not string");
}

#[test]
fn what_copy_would_refuse_by_name_is_not_added() {
    let work = Work::with_card("kit-own");
    work.run("kit add drive Root --at / --home h")
        .exits(3)
        .says("nothing was changed");
    assert!(!work.path("h/kit.toml").exists());
    work.run("kit add drive Ada --at a --home h").exits(0);
    work.run("plan card --to Ada --copies 1 --home h").exits(0);
    work.run("kit add drive Ada --update --at / --home h")
        .exits(3)
        .says("nothing was changed");
    work.run("plan card --to Ada --copies 1 --home h").exits(0);
}

#[test]
fn a_slip_in_the_name_of_a_drive_is_answered_with_the_name() {
    let work = Work::with_card("kit-slip");
    work.run("kit add drive Ada --at a --home h").exits(0);
    for command in [
        "copy card --to Adda",
        "plan card --to ada2",
        "prove card --on Aad",
    ] {
        work.run(&format!("{command} --home h"))
            .exits(3)
            .says("the kit has no drive of that name. Did you mean `Ada`?");
    }
    // Nothing like it, and a folder.
    for command in ["copy card --to Travel", "copy card --to ./Adda"] {
        work.run(&format!("{command} --home h"))
            .exits(3)
            .says("mkdir")
            .is_silent_of("Did you mean");
    }
}
