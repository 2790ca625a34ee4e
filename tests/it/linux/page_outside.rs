//! The pages as others see them: headless Chromium, axe-core, html-validate and poppler's
//! `pdftotext` judge them through `tests/page/check.mjs`. Pages that were broken on purpose prove
//! that each check can fail. Pages, screenshots and PDFs are left in `target/tmp/pages-outside` for
//! eyes. Where sweeps do not run whole, three of the pages and three of the broken ones are judged,
//! and each at one width in light, one in dark, and on one size of paper.
#![expect(
    clippy::disallowed_methods,
    reason = "the pages are stored for other programs to read"
)]

use super::page_of_check::{HOSTILE as HOSTILE_FILE, listed};
use crate::page::{festival, made, page_of_pictures, sheet};
use crate::support::program::{Card, Work, bytes_of, flip, put, remove, skip, tool};
use crate::support::{sampled, whole_sweeps};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use unlade::ledger::Ledger;
use unlade::ledger::shoot::Shoot;
use unlade::report::shoot::LedgerSource;

const SCRIPT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/page/check.mjs");
const LIBRARIES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/page/node_modules");
const HOSTILE: &str = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>\u{202e}gpj";

/// Pages for the checks, and what each is to be held to.
struct Pages {
    folder: PathBuf,
    list: Vec<Value>,
}

impl Pages {
    fn new(name: &str) -> Self {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
        if folder.exists() {
            fs::remove_dir_all(&folder).unwrap();
        }
        fs::create_dir_all(&folder).unwrap();
        let list = Vec::new();
        Self { folder, list }
    }

    /// Adds a page; `held` names more to hold it to than its verdict.
    fn add(&mut self, name: &str, verdict: &str, page: &[u8], mut held: Value) {
        let file = format!("{name}.html");
        put(&self.folder.join(&file), page);
        held["file"] = file.into();
        held["verdict"] = verdict.into();
        // A check that can find something finds it in a sample.
        held["sample"] = (!whole_sweeps() || held["broken"] == true).into();
        self.list.push(held);
    }

    /// What every page is faulted for, as page and check, with the details; `None` where this
    /// cannot be asked here.
    fn faults(&self) -> Option<Vec<(String, String, String)>> {
        let (Some(node), Some(chromium), Some(_)) =
            (tool("node"), tool("chromium"), tool("pdftotext"))
        else {
            skip("node, chromium or pdftotext (poppler-utils) is not installed");
            return None;
        };
        if !Path::new(LIBRARIES).join("puppeteer-core").is_dir() {
            skip("the page's checkers are missing: npm ci in tests/page");
            return None;
        }
        put(
            &self.folder.join("pages.json"),
            Value::from(self.list.clone()).to_string().as_bytes(),
        );
        let mut command = Command::new(node);
        command.arg(SCRIPT).arg(&self.folder).arg(chromium);
        let ran = command.output().unwrap();
        let told = String::from_utf8_lossy(&ran.stderr);
        assert!(ran.status.success(), "{told}");
        let faults: Vec<Value> = serde_json::from_slice(&ran.stdout).unwrap();
        let word = |fault: &Value, key: &str| fault[key].as_str().unwrap().to_owned();
        let told = faults.iter();
        Some(
            told.map(|f| (word(f, "page"), word(f, "check"), word(f, "detail")))
                .collect(),
        )
    }
}

fn page_of(manifest: &Value) -> Vec<u8> {
    made(manifest).into_bytes()
}

