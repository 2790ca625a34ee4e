//! The views of `unlade desk` beside the copy, over plain HTTP: what was done and is checked again.
//! What they look like in a browser is in `desk_browser.rs`.
#![cfg(feature = "desk")]
#![expect(
    clippy::disallowed_methods,
    reason = "tests play a person who damages a copy and edits a kit"
)]

use crate::support::desk::Desk;
use crate::support::mount::{Mount, Options, skip as no_mounts};
use crate::support::program::{Work, bytes_of, put, skip};
use serde_json::{Value, json};

/// A kit with which one drive is enough: a test has one disk.
fn work(name: &str) -> Work {
    let work = Work::with_card(name);
    work.folder("h");
    put(&work.path("h/kit.toml"), b"[usual]\ncopies = 1\n");
    work
}

/// The last line of `--json`, without what differs from run to run.
fn told(mut verdict: Value) -> Value {
    let fields = verdict.as_object_mut().unwrap();
    for field in ["event", "t", "shoot"] {
        fields.remove(field);
    }
    verdict
}

/// Ends an answer, so that the next can be asked for.
fn answered(desk: &Desk) -> (Value, String) {
    let verdict = told(desk.wait_for("answer")["verdict"].clone());
    let page = desk.get("/").body;
    assert_eq!(desk.post("/next", &json!({})).status, 204);
    let heading = page.split("<h1 tabindex=\"-1\">").nth(1).unwrap();
    let heading = heading.split('<').next().unwrap().to_owned();
    (verdict, heading)
}

/// The value of the first hidden field of a name.
fn hidden<'a>(page: &'a str, name: &str) -> &'a str {
    let begin = format!("type=\"hidden\" name=\"{name}\" value=\"");
    let rest = page
        .split_once(&begin)
        .unwrap_or_else(|| panic!("no {name}: {page}"));
    rest.1.split('"').next().unwrap()
}

#[test]
fn what_was_done_is_checked_again_and_asked_about() {
    let work = work("desk-shoots");
    let copy = "copy card --to a --to b --name KITES --shoot festival --expect 2 --home h";
    work.run(copy).exits(0);
    let desk = Desk::start(&work);
    let page = desk.get("/shoots").body;
    for shown in [
        "<bdi>festival</bdi>",
        "1 of 2 announced cards seen, 1 proven.",
        "NOT SEEN",
        "last read whole",
        "every copy was read whole within",
    ] {
        assert!(page.contains(shown), "{shown}: {page}");
    }
    // Both copies, as the terminal checks them.
    let copies = ["a", "b"].map(|to| work.path(to).join("KITES"));
    let [a, b] = [&copies[0], &copies[1]].map(|path| path.to_str().unwrap());
    let verify = format!("verify {a} {b} --json --home h --no-ledger");
    let check = || desk.form("/check", &[("path", a), ("path", b)]);
    let begun = check();
    assert_eq!((begun.status, begun.header("location")), (303, "/"));
    let (verdict, heading) = answered(&desk);
    assert_eq!(heading, "INTACT");
    let ran = work.run(&verify);
    assert_eq!(verdict, told(ran.exits(0).events().pop().unwrap()));
    // One byte is another: the terminal's word, and never more.
    let clip = copies[1].join("PRIVATE/CLIPS/C0001.MP4");
    let mut bytes = bytes_of(&clip);
    bytes[1_000_000] ^= 1;
    std::fs::write(&clip, bytes).unwrap();
    assert_eq!(check().status, 303);
    let (verdict, heading) = answered(&desk);
    assert_eq!(heading, "NOT INTACT");
    let ran = work.run(&verify);
    assert_eq!(verdict, told(ran.exits(1).events().pop().unwrap()));
    assert_eq!(desk.form("/check", &[("path", b)]).status, 303);
    let page = {
        desk.wait_for("answer");
        desk.get("/").body
    };
    for shown in [
        ">NOT INTACT</h1>",
        "C0001.MP4",
        "<strong class=\"bad\">changed</strong>",
    ] {
        assert!(page.contains(shown), "{shown}: {page}");
    }
    answered(&desk);
    // May it be formatted: as `prove` says, by the other copy.
    let page = desk.get("/shoots").body;
    let damaged = page.matches("1 file found damaged on ").count();
    assert_eq!(damaged, 1, "{page}");
    let card = hidden(&page, "card");
    assert_eq!(desk.form("/format", &[("card", card)]).status, 303);
    let (verdict, heading) = answered(&desk);
    let card_at = work.path("card");
    let ran = work.run(&format!("prove {} --home h --json", card_at.display()));
    assert_eq!(verdict, told(ran.exits(0).verdict()));
    assert_eq!(heading, "PROVEN");
    // Nothing that the ledger doesn't know is read, and what is not there is not asked about.
    let other = desk.form("/check", &[("path", "/etc")]);
    assert!(
        other.status == 422 && other.body.contains("knows no copy"),
        "{other:?}"
    );
    assert_eq!(desk.form("/check", &[]).status, 422);
    assert_eq!(desk.form("/format", &[("card", "kites")]).status, 422);
    std::fs::rename(&card_at, work.path("away")).unwrap();
    let gone = desk.form("/format", &[("card", card)]);
    assert_eq!(gone.status, 422);
    assert!(gone.body.contains("card is not plugged in"), "{gone:?}");
    assert_eq!(desk.state()["view"], "now");
    // A form of another page is none.
    let headers = [("Host", desk.host.as_str()), ("Cookie", desk.cookie())];
    let foreign = desk.ask("POST", "/check", &headers, "path=%2F");
    assert_eq!(foreign.status, 403);
}

