//! The views of `unlade desk` beside the copy, over plain HTTP: what was done and is checked again.
//! What they look like in a browser is in `desk_browser.rs`.
#![cfg(feature = "desk")]
#![expect(
    clippy::disallowed_methods,
    reason = "tests play a person who damages a copy and edits a kit"
)]

use crate::support::desk::Desk;
use crate::support::program::{Work, bytes_of, put};
use serde_json::Value;

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
    assert_eq!(desk.post("/next", &serde_json::json!({})).status, 204);
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