fn not_proven() -> Value {
    let mut m = festival(6);
    m["verdict"] = json!({"proven": false, "copies": 1, "reasons": ["1 file could not be read",
        "On destination 2, 1 file of 6 was not read back equal"]});
    m["problems"] = json!([
        {"kind": "unreadable", "path": "DCIM/100KITES/KITE0007.MP4", "destination": null,
            "detail": "reading failed: input/output error", "blocking": true},
        {"kind": "mismatch", "path": "DCIM/100KITES/KITE0003.MP4", "destination": 1,
            "detail": "what was read back differs from what was written", "blocking": true},
        {"kind": "changed", "path": "DCIM/100KITES/KITE0001.XMP", "destination": 0,
            "detail": "its date could not be set", "blocking": false}]);
    m["files"][2]["copies"] = json!([{"destination": 0, "proof": "readback", "readback_s": 0.4},
        {"destination": 1, "proof": "written", "readback_s": null}]);
    m
}

fn hostile() -> Value {
    let mut m = festival(2);
    m["version"] = 2.into();
    m["destinations"][1]["name"] = HOSTILE.into();
    for at in [
        "/offload/name",
        "/offload/host",
        "/card/path",
        "/card/label",
        "/destinations/0/path",
        "/destinations/1/device",
        "/files/0/path",
        "/left_out/0/path",
        "/links/0/part",
        "/limiting_link",
    ] {
        *m.pointer_mut(at).unwrap_or_else(|| panic!("{at}")) = HOSTILE.into();
    }
    // No break where a line could end, and as long as a path may be.
    m["files"][1]["path"] = format!("DCIM/{}.MP4", "K".repeat(250)).into();
    m["verdict"]["notes"] = json!([HOSTILE]);
    m
}

fn only_new() -> Value {
    let mut m = festival(8);
    m["proof"]["only_new"] = json!({"left_files": 5, "left_bytes": 500_000_000,
        "matched_by": "path-size-date", "sampled_files": 1});
    for n in 0..5 {
        m["files"][n]["copies"] = json!([{"destination": 0, "proof": "earlier", "readback_s": null,
            "in": "20261002-KITES-A"}, {"destination": 1, "proof": "earlier", "readback_s": null,
                "in": "20261002-KITES-A"}]);
    }
    m
}

/// Many of everything that is listed.
fn plenty() -> Value {
    let mut m = festival(3_000);
    m["verdict"] = json!({"proven": false, "copies": 1, "reasons": ["60 files could not be read"]});
    m["left_out"] = (0..60)
        .map(|n| json!({"path": format!("DCIM/._KITE{n:04}.MP4"), "why": "made by a computer"}))
        .collect();
    m["problems"] = (0..60)
        .map(|n| {
            json!({"kind": "unreadable",
        "path": format!("DCIM/100KITES/LOST{n:04}.MP4"), "destination": null,
            "detail": "reading failed: input/output error", "blocking": true})
        })
        .collect();
    m
}

/// A bag, signed, made by the program itself.
fn signed_bag() -> Vec<u8> {
    let work = Work::new("page-signed-bag");
    let mut card = Card::new(&work.folder("card"));
    for n in 0..20 {
        card = card.file(format!("DCIM/100KITES/KITE{n:04}.JPG"), 40_000, n);
    }
    card.holding("DCIM/100KITES/KITE0020.JPG", &vec![0; 30_000]);
    for drive in ["a", "b"] {
        work.folder(drive);
    }
    let key = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/keys/tests_only_ed25519");
    put(&work.path("key"), &bytes_of(&key));
    fs::set_permissions(work.path("key"), fs::Permissions::from_mode(0o600)).unwrap();
    work.run("copy card --to a --to b --name KITES --copies 1 --layout bag --sign key")
        .exits(0);
    assert!(work.path("a/KITES/_unlade/manifest.json.sig").is_file());
    bytes_of(&work.path("a/KITES/_unlade/report.html"))
}