#[test]
fn a_drive_is_due_until_it_is_checked_and_that_is_remembered() {
    let work = work("desk-due");
    work.run("copy card --to a --name KITES --copies 1 --home h")
        .exits(0);
    let ledger = work.path("h/ledger.jsonl");
    let text = String::from_utf8(bytes_of(&ledger)).unwrap();
    let at = text.split("\"at\":\"").nth(1).unwrap().get(..4).unwrap();
    let old = text.replace(&format!("\"at\":\"{at}"), "\"at\":\"2020");
    std::fs::write(&ledger, old).unwrap();
    let desk = Desk::start(&work);
    let copy = work.path("a/KITES");
    let page = desk.get("/shoots").body;
    let due = page.split("<details").next().unwrap();
    assert!(due.contains("last read 2020-"), "{page}");
    assert_eq!(hidden(due, "path"), copy.to_str().unwrap());
    assert!(page.contains("Without a shoot"), "{page}");
    assert_eq!(
        desk.form("/check", &[("path", hidden(due, "path"))]).status,
        303
    );
    assert_eq!(answered(&desk).1, "INTACT");
    let page = desk.get("/shoots").body;
    assert!(page.contains("every copy was read whole within"), "{page}");
    desk.end().exits(0);
    // And without a ledger nothing is remembered, which is said.
    let mut command = work.command();
    command.args(["desk", "--no-open", "--json", "--home", "h", "--no-ledger"]);
    let desk = Desk::run(&mut command);
    assert!(desk.get("/shoots").body.contains("There is no ledger"));
}

/// A folder that is seen in two places, as by a bind mount, is one copy.
#[test]
fn a_folder_is_checked_once_by_whatever_paths_it_is_known() {
    let work = work("desk-one-folder");
    work.run("copy card --to a --name KITES --copies 1 --home h")
        .exits(0);
    std::os::unix::fs::symlink(work.path("a"), work.path("again")).unwrap();
    let [a, again] = ["a/KITES", "again/KITES"].map(|below| work.path(below));
    let [a, again] = [&a, &again].map(|path| path.to_str().unwrap());
    let ledger = work.path("h/ledger.jsonl");
    let line = String::from_utf8(bytes_of(&ledger)).unwrap();
    std::fs::write(&ledger, format!("{line}{}", line.replace(a, again))).unwrap();
    let desk = Desk::start(&work);
    let check = desk.form("/check", &[("path", a), ("path", again)]);
    assert_eq!(check.status, 303);
    let verdict = told(desk.wait_for("answer")["verdict"].clone());
    let page = desk.get("/").body;
    assert!(page.contains(" are one folder: it is one copy"), "{page}");
    let ran = work.run(&format!("verify {a} --json --home h --no-ledger"));
    assert_eq!(verdict, told(ran.exits(0).events().pop().unwrap()));
}