/// The page of a shoot from a ledger with so many cards; every fifth is not proven.
fn shoot_page(cards: usize, announced: &Value, label: &str) -> Vec<u8> {
    let place = |drive: &str, n: usize, complete: bool| {
        json!({"path": format!("/media/{drive}/20261003-{label}{n}"),
            "filesystem": "exfat", "volume_id": "11AA-22BB", "complete": complete})
    };
    let entry = |n: usize| {
        let proven = n % 5 != 2;
        let hash = format!("{n:064x}");
        json!({"ledger": 1, "at": format!("2026-10-03T18:{:02}:31.000Z", n % 60), "did": "copy",
            "card": {"label": format!("{label}{n}"), "path": format!("/media/{label}{n}"),
                "volume_id": format!("6234-{n:04X}"), "listing_b3": hash, "files": 420,
                    "bytes": 61_300_000_000_u64},
            "offload": format!("20261003-{label}{n}"),
                "shoot": {"name": format!("kite-festival {label}"), "expected": announced},
            "proven": proven, "copies": if proven { 2 } else { 1 },
            "reasons": if proven { json!([]) } else { json!(["1 complete copy on separate \
                drives; 2 are needed"]) },
            "places": [place("drive-a", n, true), place("drive-b", n, proven)]})
    };
    let lines: Vec<String> = (1..=cards).map(|n| entry(n).to_string()).collect();
    let ledger = Ledger::from_text(lines.join("\n").as_bytes());
    assert_eq!(ledger.entries.len(), cards, "every line is understood");
    let shoot = Shoot::of(&ledger, &format!("kite-festival {label}"), None);
    let source = LedgerSource {
        zone: &jiff::tz::TimeZone::UTC,
        host: "field-laptop",
        damaged: u64::from(cards == 3),
    };
    unlade::report::shoot::page(&shoot, source).into_bytes()
}

fn add_shoots(pages: &mut Pages) {
    let labels = json!({"labels": ["A1", "A2", "A3", "B2"]});
    let three = shoot_page(3, &labels, "A");
    pages.add(
        "shoot-three",
        "2 of 4 cards proven",
        &three,
        json!({"pages_max": 2,
        "prints": ["Not seen: B2.", "Not proven: A2.", "/media/drive-b/20261003-A3",
            "1 line of the ledger"]}),
    );
    let one = shoot_page(1, &json!({"count": 1}), "C");
    pages.add(
        "shoot-whole",
        "The one card is proven",
        &one,
        json!({"pages_max": 1}),
    );
    let open = shoot_page(1, &Value::Null, "C");
    pages.add(
        "shoot-open",
        "1 card seen, all proven",
        &open,
        json!({"pages_max": 1, "prints": ["never announced"]}),
    );
    let many = shoot_page(70, &json!({"count": 74}), "K");
    pages.add(
        "shoot-many",
        "56 of 74 cards proven",
        &many,
        json!({"pages_max": 2,
        "prints": ["70 cards. The ledger has the drives of each.",
            "NOT SEEN", "31 more cards"], "unprinted": ["/media/drive-a"]}),
    );
    let harmless = HOSTILE.replace('\u{202e}', "\\u{202e}");
    let hostile = shoot_page(2, &json!({"labels": [HOSTILE, "A9"]}), HOSTILE);
    // Neither of the two that were announced was seen; others count for none of them.
    pages.add(
        "shoot-hostile",
        "0 of 2 cards proven",
        &hostile,
        json!({"pages_max": 2, "shows": [harmless]}),
    );
}

/// The page of a folder of others that was checked, with many of everything that does not fit.
fn checked_page(name: &str, is_hurt: bool) -> Option<Vec<u8>> {
    let mut files: Vec<String> = (0..130)
        .map(|n| format!("DCIM/100KITES/KITE{n:04}.JPG"))
        .collect();
    files.push(HOSTILE_FILE.to_owned());
    files.push(format!("DCIM/{}.MP4", "K".repeat(240)));
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    let work = listed(name, &files)?;
    if is_hurt {
        let folder = work.path("K");
        files.iter().take(60).for_each(|f| remove(&folder.join(f)));
        files
            .iter()
            .skip(60)
            .take(3)
            .for_each(|f| flip(&folder.join(f), 9));
        remove(&folder.join(HOSTILE_FILE));
        put(&folder.join(format!("new{HOSTILE_FILE}")), b"new");
        put(&folder.join(".DS_Store"), b"litter");
    }
    work.run("report K --to check.html")
        .exits(i32::from(is_hurt));
    Some(bytes_of(&work.path("check.html")))
}