/// A drive that gives 1 MB/s, so that there is time to stop.
#[test]
fn a_check_that_is_stopped_says_so() {
    let work = work("desk-stop-check");
    if no_mounts() {
        skip("a slow drive needs FUSE");
        return;
    }
    let (back, at) = (work.folder("back"), work.folder("SLOW"));
    let fast = Mount::new(&back, &at, Options::default()).unwrap();
    work.run("copy card --to SLOW --name KITES --copies 1 --home h")
        .exits(0);
    drop(fast);
    let slow = Options {
        read_mbps: 1.0,
        ..Options::default()
    };
    let _slow = Mount::new(&back, &at, slow).unwrap();
    let desk = Desk::start(&work);
    let copy = at.join("KITES");
    let copy = copy.to_str().unwrap();
    assert_eq!(desk.form("/check", &[("path", copy)]).status, 303);
    let page = desk.get("/").body;
    assert!(page.contains("<h1>Checking <bdi>"), "{page}");
    // Nothing else is begun meanwhile.
    let second = desk.form("/check", &[("path", copy)]);
    assert!(
        second.status == 422 && second.body.contains("running already"),
        "{second:?}"
    );
    assert_eq!(desk.copy(&[copy], &[copy]).status, 422);
    assert_eq!(desk.post("/stop", &json!({})).status, 204);
    let (verdict, heading) = answered(&desk);
    assert_eq!(
        (heading.as_str(), &verdict["exit_code"]),
        ("STOPPED", &json!(130))
    );
    // It is no check that counts: the copy was last read whole when it was made.
    assert_eq!(desk.form("/check", &[("path", copy)]).status, 303);
    let ran = desk.end();
    ran.exits(0);
}

#[test]
fn a_copy_is_called_as_it_was_asked_for() {
    let work = work("desk-names");
    let path = |below: &str| work.path(below).to_str().unwrap().to_owned();
    let desk = Desk::start(&work);
    let asked = json!({
        "cards": [path("card")], "to": [path("a"), path("b")],
        "name": "Day one", "shoot": "-festival", "expect": "2",
    });
    let plan = desk.post("/plan", &asked).body;
    assert!(plan.contains("Day one"), "{plan}");
    assert_eq!(desk.post("/copy", &asked).status, 204);
    let (verdict, heading) = answered(&desk);
    assert_eq!(
        (heading.as_str(), &verdict["offload"]),
        ("PROVEN", &json!("Day one"))
    );
    assert!(work.path("a/Day one/_unlade/manifest.json").is_file());
    let page = desk.get("/shoots").body;
    assert!(
        page.contains("<bdi>-festival</bdi>") && page.contains("NOT SEEN"),
        "{page}"
    );
    // The next card is likely of the same shoot.
    let now = desk.get("/").body;
    assert!(now.contains("value=\"-festival\""), "{now}");
    let card = hidden(&page, "card");
    assert_eq!(desk.form("/format", &[("card", card)]).status, 303);
    assert_eq!(answered(&desk).1, "PROVEN");
    let wrong = json!({"cards": [path("card")], "to": [path("a")], "expect": "some"});
    let plan = desk.post("/plan", &wrong).body;
    assert!(
        plan.contains("can't be copied as it is") && plan.contains("some"),
        "{plan}"
    );
}

#[test]
fn weigh_says_what_the_terminal_says() {
    let work = work("desk-weigh");
    let kit = "[[card]]\nname = \"A1\"\nreads = 170\nbus = \"uhs-ii\"\n\n[[reader]]\n\
        name = \"<i>blue\"\nbus = \"uhs-ii\"\nlink = \"usb2\"\n\n[[reader]]\n\
        name = \"fast\"\nbus = \"uhs-ii\"\nlink = \"usb3-10g\"\n";
    std::fs::write(work.path("h/kit.toml"), kit).unwrap();
    let desk = Desk::start(&work);
    let page = desk.get("/weigh").body;
    assert_eq!(page.matches("<svg viewBox").count(), 3, "{page}");
    assert!(
        page.contains("&lt;i&gt;blue") && !page.contains("<i>"),
        "{page}"
    );
    let row = page.split("<bdi>170 MB/s</bdi>").nth(1).unwrap();
    let cells: Vec<&str> = row.split("<td>").skip(1).take(2).collect();
    let cells: Vec<&str> = cells.iter().map(|c| c.split('<').next().unwrap()).collect();
    for (reader, cell) in ["<i>blue", "fast"].iter().zip(&cells) {
        let ran = work.run_with([
            "weigh",
            "upgrade",
            "--offload",
            "128GB",
            "--card",
            "A1",
            "--reader",
            reader,
            "--new-card",
            "95",
            "--home",
            "h",
        ]);
        ran.exits(0).says(cell);
    }
    assert_ne!(cells[0], cells[1], "{cells:?}");
    assert!(
        page.contains("a dearer card saves nothing, held back by reader link"),
        "{page}"
    );
    // Field by field in the words of the flags.
    for (query, words) in [
        ("at=400", "has no unit"),
        ("size=128Gb", "is in bits"),
        ("class=V31", "V31"),
        ("bus=usb2", "is no bus of a card"),
        ("fps=0", "above zero"),
        ("writes=fast", "number above zero"),
    ] {
        let page = desk.get(&format!("/weigh?{query}")).body;
        let wrong = page.split("<p class=\"bad\">").nth(1).unwrap();
        assert!(
            wrong.split("</p>").next().unwrap().contains(words),
            "{query}: {wrong}"
        );
    }
    let asked = desk.get("/weigh?at=400Mb%2Fs&room=128GB&class=V30").body;
    let ran = work.run("weigh footage --at 400Mb/s --room 128GB --class V30 --json");
    let minutes = ran.first("weighed")["minutes"].as_f64().unwrap();
    assert!(
        asked.contains(&format!("{minutes:.1} min")),
        "{minutes}: {asked}"
    );
    assert!(asked.contains("NOT sustained by guarantee"), "{asked}");
}

const KITES: &str = "\
# Ours, since the lake.

[[card]]
name = \"A1\"   # yellow tape
reads = 170

[[drive]]
name = \"Attic\"
writes = 110