fn add_checked(pages: &mut Pages) {
    let harmless = HOSTILE_FILE.replace('\u{202e}', "\\u{202e}");
    if let Some(page) = checked_page("page-check-hurt", true) {
        let held = json!({"pages_max": 4, "shows": [harmless, "KITE0001.JPG"],
            "prints": ["Missing: 61", "21 more paths", "KITE0061.JPG"],
            "unprinted": ["KITE0059.JPG"]});
        pages.add("check-hurt", "NOT INTACT", &page, held);
    }
    if let Some(page) = checked_page("page-check", false).filter(|_| whole_sweeps()) {
        let held = json!({"pages_max": 2, "shows": [harmless],
            "prints": ["132 files. The lists name them all."], "unprinted": ["KITE0001.JPG"]});
        pages.add("check", "INTACT", &page, held);
    }
}

fn add_sound(pages: &mut Pages) {
    let where_else = "The manifest has them all.";
    pages.add(
        "proven",
        "Safe on 2 drives",
        &page_of(&festival(78)),
        json!({"pages_max": 2, "prints": ["78 files", where_else], "unprinted": ["KITE0001.MP4"]}),
    );
    pages.add(
        "not-proven",
        "NOT PROVEN",
        &page_of(&not_proven()),
        json!({"pages_max": 2, "prints": ["KITE0007.MP4", "Try another reader"]}),
    );
    // As they stand on the page: as text, with what turns the writing direction spelt out.
    let harmless = HOSTILE.replace('\u{202e}', "\\u{202e}");
    pages.add(
        "hostile",
        "Safe on 2 drives",
        &page_of(&hostile()),
        json!({"pages_max": 2, "shows": [harmless]}),
    );
    pages.add(
        "only-new",
        "Safe on 2 drives",
        &page_of(&only_new()),
        json!({"pages_max": 2, "prints": ["20261002-KITES-A"]}),
    );
    pages.add(
        "many",
        "Safe on 2 drives",
        &page_of(&festival(3_000)),
        json!({"pages_max": 2,
        "prints": ["3,000 files", where_else], "unprinted": ["KITE0001.MP4"]}),
    );
    let printed = [
        "LOST0038.MP4",
        "21 more exceptions",
        "60 system files. The manifest has them all.",
    ];
    let folded = ["KITE0001.MP4", "LOST0040.MP4", "._KITE0001.MP4"];
    pages.add(
        "plenty",
        "NOT PROVEN",
        &page_of(&plenty()),
        json!({"pages_max": 5, "prints": printed, "unprinted": folded}),
    );
    pages.add(
        "bag-signed",
        "Safe on one drive only",
        &signed_bag(),
        json!({"pages_max": 2, "prints": ["RFC 8493",
        "nothing but zeros"], "unprinted": ["KITE0001.JPG"]}),
    );
    add_shoots(pages);
    if !whole_sweeps() {
        pages.list.truncate(3);
    }
    add_checked(pages);
    let mut sheet = sheet(&[1; 5]);
    HOSTILE.clone_into(&mut sheet.pictures[1].path);
    sheet.pictures[2].path = format!("DCIM/{}.JPG", "K".repeat(250));
    (2..7)
        .zip(&mut sheet.pictures)
        .for_each(|(turn, p)| p.orientation = turn);
    pages.add(
        "pictures",
        "5 pictures",
        page_of_pictures(&mut sheet).as_bytes(),
        json!({"pages_max": 1, "pictures": 5, "shows": [harmless],
            "prints": ["A thumbnail proves nothing", "KITE0000.JPG"]}),
    );
}

/// What is put wrong, which check has to notice it, and how it is put wrong.
type Broken = (&'static str, &'static str, fn(&str) -> String);

/// The policy in the page's head, without which more gets through.
fn without_policy(page: &str) -> String {
    let (before, rest) = page.split_once("<meta http-equiv").unwrap();
    let (_, after) = rest.split_once('>').unwrap();
    format!("{before}{after}")
}

const BROKEN: [Broken; 14] = [
    ("fetches", "request", |p| {
        let image = "<main><img alt=\"kite\" src=\"http://kites.example/k.png\">";
        without_policy(p).replace("<main>", image)
    }),
    ("complains", "console", |p| {
        p.replace("<main>", "<main><script>1</script>")
    }),
    ("acts", "script", |p| {
        without_policy(p).replace("<main>", "<main><script>document.title = 'x'</script>")
    }),
    ("asks", "script", |p| {
        without_policy(p).replace("<main>", "<main onclick=\"alert(1)\">")
    }),
    ("wide", "sideways", |p| {
        p.replace(
            "</main>",
            "<p style=\"white-space:nowrap\">one line that is far too long for a narrow \
            screen</p></main>",
        )
    }),
    ("pale", "axe-light", |p| {
        p.replacen("--soft:#5d584f", "--soft:#c9c5bd", 1)
    }),
    ("dim", "axe-dark", |p| {
        p.replacen("--soft:#b3ada2", "--soft:#45423d", 1)
    }),
    ("wrong", "html", |p| {
        p.replace("</main>", "<p><div>A</div></p></main>")
    }),
    ("turned", "raw", |p| {
        p.replace("</main>", "<p>\u{202e}gpj.KITE</p></main>")
    }),
    ("hidden", "shown", |p| p.replace("KITE0001.MP4", "KITE.MP4")),
    ("late", "verdict", |p| {
        p.replace("<h1>", "<h2>First</h2><h1>")
    }),
    ("page-two", "print-verdict", |p| {
        p.replace("@media print{", "@media print{.verdict{break-before:page}")
    }),
    ("long", "print-pages", |p| {
        p.replace("<details", "<details open")
    }),
    ("silent", "print-told", |p| {
        p.replace("@media print{", "@media print{p{display:none}")
    }),
];

/// Adds broken pages, and returns their names and the check that has to notice.
fn add_broken(pages: &mut Pages) -> Vec<(String, &'static str)> {
    let sound = made(&festival(130));
    let held = json!({"broken": true, "pages_max": 2, "shows": ["KITE0001.MP4"],
        "prints": ["The manifest has them all."], "unprinted": ["KITE0001.MP4"]});
    let breaks = sampled(BROKEN.to_vec(), 2).into_iter();
    breaks
        .map(|(name, check, breaking)| {
            let broken = breaking(&sound);
            assert_ne!(broken, sound, "{name} is broken");
            let name = format!("broken-{name}");
            pages.add(&name, "Safe on 2 drives", broken.as_bytes(), held.clone());
            (format!("{name}.html"), check)
        })
        .collect()
}

/// In one run, so that the browser starts once.
#[test]
fn others_find_nothing_wrong_with_the_pages_and_each_check_finds_what_is() {
    let mut pages = Pages::new("pages-outside");
    add_sound(&mut pages);
    let breaks = add_broken(&mut pages);
    let Some(faults) = pages.faults() else { return };
    let (found, wrong): (Vec<_>, Vec<_>) = faults
        .into_iter()
        .partition(|(page, ..)| page.starts_with("broken-"));
    assert!(wrong.is_empty(), "{wrong:#?}");
    let found: BTreeSet<(&str, &str)> = found.iter().map(|f| (&*f.0, &*f.1)).collect();
    for (page, check) in &breaks {
        assert!(
            found.contains(&(&**page, *check)),
            "{page}: no {check} in {found:#?}"
        );
    }
    // An unfolded list is on paper too.
    let long = "broken-long.html";
    let is_long = breaks.iter().any(|(page, _)| page == long);
    assert_eq!(is_long, found.contains(&(long, "print-list")), "{found:#?}");
}