[usual]
to = [\"Attic\"]
copies = 1  # for now

[[rule]]
match = \"any-camera-card\"
";

fn kit_of(work: &Work) -> String {
    String::from_utf8(bytes_of(&work.path("h/kit.toml"))).unwrap()
}

#[test]
fn the_kit_is_seen_and_edited_with_what_a_hand_wrote() {
    let work = work("desk-kit");
    std::fs::write(work.path("h/kit.toml"), KITES).unwrap();
    let desk = Desk::start(&work);
    let page = desk.get("/kit").body;
    for shown in [
        "label 170 MB/s",
        "writes 110 MB/s",
        "to Attic; 1 copy",
        "any-camera-card",
    ] {
        assert!(page.contains(shown), "{shown}: {page}");
    }
    // What `unlade kit check` says of its use.
    assert!(page.contains("kit doesn&#39;t know its volume") || page.contains("its volume"));
    let was = |target: &str| hidden(&desk.get(target).body, "was").to_owned();
    let save = |target: &str, fields: &[(&str, &str)]| {
        let mark = was(target);
        desk.form("/kit/save", &[fields, &[("was", &mark)]].concat())
    };
    // A change, and what stands beside it stays.
    let a1 = [
        ("what", "card"),
        ("of", "A1"),
        ("f-reads", "90.5"),
        ("f-class", "V30"),
    ];
    let saved = save("/kit/edit?what=card&of=A1", &a1);
    assert_eq!((saved.status, saved.header("location")), (303, "/kit"));
    let changed = KITES.replace("reads = 170\n", "reads = 90.5\nclass = \"V30\"\n");
    assert_eq!(kit_of(&work), changed);
    // A mistake is told at its field in the words of `kit check`, and nothing is written.
    for (fields, words) in [
        (
            vec![("what", "card"), ("of", "A1"), ("f-reads", "fast")],
            "must be a number of MB/s",
        ),
        (
            vec![("what", "card"), ("of", "A1"), ("f-class", "V31")],
            "V31",
        ),
        (
            vec![("what", "usual"), ("of", ""), ("f-to", "Lake")],
            "there is no drive",
        ),
        (
            vec![("what", "usual"), ("of", ""), ("f-copies", "two")],
            "must be a whole number",
        ),
        (
            vec![
                ("what", "rule"),
                ("of", "1"),
                ("f-match", "A1"),
                ("f-proof", "sure"),
            ],
            "must be",
        ),
        (
            vec![("what", "card"), ("new", "yes"), ("of", "")],
            "every entry has one",
        ),
        (
            vec![("what", "card"), ("new", "yes"), ("of", "a1")],
            "of this name already",
        ),
    ] {
        let answer = save("/kit/edit?what=card&of=A1", &fields);
        assert_eq!(answer.status, 422, "{fields:?}");
        let wrong = answer.body.split("<p class=\"bad\">").nth(1);
        let wrong = wrong.unwrap_or_else(|| panic!("{fields:?}: {}", answer.body));
        assert!(
            wrong.split("</p>").next().unwrap().contains(words),
            "{wrong}"
        );
        assert!(
            answer.body.contains("aria-invalid=\"true\""),
            "{}",
            answer.body
        );
        assert_eq!(kit_of(&work), changed);
    }
    // New ones go to the end; a name that would act is text.
    let hostile = "<img src=x onerror=alert(1)>";
    let new = [
        ("what", "reader"),
        ("new", "yes"),
        ("of", hostile),
        ("f-bus", "uhs-ii"),
    ];
    assert_eq!(save("/kit/edit?what=reader&new=yes", &new).status, 303);
    let studio = [
        ("what", "usual"),
        ("new", "yes"),
        ("of", "Studio"),
        ("f-to", "Attic\r\n/srv"),
    ];
    assert_eq!(save("/kit/edit?what=usual&new=yes", &studio).status, 303);
    let rule = [
        ("what", "rule"),
        ("of", "1"),
        ("f-match", "A1\r\nZOOM*"),
        ("f-to", "Attic"),
        ("f-only_new", "yes"),
        ("f-reader", hostile),
    ];
    assert_eq!(save("/kit/edit?what=rule&of=1", &rule).status, 303);
    let text = kit_of(&work);
    assert!(text.contains("match = [\"A1\", \"ZOOM*\"]\n"), "{text}");
    assert!(
        text.contains("[usual.Studio]\nto = [\"Attic\", \"/srv\"]\n"),
        "{text}"
    );
    assert!(text.starts_with("# Ours, since the lake.") && text.contains("# yellow tape"));
    let page = desk.get("/kit").body;
    assert!(
        page.contains("&lt;img src=x") && !page.contains("<img src=x"),
        "{page}"
    );
    work.run("kit check --home h")
        .exits(1)
        .says("has no mistake");
    desk.end().exits(0);
}

/// A kit as hands write it, of which each form is sent back as it came; then `[usual]` is added.
#[test]
fn a_form_of_the_kit_that_is_sent_back_unedited_changes_no_byte() {
    let work = work("desk-kit-unedited");
    let kit = "[usual.Studio]\nto = [\"Beta\", # fast one\n\"/srv\",\n\"attic\", # slow one\n]\n\
        also = [\"sha1\",\"md5\"]\n\n[[rule]]\nmatch = \"any-camera-card\"\n\
        only_new = false # on purpose\n\n[[drive]]\nname = \"Attic\"\n\n[[drive]]\n\
        name = \"Beta\"\n\n[[card]]\nname = \"A1\"\n";
    std::fs::write(work.path("h/kit.toml"), kit).unwrap();
    let desk = Desk::start(&work);
    let save = |fields: &[(&str, &str)]| {
        let page = desk.get("/kit/edit?what=card&of=A1").body;
        desk.form(
            "/kit/save",
            &[fields, &[("was", hidden(&page, "was"))]].concat(),
        )
    };
    let studio = [
        ("what", "usual"),
        ("of", "Studio"),
        ("f-to", "Attic"),
        ("f-to", "Beta"),
        ("f-to", "/srv"),
        ("f-also", "md5"),
        ("f-also", "sha1"),
    ];
    let rule = [
        ("what", "rule"),
        ("of", "1"),
        ("f-match", "any-camera-card"),
    ];
    for fields in [&studio[..], &rule] {
        assert_eq!(save(fields).status, 303);
        assert_eq!(kit_of(&work), kit);
    }
    // The disk of this computer is no card.
    let card = [("what", "card"), ("of", "A1"), ("at", "/")];
    let answer = save(&card);
    assert_eq!(answer.status, 422, "{}", answer.body);
    let words = "own disk or in its memory, and nothing was changed";
    assert!(answer.body.contains(words), "{}", answer.body);
    assert_eq!(kit_of(&work), kit);
    let usual = [
        ("what", "usual"),
        ("new", "yes"),
        ("of", ""),
        ("f-copies", "1"),
    ];
    assert_eq!(save(&usual).status, 303);
    assert_eq!(kit_of(&work), format!("{kit}\n[usual]\ncopies = 1\n"));
    assert_eq!(save(&usual).status, 422);
    desk.end().exits(0);
}

#[test]
fn a_kit_that_changed_meanwhile_is_shown_anew_and_removal_is_asked() {
    let work = work("desk-kit-meanwhile");
    std::fs::write(work.path("h/kit.toml"), KITES).unwrap();
    let desk = Desk::start(&work);
    let form = desk.get("/kit/edit?what=card&of=A1").body;
    let theirs = KITES.replace("170", "95");
    std::fs::write(work.path("h/kit.toml"), &theirs).unwrap();
    let was = hidden(&form, "was");
    let ours = [
        ("what", "card"),
        ("of", "A1"),
        ("f-reads", "80"),
        ("was", was),
    ];
    let answer = desk.form("/kit/save", &ours);
    assert_eq!(answer.status, 409);
    assert!(
        answer.body.contains("changed by somebody else meanwhile"),
        "{answer:?}"
    );
    assert!(
        answer.body.contains("value=\"80\""),
        "what was typed: {answer:?}"
    );
    let beside = "The kit says now: <bdi>95</bdi>";
    assert!(answer.body.contains(beside), "{answer:?}");
    assert_eq!(kit_of(&work), theirs);
    // Sent once more it is meant.
    let again = [&ours[..3], &[("was", hidden(&answer.body, "was"))]].concat();
    assert_eq!(desk.form("/kit/save", &again).status, 303);
    assert_eq!(kit_of(&work), KITES.replace("170", "80"));
    // It was removed meanwhile, or the kit is no sound one: what was typed stays.
    for (theirs, words) in [
        (
            "[[drive]]\nname = \"Attic\"\n",
            "It was removed: Save adds it",
        ),
        ("[[card]]\nname = 3\n", "must be text in quotes"),
    ] {
        std::fs::write(work.path("h/kit.toml"), theirs).unwrap();
        let answer = desk.form("/kit/save", &ours);
        assert_eq!(answer.status, 409, "{answer:?}");
        for shown in ["value=\"80\"", words] {
            assert!(answer.body.contains(shown), "{shown}: {answer:?}");
        }
        assert_eq!(kit_of(&work), theirs);
    }
    std::fs::write(work.path("h/kit.toml"), &theirs).unwrap();
    // Removal is asked for, and refused where something else needs it.
    let ask = desk.get("/kit/remove?what=card&of=A1").body;
    assert!(ask.contains("no card and no drive is touched"), "{ask}");
    let mark = hidden(&ask, "was");
    let gone = |what, of| desk.form("/kit/remove", &[("what", what), ("of", of), ("was", mark)]);
    let needed = gone("drive", "Attic");
    assert_eq!(needed.status, 422);
    assert!(needed.body.contains("there is no drive"), "{needed:?}");
    assert_eq!(kit_of(&work), theirs);
    assert_eq!(gone("card", "A1").status, 303);
    let rest = "# Ours, since the lake.\n\n\n[[drive]]\nname = \"Attic\"";
    assert!(kit_of(&work).starts_with(rest), "{}", kit_of(&work));
    assert_eq!(gone("rule", "1").status, 409, "it is another file by now");
    // A kit with a mistake is shown with its line, and not edited.
    std::fs::write(work.path("h/kit.toml"), "[[card]]\nname = 3\n").unwrap();
    let page = desk.get("/kit").body;
    assert!(
        page.contains("line 2, card, <code><bdi>name</bdi></code>: must be text"),
        "{page}"
    );
    assert!(!page.contains("Add a card"), "{page}");
}

/// The buttons work without a script: each is a form of its own.
#[test]
fn rules_are_put_in_another_order_and_a_form_of_one_follows_it() {
    let work = work("desk-rules");
    let file = work.path("h/kit.toml");
    let kit = "[[rule]]\nmatch = \"A1\"\n\n# Lent ones.\n[[rule]]\nmatch = \"ZOOM*\"\n\n\
        [[rule]]\nmatch = \"any-camera-card\"\n\n[[card]]\nname = \"A1\"\n";
    std::fs::write(&file, kit).unwrap();
    let desk = Desk::start(&work);
    let page = desk.get("/kit").body;
    let buttons = |of: usize| -> Vec<&str> {
        let row = page.split(&format!("id=\"rule-{of}\"")).nth(1).unwrap();
        let row = row.split("</li>").next().unwrap();
        let buttons = row.split("<button").skip(1);
        let words = buttons.filter_map(|b| b.split('>').nth(1)?.split('<').next());
        words.collect()
    };
    assert_eq!(buttons(1), ["Down"]);
    assert_eq!(buttons(2), ["Up", "Down"]);
    assert_eq!(buttons(3), ["Up"]);
    let form = desk.get("/kit/edit?what=rule&of=2").body;
    let was = hidden(&page, "was");
    let go = |of, way, was: &str| desk.form("/kit/move", &[("of", of), ("way", way), ("was", was)]);
    let moved = go("2", "up", was);
    assert_eq!(
        (moved.status, moved.header("location")),
        (303, "/kit#rule-1")
    );
    let first = "# Lent ones.\n[[rule]]\nmatch = \"ZOOM*\"\n\n[[rule]]\nmatch = \"A1\"\n";
    assert!(kit_of(&work).starts_with(first), "{}", kit_of(&work));
    assert_eq!(go("2", "up", was).status, 409, "it is another file by now");
    // What was typed is about the same rule, which is another number by now.
    let typed = [
        ("what", "rule"),
        ("of", "2"),
        ("own", hidden(&form, "own")),
        ("f-match", "ZOOM*\r\nLAKE*"),
    ];
    let send = |of: &str, was: &str| {
        let own = [("of", of), ("was", was)];
        desk.form("/kit/save", &[&own[..], &typed].concat())
    };
    let answer = send("2", was);
    assert_eq!(answer.status, 409);
    for shown in [
        "This one is rule 1 now.",
        "ZOOM*\r\nLAKE*",
        "<bdi>ZOOM*</bdi>",
    ] {
        assert!(answer.body.contains(shown), "{shown}: {answer:?}");
    }
    assert_eq!(hidden(&answer.body, "of"), "1");
    assert_eq!(send("1", hidden(&answer.body, "was")).status, 303);
    let first = first.replace("\"ZOOM*\"", "[\"ZOOM*\", \"LAKE*\"]");
    assert!(kit_of(&work).starts_with(&first), "{}", kit_of(&work));
    let was = hidden(&desk.get("/kit").body, "was").to_owned();
    for (of, way) in [
        ("1", "up"),
        ("3", "down"),
        ("9", "up"),
        ("x", "up"),
        ("1", "away"),
    ] {
        assert_eq!(go(of, way, &was).status, 422, "{of} {way}");
    }
    let moved = go("1", "down", &was);
    assert_eq!(moved.header("location"), "/kit#rule-2");
    // A kit that somebody made read-only is not changed, also not by root.
    let before = kit_of(&work);
    let mode = |mode| {
        let mode = std::os::unix::fs::PermissionsExt::from_mode(mode);
        std::fs::set_permissions(&file, mode).unwrap();
    };
    mode(0o444);
    let page = desk.get("/kit/edit?what=card&of=A1").body;
    let was = hidden(&page, "was");
    let a1 = [
        ("what", "card"),
        ("of", "A1"),
        ("f-reads", "90"),
        ("was", was),
    ];
    for answer in [go("1", "down", was), desk.form("/kit/save", &a1)] {
        assert_eq!(answer.status, 422, "{answer:?}");
        let words = "is read-only for you; nothing was changed. To have it changed, make it \
            writable first (chmod u+w), then do this again.";
        assert!(answer.body.contains(words), "{answer:?}");
    }
    assert!(desk.form("/kit/save", &a1).body.contains("value=\"90\""));
    assert_eq!(kit_of(&work), before);
    mode(0o644);
    desk.end().exits(0);
}
